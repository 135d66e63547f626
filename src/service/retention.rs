//! The job that keeps the times of keeping: what has had its time is ended, erased, taken away, and counted in the log.

use chrono::TimeDelta;
use tracing::{info, warn};

use crate::service::app::App;
use crate::service::photographs;
use crate::store::StoreError;
use crate::store::runs::{CYCLE, ONCE};

/// After a longer pause between two cycles the job waits for the next one: it may be the clock that jumped, and what is taken away
/// for it does not come back.
const STRANGE_PAUSE: TimeDelta = TimeDelta::days(3);

/// Runs once a cycle, before the cycle's end is booked.
///
/// # Errors
/// When the store fails; the next run goes on from there.
pub async fn keep_times(app: &App) -> Result<(), StoreError> {
    let (store, times, now) = (&app.store, &app.config.retention, app.clock.now());
    let mut last = None;
    for job in [CYCLE, ONCE] {
        last = last.max(store.job_times(job).await?.ended_at);
    }
    if let Some(last) = last.filter(|last| now - *last > STRANGE_PAUSE) {
        warn!(
            "the last cycle ended {} days ago, or the clock jumped: nothing is taken away before the next cycle, so that there is \
             time to set it right",
            (now - last).num_days()
        );
        return Ok(());
    }
    let before = |days: u32| now - TimeDelta::days(i64::from(days));
    let (stopped, asked) = (before(times.stopped_days), before(times.unconfirmed_days));
    let erased = store.erase_old_addresses(stopped, asked, now).await?;
    if erased > 0 {
        info!(addresses = erased, "erased addresses that are not needed any more");
    }
    let unconfirmed = store.end_old_sign_ups(asked, now).await?;
    if unconfirmed > 0 {
        info!(unconfirmed, "ended sign-up requests that nobody confirmed");
    }
    let letters = store.erase_ended_transactional(now).await?;
    if letters > 0 {
        info!(letters, "erased the words of transactional messages that have ended");
    }
    for (rows, gone) in store.keep_times(times, now).await? {
        info!(rows = gone, "{rows}: {gone} kept no longer");
    }
    photographs::sweep(&app.config, store, now).await?;
    store.forget_log().await;
    if store.rewrite_after_erasures(now).await? {
        info!("wrote the store's file anew, so that nothing of who was erased stands in its unused bytes");
    }
    Ok(())
}
