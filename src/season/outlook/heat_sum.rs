//! Heat of one season summed from the biofix, and the sums at which stages come.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use crate::heat::FilledDay;
use crate::season::profile::{Need, Profile, Stage};
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
    sum_along(profile, stage, &|rank| heat_need(profile.stages.get(rank)?.need))
}

/// The same if each stage needs what `needs` says, in the profile's order.
pub fn heat_sum_with(profile: &Profile, needs: &[Need], stage: &StageId) -> Option<f64> {
    sum_along(profile, stage, &|rank| heat_need(*needs.get(rank)?))
}

fn heat_need(need: Need) -> Option<f64> {
    match need {
        Need::DegreeDays(need) => Some(need),
        Need::Days(_) => None,
    }
}

/// What `of` says of a stage, added over it and all that it counts from.
fn sum_along(profile: &Profile, stage: &StageId, of: &dyn Fn(usize) -> Option<f64>) -> Option<f64> {
    let (mut sum, mut rank) = (0.0, profile.rank(stage)?);
    // A stage counts from an earlier one, so the chain ends; the bound is for a profile made by hand.
    for _ in 0..profile.stages.len() {
        sum += of(rank)?;
        match &profile.stages.get(rank)?.after {
            None => return Some(sum),
            Some(after) => rank = profile.rank(after)?,
        }
    }
    None
}

/// °C·day from the biofix that see every stage which counts heat, as late as a belief may have it, and the last egg hatched;
/// without end where a stage counts heat from a calendar wait.
pub(super) fn heat_needed(profile: &Profile) -> f64 {
    let of_stage = |stage: &Stage| {
        let spread = doubt_of(profile, &stage.id);
        heat_sum_of(profile, &stage.id).map_or(f64::INFINITY, |sum| sum + LATE_SDS * spread)
    };
    let heat_stages = profile.stages.iter().filter(|stage| matches!(stage.need, Need::DegreeDays(_)));
    heat_stages.map(of_stage).fold(0.0, f64::max) + profile.eggs.as_ref().map_or(0.0, |eggs| eggs.hatched_over_c)
}

/// So many standard deviations late nothing is missed that shows in a date's 90 % point.
const LATE_SDS: f64 = 3.0;

/// Standard deviation of a stage's sum from the biofix by the profile's spreads, °C·day.
fn doubt_of(profile: &Profile, stage: &StageId) -> f64 {
    let mut squares = 0.0;
    let mut stage = profile.stage(stage);
    // A stage counts from an earlier one, so the chain ends; the bound is for a profile made by hand.
    for _ in 0..profile.stages.len() {
        let Some(this) = stage else { break };
        if let Some(spread) = &this.spread {
            squares += spread.belief_c.powi(2) + spread.places_c.powi(2) + spread.years_c.powi(2);
        }
        stage = this.after.as_ref().and_then(|after| profile.stage(after));
    }
    squares.sqrt()
}

/// Sums of many small numbers: a hair below the threshold is at it.
pub(super) const HAIR: f64 = 1e-9;

pub(super) fn at_least(sum: f64, wanted: f64) -> bool {
    sum >= wanted - HAIR
}

/// Heat is a number and not negative, whatever it was made from.
pub(super) fn sane(degree_days: f64) -> f64 {
    if degree_days.is_finite() { degree_days.max(0.0) } else { 0.0 }
}
