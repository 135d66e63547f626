//! How fast a channel may go, and when everybody will have been told.
//!
//! The truth is the log of attempts in the store, so all workers of one store share the limits, and a restart does not
//! forget what was sent a moment ago. An attempt counts whether it was accepted or not.

use std::collections::VecDeque;

use chrono::{DateTime, Duration, Utc};
use chrono_tz::Tz;

use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::settings::PaceConfig;

/// At most `limit` attempts may begin within any stretch of time of this length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RateWindow {
    pub limit: u32,
    pub length: Duration,
}

/// The limits of one channel as windows. A rate that is no whole number becomes a longer or shorter window: 0.1 a
/// second is one in ten seconds, 2.5 a second are two in 800 ms.
pub fn windows(pace: &PaceConfig) -> Vec<RateWindow> {
    let per_second = pace.per_second.filter(|rate| rate.is_finite() && *rate > 0.0).map(|rate| {
        let limit = rate.floor().clamp(1.0, 1e6);
        RateWindow { limit: limit as u32, length: Duration::milliseconds((limit / rate * 1000.0).ceil() as i64) }
    });
    let per_minute = pace.per_minute.map(|limit| RateWindow { limit, length: Duration::minutes(1) });
    let per_day = pace.per_day.map(|limit| RateWindow { limit, length: Duration::days(1) });
    per_second.into_iter().chain(per_minute).chain(per_day).collect()
}

/// Part of the waiting messages of one channel: those of one time zone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Waiting {
    pub zone: Tz,
    pub messages: u64,
    /// None of them may leave earlier.
    pub not_before: DateTime<Utc>,
    /// Those that have not left by then never will.
    pub expires_at: DateTime<Utc>,
}

/// An honest answer to "when will all be told?".
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Estimate {
    /// When the last message that leaves has left; `None` when none can.
    pub all_sent_by: Option<DateTime<Utc>>,
    /// Messages that will expire before their turn at this pace.
    pub too_late: u64,
}

/// Plays the sending through: limits, messages in flight at once with `send_time` each, and quiet hours. `recent` are
/// the instants of the channel's attempts within the longest window, in order. Retries are not foreseen, so this is
/// the earliest honest time.
pub fn all_sent_by(
    now: DateTime<Utc>,
    waiting: &[Waiting],
    pace: &PaceConfig,
    quiet: &QuietHours,
    send_time: Duration,
    recent: &[DateTime<Utc>],
) -> Estimate {
    let mut limits: Vec<(RateWindow, VecDeque<DateTime<Utc>>)> = windows(pace)
        .into_iter()
        .chain([RateWindow { limit: u32::try_from(pace.in_flight).unwrap_or(u32::MAX).max(1), length: send_time }])
        .map(|window| (window, recent.iter().copied().filter(|at| *at + window.length > now).collect()))
        .collect();
    if limits.iter().any(|(window, _)| window.limit == 0) {
        return Estimate { all_sent_by: None, too_late: waiting.iter().map(|part| part.messages).sum() };
    }

    let mut left: Vec<Waiting> = waiting.iter().copied().filter(|part| part.messages > 0).collect();
    let mut estimate = Estimate { all_sent_by: None, too_late: 0 };
    let mut clock = now;
    while !left.is_empty() {
        let free_at =
            limits.iter().filter_map(|(window, starts)| next_free(*window, starts)).fold(clock, DateTime::max);
        let turn = |part: &Waiting| quiet.next_allowed(free_at.max(part.not_before), part.zone);
        // The one that can go first goes first; of several the one that expires first.
        let Some((index, at)) = left
            .iter()
            .enumerate()
            .map(|(index, part)| (index, turn(part)))
            .min_by_key(|(index, at)| (*at, left.get(*index).map(|part| part.expires_at)))
        else {
            break;
        };
        let Some(part) = left.get_mut(index) else { break };
        if at >= part.expires_at {
            estimate.too_late += part.messages;
            left.remove(index);
            continue;
        }
        part.messages -= 1;
        if part.messages == 0 {
            left.remove(index);
        }
        for (window, starts) in &mut limits {
            starts.push_back(at);
            while starts.len() > window.limit as usize {
                starts.pop_front();
            }
        }
        clock = at;
        estimate.all_sent_by = Some(at + send_time);
    }
    estimate
}

fn next_free(window: RateWindow, starts: &VecDeque<DateTime<Utc>>) -> Option<DateTime<Utc>> {
    let index = starts.len().checked_sub(window.limit as usize)?;
    starts.get(index).map(|start| *start + window.length)
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::NaiveTime;
    use chrono_tz::America::{Denver, Los_Angeles};

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn pace(in_flight: usize, per_second: Option<f64>, per_minute: Option<u32>, per_day: Option<u32>) -> PaceConfig {
        PaceConfig { in_flight, per_second, per_minute, per_day }
    }

    fn usual() -> QuietHours {
        QuietHours::new(NaiveTime::from_hms_opt(8, 0, 0).unwrap(), NaiveTime::from_hms_opt(20, 0, 0).unwrap())
    }

    fn waiting(zone: Tz, messages: u64) -> Waiting {
        Waiting { zone, messages, not_before: at("2026-04-01T00:00:00Z"), expires_at: at("2026-05-01T00:00:00Z") }
    }

    fn check(pace: &PaceConfig, now: &str, waiting: &[Waiting], want: &str, too_late: u64) {
        let got = all_sent_by(at(now), waiting, pace, &usual(), Duration::seconds(1), &[]);
        assert_eq!((got.all_sent_by, got.too_late), (Some(at(want)), too_late));
    }

    #[test]
    fn rates_that_are_no_whole_numbers_become_windows_that_hold_them() {
        let one = |rate| windows(&pace(1, Some(rate), None, None));
        assert_eq!(one(0.1), [RateWindow { limit: 1, length: Duration::seconds(10) }]);
        assert_eq!(one(2.5), [RateWindow { limit: 2, length: Duration::milliseconds(800) }]);
        assert_eq!(one(20.0), [RateWindow { limit: 20, length: Duration::seconds(1) }]);
        assert!(one(0.0).is_empty() && one(f64::NAN).is_empty());
    }

    // A small sender's class of 75 a minute: the 1000th of a thousand leaves in the fourteenth minute.
    #[test]
    fn seventy_five_a_minute_needs_thirteen_full_minutes_for_a_thousand() {
        check(
            &pace(100, None, Some(75), None),
            "2026-04-10T16:00:00Z",
            &[waiting(Denver, 1000)],
            "2026-04-10T16:13:01Z",
            0,
        );
    }

    #[test]
    fn what_does_not_fit_before_the_evening_goes_on_in_the_morning() {
        // 19:59 in Denver: 60 this minute, 40 after 8:00 tomorrow.
        check(
            &pace(100, None, Some(60), None),
            "2026-04-11T01:59:00Z",
            &[waiting(Denver, 100)],
            "2026-04-11T14:00:01Z",
            0,
        );
    }

    #[test]
    fn a_zone_further_west_is_served_while_the_other_sleeps() {
        // 20:30 in Denver, 19:30 in Los Angeles.
        check(
            &pace(1, Some(1.0), None, None),
            "2026-04-11T02:30:00Z",
            &[waiting(Denver, 1), waiting(Los_Angeles, 600)],
            "2026-04-11T14:00:01Z",
            0,
        );
    }

    #[test]
    fn what_comes_too_late_is_told_and_not_counted_as_sent() {
        let mut part = waiting(Denver, 100);
        part.expires_at = at("2026-04-10T16:02:00Z");
        check(&pace(100, None, Some(10), None), "2026-04-10T16:00:00Z", &[part], "2026-04-10T16:01:01Z", 80);
    }

    #[test]
    fn a_daily_limit_counts_what_went_out_before() {
        let recent = [at("2026-04-10T15:00:00Z"), at("2026-04-10T15:30:00Z")];
        let got = all_sent_by(
            at("2026-04-10T16:00:00Z"),
            &[waiting(Denver, 1)],
            &pace(1, None, None, Some(2)),
            &usual(),
            Duration::zero(),
            &recent,
        );
        assert_eq!(got.all_sent_by, Some(at("2026-04-11T15:00:00Z")));
    }

    #[test]
    fn a_limit_of_none_at_all_sends_nothing() {
        let got = all_sent_by(
            at("2026-04-10T16:00:00Z"),
            &[waiting(Denver, 5)],
            &pace(1, None, Some(0), None),
            &usual(),
            Duration::zero(),
            &[],
        );
        assert_eq!(got, Estimate { all_sent_by: None, too_late: 5 });
    }
}
