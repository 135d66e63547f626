//! From dates that people wrote down and temperatures of their stations to site-years that can be fitted.

mod gather;
mod reports;
mod temperatures;

pub use gather::{About, FILLED_SHARE, Gathered, gather, season_weather};
pub use reports::{DatesSeen, Report, Reports, read_reports};
pub use temperatures::{Temperatures, TemperaturesError, UnknownStations};
