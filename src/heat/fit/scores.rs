//! How far off predictions are, in days.

use super::NEVER_DAY;
use super::observations::SiteYear;

/// How far off predictions are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scores {
    pub rmse_days: f64,
    pub mae_days: f64,
    /// Mean error, above 0: too late.
    pub bias_days: f64,
    pub records: usize,
    /// Records whose sum was never reached: each counts as predicted for [`NEVER_DAY`].
    pub never_reached: usize,
}

pub(super) fn score_predictions<'a>(predicted: impl Iterator<Item = (&'a SiteYear, Option<i32>)>) -> Scores {
    let mut errors = Errors::default();
    for (site_year, predicted) in predicted {
        errors.predicted(site_year, predicted);
    }
    errors.scores()
}

#[derive(Default)]
pub(super) struct Errors {
    squares: f64,
    sizes: f64,
    sum: f64,
    records: usize,
    never: usize,
}

impl Errors {
    pub(super) fn add(&mut self, error: f64) {
        self.squares += error * error;
        self.sizes += error.abs();
        self.sum += error;
        self.records += 1;
    }

    pub(super) fn predicted(&mut self, site_year: &SiteYear, predicted: Option<i32>) {
        for seen in &site_year.seen {
            self.add(seen.error(predicted.unwrap_or(NEVER_DAY)) as f64);
            // A tree on which it had not come on the last look does not speak against "never".
            self.never += usize::from(predicted.is_none() && seen.by().is_some());
        }
    }

    pub(super) fn scores(&self) -> Scores {
        let n = self.records.max(1) as f64;
        Scores {
            rmse_days: (self.squares / n).sqrt(),
            mae_days: self.sizes / n,
            bias_days: self.sum / n,
            records: self.records,
            never_reached: self.never,
        }
    }
}
