//! Which past season of a station can serve as a future of this one.

use chrono::NaiveDate;

use super::course::Course;
use super::heat_sum::season_heat;
use crate::heat::{DayOrigin, FilledDay};
use crate::season::days_between;
use crate::season::profile::{Need, Profile};

/// A whole past season of the same station, every day filled.
#[derive(Clone, Debug, PartialEq)]
pub struct PastYear {
    pub season: i32,
    /// The day that `degree_days[0]` belongs to: the season's biofix.
    pub first: NaiveDate,
    /// °C·day, one a day without a hole.
    pub degree_days: Vec<f64>,
}

impl PastYear {
    /// `None` when the year cannot serve as a trace: a hole, an end before the last stage came, or more than
    /// `most_climatology` (0-1) of the days until then filled with the calendar mean, which says nothing of that year.
    pub fn from_days(profile: &Profile, season: i32, days: &[FilledDay], most_climatology: f64) -> Option<Self> {
        let heat = season_heat(profile, season, days);
        let first = profile.first_day(season);
        let unbroken = heat.iter().zip(first.iter_days()).take_while(|(heat, day)| heat.day == *day).count();
        let whole = heat.get(..unbroken)?;
        let sums: Vec<f64> = whole.iter().map(|day| day.sum).collect();
        let course = Course { profile, first, sums: &sums, horizon: profile.last_day(season), seen: &[] };
        // Stages that only count days on the calendar need no temperatures.
        let needed = profile
            .stages
            .iter()
            .zip(course.run())
            .filter(|(stage, _)| matches!(stage.need, Need::DegreeDays(_)))
            .try_fold(first, |latest, (_, begin)| begin.day.map(|day| latest.max(day)))
            .unwrap_or_else(|| profile.last_day(season));
        if whole.last()?.day < needed {
            return None;
        }
        let judged = whole.get(..=usize::try_from(days_between(first, needed)).ok()?)?;
        let climatology = judged.iter().filter(|day| day.origin == DayOrigin::Climatology).count();
        let enough = climatology as f64 <= most_climatology * judged.len() as f64;
        enough.then(|| Self { season, first, degree_days: whole.iter().map(|day| day.degree_days).collect() })
    }

    pub(super) fn on(&self, day: NaiveDate) -> Option<f64> {
        let at = usize::try_from(days_between(self.first, day)).ok()?;
        self.degree_days.get(at).copied()
    }
}
