//! ACIS as a directory of stations and grids, in every mood. Answers have the shape of our reference of feeds and of a recorded
//! answer; stations and values are invented.

use std::sync::Arc;
use std::time::Duration;

use serde_json::{Value, json};
use treebell::geo::Point;
use treebell::weather::feeds::FeedError;
use treebell::weather::feeds::acis_directory::{AcisDirectory, read_listing};
use treebell::weather::feeds::acis_grid::Grid;
use treebell::weather::fetch::{FetchError, Limits};
use wiremock::matchers::{body_partial_json, header_exists, method, path};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

use super::{day, feeds_at, fetcher};
use crate::support::shared;

pub const PLACE: Point = Point { latitude: 35.6, longitude: -135.05 };

pub fn directory(server: &MockServer, change: impl FnOnce(&mut Limits)) -> AcisDirectory {
    let feeds = feeds_at(&server.uri());
    AcisDirectory::new(Arc::new(fetcher(&feeds, change).0), &feeds).unwrap()
}

/// One entry of a list: a station so many degrees north of the place.
pub fn listed(number: u32, north: f64, elev_ft: f64, range: (&str, &str)) -> Value {
    json!({"uid": 990_000 + number, "name": format!("EXAMPLE {number}"), "state": "XA",
        "sids": [format!("29900{number} 2"), format!("USC0029900{number} 6")],
        "ll": [PLACE.longitude, PLACE.latitude + north], "elev": elev_ft,
        "valid_daterange": [[range.0, range.1], [range.0, range.1]]})
}

fn list() -> Value {
    json!({"meta": [listed(1, 0.1, 6900.0, ("1948-03-01", "2026-06-15"))]})
}

#[tokio::test]
async fn a_list_is_asked_for_once_with_its_bounds_and_days() {
    let server = MockServer::start().await;
    let asked =
        json!({"elems": ["maxt", "mint"], "meta": ["uid", "name", "state", "sids", "ll", "elev", "valid_daterange"]});
    let bounds = |request: &Request| {
        let body: Value = serde_json::from_slice(&request.body).unwrap();
        let text = body["bbox"].as_str().unwrap().to_owned();
        let [west, south, east, north]: [f64; 4] =
            text.split(',').map(|part| part.parse::<f64>().unwrap()).collect::<Vec<_>>().try_into().unwrap();
        // 50 km are 0.45 degrees of latitude.
        west < -135.5 && east > -134.6 && (35.1..35.2).contains(&south) && (36.0..36.1).contains(&north)
    };
    Mock::given(method("POST"))
        .and(path("/acis/StnMeta"))
        .and(header_exists("user-agent"))
        .and(body_partial_json(asked))
        .and(bounds)
        .respond_with(ResponseTemplate::new(200).set_body_json(list()))
        .expect(1)
        .mount(&server)
        .await;
    let directory = directory(&server, |_| {});
    let found = directory.around(PLACE, 50.0).await.unwrap();
    assert_eq!(found.stations.len(), 1);
    assert_eq!(found.stations[0].both(), Some(day(1948, 3, 1)..=day(2026, 6, 15)));
    assert_eq!(directory.fetcher().requests(), 1);
}

#[tokio::test]
async fn whatever_is_no_list_is_told_and_never_half_taken() {
    let whole = list().to_string();
    let cut = whole[..whole.len() - 20].to_owned();
    type Case = (&'static str, ResponseTemplate, fn(&FeedError) -> bool);
    let answers: [Case; 6] = [
        ("error in a 200", ResponseTemplate::new(200).set_body_json(json!({"error": "bbox is wrong"})), |why| {
            why.to_string() == "the service said no: bbox is wrong"
        }),
        ("nothing", ResponseTemplate::new(200).set_body_json(json!({})), |why| matches!(why, FeedError::Shape { .. })),
        ("cut", ResponseTemplate::new(200).set_body_raw(cut, "application/json"), |why| {
            matches!(why, FeedError::Shape { .. })
        }),
        ("slow", ResponseTemplate::new(200).set_body_json(list()).set_delay(Duration::from_secs(600)), |why| {
            matches!(why, FeedError::Fetch(FetchError::TooSlow { .. }))
        }),
        ("huge", ResponseTemplate::new(200).set_body_raw(vec![b' '; 2 << 20], "application/json"), |why| {
            matches!(why, FeedError::Fetch(FetchError::TooLarge { .. }))
        }),
        ("down", ResponseTemplate::new(503), |why| matches!(why, FeedError::Fetch(FetchError::Failing { .. }))),
    ];
    for (what, answer, is_told) in answers {
        let server = MockServer::start().await;
        Mock::given(path("/acis/StnMeta")).respond_with(answer).mount(&server).await;
        let directory = directory(&server, |limits| {
            limits.largest_json = 1 << 20;
            limits.tries = 2;
            if what == "slow" {
                limits.timeout = Duration::from_millis(60);
            }
        });
        let why = directory.around(PLACE, 50.0).await.unwrap_err();
        assert!(is_told(&why), "{what}: {why}");
    }
    let empty = read_listing(br#"{"meta":[]}"#).unwrap();
    assert!(empty.stations.is_empty() && empty.left_out.is_empty());
}

#[tokio::test]
async fn a_recorded_list_is_read_though_it_has_no_days() {
    let Some(file) = shared("a recorded list of ACIS", "data/samples/acis/acis_request_0_StnMeta.response.json") else {
        return;
    };
    let found = read_listing(&std::fs::read(file).unwrap()).unwrap();
    assert_eq!(found.stations[0].id.0, "USW00014939");
    assert_eq!(found.stations[0].both(), None);
}

#[tokio::test]
async fn a_cell_is_asked_for_by_its_grid_and_the_sea_has_none() {
    let server = MockServer::start().await;
    let cell = |elev: f64, max: i32| {
        ResponseTemplate::new(200).set_body_json(
            json!({"meta": {"ll": [-135.0417, 35.625], "elev": elev}, "data": [["2020-07-01", max, max]]}),
        )
    };
    let asked = |grid: &str| {
        Mock::given(method("POST")).and(path("/acis/GridData")).and(body_partial_json(
            json!({"loc": "-135.0500,35.6000", "grid": grid, "sdate": "2020-07-01", "edate": "2020-07-01"}),
        ))
    };
    asked("21").respond_with(cell(6900.0, 84)).expect(1).mount(&server).await;
    asked("1").respond_with(cell(-999.0, -999)).expect(1).mount(&server).await;
    let directory = directory(&server, |_| {});
    let found = directory.cell(Grid::Prism, PLACE).await.unwrap().unwrap();
    assert!((found.elevation_m - 2103.12).abs() < 0.01);
    assert_eq!(directory.cell(Grid::Nrcc, PLACE).await.unwrap(), None);
}
