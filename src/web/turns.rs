//! How often one network may try something.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;
use std::sync::Mutex;

use chrono::{DateTime, TimeDelta, Utc};

/// How often one network may do something in an hour. Kept in memory: a restart forgets it, the limits of each address
/// stand in the store.
#[derive(Default)]
pub(super) struct Turns(Mutex<HashMap<IpAddr, VecDeque<DateTime<Utc>>>>);

/// More networks at once are a flood; then those seen longest ago are forgotten first.
const NETWORKS_KEPT: usize = 20_000;

impl Turns {
    /// Whether a turn is left, which is not taken.
    pub fn are_left(&self, network: IpAddr, most: usize, now: DateTime<Utc>) -> bool {
        let since = now - TimeDelta::hours(1);
        let seen = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        seen.get(&network).is_none_or(|turns| turns.iter().filter(|turn| **turn > since).count() < most)
    }

    /// Takes a turn, if there is one left.
    pub fn take(&self, network: IpAddr, most: usize, now: DateTime<Utc>) -> bool {
        let since = now - TimeDelta::hours(1);
        // A thread that panicked here left nothing half done.
        let mut seen = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if seen.len() >= NETWORKS_KEPT {
            seen.retain(|_, turns| turns.back().is_some_and(|last| *last > since));
            if seen.len() >= NETWORKS_KEPT
                && let Some(oldest) = seen.iter().min_by_key(|(_, turns)| turns.back().copied()).map(|(ip, _)| *ip)
            {
                seen.remove(&oldest);
            }
        }
        let turns = seen.entry(network).or_default();
        while turns.front().is_some_and(|first| *first <= since) {
            turns.pop_front();
        }
        if turns.len() >= most {
            return false;
        }
        turns.push_back(now);
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_network_has_its_turns_back_after_an_hour() {
        let turns = Turns::default();
        let at = |minutes: i64| DateTime::from_timestamp(1_750_000_000 + minutes * 60, 0).expect("a sound instant");
        let (one, two) = (IpAddr::from([192, 0, 2, 0]), IpAddr::from([198, 51, 100, 0]));
        assert!((0..5).all(|minute| turns.take(one, 5, at(minute))));
        assert!(!turns.take(one, 5, at(10)));
        assert!(turns.take(two, 5, at(10)), "another network has its own");
        assert!(turns.take(one, 5, at(60)), "the first turn is an hour old");
        assert!(!turns.take(one, 5, at(60)));
    }

    #[test]
    fn a_flood_of_networks_is_not_kept_without_end() {
        let turns = Turns::default();
        let now = DateTime::from_timestamp(1_750_000_000, 0).expect("a sound instant");
        for number in 0..u32::try_from(NETWORKS_KEPT).expect("small") + 50 {
            assert!(turns.take(IpAddr::from(number.to_be_bytes()), 5, now));
        }
        assert!(turns.0.lock().expect("whole").len() <= NETWORKS_KEPT);
    }
}
