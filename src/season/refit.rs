//! A profile with one stage's sum taken from a fit, and the others carried over to the new threshold.
//!
//! A sum holds only for the threshold, the method and the biofix it was set with. So a profile whose threshold changes
//! cannot keep its other sums: each is replaced by the sum that, in the very seasons of the fit, comes at the same time.

use chrono::NaiveDate;

use super::profile::{Biofix, HeatOrigins, Names, Need, Profile, Stage};
use super::{StageId, days_between};
use crate::heat::fit::{ObservedInterval, Scores, SiteYear, SumRange, best_sum};
use crate::heat::{DayTemperatures, HeatRule};

/// What every fitted number's origin begins with.
pub const FITTED: &str = "fitted from";

/// What a fit found.
#[derive(Clone, Debug, PartialEq)]
pub struct Fitted {
    pub stage: StageId,
    pub biofix: Biofix,
    pub heat: HeatRule,
    pub heat_origins: HeatOrigins,
    /// °C·day from the biofix.
    pub sum: f64,
    /// Begins with [`FITTED`].
    pub origin: String,
}

/// Temperatures of one season of the fit.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonWeather {
    pub season: i32,
    /// The first of `days`; not after the biofix, neither the old nor the new.
    pub first: NaiveDate,
    /// No day left out.
    pub days: Vec<DayTemperatures>,
}

/// A sum that was carried over, °C·day.
#[derive(Clone, Debug, PartialEq)]
pub struct Carried {
    /// As it is told: "stage eggs-hatch", or a key of the profile's file.
    pub what: String,
    /// Where it is a stage's.
    pub stage: Option<StageId>,
    pub from: f64,
    pub to: f64,
    /// How well the new sum gives the old one's dates.
    pub scores: Scores,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Refit {
    pub profile: Profile,
    pub carried: Vec<Carried>,
}

/// What [`RefitError::CannotCarry`] says behind what cannot be carried over.
pub const CANNOT_CARRY: &str = " cannot be carried over to the new threshold";

#[derive(Debug, thiserror::Error, PartialEq)]
pub enum RefitError {
    #[error("profile `{profile}` has no stage `{stage}`: it has {}", .known.join(", "))]
    UnknownStage { profile: String, stage: String, known: Vec<String> },
    #[error(
        "{what}{}: in no season of the fit do the temperatures reach it; keep the threshold of profile `{profile}`, or bring in temperatures of whole seasons",
        CANNOT_CARRY
    )]
    CannotCarry { profile: String, what: String },
}

/// Puts a fitted stage into a profile. Stages that count days, and all others where neither threshold nor method nor
/// biofix changes, stay as they are.
///
/// # Errors
/// When the profile has no such stage, or no season shows when another stage came.
pub fn refit(base: &Profile, fitted: &Fitted, seasons: &[SeasonWeather]) -> Result<Refit, RefitError> {
    if base.stage(&fitted.stage).is_none() {
        let known = base.stages.iter().map(|stage| stage.id.0.clone()).collect();
        return Err(RefitError::UnknownStage { profile: base.id.clone(), stage: fitted.stage.0.clone(), known });
    }
    let mut profile = Profile {
        biofix: fitted.biofix.clone(),
        heat: fitted.heat,
        heat_origins: fitted.heat_origins.clone(),
        ..base.clone()
    };
    let spans = egg_spans(base);
    let with_spans = Profile { stages: base.stages.iter().cloned().chain(spans.clone()).collect(), ..base.clone() };
    let courses: Vec<Course> = seasons.iter().filter_map(|season| Course::of(&with_spans, &profile, season)).collect();
    // The sum that comes at the same time as the old one, and from how many seasons that is known.
    let carry = |stage: &Stage, rank: usize| {
        let part = |course: &Course| course.part_before(base, &fitted.heat, stage, rank);
        let parts: Vec<SiteYear> = courses.iter().filter_map(part).collect();
        best_sum(&parts, &fitted.heat).map(|(sum, scores)| (SumRange::plain(sum), scores, parts.len()))
    };
    let rule_is_new = base.heat != profile.heat;
    let when = |profile: &Profile| (profile.biofix.month, profile.biofix.day, profile.biofix.year);
    let biofix_is_new = when(base) != when(&profile);
    let mut carried = Vec::new();
    for (rank, stage) in base.stages.iter().enumerate() {
        let Some(target) = profile.stages.get_mut(rank) else { continue };
        if stage.id == fitted.stage {
            target.after = None;
            target.need = Need::DegreeDays(fitted.sum);
            target.origin = fitted.origin.clone();
            continue;
        }
        let Need::DegreeDays(from) = stage.need else { continue };
        if !(rule_is_new || stage.after.is_none() && biofix_is_new) {
            continue;
        }
        let what = format!("stage {}", stage.id);
        let Some((to, scores, seasons)) = carry(stage, rank) else {
            return Err(RefitError::CannotCarry { profile: base.id.clone(), what });
        };
        target.need = Need::DegreeDays(to);
        target.origin = carried_origin(base, from, &scores, seasons, &stage.origin);
        carried.push(Carried { what, stage: Some(stage.id.clone()), from, to, scores });
    }
    if rule_is_new {
        for (span, rank) in spans.iter().zip(base.stages.len()..) {
            let (Need::DegreeDays(from), Some(eggs)) = (span.need, &mut profile.eggs) else { continue };
            let what = span.id.0.clone();
            let Some((to, scores, seasons)) = carry(span, rank) else {
                return Err(RefitError::CannotCarry { profile: base.id.clone(), what });
            };
            let origin = carried_origin(base, from, &scores, seasons, &span.origin);
            if what == HATCHED_OVER {
                (eggs.hatched_over_c, eggs.hatched_over_origin) = (to, origin);
            } else {
                (eggs.laid_over_c, eggs.laid_over_origin) = (to, origin);
            }
            carried.push(Carried { what, stage: None, from, to, scores });
        }
    }

    // Laying goes with the stage that it hangs on, and stands by itself where a fit puts that one before the window's opening.
    if profile.follow_laying().is_err()
        && let Some(eggs) = &mut profile.eggs
    {
        eggs.laid_by = None;
    }
    let counts_heat = |stage: &&Stage| matches!(stage.need, Need::DegreeDays(_));
    let is_fitted = |stage: &Stage| stage.origin.starts_with(FITTED);
    if profile.stages.iter().filter(counts_heat).all(is_fitted) {
        profile.provisional = false;
        profile.note = "All heat sums are fitted to dated observations; see the origin of each number.".into();
    } else if !profile.note.contains("See the origin of each number") {
        profile.note = format!(
            "{} Stage {} is fitted to dated observations since; the others are not. See the origin of each number.",
            profile.note, fitted.stage
        )
        .trim()
        .to_owned();
    }
    Ok(Refit { profile, carried })
}

const LAID_OVER: &str = "eggs.laid_over_c";
const HATCHED_OVER: &str = "eggs.hatched_over_c";

/// The spans of heat over which one tree's eggs are laid and hatch, as stages that end them: they hold for a threshold as sums
/// do. Without laying where that follows from a stage.
fn egg_spans(base: &Profile) -> Vec<Stage> {
    let Some(eggs) = &base.eggs else { return Vec::new() };
    let span = |id: &str, after: &StageId, over_c: f64, origin: &str| Stage {
        id: StageId::from(id),
        names: Names { en: id.to_owned(), es: id.to_owned() },
        after: Some(after.clone()),
        need: Need::DegreeDays(over_c),
        origin: origin.to_owned(),
        spread: None,
    };
    let laid = span(LAID_OVER, &base.window.opens, eggs.laid_over_c, &eggs.laid_over_origin);
    let hatched = span(HATCHED_OVER, &base.window.closes, eggs.hatched_over_c, &eggs.hatched_over_origin);
    if eggs.laid_by.is_some() { vec![hatched] } else { vec![laid, hatched] }
}

fn carried_origin(base: &Profile, from: f64, scores: &Scores, seasons: usize, was: &str) -> String {
    format!(
        "carried over and not fitted: comes in {seasons} season{} of the fit when {from} °C·day above {} °C did, within {:.1} days (RMSE); that was: {was}",
        if seasons == 1 { "" } else { "s" },
        base.heat.lower_c(),
        scores.rmse_days,
    )
}

/// One season as the profile without the fit told it.
struct Course<'a> {
    season: &'a SeasonWeather,
    /// Days from the first of the season's weather to the new biofix.
    new_first: usize,
    /// By stage.
    came: Vec<Option<Came>>,
}

#[derive(Clone, Copy)]
struct Came {
    /// Counted from the first of the season's weather.
    day: usize,
    /// Share (0-1) of that day's heat that was left when the sum was reached: it counts for what comes next.
    rest: f64,
}

impl<'a> Course<'a> {
    /// `None` where the weather does not begin by the biofix.
    fn of(old: &Profile, new: &Profile, season: &'a SeasonWeather) -> Option<Self> {
        let offset =
            |profile: &Profile| usize::try_from(days_between(season.first, profile.first_day(season.season))).ok();
        let (old_first, new_first) = (offset(old)?, offset(new)?);
        let next_min = |at: usize| season.days.get(at + 1).map(|next| next.min_c);
        let heat = season.days.iter().enumerate().map(|(at, day)| old.heat.degree_days(*day, next_min(at)));
        let heat: Vec<f64> = heat.enumerate().map(|(at, heat)| if at < old_first { 0.0 } else { heat }).collect();
        let sums: Vec<f64> = heat
            .iter()
            .scan(0.0, |sum, heat| {
                *sum += heat;
                Some(*sum)
            })
            .collect();
        // Day and sum of each stage; a sum goes on from the moment the one before was reached, a count of days from its
        // day.
        let mut stages: Vec<Option<(usize, f64)>> = Vec::with_capacity(old.stages.len());
        for stage in &old.stages {
            let from = match &stage.after {
                None => Some((old_first, 0.0)),
                Some(after) => old.rank(after).and_then(|rank| stages.get(rank).copied().flatten()),
            };
            let came = from.and_then(|(day, at_sum)| match stage.need {
                Need::DegreeDays(need) => {
                    let day = sums.partition_point(|sum| *sum < at_sum + need - 1e-9);
                    (day < sums.len()).then_some((day, at_sum + need))
                }
                Need::Days(days) => {
                    let day = day + days as usize;
                    sums.get(day).map(|sum| (day, *sum))
                }
            });
            stages.push(came);
        }
        let came = |(day, at_sum): (usize, f64)| {
            let rest = (sums.get(day)? - at_sum) / heat.get(day)?;
            Some(Came { day, rest: if rest.is_finite() { rest.clamp(0.0, 1.0) } else { 0.0 } })
        };
        Some(Self { season, new_first, came: stages.into_iter().map(|stage| stage.and_then(came)).collect() })
    }

    /// The days that a stage's sum is made of, with the day it was reached. `None` where it was not, or at once.
    fn part_before(&self, base: &Profile, rule: &HeatRule, stage: &Stage, rank: usize) -> Option<SiteYear> {
        let came = self.came.get(rank).copied().flatten()?.day;
        let (start, days) = match &stage.after {
            None => (self.new_first, self.season.days.get(self.new_first..)?.to_vec()),
            Some(after) => {
                let Came { day: start, rest } = self.came.get(base.rank(after)?).copied().flatten()?;
                let mut days = self.season.days.get(start..)?.to_vec();
                let next_min = days.get(1).map(|next| next.min_c);
                let first = days.first_mut()?;
                // A steady day with just the heat that was left of it.
                let steady_c = rule.lower_c() + rest * rule.degree_days(*first, next_min);
                *first = DayTemperatures { min_c: steady_c, max_c: steady_c };
                (start, days)
            }
        };
        let seen = ObservedInterval::on(i32::try_from(came.checked_sub(start)?).ok()?);
        Some(SiteYear { site: String::new(), year: self.season.season, elevation_m: None, days, seen: vec![seen] })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heat::{Cutoff, Method};
    use crate::season::profile::BiofixYear;

    fn weather(season: i32, first: NaiveDate, days: u32) -> SeasonWeather {
        let day = |nth: u32| {
            let mean_c = f64::from(nth) * 0.15 - 6.0 + f64::from((nth * 7 + season as u32 * 3) % 9) * 0.5;
            DayTemperatures { min_c: mean_c - 7.0, max_c: mean_c + 7.0 }
        };
        SeasonWeather { season, first, days: (0..days).map(day).collect() }
    }

    fn new_year(year: i32) -> NaiveDate {
        NaiveDate::from_ymd_opt(year, 1, 1).unwrap()
    }

    fn seasons() -> Vec<SeasonWeather> {
        (2011..2021).map(|year| weather(year, new_year(year), 220)).collect()
    }

    fn fitted(base: &Profile, stage: &str, lower_c: f64, sum: f64) -> Fitted {
        Fitted {
            stage: StageId::from(stage),
            biofix: base.biofix.clone(),
            heat: HeatRule::new(base.heat.method(), lower_c, base.heat.upper_c(), base.heat.cutoff()).unwrap(),
            heat_origins: base.heat_origins.clone(),
            sum,
            origin: format!("{FITTED} 12 records"),
        }
    }

    fn sum_of(profile: &Profile, stage: &str) -> f64 {
        match profile.stage(&StageId::from(stage)).unwrap().need {
            Need::DegreeDays(sum) => sum,
            Need::Days(_) => panic!("counts days"),
        }
    }

    #[test]
    fn with_the_same_threshold_only_the_fitted_stage_changes() {
        let base = Profile::pinyon_needle_scale();
        let Refit { profile, carried } = refit(&base, &fitted(&base, "egg-laying-begins", 4.0, 190.5), &[]).unwrap();
        assert!(carried.is_empty());
        assert_eq!(sum_of(&profile, "egg-laying-begins"), 190.5);
        assert_eq!(profile.stages[1..], base.stages[1..]);
        assert!(profile.provisional && profile.note.contains("Stage egg-laying-begins is fitted"), "{}", profile.note);
        assert_eq!(Profile::parse(&profile.to_toml()).unwrap(), profile);
    }

    #[test]
    fn a_new_threshold_carries_the_other_sums_over_so_that_they_come_at_the_same_time() {
        let base = Profile::pinyon_needle_scale();
        let new = fitted(&base, "egg-laying-begins", 1.5, 310.0);
        let Refit { profile, carried } = refit(&base, &new, &seasons()).unwrap();
        let ids: Vec<&str> = carried.iter().map(|carried| carried.what.as_str()).collect();
        assert_eq!(ids, ["stage egg-laying-ends", "stage eggs-hatch", HATCHED_OVER]);
        for carried in &carried {
            assert!(carried.to > carried.from, "a lower threshold gathers more heat: {carried:?}");
            assert!(carried.scores.rmse_days < 1.5, "{carried:?}");
        }
        let eggs = profile.eggs.as_ref().unwrap();
        assert_eq!(eggs.hatched_over_c, carried[2].to);
        assert!(eggs.hatched_over_origin.starts_with("carried over and not fitted: comes in 10 seasons"));
        for (stage, carried) in ["egg-laying-ends", "eggs-hatch"].into_iter().zip(&carried) {
            assert_eq!(sum_of(&profile, stage), carried.to);
        }
        assert!(profile.stages[2].origin.starts_with("carried over and not fitted: comes in 10 seasons"));
        assert_eq!(profile.stages[3], base.stages[3], "a stage that counts days stays");
        let laid = profile.eggs.as_ref().map(|eggs| eggs.laid_over_c).unwrap();
        assert!((laid * 0.92 - sum_of(&profile, "egg-laying-ends")).abs() < 1e-4, "laying goes with its stage: {laid}");
        assert_eq!(Profile::parse(&profile.to_toml()).unwrap(), profile);
    }

    #[test]
    fn a_later_biofix_leaves_less_to_sum_for_stages_that_count_from_it() {
        let mut base = Profile::pinyon_needle_scale();
        base.stages[1].after = None;
        base.stages[1].need = Need::DegreeDays(306.0);
        let mut new = fitted(&base, "egg-laying-begins", 4.0, 200.0);
        new.biofix = Biofix { month: 3, day: 1, year: BiofixYear::Same, origin: "as told".into() };
        let Refit { profile, carried } = refit(&base, &new, &seasons()).unwrap();
        assert_eq!(carried.len(), 1, "the hatch counts from egg laying and stays: {carried:?}");
        assert!(sum_of(&profile, "egg-laying-ends") < 306.0);
        assert_eq!(sum_of(&profile, "eggs-hatch"), 250.0);
    }

    #[test]
    fn a_profile_is_provisional_until_every_sum_is_fitted() {
        let mut profile = Profile::pinyon_needle_scale();
        for (stage, sum) in [("eggs-hatch", 460.0), ("egg-laying-ends", 300.0), ("egg-laying-begins", 200.0)] {
            assert!(profile.provisional);
            profile = refit(&profile, &fitted(&profile, stage, 4.0, sum), &[]).unwrap().profile;
            assert_eq!(profile.stage(&StageId::from(stage)).unwrap().after, None);
        }
        assert!(!profile.provisional);
        assert_eq!(Profile::parse(&profile.to_toml()).unwrap(), profile);
        // Laid by a stage that now comes before egg laying: the number stays, without its stage.
        let odd = refit(&profile, &fitted(&profile, "egg-laying-begins", 4.0, 320.0), &[]).unwrap().profile;
        let laid = |profile: &Profile| profile.eggs.as_ref().map(|eggs| eggs.laid_over_c).unwrap();
        assert_eq!((laid(&odd), odd.eggs.as_ref().unwrap().laid_by.clone()), (laid(&profile), None));
        assert_eq!(Profile::parse(&odd.to_toml()).unwrap(), odd);
    }

    #[test]
    fn what_cannot_be_carried_or_found_is_said() {
        let base = Profile::pinyon_needle_scale();
        let new = fitted(&base, "egg-laying-begins", 1.0, 300.0);
        let short = [weather(2011, new_year(2011), 60)];
        let cannot = RefitError::CannotCarry { profile: base.id.clone(), what: "stage egg-laying-ends".into() };
        assert_eq!(refit(&base, &new, &short), Err(cannot));
        let why = refit(&base, &fitted(&base, "hatching", 4.0, 1.0), &[]).unwrap_err().to_string();
        assert!(why.contains("no stage `hatching`") && why.contains("eggs-hatch"), "{why}");
        let changed = HeatRule::new(Method::Average, 4.0, None, Cutoff::None).unwrap();
        let new = Fitted { heat: changed, ..fitted(&base, "egg-laying-begins", 4.0, 180.0) };
        assert_eq!(refit(&base, &new, &seasons()).unwrap().carried.len(), 3, "another method is another sum too");
    }
}
