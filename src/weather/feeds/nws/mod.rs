//! The National Weather Service's API: hourly observations to daily extremes, and the gridpoint forecast of daily
//! maxima and minima.

mod forecast;
mod observations;
mod points;
mod time_span;

#[cfg(test)]
mod tests;

pub use forecast::{Forecast, GridForecast, parse_forecast};
pub use observations::{HOURS_NEEDED, ObservationPage, Observations, daily_extremes, parse_observations};
pub(super) use points::check_source;
pub use points::{Gridpoint, parse_point, parse_stations};
