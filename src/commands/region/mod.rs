//! `treebell region`: the regions people live in, their ZIP codes and stations.

mod file;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use chrono_tz::Tz;

use self::file::read_regions;
use super::args::{Elevation, Why, zone};
use super::error::CommandError;
use super::files::{in_file, read_text};
use super::format::{elevation_words, height_words, print_json, print_out, ruled_table};
use super::open::{open_store, open_store_for, profiles_in_use};
use super::select::wrong_sign;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::geo::Point;
use crate::id::StationId;
use crate::region::{OwnerReports, Region, RegionId, Release, Zip};
use crate::season::profile::Profiles;
use crate::store::Store;
use crate::store::regions::RegionPut;
use crate::text::near_name;
use crate::weather::nearby::{by_nearness, mirrored};

/// Keep the regions: ZIP codes that share one outlook
#[derive(Debug, clap::Subcommand)]
pub enum RegionCommand {
    /// Add a region
    ///
    /// Without --station the best ones at hand are taken and named: near, and at about the same height.
    Add(Add),
    /// Print all regions
    List(List),
    /// Print all that is kept of one region
    Show(Show),
    /// Change what is given, leave the rest
    Change(Change),
    /// Take a region out of use: its ZIP codes are free again, its seasons stay
    Retire {
        /// Id of the region
        id: RegionId,
        #[command(flatten)]
        why: Why,
    },
    /// Print the ZIP codes that people wait for and no region has, the most wanted first
    Demand {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// Add and change regions from a TOML file, all or none
    ///
    /// One `[[region]]` each with id, name, zips, latitude, longitude, elevation_m, time_zone, stations and, if wished,
    /// profile, release and owner_reports. Reading the same file again changes nothing.
    Import {
        /// TOML file
        file: PathBuf,
        #[command(flatten)]
        why: Why,
    },
}

#[derive(Debug, clap::Args)]
pub struct Add {
    /// Short name in lower case letters, digits and hyphens, such as dos-vientos
    id: RegionId,
    /// Name as people know it
    #[arg(long)]
    name: String,
    /// ZIP codes; give it several times or with commas
    #[arg(long = "zip", value_delimiter = ',', required = true, value_parser = Zip::parse, value_name = "ZIP")]
    zips: Vec<Zip>,
    /// Latitude of its reference point, degrees north
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lat: f64,
    /// Longitude of its reference point, degrees east: negative in America
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lon: f64,
    #[command(flatten)]
    elevation: Elevation,
    /// IANA name of its time zone; that of the schedule if left out
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    /// Its own station first, then those that fill its gaps; give it several times or with commas
    #[arg(long = "station", value_delimiter = ',', value_name = "ID")]
    stations: Vec<StationId>,
    /// The insect
    #[arg(long, default_value = "pinyon-needle-scale")]
    profile: String,
    /// at-once, unless-held:HOURS or when-confirmed
    #[arg(long, default_value = "unless-held:24")]
    release: Release,
    /// When what owners report counts: at-once, or when-confirmed by staff
    #[arg(long, default_value = "when-confirmed", value_name = "WHEN")]
    owner_reports: OwnerReports,
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
pub struct Show {
    /// Id of the region
    pub id: RegionId,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, clap::Args)]
pub struct Change {
    /// Id of the region
    id: RegionId,
    #[arg(long)]
    name: Option<String>,
    /// ZIP codes in place of all it has
    #[arg(long = "zip", value_delimiter = ',', value_parser = Zip::parse, value_name = "ZIP", conflicts_with_all = ["add_zips", "drop_zips"])]
    zips: Vec<Zip>,
    /// ZIP codes it gets too
    #[arg(long = "add-zip", value_delimiter = ',', value_parser = Zip::parse, value_name = "ZIP")]
    add_zips: Vec<Zip>,
    /// ZIP codes it loses
    #[arg(long = "drop-zip", value_delimiter = ',', value_parser = Zip::parse, value_name = "ZIP")]
    drop_zips: Vec<Zip>,
    /// Latitude of its reference point, degrees north
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lat: Option<f64>,
    /// Longitude of its reference point, degrees east
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lon: Option<f64>,
    #[command(flatten)]
    elevation: Elevation,
    /// IANA name of its time zone
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    /// Stations in place of all it has, its own first
    #[arg(long = "station", value_delimiter = ',', value_name = "ID")]
    stations: Vec<StationId>,
    /// The insect
    #[arg(long)]
    profile: Option<String>,
    /// at-once, unless-held:HOURS or when-confirmed
    #[arg(long)]
    release: Option<Release>,
    /// When what owners report counts from now on: at-once, or when-confirmed by staff
    #[arg(long, value_name = "WHEN")]
    owner_reports: Option<OwnerReports>,
    #[command(flatten)]
    why: Why,
}

/// # Errors
/// Names that are unknown, ZIP codes that are taken, values that cannot be, a store that cannot be opened.
pub async fn run(command: RegionCommand, config: &Config) -> Result<(), CommandError> {
    match command {
        RegionCommand::Add(args) => add(args, config).await,
        RegionCommand::List(args) => list(&args, config).await,
        RegionCommand::Show(args) => show(&args, config).await,
        RegionCommand::Change(args) => change(args, config).await,
        RegionCommand::Retire { id, why } => {
            open_store_for(config, &why).await?.retire_region(&id, SystemClock.now()).await?;
            eprintln!("region `{id}` is retired; its ZIP codes are free");
            Ok(())
        }
        RegionCommand::Demand { json } => demand(json, config).await,
        RegionCommand::Import { file, why } => import(&file, &why, config).await,
    }
}

async fn add(args: Add, config: &Config) -> Result<(), CommandError> {
    let (profiles, _) = profiles_in_use(config).await?;
    known_profile(&profiles, &args.profile)?;
    let elevation_m = args
        .elevation
        .metres()
        .ok_or_else(|| CommandError::Usage("its elevation is wanted: --elevation-m or --elevation-ft".into()))?;
    let place = Point { latitude: args.lat, longitude: args.lon };
    let store = open_store_for(config, &args.why).await?;
    let stations = if args.stations.is_empty() {
        choose_stations(&store, &args.id, place, elevation_m).await?
    } else {
        args.stations
    };
    let region = Region {
        id: args.id,
        name: args.name,
        place,
        elevation_m,
        time_zone: args.zone.unwrap_or(config.schedule.time_zone),
        profile: args.profile,
        zips: args.zips,
        stations,
        release: args.release,
        owner_reports: args.owner_reports,
        retired: false,
    };
    check_sign(&store, &region).await?;
    store.add_region(&region, SystemClock.now()).await?;
    eprintln!("region `{}` is added, in time zone {}", region.id, region.time_zone);
    Ok(())
}

/// The best station at hand and two more to fill its gaps, named on standard error.
async fn choose_stations(
    store: &Store,
    region: &RegionId,
    place: Point,
    elevation_m: f64,
) -> Result<Vec<StationId>, CommandError> {
    let stations = store.stations().await?;
    if let Some(station) = mirrored(place, &stations) {
        return Err(wrong_sign("region", region.as_str(), place, station));
    }
    let candidates = by_nearness(place, Some(elevation_m), stations);
    let near: Vec<_> = candidates.iter().filter(|candidate| candidate.is_near()).take(3).collect();
    if near.is_empty() {
        let best = candidates.first().map_or_else(
            || "there are no stations yet: `treebell station add` or `station import` brings some".to_owned(),
            |best| {
                format!(
                    "the best at hand is {} ({}, {:.0} km away, {}); take it with --station if you know it to be like the place",
                    best.station.id,
                    best.station.name,
                    best.distance_km,
                    height_words(best.higher_m)
                )
            },
        );
        return Err(CommandError::Usage(format!("no station is near enough to be chosen unasked; {best}")));
    }
    for candidate in &near {
        eprintln!(
            "station {} ({}) is taken: {:.0} km away, {}",
            candidate.station.id,
            candidate.station.name,
            candidate.distance_km,
            height_words(candidate.higher_m)
        );
    }
    Ok(near.iter().map(|candidate| candidate.station.id.clone()).collect())
}

async fn list(args: &List, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let regions = if args.all { store.all_regions().await? } else { store.regions().await? };
    if args.json {
        return print_json(&regions);
    }
    if regions.is_empty() {
        eprintln!("there are no regions yet: `treebell region add` makes one");
        return Ok(());
    }
    let counts = store.subscriber_counts().await?;
    let mut table = ruled_table(["region", "name", "elevation", "ZIP codes", "stations", "subscribers", "release"]);
    for region in &regions {
        table.add_row([
            region.id.to_string(),
            if region.retired { format!("{} (retired)", region.name) } else { region.name.clone() },
            elevation_words(region.elevation_m),
            region.zips.len().to_string(),
            region.stations.join(" "),
            counts.get(&region.id).copied().unwrap_or(0).to_string(),
            region.release.to_string(),
        ]);
    }
    print_out(&format!("{table}\n"))
}

async fn demand(json: bool, config: &Config) -> Result<(), CommandError> {
    let wanted = open_store(config).await?.demand().await?;
    if json {
        return print_json(&wanted);
    }
    if wanted.is_empty() {
        eprintln!("nobody waits for a place that no region has");
        return Ok(());
    }
    let mut table = ruled_table(["ZIP code", "people who wait"]);
    for one in &wanted {
        table.add_row([one.zip.to_string(), one.people.to_string()]);
    }
    print_out(&format!("{table}\n"))?;
    eprintln!("they are told once a region has their ZIP code: `treebell region change ID --add-zip ZIP`");
    Ok(())
}

async fn show(args: &Show, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let region = store.region(&args.id).await?;
    if args.json {
        return print_json(&region);
    }
    print_out(&description(&store, &region).await?)?;
    store.close().await;
    if region.retired || region.stations.is_empty() { Ok(()) } else { super::outlook::show_one(&region, config).await }
}

/// What is kept of a region, in lines.
async fn description(store: &Store, region: &Region) -> Result<String, CommandError> {
    let mut text = String::new();
    let mut line = |name: &str, value: String| {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{name:<13}{value}");
    };
    line("region", region.id.to_string());
    line("name", if region.retired { format!("{} (retired)", region.name) } else { region.name.clone() });
    let Point { latitude, longitude } = region.place;
    line("place", format!("{latitude:.4}, {longitude:.4}, {}", elevation_words(region.elevation_m)));
    line("time zone", region.time_zone.to_string());
    line("profile", region.profile.clone());
    line("release", region.release.to_string());
    line("owners say", format!("counts {}", region.owner_reports));
    line("ZIP codes", region.zips.iter().map(Zip::as_str).collect::<Vec<_>>().join(" "));
    for (rank, id) in region.stations.iter().enumerate() {
        let known = store.all_stations().await?.into_iter().find(|stored| stored.station.id == *id);
        let role = if rank == 0 { "station" } else { "gap filler" };
        let value = match known {
            Some(stored) => {
                let station = stored.station;
                let distance = crate::geo::distance_km(region.place, station.place);
                let height = height_words(station.elevation_m - region.elevation_m);
                format!("{id} {}, {distance:.0} km away, {height}", station.name)
            }
            None => id.to_string(),
        };
        line(role, value);
    }
    let count = store.subscriber_counts().await?.get(&region.id).copied().unwrap_or(0);
    line("subscribers", count.to_string());
    Ok(text)
}

async fn change(args: Change, config: &Config) -> Result<(), CommandError> {
    let store = open_store_for(config, &args.why).await?;
    let before = store.region(&args.id).await?;
    let mut region = before.clone();
    if let Some(profile) = args.profile {
        known_profile(&profiles_in_use(config).await?.0, &profile)?;
        region.profile = profile;
    }
    if !args.zips.is_empty() {
        region.zips = args.zips;
    }
    if let Some(stranger) = args.drop_zips.iter().find(|zip| !region.zips.contains(zip)) {
        return Err(CommandError::Usage(format!("--drop-zip {stranger}: region `{}` does not have it", region.id)));
    }
    region.zips.retain(|zip| !args.drop_zips.contains(zip));
    for zip in args.add_zips {
        if !region.zips.contains(&zip) {
            region.zips.push(zip);
        }
    }
    region.zips.sort();
    region.name = args.name.unwrap_or(region.name);
    region.place.latitude = args.lat.unwrap_or(region.place.latitude);
    region.place.longitude = args.lon.unwrap_or(region.place.longitude);
    region.elevation_m = args.elevation.metres().unwrap_or(region.elevation_m);
    region.time_zone = args.zone.unwrap_or(region.time_zone);
    region.release = args.release.unwrap_or(region.release);
    region.owner_reports = args.owner_reports.unwrap_or(region.owner_reports);
    if !args.stations.is_empty() {
        region.stations = args.stations;
    }
    if region == before {
        eprintln!("nothing to change: `treebell region change --help` tells what can be");
        return Ok(());
    }
    if region.place != before.place || region.stations != before.stations {
        check_sign(&store, &region).await?;
    }
    store.change_region(&region).await?;
    eprintln!("region `{}` is changed", region.id);
    Ok(())
}

async fn import(file: &Path, why: &Why, config: &Config) -> Result<(), CommandError> {
    let (profiles, _) = profiles_in_use(config).await?;
    let text = read_text(file)?;
    let regions =
        read_regions(&text, config.schedule.time_zone).map_err(|faults| CommandError::Usage(in_file(file, &faults)))?;
    for region in &regions {
        known_profile(&profiles, &region.profile)?;
    }
    let store = open_store_for(config, why).await?;
    for region in &regions {
        check_sign(&store, region).await?;
    }
    let done = store.put_regions(&regions, SystemClock.now()).await?;
    let count = |what| done.iter().filter(|one| **one == what).count();
    eprintln!(
        "{} added, {} changed, {} unchanged",
        count(RegionPut::Added),
        count(RegionPut::Changed),
        count(RegionPut::Unchanged)
    );
    Ok(())
}

/// A region lies beside its own stations.
async fn check_sign(store: &Store, region: &Region) -> Result<(), CommandError> {
    let mut stations = store.stations().await?;
    stations.retain(|station| region.stations.contains(&station.id));
    let beside = mirrored(region.place, &stations);
    beside.map_or(Ok(()), |station| Err(wrong_sign("region", region.id.as_str(), region.place, station)))
}

fn known_profile(profiles: &Profiles, id: &str) -> Result<(), CommandError> {
    if profiles.get(id).is_some() {
        return Ok(());
    }
    let known: Vec<String> = profiles.iter().map(|profile| profile.id.clone()).collect();
    let near = crate::text::did_you_mean(near_name(id, &known).as_deref());
    Err(CommandError::Usage(format!("profile `{id}` is unknown{near} (known: {})", known.join(", "))))
}
