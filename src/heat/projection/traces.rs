//! Futures as running sums, side by side.

/// Many equally likely futures as running sums of heat, a *lane* each: laid out by day, so that a look at one day finds all
/// futures side by side.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Traces {
    /// The sum that they begin with, °C·day.
    from: f64,
    /// By lane: the past season it was made from.
    seasons: Vec<i32>,
    /// By lane: days until it ends. A lane that has ended stays where it is.
    lengths: Vec<u32>,
    /// Sums at the end of each day, °C·day: by day, then by lane.
    sums: Vec<f64>,
}

impl Traces {
    pub(super) fn begun(from: f64, seasons: Vec<i32>) -> Self {
        Self { from, lengths: vec![0; seasons.len()], seasons, sums: Vec::new() }
    }

    /// From degree-days per day, one list a future with the past season it was made from. What is not a number or below 0
    /// brings nothing.
    pub fn of<'a>(futures: impl IntoIterator<Item = (i32, &'a [f64])>) -> Self {
        let (seasons, lines): (Vec<i32>, Vec<&[f64]>) = futures.into_iter().unzip();
        let mut traces = Self::begun(0.0, seasons);
        let sane = |heat: f64| if heat.is_finite() { heat.max(0.0) } else { 0.0 };
        for day in 0..lines.iter().map(|line| line.len()).max().unwrap_or(0) {
            let before = traces.sums.len().checked_sub(lines.len());
            for (lane, line) in lines.iter().enumerate() {
                let sum = before.and_then(|before| traces.sums.get(before + lane).copied()).unwrap_or(0.0);
                traces.sums.push(sum + line.get(day).copied().map_or(0.0, sane));
                traces.lengths[lane] += u32::from(day < line.len());
            }
        }
        traces
    }

    /// Whether any lane still lacks something to `enough`.
    #[inline(always)]
    pub(super) fn go_on(&self, enough: f64) -> bool {
        match self.newest() {
            Some(sums) => sums.iter().any(|sum| *sum < enough),
            None => !self.seasons.is_empty() && self.from < enough,
        }
    }

    /// One more day. A lane that was at `enough` has ended.
    #[inline(always)]
    pub(super) fn add_day(&mut self, heat: &[f64], enough: f64) {
        let lanes = self.seasons.len();
        let at = self.sums.len();
        self.sums.resize(at + lanes, self.from);
        let (before, today) = self.sums.split_at_mut(at);
        if let Some(before) = before.len().checked_sub(lanes).and_then(|newest| before.get(newest..)) {
            today.copy_from_slice(before);
        }
        for ((sum, length), heat) in today.iter_mut().zip(&mut self.lengths).zip(heat) {
            let goes_on = *sum < enough;
            *sum += if goes_on { *heat } else { 0.0 };
            *length = length.wrapping_add(u32::from(goes_on));
        }
    }

    #[inline(always)]
    fn newest(&self) -> Option<&[f64]> {
        let newest = self.sums.len().checked_sub(self.seasons.len())?;
        self.sums.get(newest..).filter(|sums| !sums.is_empty())
    }

    /// The sum that they begin with, °C·day.
    pub fn from(&self) -> f64 {
        self.from
    }

    /// By lane: the past season it was made from; with few seasons several lanes are of the same.
    pub fn seasons(&self) -> &[i32] {
        &self.seasons
    }

    /// By lane: days until it ends.
    pub fn lengths(&self) -> &[u32] {
        &self.lengths
    }

    /// Days of the longest lane.
    pub fn days(&self) -> usize {
        self.sums.len().checked_div(self.seasons.len()).unwrap_or(0)
    }

    /// By lane: the sum at the end of a day, counted from 0; empty after the last.
    pub fn on(&self, day: usize) -> &[f64] {
        let lanes = self.seasons.len();
        let from = day.saturating_mul(lanes);
        self.sums.get(from..from.saturating_add(lanes)).unwrap_or_default()
    }

    /// Without the lanes of one season.
    pub fn without(&self, season: i32) -> Self {
        let kept: Vec<usize> = (0..self.seasons.len()).filter(|lane| self.seasons[*lane] != season).collect();
        Self {
            from: self.from,
            seasons: kept.iter().map(|lane| self.seasons[*lane]).collect(),
            lengths: kept.iter().map(|lane| self.lengths[*lane]).collect(),
            sums: (0..self.days()).flat_map(|day| kept.iter().map(move |lane| self.on(day)[*lane])).collect(),
        }
    }

    /// The days after the first `skip`, going on from another sum.
    pub fn going_on(&self, skip: usize, from: f64) -> Self {
        let lanes = self.seasons.len();
        let before = |lane: usize| match skip.checked_sub(1) {
            Some(last) => self.on(last).get(lane).copied().unwrap_or(self.from),
            None => self.from,
        };
        let offs: Vec<f64> = (0..lanes).map(|lane| from - before(lane)).collect();
        Self {
            from,
            seasons: self.seasons.clone(),
            lengths: self
                .lengths
                .iter()
                .map(|length| length.saturating_sub(u32::try_from(skip).unwrap_or(u32::MAX)))
                .collect(),
            sums: (skip..self.days())
                .flat_map(|day| self.on(day).iter().zip(&offs).map(|(sum, off)| sum + off))
                .collect(),
        }
    }
}
