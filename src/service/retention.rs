//! The job that keeps the times of keeping: what has had its time is ended, erased, taken away, and counted in the log.

use chrono::TimeDelta;
use tracing::info;

use crate::service::app::App;
use crate::store::StoreError;

/// Runs once a cycle.
///
/// # Errors
/// When the store fails; the next run goes on from there.
pub async fn keep_times(app: &App) -> Result<(), StoreError> {
    let (store, times, now) = (&app.store, &app.config.retention, app.clock.now());
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
    store.forget_log().await;
    Ok(())
}
