//! The demo as a person runs it: one command, no network, a season, a table, a folder of messages.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Output};

fn treebell(folder: &Path, args: &[&str]) -> Output {
    Command::new(assert_cmd::cargo::cargo_bin!("treebell")).current_dir(folder).args(args).output().unwrap()
}

/// Columns of the closing table from the right, which has no blanks inside them: name → (e-mails, texts).
fn table(said: &str) -> BTreeMap<String, (usize, usize)> {
    let rows = said.lines().filter(|line| line.contains(" m ") || line.starts_with("all "));
    rows.filter_map(|line| {
        let mut cells = line.split_whitespace().rev();
        let (texts, emails) = (cells.next()?.parse().ok()?, cells.next()?.parse().ok()?);
        Some((line.get(..14)?.trim().to_owned(), (emails, texts)))
    })
    .collect()
}

#[test]
fn the_demo_plays_a_season_into_a_folder_and_sums_it_up() {
    let folder = tempfile::tempdir().unwrap();
    let output = treebell(folder.path(), &["demo", "--speed", "at-once"]);
    let said = String::from_utf8(output.stdout.clone()).unwrap();
    assert_eq!(output.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&output.stderr));
    assert!(!said.contains('\x1b'), "not a terminal: plain lines");

    // Every region was told everything, in order and in time, the one whose staff must agree included.
    let sums = table(&said);
    assert_eq!(sums.len(), 10, "nine regions and all: {sums:?}");
    let end = said.split("the lowest region first").nth(1).unwrap();
    assert!(!end.contains("none"), "{end}");
    assert!(said.contains("Mesa Callada (2120 m), inspect now: waits for staff to agree"));
    assert!(end.contains("Egg laying began on Feb") && end.contains("Owners were told"), "{end}");
    assert!(said.lines().all(|line| line.chars().count() <= 160));

    // The folder holds what the table says was written, and only to invented addresses.
    let messages = folder.path().join("treebell-demo/messages");
    let mut rows = csv::Reader::from_path(messages.join("index.csv")).unwrap();
    let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    let of = |channel: &str| rows.iter().filter(|row| &row[1] == channel).count();
    assert_eq!(sums["all"], (of("email"), of("sms")));
    let regions = sums.iter().filter(|(name, _)| *name != "all").map(|(_, sums)| sums);
    assert_eq!(regions.fold((0, 0), |sum, of| (sum.0 + of.0, sum.1 + of.1)), sums["all"]);
    for row in &rows {
        let to = &row[2];
        let invented = to.ends_with("@example.org") || ("+15055550100"..="+15055550199").contains(&to);
        assert!(invented, "{to}");
        assert!(messages.join(&row[4]).is_file(), "{}", &row[4]);
    }
    assert_eq!(std::fs::read_dir(&messages).unwrap().count(), rows.len() + 1);
    let spanish = rows.iter().filter(|row| &row[1] == "sms" && row[3].contains("escama")).count();
    assert!(spanish > 20 && spanish < of("sms") / 2, "{spanish} texts in Spanish");

    // What it says to try next works there.
    let settings = ["--config", "treebell-demo/treebell.toml"];
    for args in [
        ["outlook", "--on", "2025-03-10"].as_slice(),
        &["chart", "piedra-mansa", "--on", "2025-03-10", "-o", "a.svg"],
        &["chart", "piedra-mansa", "--season", "2024", "--fahrenheit", "--language", "es", "-o", "b.png"],
    ] {
        let output = treebell(folder.path(), &[&settings[..], args].concat());
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    }
    let svg = std::fs::read_to_string(folder.path().join("a.svg")).unwrap();
    for said in
        ["Piedra Mansa: heat of the 2025 season", "today, Mar\u{a0}10", "34 past years", "provisional", "forecast"]
    {
        assert!(svg.contains(said), "{said}");
    }
    assert!(std::fs::read(folder.path().join("b.png")).unwrap().starts_with(b"\x89PNG"));

    // What a chart cannot be made of is said, with the place.
    for (args, said) in [
        (["chart", "piedra-manso", "-o", "c.svg"].as_slice(), "did you mean `piedra-mansa`?"),
        (&["chart", "piedra-mansa", "-o", "c.gif"], "neither .svg nor .png"),
        (&["chart", "piedra-mansa", "--season", "1950", "-o", "c.svg"], "no temperatures of season 1950"),
    ] {
        let output = treebell(folder.path(), &[&settings[..], args].concat());
        assert_eq!(output.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&output.stderr).contains(said), "{}", String::from_utf8_lossy(&output.stderr));
    }
    assert!(!folder.path().join("c.svg").exists());
}
