//! Which day does a maximum belong to?
//!
//! An observer who reads the extremes in the morning files yesterday afternoon's maximum under today. Such a maximum is
//! attributed to the day before; a minimum stays, since a morning's minimum is that morning's.

use std::collections::BTreeMap;
use std::fmt;

use chrono::{DateTime, Days, NaiveDate, Utc};

use super::prepare::Member;
use super::reading::{Element, Reading, Version};
use super::record::{Known, RawSeries};
use super::rejection::{Reason, Rejected};
use super::station::{FeedKind, Station, StationId};
use crate::geo::distance_km;

/// A reading's day, and how sure its hour is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Attribution {
    pub day: NaiveDate,
    pub hour: HourKnown,
}

/// Ordered from the surest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum HourKnown {
    FromSource(u8),
    FromStation(u8),
    /// Neither tells; the value stays on the day it was filed under.
    No,
}

/// Versions ready for the store, and readings that lost their place to another.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Attributed {
    pub versions: Vec<Version>,
    pub set_aside: Vec<Rejected>,
}

/// The day of one reading: the source's hour decides, else the station's setting.
///
/// Hour 0 is ambiguous (midnight at either end) and counts as not told, as does an hour over 24. A reading that its
/// source marks as lagged is left where it is: the reporter may already have shifted it. Feeds whose days are calendar
/// days by construction (hourly observations, SNOTEL) know no observer.
pub fn attribute(reading: &Reading, station: &Station) -> Attribution {
    let told = |hour: &u8| (1..=24).contains(hour);
    let hour = match reading.observation_hour.filter(told) {
        Some(hour) => HourKnown::FromSource(hour),
        None if matches!(reading.feed, FeedKind::NwsObservations | FeedKind::Awdb | FeedKind::NwsForecast) => {
            HourKnown::No
        }
        None => station.observation_hour.filter(told).map_or(HourKnown::No, HourKnown::FromStation),
    };
    let is_morning = matches!(hour, HourKnown::FromSource(1..=11) | HourKnown::FromStation(1..=11));
    let day = if reading.element == Element::Max && is_morning && !reading.lagged {
        reading.day_reported.pred_opt().unwrap_or(reading.day_reported)
    } else {
        reading.day_reported
    };
    Attribution { day, hour }
}

/// Turns what one feed gave for one station into versions, one for each day and element.
///
/// Two readings can claim one day: after a change of the observer's schedule, or in a file that repeats itself. An
/// accepted one is kept before a flagged one, then the one whose hour is surer, then the one filed under the day itself
/// (it saw that day's afternoon), then the later line. The other is told with its reason, not stored.
pub fn to_versions(readings: &[Reading], station: &Station, received_at: DateTime<Utc>, bulk: bool) -> Attributed {
    let mut places: BTreeMap<(NaiveDate, Element, FeedKind), (&Reading, Attribution)> = BTreeMap::new();
    let mut set_aside = Vec::new();
    for reading in readings {
        let attribution = attribute(reading, station);
        let place = places.entry((attribution.day, reading.element, reading.feed)).or_insert((reading, attribution));
        let (other, other_attribution) = *place;
        if std::ptr::eq(other, reading) {
            continue;
        }
        let (lost, kept) = if claim(reading, attribution) <= claim(other, other_attribution) {
            *place = (reading, attribution);
            (other, reading)
        } else {
            (reading, other)
        };
        // The same line twice is not worth a word.
        if lost.value != kept.value || lost.day_reported != kept.day_reported {
            let reason =
                Reason::OtherReadingKept { filed_under: lost.day_reported, kept_filed_under: kept.day_reported };
            let (element, value, feed) = (lost.element, lost.value, lost.feed);
            set_aside.push(Rejected { day: attribution.day, element, value, feed, reason });
        }
    }
    let versions = places.into_iter().map(|((day, element, feed), (reading, _))| Version {
        day,
        element,
        value: reading.value,
        feed,
        day_reported: reading.day_reported,
        sampled: reading.sampled,
        rejected: reading.source_rejects.clone(),
        received_at,
        bulk,
    });
    Attributed { versions: versions.collect(), set_aside }
}

/// Rank of a reading's claim to its day, the best first.
fn claim(reading: &Reading, attribution: Attribution) -> (bool, bool, bool) {
    let is_unsure = !matches!(attribution.hour, HourKnown::FromSource(_));
    (reading.source_rejects.is_some(), is_unsure, attribution.day != reading.day_reported)
}

/// How well a station's maxima follow a neighbour's when moved by a day either way: a hint for staff at what hour an
/// observer reads, where no source tells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LagFit {
    /// Days to add to the station's day to meet the neighbour's: -1 says that the station files yesterday's maximum.
    pub lag: i64,
    /// Of the day-to-day changes at that lag.
    pub correlation: f64,
    /// The next best of the three.
    pub runner_up: f64,
    /// Pairs of changes at that lag.
    pub days: u32,
}

/// Pairs without which nothing is said.
pub const LAG_DAYS: u32 = 90;
/// A neighbour farther away has its weather at another time.
const HINT_REACH_KM: f64 = 75.0;
/// The best lag must stand out by so much.
pub const HINT_MARGIN: f64 = 0.1;

/// A hint for staff that a station's maxima stand on the wrong day. `Display` is the sentence.
#[derive(Clone, Debug, PartialEq)]
pub struct LagHint {
    pub neighbour: StationId,
    pub distance_km: f64,
    pub fit: LagFit,
}

/// Looks through the year before `today`, with the nearest neighbour within 75 km that can tell. Silent when the days
/// agree or no lag stands out.
pub fn lag_hint(station: &Member<'_>, neighbours: &[Member<'_>], known: Known, today: NaiveDate) -> Option<LagHint> {
    let from = today.checked_sub_days(Days::new(365))?;
    let series = |member: &Member<'_>| member.record.as_of(known, &member.station.sources, from, today);
    let mut near: Vec<(f64, &Member<'_>)> = neighbours
        .iter()
        .map(|other| (distance_km(station.station.place, other.station.place), other))
        .filter(|(distance_km, _)| *distance_km <= HINT_REACH_KM)
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    let own = series(station);
    let (distance_km, other, fit) =
        near.into_iter().find_map(|(km, other)| Some((km, other, best_lag(&own, &series(other))?)))?;
    let stands_out = fit.lag != 0 && fit.correlation >= fit.runner_up + HINT_MARGIN;
    stands_out.then(|| LagHint { neighbour: other.station.id.clone(), distance_km, fit })
}

impl fmt::Display for LagHint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let LagHint { neighbour, distance_km, fit } = self;
        let which = if fit.lag < 0 {
            format!("the maxima follow those of {neighbour} a day later, as if read in the morning and not shifted")
        } else {
            format!("the maxima run a day ahead of those of {neighbour}: one of the two has a wrong observation hour")
        };
        write!(
            f,
            "{which} ({distance_km:.0} km away, correlation {:.2}, next best lag {:.2}, {} days)",
            fit.correlation, fit.runner_up, fit.days
        )
    }
}

/// Compares the maxima of two stations at lags -1, 0 and +1 day; `None` unless each has at least 90 pairs. The neighbour
/// should be one whose days are known to be right, within some 75 km.
///
/// Day-to-day changes are compared, not the values: the course of the year would make every lag look alike.
pub fn best_lag(station: &RawSeries, neighbour: &RawSeries) -> Option<LagFit> {
    let change = |series: &RawSeries, day: NaiveDate| {
        let today = series.value(day, Element::Max)?.value.c();
        Some(today - series.value(day.pred_opt()?, Element::Max)?.value.c())
    };
    let fit = |lag: i64| {
        let pairs: Vec<(f64, f64)> = station
            .iter()
            .filter_map(|(day, _)| {
                let there = if lag < 0 { day.pred_opt()? } else { day + Days::new(lag as u64) };
                Some((change(station, day)?, change(neighbour, there)?))
            })
            .collect();
        let days = pairs.len() as u32;
        Some((lag, correlation(&pairs)?, days)).filter(|_| days >= LAG_DAYS)
    };
    let mut fits = [fit(-1)?, fit(0)?, fit(1)?];
    fits.sort_by(|a, b| b.1.total_cmp(&a.1));
    let [(lag, correlation, days), (_, runner_up, _), _] = fits;
    Some(LagFit { lag, correlation, runner_up, days })
}

/// Pearson's; `None` where one side does not vary.
fn correlation(pairs: &[(f64, f64)]) -> Option<f64> {
    let count = pairs.len() as f64;
    let (sum_a, sum_b) = pairs.iter().fold((0.0, 0.0), |(a, b), pair| (a + pair.0, b + pair.1));
    let (mean_a, mean_b) = (sum_a / count, sum_b / count);
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (a, b) in pairs {
        ab += (a - mean_a) * (b - mean_b);
        aa += (a - mean_a).powi(2);
        bb += (b - mean_b).powi(2);
    }
    (aa > 0.0 && bb > 0.0).then(|| ab / (aa * bb).sqrt())
}

#[cfg(test)]
mod tests {
    use super::super::invented::{at, day, index, reading, station, version, versions};
    use super::super::normals::Normals;
    use super::*;
    use crate::weather::reading::{TenthsC, Version};

    fn placed(hour: Option<u8>, setting: Option<u8>, element: Element) -> NaiveDate {
        let station = Station { observation_hour: setting, ..station("A", 2000.0) };
        attribute(&Reading { observation_hour: hour, ..reading(day(2026, 6, 15), element, 200) }, &station).day
    }

    #[test]
    fn a_morning_maximum_belongs_to_the_day_before_and_nothing_else_moves() {
        let (same, before) = (day(2026, 6, 15), day(2026, 6, 14));
        for hour in 1..=11 {
            assert_eq!(placed(Some(hour), None, Element::Max), before, "hour {hour}");
        }
        for hour in 12..=24 {
            assert_eq!(placed(Some(hour), None, Element::Max), same, "hour {hour}");
        }
        assert_eq!(placed(Some(7), None, Element::Min), same);
        assert_eq!(placed(None, None, Element::Max), same);
    }

    #[test]
    fn the_sources_hour_comes_before_the_stations_setting_and_hour_zero_tells_nothing() {
        let (same, before) = (day(2026, 6, 15), day(2026, 6, 14));
        assert_eq!(placed(None, Some(7), Element::Max), before);
        assert_eq!(placed(Some(17), Some(7), Element::Max), same);
        assert_eq!(placed(Some(8), Some(24), Element::Max), before);
        assert_eq!(placed(Some(0), None, Element::Max), same);
        assert_eq!(placed(Some(0), Some(7), Element::Max), before);
        assert_eq!(placed(Some(99), None, Element::Max), same);
    }

    #[test]
    fn a_lagged_reading_stays_and_a_calendar_day_feed_has_no_observer() {
        let station = Station { observation_hour: Some(7), ..station("A", 2000.0) };
        let lagged = Reading { lagged: true, ..reading(day(2026, 6, 15), Element::Max, 200) };
        assert_eq!(attribute(&lagged, &station).day, day(2026, 6, 15));
        let hourly = Reading { feed: FeedKind::NwsObservations, ..reading(day(2026, 6, 15), Element::Max, 200) };
        assert_eq!(attribute(&hourly, &station), Attribution { day: day(2026, 6, 15), hour: HourKnown::No });
    }

    #[test]
    fn after_a_change_of_schedule_the_reading_that_saw_the_afternoon_is_kept_and_the_other_told() {
        let evening = Reading { observation_hour: Some(17), ..reading(day(2026, 6, 14), Element::Max, 280) };
        let morning = Reading { observation_hour: Some(7), ..reading(day(2026, 6, 15), Element::Max, 190) };
        for readings in [[evening.clone(), morning.clone()], [morning, evening]] {
            let got = to_versions(&readings, &station("A", 2000.0), at("2026-06-16T12:00:00Z"), false);
            assert_eq!(got.versions.iter().map(|v| (v.day, v.value.0)).collect::<Vec<_>>(), [(day(2026, 6, 14), 280)]);
            assert_eq!(got.set_aside.len(), 1);
            assert_eq!(
                got.set_aside[0].reason.to_string(),
                "filed under 2026-06-15, but the reading filed under 2026-06-14 holds this day's maximum"
            );
        }
    }

    #[test]
    fn of_two_claims_the_one_whose_hour_the_source_told_is_kept() {
        let unsure = reading(day(2026, 6, 14), Element::Max, 280);
        let sure = Reading { observation_hour: Some(7), ..reading(day(2026, 6, 15), Element::Max, 290) };
        let got = to_versions(&[sure, unsure], &station("A", 2000.0), at("2026-06-16T12:00:00Z"), false);
        assert_eq!(got.versions[0].value, TenthsC(290));
        assert_eq!(got.set_aside[0].value, TenthsC(280));
    }

    #[test]
    fn a_flagged_reading_never_displaces_a_good_one_and_a_repeated_line_is_not_news() {
        let good = reading(day(2026, 6, 14), Element::Min, 80);
        let flagged = Reading { source_rejects: Some("quality flag I".into()), value: TenthsC(300), ..good.clone() };
        let got = to_versions(&[good.clone(), flagged, good], &station("A", 2000.0), at("2026-06-16T12:00:00Z"), true);
        assert_eq!(got.versions.len(), 1);
        assert_eq!(
            (got.versions[0].value, &got.versions[0].rejected, got.versions[0].bulk),
            (TenthsC(80), &None, true)
        );
        assert_eq!(got.set_aside.len(), 1);
    }

    /// Changes from day to day that no lag but the right one can follow.
    fn wobble(nth: u64) -> i32 {
        ((nth * nth * 37 + nth * 11) % 97) as i32
    }

    #[test]
    fn a_station_that_files_yesterdays_maximum_is_recognised() {
        let first = day(2026, 1, 1);
        let maxima = |delay: u64| -> Vec<Version> {
            (0..120).map(|nth| version(first + Days::new(nth + delay), Element::Max, wobble(nth))).collect()
        };
        let series =
            |versions| index(versions).as_of(Known::Everything, &station("A", 0.0).sources, first, day(2026, 5, 30));
        let fit = best_lag(&series(maxima(1)), &series(maxima(0))).unwrap();
        assert_eq!(fit.lag, -1);
        assert!(fit.correlation > 0.999 && fit.runner_up < 0.5 && fit.days >= LAG_DAYS, "{fit:?}");
        assert_eq!(best_lag(&series(maxima(0)), &series(maxima(1))).unwrap().lag, 1);
        assert_eq!(best_lag(&series(maxima(1)), &series(maxima(1))).unwrap().lag, 0);
    }

    #[test]
    fn staff_are_told_only_of_a_near_neighbour_that_disagrees() {
        let first = day(2026, 1, 1);
        let record = |delay: u64| {
            index((0..120).map(|nth| version(first + Days::new(nth + delay), Element::Max, wobble(nth))).collect())
        };
        let (late, right) = (record(1), record(0));
        let none = Normals::around(&index(Vec::new()), Known::Everything, &[], 2026);
        let (a, b) = (station("A", 2000.0), station("B", 2000.0));
        let mut far = station("C", 2000.0);
        far.place.latitude += 1.0;
        let member = |station, record| Member { station, record, normals: &none };
        let hint = |record, other| {
            lag_hint(&member(&a, record), &[member(other, &right)], Known::Everything, day(2026, 5, 30))
        };
        let said = hint(&late, &b).map(|hint| hint.to_string()).unwrap_or_default();
        assert!(said.starts_with("the maxima follow those of B a day later"), "{said}");
        assert_eq!(hint(&late, &far), None);
        assert_eq!(hint(&right, &b), None);
    }

    #[test]
    fn a_short_or_constant_comparison_says_nothing() {
        let first = day(2026, 1, 1);
        let series = |days: &[(Option<i32>, Option<i32>)]| {
            index(versions(first, days)).as_of(Known::Everything, &station("A", 0.0).sources, first, day(2026, 5, 30))
        };
        let short: Vec<_> = (0..80).map(|nth| (Some(wobble(nth)), None)).collect();
        assert_eq!(best_lag(&series(&short), &series(&short)), None);
        assert_eq!(best_lag(&series(&[(Some(100), None); 140]), &series(&[(Some(100), None); 140])), None);
    }
}
