//! `treebell policy`: what rules leave of the eggs if the belief is true, on invented weather and on real records.

use predicates::prelude::*;
use predicates::str::contains;
use std::path::Path;
use treebell::assessment::past::StationHistory;
use treebell::assessment::policy_loss::{Chances, Game, PastSeasons, RuleLoss, SETTINGS, Tally, candidates};
use treebell::config::WeatherConfig;
use treebell::randomness::Randomness;
use treebell::season::{Policy, Profile};

use crate::projection::invented_store;
use crate::records::{Real, real_records};

fn policy(settings: &Path, options: &str) -> assert_cmd::assert::Assert {
    let mut command = assert_cmd::Command::cargo_bin("treebell").unwrap();
    command.arg("--config").arg(settings).arg("policy").args(options.split_whitespace()).assert()
}

#[tokio::test]
async fn the_command_prints_a_table_with_its_seed_that_fits_a_hundred_columns() {
    let folder = tempfile::tempdir().unwrap();
    let settings = invented_store(folder.path(), 2001..=2012).await;
    let output = policy(&settings, "--seasons 1 --draws 3 --seed 5 --markdown").success().get_output().stdout.clone();
    let text = String::from_utf8(output).unwrap();
    let wide: Vec<&str> = text.lines().filter(|line| line.chars().count() > 100).collect();
    assert!(wide.is_empty(), "{wide:#?}");
    for wanted in [
        "treebell policy --markdown --seasons 1 --draws 3 --seed 5",
        "seed 5; 1 station, 1 season, 3 truths each",
        "profile pinyon-needle-scale, version 1; policy as shipped",
        "INVENTED-1 1 (2012-2012)",
        "does not measure the insect",
        "emulated with today's code",
        "early hatch bound",
    ] {
        assert!(text.contains(wanted), "`{wanted}` is missing in\n{text}");
    }

    let json = || {
        let output = policy(&settings, "--seasons 1 --draws 3 --seed 5 --json").success().get_output().stdout.clone();
        serde_json::from_slice::<serde_json::Value>(&output).unwrap()
    };
    let document = json();
    assert_eq!((&document["seed"], &document["truths_a_season"]), (&5.into(), &3.into()));
    let rules = document["settings"][0]["rules"].as_array().unwrap();
    assert_eq!((&rules[0]["rules"], &rules[1]["rules"]), (&"before".into(), &"as set".into()));
    assert!(rules.len() > 15 && rules.iter().all(|row| row["cases"] == 3));
    assert_eq!(json(), document, "the same seed");
}

#[tokio::test]
async fn the_command_says_why_nothing_can_be_played() {
    let folder = tempfile::tempdir().unwrap();
    let settings = invented_store(folder.path(), 2001..=2003).await;
    policy(&settings, "").code(2).stderr(contains("station `INVENTED-1` has 3 whole past seasons, at least 10"));
    policy(&settings, "--profile beetle").code(2).stderr(contains("profile `beetle` is unknown; there is pinyon-"));
    policy(&settings, "--draws 0").code(2).stderr(contains("--draws"));
    policy(&settings, "--json --markdown").code(2).stderr(contains("--json").and(contains("--markdown")));
}

/// GHCN-Daily records of a valley and of a high town, newest years. What is drawn is the profile's belief and not the insect:
/// this settles that the rules do what they are for if it is true.
#[test]
fn the_shipped_policy_takes_half_as_much_again_from_who_acts_once_on_real_records() {
    let Some(folder) = real_records("the policy on real records") else { return };
    let (profile, policy, rules) = (Profile::pinyon_needle_scale(), Policy::default(), WeatherConfig::default());
    let two: Vec<_> = candidates(&policy).into_iter().take(2).collect();
    let game = Game::new(&profile, &policy, two, &SETTINGS[..1]).unwrap();
    let random = Randomness::seeded(1);
    let mut next = || random.between(0.0, 1.0);
    for id in ["USC00295150", "USC00291664"] {
        let Real { station, record, .. } = Real::load_since(&folder, id, None, 1998, |_| {});
        let history = StationHistory { station, record };
        let past = PastSeasons::new(&history, &profile, &policy, &rules, 2).unwrap();
        let seasons: Vec<Vec<Tally>> =
            (0..past.seasons()).map(|at| game.season(&past, at, &Chances::of_season(11, &mut next))).collect();
        let losses = game.losses(&seasons);
        let [before, now]: &[RuleLoss; 2] = losses[0].rules.as_slice().try_into().unwrap();
        println!("{id}: {before:?}\n{now:?}");
        assert_eq!((before.cases, now.cases), (22, 22));
        assert!(now.once.mean >= 1.5 * before.once.mean, "{id}: {before:?} {now:?}");
        assert!(now.once.tenth > before.once.tenth, "{id}: {before:?} {now:?}");
    }
}
