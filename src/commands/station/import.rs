//! `treebell station import`: stations of the list that GHCN-Daily publishes.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use chrono_tz::Tz;

use super::list_file::{Listed, read_list};
use crate::commands::args::{Why, point, zone};
use crate::commands::error::CommandError;
use crate::commands::files::read_bytes;
use crate::commands::format::counted;
use crate::commands::open::{fetcher, open_store_for};
use crate::config::Config;
use crate::geo::{Point, distance_km};
use crate::places::zone_of_state;
use crate::service::new_region::{PlaceClock, clock_beside};
use crate::weather::Station;
use crate::weather::feeds::{chain, ghcn_station_list};

/// Add stations of the list ghcnd-stations.txt that GHCN-Daily publishes
///
/// The list has stations of the whole world: say which part is wanted. Those already there stay as they are.
#[derive(Debug, clap::Args)]
pub struct Import {
    /// The list
    #[arg(required_unless_present = "fetch", conflicts_with = "fetch")]
    file: Option<PathBuf>,
    /// Fetch the list, from below feeds.ghcn_daily.base_url of the settings
    #[arg(long)]
    fetch: bool,
    /// Only stations of these states, by their two letters in the list; give it several times or with commas
    #[arg(long = "state", value_delimiter = ',', value_name = "STATE", required_unless_present = "near")]
    states: Vec<String>,
    /// Only stations around LATITUDE,LONGITUDE
    #[arg(long, value_parser = point, allow_hyphen_values = true, value_name = "LAT,LON")]
    near: Option<Point>,
    /// How far around, km
    #[arg(long, default_value_t = 100.0, requires = "near", value_name = "KM")]
    within_km: f64,
    /// IANA name of their time zone, since the list has none; if left out that of their state, or where a state has
    /// several that of the nearest region or station, or of the schedule where none is near
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    #[command(flatten)]
    why: Why,
}

/// # Errors
/// A list that cannot be had or is none, no wanted station in it, a store that fails.
pub async fn run(args: &Import, config: &Config) -> Result<(), CommandError> {
    // Names in the list are not always ASCII, whatever its description says.
    let given =
        args.file.as_ref().map(|file| read_bytes(file).map(|bytes| (file.as_path(), bytes.into()))).transpose()?;
    let store = open_store_for(config, &args.why).await?;
    let (name, bytes) = match given {
        Some(given) => given,
        None => {
            let list = ghcn_station_list(&fetcher(config, &store)?, &config.feeds).await;
            let list = list.map_err(|why| {
                CommandError::SourcesFailed(format!("the list could not be fetched: {}", chain(&why)))
            })?;
            (Path::new("ghcnd-stations.txt as fetched"), list)
        }
    };
    let usual = config.schedule.time_zone;
    let listed = read_list(name, &String::from_utf8_lossy(&bytes), usual)?;
    let states: Vec<String> = args.states.iter().map(|state| state.trim().to_uppercase()).collect();
    let wanted: Vec<Listed> = listed
        .into_iter()
        .filter(|listed| states.is_empty() || states.contains(&listed.state))
        .filter(|listed| args.near.is_none_or(|place| distance_km(place, listed.station.place) <= args.within_km))
        .collect();
    let (wanted, heightless): (Vec<_>, Vec<_>) = wanted.into_iter().partition(|listed| listed.has_elevation);
    if !heightless.is_empty() {
        eprintln!("{} left out: the list has no elevation for them", counted(heightless.len(), "station", "stations"));
    }
    let (regions, known) = (store.regions().await?, store.stations().await?);
    let (mut stations, mut on_schedule): (Vec<Station>, usize) = (Vec::new(), 0);
    for Listed { mut station, state, .. } in wanted {
        let beside = || clock_beside(station.place, &regions, &known, usual);
        station.time_zone = args.zone.or(zone_of_state(&state)).unwrap_or_else(|| match beside() {
            PlaceClock::Known(zone, _) | PlaceClock::Neighbour(zone, _) => zone,
            PlaceClock::OfSchedule(zone) => {
                on_schedule += 1;
                zone
            }
        });
        stations.push(station);
    }
    if on_schedule > 0 {
        eprintln!(
            "note: of {} the state is not told or has several time zones, and no region or station is near, so they get the \
             schedule's, {usual}: --zone gives another",
            counted(on_schedule, "station", "stations")
        );
    }
    if stations.is_empty() {
        return Err(CommandError::Usage("no station of the list is wanted by --state and --near".into()));
    }
    let added = store.add_missing_stations(&stations).await?;
    let zones: BTreeSet<&str> = stations.iter().map(|station| station.time_zone.name()).collect();
    eprintln!(
        "{} added in time zone {}, {} there before",
        counted(added, "station", "stations"),
        zones.into_iter().collect::<Vec<_>>().join(" or "),
        stations.len().saturating_sub(added)
    );
    Ok(())
}
