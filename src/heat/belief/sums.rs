//! A distribution of heat sums, as a table of its cumulative shares.

use super::fault::BeliefError;

/// A distribution of heat sums, °C·day: what is believed of the sum at which a stage comes.
///
/// Between the knots of the table the cumulative share is a cubic that has the right slope at each end (the density), held
/// to be monotone as Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17:238-246 (from memory), so that quantiles are good to
/// a millionth of the sum with few knots. Of a distribution that is a list of points it is linear.
#[derive(Clone, Debug, PartialEq)]
pub struct Sums {
    /// Ascending, at least one; the share below the first and above the last may be more than nothing only for points.
    knots: Vec<Knot>,
    mean: f64,
    sd: f64,
    /// Ascending with weights that add to 1, where the distribution was made of points.
    points: Vec<(f64, f64)>,
}

/// A place in the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Knot {
    pub(super) heat: f64,
    /// Share of sums below it.
    pub(super) below: f64,
    /// Density just before and just after: it jumps where a look rules sums out.
    pub(super) before: f64,
    pub(super) after: f64,
}

impl Sums {
    /// One sum for certain. `None` when it is not finite.
    pub fn exactly(heat: f64) -> Option<Self> {
        heat.is_finite().then(|| Self::certain(heat))
    }

    pub(super) fn certain(heat: f64) -> Self {
        let knots = vec![Knot { heat, below: 0.5, before: 0.0, after: 0.0 }];
        Self { knots, mean: heat, sd: 0.0, points: vec![(heat, 1.0)] }
    }

    /// Sums with their weights, in any order; weights need not add to 1. Mean and SD are those of the points; the
    /// cumulative share rises in straight lines from one to the next, with half of a point's weight to each side of it.
    ///
    /// # Errors
    /// When there is no point, a number is not finite, a weight is negative or all are 0.
    pub fn of_points(points: &[(f64, f64)]) -> Result<Self, BeliefError> {
        let sound = |(heat, weight): &(f64, f64)| heat.is_finite() && weight.is_finite() && *weight >= 0.0;
        let total: f64 = points.iter().map(|(_, weight)| weight).sum();
        if !(points.iter().all(sound) && total > 0.0 && total.is_finite()) {
            return Err(BeliefError::Points);
        }
        let mut points: Vec<(f64, f64)> = points.iter().copied().filter(|(_, weight)| *weight > 0.0).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        points.dedup_by(|next, kept| {
            let same = next.0 == kept.0;
            if same {
                kept.1 += next.1;
            }
            same
        });
        let total: f64 = points.iter().map(|(_, weight)| weight).sum();
        for (_, weight) in &mut points {
            *weight /= total;
        }
        let mean: f64 = points.iter().map(|(heat, weight)| heat * weight).sum();
        let variance: f64 = points.iter().map(|(heat, weight)| (heat - mean).powi(2) * weight).sum();
        let mut before = 0.0;
        let mut knots: Vec<Knot> = points
            .iter()
            .map(|(heat, weight)| {
                let below = before + weight / 2.0;
                before += weight;
                Knot { heat: *heat, below, before: 0.0, after: 0.0 }
            })
            .collect();
        for at in 1..knots.len() {
            if let Some([from, to]) = knots.get_mut(at - 1..=at) {
                let slope = (to.below - from.below) / (to.heat - from.heat);
                (from.after, to.before) = (slope, slope);
            }
        }
        Ok(Self { knots, mean, sd: variance.sqrt(), points })
    }

    /// A table of a distribution with a density: ascending knots, from the share 0 up to any number, which becomes 1.
    /// `None` when there is nothing in it.
    pub(super) fn of_knots(mut knots: Vec<Knot>) -> Option<Self> {
        let total = knots.last()?.below;
        if !(total > 0.0 && total.is_finite()) {
            return None;
        }
        for knot in &mut knots {
            *knot = Knot {
                heat: knot.heat,
                below: knot.below / total,
                before: knot.before / total,
                after: knot.after / total,
            };
        }
        // Ends that hold nothing go.
        let first = knots.partition_point(|knot| knot.below < 1e-15).saturating_sub(1);
        let last = knots.partition_point(|knot| knot.below < 1.0 - 1e-15);
        knots.truncate(last + 1);
        knots.drain(..first);
        if let Some(first) = knots.first_mut() {
            first.below = 0.0;
        }
        if let Some(last) = knots.last_mut() {
            last.below = 1.0;
        }
        let (mean, sd) = moments(&knots)?;
        Some(Self { knots, mean, sd, points: Vec::new() })
    }

    /// °C·day.
    pub fn mean(&self) -> f64 {
        self.mean
    }

    /// Standard deviation, °C·day.
    pub fn sd(&self) -> f64 {
        self.sd
    }

    pub fn median(&self) -> f64 {
        self.quantile(0.5)
    }

    /// The sum that a share of all lies below. Shares outside of 0 to 1 count as 0 or 1.
    pub fn quantile(&self, share: f64) -> f64 {
        let at = self.knots.partition_point(|knot| knot.below <= share);
        let (from, to) = match (at.checked_sub(1).and_then(|at| self.knots.get(at)), self.knots.get(at)) {
            (Some(from), Some(to)) => (from, to),
            (Some(only), None) | (None, Some(only)) => return only.heat,
            (None, None) => return self.mean,
        };
        let cubic = Cubic::between(from, to);
        let (mut low, mut high) = (0.0, 1.0);
        // Each halving gains a bit; there are 53.
        for _ in 0..53 {
            let middle = 0.5 * (low + high);
            if cubic.at(middle) <= share {
                low = middle;
            } else {
                high = middle;
            }
        }
        from.heat + 0.5 * (low + high) * (to.heat - from.heat)
    }

    /// The share of sums up to this one: the chance that the stage has come when so much heat has.
    pub fn share_below(&self, heat: f64) -> f64 {
        let at = self.knots.partition_point(|knot| knot.heat <= heat);
        match (at.checked_sub(1).and_then(|at| self.knots.get(at)), self.knots.get(at)) {
            (Some(from), Some(to)) => {
                let part = (heat - from.heat) / (to.heat - from.heat);
                Cubic::between(from, to).at(part).clamp(from.below, to.below)
            }
            (Some(_), None) => 1.0,
            (None, _) => 0.0,
        }
    }

    /// So many sums that stand for equal shares: the quantiles at (k + 0.5) / `count`, ascending.
    pub fn quantiles(&self, count: usize) -> Vec<f64> {
        (0..count).map(|k| self.quantile((k as f64 + 0.5) / count as f64)).collect()
    }

    /// Points with weights that stand for the whole: those it was made of if they are no more than `count`, else evenly
    /// spaced ones with the shares about them, moved and stretched a little so that mean and SD are kept.
    pub(super) fn as_points(&self, count: usize) -> Vec<(f64, f64)> {
        if !self.points.is_empty() && self.points.len() <= count {
            return self.points.clone();
        }
        let (low, high) = (self.quantile(1e-4), self.quantile(1.0 - 1e-4));
        let width = (high - low) / count as f64;
        let end = |nth: usize| match nth {
            0 => 0.0,
            nth if nth >= count => 1.0,
            nth => self.share_below(low + nth as f64 * width),
        };
        let points = (0..count).map(|nth| (low + (nth as f64 + 0.5) * width, end(nth + 1) - end(nth)));
        let points: Vec<(f64, f64)> = points.filter(|(_, share)| *share > 0.0).collect();
        let mean: f64 = points.iter().map(|(heat, share)| heat * share).sum();
        let sd = points.iter().map(|(heat, share)| (heat - mean).powi(2) * share).sum::<f64>().sqrt();
        let stretch = if sd > 0.0 { self.sd / sd } else { 1.0 };
        points.into_iter().map(|(heat, share)| (self.mean + (heat - mean) * stretch, share)).collect()
    }
}

/// Mean and SD of what a table says: by parts, ∫ x dF = x F - ∫ F dx, and likewise for the square.
fn moments(knots: &[Knot]) -> Option<(f64, f64)> {
    // From the middle, so that squares stay small.
    let start = knots.get(knots.partition_point(|knot| knot.below < 0.5))?.heat;
    let (mut area, mut moment) = (0.0, 0.0);
    for pair in knots.windows(2) {
        let [from, to] = pair else { continue };
        let width = to.heat - from.heat;
        let (rise, fall) = (from.after * width, to.before * width);
        // Integrals of the cubic, and of it times the part of the way.
        let whole = 0.5 * (from.below + to.below) + (rise - fall) / 12.0;
        let weighted = (3.0 * from.below + 7.0 * to.below) / 20.0 + rise / 30.0 - fall / 20.0;
        area += width * whole;
        moment += width * ((from.heat - start) * whole + width * weighted);
    }
    let end = knots.last()?.heat - start;
    let mean = end - area;
    let square = end * end - 2.0 * moment;
    Some((start + mean, (square - mean * mean).max(0.0).sqrt()))
}

/// The cumulative share between two knots, over the part of the way from the one to the other.
struct Cubic {
    from: f64,
    to: f64,
    rise: f64,
    fall: f64,
}

impl Cubic {
    fn between(from: &Knot, to: &Knot) -> Self {
        let width = to.heat - from.heat;
        // Slopes of no more than three times the secant's keep it monotone.
        let most = 3.0 * (to.below - from.below);
        Self {
            from: from.below,
            to: to.below,
            rise: (from.after * width).min(most),
            fall: (to.before * width).min(most),
        }
    }

    fn at(&self, part: f64) -> f64 {
        let rest = 1.0 - part;
        let step = part * part * (3.0 - 2.0 * part);
        self.from + (self.to - self.from) * step + part * rest * (self.rise * rest - self.fall * part)
    }
}
