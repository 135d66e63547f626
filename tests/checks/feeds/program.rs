//! The built program: `weather import`, `weather pull`, `weather status`, with what they print and how they end.

use std::path::Path;

use assert_cmd::Command;
use predicates::prelude::*;
use serde_json::{Value, json};
use tempfile::TempDir;
use wiremock::matchers::{method, path};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

const LIST: &str = "USC00999001  35.6123 -135.0456 2103.1 XA EXAMPLE MESA 2 NW\n";

/// A folder with settings of its own.
fn home(address: &str) -> TempDir {
    let home = tempfile::tempdir().unwrap();
    let settings = format!(
        "[store]\naddress = \"sqlite:{}\"\n[feeds]\ncontact = \"heat@example.org\"\ntries = 1\nprivate_hosts = [\"127.0.0.1\"]\n\
         [feeds.daily_summaries]\nbase_url = \"{address}/summaries\"\n[feeds.acis]\nbase_url = \"{address}/acis/\"\n\
         [feeds.ghcn_daily]\nbase_url = \"{address}/ghcn/\"\n[log]\nlevel = \"error\"\n",
        home.path().join("t.sqlite").display()
    );
    std::fs::write(home.path().join("treebell.toml"), settings).unwrap();
    treebell(&home, &["store", "init"]).success();
    home
}

fn treebell(home: &TempDir, words: &[&str]) -> assert_cmd::assert::Assert {
    Command::cargo_bin("treebell").unwrap().current_dir(home.path()).args(words).assert()
}

fn put(home: &TempDir, name: &str, text: &str) {
    let path = home.path().join(name);
    std::fs::create_dir_all(path.parent().unwrap_or(Path::new("."))).unwrap();
    std::fs::write(path, text).unwrap();
}

fn dly() -> String {
    let line = |element: &str, first: i32| {
        let cells: String =
            (0..30).map(|day| format!("{:5}{}7", first + day, if day == 3 { " I" } else { "  " })).collect();
        format!("USC00999001202504{element}{cells}\n")
    };
    line("TMAX", 150) + &line("TMIN", -20)
}

#[test]
fn files_are_imported_once_and_the_summary_says_what_was_taken_and_why_not() {
    let home = home("http://127.0.0.1:9");
    put(&home, "data/USC00999001.dly", &(dly() + "something else\n"));
    put(&home, "data/ghcnd-stations.txt", LIST);
    put(&home, "data/notes.txt", "where these came from");
    treebell(&home, &["weather", "import", "data"])
        .success()
        .stdout(predicate::str::contains(
            "1 files: 29 station-days taken, 1 rejected (58 values taken, 2 rejected)\n60 new in the store, 0 known before",
        ))
        .stderr(
            predicate::str::contains("2 × GHCN quality flag I: internal consistency")
                .and(predicate::str::contains("line 3: does not begin with station, year, month and element (`something else`)"))
                .and(predicate::str::contains("1 station added to the store"))
                .and(predicate::str::contains("notes.txt`: its first line is none of the formats read here")),
        );
    treebell(&home, &["weather", "import", "data"])
        .success()
        .stdout(predicate::str::contains("0 new in the store, 60 known before"));
    let shown = treebell(&home, &["weather", "status", "--json"]).success();
    let shown: Value = serde_json::from_slice(&shown.get_output().stdout).unwrap();
    assert_eq!(shown[0]["station"], "USC00999001");
    assert_eq!((&shown[0]["first_day"], &shown[0]["last_day"]), (&json!("2025-04-01"), &json!("2025-04-30")));
    treebell(&home, &["weather", "status"]).success().stdout(predicate::str::contains("EXAMPLE MESA 2 NW"));
    treebell(&home, &["weather", "status", "--station", "USC00999009"])
        .code(2)
        .stderr(predicate::str::contains("USC00999009"));
}

#[test]
fn an_order_must_be_told_its_unit() {
    let home = home("http://127.0.0.1:9");
    put(&home, "list.txt", LIST);
    put(&home, "order.csv", "STATION,NAME,DATE,TMAX,TMIN\nUSC00999001,\"A, B\",4/1/2025,64,45\n");
    let import = ["weather", "import", "order.csv", "--stations", "list.txt"];
    treebell(&home, &import).code(2).stderr(
        predicate::str::contains("1 file was not taken")
            .and(predicate::str::contains("say --fahrenheit, --celsius or --tenths")),
    );
    treebell(&home, &[&import[..], &["--fahrenheit", "--celsius"]].concat()).code(2);
    treebell(&home, &[&import[..], &["--celsius"]].concat())
        .code(2)
        .stderr(predicate::str::contains("°C was said, but"));
    treebell(&home, &[&import[..], &["--fahrenheit", "--zone", "America/Phoenix"]].concat())
        .success()
        .stdout(predicate::str::contains("2 new in the store"));
    treebell(&home, &["station", "list"]).success().stdout(predicate::str::contains("America/Phoenix"));
}

#[test]
fn what_is_no_record_is_said_so() {
    let home = home("http://127.0.0.1:9");
    put(&home, "page.csv", "<!doctype html><title>503</title>");
    put(&home, "empty/readme.md", "nothing here");
    for (words, code, said) in [
        (vec!["weather", "import"], 2, "PATH"),
        (vec!["weather", "import", "none.csv"], 2, "`none.csv` cannot be read"),
        (vec!["weather", "import", "page.csv"], 2, "web page"),
        (vec!["weather", "import", "empty"], 2, "no record file among the paths given"),
        (vec!["weather", "import", "empty", "--stations", "page.csv"], 2, "is not a station list"),
        (vec!["weather", "pull"], 2, "there is no station yet"),
        (vec!["weather", "pull", "--station", "X"], 2, "X"),
    ] {
        treebell(&home, &words).code(code).stderr(predicate::str::contains(said));
    }
}

#[test]
fn a_plain_logger_is_imported_for_its_station() {
    let home = home("http://127.0.0.1:9");
    put(&home, "orchard-1.csv", "date,tmin_c,tmax_c\n2025-04-01,3.5,18\n2025-04-02,4,19.5\n");
    let add =
        "station add orchard-1 --name Orchard --lat 35 --lon -135 --elevation-m 1900 --source plain-csv:orchard-1.csv";
    treebell(&home, &["weather", "import", "orchard-1.csv"]).code(2).stderr(
        predicate::str::contains("unknown station")
            .and(predicate::str::contains("`orchard-1.csv` gave no value: its stations are unknown")),
    );
    treebell(&home, &add.split(' ').collect::<Vec<_>>()).success();
    treebell(&home, &["weather", "import", "orchard-1.csv"])
        .success()
        .stdout(predicate::str::contains("4 new in the store"));
    // As the daemon would read it.
    treebell(&home, &["weather", "pull"]).code(5).stdout(predicate::str::contains("the answer holds nothing"));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_feeds_are_asked_and_the_outcome_is_shown() {
    let server = MockServer::start().await;
    // Whatever the day is: the day before the last one asked for has values.
    let answer = |request: &Request| {
        let asked = request.url.query_pairs().find(|(key, _)| key == "endDate").unwrap().1.into_owned();
        let last: chrono::NaiveDate = asked.parse().unwrap();
        let row = |days: u64| {
            let day = last - chrono::Days::new(days);
            json!({"DATE": day.to_string(), "STATION": "USC00999001", "TMAX": "  200", "TMAX_ATTRIBUTES": ",,W,2400", "TMIN": "   50", "TMIN_ATTRIBUTES": ",,W,2400"})
        };
        ResponseTemplate::new(200).set_body_json((1..=12).map(row).collect::<Vec<_>>())
    };
    Mock::given(method("GET")).and(path("/summaries")).respond_with(answer).mount(&server).await;
    let home = home(&server.uri());
    let add = "station add USC00999001 --name Mesa --lat 35 --lon -135 --elevation-ft 6900";
    treebell(&home, &add.split(' ').collect::<Vec<_>>()).success();
    treebell(&home, &["weather", "pull"])
        .success()
        .stdout(predicate::str::contains("daily-summaries:USC00999001").and(predicate::str::contains("24")));
    let shown = treebell(&home, &["weather", "status", "--json"]).success();
    let shown: Value = serde_json::from_slice(&shown.get_output().stdout).unwrap();
    assert_eq!(shown[0]["pulls"][0]["feed"], "daily-summaries");
    assert_eq!((&shown[0]["pulls"][0]["taken"], &shown[0]["pulls"][0]["error"]), (&json!(24), &Value::Null));
    server.reset().await;
    Mock::given(path("/summaries")).respond_with(ResponseTemplate::new(500)).mount(&server).await;
    treebell(&home, &["weather", "pull"])
        .code(5)
        .stderr(predicate::str::contains("no source gave a usable value for USC00999001"));
    let shown = treebell(&home, &["weather", "status", "--station", "USC00999001"]).success();
    let text = String::from_utf8_lossy(&shown.get_output().stdout).into_owned();
    // Lines may end between the words.
    let together = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(together.contains("status 500"), "{text}");
}
