//! `treebell station add-grid`: a grid's estimate for a place that has no station near.

use chrono_tz::Tz;

use super::check::{check, check_sign};
use super::zone_at;
use crate::commands::args::{DegreeUnit, Why, zone};
use crate::commands::error::CommandError;
use crate::commands::format::elevation_words;
use crate::commands::open::{directory, open_store_for};
use crate::config::Config;
use crate::geo::Point;
use crate::weather::feeds::acis_grid::{self, Grid};
use crate::weather::feeds::{FeedError, chain};

/// Add a grid point: temperatures that others estimate for a place from the stations around, since 1981
///
/// Where no station is near, a grid is better than nothing. Nobody has measured there, and how well a grid agrees with stations
/// in your mountains is not known: `treebell station compare` measures it. Regions, outlooks and pages say that it is an
/// estimate and whose.
#[derive(Debug, clap::Args)]
pub struct AddGrid {
    /// Degrees north
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lat: f64,
    /// Degrees east: negative in America
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lon: f64,
    /// Whose grid: prism, or nrcc for the one that the Northeast Regional Climate Center interpolates
    #[arg(long, default_value = "prism", value_parser = grid, value_name = "prism|nrcc")]
    grid: Grid,
    /// Name; the grid's and the place if left out
    #[arg(long)]
    name: Option<String>,
    /// IANA name of its time zone; if left out that of the nearest region or station, or of the schedule where none is near
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    #[command(flatten)]
    why: Why,
}

fn grid(name: &str) -> Result<Grid, String> {
    Grid::parse(name).ok_or_else(|| format!("`{name}` is no grid: prism or nrcc is wanted"))
}

/// # Errors
/// A place that is none or has no values, a grid that cannot be asked, a store that fails.
pub async fn run(args: AddGrid, config: &Config) -> Result<(), CommandError> {
    let place = Point { latitude: args.lat, longitude: args.lon };
    if !(-90.0..=90.0).contains(&args.lat) || !(-180.0..=180.0).contains(&args.lon) {
        return Err(CommandError::Usage(format!(
            "{}, {} is no place: latitudes lie between -90 and 90 degrees, longitudes between -180 and 180",
            args.lat, args.lon
        )));
    }
    let store = open_store_for(config, &args.why).await?;
    let title = args.grid.title();
    // The height of its cell is what its temperatures are of, and only the grid knows it.
    let cell = directory(config, &store)?.cell(args.grid, place).await;
    let cell = cell.map_err(|why| {
        // The service does not say which of its reasons it is: it refuses places that its grids do not have too.
        let mend = match why {
            FeedError::Refused { .. } => {
                format!(
                    "; is {}, {} at sea or in another country? The grids cover the 48 contiguous states, where longitudes are \
                     negative: mend the coordinates, or try again later",
                    args.lat, args.lon
                )
            }
            _ => String::new(),
        };
        CommandError::SourcesFailed(format!("the {title} grid gave no answer for that place: {}{mend}", chain(&why)))
    })?;
    let Some(cell) = cell else {
        return Err(CommandError::Usage(format!(
            "the {title} grid has no values at {}, {}: is it the sea or another country? Degrees count to the east, so in \
             America longitudes are negative",
            args.lat, args.lon
        )));
    };
    let zone = zone_at(place, args.zone, &store, config).await?;
    let mut station = acis_grid::station(args.grid, place, &cell, zone);
    if let Some(name) = args.name {
        station.name = name;
    }
    check(&station)?;
    check_sign(&station, store.stations().await?)?;
    store.add_station(&station).await?;
    store.close().await;
    eprintln!(
        "grid point `{}` is added, at the height of its cell, {}: an estimate, nobody measured there",
        station.id,
        elevation_words(station.elevation_m, DegreeUnit::of_house(config))
    );
    eprintln!("its terms: {} ({})", args.grid.terms(), Grid::TERMS_NOTE);
    eprintln!(
        "its history: `treebell weather backfill {}`; how well it agrees: `treebell station compare`",
        station.id
    );
    Ok(())
}
