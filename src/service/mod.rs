//! Where pure and impure meet: the cycle, the schedule, catch-up, replay, the daemon.

pub mod app;
pub mod assess;
pub mod cycle;
pub mod daemon;
pub mod event;
pub mod fit_data;
pub mod follow_up;
pub mod import;
pub mod observed_intervals;
pub mod pull;
pub mod replay;
pub mod season_chart;
pub mod station_glance;
pub mod subscribe;
pub mod texts;

pub use cycle::record_of_forecast;
