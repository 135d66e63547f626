//! Where pure and impure meet: the cycle, the schedule, catch-up, replay, the daemon, and what subscribers do.

pub mod app;
pub mod caches;
pub mod event;
mod forecast;
pub mod skill_cache;

pub mod assess;
pub mod cycle;
mod notice_writer;
pub mod region_fault;
pub mod season_chart;

pub mod daemon;
pub mod import;
pub mod pull;
pub mod replay;

pub mod follow_up;
pub mod subscribe;
pub mod texts;

pub mod fit_data;
