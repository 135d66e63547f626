//! Which past season of a station can serve as a future of this one.

use super::course::Course;
use super::heat_sum::season_heat;
use crate::heat::{DayOrigin, FilledDay};
use crate::season::HeatDay;
use crate::season::profile::{Need, Profile};

/// Whether a past season of the same station can be a future of another: not so with a hole, an end before the last stage
/// came, or more than `most_climatology` (0-1) of the days until then filled with the calendar mean, which says nothing
/// of that year.
pub fn is_whole_past_season(profile: &Profile, season: i32, days: &[FilledDay], most_climatology: f64) -> bool {
    let heat = season_heat(profile, season, days);
    let first = profile.first_day(season);
    let unbroken = heat.iter().zip(first.iter_days()).take_while(|(heat, day)| heat.day == *day);
    let whole: Vec<&HeatDay> = unbroken.map(|(heat, _)| heat).collect();
    let sums: Vec<f64> = whole.iter().map(|day| day.sum).collect();
    let course = Course { profile, needs: &[], first, sums: &sums, horizon: profile.last_day(season), seen: &[] };
    // Stages that only count days on the calendar need no temperatures.
    let needed = profile
        .stages
        .iter()
        .zip(course.run())
        .filter(|(stage, _)| matches!(stage.need, Need::DegreeDays(_)))
        .try_fold(first, |latest, (_, begin)| begin.day.map(|day| latest.max(day)))
        .unwrap_or_else(|| profile.last_day(season));
    if whole.last().is_none_or(|last| last.day < needed) {
        return false;
    }
    let judged: Vec<&HeatDay> = whole.into_iter().take_while(|day| day.day <= needed).collect();
    let climatology = judged.iter().filter(|day| day.origin == DayOrigin::Climatology).count();
    climatology as f64 <= most_climatology * judged.len() as f64
}
