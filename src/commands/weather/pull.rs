//! `treebell weather pull`: asks the feeds now.

use std::sync::Arc;

use crate::clock::{Clock, SystemClock};
use crate::commands::error::CommandError;
use crate::commands::format::{align_right, behind, counted, fitted, print_out, ruled_table, source_words};
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
    print_out(&pull_words(&report))?;
    let silent = report.silent_stations();
    if silent.is_empty() {
        return Ok(());
    }
    let names: Vec<&str> = silent.iter().map(|id| id.0.as_str()).collect();
    Err(CommandError::SourcesFailed(format!("no source gave a usable value for {}", names.join(", "))))
}

/// A table of counts, and below it in words what went otherwise: names of sources are long, and so is what a service says.
fn pull_words(report: &PullReport) -> String {
    let mut table = ruled_table(["station\nand its source", "values\ntaken", "new", "rejected"]);
    align_right(&mut table, 1..=3);
    let mut otherwise = String::new();
    let mut tell = |name: &str, why: String| otherwise += &behind("", 2, &format!("{name} {why}"));
    for station in &report.stations {
        let id = station.station.0.as_str();
        if let Some(fault) = &station.store_fault {
            table.add_row([id, "-", "-", "-"]);
            tell(id, format!("could not be kept: {}", chain(fault)));
        } else if station.sources.is_empty() {
            table.add_row([id, "-", "-", "-"]);
            tell(id, "has no source that was asked".into());
        }
        for source in &station.sources {
            let name = source_words(&source.source);
            let mut row = vec![format!("{id}\n{name}")];
            match &source.outcome {
                Ok(taken) => {
                    row.extend([taken.accepted, taken.new, taken.rejected].map(|count| count.to_string()));
                    let lines = &taken.rejected_lines;
                    if !lines.is_empty() {
                        let count = counted(lines.total(), "line", "lines");
                        tell(id, format!("{name} gave {count} that could not be read: {lines}"));
                    }
                }
                Err(why) => {
                    row.extend(["-", "-", "-"].map(str::to_owned));
                    tell(id, format!("{name} gave nothing: {}", chain(why)));
                }
            }
            table.add_row(row);
        }
    }
    fitted(table, &[]) + &otherwise
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::service::pull::{SourcePull, StationPull, Taken};
    use crate::weather::feeds::Rejections;
    use crate::weather::{FeedKind, SourceRef};

    /// Before, a long name of a source beside six columns was wider than the screen.
    #[test]
    fn a_source_with_a_long_name_fits_and_what_could_not_be_read_is_told_below() {
        let id = format!("{}.csv", "logger".repeat(9));
        let rejected_lines = Rejections { counts: [("no day", 3)].into(), examples: Vec::new() };
        let taken = Taken { accepted: 24, new: 2, rejected_lines, ..Taken::default() };
        let source = SourcePull { source: SourceRef { feed: FeedKind::PlainCsv, id: id.clone() }, outcome: Ok(taken) };
        let station = StationPull { station: "MESA".into(), sources: vec![source], store_fault: None };
        let text = pull_words(&PullReport { stations: vec![station] });
        assert!(text.lines().all(|line| line.trim_end().chars().count() <= 100), "{text}");
        // Lines may end between the words.
        let together = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            together.contains(&format!("MESA plain-csv:{id} gave 3 lines that could not be read: 3 × no day")),
            "{text}"
        );
    }
}
