//! How much room disks have.

use std::io;
use std::path::Path;

/// Looks at a disk.
pub trait DiskProbe: Send + Sync {
    /// Bytes that this program may still write where `path` lies.
    ///
    /// # Errors
    /// When the path cannot be looked at.
    fn free(&self, path: &Path) -> io::Result<u64>;
}

/// The machine's disks.
#[derive(Clone, Copy, Debug, Default)]
pub struct MachineDisks;

impl DiskProbe for MachineDisks {
    #[cfg(unix)]
    fn free(&self, path: &Path) -> io::Result<u64> {
        let found = rustix::fs::statvfs(path)?;
        Ok(found.f_bavail.saturating_mul(found.f_frsize))
    }

    #[cfg(not(unix))]
    fn free(&self, _path: &Path) -> io::Result<u64> {
        Err(io::Error::from(io::ErrorKind::Unsupported))
    }
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_disk_that_is_there_has_some_room_and_one_that_is_not_is_told() {
        let folder = tempfile::tempdir().unwrap();
        assert!(MachineDisks.free(folder.path()).unwrap() > 0);
        assert!(MachineDisks.free(&folder.path().join("nothing")).is_err());
    }
}
