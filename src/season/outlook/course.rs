//! One run of a profile's stages over one line of heat.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::OutlookInput;
use super::heat_sum::at_least;
use crate::season::profile::{Need, Profile, Stage};
use crate::season::{ReachedBy, StageId, days_after, days_between};

/// One run of the stages over one line of heat.
pub(super) struct Course<'a> {
    pub(super) profile: &'a Profile,
    /// By stage: what must pass after the one before; see [`SeasonBelief`](crate::season::belief::SeasonBelief).
    pub(super) needs: &'a [Need],
    pub(super) first: NaiveDate,
    /// Running sum, index 0 the biofix.
    pub(super) sums: &'a [f64],
    /// No stage is placed after this day.
    pub(super) horizon: NaiveDate,
    /// By stage: the day on which a person had seen it; may be shorter than the list of stages.
    pub(super) seen: &'a [Option<NaiveDate>],
}

/// When one stage begins in one course.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Begin {
    pub(super) day: Option<NaiveDate>,
    /// The day by which a person had seen it, also where our number came before.
    pub(super) seen: Option<NaiveDate>,
    /// Known before the day is where it rests on degree-days only.
    pub(super) at_sum: Option<f64>,
}

impl Begin {
    const NEVER: Self = Self { day: None, seen: None, at_sum: None };

    /// What people are told of it: what somebody saw before what a number says.
    pub(super) fn reached(self) -> Option<(NaiveDate, ReachedBy)> {
        let seen = self.seen.map(|day| (day, ReachedBy::FieldReport));
        seen.or(self.day.map(|day| (day, ReachedBy::Model)))
    }
}

impl Course<'_> {
    /// One entry a stage, in the profile's order.
    pub(super) fn run(&self) -> Vec<Begin> {
        let mut begins: Vec<Begin> = Vec::with_capacity(self.profile.stages.len());
        for (rank, stage) in self.profile.stages.iter().enumerate() {
            let biofix = Begin { day: Some(self.first), seen: None, at_sum: Some(0.0) };
            let from = match &stage.after {
                None => Some(biofix),
                Some(after) => self.profile.rank(after).and_then(|rank| begins.get(rank)).copied(),
            };
            let need = self.needs.get(rank).copied().unwrap_or(stage.need);
            let model = from.and_then(|from| self.model(need, from));
            let mut begin = model.unwrap_or(Begin::NEVER);
            begin.day = begin.day.filter(|day| *day <= self.horizon);
            begin.seen = self.seen.get(rank).copied().flatten();
            if let Some(seen) = begin.seen
                && begin.day.is_none_or(|day| seen < day)
            {
                begin = Begin { day: Some(seen), at_sum: self.sum_on(seen), ..begin };
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
                Begin { day, seen: None, at_sum: Some(at_sum) }
            }
            Need::Days(days) => {
                let day = days_after(from.day?, days);
                Begin { day: Some(day), seen: None, at_sum: self.sum_on(day) }
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

/// By stage: the first day by which, confirmed, it or a stage that comes after it had been seen at as many trees as it takes:
/// one, but of the stage that closes the window and of those after it as many as the policy asks for.
pub(super) fn first_seen(input: &OutlookInput<'_>) -> Vec<Option<NaiveDate>> {
    let profile = input.profile;
    let last = profile.last_day(input.season.year).min(input.today);
    let mut sights: Vec<BTreeMap<&str, NaiveDate>> = vec![BTreeMap::new(); profile.stages.len()];
    for report in input.reports.iter().filter(|report| report.confirmed && report.region == input.season.region) {
        if !(profile.first_day(input.season.year)..=last).contains(&report.observed_on) {
            continue;
        }
        for rank in chain(profile, report.stage.as_ref()) {
            let Some(of_stage) = sights.get_mut(rank) else { continue };
            let day = of_stage.entry(report.tree_key()).or_insert(report.observed_on);
            *day = report.observed_on.min(*day);
        }
    }
    let needed = |stage: &Stage| {
        let closing = chain(profile, Some(&stage.id)).any(|rank| Some(rank) == profile.rank(&profile.window.closes));
        if closing { (input.policy.hatch_reports as usize).max(1) } else { 1 }
    };
    let day_of = |(stage, trees): (&Stage, BTreeMap<&str, NaiveDate>)| {
        let mut days: Vec<NaiveDate> = trees.into_values().collect();
        days.sort_unstable();
        days.get(needed(stage) - 1).copied()
    };
    profile.stages.iter().zip(sights).map(day_of).collect()
}

/// Places in the profile of a stage and of those it counts from, itself first.
fn chain<'a>(profile: &'a Profile, stage: Option<&StageId>) -> impl Iterator<Item = usize> + use<'a> {
    let first = stage.and_then(|id| profile.rank(id));
    // A stage counts from an earlier one, so the chain ends; the bound is for a profile made by hand.
    std::iter::successors(first, |rank| profile.stages.get(*rank)?.after.as_ref().and_then(|after| profile.rank(after)))
        .take(profile.stages.len())
}
