//! How well two records agree: what one would have said in the other's place.

use chrono::{Days, NaiveDate};
use serde::Serialize;

use super::observation_time::{LagFit, best_lag};
use super::record::RawSeries;
use crate::heat::{DailySeries, DayTemperatures, HeatRule};

/// Two records held against each other, on the days that both have.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Comparison {
    /// Days on which both have both values.
    pub days: u32,
    pub first_day: Option<NaiveDate>,
    pub last_day: Option<NaiveDate>,
    /// The second's value less the first's.
    pub maximum: Option<Difference>,
    pub minimum: Option<Difference>,
    /// At what shift of days the second's maxima follow the first's best: -1 says that the second files them a day later.
    pub lag: Option<Lag>,
}

/// A difference over many days, °C.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Difference {
    /// The mean.
    pub bias_c: f64,
    /// The standard deviation around it.
    pub spread_c: f64,
    /// Nine days in ten differ by less, once the bias is taken out.
    pub nine_in_ten_c: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Lag {
    pub days: i64,
    pub correlation: f64,
    pub runner_up: f64,
}

/// One season's day on which each record reaches a sum of heat.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Reached {
    pub season: i32,
    pub first: NaiveDate,
    pub second: NaiveDate,
    /// The second's day less the first's: above 0 it is later.
    pub shift_days: i64,
}

/// The shift in the dates of a heat sum over many seasons.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Shift {
    pub seasons: Vec<Reached>,
    /// Seasons left out: too many days that one of the two lacks, or a sum not reached.
    pub left_out: u32,
    pub mean_days: Option<f64>,
    /// The standard deviation around the mean; `None` of fewer than two seasons.
    pub spread_days: Option<f64>,
    /// The largest shift, either way.
    pub largest_days: Option<i64>,
}

/// A season may lack so many days up to the sum: the sum stands still on them in both records.
const LACKING_DAYS: u32 = 10;

/// Compares the days of two series; any run of days does.
pub fn compare(first: &RawSeries, second: &RawSeries) -> Comparison {
    let (mut maxima, mut minima) = (Vec::new(), Vec::new());
    let (mut from, mut to) = (None, None);
    for (day, own) in first.iter().filter(|(_, own)| own.is_complete()) {
        let other = second.get(day);
        let (Some(max), Some(min), Some(other_max), Some(other_min)) = (own.max, own.min, other.max, other.min) else {
            continue;
        };
        from = from.or(Some(day));
        to = Some(day);
        maxima.push(other_max.value.c() - max.value.c());
        minima.push(other_min.value.c() - min.value.c());
    }
    Comparison {
        days: maxima.len() as u32,
        first_day: from,
        last_day: to,
        maximum: Difference::of(&mut maxima),
        minimum: Difference::of(&mut minima),
        lag: best_lag(second, first).map(|LagFit { lag, correlation, runner_up, .. }| Lag {
            days: lag,
            correlation,
            runner_up,
        }),
    }
}

impl Difference {
    fn of(differences: &mut [f64]) -> Option<Self> {
        let (bias, spread) = mean_and_spread(differences)?;
        for difference in differences.iter_mut() {
            *difference = (*difference - bias).abs();
        }
        differences.sort_by(f64::total_cmp);
        let at = (differences.len() * 9).div_ceil(10).saturating_sub(1);
        Some(Self { bias_c: bias, spread_c: spread.unwrap_or(0.0), nine_in_ten_c: differences.get(at).copied()? })
    }
}

fn mean_and_spread(values: &[f64]) -> Option<(f64, Option<f64>)> {
    let count = values.len() as f64;
    if values.is_empty() {
        return None;
    }
    let mean = values.iter().sum::<f64>() / count;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    Some((mean, (values.len() > 1).then(|| (squares / (count - 1.0)).sqrt())))
}

/// The shift in the day on which a sum of heat is reached, season by season. A season is its name, its first and its last day.
/// A day that one of the two lacks is taken from both.
pub fn shift(
    first: &RawSeries,
    second: &RawSeries,
    seasons: &[(i32, NaiveDate, NaiveDate)],
    rule: &HeatRule,
    sum: f64,
) -> Shift {
    let mut reached = Vec::new();
    let mut left_out = 0;
    for (season, from, to) in seasons {
        let common = |series: &RawSeries, other: &RawSeries| DailySeries {
            first: *from,
            days: from
                .iter_days()
                .take_while(|day| day <= to)
                .map(|day| temperatures(series, day).filter(|_| temperatures(other, day).is_some()))
                .collect(),
        };
        let (own, other) = (common(first, second), common(second, first));
        if own.days.iter().all(Option::is_none) {
            continue;
        }
        match (crossing(rule, &own, sum), crossing(rule, &other, sum)) {
            (Some(own), Some(other)) => {
                let shift_days = (other - own).num_days();
                reached.push(Reached { season: *season, first: own, second: other, shift_days });
            }
            _ => left_out += 1,
        }
    }
    let shifts: Vec<f64> = reached.iter().map(|one| one.shift_days as f64).collect();
    let figures = mean_and_spread(&shifts);
    Shift {
        left_out,
        mean_days: figures.map(|(mean, _)| mean),
        spread_days: figures.and_then(|(_, spread)| spread),
        largest_days: reached.iter().map(|one| one.shift_days).max_by_key(|days| days.abs()),
        seasons: reached,
    }
}

fn temperatures(series: &RawSeries, day: NaiveDate) -> Option<DayTemperatures> {
    let day = series.get(day);
    Some(DayTemperatures { min_c: day.min?.value.c(), max_c: day.max?.value.c() })
}

/// The day on which a series reaches a sum, unless more days are lacking until then than can be borne.
fn crossing(rule: &HeatRule, series: &DailySeries, sum: f64) -> Option<NaiveDate> {
    let (mut so_far, mut lacking) = (0.0, 0);
    for (nth, heat) in rule.series(series).into_iter().enumerate() {
        match heat {
            Some(heat) => so_far += heat,
            None => lacking += 1,
        }
        if lacking > LACKING_DAYS {
            return None;
        }
        if so_far >= sum {
            return Some(series.first + Days::new(nth as u64));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::super::invented::{day, index, station, versions};
    use super::*;
    use crate::heat::{Cutoff, Method};
    use crate::weather::record::Known;

    fn series(days: &[(Option<i32>, Option<i32>)]) -> RawSeries {
        let index = index(versions(day(2026, 1, 1), days));
        index.as_of(Known::Everything, &station("A", 0.0).sources, day(2026, 1, 1), day(2026, 12, 31))
    }

    #[test]
    fn bias_and_spread_are_those_of_the_days_that_both_have() {
        let own = series(&[(Some(100), Some(0)), (Some(110), Some(10)), (None, Some(5)), (Some(120), Some(0))]);
        let other = series(&[(Some(120), Some(-10)), (Some(150), Some(0)), (Some(90), Some(5)), (Some(150), None)]);
        let got = compare(&own, &other);
        assert_eq!((got.days, got.first_day, got.last_day), (2, Some(day(2026, 1, 1)), Some(day(2026, 1, 2))));
        let max = got.maximum.unwrap();
        // Differences 2 and 4 °C: mean 3, standard deviation the root of 2.
        assert!((max.bias_c - 3.0).abs() < 1e-9 && (max.spread_c - 2f64.sqrt()).abs() < 1e-9, "{max:?}");
        assert!((max.nine_in_ten_c - 1.0).abs() < 1e-9);
        assert!((got.minimum.unwrap().bias_c + 1.0).abs() < 1e-9 && got.minimum.unwrap().spread_c < 1e-9);
        assert_eq!(got.lag, None);
        let none = compare(&own, &series(&[]));
        assert_eq!((none.days, none.maximum, none.first_day), (0, None, None));
    }

    #[test]
    fn a_record_that_is_a_day_late_is_seen() {
        let wobble = |nth: i32| Some((nth * nth * 37 + nth * 11) % 97);
        let own: Vec<_> = (0..150).map(|nth| (wobble(nth), Some(-50))).collect();
        let late: Vec<_> = (0..150).map(|nth| (wobble(nth - 1), Some(-50))).collect();
        assert_eq!(compare(&series(&own), &series(&late)).lag.unwrap().days, -1);
    }

    #[test]
    fn a_warmer_record_reaches_a_sum_earlier_and_a_day_that_one_lacks_counts_in_neither() {
        let rule = HeatRule::new(Method::Average, 10.0, None, Cutoff::None).unwrap();
        // 5 and 10 degree-days a day.
        let mut own = vec![(Some(200), Some(100)); 60];
        let mut warm = vec![(Some(250), Some(150)); 60];
        let seasons = [(2026, day(2026, 1, 1), day(2026, 12, 31)), (2025, day(2025, 1, 1), day(2025, 12, 31))];
        let got = shift(&series(&own), &series(&warm), &seasons, &rule, 100.0);
        assert_eq!(got.seasons.len(), 1);
        let one = got.seasons[0];
        assert_eq!((one.first, one.second, one.shift_days), (day(2026, 1, 20), day(2026, 1, 10), -10));
        assert_eq!((got.mean_days, got.spread_days, got.largest_days, got.left_out), (Some(-10.0), None, Some(-10), 0));
        own[0] = (None, None);
        let got = shift(&series(&own), &series(&warm), &seasons, &rule, 100.0);
        assert_eq!((got.seasons[0].first, got.seasons[0].second), (day(2026, 1, 21), day(2026, 1, 11)));
        for hole in warm.iter_mut().take(11) {
            *hole = (None, None);
        }
        assert_eq!(shift(&series(&own), &series(&warm), &seasons, &rule, 100.0).left_out, 1);
        // Not reached is left out too.
        assert_eq!(shift(&series(&own), &series(&own), &seasons, &rule, 1e6).left_out, 1);
    }
}
