//! Files that commands read and write. Their faults are worded once, here.

#![expect(clippy::disallowed_methods, reason = "a command serves nobody else")]

use std::fmt::Display;
use std::fs::File;
use std::path::Path;

use super::error::CommandError;

pub fn open_file(path: &Path) -> Result<File, CommandError> {
    File::open(path).map_err(|why| unreadable(path, &why))
}

pub fn read_bytes(path: &Path) -> Result<Vec<u8>, CommandError> {
    std::fs::read(path).map_err(|why| unreadable(path, &why))
}

pub fn read_text(path: &Path) -> Result<String, CommandError> {
    std::fs::read_to_string(path).map_err(|why| unreadable(path, &why))
}

fn unreadable(path: &Path, why: &std::io::Error) -> CommandError {
    CommandError::Usage(format!("`{}` cannot be read: {why}", path.display()))
}

/// Writes a file, over one that is there.
pub fn write_file(path: &Path, bytes: &[u8]) -> Result<(), CommandError> {
    std::fs::write(path, bytes)
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
