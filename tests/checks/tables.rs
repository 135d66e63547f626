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
use treebell::weather::{FeedKind, SourceRef, Station};

use crate::people::notices::{notice, texts};
use crate::people::{at, subscribe, two_regions};
use crate::support::open_store;

const REGION: &str = "upper-north-mesa-of-the-three-springs";
const STATION: &str = "GRID-35.6123N-135.0456W";
const ZONE: &str = "America/Argentina/ComodRivadavia";
const SOURCE: &str = "daily-summaries:USC00999001";
const ACCOUNT: &str = "a-name-of-two-and-thirty-letters";
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
    let output = Command::new(assert_cmd::cargo::cargo_bin!("treebell"))
        .current_dir(folder)
        .env("COLUMNS", columns.to_string())
        .args(line.split_whitespace())
        .output()
        .unwrap();
    let (out, err) = (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
    assert_eq!(output.status.code(), Some(0), "{line}: {err}");
    (out, err)
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
            let widest = out.lines().map(|line| line.trim_end().chars().count()).max().unwrap_or(0);
            assert!(widest <= columns, "{line}: {widest} of {columns}\n{out}");
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
