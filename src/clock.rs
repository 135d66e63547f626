//! Injected time. Nothing else in the crate reads the system clock, so that replay and tests can hand in their own.

use std::sync::Mutex;
use std::time::Instant;

use chrono::{DateTime, Utc};

/// A source of the present instant.
pub trait Clock: Send + Sync {
    fn now(&self) -> DateTime<Utc>;
}

/// The machine's clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    #[expect(clippy::disallowed_methods, reason = "the one place that reads the machine's clock")]
    fn now(&self) -> DateTime<Utc> {
        Utc::now()
    }
}

/// A clock that is set to an instant and runs on from there as time passes: for the demo's pages, which stand on a day of a
/// past season.
#[derive(Clone, Copy, Debug)]
pub struct SetClock {
    start: DateTime<Utc>,
    since: Instant,
}

impl SetClock {
    pub fn at(start: DateTime<Utc>) -> Self {
        Self { start, since: Instant::now() }
    }
}

impl Clock for SetClock {
    fn now(&self) -> DateTime<Utc> {
        chrono::Duration::from_std(self.since.elapsed())
            .ok()
            .and_then(|passed| self.start.checked_add_signed(passed))
            .unwrap_or(DateTime::<Utc>::MAX_UTC)
    }
}

/// A clock that stands still until it is moved: for replay, demo and tests.
#[derive(Debug)]
pub struct ManualClock(Mutex<DateTime<Utc>>);

impl ManualClock {
    pub fn at(start: DateTime<Utc>) -> Self {
        Self(Mutex::new(start))
    }

    pub fn set(&self, now: DateTime<Utc>) {
        *self.0.lock().unwrap_or_else(|poisoned| poisoned.into_inner()) = now;
    }

    pub fn advance(&self, by: chrono::Duration) {
        *self.0.lock().unwrap_or_else(|poisoned| poisoned.into_inner()) += by;
    }
}

impl Clock for ManualClock {
    fn now(&self) -> DateTime<Utc> {
        *self.0.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_set_clock_starts_where_it_is_set_and_only_runs_on() {
        let noon: DateTime<Utc> = "2025-03-20T18:00:00Z".parse().expect("a literal instant");
        let clock = SetClock::at(noon);
        let mut last = noon;
        for _ in 0..1000 {
            let now = clock.now();
            assert!(now >= last && now - noon < chrono::Duration::hours(1));
            last = now;
        }
    }
}
