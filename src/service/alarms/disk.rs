//! How much room disks have.

use std::collections::BTreeSet;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

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

/// Looks at disks in a thread beside. A disk of a server that went away can hang whoever looks at it: one thread at most.
pub(super) struct DiskLooks {
    probe: Arc<dyn DiskProbe>,
    under_way: Arc<AtomicBool>,
    patience: Duration,
}

impl DiskLooks {
    pub(super) fn new(probe: Arc<dyn DiskProbe>) -> Self {
        Self { probe, under_way: Arc::default(), patience: Duration::from_secs(10) }
    }

    /// The free bytes where each path lies; `None` when they do not come in time, or those of an earlier look have not come yet.
    pub(super) async fn free(&self, paths: BTreeSet<PathBuf>) -> Option<Vec<(PathBuf, io::Result<u64>)>> {
        if self.under_way.swap(true, Ordering::SeqCst) {
            return None;
        }
        let (probe, done) = (self.probe.clone(), Done(self.under_way.clone()));
        let look = tokio::task::spawn_blocking(move || {
            let found = paths.into_iter().map(|path| (path.clone(), probe.free(&path))).collect();
            drop(done);
            found
        });
        tokio::time::timeout(self.patience, look).await.ok()?.ok()
    }
}

/// Says that a look has ended, however it did.
struct Done(Arc<AtomicBool>);

impl Drop for Done {
    fn drop(&mut self) {
        self.0.store(false, Ordering::SeqCst);
    }
}

#[cfg(all(test, unix))]
mod tests {
    use std::sync::atomic::AtomicU32;
    use std::sync::{Mutex, mpsc};

    use super::*;

    /// Answers when it is let go.
    struct Hanging {
        asked: AtomicU32,
        let_go: Mutex<mpsc::Receiver<()>>,
    }

    impl DiskProbe for Hanging {
        fn free(&self, _path: &Path) -> io::Result<u64> {
            self.asked.fetch_add(1, Ordering::SeqCst);
            self.let_go.lock().unwrap().recv().unwrap();
            Ok(1)
        }
    }

    // Before, each look took a thread of its own.
    #[tokio::test]
    async fn a_disk_that_hangs_is_asked_once_and_not_again_until_it_answers() {
        let (let_go, waits) = mpsc::channel();
        let disk = Arc::new(Hanging { asked: AtomicU32::new(0), let_go: Mutex::new(waits) });
        let looks = DiskLooks { patience: Duration::from_millis(50), ..DiskLooks::new(disk.clone()) };
        let look = || looks.free(BTreeSet::from([PathBuf::from(".")]));
        for _ in 0..3 {
            assert!(look().await.is_none());
        }
        assert_eq!(disk.asked.load(Ordering::SeqCst), 1);
        let_go.send(()).unwrap();
        while looks.under_way.load(Ordering::SeqCst) {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        let_go.send(()).unwrap();
        let looks = DiskLooks { patience: Duration::from_secs(60), ..looks };
        let found = looks.free(BTreeSet::from([PathBuf::from(".")])).await.unwrap();
        assert!(matches!(found.as_slice(), [(_, Ok(1))]));
    }

    #[test]
    fn a_disk_that_is_there_has_some_room_and_one_that_is_not_is_told() {
        let folder = tempfile::tempdir().unwrap();
        assert!(MachineDisks.free(folder.path()).unwrap() > 0);
        assert!(MachineDisks.free(&folder.path().join("nothing")).is_err());
    }
}
