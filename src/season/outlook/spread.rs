//! Many dates for a stage, and the spread that stands for them.

use chrono::NaiveDate;

use super::ensemble::Ensemble;
use crate::heat::projection::DRESSED;
use crate::heat::scores::{Points, points};
use crate::season::{DateSpread, days_between};

/// A member's date, or the dates it becomes under the verified errors; never before the future begins.
pub(super) fn dressed(day: NaiveDate, ensemble: &Ensemble) -> Vec<NaiveDate> {
    let lead = days_between(ensemble.first, day) + 1;
    let Some(errors) = ensemble.dressing.errors_at(u32::try_from(lead).unwrap_or(0)) else {
        // No errors known: the date counts as often as a dressed one would.
        let times = if ensemble.dressing.0.is_empty() { 1 } else { DRESSED };
        return vec![day; times];
    };
    errors
        .iter()
        .map(|error| {
            let days = error.round().clamp(-400.0, 400.0) as i64;
            let moved = day.checked_add_signed(chrono::Duration::days(days)).unwrap_or(day);
            moved.max(ensemble.first.min(day))
        })
        .collect()
}

/// The 10, 50 and 90 % points, those not reached ranked last.
pub(super) fn spread(dates: &[NaiveDate], not_reached: u32) -> DateSpread {
    let Points { early, median, late } = points(dates, not_reached);
    DateSpread { early, median, late }
}
