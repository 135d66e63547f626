//! At what hour a station's extremes are read: told by its source, set by staff, or found in the record itself.
//!
//! A morning reader files yesterday's maximum under today, so its filed maxima follow those of a midnight station a day
//! later. Observers and their hours change over the decades, so each era is looked at by itself.

use std::collections::BTreeMap;
use std::fmt;

use chrono::{Datelike, Days, NaiveDate};
use serde::Serialize;

use super::observation_time::{HINT_MARGIN, best_lag};
use super::reading::{Element, Reading, StationRecord, TenthsC};
use super::record::{RawDay, RawSeries, RawValue};
use super::station::StationId;

/// How the hour of a station's readings is known.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "how", rename_all = "kebab-case")]
pub enum ReadingHour {
    /// The source tells it with each value; the commonest of the season.
    Told {
        hour: u8,
    },
    /// The source told a morning hour when the record came in: its maxima stand a day before the day they were filed under.
    ToldMorning,
    /// Set by staff.
    Set {
        hour: u8,
    },
    /// Found by comparing with a neighbour whose days run from midnight to midnight.
    Found {
        neighbour: StationId,
        distance_km: f64,
        eras: Vec<Era>,
    },
    /// Of a grid or an automatic station: its days are what they are by construction.
    ByConstruction,
    Unknown,
}

/// Which day's maximum a reader files.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reads {
    /// Yesterday's: in the morning.
    Morning,
    /// The same day's: in the afternoon, in the evening or at midnight.
    SameDay,
}

/// A run of years in which a station read alike.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Era {
    pub first: i32,
    pub last: i32,
    pub reads: Reads,
    /// Years in between that show it by themselves.
    pub years: u32,
    /// Of the day-to-day changes, the mean over its years; and that of the next best lag.
    pub correlation: f64,
    pub runner_up: f64,
}

impl Era {
    /// `1981-1994 in the morning (correlation 0.82 a day later, 0.31 at the next best lag)`.
    pub fn words(&self) -> String {
        let Era { first, last, correlation, runner_up, .. } = self;
        let (when, at) = match self.reads {
            Reads::Morning => ("in the morning", "a day later"),
            Reads::SameDay => ("later in the day or at midnight", "on the same day"),
        };
        format!("{first}-{last} {when} (correlation {correlation:.2} {at}, {runner_up:.2} at the next best)")
    }
}

/// An hour of the morning that stands for all of them where only the half of the day is known: most observers who read in the
/// morning do so at about 7 (our reference of feeds, section 7).
pub const MORNING: u8 = 7;
/// And midnight, for those who file the same day's maximum.
const MIDNIGHT: u8 = 24;

impl ReadingHour {
    pub fn is_known(&self) -> bool {
        *self != ReadingHour::Unknown
    }

    /// What a station's own setting should be, where its source does not tell the hour.
    pub fn setting(&self) -> Option<u8> {
        match self {
            ReadingHour::Set { hour } => Some(*hour),
            ReadingHour::Found { eras, .. } => eras.last().filter(|era| era.reads == Reads::Morning).map(|_| MORNING),
            _ => None,
        }
    }
}

/// Short, for a column of a table.
impl fmt::Display for ReadingHour {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ReadingHour::Told { hour: 24 } => f.write_str("midnight, told"),
            ReadingHour::Told { hour } => write!(f, "{hour}:00, told"),
            ReadingHour::ToldMorning => f.write_str("morning, told"),
            ReadingHour::Set { hour } => write!(f, "{hour}:00, set"),
            ReadingHour::Found { eras, .. } => match eras.last() {
                Some(Era { reads: Reads::Morning, first, .. }) => write!(f, "morning, found since {first}"),
                Some(Era { first, .. }) => write!(f, "not morning, found since {first}"),
                None => f.write_str("unknown"),
            },
            ReadingHour::ByConstruction => f.write_str("fixed"),
            ReadingHour::Unknown => f.write_str("unknown"),
        }
    }
}

/// The commonest hour that readings carry, if at least half of them carry one (1 to 24; 0 is ambiguous and tells nothing).
pub fn told_hour(readings: &[Reading]) -> Option<u8> {
    let mut counts: BTreeMap<u8, usize> = BTreeMap::new();
    for hour in readings.iter().filter_map(|reading| reading.observation_hour).filter(|hour| (1..=24).contains(hour)) {
        *counts.entry(hour).or_default() += 1;
    }
    let told: usize = counts.values().sum();
    let commonest = counts.into_iter().max_by_key(|(_, count)| *count)?.0;
    (told * 2 >= readings.len()).then_some(commonest)
}

/// A record's maxima on the days they were *filed* under, the newest version of each, flagged ones left out.
pub fn filed_maxima(record: &StationRecord) -> RawSeries {
    let mut newest: BTreeMap<NaiveDate, (chrono::DateTime<chrono::Utc>, RawValue)> = BTreeMap::new();
    for version in &record.versions {
        if version.element != Element::Max || version.rejected.is_some() || version.feed.is_forecast() {
            continue;
        }
        let value = RawValue { value: version.value, feed: version.feed, sampled: version.sampled };
        let place = newest.entry(version.day_reported).or_insert((version.received_at, value));
        if version.received_at >= place.0 {
            *place = (version.received_at, value);
        }
    }
    series(newest.into_iter().map(|(day, (_, value))| (day, value)))
}

/// As [`filed_maxima`], of readings on their way to the store.
pub fn maxima_of(readings: &[Reading]) -> RawSeries {
    let maxima: BTreeMap<NaiveDate, RawValue> = readings
        .iter()
        .filter(|reading| reading.element == Element::Max && reading.source_rejects.is_none())
        .map(|reading| {
            let (value, feed, sampled): (TenthsC, _, _) = (reading.value, reading.feed, reading.sampled);
            (reading.day_reported, RawValue { value, feed, sampled })
        })
        .collect();
    series(maxima.into_iter())
}

/// Days in order.
fn series(maxima: impl Iterator<Item = (NaiveDate, RawValue)>) -> RawSeries {
    let mut series = RawSeries { first: NaiveDate::default(), days: Vec::new(), rejected: Vec::new() };
    for (day, value) in maxima {
        if series.days.is_empty() {
            series.first = day;
        }
        // Never negative, since days rise; bounded by the calendar that the store and the feeds hold.
        let at = usize::try_from((day - series.first).num_days()).unwrap_or(0);
        series.days.resize(at + 1, RawDay::default());
        if let Some(place) = series.days.last_mut() {
            place.max = Some(value);
        }
    }
    series
}

/// Correlations under this are not of one weather.
const LEAST_CORRELATION: f64 = 0.4;
/// An era has so many years at least: of airports that all read at midnight, one year in a hundred looks like a morning reader's
/// beside the next airport, each by itself (3 of 453 years of 7 airports, tests/checks/feeds/reading_hours.rs).
const LEAST_YEARS: u32 = 2;

/// The eras of a station's filed maxima, seen against a midnight station's, year by year. A year in which no lag stands out, or
/// one alone of its kind, joins the years around it if they agree, else it belongs to none.
pub fn eras(station: &RawSeries, midnight: &RawSeries) -> Vec<Era> {
    let mut runs: Vec<Era> = Vec::new();
    for (year, reads, correlation, runner_up) in clear_years(station, midnight) {
        let one = Era { first: year, last: year, reads, years: 1, correlation, runner_up };
        join(&mut runs, one);
    }
    let mut eras = Vec::new();
    for run in runs.into_iter().filter(|run| run.years >= LEAST_YEARS) {
        join(&mut eras, run);
    }
    eras
}

/// Whether a series has years enough to show an era.
pub fn is_long_enough(station: &RawSeries) -> bool {
    let ends = station.iter().next().zip(station.iter().last());
    let years = ends.and_then(|(first, last)| u32::try_from(last.0.year() - first.0.year() + 1).ok());
    years.is_some_and(|years| years >= LEAST_YEARS)
}

/// Puts an era behind others, as a part of the last one if they read alike.
fn join(eras: &mut Vec<Era>, next: Era) {
    match eras.last_mut() {
        Some(era) if era.reads == next.reads => {
            let years = f64::from(era.years + next.years);
            let mean = |a: f64, b: f64| (a * f64::from(era.years) + b * f64::from(next.years)) / years;
            (era.correlation, era.runner_up) =
                (mean(era.correlation, next.correlation), mean(era.runner_up, next.runner_up));
            era.last = next.last;
            era.years += next.years;
        }
        _ => eras.push(next),
    }
}

/// The years in which one lag stands out, with the correlation at it and at the next best.
pub fn clear_years(station: &RawSeries, midnight: &RawSeries) -> Vec<(i32, Reads, f64, f64)> {
    let (Some(first), Some(last)) = (station.iter().next(), station.iter().last()) else { return Vec::new() };
    let of_year = |year: i32| {
        let (from, to) = (NaiveDate::from_ymd_opt(year, 1, 1)?, NaiveDate::from_ymd_opt(year, 12, 31)?);
        let fit = best_lag(&cut(station, from, to), midnight)?;
        let is_clear = fit.correlation >= LEAST_CORRELATION && fit.correlation >= fit.runner_up + HINT_MARGIN;
        let reads = match fit.lag {
            -1 => Reads::Morning,
            0 => Reads::SameDay,
            // A day ahead of midnight: the neighbour is no midnight station that year.
            _ => return None,
        };
        is_clear.then_some((year, reads, fit.correlation, fit.runner_up))
    };
    (first.0.year()..=last.0.year()).filter_map(of_year).collect()
}

/// The part of a series from one day to another.
fn cut(series: &RawSeries, from: NaiveDate, to: NaiveDate) -> RawSeries {
    // The day before, so that the first day has a change.
    let from = from.checked_sub_days(Days::new(1)).unwrap_or(from);
    let first = from.max(series.first);
    let days = series.iter().skip_while(|(day, _)| *day < first).take_while(|(day, _)| *day <= to).map(|(_, day)| day);
    RawSeries { first, days: days.collect(), rejected: Vec::new() }
}

/// Gives readings whose source told no hour that of their era. Those of a year that belongs to none keep what they have. Gives
/// how many it was.
pub fn put_hours(readings: &mut [Reading], eras: &[Era]) -> usize {
    let mut put = 0;
    for reading in readings.iter_mut().filter(|reading| reading.observation_hour.is_none_or(|hour| hour == 0)) {
        let year = reading.day_reported.year();
        if let Some(era) = eras.iter().find(|era| (era.first..=era.last).contains(&year)) {
            reading.observation_hour = Some(if era.reads == Reads::Morning { MORNING } else { MIDNIGHT });
            put += 1;
        }
    }
    put
}

#[cfg(test)]
mod tests {
    use super::super::invented::{day, reading, version};
    use super::*;

    /// Changes from day to day that no lag but the right one can follow.
    fn wobble(day: NaiveDate) -> i32 {
        let nth = day.num_days_from_ce().unsigned_abs();
        ((nth.wrapping_mul(nth).wrapping_mul(37).wrapping_add(nth * 11)) % 97) as i32
    }

    fn maxima(years: std::ops::RangeInclusive<i32>, delay: impl Fn(i32) -> Option<u64>) -> RawSeries {
        let versions = years.filter_map(|year| Some((year, delay(year)?))).flat_map(|(year, delay)| {
            day(year, 1, 1)
                .iter_days()
                .take(360)
                .map(move |on| version(on, Element::Max, wobble(on - Days::new(delay))))
        });
        filed_maxima(&StationRecord { versions: versions.collect() })
    }

    #[test]
    fn an_observer_who_went_over_to_mornings_has_two_eras_and_a_hole_splits_none() {
        let midnight = maxima(1980..=2000, |_| Some(0));
        // A hole in 1985, and a year of another kind by itself.
        let station = maxima(1982..=1999, |year| (year != 1985).then_some(u64::from(year >= 1990 || year == 1987)));
        let found: Vec<_> = eras(&station, &midnight).iter().map(|era| (era.first, era.last, era.reads)).collect();
        assert_eq!(found, [(1982, 1989, Reads::SameDay), (1990, 1999, Reads::Morning)]);
        assert!(eras(&maxima(1980..=1980, |_| None), &midnight).is_empty());
    }

    #[test]
    fn a_weather_of_its_own_tells_nothing() {
        let midnight = maxima(1990..=1995, |_| Some(0));
        assert!(eras(&maxima(1990..=1995, |_| Some(40)), &midnight).is_empty());
    }

    #[test]
    fn readings_without_an_hour_get_that_of_their_era_and_told_ones_keep_theirs() {
        let era = |first, last, reads| Era { first, last, reads, years: 5, correlation: 0.9, runner_up: 0.2 };
        let eras = [era(1980, 1984, Reads::SameDay), era(1986, 1999, Reads::Morning)];
        let told = Reading { observation_hour: Some(17), ..reading(day(1990, 6, 1), Element::Max, 250) };
        let ambiguous = Reading { observation_hour: Some(0), ..reading(day(1990, 6, 2), Element::Max, 250) };
        let mut readings = [1981, 1985, 1991].map(|year| reading(day(year, 6, 1), Element::Max, 250)).to_vec();
        readings.extend([told, ambiguous]);
        assert_eq!(put_hours(&mut readings, &eras), 3);
        let hours: Vec<_> = readings.iter().map(|reading| reading.observation_hour).collect();
        assert_eq!(hours, [Some(24), None, Some(7), Some(17), Some(7)]);
    }

    #[test]
    fn the_commonest_told_hour_counts_when_half_of_the_readings_carry_one() {
        let with = |hours: &[Option<u8>]| {
            let of =
                |hour: &Option<u8>| Reading { observation_hour: *hour, ..reading(day(2026, 6, 1), Element::Min, 50) };
            told_hour(&hours.iter().map(of).collect::<Vec<_>>())
        };
        assert_eq!(with(&[Some(7), Some(7), Some(17), None]), Some(7));
        assert_eq!(with(&[Some(7), None, None]), None);
        assert_eq!(with(&[Some(0), Some(0)]), None);
        assert_eq!(with(&[]), None);
    }
}
