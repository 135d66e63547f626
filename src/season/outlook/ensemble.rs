//! What the days after the newest data may bring: many equally likely futures.

use chrono::NaiveDate;

use super::heat_sum::heat_needed;
use crate::heat::projection::{Dressing, FORECAST_ERRORS_C, Now, SeasonProjector, Traces};
use crate::heat::{DayOrigin, DayTemperatures, FilledDay};
use crate::season::profile::Profile;
use crate::season::{HeatDay, days_after, days_before};

/// What the days after the newest data may bring.
#[derive(Clone, Debug, PartialEq)]
pub struct Ensemble {
    /// The day that the first degree-days of every member belong to.
    pub first: NaiveDate,
    /// Equally likely futures, from [`Ensemble::first`] on. Where they end before a stage is reached, it counts as not reached.
    pub traces: Traces,
    /// How many of the first days are a weather forecast, the same in every member.
    pub forecast_days: u32,
    pub dressing: Dressing,
}

/// The ensemble of [`crate::heat::projection`]: past seasons corrected for warming, today's weather carried on, a forecast
/// with its error.
///
/// `days` are this season's from the biofix to the newest, `heat` what [`season_heat`](super::season_heat) makes of them; `forecast` counts
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
    Ensemble {
        first: days_after(last_day, 1),
        traces: projector.traces(&now, enough, profile.last_day(season)),
        forecast_days: ahead.len() as u32,
        dressing: dressing.clone(),
    }
}
