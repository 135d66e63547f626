//! One run of a profile's stages over one line of heat.

use chrono::NaiveDate;

use super::OutlookInput;
use super::heat_sum::at_least;
use crate::season::profile::{Need, Profile};
use crate::season::{ReachedBy, days_after, days_between};

/// One run of the stages over one line of heat.
pub(super) struct Course<'a> {
    pub(super) profile: &'a Profile,
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
    /// Known before the day is where it rests on degree-days only.
    pub(super) at_sum: Option<f64>,
    pub(super) by: ReachedBy,
}

impl Course<'_> {
    /// One entry a stage, in the profile's order.
    pub(super) fn run(&self) -> Vec<Begin> {
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
pub(super) fn first_seen(input: &OutlookInput<'_>) -> Vec<Option<NaiveDate>> {
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
