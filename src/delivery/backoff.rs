//! How long a delivery waits before it is tried again.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};

use crate::delivery::settings::DeliveryConfig;

/// The wait doubles from `first` with every try up to `longest`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Backoff {
    pub first: Duration,
    pub longest: Duration,
}

/// A jitter of so many per mille either way keeps a crowd that failed together from coming back together.
const JITTER: u128 = 100;

/// Shortest wait, also when the other side allows less: it guards against a hot loop.
const SHORTEST: Duration = Duration::from_secs(1);

/// Longest wait that the other side may ask for. A day's allowance that is used up is good again within a day; a longer
/// wait is more likely a fault of the gateway, and would let messages expire unsent that it might take an hour later.
const LONGEST_ASKED: Duration = Duration::from_secs(24 * 3600);

impl From<&DeliveryConfig> for Backoff {
    fn from(config: &DeliveryConfig) -> Self {
        Self { first: Duration::from_secs(config.retry_first_s), longest: Duration::from_secs(config.retry_longest_s) }
    }
}

impl Backoff {
    /// The wait after the `tries`-th try (from 1). What the other side asked for is kept as it is, up to a day; else the
    /// jitter comes from `key` and `tries`, so that the same delivery always waits the same.
    pub fn wait(&self, key: &str, tries: i64, asked: Option<Duration>) -> Duration {
        if let Some(asked) = asked {
            return asked.clamp(SHORTEST, LONGEST_ASKED);
        }
        let doublings = u32::try_from(tries.saturating_sub(1).clamp(0, 30)).unwrap_or(0);
        let plain = self.first.saturating_mul(1 << doublings).min(self.longest);
        let millis = plain.as_millis() * (1000 - JITTER + share(key, tries) % (2 * JITTER + 1)) / 1000;
        Duration::from_millis(u64::try_from(millis).unwrap_or(u64::MAX)).max(SHORTEST)
    }
}

fn share(key: &str, tries: i64) -> u128 {
    let digest = Sha256::digest(format!("{tries}/{key}"));
    digest.iter().take(8).fold(0, |sum, byte| sum << 8 | u128::from(*byte))
}

/// The instant after a wait; the last there is where it would lie beyond.
pub fn later(now: DateTime<Utc>, wait: Duration) -> DateTime<Utc> {
    TimeDelta::from_std(wait).ok().and_then(|wait| now.checked_add_signed(wait)).unwrap_or(DateTime::<Utc>::MAX_UTC)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const BACKOFF: Backoff = Backoff { first: Duration::from_secs(60), longest: Duration::from_secs(4 * 3600) };

    #[test]
    fn what_the_other_side_asks_is_kept() {
        assert_eq!(BACKOFF.wait("a", 1, Some(Duration::from_secs(97))), Duration::from_secs(97));
        assert_eq!(BACKOFF.wait("a", 9, Some(Duration::from_secs(5))), Duration::from_secs(5));
        assert_eq!(BACKOFF.wait("a", 9, Some(Duration::ZERO)), SHORTEST);
        assert_eq!(BACKOFF.wait("a", 1, Some(Duration::from_secs(86_400))), LONGEST_ASKED);
        assert_eq!(BACKOFF.wait("a", 1, Some(Duration::from_secs(86_401))), LONGEST_ASKED);
        assert_eq!(BACKOFF.wait("a", 1, Some(Duration::MAX)), LONGEST_ASKED);
    }

    #[test]
    fn the_jitter_differs_between_keys_and_not_between_calls() {
        let waits: std::collections::BTreeSet<_> =
            (0..100).map(|i| BACKOFF.wait(&format!("key {i}"), 3, None)).collect();
        assert!(waits.len() > 50, "{} different waits of 100", waits.len());
        assert_eq!(BACKOFF.wait("a", 3, None), BACKOFF.wait("a", 3, None));
    }

    proptest! {
        #[test]
        fn within_a_tenth_of_the_plan(key in ".*", tries in 0i64..10_000) {
            let plan = 60.0 * 2f64.powi(i32::try_from((tries - 1).clamp(0, 30)).unwrap());
            let plan = plan.min(4.0 * 3600.0);
            let wait = BACKOFF.wait(&key, tries, None).as_secs_f64();
            prop_assert!((wait / plan - 1.0).abs() <= 0.1001, "{wait} s, plan {plan} s");
        }
    }
}
