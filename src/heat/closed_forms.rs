//! Lower thresholds in closed form, from the mean temperature of each period and its length.
//!
//! They assume that every day of a period is at or above the threshold. A sum that starts in winter at a cold place
//! breaks this, and the results are then biased: there they are cross-checks and first guesses, and [`super::fit`] is
//! the method. Grouping and names after Yang, Logan & Coffey 1995, Agric. For. Meteorol. 74:61-74.

/// A period from the start of the sum to the event. The unit of temperature is free; results are in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Period {
    pub mean_temperature: f64,
    /// Above 0.
    pub days: f64,
}

impl Period {
    /// Degree-days of the period above a threshold, negative where the period was colder.
    pub fn heat(self, lower: f64) -> f64 {
        self.days * (self.mean_temperature - lower)
    }
}

/// A threshold with the sum that goes with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    pub lower: f64,
    /// Degree-days in the unit of the temperatures.
    pub sum: f64,
}

/// All five side by side. `None` where the periods do not determine a value, e.g. all of one length.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClosedForms {
    pub least_sd_heat: Option<Estimate>,
    pub least_sd_days: Option<Estimate>,
    pub least_cv: Option<Estimate>,
    pub regression: Option<Estimate>,
    pub x_intercept: Option<Estimate>,
}

impl ClosedForms {
    pub fn of(periods: &[Period]) -> Self {
        let with_mean = |lower: Option<f64>| lower.map(|lower| Estimate { lower, sum: mean_heat(periods, lower) });
        Self {
            least_sd_heat: with_mean(least_sd_heat(periods)),
            least_sd_days: with_mean(least_sd_days(periods)),
            least_cv: with_mean(least_cv(periods)),
            regression: with_mean(regression(periods)),
            x_intercept: x_intercept(periods),
        }
    }
}

/// The threshold at which the heat of the periods varies least in degree-days (Magoon & Culpepper 1932; Stier 1939).
pub fn least_sd_heat(periods: &[Period]) -> Option<f64> {
    let s = Sums::of(periods);
    ratio(s.n * s.ddt - s.dt * s.d, s.n * s.dd, s.d * s.d)
}

/// The threshold at which the heat varies least when its spread is expressed in days at the mean temperature (Arnold
/// 1959, Proc. Am. Soc. Hort. Sci. 74:430-445).
///
/// With Tm the mean temperature and t = Tm - T: Tm - (n Σt²d² - (Σtd)²) / (n Σtd² - Σd Σtd). A public implementation has
/// another sign and a spare n here and misses the threshold of exact data; this one finds it.
pub fn least_sd_days(periods: &[Period]) -> Option<f64> {
    let n = periods.len() as f64;
    let mean = periods.iter().map(|period| period.mean_temperature).sum::<f64>() / n;
    let sum = |of: fn(f64, f64) -> f64| -> f64 {
        periods.iter().map(|period| of(mean - period.mean_temperature, period.days)).sum()
    };
    let (td, d) = (sum(|t, d| t * d), sum(|_, d| d));
    let off = ratio(n * sum(|t, d| t * t * d * d) - td * td, n * sum(|t, d| t * d * d), d * td)?;
    Some(mean - off)
}

/// The threshold at which the coefficient of variation of the heat is least (Nuttonson 1955, 1958).
pub fn least_cv(periods: &[Period]) -> Option<f64> {
    let s = Sums::of(periods);
    ratio(s.ddt * s.dt - s.d * s.ddtt, s.dd * s.dt, s.d * s.ddt)
}

/// The threshold at which the heat of a period no longer rises or falls with its temperature (Hoover 1955).
pub fn regression(periods: &[Period]) -> Option<f64> {
    let s = Sums::of(periods);
    ratio(s.t * s.dt - s.n * s.dtt, s.d * s.t, s.n * s.dt)
}

/// Where the line of the rate 1/days over temperature meets nought; the sum is one over its slope (Arnold 1959).
pub fn x_intercept(periods: &[Period]) -> Option<Estimate> {
    let n = periods.len() as f64;
    let sum = |of: fn(f64, f64) -> f64| -> f64 {
        periods.iter().map(|period| of(period.mean_temperature, period.days)).sum()
    };
    let (t, r) = (sum(|t, _| t), sum(|_, d| 1.0 / d));
    let slope = ratio(n * sum(|t, d| t / d) - t * r, n * sum(|t, _| t * t), t * t)?;
    let lower = (t - r / slope) / n;
    let sum = 1.0 / slope;
    (lower.is_finite() && sum.is_finite()).then_some(Estimate { lower, sum })
}

fn mean_heat(periods: &[Period], lower: f64) -> f64 {
    periods.iter().map(|period| period.heat(lower)).sum::<f64>() / periods.len() as f64
}

/// `above / (left - right)`, or `None` where the two are equal but for rounding.
fn ratio(above: f64, left: f64, right: f64) -> Option<f64> {
    let below = left - right;
    let value = above / below;
    (below.abs() > 1e-12 * left.abs().max(right.abs()) && value.is_finite()).then_some(value)
}

/// Sums over the periods of products of days (d) and temperature (t).
struct Sums {
    n: f64,
    d: f64,
    t: f64,
    dd: f64,
    dt: f64,
    dtt: f64,
    ddt: f64,
    ddtt: f64,
}

impl Sums {
    fn of(periods: &[Period]) -> Self {
        let sum = |of: fn(f64, f64) -> f64| -> f64 {
            periods.iter().map(|period| of(period.days, period.mean_temperature)).sum()
        };
        Self {
            n: periods.len() as f64,
            d: sum(|d, _| d),
            t: sum(|_, t| t),
            dd: sum(|d, _| d * d),
            dt: sum(|d, t| d * t),
            dtt: sum(|d, t| d * t * t),
            ddt: sum(|d, t| d * d * t),
            ddtt: sum(|d, t| d * d * t * t),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_comes_of_too_little_or_of_periods_all_alike() {
        let nothing = ClosedForms {
            least_sd_heat: None,
            least_sd_days: None,
            least_cv: None,
            regression: None,
            x_intercept: None,
        };
        let one = Period { mean_temperature: 12.0, days: 20.0 };
        assert_eq!(ClosedForms::of(&[]), nothing);
        assert_eq!(ClosedForms::of(&[one]), nothing);
        assert_eq!(ClosedForms::of(&[one, one, one]), nothing);
        // Rates that do not rise with temperature have no intercept.
        let flat = [10.0, 12.0, 14.0].map(|mean_temperature| Period { mean_temperature, days: 20.0 });
        assert_eq!(x_intercept(&flat), None);
        assert_eq!(least_sd_heat(&flat), None);
    }
}
