//! Where a region's season stands and when each stage still to come is likely: heat to date, then many futures.
//!
//! ```text
//! filled days ─season_heat─> heat to date ─┐
//! past years (and a forecast) ─> Ensemble ─┴─make─> Outlook
//! ```
//!
//! [`make`] does not care how an [`Ensemble`] came about: [`projected_ensemble`] gives the one that verifies best.

mod course;
mod ensemble;
mod heat_sum;
mod mixture;
mod past_year;
mod skill;
mod spread;
mod to_date;
mod types;
mod wash;

use std::collections::BTreeSet;

use chrono::NaiveDate;

use self::course::{Begin, Course, first_seen};
use self::mixture::Futures;
use self::spread::{dressed, spread};
use self::to_date::HeatToDate;
use super::belief::SeasonBelief;
use super::profile::Profile;
use super::{FieldReport, Policy, SeasonKey, days_between};
use crate::heat::projection::DRESSED;
use crate::id::StationId;

pub use self::ensemble::{Ensemble, Member, projected_ensemble};
pub use self::heat_sum::{heat_sum_of, heat_sum_with, season_heat};
pub use self::past_year::is_whole_past_season;
pub use self::skill::{ForecastSkill, StageSkill};
pub use self::types::{
    Borrowed, DateSpread, ForecastFit, HeatDay, LearnedNote, Outlook, PastScore, Reached, ReachedBy, RecordTrust,
    StageOutlook, StageParts,
};
pub use self::wash::{DaySpan, SecondWash, WashShare};
pub use crate::heat::projection::Dressing;

/// All that an outlook is made of.
#[derive(Clone, Debug)]
pub struct OutlookInput<'a> {
    pub season: &'a SeasonKey,
    pub profile: &'a Profile,
    /// What is believed of the heat that each stage needs, here and this season.
    pub belief: &'a SeasonBelief,
    pub policy: &'a Policy,
    /// Primary station.
    pub station: &'a StationId,
    /// The region's local day.
    pub today: NaiveDate,
    /// From [`season_heat`]; forecast days and days after today are left out.
    pub heat: &'a [HeatDay],
    pub ensemble: &'a Ensemble,
    /// Of any region and season. A confirmed sight of a stage before the model has it moves the stage to that day,
    /// and the stages that count from it with it.
    pub reports: &'a [FieldReport],
    /// Whose past years stand in, if not the station's own.
    pub borrowed: Option<&'a Borrowed>,
    /// How the forecast was made to fit; left out where the ensemble has no forecast days.
    pub forecast_fit: Option<ForecastFit>,
    /// How good projections have been at the station.
    pub skill: &'a ForecastSkill,
}

/// Makes the outlook of a region for a day.
pub fn make(input: &OutlookInput<'_>) -> Outlook {
    let OutlookInput { season, profile, today, ensemble, .. } = *input;
    let to_date = HeatToDate::of(input);
    let seen = first_seen(input);
    let horizon = today.min(profile.last_day(season.year));
    let needs = input.belief.central();
    let course = Course { profile, needs, first: to_date.first, sums: &to_date.sums, horizon, seen: &seen };
    let begins = course.run();

    let members: Vec<&Member> = ensemble.members.iter().filter(|member| member.year != season.year).collect();
    let trace_years: BTreeSet<i32> = members.iter().map(|member| member.year).collect();
    let lines = mixture::lines(input, &to_date, &members);
    let end = profile.last_day(season.year);
    let future = |sums| Course { profile, needs, first: to_date.first, sums, horizon: end, seen: &seen }.run();
    let futures: Vec<Vec<Begin>> = lines.iter().map(|line| future(&line.0)).collect();
    let draws = input.belief.draws();
    let all_futures = Futures { lines: &lines, draws: &draws, seen: &seen, ensemble };
    let mixed =
        (!input.belief.is_certain() && !lines.is_empty()).then(|| mixture::dates(input, &to_date, &all_futures));

    let mut stages = Vec::with_capacity(profile.stages.len());
    for (rank, (stage, begin)) in profile.stages.iter().zip(&begins).enumerate() {
        let (stage, at_sum) = (stage.id.clone(), begin.at_sum);
        let real = to_date.is_real(input, &begins, rank);
        let reached = begin.reached().map(|(on, by)| Reached { on, on_real_days: real, by });
        let from = to_date.last_day.unwrap_or(today);
        let past_of = |spread: DateSpread| {
            spread.median.and_then(|median| input.skill.nearest(&stage, days_between(from, median)))
        };
        let seen = reached.filter(|reached| reached.by == ReachedBy::FieldReport);
        let of_mixture = mixed.as_ref().and_then(|stages| stages.get(rank)).filter(|_| seen.is_none());
        stages.push(match (reached, of_mixture) {
            (_, Some(mixed)) => {
                let (dates, not_reached) = mixed.told(ensemble);
                let (alone, never) = dates_of(futures.iter().map(|future| future.get(rank)), ensemble);
                let (spread, weather) = (spread(&dates, not_reached), spread(&alone, never));
                // The record is that of our number.
                let past = past_of(weather).filter(|_| reached.is_none());
                StageOutlook { at_sum, reached, spread, parts: mixed.parts(weather), dates, not_reached, past, stage }
            }
            (Some(reached), None) => {
                let on = Some(reached.on);
                let spread = DateSpread { early: on, median: on, late: on };
                let (dates, not_reached, past, parts) = (Vec::new(), 0, None, None);
                StageOutlook { stage, at_sum, reached: Some(reached), spread, dates, not_reached, past, parts }
            }
            (None, None) => {
                let (dates, not_reached) = dates_of(futures.iter().map(|future| future.get(rank)), ensemble);
                let spread = spread(&dates, not_reached);
                let past = past_of(spread);
                StageOutlook { stage, at_sum, reached: None, spread, dates, not_reached, past, parts: None }
            }
        });
    }
    let wash =
        profile.eggs.as_ref().and_then(|eggs| wash::wash_share(profile, eggs, input.policy, &to_date, &all_futures));

    Outlook {
        season: season.clone(),
        today,
        last_day: to_date.last_day,
        newest_real_day: to_date.newest_real_day,
        heat_sum: to_date.sums.last().copied().unwrap_or(0.0),
        observed_sum: to_date.observed_sums.last().copied().unwrap_or(0.0),
        current_stage: stages.iter().rev().find(|stage| stage.reached.is_some()).map(|stage| stage.stage.clone()),
        stages,
        filled_days: to_date.filled_days,
        trust: to_date.trust(input, trace_years.len() as u32),
        trace_years: trace_years.into_iter().collect(),
        forecast_days: ensemble.forecast_days,
        forecast_fit: input.forecast_fit.filter(|_| ensemble.forecast_days > 0),
        station: input.station.clone(),
        borrowed: input.borrowed.cloned(),
        profile_version: profile.version,
        wash,
        learned: None,
    }
}

/// The sorted days on which futures come to a stage, dressed if the ensemble is, and how many never do.
fn dates_of<'a>(begins: impl Iterator<Item = Option<&'a Begin>>, ensemble: &Ensemble) -> (Vec<NaiveDate>, u32) {
    let (mut dates, mut not_reached) = (Vec::new(), 0);
    for begin in begins {
        match begin.and_then(|begin| begin.day) {
            Some(day) => dates.extend(dressed(day, ensemble)),
            None => not_reached += if ensemble.dressing.0.is_empty() { 1 } else { DRESSED as u32 },
        }
    }
    dates.sort();
    (dates, not_reached)
}

#[cfg(test)]
mod tests;
