//! `treebell weather pull`: asks the feeds now.

use std::sync::Arc;

use crate::clock::{Clock, SystemClock};
use crate::commands::error::CommandError;
use crate::commands::format::{align_right, behind, fitted, print_out, ruled_table, source_words};
use crate::commands::open::{fetcher, open_store};
use crate::commands::select::chosen_stations;
use crate::config::Config;
use crate::id::StationId;
use crate::service::pull::{self, PullReport};
use crate::weather::feeds::chain;

/// Ask the feeds now, as the service does in every cycle
#[derive(Debug, clap::Args)]
pub struct Pull {
    /// Only this station (may be given more than once)
    #[arg(long = "station", value_name = "ID")]
    stations: Vec<StationId>,
}

/// # Errors
/// An unknown station, a store that fails, stations of which no source gave a value.
pub async fn run(args: &Pull, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let stations = chosen_stations(&store, &args.stations).await?;
    if stations.is_empty() {
        return Err(CommandError::Usage(
            "there is no station yet: add one with `treebell station add` or `weather import`".into(),
        ));
    }
    let clock: Arc<dyn Clock> = Arc::new(SystemClock);
    let fetcher = fetcher(config, &store)?;
    let report = pull::pull_all(&store, &fetcher, config, &clock, &stations).await;
    print_pull(&report)?;
    let silent = report.silent_stations();
    if silent.is_empty() {
        return Ok(());
    }
    let names: Vec<&str> = silent.iter().map(|id| id.0.as_str()).collect();
    Err(CommandError::SourcesFailed(format!("no source gave a usable value for {}", names.join(", "))))
}

fn print_pull(report: &PullReport) -> Result<(), CommandError> {
    let mut table =
        ruled_table(["station\nand its source", "values\ntaken", "new", "rejected", "lines not\nreadable", "remark"]);
    align_right(&mut table, 1..=4);
    // What a service says is often longer than a cell.
    let mut faults = String::new();
    let mut tell = |name: &str, why: String| faults += &behind("", 2, &format!("{name} {why}"));
    for station in &report.stations {
        let id = station.station.0.as_str();
        if let Some(fault) = &station.store_fault {
            table.add_row([id, "-", "-", "-", "-", "not kept"]);
            tell(id, format!("could not be kept: {}", chain(fault)));
        } else if station.sources.is_empty() {
            table.add_row([id, "-", "-", "-", "-", "no source was asked"]);
        }
        for source in &station.sources {
            let name = source_words(&source.source);
            let mut row = vec![format!("{id}\n{name}")];
            match &source.outcome {
                Ok(taken) => {
                    row.extend([taken.accepted, taken.new, taken.rejected].map(|count| count.to_string()));
                    row.extend([taken.rejected_lines.total().to_string(), taken.rejected_lines.to_string()]);
                }
                Err(why) => {
                    row.extend(["-", "-", "-", "-", "gave nothing"].map(str::to_owned));
                    tell(id, format!("{name} gave nothing: {}", chain(why)));
                }
            }
            table.add_row(row);
        }
    }
    let table = fitted(table, &[]);
    print_out(&(table + &faults))
}
