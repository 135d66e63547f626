//! Who works the queue: what a dispatcher has at hand, and what it reports.

use std::collections::BTreeSet;
use std::fmt;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::TimeDelta;
use tokio::sync::Notify;
use tracing::warn;

use crate::clock::Clock;
use crate::delivery::attempt::{LostLeases, UncertainRest};
use crate::delivery::backoff::Backoff;
use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::settings::DeliveryConfig;
use crate::dispatch::breaker::Breaker;
use crate::dispatch::channels::Channels;
use crate::dispatch::personalise::Personaliser;
use crate::metrics::Metrics;
use crate::people::Channel;
use crate::progress::Progress;
use crate::store::queue::Recovered;
use crate::store::{Store, StoreError};
use crate::text::counted;

/// What one pass or run came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Drained {
    /// Accepted by a channel.
    pub sent: u64,
    /// Not accepted for now, waiting for another try.
    pub later: u64,
    /// Refused for good.
    pub failed: u64,
    /// Answer lost, with those left by workers that vanished.
    pub uncertain: u64,
    /// Ended because their notice was of no use any more.
    pub expired: u64,
    /// Ended because the addressee is gone or said stop.
    pub withdrawn: u64,
    /// Answers that came when another worker had the delivery already: they changed nothing.
    pub stale: u64,
}

impl std::ops::AddAssign for Drained {
    fn add_assign(&mut self, other: Self) {
        self.sent += other.sent;
        self.later += other.later;
        self.failed += other.failed;
        self.uncertain += other.uncertain;
        self.expired += other.expired;
        self.withdrawn += other.withdrawn;
        self.stale += other.stale;
    }
}

/// `12 messages sent, 1 to be tried again`: what there was of it.
impl fmt::Display for Drained {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} sent", counted(self.sent, "message", "messages"))?;
        for (count, what) in [
            (self.later, "to be tried again"),
            (self.failed, "refused for good"),
            (self.uncertain, "uncertain"),
            (self.expired, "too late to be of use"),
            (self.withdrawn, "withdrawn since the addressee is gone or said stop"),
            (self.stale, "answered when another process had them already"),
        ] {
            if count > 0 {
                write!(f, ", {count} {what}")?;
            }
        }
        Ok(())
    }
}

#[derive(Debug, thiserror::Error)]
pub enum DispatchError {
    #[error("the queue could not be worked on")]
    Store(#[from] StoreError),
    /// Only in tests: the hook said that the process dies here.
    #[error("stopped on purpose at {0:?}")]
    Stopped(CrashPoint),
}

/// Where tests let the process die. Everything in hand is dropped there as a kill would drop it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CrashPoint {
    /// Lease and attempt rows are committed, no byte has left.
    AfterClaim,
    /// The channel has answered, nothing of it is on record.
    AfterAnswer,
    /// Channels have answered; what they took is noted, nothing is booked.
    AfterSend,
    /// The answers are booked.
    AfterBooking,
}

type CrashHook = Arc<dyn Fn(CrashPoint) -> bool + Send + Sync>;

/// Works the queue of one store. Any number may work on one PostgreSQL store; SQLite stores have one.
pub struct Dispatcher {
    pub(super) store: Store,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) channels: Channels,
    pub(super) config: DeliveryConfig,
    pub(super) quiet: QuietHours,
    pub(super) backoff: Backoff,
    pub(super) personaliser: Arc<dyn Personaliser>,
    pub(super) worker: String,
    pub(super) wake: Arc<Notify>,
    pub(super) breaker: Breaker,
    pub(super) metrics: Metrics,
    pub(super) progress: Progress,
    pub(super) told_missing: Mutex<BTreeSet<Channel>>,
    pub(super) grace: Duration,
    pub(super) crash: Option<CrashHook>,
}

/// Pause when something was due and could not be had: another worker has it in hand.
pub(super) const SHORT_PAUSE: Duration = Duration::from_millis(250);

/// On shutdown, messages in flight get this long to be answered; the time for the last booking comes on top.
const GRACE: Duration = Duration::from_secs(5);

impl Dispatcher {
    pub fn new(
        store: Store,
        clock: Arc<dyn Clock>,
        channels: Channels,
        config: &DeliveryConfig,
        personaliser: Arc<dyn Personaliser>,
    ) -> Self {
        let worker = format!("{}-{}", std::process::id(), store.randomness().hex::<4>());
        Self {
            store,
            clock,
            channels,
            config: config.clone(),
            quiet: QuietHours::from(config),
            backoff: Backoff::from(config),
            personaliser,
            worker,
            wake: Arc::new(Notify::new()),
            breaker: Breaker::default(),
            metrics: Metrics::default(),
            progress: Progress::default(),
            told_missing: Mutex::default(),
            grace: GRACE,
            crash: None,
        }
    }

    /// How long messages in flight may be waited for on shutdown; five seconds if not said.
    pub fn with_grace(mut self, grace: Duration) -> Self {
        self.grace = grace;
        self
    }

    /// Ask it at every [`CrashPoint`]; where it says yes, the work stops as if the process died.
    #[doc(hidden)]
    pub fn dying_when(mut self, hook: impl Fn(CrashPoint) -> bool + Send + Sync + 'static) -> Self {
        self.crash = Some(Arc::new(hook));
        self
    }

    /// Has this signal wake it, too: for those who put something into the queue.
    pub fn woken_by(mut self, signal: Arc<Notify>) -> Self {
        self.wake = signal;
        self
    }

    /// Has sends counted, and steps told, where a whole service does.
    pub fn watched_by(mut self, metrics: Metrics, progress: Progress) -> Self {
        (self.metrics, self.progress) = (metrics, progress);
        self
    }

    /// `notify_one` on it after queueing makes [`Dispatcher::run`] look at once.
    pub fn waker(&self) -> Arc<Notify> {
        self.wake.clone()
    }

    /// Ends everything an earlier process had in hand, without waiting for its leases to run out. Only for a service that
    /// holds the store alone ([`Store::lock_service`] on SQLite), at its start.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn take_over(&self) -> Result<Recovered, DispatchError> {
        self.store.mend_answers().await;
        let found = self.store.recover_leases(LostLeases::All, self.uncertain_rest(), self.clock.now()).await?;
        if found != Recovered::default() {
            warn!(
                deliveries = found.in_doubt,
                known_as_sent = found.taken,
                "an earlier run ended with messages in flight: those whose answer is not known are marked uncertain"
            );
        }
        Ok(found)
    }

    pub(super) fn lease(&self) -> TimeDelta {
        TimeDelta::seconds(i64::try_from(self.config.lease_s.max(1)).unwrap_or(i64::MAX / 2000))
    }

    pub(super) fn renew_every(&self) -> Duration {
        Duration::from_secs(self.config.lease_s.max(1)) / 3
    }

    pub(super) fn uncertain_wait(&self) -> Duration {
        Duration::from_secs(self.config.uncertain_wait_min.saturating_mul(60))
    }

    pub(super) fn uncertain_rest(&self) -> UncertainRest {
        let sms = TimeDelta::from_std(self.uncertain_wait()).unwrap_or(TimeDelta::MAX);
        UncertainRest { email: TimeDelta::zero(), sms }
    }

    pub(super) fn crash_if_asked(&self, point: CrashPoint) -> Result<(), DispatchError> {
        match &self.crash {
            Some(hook) if hook(point) => Err(DispatchError::Stopped(point)),
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_run_came_to_is_a_sentence() {
        assert_eq!(Drained::default().to_string(), "0 messages sent");
        let some = Drained { sent: 1, later: 2, uncertain: 1, ..Drained::default() };
        assert_eq!(some.to_string(), "1 message sent, 2 to be tried again, 1 uncertain");
    }
}
