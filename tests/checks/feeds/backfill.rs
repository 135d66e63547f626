//! Whole records fetched: in few requests, once, without loss, and nothing in them that cannot be.

use std::sync::Arc;
use std::time::Duration;

use chrono::{Datelike, Days, NaiveDate};
use serde_json::{Value, json};
use treebell::clock::ManualClock;
use treebell::geo::Point;
use treebell::service::backfill::{Backfiller, Fetched, Outcome, StationBackfill};
use treebell::store::Store;
use treebell::weather::feeds::acis_grid::{Cell, Grid, station as grid_station};
use treebell::weather::feeds::usual_sources;
use treebell::weather::fetch::Limits;
use treebell::weather::reading_hour::ReadingHour;
use treebell::weather::{Element, FeedKind, SourceRef, Station, TenthsC, Version};
use wiremock::matchers::{body_partial_json, method, path};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

use super::{NOW, day, feeds_at, fetcher, utc};
use crate::engines::on_each_engine;

fn station(id: &str) -> Station {
    Station {
        id: id.into(),
        name: "Example Mesa".into(),
        place: Point { latitude: 35.0, longitude: -135.0 },
        elevation_m: 2000.0,
        time_zone: chrono_tz::America::Denver,
        observation_hour: None,
        sources: usual_sources(&id.into()),
    }
}

fn backfiller(store: &Store, server: &MockServer, change: impl FnOnce(&mut Limits)) -> Backfiller {
    let feeds = feeds_at(&server.uri());
    let (fetcher, _) = fetcher(&feeds, |limits| {
        limits.tries = 1;
        change(limits);
    });
    Backfiller {
        store: store.clone(),
        fetcher: Arc::new(fetcher),
        directory: None,
        feeds,
        clock: Arc::new(ManualClock::at(utc(NOW))),
        again: false,
        only: None,
    }
}

async fn says(server: &MockServer, service: &str, answer: ResponseTemplate) {
    Mock::given(method("POST")).and(path(format!("/acis/{service}"))).respond_with(answer).mount(server).await;
}

fn json(body: Value) -> ResponseTemplate {
    ResponseTemplate::new(200).set_body_json(body)
}

/// What `StnMeta` says of a station from 1948 on.
fn meta(id: &str) -> Value {
    json!({"meta": [{"uid": 1, "name": "EXAMPLE", "sids": [format!("{id} 6")], "ll": [-135.0, 35.0], "elev": 6900,
        "valid_daterange": [["1948-03-01", "2026-06-14"], ["1948-03-01", "2026-06-14"]]}]})
}

fn row(day: &str, max: &str, min: &str, hour: i32) -> Value {
    json!([day, [max, " ", hour], [min, " ", hour]])
}

/// Three good days of a reader at seven, and days that cannot be: before the station's range, of the year 0, to come.
fn whole() -> Value {
    json!({"meta": {}, "data": [
        row("0000-06-12", "70", "40", 7),
        row("1947-12-31", "71", "41", 7),
        row("1948-03-01", "50", "20", 7),
        row("1948-03-02", "M", "21", 7),
        row("2026-06-15", "84", "45", 7),
        row("2027-06-15", "85", "46", 7),
    ]})
}

fn fetched(done: &StationBackfill) -> &Fetched {
    match &done.outcome {
        Outcome::Fetched(fetched) => fetched,
        other => panic!("{other:?}, {:?}", done.failed),
    }
}

/// Day, element and tenths of all that is stored.
async fn stored(store: &Store, id: &str) -> Vec<(String, Element, i32)> {
    let record = store.record(&id.into()).await.unwrap();
    record.versions.iter().map(|version| (version.day.to_string(), version.element, version.value.0)).collect()
}

pub(super) const ID: &str = "USC00299001";

#[tokio::test]
async fn a_record_is_fetched_in_two_requests_and_impossible_days_are_refused_and_counted() {
    on_each_engine("whole records", |store| async move {
        let server = MockServer::start().await;
        says(&server, "StnMeta", json(meta(ID))).await;
        let asked = json!({"sid": "USC00299001 6", "sdate": "por", "edate": "2026-06-16",
            "elems": [{"name": "maxt", "interval": "dly", "add": "f,t"}, {"name": "mint", "interval": "dly", "add": "f,t"}]});
        Mock::given(path("/acis/StnData"))
            .and(body_partial_json(asked))
            .respond_with(json(whole()))
            .mount(&server)
            .await;
        store.add_station(&station(ID)).await.unwrap();
        let mut backfiller = backfiller(&store, &server, |_| {});

        let done = backfiller.fetch(&station(ID)).await.unwrap();
        let got = fetched(&done);
        assert_eq!((done.requests, got.taken, got.added.new, got.missing), (2, 5, 5, 1));
        assert_eq!(got.hour, ReadingHour::Told { hour: 7 });
        let refused: Vec<(&str, u64)> = got.refused.counts.iter().map(|(why, count)| (*why, *count)).collect();
        assert_eq!(
            refused,
            [
                ("a day before anybody measured temperatures", 2),
                ("a day that is yet to come", 2),
                ("outside the days for which the source has a record", 2),
            ]
        );
        // A morning maximum stands on the day before. 50 °F = 10.0 °C, 20 °F = -6.7, 21 °F = -6.1, 84 °F = 28.9, 45 °F = 7.2.
        let (max, min) = (Element::Max, Element::Min);
        let kept = [
            ("1948-02-29", max, 100),
            ("1948-03-01", min, -67),
            ("1948-03-02", min, -61),
            ("2026-06-14", max, 289),
            ("2026-06-15", min, 72),
        ];
        assert_eq!(stored(&store, ID).await, kept.map(|(on, element, tenths)| (on.to_owned(), element, tenths)));

        // Twice is once: nobody is asked, and asked again on purpose it adds nothing.
        let done = backfiller.fetch(&station(ID)).await.unwrap();
        assert!(matches!(done.outcome, Outcome::Before { feed: FeedKind::Acis, .. }) && done.requests == 0);
        backfiller.again = true;
        let done = backfiller.fetch(&station(ID)).await.unwrap();
        assert_eq!((fetched(&done).added.new, fetched(&done).added.unchanged, done.requests), (0, 5, 2));
        let noted = store.backfills().await.unwrap();
        assert_eq!((noted.len(), noted[0].taken, noted[0].first_day), (1, 5, Some(day(1948, 2, 29))));
    })
    .await;
}

#[tokio::test]
async fn a_run_that_is_killed_goes_on_where_it_was() {
    on_each_engine("a killed backfill", |store| async move {
        let ids = ["USC00299001", "USC00299002", "USC00299003"];
        let stations = ids.map(station);
        for station in &stations {
            store.add_station(station).await.unwrap();
        }
        let server = MockServer::start().await;
        says(&server, "StnMeta", json(json!({"meta": []}))).await;
        let of = |id: &str, answer: ResponseTemplate| {
            Mock::given(path("/acis/StnData"))
                .and(body_partial_json(json!({"sid": format!("{id} 6")})))
                .respond_with(answer)
        };
        let good = || json(json!({"data": [row("2020-05-01", "70", "40", 7)]}));
        of(ids[0], good()).expect(1).mount(&server).await;
        // The second one hangs: the run is killed while it waits.
        of(ids[1], good().set_delay(Duration::from_secs(600))).up_to_n_times(1).with_priority(1).mount(&server).await;
        of(ids[1], good()).mount(&server).await;
        of(ids[2], good()).expect(1).mount(&server).await;
        let run = backfiller(&store, &server, |_| {});
        let killed = tokio::time::timeout(Duration::from_secs(3), run.fetch_all(&stations, &|_, _| {})).await;
        assert!(killed.is_err());
        assert_eq!(stored(&store, ids[0]).await.len(), 2);
        assert!(stored(&store, ids[1]).await.is_empty());

        let done = run.fetch_all(&stations, &|_, _| {}).await.unwrap();
        assert!(matches!(done[0].outcome, Outcome::Before { .. }));
        assert_eq!((fetched(&done[1]).added.new, fetched(&done[2]).added.new), (2, 2));
        for id in ids {
            assert_eq!(stored(&store, id).await.len(), 2, "{id}");
        }
    })
    .await;
}

#[tokio::test]
async fn a_source_that_fails_is_told_and_the_files_of_the_archive_are_asked() {
    let whole = whole().to_string();
    let answers: [(&str, ResponseTemplate); 5] = [
        ("error in a 200", json(json!({"error": "Need sId"}))),
        ("empty", json(json!({"meta": {}, "data": []}))),
        ("cut", ResponseTemplate::new(200).set_body_raw(whole[..whole.len() - 9].to_owned(), "application/json")),
        ("down", ResponseTemplate::new(503)),
        ("only what cannot be", json(json!({"data": [row("1947-01-01", "70", "40", 7)]}))),
    ];
    for (what, answer) in answers {
        let store = Store::in_memory().await.unwrap();
        store.add_station(&station(ID)).await.unwrap();
        let server = MockServer::start().await;
        says(&server, "StnMeta", json(meta(ID))).await;
        says(&server, "StnData", answer).await;
        let file =
            ["TMAX", "TMIN"].map(|element| format!("{ID}202004{element}  150  7{}\n", "-9999   ".repeat(30))).concat();
        let archive = ResponseTemplate::new(200).set_body_raw(file, "text/plain");
        Mock::given(path(format!("/ghcn/all/{ID}.dly"))).respond_with(archive).mount(&server).await;
        let done = backfiller(&store, &server, |_| {}).fetch(&station(ID)).await.unwrap();
        assert_eq!((fetched(&done).source.feed, fetched(&done).added.new), (FeedKind::GhcnDaily, 2), "{what}");
        assert_eq!((done.failed.len(), done.failed[0].0.feed), (1, FeedKind::Acis), "{what}");
        assert_eq!(done.requests, 3, "{what}");
    }
    // With the archive silent too, nothing is kept and nothing noted as done.
    let store = Store::in_memory().await.unwrap();
    store.add_station(&station(ID)).await.unwrap();
    let server = MockServer::start().await;
    let done = backfiller(&store, &server, |_| {}).fetch(&station(ID)).await.unwrap();
    assert!(matches!(done.outcome, Outcome::Failed) && done.failed.len() == 2, "{done:?}");
    assert!(store.backfills().await.unwrap().is_empty());
}

#[tokio::test]
async fn a_record_too_large_or_too_slow_for_one_answer_comes_in_pieces() {
    for too in ["large", "slow"] {
        let store = Store::in_memory().await.unwrap();
        store.add_station(&station(ID)).await.unwrap();
        let server = MockServer::start().await;
        says(&server, "StnMeta", json(meta(ID))).await;
        let whole = if too == "large" {
            ResponseTemplate::new(200).set_body_raw(vec![b' '; 2 << 20], "application/json")
        } else {
            json(json!({})).set_delay(Duration::from_secs(600))
        };
        let asked = body_partial_json(json!({"sdate": "por"}));
        Mock::given(path("/acis/StnData")).and(asked).respond_with(whole).with_priority(1).mount(&server).await;
        let piece = |request: &Request| {
            let body: Value = serde_json::from_slice(&request.body).unwrap();
            let from: NaiveDate = body["sdate"].as_str().unwrap().parse().unwrap();
            json(
                json!({"data": [row(&from.to_string(), "70", "40", 24), row(&format!("{}-07-01", from.year()), "80", "50", 24)]}),
            )
        };
        Mock::given(path("/acis/StnData")).respond_with(piece).mount(&server).await;
        let run = backfiller(&store, &server, |limits| {
            limits.largest_json = 1 << 20;
            limits.timeout = Duration::from_secs(2);
        });
        let done = run.fetch(&station(ID)).await.unwrap();
        let got = fetched(&done);
        // From 1948, 1978 and 2008 on; the first day lies before the station's range.
        assert_eq!((done.requests, got.added.new), (5, 10), "{too}: {:?}", done.remarks);
        assert_eq!((got.first_day, got.last_day), (Some(day(1948, 7, 1)), Some(day(2008, 7, 1))), "{too}");
        assert!(done.remarks.iter().any(|remark| remark.starts_with("the record was asked for in pieces")));
    }
}

#[tokio::test]
async fn a_grid_point_has_a_record_since_1981_whose_maxima_are_yesterdays() {
    let place = Point { latitude: 35.6, longitude: -135.05 };
    let grid = grid_station(Grid::Prism, place, &Cell { place, elevation_m: 2103.1 }, chrono_tz::America::Denver);
    let store = Store::in_memory().await.unwrap();
    store.add_station(&grid).await.unwrap();
    let server = MockServer::start().await;
    let asked = json!({"loc": "-135.0500,35.6000", "grid": "21", "sdate": "1981-01-01", "edate": "2026-06-16"});
    let rows = json!({"meta": {"elev": 6900}, "data": [["1981-01-01", 50, 20], ["1981-01-02", -999, -999], ["2026-06-15", 84, 45]]});
    Mock::given(path("/acis/GridData"))
        .and(body_partial_json(asked))
        .respond_with(json(rows))
        .expect(1)
        .mount(&server)
        .await;
    let done = backfiller(&store, &server, |_| {}).fetch(&grid).await.unwrap();
    assert_eq!((fetched(&done).added.new, fetched(&done).missing, done.requests), (4, 2, 1));
    // The day that ends at 5 a.m. on 1 January holds the afternoon of 31 December.
    let kept: Vec<_> = stored(&store, &grid.id.0).await.into_iter().map(|(on, element, _)| (on, element)).collect();
    let (max, min) = (Element::Max, Element::Min);
    let wanted = [("1980-12-31", max), ("1981-01-01", min), ("2026-06-14", max), ("2026-06-15", min)];
    assert_eq!(kept, wanted.map(|(on, element)| (on.to_owned(), element)));
}

/// Changes from day to day that no lag but the right one can follow.
pub(super) fn wobble(on: NaiveDate) -> i32 {
    let nth = on.num_days_from_ce().unsigned_abs();
    (nth.wrapping_mul(nth).wrapping_mul(37).wrapping_add(nth * 11) % 97) as i32
}

/// A store with a midnight station, whose record is there, and another station near.
async fn beside_a_midnight_station(days: impl Iterator<Item = NaiveDate>, other: &Station) -> (Store, Station) {
    let store = Store::in_memory().await.unwrap();
    let midnight = station("USW00099902");
    store.add_station(&midnight).await.unwrap();
    store.add_station(other).await.unwrap();
    let known: Vec<Version> = days
        .map(|on| Version {
            day: on,
            element: Element::Max,
            value: TenthsC(wobble(on)),
            feed: FeedKind::GhcnDaily,
            day_reported: on,
            sampled: false,
            rejected: None,
            received_at: utc(NOW),
            bulk: true,
        })
        .collect();
    store.add_versions(&midnight.id, &known).await.unwrap();
    (store, midnight)
}

/// A file of the archive of a reader who files the maximum of so many days before.
pub(super) fn archive_of(days: impl Fn() -> Vec<NaiveDate>, delay: impl Fn(NaiveDate) -> u64) -> String {
    let mut file = String::new();
    for month in days().into_iter().filter(|on| on.day() == 1) {
        let cell = |on: NaiveDate| match on.month() == month.month() {
            true => format!("{:5}  7", wobble(on - Days::new(delay(on)))),
            false => "-9999   ".to_owned(),
        };
        let cells: String = month.iter_days().take(31).map(cell).collect();
        file += &format!("{ID}{}TMAX{cells}\n", month.format("%Y%m"));
    }
    file
}

/// An observer beside a midnight station, with the archive's files as the only source.
fn observer_of_the_archive() -> Station {
    let mut observer = Station { place: Point { latitude: 35.3, longitude: -135.0 }, ..station(ID) };
    observer.sources = vec![SourceRef { feed: FeedKind::GhcnDaily, id: ID.into() }];
    observer
}

async fn archive_says(file: String) -> MockServer {
    let server = MockServer::start().await;
    let archive = ResponseTemplate::new(200).set_body_raw(file, "text/plain");
    Mock::given(path(format!("/ghcn/all/{ID}.dly"))).respond_with(archive).mount(&server).await;
    server
}

#[tokio::test]
async fn an_hour_that_no_source_tells_is_found_beside_a_midnight_station_and_kept() {
    let observer = observer_of_the_archive();
    let days = || day(2023, 1, 1).iter_days().take_while(|on| *on < day(2026, 6, 1)).collect::<Vec<_>>();
    let (store, midnight) = beside_a_midnight_station(days().into_iter(), &observer).await;
    let server = archive_says(archive_of(days, |_| 1)).await;
    let done = backfiller(&store, &server, |_| {}).fetch(&observer).await.unwrap();
    let ReadingHour::Found { neighbour, .. } = &fetched(&done).hour else { panic!("{done:?}") };
    assert_eq!(neighbour, &midnight.id);
    assert_eq!(store.station(&observer.id).await.unwrap().observation_hour, Some(7));
    assert!(done.remarks.iter().any(|remark| remark.contains("2023-2026 in the morning")), "{:?}", done.remarks);
    // Every maximum stands on its own day now.
    for version in store.record(&observer.id).await.unwrap().versions {
        assert_eq!(version.value.0, wobble(version.day), "{}", version.day);
    }
}

/// The hour that was found holds of today; the years before have their own, however often the record is fetched.
#[tokio::test]
async fn a_record_whose_eras_were_found_brings_nothing_new_when_it_is_fetched_again() {
    let observer = observer_of_the_archive();
    let days = || day(2018, 1, 1).iter_days().take_while(|on| *on < day(2026, 6, 1)).collect::<Vec<_>>();
    let (store, _) = beside_a_midnight_station(days().into_iter(), &observer).await;
    let mornings = day(2022, 1, 1);
    let server = archive_says(archive_of(days, |on| u64::from(on >= mornings))).await;
    let mut run = backfiller(&store, &server, |_| {});
    run.again = true;
    let first = run.fetch(&observer).await.unwrap();
    assert!(fetched(&first).added.new > 3000, "{first:?}");
    let kept = store.station(&observer.id).await.unwrap();
    assert_eq!(kept.observation_hour, Some(7));

    let second = run.fetch(&kept).await.unwrap();
    assert_eq!(fetched(&second).added.new, 0, "{:?}", second.remarks);
    assert_eq!(fetched(&second).hour, fetched(&first).hour);
    for version in store.record(&observer.id).await.unwrap().versions {
        assert_eq!(version.value.0, wobble(version.day), "{}", version.day);
    }

    // Staff who say otherwise are believed, for the whole record.
    let by_hand = Station { observation_hour: Some(8), ..kept };
    store.change_station(&by_hand).await.unwrap();
    let third = run.fetch(&by_hand).await.unwrap();
    assert_eq!(fetched(&third).hour, ReadingHour::Set { hour: 8 });
    assert!(fetched(&third).added.new > 1000, "{third:?}");
}

/// A source that tells the hour of the newer half of a record: the older half has its own era, and no hour of staff's making.
#[tokio::test]
async fn decades_before_a_source_told_the_hour_are_put_on_their_day() {
    let observer = Station { place: Point { latitude: 35.3, longitude: -135.0 }, ..station(ID) };
    let days = || day(2020, 1, 1).iter_days().take_while(|on| *on < day(2026, 6, 1));
    let (store, _) = beside_a_midnight_station(days(), &observer).await;
    let server = MockServer::start().await;
    says(&server, "StnMeta", json(meta(ID))).await;
    // To 2022 a morning reader of whom nobody tells it, then one at midnight who tells it. Whole degrees F would hide the wobble.
    let told = day(2023, 1, 1);
    let rows: Vec<Value> = days()
        .map(|on| {
            let (of, hour) = if on < told { (on.pred_opt().unwrap(), -1) } else { (on, 24) };
            row(&on.to_string(), &(wobble(of)).to_string(), "-20", hour)
        })
        .collect();
    says(&server, "StnData", json(json!({"meta": {}, "data": rows}))).await;
    let done = backfiller(&store, &server, |_| {}).fetch(&observer).await.unwrap();
    assert_eq!(fetched(&done).hour, ReadingHour::Told { hour: 24 }, "{done:?}");
    assert!(done.remarks.iter().any(|remark| remark.contains("2020-2022 in the morning")), "{:?}", done.remarks);
    assert_eq!(store.station(&observer.id).await.unwrap().observation_hour, None, "what it reads at today, it tells");
    for version in store.record(&observer.id).await.unwrap().versions {
        let wanted = ((f64::from(wobble(version.day)) - 32.0) / 0.18).round() as i32;
        assert!(version.element == Element::Min || version.value.0 == wanted, "{} {:?}", version.day, version.value);
    }
}

/// The NRCC grid does not tell when its days end.
#[tokio::test]
async fn days_of_a_grid_that_does_not_tell_when_they_end_are_found_in_its_record() {
    let place = Point { latitude: 35.3, longitude: -135.0 };
    let grid = grid_station(Grid::Nrcc, place, &Cell { place, elevation_m: 2103.1 }, chrono_tz::America::Denver);
    let days = || day(2020, 1, 1).iter_days().take_while(|on| *on < day(2026, 6, 1));
    let (store, _) = beside_a_midnight_station(days(), &grid).await;
    let server = MockServer::start().await;
    let rows: Vec<Value> = days().map(|on| json!([on.to_string(), wobble(on.pred_opt().unwrap()), -20])).collect();
    says(&server, "GridData", json(json!({"meta": {"elev": 6900}, "data": rows}))).await;
    let done = backfiller(&store, &server, |_| {}).fetch(&grid).await.unwrap();
    assert!(matches!(fetched(&done).hour, ReadingHour::Found { .. }), "{:?}", done.remarks);
    assert_eq!(store.station(&grid.id).await.unwrap().observation_hour, Some(7));
}
