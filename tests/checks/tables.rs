//! Tables of commands fit a hundred columns and eighty, and no id, zone or address in them is cut.

use std::path::Path;
use std::process::Command;

use chrono::TimeDelta;
use treebell::geo::Point;
use treebell::people::account::{Account, AccountName, RegionReach, Role};
use treebell::region::{Region, RegionId};
use treebell::season::{NoticeKind, SeasonKey};
use treebell::service::desk;
use treebell::store::notices::{NewNotice, NoticeRelease};
use treebell::store::weather::Pull;
use treebell::weather::{FeedKind, SourceRef, Station};

use crate::people::notices::{notice, texts};
use crate::people::{at, subscribe, two_regions};
use crate::support::open_store;

const REGION: &str = "upper-north-mesa-of-the-three-springs";
const STATION: &str = "GRID-35.6123N-135.0456W";
const ZONE: &str = "America/Argentina/ComodRivadavia";
const SOURCE: &str = "daily-summaries:USC00999001";
const ACCOUNT: &str = "a-name-of-two-and-thirty-letters";
const LOGGER: &str = "LOGGER-OF-THE-THREE-SPRINGS";
const EMAIL: &str = "somebody.with.a.long.name@mail.example.org";

async fn store_with_long_names(folder: &Path) {
    let store = open_store(&format!("sqlite:{}", folder.join("treebell.sqlite").display())).await.unwrap();
    two_regions(&store).await;
    let now = at("2026-01-01T00:00:00Z");
    store
        .add_station(&Station {
            id: STATION.into(),
            name: "Example Mesa two miles north-west of the springs".into(),
            place: Point { latitude: 35.6123, longitude: -135.0456 },
            elevation_m: 2000.0,
            time_zone: ZONE.parse().unwrap(),
            observation_hour: Some(7),
            sources: vec![SourceRef { feed: FeedKind::DailySummaries, id: "USC00999001".into() }],
        })
        .await
        .unwrap();
    store
        .add_station(&Station {
            id: LOGGER.into(),
            name: "Logger on the upper slope of the three springs, north side".into(),
            place: Point { latitude: 35.6323, longitude: -135.0256 },
            elevation_m: 2152.0,
            time_zone: ZONE.parse().unwrap(),
            observation_hour: None,
            sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: "logger.csv".into() }],
        })
        .await
        .unwrap();
    // What a service says when it fails is longer than any cell.
    let error = format!("it was answered with status 503, {}", "and asked to come again another day ".repeat(6));
    let pull = Pull {
        station: STATION.into(),
        feed: FeedKind::DailySummaries,
        started_at: now,
        taken: 0,
        rejected: 0,
        error: Some(error),
    };
    store.add_pull(&pull).await.unwrap();
    let north = store.region(&"north".into()).await.unwrap();
    let long = Region {
        id: REGION.into(),
        name: "Upper North Mesa, the springs".into(),
        zips: vec![treebell::region::Zip::parse("00301").unwrap()],
        stations: vec![STATION.into()],
        ..north
    };
    store.add_region(&long, now).await.unwrap();
    subscribe(&store, &["00301"], &[EMAIL, "+15055550101"]).await;
    let season = SeasonKey { region: REGION.into(), ..notice(NoticeKind::InspectNow, NoticeRelease::Release).season };
    let new = NewNotice { season, ..notice(NoticeKind::InspectNow, NoticeRelease::Release) };
    store.put_notice(&new, &texts()).await.unwrap();
    let reach = RegionReach { regions: vec![RegionId::from(REGION), "north".into()], counties: Vec::new() };
    let account = Account { name: AccountName::parse(ACCOUNT).unwrap(), role: Role::Staff, reach };
    desk::add(&store, &account, TimeDelta::hours(1), now).await.unwrap();
    store.close().await;
}

fn table(folder: &Path, line: &str, columns: usize) -> (String, String) {
    ends(folder, line, columns, 0)
}

fn ends(folder: &Path, line: &str, columns: usize, code: i32) -> (String, String) {
    let output = Command::new(assert_cmd::cargo::cargo_bin!("treebell"))
        .current_dir(folder)
        .env("COLUMNS", columns.to_string())
        .args(line.split_whitespace().map(|word| word.replace('~', " ")))
        .output()
        .unwrap();
    let (out, err) = (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
    assert_eq!(output.status.code(), Some(code), "{line}: {err}");
    (out, err)
}

/// Holds for what a command prints, whatever the data; no word of these is wider than the screen.
fn fits(out: &str, columns: usize, line: &str) {
    let widest = out.lines().map(|line| line.trim_end().chars().count()).max().unwrap_or(0);
    assert!(widest <= columns, "{line}: {widest} of {columns}\n{out}");
}

#[tokio::test(flavor = "multi_thread")]
async fn tables_fit_and_cut_no_id_zone_or_address() {
    let folder = tempfile::tempdir().unwrap();
    store_with_long_names(folder.path()).await;
    // What must stand in one piece, at both widths, and what may be left out for want of room.
    for (line, whole, spare) in [
        ("station list", vec![STATION, SOURCE], vec![ZONE]),
        ("region list", vec![REGION, STATION], vec!["subscribers"]),
        ("account list", vec![ACCOUNT, REGION], vec![]),
        ("deliveries", vec!["upper-north-mesa-of-the-three-springs/2026/inspect-now", "queued"], vec![]),
        ("deliveries --notice upper-north-mesa-of-the-three-springs/2026/inspect-now", vec!["queued"], vec![]),
    ] {
        for columns in [100, 80] {
            let (out, err) = table(folder.path(), line, columns);
            fits(&out, columns, line);
            for word in &whole {
                assert!(out.contains(word), "{line} at {columns}: {word}\n{out}");
            }
            // A column that is not there is named.
            let says = err.contains("left out for want of room");
            for word in &spare {
                assert!(out.contains(word) || says, "{line} at {columns}: {word}\n{out}{err}");
            }
        }
    }
}

/// Before: `weather status` with 145 columns, the outlook of one region with 236 and the line below that of several
/// with 129; ids of stations and regions cut in two in lists of tokens and field reports.
#[tokio::test(flavor = "multi_thread")]
async fn what_commands_print_fits_whatever_the_data() {
    let folder = tempfile::tempdir().unwrap();
    store_with_long_names(folder.path()).await;
    let days = (1..=28).map(|day| format!("2025-04-{day:02},{}.5,{}\n", day % 7, 12 + day % 9)).collect::<String>();
    std::fs::write(folder.path().join("logger.csv"), format!("date,tmin_c,tmax_c\n{days}")).unwrap();
    let report = format!(
        "field-report add --region {REGION} --saw eggs --date 2025-04-18 --by a~ranger~of~the~upper~north~mesa --tree \
         the~third~one~north~of~the~gate --note {}",
        ["eggs~on~the~lower~limbs"; 8].join("~and~")
    );
    table(folder.path(), &report, 100);
    table(
        folder.path(),
        "token add a-program-with-a-name-of-letters --scope see --region upper-north-mesa-of-the-three-springs,north",
        100,
    );
    let import = format!("weather import logger.csv --station {LOGGER}");
    let backfill = format!("weather backfill {LOGGER} --again");
    let pull = format!("weather pull --station {LOGGER}");
    let detail = format!("weather status --station {STATION}");
    let (show, one) = (format!("region show {REGION}"), format!("outlook --region {REGION}"));
    let spanish = format!("{one} --language es");
    for (line, code, whole) in [
        (import.as_str(), 0, vec![LOGGER, "logger.csv", "28"]),
        (backfill.as_str(), 0, vec![LOGGER, "plain-csv:logger.csv"]),
        (pull.as_str(), 5, vec![LOGGER, "plain-csv:logger.csv"]),
        ("weather status", 0, vec![STATION, LOGGER]),
        (detail.as_str(), 0, vec![STATION]),
        ("subscriber list --show", 0, vec![EMAIL, "00301"]),
        ("field-report list --year 2025", 0, vec![REGION, "2025-04-18"]),
        ("token list", 0, vec!["a-program-with-a-name-of-letters"]),
        ("account list", 0, vec![ACCOUNT]),
        ("notices --season 2026", 0, vec!["upper-north-mesa-of-the-three-springs/inspect-now"]),
        (show.as_str(), 0, vec![REGION, STATION]),
        ("outlook", 0, vec!["Mesa"]),
        (one.as_str(), 0, vec![STATION]),
        (spanish.as_str(), 0, vec![STATION]),
        ("station near 35.6,-135.0 --elevation-m 1900", 0, vec![STATION, LOGGER]),
        ("station candidates 35.6,-135.0 --elevation-m 1900 --offline", 0, vec![STATION, LOGGER]),
        ("alarms kinds", 0, vec![]),
        ("message list", 0, vec!["last-days-to-wash"]),
        ("profile show", 0, vec!["pinyon-needle-scale"]),
    ] {
        for columns in [100, 80] {
            let (out, err) = ends(folder.path(), line, columns, code);
            fits(&out, columns, line);
            for word in &whole {
                assert!(out.contains(word), "{line} at {columns}: {word}\n{out}{err}");
            }
        }
    }
    let (tokens, _) = table(folder.path(), "token list", 100);
    assert!(["MST", "MDT"].iter().any(|zone| tokens.contains(zone)), "times where people live: {tokens}");
    // A season that cannot be played is not said to have been.
    let (_, err) = ends(folder.path(), "replay --season 2030", 80, 2);
    assert!(err.contains("temperature of season 2030") && !err.contains(" played: "), "{err}");
    // What a service said stands below the table.
    let (out, _) = table(folder.path(), "weather status", 80);
    assert!(out.contains("status 503"), "{out}");
    let (_, err) = table(folder.path(), "outlook", 100);
    let (_, below) = err.split_once("Dates: ").unwrap_or_else(|| panic!("{err}"));
    fits(&format!("Dates: {below}"), 100, "below the outlook");
    assert!(below.contains("provisional."), "{below}");
}

/// Before: a house that reads °F got its heights in metres.
#[tokio::test(flavor = "multi_thread")]
async fn a_house_that_reads_fahrenheit_gets_heights_in_feet() {
    let folder = tempfile::tempdir().unwrap();
    store_with_long_names(folder.path()).await;
    let (show, one) = (format!("region show {REGION}"), format!("outlook --region {REGION}"));
    let shown = [
        // The stations stand 2000 m and 2152 m high, the regions 1565 m.
        ("station list", ["6,562 ft", "2000 m"]),
        ("station near 35.6,-135.0 --elevation-m 1900", ["328 ft higher", "100 m higher"]),
        ("station candidates 35.6,-135.0 --elevation-m 1900 --offline", ["+328 ft", "+100 m"]),
        ("region list", ["5,135 ft", "1565 m"]),
        (show.as_str(), ["1,427 ft higher", "435 m higher"]),
        (one.as_str(), ["(5,135 ft)", "(1565 m)"]),
    ];
    let together = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    for (line, [feet, metres]) in shown {
        let out = together(&table(folder.path(), line, 100).0);
        assert!(out.contains(metres) && !out.contains(feet), "{line}: {out}");
    }
    std::fs::write(folder.path().join("treebell.toml"), "[units]\nfahrenheit = true\n").unwrap();
    for (line, [feet, metres]) in shown {
        let out = together(&table(folder.path(), line, 100).0);
        assert!(out.contains(feet) && !out.contains(metres), "{line}: {out}");
    }
    // Programs get metres, whatever the house reads.
    let (json, _) = table(folder.path(), "station list --json", 100);
    assert!(json.contains("\"elevation_m\": 2000.0"), "{json}");
}
