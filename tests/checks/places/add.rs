//! `region add` and `place`, as they are typed.

use std::path::Path;

use assert_cmd::Command;
use tempfile::TempDir;
use wiremock::MockServer;

use super::services::{PLACES, count, good, mount_acis, mount_nws};

/// A folder with a store, the places of the invented state and settings that name the services.
fn home(server: Option<&MockServer>) -> TempDir {
    let home = tempfile::tempdir().unwrap();
    let feeds = server.map_or_else(String::new, |server| {
        let at = server.uri();
        format!(
            "contact = \"heat@example.org\"\ntries = 1\n[feeds.nws]\nbase_url = \"{at}/nws/\"\n[feeds.acis]\nbase_url = \"{at}/acis/\"\n\
             [feeds.daily_summaries]\nbase_url = \"{at}/summaries\"\n[feeds.ghcn_daily]\nbase_url = \"{at}/ghcn/\"\n"
        )
    });
    std::fs::write(home.path().join("treebell.toml"), format!("[log]\nlevel = \"error\"\n[feeds]\n{feeds}")).unwrap();
    std::fs::write(home.path().join("places.csv"), PLACES).unwrap();
    ok(home.path(), "store init");
    ok(home.path(), "place import places.csv");
    home
}

/// Exit code, standard output and standard error; `~` stands for a blank inside of a word.
pub fn run(folder: &Path, line: &str) -> (i32, String, String) {
    let words = line.split_whitespace().map(|word| word.replace('~', " "));
    let output = Command::cargo_bin("treebell").unwrap().current_dir(folder).args(words).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

pub fn ok(folder: &Path, line: &str) -> String {
    let (code, out, err) = run(folder, line);
    assert_eq!(code, 0, "{line}\n{out}\n{err}");
    out + &err
}

fn refused(folder: &Path, line: &str, wanted: &[&str]) {
    let (code, out, err) = run(folder, line);
    assert_eq!(code, 2, "{line}\n{out}\n{err}");
    for word in wanted {
        assert!(err.contains(word), "{line}: wanted `{word}` in\n{err}");
    }
    assert_eq!(out, "", "{line}: data goes out only when all is well");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_region_is_added_from_a_name_and_a_zip_code() {
    let server = good().await;
    let home = home(Some(&server));
    let path = home.path();
    let add = "region add dos-vientos --name Dos~Vientos --zip 00201,00202";
    let shown = ok(path, &format!("{add} --dry-run"));
    for word in [
        "ZIP area 00201, the middle one of 2",
        "1612 m (5,290 ft)",
        "America/Phoenix",
        "Sample",
        "taken: 3 km away",
        "not saved",
    ] {
        assert!(shown.contains(word), "{word}: {shown}");
    }
    assert_eq!(ok(path, "region list --json").trim(), "[]");
    assert_eq!(ok(path, "station list --json").trim(), "[]");
    assert!(!ok(path, "audit list").contains("region-added"));

    let asked = count(&server, "/nws/").await;
    let before = count(&server, "/").await;
    let (code, out, err) = run(path, add);
    assert!(
        code == 2 && out.is_empty() && err.contains("nobody is there to be asked: say --yes, or --dry-run"),
        "{err}"
    );
    let added = ok(path, &format!("{add} --yes"));
    // What was found is shown before the records are fetched, and no past season is lived through unasked.
    assert!(added.contains("says who") && !added.contains("Past seasons"), "{added}");
    assert!(added.contains("region `dos-vientos` is added, in time zone America/Phoenix"), "{added}");
    // Today's values are refused too while the day is not over.
    let not_taken =
        added.split("values in 1 request, ").nth(1).and_then(|rest| rest.lines().next()).unwrap_or_default();
    assert!(not_taken.contains(" refused (2 × a day before anybody measured temperatures"), "{added}");
    assert_eq!(count(&server, "/nws/").await, asked, "what the dry run was told is not asked again");
    assert!(count(&server, "/").await - before <= 2 * 10, "looked up twice, and the records once");
    let region: serde_json::Value = serde_json::from_str(&run(path, "region show dos-vientos --json").1).unwrap();
    assert_eq!(region["county"], "Sample");
    assert_eq!((&region["time_zone"], &region["elevation_m"]), (&"America/Phoenix".into(), &1612.3.into()));
    assert_eq!(region["stations"].as_array().unwrap().len(), 3);
    let station = region["stations"][0].as_str().unwrap();
    let status = ok(path, &format!("weather status --station {station} --json"));
    assert!(status.contains("\"first_day\": \"20"), "its whole record is there: {status}");
    assert!(ok(path, "station list --json").contains("America/Phoenix"));
    // A second region over the same stations fetches no record again.
    let before = count(&server, "/acis/StnData").await;
    let vega = "region add vega --name Vega --zip 00209 --lat 32.75 --lon -134.95";
    // Sixty days are all that there was of their past.
    refused(path, vega, &["has fewer than 10 past seasons, and no station near has more", "say --yes to go on"]);
    ok(path, &format!("{vega} --yes"));
    assert_eq!(count(&server, "/acis/StnData").await, before);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_doubt_wants_a_word_and_nothing_is_half_saved() {
    let server = MockServer::start().await;
    mount_nws(&server, 2000.0).await;
    mount_acis(&server).await;
    let home = home(Some(&server));
    let path = home.path();
    // The stations lie at 1,585 to 1,640 m, so the cell is too high by less than what rules them out.
    let add = "region add dos-vientos --name Dos~Vientos --zip 00201";
    refused(path, add, &["above the middle of the stations around", "--elevation-m or --elevation-ft", "say --yes"]);
    assert_eq!(ok(path, "region list --json").trim(), "[]");
    assert_eq!(ok(path, "station list --json").trim(), "[]");
    let told = ok(path, &format!("{add} --dry-run"));
    assert!(told.contains("in doubt: 2000 m (6,562 ft) is"), "{told}");
    assert!(told.contains("give the height of its trees with --elevation-m or --elevation-ft"), "{told}");
    let (_, json, _) = run(path, &format!("{add} --dry-run --json"));
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert!(json["doubts"][0]["what"].as_str().unwrap().starts_with("2000 m (6,562 ft) is"), "{json}");
    assert!(json["facts"][0]["what"] == "place" && json["remarks"].is_array() && json["seasons"].is_array(), "{json}");
    ok(path, &format!("{add} --elevation-ft 5300 --yes"));
    assert!(ok(path, "region show dos-vientos").contains("1615 m (5300 ft)"));
    ok(path, "region add vega --name Vega --zip 00202 --yes");
    assert!(ok(path, "region show vega").contains("2000 m"));
}

#[test]
fn by_hand_it_works_without_a_network_and_says_what_could_not_be_looked_up() {
    let home = home(None);
    let path = home.path();
    ok(path, "station add S1 --name Station --lat 32.7 --lon -134.9 --elevation-m 1500 --source plain-csv:s1.csv");
    let add = "region add dos-vientos --name Dos~Vientos --zip 00201 --station S1 --elevation-ft 5100";
    let told = ok(path, &format!("{add} --yes"));
    for word in [
        "feeds.contact is not set",
        "county and state could not be looked up",
        "that of station S1",
        "America/Denver, is that of station S1",
        "that of the schedule",
    ] {
        let wanted = word != "that of the schedule";
        assert_eq!(told.contains(word), wanted, "{word}: {told}");
    }
    assert!(told.contains("is added"), "{told}");
    assert!(
        ok(path, "region add vega --name Vega --zip 00202 --station S1 --elevation-m 1600 --offline --yes")
            .contains("(--offline)")
    );
    ok(
        path,
        "region add alto --name Alto --zip 00301 --station S1 --elevation-m 1600 --zone America/Phoenix --county Sample --state XA --yes",
    );
    assert!(ok(path, "region show alto").contains("Sample, XA"));
    // Far from all of that nobody knows the clock: a state may have two.
    std::fs::write(path.join("more.csv"), format!("{PLACES}00399,36.9,-131.0\n")).unwrap();
    ok(path, "place import more.csv");
    let far = "region add lejos --name Lejos --zip 00399 --station S1 --elevation-m 1600";
    refused(path, far, &["its time zone is not known", "America/Denver", "give it with --zone"]);
    ok(path, &format!("{far} --zone America/Phoenix --yes"));
    let told = ok(path, "station add S2 --name Far --lat 31 --lon -120 --elevation-m 1500 --source plain-csv:s2.csv");
    assert!(told.contains("the time zone is the schedule's, America/Denver: --zone gives another"), "{told}");
    let told =
        ok(path, "station add S3 --name Near --lat 36.9 --lon -131.1 --elevation-m 1500 --source plain-csv:s3.csv");
    assert!(told.contains("in time zone America/Phoenix") && !told.contains("schedule"), "{told}");
}

#[test]
fn where_a_zip_code_has_several_regions_all_of_them_are_shown_with_their_heights() {
    let home = home(None);
    let path = home.path();
    ok(path, "station add S1 --name Station --lat 32.7 --lon -134.9 --elevation-m 1500 --source plain-csv:s1.csv");
    let add = "--zip 00201 --station S1 --zone America/Denver --yes";
    ok(path, &format!("region add high --name High --elevation-ft 7000 --band-ft 6500.. {add}"));
    ok(path, &format!("region add low --name Low --elevation-ft 5000 --band-ft ..6500 {add}"));
    let shown = ok(path, "place show 00201");
    assert!(shown.contains("low (below 6,500 ft), high (6,500 ft and above)"), "{shown}");
    let json: serde_json::Value = serde_json::from_str(&run(path, "place show 00201 --json").1).unwrap();
    assert_eq!((&json["regions"][0]["id"], &json["regions"][1]["id"]), (&"low".into(), &"high".into()));
}

/// Each a sentence with the mend, and nothing is saved.
#[tokio::test(flavor = "multi_thread")]
async fn bad_input_is_refused_with_its_mend() {
    let server = good().await;
    let home = home(Some(&server));
    let path = home.path();
    let add = "region add mesa --name Mesa";
    let (_, before, _) = run(path, "audit list");
    let mend = "treebell: region `Mesa_x` cannot be added: the id `Mesa_x` must be 1 to 40 lower case letters, digits and hyphens, \
                with no hyphen at an end: write `mesa-x`";
    refused(path, "region add Mesa_x --name Mesa --zip 00201", &[mend]);
    for (line, wanted) in [
        ("--zip 00201,00101", &["ZIP code 00101 (31.2000, -135.4000) lies 17", "another state", "leave it out"][..]),
        ("--zip 00201-1234", &["`00201-1234` is a ZIP+4", "so give 00201"]),
        ("--zip 0020A", &["`0020A` is not a ZIP code: five digits are wanted"]),
        ("--zip 00201,00201", &["ZIP code 00201 is named twice: leave one out"]),
        ("--zip 00299", &["ZIP code 00299 is not among the 5 areas", "a ZIP code beside it", "--lat and --lon"]),
        ("--zip 209", &["`209` is not a ZIP code", "a spreadsheet may have dropped its zeros"]),
        ("--zip 87501", &["ZIP code 87501 is not among the 5 areas"]),
        ("--zip 00201 --station NOWHERE", &["station `NOWHERE` is unknown", "`treebell station list` shows"]),
        ("--zip 00201 --station NOWHERE --offline", &["station `NOWHERE` is unknown"]),
        ("--zip 00201 --lat 20 --lon -150", &["it is the sea, or another country", "leave them out"]),
        ("--zip 00199 --lat 20 --lon -150", &["cannot be those of a region", "it is the sea, or another country"]),
        ("--zip 00201 --lat 32.75 --lon 134.95", &["with the other sign, -134.95", "in America they are negative"]),
        ("--zip 00101 --lat 34.05 --lon -134.6", &["there, ZIP code 00301 is near", "leave them out"]),
        ("--zip 00201 --lat 134.95", &["a latitude needs its longitude"]),
        ("--zip 00201 --lat 95 --lon -134.95", &["latitude 95 must lie between -90 and 90"]),
        (
            "--zip 00201 --elevation-m 9000",
            &["elevation 9000 m must lie between -430 and 8849 m", "was it given in feet?"],
        ),
        (
            "--zip 00201 --elevation-ft 29500",
            &["elevation 29500 ft must lie between -1,411 and 29,032 ft, the shore of the Dead Sea"],
        ),
        ("--zip 00201 --elevation-m nan", &["NaN"]),
        ("--zip 00201 --elevation-m 1600 --band-ft 7000..", &["lies outside its heights"]),
        ("--zip 00201 --profile pinyon", &["profile `pinyon` is unknown"]),
    ] {
        refused(path, &format!("{add} {line}"), wanted);
    }
    assert_eq!(run(path, "audit list").1, before, "no mistake left anything behind");
    assert_eq!(ok(path, "region list --json").trim(), "[]");
    assert_eq!(ok(path, "station list --json").trim(), "[]");
}

#[test]
fn the_table_of_places_is_shown_put_in_place_and_taken_away() {
    let home = home(None);
    let path = home.path();
    let shown = ok(path, "place show 00201");
    for word in ["32.7500, -134.9500", "places.csv: Census areas, not postal ZIP codes", "none has it"] {
        assert!(shown.contains(word), "{word}: {shown}");
    }
    refused(path, "place show 00299", &["ZIP code 00299 is not among the 5 areas of the table (places.csv)"]);
    refused(path, "place import treebell.toml", &["treebell.toml: line 1 does not name the columns"]);
    std::fs::write(path.join("bad.txt"), "GEOID\tINTPTLAT\tINTPTLONG\n00101\t99\t-135\n00102\t31\n").unwrap();
    refused(path, "place import bad.txt", &["bad.txt: line 2: `99` is no latitude", "bad.txt: line 3: 2 columns"]);
    assert!(ok(path, "place show 00201").contains("places.csv"), "a bad file leaves the table as it was");
    std::fs::write(path.join("new.txt"), "GEOID|GEOIDFQ|INTPTLAT|INTPTLONG\n00101|860Z200US00101|31.5|-135.0\n")
        .unwrap();
    assert!(ok(path, "place import new.txt --source Test~of~2026 --why newer").contains("1 ZIP areas are taken"));
    assert!(ok(path, "place show 00101 --json").contains("Test of 2026"));
    assert!(ok(path, "audit list").contains("places-imported"));
    assert!(ok(path, "place reset").contains("the imported table is gone: the 33791 areas inside the program count"));
    refused(path, "place show 00101", &["not among the 33791 areas"]);
    assert!(ok(path, "place reset").contains("no table was imported"));
    // The first of the gazetteer, far from any pine.
    assert!(ok(path, "place show 00601").contains("18.1806, -66.7500"));
}
