//! `treebell notices` and `treebell field-report` as they are typed.

use std::path::Path;

use assert_cmd::Command;
use chrono::Datelike;
use sqlx::AssertSqlSafe;
use treebell::clock::{Clock, SystemClock};
use treebell::region::Region;
use treebell::season::decide::ApprovalNeeded;
use treebell::season::{NoticeKind, RecordTrust};
use treebell::store::Store;
use treebell::store::learning::{Freeze, FreezeWord};

use super::today::outlook;
use super::{House, asks, put};
use crate::people::two_regions;
use crate::support::open_store;

fn run(folder: &Path, line: &str, columns: &str) -> (i32, String, String) {
    typed(folder, &format!("notices {line}"), columns)
}

fn typed(folder: &Path, line: &str, columns: &str) -> (i32, String, String) {
    let words = line.split_whitespace().map(|word| word.replace('~', " "));
    let output = Command::cargo_bin("treebell")
        .unwrap()
        .current_dir(folder)
        .env("COLUMNS", columns)
        .args(words)
        .output()
        .unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

#[tokio::test(flavor = "multi_thread")]
async fn the_command_shows_what_the_page_shows() {
    let folder = tempfile::tempdir().unwrap();
    let store = open_store(&format!("sqlite:{}", folder.path().join("treebell.sqlite").display())).await.unwrap();
    let house = House::new(store, asks()).await;
    put(&house.app, "south", NoticeKind::GetReady, asks()).await;
    let old = RecordTrust::TooOld { newest_real_day: "2026-03-03".parse().ok(), age_days: 13 };
    let old = outlook("north", "2026-03-20", 8, old);
    house.app.store.put_outlook(&old, house.app.clock.now()).await.unwrap();
    house.app.store.close().await;
    let run = |line: &str| run(folder.path(), line, "100");

    // The notices are of another year than the machine's clock may say.
    let (code, out, err) = run("show Region~north --season 2026");
    assert_eq!(code, 0, "{err}");
    for wanted in [
        "Inspect now for Region north (2026)",
        "worked out with profile pinyon-needle-scale, version 1\n",
        // As it stood then, not today.
        "When this was decided, on March 16: the chance that egg laying has begun",
        "Last day to wash: April 12",
        "2 by e-mail in English",
        "1 by text message in English",
        "of no use from Fri, Mar 20, 12:00 AM MDT",
        "As text message in Spanish (",
        "As e-mail in English (",
        "Subject: ",
    ] {
        assert!(out.contains(wanted), "{wanted}:\n{out}");
    }
    // Before, that the temperatures were old was to be gathered from one of the numbers.
    let (why, _) = out.split_once("Egg laying begins: ").unwrap();
    let why = why.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        why.contains("worked out from old temperatures: the newest measured day was then March 3, 13 days back."),
        "{why}"
    );
    assert!(out.lines().all(|line| line.chars().count() <= 100), "{out}");
    // Before, a heading had 90 columns of 80.
    let (_, narrow, _) = self::run(folder.path(), "show Region~north --season 2026", "80");
    let headings = narrow.lines().filter(|line| !line.starts_with("  | ") && !line.starts_with("  Subject: "));
    let widest = headings.map(|line| line.chars().count()).max();
    assert!(widest.is_some_and(|widest| widest <= 80), "{narrow}");
    let (_, json, _) = run("show north/i --season 2026 --json");
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!((&json["status"], json["reads"].as_array().unwrap().len()), (&"waiting".into(), 4));

    let (code, _, err) = run("hold pinyon --season 2026 --by staff");
    assert_eq!(code, 2);
    assert!(err.contains("north/2026/inspect-now") && err.contains("south/2026/get-ready"), "{err}");
    let (code, _, err) = run("hold south --season 2026 --by staff --until 2036-03-17");
    assert!(code == 2 && err.contains("of use until"), "{err}");
    let (code, _, err) = run("call-off south --season 2026 --by staff --why wrong~station");
    assert_eq!(code, 0, "{err}");
    let (code, _, err) = run("call-off south --season 2026 --by staff");
    assert!(code == 2 && err.contains("is called off and cannot be called off"), "{err}");
    let (_, out, _) = run("show south --season 2026");
    assert!(
        out.contains("nobody: it was called off") && !out.contains("would have gone"),
        "nobody is in the south:\n{out}"
    );
    run("cancel north --season 2026 --by staff --why wrong~station");
    let (_, out, _) = run("show north --season 2026");
    assert!(out.contains("nobody: it was called off; it would have gone to these"), "{out}");
    assert!(out.contains("2 by e-mail in English"), "{out}");
    let (_, json, _) = run("show north --season 2026 --json");
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let counted = ["whom", "would_have_gone_to"].map(|field| json[field].as_array().unwrap().len());
    assert_eq!(counted, [0, 2], "{json}");
}

// Before, only the desk said so.
#[tokio::test(flavor = "multi_thread")]
async fn a_report_far_off_what_was_likely_is_remarked_upon_as_at_the_desk() {
    let folder = tempfile::tempdir().unwrap();
    let store = open_store(&format!("sqlite:{}", folder.path().join("treebell.sqlite").display())).await.unwrap();
    two_regions(&store).await;
    // A season that is over by every clock.
    let year = this_year() - 1;
    let mut said = outlook("north", &format!("{year}-03-20"), 5, RecordTrust::Sound);
    (said.season.year, said.today) = (year, format!("{year}-03-02").parse().unwrap());
    store.put_outlook(&said, SystemClock.now()).await.unwrap();
    store.close().await;
    let add = |day: &str, more: &str| {
        let line = format!("field-report add --region north --stage egg-laying-begins --date {year}-{day} {more}");
        let (code, out, err) = typed(folder.path(), &line, "100");
        assert_eq!(code, 0, "{err}");
        (out.trim().to_owned(), err)
    };
    let remark = "This is 13 days before the earliest likely date (March 15): ask who looked";
    let (id, err) = add("03-02", "--confirmed");
    assert!(err.contains(&format!("{remark}. What cannot be so is set aside: ")) && err.contains(&id), "{err}");
    let (_, err) = add("03-02", "");
    assert!(err.contains("is kept and counts\n"), "the same once more is the one that was confirmed: {err}");
    let (id, err) = add("03-02", "--tree gate");
    assert!(err.contains(&format!("{remark} before it counts. ")), "{err}");
    let (_, _, err) = typed(folder.path(), &format!("field-report confirm {id}"), "100");
    assert!(err.contains(&format!("{remark}. ")), "{err}");
    let (_, err) = add("03-18", "--confirmed");
    assert!(!err.contains("likely date") && !err.contains("teaches nothing"), "it was likely then: {err}");
    // Before, one that came while learning is frozen was only said to count.
    let store = open_store(&format!("sqlite:{}", folder.path().join("treebell.sqlite").display())).await.unwrap();
    let freeze = Freeze { at: SystemClock.now(), by: "staff".into(), why: "strange reports".into() };
    let word = FreezeWord { profile: "pinyon-needle-scale".into(), season: year, is_frozen: true, freeze };
    assert!(store.freeze_learning(&word).await.unwrap());
    store.close().await;
    let frozen = format!("It teaches nothing about other regions: learning from season {year} is frozen since ");
    let (_, err) = add("03-18", "--tree fence --confirmed");
    assert!(err.contains("is kept and counts\n") && err.contains(&frozen), "{err}");
    assert!(!add("03-18", "--tree road").1.contains(&frozen), "it does not count yet");
}

/// A notice that waits for a word and is of use until tomorrow; gives its id.
async fn one_waits(store: &Store, profile: &str, region: &str, season: i32) -> String {
    let id = format!("{profile}/{region}/{season}/inspect-now");
    let ms = SystemClock.now().timestamp_millis();
    let new = format!(
        "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at, word_needed, \
             expires_at, priority) VALUES ('{id}', '{profile}', '{region}', {season}, 'inspect-now', 'waiting', '{{}}', '{{}}', \
             20553, {ms}, '{}', {}, 1)",
        serde_json::to_string(&ApprovalNeeded::ByPolicy).unwrap(),
        ms + 86_400_000
    );
    let mut tx = store.begin().await.unwrap();
    sqlx::query(AssertSqlSafe(new)).execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
    id
}

/// Settings with a profile of this id beside or over the one that ships: its season has the name of the year after its first day.
fn autumn_profile(folder: &Path, id: &str) {
    let shipped = include_str!("../../../config/profiles/pinyon-needle-scale.toml");
    let before = shipped.replacen("year = \"same\"", "year = \"before\"", 1);
    assert_ne!(before, shipped);
    let named = before.replacen("id = \"pinyon-needle-scale\"", &format!("id = \"{id}\""), 1);
    assert!(named.contains(&format!("\nid = \"{id}\"\n")), "{named}");
    std::fs::create_dir(folder.join("profiles")).unwrap();
    std::fs::write(folder.join("profiles/autumn.toml"), named).unwrap();
    std::fs::write(folder.join("treebell.toml"), "[profiles]\nfolder = \"profiles\"\n").unwrap();
}

/// As the schedule has it.
fn this_year() -> i32 {
    SystemClock.now().with_timezone(&chrono_tz::America::Denver).year()
}

// Before, the calendar's year was taken: "no notices in 2026", and no notice was found by its beginning.
#[tokio::test(flavor = "multi_thread")]
async fn a_season_that_has_the_next_years_name_is_the_one_under_way() {
    let folder = tempfile::tempdir().unwrap();
    let store = open_store(&format!("sqlite:{}", folder.path().join("treebell.sqlite").display())).await.unwrap();
    two_regions(&store).await;
    let this_year = this_year();
    let season = this_year + 1;
    let id = one_waits(&store, "pinyon-needle-scale", "north", season).await;
    store.close().await;
    autumn_profile(folder.path(), "pinyon-needle-scale");
    let run = |line: &str| run(folder.path(), line, "100");

    let (code, out, err) = run("");
    assert!(code == 0 && out.contains("north/inspect-now"), "{out}{err}");
    let (code, _, err) = run(&format!("--season {this_year}"));
    assert!(code == 0 && err.contains(&format!("no notices in season {this_year}")), "{err}");
    let (code, _, err) = run(&format!("hold north/inspect --by maria --season {this_year}"));
    assert!(code == 2 && err.contains(&format!("no notice of season {this_year} is meant")), "{err}");
    let (code, _, err) = run("hold north/last --by maria");
    let hints = ["`treebell notices` lists", "--season YEAR names another season"];
    assert!(code == 2 && hints.iter().all(|hint| err.contains(hint)), "{err}");
    // Before: "invalid digit found in string".
    let (code, _, err) = run("--season 3/10/2025");
    assert!(code == 2 && err.contains("a season is written as its year, such as 2026"), "{err}");
    let (code, _, err) = run("hold north/inspect --by maria");
    assert!(code == 0 && err.contains(&format!("notice {id} is held")), "{err}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_notice_of_either_profile_is_found_where_their_seasons_under_way_are_named_by_different_years() {
    let folder = tempfile::tempdir().unwrap();
    let store = open_store(&format!("sqlite:{}", folder.path().join("treebell.sqlite").display())).await.unwrap();
    two_regions(&store).await;
    let south = store.region(&"south".into()).await.unwrap();
    store.change_region(&Region { profile: "autumn-scale".into(), ..south }).await.unwrap();
    let this_year = this_year();
    let of_this_year = one_waits(&store, "pinyon-needle-scale", "north", this_year).await;
    let of_the_next = one_waits(&store, "autumn-scale", "south", this_year + 1).await;
    store.close().await;
    autumn_profile(folder.path(), "autumn-scale");
    let run = |line: &str| run(folder.path(), line, "100");

    for (asked, id) in [("north/inspect", &of_this_year), ("south", &of_the_next)] {
        let (code, _, err) = run(&format!("hold {asked} --by maria"));
        assert!(code == 0 && err.contains(&format!("notice {id} is held")), "{asked}: {err}");
    }
    // What no season under way has is told of the newest of them.
    let (code, _, err) = run("hold north/last --by maria");
    assert!(code == 2 && err.contains(&format!("no notice of season {} is meant", this_year + 1)), "{err}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_list_fits_its_columns_and_says_recalled() {
    let folder = tempfile::tempdir().unwrap();
    let store = open_store(&format!("sqlite:{}", folder.path().join("treebell.sqlite").display())).await.unwrap();
    let house = House::new(store, asks()).await;
    put(&house.app, "south", NoticeKind::LastDaysToWash, asks()).await;
    use super::{UNDO, everywhere};
    use treebell::service::desk::acts;
    acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
    house.go_to("2026-03-16T16:02:00Z").await;
    acts::recall(&house.app, everywhere(), &house.id, Some("wrong region")).await.unwrap();
    house.app.store.close().await;
    let (_, out, _) = run(folder.path(), "show north --season 2026", "100");
    assert!(out.contains("Staff recalled it: wrong region."), "{out}");
    let (_, json, _) = run(folder.path(), "show north --season 2026 --json", "100");
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["recall_reason"], "wrong region");
    for (columns, more) in [("100", true), ("80", false)] {
        let (code, out, err) = run(folder.path(), "--season 2026", columns);
        assert_eq!(code, 0, "{err}");
        let widest = out.lines().map(|line| line.trim_end().chars().count()).max().unwrap();
        assert!(widest <= columns.parse().unwrap(), "{widest}:\n{out}");
        assert_eq!(out.contains("wash by"), more, "{out}");
        for wanted in ["north/inspect-now", "recalled", "Mar 16, 10:02 AM", "when sent", "3 called off"] {
            assert!(out.contains(wanted), "{wanted}:\n{out}");
        }
    }
}

/// Before, a notice that was sent said by when all would have it "at the earliest", and not when it had left.
#[tokio::test(flavor = "multi_thread")]
async fn a_notice_that_has_left_says_when() {
    let folder = tempfile::tempdir().unwrap();
    let store = open_store(&format!("sqlite:{}", folder.path().join("treebell.sqlite").display())).await.unwrap();
    let house = House::new(store, asks()).await;
    let ready = put(&house.app, "south", NoticeKind::GetReady, asks()).await;
    house.app.store.release_notice(&ready, "M. Reyes", house.app.clock.now()).await.unwrap();
    house.app.store.close().await;
    let (code, out, err) = run(folder.path(), &format!("show {ready}"), "100");
    assert_eq!(code, 0, "{err}");
    assert!(out.contains("\n  left on Mon, Mar 16, ") && !out.contains("at the earliest"), "{out}");
}
