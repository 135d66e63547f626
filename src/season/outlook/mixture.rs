//! Futures of the weather mixed with a belief about the insect: the dates of each stage, and how much of their spread is
//! whose.

use chrono::NaiveDate;

use super::StageParts;
use super::course::Course;
use super::ensemble::Ensemble;
use super::heat_sum::{HAIR, at_least};
use super::lines::{Lines, day_at};
use super::spread::{dressed, spread};
use super::to_date::HeatToDate;
use crate::heat::projection::DRESSED;
use crate::heat::scores::points;
use crate::heat::widest::{Work, widest};
use crate::season::profile::{Need, Profile};
use crate::season::{DateSpread, days_between};

/// Dates of a stage are told as so many equally likely ones: half a percent each.
const TOLD: u64 = 200;

/// What days still to come, and the insect, may do.
#[derive(Clone, Copy)]
pub(super) struct Futures<'a> {
    pub(super) lines: &'a Lines<'a>,
    /// By draw, then by stage: what the insect needs.
    pub(super) draws: &'a [Vec<Need>],
    /// By stage: the day by which it was seen; in no future does it come later.
    pub(super) seen: &'a [Option<NaiveDate>],
}

/// One stage's dates in every future and draw.
pub(super) struct Dates {
    first: NaiveDate,
    /// By days from the biofix: in how many futures of all draws it comes then.
    counts: Vec<u64>,
    /// In how many it does not come.
    never: u64,
    /// By draw: days from the biofix to its median date, if that comes.
    medians: Vec<Option<usize>>,
}

/// By stage: when it comes in each future if the insect needs what each draw says.
///
/// What a [`Course`] says of each line and draw, for all draws in one walk along the lines.
pub(super) fn dates(profile: &Profile, to_date: &HeatToDate, futures: &Futures<'_>) -> Vec<Dates> {
    let Futures { lines, draws, seen, .. } = *futures;
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
        let seen_at = seen_on.and_then(|day| usize::try_from(days_between(lines.first, day)).ok());
        let seen_sum = seen_on.and_then(|day| to_date.sum_on(day));
        // Seen before the draw has it: the stage comes with what was seen.
        let seen_first = |sum: Option<f64>| seen_sum.filter(|seen| sum.is_none_or(|sum| !at_least(*seen, sum)));
        let waits = (0..draws.len()).map(|draw| match need(draw) {
            Need::Days(wait) => Some(wait as usize),
            Need::DegreeDays(_) => None,
        });
        let wait = waits.reduce(|a, b| a.filter(|_| a == b)).flatten();
        let days = match (wait, parent.and_then(|parent| stages.get(parent))) {
            _ if !ahead && modelled.iter().all(Option::is_some) => {
                let targets = modelled.iter().map(|sum| match (seen_first(*sum), seen_at, sum) {
                    (Some(_), Some(at), _) => Comes::On(at),
                    (_, _, sum) => Comes::At(sum.unwrap_or(f64::INFINITY)),
                });
                let targets: Vec<Comes> = targets.collect();
                widest(OfSums { comes: &targets, lines })
            }
            (Some(wait), Some(parent)) => parent.after(wait, seen_at, lines.last_index()),
            _ => Dates::of_courses(profile, rank, futures),
        };
        sums.push(modelled.into_iter().map(|sum| seen_first(sum).or(sum)).collect());
        stages.push(days);
    }
    stages
}

/// What a draw says of a stage.
#[derive(Clone, Copy)]
enum Comes {
    /// At this sum from the biofix, °C·day.
    At(f64),
    /// On this day from the biofix, in every future.
    On(usize),
}

struct OfSums<'a> {
    comes: &'a [Comes],
    lines: &'a Lines<'a>,
}

impl Work for OfSums<'_> {
    type Output = Dates;

    #[inline(always)]
    fn call(self) -> Dates {
        Dates::of_sums(self.comes, self.lines)
    }
}

/// How many lanes are at a sum.
#[inline(always)]
fn count_at(lanes: &[f64], sum: f64) -> u64 {
    // A checked sum would look at each lane on its own.
    let mut count = 0u64;
    for lane in lanes {
        count = count.wrapping_add(u64::from(*lane >= sum));
    }
    count
}

impl Dates {
    fn none(lines: &Lines<'_>, draws: usize) -> Self {
        let days = lines.last_index().map_or(0, |last| last + 1);
        Self { first: lines.first, counts: vec![0; days], never: 0, medians: vec![None; draws] }
    }

    fn add(&mut self, day: usize, times: u64) {
        if day >= self.counts.len() {
            self.counts.resize(day + 1, 0);
        }
        if let Some(count) = self.counts.get_mut(day) {
            *count += times;
        }
    }

    fn close(mut self, lanes: usize) -> Self {
        let all = self.medians.len() as u64 * lanes as u64;
        self.never = all.saturating_sub(self.counts.iter().sum());
        self
    }

    /// By draw: the first day on which each line stands at the draw's sum, if that is not after the horizon.
    #[inline(always)]
    fn of_sums(comes: &[Comes], lines: &Lines<'_>) -> Self {
        let lanes = lines.lanes();
        let mut dates = Self::none(lines, comes.len());
        let Some(last) = lines.last_index() else { return dates.close(lanes) };
        // Sums and draws that the days to come must bring.
        let mut ahead: Vec<(f64, usize)> = Vec::with_capacity(comes.len());
        for (draw, comes) in comes.iter().enumerate() {
            let on = match comes {
                Comes::On(at) => Some(*at),
                Comes::At(sum) => {
                    let at = lines.known.partition_point(|known| !at_least(*known, *sum));
                    if at >= lines.known.len() {
                        ahead.push((sum - HAIR, draw));
                    }
                    Some(at).filter(|at| *at < lines.known.len() && *at <= last)
                }
            };
            if let Some(at) = on {
                dates.add(at, lanes as u64);
                dates.medians[draw] = Some(at).filter(|_| lanes > 0);
            }
        }
        ahead.sort_by(|a, b| a.0.total_cmp(&b.0));
        let days = lines.days().min(last + 1);
        // From the day on which the first lane is at a sum to that on which all are: later for every higher sum.
        let (mut from, mut to) = (lines.known.len(), lines.known.len());
        for (sum, draw) in ahead {
            from += (from..days).take_while(|at| lines.highest(*at) < sum).count();
            to = to.max(from);
            to += (to..days).take_while(|at| lines.lowest(*at) < sum).count();
            let (mut before, middle) = (0, lanes.div_ceil(2) as u64);
            for at in from..(to + 1).min(days) {
                let there: u64 = if at < to { count_at(lines.on(at), sum) } else { lanes as u64 };
                if before < middle && there >= middle {
                    dates.medians[draw] = Some(at);
                }
                dates.add(at, there.saturating_sub(before));
                before = there;
            }
        }
        dates.close(lanes)
    }

    /// So many days later, if that is not after the last day; never later than it was seen.
    fn after(&self, wait: usize, seen: Option<usize>, last: Option<usize>) -> Self {
        let later = |day: Option<usize>| {
            let later = day.map(|day| day + wait).filter(|day| last.is_some_and(|last| *day <= last));
            seen.filter(|seen| later.is_none_or(|later| *seen < later)).or(later)
        };
        let mut dates = Self { first: self.first, counts: vec![0; self.counts.len()], never: 0, medians: Vec::new() };
        let all = self.counts.iter().enumerate().map(|(day, count)| (Some(day), *count)).chain([(None, self.never)]);
        for (day, count) in all.filter(|(_, count)| *count > 0) {
            match later(day) {
                Some(day) => dates.add(day, count),
                None => dates.never += count,
            }
        }
        // Without any future there is no median.
        let any = self.never > 0 || self.counts.iter().any(|count| *count > 0);
        dates.medians = self.medians.iter().map(|day| if any { later(*day) } else { None }).collect();
        dates
    }

    /// One course a line and draw: for what counts neither heat alone nor days alone.
    fn of_courses(profile: &Profile, rank: usize, futures: &Futures<'_>) -> Self {
        let Futures { lines, draws, seen } = *futures;
        let mut dates = Self::none(lines, draws.len());
        let whole: Vec<Vec<f64>> = (0..lines.lanes()).map(|lane| lines.line(lane)).collect();
        for (draw, needs) in draws.iter().enumerate() {
            let day = |sums: &Vec<f64>| {
                let course = Course { profile, needs, first: lines.first, sums, horizon: lines.horizon, seen };
                course.run().get(rank).and_then(|begin| begin.day)
            };
            let days = whole.iter().filter_map(day).map(|day| days_between(lines.first, day));
            let mut days: Vec<usize> = days.filter_map(|day| usize::try_from(day).ok()).collect();
            days.sort_unstable();
            days.iter().for_each(|day| dates.add(*day, 1));
            dates.medians[draw] = points(&days, (whole.len() - days.len()) as u32).median;
        }
        dates.close(whole.len())
    }

    fn by_day(&self) -> impl Iterator<Item = (NaiveDate, u64)> + '_ {
        let counts = self.counts.iter().enumerate().filter(|(_, count)| **count > 0);
        counts.map(|(at, count)| (day_at(self.first, at), *count))
    }

    /// Every date sorted, dressed if the ensemble is, and how many more do not come.
    pub(super) fn all(&self, ensemble: &Ensemble) -> (Vec<NaiveDate>, u32) {
        let mut dates = Vec::new();
        for (day, count) in self.by_day() {
            let days = dressed(day, ensemble);
            (0..count).for_each(|_| dates.extend_from_slice(&days));
        }
        dates.sort_unstable();
        let times = if ensemble.dressing.0.is_empty() { 1 } else { DRESSED as u64 };
        (dates, u32::try_from(self.never * times).unwrap_or(u32::MAX))
    }

    /// Sorted equally likely dates and how many more do not come: the mixture of all, dressed if the ensemble is.
    pub(super) fn told(&self, ensemble: &Ensemble) -> (Vec<NaiveDate>, u32) {
        let all = self.never + self.counts.iter().sum::<u64>();
        let is_plain = |day: &NaiveDate| *day < ensemble.first || ensemble.dressing.0.is_empty();
        // What is past is known; only days still to come carry the projection's own error.
        let mut weights: Vec<(NaiveDate, u64)> = Vec::new();
        let mut per_date = 1;
        for (day, count) in self.by_day() {
            if is_plain(&day) {
                weights.push((day, count));
                continue;
            }
            let days = dressed(day, ensemble);
            per_date = per_date.max(days.len() as u64);
            // Weights of dressed days count in parts of a date; brought to one measure below.
            weights.extend(days.into_iter().map(|day| (day, count)));
        }
        let measure = |day: &NaiveDate| if is_plain(day) { per_date } else { 1 };
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
        let mut medians: Vec<NaiveDate> = self.medians.iter().flatten().map(|at| day_at(self.first, *at)).collect();
        medians.sort_unstable();
        let never = (self.medians.len() - medians.len()) as u32;
        Some(StageParts { weather_days: width(at_our_number)?, insect_days: width(spread(&medians, never))? })
    }
}
