//! What the past of a season comes from, and for how long that stays as it is where nothing more is written.
//!
//! A season's past is made of the other years of a record as known at a moment. It is found again by what it came from:
//! the writes to the days before those that are read for the season itself, and those days' own versions. What was
//! *known* of them also changes as time goes on, without a write, where a version was received later or counts as known
//! later.

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use chrono_tz::Tz;

use super::prepare::PAST_MARGIN_DAYS;
use super::reading::Version;
use super::record::{RecordIndex, assumed_from, came_after_its_day};

/// The days of a record that the past of a season comes from: all but those of the calendar year that the season is
/// named by, without its edges.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PastDays {
    /// The days between are not looked at; `None`: all are.
    between: Option<(NaiveDate, NaiveDate)>,
}

/// What is made of the past.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PastUse {
    /// [`Normals`](super::normals::Normals) alone.
    Normals,
    /// Past years as well.
    Years,
}

impl PastDays {
    /// Of a record that ends with `last`.
    pub fn of(season: i32, used: PastUse, last: Option<NaiveDate>) -> Self {
        let margin = match used {
            // The day beside the year's edge, to which a reading may have been moved.
            PastUse::Normals => Days::new(1),
            PastUse::Years => Days::new(PAST_MARGIN_DAYS),
        };
        let edges = || {
            let (first, end) = (NaiveDate::from_ymd_opt(season, 1, 1)?, NaiveDate::from_ymd_opt(season, 12, 31)?);
            let goes_on = last.is_some_and(|last| last.year() > season);
            // Of a year that is not on record nothing is made, so the end of this one is not looked at for its sake.
            let to = if goes_on { end.checked_sub_days(margin)? } else { NaiveDate::MAX };
            Some((first.checked_add_days(margin)?, to))
        };
        Self { between: edges() }
    }

    pub fn have(&self, day: NaiveDate) -> bool {
        self.between.is_none_or(|(from, to)| day < from || day > to)
    }
}

/// Moments and local days between which nothing of some versions comes to be known or is known otherwise.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Settled {
    /// From this moment on …
    pub from: Option<DateTime<Utc>>,
    /// … and before this one.
    pub until: Option<DateTime<Utc>>,
    /// From this day of the station on …
    pub from_day: Option<NaiveDate>,
    /// … and before this one.
    pub until_day: Option<NaiveDate>,
}

impl Settled {
    /// Whether a moment lies between, in the station's zone.
    pub fn holds(&self, at: DateTime<Utc>, zone: Tz) -> bool {
        let day = at.with_timezone(&zone).date_naive();
        self.from.is_none_or(|from| from <= at)
            && self.until.is_none_or(|until| at < until)
            && self.from_day.is_none_or(|from| from <= day)
            && self.until_day.is_none_or(|until| day < until)
    }

    fn note(&mut self, event: DateTime<Utc>, at: DateTime<Utc>) {
        if event <= at {
            self.from = self.from.max(Some(event));
        } else {
            self.until = Some(self.until.map_or(event, |until| until.min(event)));
        }
    }

    fn note_day(&mut self, event: NaiveDate, today: NaiveDate) {
        if event <= today {
            self.from_day = self.from_day.max(Some(event));
        } else {
            self.until_day = Some(self.until_day.map_or(event, |until| until.min(event)));
        }
    }
}

impl RecordIndex {
    /// The versions of some days, in order.
    pub fn versions_of(&self, days: PastDays) -> impl Iterator<Item = &Version> {
        self.versions.iter().filter(move |version| days.have(version.day))
    }

    /// When what is known of these days at a moment was and will be the same, given the same versions.
    pub fn settled(&self, days: PastDays, at: DateTime<Utc>, bulk_latency_days: u32) -> Settled {
        let (today, latency) = (at.with_timezone(&self.zone).date_naive(), Days::new(u64::from(bulk_latency_days)));
        let mut settled = Settled::default();
        if let Some((first, _)) = self.first_live {
            settled.note(first, at);
        }
        for version in self.versions_of(days) {
            let comes_in = !version.bulk || came_after_its_day(version, self.zone);
            if comes_in {
                settled.note(version.received_at, at);
            }
            let is_in = comes_in && version.received_at <= at;
            if let Some(day) = assumed_from(version, latency).filter(|_| version.bulk && !is_in) {
                settled.note_day(day, today);
            }
        }
        settled
    }

    /// The first receipt that was not a bulk import: from then on the station was pulled.
    pub fn first_live(&self) -> Option<DateTime<Utc>> {
        self.first_live.map(|(instant, _)| instant)
    }

    /// As [`RecordIndex::first_live`], of the days before one.
    pub fn first_live_before(&self, day: NaiveDate) -> Option<DateTime<Utc>> {
        let before = self.versions.iter().take_while(|version| version.day < day);
        before.filter(|version| !version.bulk).map(|version| version.received_at).min()
    }

    /// Of the last days of a record, as its whole is asked: `earlier` is [`RecordIndex::first_live_before`] them.
    pub fn after(mut self, earlier: Option<DateTime<Utc>>) -> Self {
        let first = self.first_live().into_iter().chain(earlier).min();
        self.first_live = first.map(|instant| (instant, instant.with_timezone(&self.zone).date_naive()));
        self
    }

    /// The last day that has any version.
    pub fn last_day(&self) -> Option<NaiveDate> {
        self.span().map(|(_, last)| last)
    }
}

#[cfg(test)]
mod tests {
    use super::super::invented::{at, day, index, station, version, versions};
    use super::super::reading::{Element, TenthsC};
    use super::super::record::Known;
    use super::*;

    fn days(season: i32, used: PastUse, last: NaiveDate) -> [bool; 5] {
        let days = PastDays::of(season, used, Some(last));
        let asked = [(1, 1), (1, 2), (2, 11), (2, 12), (12, 30)];
        asked.map(|(month, of)| days.have(day(season, month, of)))
    }

    #[test]
    fn the_past_of_a_season_comes_from_all_days_but_those_within_its_year() {
        let (within, beyond) = (day(2026, 12, 31), day(2027, 1, 1));
        assert_eq!(days(2026, PastUse::Years, within), [true, true, true, false, false]);
        assert_eq!(days(2026, PastUse::Years, beyond), [true, true, true, false, true]);
        assert_eq!(days(2026, PastUse::Normals, beyond), [true, false, false, false, false]);
        let last_day = |used, last| PastDays::of(2026, used, Some(last)).have(day(2026, 12, 31));
        assert!(last_day(PastUse::Normals, beyond) && !last_day(PastUse::Normals, within));
        for other in [day(2025, 6, 1), day(1960, 1, 1), day(2027, 6, 1)] {
            assert!(PastDays::of(2026, PastUse::Normals, Some(beyond)).have(other), "{other}");
        }
    }

    /// Versions of every kind about a year's end: pulled, late, bulk before and after it, and of days to come.
    fn mixed(pulled: bool) -> Vec<Version> {
        let mut all = Vec::new();
        for (nth, of) in day(2025, 12, 1).iter_days().take(50).enumerate() {
            let plain = version(of, Element::Max, nth as i32);
            let received_at = match nth % 5 {
                0 => plain.received_at,
                1 => at("2026-01-20T09:00:00Z"),
                2 => at("2025-11-01T00:00:00Z"),
                _ => at("2026-02-03T10:00:00Z"),
            };
            all.push(Version { bulk: !pulled || nth % 5 > 1, received_at, ..plain.clone() });
            if nth % 7 == 0 {
                let (received_at, bulk) = (at("2026-01-15T00:00:00Z"), true);
                all.push(Version { received_at, bulk, value: TenthsC(300), ..plain });
            }
        }
        all
    }

    #[test]
    fn nothing_is_known_otherwise_between_the_moments_that_are_named() {
        let (sources, past) = (station("A", 0.0).sources, PastDays::of(2026, PastUse::Years, None));
        for pulled in [false, true] {
            let index = index(mixed(pulled));
            let moments: Vec<_> =
                (0..24 * 90).map(|hours| at("2025-12-01T00:00:00Z") + chrono::TimeDelta::hours(hours)).collect();
            let known = |instant| {
                let known = Known::At { instant, bulk_latency_days: 2 };
                index.as_of(known, &sources, day(2025, 12, 1), day(2026, 2, 11))
            };
            let mut held = 0;
            for (nth, made) in moments.iter().enumerate().step_by(101) {
                let settled = index.settled(past, *made, 2);
                assert!(settled.holds(*made, index.zone()));
                for asked in
                    moments.iter().skip(nth % 13).step_by(13).filter(|asked| settled.holds(**asked, index.zone()))
                {
                    assert_eq!(known(*asked), known(*made), "made at {made}, asked at {asked}");
                    held += usize::from(asked != made);
                }
            }
            assert!(held > 20, "{held}");
        }
    }

    #[test]
    fn what_came_in_before_holds_for_ever_and_the_day_that_is_to_come_does_not() {
        let whole = || versions(day(2025, 11, 1), &[(Some(100), Some(0)); 60]);
        let now = at("2026-03-01T00:00:00Z");
        let settled = |versions| index(versions).settled(PastDays::of(2026, PastUse::Years, None), now, 2);
        let plain = settled(whole());
        assert_eq!((plain.from, plain.until), (Some(at("2025-12-31T12:00:00Z")), None));
        assert_eq!((plain.from_day, plain.until_day), (None, None));
        let live = [whole(), versions(day(2026, 2, 12), &[(Some(90), None)])].concat();
        assert_eq!(settled(live), plain, "a day of the season itself says nothing of its past");
        let late = Version { received_at: at("2026-03-02T00:00:00Z"), ..version(day(2025, 11, 5), Element::Max, 5) };
        assert_eq!(settled([whole(), vec![late]].concat()).until, Some(at("2026-03-02T00:00:00Z")));
    }

    #[test]
    fn the_last_days_know_since_when_the_station_is_pulled() {
        let mut all = versions(day(2025, 1, 1), &[(Some(100), None); 400]);
        all.iter_mut().skip(300).for_each(|version| version.bulk = true);
        let from = day(2025, 12, 1);
        let tail = index(all.iter().filter(|version| version.day >= from).cloned().collect());
        let whole = index(all);
        assert_eq!(tail.first_live(), None);
        assert_eq!(tail.after(whole.first_live_before(from)).first_live(), whole.first_live());
        assert_eq!(whole.first_live(), Some(at("2025-01-02T12:00:00Z")));
    }
}
