//! `treebell weather backfill`: whole records of stations, in a handful of requests each.

use std::sync::Arc;

use chrono_tz::Tz;
use indicatif::ProgressBar;

use crate::clock::{Clock, SystemClock};
use crate::commands::args::Why;
use crate::commands::error::CommandError;
use crate::commands::format::{
    align_right, behind, columns, counted, date_or, fit, print_out, progress_bar, ruled_table, source_words,
};
use crate::commands::open::{open_store_for, record_fetcher};
use crate::commands::select::chosen_stations;
use crate::config::Config;
use crate::id::StationId;
use crate::service::backfill::{Backfiller, Outcome, StationBackfill};
use crate::service::desk::local_with_year;
use crate::weather::FeedKind;
use crate::weather::feeds::chain;

/// Fetch whole records: all that ACIS, the GHCN-Daily files, AWDB or a grid have of a station
///
/// One or two requests a station, one station after another. What was fetched before is not asked for again, so a run that was
/// stopped goes on where it was; --again asks anew, since sources complete and revise their records. Values that nobody can
/// have measured, or of days for which the source itself has no record, are refused and counted.
#[derive(Debug, clap::Args)]
pub struct Backfill {
    /// Stations
    #[arg(value_name = "STATION", required_unless_present = "all", conflicts_with = "all")]
    stations: Vec<StationId>,
    /// All stations
    #[arg(long)]
    all: bool,
    /// Also what was fetched before
    #[arg(long)]
    again: bool,
    /// Only from this feed of a station's sources: acis, acis-grid, awdb, ghcn-daily or plain-csv
    #[arg(long, value_parser = feed, value_name = "FEED")]
    from: Option<FeedKind>,
    #[command(flatten)]
    why: Why,
}

fn feed(name: &str) -> Result<FeedKind, String> {
    FeedKind::parse(name)
        .filter(|feed| !matches!(feed, FeedKind::NwsObservations | FeedKind::NwsForecast | FeedKind::DailySummaries))
        .ok_or_else(|| {
            format!("`{name}` gives no whole record: one of acis, acis-grid, awdb, ghcn-daily, plain-csv is wanted")
        })
}

/// # Errors
/// An unknown station, a store that fails, stations whose record could not be had while others were done.
pub async fn run(args: &Backfill, config: &Config) -> Result<(), CommandError> {
    let store = open_store_for(config, &args.why).await?;
    let stations = chosen_stations(&store, &args.stations).await?;
    if stations.is_empty() {
        return Err(CommandError::Usage(
            "there is no station yet: add one with `treebell station add` or `station import`".into(),
        ));
    }
    let backfiller = Backfiller {
        store: store.clone(),
        fetcher: Arc::new(record_fetcher(config, &store)?),
        directory: None,
        feeds: config.feeds.clone(),
        clock: Arc::new(SystemClock) as Arc<dyn Clock>,
        again: args.again,
        only: args.from,
    };
    let bar = progress_bar(stations.len() as u64, "{bar:30} {pos}/{len} {msg}");
    let done = backfiller.fetch_all(&stations, &|nth, station| heard(&bar, nth, station.map(|one| &one.id))).await;
    bar.finish_and_clear();
    let done = done?;
    store.close().await;
    print(&done, config.schedule.time_zone)?;
    let named = |is_so: fn(&Outcome) -> bool| -> Vec<&str> {
        done.iter().filter(|one| is_so(&one.outcome)).map(|one| one.station.as_str()).collect()
    };
    let sourceless = named(|outcome| matches!(outcome, Outcome::NoSource));
    if !sourceless.is_empty() {
        eprintln!(
            "note: no source has a whole record of {}: `treebell weather import` takes files",
            sourceless.join(", ")
        );
    }
    let silent = named(|outcome| matches!(outcome, Outcome::Failed));
    if silent.is_empty() {
        return Ok(());
    }
    Err(CommandError::SourcesFailed(format!(
        "the record of {} could not be fetched; run it again later, or import files with `treebell weather import`",
        silent.join(", ")
    )))
}

/// Shows how far a run is.
fn heard(bar: &ProgressBar, nth: usize, station: Option<&StationId>) {
    bar.set_position(nth as u64);
    bar.set_message(station.map(ToString::to_string).unwrap_or_default());
}

/// What came of each station, a row each, and what staff should know of it.
pub fn print(done: &[StationBackfill], zone: Tz) -> Result<(), CommandError> {
    let mut table = ruled_table([
        "station\nand its source",
        "first day\nlast day",
        "values\nof them new",
        "rejected\nrefused",
        "requests",
        "read at",
    ]);
    align_right(&mut table, 2..=4);
    let (mut requests, mut new) = (0, 0);
    for one in done {
        requests += one.requests;
        let row = match &one.outcome {
            Outcome::Fetched(fetched) => {
                new += fetched.added.new;
                [
                    source_words(&fetched.source),
                    format!("{}\n{}", date_or(fetched.first_day, "none"), date_or(fetched.last_day, "none")),
                    format!("{}\n{}", fetched.taken, fetched.added.new),
                    format!("{}\n{}", fetched.rejected, fetched.refused.total()),
                    one.requests.to_string(),
                    fetched.hour.to_string(),
                ]
            }
            Outcome::Before { feed, at } => {
                other(&format!("{}, on {}", feed.name(), local_with_year(*at, zone)), one.requests)
            }
            Outcome::NoSource => other("none with a whole record", one.requests),
            Outcome::Failed => other("all failed", one.requests),
        };
        let [source, figures @ ..] = row;
        let mut cells = vec![format!("{}\n{source}", one.station)];
        cells.extend(figures);
        table.add_row(cells);
    }
    // The line below the table has the sum of the requests.
    fit(&mut table, &[4], columns());
    let tell = |text: String| eprint!("{}", behind("", 2, &text));
    print_out(&format!("{table}\n{}, {new} new values\n", counted(requests, "request", "requests")))?;
    for one in done {
        for (source, why) in &one.failed {
            tell(format!("{}: {} gave nothing: {}", one.station, source_words(source), chain(why)));
        }
        if let Outcome::Fetched(fetched) = &one.outcome {
            if !fetched.refused.is_empty() {
                tell(format!("{}: refused: {}", one.station, fetched.refused));
            }
            if fetched.set_aside > 0 {
                tell(format!(
                    "{}: {} lost their day to another, where the observer changed his hour",
                    one.station,
                    counted(fetched.set_aside, "reading", "readings")
                ));
            }
        }
        for remark in &one.remarks {
            tell(format!("{}: {remark}", one.station));
        }
    }
    Ok(())
}

fn other(said: &str, requests: u64) -> [String; 6] {
    let dash = || "-".to_owned();
    [said.to_owned(), dash(), dash(), dash(), requests.to_string(), dash()]
}
