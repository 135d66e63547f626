//! `treebell place`: where ZIP codes are.

use std::path::PathBuf;

use super::args::Why;
use super::error::{CommandError, with_causes};
use super::files::{in_file, read_bytes};
use super::format::{print_json, print_out};
use super::open::{open_store, open_store_for};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::places;
use crate::places::PlaceTable;
use crate::region::{Region, Zip};
use crate::service::new_region::{no_area, place_table};

/// Keep the table of ZIP areas: Census areas, not postal ZIP codes
#[derive(Debug, clap::Subcommand)]
pub enum PlaceCommand {
    /// Print where a ZIP code is, and which region has it
    Show {
        #[arg(value_parser = Zip::parse)]
        zip: Zip,
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// Take a newer Census gazetteer of ZIP code tabulation areas in the place of the table inside the program
    ///
    /// Either layout, set apart by tabs or by `|`, or CSV with the columns zip, latitude and longitude; plain or gzipped.
    Import {
        file: PathBuf,
        /// Who says so, as people are told; the file's name if left out
        #[arg(long, value_name = "WORDS")]
        source: Option<String>,
        #[command(flatten)]
        why: Why,
    },
    /// Go back to the table inside the program
    Reset {
        #[command(flatten)]
        why: Why,
    },
}

/// # Errors
/// A ZIP code without an area, a file that is no such table, a store that cannot be opened.
pub async fn run(command: PlaceCommand, config: &Config) -> Result<(), CommandError> {
    match command {
        PlaceCommand::Show { zip, json } => show(&zip, json, config).await,
        PlaceCommand::Import { file, source, why } => {
            let source = source.unwrap_or_else(|| {
                file.file_name().map_or_else(|| file.display().to_string(), |name| name.to_string_lossy().into_owned())
            });
            let bytes = read_bytes(&file)?;
            let table = places::read(&bytes, &source).map_err(|why| {
                let faults: Vec<String> = with_causes(&why).lines().map(str::to_owned).collect();
                CommandError::Usage(in_file(&file, &faults))
            })?;
            open_store_for(config, &why).await?.import_places(&table, SystemClock.now()).await?;
            eprintln!(
                "{} ZIP areas are taken from `{}`; the {} of the program are no longer looked at",
                table.len(),
                file.display(),
                PlaceTable::built_in().len()
            );
            Ok(())
        }
        PlaceCommand::Reset { why } => {
            let was = open_store_for(config, &why).await?.drop_places().await?;
            let built_in = PlaceTable::built_in();
            let now = format!("the {} areas inside the program count ({})", built_in.len(), built_in.source());
            eprintln!("{}{now}", if was { "the imported table is gone: " } else { "no table was imported: " });
            Ok(())
        }
    }
}

async fn show(zip: &Zip, json: bool, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let table = place_table(&store).await?;
    let place = table.place_of(zip).ok_or_else(|| CommandError::Usage(no_area(zip, &table)))?;
    // From the lowest up, where a ZIP code climbs a mountain.
    let mut regions = store.regions().await?;
    regions.retain(|region| region.zips.contains(zip));
    let floor = |region: &Region| region.band.and_then(|band| band.from_m).unwrap_or(f64::NEG_INFINITY);
    regions.sort_by(|a, b| floor(a).total_cmp(&floor(b)));
    if json {
        return print_json(&serde_json::json!({
            "zip": zip,
            "place": place,
            "source": table.source(),
            "regions": regions.iter().map(|region| serde_json::json!({"id": region.id, "band": region.band})).collect::<Vec<_>>(),
        }));
    }
    let words = |region: &Region| match &region.band {
        Some(band) => format!("{} ({band})", region.id),
        None => region.id.to_string(),
    };
    let region = match regions.as_slice() {
        [] => "none has it".to_owned(),
        some => some.iter().map(words).collect::<Vec<_>>().join(", "),
    };
    print_out(&format!(
        "ZIP area     {zip}\nmiddle       {:.4}, {:.4}\nsource       {}: Census areas, not postal ZIP codes\nregion       {region}\n",
        place.latitude,
        place.longitude,
        table.source()
    ))
}
