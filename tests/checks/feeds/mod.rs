//! Checks of the feeds: on answers of the services' real shape over loopback, on real files where they are present,
//! and on bytes of no shape at all.

mod backfill;
mod choice;
mod directory;
mod fetcher;
mod fuzz;
mod import;
mod program;
mod pull;
mod reading_hours;
mod samples;
mod services;
mod stations_program;

use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, NaiveDate, Utc};
use treebell::clock::ManualClock;
use treebell::config::FeedsConfig;
use treebell::randomness::Randomness;
use treebell::weather::StationId;
use treebell::weather::feeds::FeedQuery;
use treebell::weather::fetch::{FetchError, Fetcher, Limits, NotedSleeper};

fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap()
}

fn utc(text: &str) -> DateTime<Utc> {
    DateTime::parse_from_rfc3339(text).unwrap().to_utc()
}

/// Early morning of 16 June 2026 in the mountains of the invented state.
const NOW: &str = "2026-06-16T12:00:00Z";

fn ask<'a>(station: &'a StationId, source: &'a str, from: NaiveDate, to: NaiveDate) -> FeedQuery<'a> {
    FeedQuery { station, source, time_zone: chrono_tz::America::Denver, from, to, now: utc(NOW) }
}

/// All services at one address, each below its own folder.
fn feeds_at(address: &str) -> FeedsConfig {
    let mut feeds = FeedsConfig { contact: "heat@example.org".into(), ..FeedsConfig::default() };
    feeds.ghcn_daily.base_url = format!("{address}/ghcn/").into();
    feeds.daily_summaries.base_url = format!("{address}/summaries").into();
    feeds.acis.base_url = format!("{address}/acis/").into();
    feeds.nws.base_url = format!("{address}/nws/").into();
    feeds.awdb.base_url = format!("{address}/awdb/v1/").into();
    feeds
}

/// A fetcher that only notes its waits.
fn fetcher(feeds: &FeedsConfig, change: impl FnOnce(&mut Limits)) -> (Fetcher, Arc<NotedSleeper>) {
    let mut limits = Limits::of(feeds);
    // Long enough for a busy machine, short enough for a host that never answers.
    limits.timeout = Duration::from_secs(20);
    change(&mut limits);
    let waiting = Arc::new(NotedSleeper::default());
    let clock = Arc::new(ManualClock::at(utc(NOW)));
    let fetcher = Fetcher::with(feeds, limits, clock, Randomness::seeded(1), Arc::clone(&waiting) as _).unwrap();
    (fetcher, waiting)
}

/// The error promises that the same question may succeed later, with nobody changing anything.
fn tries_again(why: &FetchError) -> bool {
    why.to_string().ends_with("the next pull tries again")
}
