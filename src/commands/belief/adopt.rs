//! `treebell belief adopt`.

use super::ask::Which;
use super::show::{frozen_lines, regions_of};
use crate::commands::args::DegreeUnit;
use crate::commands::ask::{Go, Said};
use crate::commands::error::CommandError;
use crate::commands::format::{counted, print_out, wrapped};
use crate::commands::new_version::{dates_words, tell_kept, tell_left_out};
use crate::commands::open::open_app;
use crate::config::Config;
use crate::season::adopt::{Adopted, AdoptedStage};
use crate::service::belief::Chosen;
use crate::service::belief::learn::frozen_seasons;
use crate::service::belief::version::{PartedReport, ProposalFault, proposal, proposed_dates};
use crate::service::desk::learning::adopt;
use crate::service::desk::{DeskError, Word};
use crate::service::past_cache::unwatched;
use crate::text::Chain;

#[derive(Debug, clap::Args)]
pub struct Adopt {
    #[command(flatten)]
    which: Which,
    #[command(flatten)]
    said: Said,
    #[command(flatten)]
    go: Go,
}

pub async fn run(args: &Adopt, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let chosen = args.which.choose(&app).await?;
    let found = proposal(&app, &chosen).await.map_err(|why| match why {
        ProposalFault::Region(why) => CommandError::Failed(Chain(&why).to_string()),
        ProposalFault::Store(why) => why.into(),
        why => CommandError::CheckSaidNo(format!("{why}{}", how_to_thaw(&chosen.profile.id, &why))),
    })?;
    let version = found.made.profile.version;
    let regions = regions_of(&app, &chosen, &[]).await?;
    let (dates, left_out) = proposed_dates(&app, &chosen, &found, &regions, &unwatched()).await;
    tell_left_out(&left_out);
    let frozen = frozen_lines(&frozen_seasons(&found.known.frozen, chosen.season), config.schedule.time_zone);
    let words = in_words(&chosen, &found.made, DegreeUnit::of_house(config));
    let parted = parted_words(&found.parted(&chosen.profile, &regions));
    print_out(&(words + &frozen + &parted + &dates_words(&chosen.profile, &dates, "adopted")))?;
    if args.go.is_wanted(&format!("write this as version {version}?"))? {
        let word = Word { by: &args.said.by, why: Some(&args.said.why) };
        let done = adopt(&app, &chosen, &found.fingerprint(), word).await;
        done.map_err(|why| match why {
            DeskError::Store(why) => why.into(),
            why => CommandError::CheckSaidNo(why.to_string()),
        })?;
        tell_kept(&found.made.profile);
    }
    app.store.close().await;
    Ok(())
}

/// What lets reports teach that are the only new ones and lie in frozen seasons; empty where nothing does.
fn how_to_thaw(profile: &str, why: &ProposalFault) -> String {
    let ProposalFault::Frozen { unheard, .. } = why else { return String::new() };
    let thaw = |season: &i32| format!("`treebell belief thaw --profile {profile} --season {season} --why REASON`");
    let commands = unheard.seasons.iter().map(thaw).collect::<Vec<_>>().join(", ");
    let they = if unheard.reports == 1 { "it teaches" } else { "they teach" };
    format!("; {they} after {commands}")
}

/// Which reports go in and which do not, where learning from their seasons is frozen; empty where all that are new go in.
fn parted_words(parted: &[PartedReport]) -> String {
    let of = |is_adopted: bool| {
        let some = parted.iter().filter(|of| of.is_adopted == is_adopted);
        some.map(|of| format!("{} ({}, {})", of.id, of.region, of.observed_on)).collect::<Vec<_>>().join(", ")
    };
    if parted.is_empty() {
        return String::new();
    }
    wrapped(&format!(
        "Adopted: {}.\nNot adopted, confirmed after the freeze: {}. Once this is adopted they never teach; to take them in, thaw \
         first (`treebell belief thaw`).\n",
        of(true),
        of(false)
    ))
}

fn in_words(chosen: &Chosen, made: &Adopted, unit: DegreeUnit) -> String {
    let Chosen { profile, season, .. } = chosen;
    let mut text = format!(
        "{} ({}): version {} would follow version {}\n",
        profile.names.en, profile.id, made.profile.version, profile.version
    );
    for change in &made.changes {
        text += &stage_words(change, unit);
    }
    text += &format!(
        "How places and years differ stays as it was. Reports up to season {season} are then in the numbers and teach no more.\n"
    );
    if !chosen.is_over {
        text += "That season is still under way: its later reports would teach nothing, and what its reports say of this year\n\
                 and of single regions is given up. Adopting after the season keeps both.\n";
    }
    if made.profile.provisional {
        text += "The profile stays provisional: some reports are no fit (`treebell fit` makes one).\n";
    }
    wrapped(&text)
}

fn stage_words(change: &AdoptedStage, unit: DegreeUnit) -> String {
    let AdoptedStage { stage, sum_before, sum, belief_before, belief, reports } = change;
    let [sum, sum_before, belief, belief_before] =
        [sum, sum_before, belief, belief_before].map(|heat| unit.heat_from_c(*heat));
    format!(
        "stage {stage}: {sum:.0} {}, was {sum_before:.0}; not known (sd) {belief:.0}, was {belief_before:.0}; from {}\n",
        unit.heat_symbol(),
        counted(*reports as u64, "report", "reports")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::service::belief::version::Unheard;

    #[test]
    fn heat_is_told_in_the_unit_of_the_house() {
        let change = AdoptedStage {
            stage: "laying".into(),
            sum_before: 200.0,
            sum: 210.0,
            belief_before: 40.0,
            belief: 30.0,
            reports: 1,
        };
        for (unit, wanted) in [
            (DegreeUnit::Celsius, "stage laying: 210 °C·day, was 200; not known (sd) 30, was 40; from 1 report\n"),
            (DegreeUnit::Fahrenheit, "stage laying: 378 °F·day, was 360; not known (sd) 54, was 72; from 1 report\n"),
        ] {
            assert_eq!(stage_words(&change, unit), wanted);
        }
    }

    #[test]
    fn where_some_new_reports_are_frozen_it_says_which_are_adopted_and_which_are_not() {
        let of = |id: &str, is_adopted| PartedReport {
            id: id.into(),
            region: "North".into(),
            observed_on: chrono::NaiveDate::from_ymd_opt(2025, 3, 4).unwrap(),
            is_adopted,
        };
        let said = parted_words(&[of("r1", true), of("r2", false)]);
        let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.starts_with("Adopted: r1 (North, 2025-03-04). Not adopted, "), "{said}");
        assert!(
            said.contains("after the freeze: r2 (North, 2025-03-04). Once this is adopted they never teach"),
            "{said}"
        );
        assert_eq!(parted_words(&[]), "");
    }

    #[test]
    fn where_only_frozen_reports_are_new_it_says_so_and_how_they_are_thawed() {
        let told = |why: &ProposalFault| format!("{why}{}", how_to_thaw("midge", why));
        let frozen = ProposalFault::Frozen { season: 2025, unheard: Unheard { reports: 2, seasons: vec![2025] } };
        assert_eq!(
            told(&frozen),
            "season 2025: no report teaches anything that is not in the numbers: learning from season 2025 is frozen, and \
             2 reports were confirmed after that; they teach after `treebell belief thaw --profile midge --season 2025 \
             --why REASON`"
        );
        let nothing = ProposalFault::Nothing { season: 2025 };
        assert_eq!(told(&nothing), "season 2025: no report teaches anything that is not in the numbers");
    }
}
