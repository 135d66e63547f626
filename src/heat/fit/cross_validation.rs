//! Each year and each site left out in turn: how a fit holds on records that it has not seen.

use super::FitError;
use super::calendar::CalendarLine;
use super::folds::LeftOut;
use super::observations::SiteYear;
use super::scores::{Errors, Scores};
use super::search::{Candidate, Search, SumRange};
use super::sums::{predictions, running_sums};

/// One turn: fitted without, tried on what was left out.
#[derive(Clone, Debug, PartialEq)]
pub struct Fold {
    pub left_out: LeftOut,
    pub lower_c: f64,
    pub sum: SumRange,
    pub scores: Scores,
}

/// Errors on records that the fit had not seen, with those of plain calendar dates beside them.
#[derive(Clone, Debug, PartialEq)]
pub struct CrossValidation {
    pub scores: Scores,
    pub calendar: Scores,
    /// The calendar date with a slope in elevation, where the records that are left have three elevations or more.
    pub calendar_with_slope: Option<Scores>,
    pub folds: Vec<Fold>,
}

impl CrossValidation {
    /// 1 - RMSE / RMSE of the calendar date (with its slope, where that is the better one); above 0: the heat sum is of
    /// use. `None` where the calendar makes no error.
    pub fn skill(&self) -> Option<f64> {
        let null = self
            .calendar_with_slope
            .map_or(self.calendar.rmse_days, |slope| slope.rmse_days.min(self.calendar.rmse_days));
        (null > 0.0).then(|| 1.0 - self.scores.rmse_days / null)
    }
}

pub(super) fn cross_validate(
    site_years: &[SiteYear],
    search: &Search,
    folds: &[(usize, &LeftOut)],
    best: &[Option<Candidate>],
) -> Result<CrossValidation, FitError> {
    let (mut errors, mut calendar) = (Errors::default(), Errors::default());
    let mut with_slope = Some(Errors::default());
    let mut turns = Vec::with_capacity(folds.len());
    for (nth, left_out) in folds {
        let Some(chosen) = best.get(*nth).copied().flatten() else { continue };
        let (out, kept): (Vec<&SiteYear>, Vec<&SiteYear>) = site_years.iter().partition(|of| left_out.holds(of));
        let rule = search.rule(chosen.lower_c)?;
        let mut own = Errors::default();
        for site_year in &out {
            let sums = running_sums(&rule, &site_year.days);
            let predicted = predictions(&[sums], chosen.sum.plain()).next().flatten();
            own.predicted(site_year, predicted);
            errors.predicted(site_year, predicted);
        }
        if let Some(line) = CalendarLine::through(&kept, false) {
            line.add_errors(&out, &mut calendar);
        }
        // Either every fold has a slope, or the scores would not be of the same records.
        with_slope = match (with_slope, CalendarLine::through(&kept, true)) {
            (Some(mut errors), Some(line)) if out.iter().all(|of| of.elevation_m.is_some()) => {
                line.add_errors(&out, &mut errors);
                Some(errors)
            }
            _ => None,
        };
        turns.push(Fold {
            left_out: (*left_out).clone(),
            lower_c: chosen.lower_c,
            sum: chosen.sum,
            scores: own.scores(),
        });
    }
    Ok(CrossValidation {
        scores: errors.scores(),
        calendar: calendar.scores(),
        calendar_with_slope: with_slope.map(|errors| errors.scores()),
        folds: turns,
    })
}
