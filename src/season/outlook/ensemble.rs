//! What the days after the newest data may bring: many equally likely futures.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};

use super::heat_sum::{heat_needed, sane};
use super::past_year::PastYear;
use crate::heat::projection::{Dressing, FORECAST_ERRORS_C, Now, SeasonProjector};
use crate::heat::{DayOrigin, DayTemperatures, FilledDay};
use crate::season::profile::Profile;
use crate::season::{HeatDay, days_after, days_before};

/// What the days after the newest data may bring.
#[derive(Clone, Debug, PartialEq)]
pub struct Ensemble {
    /// The day that the first degree-days of every member belong to.
    pub first: NaiveDate,
    /// Equally likely futures.
    pub members: Vec<Member>,
    /// How many of the first days are a weather forecast, the same in every member.
    pub forecast_days: u32,
    pub dressing: Dressing,
}

/// One possible future, made from one past year.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    pub year: i32,
    /// °C·day per day from [`Ensemble::first`] on. Where they end before a stage is reached, it counts as not reached.
    pub degree_days: Vec<f64>,
}

/// The plain ensemble: this year's forecast days where there are any, then each past year's own weather by calendar day.
///
/// `heat` is this season's heat to date; `forecast` counts only where it goes on from its last day without a hole. On
/// 29 February a year without one gives its 28 February; a past year's own 29 February is passed over in a year
/// without. The season itself is never among its own futures.
pub fn past_years_ensemble(
    profile: &Profile,
    season: i32,
    heat: &[HeatDay],
    past: &[PastYear],
    forecast: &[HeatDay],
) -> Ensemble {
    let first = heat
        .iter()
        .rev()
        .find(|day| day.origin != DayOrigin::Forecast)
        .map_or_else(|| profile.first_day(season), |day| days_after(day.day, 1));
    let ahead: BTreeMap<NaiveDate, f64> = forecast.iter().map(|day| (day.day, sane(day.degree_days))).collect();
    let ahead: Vec<f64> = first.iter_days().map_while(|day| ahead.get(&day).copied()).collect();
    let last = profile.last_day(season);
    let rest: Vec<NaiveDate> = first.iter_days().skip(ahead.len()).take_while(|day| *day <= last).collect();
    let members = past
        .iter()
        .filter(|year| year.season != season)
        .map(|year| {
            let shift = year.season.saturating_sub(season);
            let then = rest.iter().map_while(|day| year.on(same_day(*day, day.year().saturating_add(shift))));
            Member { year: year.season, degree_days: ahead.iter().copied().chain(then.map(sane)).collect() }
        })
        .collect();
    Ensemble { first, members, forecast_days: ahead.len() as u32, dressing: Dressing::default() }
}

/// The ensemble of [`crate::heat::projection`]: past seasons corrected for warming, today's weather carried on, a forecast
/// with its error.
///
/// `days` are this season's from the biofix to the newest, `heat` what [`season_heat`] makes of them; `forecast` counts
/// only where it goes on from the newest day without a hole, and should be corrected to the station. Futures end with the
/// last stage that counts heat.
pub fn projected_ensemble(
    profile: &Profile,
    season: i32,
    projector: &SeasonProjector,
    heat: &[HeatDay],
    days: &[FilledDay],
    forecast: &[FilledDay],
    dressing: &Dressing,
) -> Ensemble {
    let newest = heat.iter().rev().find(|day| day.origin != DayOrigin::Forecast);
    let last_day = newest.map_or_else(|| days_before(profile.first_day(season), 1), |newest| newest.day);
    let recent: Vec<DayTemperatures> = days
        .iter()
        .filter(|day| day.day <= last_day && day.origin != DayOrigin::Forecast)
        .map(|day| day.temperatures)
        .collect();
    let ahead: Vec<DayTemperatures> = forecast
        .iter()
        .filter(|day| day.day > last_day)
        .zip(last_day.iter_days().skip(1))
        .map_while(|(forecast, day)| (forecast.day == day).then_some(forecast.temperatures))
        .collect();
    let now = Now {
        last_day,
        sum: newest.map_or(0.0, |newest| newest.sum),
        recent: &recent,
        forecast: &ahead,
        forecast_errors_c: &FORECAST_ERRORS_C,
    };
    // A little more than the last stage needs, so that rounding cannot end a future before it.
    let enough = heat_needed(profile) + 1.0;
    let futures = projector.futures(&now, enough, profile.last_day(season));
    Ensemble {
        first: days_after(last_day, 1),
        members: futures
            .into_iter()
            .map(|future| Member { year: future.season, degree_days: future.degree_days })
            .collect(),
        forecast_days: ahead.len() as u32,
        dressing: dressing.clone(),
    }
}

/// The same calendar day of another year; 28 February where that year has no 29th.
fn same_day(day: NaiveDate, year: i32) -> NaiveDate {
    day.with_year(year).or_else(|| NaiveDate::from_ymd_opt(year, 2, 28)).unwrap_or(day)
}
