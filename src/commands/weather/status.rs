//! `treebell weather status`: stations at a glance.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use comfy_table::Table;
use serde_json::json;

use crate::clock::{Clock, SystemClock};
use crate::commands::error::CommandError;
use crate::commands::format::{
    NO_BREAK, align_right, behind, date_or, fitted, print_json, print_out, ruled_table, station_name, wrapped,
};
use crate::commands::open::open_store;
use crate::commands::select::chosen_stations;
use crate::config::Config;
use crate::id::StationId;
use crate::service::station_glance::{Glance, glances, glances_with_hints};
use crate::store::weather::Pull;
use crate::weather::{Element, Station};

/// Show each station's last day, gaps of this year, rejected values, feeds and last pulls
#[derive(Debug, clap::Args)]
pub struct Status {
    /// Only this station, in detail (may be given more than once)
    #[arg(long = "station", value_name = "ID")]
    stations: Vec<StationId>,

    /// Print JSON instead of a table
    #[arg(long)]
    json: bool,
}

/// # Errors
/// An unknown station, a store that fails.
pub async fn run(args: &Status, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let stations = chosen_stations(&store, &args.stations).await?;
    let latency_days = config.weather.bulk_latency_days;
    // A station that is named is looked at in detail, and that reads every record.
    let all = if args.stations.is_empty() {
        glances(&store, stations, latency_days, SystemClock.now()).await?
    } else {
        glances_with_hints(&store, stations, latency_days, SystemClock.now()).await?
    };
    if args.json {
        let list: Vec<_> = all.iter().map(status_json).collect();
        return print_json(&list);
    }
    if all.is_empty() {
        eprintln!("there is no station yet: add one with `treebell station add` or `weather import`");
        return Ok(());
    }
    // Least is lost with where the whole record begins and ends.
    let mut text = fitted(status_table(&all), &[1, 4, 5]);
    if args.stations.is_empty() {
        all.iter().for_each(|glance| text += &errors(glance));
    } else {
        all.iter().for_each(|glance| text += &wrapped(&detail(glance)));
    }
    print_out(&text)
}

fn status_table(all: &[Glance]) -> Table {
    let mut table = ruled_table([
        "station\nand its name",
        "record:\nfirst day\nlast day",
        "last day\nthis year",
        "gaps\nawaited\nrejected",
        "days by\nfeed",
        "last pull",
    ]);
    align_right(&mut table, [3]);
    for Glance { station, status, pulls, .. } in all {
        let feeds: Vec<String> = status.feeds.iter().map(|(feed, count)| format!("{count} {}", feed.name())).collect();
        let last = match pulls.iter().max_by_key(|pull| pull.started_at) {
            None => "never".to_owned(),
            Some(pull) => local_time(pull, station),
        };
        table.add_row([
            format!("{}\n{}", station.id, station_name(station).replace("a grid", &format!("a{NO_BREAK}grid"))),
            status.span.map_or_else(|| "none".into(), |(first, last)| format!("{first}\n{last}")),
            date_or(status.newest_real_day, "none"),
            format!("{}\n{}\n{}", status.gap_days, status.awaited_days, status.rejected.len()),
            feeds.join("\n"),
            last,
        ]);
    }
    table
}

/// Why the last pulls gave nothing, below the table: what a service says is often longer than a cell.
fn errors(Glance { station, pulls, .. }: &Glance) -> String {
    let failing = pulls.iter().filter_map(|pull| Some((pull.feed.name(), pull.error.as_ref()?)));
    failing.map(|(feed, error)| behind("", 2, &format!("{}: {feed}: {error}", station.id))).collect()
}

fn detail(Glance { station, status, pulls, hint }: &Glance) -> String {
    let mut lines = vec![format!("\n{} {}", station.id, station_name(station))];
    let run = |run: &std::ops::RangeInclusive<NaiveDate>| {
        if run.start() == run.end() { run.start().to_string() } else { format!("{} to {}", run.start(), run.end()) }
    };
    let runs: Vec<String> = status.gaps.iter().map(run).collect();
    lines.push(format!("  gaps: {}", if runs.is_empty() { "none".into() } else { runs.join(", ") }));
    for (reason, count) in status.rejected_by_reason() {
        lines.push(format!("  rejected: {count} {reason}"));
    }
    for one in &status.rejected {
        let element = if one.element == Element::Max { "maximum" } else { "minimum" };
        let (day, celsius, feed) = (one.day, one.value.c(), one.feed.name());
        lines.push(format!("    {day} {element} {celsius:.1} °C ({feed}): {}", one.reason));
    }
    for pull in pulls {
        let outcome = match &pull.error {
            Some(error) => error.clone(),
            None => format!("{} taken, {} rejected", pull.taken, pull.rejected),
        };
        lines.push(format!("  {} at {}: {outcome}", pull.feed.name(), local_time(pull, station)));
    }
    lines.extend(hint.iter().map(|hint| format!("  observation hour: {hint}")));
    lines.join("\n") + "\n"
}

fn local_time(pull: &Pull, station: &Station) -> String {
    pull.started_at.with_timezone(&station.time_zone).format("%Y-%m-%d %H:%M").to_string()
}

fn status_json(Glance { station, status, pulls, hint }: &Glance) -> serde_json::Value {
    json!({
        "station": station.id,
        "name": station.name,
        "kind": station.kind().name(),
        "first_day": status.span.map(|(first, _)| first),
        "last_day": status.span.map(|(_, last)| last),
        "newest_real_day_this_year": status.newest_real_day,
        "days_this_year": status.season_days,
        "gap_days": status.gap_days,
        "gaps": status.gaps.iter().map(|run| json!([run.start(), run.end()])).collect::<Vec<_>>(),
        "awaited_days": status.awaited_days,
        "rejected": status.rejected_by_reason(),
        "feeds": status.feeds.iter().map(|(feed, count)| (feed.name(), count)).collect::<BTreeMap<_, _>>(),
        "sampled": status.sampled,
        "observation_hour_hint": hint.as_ref().map(ToString::to_string),
        "pulls": pulls.iter().map(|pull| json!({
            "feed": pull.feed, "started_at": pull.started_at, "taken": pull.taken, "rejected": pull.rejected, "error": pull.error,
        })).collect::<Vec<_>>(),
    })
}
