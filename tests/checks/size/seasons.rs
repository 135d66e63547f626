//! What is worked out for many regions and stations together, or kept from an earlier run, is what each comes to alone and anew.
//! Small runs of the rows `outlook`, `cycle`, `replay` and `verify` of the bench, by the program or by what it calls.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use chrono::Datelike;
use serde_json::Value;
use treebell::clock::ManualClock;
use treebell::config::Config;
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::message::Templates;
use treebell::region::{Region, Release};
use treebell::season::profile::Profiles;
use treebell::service::app::App;
use treebell::service::cycle;
use treebell::service::event::Event;
use treebell::store::Store;
use treebell::weather::StationId;

use crate::engines::every_row;
use crate::support::open_store;

/// Three regions on two stations.
const STATION_OF: [usize; 3] = [0, 0, 1];

/// A store with these of the three regions, and records from this year on.
async fn fill(store: &Store, regions: &[usize], from: i32) -> Vec<Region> {
    let state = State::built_in().unwrap();
    let made = weather::make(&state, 1);
    let mut stations: Vec<usize> = regions.iter().map(|at| STATION_OF[*at]).collect();
    stations.dedup();
    for at in stations {
        let station = &state.stations[at].station;
        store.add_station(station).await.unwrap();
        let mut versions = made.versions(at);
        versions.retain(|version| version.day.year() >= from);
        store.add_versions(&station.id, &versions).await.unwrap();
    }
    let region = |at: &usize| {
        let stations = vec![state.stations[STATION_OF[*at]].station.id.clone()];
        Region { stations, release: Release::AtOnce, ..state.regions[*at].region.clone() }
    };
    let regions: Vec<Region> = regions.iter().map(region).collect();
    store.put_regions(&regions, "2024-03-01T12:00:00Z".parse().unwrap()).await.unwrap();
    regions
}

/// A folder with such a store and its settings.
async fn folder(regions: &[usize], from: i32) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let store = open_store(&format!("sqlite:{}", folder.path().join("state.sqlite").display())).await.unwrap();
    fill(&store, regions, from).await;
    store.close().await;
    let settings = "[store]\naddress = \"sqlite:state.sqlite\"\n[email]\nfolder = \"out\"\n[sms]\nfolder = \"out\"\n";
    std::fs::write(folder.path().join("treebell.toml"), settings).unwrap();
    folder
}

fn treebell(folder: &Path, args: &[&str]) -> Value {
    let mut command = Command::new(assert_cmd::cargo::cargo_bin!("treebell"));
    let done = command.current_dir(folder).args(["--config", "treebell.toml"]).args(args).output().unwrap();
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
    serde_json::from_slice(&done.stdout).unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn outlooks_again_and_of_the_next_day_are_those_of_a_store_that_keeps_nothing() {
    let kept = folder(&[0, 1, 2], 2014).await;
    let ask = |folder: &Path, day: &str| treebell(folder, &["outlook", "--json", "--on", day]);
    let first = ask(kept.path(), "2025-03-10");
    assert_eq!(ask(kept.path(), "2025-03-10"), first, "the same again");
    let next = ask(kept.path(), "2025-03-11");
    assert_ne!(next, first);
    let anew = folder(&[0, 1, 2], 2014).await;
    assert_eq!(ask(anew.path(), "2025-03-11"), next, "one new day");
    assert_eq!(first.as_array().map(Vec::len), Some(3), "{first:#}");
}

#[tokio::test(flavor = "multi_thread")]
async fn replays_of_all_seasons_and_regions_are_those_of_each_alone() {
    let folder = folder(&[0, 1, 2], 2022).await;
    let all = treebell(folder.path(), &["replay", "--all-seasons", "--json"]);
    let of = |document: &Value| -> BTreeMap<(String, i64), Value> {
        let seasons = document["seasons"].as_array().unwrap().iter();
        let key = |one: &Value| (one["region"].as_str().unwrap().to_owned(), one["year"].as_i64().unwrap());
        seasons.map(|one| (key(one), one.clone())).collect()
    };
    let all = of(&all);
    let years: std::collections::BTreeSet<i64> = all.keys().map(|(_, year)| *year).collect();
    assert!(years.len() >= 3, "{years:?}");
    assert_eq!(all.len(), 3 * years.len(), "each region in each season, once");
    let regions: std::collections::BTreeSet<&str> = all.keys().map(|(region, _)| region.as_str()).collect();
    // One that shares its station and one that does not.
    for region in [regions.first().unwrap(), regions.last().unwrap()] {
        let year = *years.last().unwrap();
        let alone =
            of(&treebell(folder.path(), &["replay", "--json", "--season", &year.to_string(), "--region", region]));
        assert_eq!(
            alone.into_iter().collect::<Vec<_>>(),
            [(((*region).to_owned(), year), all[&((*region).to_owned(), year)].clone())]
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn stations_verified_together_have_the_figures_that_each_has_alone() {
    let folder = folder(&[0, 2], 2012).await;
    let all = treebell(folder.path(), &["verify", "--json"]);
    let of = |document: &Value| -> Vec<Value> { document["stations"].as_array().unwrap().clone() };
    let together = of(&all);
    assert_eq!(together.len(), 2, "{all:#}");
    let id = |one: &Value| one["station"].as_str().map(|id| StationId(id.to_owned())).unwrap();
    for one in &together {
        let alone = of(&treebell(folder.path(), &["verify", "--json", "--station", &id(one).0]));
        assert_eq!(alone, std::slice::from_ref(one), "{}", id(one));
    }
    assert_ne!(id(&together[0]), id(&together[1]));
}

/// What a cycle left of each region.
async fn after_a_cycle(regions: &[usize]) -> (BTreeMap<String, Vec<String>>, usize) {
    let store = Store::in_memory().await.unwrap();
    let filled = fill(&store, regions, 2014).await;
    // Late enough that a notice is due in the lowest.
    let clock = Arc::new(ManualClock::at("2025-04-10T19:00:00Z".parse().unwrap()));
    let app = App::with_store(&Config::default(), clock, store, Profiles::default(), Templates::load(None).unwrap());
    let report = cycle::run_afresh(&app, &mut |_| {}).await.unwrap();
    assert!(report.faults.is_empty() && report.failed_work.is_empty(), "{report:?}");
    assert_eq!(report.regions as usize, regions.len());
    let rows = every_row(&app.store).await;
    let of = |region: &Region| {
        let mut own = Vec::new();
        for table in ["outlooks", "notices", "notice_texts"] {
            let id = region.id.as_str();
            own.extend(rows[table].iter().filter(|row| row.contains(id)).map(|row| format!("{table}: {row}")));
        }
        (id_of(region), own)
    };
    (filled.iter().map(of).collect(), report.decided.len())
}

fn id_of(region: &Region) -> String {
    region.id.as_str().to_owned()
}

#[tokio::test]
async fn a_cycle_over_many_regions_leaves_of_each_what_one_over_it_alone_does() {
    let (together, decided) = after_a_cycle(&[0, 1, 2]).await;
    assert!(decided > 0, "somebody is told something");
    let mut alone_decided = 0;
    for at in 0..3 {
        let (alone, decided) = after_a_cycle(&[at]).await;
        alone_decided += decided;
        for (region, rows) in alone {
            assert!(!rows.is_empty(), "{region}");
            assert_eq!(together[&region], rows, "{region}");
        }
    }
    assert_eq!(alone_decided, decided);
}

#[tokio::test]
async fn on_a_quiet_day_an_outlook_that_cannot_be_written_takes_no_other_with_it() {
    let store = Store::in_memory().await.unwrap();
    let filled = fill(&store, &[0, 1, 2], 2014).await;
    let clock = Arc::new(ManualClock::at("2025-01-15T19:00:00Z".parse().unwrap()));
    let app = App::with_store(&Config::default(), clock, store, Profiles::default(), Templates::load(None).unwrap());
    let refused = filled[1].id.as_str();
    let mut tx = app.store.begin().await.unwrap();
    let refusal = format!(
        "CREATE TRIGGER refused BEFORE INSERT ON outlooks WHEN NEW.region_id = '{refused}'
         BEGIN SELECT RAISE(ABORT, 'not this one'); END"
    );
    sqlx::query(sqlx::AssertSqlSafe(refusal)).execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
    let mut said = Vec::new();
    let report = cycle::run_afresh(&app, &mut |event| said.push(event)).await.unwrap();
    assert!(report.decided.is_empty(), "a quiet day");
    let [fault] = &report.faults[..] else { panic!("{:?}", report.faults) };
    assert!(fault.contains(&format!("region `{refused}`")), "{fault}");
    let others: Vec<&str> = filled.iter().map(|region| region.id.as_str()).filter(|id| *id != refused).collect();
    for region in &filled {
        let written = app.store.newest_outlook(region).await.unwrap();
        assert_eq!(written.is_some(), others.contains(&region.id.as_str()), "{}", region.id);
    }
    let shown = said.iter().find_map(|event| match event {
        Event::Day { outlooks, .. } => Some(outlooks.len()),
        _ => None,
    });
    assert_eq!(shown, Some(others.len()), "what was not written is not shown");
}
