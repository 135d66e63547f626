//! Many regions at once: found from a name and ZIP codes, all or none, and written as they are read.

use std::collections::BTreeSet;
use std::sync::Arc;

use treebell::clock::ManualClock;
use treebell::places;
use treebell::region::Region;
use treebell::service::backfill::Outcome;
use treebell::service::new_region::history::{fetch, lacking};
use treebell::service::new_region::list::{Entry, find_all, read_csv, read_toml};
use treebell::service::new_region::write::{to_csv, to_toml};
use treebell::service::new_region::{Found, NewRegionError};
use treebell::store::Store;
use treebell::store::regions::RegionPut;
use treebell::weather::Station;
use wiremock::matchers::{method, path_regex};
use wiremock::{Mock, MockServer, ResponseTemplate};

use super::add::{ok, run};
use super::refused;
use super::services::{count, feeds_at, good, ground, mount_acis, mount_nws, now, offline, with_places};

const COUNTIES: usize = 60;

fn profiles() -> Vec<String> {
    vec!["pinyon-needle-scale".into()]
}

/// Sixty counties of three ZIP areas each, half a degree apart, and the list of their names and ZIP codes.
async fn state(store: &Store) -> Vec<Entry> {
    let (mut table, mut list) = ("zip,latitude,longitude\n".to_owned(), "name,zips\n".to_owned());
    for county in 0..COUNTIES {
        let (latitude, longitude) = (31.0 + 0.5 * (county / 10) as f64, -137.0 + 0.5 * (county % 10) as f64);
        let zips: Vec<String> = (0..3).map(|nth| format!("{:05}", 100 + county * 3 + nth)).collect();
        for (nth, zip) in zips.iter().enumerate() {
            table += &format!("{zip},{:.2},{longitude:.2}\n", latitude + 0.04 * nth as f64);
        }
        list += &format!("County {county},{}\n", zips.join(" "));
    }
    store.import_places(&places::read(table.as_bytes(), "invented").unwrap(), now()).await.unwrap();
    read_csv(&list).unwrap()
}

async fn save(store: &Store, found: &[Found]) -> Vec<RegionPut> {
    let regions: Vec<Region> = found.iter().map(|one| one.region.clone()).collect();
    let stations: Vec<Station> = found.iter().flat_map(|one| one.new_stations.clone()).collect();
    store.put_regions_with(&regions, &stations, now()).await.unwrap()
}

#[tokio::test]
async fn sixty_counties_take_at_most_ten_requests_each_and_a_second_run_none() {
    let (store, server) = (Store::in_memory().await.unwrap(), good().await);
    let entries = state(&store).await;
    let seen = std::sync::Mutex::new(Vec::new());
    let place = ground(&store, &server, |_| {}).await;
    let found =
        find_all(&entries, &place, &profiles(), |done, all| seen.lock().unwrap().push((done, all))).await.unwrap();
    assert_eq!(seen.into_inner().unwrap(), (1..=COUNTIES).map(|done| (done, COUNTIES)).collect::<Vec<_>>());
    assert!(found.iter().all(|one| one.doubts.is_empty() && one.region.stations.len() == 3));
    let ids: BTreeSet<&str> = found.iter().map(|one| one.region.id.as_str()).collect();
    assert!(ids.len() == COUNTIES && ids.contains("county-59"));
    assert_eq!(save(&store, &found).await, vec![RegionPut::Added; COUNTIES]);
    let today = now().date_naive();
    let stations = lacking(&store, &store.stations().await.unwrap(), today).await.unwrap();
    assert_eq!(stations.len(), 3 * COUNTIES, "no county shares a station with another: the worst case");
    let clock = Arc::new(ManualClock::at(now()));
    let done = fetch(&store, &stations, &place, &feeds_at(&server.uri()), clock, &|_, _| {}).await.unwrap();
    assert!(done.iter().all(|one| matches!(one.outcome, Outcome::Fetched(_))), "{done:?}");
    assert!(lacking(&store, &stations, today).await.unwrap().is_empty());
    let requests = count(&server, "/").await;
    assert!(requests <= 10 * COUNTIES, "{requests} requests for {COUNTIES} regions");

    let place = ground(&store, &server, |_| {}).await;
    let again = find_all(&entries, &place, &profiles(), |_, _| {}).await.unwrap();
    assert_eq!(count(&server, "/").await, requests, "nobody is asked about regions in use");
    assert_eq!(save(&store, &again).await, vec![RegionPut::Unchanged; COUNTIES]);

    // What is written reads back as it was, in both kinds of files.
    let regions = store.regions().await.unwrap();
    for entries in [read_toml(&to_toml(&regions).unwrap()).unwrap(), read_csv(&to_csv(&regions).unwrap()).unwrap()] {
        let found = find_all(&entries, &offline(&store).await, &profiles(), |_, _| {}).await.unwrap();
        assert_eq!(save(&store, &found).await, vec![RegionPut::Unchanged; COUNTIES]);
    }
}

#[tokio::test]
async fn a_run_that_was_cut_off_asks_only_for_what_is_missing() {
    let (store, server) = (Store::in_memory().await.unwrap(), MockServer::start().await);
    let entries = state(&store).await;
    // After so many answers the weather service has had enough.
    const ANSWERED: u64 = 25;
    let enough = ResponseTemplate::new(503);
    Mock::given(method("GET")).and(path_regex("^/nws/")).respond_with(enough).with_priority(9).mount(&server).await;
    let point = r#"{"properties":{"gridId":"ZZZ","gridX":1,"gridY":1,"timeZone":"America/Phoenix"}}"#;
    Mock::given(path_regex("^/nws/points/"))
        .respond_with(ResponseTemplate::new(200).set_body_raw(point, "application/geo+json"))
        .up_to_n_times(ANSWERED)
        .with_priority(1)
        .mount(&server)
        .await;
    let cell = r#"{"properties":{"elevation":{"unitCode":"wmoUnit:m","value":1612.3}}}"#;
    Mock::given(path_regex("^/nws/gridpoints/"))
        .respond_with(ResponseTemplate::new(200).set_body_raw(cell, "application/geo+json"))
        .with_priority(1)
        .mount(&server)
        .await;
    mount_acis(&server).await;
    let found = find_all(&entries, &ground(&store, &server, |_| {}).await, &profiles(), |_, _| {}).await.unwrap();
    // Two failures in a row are enough; a few more were under way.
    assert!((ANSWERED as usize + 2..=ANSWERED as usize + 5).contains(&count(&server, "/nws/points/").await));
    assert!(found.iter().any(|one| one.doubts.iter().any(|doubt| doubt.what.contains("its time zone is not known"))));
    server.reset().await;
    mount_nws(&server, 1612.3).await;
    mount_acis(&server).await;
    find_all(&entries, &ground(&store, &server, |_| {}).await, &profiles(), |_, _| {}).await.unwrap();
    assert_eq!(count(&server, "/nws/points/").await, COUNTIES - ANSWERED as usize);
}

#[tokio::test]
async fn every_fault_of_a_list_is_told_and_nobody_is_asked_before() {
    let (store, server) = (Store::in_memory().await.unwrap(), good().await);
    with_places(&store).await;
    let place = ground(&store, &server, |_| {}).await;
    let list = "name,zips,time_zone,release,elevation_m,band_ft,profile\n\
        A,00101,Mars/Base,,,,\n\
        B,00102,,later,,,\n\
        C,00201 00201,,,,,\n\
        D,0020x,,,,,\n\
        E,00301,,,9000,,\n\
        F,00202,,,,high,\n\
        G,00202,,,,,pinyon\n";
    let why = refused(find_all(&read_csv(list).unwrap(), &place, &profiles(), |_, _| {}).await.unwrap_err());
    for word in [
        "region `a`: `Mars/Base` is no IANA",
        "region `b`: `later`",
        "region `f`: `high`",
        "region `g`: profile `pinyon`",
    ] {
        assert!(why.contains(word), "{word}: {why}");
    }
    let list = "name,zips,elevation_m\nC,00201 00201,\nD,0020x,\nE,00301,9000\n";
    let why = refused(find_all(&read_csv(list).unwrap(), &place, &profiles(), |_, _| {}).await.unwrap_err());
    for word in [
        "region `c`: ZIP code 00201 is named twice",
        "region `d`: `0020x` is not a ZIP code",
        "region `e`: elevation 9000",
    ] {
        assert!(why.contains(word), "{word}: {why}");
    }
    let twice = "name,zips\nDos Vientos,00201\nDos vientos,00202\nVega,00201\n";
    let why = refused(find_all(&read_csv(twice).unwrap(), &place, &profiles(), |_, _| {}).await.unwrap_err());
    assert!(why.contains("region `dos-vientos`: it stands in the file twice"), "{why}");
    assert!(
        why.contains("region `vega`: ZIP code 00201 belongs to region `dos-vientos` (all heights) of the same file")
    );
    assert_eq!(count(&server, "/").await, 0);
    // A fault that only looking up shows.
    let far = "name,zips\nA,00101\nB,00201 00202\nC,00999\n";
    let why = find_all(&read_csv(far).unwrap(), &place, &profiles(), |_, _| {}).await.unwrap_err();
    let NewRegionError::Refused(why) = why else { panic!("{why}") };
    assert_eq!(why.len(), 1, "{why:?}");
    assert!(why.join("\n").contains("region `c`: ZIP code 00999 is not among the 5 areas"), "{why:?}");
}

/// The first regions of a store are held against one another.
#[tokio::test]
async fn a_region_of_a_list_far_from_all_others_is_asked_about() {
    let store = Store::in_memory().await.unwrap();
    let table = "zip,latitude,longitude\n00101,31.2,-135.4\n00102,31.3,-135.3\n00911,45.0,-120.0\n";
    store.import_places(&places::read(table.as_bytes(), "invented").unwrap(), now()).await.unwrap();
    let entries = read_csv("name,zips\nA,00101\nB,00102\nC,00911\n").unwrap();
    let server = good().await;
    let found = find_all(&entries, &ground(&store, &server, |_| {}).await, &profiles(), |_, _| {}).await.unwrap();
    let doubts: Vec<usize> = found.iter().map(|one| one.doubts.len()).collect();
    assert_eq!(doubts, [0, 0, 1]);
    assert!(found[2].doubts[0].what.contains("km from the nearest region, `b`: it may be in another state"));
}

/// What was right at the old place is asked about at the new one.
#[tokio::test]
async fn a_region_that_is_moved_is_held_against_its_new_place() {
    let (store, server) = (Store::in_memory().await.unwrap(), good().await);
    with_places(&store).await;
    let place = ground(&store, &server, |_| {}).await;
    let found = find_all(&read_csv("name,zips\nA,00201\n").unwrap(), &place, &profiles(), |_, _| {}).await.unwrap();
    save(&store, &found).await;
    let mut region = store.regions().await.unwrap().remove(0);
    (region.elevation_m, region.time_zone) = (2400.0, chrono_tz::America::Denver);
    region.county = Some("Other".into());
    store.change_region(&region).await.unwrap();
    let place = ground(&store, &server, |_| {}).await;
    let list = |rest: &str| {
        read_csv(&format!("name,zips,latitude,longitude,elevation_m,time_zone,county\nA,00301,34.05,-134.6,{rest}\n"))
            .unwrap()
    };
    let found = find_all(&list(",,"), &place, &profiles(), |_, _| {}).await.unwrap();
    let told: Vec<&str> = found[0].doubts.iter().map(|doubt| doubt.what.as_str()).collect();
    assert_eq!(told.len(), 4, "{told:?}");
    for (at, word) in [
        "is 142 km away now",
        "still America/Denver, where",
        "county is still Other, where",
        "still 2400 m, where it is 1612 m",
    ]
    .into_iter()
    .enumerate()
    {
        assert!(told[at].starts_with("its place moved by 148 km") && told[at].contains(word), "{word}: {told:?}");
    }
    // What is given with the place is right.
    let found = find_all(&list("1600,America/Phoenix,Sample"), &place, &profiles(), |_, _| {}).await.unwrap();
    assert_eq!(found[0].doubts.len(), 1, "the station: {:?}", found[0].doubts);
    let near = "name,zips,latitude,longitude\nA,00201,32.755,-134.95\n";
    let found = find_all(&read_csv(near).unwrap(), &place, &profiles(), |_, _| {}).await.unwrap();
    assert_eq!(found[0].doubts, [], "a digit was mended");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_list_is_imported_and_exported_as_typed() {
    let server = good().await;
    let home = tempfile::tempdir().unwrap();
    let path = home.path();
    let put = |name: &str, text: &str| std::fs::write(path.join(name), text).unwrap();
    let at = server.uri();
    put(
        "treebell.toml",
        &format!(
            "[log]\nlevel = \"error\"\n[feeds]\ncontact = \"heat@example.org\"\ntries = 1\n[feeds.nws]\nbase_url = \"{at}/nws/\"\n[feeds.acis]\nbase_url = \"{at}/acis/\"\n"
        ),
    );
    put("places.csv", super::services::PLACES);
    ok(path, "store init");
    ok(path, "place import places.csv");
    put("bad.csv", "name,zips\nDos Vientos,00201\nVega,87501\n");
    let (code, out, err) = run(path, "region import bad.csv");
    assert_eq!((code, out.as_str()), (2, ""), "{err}");
    assert!(err.contains("bad.csv: region `vega`: ZIP code 87501 is not among the 5 areas"), "{err}");
    assert_eq!(ok(path, "region list --json").trim(), "[]");

    put("good.csv", "name,zips,release\nDos Vientos,00201 00202,at-once\nCobre Bend,00101,\n");
    let dry = ok(path, "region import good.csv --dry-run");
    assert!(dry.contains("2 added, 0 changed, 0 unchanged; nothing is saved") && dry.contains("cobre-bend"), "{dry}");
    assert_eq!(ok(path, "region list --json").trim(), "[]");
    let (code, _, err) = run(path, "region import good.csv");
    assert!(code == 2 && err.contains("say --yes, or --dry-run"), "{err}");
    assert!(ok(path, "region import good.csv --yes").contains("2 added, 0 changed, 0 unchanged"));
    assert!(ok(path, "region import good.csv").contains("0 added, 0 changed, 2 unchanged"));

    ok(path, "region change dos-vientos --band-ft 5000..6000 --landmark Red~Rock,Mill --county Mine");
    for (line, file) in [("region export -o out.toml", "out.toml"), ("region export -o out.csv", "out.csv")] {
        assert!(ok(path, line).contains("2 regions written"));
        assert!(ok(path, &format!("region import {file}")).contains("0 added, 0 changed, 2 unchanged"), "{file}");
    }
    let (_, csv, _) = run(path, "region export --csv");
    assert_eq!(csv, std::fs::read_to_string(path.join("out.csv")).unwrap());
    assert!(csv.contains("Red Rock; Mill"), "{csv}");
    // What a cell leaves empty stays; a dash takes it away.
    put("clear.csv", "name,zips,county,state,landmarks\nDos Vientos,00201 00202,-,,-\n");
    assert!(ok(path, "region import clear.csv --yes").contains("0 added, 1 changed, 0 unchanged"));
    let shown: serde_json::Value = serde_json::from_str(&run(path, "region show dos-vientos --json").1).unwrap();
    assert_eq!((&shown["county"], &shown["landmarks"]), (&serde_json::Value::Null, &serde_json::json!([])));
    assert_eq!(shown["state"], "XA");
    ok(path, "region change dos-vientos --landmark Mill --state none");
    ok(path, "region change dos-vientos --landmark none");
    let shown: serde_json::Value = serde_json::from_str(&run(path, "region show dos-vientos --json").1).unwrap();
    assert_eq!((&shown["state"], &shown["landmarks"]), (&serde_json::Value::Null, &serde_json::json!([])));
    // Of a list with a spreadsheet's zeros lost it is said, and a ZIP+4 is no ZIP code of a region.
    put("zeros.csv", "name,zips\nVega,209\n");
    let (code, _, err) = run(path, "region import zeros.csv --yes");
    assert!(code == 2 && err.contains("a spreadsheet may have dropped its zeros"), "{err}");
    let (code, _, err) = run(path, "region change dos-vientos --add-zip 00209-1234");
    assert!(code == 2 && err.contains("`00209-1234` is a ZIP+4"), "{err}");
    assert!(run(path, "region export").1.starts_with("[[region]]\n"));
    put("change.toml", "[[region]]\nname = \"Cobre Bend\"\nzips = [\"00101\", \"00102\"]\nelevation_ft = 5300\n");
    assert!(ok(path, "region import change.toml --yes").contains("0 added, 1 changed, 0 unchanged"));
    assert!(ok(path, "region show cobre-bend").contains("00101 00102"));
}
