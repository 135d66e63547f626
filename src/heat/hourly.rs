//! Degree-days from readings within the day, for feeds that have them.
//!
//! No curve has to be guessed, so the rule's [`Method`](super::Method) has no part here: only its thresholds and
//! cut-off.

use super::{Cutoff, HeatRule};

/// A temperature at a time of day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HourlyReading {
    /// Hours since any fixed instant, such as local midnight.
    pub at_h: f64,
    pub temperature_c: f64,
}

/// Longest time between two readings that is still bridged, hours: that of three-hourly observations (common
/// practice, no source).
pub const LONGEST_STEP_H: f64 = 3.0;

#[derive(Debug, thiserror::Error, PartialEq)]
pub enum HourlyError {
    #[error("{0} readings do not span any time, at least 2 are needed")]
    TooFew(usize),
    #[error("reading {index} has a time or temperature that is not a finite number")]
    NotFinite { index: usize },
    #[error("reading {index} at hour {at_h} must be later than the one before it at hour {before_h}")]
    NotInOrder { index: usize, at_h: f64, before_h: f64 },
    #[error("no reading for {step_h} hours before reading {index}, at most {LONGEST_STEP_H} are bridged")]
    StepTooLong { index: usize, step_h: f64 },
}

/// °C·day of a day as the plain mean over evenly spaced readings; `None` without any or with one that is not finite.
pub fn mean_of_readings(rule: &HeatRule, temperatures_c: &[f64]) -> Option<f64> {
    if temperatures_c.is_empty() || !temperatures_c.iter().all(|value| value.is_finite()) {
        return None;
    }
    Some(temperatures_c.iter().map(|value| rate(rule, *value)).sum::<f64>() / temperatures_c.len() as f64)
}

/// °C·day between the first and the last reading, the rate taken as straight from reading to reading.
///
/// # Errors
/// See [`HourlyError`].
pub fn trapezoid(rule: &HeatRule, readings: &[HourlyReading]) -> Result<f64, HourlyError> {
    over_steps(readings, |from, to| (rate(rule, from) + rate(rule, to)) / 2.0)
}

/// °C·day between the first and the last reading, the temperature taken as straight from reading to reading and the
/// thresholds honoured exactly where it crosses them.
///
/// # Errors
/// See [`HourlyError`].
pub fn piecewise_linear(rule: &HeatRule, readings: &[HourlyReading]) -> Result<f64, HourlyError> {
    over_steps(readings, |from, to| mean_rate_of_straight_line(rule, from, to))
}

fn over_steps(readings: &[HourlyReading], mean_rate: impl Fn(f64, f64) -> f64) -> Result<f64, HourlyError> {
    if readings.len() < 2 {
        return Err(HourlyError::TooFew(readings.len()));
    }
    if let Some(index) = readings.iter().position(|r| !(r.at_h.is_finite() && r.temperature_c.is_finite())) {
        return Err(HourlyError::NotFinite { index });
    }
    let mut degree_days = 0.0;
    for (before, pair) in readings.windows(2).enumerate() {
        let [from, to] = pair else { continue };
        let step_h = to.at_h - from.at_h;
        if step_h <= 0.0 {
            return Err(HourlyError::NotInOrder { index: before + 1, at_h: to.at_h, before_h: from.at_h });
        }
        if step_h > LONGEST_STEP_H {
            return Err(HourlyError::StepTooLong { index: before + 1, step_h });
        }
        degree_days += step_h / 24.0 * mean_rate(from.temperature_c, to.temperature_c);
    }
    Ok(degree_days)
}

/// Development rate at one temperature, °C above the lower threshold as the cut-off counts it.
fn rate(rule: &HeatRule, temperature: f64) -> f64 {
    let plain = (temperature - rule.lower_c()).max(0.0);
    match rule.upper_c() {
        Some(upper) if temperature > upper => match rule.cutoff() {
            Cutoff::None => plain,
            Cutoff::Horizontal => upper - rule.lower_c(),
            Cutoff::Intermediate => (2.0 * upper - rule.lower_c() - temperature).max(0.0),
            Cutoff::Vertical => 0.0,
        },
        _ => plain,
    }
}

fn mean_rate_of_straight_line(rule: &HeatRule, from: f64, to: f64) -> f64 {
    let (low, high) = (from.min(to), from.max(to));
    let excess = |level: f64| {
        if high <= level {
            0.0
        } else if low >= level {
            (low + high) / 2.0 - level
        } else {
            (high - level).powi(2) / (2.0 * (high - low))
        }
    };
    let lower = rule.lower_c();
    let Some(upper) = rule.upper_c() else { return excess(lower) };
    match rule.cutoff() {
        Cutoff::None => excess(lower),
        Cutoff::Horizontal => excess(lower) - excess(upper),
        Cutoff::Intermediate => excess(lower) - 2.0 * excess(upper) + excess(2.0 * upper - lower),
        Cutoff::Vertical => {
            let share = if high <= upper {
                0.0
            } else if low >= upper {
                1.0
            } else {
                (high - upper) / (high - low)
            };
            (excess(lower) - excess(upper) - (upper - lower) * share).max(0.0)
        }
    }
}
