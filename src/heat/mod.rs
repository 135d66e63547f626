//! Pure arithmetic of heat: degree-days, their sums, projections of the day a sum is reached, and fits to observed days.
//!
//! Nothing here does I/O, holds a clock or panics on data. Temperatures are °C, heat is °C·day.

pub mod belief;
pub mod degree_days;
pub mod hindcast;
pub mod projection;
pub mod scores;
mod sine;
pub(crate) mod widest;

pub mod closed_forms;
pub mod fit;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::id::StationId;
pub use degree_days::{Cutoff, HeatRule, HeatRuleError, Method};

/// Maximum and minimum of one local calendar day, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayTemperatures {
    pub min_c: f64,
    pub max_c: f64,
}

/// A run of calendar days with no holes in the index: `days[i]` belongs to `first + i`.
#[derive(Clone, Debug, PartialEq)]
pub struct DailySeries {
    pub first: NaiveDate,
    pub days: Vec<Option<DayTemperatures>>,
}

impl DailySeries {
    pub fn get(&self, day: NaiveDate) -> Option<DayTemperatures> {
        let at = (day - self.first).num_days();
        usize::try_from(at).ok().and_then(|at| self.days.get(at).copied().flatten())
    }

    /// The last day that has both values.
    pub fn last_day(&self) -> Option<NaiveDate> {
        let at = self.days.iter().rposition(Option::is_some)?;
        Some(self.first + chrono::Days::new(at as u64))
    }
}

/// Where a day's temperatures in a filled series came from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "how")]
pub enum DayOrigin {
    Observed,
    /// From another station of the region, corrected for elevation and bias.
    Neighbour {
        station: StationId,
    },
    Interpolated,
    /// The station's mean for that calendar day.
    Climatology,
    Forecast,
}

impl DayOrigin {
    pub fn is_real(&self) -> bool {
        *self == DayOrigin::Observed
    }
}

/// One day of a season, filled if need be.
#[derive(Clone, Debug, PartialEq)]
pub struct FilledDay {
    pub day: NaiveDate,
    pub temperatures: DayTemperatures,
    pub origin: DayOrigin,
}
