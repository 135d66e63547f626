//! Injected time. Nothing else in the crate reads the system clock, so that replay and tests can hand in their own.

use std::sync::Mutex;

use chrono::{DateTime, Utc};

/// A source of the present instant.
pub trait Clock: Send + Sync {
    fn now(&self) -> DateTime<Utc>;
}

/// The machine's clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> DateTime<Utc> {
        Utc::now()
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
