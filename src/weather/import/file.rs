//! Opening a file, packed or not, and why one cannot be imported.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use flate2::read::MultiGzDecoder;

use crate::weather::feeds::FeedError;

/// JSON is read whole.
const LARGEST_JSON: u64 = 256 << 20;

/// Why a file could not be imported.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    #[error("`{}` cannot be read to its end; nothing of it was taken", .path.display())]
    Unreadable {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    #[error("`{}` is not a record that can be imported: {why}", .path.display())]
    NotARecord { path: PathBuf, why: String },
    #[error("`{}` was not taken", .path.display())]
    Refused {
        path: PathBuf,
        #[source]
        source: FeedError,
    },
    #[error("`{}` is not a station list: lines as in ghcnd-stations.txt are wanted", .path.display())]
    NotAStationList { path: PathBuf },
}

pub(super) fn read_whole(path: &Path) -> Result<Vec<u8>, ImportError> {
    let mut whole = Vec::new();
    let opened = open(path, &|_| {}).map_err(|source| unreadable(path, source))?;
    opened.take(LARGEST_JSON + 1).read_to_end(&mut whole).map_err(|source| unreadable(path, source))?;
    if whole.len() as u64 > LARGEST_JSON {
        let why = format!("it is JSON of more than {} MiB", LARGEST_JSON >> 20);
        return Err(ImportError::NotARecord { path: path.to_owned(), why });
    }
    Ok(whole)
}

/// Opens a file, unpacked if its first bytes are those of gzip.
#[expect(clippy::disallowed_methods, reason = "a service imports on a thread of its own")]
pub(super) fn open<'a>(path: &Path, progress: &'a (dyn Fn(u64) + Sync)) -> io::Result<Box<dyn BufRead + 'a>> {
    let counted = Counted { file: File::open(path)?, read: 0, progress };
    let mut reader = BufReader::with_capacity(64 * 1024, counted);
    if reader.fill_buf()?.starts_with(&[0x1f, 0x8b]) {
        Ok(Box::new(BufReader::with_capacity(64 * 1024, MultiGzDecoder::new(reader))))
    } else {
        Ok(Box::new(reader))
    }
}

struct Counted<'a> {
    file: File,
    read: u64,
    progress: &'a (dyn Fn(u64) + Sync),
}

impl Read for Counted<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(buffer)?;
        self.read += count as u64;
        (self.progress)(self.read);
        Ok(count)
    }
}

pub(super) fn unreadable(path: &Path, source: io::Error) -> ImportError {
    ImportError::Unreadable { path: path.to_owned(), source }
}
