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
mod insect;
mod lines;
mod mixture;
mod past_year;
mod skill;
mod spread;
mod to_date;
mod types;
mod wash;

use std::borrow::Cow;
use std::collections::BTreeSet;

use chrono::NaiveDate;

use self::course::{Course, first_seen};
use self::lines::Lines;
use self::mixture::Futures;
use self::spread::spread;
use self::to_date::HeatToDate;
use self::wash::EggCurve;
use super::belief::SeasonBelief;
use super::profile::Profile;
use super::{FieldReport, Policy, SeasonKey, days_between};
use crate::id::StationId;

pub use self::ensemble::{Ensemble, projected_ensemble};
pub use self::heat_sum::{heat_sum_of, heat_sum_with, season_heat};
pub use self::insect::Insect;
pub use self::past_year::is_whole_past_season;
pub use self::skill::{ForecastSkill, StageSkill};
pub use self::types::{
    Borrowed, DateSpread, ForecastFit, HeatDay, LearnedNote, Outlook, PastScore, Reached, ReachedBy, RecordTrust,
    StageOutlook, StageParts,
};
pub use self::wash::{DaySpan, SecondWash, WashFigures, WashShare};
pub use crate::heat::projection::{Dressing, Traces};

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
    make_of(input, &Insect::of(input.profile, input.belief))
}

/// The same; `insect` is that of the input's profile and belief, worked out once for many days.
pub fn make_of(input: &OutlookInput<'_>, insect: &Insect) -> Outlook {
    made(input, insect, For::People)
}

/// The same without what only people read and no rule asks for: whose doubt a spread is, how good projections were, what a
/// second wash would add.
pub fn make_to_decide(input: &OutlookInput<'_>, insect: &Insect) -> Outlook {
    made(input, insect, For::Rules)
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum For {
    People,
    Rules,
}

fn made(input: &OutlookInput<'_>, insect: &Insect, whom: For) -> Outlook {
    let OutlookInput { season, profile, today, ensemble, .. } = *input;
    let to_date = HeatToDate::of(input);
    let seen = first_seen(input);
    let horizon = today.min(profile.last_day(season.year));
    let needs = input.belief.central();
    let course = Course { profile, needs, first: to_date.first, sums: &to_date.sums, horizon, seen: &seen };
    let begins = course.run();

    let lines = Lines::of(input, &to_date);
    let trace_years: BTreeSet<i32> = lines.seasons().iter().copied().collect();
    let all_futures = Futures { lines: &lines, draws: insect.draws(), seen: &seen };
    let mixed =
        (!input.belief.is_certain() && lines.lanes() > 0).then(|| mixture::dates(profile, &to_date, &all_futures));
    // By our numbers alone. Where they are mixed with what is believed, only people ask for it.
    let alone = (mixed.is_none() || whom == For::People).then(|| {
        let draws = [needs.to_vec()];
        mixture::dates(profile, &to_date, &Futures { draws: &draws, ..all_futures })
    });
    let dates_of = |rank: usize| {
        let dates = alone.as_ref().and_then(|stages| stages.get(rank));
        dates.map_or_else(|| (Vec::new(), 0), |dates| dates.all(ensemble))
    };

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
                let (alone, never) = dates_of(rank);
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
                let (dates, not_reached) = dates_of(rank);
                let spread = spread(&dates, not_reached);
                let past = past_of(spread);
                StageOutlook { stage, at_sum, reached: None, spread, dates, not_reached, past, parts: None }
            }
        });
    }
    let wash = profile.eggs.as_ref().and_then(|eggs| {
        let curve = if seen.iter().all(Option::is_none) {
            Cow::Borrowed(insect.eggs()?)
        } else {
            let seen_sums: Vec<Option<f64>> = seen.iter().map(|day| to_date.sum_on((*day)?)).collect();
            Cow::Owned(EggCurve::of(profile, eggs, insect.draws(), &seen_sums)?)
        };
        let mut wash = wash::wash_share(&curve, &lines, ensemble)?;
        if whom == For::People {
            wash.second = wash::second_wash(&wash, &curve, eggs, input.policy, &lines);
        }
        Some(wash)
    });

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

#[cfg(test)]
mod tests;
