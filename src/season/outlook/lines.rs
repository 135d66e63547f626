//! Lines of heat: the season to date, and every future after it.

use std::borrow::Cow;

use chrono::NaiveDate;

use super::OutlookInput;
use super::ensemble::Ensemble;
use super::to_date::HeatToDate;
use crate::heat::projection::Traces;
use crate::season::{days_after, days_between};

/// Running sums, °C·day: one line to date, and from there on a *lane* for each future.
pub(super) struct Lines<'a> {
    /// The day that index 0 stands for: the biofix.
    pub(super) first: NaiveDate,
    /// The last day that a stage may come on.
    pub(super) horizon: NaiveDate,
    pub(super) known: &'a [f64],
    /// Going on from what is known.
    traces: Cow<'a, Traces>,
    /// Of the traces' days, those that lie within the season.
    ahead: usize,
    /// By day still to come: the least and the greatest sum of any lane.
    ends: Vec<[f64; 2]>,
}

impl<'a> Lines<'a> {
    pub(super) fn of(input: &OutlookInput<'a>, to_date: &'a HeatToDate) -> Self {
        let horizon = input.profile.last_day(input.season.year);
        let lines = Self::going_on(to_date.first, &to_date.sums, input.ensemble, horizon);
        if lines.seasons().contains(&input.season.year) {
            let others = lines.traces.without(input.season.year);
            return Self::with(lines.first, lines.known, Cow::Owned(others), horizon);
        }
        lines
    }

    /// From `first` on: what is known, and then the ensemble to `horizon`.
    pub(super) fn going_on(first: NaiveDate, known: &'a [f64], ensemble: &'a Ensemble, horizon: NaiveDate) -> Self {
        let next = days_after(first, u32::try_from(known.len()).unwrap_or(u32::MAX));
        let mut traces = Cow::Borrowed(&ensemble.traces);
        // An ensemble that begins later than the heat to date ends has nothing to say of the days between.
        let skip = usize::try_from(days_between(ensemble.first, next));
        let sum = known.last().copied().unwrap_or(0.0);
        if skip != Ok(0) || traces.from() != sum {
            traces = Cow::Owned(traces.going_on(skip.unwrap_or(usize::MAX), sum));
        }
        Self::with(first, known, traces, horizon)
    }

    fn with(first: NaiveDate, known: &'a [f64], traces: Cow<'a, Traces>, horizon: NaiveDate) -> Self {
        let next = days_after(first, u32::try_from(known.len()).unwrap_or(u32::MAX));
        let within = usize::try_from(days_between(next, horizon) + 1).unwrap_or(0);
        let ahead = traces.days().min(within);
        let ends = (0..ahead).map(|day| ends(traces.on(day))).collect();
        Self { first, horizon, known, traces, ahead, ends }
    }

    /// How many futures there are.
    pub(super) fn lanes(&self) -> usize {
        self.traces.seasons().len()
    }

    /// The past seasons that the futures are made from.
    pub(super) fn seasons(&self) -> &[i32] {
        self.traces.seasons()
    }

    /// Days from the biofix to the end of the longest line.
    pub(super) fn days(&self) -> usize {
        self.known.len() + self.ahead
    }

    /// The index of the last day that a stage may come on; `None` before the first.
    pub(super) fn last_index(&self) -> Option<usize> {
        usize::try_from(days_between(self.first, self.horizon)).ok()
    }

    /// The least sum of any lane on a day still to come.
    pub(super) fn lowest(&self, index: usize) -> f64 {
        self.ends.get(index.saturating_sub(self.known.len())).map_or(f64::INFINITY, |ends| ends[0])
    }

    /// The greatest.
    pub(super) fn highest(&self, index: usize) -> f64 {
        self.ends.get(index.saturating_sub(self.known.len())).map_or(f64::INFINITY, |ends| ends[1])
    }

    /// Sums of a day still to come, by lane. A line that has ended stays where it is: it has brought all the heat that any
    /// stage needs.
    pub(super) fn on(&self, index: usize) -> &[f64] {
        let last = self.ahead.saturating_sub(1);
        self.traces.on(index.saturating_sub(self.known.len()).min(last))
    }

    /// One line whole.
    pub(super) fn line(&self, lane: usize) -> Vec<f64> {
        let ahead = self.traces.lengths().get(lane).map_or(0, |length| *length as usize).min(self.ahead);
        let ahead = (0..ahead).filter_map(|day| self.traces.on(day).get(lane).copied());
        self.known.iter().copied().chain(ahead).collect()
    }
}

/// The least and the greatest.
fn ends(lanes: &[f64]) -> [f64; 2] {
    // Four at a time: one after the other each would wait for the one before.
    let (fours, rest) = lanes.as_chunks::<4>();
    let (mut low, mut high) = ([f64::INFINITY; 4], [f64::NEG_INFINITY; 4]);
    for four in fours {
        for at in 0..4 {
            low[at] = if four[at] < low[at] { four[at] } else { low[at] };
            high[at] = if four[at] > high[at] { four[at] } else { high[at] };
        }
    }
    let low = low.iter().chain(rest).copied().fold(f64::INFINITY, f64::min);
    let high = high.iter().chain(rest).copied().fold(f64::NEG_INFINITY, f64::max);
    [low, high]
}

/// The day that an index of a line stands for.
pub(super) fn day_at(first: NaiveDate, index: usize) -> NaiveDate {
    days_after(first, u32::try_from(index).unwrap_or(u32::MAX))
}
