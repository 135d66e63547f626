//! Files read with an end in sight: a device or a pipe that never ends must not fill the memory.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

/// Text of a file of ours: settings, profiles, templates, secrets.
///
/// # Errors
/// As [`read`], and when it is not UTF-8.
pub fn read_text(path: &Path, most: u64) -> io::Result<String> {
    String::from_utf8(read(path, most)?).map_err(|why| {
        let line =
            why.as_bytes().iter().take(why.utf8_error().valid_up_to()).filter(|byte| **byte == b'\n').count() + 1;
        io::Error::new(
            io::ErrorKind::InvalidData,
            format!("line {line} is not UTF-8 text: save the file in that encoding"),
        )
    })
}

/// What a file of at most `most` bytes holds.
///
/// # Errors
/// When it cannot be read, holds more, or is no file: a pipe that nobody writes into would be waited for without end.
#[expect(clippy::disallowed_methods, reason = "called before anything is served, or on a thread of its own")]
pub fn read(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let kind = std::fs::metadata(path)?.file_type();
    if !kind.is_file() {
        let what = if kind.is_dir() { "it is a folder, not a file" } else { "it is a device or a pipe, not a file" };
        return Err(io::Error::new(io::ErrorKind::InvalidInput, what));
    }
    read_capped(File::open(path)?, most)
}

/// What a reader gives, up to `most` bytes.
///
/// # Errors
/// When it cannot be read or gives more.
pub fn read_capped(from: impl Read, most: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    from.take(most.saturating_add(1)).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most { Err(too_long(most)) } else { Ok(bytes) }
}

/// The fault of what holds more than `most` bytes.
pub fn too_long(most: u64) -> io::Error {
    let size = if most >= 1 << 20 { format!("{} MiB", most >> 20) } else { format!("{} KiB", most >> 10) };
    io::Error::new(io::ErrorKind::FileTooLarge, format!("it holds more than {size}, which is more than is read"))
}

/// Ends with [`too_long`] instead of passing on more than so many bytes.
pub struct Capped<R> {
    from: R,
    left: u64,
    most: u64,
}

impl<R> Capped<R> {
    pub fn new(from: R, most: u64) -> Self {
        Self { from, left: most, most }
    }
}

impl<R: Read> Read for Capped<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let got = self.from.read(into)?;
        self.left = self.left.checked_sub(got as u64).ok_or_else(|| too_long(self.most))?;
        Ok(got)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_never_ends_is_refused_and_what_fits_to_the_byte_is_read() {
        assert_eq!(read_capped(io::repeat(0), 2048).unwrap_err().to_string(), too_long(2048).to_string());
        assert_eq!(read_capped(&b"abc"[..], 3).unwrap(), b"abc");
        assert!(read_capped(&b"abcd"[..], 3).is_err());
        let mut all = Vec::new();
        assert!(Capped::new(io::repeat(0), 1 << 20).read_to_end(&mut all).is_err());
        assert!(all.len() <= 1 << 20);
        all.clear();
        assert_eq!(Capped::new(&b"abc"[..], 3).read_to_end(&mut all).unwrap(), 3);
    }

    #[test]
    fn devices_pipes_and_folders_are_no_files() {
        let folder = tempfile::tempdir().unwrap();
        assert!(read(folder.path(), 9).unwrap_err().to_string().contains("a folder"));
        if cfg!(unix) {
            assert!(read(Path::new("/dev/zero"), 9).unwrap_err().to_string().contains("a device or a pipe"));
        }
        std::fs::write(folder.path().join("x"), b"ok\n\xff").unwrap();
        assert!(read_text(&folder.path().join("x"), 9).unwrap_err().to_string().contains("line 2 is not UTF-8"));
    }
}
