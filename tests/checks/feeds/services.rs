//! Every service, in every mood: answers have the shape that the services' documents and clients show, with invented
//! stations and values.

use chrono::{Duration, NaiveDate};
use serde_json::json;
use treebell::weather::feeds::{self, FeedError, Parsed};
use treebell::weather::fetch::FetchError;
use treebell::weather::{Element, FeedKind, StationId};
use wiremock::matchers::{any, body_partial_json, header_exists, method, path, query_param};
use wiremock::{Mock, MockServer, ResponseTemplate};

use super::{ask, day, feeds_at, fetcher, tries_again, utc};

/// One service with answers to the same question: 12 to 15 June 2026 of one station (the forecast: 16 to 20 June).
struct Service {
    kind: FeedKind,
    method: &'static str,
    path: &'static str,
    /// `{address}` stands for the server's.
    source: &'static str,
    mime: &'static str,
    good: String,
    /// Day of June, element, tenths of °C; sorted.
    wanted: Vec<(u32, Element, i32)>,
    empty: String,
}

const STATION: &str = "USC00999001";

use Element::{Max, Min};

fn services() -> Vec<Service> {
    vec![
        Service {
            kind: FeedKind::GhcnDaily,
            method: "GET",
            path: "/ghcn/all/USC00999001.dly",
            source: STATION,
            mime: "text/plain",
            good: dly(),
            wanted: vec![(12, Max, 289), (12, Min, 72), (13, Max, 300), (14, Min, 83)],
            empty: String::new(),
        },
        Service {
            kind: FeedKind::DailySummaries,
            method: "GET",
            path: "/summaries",
            source: STATION,
            mime: "application/json",
            good: json!([
                {"DATE": "2026-06-13", "STATION": STATION, "TMAX": "  300", "TMAX_ATTRIBUTES": ",,7,0700"},
                {"DATE": "2026-06-12", "STATION": STATION, "TMAX": "  289", "TMAX_ATTRIBUTES": ",,7,0700", "TMIN": "   72", "TMIN_ATTRIBUTES": ",,7,0700"},
                {"DATE": "2026-06-14", "STATION": STATION, "TMAX": "     ", "TMIN": "   83", "TMIN_ATTRIBUTES": ",,7"},
            ])
            .to_string(),
            wanted: vec![(12, Max, 289), (12, Min, 72), (13, Max, 300), (14, Min, 83)],
            empty: "[]".into(),
        },
        Service {
            kind: FeedKind::Acis,
            method: "POST",
            path: "/acis/StnData",
            source: "USC00999001 6",
            mime: "application/json",
            good: json!({"meta": {"uid": 990001, "sids": ["USC00999001 6"]}, "data": [
                ["2026-06-12", ["84", " ", 7], ["45", " ", 7]],
                ["2026-06-13", ["86", " ", 7], ["M", " ", -1]],
                ["2026-06-14", ["M", " ", -1], ["47", " ", 7]],
                ["2026-06-15", ["M", " ", -1], ["M", " ", -1]],
            ]})
            .to_string(),
            wanted: vec![(12, Max, 289), (12, Min, 72), (13, Max, 300), (14, Min, 83)],
            empty: json!({"meta": {}, "data": []}).to_string(),
        },
        Service {
            kind: FeedKind::NwsObservations,
            method: "GET",
            path: "/nws/stations/KZZ9/observations",
            source: "KZZ9",
            mime: "application/geo+json",
            good: observations(),
            wanted: vec![(12, Max, 300), (12, Min, 70), (13, Max, 300), (13, Min, 70)],
            empty: json!({"type": "FeatureCollection", "features": []}).to_string(),
        },
        Service {
            kind: FeedKind::NwsForecast,
            method: "GET",
            path: "/nws/gridpoints/ZZZ/101,111",
            source: "ZZZ/101,111",
            mime: "application/geo+json",
            good: gridpoint("2026-06-16T09:20:00+00:00"),
            wanted: vec![(17, Max, 294), (17, Min, 72), (18, Max, 294)],
            empty: json!({"properties": {"updateTime": "2026-06-16T09:20:00+00:00", "maxTemperature": {"uom": "wmoUnit:degC", "values": []},
                "minTemperature": {"uom": "wmoUnit:degC", "values": []}}})
            .to_string(),
        },
        Service {
            kind: FeedKind::Awdb,
            method: "GET",
            path: "/awdb/v1/data",
            source: "9901:XA:SNTL",
            mime: "application/json",
            good: json!([{"stationTriplet": "9901:XA:SNTL", "data": [
                {"stationElement": {"elementCode": "TMAX", "ordinal": 1, "heightDepth": null, "durationName": "DAILY", "dataPrecision": 1,
                    "storedUnitCode": "degF", "originalUnitCode": "degF", "derivedData": false},
                 "values": [{"date": "2026-06-12", "value": 84.0, "qcFlag": "V", "qaFlag": "P"}, {"date": "2026-06-13", "value": 86.0, "qcFlag": "E"},
                            {"date": "2026-06-14", "value": null, "qcFlag": "N", "qaFlag": "R"}]},
                {"stationElement": {"elementCode": "TMIN", "durationName": "DAILY", "storedUnitCode": "degF"},
                 "values": [{"date": "2026-06-12", "value": 45.0, "qcFlag": "V"}, {"date": "2026-06-14", "value": 47.0}]}]}])
            .to_string(),
            wanted: vec![(12, Max, 289), (12, Min, 72), (13, Max, 300), (14, Min, 83)],
            empty: "[]".into(),
        },
        Service {
            kind: FeedKind::AcisGrid,
            method: "POST",
            path: "/acis/GridData",
            source: "21:-135.0456,35.6123",
            mime: "application/json",
            good: json!({"meta": {"ll": [-135.0417, 35.625], "elev": 6900}, "data": [
                ["2026-06-12", 84, 45], ["2026-06-13", 86, -999], ["2026-06-14", -999, 47], ["2026-06-15", -999, -999]]})
            .to_string(),
            wanted: vec![(12, Max, 289), (12, Min, 72), (13, Max, 300), (14, Min, 83)],
            empty: json!({"meta": {}, "data": []}).to_string(),
        },
        Service {
            kind: FeedKind::PlainCsv,
            method: "GET",
            path: "/logger.csv",
            source: "{address}/logger.csv?key=hush",
            mime: "text/csv",
            good: "date,tmin_c,tmax_c\n2026-06-12,7.2,28.9\n2026-06-13,,30.0\n2026-06-14,8.3,\n".into(),
            wanted: vec![(12, Max, 289), (12, Min, 72), (13, Max, 300), (14, Min, 83)],
            empty: "date,tmin_c,tmax_c\n".into(),
        },
    ]
}

/// June 2026 in two lines; the days up to the 11th and from the 16th are missing.
fn dly() -> String {
    let line = |element: &str, values: [i32; 31]| {
        let cells: String =
            values.iter().map(|v| if *v == -9999 { "-9999   ".to_owned() } else { format!("{v:5}  7") }).collect();
        format!("{STATION}202606{element}{cells}\n")
    };
    let month = |some: [i32; 4]| {
        let mut values = [-9999; 31];
        values[11..15].copy_from_slice(&some);
        values
    };
    line("TMAX", month([289, 300, -9999, -9999])) + &line("TMIN", month([72, -9999, 83, -9999]))
}

/// Two whole days by Mountain Standard Time and a third with 12 hours.
fn observations() -> String {
    let start = utc("2026-06-12T07:53:00Z");
    let features: Vec<_> = (0..60)
        .map(|hour| {
            let celsius = 7.0 + 23.0 * f64::from(12 - (hour % 24 - 12_i32).abs()) / 12.0;
            json!({"type": "Feature", "properties": {
                "stationId": "KZZ9", "timestamp": (start + Duration::hours(hour.into())).to_rfc3339(), "rawMessage": "",
                "temperature": {"unitCode": "wmoUnit:degC", "value": celsius, "qualityControl": "V"},
                "maxTemperatureLast24Hours": {"unitCode": "wmoUnit:degC", "value": null}}})
        })
        .collect();
    json!({"type": "FeatureCollection", "features": features}).to_string()
}

fn gridpoint(made: &str) -> String {
    json!({"type": "Feature", "properties": {"updateTime": made, "validTimes": "2026-06-16T09:00:00+00:00/P7DT14H",
        "maxTemperature": {"uom": "wmoUnit:degC", "values": [
            {"validTime": "2026-06-16T20:00:00+00:00/PT5H", "value": 31.1},
            {"validTime": "2026-06-17T14:00:00+00:00/P1DT13H", "value": 29.4}]},
        "minTemperature": {"uom": "wmoUnit:degC", "values": [{"validTime": "2026-06-17T02:00:00+00:00/PT14H", "value": 7.222222222222222}]}}})
    .to_string()
}

/// The whole value of a header, commas and all.
fn header(name: &'static str, value: &'static str) -> impl Fn(&wiremock::Request) -> bool {
    move |request| request.headers.get(name).is_some_and(|sent| sent == value)
}

impl Service {
    fn answer(&self, body: &str) -> ResponseTemplate {
        ResponseTemplate::new(200).set_body_raw(body.as_bytes().to_vec(), self.mime)
    }

    fn mock(&self) -> wiremock::MockBuilder {
        Mock::given(method(self.method)).and(path(self.path)).and(header_exists("user-agent"))
    }

    fn days(&self) -> (NaiveDate, NaiveDate) {
        if self.kind.is_forecast() {
            (day(2026, 6, 16), day(2026, 6, 20))
        } else {
            (day(2026, 6, 12), day(2026, 6, 15))
        }
    }

    async fn pull_with(&self, fetcher: &treebell::weather::fetch::Fetcher, address: &str) -> Result<Parsed, FeedError> {
        let station = StationId::from(STATION);
        let source = self.source.replace("{address}", address);
        let (from, to) = self.days();
        feeds::pull(self.kind, fetcher, &feeds_at(address), &ask(&station, &source, from, to)).await
    }

    async fn pull(&self, server: &MockServer) -> (Result<Parsed, FeedError>, Vec<std::time::Duration>) {
        let (fetcher, waiting) = fetcher(&feeds_at(&server.uri()), |limits| limits.largest_body = 1 << 20);
        (self.pull_with(&fetcher, &server.uri()).await, waiting.waits())
    }

    fn assert_good(&self, pulled: Result<Parsed, FeedError>) {
        let parsed = pulled.unwrap_or_else(|why| panic!("{}: {why}", self.kind.name()));
        let mut values: Vec<_> = parsed
            .readings
            .iter()
            .map(|r| {
                assert_eq!((r.station.0.as_str(), r.feed), (STATION, self.kind));
                assert_eq!(r.source_rejects, None);
                (chrono::Datelike::day(&r.day_reported), r.element, r.value.0)
            })
            .collect();
        values.sort();
        assert_eq!(values, self.wanted, "{}", self.kind.name());
    }

    fn fetch_error(&self, pulled: Result<Parsed, FeedError>) -> FetchError {
        match pulled {
            Err(FeedError::Fetch(why)) => {
                let text = feeds::chain(&why);
                assert!(!text.contains("hush"), "a secret in `{text}`");
                why
            }
            other => panic!("{}: {other:?}", self.kind.name()),
        }
    }
}

#[tokio::test]
async fn good_answers_give_their_readings_and_every_request_is_named() {
    for service in services() {
        let server = MockServer::start().await;
        service.mock().respond_with(service.answer(&service.good)).expect(1).mount(&server).await;
        service.assert_good(service.pull(&server).await.0);
        for request in server.received_requests().await.unwrap() {
            let name = request.headers.get("user-agent").unwrap().to_str().unwrap().to_owned();
            assert!(name.starts_with("treebell/") && name.contains("heat@example.org"), "{name}");
        }
    }
}

#[tokio::test]
async fn empty_answers_are_empty_and_no_fault() {
    for service in services() {
        let server = MockServer::start().await;
        service.mock().respond_with(service.answer(&service.empty)).mount(&server).await;
        let parsed = service.pull(&server).await.0.unwrap_or_else(|why| panic!("{}: {why}", service.kind.name()));
        assert!(parsed.readings.is_empty() && parsed.rejected_lines.is_empty(), "{}", service.kind.name());
    }
}

#[tokio::test]
async fn too_many_requests_are_followed_by_the_wait_that_was_asked_for() {
    for (after, seconds) in [("7", 7), ("Tue, 16 Jun 2026 12:00:30 GMT", 30)] {
        for service in services() {
            let server = MockServer::start().await;
            let busy = ResponseTemplate::new(429)
                .insert_header("retry-after", after)
                .insert_header("date", "Tue, 16 Jun 2026 12:00:00 GMT");
            service.mock().respond_with(busy).up_to_n_times(1).mount(&server).await;
            service.mock().respond_with(service.answer(&service.good)).mount(&server).await;
            let (pulled, waits) = service.pull(&server).await;
            service.assert_good(pulled);
            assert_eq!(waits, [std::time::Duration::from_secs(seconds)], "{}", service.kind.name());
        }
    }
}

#[tokio::test]
async fn a_wait_longer_than_ours_ends_the_request_at_once() {
    for service in services() {
        let server = MockServer::start().await;
        let busy = ResponseTemplate::new(503).insert_header("retry-after", "3600");
        service.mock().respond_with(busy).expect(1).mount(&server).await;
        let (pulled, waits) = service.pull(&server).await;
        let why = service.fetch_error(pulled);
        assert!(matches!(why, FetchError::ComeBack { status: 503, after_s: 3600, .. }) && tries_again(&why), "{why}");
        assert!(waits.is_empty());
    }
}

#[tokio::test]
async fn a_server_error_is_tried_again_with_a_growing_jittered_wait() {
    for service in services() {
        let server = MockServer::start().await;
        service.mock().respond_with(ResponseTemplate::new(500)).up_to_n_times(2).mount(&server).await;
        service.mock().respond_with(service.answer(&service.good)).mount(&server).await;
        let (pulled, waits) = service.pull(&server).await;
        service.assert_good(pulled);
        let between = |wait: std::time::Duration, from: f64, to: f64| (from..=to).contains(&wait.as_secs_f64());
        assert!(waits.len() == 2 && between(waits[0], 1.0, 2.0) && between(waits[1], 2.0, 4.0), "{waits:?}");
    }
}

#[tokio::test]
async fn a_server_that_stays_down_is_given_up_with_its_words() {
    for service in services() {
        let server = MockServer::start().await;
        let down = ResponseTemplate::new(503)
            .set_body_raw("<html><head><title>503 Service Unavailable</title></head></html>", "text/html");
        service.mock().respond_with(down).expect(4).mount(&server).await;
        let (pulled, waits) = service.pull(&server).await;
        let why = service.fetch_error(pulled);
        let FetchError::Failing { status: 503, tries: 4, said, .. } = &why else { panic!("{why}") };
        assert_eq!(said, "503 Service Unavailable");
        assert_eq!(waits.len(), 3);
    }
}

#[tokio::test]
async fn a_host_that_never_answers_is_too_slow() {
    for service in services() {
        let server = MockServer::start().await;
        let never = service.answer(&service.good).set_delay(std::time::Duration::from_secs(600));
        service.mock().respond_with(never).mount(&server).await;
        let (fetcher, waiting) = fetcher(&feeds_at(&server.uri()), |limits| {
            limits.timeout = std::time::Duration::from_millis(60);
            limits.tries = 2;
        });
        let why = service.fetch_error(service.pull_with(&fetcher, &server.uri()).await);
        assert!(matches!(why, FetchError::TooSlow { tries: 2, .. }) && tries_again(&why), "{why}");
        assert_eq!(waiting.waits().len(), 1);
    }
}

#[tokio::test]
async fn a_truncated_answer_gives_no_wrong_value() {
    for service in services() {
        let server = MockServer::start().await;
        // Cut in the middle of the last value.
        let end = service.good.rfind(|c: char| c.is_ascii_digit()).unwrap();
        service.mock().respond_with(service.answer(&service.good[..end])).mount(&server).await;
        let pulled = service.pull(&server).await.0;
        match service.kind {
            FeedKind::GhcnDaily | FeedKind::PlainCsv => {
                let parsed = pulled.unwrap();
                assert!(!parsed.rejected_lines.is_empty(), "{}", service.kind.name());
                for reading in &parsed.readings {
                    let seen = (chrono::Datelike::day(&reading.day_reported), reading.element, reading.value.0);
                    assert!(service.wanted.contains(&seen), "{seen:?}");
                }
            }
            _ => {
                let why = pulled.unwrap_err();
                assert!(matches!(why, FeedError::Shape { .. }), "{}: {why}", service.kind.name());
            }
        }
    }
}

#[tokio::test]
async fn a_web_page_instead_of_data_is_named_as_one() {
    for service in services() {
        let server = MockServer::start().await;
        let page = "\n<!DOCTYPE html><html><head><title>We'll be back soon</title></head><body>…</body></html>";
        service
            .mock()
            .respond_with(ResponseTemplate::new(200).set_body_raw(page, "text/html"))
            .expect(1)
            .mount(&server)
            .await;
        let why = service.fetch_error(service.pull(&server).await.0);
        let FetchError::Html { title, wanted, .. } = &why else { panic!("{why}") };
        assert_eq!(title, "We'll be back soon");
        assert!(why.to_string().contains(&format!("HTML instead of {wanted}")), "{why}");
    }
}

#[tokio::test]
async fn a_huge_answer_is_cut_off_also_when_it_comes_packed() {
    use std::io::Write;
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    packed.write_all(&vec![b' '; 30 << 20]).unwrap();
    let packed = packed.finish().unwrap();
    assert!(packed.len() < 1 << 20);
    for service in services() {
        for answer in [
            ResponseTemplate::new(200).set_body_raw(vec![b' '; 2 << 20], service.mime),
            ResponseTemplate::new(200)
                .insert_header("content-encoding", "gzip")
                .set_body_raw(packed.clone(), service.mime),
        ] {
            let server = MockServer::start().await;
            service.mock().respond_with(answer).mount(&server).await;
            let why = service.fetch_error(service.pull(&server).await.0);
            assert!(matches!(why, FetchError::TooLarge { limit_mib: 1, .. }), "{why}");
        }
    }
}

#[tokio::test]
async fn packed_answers_are_unpacked() {
    use std::io::Write;
    for service in services() {
        let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        packed.write_all(service.good.as_bytes()).unwrap();
        let server = MockServer::start().await;
        let answer = ResponseTemplate::new(200)
            .insert_header("content-encoding", "gzip")
            .set_body_raw(packed.finish().unwrap(), service.mime);
        service.mock().respond_with(answer).mount(&server).await;
        service.assert_good(service.pull(&server).await.0);
    }
}

#[tokio::test]
async fn what_has_not_changed_is_not_sent_twice() {
    for service in services().into_iter().filter(|service| service.method == "GET") {
        for (sent, asked, mark) in [
            ("etag", "if-none-match", "\"v1\""),
            ("last-modified", "if-modified-since", "Tue, 16 Jun 2026 06:00:00 GMT"),
        ] {
            let server = MockServer::start().await;
            service
                .mock()
                .and(header(asked, mark))
                .respond_with(ResponseTemplate::new(304))
                .expect(2)
                .with_priority(1)
                .mount(&server)
                .await;
            service
                .mock()
                .respond_with(service.answer(&service.good).insert_header(sent, mark))
                .expect(1)
                .mount(&server)
                .await;
            let (fetcher, _) = fetcher(&feeds_at(&server.uri()), |_| {});
            for _ in 0..3 {
                service.assert_good(service.pull_with(&fetcher, &server.uri()).await);
            }
        }
    }
}

#[tokio::test]
async fn a_304_that_nobody_asked_for_is_an_error() {
    let service = &services()[1];
    let server = MockServer::start().await;
    service.mock().respond_with(ResponseTemplate::new(304)).mount(&server).await;
    let why = service.fetch_error(service.pull(&server).await.0);
    assert!(matches!(why, FetchError::Refused { status: 304, .. }), "{why}");
}

#[tokio::test]
async fn what_does_not_exist_and_what_is_refused_is_not_asked_again() {
    for service in services() {
        let server = MockServer::start().await;
        service.mock().respond_with(ResponseTemplate::new(404)).expect(1).mount(&server).await;
        let why = service.fetch_error(service.pull(&server).await.0);
        assert!(matches!(why, FetchError::NotThere { status: 404, .. }) && !tries_again(&why), "{why}");

        let server = MockServer::start().await;
        let problem = json!({"type": "urn:noaa:nws:api:BadRequest", "title": "Bad Request", "status": 400, "detail": "no such element"});
        service.mock().respond_with(ResponseTemplate::new(400).set_body_json(problem)).expect(1).mount(&server).await;
        let why = service.fetch_error(service.pull(&server).await.0);
        assert!(
            matches!(&why, FetchError::Refused { status: 400, said, .. } if said == "Bad Request: no such element"),
            "{why}"
        );
    }
}

#[tokio::test]
async fn flags_and_missing_codes_are_honoured_by_every_service() {
    // What each service says against one value (12 June, maximum) and how it says "no value" for the minimum.
    let flagged = [
        (FeedKind::GhcnDaily, dly().replace("  289  7", "  289 I7").replace("   72  7", "-9999   "), "GHCN quality flag I: internal consistency"),
        (
            FeedKind::DailySummaries,
            json!([{"DATE": "2026-06-12", "STATION": STATION, "TMAX": "  289", "TMAX_ATTRIBUTES": ",X,W,2400", "TMIN": "-9999"}]).to_string(),
            "GHCN quality flag X: bounds",
        ),
        (FeedKind::Acis, json!({"meta": {}, "data": [["2026-06-12", ["84", "R", 7], ["M", " ", -1]]]}).to_string(), "ACIS flag R"),
        (
            FeedKind::Awdb,
            json!([{"stationTriplet": "9901:XA:SNTL", "data": [{"stationElement": {"elementCode": "TMAX", "durationName": "DAILY", "storedUnitCode": "degF"},
                "values": [{"date": "2026-06-12", "value": 84.0, "qcFlag": "S"}, {"date": "2026-06-13", "value": null}]}]}]).to_string(),
            "AWDB quality flag S: suspect",
        ),
    ];
    let services = services();
    for (kind, body, reason) in flagged {
        let service = services.iter().find(|service| service.kind == kind).unwrap();
        let server = MockServer::start().await;
        service.mock().respond_with(service.answer(&body)).mount(&server).await;
        let parsed = service.pull(&server).await.0.unwrap();
        let first: Vec<_> = parsed.readings.iter().filter(|r| r.day_reported == day(2026, 6, 12)).collect();
        assert_eq!(first.len(), 1, "{}", kind.name());
        assert_eq!((first[0].element, first[0].value.0, first[0].source_rejects.as_deref()), (Max, 289, Some(reason)));
        assert!(parsed.missing >= 1, "{}", kind.name());
    }
}

#[tokio::test]
async fn a_madis_flag_takes_its_hour_out_of_the_day() {
    let service = services().into_iter().find(|s| s.kind == FeedKind::NwsObservations).unwrap();
    // The hottest hour of 12 June failed its check: the next hotter one stands in.
    let mut body: serde_json::Value = serde_json::from_str(&service.good).unwrap();
    body["features"][12]["properties"]["temperature"]["qualityControl"] = json!("X");
    let server = MockServer::start().await;
    service.mock().respond_with(service.answer(&body.to_string())).mount(&server).await;
    let parsed = service.pull(&server).await.0.unwrap();
    let max = parsed.readings.iter().find(|r| r.day_reported == day(2026, 6, 12) && r.element == Max).unwrap();
    assert_eq!(max.value.0, 281);
    assert!(max.sampled);
    let reasons: Vec<_> = parsed.rejected_lines.iter().map(|line| line.reason).collect();
    assert_eq!(reasons, ["too few hours have an observation", "MADIS flag X: failed the validity check"]);
}

#[tokio::test]
async fn the_questions_say_what_is_wanted() {
    let server = MockServer::start().await;
    let services = services();
    let of = |kind| services.iter().find(|service: &&Service| service.kind == kind).unwrap();
    let summaries = of(FeedKind::DailySummaries);
    summaries
        .mock()
        .and(query_param("dataset", "daily-summaries"))
        .and(query_param("stations", STATION))
        .and(query_param("startDate", "2026-06-12"))
        .and(query_param("endDate", "2026-06-15"))
        .and(query_param("dataTypes", "TMAX,TMIN"))
        .and(query_param("format", "json"))
        .and(query_param("includeAttributes", "true"))
        .respond_with(summaries.answer(&summaries.good))
        .expect(1)
        .mount(&server)
        .await;
    let acis = of(FeedKind::Acis);
    acis.mock()
        .and(body_partial_json(json!({"sid": "USC00999001 6", "sdate": "2026-06-12", "edate": "2026-06-15",
            "elems": [{"name": "maxt", "interval": "dly", "add": "f,t"}, {"name": "mint", "interval": "dly", "add": "f,t"}]})))
        .respond_with(acis.answer(&acis.good))
        .expect(1)
        .mount(&server)
        .await;
    let awdb = of(FeedKind::Awdb);
    awdb.mock()
        .and(query_param("stationTriplets", "9901:XA:SNTL"))
        .and(query_param("elements", "TMAX,TMIN"))
        .and(query_param("duration", "DAILY"))
        .and(query_param("beginDate", "2026-06-12"))
        .and(query_param("returnFlags", "true"))
        .respond_with(awdb.answer(&awdb.good))
        .expect(1)
        .mount(&server)
        .await;
    let hours = of(FeedKind::NwsObservations);
    hours
        .mock()
        .and(header("accept", "application/geo+json, application/json;q=0.9"))
        // Midnight by Mountain Standard Time.
        .and(query_param("start", "2026-06-12T07:00:00Z"))
        .and(query_param("end", "2026-06-16T07:00:00Z"))
        .respond_with(hours.answer(&hours.good))
        .expect(1)
        .mount(&server)
        .await;
    for service in [summaries, acis, awdb, hours] {
        service.assert_good(service.pull(&server).await.0);
    }
    let request =
        server.received_requests().await.unwrap().into_iter().find(|r| r.url.path() == "/awdb/v1/data").unwrap();
    // Units are left out, so that values come as the archive keeps them; colons stay as they are.
    assert!(request.url.query().unwrap().contains("stationTriplets=9901:XA:SNTL"));
}

#[tokio::test]
async fn observations_are_read_page_by_page_from_our_own_base_address() {
    let service = services().into_iter().find(|s| s.kind == FeedKind::NwsObservations).unwrap();
    let whole: serde_json::Value = serde_json::from_str(&service.good).unwrap();
    let features = whole["features"].as_array().unwrap();
    let page = |part: &[serde_json::Value], next: Option<&str>| {
        let mut page = json!({"type": "FeatureCollection", "features": part});
        if let Some(cursor) = next {
            // The service names itself, whatever address it was asked under.
            page["pagination"] =
                json!({"next": format!("https://api.example.org/stations/KZZ9/observations?cursor={cursor}")});
        }
        page.to_string()
    };
    let server = MockServer::start().await;
    for (cursor, body) in [
        ("b", page(&features[20..40], Some("c"))),
        ("c", page(&features[40..], Some("d"))),
        ("d", page(&[], Some("e"))),
    ] {
        let mock = service.mock().and(query_param("cursor", cursor));
        mock.respond_with(service.answer(&body)).with_priority(1).expect(1).mount(&server).await;
    }
    service.mock().respond_with(service.answer(&page(&features[..20], Some("b")))).expect(1).mount(&server).await;
    service.assert_good(service.pull(&server).await.0);
}

#[tokio::test]
async fn a_place_is_resolved_to_its_gridpoint_and_its_nearest_station() {
    let server = MockServer::start().await;
    let services = services();
    let of = |kind| services.iter().find(|service: &&Service| service.kind == kind).unwrap();
    let point = json!({"type": "Feature", "properties": {"gridId": "ZZZ", "gridX": 101, "gridY": 111, "timeZone": "America/Denver",
        "forecastGridData": "https://api.weather.gov/gridpoints/ZZZ/101,111"}});
    // Four decimals at most, no trailing zeros.
    Mock::given(path("/nws/points/35.6123,-135.04"))
        .respond_with(ResponseTemplate::new(200).set_body_json(point))
        .expect(2)
        .mount(&server)
        .await;
    let near = json!({"features": [{"properties": {"stationIdentifier": "KZZ9"}}, {"properties": {"stationIdentifier": "KZZ8"}}]});
    Mock::given(path("/nws/gridpoints/ZZZ/101,111/stations"))
        .respond_with(ResponseTemplate::new(200).set_body_json(near))
        .mount(&server)
        .await;
    for kind in [FeedKind::NwsObservations, FeedKind::NwsForecast] {
        let service = of(kind);
        service.mock().respond_with(service.answer(&service.good)).expect(1).mount(&server).await;
        let (fetcher, _) = fetcher(&feeds_at(&server.uri()), |_| {});
        let (from, to) = service.days();
        let station = StationId::from(STATION);
        let ask = ask(&station, "35.61230,-135.04", from, to);
        service.assert_good(feeds::pull(kind, &fetcher, &feeds_at(&server.uri()), &ask).await);
    }
}

#[tokio::test]
async fn a_forecast_made_too_long_ago_is_refused() {
    let service = services().into_iter().find(|s| s.kind == FeedKind::NwsForecast).unwrap();
    let server = MockServer::start().await;
    service.mock().respond_with(service.answer(&gridpoint("2026-06-15T09:20:00+00:00"))).mount(&server).await;
    let why = service.pull(&server).await.0.unwrap_err();
    assert!(matches!(why, FeedError::StaleForecast { age_h: 26, .. }), "{why}");
}

#[tokio::test]
async fn errors_inside_a_good_status_are_errors() {
    let service = services().into_iter().find(|s| s.kind == FeedKind::Acis).unwrap();
    let server = MockServer::start().await;
    service.mock().respond_with(service.answer(r#"{"error":"Unknown sid"}"#)).mount(&server).await;
    assert_eq!(service.pull(&server).await.0.unwrap_err().to_string(), "the service said no: Unknown sid");
}

#[tokio::test]
async fn many_stations_are_asked_for_in_one_question() {
    let server = MockServer::start().await;
    let answer = json!({"data": [
        {"meta": {"uid": 2, "sids": ["USC00999002 6"]}, "data": [[["71", " ", 24], ["39", " ", 24]], [["M", " ", -1], ["41", " ", 24]]]},
        {"meta": {"uid": 1, "sids": ["999001 2", "USC00999001 6"]}, "data": [[["84", " ", 7], ["45", " ", 7]], [["86", " ", 7], ["47", " ", 7]]]},
        {"meta": {"uid": 9, "sids": ["USC00999009 6"]}, "data": [[["84", " ", 7], ["45", " ", 7]], [["86", " ", 7], ["47", " ", 7]]]}]});
    Mock::given(method("POST"))
        .and(path("/acis/MultiStnData"))
        .and(body_partial_json(json!({"sids": ["USC00999001 6", "USC00999002 6", "USC00999003 6"]})))
        .respond_with(ResponseTemplate::new(200).set_body_json(answer))
        .expect(1)
        .mount(&server)
        .await;
    let (fetcher, _) = fetcher(&feeds_at(&server.uri()), |_| {});
    let stations: Vec<_> =
        ["1", "2", "3"].map(|n| (StationId(format!("S{n}")), format!("USC0099900{n} 6"))).into_iter().collect();
    let base = url::Url::parse(&format!("{}/acis/", server.uri())).unwrap();
    let found = feeds::acis::pull_many(&fetcher, &base, &stations, day(2026, 6, 12), day(2026, 6, 13)).await.unwrap();
    let counts: Vec<_> = found.iter().map(|(id, parsed)| (id.0.as_str(), parsed.readings.len())).collect();
    assert_eq!(counts, [("S2", 3), ("S1", 4)]);
}

#[tokio::test]
async fn a_day_that_still_runs_is_held_back_unless_it_was_read_this_morning() {
    // It is six in the morning; an observer's five o'clock reading is final, an eight o'clock one cannot be true yet.
    let service = services().into_iter().find(|s| s.kind == FeedKind::DailySummaries).unwrap();
    let server = MockServer::start().await;
    let row = |station: &str, time: &str| json!({"DATE": "2026-06-16", "STATION": station, "TMAX": "  300", "TMAX_ATTRIBUTES": format!(",,7,{time}")});
    for (time, taken) in [("0500", 1), ("0800", 0), ("2400", 0), ("", 0)] {
        server.reset().await;
        service.mock().respond_with(service.answer(&json!([row(STATION, time)]).to_string())).mount(&server).await;
        let (fetcher, _) = fetcher(&feeds_at(&server.uri()), |_| {});
        let station = StationId::from(STATION);
        let ask = ask(&station, STATION, day(2026, 6, 6), day(2026, 6, 16));
        let parsed = feeds::pull(service.kind, &fetcher, &feeds_at(&server.uri()), &ask).await.unwrap();
        assert_eq!((parsed.readings.len(), parsed.rejected_lines.len()), (taken, 1 - taken), "{time}");
    }
}

#[tokio::test]
async fn ids_of_another_form_are_refused_before_anything_is_asked() {
    let server = MockServer::start().await;
    Mock::given(any()).respond_with(ResponseTemplate::new(200)).expect(0).mount(&server).await;
    let (fetcher, _) = fetcher(&feeds_at(&server.uri()), |_| {});
    let station = StationId::from(STATION);
    for kind in FeedKind::ALL {
        let bad = if kind == FeedKind::PlainCsv { "logger.csv#kelvin" } else { "../../etc?x=1&y" };
        let ask = ask(&station, bad, day(2026, 6, 12), day(2026, 6, 15));
        let why = feeds::pull(kind, &fetcher, &feeds_at(&server.uri()), &ask).await.unwrap_err();
        assert!(matches!(why, FeedError::SourceId { .. }), "{}: {why}", kind.name());
    }
}

#[tokio::test]
async fn a_plain_file_of_this_machine_is_read_and_a_device_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("logger.csv");
    std::fs::write(&file, "date,tmin,tmax\n2026-06-12,45,84\n").unwrap();
    let feeds = feeds_at("http://127.0.0.1:9");
    let (fetcher, _) = fetcher(&feeds, |limits| limits.largest_body = 1000);
    let station = StationId::from(STATION);
    let pull = async |source: &str| {
        feeds::pull(FeedKind::PlainCsv, &fetcher, &feeds, &ask(&station, source, day(2026, 6, 12), day(2026, 6, 15)))
            .await
    };
    let parsed = pull(&format!("{}#fahrenheit", file.display())).await.unwrap();
    assert_eq!(parsed.readings.iter().map(|r| r.value.0).collect::<Vec<_>>(), [289, 72]);
    assert!(matches!(pull(&file.display().to_string()).await, Err(FeedError::UnitUnknown)));
    assert!(matches!(pull(&folder.path().join("none.csv").display().to_string()).await, Err(FeedError::File { .. })));
    std::fs::write(&file, "x".repeat(1001)).unwrap();
    assert!(matches!(pull(&file.display().to_string()).await, Err(FeedError::File { .. })));
    #[cfg(unix)]
    assert!(matches!(pull("/dev/zero").await, Err(FeedError::File { .. })));
}

#[tokio::test]
async fn the_archive_is_read_in_its_csv_layouts_by_its_base_address() {
    let server = MockServer::start().await;
    let by_station = "USC00999001,20260612,TMAX,289,,,7,0700\nUSC00999001,20260612,TMIN,72,,,7,0700\n";
    Mock::given(path("/csv/by_station/USC00999001.csv"))
        .respond_with(ResponseTemplate::new(200).set_body_string(by_station))
        .mount(&server)
        .await;
    let access = "\"STATION\",\"DATE\",\"TMAX\",\"TMAX_ATTRIBUTES\",\"TMIN\",\"TMIN_ATTRIBUTES\"\n\"USC00999001\",\"2026-06-12\",\"  289\",\",,7\",\"   72\",\",,7\"\n";
    Mock::given(path("/daily/access/USC00999001.csv"))
        .respond_with(ResponseTemplate::new(200).set_body_string(access))
        .mount(&server)
        .await;
    let station = StationId::from(STATION);
    for folder in ["csv/by_station/", "daily/access"] {
        let mut feeds = feeds_at(&server.uri());
        feeds.ghcn_daily.base_url = format!("{}/{folder}", server.uri()).into();
        let (fetcher, _) = fetcher(&feeds, |_| {});
        let ask = ask(&station, STATION, day(2026, 6, 12), day(2026, 6, 15));
        let parsed = feeds::pull(FeedKind::GhcnDaily, &fetcher, &feeds, &ask).await.unwrap();
        assert_eq!(parsed.readings.iter().map(|r| r.value.0).collect::<Vec<_>>(), [289, 72], "{folder}");
    }
}
