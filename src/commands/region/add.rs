//! `treebell region add`: a region from a name and ZIP codes.

use chrono_tz::Tz;

use super::found::{History, Manner, check_doubts, ground, may_save, table, tell};
use super::known_profile;
use super::preview::show_new;
use crate::clock::{Clock, SystemClock};
use crate::commands::args::{Bounds, Elevation, Why, zone};
use crate::commands::ask::is_somebody_there;
use crate::commands::error::CommandError;
use crate::commands::format::print_out;
use crate::commands::open::{open_store_for, profiles_in_use};
use crate::config::Config;
use crate::id::StationId;
use crate::region::{OwnerReports, RegionId, Release};
use crate::service::new_region::list::{USUAL_PROFILE, USUAL_RELEASE};
use crate::service::new_region::trial::Trial;
use crate::service::new_region::{NewRegionError, Wish, find};

#[derive(Debug, clap::Args)]
pub struct Add {
    /// Short name in lower case letters, digits and hyphens, such as dos-vientos
    id: RegionId,
    /// Name as people know it
    #[arg(long)]
    name: String,
    /// ZIP codes; give it several times or with commas
    #[arg(long = "zip", value_delimiter = ',', required = true, value_name = "ZIP")]
    zips: Vec<String>,
    /// Latitude of its reference point, degrees north; that of its ZIP areas if left out
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lat: Option<f64>,
    /// Longitude of its reference point, degrees east: negative in America
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lon: Option<f64>,
    #[command(flatten)]
    elevation: Elevation,
    /// IANA name of its time zone; that of its place if left out
    #[arg(long, value_parser = zone)]
    zone: Option<Tz>,
    /// Its own station first, then those that fill its gaps; give it several times or with commas
    #[arg(long = "station", value_delimiter = ',', value_name = "ID")]
    stations: Vec<StationId>,
    /// Where no station is near, take the estimate of a grid (ACIS, PRISM) in its place
    #[arg(long, conflicts_with_all = ["stations", "offline"])]
    grid_point: bool,
    /// The insect
    #[arg(long, default_value = USUAL_PROFILE)]
    profile: String,
    /// at-once, unless-held:HOURS or when-confirmed
    #[arg(long, default_value_t = USUAL_RELEASE)]
    release: Release,
    /// When what owners report counts: at-once, or when-confirmed by staff
    #[arg(long, default_value = "when-confirmed", value_name = "WHEN")]
    owner_reports: OwnerReports,
    #[command(flatten)]
    bounds: Bounds,
    #[command(flatten)]
    manner: Manner,
    /// Print what is shown as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    why: Why,
}

pub async fn run(args: Add, config: &Config) -> Result<(), CommandError> {
    let (profiles, _) = profiles_in_use(config).await?;
    known_profile(&profiles, &args.profile)?;
    let store = open_store_for(config, &args.why).await?;
    let ground = ground(&store, config, &args.manner).await?;
    let wish = Wish {
        id: args.id,
        name: args.name,
        zips: args.zips,
        latitude: args.lat,
        longitude: args.lon,
        elevation_m: args.elevation.metres(),
        time_zone: args.zone,
        band: args.bounds.heights().and_then(|heights| heights.0),
        county: args.bounds.county,
        state: args.bounds.state,
        landmarks: args.bounds.landmarks,
        stations: args.stations,
        take_grid_point: args.grid_point,
        profile: args.profile,
        release: args.release,
        owner_reports: args.owner_reports,
    };
    let found = find(&wish, &ground).await.map_err(|why| of_region(&wish.id, why))?;
    // What the store would refuse is told before anything is shown.
    store.try_region(&found.region, &found.new_stations, SystemClock.now()).await?;
    check_doubts(std::slice::from_ref(&found), &args.manner)?;
    // Before the records are fetched, which takes its time: who sees a slip here need not wait.
    if !args.json {
        print_out(&table([&found]))?;
    }
    tell(std::slice::from_ref(&found));
    let trial = Trial::of(&found, &ground, SystemClock.now()).await?;
    let history = History { stations: trial.lacking(), ground: &ground, config };
    history.fetch(trial.store()).await?;
    // Where nobody is there to look, past seasons are lived through only if an option asks for it.
    if is_somebody_there() || args.manner.dry_run || args.json {
        show_new(&found, trial.store(), args.json, config).await?;
    }
    if args.manner.dry_run {
        eprintln!("region `{}` is not saved: that was a dry run", found.region.id);
        return Ok(());
    }
    if !may_save(&format!("region `{}`", found.region.id), std::slice::from_ref(&found), &args.manner)? {
        eprintln!("nothing was saved");
        return Ok(());
    }
    trial.save(&store, SystemClock.now()).await?;
    eprintln!("region `{}` is added, in time zone {}", found.region.id, found.region.time_zone);
    Ok(())
}

/// What keeps a region from being added, under its id.
fn of_region(id: &RegionId, why: NewRegionError) -> CommandError {
    match why {
        NewRegionError::Refused(faults) => match faults.as_slice() {
            [fault] => CommandError::Usage(format!("region `{id}` cannot be added: {fault}")),
            faults => CommandError::Usage(format!("region `{id}` cannot be added:\n  {}", faults.join("\n  "))),
        },
        other => other.into(),
    }
}
