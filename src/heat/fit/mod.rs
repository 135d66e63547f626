//! Lower threshold and heat sum fitted to dated observations, by exhaustion.
//!
//! For a threshold, the predicted day of every site-year is a staircase in the required sum, so the error changes only at
//! sums that some site-year really had on some evening. Those are sorted and walked through once: the best sum is found
//! exactly, as a range of sums that all predict alike. Done for each threshold of a grid, this gives the whole profile of
//! errors and its least; there is no optimiser that could stop beside it. Error in days as the thing to be least:
//! Snyder, Spano, Cesaraccio & Duce 1999, Int. J. Biometeorol. 42:177-182.
//!
//! Days are counted from the biofix, which is day 0. A sum that is never reached counts as predicted for
//! [`NEVER_DAY`]: it is an error, and a large one, never a gap.

mod calendar;
mod cross_validation;
mod folds;
mod observations;
mod scores;
mod search;
mod sums;

use calendar::CalendarLine;
use cross_validation::cross_validate;
use folds::{FoldKind, Folds};
use observations::check;
use scores::score_predictions;
use search::{Candidate, Season, Sweep};
use sums::predictions;

use super::HeatRuleError;

pub use calendar::Calendar;
pub use cross_validation::{CrossValidation, Fold};
pub use folds::LeftOut;
pub use observations::{ObservedInterval, SiteYear, bounds};
pub use scores::Scores;
pub use search::{ErrorPoint, Search, SumRange, best_sum, grid, predicted_by};

/// The day, two years after the biofix, that a prediction "never within the series" is scored as.
pub const NEVER_DAY: i32 = 730;

/// Fewer records than this that bound the event from one side determine nothing.
pub const LEAST_RECORDS: usize = 3;

/// Sums nearer than this (°C·day) are the same sum, differing by rounding only.
const SAME_SUM: f64 = 1e-9;

/// All that came of a search.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    pub best: ErrorPoint,
    /// The predicted day of each site-year, `None` where the sum is not reached.
    pub predicted: Vec<Option<i32>>,
    /// One point a threshold, ascending.
    pub valley: Vec<ErrorPoint>,
    /// With two years or more.
    pub without_year: Option<CrossValidation>,
    /// With two sites or more.
    pub without_site: Option<CrossValidation>,
    pub calendar: Calendar,
    /// With three elevations or more.
    pub calendar_with_slope: Option<Calendar>,
    /// The least RMSE that any model can reach which gives one whole day to a site-year: the spread of the records there.
    pub floor_rmse_days: f64,
}

/// Thresholds that the records cannot tell apart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flat {
    pub from_c: f64,
    pub to_c: f64,
    /// How much worse than the best still counts as alike, days of RMSE.
    pub tolerance_days: f64,
    /// The lowest or highest threshold tried is among them: the range may be wider still.
    pub open: bool,
}

impl Fit {
    /// The lowest and the highest threshold whose RMSE is within a share of the least, or within 0.1 day if that is
    /// more.
    pub fn flat(&self, share: f64) -> Flat {
        let least = self.best.scores.rmse_days;
        let tolerance_days = (least * share).max(0.1);
        let within = |point: &&ErrorPoint| point.scores.rmse_days <= least + tolerance_days;
        let first = self.valley.iter().find(within).unwrap_or(&self.best);
        let last = self.valley.iter().rev().find(within).unwrap_or(&self.best);
        let at_edge = |edge: Option<&ErrorPoint>, point: &ErrorPoint| {
            self.valley.len() > 1 && edge.is_some_and(|edge| edge.lower_c == point.lower_c)
        };
        let open = at_edge(self.valley.first(), first) || at_edge(self.valley.last(), last);
        Flat { from_c: first.lower_c, to_c: last.lower_c, tolerance_days, open }
    }

    /// The lowest and the highest threshold with exactly the least error.
    pub fn ties(&self) -> (f64, f64) {
        let mut tied = self.valley.iter().filter(|point| point.scores.rmse_days == self.best.scores.rmse_days);
        let first = tied.next().map_or(self.best.lower_c, |point| point.lower_c);
        (first, tied.next_back().map_or(first, |point| point.lower_c))
    }
}

#[derive(Debug, thiserror::Error, PartialEq)]
pub enum FitError {
    #[error(
        "thresholds from {from_c} to {to_c} °C in steps of {step_c} are not a grid: from the lower to the higher, a step above 0, at most 100,000"
    )]
    Grid { from_c: f64, to_c: f64, step_c: f64 },
    #[error("no lower threshold to try")]
    NoThreshold,
    #[error("{records} record{} cannot be fitted: at least {LEAST_RECORDS} are wanted", if *.records == 1 { "" } else { "s" })]
    TooFew { records: usize },
    /// All records, but for fewer than three, say only that the event had come by a day: any small sum fits.
    #[error(
        "{bounding} of {records} records say when the event had not come yet, at least {LEAST_RECORDS} are wanted: the sum is not bounded from below"
    )]
    NotBoundedBelow { bounding: usize, records: usize },
    /// All records, but for fewer than three, say only that the event had not come yet: any large sum fits.
    #[error(
        "{bounding} of {records} records say when the event had come, at least {LEAST_RECORDS} are wanted: the sum is not bounded from above"
    )]
    NotBoundedAbove { bounding: usize, records: usize },
    #[error("day {day} of {site} {year} lies outside its weather, days 0 to {last}")]
    OutsideWeather { site: String, year: i32, day: i32, last: i32 },
    #[error("{site} {year} has {days} days, at most {NEVER_DAY} are a season")]
    TooLong { site: String, year: i32, days: usize },
    #[error(transparent)]
    Rule(#[from] HeatRuleError),
}

/// Finds the threshold and the sums with the least RMSE in days, and how they hold on records left out.
///
/// `progress` hears after each threshold how many are done.
///
/// # Errors
/// See [`FitError`]; nothing is fitted to records that bound the sum on one side only.
pub fn fit(site_years: &[SiteYear], search: &Search, progress: &mut dyn FnMut(usize)) -> Result<Fit, FitError> {
    check(site_years)?;
    let folds = Folds::of(site_years);
    let seasons: Vec<Season> = site_years.iter().map(Season::of).collect();
    let mut sweep = Sweep::default();
    let mut best: Vec<Option<Candidate>> = vec![None; folds.count()];
    let mut valley = Vec::with_capacity(search.lowers_c.len());
    for (done, lower_c) in search.lowers_c.iter().enumerate() {
        let rule = search.rule(*lower_c)?;
        sweep.run(&seasons, &rule, &folds);
        for (best, track) in best.iter_mut().zip(&sweep.tracks) {
            let candidate = Candidate {
                cost: track.cost,
                off: (lower_c - search.prefer_c).abs(),
                lower_c: *lower_c,
                sum: track.best,
            };
            if best.is_none_or(|best| candidate.beats(&best)) {
                *best = Some(candidate);
            }
        }
        if let Some(track) = sweep.tracks.first() {
            let predicted = predictions(&sweep.sums, track.best.plain());
            let scores = score_predictions(site_years.iter().zip(predicted));
            valley.push(ErrorPoint { lower_c: *lower_c, sum: track.best, scores });
        }
        progress(done + 1);
    }

    let chosen = best.first().copied().flatten().ok_or(FitError::NoThreshold)?;
    let best_point =
        valley.iter().find(|point| point.lower_c == chosen.lower_c).copied().ok_or(FitError::NoThreshold)?;
    let predicted = predicted_by(site_years, &search.rule(chosen.lower_c)?, chosen.sum.plain());
    let without = |kind: FoldKind| folds.of_kind(kind).map(|list| cross_validate(site_years, search, &list, &best));
    let floor: i64 = seasons.iter().filter_map(|season| season.cost.get(season.early)).sum();
    let records: usize = site_years.iter().map(|site_year| site_year.seen.len()).sum();
    let everything: Vec<&SiteYear> = site_years.iter().collect();
    let calendar = |with_slope| {
        let line = CalendarLine::through(&everything, with_slope)?;
        let scores = line.score(&everything);
        Some(Calendar { day: line.day, days_per_km: line.days_per_km, scores })
    };
    Ok(Fit {
        best: best_point,
        predicted,
        valley,
        without_year: without(FoldKind::Year).transpose()?,
        without_site: without(FoldKind::Site).transpose()?,
        calendar: calendar(false).ok_or(FitError::TooFew { records })?,
        calendar_with_slope: calendar(true),
        floor_rmse_days: (floor as f64 / records as f64).sqrt(),
    })
}

#[cfg(test)]
mod tests;
