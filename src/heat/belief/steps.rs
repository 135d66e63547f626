//! What looks say of a stage's sum: a likelihood that is constant between a few heats.

use super::looks::Look;
use super::normal::{Edge, VANISHING, log_share_between, log_sum};
use super::sums::Sums;

/// A look that is said to see the stage for certain misses it once in so many: a report may be of the wrong tree, and no
/// set of looks is then impossible.
const LEAST_MISS: f64 = 1e-9;

/// Points that stand for the sum of a parent stage.
const PARENT_POINTS: usize = 16;

/// Looks at one place that share one parent's sum.
#[derive(Clone)]
pub(super) struct Site {
    /// Sums of the parent with their weights; one sum of 0 where the stage counts from the biofix.
    parent: Vec<(f64, f64)>,
    looks: Vec<Look>,
}

impl Site {
    pub(super) fn new(parent: Option<&Sums>) -> Self {
        let parent = parent.map_or_else(|| vec![(0.0, 1.0)], |sums| sums.as_points(PARENT_POINTS));
        Self { parent, looks: Vec::new() }
    }

    pub(super) fn same_parent(&self, other: &Self) -> bool {
        self.parent == other.parent
    }

    pub(super) fn add(&mut self, looks: &[Look]) {
        self.looks.extend_from_slice(looks);
        self.looks.sort_by(Look::order);
    }

    /// The same whatever order sites are given in.
    pub(super) fn order(&self, other: &Self) -> std::cmp::Ordering {
        let numbers = |site: &Self| site.parent.iter().flat_map(|(heat, weight)| [*heat, *weight]).collect::<Vec<_>>();
        let (ours, theirs) = (numbers(self), numbers(other));
        let first = ours.iter().zip(&theirs).map(|(a, b)| a.total_cmp(b)).find(|order| order.is_ne());
        first.unwrap_or_else(|| ours.len().cmp(&theirs.len()))
    }

    pub(super) fn looks(&self) -> &[Look] {
        &self.looks
    }

    /// With some of its looks only.
    pub(super) fn where_nth(&self, wanted: impl Fn(usize) -> bool) -> Self {
        let kept = self.looks.iter().enumerate().filter(|(at, _)| wanted(*at));
        Self { parent: self.parent.clone(), looks: kept.map(|(_, look)| look.clone()).collect() }
    }

    /// Below this much less a few SD of the places' sums, no look tells them apart; `None` when nothing was seen.
    pub(super) fn least_bound(&self) -> Option<f64> {
        let seen = self.looks.iter().find(|look| look.seen())?.heat();
        Some(seen - self.parent.last()?.0)
    }

    /// The greatest sum that a look without a sighting speaks against.
    pub(super) fn greatest_bound(&self) -> Option<f64> {
        let missed = self.looks.iter().rev().find(|look| !look.seen())?.heat();
        Some(missed - self.parent.first()?.0)
    }

    /// By how much, as a logarithm, looks that saw nothing can raise one sum over another, both above a given one.
    pub(super) fn weight_of_misses(&self, above: f64) -> f64 {
        let least = self.parent.first().map_or(0.0, |(heat, _)| *heat);
        self.looks.iter().filter(|look| !look.seen() && look.heat() - least > above).map(|look| -log_miss(look)).sum()
    }

    pub(super) fn steps(&self) -> Steps {
        let counted_from_biofix = Steps::of_looks(&self.looks);
        match self.parent[..] {
            [(heat, _)] => counted_from_biofix.moved(-heat),
            _ => Steps::mixed(&counted_from_biofix, &self.parent),
        }
    }
}

fn log_miss(look: &Look) -> f64 {
    (1.0 - look.detection()).max(LEAST_MISS).ln()
}

/// A function of the sum that is constant between breaks, by the logarithm of its values.
#[derive(Clone)]
pub(super) struct Steps {
    /// Ascending.
    breaks: Vec<f64>,
    /// One more than breaks: each is that of the sums above the break before it, up to and with the break after it. At
    /// least one is finite.
    log_values: Vec<f64>,
    /// The greatest of them, and each less that, no logarithms any more.
    log_top: f64,
    values: Vec<f64>,
}

impl Steps {
    pub(super) fn flat() -> Self {
        Self::of(Vec::new(), vec![0.0])
    }

    fn of(breaks: Vec<f64>, log_values: Vec<f64>) -> Self {
        let log_top = log_values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let values = log_values.iter().map(|log| (log - log_top).exp()).collect();
        Self { breaks, log_values, log_top, values }
    }

    /// Looks in ascending order of heat. A sighting says that the stage's sum is no more than the heat then; each look that
    /// saw nothing at a heat up to which it had come must have missed it.
    fn of_looks(looks: &[Look]) -> Self {
        let seen = looks.iter().find(|look| look.seen()).map(Look::heat);
        let early = |look: &&Look| !look.seen() && seen.is_none_or(|seen| look.heat() < seen);
        // From above: what must have been missed whatever the sum, then one look after the other.
        let mut log: f64 = looks.iter().filter(|look| !look.seen() && !early(look)).map(log_miss).sum();
        let (mut breaks, mut log_values) = (Vec::new(), Vec::new());
        if let Some(seen) = seen {
            log_values.push(f64::NEG_INFINITY);
            breaks.push(seen);
        }
        log_values.push(log);
        for look in looks.iter().rev().filter(early) {
            log += log_miss(look);
            if breaks.last() == Some(&look.heat()) {
                log_values.pop();
            } else {
                breaks.push(look.heat());
            }
            log_values.push(log);
        }
        breaks.reverse();
        log_values.reverse();
        Self::of(breaks, log_values)
    }

    fn moved(mut self, by: f64) -> Self {
        for at in &mut self.breaks {
            *at += by;
        }
        self
    }

    /// The mean over what the parent's sum may be.
    fn mixed(from_biofix: &Self, parent: &[(f64, f64)]) -> Self {
        let mut breaks: Vec<f64> =
            parent.iter().flat_map(|(heat, _)| from_biofix.breaks.iter().map(move |at| at - heat)).collect();
        breaks.sort_by(f64::total_cmp);
        breaks.dedup();
        let mut logs = Vec::with_capacity(parent.len());
        Self::by_breaks(breaks, |sum| {
            logs.clear();
            // As the breaks were made, so that a break lies in the interval that it ends.
            let value = |heat: f64| {
                let at = from_biofix.breaks.partition_point(|at| at - heat < sum);
                from_biofix.log_values.get(at).copied().unwrap_or(f64::NEG_INFINITY)
            };
            logs.extend(parent.iter().map(|(heat, weight)| weight.ln() + value(*heat)));
            log_sum(&logs)
        })
    }

    /// The product of several.
    pub(super) fn product(all: &[Self]) -> Self {
        if let [only] = all {
            return only.clone();
        }
        let mut breaks: Vec<f64> = all.iter().flat_map(|steps| steps.breaks.iter().copied()).collect();
        breaks.sort_by(f64::total_cmp);
        breaks.dedup();
        Self::by_breaks(breaks, |sum| all.iter().map(|steps| steps.log_value_at(sum)).sum())
    }

    /// A value for each interval, asked for at its upper end. Neighbours of the same value become one.
    fn by_breaks(breaks: Vec<f64>, mut log_value: impl FnMut(f64) -> f64) -> Self {
        let (mut kept, mut log_values) = (Vec::with_capacity(breaks.len()), Vec::with_capacity(breaks.len() + 1));
        let mut last = None;
        for end in breaks.into_iter().chain([f64::INFINITY]) {
            let log = log_value(end);
            if let Some((at, before)) = last
                && before != log
            {
                kept.push(at);
                log_values.push(before);
            }
            last = Some((end, log));
        }
        log_values.extend(last.map(|(_, log)| log));
        Self::of(kept, log_values)
    }

    /// Without breaks outside of a range.
    pub(super) fn within(&self, low: f64, high: f64) -> Self {
        let from = self.breaks.partition_point(|at| *at < low);
        let to = self.breaks.partition_point(|at| *at <= high).max(from);
        match (self.breaks.get(from..to), self.log_values.get(from..=to)) {
            (Some(breaks), Some(log_values)) if log_values.iter().any(|log| log.is_finite()) => {
                Self::of(breaks.to_vec(), log_values.to_vec())
            }
            _ => self.clone(),
        }
    }

    pub(super) fn is_flat(&self) -> bool {
        self.breaks.is_empty()
    }

    pub(super) fn breaks(&self) -> &[f64] {
        &self.breaks
    }

    pub(super) fn log_top(&self) -> f64 {
        self.log_top
    }

    /// The logarithm of the value, at or below a break that of the interval that it ends.
    pub(super) fn log_value_at(&self, sum: f64) -> f64 {
        let at = self.breaks.partition_point(|at| *at < sum);
        self.log_values.get(at).copied().unwrap_or(f64::NEG_INFINITY)
    }

    /// The logarithm of the mean over sums that are normal about `mean`.
    pub(super) fn log_mean(&self, mean: f64, sd: f64) -> f64 {
        if sd == 0.0 {
            return self.log_value_at(mean);
        }
        let mut from = Edge::LOWEST;
        let mut total = 0.0;
        for (at, value) in self.breaks.iter().zip(&self.values) {
            let to = Edge::at((at - mean) / sd);
            total += value * from.share_to(&to);
            from = to;
        }
        total += self.values.last().copied().unwrap_or(0.0) * from.share_to(&Edge::HIGHEST);
        if total > VANISHING {
            return total.ln() + self.log_top;
        }
        let ends = self.breaks.iter().map(|at| (at - mean) / sd).chain([f64::INFINITY]);
        let mut from = f64::NEG_INFINITY;
        let logs: Vec<f64> = ends
            .zip(&self.log_values)
            .map(|(to, log)| log + log_share_between(std::mem::replace(&mut from, to), to))
            .collect();
        log_sum(&logs)
    }
}
