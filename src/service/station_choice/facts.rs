//! What a station's record says of its use: how far it reaches, which seasons are whole, what is missing of this one.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;

use chrono::{Datelike, Days, NaiveDate};

use super::rank::Seasons;
use crate::weather::{Element, Reading, StationRecord};

/// A past season with more of its 212 days missing is no witness: 15 %, as `weather/prepare.rs` has it.
const SEASON_GAP_DAYS: usize = 31;
/// A season this young says little of what is missing: the one before is looked at.
const YOUNG_DAYS: i64 = 30;

/// The days that a station's season is judged by: from 1 January to the end of July or the day before `today`; in January those
/// of the year before.
pub fn season_days(today: NaiveDate) -> RangeInclusive<NaiveDate> {
    let of = |year: i32, month, day| NaiveDate::from_ymd_opt(year, month, day).unwrap_or(today);
    let year = today.year();
    let first = of(year, 1, 1);
    if (today - first).num_days() < YOUNG_DAYS {
        return of(year - 1, 1, 1)..=of(year - 1, 7, 31);
    }
    first..=of(year, 7, 31).min(today.pred_opt().unwrap_or(today))
}

/// What the days that are there say.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DayFacts {
    pub last_day: Option<NaiveDate>,
    pub whole_seasons: u32,
    /// `None` where the season has no day at all.
    pub missing_share: Option<f64>,
}

/// Of the days with both values.
pub fn of_days(complete: &BTreeSet<NaiveDate>, today: NaiveDate) -> DayFacts {
    let season = season_days(today);
    let mut by_year: BTreeMap<i32, usize> = BTreeMap::new();
    for day in complete.iter().filter(|day| day.month() <= 7) {
        *by_year.entry(day.year()).or_default() += 1;
    }
    let whole = |(year, days): (&i32, &usize)| {
        let leap = usize::from(NaiveDate::from_ymd_opt(*year, 2, 29).is_some());
        *year < season.start().year() && *days + SEASON_GAP_DAYS >= 212 + leap
    };
    let last = complete.range(..today).next_back().copied();
    DayFacts {
        last_day: last,
        whole_seasons: by_year.iter().filter(|year| whole(*year)).count() as u32,
        missing_share: missing_share(complete, &season),
    }
}

/// The years of a normal period.
const NORMAL_YEARS: i32 = 30;

/// Whole seasons of a record among the last thirty.
pub fn recent_whole_seasons(record: &StationRecord, today: NaiveDate) -> u32 {
    let mut complete = complete_days(record);
    complete.retain(|day| day.year() >= today.year() - NORMAL_YEARS);
    of_days(&complete, today).whole_seasons
}

/// Late is not missing: what lies after the last day that came does not count.
fn missing_share(complete: &BTreeSet<NaiveDate>, season: &RangeInclusive<NaiveDate>) -> Option<f64> {
    let last = complete.range(season.clone()).next_back()?;
    let days = (*last - *season.start()).num_days() + 1;
    let there = complete.range(*season.start()..=*last).count();
    Some(1.0 - there as f64 / days as f64)
}

/// Days of a record with both values that no source speaks against.
pub fn complete_days(record: &StationRecord) -> BTreeSet<NaiveDate> {
    let accepted = record.versions.iter().filter(|version| version.rejected.is_none() && !version.feed.is_forecast());
    both(accepted.map(|version| (version.day, version.element)))
}

/// As [`complete_days`], of an answer. A maximum that a morning reader filed stands a day later here; that is of no account.
pub fn complete_days_of(readings: &[Reading]) -> BTreeSet<NaiveDate> {
    let accepted = readings.iter().filter(|reading| reading.source_rejects.is_none());
    both(accepted.map(|reading| (reading.day_reported, reading.element)))
}

fn both(values: impl Iterator<Item = (NaiveDate, Element)>) -> BTreeSet<NaiveDate> {
    let mut elements: BTreeMap<NaiveDate, u8> = BTreeMap::new();
    for (day, element) in values {
        *elements.entry(day).or_default() |= if element == Element::Max { 1 } else { 2 };
    }
    elements.into_iter().filter(|(_, bits)| *bits == 3).map(|(day, _)| day).collect()
}

/// Whether most maxima of a record's last year stand a day before the day they were filed under.
pub fn mostly_shifted(record: &StationRecord, last_day: NaiveDate) -> bool {
    let from = last_day.checked_sub_days(Days::new(365)).unwrap_or(last_day);
    let maxima = record.versions.iter().filter(|version| {
        version.element == Element::Max && version.rejected.is_none() && version.day >= from && version.day <= last_day
    });
    let (shifted, all) = maxima.fold((0usize, 0usize), |(shifted, all), version| {
        (shifted + usize::from(version.day_reported > version.day), all + 1)
    });
    shifted * 2 > all
}

/// The seasons between two days: those whose January to July lies in between, before the season that runs.
pub fn seasons_between(range: &RangeInclusive<NaiveDate>, today: NaiveDate) -> Seasons {
    let running = season_days(today).start().year();
    let first =
        if range.start().ordinal() == 1 { range.start().year() } else { range.start().year().saturating_add(1) };
    let last = if range.end().month() > 7 { range.end().year() } else { range.end().year().saturating_sub(1) };
    Seasons::AtMost(u32::try_from(last.min(running - 1) - first + 1).unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(year: i32, month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(year, month, day).unwrap()
    }

    #[test]
    fn in_january_the_season_before_is_looked_at_and_after_july_the_whole_one() {
        assert_eq!(season_days(day(2026, 1, 20)), day(2025, 1, 1)..=day(2025, 7, 31));
        assert_eq!(season_days(day(2026, 3, 5)), day(2026, 1, 1)..=day(2026, 3, 4));
        assert_eq!(season_days(day(2026, 11, 29)), day(2026, 1, 1)..=day(2026, 7, 31));
    }

    #[test]
    fn whole_seasons_and_missing_days_are_counted_and_late_ones_are_not_missing() {
        let mut days: BTreeSet<NaiveDate> =
            day(2022, 1, 1).iter_days().take_while(|on| *on < day(2026, 4, 1)).collect();
        // 2023 lacks 31 days before August, 2024 (a leap year) 32, and a tenth of this season is missing.
        days.retain(|on| !(day(2023, 3, 1)..=day(2023, 3, 31)).contains(on));
        days.retain(|on| !(day(2024, 3, 1)..=day(2024, 4, 1)).contains(on));
        days.retain(|on| !(day(2026, 2, 1)..=day(2026, 2, 9)).contains(on));
        let got = of_days(&days, day(2026, 4, 20));
        assert_eq!((got.last_day, got.whole_seasons), (Some(day(2026, 3, 31)), 3));
        assert!((got.missing_share.unwrap() - 0.1).abs() < 1e-9);
        let version = |on: &NaiveDate, element| crate::weather::invented::version(*on, element, 100);
        let record = |years: std::ops::RangeInclusive<i32>| StationRecord {
            versions: years
                .flat_map(|year| day(year, 1, 1).iter_days().take(212).collect::<Vec<_>>())
                .flat_map(|on| [version(&on, Element::Max), version(&on, Element::Min)])
                .collect(),
        };
        assert_eq!(recent_whole_seasons(&record(1950..=1970), day(2026, 4, 20)), 0, "long ago is no past to go by");
        assert_eq!(recent_whole_seasons(&record(1990..=2005), day(2026, 4, 20)), 10);
        assert_eq!(of_days(&BTreeSet::new(), day(2026, 4, 20)), DayFacts::default());
    }

    #[test]
    fn the_seasons_between_two_days_are_an_upper_bound() {
        let between = |first, last| seasons_between(&(first..=last), day(2026, 4, 20));
        assert_eq!(between(day(1996, 1, 1), day(9999, 12, 31)), Seasons::AtMost(30));
        assert_eq!(between(day(1996, 3, 1), day(2025, 8, 1)), Seasons::AtMost(29));
        assert_eq!(between(day(1996, 3, 1), day(2025, 7, 30)), Seasons::AtMost(28));
        assert_eq!(between(day(2026, 1, 1), day(2026, 4, 19)), Seasons::AtMost(0));
    }
}
