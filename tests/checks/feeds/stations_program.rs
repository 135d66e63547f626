//! The built program: candidates, grid points, whole records and comparisons, with what they print and how they end.

use assert_cmd::Command;
use assert_cmd::assert::Assert;
use chrono::{Datelike, NaiveDate};
use predicates::prelude::*;
use predicates::str::contains;
use serde_json::{Value, json};
use tempfile::TempDir;
use wiremock::matchers::{method, path};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

use super::directory::listed;

fn home(address: &str) -> TempDir {
    let home = tempfile::tempdir().unwrap();
    let settings = format!(
        "[store]\naddress = \"sqlite:{}\"\n[schedule]\ntime_zone = \"America/Denver\"\n[feeds]\ncontact = \"heat@example.org\"\n\
         tries = 1\nprivate_hosts = [\"127.0.0.1\"]\n[feeds.acis]\nbase_url = \"{address}/acis/\"\n\
         [feeds.ghcn_daily]\nbase_url = \"{address}/ghcn/\"\n[log]\nlevel = \"error\"\n",
        home.path().join("t.sqlite").display()
    );
    std::fs::write(home.path().join("treebell.toml"), settings).unwrap();
    treebell(&home, &["store", "init"]).success();
    home
}

fn treebell(home: &TempDir, words: &[&str]) -> Assert {
    Command::cargo_bin("treebell").unwrap().current_dir(home.path()).args(words).assert()
}

/// As [`treebell`], with the words in one line.
fn says(home: &TempDir, line: &str) -> Assert {
    treebell(home, &line.split(' ').collect::<Vec<_>>())
}

/// Holds where the words stand in this order, wherever lines end.
fn in_lines(words: &'static str) -> impl Predicate<str> {
    predicate::function(move |out: &str| out.split_whitespace().collect::<Vec<_>>().join(" ").contains(words))
}

fn document(assert: Assert) -> Value {
    serde_json::from_slice(&assert.success().get_output().stdout).unwrap()
}

/// The course of the year in °F with a wobble that tells days apart; the same for station and grid.
fn temperatures(on: NaiveDate) -> (i32, i32) {
    let nth = on.num_days_from_ce();
    let season = (f64::from(on.ordinal0() as i32 - 15) / 365.0 * std::f64::consts::TAU).cos();
    let max = (64.0 - 24.0 * season).round() as i32 + (nth * 37 % 13) - 6;
    (max, max - 30)
}

/// ACIS with one station of an hour at midnight and a grid that is 2 °F warmer, both until the day asked for, the grid's day
/// named after the morning on which it ends.
async fn acis() -> MockServer {
    let server = MockServer::start().await;
    let today = || chrono::NaiveDate::from_ymd_opt(2099, 1, 1).unwrap();
    let list = json!({"meta": [listed(1, 0.1, 6900.0, ("2010-01-01", today().to_string().as_str()))]});
    let list = ResponseTemplate::new(200).set_body_json(list);
    Mock::given(method("POST")).and(path("/acis/StnMeta")).respond_with(list).mount(&server).await;
    let days = |request: &Request| {
        let body: Value = serde_json::from_slice(&request.body).unwrap();
        let date = |key: &str| body[key].as_str().unwrap().parse::<NaiveDate>().ok();
        let first = NaiveDate::from_ymd_opt(2010, 1, 1).unwrap();
        let (from, to) = (date("sdate").unwrap_or(first).max(first), date("edate").unwrap());
        (body, from.iter_days().take_while(move |on| *on <= to))
    };
    let cells = |on: NaiveDate| {
        let (max, min) = temperatures(on);
        (json!([max.to_string(), " ", 24]), json!([min.to_string(), " ", 24]))
    };
    let station = move |request: &Request| {
        let rows = days(request).1.map(|on| {
            let (max, min) = cells(on);
            json!([on.to_string(), max, min])
        });
        ResponseTemplate::new(200).set_body_json(json!({"data": rows.collect::<Vec<_>>()}))
    };
    Mock::given(path("/acis/StnData")).respond_with(station).mount(&server).await;
    let many = move |request: &Request| {
        let (body, days) = days(request);
        let rows: Vec<Value> = days.map(cells).map(|(max, min)| json!([max, min])).collect();
        ResponseTemplate::new(200).set_body_json(json!({"data": [{"meta": {"sids": body["sids"]}, "data": rows}]}))
    };
    Mock::given(path("/acis/MultiStnData")).respond_with(many).mount(&server).await;
    let grid = move |request: &Request| {
        let (body, days) = days(request);
        if body["loc"].as_str().unwrap().starts_with("-140") {
            return ResponseTemplate::new(200)
                .set_body_json(json!({"meta": {"elev": -999}, "data": [["2020-07-01", -999, -999]]}));
        }
        let rows =
            days.map(|on| json!([on.to_string(), temperatures(on.pred_opt().unwrap()).0 + 2, temperatures(on).1 + 2]));
        ResponseTemplate::new(200)
            .set_body_json(json!({"meta": {"ll": [-135.04, 35.7], "elev": 6900}, "data": rows.collect::<Vec<_>>()}))
    };
    Mock::given(path("/acis/GridData")).respond_with(grid).mount(&server).await;
    server
}

const GRID: &str = "GRID-35.7000N-135.0500W";

#[tokio::test(flavor = "multi_thread")]
async fn a_grid_point_is_added_fetched_compared_and_marked_wherever_it_is_shown() {
    let server = acis().await;
    let home = home(&server.uri());
    says(&home, "station add-grid --lat 35.7 --lon -135.05").success().stderr(
        contains(format!("grid point `{GRID}` is added, at the height of its cell, 2103 m"))
            .and(contains("nobody measured there"))
            .and(contains("PRISM Group"))
            .and(contains("from memory")),
    );
    says(&home, "station add-grid --lat 35.7 --lon -140").code(2).stderr(contains("has no values"));
    says(&home, "station add-grid --lat 95 --lon -135").code(2).stderr(contains("is no place"));
    says(&home, "station add-grid --lat 35 --lon -135 --grid ndfd").code(2).stderr(contains("is no grid"));
    says(&home, "station add USC00299001 --name Mesa --lat 35.7 --lon -135.05 --elevation-ft 6900").success();

    // Estimates and measured values are kept apart.
    let mixed =
        "station add X --name X --lat 35 --lon -135 --elevation-m 2000 --source acis-grid:21:-135,35 --source acis:X";
    says(&home, mixed).code(2).stderr(contains("a grid point has sources of a grid only"));
    says(&home, &format!("station change {GRID} --source acis:X"))
        .code(2)
        .stderr(contains("must not stand in one record"));
    says(&home, "station change USC00299001 --source acis-grid:21:-135,35").code(2).stderr(contains("one record"));

    says(&home, "weather backfill --all").success().stdout(contains("3 requests"));
    says(&home, "weather backfill --all").success().stdout(contains("0 requests, 0 new values"));
    says(&home, "weather backfill").code(2);
    says(&home, "weather backfill --all --from nws-forecast").code(2).stderr(contains("gives no whole record"));

    let compared = document(says(&home, &format!("station compare USC00299001 {GRID} --json")));
    let figure = |pointer: &str| compared.pointer(pointer).and_then(Value::as_f64).unwrap_or(f64::NAN);
    assert!(figure("/comparison/days") > 5000.0, "{compared}");
    // 2 °F are 1.1 °C; whole °F leave a tenth of rounding.
    assert!((figure("/comparison/maximum/bias_c") - 1.11).abs() < 0.02, "{compared}");
    assert!(figure("/comparison/minimum/spread_c") < 0.08, "{compared}");
    assert_eq!(
        (&compared["comparison"]["lag"]["days"], &compared["second"]["kind"]),
        (&json!(0), &json!("grid-point"))
    );
    let shift = figure("/shift/mean_days");
    assert!((-25.0..-1.0).contains(&shift), "a warmer record is early: {shift}");
    says(&home, &format!("station compare USC00299001 {GRID}")).success().stdout(
        contains("bias +1.1")
            .and(contains("(+2.0 °F)"))
            .and(contains("a grid is made from stations"))
            .and(contains("on the same days")),
    );
    says(&home, "station compare USC00299001 USC00299001").code(2).stderr(contains("named twice"));

    says(&home, "region add north --name North --zip 00123 --lat 35.7 --lon -135.05 --elevation-m 2100 --station GRID-35.7000N-135.0500W --offline --yes")
        .success();
    // The name stands in a cell of the table, which breaks it over lines where it is long.
    says(&home, "station list").success().stdout(contains("grid's").and(contains("estimate)")));
    assert_eq!(document(says(&home, "station list --json"))[0]["kind"], "grid-point");
    assert_eq!(document(says(&home, "region show north --json"))["grid_points"], json!([GRID]));
    says(&home, "region show north").success().stdout(
        in_lines("a grid's estimate")
            .and(in_lines("PRISM Group"))
            .and(in_lines("since nobody measures there"))
            .and(in_lines("from memory").not()),
    );
    assert_eq!(document(says(&home, "outlook --json"))[0]["station_kind"], "grid-point");
    says(&home, "outlook").success().stdout(in_lines("a grid's estimates, since nobody measures there"));
    says(&home, "weather status").success().stdout(contains("a grid's"));

    // Two grids may stand at one place, each under its own name; the first keeps the one that it had.
    says(&home, "station add-grid --lat 35.7 --lon -135.05 --grid nrcc")
        .success()
        .stderr(contains("grid point `GRID-NRCC-35.7000N-135.0500W` is added"));
    says(&home, "station add-grid --lat 35.7 --lon -135.05").code(2).stderr(contains("is already there"));
}

#[tokio::test(flavor = "multi_thread")]
async fn candidates_are_shown_with_reasons_and_without_network_the_rest_is_said() {
    let server = acis().await;
    let home = home(&server.uri());
    says(&home, "station candidates 35.6,-135.05 --elevation-m 2100")
        .success()
        .stdout(contains("USC00299001").and(contains("midnight,")));
    let found = document(says(&home, "station candidates 35.6,-135.05 --elevation-m 2100 --json"));
    assert_eq!(
        (&found["rows"][0]["station"]["id"], &found["rows"][0]["refused"]),
        (&json!("USC00299001"), &Value::Null)
    );
    says(&home, "station candidates 35.6,-135.05 --offline")
        .success()
        .stdout(in_lines("nobody was asked over the network").and(in_lines("the height of the place is not known")))
        .stderr(contains("no station would be taken unasked"));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_list_of_stations_is_fetched_when_it_is_asked_for() {
    let server = MockServer::start().await;
    let home = home(&server.uri());
    says(&home, "station import --fetch --state XA").code(5).stderr(contains("the list could not be fetched"));
    let list = "USC00999001  35.6123 -135.0456 2103.1 XA EXAMPLE MESA 2 NW\nUSC00999002  35.7000 -135.1000 2000.0 XB EXAMPLE WELLS\n";
    let answer = ResponseTemplate::new(200).set_body_raw(list, "text/plain");
    Mock::given(method("GET")).and(path("/ghcn/ghcnd-stations.txt")).respond_with(answer).mount(&server).await;
    says(&home, "station import --fetch --state XA").success().stderr(contains("1 station added"));
    says(&home, "station import --state XA").code(2);
    says(&home, "station import list.txt --fetch --state XA").code(2);
    let page = ResponseTemplate::new(200).set_body_raw("<html><title>moved</title>", "text/html");
    server.reset().await;
    Mock::given(path("/ghcn/ghcnd-stations.txt")).respond_with(page).mount(&server).await;
    says(&home, "station import --fetch --state XA").code(5).stderr(contains("HTML instead of plain text"));
}
