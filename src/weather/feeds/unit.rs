//! The scale of a temperature in a source.

use std::fmt;

use crate::units::f_to_c;
use crate::weather::reading::TenthsC;

/// The scale of a temperature in a source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    TenthsC,
    Celsius,
    Fahrenheit,
}

impl Unit {
    /// A value of this scale as the record keeps it.
    pub fn to_tenths(self, value: f64) -> TenthsC {
        match self {
            Unit::TenthsC => TenthsC(value.round() as i32),
            Unit::Celsius => TenthsC::from_c(value),
            Unit::Fahrenheit => TenthsC::from_c(f_to_c(value)),
        }
    }

    /// Last part of codes such as `wmoUnit:degC`, `unit:degC`, `degF`, `Cel`.
    pub(super) fn of_code(code: &str) -> Option<Self> {
        match code.rsplit(':').next().unwrap_or(code).trim() {
            "degC" | "Cel" | "C" => Some(Unit::Celsius),
            "degF" | "[degF]" | "F" => Some(Unit::Fahrenheit),
            _ => None,
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Unit::TenthsC => "tenths of °C",
            Unit::Celsius => "°C",
            Unit::Fahrenheit => "°F",
        })
    }
}
