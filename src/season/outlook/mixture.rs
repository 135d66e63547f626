//! Futures of the weather mixed with a belief about the insect: the dates of each stage, and how much of their spread is
//! whose.

use chrono::NaiveDate;

use super::course::Course;
use super::ensemble::{Ensemble, Member};
use super::heat_sum::at_least;
use super::spread::{dressed, spread};
use super::to_date::HeatToDate;
use super::{OutlookInput, StageParts};
use crate::season::profile::Need;
use crate::season::{DateSpread, days_after, days_between};

/// Dates of a stage are told as so many equally likely ones: half a percent each.
const TOLD: u64 = 200;

/// Running sums of one future, the season to date before it.
pub(super) struct Line(pub(super) Vec<f64>);

/// What days still to come, and the insect, may do.
#[derive(Clone, Copy)]
pub(super) struct Futures<'a> {
    pub(super) lines: &'a [Line],
    /// By draw, then by stage: what the insect needs.
    pub(super) draws: &'a [Vec<Need>],
    /// By stage: the day by which it was seen; in no future does it come later.
    pub(super) seen: &'a [Option<NaiveDate>],
    pub(super) ensemble: &'a Ensemble,
}

/// Every future's line of heat.
pub(super) fn lines(input: &OutlookInput<'_>, to_date: &HeatToDate, members: &[&Member]) -> Vec<Line> {
    members.iter().map(|member| Line(to_date.future_sums(input, member))).collect()
}

/// One stage's dates in every future and draw.
pub(super) struct Dates {
    /// By draw, then by future.
    days: Vec<Vec<Option<NaiveDate>>>,
}

/// By stage: when it comes in each future if the insect needs what each draw says.
///
/// What a [`Course`] says of each line and draw, for all draws in one walk along each line.
pub(super) fn dates(input: &OutlookInput<'_>, to_date: &HeatToDate, futures: &Futures<'_>) -> Vec<Dates> {
    let Futures { lines, draws, seen, .. } = *futures;
    let profile = input.profile;
    let horizon = profile.last_day(input.season.year);
    let course_day = |line: &Line, needs: &[Need], rank: usize| {
        let course = Course { profile, needs, first: to_date.first, sums: &line.0, horizon, seen };
        course.run().get(rank).and_then(|begin| begin.day)
    };
    // What was seen after the last day of heat stands at another sum in each future.
    let ahead = seen.iter().flatten().any(|day| to_date.last_day.is_none_or(|last| *day > last));
    let mut stages: Vec<Dates> = Vec::with_capacity(profile.stages.len());
    // By stage and draw: the sum from the biofix, where the way there counts heat only.
    let mut sums: Vec<Vec<Option<f64>>> = Vec::with_capacity(profile.stages.len());
    for (rank, stage) in profile.stages.iter().enumerate() {
        let parent = stage.after.as_ref().and_then(|after| profile.rank(after)).filter(|parent| *parent < rank);
        let need = |draw: usize| draws[draw].get(rank).copied().unwrap_or(stage.need);
        let modelled = |draw: usize| match (need(draw), &stage.after, parent) {
            (Need::DegreeDays(need), None, _) => Some(need),
            (Need::DegreeDays(need), Some(_), Some(parent)) => Some(sums.get(parent)?[draw]? + need),
            _ => None,
        };
        let modelled: Vec<Option<f64>> = (0..draws.len()).map(modelled).collect();
        let seen_on = seen.get(rank).copied().flatten();
        let seen_sum = seen_on.and_then(|day| to_date.sum_on(day));
        // Seen before the draw has it: the stage comes with what was seen.
        let seen_first = |sum: Option<f64>| seen_sum.filter(|seen| sum.is_none_or(|sum| !at_least(*seen, sum)));
        let days = if !ahead && modelled.iter().all(Option::is_some) {
            let targets: Vec<f64> = modelled.iter().copied().flatten().collect();
            let mut days = days_of_sums(&targets, to_date.first, lines, horizon);
            for (of_draw, sum) in days.iter_mut().zip(&modelled) {
                if seen_first(*sum).is_some() {
                    of_draw.fill(seen_on);
                }
            }
            days
        } else {
            (0..draws.len())
                .map(|draw| match (need(draw), parent.and_then(|parent| stages.get(parent))) {
                    (Need::Days(wait), Some(parent)) => {
                        let later = |day: &Option<NaiveDate>| {
                            let later = day.map(|day| days_after(day, wait)).filter(|day| *day <= horizon);
                            seen_on.filter(|seen| later.is_none_or(|later| *seen < later)).or(later)
                        };
                        parent.days[draw].iter().map(later).collect()
                    }
                    _ => lines.iter().map(|line| course_day(line, &draws[draw], rank)).collect(),
                })
                .collect()
        };
        sums.push(modelled.into_iter().map(|sum| seen_first(sum).or(sum)).collect());
        stages.push(Dates { days });
    }
    stages
}

/// By target and line: the first day on which the line stands at the target, if that is not after the horizon.
fn days_of_sums(targets: &[f64], first: NaiveDate, lines: &[Line], horizon: NaiveDate) -> Vec<Vec<Option<NaiveDate>>> {
    let mut ascending: Vec<usize> = (0..targets.len()).collect();
    ascending.sort_by(|a, b| targets[*a].total_cmp(&targets[*b]));
    let mut days = vec![Vec::with_capacity(lines.len()); targets.len()];
    for line in lines {
        let mut at = 0;
        for target in &ascending {
            while line.0.get(at).is_some_and(|sum| !at_least(*sum, targets[*target])) {
                at += 1;
            }
            let day = (at < line.0.len()).then(|| day_at(first, at)).filter(|day| *day <= horizon);
            days[*target].push(day);
        }
    }
    days
}

impl Dates {
    /// Sorted equally likely dates and how many more do not come: the mixture of all, dressed if the ensemble is.
    pub(super) fn told(&self, ensemble: &Ensemble) -> (Vec<NaiveDate>, u32) {
        let mut raw: Vec<NaiveDate> = self.days.iter().flatten().copied().flatten().collect();
        let all = self.days.iter().map(Vec::len).sum::<usize>() as u64;
        raw.sort_unstable();
        // What is past is known; only days still to come carry the projection's own error.
        let mut weights: Vec<(NaiveDate, u64)> = Vec::new();
        let mut per_date = 1;
        for run in raw.chunk_by(|a, b| a == b) {
            let day = run[0];
            if day < ensemble.first || ensemble.dressing.0.is_empty() {
                weights.push((day, run.len() as u64));
                continue;
            }
            let days = dressed(day, ensemble);
            per_date = per_date.max(days.len() as u64);
            // Weights of dressed days count in parts of a date; brought to one measure below.
            weights.extend(days.into_iter().map(|day| (day, run.len() as u64)));
        }
        let measure = |day: &NaiveDate| {
            if *day < ensemble.first || ensemble.dressing.0.is_empty() { per_date } else { 1 }
        };
        weights.sort_unstable();
        let total = all * per_date;
        let (mut dates, mut below, mut next) = (Vec::with_capacity(TOLD as usize), 0, 0);
        for (day, weight) in &weights {
            below += weight * measure(day);
            // The middle of the next equal part lies at or below this day.
            while next < TOLD && (2 * next + 1) * total <= 2 * TOLD * below {
                dates.push(*day);
                next += 1;
            }
        }
        (dates, (TOLD - next) as u32)
    }

    /// What the weather alone and the insect alone would leave open: 10 to 90 % of the dates at our number, and of the
    /// draws' median dates.
    pub(super) fn parts(&self, at_our_number: DateSpread) -> Option<StageParts> {
        let width = |spread: DateSpread| Some(days_between(spread.early?, spread.late?).unsigned_abs() as u32);
        let mut medians: Vec<NaiveDate> = Vec::with_capacity(self.days.len());
        let mut never = 0;
        for futures in &self.days {
            let mut days: Vec<NaiveDate> = futures.iter().copied().flatten().collect();
            days.sort_unstable();
            match spread(&days, (futures.len() - days.len()) as u32).median {
                Some(day) => medians.push(day),
                None => never += 1,
            }
        }
        medians.sort_unstable();
        Some(StageParts { weather_days: width(at_our_number)?, insect_days: width(spread(&medians, never))? })
    }
}

/// The day that an index of a line stands for.
pub(super) fn day_at(first: NaiveDate, index: usize) -> NaiveDate {
    days_after(first, u32::try_from(index).unwrap_or(u32::MAX))
}
