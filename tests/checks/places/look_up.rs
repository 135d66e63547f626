//! What services say of a place, in every mood that they have.

use std::time::Duration;

use treebell::geo::Point;
use treebell::region::Band;
use treebell::service::new_region::list::{find_all, read_csv};
use treebell::service::new_region::{Found, NewRegionError, find};
use treebell::store::Store;
use treebell::weather::feeds::acis_grid::{self, Cell, Grid};
use treebell::weather::{FeedKind, SourceRef, Station};
use wiremock::matchers::{path, path_regex};
use wiremock::{Mock, MockServer, ResponseTemplate};

use super::services::{CELL_M, count, good, ground, mount_acis, mount_nws, offline, with_places};
use super::{refused, wish};

async fn store() -> Store {
    let store = Store::in_memory().await.unwrap();
    with_places(&store).await;
    store
}

fn station(id: &str, latitude: f64, elevation_m: f64) -> Station {
    Station {
        id: id.into(),
        name: format!("Station {id}"),
        place: Point { latitude, longitude: -134.95 },
        elevation_m,
        time_zone: chrono_tz::America::Los_Angeles,
        observation_hour: None,
        sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: "x.csv".into() }],
    }
}

/// A directory that lists no station.
async fn mount_no_stations(server: &MockServer) {
    Mock::given(path("/acis/StnMeta"))
        .respond_with(ResponseTemplate::new(200).set_body_string(r#"{"meta":[]}"#))
        .mount(server)
        .await;
}

fn source<'a>(found: &'a Found, what: &str) -> &'a str {
    &found.facts.iter().find(|fact| fact.what == what).unwrap_or_else(|| panic!("{what}: {:?}", found.facts)).source
}

#[tokio::test]
async fn a_name_and_a_zip_code_become_a_region_with_its_sources() {
    let (store, server) = (store().await, good().await);
    let place = ground(&store, &server, |_| {}).await;
    let found = find(&wish("dos-vientos", &["00201", "00202"]), &place).await.unwrap();
    let region = &found.region;
    assert_eq!(region.place, Point { latitude: 32.75, longitude: -134.95 });
    assert_eq!((region.elevation_m, region.time_zone), (CELL_M, chrono_tz::America::Phoenix));
    assert_eq!((region.county.as_deref(), region.state.as_deref()), (Some("Sample"), Some("XA")));
    assert_eq!((region.stations.len(), found.new_stations.len()), (3, 3));
    // A new station has the clock of the place, not that of the schedule.
    assert!(found.new_stations.iter().all(|station| station.time_zone == chrono_tz::America::Phoenix));
    assert_eq!(found.doubts, []);
    assert!(source(&found, "place").contains("ZIP area 00201, the middle one of 2 (invented)"));
    assert!(source(&found, "elevation").contains("National Weather Service: forecast cell ZZZ/655,2699"));
    // The nearest of the three lies 27 m lower, this one at the height of the place.
    assert!(source(&found, "station").starts_with("taken: 7 km away, at the same height"), "{:?}", found.facts);
    // Nothing is saved, and what was told is not asked again.
    assert!(store.regions().await.unwrap().is_empty() && store.stations().await.unwrap().is_empty());
    assert_eq!(count(&server, "/nws/").await, 3);
    assert!(count(&server, "/").await <= 10, "requests for a region");
    let place = ground(&store, &server, |_| {}).await;
    assert_eq!(find(&wish("dos-vientos", &["00201", "00202"]), &place).await.unwrap(), found);
    assert_eq!(count(&server, "/nws/").await, 3);
}

#[tokio::test]
async fn what_is_given_is_never_asked_and_never_overruled() {
    let (store, server) = (store().await, good().await);
    store.add_station(&station("S1", 32.7, 1500.0)).await.unwrap();
    let place = ground(&store, &server, |_| {}).await;
    let mut by_hand = wish("mesa", &["00201"]);
    by_hand.elevation_m = Some(2900.0);
    by_hand.time_zone = Some(chrono_tz::America::Chicago);
    (by_hand.county, by_hand.state) = (Some("Mine".into()), Some("XB".into()));
    (by_hand.latitude, by_hand.longitude) = (Some(32.7), Some(-134.9));
    by_hand.stations = vec!["S1".into()];
    let found = find(&by_hand, &place).await.unwrap();
    assert_eq!((found.region.elevation_m, found.region.county.as_deref()), (2900.0, Some("Mine")));
    assert_eq!(found.region.time_zone, chrono_tz::America::Chicago);
    assert_eq!(count(&server, "/").await, 0);
    assert!(found.doubts.is_empty() && found.remarks[0].contains("1400 m above the middle of the stations around"));
}

/// Every mood in which the weather service says nothing of use: the height comes from ACIS, the rest from what is near.
#[tokio::test]
async fn a_weather_service_in_any_bad_mood_is_told_and_done_without() {
    let problem = r#"{"type":"urn:noaa:nws:api:UnexpectedProblem","title":"Unexpected Problem","status":500}"#;
    let truncated = r#"{"type":"Feature","properties":{"gridId":"ZZZ","gridX":1"#;
    let huge = format!("{{\"properties\":{{\"x\":\"{}\"}}}}", "x".repeat(3 << 20));
    let body = |status: u16, text: &str| ResponseTemplate::new(status).set_body_raw(text, "application/geo+json");
    for (mood, answer, wanted) in [
        ("empty", body(200, ""), "not a point with its gridpoint"),
        ("nothing inside", body(200, "{}"), "not a point with its gridpoint"),
        ("an error in a 200", body(200, problem), "not a point with its gridpoint"),
        ("an error", body(500, problem), "answered with status 500"),
        ("slow", body(200, "{}").set_delay(Duration::from_secs(5)), "did not answer within"),
        ("truncated", body(200, truncated), "not a point with its gridpoint"),
        ("huge", body(200, &huge), "larger than 1 MiB"),
        (
            "a page",
            ResponseTemplate::new(200).set_body_raw("<html><title>Down</title>", "text/html"),
            "answered with HTML",
        ),
    ] {
        let (store, server) = (store().await, MockServer::start().await);
        Mock::given(path_regex("^/nws/")).respond_with(answer).mount(&server).await;
        mount_acis(&server).await;
        let place = ground(&store, &server, |limits| {
            limits.timeout = Duration::from_millis(if mood == "slow" { 1500 } else { 20_000 });
            limits.largest_json = 1 << 20;
        })
        .await;
        let found = find(&wish("mesa", &["00201"]), &place).await.unwrap_or_else(|why| panic!("{mood}: {why}"));
        assert_eq!(found.region.elevation_m, 1585.0, "{mood}: the cell of the climate grid");
        assert_eq!(found.region.time_zone, chrono_tz::America::Denver, "{mood}: that of the schedule");
        assert!(source(&found, "time zone").contains("that of the schedule"), "{mood}");
        let told = found.remarks.join("\n");
        assert!(told.contains("county and state could not be looked up") && told.contains(wanted), "{mood}: {told}");
        assert!(!told.contains("next pull"), "{mood}: {told}");
    }
}

#[tokio::test]
async fn a_service_that_cannot_be_reached_is_asked_once_in_a_run() {
    let (store, server) = (store().await, MockServer::start().await);
    let slow = ResponseTemplate::new(200).set_delay(Duration::from_secs(5));
    Mock::given(path_regex("^/nws/")).respond_with(slow).mount(&server).await;
    mount_acis(&server).await;
    let place = ground(&store, &server, |limits| limits.timeout = Duration::from_millis(1500)).await;
    for (id, zip) in [("a", "00101"), ("b", "00201"), ("c", "00301")] {
        find(&wish(id, &[zip]), &place).await.unwrap();
    }
    assert_eq!(count(&server, "/nws/").await, 1);
}

/// A failure may be of one place; two in a row are of the service.
#[tokio::test]
async fn a_service_that_fails_twice_in_a_row_is_left_alone() {
    let (store, server) = (store().await, MockServer::start().await);
    Mock::given(path_regex("^/nws/")).respond_with(ResponseTemplate::new(500)).mount(&server).await;
    mount_acis(&server).await;
    let place = ground(&store, &server, |_| {}).await;
    for (id, zip) in [("a", "00101"), ("b", "00102"), ("c", "00201"), ("d", "00202"), ("e", "00301")] {
        let found = find(&wish(id, &[zip]), &place).await.unwrap();
        let mends: Vec<&str> = found.doubts.iter().map(|doubt| doubt.mend.as_str()).collect();
        assert_eq!(mends, ["give it with --zone, or as time_zone in a list"], "{id}: {:?}", found.doubts);
    }
    assert_eq!(count(&server, "/nws/").await, 2);
}

/// A person may know a station that is not among the best around, and a grid point by its id.
#[tokio::test]
async fn a_station_that_was_named_is_asked_for_by_its_name() {
    let (store, server) = (store().await, good().await);
    let place = ground(&store, &server, |_| {}).await;
    let named =
        |id: &str| treebell::service::new_region::Wish { stations: vec![id.into()], ..wish("mesa", &["00201"]) };
    let found = find(&named("USC00290692"), &place).await.unwrap();
    let new = &found.new_stations[0];
    assert_eq!(
        (new.id.as_str(), new.place.latitude, new.time_zone),
        ("USC00290692", 32.0, chrono_tz::America::Phoenix)
    );
    let found = find(&named("GRID-32.0000N-135.0000W"), &place).await.unwrap();
    assert!(found.new_stations[0].is_grid_point() && found.new_stations[0].elevation_m == 1585.0);
    let why = find(&named("NOWHERE"), &place).await.unwrap_err().to_string();
    assert!(why.contains("station `NOWHERE` is unknown"), "{why}");
}

#[tokio::test]
async fn a_grid_point_that_was_named_is_of_the_grid_that_its_id_names() {
    let (store, server) = (store().await, good().await);
    let place = ground(&store, &server, |_| {}).await;
    for (id, grid) in [("GRID-32.0000N-135.0000W", Grid::Prism), ("GRID-NRCC-32.0000N-135.0000W", Grid::Nrcc)] {
        let named = treebell::service::new_region::Wish { stations: vec![id.into()], ..wish("mesa", &["00201"]) };
        let found = find(&named, &place).await.unwrap();
        let [point] = found.new_stations.as_slice() else { panic!("{id}: {:?}", found.new_stations) };
        assert_eq!((point.id.as_str(), acis_grid::grid_of(point)), (id, Some(grid)));
    }
}

/// On a fresh store, with neither cell to be had, the stations that ACIS lists tell how high it is there.
#[tokio::test]
async fn without_a_cell_the_stations_that_acis_lists_stand_for_the_height() {
    let (store, server) = (store().await, MockServer::start().await);
    let none = ResponseTemplate::new(200).set_body_string(r#"{"error":"no data"}"#);
    Mock::given(path("/acis/GridData")).respond_with(none).with_priority(1).mount(&server).await;
    mount_acis(&server).await;
    let zone = Some(chrono_tz::America::Phoenix);
    let wish = treebell::service::new_region::Wish { time_zone: zone, ..wish("mesa", &["00201"]) };
    let found = find(&wish, &ground(&store, &server, |_| {}).await).await.unwrap();
    assert!(found.region.elevation_m > 1580.0 && found.region.elevation_m < 1645.0, "{}", found.region.elevation_m);
    assert_eq!((found.doubts.len(), count(&server, "/acis/StnMeta").await), (0, 1), "{:?}", found.doubts);
}

#[tokio::test]
async fn without_any_service_the_stations_around_stand_for_the_height() {
    let (store, server) = (store().await, MockServer::start().await);
    for (id, latitude, height) in [("A", 32.7, 1500.0), ("B", 32.85, 1600.0), ("C", 32.9, 1690.0)] {
        store.add_station(&station(id, latitude, height)).await.unwrap();
    }
    Mock::given(path("/acis/GridData"))
        .respond_with(ResponseTemplate::new(200).set_body_string(r#"{"error":"no data"}"#))
        .mount(&server)
        .await;
    let named = treebell::service::new_region::Wish { stations: vec!["A".into()], ..wish("mesa", &["00201"]) };
    for place in [ground(&store, &server, |_| {}).await, offline(&store).await] {
        let found = find(&named, &place).await.unwrap();
        assert_eq!(found.region.elevation_m, 1600.0);
        assert!(found.doubts.is_empty());
        let told = found.remarks.join("\n");
        assert!(told.contains("the middle one of the stations around") && told.contains("A 1500 m"), "{told}");
        // Station A is the nearest, and its clock is not that of the schedule.
        assert_eq!(found.region.time_zone, chrono_tz::America::Los_Angeles);
        assert!(source(&found, "time zone").contains("that of station A"));
    }
    // They do not agree: a person has to say.
    store.add_station(&station("D", 32.76, 2400.0)).await.unwrap();
    let found = find(&named, &offline(&store).await).await.unwrap();
    assert!(found.doubts[0].what.contains("they do not agree") && found.doubts[0].mend.contains("--elevation-ft"));
}

#[tokio::test]
async fn a_cell_far_above_its_stations_is_a_doubt_and_one_outside_of_the_band_is_refused() {
    let (store, server) = (store().await, MockServer::start().await);
    mount_nws(&server, 2650.0).await;
    mount_acis(&server).await;
    let place = ground(&store, &server, |_| {}).await;
    let mut named = wish("mesa", &["00201"]);
    for id in ["A", "B"] {
        store.add_station(&station(id, if id == "A" { 32.7 } else { 32.9 }, 1600.0)).await.unwrap();
    }
    named.stations = vec!["A".into()];
    let place_with_stations = ground(&store, &server, |_| {}).await;
    let found = find(&named, &place_with_stations).await.unwrap();
    assert_eq!(found.doubts.len(), 1);
    let told = &found.doubts[0].what;
    assert!(told.contains("2650 m (8,694 ft) is 1050 m above the middle of the stations around: A 1600 m"), "{told}");
    named.band = Some(Band { from_m: None, to_m: Some(1981.2) });
    let told = refused(find(&named, &place_with_stations).await.unwrap_err());
    assert!(told.contains("lies outside its heights, below 6,500 ft") && told.contains("--elevation-ft"), "{told}");
    // High above every station, none is taken unasked.
    let told = refused(find(&wish("mesa", &["00201"]), &place).await.unwrap_err());
    assert!(told.contains("no station is near enough to be chosen unasked"), "{told}");
}

#[tokio::test]
async fn coordinates_at_sea_and_places_that_the_service_does_not_know() {
    let (store, server) = (store().await, MockServer::start().await);
    let marine = r#"{"properties":{"gridId":"ZZZ","gridX":1,"gridY":2,"type":"marine"}}"#;
    Mock::given(path_regex("^/nws/points/32"))
        .respond_with(ResponseTemplate::new(200).set_body_raw(marine, "application/geo+json"))
        .mount(&server)
        .await;
    Mock::given(path_regex("^/nws/points/31")).respond_with(ResponseTemplate::new(404)).mount(&server).await;
    mount_acis(&server).await;
    let place = ground(&store, &server, |_| {}).await;
    let at = |id: &str, zip: &str, latitude, longitude| {
        let mut wish = wish(id, &[zip]);
        (wish.latitude, wish.longitude) = (Some(latitude), Some(longitude));
        wish
    };
    let told = refused(find(&at("a", "00201", 32.9, -135.2), &place).await.unwrap_err());
    assert!(told.contains("32.9000, -135.2000 lies at sea"), "{told}");
    let found = find(&at("b", "00101", 31.1, -135.5), &place).await.unwrap();
    assert!(found.doubts[0].what.contains("may lie at sea or outside of the United States"), "{:?}", found.doubts);
    let mut half = wish("c", &["00101"]);
    half.latitude = Some(31.0);
    assert!(refused(find(&half, &place).await.unwrap_err()).contains("a latitude needs its longitude"));
}

#[tokio::test]
async fn a_region_far_from_all_others_is_asked_about() {
    let (store, server) = (store().await, good().await);
    let mut other = find(&wish("south", &["00101"]), &ground(&store, &server, |_| {}).await).await.unwrap();
    other.region.place.latitude = 44.0;
    store.add_region_with(&other.region, &other.new_stations, super::services::now()).await.unwrap();
    let place = ground(&store, &server, |_| {}).await;
    let found = find(&wish("north", &["00201"]), &place).await.unwrap();
    assert!(found.doubts[0].what.contains("km from the nearest region, `south`: it may be in another state"));
    let NewRegionError::Store(why) = find(&wish("again", &["00101"]), &place).await.unwrap_err() else { panic!() };
    assert!(why.to_string().contains("ZIP code 00101 by region `south`"), "{why}");
}

#[tokio::test]
async fn where_no_station_is_near_a_grid_point_is_taken_only_on_a_word() {
    let (store, server) = (store().await, MockServer::start().await);
    mount_nws(&server, CELL_M).await;
    mount_no_stations(&server).await;
    mount_acis(&server).await;
    let place = ground(&store, &server, |_| {}).await;
    let mut wish = wish("mesa", &["00201"]);
    let told = refused(find(&wish, &place).await.unwrap_err());
    assert!(told.contains("a grid's estimate with --grid-point"), "{told}");
    wish.take_grid_point = true;
    let found = find(&wish, &place).await.unwrap();
    assert!(found.new_stations[0].is_grid_point() && found.region.stations.len() == 1);
    // A second region over the same point, for the heights above.
    let mut low = found.clone();
    low.region.band = Some(Band { from_m: None, to_m: Some(1981.2) });
    store.add_region_with(&low.region, &low.new_stations, super::services::now()).await.unwrap();
    let mut high =
        treebell::service::new_region::Wish { id: "mesa-high".into(), elevation_m: Some(2200.0), ..wish.clone() };
    high.band = Some(Band { from_m: Some(1981.2), to_m: None });
    let found = find(&high, &ground(&store, &server, |_| {}).await).await.unwrap();
    assert!(found.region.stations == low.region.stations && found.new_stations.is_empty(), "{found:?}");
    store.add_region_with(&found.region, &[], super::services::now()).await.unwrap();
    // A list that asks for it, read again, keeps the point. Before, it was refused for want of a station.
    let entries = read_csv("id,name,zips,band_ft,stations\nmesa,Mesa,00201,..6500,grid\n").unwrap();
    let place = ground(&store, &server, |_| {}).await;
    let again = find_all(&entries, &place, &["pinyon-needle-scale".into()], |_, _| {}).await.unwrap();
    assert_eq!(again[0].region.stations, low.region.stations);
    store.retire_region(&"mesa".into(), super::services::now()).await.unwrap();
    store.retire_region(&"mesa-high".into(), super::services::now()).await.unwrap();
    server.reset().await;
    mount_nws(&server, CELL_M).await;
    mount_acis(&server).await;
    let place = ground(&store, &server, |_| {}).await;
    assert!(refused(find(&wish, &place).await.unwrap_err()).contains("leave --grid-point out"));
}

#[tokio::test]
async fn where_a_point_of_the_other_grid_stands_at_the_place_no_second_one_is_offered() {
    let (store, server) = (store().await, MockServer::start().await);
    mount_nws(&server, CELL_M).await;
    mount_no_stations(&server).await;
    mount_acis(&server).await;
    let at = Point { latitude: 32.75, longitude: -134.95 };
    let cell = Cell { place: at, elevation_m: CELL_M };
    let point = acis_grid::station(Grid::Nrcc, at, &cell, chrono_tz::America::Denver);
    store.add_station(&point).await.unwrap();
    let asked = treebell::service::new_region::Wish { take_grid_point: true, ..wish("mesa", &["00201"]) };
    let found = find(&asked, &ground(&store, &server, |_| {}).await).await.unwrap();
    assert_eq!((found.region.place, found.region.stations.as_slice()), (at, std::slice::from_ref(&point.id)));
    assert_eq!(found.new_stations, []);
    assert!(found.facts.iter().all(|fact| fact.what != "not taken"), "{:?}", found.facts);
}
