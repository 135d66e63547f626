//! `treebell station`: places with a public daily temperature record.

mod add_grid;
mod candidates;
mod check;
mod compare;
mod import;
mod list_file;

use chrono_tz::Tz;

use self::check::{check, check_sign};
use super::args::{DegreeUnit, Elevation, Why, point, source, zone};
use super::error::CommandError;
use super::format::{
    elevation_words, height_words, print_fitted, print_json, ruled_table, source_words, station_json, station_name,
};
use super::open::{open_store, open_store_for};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::geo::Point;
use crate::service::new_region::{PlaceClock, clock_beside};
use crate::service::station_choice::unset_hour;
use crate::store::Store;
use crate::weather::feeds::usual_sources;
use crate::weather::nearby::by_nearness;
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
    Candidates(candidates::CandidatesArgs),
    AddGrid(add_grid::AddGrid),
    Compare(compare::Compare),
    Import(import::Import),
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
    /// IANA name of its time zone; if left out that of the nearest region or station, or of the schedule where none is near
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    /// Hour (0 to 24) of the observer's daily reading, where the source does not tell it; if left out it is found in the record
    /// beside a midnight station, or else unknown: values then stay on the day that they were filed under
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
        StationCommand::Candidates(args) => candidates::run(&args, config).await,
        StationCommand::AddGrid(args) => add_grid::run(args, config).await,
        StationCommand::Compare(args) => compare::run(&args, config).await,
        StationCommand::Import(args) => import::run(&args, config).await,
    }
}

/// The time zone that was given, else that of the nearest region or station, else the schedule's, which is said: a state may have
/// two clocks.
pub(super) async fn zone_at(
    place: Point,
    given: Option<Tz>,
    store: &Store,
    config: &Config,
) -> Result<Tz, CommandError> {
    if let Some(zone) = given {
        return Ok(zone);
    }
    let (regions, stations) = (store.regions().await?, store.stations().await?);
    Ok(match clock_beside(place, &regions, &stations, config.schedule.time_zone) {
        PlaceClock::Known(zone, _) | PlaceClock::Neighbour(zone, _) => zone,
        PlaceClock::OfSchedule(zone) => {
            eprintln!(
                "note: no region or station is near, so the time zone is the schedule's, {zone}: --zone gives another"
            );
            zone
        }
    })
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
    let place = Point { latitude: args.lat, longitude: args.lon };
    let mut station = Station {
        id,
        name: args.name,
        place,
        elevation_m,
        time_zone: config.schedule.time_zone,
        observation_hour: args.observation_hour,
        sources,
    };
    check(&station)?;
    let store = open_store_for(config, &args.why).await?;
    check_sign(&station, store.stations().await?)?;
    station.time_zone = zone_at(place, args.zone, &store, config).await?;
    store.add_station(&station).await?;
    eprintln!("station `{}` is added, in time zone {}", station.id, station.time_zone);
    Ok(())
}

async fn list(args: &List, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let mut stored = store.all_stations().await?;
    stored.retain(|stored| args.all || stored.retired_at.is_none());
    if args.json {
        return print_json(&stored.iter().map(|stored| station_json(&stored.station)).collect::<Vec<_>>());
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
            if stored.retired_at.is_some() {
                format!("{} (retired)", station_name(station))
            } else {
                station_name(station)
            },
            format!("{:.4}, {:.4}", station.place.latitude, station.place.longitude),
            elevation_words(station.elevation_m, DegreeUnit::of_house(config)),
            station.time_zone.to_string(),
            match station.observation_hour {
                Some(hour) if !station.is_grid_point() => format!("{hour}:00"),
                _ => unset_hour(station).into(),
            },
            station.sources.iter().map(source_words).collect::<Vec<_>>().join("\n"),
        ]);
    }
    print_fitted(table, &[2, 4, 5, 3])
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
    if station.kind() != before.kind() {
        return Err(CommandError::Usage(format!(
            "station `{}`: what was measured and what a grid estimates must not stand in one record: add another station",
            station.id
        )));
    }
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
                    "station": station_json(&candidate.station),
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
    let unit = DegreeUnit::of_house(config);
    let mut table = ruled_table(["station", "name", "distance", "elevation", "height"]);
    for candidate in &candidates {
        table.add_row([
            candidate.station.id.to_string(),
            station_name(&candidate.station),
            format!("{:.1} km", candidate.distance_km),
            elevation_words(candidate.station.elevation_m, unit),
            elevation_m.map_or("not compared".into(), |_| height_words(candidate.higher_m, unit)),
        ]);
    }
    print_fitted(table, &[3])
}
