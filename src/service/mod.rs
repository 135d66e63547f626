//! Where pure and impure meet: the cycle, the schedule, catch-up, replay, the daemon, and what subscribers do.

pub mod app;
pub mod caches;
pub mod event;
mod forecast;
mod kept_pasts;
pub mod profile_shelf;
pub mod reached_days;
mod records;
pub mod skill_cache;
pub mod wording_shelf;

pub mod assess;
pub mod assess_all;
pub mod belief;
pub mod cycle;
pub mod cycle_cache;
mod cycle_pause;
pub mod height_effect;
pub mod learning;
mod moved_dates;
mod notice_writer;
pub mod region_fault;
pub mod region_views;
pub mod season_chart;

pub mod alarms;
pub mod backfill;
pub mod daemon;
pub mod desk;
mod found_hours;
pub mod import;
pub mod keys;
pub mod loaded;
pub mod new_region;
pub mod observed_intervals;
pub mod pull;
pub mod replay;
pub mod retention;
pub mod watchdog;

pub mod past_cache;
pub mod preview;
pub mod profile_change;
pub mod region_drafts;
pub mod usual_year;

pub mod field_reports;
pub mod follow_up;
pub mod people_list;
pub mod photographs;
pub mod practice;
pub mod station_choice;
pub mod station_glance;
pub mod subscribe;
pub mod texts;

pub mod fit_data;
