//! `treebell outlook`: where every region's season stands, in the order of their windows.

use chrono::NaiveDate;

use super::args::{DegreeUnit, language};
use super::error::CommandError;
use super::format::{align_right, date_or, print_json, print_out, ruled_table, short_date_or};
use super::open::open_app;
use super::select::{chosen_regions, moment};
use crate::assessment::season_model::Assessment;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::language::Language;
use crate::region::{Region, RegionId};
use crate::season::profile::Profile;
use crate::season::{DateSpread, Outlook, StageId, phrases};
use crate::service::app::App;
use crate::service::assess;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::text::Chain;

#[derive(Debug, clap::Args)]
pub struct OutlookArgs {
    /// Only these regions; may be given more than once.
    #[arg(long = "region", value_name = "REGION")]
    regions: Vec<RegionId>,
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

/// # Errors
/// An unknown region, or a store that cannot be read.
pub async fn run(args: &OutlookArgs, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let regions = chosen_regions(&app, &args.regions).await?;
    if regions.is_empty() {
        eprintln!("there are no regions yet: `treebell region add` makes one");
        return Ok(());
    }
    let unit = DegreeUnit::of_flag(args.fahrenheit);
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let mut seen: Vec<(Region, Assessment)> = Vec::new();
    let mut faults = Vec::new();
    for region in regions {
        let now = moment(args.on, &region);
        match assess::look(&app, &mut records, &mut seasons, &region, now).await {
            Ok(assessment) => seen.push((region, assessment)),
            Err(why) => faults.push(format!("region `{}`: {}", region.id, Chain(&why))),
        }
    }
    seen.sort_by_cached_key(|(region, assessment)| {
        let opens =
            app.profiles.get(&region.profile).map(|profile| opening(&assessment.outlook, &profile.window.opens));
        (opens.flatten().unwrap_or(NaiveDate::MAX), region.elevation_m.round() as i64)
    });
    if args.json {
        let all: Vec<serde_json::Value> = seen
            .iter()
            .map(|(region, assessment)| {
                serde_json::json!({ "region": region, "outlook": assessment.outlook, "decision": assessment.decision })
            })
            .collect();
        print_json(&all)?;
    } else if let [(region, assessment)] = seen.as_slice() {
        print_out(&one_region(&app, region, assessment, unit, args.language))?;
    } else {
        print_table(&app, &seen, unit, args.language)?;
    }
    app.store.close().await;
    if faults.is_empty() { Ok(()) } else { Err(CommandError::Failed(faults.join("\n"))) }
}

/// One region in depth as it stands now, under what else is known of it.
///
/// # Errors
/// When its outlook cannot be made.
pub(super) async fn show_one(region: &Region, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let looked = assess::look(&app, &mut records, &mut seasons, region, SystemClock.now()).await;
    let assessment = looked.map_err(|why| CommandError::Failed(format!("region `{}`: {}", region.id, Chain(&why))))?;
    let words = one_region(&app, region, &assessment, DegreeUnit::Celsius, Language::En);
    app.store.close().await;
    print_out(&format!("\n{words}"))
}

fn opening(outlook: &Outlook, opens: &StageId) -> Option<NaiveDate> {
    let stage = outlook.stage(opens)?;
    stage.reached.map(|reached| reached.on).or(stage.spread.median)
}

fn print_table(
    app: &App,
    seen: &[(Region, Assessment)],
    unit: DegreeUnit,
    language: Language,
) -> Result<(), CommandError> {
    let heat = format!("heat {}", unit.heat_symbol());
    let mut table =
        ruled_table(["region", "height m", &heat, "stage", "egg laying begins", "eggs hatch", "data to", "mind"]);
    align_right(&mut table, [1, 2]);
    for (region, Assessment { outlook, .. }) in seen {
        let Some(profile) = app.profiles.get(&region.profile) else { continue };
        let stage = outlook
            .current_stage
            .as_ref()
            .and_then(|id| profile.stage(id))
            .map_or("none yet", |s| s.names.get(language));
        table.add_row([
            region.name.clone(),
            format!("{:.0}", region.elevation_m),
            format!("{:.0}", unit.heat_from_c(outlook.heat_sum)),
            stage.to_owned(),
            when(outlook, &profile.window.opens),
            when(outlook, &profile.window.closes),
            date_or(outlook.newest_real_day, "none"),
            phrases::with_care(language, &outlook.trust).unwrap_or_default(),
        ]);
    }
    print_out(&format!("{table}\n"))?;
    if let Some((_, assessment)) = seen.first() {
        eprintln!(
            "Dates: the likely one, and the span that held 8 past years in 10. Day of the outlook: {}. Thresholds are provisional.",
            assessment.outlook.today
        );
    }
    Ok(())
}

/// `reached 2026-03-02`, or `Mar 12 (Mar 4 - Mar 20)`.
fn when(outlook: &Outlook, stage: &StageId) -> String {
    let Some(stage) = outlook.stage(stage) else { return String::new() };
    if let Some(reached) = stage.reached {
        let sure = if reached.on_real_days { "" } else { " (by estimates)" };
        return format!("since {}{sure}", short_date_or(Some(reached.on), "open"));
    }
    let DateSpread { early, median, late } = stage.spread;
    let short = |day| short_date_or(day, "open");
    match median {
        None => "not in sight".into(),
        Some(_) => format!("{} ({} - {})", short(median), short(early), short(late)),
    }
}

/// One region in depth, in lines.
fn one_region(app: &App, region: &Region, assessment: &Assessment, unit: DegreeUnit, language: Language) -> String {
    let outlook = &assessment.outlook;
    let mut text = format!(
        "{} ({:.0} m), season {}, outlook of {}\n",
        region.name, region.elevation_m, outlook.season.year, outlook.today
    );
    text += &format!(
        "heat so far: {:.0} {} to {}, {} of its days estimated; station {}\n",
        unit.heat_from_c(outlook.heat_sum),
        unit.heat_symbol(),
        date_or(outlook.last_day, "no day yet"),
        outlook.filled_days,
        outlook.station
    );
    let asides = [phrases::borrowed_years(language, outlook), phrases::forecast_words(language, outlook)];
    for aside in asides.into_iter().flatten() {
        text += &format!("{aside}\n");
    }
    if let Some(profile) = app.profiles.get(&region.profile) {
        text += &stage_lines(profile, outlook, language);
    }
    text += "what is decided today:\n";
    for verdict in &assessment.decision.verdicts {
        text += &format!("  {verdict}\n");
    }
    for remark in &assessment.decision.remarks {
        text += &format!("  note: {remark}\n");
    }
    text
}

fn stage_lines(profile: &Profile, outlook: &Outlook, language: Language) -> String {
    let mut text = String::new();
    for stage in &outlook.stages {
        if let Some(known) = profile.stage(&stage.stage) {
            let sentence = phrases::sentence(language, &known.names, stage, &outlook.trust, outlook.today);
            text += &format!("  {sentence}\n");
        }
    }
    text
}
