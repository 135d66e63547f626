//! The National Weather Service's API: hourly observations to daily extremes, and the gridpoint forecast of daily
//! maxima and minima.

mod forecast;
mod observations;
mod place;
mod points;
mod time_span;

#[cfg(test)]
mod tests;

pub use forecast::{Forecast, GridForecast, parse_forecast};
pub use observations::{HOURS_NEEDED, ObservationPage, Observations, daily_extremes, parse_observations};
pub use place::{
    County, PlaceFacts, cell_elevation_m, county, parse_county, parse_elevation, parse_place, place_facts,
};
pub(super) use points::check_source;
pub use points::{Gridpoint, parse_point, parse_stations};
