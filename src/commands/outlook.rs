//! `treebell outlook`: where every region's season stands, in the order of their windows.

// What is said of one region, in each language.
mod words;

use std::collections::BTreeSet;

use chrono::NaiveDate;

use self::words::{percent, span};
use super::args::{DegreeUnit, ShownUnit, date, language};
use super::error::CommandError;
use super::format::{
    align_right, counted, date_or, paragraph, print_fitted, print_json, print_out, ruled_table, short_date_or,
    whole_dates, wrapped,
};
use super::open::open_app;
use super::select::{chosen_regions, moment};
use super::why;
use crate::assessment::season_model::Assessment;
use crate::config::Config;
use crate::language::Language;
use crate::region::{Region, RegionId};
use crate::season::decide::Remark;
use crate::season::lapse::HeightEffect;
use crate::season::profile::Profile;
use crate::season::{DateSpread, Outlook, StageId, learning_words, phrases};
use crate::service::app::App;
use crate::service::assess;
use crate::service::assess_all::look_at_all;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::height_effect;
use crate::text::Chain;
use crate::units::feet_to_m;
use crate::weather::{Station, StationId, StationKind};

#[derive(Debug, clap::Args)]
pub struct OutlookArgs {
    /// Only these regions; may be given more than once.
    #[arg(long = "region", value_name = "REGION")]
    regions: Vec<RegionId>,
    /// The outlook of the morning of another day, with what was known then.
    #[arg(long, value_name = "DATE", value_parser = date)]
    on: Option<NaiveDate>,
    #[command(flatten)]
    unit: ShownUnit,
    /// Language of what an owner would read of a single region, and of what to mind in the table. What is decided and why, which
    /// is for staff, and the table's heads are in English.
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
    let unit = args.unit.of(config);
    let now = app.clock.now();
    let regions = regions.into_iter().map(|region| {
        let at = args.on.map_or(now, |on| moment(Some(on), &region, now));
        (region, at)
    });
    let mut seen: Vec<(Region, Assessment)> = Vec::new();
    let mut faults = Vec::new();
    for (region, looked) in look_at_all(&app, regions.collect()).await? {
        match looked {
            Ok(assessment) => seen.push((region, assessment)),
            Err(why) => faults.push(format!("region `{}`: {}", region.id, Chain(&why))),
        }
    }
    seen.sort_by_cached_key(|(region, assessment)| {
        let opens =
            app.profiles.get(&region.profile).map(|profile| opening(&assessment.outlook, &profile.window.opens));
        (opens.flatten().unwrap_or(NaiveDate::MAX), region.elevation_m.round() as i64)
    });
    let grid_points = grid_points(&app).await?;
    if args.json {
        let mut all = Vec::with_capacity(seen.len());
        for (region, assessment) in &seen {
            let mut document = serde_json::json!({
                "region": region,
                "outlook": assessment.outlook,
                "station_kind": kind(&grid_points, &assessment.outlook.station).name(),
                "days": assessment.days,
                "decision": assessment.decision,
            });
            // It takes a look at many records, so only who asks for one region gets it.
            if let [_] = args.regions.as_slice() {
                document["why_here"] = serde_json::json!(why::why(&app, region).await?);
            }
            all.push(document);
        }
        print_json(&all)?;
    } else if let [(region, assessment)] = seen.as_slice() {
        print_out(&wrapped(&one_region(&app, region, assessment, unit, args.language, &grid_points)))?;
        print_why(&app, region, unit, args.language).await?;
    } else {
        print_table(&app, &seen, unit, args.language, &grid_points)?;
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
    let now = app.clock.now();
    let looked = assess::look(&app, &mut records, &mut seasons, region, now).await;
    let assessment = looked.map_err(|why| CommandError::Failed(format!("region `{}`: {}", region.id, Chain(&why))))?;
    let grid_points = grid_points(&app).await?;
    let unit = ShownUnit::default().of(config);
    let mut words = one_region(&app, region, &assessment, unit, Language::En, &grid_points);
    if let Some(profile) = app.profiles.get(&region.profile) {
        match height_effect::around(&app, &mut records, region, &profile, now, &|_| 0).await?.effect {
            Some(effect) => {
                let HeightEffect { days_per_100_m, standard_error, .. } = effect;
                // Of as many feet a hundred would be less than a day.
                let (by, size) = match unit {
                    DegreeUnit::Celsius => ("100 m", 1.0),
                    DegreeUnit::Fahrenheit => ("1,000 ft", feet_to_m(1000.0) / 100.0),
                };
                let (days, error) = (days_per_100_m * size, standard_error * size);
                words.push_str(&format!(
                    "\n{} ({days:+.1} days per {by}, standard error {error:.1})\n",
                    effect.words(Language::En)
                ));
            }
            // A profile without a number for it has no days to tell of.
            None if profile.heat_marks().iter().any(|(stage, _)| *stage == profile.window.opens) => {
                words.push_str(&format!("\n{}\n", HeightEffect::not_measured(Language::En)));
            }
            None => {}
        }
    }
    print_out(&format!("\n{}", wrapped(&words)))?;
    print_why(&app, region, unit, Language::En).await?;
    app.store.close().await;
    Ok(())
}

/// What makes the region early or late for its height, last of all since many records are read for it.
async fn print_why(app: &App, region: &Region, unit: DegreeUnit, language: Language) -> Result<(), CommandError> {
    why::why(app, region).await?.map_or(Ok(()), |why| print_out(&why::words(&why, unit, language)))
}

/// The stations at which nobody measured.
async fn grid_points(app: &App) -> Result<BTreeSet<StationId>, CommandError> {
    let stored = app.store.all_stations().await?.into_iter().map(|stored| stored.station);
    Ok(stored.filter(Station::is_grid_point).map(|station| station.id).collect())
}

fn kind(grid_points: &BTreeSet<StationId>, station: &StationId) -> StationKind {
    if grid_points.contains(station) { StationKind::GridPoint } else { StationKind::Station }
}

fn opening(outlook: &Outlook, opens: &StageId) -> Option<NaiveDate> {
    let stage = outlook.stage(opens)?;
    stage.spread.median.or(stage.reached.map(|reached| reached.on))
}

fn print_table(
    app: &App,
    seen: &[(Region, Assessment)],
    unit: DegreeUnit,
    language: Language,
    grid_points: &BTreeSet<StationId>,
) -> Result<(), CommandError> {
    let heat = format!("heat {}", unit.heat_symbol());
    let height = format!("height {}", unit.height_symbol());
    let mut table = ruled_table([
        "region",
        &height,
        &heat,
        "egg laying begins",
        "by today",
        "best days to wash",
        "wash by",
        "eggs hatch",
        "data to",
        "mind",
    ]);
    align_right(&mut table, [1, 2, 4]);
    let mut weather_only = false;
    for (region, Assessment { outlook, days, .. }) in seen {
        let Some(profile) = app.profiles.get(&region.profile) else { continue };
        let opens = outlook.stage(&profile.window.opens);
        weather_only |= profile.stage(&profile.window.opens).is_some_and(|stage| stage.spread.is_none());
        table.add_row([
            region.name.clone(),
            unit.height(region.elevation_m),
            format!("{:.0}", unit.heat_from_c(outlook.heat_sum)),
            whole_dates(&when(outlook, &profile.window.opens)),
            opens.map_or_else(String::new, |opens| percent(opens.chance_by(outlook.today))),
            whole_dates(&days.best.map_or_else(String::new, span)),
            whole_dates(&short_date_or(Some(days.deadline), "")),
            whole_dates(&when(outlook, &profile.window.closes)),
            date_or(outlook.newest_real_day, "none"),
            minds(language, outlook, grid_points),
        ]);
    }
    // Least is lost with how high it lies; when eggs are there and until when to wash stays.
    print_fitted(table, &[1, 8, 4, 2, 7])?;
    if let Some((_, assessment)) = seen.first() {
        let mut below = format!(
            "Dates: the likely one, and the span that is to hold it 8 times in 10. Day of the outlook: {}. Thresholds are provisional.",
            assessment.outlook.today
        );
        if weather_only {
            below = format!("{below} {}", words::weather_only(Language::En));
        }
        eprint!("{}", paragraph(0, &below));
    }
    Ok(())
}

/// What to mind of a region's dates, in few words.
fn minds(language: Language, outlook: &Outlook, grid_points: &BTreeSet<StationId>) -> String {
    let kind = kind(grid_points, &outlook.station);
    let grid = match (kind, language) {
        (StationKind::Station, _) => None,
        (StationKind::GridPoint, Language::En) => Some("a grid's estimate, not a station"),
        (StationKind::GridPoint, Language::Es) => Some("estimación de una cuadrícula, no una estación"),
    };
    match (care(language, outlook, kind), grid) {
        (Some(care), Some(grid)) => format!("{}; {grid}", care.trim_end_matches('.')),
        (care, grid) => care.or(grid.map(str::to_owned)).unwrap_or_default(),
    }
}

/// What to take with care of a record, as a sentence.
fn care(language: Language, outlook: &Outlook, kind: StationKind) -> Option<String> {
    match kind {
        StationKind::Station => phrases::with_care(language, &outlook.trust),
        StationKind::GridPoint => phrases::with_care_of_grid(language, &outlook.trust),
    }
}

/// `seen by Mar 2`, or `Mar 12 (Mar 4 - Mar 20)`; of a profile that does not say how sure its number is, `heat since Mar 2`.
fn when(outlook: &Outlook, stage: &StageId) -> String {
    let Some(stage) = outlook.stage(stage) else { return String::new() };
    if let Some(reached) = stage.reached.filter(|_| stage.dates.is_empty()) {
        let on = short_date_or(Some(reached.on), "open");
        return match (stage.seen(), reached.on_real_days) {
            (true, _) => format!("seen by {on}"),
            (false, true) => format!("heat since {on}"),
            (false, false) => format!("heat since {on} (by estimates)"),
        };
    }
    let DateSpread { early, median, late } = stage.spread;
    let short = |day| short_date_or(day, "open");
    match median {
        None => "not in sight".into(),
        Some(_) => format!("{} ({} - {})", short(median), short(early), short(late)),
    }
}

/// One region in depth, in lines.
fn one_region(
    app: &App,
    region: &Region,
    assessment: &Assessment,
    unit: DegreeUnit,
    language: Language,
    grid_points: &BTreeSet<StationId>,
) -> String {
    let outlook = &assessment.outlook;
    let kind = kind(grid_points, &outlook.station);
    let mut text = words::head(language, region, outlook, unit, kind);
    let asides = [phrases::borrowed_years(language, outlook), phrases::forecast_words(language, outlook)];
    for aside in asides.into_iter().flatten() {
        text += &format!("{aside}\n");
    }
    if let Some(profile) = app.profiles.get(&region.profile) {
        text += &stage_lines(&profile, outlook, language, kind);
        text += &words::window(language, &profile, &app.config.policy, outlook, &assessment.days);
        let learned = outlook.learned.as_ref().and_then(|note| learning_words::note(language, &profile, note));
        text += &learned.map(|note| format!("{note}\n")).unwrap_or_default();
    }
    text += words::decided(language);
    for verdict in &assessment.decision.verdicts {
        text += &format!("  {verdict}\n");
    }
    // Of an earlier day: what people saw since is no slip of the hand.
    let now = app.clock.now().with_timezone(&region.time_zone).date_naive();
    let is_later = |remark: &&Remark| matches!(remark, Remark::ReportOfFuture { on, .. } if *on <= now);
    let (later, remarks): (Vec<&Remark>, Vec<&Remark>) = assessment.decision.remarks.iter().partition(is_later);
    for remark in remarks {
        text += &format!("  note: {remark}\n");
    }
    if !later.is_empty() {
        let reports = counted(later.len() as u64, "field report is", "field reports are");
        text += &format!("  note: {reports} of days after {}, and say nothing here\n", outlook.today);
    }
    text
}

fn stage_lines(profile: &Profile, outlook: &Outlook, language: Language, kind: StationKind) -> String {
    let mut text = String::new();
    for stage in &outlook.stages {
        if let Some(known) = profile.stage(&stage.stage) {
            let care = care(language, outlook, kind);
            let sentence = phrases::sentence_with(language, &known.names, stage, care, outlook.today);
            text += &format!("  {sentence}\n");
        }
    }
    text
}
