//! `treebell profile check` and `treebell profile show`.

use std::path::PathBuf;

use crate::commands::error::CommandError;
use crate::commands::files::{in_file, read_text};
use crate::commands::format::{print_out, wrapped};
use crate::commands::open::profiles_in_use;
use crate::config::Config;
use crate::language::Language;
use crate::season::Profile;
use crate::season::profile::{BiofixYear, Eggs, Holds, LaidBy, Need, Spread, Window, cutoff_name, method_name};
use crate::service::desk::local_with_year;
use crate::units::{c_to_f, dd_c_to_f};

pub fn check(files: &[PathBuf]) -> Result<(), CommandError> {
    let mut faults = Vec::new();
    for file in files {
        match Profile::parse(&read_text(file)?) {
            Ok(profile) => print_out(&format!(
                "{}: sound: profile {}, {} stages{}\n",
                file.display(),
                profile.id,
                profile.stages.len(),
                if profile.provisional { ", provisional" } else { "" }
            ))?,
            Err(found) => faults.push(in_file(file, &found)),
        }
    }
    if faults.is_empty() { Ok(()) } else { Err(CommandError::CheckSaidNo(faults.join("\n"))) }
}

pub async fn show(id: Option<&str>, toml: bool, config: &Config) -> Result<(), CommandError> {
    let (profiles, adopted) = profiles_in_use(config).await?;
    let word = |profile: &Profile| {
        let of = adopted.iter().find(|(of, holds)| of.profile == profile.id && *holds == Holds::Adopted);
        let at = |at| local_with_year(at, config.schedule.time_zone);
        of.map(|(of, _)| format!("adopted {} by {}: {}\n", at(of.adopted_at), of.adopted_by, of.why))
    };
    let wanted: Vec<&Profile> = match id {
        None => profiles.iter().collect(),
        Some(id) => {
            let known = || profiles.iter().map(|profile| profile.id.as_str()).collect::<Vec<_>>().join(", ");
            let profile = profiles
                .get(id)
                .ok_or_else(|| CommandError::Usage(format!("no profile `{id}`; known: {}", known())))?;
            vec![profile]
        }
    };
    if toml && wanted.len() != 1 {
        return Err(CommandError::Usage("--toml prints one profile: name its id".into()));
    }
    let texts: Vec<String> = wanted
        .into_iter()
        .map(|profile| if toml { profile.to_toml() } else { in_words(profile, word(profile)) })
        .collect();
    print_out(&texts.join("\n"))
}

/// All of a profile, with the origin of each number and what was said when it was adopted.
pub fn in_words(profile: &Profile, adopted: Option<String>) -> String {
    let rule = &profile.heat;
    let biofix = &profile.biofix;
    let mut text = format!(
        "{} ({}), {} on {}\nid: {}\n",
        profile.names.en, profile.names.es, profile.scientific_name, profile.host.en, profile.id
    );
    text += &format!("version {}", profile.version);
    if let Some(through) = profile.learned_through {
        text += &format!(", field reports up to season {through} in its numbers");
    }
    text += &format!("\n{}", adopted.unwrap_or_default());
    if profile.provisional {
        text += &format!("PROVISIONAL: {}\n", profile.note);
    } else if !profile.note.is_empty() {
        text += &format!("note: {}\n", profile.note);
    }
    text += &format!(
        "heat is summed from {} {}{}\n    {}\n",
        Language::En.month_name(biofix.month.saturating_sub(1)),
        biofix.day,
        match biofix.year {
            BiofixYear::Same => "",
            BiofixYear::Before => " of the year before the season's name",
        },
        biofix.origin
    );
    text += &format!("method {}\n    {}\n", method_name(rule.method()), profile.heat_origins.method);
    text += &format!("lower threshold {}\n    {}\n", both_units(rule.lower_c()), profile.heat_origins.lower);
    if let Some(upper) = rule.upper_c() {
        let cutoff = cutoff_name(rule.cutoff());
        text +=
            &format!("upper threshold {}, {cutoff} cut-off\n    {}\n", both_units(upper), profile.heat_origins.upper);
    }
    for stage in &profile.stages {
        let after = stage.after.as_ref().map_or("biofix", |after| after.0.as_str());
        let comes = match stage.need {
            Need::DegreeDays(sum) => format!("{sum} °C·day ({:.0} °F·day) after {after}", dd_c_to_f(sum)),
            Need::Days(days) => format!("{days} days after {after}"),
        };
        text += &format!("stage {} ({}): {comes}\n    {}\n", stage.id, stage.names.en, stage.origin);
        match (&stage.spread, stage.need) {
            (Some(spread), _) => text += &spread_words(spread),
            (None, Need::DegreeDays(_)) => {
                text += "    how sure that is is not said: its dates carry the weather's doubt alone\n";
            }
            (None, Need::Days(_)) => {}
        }
    }
    text += &format!("window: from {} to {}\n", profile.window.opens, profile.window.closes);
    if let Some(eggs) = &profile.eggs {
        text += &eggs_words(eggs, &profile.window);
    }
    wrapped(&text)
}

/// How the eggs of a tree spread over heat, and which stage that hangs on.
fn eggs_words(eggs: &Eggs, window: &Window) -> String {
    let Eggs { laid_over_c, laid_by, laid_over_origin, hatched_over_c, hatched_over_origin } = eggs;
    let follows = laid_by.as_ref().map_or_else(String::new, |LaidBy { stage, share }| {
        format!(", of which {:.0} % by {stage}: the one follows from the other", share * 100.0)
    });
    format!(
        "eggs of one tree: laid over {laid_over_c} °C·day from {}{follows}\n    {laid_over_origin}\n\
         eggs of one tree: hatch over {hatched_over_c} °C·day from {}\n    {hatched_over_origin}\n",
        window.opens, window.closes
    )
}

/// How sure a sum is, as standard deviations.
fn spread_words(spread: &Spread) -> String {
    let Spread { belief_c, belief_origin, places_c, places_origin, years_c, years_origin } = spread;
    let mut text = String::new();
    for (what, sd, origin) in [
        ("not known", belief_c, belief_origin),
        ("between places", places_c, places_origin),
        ("between years", years_c, years_origin),
    ] {
        text += &format!("    {what}: sd {sd} °C·day ({:.0} °F·day)\n        {origin}\n", dd_c_to_f(*sd));
    }
    text
}

fn both_units(celsius: f64) -> String {
    format!("{celsius} °C ({:.1} °F)", c_to_f(celsius))
}
