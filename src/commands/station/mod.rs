//! `treebell station`: places with a public daily temperature record.

mod list_file;

use std::path::PathBuf;

use chrono_tz::Tz;

use self::list_file::{Listed, read_list};
use super::args::{Elevation, Why, point, source, zone};
use super::error::CommandError;
use super::files::read_bytes;
use super::format::{counted, elevation_words, height_words, print_json, print_out, ruled_table, source_words};
use super::open::{open_store, open_store_for};
use super::select::wrong_sign;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::geo::{Point, distance_km};
use crate::region::ELEVATIONS_M;
use crate::text::is_hidden;
use crate::weather::feeds::{FeedError, has_secret, usual_sources};
use crate::weather::nearby::{by_nearness, mirrored};
use crate::weather::{SourceRef, Station, StationId};

/// Keep the stations whose temperatures are read
#[derive(Debug, clap::Subcommand)]
pub enum StationCommand {
    /// Add a station
    ///
    /// Without --source a station with a GHCN id, such as USC00290692, is read from the NCEI daily summaries, ACIS and
    /// the GHCN-Daily files, in this order; one with a SNOTEL triplet, such as 9901:XA:SNTL, from AWDB.
    Add(Add),
    /// Print all stations
    List(List),
    /// Change what is given, leave the rest; its record stays
    Change(Change),
    /// Take a station out of use; its record stays
    Retire {
        /// Id of the station
        id: StationId,
        #[command(flatten)]
        why: Why,
    },
    /// Print the stations nearest to a place, those at its height first
    Near(Near),
    /// Add stations of the list ghcnd-stations.txt that GHCN-Daily publishes
    ///
    /// The list has stations of the whole world: say which part is wanted. Those already there stay as they are.
    Import(Import),
}

#[derive(Debug, clap::Args)]
pub struct Add {
    /// Id, best as GHCN-Daily writes it
    id: StationId,
    #[arg(long)]
    name: String,
    /// Degrees north
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lat: f64,
    /// Degrees east: negative in America
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lon: f64,
    #[command(flatten)]
    elevation: Elevation,
    /// IANA name of its time zone; that of the schedule if left out
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    /// Hour (0 to 24) of the observer's daily reading, where the source does not tell it; midnight if left out
    #[arg(long, value_parser = clap::value_parser!(u8).range(0..=24), value_name = "HOUR")]
    observation_hour: Option<u8>,
    /// FEED:ID, in order of trust, such as acis:USC00290692 or plain-csv:/data/logger.csv; give it several times
    #[arg(long = "source", value_parser = source, value_name = "FEED:ID")]
    sources: Vec<SourceRef>,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct List {
    /// Retired ones too
    #[arg(long)]
    all: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
pub struct Change {
    /// Id of the station
    id: StationId,
    #[arg(long)]
    name: Option<String>,
    /// Degrees north
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lat: Option<f64>,
    /// Degrees east
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lon: Option<f64>,
    #[command(flatten)]
    elevation: Elevation,
    /// IANA name of its time zone
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    /// Hour (0 to 24) of the observer's daily reading
    #[arg(long, value_parser = clap::value_parser!(u8).range(0..=24), value_name = "HOUR")]
    observation_hour: Option<u8>,
    /// FEED:ID in place of all it has, in order of trust; give it several times
    #[arg(long = "source", value_parser = source, value_name = "FEED:ID")]
    sources: Vec<SourceRef>,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct Near {
    /// LATITUDE,LONGITUDE in degrees, such as 32.75,-134.95
    #[arg(value_parser = point, allow_hyphen_values = true, value_name = "LAT,LON")]
    place: Point,
    #[command(flatten)]
    elevation: Elevation,
    /// How many
    #[arg(long, default_value_t = 5)]
    count: usize,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
pub struct Import {
    /// The list
    file: PathBuf,
    /// Only stations of these states, by their two letters in the list; give it several times or with commas
    #[arg(long = "state", value_delimiter = ',', value_name = "STATE", required_unless_present = "near")]
    states: Vec<String>,
    /// Only stations around LATITUDE,LONGITUDE
    #[arg(long, value_parser = point, allow_hyphen_values = true, value_name = "LAT,LON")]
    near: Option<Point>,
    /// How far around, km
    #[arg(long, default_value_t = 100.0, requires = "near", value_name = "KM")]
    within_km: f64,
    /// IANA name of their time zone, since the list has none; that of the schedule if left out
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    #[command(flatten)]
    why: Why,
}

/// # Errors
/// Names that are unknown, values that cannot be, a file that is not the list, a store that cannot be opened.
pub async fn run(command: StationCommand, config: &Config) -> Result<(), CommandError> {
    match command {
        StationCommand::Add(args) => add(args, config).await,
        StationCommand::List(args) => list(&args, config).await,
        StationCommand::Change(args) => change(args, config).await,
        StationCommand::Retire { id, why } => {
            open_store_for(config, &why).await?.retire_station(&id, SystemClock.now()).await?;
            eprintln!("station `{id}` is retired; its record stays");
            Ok(())
        }
        StationCommand::Near(args) => near(&args, config).await,
        StationCommand::Import(args) => import(&args, config).await,
    }
}

async fn add(args: Add, config: &Config) -> Result<(), CommandError> {
    let elevation_m = args
        .elevation
        .metres()
        .ok_or_else(|| CommandError::Usage("its elevation is wanted: --elevation-m or --elevation-ft".into()))?;
    let id = args.id;
    let sources = if args.sources.is_empty() { usual_sources(&id) } else { args.sources };
    if sources.is_empty() {
        return Err(CommandError::Usage(format!(
            "`{id}` is no GHCN id, so nobody knows where its temperatures are: name a --source, such as plain-csv:FILE"
        )));
    }
    let station = Station {
        id,
        name: args.name,
        place: Point { latitude: args.lat, longitude: args.lon },
        elevation_m,
        time_zone: args.zone.unwrap_or(config.schedule.time_zone),
        observation_hour: args.observation_hour,
        sources,
    };
    check(&station)?;
    let store = open_store_for(config, &args.why).await?;
    check_sign(&station, store.stations().await?)?;
    store.add_station(&station).await?;
    eprintln!("station `{}` is added, in time zone {}", station.id, station.time_zone);
    Ok(())
}

async fn list(args: &List, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let mut stored = store.all_stations().await?;
    stored.retain(|stored| args.all || stored.retired_at.is_none());
    if args.json {
        return print_json(&stored.iter().map(|stored| &stored.station).collect::<Vec<_>>());
    }
    if stored.is_empty() {
        eprintln!("there are no stations yet: `treebell station add` or `station import` brings some");
        return Ok(());
    }
    let mut table = ruled_table(["station", "name", "place", "elevation", "time zone", "read at", "sources"]);
    for stored in &stored {
        let station = &stored.station;
        table.add_row([
            station.id.to_string(),
            if stored.retired_at.is_some() { format!("{} (retired)", station.name) } else { station.name.clone() },
            format!("{:.4}, {:.4}", station.place.latitude, station.place.longitude),
            elevation_words(station.elevation_m),
            station.time_zone.to_string(),
            station.observation_hour.map_or("midnight".into(), |hour| format!("{hour}:00")),
            station.sources.iter().map(source_words).collect::<Vec<_>>().join("\n"),
        ]);
    }
    print_out(&format!("{table}\n"))
}

async fn change(args: Change, config: &Config) -> Result<(), CommandError> {
    let store = open_store_for(config, &args.why).await?;
    let before = store.station(&args.id).await?;
    let mut station = before.clone();
    station.name = args.name.unwrap_or(station.name);
    station.place.latitude = args.lat.unwrap_or(station.place.latitude);
    station.place.longitude = args.lon.unwrap_or(station.place.longitude);
    station.elevation_m = args.elevation.metres().unwrap_or(station.elevation_m);
    station.time_zone = args.zone.unwrap_or(station.time_zone);
    station.observation_hour = args.observation_hour.or(station.observation_hour);
    if !args.sources.is_empty() {
        station.sources = args.sources;
    }
    if station == before {
        eprintln!("nothing to change: `treebell station change --help` tells what can be");
        return Ok(());
    }
    check(&station)?;
    if station.place != before.place {
        check_sign(&station, store.stations().await?)?;
    }
    store.change_station(&station).await?;
    eprintln!("station `{}` is changed", station.id);
    Ok(())
}

async fn near(args: &Near, config: &Config) -> Result<(), CommandError> {
    let elevation_m = args.elevation.metres();
    let stations = open_store(config).await?.stations().await?;
    let candidates: Vec<_> = by_nearness(args.place, elevation_m, stations).into_iter().take(args.count).collect();
    if args.json {
        let rows: Vec<_> = candidates
            .iter()
            .map(|candidate| {
                serde_json::json!({
                    "station": candidate.station,
                    "distance_km": candidate.distance_km,
                    "higher_m": elevation_m.map(|_| candidate.higher_m),
                })
            })
            .collect();
        return print_json(&rows);
    }
    if candidates.is_empty() {
        eprintln!("there are no stations yet: `treebell station add` or `station import` brings some");
        return Ok(());
    }
    let mut table = ruled_table(["station", "name", "distance", "elevation", "height"]);
    for candidate in &candidates {
        table.add_row([
            candidate.station.id.to_string(),
            candidate.station.name.clone(),
            format!("{:.1} km", candidate.distance_km),
            elevation_words(candidate.station.elevation_m),
            elevation_m.map_or("not compared".into(), |_| height_words(candidate.higher_m)),
        ]);
    }
    print_out(&format!("{table}\n"))
}

async fn import(args: &Import, config: &Config) -> Result<(), CommandError> {
    // Names in the list are not always ASCII, whatever its description says.
    let bytes = read_bytes(&args.file)?;
    let zone = args.zone.unwrap_or(config.schedule.time_zone);
    let listed = read_list(&args.file, &String::from_utf8_lossy(&bytes), zone)?;
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
    let stations: Vec<Station> = wanted.into_iter().map(|listed| listed.station).collect();
    if stations.is_empty() {
        return Err(CommandError::Usage("no station of the list is wanted by --state and --near".into()));
    }
    let added = open_store_for(config, &args.why).await?.add_missing_stations(&stations).await?;
    eprintln!(
        "{} added in time zone {zone}, {} there before",
        counted(added, "station", "stations"),
        stations.len().saturating_sub(added)
    );
    Ok(())
}

/// Stations of one state lie beside each other: a forgotten minus is told by the others.
fn check_sign(station: &Station, mut others: Vec<Station>) -> Result<(), CommandError> {
    others.retain(|other| other.id != station.id);
    let beside = mirrored(station.place, &others);
    beside.map_or(Ok(()), |other| Err(wrong_sign("station", &station.id.0, station.place, other)))
}

fn check(station: &Station) -> Result<(), CommandError> {
    let Point { latitude, longitude } = station.place;
    let id = &station.id.0;
    let mut faults = Vec::new();
    if id.is_empty() || id.chars().count() > 40 || id.chars().any(|c| c.is_whitespace() || is_hidden(c) || c == ',') {
        faults.push(format!("the id `{id}` must be 1 to 40 visible characters without blanks and commas"));
    }
    if station.name.trim().is_empty() || station.name.chars().any(is_hidden) {
        faults.push("the name is empty or holds a character that is not seen".into());
    }
    if !(-90.0..=90.0).contains(&latitude) {
        faults.push(format!("latitude {latitude} must lie between -90 and 90"));
    }
    if !(-180.0..=180.0).contains(&longitude) {
        faults.push(format!("longitude {longitude} must lie between -180 and 180"));
    }
    if station.sources.iter().any(has_secret) {
        faults.push(FeedError::SecretInSource.to_string());
    }
    if !ELEVATIONS_M.contains(&station.elevation_m) {
        faults.push(format!("elevation {} m must lie between -430 and 8849 m", station.elevation_m));
    }
    if faults.is_empty() { Ok(()) } else { Err(CommandError::Usage(format!("station `{id}`: {}", faults.join("; ")))) }
}
