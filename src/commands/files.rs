//! Files that commands read and write. Their faults are worded once, here.

#![expect(clippy::disallowed_methods, reason = "a command serves nobody else")]

use std::fmt::Display;
use std::fs::File;
use std::path::Path;

use super::error::CommandError;
use crate::files::read_capped;

/// More than any list that people write, bytes: a device or a pipe that never ends must not fill the memory.
const LARGEST: u64 = 64 << 20;

pub fn open_file(path: &Path) -> Result<File, CommandError> {
    File::open(path).map_err(|why| unreadable(path, &why))
}

pub fn read_bytes(path: &Path) -> Result<Vec<u8>, CommandError> {
    File::open(path).and_then(|file| read_capped(file, LARGEST)).map_err(|why| unreadable(path, &why))
}

pub fn read_text(path: &Path) -> Result<String, CommandError> {
    let text = String::from_utf8(read_bytes(path)?);
    text.map_err(|_| CommandError::Usage(format!("`{}` is not UTF-8 text: save it in that encoding", path.display())))
}

fn unreadable(path: &Path, why: &std::io::Error) -> CommandError {
    CommandError::Usage(format!("`{}` cannot be read: {why}", path.display()))
}

/// Writes a file, over one that is there.
pub fn write_file(path: &Path, bytes: &[u8]) -> Result<(), CommandError> {
    std::fs::write(path, bytes)
        .map_err(|why| CommandError::Failed(format!("`{}` cannot be written: {why}", path.display())))
}

/// Writes a new file that only its owner can read, and waits until it is on the disk.
pub fn create_private(path: &Path, text: &str) -> Result<(), CommandError> {
    use std::io::Write;
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(path).map_err(|why| match why.kind() {
        std::io::ErrorKind::AlreadyExists => {
            CommandError::Usage(format!("`{}` is there already: name a file that is not", path.display()))
        }
        _ => CommandError::Usage(format!("`{}` cannot be made: {why}", path.display())),
    })?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .map_err(|why| CommandError::Failed(format!("`{}` cannot be written: {why}", path.display())))
}

/// Faults of a file, a line each.
pub fn in_file(file: &Path, faults: &[impl Display]) -> String {
    faults.iter().map(|fault| format!("{}: {fault}", file.display())).collect::<Vec<_>>().join("\n")
}

/// Whether a file's name ends as wanted, such as in `png`, in capitals or not.
pub fn has_ending(path: &Path, wanted: &str) -> bool {
    path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case(wanted))
}
