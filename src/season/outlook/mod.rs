//! Where a region's season stands and when each stage still to come is likely: heat to date, then many futures.
//!
//! ```text
//! filled days ─season_heat─> heat to date ─┐
//! past years (and a forecast) ─> Ensemble ─┴─make─> Outlook
//! ```
//!
//! [`make`] does not care how an [`Ensemble`] came about: [`projected_ensemble`] gives the one that verifies best,
//! [`past_years_ensemble`] the plain one.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike, NaiveDate};

use super::profile::{Need, Profile};
use super::{
    DateSpread, FieldReport, HeatDay, Outlook, Policy, Reached, ReachedBy, RecordTrust, SeasonKey, StageId,
    StageOutlook, days_after, days_between,
};
pub use crate::heat::projection::Dressing;
use crate::heat::projection::{DRESSED, FORECAST_ERRORS_C, Now, SeasonProjector};
use crate::heat::scores::{Points, points};
use crate::heat::{DayOrigin, DayTemperatures, FilledDay};

/// What the days after the newest data may bring.
#[derive(Clone, Debug, PartialEq)]
pub struct Ensemble {
    /// The day that the first degree-days of every member belong to.
    pub first: NaiveDate,
    /// Equally likely futures.
    pub members: Vec<Member>,
    /// How many of the first days are a weather forecast, the same in every member.
    pub forecast_days: u32,
    pub dressing: Dressing,
}

/// One possible future, made from one past year.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    pub year: i32,
    /// °C·day per day from [`Ensemble::first`] on. Where they end before a stage is reached, it counts as not reached.
    pub degree_days: Vec<f64>,
}

/// Heat of one season to date: from the biofix on, days outside the season left out. Holes add nothing.
///
/// A double method takes the minimum of the next day; for the newest day it has only the day's own, so that this day's
/// heat may still change by a little.
pub fn season_heat(profile: &Profile, season: i32, days: &[FilledDay]) -> Vec<HeatDay> {
    let (first, last) = (profile.first_day(season), profile.last_day(season));
    if last < first {
        return Vec::new();
    }
    let by_day: BTreeMap<NaiveDate, &FilledDay> = days.iter().map(|day| (day.day, day)).collect();
    let mut sum = 0.0;
    by_day
        .range(first..=last)
        .map(|(day, filled)| {
            let next_min = by_day.get(&days_after(*day, 1)).map(|next| next.temperatures.min_c);
            let degree_days = sane(profile.heat.degree_days(filled.temperatures, next_min));
            sum += degree_days;
            HeatDay { day: *day, degree_days, sum, origin: filled.origin.clone() }
        })
        .collect()
}

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

    fn on(&self, day: NaiveDate) -> Option<f64> {
        let at = usize::try_from(days_between(self.first, day)).ok()?;
        self.degree_days.get(at).copied()
    }
}

/// The plain ensemble: this year's forecast days where there are any, then each past year's own weather by calendar day.
///
/// `heat` is this season's heat to date; `forecast` counts only where it goes on from its last day without a hole. On
/// 29 February a year without one gives its 28 February; a past year's own 29 February is passed over in a year
/// without. The season itself is never among its own futures.
pub fn past_years_ensemble(
    profile: &Profile,
    season: i32,
    heat: &[HeatDay],
    past: &[PastYear],
    forecast: &[HeatDay],
) -> Ensemble {
    let first = heat
        .iter()
        .rev()
        .find(|day| day.origin != DayOrigin::Forecast)
        .map_or_else(|| profile.first_day(season), |day| days_after(day.day, 1));
    let ahead: BTreeMap<NaiveDate, f64> = forecast.iter().map(|day| (day.day, sane(day.degree_days))).collect();
    let ahead: Vec<f64> = first.iter_days().map_while(|day| ahead.get(&day).copied()).collect();
    let last = profile.last_day(season);
    let rest: Vec<NaiveDate> = first.iter_days().skip(ahead.len()).take_while(|day| *day <= last).collect();
    let members = past
        .iter()
        .filter(|year| year.season != season)
        .map(|year| {
            let shift = year.season.saturating_sub(season);
            let then = rest.iter().map_while(|day| year.on(same_day(*day, day.year().saturating_add(shift))));
            Member { year: year.season, degree_days: ahead.iter().copied().chain(then.map(sane)).collect() }
        })
        .collect();
    Ensemble { first, members, forecast_days: ahead.len() as u32, dressing: Dressing::default() }
}

/// The ensemble of [`crate::heat::projection`]: past seasons corrected for warming, today's weather carried on, a forecast
/// with its error.
///
/// `days` are this season's from the biofix to the newest, `heat` what [`season_heat`] makes of them; `forecast` counts
/// only where it goes on from the newest day without a hole, and should be corrected to the station. Futures end with the
/// last stage that counts heat.
pub fn projected_ensemble(
    profile: &Profile,
    season: i32,
    projector: &SeasonProjector,
    heat: &[HeatDay],
    days: &[FilledDay],
    forecast: &[FilledDay],
    dressing: &Dressing,
) -> Ensemble {
    let newest = heat.iter().rev().find(|day| day.origin != DayOrigin::Forecast);
    let last_day = newest.map_or_else(|| super::days_before(profile.first_day(season), 1), |newest| newest.day);
    let recent: Vec<DayTemperatures> = days
        .iter()
        .filter(|day| day.day <= last_day && day.origin != DayOrigin::Forecast)
        .map(|day| day.temperatures)
        .collect();
    let ahead: Vec<DayTemperatures> = forecast
        .iter()
        .filter(|day| day.day > last_day)
        .zip(last_day.iter_days().skip(1))
        .map_while(|(forecast, day)| (forecast.day == day).then_some(forecast.temperatures))
        .collect();
    let now = Now {
        last_day,
        sum: newest.map_or(0.0, |newest| newest.sum),
        recent: &recent,
        forecast: &ahead,
        forecast_errors_c: &FORECAST_ERRORS_C,
    };
    // A little more than the last stage needs, so that rounding cannot end a future before it.
    let enough = heat_needed(profile) + 1.0;
    let futures = projector.futures(&now, enough, profile.last_day(season));
    Ensemble {
        first: days_after(last_day, 1),
        members: futures
            .into_iter()
            .map(|future| Member { year: future.season, degree_days: future.degree_days })
            .collect(),
        forecast_days: ahead.len() as u32,
        dressing: dressing.clone(),
    }
}

/// °C·day from the biofix at which a stage begins; `None` where a calendar wait lies on the way to it.
pub fn heat_sum_of(profile: &Profile, stage: &StageId) -> Option<f64> {
    let mut sum = 0.0;
    let mut stage = profile.stage(stage)?;
    // A stage counts from an earlier one, so the chain ends; the bound is for a profile made by hand.
    for _ in 0..profile.stages.len() {
        let Need::DegreeDays(need) = stage.need else { return None };
        sum += need;
        match &stage.after {
            None => return Some(sum),
            Some(after) => stage = profile.stage(after)?,
        }
    }
    None
}

/// °C·day from the biofix that see every stage which counts heat; without end where one counts it from a calendar wait.
fn heat_needed(profile: &Profile) -> f64 {
    let heat_stages = profile.stages.iter().filter(|stage| matches!(stage.need, Need::DegreeDays(_)));
    heat_stages.map(|stage| heat_sum_of(profile, &stage.id).unwrap_or(f64::INFINITY)).fold(0.0, f64::max)
}

/// The same calendar day of another year; 28 February where that year has no 29th.
fn same_day(day: NaiveDate, year: i32) -> NaiveDate {
    day.with_year(year).or_else(|| NaiveDate::from_ymd_opt(year, 2, 28)).unwrap_or(day)
}

/// All that an outlook is made of.
#[derive(Clone, Debug)]
pub struct OutlookInput<'a> {
    pub season: &'a SeasonKey,
    pub profile: &'a Profile,
    pub policy: &'a Policy,
    /// Primary station.
    pub station: &'a str,
    /// The region's local day.
    pub today: NaiveDate,
    /// From [`season_heat`]; forecast days and days after today are left out.
    pub heat: &'a [HeatDay],
    pub ensemble: &'a Ensemble,
    /// Of any region and season. A confirmed sight of a stage before the model has it moves the stage to that day,
    /// and the stages that count from it with it.
    pub reports: &'a [FieldReport],
}

/// Makes the outlook of a region for a day.
pub fn make(input: &OutlookInput<'_>) -> Outlook {
    let OutlookInput { season, profile, policy, today, ensemble, .. } = *input;
    let record = Record::of(input);
    let seen = first_seen(input);
    let horizon = today.min(profile.last_day(season.year));
    let course = Course { profile, first: record.first, sums: &record.sums, horizon, seen: &seen };
    let begins = course.run();

    let members: Vec<&Member> = ensemble.members.iter().filter(|member| member.year != season.year).collect();
    let futures: Vec<Vec<Begin>> = members.iter().map(|member| record.future(input, &seen, member)).collect();
    let trace_years: BTreeSet<i32> = members.iter().map(|member| member.year).collect();

    let stages = profile
        .stages
        .iter()
        .zip(&begins)
        .enumerate()
        .map(|(rank, (stage, begin))| {
            let reached =
                begin.day.map(|on| Reached { on, on_real_days: record.is_real(input, &begins, rank), by: begin.by });
            let (mut dates, mut not_reached) = (Vec::new(), 0);
            if reached.is_none() {
                for future in &futures {
                    match future.get(rank).and_then(|begin| begin.day) {
                        Some(day) => dates.extend(dressed(day, ensemble)),
                        None => not_reached += if ensemble.dressing.0.is_empty() { 1 } else { DRESSED as u32 },
                    }
                }
                dates.sort();
            }
            let spread = match reached {
                Some(Reached { on, .. }) => DateSpread { early: Some(on), median: Some(on), late: Some(on) },
                None => spread(&dates, not_reached),
            };
            StageOutlook {
                stage: stage.id.clone(),
                at_sum: begin.at_sum,
                reached,
                spread,
                dates,
                not_reached,
                past: None,
            }
        })
        .collect::<Vec<_>>();

    Outlook {
        season: season.clone(),
        today,
        last_day: record.last_day,
        newest_real_day: record.newest_real_day,
        heat_sum: record.sums.last().copied().unwrap_or(0.0),
        observed_sum: record.observed_sums.last().copied().unwrap_or(0.0),
        current_stage: stages.iter().rev().find(|stage| stage.reached.is_some()).map(|stage| stage.stage.clone()),
        stages,
        filled_days: record.filled_days,
        trust: record.trust(policy, today, trace_years.len() as u32),
        trace_years: trace_years.into_iter().collect(),
        forecast_days: ensemble.forecast_days,
        forecast_fit: None,
        station: input.station.to_owned(),
        borrowed: None,
    }
}

/// This season's heat laid out on the calendar: index 0 is the biofix, a missing day brings nothing.
struct Record {
    first: NaiveDate,
    last_day: Option<NaiveDate>,
    newest_real_day: Option<NaiveDate>,
    sums: Vec<f64>,
    observed_sums: Vec<f64>,
    /// By index: an observed day.
    observed: Vec<bool>,
    filled_days: u32,
}

impl Record {
    fn of(input: &OutlookInput<'_>) -> Self {
        let first = input.profile.first_day(input.season.year);
        let last = input.profile.last_day(input.season.year).min(input.today);
        let heat: BTreeMap<NaiveDate, &HeatDay> = input
            .heat
            .iter()
            .filter(|day| (first..=last).contains(&day.day) && day.origin != DayOrigin::Forecast)
            .map(|day| (day.day, day))
            .collect();
        let last_day = heat.keys().next_back().copied();
        let newest_real_day = heat.values().rev().find(|day| day.origin.is_real()).map(|day| day.day);
        let mut record = Self {
            first,
            last_day,
            newest_real_day,
            sums: Vec::new(),
            observed_sums: Vec::new(),
            observed: Vec::new(),
            filled_days: 0,
        };
        let (mut sum, mut observed_sum) = (0.0, 0.0);
        for day in first.iter_days().take_while(|day| last_day.is_some_and(|last| *day <= last)) {
            let heat = heat.get(&day);
            let real = heat.is_some_and(|heat| heat.origin.is_real());
            let degree_days = heat.map_or(0.0, |heat| sane(heat.degree_days));
            sum += degree_days;
            if real {
                observed_sum += degree_days;
            } else {
                record.filled_days += 1;
            }
            record.sums.push(sum);
            record.observed_sums.push(observed_sum);
            record.observed.push(real);
        }
        record
    }

    /// The season's course if the days after the record go as this member has it.
    fn future(&self, input: &OutlookInput<'_>, seen: &[Option<NaiveDate>], member: &Member) -> Vec<Begin> {
        let next = self.last_day.map_or(self.first, |last| days_after(last, 1));
        let horizon = input.profile.last_day(input.season.year);
        let mut sums = self.sums.clone();
        let mut sum = sums.last().copied().unwrap_or(0.0);
        // An ensemble that begins later than the record ends has nothing to say of the days between.
        if let Ok(skip) = usize::try_from(days_between(input.ensemble.first, next)) {
            let days = usize::try_from(days_between(next, horizon) + 1).unwrap_or(0);
            sums.extend(member.degree_days.iter().skip(skip).take(days).map(|degree_days| {
                sum += sane(*degree_days);
                sum
            }));
        }
        Course { profile: input.profile, first: self.first, sums: &sums, horizon, seen }.run()
    }

    /// See [`Reached::on_real_days`].
    fn is_real(&self, input: &OutlookInput<'_>, begins: &[Begin], rank: usize) -> bool {
        let (Some(begin), Some(stage)) = (begins.get(rank), input.profile.stages.get(rank)) else { return false };
        let Some(on) = begin.day else { return false };
        match (begin.by, stage.need, begin.at_sum) {
            (ReachedBy::FieldReport, ..) => true,
            (_, Need::Days(_), _) => match stage.after.as_ref().and_then(|after| input.profile.rank(after)) {
                // A stage counts from an earlier one, so this ends.
                Some(parent) if parent < rank => self.is_real(input, begins, parent),
                _ => true,
            },
            (_, Need::DegreeDays(_), Some(at_sum)) => {
                let wanted = (1.0 - input.policy.filled_share_limit.clamp(0.0, 1.0)) * at_sum;
                let from = usize::try_from(days_between(self.first, on)).unwrap_or(0);
                let later = self.observed.iter().zip(&self.observed_sums).skip(from);
                later.into_iter().any(|(real, sum)| *real && at_least(*sum, wanted))
            }
            (_, Need::DegreeDays(_), None) => false,
        }
    }

    fn trust(&self, policy: &Policy, today: NaiveDate, years: u32) -> RecordTrust {
        // Before the first day of the season nothing can be missing.
        let age = days_between(self.newest_real_day.unwrap_or(super::days_before(self.first, 1)), today);
        let age = u32::try_from(age).unwrap_or(0);
        let days = self.sums.len() as u32;
        if age > policy.real_day_age_limit_days {
            RecordTrust::TooOld { newest_real_day: self.newest_real_day, age_days: age }
        } else if f64::from(self.filled_days) > policy.filled_share_limit * f64::from(days) {
            RecordTrust::TooMuchFilled { filled_days: self.filled_days, days }
        } else if years < policy.past_years_needed {
            RecordTrust::TooFewYears { years }
        } else {
            RecordTrust::Sound
        }
    }
}

/// One run of the stages over one line of heat.
struct Course<'a> {
    profile: &'a Profile,
    first: NaiveDate,
    /// Running sum, index 0 the biofix.
    sums: &'a [f64],
    /// No stage is placed after this day.
    horizon: NaiveDate,
    /// By stage: the day on which a person had seen it; may be shorter than the list of stages.
    seen: &'a [Option<NaiveDate>],
}

/// When one stage begins in one course.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Begin {
    day: Option<NaiveDate>,
    /// Known before the day is where it rests on degree-days only.
    at_sum: Option<f64>,
    by: ReachedBy,
}

impl Course<'_> {
    /// One entry a stage, in the profile's order.
    fn run(&self) -> Vec<Begin> {
        let mut begins: Vec<Begin> = Vec::with_capacity(self.profile.stages.len());
        for (rank, stage) in self.profile.stages.iter().enumerate() {
            let biofix = Begin { day: Some(self.first), at_sum: Some(0.0), by: ReachedBy::Model };
            let from = match &stage.after {
                None => Some(biofix),
                Some(after) => self.profile.rank(after).and_then(|rank| begins.get(rank)).copied(),
            };
            let model = from.and_then(|from| self.model(stage.need, from));
            let mut begin = model.unwrap_or(Begin { day: None, at_sum: None, by: ReachedBy::Model });
            begin.day = begin.day.filter(|day| *day <= self.horizon);
            if let Some(seen) = self.seen.get(rank).copied().flatten()
                && begin.day.is_none_or(|day| seen < day)
            {
                begin = Begin { day: Some(seen), at_sum: self.sum_on(seen), by: ReachedBy::FieldReport };
            }
            begins.push(begin);
        }
        begins
    }

    fn model(&self, need: Need, from: Begin) -> Option<Begin> {
        Some(match need {
            Need::DegreeDays(need) => {
                // From the moment the sum before was reached and not from the end of that day, so that a chain of
                // sums is one line of heat.
                let at_sum = from.at_sum? + need;
                let at = self.sums.partition_point(|sum| !at_least(*sum, at_sum));
                let day = (at < self.sums.len()).then(|| days_after(self.first, at as u32));
                Begin { day, at_sum: Some(at_sum), by: ReachedBy::Model }
            }
            Need::Days(days) => {
                let day = days_after(from.day?, days);
                Begin { day: Some(day), at_sum: self.sum_on(day), by: ReachedBy::Model }
            }
        })
    }

    /// Sum at the end of a day; `None` where the line of heat has ended before.
    fn sum_on(&self, day: NaiveDate) -> Option<f64> {
        match usize::try_from(days_between(self.first, day)) {
            Ok(at) => self.sums.get(at).copied(),
            Err(_) => Some(0.0),
        }
    }
}

/// By stage: the first day on which somebody, confirmed, had seen it or a stage that comes after it.
fn first_seen(input: &OutlookInput<'_>) -> Vec<Option<NaiveDate>> {
    let profile = input.profile;
    let last = profile.last_day(input.season.year).min(input.today);
    let mut seen: Vec<Option<NaiveDate>> = vec![None; profile.stages.len()];
    for report in input.reports.iter().filter(|report| report.confirmed && report.region == input.season.region) {
        if !(profile.first_day(input.season.year)..=last).contains(&report.observed_on) {
            continue;
        }
        let mut stage = report.stage.as_ref().and_then(|id| profile.stage(id));
        // A stage counts from an earlier one, so the chain ends; the bound is for a profile made by hand.
        for _ in 0..profile.stages.len() {
            let Some(this) = stage else { break };
            if let Some(day) = profile.rank(&this.id).and_then(|rank| seen.get_mut(rank)) {
                *day = Some(day.map_or(report.observed_on, |day| day.min(report.observed_on)));
            }
            stage = this.after.as_ref().and_then(|after| profile.stage(after));
        }
    }
    seen
}

/// A member's date, or the dates it becomes under the verified errors; never before the future begins.
fn dressed(day: NaiveDate, ensemble: &Ensemble) -> Vec<NaiveDate> {
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
fn spread(dates: &[NaiveDate], not_reached: u32) -> DateSpread {
    let Points { early, median, late } = points(dates, not_reached);
    DateSpread { early, median, late }
}

/// Sums of many small numbers: a hair below the threshold is at it.
fn at_least(sum: f64, wanted: f64) -> bool {
    sum >= wanted - 1e-9
}

/// Heat is a number and not negative, whatever it was made from.
fn sane(degree_days: f64) -> f64 {
    if degree_days.is_finite() { degree_days.max(0.0) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heat::DayTemperatures;
    use crate::season::Reached;
    use crate::season::profile::PINYON_NEEDLE_SCALE;

    /// Lays at 30 °C·day, hatches 50 after that, is settled 14 days later; the mean above 4 °C counts.
    fn profile() -> Profile {
        let text = PINYON_NEEDLE_SCALE
            .replacen("single-sine", "average", 1)
            .replacen("214.0", "30", 1)
            .replacen("92.0", "20", 1)
            .replacen("250.0", "50", 1);
        Profile::parse(&text).expect("sound")
    }

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    /// So many days in a row from `first`, each with the same heat; `?` days were filled by a neighbour, `~` ones with the
    /// calendar mean: `10*1.0 3?*5.0`.
    fn days(first: &str, runs: &str) -> Vec<FilledDay> {
        let mut next = day(first);
        let mut days = Vec::new();
        for run in runs.split_whitespace() {
            let (count, heat) = run.split_once('*').expect("count*heat");
            let origin = match count.chars().last() {
                Some('?') => DayOrigin::Neighbour { station: "n".into() },
                Some('~') => DayOrigin::Climatology,
                _ => DayOrigin::Observed,
            };
            let mean: f64 = 4.0 + heat.parse::<f64>().expect("heat");
            for _ in 0..count.trim_end_matches(['?', '~']).parse::<u32>().expect("count") {
                let temperatures = DayTemperatures { min_c: mean - 1.0, max_c: mean + 1.0 };
                days.push(FilledDay { day: next, temperatures, origin: origin.clone() });
                next = days_after(next, 1);
            }
        }
        days
    }

    struct Case {
        heat: Vec<HeatDay>,
        ensemble: Ensemble,
        reports: Vec<FieldReport>,
        year: i32,
    }

    impl Case {
        /// This year's days from 1 January, and one future a number: so much heat a day to the end of the year.
        fn of(year: i32, runs: &str, futures: &[f64]) -> Self {
            let heat = season_heat(&profile(), year, &days(&format!("{year}-01-01"), runs));
            let first = heat.last().map_or(profile().first_day(year), |last| days_after(last.day, 1));
            let member = |(at, heat): (usize, &f64)| Member { year: 1990 + at as i32, degree_days: vec![*heat; 366] };
            let members = futures.iter().enumerate().map(member).collect();
            let ensemble = Ensemble { first, members, forecast_days: 0, dressing: Dressing::default() };
            Self { heat, ensemble, reports: vec![], year }
        }

        fn outlook(&self, today: &str) -> Outlook {
            make(&OutlookInput {
                season: &SeasonKey { profile: "p".into(), region: "r".into(), year: self.year },
                profile: &profile(),
                policy: &Policy::default(),
                station: "s",
                today: day(today),
                heat: &self.heat,
                ensemble: &self.ensemble,
                reports: &self.reports,
            })
        }
    }

    fn texts(spread: DateSpread) -> String {
        let text = |day: Option<NaiveDate>| day.map_or("-".to_owned(), |day| day.format("%m-%d").to_string());
        format!("{} {} {}", text(spread.early), text(spread.median), text(spread.late))
    }

    fn spread_of(outlook: &Outlook, stage: &str) -> String {
        texts(outlook.stage(&stage.into()).expect("known").spread)
    }

    fn reached_of(outlook: &Outlook, stage: &str) -> Option<Reached> {
        outlook.stage(&stage.into()).expect("known").reached
    }

    #[test]
    fn each_future_starts_from_todays_sum_and_carries_the_whole_chain_of_stages() {
        // 10 on 10 January; 20 more at 2 a day is 20 January, 50 after that 14 February, 14 days later the 28th.
        let outlook = Case::of(2019, "10*1", &[2.0]).outlook("2019-01-11");
        assert_eq!((outlook.heat_sum, outlook.last_day), (10.0, Some(day("2019-01-10"))));
        assert_eq!(spread_of(&outlook, "egg-laying-begins"), "01-20 01-20 01-20");
        assert_eq!(spread_of(&outlook, "egg-laying-ends"), "01-30 01-30 01-30");
        assert_eq!(spread_of(&outlook, "eggs-hatch"), "02-14 02-14 02-14");
        assert_eq!(spread_of(&outlook, "crawlers-settled"), "02-28 02-28 02-28");
        assert_eq!(outlook.current_stage, None);
        let sums: Vec<_> = outlook.stages.iter().map(|stage| stage.at_sum).collect();
        assert_eq!(sums, [Some(30.0), Some(50.0), Some(80.0), None]);
    }

    #[test]
    fn a_chain_of_sums_counts_from_the_moment_the_sum_before_was_reached() {
        // 32 on 4 January; hatch is at 80 and not at 82, so the 10th and not the 11th.
        let outlook = Case::of(2019, "10*8", &[8.0]).outlook("2019-01-11");
        assert_eq!(reached_of(&outlook, "egg-laying-begins").map(|reached| reached.on), Some(day("2019-01-04")));
        assert_eq!(reached_of(&outlook, "eggs-hatch").map(|reached| reached.on), Some(day("2019-01-10")));
        assert_eq!(outlook.current_stage, Some("eggs-hatch".into()));
        assert_eq!(spread_of(&outlook, "crawlers-settled"), "01-24 01-24 01-24");
    }

    #[test]
    fn the_points_are_places_among_the_futures_and_agree_with_the_chance() {
        // 30 more at 1 to 10 a day from 1 January: 30 15 10 8 6 5 5 4 4 3 days.
        let futures: Vec<f64> = (1..=10).map(f64::from).collect();
        let outlook = Case::of(2019, "", &futures).outlook("2019-01-01");
        let stage = outlook.stage(&"egg-laying-begins".into()).expect("known");
        assert_eq!(texts(stage.spread), "01-04 01-05 01-15");
        assert_eq!(stage.chance_by(day("2019-01-05")), 0.5);
        assert_eq!(stage.chance_by(day("2019-01-04")), 0.3);
        assert_eq!(stage.chance_by(day("2019-12-31")), 1.0);
    }

    #[test]
    fn futures_that_do_not_get_there_rank_last_and_are_never_dropped() {
        let outlook = Case::of(2019, "", &[3.0, 3.0, 3.0, 3.0, 3.0, 0.0, 0.0, 0.0, 0.0]).outlook("2019-01-01");
        let stage = outlook.stage(&"egg-laying-begins".into()).expect("known");
        assert_eq!((stage.dates.len(), stage.not_reached), (5, 4));
        assert_eq!(texts(stage.spread), "01-10 01-10 -");
        let never = Case::of(2019, "", &[0.0]).outlook("2019-01-01");
        assert_eq!(spread_of(&never, "egg-laying-begins"), "- - -");
        let nobody = Case::of(2019, "", &[]).outlook("2019-01-01");
        assert_eq!(spread_of(&nobody, "egg-laying-begins"), "- - -");
    }

    #[test]
    fn a_season_ends_with_its_last_day_whatever_the_future_holds() {
        let outlook = Case::of(2019, "", &[0.075]).outlook("2019-01-01");
        assert_eq!(outlook.stage(&"egg-laying-begins".into()).expect("known").not_reached, 1, "400 days off");
    }

    #[test]
    fn the_season_itself_is_never_among_its_own_futures() {
        let mut case = Case::of(2019, "", &[3.0, 1.0]);
        case.ensemble.members[1].year = 2019;
        assert_eq!(case.outlook("2019-01-01").trace_years, [1990]);
        let past = |season| PastYear { season, first: profile().first_day(season), degree_days: vec![1.0; 365] };
        let ensemble = past_years_ensemble(&profile(), 2019, &[], &[past(2018), past(2019), past(2021)], &[]);
        assert_eq!(ensemble.members.iter().map(|member| member.year).collect::<Vec<_>>(), [2018, 2021]);
    }

    #[test]
    fn past_years_go_on_by_calendar_day_also_over_29_february() {
        // Each day's heat is its number in the year, so that a day can be told from its heat.
        let past = |season: i32, days: u32| PastYear {
            season,
            first: profile().first_day(season),
            degree_days: (1..=days).map(f64::from).collect(),
        };
        let to = |text: &str| {
            let heat = |day| HeatDay { day, degree_days: 0.0, sum: 0.0, origin: DayOrigin::Observed };
            vec![heat(day(text))]
        };
        let first_days = |season, heat: &[HeatDay], past: PastYear| {
            let ensemble = past_years_ensemble(&profile(), season, heat, &[past], &[]);
            ensemble.members[0].degree_days[..4].to_vec()
        };
        // 28 February is day 59; 1 March is 60, in a leap year 61.
        assert_eq!(first_days(2019, &to("2019-02-26"), past(2018, 365)), [58.0, 59.0, 60.0, 61.0]);
        assert_eq!(first_days(2020, &to("2020-02-26"), past(2018, 365)), [58.0, 59.0, 59.0, 60.0]);
        assert_eq!(first_days(2019, &to("2019-02-26"), past(2016, 366)), [58.0, 59.0, 61.0, 62.0]);
        assert_eq!(first_days(2020, &to("2020-02-26"), past(2016, 366)), [58.0, 59.0, 60.0, 61.0]);
    }

    #[test]
    fn a_forecast_takes_the_first_days_where_it_follows_the_record() {
        let heat = season_heat(&profile(), 2019, &days("2019-01-01", "5*1"));
        let forecast = |first: &str| {
            let mut forecast = season_heat(&profile(), 2019, &days(first, "3*7"));
            forecast.iter_mut().for_each(|day| day.origin = DayOrigin::Forecast);
            forecast
        };
        let past = PastYear { season: 2018, first: day("2018-01-01"), degree_days: vec![1.0; 365] };
        let spliced =
            |first| past_years_ensemble(&profile(), 2019, &heat, std::slice::from_ref(&past), &forecast(first));
        let follows = spliced("2019-01-06");
        assert_eq!((follows.first, follows.forecast_days), (day("2019-01-06"), 3));
        assert_eq!(follows.members[0].degree_days[..5], [7.0, 7.0, 7.0, 1.0, 1.0]);
        assert_eq!(spliced("2019-01-05").forecast_days, 2, "what the record has is not forecast again");
        assert_eq!(spliced("2019-01-07").forecast_days, 0, "a hole before it");
    }

    #[test]
    fn dressing_spreads_a_date_by_the_errors_of_the_nearest_lead() {
        let mut case = Case::of(2019, "", &[3.0]);
        case.ensemble.dressing = Dressing(BTreeMap::from([(5, vec![0.0]), (12, vec![-2.0, 0.0, 2.0])]));
        let outlook = case.outlook("2019-01-01");
        let stage = outlook.stage(&"egg-laying-begins".into()).expect("known");
        assert_eq!(texts(stage.spread), "01-08 01-10 01-12");
        assert_eq!(stage.dates.len(), DRESSED);
        case.ensemble.dressing = Dressing(BTreeMap::from([(5, vec![-30.0])]));
        assert_eq!(
            spread_of(&case.outlook("2019-01-01"), "egg-laying-begins"),
            "01-01 01-01 01-01",
            "never before today"
        );
        case.ensemble.dressing = Dressing(BTreeMap::from([(5, vec![f64::NAN])]));
        assert_eq!(spread_of(&case.outlook("2019-01-01"), "egg-laying-begins"), "01-10 01-10 01-10");
    }

    #[test]
    fn a_double_method_takes_the_minimum_of_the_next_day() {
        let text = PINYON_NEEDLE_SCALE.replacen("single-sine", "double-triangle", 1);
        let profile = Profile::parse(&text).expect("sound");
        let mut two = days("2019-01-01", "1*10 1*20");
        two.reverse();
        let heat = season_heat(&profile, 2019, &two);
        // Up from 13 to 15, down to 23 (both ends sorted): means 14 and 19, less 4 each.
        assert_eq!(heat[0].degree_days, 12.5);
        // The newest day has only its own minimum.
        assert_eq!(heat[1].degree_days, 20.0);
    }

    #[test]
    fn days_of_another_season_are_not_summed_and_a_hole_adds_nothing() {
        let mut all = days("2018-12-30", "6*5");
        all.remove(3);
        let heat = season_heat(&profile(), 2019, &all);
        assert_eq!(heat.iter().map(|day| day.sum).collect::<Vec<_>>(), [5.0, 10.0, 15.0]);
        let outlook = Case { heat, ..Case::of(2019, "", &[1.0]) }.outlook("2019-01-05");
        assert_eq!((outlook.heat_sum, outlook.filled_days), (15.0, 1), "the missing day counts as not observed");
    }

    #[test]
    fn filled_days_carry_a_crossing_only_within_the_allowance_and_with_an_observed_day_after_it() {
        // The sum is 30 on the 10th each time; 15 % of it is 4.5.
        for (runs, real) in [
            ("10*3", true),
            ("1?*3 9*3", true),
            ("2?*3 8*3", false),
            ("9*3 1?*3", false),
            ("9*3 1?*3 1*3", true),
            ("2?*3 8*3 1*1.4", false),
            ("2?*3 8*3 1*1.6", true),
        ] {
            let reached = reached_of(&Case::of(2019, runs, &[1.0]).outlook("2019-01-12"), "egg-laying-begins");
            assert_eq!(
                reached.map(|reached| (reached.on, reached.on_real_days)),
                Some((day("2019-01-10"), real)),
                "{runs}"
            );
        }
    }

    #[test]
    fn what_people_saw_moves_a_stage_and_those_after_it() {
        let report = |stage: &str, on: &str| FieldReport {
            id: "1".into(),
            region: "r".into(),
            observed_on: day(on),
            stage: Some(stage.into()),
            confirmed: true,
        };
        let mut case = Case::of(2019, "10*2", &[2.0]);
        case.reports = vec![report("egg-laying-begins", "2019-01-05")];
        let outlook = case.outlook("2019-01-11");
        let seen = Reached { on: day("2019-01-05"), on_real_days: true, by: ReachedBy::FieldReport };
        assert_eq!(reached_of(&outlook, "egg-laying-begins"), Some(seen));
        // 50 after the 10 of the 5th: at 60, the 30th instead of 9 February.
        assert_eq!(spread_of(&outlook, "eggs-hatch"), "01-30 01-30 01-30");
        case.reports = vec![report("eggs-hatch", "2019-01-08")];
        let outlook = case.outlook("2019-01-11");
        assert_eq!(reached_of(&outlook, "egg-laying-begins").map(|reached| reached.on), Some(day("2019-01-08")));
        assert_eq!(spread_of(&outlook, "crawlers-settled"), "01-22 01-22 01-22");
        for ignored in ["2018-12-31", "2019-01-12"] {
            case.reports = vec![report("eggs-hatch", ignored)];
            assert_eq!(reached_of(&case.outlook("2019-01-11"), "eggs-hatch"), None, "{ignored}");
        }
        case.reports = vec![FieldReport { confirmed: false, ..report("eggs-hatch", "2019-01-08") }];
        assert_eq!(reached_of(&case.outlook("2019-01-11"), "eggs-hatch"), None);
    }

    #[test]
    fn a_record_is_trusted_while_it_is_fresh_observed_and_has_years_to_go_by() {
        let years = vec![1.0; 5];
        let trust = |runs: &str, futures: &[f64], today: &str| Case::of(2019, runs, futures).outlook(today).trust;
        assert_eq!(trust("20*1", &years, "2019-01-25"), RecordTrust::Sound);
        let newest_real_day = Some(day("2019-01-20"));
        assert_eq!(trust("20*1", &years, "2019-01-26"), RecordTrust::TooOld { newest_real_day, age_days: 6 });
        assert_eq!(trust("17*1 3?*1", &years, "2019-01-21"), RecordTrust::Sound);
        let filled = RecordTrust::TooMuchFilled { filled_days: 4, days: 20 };
        assert_eq!(trust("16*1 4?*1", &years, "2019-01-21"), filled);
        assert_eq!(trust("20*1", &years[1..], "2019-01-21"), RecordTrust::TooFewYears { years: 4 });
        assert_eq!(trust("", &years, "2019-01-05"), RecordTrust::Sound, "the season is five days old");
        assert_eq!(trust("", &years, "2019-01-06"), RecordTrust::TooOld { newest_real_day: None, age_days: 6 });
        assert_eq!(trust("", &years, "2018-11-01"), RecordTrust::Sound, "it has not begun");
    }

    #[test]
    fn a_past_year_serves_when_it_runs_unbroken_to_its_last_heat_stage() {
        // The last sum, 80, comes on 10 January; being settled needs no temperatures.
        let year = |runs: &str| PastYear::from_days(&profile(), 2010, &days("2010-01-01", runs), 0.1);
        assert_eq!(year("10*8").map(|year| year.degree_days.len()), Some(10));
        assert!(year("9*8").is_none(), "it ends too early to say when eggs hatched");
        assert!(year("9*8 1~*8").is_some() && year("8*8 2~*8").is_none(), "at most a tenth by the calendar's mean");
        assert!(year("8*8 2?*8").is_some(), "a neighbour's weather is weather");
        assert!(year("364*0.1").is_none() && year("365*0.1").is_some(), "a year without a hatch is whole or nothing");
        let mut broken = days("2010-01-01", "12*8");
        broken.remove(4);
        assert!(PastYear::from_days(&profile(), 2010, &broken, 0.1).is_none());
        assert!(PastYear::from_days(&profile(), 2010, &days("2010-01-02", "12*8"), 0.1).is_none(), "no biofix");
        assert!(PastYear::from_days(&profile(), 2010, &[], 0.1).is_none());
    }
}
