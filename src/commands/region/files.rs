//! `treebell region import` and `export`: many regions from a file, and into one.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::found::{History, Manner, check_doubts, ground, may_save, table, tell};
use super::preview::show_list;
use crate::clock::{Clock, SystemClock};
use crate::commands::args::Why;
use crate::commands::error::{CommandError, with_causes};
use crate::commands::files::{has_ending, in_file, read_text, write_file};
use crate::commands::format::{counted, print_out, progress_bar};
use crate::commands::open::{open_store, open_store_for, profiles_in_use};
use crate::config::Config;
use crate::id::StationId;
use crate::region::Region;
use crate::service::new_region::history::lacking;
use crate::service::new_region::list::{find_all, read_csv, read_toml};
use crate::service::new_region::write::{to_csv, to_toml};
use crate::service::new_region::{Found, NewRegionError};
use crate::store::regions::RegionPut;
use crate::weather::Station;

#[derive(Debug, clap::Args)]
pub struct Import {
    /// TOML, or CSV if its name ends in .csv
    file: PathBuf,
    #[command(flatten)]
    manner: Manner,
    /// Print what --dry-run shows as JSON
    #[arg(long, requires = "dry_run")]
    json: bool,
    /// Leave the records of new stations for `weather backfill`
    #[arg(long)]
    no_history: bool,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct Export {
    /// File to write; standard output if left out
    #[arg(short, long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Write CSV, as it does if the file's name ends in .csv
    #[arg(long)]
    csv: bool,
}

pub async fn import(args: &Import, config: &Config) -> Result<(), CommandError> {
    let (profiles, _) = profiles_in_use(config).await?;
    let profiles: Vec<String> = profiles.iter().map(|profile| profile.id.clone()).collect();
    let text = read_text(&args.file)?;
    let entries = if has_ending(&args.file, "csv") { read_csv(&text) } else { read_toml(&text) };
    let entries = entries.map_err(|faults| CommandError::Usage(in_file(&args.file, &faults)))?;
    let store = open_store_for(config, &args.why).await?;
    let ground = ground(&store, config, &args.manner).await?;
    let bar = progress_bar(entries.len() as u64, "looking up regions {wide_bar} {pos}/{len}");
    let found = find_all(&entries, &ground, &profiles, |done, _| bar.set_position(done as u64)).await;
    bar.finish_and_clear();
    let found = found.map_err(|why| match why {
        NewRegionError::Refused(faults) => CommandError::Usage(in_file(&args.file, &faults)),
        other => other.into(),
    })?;

    let regions: Vec<Region> = found.iter().map(|one| one.region.clone()).collect();
    let stations = new_stations(&found);
    let put = store.try_regions(&regions, &stations, SystemClock.now()).await?;
    let news: Vec<Found> =
        found.into_iter().zip(&put).filter(|(_, put)| **put != RegionPut::Unchanged).map(|(one, _)| one).collect();
    // A list that changes nothing wants no word.
    if !news.is_empty() {
        check_doubts(&news, &args.manner)?;
    }
    if !news.is_empty() {
        if !args.json {
            print_out(&table(&news))?;
        }
        tell(&news);
    }
    if args.manner.dry_run {
        // Of stations that are new the store has no record yet.
        let (at_hand, to_come): (Vec<&Found>, Vec<&Found>) = news.iter().partition(|one| one.new_stations.is_empty());
        let at_hand: Vec<Region> = at_hand.into_iter().map(|one| one.region.clone()).collect();
        if !at_hand.is_empty() || args.json {
            show_list(&at_hand, args.json, config).await?;
        }
        if !to_come.is_empty() {
            let to_come = counted(to_come.len(), "region", "regions");
            eprintln!(
                "note: past seasons of {to_come} are seen by `region add --dry-run`, which fetches the records of new stations"
            );
        }
        eprintln!("{}; nothing is saved: that was a dry run", counts(&put));
        return Ok(());
    }
    if !news.is_empty() && !may_save(&counted(news.len(), "region", "regions"), &news, &args.manner)? {
        eprintln!("nothing was saved");
        return Ok(());
    }
    let done = store.put_regions_with(&regions, &stations, SystemClock.now()).await?;
    eprintln!("{}", counts(&done));
    if args.no_history {
        return Ok(());
    }
    // After saving, a station a transaction: whoever stops here reads the file again, and it goes on from there.
    let of_regions: BTreeSet<&StationId> = regions.iter().flat_map(|region| &region.stations).collect();
    let mut stations = store.stations().await?;
    stations.retain(|station| of_regions.contains(&station.id));
    let stations =
        lacking(&store, &stations, SystemClock.now().with_timezone(&config.schedule.time_zone).date_naive()).await?;
    History { stations: &stations, ground: &ground, config }.fetch(&store).await
}

fn counts(put: &[RegionPut]) -> String {
    let count = |what| put.iter().filter(|one| **one == what).count();
    format!(
        "{} added, {} changed, {} unchanged",
        count(RegionPut::Added),
        count(RegionPut::Changed),
        count(RegionPut::Unchanged)
    )
}

/// Each once, though several regions may stand on it.
fn new_stations(found: &[Found]) -> Vec<Station> {
    let mut stations: Vec<Station> = found.iter().flat_map(|one| one.new_stations.iter().cloned()).collect();
    stations.sort_by(|a, b| a.id.cmp(&b.id));
    stations.dedup_by(|a, b| a.id == b.id);
    stations
}

pub async fn export(args: &Export, config: &Config) -> Result<(), CommandError> {
    let regions = open_store(config).await?.regions().await?;
    let is_csv = args.csv || args.out.as_deref().is_some_and(|out: &Path| has_ending(out, "csv"));
    let text = if is_csv { to_csv(&regions) } else { to_toml(&regions) };
    let text = text.map_err(|why| CommandError::Failed(with_causes(&why)))?;
    match &args.out {
        Some(file) => {
            write_file(file, text.as_bytes())?;
            eprintln!("{} written to `{}`", counted(regions.len(), "region", "regions"), file.display());
            Ok(())
        }
        None => print_out(&text),
    }
}
