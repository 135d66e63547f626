//! The standard normal distribution: shares of it in intervals, as numbers and, where those vanish, as logarithms.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// Below this a share is worked out as a logarithm: far above the least number, so that parts of it are still exact.
pub(super) const VANISHING: f64 = 1e-280;

pub(super) fn density(z: f64) -> f64 {
    (-0.5 * z * z).exp() * FRAC_1_SQRT_2 / PI.sqrt()
}

/// The share above `z`, to full relative precision.
pub(super) fn share_above(z: f64) -> f64 {
    0.5 * libm::erfc(z * FRAC_1_SQRT_2)
}

/// The share between two ends, the lower first. In a tail it is a difference of small shares, not of shares near 1.
pub(super) fn share_between(from: f64, to: f64) -> f64 {
    let (from, to) = (Edge::at(from), Edge::at(to));
    from.share_to(&to)
}

/// One end of an interval, with the share beyond it on its own side of the middle: worked out once for both intervals
/// that it ends.
#[derive(Clone, Copy)]
pub(super) struct Edge {
    z: f64,
    beyond: f64,
}

impl Edge {
    pub(super) const LOWEST: Edge = Edge { z: f64::NEG_INFINITY, beyond: 0.0 };
    pub(super) const HIGHEST: Edge = Edge { z: f64::INFINITY, beyond: 0.0 };

    pub(super) fn at(z: f64) -> Self {
        Self { z, beyond: share_above(z.abs()) }
    }

    pub(super) fn share_to(&self, higher: &Edge) -> f64 {
        let share = if self.z >= 0.0 {
            self.beyond - higher.beyond
        } else if higher.z <= 0.0 {
            higher.beyond - self.beyond
        } else {
            1.0 - self.beyond - higher.beyond
        };
        share.max(0.0)
    }
}

/// The natural logarithm of the share between two ends, the lower first; finite unless they are the same.
pub(super) fn log_share_between(from: f64, to: f64) -> f64 {
    let share = share_between(from, to);
    if share > VANISHING {
        return share.ln();
    }
    // Mirrored into the upper tail: what is this small lies on one side of the middle.
    let (from, to) = if from >= 0.0 { (from, to) } else { (-to, -from) };
    let (near, far) = (log_share_above(from), log_share_above(to));
    let fall = far - near;
    if fall > -1e-8 {
        return -0.5 * from * from - 0.5 * (2.0 * PI).ln() + (to - from).ln();
    }
    near + (-fall.exp_m1()).ln()
}

fn log_share_above(z: f64) -> f64 {
    if z < 30.0 {
        return share_above(z).ln();
    }
    if z == f64::INFINITY {
        return f64::NEG_INFINITY;
    }
    // The asymptotic series of the tail; at 30 its next term is below 1e-9 of a 1e-9.
    let s = 1.0 / (z * z);
    -0.5 * z * z - (z * (2.0 * PI).sqrt()).ln() + (-s * (1.0 - 3.0 * s * (1.0 - 5.0 * s * (1.0 - 7.0 * s)))).ln_1p()
}

/// The logarithm of a sum of numbers given by their logarithms.
pub(super) fn log_sum(logs: &[f64]) -> f64 {
    let greatest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if greatest == f64::NEG_INFINITY {
        return greatest;
    }
    // What is more than 45 below the greatest adds less than the last digit, however many there are.
    let sum: f64 = logs.iter().map(|log| log - greatest).filter(|log| *log > -45.0).map(f64::exp).sum();
    greatest + sum.ln()
}
