//! The plain calendar date, with or without a slope in elevation: what a heat sum has to beat.

use std::collections::BTreeSet;

use super::observations::{ObservedInterval, SiteYear};
use super::scores::{Errors, Scores};

/// The calendar date that fits the records best.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calendar {
    /// Days from the biofix; with a slope: at sea level.
    pub day: f64,
    /// Days later per 1000 m; 0 without a slope.
    pub days_per_km: f64,
    pub scores: Scores,
}

/// A date for everyone, or one that shifts with elevation.
#[derive(Clone, Copy)]
pub(super) struct CalendarLine {
    pub(super) day: f64,
    pub(super) days_per_km: f64,
}

impl CalendarLine {
    /// The line with the least squared distances in days to what was seen. With exact dates it is the mean, or ordinary
    /// least squares. `None` without records, or for a slope without three elevations.
    pub(super) fn through(site_years: &[&SiteYear], with_slope: bool) -> Option<Self> {
        let mut points: Vec<(f64, ObservedInterval)> = Vec::new();
        for site_year in site_years {
            let km = if with_slope { site_year.elevation_m? / 1000.0 } else { 0.0 };
            points.extend(site_year.seen.iter().map(|seen| (km, *seen)));
        }
        let n = points.len() as f64;
        let elevations: BTreeSet<i64> = points.iter().map(|(km, _)| (km * 1000.0).round() as i64).collect();
        if points.is_empty() || (with_slope && elevations.len() < 3) {
            return None;
        }
        let mean_km = points.iter().map(|(km, _)| km).sum::<f64>() / n;
        let spread = points.iter().map(|(km, _)| (km - mean_km).powi(2)).sum::<f64>();
        // Each record stands for the day of its interval nearest to the line; the line then goes through those days, and
        // so on. Neither step can raise the error, and both together end at its least. An exact date needs one round.
        let middle = |seen: ObservedInterval| match (seen.after(), seen.by()) {
            (Some(after), Some(by)) => (f64::from(after) + 1.0 + f64::from(by)) / 2.0,
            (Some(after), None) => f64::from(after) + 1.0,
            (_, by) => by.map_or(0.0, f64::from),
        };
        let mut days: Vec<f64> = points.iter().map(|(_, seen)| middle(*seen)).collect();
        let mut line = Self { day: 0.0, days_per_km: 0.0 };
        for _ in 0..10_000 {
            let mean_day = days.iter().sum::<f64>() / n;
            let slope = if spread > 0.0 {
                points.iter().zip(&days).map(|((km, _), day)| (km - mean_km) * (day - mean_day)).sum::<f64>() / spread
            } else {
                0.0
            };
            line = Self { day: mean_day - slope * mean_km, days_per_km: slope };
            let mut moved = 0.0f64;
            for ((km, seen), day) in points.iter().zip(&mut days) {
                let at = line.at(*km);
                let nearest = at - seen.distance(at);
                moved = moved.max((nearest - *day).abs());
                *day = nearest;
            }
            if moved < 1e-9 {
                break;
            }
        }
        Some(line)
    }

    fn at(self, km: f64) -> f64 {
        self.day + self.days_per_km * km
    }

    pub(super) fn score(self, site_years: &[&SiteYear]) -> Scores {
        let mut errors = Errors::default();
        self.add_errors(site_years, &mut errors);
        errors.scores()
    }

    pub(super) fn add_errors(self, site_years: &[&SiteYear], errors: &mut Errors) {
        for site_year in site_years {
            let at = self.at(site_year.elevation_m.unwrap_or(0.0) / 1000.0);
            site_year.seen.iter().for_each(|seen| errors.add(seen.distance(at)));
        }
    }
}
