//! `treebell station candidates`: what there is to choose from around a place.

use chrono_tz::Tz;

use crate::clock::{Clock, SystemClock};
use crate::commands::args::{DegreeUnit, Elevation, point, zone};
use crate::commands::candidates::table;
use crate::commands::error::CommandError;
use crate::commands::format::{print_json, print_out};
use crate::commands::open::{directory, open_store};
use crate::config::Config;
use crate::geo::Point;
use crate::service::station_choice::{candidates, chosen};

/// Compare the stations around a place, those of the store and those that ACIS lists, with the reasons of each one's rank
///
/// Saves nothing. `region add` takes the first that is not refused as the region's own and two more to fill its gaps.
#[derive(Debug, clap::Args)]
pub struct CandidatesArgs {
    /// LATITUDE,LONGITUDE in degrees, such as 32.75,-134.95
    #[arg(value_parser = point, allow_hyphen_values = true, value_name = "LAT,LON")]
    place: Point,
    #[command(flatten)]
    elevation: Elevation,
    /// IANA name of the place's time zone; that of the schedule if left out
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    /// Ask nobody over the network
    #[arg(long)]
    offline: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// # Errors
/// A store that cannot be read.
pub async fn run(args: &CandidatesArgs, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let zone = args.zone.unwrap_or(config.schedule.time_zone);
    let today = SystemClock.now().with_timezone(&zone).date_naive();
    let directory = if args.offline { None } else { Some(directory(config, &store)?) };
    let found = candidates(&store, directory.as_ref(), args.place, args.elevation.metres(), zone, today).await?;
    store.close().await;
    if args.json {
        return print_json(&found);
    }
    print_out(&table(&found, DegreeUnit::of_house(config)))?;
    if chosen(&found).is_empty() {
        eprintln!(
            "no station would be taken unasked: name one with --station, or add a grid point with `treebell station add-grid`"
        );
    }
    Ok(())
}
