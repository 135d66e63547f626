//! Where a region's season stands and when each stage still to come is likely: heat to date, then many futures.
//!
//! ```text
//! filled days ─season_heat─> heat to date ─┐
//! past years (and a forecast) ─> Ensemble ─┴─make─> Outlook
//! ```
//!
//! [`make`] does not care how an [`Ensemble`] came about: [`projected_ensemble`] gives the one that verifies best,
//! [`past_years_ensemble`] the plain one.

mod course;
mod ensemble;
mod heat_sum;
mod past_year;
mod record;
mod spread;
mod types;

use std::collections::BTreeSet;

use chrono::NaiveDate;

use self::course::{Begin, Course, first_seen};
use self::record::Record;
use self::spread::{dressed, spread};
use super::profile::Profile;
use super::{FieldReport, Policy, SeasonKey};
use crate::heat::projection::DRESSED;

pub use self::ensemble::{Ensemble, Member, past_years_ensemble, projected_ensemble};
pub use self::heat_sum::{heat_sum_of, season_heat};
pub use self::past_year::PastYear;
pub use self::types::{
    Borrowed, DateSpread, ForecastFit, HeatDay, Outlook, PastScore, Reached, ReachedBy, RecordTrust, StageOutlook,
};
pub use crate::heat::projection::Dressing;

/// All that an outlook is made of.
#[derive(Clone, Debug)]
pub struct OutlookInput<'a> {
    pub season: &'a SeasonKey,
    pub profile: &'a Profile,
    pub policy: &'a Policy,
    /// Primary station.
    pub station: &'a str,
    /// The region's local day.
    pub today: NaiveDate,
    /// From [`season_heat`]; forecast days and days after today are left out.
    pub heat: &'a [HeatDay],
    pub ensemble: &'a Ensemble,
    /// Of any region and season. A confirmed sight of a stage before the model has it moves the stage to that day,
    /// and the stages that count from it with it.
    pub reports: &'a [FieldReport],
}

/// Makes the outlook of a region for a day.
pub fn make(input: &OutlookInput<'_>) -> Outlook {
    let OutlookInput { season, profile, policy, today, ensemble, .. } = *input;
    let record = Record::of(input);
    let seen = first_seen(input);
    let horizon = today.min(profile.last_day(season.year));
    let course = Course { profile, first: record.first, sums: &record.sums, horizon, seen: &seen };
    let begins = course.run();

    let members: Vec<&Member> = ensemble.members.iter().filter(|member| member.year != season.year).collect();
    let futures: Vec<Vec<Begin>> = members.iter().map(|member| record.future(input, &seen, member)).collect();
    let trace_years: BTreeSet<i32> = members.iter().map(|member| member.year).collect();

    let stages = profile
        .stages
        .iter()
        .zip(&begins)
        .enumerate()
        .map(|(rank, (stage, begin))| {
            let reached =
                begin.day.map(|on| Reached { on, on_real_days: record.is_real(input, &begins, rank), by: begin.by });
            let (mut dates, mut not_reached) = (Vec::new(), 0);
            if reached.is_none() {
                for future in &futures {
                    match future.get(rank).and_then(|begin| begin.day) {
                        Some(day) => dates.extend(dressed(day, ensemble)),
                        None => not_reached += if ensemble.dressing.0.is_empty() { 1 } else { DRESSED as u32 },
                    }
                }
                dates.sort();
            }
            let spread = match reached {
                Some(Reached { on, .. }) => DateSpread { early: Some(on), median: Some(on), late: Some(on) },
                None => spread(&dates, not_reached),
            };
            StageOutlook {
                stage: stage.id.clone(),
                at_sum: begin.at_sum,
                reached,
                spread,
                dates,
                not_reached,
                past: None,
            }
        })
        .collect::<Vec<_>>();

    Outlook {
        season: season.clone(),
        today,
        last_day: record.last_day,
        newest_real_day: record.newest_real_day,
        heat_sum: record.sums.last().copied().unwrap_or(0.0),
        observed_sum: record.observed_sums.last().copied().unwrap_or(0.0),
        current_stage: stages.iter().rev().find(|stage| stage.reached.is_some()).map(|stage| stage.stage.clone()),
        stages,
        filled_days: record.filled_days,
        trust: record.trust(policy, today, trace_years.len() as u32),
        trace_years: trace_years.into_iter().collect(),
        forecast_days: ensemble.forecast_days,
        forecast_fit: None,
        station: input.station.to_owned(),
        borrowed: None,
    }
}

#[cfg(test)]
mod tests;
