//! Stations chosen with their reasons: out of the store and out of ACIS's directory.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde_json::{Value, json};
use treebell::geo::Point;
use treebell::service::station_choice::{Candidates, Seasons, candidates, chosen, grid_point, lacks_a_past};
use treebell::store::Store;
use treebell::weather::feeds::acis_directory::AcisDirectory;
use treebell::weather::feeds::usual_sources;
use treebell::weather::reading_hour::ReadingHour;
use treebell::weather::{Element, FeedKind, Station, TenthsC, Version};
use wiremock::matchers::{method, path};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

use super::directory::{PLACE, directory, listed};
use super::{day, utc};
use crate::engines::on_each_engine;

fn today() -> NaiveDate {
    day(2026, 6, 16)
}

async fn look(store: &Store, directory: Option<&AcisDirectory>) -> Candidates {
    candidates(store, directory, PLACE, Some(2100.0), chrono_tz::America::Phoenix, today()).await.unwrap()
}

fn station(id: &str, north: f64, elevation_m: f64) -> Station {
    Station {
        id: id.into(),
        name: format!("Example {id}"),
        place: Point { latitude: PLACE.latitude + north, ..PLACE },
        elevation_m,
        time_zone: chrono_tz::America::Denver,
        observation_hour: None,
        sources: usual_sources(&id.into()),
    }
}

/// Both values of a run of days; the maximum is filed a day late by a morning reader whose hour the source told.
fn record(first: NaiveDate, last: NaiveDate, told_morning: bool) -> Vec<Version> {
    let days = first.iter_days().take_while(|on| *on <= last);
    let both = days.flat_map(|on| [(on, Element::Max, 200), (on, Element::Min, 50)]);
    both.map(|(on, element, tenths)| Version {
        day: on,
        element,
        value: TenthsC(tenths),
        feed: FeedKind::GhcnDaily,
        day_reported: if told_morning && element == Element::Max { on.succ_opt().unwrap() } else { on },
        sampled: false,
        rejected: None,
        received_at: utc("2026-06-16T10:00:00Z"),
        bulk: true,
    })
    .collect()
}

async fn add(store: &Store, station: &Station, versions: &[Version]) {
    store.add_station(station).await.unwrap();
    store.add_versions(&station.id, versions).await.unwrap();
}

/// ACIS with some stations, each of which has all days of the season asked for but one in five, read at an hour.
async fn acis(list: Vec<Value>, hours: BTreeMap<&'static str, i32>) -> MockServer {
    let server = MockServer::start().await;
    let list = ResponseTemplate::new(200).set_body_json(json!({ "meta": list }));
    Mock::given(method("POST")).and(path("/acis/StnMeta")).respond_with(list).expect(1).mount(&server).await;
    let season = move |request: &Request| {
        let body: Value = serde_json::from_slice(&request.body).unwrap();
        let date = |key: &str| body[key].as_str().unwrap().parse::<NaiveDate>().unwrap();
        let (from, to) = (date("sdate"), date("edate"));
        let of = |sid: &Value| {
            let hour = hours.get(sid.as_str().unwrap()).copied().unwrap_or(-1);
            let row = |on: NaiveDate| {
                if chrono::Datelike::ordinal0(&on) % 5 == 4 || on >= today() {
                    json!([["M", " ", -1], ["M", " ", -1]])
                } else {
                    json!([["68", " ", hour], ["41", " ", hour]])
                }
            };
            let rows: Vec<Value> = from.iter_days().take_while(|on| *on <= to).map(row).collect();
            json!({"meta": {"uid": 1, "sids": [sid]}, "data": rows})
        };
        let data: Vec<Value> = body["sids"].as_array().unwrap().iter().map(of).collect();
        ResponseTemplate::new(200).set_body_json(json!({ "data": data }))
    };
    Mock::given(method("POST")).and(path("/acis/MultiStnData")).respond_with(season).mount(&server).await;
    server
}

fn ids(found: &Candidates) -> Vec<&str> {
    found.rows.iter().map(|row| row.station.id.as_str()).collect()
}

#[tokio::test]
async fn the_best_stations_of_store_and_network_are_ranked_with_their_reasons_in_two_requests() {
    on_each_engine("stations chosen", |store| async move {
        // In the store: a good one at the height of the place, one that stopped long ago and one of which nothing is known.
        add(&store, &station("USC00299011", 0.3, 2080.0), &record(day(2000, 1, 1), day(2026, 6, 14), true)).await;
        add(&store, &station("USC00299012", 0.01, 2100.0), &record(day(1995, 1, 1), day(1999, 5, 31), false)).await;
        store.add_station(&station("XLOGGER", 0.02, 2100.0)).await.unwrap();
        let list = vec![
            // Near, with hours told; lower by 600 m; stopped; never had a minimum.
            listed(1, 0.1, 6900.0, ("1990-01-01", "2026-06-15")),
            listed(2, -0.1, 4900.0, ("1990-01-01", "2026-06-15")),
            listed(3, 0.05, 6900.0, ("1990-01-01", "2010-01-01")),
            json!({"uid": 4, "sids": ["USC00299004 6"], "ll": [-135.05, 35.6], "elev": 6900, "valid_daterange": [["1990-01-01", "2026-06-15"], []]}),
        ];
        let server = acis(list, BTreeMap::from([("USC00299001 6", 7)])).await;
        let directory = directory(&server, |_| {});
        let found = look(&store, Some(&directory)).await;
        assert_eq!(directory.fetcher().requests(), 2);

        assert_eq!(ids(&found)[..2], ["USC00299001", "USC00299011"], "{:#?}", found.rows);
        let [near, own] = &found.rows[..2] else { panic!() };
        assert!(own.in_store && own.past_seasons == Seasons::Counted(26) && own.reading_hour == ReadingHour::ToldMorning);
        // ACIS has a day more than the store.
        assert_eq!((own.last_day, own.refused.as_deref()), (Some(day(2026, 6, 15)), None));
        assert!((own.distance_km - 33.4).abs() < 0.2 && own.higher_m == Some(-20.0));
        assert!(!near.in_store && near.past_seasons == Seasons::AtMost(36));
        assert_eq!(near.reading_hour, ReadingHour::Told { hour: 7 });
        assert!((near.missing_share.unwrap() - 0.2).abs() < 0.01, "{near:?}");
        assert_eq!(near.station.time_zone, chrono_tz::America::Phoenix);
        assert!(near.reasons.iter().any(|reason| reason == "20 % of the season missing (+20)"), "{:?}", near.reasons);

        let refused = |id: &str| {
            found.rows.iter().find(|row| row.station.id.as_str() == id).and_then(|row| row.refused.clone()).unwrap_or_default()
        };
        assert_eq!(refused("USC00299012"), "it no longer reports: its last day is 1999-05-31");
        assert_eq!(refused("USC00299003"), "it no longer reports: its last day is 2010-01-01");
        assert!(refused("USC00299002").contains("m lower is more than the 400 m"), "{}", refused("USC00299002"));
        assert!(refused("XLOGGER").contains("no directory tells"), "{}", refused("XLOGGER"));
        assert!(found.remarks.iter().any(|remark| remark.starts_with("1 of ACIS's stations around never had")));

        let taken: Vec<_> = chosen(&found).into_iter().map(|station| station.id.0).collect();
        assert_eq!(taken, ["USC00299001", "USC00299011"]);
        assert_eq!(grid_point(&found, PLACE), None);
        // Nothing was saved.
        assert_eq!(store.stations().await.unwrap().len(), 3);
    })
    .await;
}

/// A directory's open end is no day that came.
#[tokio::test]
async fn a_station_that_sends_nothing_does_not_pass_for_one_that_reports() {
    on_each_engine("a silent station", |store| async move {
        add(&store, &station("USC00299002", 0.02, 2080.0), &record(day(1995, 1, 1), day(2015, 5, 31), false)).await;
        let open = ("1990-01-01", "9999-12-31");
        let list = vec![listed(1, 0.01, 6900.0, open), listed(2, 0.02, 6900.0, open), listed(3, 0.2, 6900.0, open)];
        let server = MockServer::start().await;
        let list = ResponseTemplate::new(200).set_body_json(json!({ "meta": list }));
        Mock::given(path("/acis/StnMeta")).respond_with(list).mount(&server).await;
        // Of the first no day, the second does not come back, the third has two weeks.
        let row = json!([["68", " ", 7], ["41", " ", 7]]);
        let none = json!([["M", " ", -1], ["M", " ", -1]]);
        let days = |there: usize| -> Vec<Value> {
            let all = (today() - day(2026, 1, 1)).num_days() as usize + 1;
            (0..all)
                .map(|at| if at + 15 >= all && at + 1 < all && there > 0 { row.clone() } else { none.clone() })
                .collect()
        };
        let data = json!([
            {"meta": {"uid": 1, "sids": ["USC00299001 6"]}, "data": days(0)},
            {"meta": {"uid": 3, "sids": ["USC00299003 6"]}, "data": days(14)}
        ]);
        let answer = ResponseTemplate::new(200).set_body_json(json!({ "data": data }));
        Mock::given(path("/acis/MultiStnData")).respond_with(answer).mount(&server).await;
        let found = look(&store, Some(&directory(&server, |_| {}))).await;
        let taken: Vec<_> = chosen(&found).into_iter().map(|station| station.id.0).collect();
        assert_eq!(taken, ["USC00299003"], "{:#?}", found.rows);
        let why =
            |id: &str| found.rows.iter().find(|row| row.station.id.as_str() == id).unwrap().refused.clone().unwrap();
        assert!(why("USC00299001").starts_with("no day of this season came"), "{}", why("USC00299001"));
        assert_eq!(why("USC00299002"), "it no longer reports: its last day is 2015-05-31");
    })
    .await;
}

/// The nearest began three years ago: it fills gaps, and one with a past leads.
#[tokio::test]
async fn a_station_without_a_past_leads_only_where_no_other_has_one() {
    let store = Store::in_memory().await.unwrap();
    let young = listed(1, 0.01, 6900.0, ("2023-06-01", "2026-06-15"));
    let old = listed(2, 0.4, 6900.0, ("1990-01-01", "2026-06-15"));
    let server = acis(vec![young.clone(), old], BTreeMap::new()).await;
    let found = look(&store, Some(&directory(&server, |_| {}))).await;
    assert_eq!(ids(&found), ["USC00299002", "USC00299001"]);
    assert!(found.rows[0].reasons.iter().any(|why| why.contains("fewer than 10 past seasons")), "{:?}", found.rows[0]);
    assert!(!lacks_a_past(&found.rows[0]) && lacks_a_past(&found.rows[1]));
    let server = acis(vec![young], BTreeMap::new()).await;
    let found = look(&store, Some(&directory(&server, |_| {}))).await;
    assert!(chosen(&found).len() == 1 && lacks_a_past(&found.rows[0]));
}

#[tokio::test]
async fn without_the_network_the_store_is_compared_and_the_rest_is_said() {
    let store = Store::in_memory().await.unwrap();
    add(&store, &station("USC00299011", 0.3, 2080.0), &record(day(2020, 1, 1), day(2026, 6, 14), false)).await;
    store.add_station(&station("USC00299012", 0.01, 2100.0)).await.unwrap();
    let found = look(&store, None).await;
    assert_eq!(ids(&found), ["USC00299011", "USC00299012"]);
    assert!(found.rows[1].refused.as_deref().unwrap().contains("treebell weather backfill"));
    assert!(found.remarks.iter().any(|remark| remark.contains("nobody was asked over the network")));

    // A directory that fails is a remark too.
    let server = MockServer::start().await;
    let error = ResponseTemplate::new(200).set_body_json(json!({"error": "node is down"}));
    Mock::given(path("/acis/StnMeta")).respond_with(error).mount(&server).await;
    let found = look(&store, Some(&directory(&server, |_| {}))).await;
    assert_eq!(chosen(&found).len(), 1);
    assert!(
        found.remarks.iter().any(|remark| remark.contains("the service said no: node is down")),
        "{:?}",
        found.remarks
    );
}

#[tokio::test]
async fn where_no_station_is_near_a_grid_point_stands_last_and_is_never_taken_unasked() {
    let store = Store::in_memory().await.unwrap();
    add(&store, &station("USC00299012", 0.01, 2100.0), &record(day(1995, 1, 1), day(1999, 5, 31), false)).await;
    let server = acis(Vec::new(), BTreeMap::new()).await;
    let cell = json!({"meta": {"ll": [-135.0417, 35.625], "elev": 6900}, "data": [["2020-07-01", 84, 50]]});
    Mock::given(path("/acis/GridData"))
        .respond_with(ResponseTemplate::new(200).set_body_json(cell))
        .mount(&server)
        .await;
    let found = look(&store, Some(&directory(&server, |_| {}))).await;
    assert!(chosen(&found).is_empty());
    let offered = grid_point(&found, PLACE).unwrap();
    assert_eq!(offered.id.0, "GRID-35.6000N-135.0500W");
    assert!(offered.is_grid_point() && (offered.elevation_m - 2103.1).abs() < 1e-9);
    assert_eq!(offered.sources[0].id, "21:-135.0500,35.6000");
    let last = found.rows.last().unwrap();
    assert!(last.is_grid_point && last.refused.as_deref().unwrap().contains("nobody measured"));
    assert!(found.remarks.iter().any(|remark| remark.contains("PRISM Group") && !remark.contains("from memory")));
}
