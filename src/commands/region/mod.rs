//! `treebell region`: the regions people live in, their ZIP codes and stations.

mod add;
mod files;
mod found;
mod preview;

use chrono_tz::Tz;

use self::found::{Manner, ground};
use self::preview::{Look, is_wanted};
use super::args::{Bounds, DegreeUnit, Elevation, Why, zone};
use super::ask::is_somebody_there;
use super::error::CommandError;
use super::format::{
    behind, elevation_words, height_words, print_fitted, print_json, print_out, ruled_table, station_name,
};
use super::open::{open_store, open_store_for, profiles_in_use};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::geo::Point;
use crate::id::StationId;
use crate::region::{OwnerReports, Region, RegionId, Release, Zip};
use crate::season::profile::Profiles;
use crate::service::new_region::list::is_taken_away;
use crate::service::new_region::{change_stands, read_zips};
use crate::service::region_drafts::RegionChange;
use crate::store::Store;
use crate::text::near_name;
use crate::weather::feeds::acis_grid::grid_of;

/// Keep the regions: ZIP codes that share one outlook
#[derive(Debug, clap::Subcommand)]
pub enum RegionCommand {
    /// Add a region
    ///
    /// A name and ZIP codes suffice. Where it is, how high, in which time zone and county is looked up and shown with its source;
    /// the person overrules. Without --station the best ones at hand are taken and named: near, and at about the same height.
    /// Before it is saved it is shown how its past seasons would have gone, between which regions it stands and whom it would
    /// reach; then it is asked whether to save it. Where nobody is there to answer, --yes saves and --dry-run looks only.
    Add(add::Add),
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
    /// Add and change regions from a TOML or CSV file, all or none
    ///
    /// A name and ZIP codes suffice; what else a new region needs is looked up as `region add` does, and a region in use keeps
    /// what the file does not say. TOML has one `[[region]]` each, CSV a line each; names of fields and columns are id, name,
    /// zips, latitude, longitude, elevation_m or elevation_ft, time_zone, county, state, band_ft or band_m ("5000..6500"),
    /// landmarks, stations, profile, release and owner_reports. A cell that is empty leaves what a region has; `-` takes its county,
    /// state or landmarks away, and `all` its band; `grid` as stations takes a grid's estimate where no station is near, and is refused where one is. Reading the same file again changes nothing. After a run that was cut off, what
    /// the weather service said of a place is not asked again, nor is a record that came. Past seasons are shown by --dry-run of
    /// regions whose stations have their records in the store; of a new one by `region add --dry-run`, or by `region change ID
    /// --dry-run` once it is saved.
    Import(files::Import),
    /// Write all regions in use as `region import` reads them: TOML or CSV
    Export(files::Export),
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
    #[arg(long = "zip", value_delimiter = ',', value_name = "ZIP", conflicts_with_all = ["add_zips", "drop_zips"])]
    zips: Vec<String>,
    /// ZIP codes it gets too
    #[arg(long = "add-zip", value_delimiter = ',', value_name = "ZIP")]
    add_zips: Vec<String>,
    /// ZIP codes it loses
    #[arg(long = "drop-zip", value_delimiter = ',', value_name = "ZIP")]
    drop_zips: Vec<String>,
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
    bounds: Bounds,
    #[command(flatten)]
    look: Look,
    #[command(flatten)]
    why: Why,
}

/// # Errors
/// Names that are unknown, ZIP codes that are taken, values that cannot be, a store that cannot be opened.
pub async fn run(command: RegionCommand, config: &Config) -> Result<(), CommandError> {
    match command {
        RegionCommand::Add(args) => add::run(args, config).await,
        RegionCommand::List(args) => list(&args, config).await,
        RegionCommand::Show(args) => show(&args, config).await,
        RegionCommand::Change(args) => change(args, config).await,
        RegionCommand::Retire { id, why } => {
            open_store_for(config, &why).await?.retire_region(&id, SystemClock.now()).await?;
            eprintln!("region `{id}` is retired; its ZIP codes are free");
            Ok(())
        }
        RegionCommand::Demand { json } => demand(json, config).await,
        RegionCommand::Import(args) => files::import(&args, config).await,
        RegionCommand::Export(args) => files::export(&args, config).await,
    }
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
    let (counts, unknown) = (store.subscriber_counts().await?, store.unanswered_heights().await?);
    let mut table = ruled_table([
        "region and its name",
        "elevation, and heights told",
        "ZIP codes",
        "stations",
        "subscribers",
        "release",
    ]);
    for region in &regions {
        let retired = if region.retired { " (retired)" } else { "" };
        let heights = region.band.map_or("all heights".into(), |band| band.to_string());
        table.add_row([
            format!("{}\n{}{retired}", region.id, region.name),
            format!("{}\n{heights}", elevation_words(region.elevation_m, DegreeUnit::of_house(config))),
            region.zips.len().to_string(),
            region.stations.join(" "),
            people_words(counts.get(&region.id), unknown.get(&region.id)),
            region.release.to_string(),
        ]);
    }
    print_fitted(table, &[2, 5, 1, 4])
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
        let mut value = serde_json::to_value(&region).unwrap_or_default();
        if let Some(fields) = value.as_object_mut() {
            let stored = store.all_stations().await?.into_iter().map(|stored| stored.station);
            let grid = stored.filter(|station| station.is_grid_point() && region.stations.contains(&station.id));
            fields.insert("grid_points".into(), grid.map(|station| station.id.0).collect());
        }
        return print_json(&value);
    }
    print_out(&description(&store, &region, DegreeUnit::of_house(config)).await?)?;
    store.close().await;
    if region.retired || region.stations.is_empty() { Ok(()) } else { super::outlook::show_one(&region, config).await }
}

/// How many are told of a region, and of how many nobody knows whether their trees stand at its heights.
fn people_words(all: Option<&u64>, height_unknown: Option<&u64>) -> String {
    match (all.copied().unwrap_or(0), height_unknown) {
        (all, None) => all.to_string(),
        (all, Some(unknown)) => format!("{all} ({unknown} have not said their height)"),
    }
}

/// County and state, as far as they are known.
fn place_words(region: &Region) -> Option<String> {
    let known: Vec<&str> = region.county.iter().chain(&region.state).map(String::as_str).collect();
    (!known.is_empty()).then(|| known.join(", "))
}

/// What is kept of a region, in lines.
async fn description(store: &Store, region: &Region, unit: DegreeUnit) -> Result<String, CommandError> {
    let mut text = String::new();
    let mut line = |name: &str, value: String| text += &behind(&format!("{name:<13}"), 13, &value);
    line("region", region.id.to_string());
    line("name", if region.retired { format!("{} (retired)", region.name) } else { region.name.clone() });
    let Point { latitude, longitude } = region.place;
    line("place", format!("{latitude:.4}, {longitude:.4}, {}", elevation_words(region.elevation_m, unit)));
    if let Some(where_) = place_words(region) {
        line("county", where_);
    }
    if let Some(band) = &region.band {
        line("heights", band.to_string());
    }
    if !region.landmarks.is_empty() {
        line("landmarks", region.landmarks.join(", "));
    }
    line("time zone", region.time_zone.to_string());
    line("profile", region.profile.clone());
    line("release", region.release.to_string());
    line("owners say", format!("counts {}", region.owner_reports));
    line("ZIP codes", region.zips.iter().map(Zip::as_str).collect::<Vec<_>>().join(" "));
    let mut gap = String::new();
    for (rank, id) in region.stations.iter().enumerate() {
        let known = store.all_stations().await?.into_iter().find(|stored| stored.station.id == *id);
        let role = if rank == 0 { "station" } else { "gap filler" };
        let value = match known {
            Some(stored) => {
                let station = stored.station;
                let distance = crate::geo::distance_km(region.place, station.place);
                let higher_m = station.elevation_m - region.elevation_m;
                if rank == 0 {
                    gap = preview::gap_words(higher_m, station.is_grid_point(), unit);
                }
                let height = height_words(higher_m, unit);
                let terms = grid_of(&station).map(|grid| format!("; terms: {}", grid.terms())).unwrap_or_default();
                format!("{id} {}, {distance:.0} km away, {height}{terms}", station_name(&station))
            }
            None => id.to_string(),
        };
        line(role, value);
    }
    let (counts, unknown) = (store.subscriber_counts().await?, store.unanswered_heights().await?);
    line("subscribers", people_words(counts.get(&region.id), unknown.get(&region.id)));
    Ok(text + &gap)
}

async fn change(args: Change, config: &Config) -> Result<(), CommandError> {
    let store = open_store_for(config, &args.why).await?;
    let before = store.region(&args.id).await?;
    let mut region = before.clone();
    if let Some(profile) = args.profile {
        known_profile(&profiles_in_use(config).await?.0, &profile)?;
        region.profile = profile;
    }
    let (zips, add_zips, drop_zips) =
        (whole_zips(&args.zips)?, whole_zips(&args.add_zips)?, whole_zips(&args.drop_zips)?);
    if !zips.is_empty() {
        region.zips = zips;
    }
    if let Some(stranger) = drop_zips.iter().find(|zip| !region.zips.contains(zip)) {
        return Err(CommandError::Usage(format!("--drop-zip {stranger}: region `{}` does not have it", region.id)));
    }
    region.zips.retain(|zip| !drop_zips.contains(zip));
    for zip in add_zips {
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
    region.band = args.bounds.heights().map_or(region.band, |heights| heights.0);
    let kept_or =
        |given: Option<String>, kept| given.map_or(kept, |text| Some(text).filter(|text| !is_taken_away(text)));
    region.county = kept_or(args.bounds.county, region.county);
    region.state = kept_or(args.bounds.state, region.state);
    match args.bounds.landmarks.as_slice() {
        [] => {}
        [one] if is_taken_away(one) => region.landmarks.clear(),
        _ => region.landmarks = args.bounds.landmarks,
    }
    if !args.stations.is_empty() {
        region.stations = args.stations;
    }
    if region == before {
        eprintln!("nothing to change: `treebell region change --help` tells what can be");
        return Ok(());
    }
    if region.place != before.place || region.zips != before.zips || region.stations != before.stations {
        let manner = Manner { offline: false, dry_run: args.look.go.dry_run, yes: args.look.go.yes };
        let (remarks, doubts) = change_stands(&before, &region, &ground(&store, config, &manner).await?).await?;
        for remark in remarks {
            eprintln!("note: {remark}");
        }
        for doubt in &doubts {
            eprintln!("in doubt: {}", doubt.words());
        }
        if !doubts.is_empty() && !is_somebody_there() && !args.look.is_asked_for() {
            return Err(CommandError::Usage(format!(
                "region `{}` is in doubt: mend it, or say --yes to go on",
                region.id
            )));
        }
    }
    // Another name or another way of release changes nothing of what would be shown.
    let change = RegionChange { before, after: region };
    let (words, region) = (change.is_of_words(), change.after);
    let is_shown = !words || args.look.is_asked_for();
    if is_shown && !is_wanted(&region, &args.look, config).await? {
        return Ok(());
    }
    store.change_region(&region).await?;
    eprintln!("region `{}` is changed", region.id);
    Ok(())
}

fn whole_zips(texts: &[String]) -> Result<Vec<Zip>, CommandError> {
    if texts.is_empty() {
        Ok(Vec::new())
    } else {
        read_zips(texts).map_err(|faults| CommandError::Usage(faults.join("\n")))
    }
}

fn known_profile(profiles: &Profiles, id: &str) -> Result<(), CommandError> {
    if profiles.get(id).is_some() {
        return Ok(());
    }
    let known: Vec<String> = profiles.iter().map(|profile| profile.id.clone()).collect();
    let near = crate::text::did_you_mean(near_name(id, &known).as_deref());
    Err(CommandError::Usage(format!("profile `{id}` is unknown{near} (known: {})", known.join(", "))))
}
