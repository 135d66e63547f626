//! The dates of past seasons by their whole records: when our heat number was reached, and the days of the window.

use std::ops::RangeInclusive;

use chrono::NaiveDate;
use serde::Serialize;

use super::lived_season::LivedSeason;
use super::past::SEASON_DAYS;
use crate::heat::hindcast::event;
use crate::heat::projection::{Dressing, PastSeason, Projector};
use crate::season::outlook::heat_sum_of;
use crate::season::{Policy, Profile, WindowDays, days_after, days_between};
use crate::weather::StationId;

/// So many past seasons are looked at: the World Meteorological Organization's normal period.
pub const NORMAL_SEASONS: i32 = 30;

/// With fewer past seasons than this nothing is called usual (own choice, no source).
pub const USUAL_SEASONS: usize = 5;

/// The seasons before this one that count as its past.
pub fn normal_period(season: i32) -> RangeInclusive<i32> {
    season.saturating_sub(NORMAL_SEASONS)..=season.saturating_sub(1)
}

/// A past season and the day on which our heat number opened the window; `None`: never.
pub type Opening = (i32, Option<NaiveDate>);

/// The openings of those of the past seasons that are `wanted`, in their order. Empty for a profile whose window no heat sum
/// opens.
pub fn openings(profile: &Profile, past: &[PastSeason], wanted: RangeInclusive<i32>) -> Vec<Opening> {
    let Some(target) = heat_sum_of(profile, &profile.window.opens) else { return Vec::new() };
    let wanted: Vec<PastSeason> = past.iter().filter(|past| wanted.contains(&past.season)).cloned().collect();
    let projector = Projector::new(profile.heat, SEASON_DAYS, &wanted);
    let of = |season| (season, event(&projector, season, target).map(|(_, day)| day));
    projector.seasons().map(of).collect()
}

/// When a window opens in a usual year.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Usual {
    /// The median of the past, set into the season asked for; a season in which the window never opened counts as later than
    /// all others.
    pub opens: NaiveDate,
    /// Seasons that it is the median of.
    pub seasons: u32,
}

/// `None` with fewer than [`USUAL_SEASONS`], or where the window opens in less than half of them.
pub fn usual(profile: &Profile, season: i32, openings: &[Opening]) -> Option<Usual> {
    let days_in = |(of, day): &Opening| day.map_or(i64::MAX, |day| days_between(profile.first_day(*of), day));
    let days = median(openings.iter().map(days_in).collect()).filter(|days| *days < i64::MAX)?;
    let opens = days_after(profile.first_day(season), u32::try_from(days).ok()?);
    (openings.len() >= USUAL_SEASONS).then_some(Usual { opens, seasons: openings.len() as u32 })
}

/// The lower of the two in the middle where there is no middle one: a day that was.
pub fn median<T: Ord + Copy>(mut values: Vec<T>) -> Option<T> {
    values.sort_unstable();
    values.get(values.len().saturating_sub(1) / 2).copied()
}

/// The days of one past season's window.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct PastDays {
    pub season: i32,
    /// The day of our heat number.
    pub opened: NaiveDate,
    /// By the whole season's record, with what the profile believes before any report.
    pub days: WindowDays,
}

/// The days of the windows of those past seasons that are `wanted` and in which the window opened.
pub fn past_days(
    profile: &Profile,
    policy: &Policy,
    past: &[PastSeason],
    wanted: RangeInclusive<i32>,
    station: &StationId,
) -> Vec<PastDays> {
    let projector = Projector::new(profile.heat, SEASON_DAYS, past);
    let opened = openings(profile, past, wanted).into_iter();
    let of = |(season, opened): Opening| {
        let lived = LivedSeason::of(profile, &projector, season, &Dressing::default(), station)?;
        let (opened, belief) = (opened?, lived.belief(profile));
        let days = lived.days_by_record(profile, &belief, policy, opened)?;
        Some(PastDays { season, opened, days })
    };
    opened.filter_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usual_day_is_a_median_that_counts_seasons_without_a_window_as_late() {
        let profile = Profile::pinyon_needle_scale();
        let day = |year, month, day| NaiveDate::from_ymd_opt(year, month, day);
        let of = |openings: &[Opening]| usual(&profile, 2026, openings).map(|usual| usual.opens);
        let five = [
            (2001, day(2001, 3, 20)),
            (2002, day(2002, 3, 10)),
            (2003, None),
            (2004, day(2004, 3, 15)),
            (2005, day(2005, 3, 30)),
        ];
        assert_eq!(of(&five), day(2026, 3, 20));
        assert_eq!(of(&five[..4]), None, "too few");
        assert_eq!(of(&[(1, None), (2, None), (3, None), (4, day(4, 3, 1)), (5, day(5, 3, 1))]), None);
        assert_eq!(median(vec![4, 1, 3, 2]), Some(2));
        assert_eq!(median(Vec::<i64>::new()), None);
    }
}
