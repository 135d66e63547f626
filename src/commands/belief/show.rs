//! `treebell belief show`.

use std::path::PathBuf;

use chrono_tz::Tz;

use super::ask::Which;
use super::picture;
use crate::commands::args::{DegreeUnit, ShownUnit, language};
use crate::commands::dates::table;
use crate::commands::error::CommandError;
use crate::commands::format::{align_right, counted, fitted, paragraph, print_json, print_out, ruled_table};
use crate::commands::open::open_app;
use crate::commands::select::chosen_regions;
use crate::config::Config;
use crate::language::Language;
use crate::region::{Region, RegionId};
use crate::season::{Observer, Profile, StageId};
use crate::service::belief::Chosen;
use crate::service::belief::learn::{Belief, Doubt, FrozenSeason, Idle, Range, StageBelief, Teacher, gather};
use crate::service::desk::local_with_year;
use crate::service::past_cache::unwatched;
use crate::store::learning::Freeze;
use crate::text::Chain;

#[derive(Debug, clap::Args)]
pub struct Show {
    #[command(flatten)]
    which: Which,
    /// Dates of these regions only; may be given more than once
    #[arg(long = "region", value_name = "REGION")]
    regions: Vec<RegionId>,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Draw the belief before and after the reports
    #[arg(long, value_name = "FILE.svg")]
    svg: Option<PathBuf>,
    /// The same as a picture of pixels
    #[arg(long, value_name = "FILE.png")]
    png: Option<PathBuf>,
    /// Stage to draw; the one that opens the window if left out
    #[arg(long, value_name = "STAGE")]
    stage: Option<StageId>,
    /// Language of the picture
    #[arg(long, value_name = "en|es", default_value = "en", value_parser = language)]
    language: Language,
    /// Width of the picture in CSS pixels; letters keep their size
    #[arg(long, value_name = "PIXELS", default_value_t = 800, value_parser = clap::value_parser!(u32).range(320..=1600))]
    width: u32,
    #[command(flatten)]
    unit: ShownUnit,
}

pub async fn run(args: &Show, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let chosen = args.which.choose(&app).await?;
    let regions = regions_of(&app, &chosen, &args.regions).await?;
    let belief = gather(&app, &chosen, &regions, &unwatched())
        .await
        .map_err(|why| CommandError::Failed(Chain(&why).to_string()))?;
    app.store.close().await;
    if args.svg.is_some() || args.png.is_some() {
        let stage = args.stage.as_ref().unwrap_or(&chosen.profile.window.opens);
        let wish = picture::Wish { language: args.language, width: args.width, unit: args.unit.of(config) };
        picture::write(&chosen.profile, &belief, &regions, stage, &wish, args.svg.as_deref(), args.png.as_deref())?;
    }
    for fault in &belief.faults {
        eprintln!("left out: {fault}");
    }
    let zone = config.schedule.time_zone;
    if args.json { print_json(&belief) } else { print_out(&in_words(&chosen, &belief, args.unit.of(config), zone)) }
}

/// A line each, for staff in a time zone.
pub fn frozen_lines(frozen: &[FrozenSeason], zone: Tz) -> String {
    let line = |FrozenSeason { season, freeze }: &FrozenSeason| {
        let Freeze { at, by, why } = freeze;
        let since = local_with_year(*at, zone);
        paragraph(0, &format!("learning from season {season} is frozen since {since} by {by}: {why}"))
    };
    frozen.iter().map(line).collect()
}

/// Those named, or all of the profile.
pub async fn regions_of(
    app: &crate::service::app::App,
    chosen: &Chosen,
    names: &[RegionId],
) -> Result<Vec<Region>, CommandError> {
    let id = &chosen.profile.id;
    let regions = chosen_regions(app, names).await?;
    if let Some(other) = regions.iter().find(|region| !names.is_empty() && region.profile != *id) {
        let what = format!("--region {}: its profile is `{}` and not `{id}`", other.id, other.profile);
        return Err(CommandError::Usage(what));
    }
    Ok(regions.into_iter().filter(|region| region.profile == *id).collect())
}

fn in_words(chosen: &Chosen, belief: &Belief, unit: DegreeUnit, zone: Tz) -> String {
    let profile = &*chosen.profile;
    let mut text = format!("{} ({}), version {}", profile.names.en, profile.id, profile.version);
    if let Some(through) = profile.learned_through {
        text += &format!(", reports up to season {through} in its numbers");
    }
    text = paragraph(0, &text) + &format!("season {}, as of {}\n", belief.season, local_with_year(belief.as_of, zone));
    text += &frozen_lines(&belief.frozen, zone);
    if belief.stages.is_empty() {
        let unsure = "The profile does not say how sure its sums are: reports teach nothing, and dates carry the weather's \
                      doubt alone.";
        return text + &paragraph(0, unsure);
    }
    text += &belief.since_adopted().map(|said| paragraph(0, &said)).unwrap_or_default();
    for stage in &belief.stages {
        text += &stage_words(profile, stage, unit);
    }
    if !belief.untaught.is_empty() {
        text += &format!("\nReports that teach nothing\n{}", untaught_table(&belief.untaught));
    }
    if !belief.regions.is_empty() {
        text += &format!("\nDates{}\n", if chosen.is_over { " as the season's last day sees them" } else { "" });
        text += &table(profile, &belief.regions, "with reports");
    }
    text
}

fn stage_words(profile: &Profile, stage: &StageBelief, unit: DegreeUnit) -> String {
    let (heat, symbol) = (|heat: f64| unit.heat_from_c(heat), unit.heat_symbol());
    let name = |id: &StageId| profile.stage(id).map_or_else(|| id.to_string(), |stage| stage.names.en.clone());
    let from = stage.after.as_ref().map_or_else(|| "the biofix".to_owned(), name);
    let mut text = format!("\n{}: {symbol} from {from}\n", capital(&name(&stage.stage)));
    let mut sums = ruled_table(["our number", "mean", "8 in 10 between", "not known (sd)"]);
    align_right(&mut sums, [1, 2, 3]);
    let count = counted(stage.reports.len() as u64, "report", "reports");
    for (which, Range { mean, sd, early, late, .. }) in
        [("before any report".to_owned(), stage.before), (format!("with {count}"), stage.now)]
    {
        let (mean, early, late, sd) = (heat(mean), heat(early), heat(late), heat(sd));
        sums.add_row([which, format!("{mean:.0}"), format!("{early:.0} and {late:.0}"), format!("{sd:.0}")]);
    }
    text += &fitted(sums, &[]);
    text += &format!(
        "A place differs from it by about {:.0}, a year by about {:.0} (sd).\n",
        heat(stage.places_c),
        heat(stage.years_c)
    );
    if !stage.reports.is_empty() {
        text += &format!(
            "\nReports that teach, and what each moves, {symbol} and days (+ is later)\n{}",
            teachers(&stage.reports, unit)
        );
    }
    if !stage.contradictions.is_empty() {
        text += &format!("\nReports that do not go with the others\n{}", doubts(&stage.contradictions, unit));
    }
    text
}

fn teachers(reports: &[Teacher], unit: DegreeUnit) -> String {
    let mut table =
        ruled_table(["report, its region,\nday and by whom", "not yet at", "seen at", "number", "its region", "days"]);
    align_right(&mut table, [1, 2, 3, 4, 5]);
    for report in reports {
        let by = match report.observer {
            Observer::Staff => "staff",
            Observer::Owner => "owner",
        };
        let heat = |heat: Option<f64>| heat.map_or_else(String::new, |heat| format!("{:.0}", unit.heat_from_c(heat)));
        table.add_row([
            format!("{}\n{}\n{}, {by}", report.id, report.region, report.observed_on),
            heat(report.not_yet_at),
            heat(report.seen_at),
            signed(unit.heat_from_c(report.moves_number)),
            signed(unit.heat_from_c(report.moves_region)),
            report.moves_days.map_or_else(|| "-".to_owned(), |days| signed(days as f64)),
        ]);
    }
    fitted(table, &[])
}

fn doubts(found: &[Doubt], unit: DegreeUnit) -> String {
    let mut table = ruled_table(["report, its region\nand season", "it, and\nagainst which", "chance\nof it"]);
    align_right(&mut table, [2]);
    for Doubt { id, region, season, seen, heat, chance, against } in found {
        let saw = if *seen { "saw it" } else { "saw nothing" };
        let against = against.as_ref().map_or("all others", String::as_str);
        let percent = chance * 100.0;
        let chance = if percent < 0.1 { "under 0.1 %".to_owned() } else { format!("{percent:.1} %") };
        let heat = unit.heat_from_c(*heat);
        table.add_row([format!("{id}\n{region}\n{season}"), format!("{saw} at {heat:.0}\n{against}"), chance]);
    }
    fitted(table, &[])
}

fn untaught_table(reports: &[Idle]) -> String {
    let mut table = ruled_table(["report, its region\nand day", "why"]);
    for Idle { report, why } in reports {
        let of = format!("{}\n{}\n{}", report.id, report.region, report.observed_on);
        table.add_row([of.as_str(), why.words()]);
    }
    fitted(table, &[])
}

/// `+3`, `-12`, `0`.
fn signed(value: f64) -> String {
    let rounded = value.round();
    if rounded == 0.0 { "0".into() } else { format!("{rounded:+.0}") }
}

fn capital(text: &str) -> String {
    crate::season::phrases::capitalised(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Before: `frozen since 2026-03-14T15:00:00Z`.
    #[test]
    fn a_freeze_is_told_by_the_clock_of_the_house() {
        let freeze = Freeze {
            at: "2026-03-14T15:00:00Z".parse().unwrap(),
            by: "maria".into(),
            why: "the crew reads bark wrongly".into(),
        };
        let told = frozen_lines(&[FrozenSeason { season: 2026, freeze }], chrono_tz::America::Denver);
        let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(told.contains("is frozen since Sat, Mar 14, 2026, 9:00 AM MDT by maria: the crew"), "{told}");
    }
}
