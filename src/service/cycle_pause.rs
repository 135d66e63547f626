//! When a cycle that was begun and never ended, time after time, is begun again.

use std::fmt;

use chrono::{DateTime, TimeDelta, Utc};

use crate::store::runs::UnfinishedTries;

/// The cycle is due, and has been begun in vain so often that it waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Pause {
    tries: u32,
    until: DateTime<Utc>,
}

impl Pause {
    /// Whether there is one now. The first try after a cut comes at once, since a machine may just have been started anew; what
    /// is cut off again and again is most likely cut off by itself.
    pub(super) fn after(unfinished: Option<UnfinishedTries>, now: DateTime<Utc>) -> Option<Self> {
        let UnfinishedTries { tries, last_began_at } = unfinished?;
        let minutes = match tries {
            0 | 1 => 0,
            2 => 5,
            3 => 15,
            4 => 60,
            _ => 360,
        };
        let until = last_began_at + TimeDelta::minutes(minutes);
        // A clock that was set back must not make the pause longer.
        (last_began_at <= now && now < until).then_some(Self { tries, until })
    }

    /// `2026-03-03 13:31 UTC`.
    pub(super) fn until(&self) -> String {
        self.until.format("%Y-%m-%d %H:%M UTC").to_string()
    }
}

impl fmt::Display for Pause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let until = self.until();
        write!(
            f,
            "the cycle was begun {} times in a row and never ended (out of memory, or killed?): it is not begun again before {until}",
            self.tries
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_and_no_clock_makes_them_endless() {
        let began: DateTime<Utc> = "2026-03-03T13:16:00Z".parse().expect("a literal instant");
        let pause = |tries: u32, minutes: i64| {
            Pause::after(Some(UnfinishedTries { tries, last_began_at: began }), began + TimeDelta::minutes(minutes))
        };
        assert_eq!(Pause::after(None, began), None);
        for (tries, minutes) in [(1, 0), (2, 5), (3, 15), (4, 60), (5, 360), (50, 360)] {
            assert_eq!(pause(tries, minutes), None, "{tries} tries, after {minutes} minutes");
            assert_eq!(pause(tries, minutes - 1).is_some(), minutes > 0, "{tries} tries, a minute earlier");
            assert_eq!(pause(tries, -1), None, "a clock that was set back");
        }
        let said = pause(3, 0).expect("a pause").to_string();
        assert!(said.contains("3 times in a row") && said.contains("2026-03-03 13:31 UTC"), "{said}");
    }
}
