//! Evenly spaced points to integrate over. For what is smooth and vanishes at both ends, the plain sum over such points
//! converges faster than any power of the step: Trefethen & Weideman 2014, SIAM Review 56:385-458 (from memory).

use super::normal::log_sum;
use super::sums::{Knot, Sums};

/// What is asked of an integral.
#[derive(Clone, Copy)]
pub(super) struct Care {
    /// What is less than the greatest by this much, as a logarithm, is left out.
    pub(super) negligible: f64,
    /// Steps of the lattice in the narrowest SD that the integrand can have: the error of a sum is about exp(-2π² / step²).
    pub(super) step: f64,
}

/// The same steps for finding where an integrand is not negligible.
const COARSE: f64 = 3.0;

/// Points to begin finding that with, at most.
const FIRST: f64 = 150.0;

/// Points in what is shown as a distribution, at least.
const SHOWN: f64 = 200.0;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lattice {
    pub(super) first: f64,
    pub(super) step: f64,
    pub(super) count: usize,
}

impl Lattice {
    pub(super) fn single(at: f64) -> Self {
        Self { first: at, step: 0.0, count: 1 }
    }

    fn over(low: f64, high: f64, step: f64) -> Self {
        let count = ((high - low) / step).ceil().max(1.0) as usize + 1;
        Self { first: low, step, count }
    }

    /// To find where an integrand is not negligible.
    pub(super) fn coarse(low: f64, high: f64, narrowest_sd: f64) -> Self {
        Self::over(low, high, (COARSE * narrowest_sd).max((high - low) / FIRST))
    }

    /// By how much, as a logarithm, the integrand may lie above what its points show: its curvature is at most that of a
    /// normal curve of that SD.
    pub(super) fn hidden(&self, narrowest_sd: f64) -> f64 {
        if self.count == 1 { 0.0 } else { (self.step / narrowest_sd).powi(2) / 8.0 }
    }

    /// The part where the integrand, given by its logarithms, is not less than the greatest by more than so much.
    pub(super) fn part(&self, logs: &[f64], less: f64) -> (f64, f64) {
        let greatest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let matters = |log: &f64| *log >= greatest - less;
        let first = logs.iter().position(matters).unwrap_or(0);
        let last = logs.iter().rposition(matters).unwrap_or(self.count - 1);
        (self.node(first) - self.step, self.node(last) + self.step)
    }

    /// A closer one over a part, as far as it is much smaller or the step was wider than it need be.
    pub(super) fn closer(&self, (low, high): (f64, f64), narrowest_sd: f64) -> Option<Self> {
        let wanted = COARSE * narrowest_sd;
        if self.count == 1 || self.step <= wanted {
            return None;
        }
        let shrank = high - low < 0.5 * self.step * self.count as f64;
        Some(if shrank { Self::coarse(low, high, narrowest_sd) } else { Self::over(low, high, wanted) })
    }

    /// One to integrate over. `shown` is for an integrand that is a distribution to be shown.
    pub(super) fn fine(&self, (low, high): (f64, f64), step: f64, shown: bool) -> Self {
        if self.count == 1 {
            return *self;
        }
        Self::over(low, high, if shown { step.min((high - low) / SHOWN) } else { step })
    }

    /// For each point of this lattice, the logarithm of the sum of what lies on another one, weighted by a normal curve
    /// about it; but for a factor.
    pub(super) fn smoothed(&self, sd: f64, over: &Self, logs: &[f64]) -> Vec<f64> {
        let greatest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let last = over.count - 1;
        let nearest = |node: f64| {
            if over.step > 0.0 { (((node - over.first) / over.step).round() as usize).min(last) } else { 0 }
        };
        let mut scratch = Vec::with_capacity(over.count);
        self.nodes()
            .map(|node| {
                // The nearest point alone makes all negligible from some distance on.
                let near = nearest(node);
                let least = logs.get(near).map_or(greatest, |log| log + log_normal(node - over.node(near), sd));
                let reach = sd * (2.0 * (greatest - least + 45.0)).sqrt();
                let (from, to) = (nearest(node - reach), nearest(node + reach));
                scratch.clear();
                let logs = logs.get(from..=to).unwrap_or(logs).iter().zip(from..);
                scratch.extend(logs.map(|(log, at)| log + log_normal(node - over.node(at), sd)));
                log_sum(&scratch)
            })
            .collect()
    }

    pub(super) fn node(&self, nth: usize) -> f64 {
        self.first + nth as f64 * self.step
    }

    pub(super) fn nodes(&self) -> impl Iterator<Item = f64> + '_ {
        (0..self.count).map(|nth| self.node(nth))
    }

    /// The distribution whose density at the points has these logarithms.
    pub(super) fn distribution(&self, logs: &[f64]) -> Option<Sums> {
        let greatest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let densities: Vec<f64> = logs.iter().map(|log| (log - greatest).exp()).collect();
        let density =
            |at: usize, off: isize| at.checked_add_signed(off).and_then(|at| densities.get(at)).unwrap_or(&0.0);
        let mut below = 0.0;
        let knots = densities.iter().enumerate().map(|(at, here)| {
            let knot = Knot { heat: self.node(at), below, before: *here, after: *here };
            // The integral up to the next point of the polynomial through six.
            let of = |off| density(at, off);
            let six = 802.0 * (of(0) + of(1)) - 93.0 * (of(-1) + of(2)) + 11.0 * (of(-2) + of(3));
            below += (six / 1440.0 * self.step).max(0.0);
            knot
        });
        Sums::of_knots(knots.collect())
    }
}

/// The logarithm of a normal curve but for its factor; that of an SD of 0 is only ever asked for at its middle.
pub(super) fn log_normal(off: f64, sd: f64) -> f64 {
    if sd == 0.0 { 0.0 } else { -0.5 * (off / sd).powi(2) }
}
