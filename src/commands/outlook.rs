//! `treebell outlook`: where every region's season stands, in the order of their windows.

use std::sync::Arc;

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use comfy_table::{CellAlignment, Table, presets};

use super::CommandError;
use crate::assessment::season_model::Assessment;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::language::Language;
use crate::randomness::Randomness;
use crate::region::Region;
use crate::season::profile::Profile;
use crate::season::{DateSpread, Outlook, StageId, phrases};
use crate::service::app::Parts;
use crate::service::assess;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::text::{did_you_mean, near_key};
use crate::timetable::place;
use crate::units::dd_c_to_f;

#[derive(Debug, clap::Args)]
pub struct OutlookArgs {
    /// Only these regions; may be given more than once.
    #[arg(long = "region", value_name = "REGION")]
    regions: Vec<String>,
    /// The outlook of the morning of another day, with what was known then.
    #[arg(long, value_name = "DATE")]
    on: Option<NaiveDate>,
    /// Heat in °F·day instead of °C·day.
    #[arg(long)]
    fahrenheit: bool,
    /// Language of the sentences about a single region.
    #[arg(long, value_name = "en|es", default_value = "en", value_parser = language)]
    language: Language,
    #[arg(long)]
    json: bool,
}

pub(super) fn language(code: &str) -> Result<Language, String> {
    Language::parse(code).ok_or_else(|| format!("`{code}` is not a language we write: en or es"))
}

/// # Errors
/// An unknown region, or a store that cannot be read.
pub async fn run(args: &OutlookArgs, config: &Config) -> Result<(), CommandError> {
    let parts = Parts::open(config, Arc::new(SystemClock), &Randomness::of_system()).await?;
    let regions = chosen(&parts, &args.regions).await?;
    if regions.is_empty() {
        eprintln!("there are no regions yet: `treebell region add` makes one");
        return Ok(());
    }
    let (mut records, mut seasons) = (RecordCache::new(parts.store.clone()), SeasonCache::default());
    let mut seen: Vec<(Region, Assessment)> = Vec::new();
    let mut faults = Vec::new();
    for region in regions {
        let now = moment(args.on, &region);
        match assess::look(&parts, &mut records, &mut seasons, &region, now).await {
            Ok(assessment) => seen.push((region, assessment)),
            Err(why) => faults.push(format!("region `{}`: {why}", region.id)),
        }
    }
    seen.sort_by_cached_key(|(region, assessment)| {
        let opens =
            parts.profiles.get(&region.profile).map(|profile| opening(&assessment.outlook, &profile.window.opens));
        (opens.flatten().unwrap_or(NaiveDate::MAX), region.elevation_m.round() as i64)
    });
    if args.json {
        let all: Vec<serde_json::Value> = seen
            .iter()
            .map(|(region, assessment)| {
                serde_json::json!({ "region": region, "outlook": assessment.outlook, "decision": assessment.decision })
            })
            .collect();
        let text = serde_json::to_string_pretty(&all).map_err(|why| CommandError::Failed(why.to_string()))?;
        println!("{text}");
    } else if let [(region, assessment)] = seen.as_slice() {
        print_one(&parts, region, assessment, args.fahrenheit, args.language);
    } else {
        print_table(&parts, &seen, args);
    }
    parts.store.close().await;
    if faults.is_empty() { Ok(()) } else { Err(CommandError::Failed(faults.join("\n"))) }
}

/// One region in depth as it stands now, under what else is known of it.
///
/// # Errors
/// When its outlook cannot be made.
pub(super) async fn show_one(region: &Region, config: &Config) -> Result<(), CommandError> {
    let parts = Parts::open(config, Arc::new(SystemClock), &Randomness::of_system()).await?;
    let (mut records, mut seasons) = (RecordCache::new(parts.store.clone()), SeasonCache::default());
    let looked = assess::look(&parts, &mut records, &mut seasons, region, SystemClock.now()).await;
    let assessment = looked.map_err(|why| CommandError::Failed(format!("region `{}`: {why}", region.id)))?;
    println!();
    print_one(&parts, region, &assessment, false, Language::En);
    parts.store.close().await;
    Ok(())
}

/// All regions, or those named.
pub(super) async fn chosen(parts: &Parts, names: &[String]) -> Result<Vec<Region>, CommandError> {
    let all = parts.store.regions().await?;
    if let Some(unknown) = names.iter().find(|name| all.iter().all(|region| region.id != **name)) {
        let near = did_you_mean(near_key(unknown, all.iter().map(|region| region.id.as_str())));
        return Err(CommandError::Usage(format!("there is no region `{unknown}`{near}")));
    }
    Ok(all.into_iter().filter(|region| names.is_empty() || names.contains(&region.id)).collect())
}

/// Now, or the morning of the day asked for.
pub(super) fn moment(on: Option<NaiveDate>, region: &Region) -> DateTime<Utc> {
    match on {
        None => SystemClock.now(),
        Some(day) => place(day.and_time(NaiveTime::from_hms_opt(7, 0, 0).unwrap_or_default()), region.time_zone),
    }
}

fn opening(outlook: &Outlook, opens: &StageId) -> Option<NaiveDate> {
    let stage = outlook.stage(opens)?;
    stage.reached.map(|reached| reached.on).or(stage.spread.median)
}

fn print_table(parts: &Parts, seen: &[(Region, Assessment)], args: &OutlookArgs) {
    let unit = if args.fahrenheit { "°F·day" } else { "°C·day" };
    let mut table = Table::new();
    table.load_style(presets::UTF8_HORIZONTAL_ONLY);
    let heat_head = format!("heat {unit}");
    table.set_header(["region", "height m", &heat_head, "stage", "egg laying begins", "eggs hatch", "data to", "mind"]);
    for column in [1, 2] {
        if let Some(column) = table.column_mut(column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    for (region, Assessment { outlook, .. }) in seen {
        let Some(profile) = parts.profiles.get(&region.profile) else { continue };
        let stage = outlook
            .current_stage
            .as_ref()
            .and_then(|id| profile.stage(id))
            .map_or("none yet", |s| s.names.get(args.language));
        table.add_row([
            region.name.clone(),
            format!("{:.0}", region.elevation_m),
            format!("{:.0}", heat(outlook.heat_sum, args.fahrenheit)),
            stage.to_owned(),
            when(outlook, &profile.window.opens),
            when(outlook, &profile.window.closes),
            outlook.newest_real_day.map_or_else(|| "none".into(), |day| day.to_string()),
            phrases::with_care(args.language, &outlook.trust).unwrap_or_default(),
        ]);
    }
    println!("{table}");
    if let Some((_, assessment)) = seen.first() {
        eprintln!(
            "Dates: the likely one, and the span that held 8 past years in 10. Day of the outlook: {}. Thresholds are provisional.",
            assessment.outlook.today
        );
    }
}

/// `reached 2026-03-02`, or `Mar 12 (Mar 4 - Mar 20)`.
fn when(outlook: &Outlook, stage: &StageId) -> String {
    let Some(stage) = outlook.stage(stage) else { return String::new() };
    if let Some(reached) = stage.reached {
        let sure = if reached.on_real_days { "" } else { " (by estimates)" };
        return format!("since {}{sure}", short(Some(reached.on)));
    }
    let DateSpread { early, median, late } = stage.spread;
    match median {
        None => "not in sight".into(),
        Some(_) => format!("{} ({} - {})", short(median), short(early), short(late)),
    }
}

fn short(day: Option<NaiveDate>) -> String {
    day.map_or_else(|| "open".into(), |day| day.format("%b %-d").to_string())
}

fn heat(sum: f64, fahrenheit: bool) -> f64 {
    if fahrenheit { dd_c_to_f(sum) } else { sum }
}

fn print_one(parts: &Parts, region: &Region, assessment: &Assessment, fahrenheit: bool, language: Language) {
    let outlook = &assessment.outlook;
    println!(
        "{} ({:.0} m), season {}, outlook of {}",
        region.name, region.elevation_m, outlook.season.year, outlook.today
    );
    let unit = if fahrenheit { "°F·day" } else { "°C·day" };
    println!(
        "heat so far: {:.0} {unit} to {}, {} of its days estimated; station {}",
        heat(outlook.heat_sum, fahrenheit),
        outlook.last_day.map_or_else(|| "no day yet".into(), |day| day.to_string()),
        outlook.filled_days,
        outlook.station
    );
    let asides = [phrases::borrowed_years(language, outlook), phrases::forecast_words(language, outlook)];
    for aside in asides.into_iter().flatten() {
        println!("{aside}");
    }
    if let Some(profile) = parts.profiles.get(&region.profile) {
        print_stages(profile, outlook, language);
    }
    println!("what is decided today:");
    for verdict in &assessment.decision.verdicts {
        println!("  {verdict}");
    }
    for remark in &assessment.decision.remarks {
        println!("  note: {remark}");
    }
}

fn print_stages(profile: &Profile, outlook: &Outlook, language: Language) {
    for stage in &outlook.stages {
        if let Some(known) = profile.stage(&stage.stage) {
            println!("  {}", phrases::sentence(language, &known.names, stage, &outlook.trust, outlook.today));
        }
    }
}
