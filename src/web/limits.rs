//! How many connections there may be, and how long each may take.

use std::time::Duration;

use tracing::warn;

/// Files that a process needs beside its connections: the store, feeds, channels, pictures.
const FILES_BESIDE: usize = 256;

/// How many connections there may be, and how long each may take.
#[derive(Clone, Debug)]
pub struct Limits {
    /// At once, for everything.
    pub connections: usize,
    /// Beyond `connections`, for webhooks alone: a STOP has to come in however many hold pages.
    pub for_webhooks: usize,
    /// Of one address (of one /64 network over IPv6), unless it is a proxy of ours.
    pub per_address: usize,
    /// All headers of a request have to be here by then: who sends them byte by byte is not a browser.
    pub header: Duration,
    /// So long a client may take nothing of its answer.
    pub write: Duration,
    /// After this a connection may end the answer under way and takes no other request.
    pub lifetime: Duration,
    /// So long the last answer of a connection may take.
    pub last_answer: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connections: 2048,
            for_webhooks: 128,
            per_address: 64,
            header: Duration::from_secs(8),
            write: Duration::from_secs(10),
            lifetime: Duration::from_secs(60),
            last_answer: Duration::from_secs(15),
        }
    }
}

impl Limits {
    /// Files that a process may have open when all connections are taken.
    pub fn open_files(&self) -> usize {
        self.connections + self.for_webhooks + FILES_BESIDE
    }

    /// No more connections than a process that may have so many files open can serve; the second is what to tell then.
    pub fn within(mut self, open_files: usize) -> (Self, Option<String>) {
        let wanted = self.open_files();
        if open_files >= wanted {
            return (self, None);
        }
        // Half of what is there, where there is not even enough for the rest.
        let room = open_files.saturating_sub(FILES_BESIDE).max(open_files / 2).max(2);
        self.for_webhooks = self.for_webhooks.min(room / 4).max(1);
        self.connections = (room - self.for_webhooks).max(1);
        let told = format!(
            "this process may have {open_files} files open, so pages take {} connections at once: raise LimitNOFILE (systemd) or \
             `ulimit -n` to {wanted} or more",
            self.connections
        );
        (self, Some(told))
    }

    /// As [`Limits::within`], by what the system lets this process have. Said in the log when it is too little.
    pub async fn of_this_process() -> Self {
        // Elsewhere than on Linux nobody says, and the limits stay.
        let limits = tokio::fs::read_to_string("/proc/self/limits").await.unwrap_or_default();
        let Some(most) = most_open_files(&limits) else { return Self::default() };
        let (limits, told) = Self::default().within(most);
        if let Some(told) = told {
            warn!("{told}");
        }
        limits
    }
}

/// The soft limit of open files, as `proc(5)` writes it.
fn most_open_files(limits: &str) -> Option<usize> {
    limits.lines().find_map(|line| line.strip_prefix("Max open files"))?.split_whitespace().next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_more_connections_are_taken_than_files_may_be_open() {
        let limits = "Limit                     Soft Limit           Hard Limit           Units     \n\
                      Max processes             31000                31000                processes \n\
                      Max open files            1024                 524288               files     \n";
        assert_eq!(most_open_files(limits), Some(1024));
        assert_eq!(most_open_files("Max open files            unlimited  unlimited  files\n"), None);
        let (few, told) = Limits::default().within(1024);
        assert!(few.open_files() <= 1024 && few.connections >= 512, "{few:?}");
        assert!(told.expect("something to tell").contains("LimitNOFILE"));
        let (all, told) = Limits::default().within(Limits::default().open_files());
        assert_eq!((all.connections, told), (2048, None));
        for files in [0, 1, 16, 256, 300] {
            let (least, told) = Limits::default().within(files);
            assert!(least.connections >= 1 && least.for_webhooks >= 1 && told.is_some(), "{files}: {least:?}");
        }
    }
}
