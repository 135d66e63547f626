//! A whole pull: sources in their order, stations apart from each other, and what stays in the store.

use std::sync::Arc;

use chrono::{Datelike, NaiveDate};
use serde_json::{Value, json};
use treebell::clock::{Clock, ManualClock};
use treebell::config::Config;
use treebell::geo::Point;
use treebell::randomness::Randomness;
use treebell::service::pull::{PullReport, pull_all};
use treebell::store::Store;
use treebell::weather::feeds::FeedError;
use treebell::weather::fetch::{FetchError, Fetcher, Limits, NotedSleeper};
use treebell::weather::{Element, FeedKind, SourceRef, Station, StationId, TenthsC, Version};
use wiremock::matchers::{body_partial_json, method, path, query_param};
use wiremock::{Mock, MockServer, ResponseTemplate};

use super::{NOW, day, feeds_at, utc};

struct World {
    store: Store,
    server: MockServer,
    config: Config,
    clock: Arc<ManualClock>,
    fetcher: Fetcher,
}

impl World {
    /// With stations `A`, `B`, … each with the same sources; `{}` in an id stands for the station's letter.
    async fn new(stations: usize, sources: &[(FeedKind, &str)]) -> Self {
        let server = MockServer::start().await;
        let config = Config { feeds: feeds_at(&server.uri()), ..Config::default() };
        let clock = Arc::new(ManualClock::at(utc(NOW)));
        let limits = Limits { tries: 2, ..Limits::of(&config.feeds) };
        let fetcher = Fetcher::with(
            &config.feeds,
            limits,
            Arc::clone(&clock) as _,
            Randomness::seeded(1),
            Arc::new(NotedSleeper::default()),
        )
        .unwrap();
        let store = Store::in_memory().await.unwrap();
        for letter in ["A", "B", "C"].into_iter().take(stations) {
            let sources =
                sources.iter().map(|(feed, id)| SourceRef { feed: *feed, id: id.replace("{}", letter) }).collect();
            let station = Station {
                id: letter.into(),
                name: format!("Example {letter}"),
                place: Point { latitude: 35.0, longitude: -135.0 },
                elevation_m: 2000.0,
                time_zone: chrono_tz::America::Denver,
                observation_hour: None,
                sources,
            };
            store.add_station(&station).await.unwrap();
        }
        Self { store, server, config, clock, fetcher }
    }

    async fn pull(&self) -> PullReport {
        let stations = self.store.stations().await.unwrap();
        let clock: Arc<dyn Clock> = Arc::clone(&self.clock) as _;
        pull_all(&self.store, &self.fetcher, &self.config, &clock, &stations).await
    }

    /// A full record up to a day, as if pulled before.
    async fn knows_until(&self, letter: &str, last: NaiveDate) {
        let first = day(2026, 1, 1);
        let versions: Vec<Version> = first
            .iter_days()
            .take_while(|day| *day <= last)
            .flat_map(|day| [Element::Max, Element::Min].map(|element| (day, element)))
            .map(|(day, element)| Version {
                day,
                element,
                value: TenthsC(if element == Element::Max { 200 } else { 50 }),
                feed: FeedKind::DailySummaries,
                day_reported: day,
                sampled: false,
                rejected: None,
                received_at: utc("2026-06-15T18:00:00Z"),
                bulk: false,
            })
            .collect();
        self.store.add_versions(&letter.into(), &versions).await.unwrap();
    }

    /// Day of June, element, tenths, feed; of the last days only.
    async fn june(&self, letter: &str) -> Vec<(u32, Element, i32, FeedKind)> {
        let record = self.store.record(&letter.into()).await.unwrap();
        let recent = record.versions.iter().filter(|version| version.day >= day(2026, 6, 1));
        recent.map(|v| (v.day.day(), v.element, v.value.0, v.feed)).collect()
    }

    async fn questions(&self, path: &str) -> usize {
        self.server.received_requests().await.unwrap().iter().filter(|request| request.url.path() == path).count()
    }
}

fn summaries(station: &str, days: impl Iterator<Item = NaiveDate>) -> Value {
    days.map(|day| json!({"DATE": day.to_string(), "STATION": station, "TMAX": "  200", "TMAX_ATTRIBUTES": ",,W,2400", "TMIN": "   50", "TMIN_ATTRIBUTES": ",,W,2400"})).collect()
}

fn span(first: NaiveDate, last: NaiveDate) -> impl Iterator<Item = NaiveDate> {
    first.iter_days().take_while(move |day| *day <= last)
}

/// 14 and 15 June by a reader at seven: 82 °F, 46 °F, then 84 °F, 45 °F on the 16th.
fn acis_rows(from: NaiveDate) -> Value {
    let row = |day: NaiveDate| match day.day() {
        15 if (day.year(), day.month()) == (2026, 6) => json!([day.to_string(), ["82", " ", 5], ["46", " ", 5]]),
        16 if (day.year(), day.month()) == (2026, 6) => json!([day.to_string(), ["84", " ", 5], ["45", " ", 5]]),
        _ => json!([day.to_string(), ["M", " ", -1], ["M", " ", -1]]),
    };
    json!({"meta": {}, "data": span(from, day(2026, 6, 16)).map(row).collect::<Vec<_>>()})
}

const BOTH: [(FeedKind, &str); 2] = [(FeedKind::DailySummaries, "USC0099900{}"), (FeedKind::Acis, "USC0099900{} 6")];

#[tokio::test]
async fn a_failing_source_falls_to_the_next_and_both_are_noted() {
    let world = World::new(1, &BOTH).await;
    Mock::given(path("/summaries")).respond_with(ResponseTemplate::new(503)).expect(2).mount(&world.server).await;
    let answer = ResponseTemplate::new(200).set_body_json(acis_rows(day(2025, 5, 12)));
    Mock::given(path("/acis/StnData")).respond_with(answer).expect(1).mount(&world.server).await;
    let report = world.pull().await;
    assert!(report.silent_stations().is_empty());
    let outcomes: Vec<_> = report.stations[0].sources.iter().map(|source| source.outcome.is_ok()).collect();
    assert_eq!(outcomes, [false, true]);
    // The maxima were read in the morning: they belong to the days before. 82 °F = 27.8 °C, 46 °F = 7.8 °C.
    assert_eq!(
        world.june("A").await,
        [
            (14, Element::Max, 278, FeedKind::Acis),
            (15, Element::Max, 289, FeedKind::Acis),
            (15, Element::Min, 78, FeedKind::Acis),
            (16, Element::Min, 72, FeedKind::Acis)
        ]
    );
    let pulls = world.store.last_pulls().await.unwrap();
    let noted: Vec<_> = pulls.iter().map(|p| (p.feed, p.taken, p.error.is_some())).collect();
    assert_eq!(noted, [(FeedKind::Acis, 4, false), (FeedKind::DailySummaries, 0, true)]);
    let error = pulls[1].error.as_deref().unwrap();
    assert!(error.contains("status 503, 2 tries"), "{error}");
}

#[tokio::test]
async fn a_source_that_closes_all_recent_days_is_enough() {
    let world = World::new(1, &BOTH).await;
    world.knows_until("A", day(2026, 6, 14)).await;
    let full = summaries("USC0099900A", span(day(2026, 6, 6), day(2026, 6, 15)));
    Mock::given(path("/summaries"))
        .and(query_param("startDate", "2026-06-06"))
        .and(query_param("endDate", "2026-06-16"))
        .respond_with(ResponseTemplate::new(200).set_body_json(full))
        .expect(1)
        .mount(&world.server)
        .await;
    let report = world.pull().await;
    assert_eq!(report.stations[0].sources.len(), 1);
    // Nine of the ten days were known with these values; only the 15th is news.
    assert_eq!(report.new_values(), 2);
    assert_eq!(world.questions("/acis/StnData").await, 0);
}

#[tokio::test]
async fn a_source_that_answers_but_leaves_yesterday_open_is_followed_by_the_next() {
    let world = World::new(1, &BOTH).await;
    world.knows_until("A", day(2026, 6, 13)).await;
    let late = summaries("USC0099900A", span(day(2026, 6, 6), day(2026, 6, 13)));
    Mock::given(path("/summaries"))
        .respond_with(ResponseTemplate::new(200).set_body_json(late))
        .mount(&world.server)
        .await;
    let answer = ResponseTemplate::new(200).set_body_json(acis_rows(day(2026, 6, 6)));
    Mock::given(path("/acis/StnData")).respond_with(answer).expect(1).mount(&world.server).await;
    let report = world.pull().await;
    assert_eq!(report.stations[0].sources.len(), 2);
    assert!(world.june("A").await.contains(&(15, Element::Max, 289, FeedKind::Acis)));
}

#[tokio::test]
async fn pulling_again_changes_nothing_and_a_revision_is_a_new_version() {
    let world = World::new(1, &BOTH[..1]).await;
    world.knows_until("A", day(2026, 6, 14)).await;
    let mut rows = summaries("USC0099900A", span(day(2026, 6, 6), day(2026, 6, 15)));
    Mock::given(path("/summaries"))
        .respond_with(ResponseTemplate::new(200).set_body_json(&rows))
        .up_to_n_times(2)
        .mount(&world.server)
        .await;
    assert_eq!(world.pull().await.new_values(), 2);
    let once = world.store.record(&"A".into()).await.unwrap();
    world.clock.advance(chrono::Duration::hours(5));
    assert_eq!(world.pull().await.new_values(), 0);
    assert_eq!(world.store.record(&"A".into()).await.unwrap(), once);

    rows[4]["TMAX"] = json!("  215");
    Mock::given(path("/summaries"))
        .respond_with(ResponseTemplate::new(200).set_body_json(&rows))
        .mount(&world.server)
        .await;
    world.clock.advance(chrono::Duration::hours(5));
    assert_eq!(world.pull().await.new_values(), 1);
    let june = world.june("A").await;
    let tenth: Vec<_> = june.iter().filter(|(day, element, ..)| (*day, *element) == (10, Element::Max)).collect();
    assert_eq!(tenth.iter().map(|(_, _, value, _)| *value).collect::<Vec<_>>(), [200, 215]);
}

#[tokio::test]
async fn one_failing_station_holds_up_no_other() {
    let world = World::new(3, &BOTH[..1]).await;
    for letter in ["A", "B", "C"] {
        let id = format!("USC0099900{letter}");
        let answer = match letter {
            // Never within the time that any test has.
            "A" => ResponseTemplate::new(200).set_delay(std::time::Duration::from_secs(600)),
            "B" => ResponseTemplate::new(200).set_body_string("<html><title>down</title>"),
            _ => ResponseTemplate::new(200).set_body_json(summaries(&id, span(day(2026, 6, 6), day(2026, 6, 15)))),
        };
        Mock::given(path("/summaries"))
            .and(query_param("stations", id))
            .respond_with(answer)
            .mount(&world.server)
            .await;
    }
    let limits = Limits { tries: 1, timeout: std::time::Duration::from_millis(300), ..Limits::of(&world.config.feeds) };
    let clock: Arc<dyn Clock> = Arc::clone(&world.clock) as _;
    let fetcher = Fetcher::with(
        &world.config.feeds,
        limits,
        Arc::clone(&clock),
        Randomness::seeded(1),
        Arc::new(NotedSleeper::default()),
    )
    .unwrap();
    let stations = world.store.stations().await.unwrap();
    let report = pull_all(&world.store, &fetcher, &world.config, &clock, &stations).await;
    assert_eq!(report.silent_stations(), [&StationId::from("A"), &StationId::from("B")]);
    let why = |at: usize| report.stations[at].sources[0].outcome.as_ref().unwrap_err();
    assert!(matches!(why(0), FeedError::Fetch(FetchError::TooSlow { .. })), "{}", why(0));
    assert!(matches!(why(1), FeedError::Fetch(FetchError::Html { .. })), "{}", why(1));
    assert_eq!(world.june("C").await.len(), 20);
    assert_eq!(world.store.last_pulls().await.unwrap().len(), 3);
}

#[tokio::test]
async fn after_downtime_all_days_since_the_newest_are_asked_for() {
    let world = World::new(1, &BOTH[..1]).await;
    world.knows_until("A", day(2026, 4, 20)).await;
    Mock::given(path("/summaries"))
        .and(query_param("startDate", "2026-04-20"))
        .respond_with(
            ResponseTemplate::new(200)
                .set_body_json(summaries("USC0099900A", span(day(2026, 4, 20), day(2026, 6, 15)))),
        )
        .expect(1)
        .mount(&world.server)
        .await;
    assert_eq!(world.pull().await.new_values(), 2 * 56);
}

#[tokio::test]
async fn an_answer_without_anything_is_no_answer() {
    let world = World::new(1, &BOTH[..1]).await;
    Mock::given(path("/summaries"))
        .respond_with(ResponseTemplate::new(200).set_body_string("[]"))
        .mount(&world.server)
        .await;
    let report = world.pull().await;
    assert!(matches!(report.stations[0].sources[0].outcome, Err(FeedError::Nothing { .. })));
    assert_eq!(report.silent_stations().len(), 1);
}

#[tokio::test]
async fn a_forecast_is_kept_beside_the_record() {
    let sources = [(FeedKind::DailySummaries, "USC0099900{}"), (FeedKind::NwsForecast, "ZZZ/101,111")];
    let world = World::new(1, &sources).await;
    let full = summaries("USC0099900A", span(day(2026, 6, 6), day(2026, 6, 15)));
    Mock::given(path("/summaries"))
        .respond_with(ResponseTemplate::new(200).set_body_json(full))
        .mount(&world.server)
        .await;
    let grid = json!({"properties": {"updateTime": "2026-06-16T10:00:00+00:00",
        "maxTemperature": {"uom": "wmoUnit:degC", "values": [{"validTime": "2026-06-17T14:00:00+00:00/PT13H", "value": 28.3}]},
        "minTemperature": {"uom": "wmoUnit:degC", "values": [{"validTime": "2026-06-17T02:00:00+00:00/PT14H", "value": 7.2}]}}});
    Mock::given(path("/nws/gridpoints/ZZZ/101,111"))
        .respond_with(ResponseTemplate::new(200).set_body_json(grid))
        .mount(&world.server)
        .await;
    world.pull().await;
    let forecast = world.store.forecast(&"A".into(), utc(NOW)).await.unwrap().unwrap();
    let values: Vec<_> = forecast.values.iter().map(|v| (v.day, v.element, v.value.0)).collect();
    assert_eq!(values, [(day(2026, 6, 17), Element::Max, 283), (day(2026, 6, 17), Element::Min, 72)]);
    assert!(world.june("A").await.iter().all(|(.., feed)| *feed == FeedKind::DailySummaries));
}

#[tokio::test]
async fn a_flagged_value_is_kept_with_its_reason_and_its_day_stays_open() {
    let world = World::new(1, &BOTH).await;
    world.knows_until("A", day(2026, 6, 14)).await;
    let mut rows = summaries("USC0099900A", span(day(2026, 6, 15), day(2026, 6, 15)));
    rows[0]["TMAX_ATTRIBUTES"] = json!(",I,W,2400");
    Mock::given(path("/summaries"))
        .respond_with(ResponseTemplate::new(200).set_body_json(rows))
        .mount(&world.server)
        .await;
    let answer = ResponseTemplate::new(200).set_body_json(acis_rows(day(2026, 6, 6)));
    Mock::given(path("/acis/StnData")).respond_with(answer).expect(1).mount(&world.server).await;
    world.pull().await;
    let record = world.store.record(&"A".into()).await.unwrap();
    let flagged: Vec<_> = record.versions.iter().filter_map(|version| version.rejected.as_deref()).collect();
    assert_eq!(flagged, ["GHCN quality flag I: internal consistency"]);
    assert_eq!(
        world.store.last_pulls().await.unwrap().iter().map(|p| (p.taken, p.rejected)).collect::<Vec<_>>(),
        [(4, 0), (1, 1)]
    );
}

/// As `MultiStnData` answers: rows without dates.
fn acis_many(letters: &[&str], from: NaiveDate) -> Value {
    let rows = acis_rows(from);
    let bare: Vec<Value> = rows["data"].as_array().unwrap().iter().map(|row| json!([row[1], row[2]])).collect();
    let station = |letter: &&str| json!({"meta": {"sids": [format!("USC0099900{letter} 6")]}, "data": bare});
    json!({"data": letters.iter().map(station).collect::<Vec<_>>()})
}

#[tokio::test]
async fn stations_that_acis_knows_are_asked_for_together() {
    let world = World::new(3, &BOTH[1..]).await;
    for letter in ["A", "B", "C"] {
        world.knows_until(letter, day(2026, 6, 14)).await;
    }
    // C is missing in the common answer and asked for by itself.
    Mock::given(method("POST"))
        .and(path("/acis/MultiStnData"))
        .and(body_partial_json(json!({"sids": ["USC0099900A 6", "USC0099900B 6", "USC0099900C 6"], "sdate": "2026-06-06", "edate": "2026-06-16"})))
        .respond_with(ResponseTemplate::new(200).set_body_json(acis_many(&["B", "A"], day(2026, 6, 6))))
        .expect(1)
        .mount(&world.server)
        .await;
    Mock::given(path("/acis/StnData"))
        .and(body_partial_json(json!({"sid": "USC0099900C 6"})))
        .respond_with(ResponseTemplate::new(200).set_body_json(acis_rows(day(2026, 6, 6))))
        .expect(1)
        .mount(&world.server)
        .await;
    world.pull().await;
    let wanted = world.june("C").await;
    assert!(wanted.contains(&(15, Element::Max, 289, FeedKind::Acis)));
    assert_eq!((world.june("A").await, world.june("B").await), (wanted.clone(), wanted));
}

#[tokio::test]
async fn when_the_common_question_fails_each_station_is_asked_for() {
    let world = World::new(2, &BOTH[1..]).await;
    Mock::given(path("/acis/MultiStnData")).respond_with(ResponseTemplate::new(500)).mount(&world.server).await;
    for letter in ["A", "B"] {
        world.knows_until(letter, day(2026, 6, 14)).await;
        Mock::given(path("/acis/StnData"))
            .and(body_partial_json(json!({"sid": format!("USC0099900{letter} 6")})))
            .respond_with(ResponseTemplate::new(200).set_body_json(acis_rows(day(2026, 6, 6))))
            .expect(1)
            .mount(&world.server)
            .await;
    }
    let report = world.pull().await;
    assert!(report.silent_stations().is_empty());
}

#[tokio::test]
async fn hourly_observations_stand_in_for_yesterday_until_better_is_known() {
    let sources = [(FeedKind::DailySummaries, "USC0099900{}"), (FeedKind::NwsObservations, "KZZ9")];
    let world = World::new(1, &sources).await;
    world.knows_until("A", day(2026, 6, 14)).await;
    let known = summaries("USC0099900A", span(day(2026, 6, 6), day(2026, 6, 14)));
    Mock::given(path("/summaries"))
        .respond_with(ResponseTemplate::new(200).set_body_json(known))
        .mount(&world.server)
        .await;
    let start = utc("2026-06-15T07:30:00Z");
    let features: Vec<Value> = (0..26)
        .map(|hour| {
            json!({"properties": {"timestamp": (start + chrono::Duration::hours(hour)).to_rfc3339(),
                "temperature": {"unitCode": "wmoUnit:degC", "value": hour, "qualityControl": "V"}}})
        })
        .collect();
    Mock::given(path("/nws/stations/KZZ9/observations"))
        // Eight days back at most, whatever is wanted.
        .and(query_param("start", "2026-06-08T07:00:00Z"))
        .respond_with(ResponseTemplate::new(200).set_body_json(json!({"features": features})))
        .expect(1)
        .mount(&world.server)
        .await;
    let report = world.pull().await;
    let fifteenth: Vec<_> = world.june("A").await.into_iter().filter(|(day, ..)| *day == 15).collect();
    assert_eq!(
        fifteenth,
        [(15, Element::Max, 230, FeedKind::NwsObservations), (15, Element::Min, 0, FeedKind::NwsObservations)]
    );
    // Today's two hours are no day yet, and not worth a word.
    let taken = report.stations[0].sources[1].outcome.as_ref().unwrap();
    assert!(taken.rejected_lines.is_empty(), "{:?}", taken.rejected_lines);
}

#[tokio::test]
async fn a_station_without_sources_is_left_in_peace() {
    let world = World::new(1, &[]).await;
    let report = world.pull().await;
    assert!(report.stations[0].sources.is_empty() && report.silent_stations().is_empty());
}

/// A table with one good row and then 31 million lines of one letter, as a server may pack them into 64 kB.
fn packed_rubbish() -> Vec<u8> {
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    std::io::Write::write_all(&mut packer, b"date,tmin,tmax\n2026-06-14,5,20\n").unwrap();
    let piece = b"x\n".repeat(1 << 19);
    for _ in 0..60 {
        std::io::Write::write_all(&mut packer, &piece).unwrap();
    }
    packer.finish().unwrap()
}

#[tokio::test]
async fn an_answer_that_is_all_rubbish_is_not_read_to_its_end() {
    let mut world = World::new(0, &[]).await;
    let body = packed_rubbish();
    assert!(body.len() < 80_000, "{} bytes on the wire", body.len());
    let answer = ResponseTemplate::new(200).insert_header("content-encoding", "gzip").set_body_raw(body, "text/csv");
    Mock::given(path("/log.csv")).respond_with(answer).mount(&world.server).await;
    world.config.feeds.private_hosts = vec!["127.0.0.1".into()];
    world.fetcher = Fetcher::new(&world.config.feeds, Arc::clone(&world.clock) as _, Randomness::seeded(1)).unwrap();
    let station = Station {
        id: "A".into(),
        name: "Example A".into(),
        place: Point { latitude: 35.0, longitude: -135.0 },
        elevation_m: 2000.0,
        time_zone: chrono_tz::America::Denver,
        observation_hour: None,
        sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: format!("{}/log.csv#celsius", world.server.uri()) }],
    };
    world.store.add_station(&station).await.unwrap();
    let report = world.pull().await;
    let why = report.stations[0].sources[0].outcome.as_ref().unwrap_err();
    assert!(matches!(why, FeedError::TooManyRejected { most: 10_000, .. }), "{why}");
    assert_eq!(report.silent_stations().len(), 1);
}

#[tokio::test]
async fn an_answer_without_one_usable_value_is_a_failure_that_says_what_it_held() {
    let world = World::new(1, &[(FeedKind::DailySummaries, "USC0099000{}")]).await;
    let rows: Value = span(day(2026, 6, 6), day(2026, 6, 15))
        .enumerate()
        .map(|(at, day)| json!({"DATE": day.to_string(), "STATION": "USC0099000A", "TMAX": if at == 0 { "warm" } else { "" }, "TMIN": ""}))
        .collect();
    Mock::given(path("/summaries"))
        .respond_with(ResponseTemplate::new(200).set_body_json(rows))
        .mount(&world.server)
        .await;
    let report = world.pull().await;
    let why = report.stations[0].sources[0].outcome.as_ref().unwrap_err();
    assert!(matches!(why, FeedError::NothingTaken { rejected: 1, .. }), "{why}");
    assert!(why.to_string().contains("1 × "), "{why}");
    assert_eq!(report.silent_stations().len(), 1);
}

#[tokio::test]
async fn of_what_was_rejected_counts_and_five_places_are_kept() {
    let world = World::new(1, &[(FeedKind::DailySummaries, "USC0099000{}")]).await;
    let rows: Value = span(day(2026, 6, 6), day(2026, 6, 15))
        .map(|day| json!({"DATE": day.to_string(), "STATION": "USC0099000A", "TMAX": "warm", "TMIN": "   50", "TMIN_ATTRIBUTES": ",,W,2400"}))
        .collect();
    Mock::given(path("/summaries"))
        .respond_with(ResponseTemplate::new(200).set_body_json(rows))
        .mount(&world.server)
        .await;
    let report = world.pull().await;
    let taken = report.stations[0].sources[0].outcome.as_ref().unwrap();
    assert!(taken.accepted > 0);
    assert_eq!(
        (taken.rejected_lines.total(), taken.rejected_lines.examples.len()),
        (10, 5),
        "{}",
        taken.rejected_lines
    );
}
