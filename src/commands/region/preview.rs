//! A region shown before it is saved, and the question whether to.

use chrono::NaiveDate;

use crate::assessment::past_dates::median;
use crate::assessment::place_past::{OFF_LEAD_DAYS, PastRow};
use crate::assessment::rehearsal::Rehearsal;
use crate::commands::args::DegreeUnit;
use crate::commands::ask::{Go, is_somebody_there};
use crate::commands::error::CommandError;
use crate::commands::format::{
    align_right, bare_table, counted, elevation_words, fitted, height_in, height_words, paragraph, print_json,
    print_out, ruled_table, short_date_or, watched_bar, whole_dates, wrapped,
};
use crate::commands::open::open_app;
use crate::config::Config;
use crate::region::Region;
use crate::season::lapse::usual_days_for;
use crate::season::{days_after, days_between};
use crate::service::new_region::Found;
use crate::service::preview::{OtherRegion, Preview, Previews};
use crate::store::{Conflict, Store, StoreError};

/// How a region is looked at before it is saved.
#[derive(Debug, Default, clap::Args)]
pub struct Look {
    #[command(flatten)]
    pub go: Go,
    /// Print what is shown as JSON
    #[arg(long)]
    pub json: bool,
}

impl Look {
    /// Whether an option says that a region is to be shown.
    pub fn is_asked_for(&self) -> bool {
        self.go.dry_run || self.go.yes || self.json
    }
}

/// Shows a region before it is added. `trial` holds it with its stations and their records, which the store does not have yet.
///
/// # Errors
/// An unknown profile, or a store that cannot be read.
pub async fn show_new(found: &Found, trial: &Store, json: bool, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let (bar, watch) = watched_bar("living through past seasons {wide_bar} {pos}/{len} {eta}");
    let preview = Previews::in_trial(&app, trial).of(&found.region, &watch).await;
    bar.finish_and_clear();
    let preview = preview?;
    app.store.close().await;
    if !json {
        return print_out(&in_words(&preview, DegreeUnit::of_house(config)));
    }
    // What was looked up, and who says so, beside what is shown of its past.
    let mut document = serde_json::json!(preview);
    document["facts"] = serde_json::json!(found.facts);
    document["remarks"] = serde_json::json!(found.remarks);
    document["doubts"] = serde_json::json!(found.doubts);
    print_json(&document)
}

/// Shows a region as it would be changed and asks whether it is to be saved. Where nobody is there and no option asks for it,
/// nothing is shown and the region is wanted.
///
/// # Errors
/// What the store would refuse; an unknown profile or station; a store that cannot be read.
pub async fn is_wanted(region: &Region, look: &Look, config: &Config) -> Result<bool, CommandError> {
    let Look { go, json } = look;
    if !(is_somebody_there() || look.is_asked_for()) {
        return Ok(true);
    }
    let app = open_app(config).await?;
    let tried = app.store.try_changing_region(region).await;
    // ZIP codes that others have are shown with all the rest before they are refused.
    let taken = match tried {
        Err(why @ StoreError::Conflict(Conflict::ZipsTaken { .. })) => Some(why),
        tried => {
            tried?;
            None
        }
    };
    let (bar, watch) = watched_bar("living through past seasons {wide_bar} {pos}/{len} {eta}");
    let preview = Previews::new(&app, &[]).of(region, &watch).await;
    bar.finish_and_clear();
    let preview = preview?;
    if *json {
        print_json(&preview)?
    } else {
        print_out(&in_words(&preview, DegreeUnit::of_house(config)))?
    }
    app.store.close().await;
    if let Some(taken) = taken {
        return Err(taken.into());
    }
    if !go.dry_run && !go.yes && !is_somebody_there() {
        return Ok(true);
    }
    go.is_wanted(&format!("save region `{}`?", region.id))
}

/// Shows the regions of a list, and saves nothing. Their stations must be in the store.
///
/// # Errors
/// An unknown profile, or a store that cannot be read.
pub async fn show_list(regions: &[Region], json: bool, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let mut previews = Previews::new(&app, regions);
    let mut shown = Vec::with_capacity(regions.len());
    let (bar, watch) = watched_bar("{msg} {wide_bar} {pos}/{len} {eta}");
    for (nth, region) in (1..).zip(regions) {
        bar.set_message(format!("region {nth} of {}, `{}`", regions.len(), region.id));
        shown.push(previews.of(region, &watch).await?);
    }
    bar.finish_and_clear();
    app.store.close().await;
    if json { print_json(&shown) } else { print_out(&list_table(&shown, DegreeUnit::of_house(config))) }
}

fn in_words(preview: &Preview, unit: DegreeUnit) -> String {
    let Preview { region, station, .. } = preview;
    let higher_m = station.elevation_m - region.elevation_m;
    let mut text = wrapped(&format!(
        "{} ({}), {}\nits station {} {}: {:.0} km away, {}",
        region.name,
        region.id,
        elevation_words(region.elevation_m, unit),
        station.id,
        station.name,
        preview.station_km,
        height_words(higher_m, unit)
    ));
    text += &gap_words(higher_m, station.is_grid_point(), unit);
    text += &past_words(preview);
    text += &others_words(preview, unit);
    text += &waiting_words(preview);
    for taken in &preview.conflicts {
        text += &paragraph(0, &format!("ZIP code {} belongs to region `{}` ({})", taken.zip, taken.region, taken.name));
    }
    text
}

/// That the dates are those of a station at another height; empty where it stands about as high. `higher_m`: the station above
/// the region.
pub fn gap_words(higher_m: f64, is_grid_point: bool, unit: DegreeUnit) -> String {
    /// Less makes a few days.
    const WORTH_TELLING_M: f64 = 100.0;
    if higher_m.abs() < WORTH_TELLING_M {
        return String::new();
    }
    let (place, side) =
        (if is_grid_point { "grid's cell" } else { "station" }, if higher_m > 0.0 { "earlier" } else { "later" });
    let days = usual_days_for(higher_m.abs()).round();
    let two_weeks = match unit {
        DegreeUnit::Celsius => "300 m",
        DegreeUnit::Fahrenheit => "1,000 ft",
    };
    paragraph(
        0,
        &format!(
            "All dates are those of the height of its {place}. Trees at the region's own height come roughly {days:.0} days {side}, \
             by the rule of the trade that {two_weeks} are about two weeks."
        ),
    )
}

fn past_words(preview: &Preview) -> String {
    if preview.seasons.is_empty() {
        return paragraph(
            0,
            "No whole past season is on record there: what would have been told cannot be shown, and the outlook has little to go \
             by. Bring the station's history in with `treebell weather import`.",
        );
    }
    let mut text = String::new();
    if let Some(borrowed) = &preview.borrowed {
        let borrowed = format!(
            "Its station has {} of its own; {} are those of station {} ({}), fitted to it{}",
            counted(borrowed.own_years, "past season", "past seasons"),
            borrowed.borrowed_years,
            borrowed.station,
            borrowed.name,
            if borrowed.low_confidence { ": take them with care" } else { "" }
        );
        text += &paragraph(0, &borrowed);
    }
    text += &format!("\nPast seasons, as they would have been told on the days themselves\n{}", past_table(preview));
    text += &off_words(preview);
    let (days, filled) = preview
        .seasons
        .iter()
        .filter(|row| !row.borrowed)
        .fold((0, 0), |(days, filled), row| (days + row.days, filled + row.filled_days));
    if days > 0 {
        text += &format!(
            "Filled for want of temperatures: {filled} of {days} days ({:.1} %)\n",
            100.0 * f64::from(filled) / f64::from(days)
        );
    }
    if !preview.left_out.is_empty() {
        let years: Vec<String> = preview.left_out.iter().map(i32::to_string).collect();
        let left_out = "Left out, since they are not on record or too much of them is missing";
        text += &paragraph(0, &format!("{left_out}: {}", years.join(", ")));
    }
    text
}

const DAYS: [fn(&Rehearsal) -> Option<NaiveDate>; 4] =
    [|told| told.get_ready, |told| told.inspect_now, |told| told.wash_now, |told| told.wash_by];

fn past_table(preview: &Preview) -> String {
    let off = format!("off at {OFF_LEAD_DAYS}, days");
    let mut table =
        ruled_table(["season", "get ready", "look", "wash", "wash by", "our number", off.as_str(), "filled, days"]);
    align_right(&mut table, [6, 7]);
    for row in &preview.seasons {
        let day =
            |of: fn(&Rehearsal) -> Option<NaiveDate>| whole_dates(&short_date_or(row.told.as_ref().and_then(of), "-"));
        let [ready, look, wash, by] = DAYS.map(day);
        let borrowed = if row.borrowed { " *" } else { "" };
        table.add_row([
            format!("{}{borrowed}", row.season),
            ready,
            look,
            wash,
            by,
            whole_dates(&short_date_or(row.opened, "never")),
            row.off_days.map_or_else(|| "-".into(), |off| format!("{off:+.0}")),
            if row.borrowed { "borrowed".into() } else { format!("{} of {}", row.filled_days, row.days) },
        ]);
    }
    if preview.seasons.len() > 1 {
        let day = |of: fn(&Rehearsal) -> Option<NaiveDate>| usual_day(preview, |row| row.told.as_ref().and_then(of));
        let [ready, look, wash, by] = DAYS.map(day);
        let number = usual_day(preview, |row| row.opened);
        table.add_row(["median".into(), ready, look, wash, by, number, String::new(), String::new()]);
    }
    fitted(table, &[7])
}

/// The median of the days that there are, each counted from its year's beginning.
fn usual_day(preview: &Preview, of: impl Fn(&PastRow) -> Option<NaiveDate>) -> String {
    let new_year = |season: i32| NaiveDate::from_ymd_opt(season, 1, 1).unwrap_or_default();
    let days = preview.seasons.iter().filter_map(|row| Some(days_between(new_year(row.season), of(row)?)));
    let Some(days) = median(days.collect()) else { return "-".into() };
    let first = new_year(preview.season);
    let day = u32::try_from(days).map_or_else(|_| first + chrono::Duration::days(days), |days| days_after(first, days));
    whole_dates(&short_date_or(Some(day), "-"))
}

/// How far off projections were, over all seasons on record.
fn off_words(preview: &Preview) -> String {
    if preview.off.is_empty() {
        return "How far off projections are there cannot be told: too few past seasons of its own.\n".into();
    }
    let mut table = bare_table(["days before", "seasons", "off by, days", "late by, days", "inside the 80 % range"]);
    for score in preview.off.iter().filter(|score| LEADS_SHOWN.contains(&score.lead_days)) {
        table.add_row([
            score.lead_days.to_string(),
            score.n.to_string(),
            format!("{:.1}", score.mae_days),
            format!("{:+.1}", score.bias_days),
            format!("{:.0} %", score.held * 100.0),
        ]);
    }
    align_right(&mut table, 0..);
    format!("How far off projections of the day of our number were, all seasons on record\n{}", fitted(table, &[]))
}

const LEADS_SHOWN: [u32; 4] = [42, 28, 14, 7];

fn others_words(preview: &Preview, unit: DegreeUnit) -> String {
    if preview.others.is_empty() {
        return "\nThere is no other region yet to compare it with.\n".into();
    }
    let mut text = String::from("\nBetween which regions it stands\n");
    let height = format!("height {}", unit.height_symbol());
    let mut table = ruled_table(["region", height.as_str(), "usually opens", "days from it", "km away"]);
    align_right(&mut table, [1, 3, 4]);
    let here = [
        format!("> {}", preview.region.name),
        unit.height(preview.region.elevation_m),
        whole_dates(&short_date_or(preview.usual.map(|usual| usual.opens), "not known")),
        String::new(),
        String::new(),
    ];
    let day = |other: &&OtherRegion| other.days_after.is_some_and(|days| days < 0);
    let (earlier, rest): (Vec<&OtherRegion>, Vec<&OtherRegion>) = preview.others.iter().partition(day);
    for other in &earlier {
        table.add_row(other_row(other, unit));
    }
    table.add_row(here);
    for other in &rest {
        table.add_row(other_row(other, unit));
    }
    text += &fitted(table, &[4]);
    let by_height = |higher: bool| {
        let side = preview.others.iter().filter(|other| (other.elevation_m > preview.region.elevation_m) == higher);
        let apart = |other: &&OtherRegion| (other.elevation_m - preview.region.elevation_m).abs();
        side.min_by(|a, b| apart(a).total_cmp(&apart(b)))
    };
    let named = |other: &OtherRegion| format!("{} ({})", other.name, height_in(other.elevation_m, unit));
    let between = match (by_height(false), by_height(true)) {
        (Some(below), Some(above)) => format!("By height it lies between {} and {}.\n", named(below), named(above)),
        (Some(below), None) => format!("By height it lies above all of these, {} next below.\n", named(below)),
        (None, Some(above)) => format!("By height it lies below all of these, {} next above.\n", named(above)),
        (None, None) => String::new(),
    };
    text + &paragraph(0, &between)
}

fn other_row(other: &OtherRegion, unit: DegreeUnit) -> [String; 5] {
    [
        other.name.clone(),
        unit.height(other.elevation_m),
        whole_dates(&short_date_or(other.usual.map(|usual| usual.opens), "not known")),
        other.days_after.map_or_else(|| "-".into(), |days| format!("{days:+}")),
        format!("{:.0}", other.km),
    ]
}

fn waiting_words(preview: &Preview) -> String {
    let waiting = &preview.waiting;
    if waiting.people == 0 {
        return "Nobody waits for these ZIP codes.\n".into();
    }
    let zips: Vec<String> = waiting.zips.iter().map(|of| format!("{} ({})", of.zip, of.people)).collect();
    let reach = format!(
        "It would reach {} who wait for these ZIP codes ({}, {}): {}",
        counted(waiting.people, "person", "people"),
        counted(waiting.emails, "e-mail address", "e-mail addresses"),
        counted(waiting.phones, "telephone", "telephones"),
        zips.join(", ")
    );
    paragraph(0, &reach)
}

/// A line a region.
fn list_table(previews: &[Preview], unit: DegreeUnit) -> String {
    let height = format!("height {}", unit.height_symbol());
    let mut table = ruled_table([
        "region\nand its station",
        height.as_str(),
        "past seasons",
        "get ready",
        "look",
        "wash by",
        "off at 28",
        "filled",
        "wait",
    ]);
    align_right(&mut table, [1, 2, 6, 7, 8]);
    for preview in previews {
        let day = |of: fn(&Rehearsal) -> Option<NaiveDate>| usual_day(preview, |row| row.told.as_ref().and_then(of));
        let [ready, look, _, by] = DAYS.map(day);
        let off = preview.off.iter().find(|score| score.lead_days == OFF_LEAD_DAYS);
        let (days, filled) =
            preview.seasons.iter().fold((0, 0), |(days, filled), row| (days + row.days, filled + row.filled_days));
        table.add_row([
            format!("{}\n{}", preview.region.id, preview.station.id),
            unit.height(preview.region.elevation_m),
            preview.seasons.len().to_string(),
            ready,
            look,
            by,
            off.map_or_else(|| "-".into(), |score| format!("{:.1}", score.mae_days)),
            if days == 0 { "-".into() } else { format!("{:.0} %", 100.0 * f64::from(filled) / f64::from(days)) },
            preview.waiting.people.to_string(),
        ]);
    }
    fitted(table, &[7, 1, 8, 2])
}
