//! `treebell profile add`: a profile's file put in use, after what it would change was shown.

use std::path::PathBuf;
use std::sync::Arc;

use super::show::in_words;
use crate::commands::ask::{Go, Said};
use crate::commands::error::CommandError;
use crate::commands::files::{in_file, read_text};
use crate::commands::format::{counted, fitted, paragraph, print_out, ruled_table, short_date_or, watched_bar};
use crate::commands::new_version::{dates_words, keep, tell_left_out};
use crate::commands::open::open_app;
use crate::config::Config;
use crate::region::Region;
use crate::season::Profile;
use crate::season::learning::Learned;
use crate::season::profile::{BiofixYear, Need, cutoff_name, method_name};
use crate::service::app::App;
use crate::service::belief::version::{Believed, dates_now, newest_version};
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::learning::lessons;
use crate::service::past_cache::unwatched;
use crate::service::profile_change::{Moved, PastChange, past_changes};
use crate::text::{did_you_mean, near_key};

#[derive(Debug, clap::Args)]
pub struct Add {
    /// Profile file, such as `treebell fit --profile` writes
    #[arg(value_name = "FILE.toml")]
    file: PathBuf,
    #[command(flatten)]
    said: Said,
    #[command(flatten)]
    go: Go,
}

pub async fn run(args: &Add, config: &Config) -> Result<(), CommandError> {
    let file = args.file.as_path();
    let text = read_text(file)?;
    let made = Profile::parse(&text).map_err(|faults| CommandError::CheckSaidNo(in_file(file, &faults)))?;
    let app = open_app(config).await?;
    let in_use = app.profiles.get(&made.id);
    let newest = newest_version(&app, &made.id).await?.max(in_use.as_ref().map_or(0, |in_use| in_use.version));
    if made.version <= newest {
        return Err(CommandError::CheckSaidNo(format!(
            "{}: version: it holds version {} of profile `{}`, and version {newest} is in use: write `version = {}` or more",
            file.display(),
            made.version,
            made.id,
            newest.saturating_add(1)
        )));
    }
    let made = Arc::new(made);
    let shown = match &in_use {
        Some(in_use) => changes_words(&app, in_use, &made, config).await?,
        None => new_words(&app, &made),
    };
    print_out(&shown)?;
    let question = format!("put version {} of profile `{}` in use?", made.version, made.id);
    if args.go.is_wanted(&question)? {
        keep(&app, &made, &args.said).await?;
    }
    app.store.close().await;
    Ok(())
}

/// Of a profile that there was none of: no region has it until one is given it.
fn new_words(app: &App, made: &Profile) -> String {
    let profiles = app.profiles.all();
    let known: Vec<&str> = profiles.iter().map(|profile| profile.id.as_str()).collect();
    let near = did_you_mean(near_key(&made.id, known.iter().copied()));
    let news = format!(
        "`{0}` is a new profile{near} (there is {1}). No region changes: give it to one with `treebell region change ID --profile {0}`.",
        made.id,
        known.join(", ")
    );
    in_words(made, None) + "\n" + &paragraph(0, &news)
}

/// What differs from the version in use, and what becomes of the dates of every region, past and present.
async fn changes_words(
    app: &App,
    in_use: &Arc<Profile>,
    made: &Arc<Profile>,
    config: &Config,
) -> Result<String, CommandError> {
    let now = app.clock.now();
    let season = in_use.season_of(now.with_timezone(&config.schedule.time_zone).date_naive());
    let mut regions = app.store.regions().await?;
    regions.retain(|region| region.profile == made.id);
    let mut text = format!(
        "{} ({}): version {} would follow version {}\n{}",
        made.names.en,
        made.id,
        made.version,
        in_use.version,
        differences(in_use, made)
    );
    if regions.is_empty() {
        return Ok(text + "No region has this profile: no date changes.\n");
    }
    let (bar, watch) = watched_bar("past seasons {wide_bar} {pos}/{len} {eta}");
    let past = past_changes(app, in_use, made, &regions, now, &watch).await;
    bar.finish_and_clear();
    text += &past_table(&past?);
    let (before, after) = (learned(app, in_use, season).await?, learned(app, made, season).await?);
    let (before, after) = (Believed { profile: in_use, learned: &before }, Believed { profile: made, learned: &after });
    let (dates, left_out) = dates_now(app, now, before, after, &regions, &unwatched()).await;
    tell_left_out(&left_out);
    text += &dates_words(in_use, &dates, "after");
    Ok(text + &told_words(app, in_use, &regions, season).await?)
}

/// What field reports teach on top of a version. Caches of its own: a model belongs to one version.
async fn learned(app: &App, profile: &Profile, season: i32) -> Result<Learned, CommandError> {
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    Ok(lessons(app, &mut records, &mut seasons, profile, season, app.clock.now()).await?.learned)
}

/// A season under way has told people days by the version before.
async fn told_words(app: &App, in_use: &Profile, regions: &[Region], season: i32) -> Result<String, CommandError> {
    let told = app.store.notices_of_season(&in_use.id, season).await?;
    let counts = regions.iter().filter(|region| told.iter().any(|notice| notice.season.region == region.id)).count();
    if counts == 0 {
        return Ok(String::new());
    }
    let stand = format!(
        "Notices of season {season} were decided in {} by the version before: they stand, and those to come go by the new one.",
        counted(counts as u64, "region", "regions")
    );
    Ok(paragraph(0, &stand))
}

fn differences(before: &Profile, made: &Profile) -> String {
    let (was, is) = (facts(before), facts(made));
    let value = |of: &[(String, String)], name: &str| {
        of.iter().find(|(known, _)| known == name).map_or_else(|| "-".to_owned(), |(_, value)| value.clone())
    };
    let mut names: Vec<&String> = was.iter().map(|(name, _)| name).collect();
    names.extend(is.iter().map(|(name, _)| name).filter(|name| was.iter().all(|(known, _)| known != *name)));
    let mut table = ruled_table(["what", "before", "after"]);
    let mut rows = 0;
    for name in names {
        let (was, is) = (value(&was, name), value(&is, name));
        if was != is {
            table.add_row([name.clone(), was, is]);
            rows += 1;
        }
    }
    if rows > 0 {
        return fitted(table, &[]);
    }
    if (Profile { version: made.version, ..before.clone() }) == *made {
        "Nothing but the version differs.\n".into()
    } else {
        "No number differs, only words do.\n".into()
    }
}

/// All that dates and heat hang on, by name.
fn facts(profile: &Profile) -> Vec<(String, String)> {
    let Profile { biofix, heat, window, .. } = profile;
    let year = match biofix.year {
        BiofixYear::Same => "",
        BiofixYear::Before => " of the year before",
    };
    let mut facts = vec![
        ("biofix, month and day".to_owned(), format!("{:02}-{:02}{year}", biofix.month, biofix.day)),
        ("method".into(), method_name(heat.method()).to_owned()),
        ("lower threshold, °C".into(), heat.lower_c().to_string()),
        ("upper threshold, °C".into(), heat.upper_c().map_or_else(|| "none".into(), |upper| upper.to_string())),
        ("cut-off".into(), cutoff_name(heat.cutoff()).to_owned()),
    ];
    for stage in &profile.stages {
        let after = stage.after.as_ref().map_or("biofix", |after| after.0.as_str());
        let need = match stage.need {
            Need::DegreeDays(sum) => format!("{sum} °C·day after {after}"),
            Need::Days(days) => format!("{days} days after {after}"),
        };
        facts.push((format!("stage {}", stage.id), need));
        if let Some(spread) = &stage.spread {
            let sds = format!("{}, {}, {}", spread.belief_c, spread.places_c, spread.years_c);
            facts.push((format!("stage {}: sd not known, of places, of years", stage.id), sds));
        }
    }
    let settles = window.settles.as_ref().map_or_else(String::new, |settles| format!(", settled by {settles}"));
    facts.push(("window".into(), format!("from {} to {}{settles}", window.opens, window.closes)));
    if let Some(eggs) = &profile.eggs {
        facts.push((
            "eggs laid and hatched over, °C·day".into(),
            format!("{}, {}", eggs.laid_over_c, eggs.hatched_over_c),
        ));
    }
    let sights: Vec<&str> = profile.sights.iter().map(|sight| sight.id.as_str()).collect();
    facts.push(("what can be seen".into(), sights.join(" ")));
    let provisional = if profile.provisional { "yes" } else { "no" };
    facts.push(("provisional".into(), provisional.into()));
    if let Some(through) = profile.learned_through {
        facts.push(("reports in its numbers up to season".into(), through.to_string()));
    }
    facts
}

/// Three lines a region: before, after, and by how much that is.
fn past_table(changes: &[PastChange]) -> String {
    let mut table = ruled_table(["region", "seasons", "", "look from", "wash by"]);
    for change in changes {
        let day = |moved: Option<Moved>| {
            moved.map_or_else(
                || "not known".to_owned(),
                |Moved { before, after, least, median, greatest }| {
                    let short = |day| short_date_or(Some(day), "");
                    format!("{}\n{}\n{median:+} ({least:+} to {greatest:+})", short(before), short(after))
                },
            )
        };
        let mut seasons = change.seasons.to_string();
        for (count, which) in [(change.only_before, "before"), (change.only_after, "after")] {
            if count > 0 {
                seasons += &format!("\n{count} only {which}");
            }
        }
        let lines = "before\nafter\ndays";
        table.add_row([change.name.clone(), seasons, lines.into(), day(change.look_from), day(change.deadline)]);
    }
    format!("\nThe last thirty seasons on record, by their medians and season by season\n{}", fitted(table, &[]))
}
