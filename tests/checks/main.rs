//! Checks of the built program and of the model against published tables, real records and real counterparts.
//! One binary, one module an area, so that it links once.

#![allow(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests read the clock and files, and a panic there is the finding"
)]

mod engines;
mod support;
mod tables;

mod alarms;
mod belief;
mod charts;
mod commands;
mod daemon;
mod delivery;
mod demo;
mod desk;
mod doors;
mod feeds;
mod fit;
mod forecast_record;
mod heat;
mod input;
mod learning;
mod messages;
mod people;
mod places;
mod policy;
mod practice;
mod preview;
mod projection;
mod records;
mod replay;
mod rooms;
mod schedule;
mod season;
mod size;
mod statements;
mod watch;
mod web;
