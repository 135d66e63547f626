//! Injected time. Nothing else in the crate reads the system clock, so that replay and tests can hand in their own.

use std::sync::Mutex;
use std::time::{Duration, Instant};

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

/// A clock that is moved on by hand and never back: for practice. From where it was moved to it runs on as time passes, but only
/// for a while, so that a practice left open overnight stands where it was left.
#[derive(Debug)]
pub struct PracticeClock {
    set: Mutex<(DateTime<Utc>, Instant)>,
    runs_for: Duration,
}

impl PracticeClock {
    pub fn at(start: DateTime<Utc>, runs_for: Duration) -> Self {
        Self { set: Mutex::new((start, Instant::now())), runs_for }
    }

    /// On to an instant; one that is over changes nothing.
    pub fn move_to(&self, at: DateTime<Utc>) {
        let mut set = self.set.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
        if at > self.since(*set) {
            *set = (at, Instant::now());
        }
    }

    fn since(&self, (start, since): (DateTime<Utc>, Instant)) -> DateTime<Utc> {
        let passed = since.elapsed().min(self.runs_for);
        chrono::Duration::from_std(passed).ok().and_then(|passed| start.checked_add_signed(passed)).unwrap_or(start)
    }
}

impl Clock for PracticeClock {
    fn now(&self) -> DateTime<Utc> {
        self.since(*self.set.lock().unwrap_or_else(|poisoned| poisoned.into_inner()))
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

    #[test]
    fn a_practice_clock_is_moved_on_and_never_back_and_stands_in_the_end() {
        let noon: DateTime<Utc> = "2025-03-20T18:00:00Z".parse().expect("a literal instant");
        let clock = PracticeClock::at(noon, Duration::ZERO);
        assert_eq!(clock.now(), noon);
        clock.move_to(noon + chrono::Duration::days(1));
        clock.move_to(noon);
        assert_eq!(clock.now(), noon + chrono::Duration::days(1));
        let running = PracticeClock::at(noon, Duration::from_secs(3600));
        assert!(running.now() >= noon && running.now() < noon + chrono::Duration::hours(1));
    }
}
