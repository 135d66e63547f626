//! Another station's temperatures made to fit, where a station has few or no past seasons of its own.

use chrono::{Datelike, NaiveDate};

use super::projector::PastSeason;
use crate::heat::DayTemperatures;

/// What makes the other station fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BorrowedBy {
    /// The mean difference of the days that both have, by time of year where there are enough.
    CommonDays(u32),
    /// The difference in elevation only: a guess, to be shown as such.
    Elevation,
}

/// How another station's temperatures are made to fit this one.
#[derive(Clone, Debug, PartialEq)]
pub struct StationFit {
    /// To be added to minimum and maximum, °C, by day of the year.
    by_ordinal: Vec<[f64; 2]>,
    pub by: BorrowedBy,
}

impl StationFit {
    /// From seasons of both, whole or in pieces: a day counts where both have numbers. `lapse_c` is what elevation alone
    /// says must be added to the other's temperatures.
    pub fn between(own: &[PastSeason], other: &[PastSeason], lapse_c: f64) -> Self {
        /// Days about a calendar day that speak for it, to each side, and how many there must be. These three numbers are
        /// common practice, no source.
        const WINDOW_DAYS: i64 = 30;
        const WINDOW_NEEDED: usize = 20;
        /// Fewer common days in all say less than the elevation.
        const COMMON_NEEDED: usize = 30;

        // By day of the year: sum of the differences and how many.
        let mut common = vec![([0.0; 2], 0usize); 367];
        for own in own {
            let Some(other) = other.iter().find(|other| other.season == own.season) else { continue };
            for (day, own) in own.first.iter_days().zip(&own.days) {
                let at = usize::try_from((day - other.first).num_days()).ok();
                if let Some(other) = at.and_then(|at| other.days.get(at)) {
                    let off = [own.min_c - other.min_c, own.max_c - other.max_c];
                    if off.iter().all(|off| off.is_finite())
                        && let Some((sum, days)) = common.get_mut(day.ordinal() as usize)
                    {
                        *sum = [sum[0] + off[0], sum[1] + off[1]];
                        *days += 1;
                    }
                }
            }
        }
        let mean = |near: &dyn Fn(i64) -> bool| {
            let mut days_near = (0..).zip(&common).filter(|(ordinal, _)| near(*ordinal)).map(|(_, of_day)| of_day);
            let (sum, days) = days_near.by_ref().fold(([0.0; 2], 0), |(all, n): ([f64; 2], usize), (sum, days)| {
                ([all[0] + sum[0], all[1] + sum[1]], n + days)
            });
            (sum.map(|sum| sum / days.max(1) as f64), days)
        };
        let (overall, days) = mean(&|_| true);
        if days < COMMON_NEEDED {
            return Self { by_ordinal: vec![[lapse_c; 2]; 367], by: BorrowedBy::Elevation };
        }
        let around = |ordinal: i64| {
            let (here, days) = mean(&|other| {
                let apart = (ordinal - other).abs();
                apart.min(366 - apart) <= WINDOW_DAYS
            });
            if days >= WINDOW_NEEDED { here } else { overall }
        };
        Self { by_ordinal: (0..=366).map(around).collect(), by: BorrowedBy::CommonDays(days as u32) }
    }

    /// A season of the other station as it would have been at this one.
    pub fn fitted(&self, other: &PastSeason) -> PastSeason {
        let fit = |(day, of_day): (NaiveDate, &DayTemperatures)| {
            let [min, max] = self.by_ordinal.get(day.ordinal() as usize).copied().unwrap_or_default();
            let (a, b) = (of_day.min_c + min, of_day.max_c + max);
            DayTemperatures { min_c: a.min(b), max_c: a.max(b) }
        };
        PastSeason {
            season: other.season,
            first: other.first,
            days: other.first.iter_days().zip(&other.days).map(fit).collect(),
        }
    }
}
