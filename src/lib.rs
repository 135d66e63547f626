//! Treebell: heat sums, outlooks and timely notices about the pinyon needle scale.
//!
//! Data goes one way: feeds → [`weather`] record → [`heat`] → outlook and decision in [`season`] → notice and
//! deliveries in [`store`] → channels of [`dispatch`], by the rules of [`delivery`]. [`assessment`] says where a season
//! stands and how good projections have been; it reads no clock and no store. [`service`] is where pure and impure meet;
//! [`commands`] and [`web`] are how people reach it.

#![cfg_attr(
    test,
    allow(
        clippy::disallowed_methods,
        clippy::unwrap_used,
        reason = "tests read the clock and files, and a panic there is the finding"
    )
)]

pub mod band;
pub mod clock;
pub mod config;
pub mod config_fault;
pub mod files;
pub mod geo;
pub mod id;
pub mod language;
pub mod links;
pub mod metrics;
pub mod net;
pub mod places;
pub mod progress;
pub mod randomness;
pub mod region;
pub mod secret;
pub mod system_user;
pub mod text;
pub mod timetable;
pub mod units;

pub mod heat;
pub mod season;
pub mod weather;

pub mod assessment;

pub mod alarms;
pub mod message;
pub mod people;
pub mod store;

pub mod chart;
pub mod delivery;
pub mod dispatch;
pub mod service;

pub mod demo;

pub mod web;

pub mod watch;

pub mod commands;
