//! What a weather forecast is worth: its usual error, and how it is moved to fit a station.

use crate::heat::DayTemperatures;

/// Root mean square error, °C, of daily temperatures forecast 1 to 7 days ahead.
///
/// The first is that of the National Weather Service's Norman office for next-day maxima, 3.80 °F (Brooks & Doswell 1996,
/// Weather Forecast. 11:288-303); its growth with the days ahead is from memory.
pub const FORECAST_ERRORS_C: [f64; 7] = [2.1, 2.4, 2.7, 3.1, 3.5, 3.9, 4.2];

/// What to add to a forecast's minimum and maximum, °C, from the days that both forecast and station have. Few days count
/// for little: with 5 of them half of their mean difference is taken.
pub fn forecast_bias(pairs: &[(DayTemperatures, DayTemperatures)]) -> [f64; 2] {
    /// Shrinking a mean of few days towards zero is common practice; this number has no source.
    const DOUBT_DAYS: f64 = 5.0;
    let mut sum = [0.0; 2];
    let mut days = 0.0;
    for (forecast, observed) in pairs {
        let off = [observed.min_c - forecast.min_c, observed.max_c - forecast.max_c];
        if off.iter().all(|off| off.is_finite()) {
            sum[0] += off[0];
            sum[1] += off[1];
            days += 1.0;
        }
    }
    sum.map(|sum| sum / (days + DOUBT_DAYS))
}

/// The share (0-1) of the weather's own spread that a forecast with this error leaves open.
pub fn error_share(error_c: f64, sd_c: f64) -> f64 {
    if error_c > 0.0 && sd_c > 0.0 { (error_c / sd_c).min(1.0) } else { 0.0 }
}
