//! The sign of life for systemd's watchdog: given only while every part of the service goes on.

use std::time::Duration;

use tracing::{error, info};

use crate::progress::Progress;

/// Without a watchdog parts that stall are still looked for this often, and told in the log.
pub const LOOK_EVERY: Duration = Duration::from_secs(10);

/// Gives `sign` every so often for as long as no part has stalled. A part that makes no step for `patience` lets the watchdog
/// starve, whatever the others do, until it goes on.
pub async fn watch(
    progress: &Progress,
    patience: Duration,
    every: Duration,
    mut sign: impl FnMut(),
    shutdown: impl Future<Output = ()>,
) {
    tokio::pin!(shutdown);
    let mut told = Vec::new();
    loop {
        let stalled = progress.stalled(patience);
        for (part, since) in &stalled {
            if !told.contains(part) {
                error!(
                    part = part.name(),
                    since_s = since.as_secs(),
                    "the {} has done nothing for {} s: systemd gets no sign of life",
                    part.name(),
                    since.as_secs()
                );
            }
        }
        if stalled.is_empty() {
            if !told.is_empty() {
                info!("every part goes on again");
            }
            sign();
        }
        told = stalled.into_iter().map(|(part, _)| part).collect();
        tokio::select! {
            () = tokio::time::sleep(every) => {}
            () = &mut shutdown => return,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU32, Ordering};

    use super::*;
    use crate::progress::Part;

    #[tokio::test]
    async fn one_part_that_stalls_lets_the_watchdog_starve_until_it_goes_on() {
        let progress = Progress::default();
        let signs = AtomicU32::new(0);
        let given = || signs.load(Ordering::Relaxed);
        let look = async |patience| {
            let sign = || {
                signs.fetch_add(1, Ordering::Relaxed);
            };
            watch(&progress, patience, Duration::from_secs(3600), sign, std::future::ready(())).await;
        };
        progress.made(Part::Schedule);
        progress.made(Part::Dispatcher);
        look(Duration::from_secs(3600)).await;
        assert_eq!(given(), 1);
        progress.ended(Part::Schedule);
        look(Duration::ZERO).await;
        assert_eq!(given(), 1, "the dispatcher has stalled");
        progress.ended(Part::Dispatcher);
        look(Duration::ZERO).await;
        assert_eq!(given(), 2, "what has ended is not waited for");
    }
}
