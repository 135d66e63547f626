//! A channel that does not work is left alone for a while, then tried with one message.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chrono::{DateTime, Utc};
use tracing::{info, warn};

use crate::delivery::backoff::{Backoff, later};
use crate::delivery::scrub::scrubbed;
use crate::people::Channel;

/// Which channels are paused after faults. One for each dispatcher.
#[derive(Debug, Default)]
pub(super) struct Breaker {
    channels: Mutex<BTreeMap<Channel, Faults>>,
}

/// What went wrong on a channel since it last worked.
#[derive(Clone, Copy, Debug)]
struct Faults {
    paused_until: DateTime<Utc>,
    /// Pauses in a row; 0 = none yet.
    pauses: i64,
    lost_in_row: u32,
}

/// So many lost answers in a row mean that the channel itself does not work.
const LOST_IN_ROW: u32 = 3;

const PAUSE: Backoff = Backoff { first: Duration::from_secs(15), longest: Duration::from_secs(300) };

impl Breaker {
    /// The other side spoke to us about one message.
    pub(super) fn works(&self, channel: Channel) {
        if self.faults().remove(&channel).is_some_and(|faults| faults.pauses > 0) {
            info!(channel = channel.name(), "the channel works again");
        }
    }

    /// Each lost answer uses up one of the two copies a message may have, so after a few in a row the channel is left alone.
    pub(super) fn lost_an_answer(&self, channel: Channel, cause: &str, now: DateTime<Utc>) {
        let in_row = {
            let mut faults = self.faults();
            let none = Faults { paused_until: DateTime::<Utc>::MIN_UTC, pauses: 0, lost_in_row: 0 };
            let faults = faults.entry(channel).or_insert(none);
            faults.lost_in_row += 1;
            faults.lost_in_row
        };
        if in_row >= LOST_IN_ROW {
            self.trip(channel, None, cause, now);
        }
    }

    /// Pauses the channel, for as long as the other side `asked` if it did.
    pub(super) fn trip(&self, channel: Channel, asked: Option<Duration>, cause: &str, now: DateTime<Utc>) {
        let mut faults = self.faults();
        let before = faults.get(&channel).copied();
        let pauses = match before {
            // Those that were in flight together fail together: they count once.
            Some(faults) if now < faults.paused_until => faults.pauses,
            Some(faults) => faults.pauses + 1,
            None => 1,
        };
        if pauses == 1 && before.is_none_or(|faults| faults.pauses == 0) {
            warn!(channel = channel.name(), cause = scrubbed(cause), "the channel does not work, sending pauses");
        }
        let until = later(now, PAUSE.wait(channel.name(), pauses, asked));
        let paused_until = before.map_or(until, |faults| faults.paused_until.max(until));
        let lost_in_row = before.map_or(0, |faults| faults.lost_in_row);
        faults.insert(channel, Faults { paused_until, pauses, lost_in_row });
    }

    /// When the channel may be tried again, with one message; `None` while it works. May lie in the past.
    pub(super) fn paused_until(&self, channel: Channel) -> Option<DateTime<Utc>> {
        self.faults().get(&channel).filter(|faults| faults.pauses > 0).map(|faults| faults.paused_until)
    }

    fn faults(&self) -> MutexGuard<'_, BTreeMap<Channel, Faults>> {
        self.channels.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
