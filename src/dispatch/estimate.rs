//! When all that waits on a channel will have left.

use chrono::{DateTime, TimeDelta, Utc};

use crate::delivery::pace;
use crate::delivery::pace::{Estimate, Waiting};
use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::settings::DeliveryConfig;
use crate::dispatch::dispatcher::{DispatchError, Dispatcher};
use crate::people::Channel;
use crate::store::Store;

impl Dispatcher {
    /// When all that waits on a channel will have left, honestly: with limits, quiet hours and what is known of the time
    /// one message takes.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn all_sent_by(&self, channel: Channel) -> Result<Estimate, DispatchError> {
        all_sent_by(&self.store, &self.config, channel, self.clock.now()).await
    }
}

/// As [`Dispatcher::all_sent_by`], for a process that does not send.
///
/// # Errors
/// When the store fails.
pub async fn all_sent_by(
    store: &Store,
    config: &DeliveryConfig,
    channel: Channel,
    now: DateTime<Utc>,
) -> Result<Estimate, DispatchError> {
    all_sent_by_with(store, config, channel, now, None).await
}

/// As [`all_sent_by`], with messages that are not in the queue yet.
///
/// # Errors
/// When the store fails.
pub async fn all_sent_by_with(
    store: &Store,
    config: &DeliveryConfig,
    channel: Channel,
    now: DateTime<Utc>,
    extra: Option<Waiting>,
) -> Result<Estimate, DispatchError> {
    let mut waiting: Vec<Waiting> = store
        .backlog(channel)
        .await?
        .into_iter()
        .map(|part| Waiting {
            zone: part.zone,
            messages: part.messages,
            not_before: part.not_before,
            expires_at: part.expires_at,
        })
        .collect();
    waiting.extend(extra);
    let recent = store.attempts_since(channel, now - TimeDelta::days(1)).await?;
    let send_time = store.mean_send_time(channel).await?.unwrap_or(TimeDelta::seconds(1));
    Ok(pace::all_sent_by(now, &waiting, config.pace(channel), &QuietHours::from(config), send_time, &recent))
}
