//! Stand-ins for the weather service and ACIS, whose answers have the shape of the real ones.

use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, Utc};
use serde_json::{Value, json};
use treebell::clock::ManualClock;
use treebell::config::FeedsConfig;
use treebell::places;
use treebell::randomness::Randomness;
use treebell::service::new_region::{Ground, LookUps};
use treebell::store::Store;
use treebell::weather::fetch::{Fetcher, Limits, NotedSleeper};
use wiremock::matchers::{method, path, path_regex};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

/// Morning of 16 June 2026 in the mountains of the invented state.
pub const NOW: &str = "2026-06-16T12:00:00Z";

pub fn now() -> DateTime<Utc> {
    DateTime::parse_from_rfc3339(NOW).unwrap().to_utc()
}

/// Height of every forecast cell, metres.
pub const CELL_M: f64 = 1612.3;

/// Every service in its best mood.
pub async fn good() -> MockServer {
    let server = MockServer::start().await;
    mount_nws(&server, CELL_M).await;
    mount_acis(&server).await;
    server
}

pub async fn mount_nws(server: &MockServer, cell_m: f64) {
    let point = |request: &Request| {
        let place = request.url.path().trim_start_matches("/nws/points/").to_owned();
        let (latitude, longitude) = place.split_once(',').unwrap();
        let cell = |text: &str| (text.parse::<f64>().unwrap().abs() * 20.0) as i64;
        geo(
            json!({"@type": "wx:Point", "gridId": "ZZZ", "gridX": cell(latitude), "gridY": cell(longitude), "type": "land",
            "relativeLocation": {"type": "Feature", "properties": {"city": "Sample", "state": "XB"}},
            "county": "https://api.weather.gov/zones/county/XAC001", "timeZone": "America/Phoenix"}),
        )
    };
    Mock::given(method("GET")).and(path_regex("^/nws/points/")).respond_with(point).mount(server).await;
    let cell = geo(json!({"elevation": {"unitCode": "wmoUnit:m", "value": cell_m}, "temperature": {"values": []}}));
    Mock::given(path_regex("^/nws/gridpoints/ZZZ/")).respond_with(cell).mount(server).await;
    let county = geo(json!({"@type": "wx:Zone", "id": "XAC001", "type": "county", "name": "Sample", "state": "XA"}));
    Mock::given(path("/nws/zones/county/XAC001")).respond_with(county).mount(server).await;
}

fn geo(properties: Value) -> ResponseTemplate {
    let body = json!({"type": "Feature", "geometry": null, "properties": properties}).to_string();
    ResponseTemplate::new(200).set_body_raw(body, "application/geo+json")
}

/// Three stations beside every place, 1,580 to 1,640 m high, that report each day.
pub async fn mount_acis(server: &MockServer) {
    Mock::given(path("/acis/StnMeta")).respond_with(listing).mount(server).await;
    Mock::given(path("/acis/MultiStnData")).respond_with(many_days).mount(server).await;
    Mock::given(path("/acis/StnData")).respond_with(whole_record).mount(server).await;
    // 5,200 ft are 1,584.96 m.
    let cell = json!({"meta": {"ll": [-135.0, 32.0], "elev": 5200}, "data": [["2020-07-01", 88, 51]]});
    Mock::given(path("/acis/GridData"))
        .respond_with(ResponseTemplate::new(200).set_body_json(cell))
        .mount(server)
        .await;
}

fn asked(request: &Request) -> Value {
    serde_json::from_slice(&request.body).unwrap()
}

fn listing(request: &Request) -> ResponseTemplate {
    let asked = asked(request);
    let station = |number: u64, latitude: f64, longitude: f64| {
        json!({"uid": number, "name": format!("EXAMPLE {number}"), "state": "XA", "sids": [format!("USC{number:08} 6")],
            "ll": [longitude, latitude], "elev": 5200.0 + (number % 3) as f64 * 90.0,
            "valid_daterange": [["1980-01-01", "9999-12-31"], ["1980-01-01", "9999-12-31"]]})
    };
    let stations: Vec<Value> = match asked["bbox"].as_str() {
        Some(bbox) => {
            let sides: Vec<f64> = bbox.split(',').map(|side| side.parse().unwrap()).collect();
            let (longitude, latitude) = ((sides[0] + sides[2]) / 2.0, (sides[1] + sides[3]) / 2.0);
            let first = (latitude * 20.0).round() as u64 * 10_000 + (longitude.abs() * 20.0).round() as u64;
            (0..3).map(|n| station(first * 3 + n, latitude + 0.03 * (n + 1) as f64, longitude)).collect()
        }
        None => {
            let id = asked["sids"].as_str().unwrap_or_default();
            let digits: String = id.chars().skip(3).take_while(char::is_ascii_digit).collect();
            digits.parse().map(|number| vec![station(number, 32.0, -135.0)]).unwrap_or_default()
        }
    };
    ResponseTemplate::new(200).set_body_json(json!({"meta": stations}))
}

fn day(value: &Value) -> NaiveDate {
    value.as_str().unwrap().parse().unwrap()
}

fn values(day: NaiveDate) -> Value {
    let warm = 50 + day.format("%j").to_string().parse::<i64>().unwrap().min(180) / 5;
    json!([[warm.to_string(), " ", 7], [(warm - 25).to_string(), " ", 7]])
}

fn many_days(request: &Request) -> ResponseTemplate {
    let asked = asked(request);
    let (from, to) = (day(&asked["sdate"]), day(&asked["edate"]));
    let days: Vec<Value> = from.iter_days().take_while(|day| *day <= to).map(values).collect();
    let ids = asked["sids"].as_array().cloned().unwrap_or_default();
    let data: Vec<Value> = ids.iter().map(|id| json!({"meta": {"uid": 1, "sids": [id]}, "data": days})).collect();
    ResponseTemplate::new(200).set_body_json(json!({"data": data}))
}

fn whole_record(request: &Request) -> ResponseTemplate {
    let asked = asked(request);
    let to = day(&asked["edate"]);
    let from = match asked["sdate"].as_str() {
        Some("por") => to - Days::new(60),
        _ => day(&asked["sdate"]),
    };
    let row = |day: NaiveDate| {
        let values = values(day);
        json!([day.to_string(), values[0], values[1]])
    };
    let mut data: Vec<Value> = from.iter_days().take_while(|day| *day <= to).map(row).collect();
    if asked["sdate"] == "por" {
        // A day that cannot be.
        data.insert(0, json!(["0000-06-12", ["70", " ", 7], ["40", " ", 7]]));
    }
    ResponseTemplate::new(200).set_body_json(json!({"meta": {"uid": 1}, "data": data}))
}

/// All services at one address, each below its own folder.
pub fn feeds_at(address: &str) -> FeedsConfig {
    let mut feeds = FeedsConfig { contact: "heat@example.org".into(), ..FeedsConfig::default() };
    feeds.acis.base_url = format!("{address}/acis/").into();
    feeds.nws.base_url = format!("{address}/nws/").into();
    feeds
}

/// A ground with services; it never really waits. `change` sets the limits.
pub async fn ground(store: &Store, server: &MockServer, change: impl FnOnce(&mut Limits)) -> Ground {
    let feeds = feeds_at(&server.uri());
    let mut limits = Limits { tries: 1, ..Limits::of(&feeds) };
    change(&mut limits);
    let clock = Arc::new(ManualClock::at(now()));
    let sleeper = Arc::new(NotedSleeper::default());
    let fetcher = Fetcher::with(&feeds, limits, clock, Randomness::seeded(1), sleeper).unwrap();
    on(store, &feeds, Ok(Arc::new(fetcher))).await
}

/// A ground on which nobody is asked.
pub async fn offline(store: &Store) -> Ground {
    on(store, &FeedsConfig::default(), Err("nobody was asked".into())).await
}

async fn on(store: &Store, feeds: &FeedsConfig, fetcher: Result<Arc<Fetcher>, String>) -> Ground {
    let look_ups = LookUps::new(store, feeds, fetcher, now()).unwrap();
    Ground::read(store, look_ups, chrono_tz::America::Denver, now().date_naive()).await.unwrap()
}

/// Where some invented ZIP codes are.
pub const PLACES: &str = "zip,latitude,longitude\n00101,31.20,-135.40\n00102,31.28,-135.32\n00201,32.75,-134.95\n00202,32.80,-134.90\n00301,34.05,-134.60\n";

pub async fn with_places(store: &Store) {
    store.import_places(&places::read(PLACES.as_bytes(), "invented").unwrap(), now()).await.unwrap();
}

/// How many requests came to paths that begin so.
pub async fn count(server: &MockServer, begin: &str) -> usize {
    let requests = server.received_requests().await.unwrap();
    requests.iter().filter(|request| request.url.path().starts_with(begin)).count()
}
