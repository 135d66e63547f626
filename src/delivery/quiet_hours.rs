//! When a message may leave: the waking hours of the region's own zone, also across a change of clocks.

use chrono::{DateTime, Days, Duration, NaiveDate, NaiveDateTime, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;

use crate::delivery::settings::DeliveryConfig;

/// Messages leave from `until` (included) to `from` (excluded), local time. The default 8:00 to 20:00 lies inside what
/// the federal rule for telephone solicitations allows (47 CFR 64.1200(c)(1): 8 a.m. to 9 p.m. at the called party's place).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct QuietHours {
    until: NaiveTime,
    from: NaiveTime,
}

impl From<&DeliveryConfig> for QuietHours {
    fn from(config: &DeliveryConfig) -> Self {
        Self::new(config.quiet_until, config.quiet_from)
    }
}

impl QuietHours {
    /// Equal times mean that no hour is quiet; `until` after `from` means that the open hours run over midnight.
    pub fn new(until: NaiveTime, from: NaiveTime) -> Self {
        Self { until, from }
    }

    /// Whether a message may leave at this instant.
    pub fn open_at(&self, now: DateTime<Utc>, zone: Tz) -> bool {
        let time = now.with_timezone(&zone).time();
        if self.until == self.from {
            true
        } else if self.until < self.from {
            self.until <= time && time < self.from
        } else {
            time >= self.until || time < self.from
        }
    }

    /// How much of the time from one instant to another lies in open hours. Looked at are the last sixty days of it; where
    /// hours begin or end in the hour that clocks repeat, it may be wrong by that hour.
    pub fn open_between(&self, from: DateTime<Utc>, to: DateTime<Utc>, zone: Tz) -> Duration {
        let from = from.max(to - Duration::days(60));
        if from >= to {
            return Duration::zero();
        }
        let last = to.with_timezone(&zone).date_naive();
        let days = from.with_timezone(&zone).date_naive().iter_days().take_while(|day| *day <= last);
        let changes = days.flat_map(|day| [self.until, self.from].map(|time| instants_of(zone, day, time))).flatten();
        let mut ends: Vec<DateTime<Utc>> = changes.filter(|at| from < *at && *at < to).chain([from, to]).collect();
        ends.sort();
        let spans = ends.windows(2).filter_map(|span| if let [from, to] = span { Some((*from, *to)) } else { None });
        let open = spans.filter(|(from, _)| self.open_at(*from, zone)).map(|(from, to)| to - from);
        open.fold(Duration::zero(), |sum, span| sum + span)
    }

    /// `now` when a message may leave now, else the first instant from which it may.
    pub fn next_allowed(&self, now: DateTime<Utc>, zone: Tz) -> DateTime<Utc> {
        if self.open_at(now, zone) {
            return now;
        }
        let today = now.with_timezone(&zone).date_naive();
        // A zone can leave out a whole day (Pacific/Apia, 30 December 2011), so look a few days ahead.
        (0..=4)
            .filter_map(|ahead| today.checked_add_days(Days::new(ahead)))
            .flat_map(|day| instants_of(zone, day, self.until))
            .find(|instant| *instant > now && self.open_at(*instant, zone))
            .unwrap_or(now)
    }
}

/// The instants at which the wall clock of `zone` shows this time of this day, in order: one, or two when the clock is
/// put back over it; when the clock jumps over it, the first instant after the jump.
fn instants_of(zone: Tz, day: NaiveDate, time: NaiveTime) -> Vec<DateTime<Utc>> {
    match zone.from_local_datetime(&day.and_time(time)) {
        chrono::LocalResult::Single(at) => vec![at.to_utc()],
        chrono::LocalResult::Ambiguous(first, second) => vec![first.to_utc(), second.to_utc()],
        chrono::LocalResult::None => vec![first_instant_after_jump(zone, day.and_time(time))],
    }
}

/// The wall clock only goes forward around a jump, so the first instant that shows `local` or later can be halved for.
fn first_instant_after_jump(zone: Tz, local: NaiveDateTime) -> DateTime<Utc> {
    // Offsets lie between -12 h and +14 h, and no zone has jumped over more than one day.
    let mut before = local.and_utc() - Duration::hours(40);
    let mut after = local.and_utc() + Duration::hours(40);
    while after - before > Duration::milliseconds(1) {
        let middle = before + (after - before) / 2;
        if middle.with_timezone(&zone).naive_local() >= local { after = middle } else { before = middle }
    }
    // Clocks change on whole seconds.
    DateTime::from_timestamp(after.timestamp(), 0).filter(|whole| *whole > before).unwrap_or(after)
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::{America, Australia, Pacific};

    fn hours(until: (u32, u32), from: (u32, u32)) -> QuietHours {
        let time = |(h, m)| NaiveTime::from_hms_opt(h, m, 0).unwrap();
        QuietHours::new(time(until), time(from))
    }

    fn check(quiet: QuietHours, zone: Tz, now: &str, want: &str) {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let got = quiet.next_allowed(at(now), zone);
        assert_eq!(got, at(want), "{zone}: from {now}, local {}", got.with_timezone(&zone));
    }

    // IANA tz database, rules US: in 2026 daylight time begins 8 March 2:00 and ends 1 November 2:00; in 2027 on 14 March
    // and 7 November. Denver stands at -7 h in winter and -6 h in summer.
    #[test]
    fn denver_in_2026_and_2027() {
        let usual = hours((8, 0), (20, 0));
        let denver = America::Denver;
        check(usual, denver, "2026-06-10T18:00:00Z", "2026-06-10T18:00:00Z"); // noon
        check(usual, denver, "2026-06-10T13:59:59Z", "2026-06-10T14:00:00Z"); // 7:59:59
        check(usual, denver, "2026-06-11T01:59:59Z", "2026-06-11T01:59:59Z"); // 19:59:59
        check(usual, denver, "2026-06-11T02:00:00Z", "2026-06-11T14:00:00Z"); // 20:00:00
        // The night of the change is an hour shorter: 8:00 is 14:00 Z and no longer 15:00 Z.
        check(usual, denver, "2026-03-08T03:00:00Z", "2026-03-08T14:00:00Z");
        check(usual, denver, "2026-03-07T03:00:00Z", "2026-03-07T15:00:00Z");
        check(usual, denver, "2027-03-14T05:00:00Z", "2027-03-14T14:00:00Z");
        // And an hour longer in autumn.
        check(usual, denver, "2026-11-01T02:30:00Z", "2026-11-01T15:00:00Z");
        check(usual, denver, "2026-10-31T02:30:00Z", "2026-10-31T14:00:00Z");
        check(usual, denver, "2027-11-07T07:30:00Z", "2027-11-07T15:00:00Z");
    }

    #[test]
    fn open_time_stands_still_at_night_and_goes_on_in_the_morning() {
        let usual = hours((8, 0), (20, 0));
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let minutes = |quiet: QuietHours, from: &str, to: &str| {
            quiet.open_between(at(from), at(to), America::Denver).num_minutes()
        };
        let from = "2026-06-11T00:30:00Z"; // 18:30
        assert_eq!(minutes(usual, from, "2026-06-11T01:30:00Z"), 60);
        assert_eq!(minutes(usual, from, "2026-06-11T02:00:00Z"), 90); // 20:00
        assert_eq!(minutes(usual, from, "2026-06-11T09:00:00Z"), 90); // 3:00
        assert_eq!(minutes(usual, from, "2026-06-11T14:45:00Z"), 135); // 8:45
        assert_eq!(minutes(usual, from, "2026-06-13T14:00:00Z"), 90 + 2 * 720);
        assert_eq!(minutes(usual, "2026-03-08T03:00:00Z", "2026-03-08T15:00:00Z"), 60, "the night of the change");
        assert_eq!(minutes(usual, "2026-06-11T14:45:00Z", from), 0, "the clock was set back");
        assert_eq!(minutes(hours((18, 0), (2, 0)), from, "2026-06-11T14:00:00Z"), 450, "over midnight");
        assert_eq!(minutes(hours((0, 0), (0, 0)), from, "2026-06-11T14:30:00Z"), 840, "no hour is quiet");
    }

    #[test]
    fn an_opening_inside_the_spring_jump_comes_right_after_it() {
        check(hours((2, 30), (20, 0)), America::Denver, "2026-03-08T05:00:00Z", "2026-03-08T09:00:00Z");
    }

    #[test]
    fn an_opening_inside_the_autumn_overlap_comes_with_the_first_of_the_two() {
        check(hours((1, 30), (20, 0)), America::Denver, "2026-11-01T05:00:00Z", "2026-11-01T07:30:00Z");
        // By the wall clock it is 1:10 for the second time: quiet again until the second 1:30.
        check(hours((1, 30), (20, 0)), America::Denver, "2026-11-01T08:10:00Z", "2026-11-01T08:30:00Z");
    }

    // IANA tz database, rules LH: Lord Howe Island moves by half an hour, on 5 April 2026 from +11 to +10:30 and on
    // 4 October 2026 back, at 2:00.
    #[test]
    fn lord_howe_moves_by_half_an_hour() {
        let usual = hours((8, 0), (20, 0));
        check(usual, Australia::Lord_Howe, "2026-04-04T12:00:00Z", "2026-04-04T21:30:00Z");
        check(usual, Australia::Lord_Howe, "2026-04-03T12:00:00Z", "2026-04-03T21:00:00Z");
        check(usual, Australia::Lord_Howe, "2026-10-03T12:00:00Z", "2026-10-03T21:00:00Z");
        check(hours((2, 15), (20, 0)), Australia::Lord_Howe, "2026-10-03T12:00:00Z", "2026-10-03T15:30:00Z");
    }

    // IANA tz database: Samoa left out 30 December 2011 by moving from -10 h to +14 h at its beginning.
    #[test]
    fn a_day_that_never_was_is_stepped_over() {
        // By halving: 8:00 of the missing day is the first instant of the 31st, which is quiet; so 8:00 of the 31st.
        check(hours((8, 0), (20, 0)), Pacific::Apia, "2011-12-30T08:00:00Z", "2011-12-30T18:00:00Z");
    }

    #[test]
    fn arizona_keeps_its_clocks() {
        check(hours((8, 0), (20, 0)), America::Phoenix, "2026-03-08T05:00:00Z", "2026-03-08T15:00:00Z");
        check(hours((8, 0), (20, 0)), America::Phoenix, "2026-11-01T05:00:00Z", "2026-11-01T15:00:00Z");
    }

    #[test]
    fn hours_over_midnight_and_no_quiet_hours_at_all() {
        check(hours((18, 0), (2, 0)), America::Denver, "2026-06-11T06:00:00Z", "2026-06-11T06:00:00Z"); // midnight
        check(hours((18, 0), (2, 0)), America::Denver, "2026-06-11T09:00:00Z", "2026-06-12T00:00:00Z"); // 3:00
        check(hours((0, 0), (0, 0)), America::Denver, "2026-06-11T09:00:00Z", "2026-06-11T09:00:00Z");
    }

    #[test]
    fn every_hour_of_two_years_in_every_zone_leads_to_an_open_instant_within_a_day() {
        let usual = hours((8, 0), (20, 0));
        for zone in chrono_tz::TZ_VARIANTS {
            // A step of 5 h meets every hour of the day; zones repeat each other, so this stays cheap.
            let mut now: DateTime<Utc> = "2026-01-01T00:00:00Z".parse().unwrap();
            while now.timestamp() < 1_830_297_600 {
                let next = usual.next_allowed(now, zone);
                assert!(usual.open_at(next, zone), "{zone} {now}");
                assert!(next >= now && next - now <= Duration::hours(13), "{zone} {now} {next}");
                now += Duration::hours(5);
            }
        }
    }
}
