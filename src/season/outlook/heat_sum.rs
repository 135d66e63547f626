//! Heat of one season summed from the biofix, and the sums at which stages come.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use crate::heat::FilledDay;
use crate::season::profile::{Need, Profile};
use crate::season::{HeatDay, StageId, days_after};

/// Heat of one season to date: from the biofix on, days outside the season left out. Holes add nothing.
///
/// A double method takes the minimum of the next day; for the newest day it has only the day's own, so that this day's
/// heat may still change by a little.
pub fn season_heat(profile: &Profile, season: i32, days: &[FilledDay]) -> Vec<HeatDay> {
    let (first, last) = (profile.first_day(season), profile.last_day(season));
    if last < first {
        return Vec::new();
    }
    let by_day: BTreeMap<NaiveDate, &FilledDay> = days.iter().map(|day| (day.day, day)).collect();
    let mut sum = 0.0;
    by_day
        .range(first..=last)
        .map(|(day, filled)| {
            let next_min = by_day.get(&days_after(*day, 1)).map(|next| next.temperatures.min_c);
            let degree_days = sane(profile.heat.degree_days(filled.temperatures, next_min));
            sum += degree_days;
            HeatDay { day: *day, degree_days, sum, origin: filled.origin.clone() }
        })
        .collect()
}

/// °C·day from the biofix at which a stage begins; `None` where a calendar wait lies on the way to it.
pub fn heat_sum_of(profile: &Profile, stage: &StageId) -> Option<f64> {
    let mut sum = 0.0;
    let mut stage = profile.stage(stage)?;
    // A stage counts from an earlier one, so the chain ends; the bound is for a profile made by hand.
    for _ in 0..profile.stages.len() {
        let Need::DegreeDays(need) = stage.need else { return None };
        sum += need;
        match &stage.after {
            None => return Some(sum),
            Some(after) => stage = profile.stage(after)?,
        }
    }
    None
}

/// °C·day from the biofix that see every stage which counts heat; without end where one counts it from a calendar wait.
pub(super) fn heat_needed(profile: &Profile) -> f64 {
    let heat_stages = profile.stages.iter().filter(|stage| matches!(stage.need, Need::DegreeDays(_)));
    heat_stages.map(|stage| heat_sum_of(profile, &stage.id).unwrap_or(f64::INFINITY)).fold(0.0, f64::max)
}

/// Sums of many small numbers: a hair below the threshold is at it.
pub(super) fn at_least(sum: f64, wanted: f64) -> bool {
    sum >= wanted - 1e-9
}

/// Heat is a number and not negative, whatever it was made from.
pub(super) fn sane(degree_days: f64) -> f64 {
    if degree_days.is_finite() { degree_days.max(0.0) } else { 0.0 }
}
