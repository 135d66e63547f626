//! Degree-days of one day by the published methods.
//!
//! Curves: single sine, Baskerville & Emin 1969, Ecology 50:514-517; double sine, Allen 1976, Environ. Entomol. 5:388-396;
//! triangles and tables, Zalom et al. 1983, UC leaflet 21373; averages with and without replacement, McMaster &
//! Wilhelm 1997, Agric. For. Meteorol. 87:291-300; intermediate cut-off, Roltsch et al. 1999, Int. J. Biometeorol.
//! 42:169-176.
//!
//! The six published cases of each curve are not written out. Every case follows from two numbers of a piece of curve
//! between two temperatures: its mean excess above a level and the share of time it spends above that level.

use std::f64::consts::{FRAC_PI_2, PI};
use std::fmt;

use serde::{Deserialize, Serialize};

use super::{DailySeries, DayTemperatures};

/// How a day's curve is drawn between its extremes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// The whole day at the mean of its extremes.
    Average,
    /// Each extreme is held to the thresholds before the mean is taken (the corn rule): half a day at each extreme.
    AverageWithReplacement,
    /// Straight from minimum to maximum and back.
    SingleTriangle,
    /// Straight from minimum to maximum, then down to the next day's minimum.
    DoubleTriangle,
    /// One sine wave about the day's mean.
    SingleSine,
    /// Half a sine wave up from the minimum, half a one down to the next day's minimum.
    DoubleSine,
}

impl Method {
    pub const ALL: [Method; 6] = [
        Method::Average,
        Method::AverageWithReplacement,
        Method::SingleTriangle,
        Method::DoubleTriangle,
        Method::SingleSine,
        Method::DoubleSine,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Method::Average => "average",
            Method::AverageWithReplacement => "average-with-replacement",
            Method::SingleTriangle => "single-triangle",
            Method::DoubleTriangle => "double-triangle",
            Method::SingleSine => "single-sine",
            Method::DoubleSine => "double-sine",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|method| method.name() == name)
    }

    /// Whether a day's heat depends on the next day's minimum.
    pub fn looks_at_next_day(self) -> bool {
        matches!(self, Method::DoubleTriangle | Method::DoubleSine)
    }
}

impl fmt::Display for Method {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// What heat above the upper threshold counts for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cutoff {
    /// Development goes on ever faster.
    None,
    /// It stays as fast as at the upper threshold.
    Horizontal,
    /// It slows by as much as the temperature is above the upper threshold, down to a standstill but never backwards: at
    /// no instant is the rate below zero. The clamp is our definition, since the original text was not at hand.
    Intermediate,
    /// It stops above the upper threshold.
    Vertical,
}

impl Cutoff {
    pub const ALL: [Cutoff; 4] = [Cutoff::None, Cutoff::Horizontal, Cutoff::Intermediate, Cutoff::Vertical];

    pub fn name(self) -> &'static str {
        match self {
            Cutoff::None => "none",
            Cutoff::Horizontal => "horizontal",
            Cutoff::Intermediate => "intermediate",
            Cutoff::Vertical => "vertical",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|cutoff| cutoff.name() == name)
    }
}

impl fmt::Display for Cutoff {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A method with its thresholds: all that is needed to turn temperatures into degree-days.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatRule {
    method: Method,
    lower_c: f64,
    upper_c: Option<f64>,
    cutoff: Cutoff,
}

#[derive(Debug, thiserror::Error, PartialEq)]
pub enum HeatRuleError {
    #[error("lower threshold {lower} must be below the upper threshold {upper}")]
    LowerNotBelowUpper { lower: f64, upper: f64 },
    #[error("cut-off `{0}` needs an upper threshold")]
    CutoffNeedsUpper(Cutoff),
    #[error("threshold {0} is not a finite number")]
    NotFinite(f64),
}

impl HeatRule {
    /// With [`Cutoff::None`] an upper threshold is kept but has no part in the sum.
    ///
    /// # Errors
    /// When a threshold is not finite, the lower is not below the upper, or a cut-off has no upper threshold to act at.
    pub fn new(method: Method, lower_c: f64, upper_c: Option<f64>, cutoff: Cutoff) -> Result<Self, HeatRuleError> {
        if !lower_c.is_finite() {
            return Err(HeatRuleError::NotFinite(lower_c));
        }
        match upper_c {
            Some(upper) if !upper.is_finite() => return Err(HeatRuleError::NotFinite(upper)),
            Some(upper) if upper <= lower_c => {
                return Err(HeatRuleError::LowerNotBelowUpper { lower: lower_c, upper });
            }
            None if cutoff != Cutoff::None => return Err(HeatRuleError::CutoffNeedsUpper(cutoff)),
            _ => {}
        }
        Ok(Self { method, lower_c, upper_c, cutoff })
    }

    pub fn method(&self) -> Method {
        self.method
    }

    pub fn lower_c(&self) -> f64 {
        self.lower_c
    }

    pub fn upper_c(&self) -> Option<f64> {
        self.upper_c
    }

    pub fn cutoff(&self) -> Cutoff {
        self.cutoff
    }

    /// °C·day of one day; never negative, and 0 for a value that is not finite. `next_min_c` matters to the double
    /// methods only; without it they use the day's own minimum. Extremes the wrong way round are taken in order.
    pub fn degree_days(&self, day: DayTemperatures, next_min_c: Option<f64>) -> f64 {
        let next_min_c = next_min_c.filter(|value| value.is_finite()).unwrap_or(day.min_c);
        let total = match self.method {
            Method::Average => {
                let mean = (day.min_c + day.max_c) / 2.0;
                self.total(&[Piece::steady(mean)])
            }
            Method::AverageWithReplacement => self.total(&[Piece::steady(day.min_c), Piece::steady(day.max_c)]),
            Method::SingleTriangle => self.total(&[Piece::triangle(day.min_c, day.max_c)]),
            Method::DoubleTriangle => {
                self.total(&[Piece::triangle(day.min_c, day.max_c), Piece::triangle(day.max_c, next_min_c)])
            }
            Method::SingleSine => self.total(&[Piece::sine(day.min_c, day.max_c)]),
            Method::DoubleSine => self.total(&[Piece::sine(day.min_c, day.max_c), Piece::sine(day.max_c, next_min_c)]),
        };
        if total.is_finite() { total.max(0.0) } else { 0.0 }
    }

    /// °C·day of every day of a series, `None` where a day has no temperatures. The double methods look at the next
    /// calendar day where it is there.
    pub fn series(&self, series: &DailySeries) -> Vec<Option<f64>> {
        let next_minima = series.days.iter().skip(1).map(|day| day.map(|day| day.min_c)).chain([None]);
        series.days.iter().zip(next_minima).map(|(day, next)| day.map(|day| self.degree_days(day, next))).collect()
    }

    /// °C·day from the first day to the end of each, of days in a row.
    pub fn running_sums(&self, days: &[DayTemperatures]) -> Vec<f64> {
        let mut sums = vec![0.0; days.len()];
        if self.method.looks_at_next_day() {
            for (at, (heat, day)) in sums.iter_mut().zip(days).enumerate() {
                *heat = self.degree_days(*day, days.get(at + 1).map(|next| next.min_c));
            }
        } else {
            let (min_c, max_c): (Vec<f64>, Vec<f64>) = days.iter().map(|day| (day.min_c, day.max_c)).unzip();
            self.degree_days_of(&min_c, &max_c, &mut sums);
        }
        let mut sum = 0.0;
        for heat in &mut sums {
            sum += *heat;
            *heat = sum;
        }
        sums
    }

    /// °C·day that a day spent on one curve piece after another, each for the same time, would give.
    fn total(&self, pieces: &[Piece]) -> f64 {
        let mean = |part: fn(&Piece, f64) -> f64, level: f64| {
            pieces.iter().map(|piece| part(piece, level)).sum::<f64>() / pieces.len() as f64
        };
        let above_lower = mean(Piece::excess_above, self.lower_c);
        let Some(upper) = self.upper_c else { return above_lower };
        let above_upper = mean(Piece::excess_above, upper);
        match self.cutoff {
            Cutoff::None => above_lower,
            Cutoff::Horizontal => above_lower - above_upper,
            Cutoff::Intermediate => {
                // Where the falling rate meets zero; what lies above is given back, so that it stays there.
                let standstill = 2.0 * upper - self.lower_c;
                above_lower - 2.0 * above_upper + mean(Piece::excess_above, standstill)
            }
            Cutoff::Vertical => above_lower - above_upper - (upper - self.lower_c) * mean(Piece::share_above, upper),
        }
    }
}

/// A piece of a day's curve between two temperatures.
struct Piece {
    shape: Shape,
    low: f64,
    high: f64,
}

#[derive(Clone, Copy)]
enum Shape {
    Sine,
    Straight,
}

impl Piece {
    fn sine(from: f64, to: f64) -> Self {
        Self { shape: Shape::Sine, low: from.min(to), high: from.max(to) }
    }

    fn triangle(from: f64, to: f64) -> Self {
        Self { shape: Shape::Straight, low: from.min(to), high: from.max(to) }
    }

    fn steady(at: f64) -> Self {
        Self { shape: Shape::Straight, low: at, high: at }
    }

    /// Mean over the piece of the part of the temperature that is above `level`.
    fn excess_above(&self, level: f64) -> f64 {
        let Piece { low, high, .. } = *self;
        let mean = (low + high) / 2.0;
        if high <= level {
            0.0
        } else if low >= level {
            mean - level
        } else {
            match self.shape {
                Shape::Straight => (high - level).powi(2) / (2.0 * (high - low)),
                Shape::Sine => {
                    let theta = self.angle_of(level);
                    ((mean - level) * (FRAC_PI_2 - theta) + (high - low) / 2.0 * theta.cos()) / PI
                }
            }
        }
    }

    /// Share (0-1) of the piece's time that is above `level`.
    fn share_above(&self, level: f64) -> f64 {
        let Piece { low, high, .. } = *self;
        if high <= level {
            0.0
        } else if low >= level {
            1.0
        } else {
            match self.shape {
                Shape::Straight => (high - level) / (high - low),
                Shape::Sine => 0.5 - self.angle_of(level) / PI,
            }
        }
    }

    /// Where on the sine `level` is met, between -π/2 and π/2.
    fn angle_of(&self, level: f64) -> f64 {
        let mean = (self.low + self.high) / 2.0;
        ((level - mean) / ((self.high - self.low) / 2.0)).clamp(-1.0, 1.0).asin()
    }
}
