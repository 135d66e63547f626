//! The search: for each lower threshold, all sums that make a difference, walked through once.

use super::folds::Folds;
use super::observations::{SiteYear, check_days};
use super::scores::{Scores, score_predictions};
use super::sums::{predictions, running_sums};
use super::{FitError, NEVER_DAY, SAME_SUM};
use crate::heat::{Cutoff, DayTemperatures, HeatRule, HeatRuleError, Method};

/// What is searched.
#[derive(Clone, Debug, PartialEq)]
pub struct Search {
    pub method: Method,
    pub cutoff: Cutoff,
    pub upper_c: Option<f64>,
    /// Lower thresholds to try, ascending: see [`grid`].
    pub lowers_c: Vec<f64>,
    /// Of thresholds that err alike, the one nearest to this is taken, of two equally near the lower.
    pub prefer_c: f64,
}

impl Search {
    pub(super) fn rule(&self, lower_c: f64) -> Result<HeatRule, HeatRuleError> {
        HeatRule::new(self.method, lower_c, self.upper_c, self.cutoff)
    }
}

/// Thresholds from one to another, both included, at the decimal numbers that a person would write.
///
/// # Errors
/// When the ends are not finite or in the wrong order, the step is not above 0, or there would be more than 100,000.
pub fn grid(from_c: f64, to_c: f64, step_c: f64) -> Result<Vec<f64>, FitError> {
    let count = ((to_c - from_c) / step_c + 1e-6).floor();
    if !(from_c.is_finite() && to_c.is_finite() && step_c > 0.0 && from_c <= to_c && count < 100_000.0) {
        return Err(FitError::Grid { from_c, to_c, step_c });
    }
    // Rounded, so that 3.3 is 3.3 and not 3.3000000000000007.
    Ok((0..=count as u32).map(|nth| ((from_c + f64::from(nth) * step_c) * 1e6).round() / 1e6).collect())
}

/// Required sums that all predict the same days: above one, up to and with the other, °C·day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SumRange {
    pub above: f64,
    /// Infinite where never reaching it is as good.
    pub up_to: f64,
}

impl SumRange {
    /// The number of the range that is shortest to write, near its middle.
    pub fn plain(self) -> f64 {
        if !self.up_to.is_finite() {
            return self.above + 1.0;
        }
        let middle = (self.above + self.up_to) / 2.0;
        (0..=6)
            .map(|decimals| {
                let scale = 10f64.powi(decimals);
                (middle * scale).round() / scale
            })
            .find(|value| *value > self.above + 2.0 * SAME_SUM && *value < self.up_to - 2.0 * SAME_SUM)
            .unwrap_or(middle)
    }
}

/// One threshold with its best sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ErrorPoint {
    pub lower_c: f64,
    pub sum: SumRange,
    /// At [`SumRange::plain`]; the RMSE is that of the whole range.
    pub scores: Scores,
}

/// The best sum for one rule, with its scores; also for a single record. `None` without any.
pub fn best_sum(site_years: &[SiteYear], rule: &HeatRule) -> Option<(SumRange, Scores)> {
    if site_years.iter().all(|site_year| site_year.seen.is_empty())
        || site_years.iter().any(|of| check_days(of).is_err())
    {
        return None;
    }
    let seasons: Vec<Season> = site_years.iter().map(Season::of).collect();
    let mut sweep = Sweep::default();
    sweep.run(&seasons, rule, &Folds::none(site_years.len()));
    let sum = sweep.tracks.first()?.best;
    let predicted = predictions(&sweep.sums, sum.plain());
    Some((sum, score_predictions(site_years.iter().zip(predicted))))
}

/// A site-year as the sweep sees it.
pub(super) struct Season<'a> {
    pub(super) days: &'a [DayTemperatures],
    /// Summed squared errors of a prediction for each day; the last entry is "never".
    pub(super) cost: Vec<i64>,
    /// The first and the last entry of least cost. Costs only fall before the first and only rise after the last, since
    /// each record's does.
    pub(super) early: usize,
    pub(super) late: usize,
}

impl<'a> Season<'a> {
    pub(super) fn of(site_year: &'a SiteYear) -> Self {
        let on = |day: i32| site_year.seen.iter().map(|seen| seen.error(day).pow(2)).sum::<i64>();
        let cost: Vec<i64> = (0..site_year.days.len() as i32).chain([NEVER_DAY]).map(on).collect();
        let least = cost.iter().min().copied().unwrap_or(0);
        let early = cost.iter().position(|cost| *cost == least).unwrap_or(0);
        let late = cost.iter().rposition(|cost| *cost == least).unwrap_or(0);
        Self { days: &site_year.days, cost, early, late }
    }

    fn cost_at(&self, at: usize) -> i64 {
        self.cost.get(at).or(self.cost.last()).copied().unwrap_or(0)
    }
}

/// The best of one fold so far, over thresholds.
#[derive(Clone, Copy)]
pub(super) struct Candidate {
    pub(super) cost: i64,
    pub(super) off: f64,
    pub(super) lower_c: f64,
    pub(super) sum: SumRange,
}

impl Candidate {
    pub(super) fn beats(&self, other: &Candidate) -> bool {
        // Thresholds come ascending, so that of two equally far off the lower stays.
        self.cost < other.cost || (self.cost == other.cost && self.off < other.off - 1e-9)
    }
}

/// The best range of sums of one fold at one threshold.
#[derive(Clone, Copy)]
pub(super) struct Track {
    pub(super) cost: i64,
    pub(super) best: SumRange,
    /// The range under way if it costs the least seen so far.
    pub(super) run: Option<SumRange>,
}

impl Track {
    const START: Track = Track { cost: i64::MAX, best: SumRange { above: 0.0, up_to: 0.0 }, run: None };

    /// Ranges come in order and without gaps; equal neighbours become one, and of several apart the widest is kept.
    fn see(&mut self, cost: i64, range: SumRange) {
        if cost > self.cost {
            self.run = None;
            return;
        }
        let run = match self.run {
            Some(run) if cost == self.cost => SumRange { up_to: range.up_to, ..run },
            _ => range,
        };
        self.run = Some(run);
        if cost < self.cost || run.up_to - run.above > self.best.up_to - self.best.above {
            self.best = run;
        }
        self.cost = cost;
    }
}

/// Walks through all sums at one threshold. Kept between thresholds for its memory only.
#[derive(Default)]
pub(super) struct Sweep {
    /// Running sums by site-year.
    pub(super) sums: Vec<Vec<f64>>,
    steps: Vec<Step>,
    /// By fold: the cost of the site-years it leaves out.
    left_out: Vec<i64>,
    pub(super) tracks: Vec<Track>,
}

/// Above this sum a site-year's prediction moves on to a later entry of its costs.
#[derive(Clone, Copy)]
struct Step {
    sum: f64,
    season: usize,
    change: i64,
}

impl Sweep {
    pub(super) fn run(&mut self, seasons: &[Season], rule: &HeatRule, folds: &Folds) {
        self.sums.clear();
        self.sums.extend(seasons.iter().map(|season| running_sums(rule, season.days)));
        let Span { start, end } = self.span(seasons);

        self.steps.clear();
        self.left_out.clear();
        self.left_out.resize(folds.count(), 0);
        self.tracks.clear();
        self.tracks.resize(folds.count(), Track::START);
        let mut total = 0;
        for (nth, (season, sums)) in seasons.iter().zip(&self.sums).enumerate() {
            let mut at = sums.partition_point(|sum| *sum <= start + SAME_SUM);
            let mut cost = season.cost_at(at);
            total += cost;
            for fold in folds.of.get(nth).into_iter().flatten() {
                if let Some(left_out) = self.left_out.get_mut(*fold) {
                    *left_out += cost;
                }
            }
            while let Some(sum) = sums.get(at).copied() {
                at += sums.iter().skip(at).take_while(|later| **later <= sum + SAME_SUM).count();
                let next = season.cost_at(at);
                self.steps.push(Step { sum, season: nth, change: next - cost });
                cost = next;
                // The first step beyond the span bounds the range in which the last best day is just passed, as happens
                // when no heat comes on it.
                if sum > end + SAME_SUM {
                    break;
                }
            }
        }
        self.steps.sort_unstable_by(|a, b| a.sum.total_cmp(&b.sum));

        let mut above = start;
        let mut steps = self.steps.iter().peekable();
        while let Some(first) = steps.peek().map(|step| step.sum) {
            see(&mut self.tracks, &self.left_out, total, SumRange { above, up_to: first });
            while let Some(step) = steps.next_if(|step| step.sum <= first + SAME_SUM) {
                total += step.change;
                for fold in folds.of.get(step.season).into_iter().flatten() {
                    if let Some(left_out) = self.left_out.get_mut(*fold) {
                        *left_out += step.change;
                    }
                }
                above = step.sum;
            }
        }
        // Among the best only where no heat comes any more.
        see(&mut self.tracks, &self.left_out, total, SumRange { above, up_to: f64::INFINITY });
    }

    /// The sums that matter to the best, for all records as for any part of them.
    ///
    /// Up to the least sum at which some site-year comes to its best day, no prediction is too late and each step
    /// forward betters it. Beyond the greatest sum that one has on its last best day, every prediction is late, and each
    /// step makes it worse.
    fn span(&self, seasons: &[Season]) -> Span {
        let sum_at = |sums: &[f64], at: usize| sums.get(at).copied().unwrap_or(f64::INFINITY);
        let both = || seasons.iter().zip(&self.sums);
        let first = both().map(|(season, sums)| sum_at(sums, season.early)).fold(f64::INFINITY, f64::min);
        let end = both().map(|(season, sums)| sum_at(sums, season.late)).fold(0.0, f64::max);
        // Where the range that ends at `first` begins, in each site-year by itself: folds have fewer of them.
        let begin = |sums: &Vec<f64>| {
            let at = sums.partition_point(|sum| *sum < first - SAME_SUM);
            at.checked_sub(1).and_then(|at| sums.get(at)).copied().unwrap_or(0.0)
        };
        let start = self.sums.iter().map(begin).fold(first, f64::min);
        Span { start: if start.is_finite() { start.max(0.0) } else { 0.0 }, end }
    }
}

struct Span {
    start: f64,
    /// Infinite where never coming is among the best.
    end: f64,
}

fn see(tracks: &mut [Track], left_out: &[i64], total: i64, range: SumRange) {
    for (track, left_out) in tracks.iter_mut().zip(left_out) {
        track.see(total - left_out, range);
    }
}

/// The day of each site-year, from the biofix, on which a rule reaches the required sum (°C·day); `None` where it does not.
pub fn predicted_by(site_years: &[SiteYear], rule: &HeatRule, required: f64) -> Vec<Option<i32>> {
    let sums: Vec<Vec<f64>> = site_years.iter().map(|site_year| running_sums(rule, &site_year.days)).collect();
    predictions(&sums, required).collect()
}
