use treebell::store::StoreError;
use treebell::store::weather::{Added, ForecastValue, Pull};
use treebell::store::{Conflict, Store};
use treebell::weather::record::Known;
use treebell::weather::{Element, FeedKind, TenthsC, Version};

use super::{at, day, region, station};
use crate::engines::on_each_engine;

fn version(on: &str, value: i32, received_at: &str) -> Version {
    Version {
        day: day(on),
        element: Element::Max,
        value: TenthsC(value),
        feed: FeedKind::PlainCsv,
        day_reported: day(on),
        sampled: false,
        rejected: None,
        received_at: at(received_at),
        bulk: false,
    }
}

async fn add(store: &Store, versions: &[Version]) -> (usize, usize) {
    let added = store.add_versions(&"A".into(), versions).await.unwrap();
    assert_eq!(added.new + added.unchanged + added.repeated, versions.len());
    (added.new, added.unchanged)
}

#[tokio::test]
async fn a_station_comes_back_as_it_was_given() {
    on_each_engine("stations", |store| async move {
        let given = station("A");
        store.add_station(&given).await.unwrap();
        assert_eq!(store.station(&given.id).await.unwrap(), given);
        let again = store.add_station(&given).await;
        assert!(matches!(again, Err(StoreError::Conflict(Conflict::Exists { .. }))), "{again:?}");

        let mut changed = given.clone();
        changed.observation_hour = None;
        changed.elevation_m = -12.5;
        store.change_station(&changed).await.unwrap();
        assert_eq!(store.stations().await.unwrap(), [changed]);
        assert_eq!(store.add_missing_stations(&[station("A"), station("B")]).await.unwrap(), 1);
    })
    .await;
}

#[tokio::test]
async fn a_station_is_retired_only_when_no_region_needs_it() {
    on_each_engine("retiring stations", |store| async move {
        let now = at("2026-03-01T00:00:00Z");
        store.add_station(&station("A")).await.unwrap();
        store.add_region(&region("north", &["00101"], "A"), now).await.unwrap();
        let refused = store.retire_station(&"A".into(), now).await.unwrap_err();
        assert!(refused.to_string().contains("region north"), "{refused}");

        store.retire_region(&"north".into(), now).await.unwrap();
        store.retire_station(&"A".into(), now).await.unwrap();
        assert_eq!(store.stations().await.unwrap(), []);
        assert_eq!(store.all_stations().await.unwrap()[0].retired_at, Some(now));
        let refused = store.station(&"A".into()).await.unwrap_err();
        assert!(matches!(refused, StoreError::Conflict(Conflict::RetiredStation { .. })), "{refused}");
        store.add_station(&station("A")).await.unwrap();
        assert_eq!(store.stations().await.unwrap().len(), 1, "it may come back");
    })
    .await;
}

#[tokio::test]
async fn an_unknown_station_is_named_with_a_near_one() {
    on_each_engine("unknown stations", |store| async move {
        store.add_station(&station("ALT-VIE")).await.unwrap();
        let said = store.station(&"ALT-VEI".into()).await.unwrap_err().to_string();
        assert_eq!(said, "station `ALT-VEI` is unknown, did you mean `ALT-VIE`?");
        let said = store.add_versions(&"zzz".into(), &[]).await.unwrap_err().to_string();
        assert_eq!(said, "station `zzz` is unknown");
    })
    .await;
}

#[tokio::test]
async fn a_version_is_written_only_when_it_says_something_new() {
    on_each_engine("versions", |store| async move {
        store.add_station(&station("A")).await.unwrap();
        let first =
            [version("2026-04-01", 101, "2026-04-02T12:00:00Z"), version("2026-04-02", 120, "2026-04-03T12:00:00Z")];
        assert_eq!(add(&store, &first).await, (2, 0));
        assert_eq!(add(&store, &first).await, (0, 2), "the same call again");
        assert_eq!(
            add(&store, &[version("2026-04-01", 101, "2026-04-05T12:00:00Z")]).await,
            (0, 1),
            "told again later"
        );
        assert_eq!(add(&store, &[version("2026-04-01", 108, "2026-04-06T12:00:00Z")]).await, (1, 0), "revised");
        assert_eq!(add(&store, &[version("2026-04-01", 101, "2026-04-07T12:00:00Z")]).await, (1, 0), "and taken back");

        let mut flagged = version("2026-04-02", 120, "2026-04-08T12:00:00Z");
        flagged.rejected = Some("source flag I".into());
        assert_eq!(add(&store, &[flagged.clone()]).await, (1, 0), "another verdict is news");
        let mut other_feed = version("2026-04-01", 101, "2026-04-08T12:00:00Z");
        other_feed.feed = FeedKind::Acis;
        assert_eq!(add(&store, &[other_feed]).await, (1, 0), "each feed has its own versions");

        let record = store.record(&"A".into()).await.unwrap();
        let key = |v: &Version| (v.day, v.element, v.received_at);
        assert!(record.versions.is_sorted_by_key(key));
        assert_eq!(record.versions.len(), 6);
        assert_eq!(record.versions.last(), Some(&flagged));
        let extents = store.record_extents(&"A".into()).await.unwrap();
        assert_eq!(extents.iter().map(|e| (e.versions, e.rejected)).collect::<Vec<_>>(), [(1, 0), (5, 1)]);
    })
    .await;
}

#[tokio::test]
async fn two_values_of_one_millisecond_are_both_kept_and_the_last_of_one_call_counts() {
    on_each_engine("versions of one instant", |store| async move {
        store.add_station(&station("A")).await.unwrap();
        let now = "2026-04-02T12:00:00Z";
        let twice = [version("2026-04-01", 1, now), version("2026-04-01", 2, now)];
        let added = store.add_versions(&"A".into(), &twice).await.unwrap();
        assert_eq!(added, Added { new: 1, unchanged: 0, repeated: 1 });
        assert_eq!(store.record(&"A".into()).await.unwrap().versions, [version("2026-04-01", 2, now)]);
        assert_eq!(add(&store, &twice[1..]).await, (0, 1));

        assert_eq!(add(&store, &[version("2026-04-01", 3, now)]).await, (1, 0));
        let values: Vec<i32> = store.record(&"A".into()).await.unwrap().versions.iter().map(|v| v.value.0).collect();
        assert_eq!(values, [2, 3], "nothing is overwritten");
    })
    .await;
}

#[tokio::test]
async fn a_reading_is_followed_when_it_is_attributed_to_another_day() {
    on_each_engine("attribution", |store| async move {
        store.add_station(&station("A")).await.unwrap();
        let filed = |on: &str, received: &str| {
            let mut moved = version(on, 200, received);
            moved.day_reported = day("2026-04-02");
            moved
        };
        assert_eq!(add(&store, &[filed("2026-04-02", "2026-04-02T12:00:00Z")]).await, (1, 0));
        assert_eq!(add(&store, &[filed("2026-04-01", "2026-04-03T12:00:00Z")]).await, (1, 0), "to the day before");
        assert_eq!(add(&store, &[filed("2026-04-01", "2026-04-04T12:00:00Z")]).await, (0, 1));
        assert_eq!(add(&store, &[filed("2026-04-02", "2026-04-05T12:00:00Z")]).await, (1, 0), "and back");

        let evening = version("2026-04-01", 190, "2026-04-03T12:00:00Z");
        assert_eq!(add(&store, &[evening]).await, (1, 0), "another reading of the same day, received together");
    })
    .await;
}

#[tokio::test]
async fn a_record_answers_what_was_known_when() {
    on_each_engine("as of", |store| async move {
        let a = station("A");
        store.add_station(&a).await.unwrap();
        let mut low = version("2026-04-01", -5, "2026-04-02T12:00:00Z");
        low.element = Element::Min;
        add(&store, &[low, version("2026-04-01", 101, "2026-04-02T12:00:00Z")]).await;
        add(&store, &[version("2026-04-01", 140, "2026-04-09T12:00:00Z")]).await;
        let record = store.record(&a.id).await.unwrap().index(a.time_zone);
        let max_as_of = |text: &str| {
            let known = Known::At { instant: at(text), bulk_latency_days: 2 };
            let series = record.as_of(known, &a.sources, day("2026-04-01"), day("2026-04-01"));
            series.days.first().and_then(|day| day.max).map(|max| max.value.0)
        };
        assert_eq!(max_as_of("2026-04-02T11:00:00Z"), None);
        assert_eq!(max_as_of("2026-04-03T00:00:00Z"), Some(101));
        assert_eq!(max_as_of("2026-04-10T00:00:00Z"), Some(140));
    })
    .await;
}

#[tokio::test]
async fn the_newest_forecast_known_by_then_is_given_whole() {
    on_each_engine("forecasts", |store| async move {
        store.add_station(&station("A")).await.unwrap();
        let id = "A".into();
        let value = |on: &str, value| ForecastValue { day: day(on), element: Element::Max, value: TenthsC(value) };
        assert_eq!(store.forecast(&id, at("2026-04-02T00:00:00Z")).await.unwrap(), None);
        let first = [value("2026-04-02", 150), value("2026-04-03", 160)];
        store.add_forecast(&id, &first, at("2026-04-01T12:00:00Z")).await.unwrap();
        store.add_forecast(&id, &[value("2026-04-03", 170)], at("2026-04-02T12:00:00Z")).await.unwrap();
        assert_eq!(store.forecast(&id, at("2026-04-02T00:00:00Z")).await.unwrap().unwrap().values, first);
        let later = store.forecast(&id, at("2026-04-03T00:00:00Z")).await.unwrap().unwrap();
        assert_eq!(later.values, [value("2026-04-03", 170)], "an older forecast is never mixed in");
        assert_eq!(later.received_at, at("2026-04-02T12:00:00Z"));
    })
    .await;
}

#[tokio::test]
async fn the_newest_pull_of_each_source_is_told() {
    on_each_engine("pulls", |store| async move {
        let pull = |feed, started: &str, error: Option<&str>| Pull {
            station: "A".into(),
            feed,
            started_at: at(started),
            taken: 20,
            rejected: 1,
            error: error.map(str::to_owned),
        };
        let newest = pull(FeedKind::Acis, "2026-04-02T06:00:00Z", Some("status 500"));
        let other = pull(FeedKind::PlainCsv, "2026-03-02T06:00:00Z", None);
        for pull in [&pull(FeedKind::Acis, "2026-04-01T06:00:00Z", None), &newest, &other] {
            store.add_pull(pull).await.unwrap();
        }
        assert_eq!(store.last_pulls().await.unwrap(), [newest, other]);
    })
    .await;
}

#[tokio::test]
async fn the_newest_day_of_a_station_is_one_that_had_come_by_then() {
    on_each_engine("the newest day of a station", |store| async move {
        crate::people::two_regions(&store).await;
        let versions =
            [version("2026-03-01", 100, "2026-03-02T12:00:00Z"), version("2026-03-05", 110, "2026-03-06T12:00:00Z")];
        store.add_versions(&"A".into(), &versions).await.unwrap();
        for (now, newest) in [
            ("2026-03-02T11:59:59Z", None),
            ("2026-03-02T12:00:00Z", Some("2026-03-01")),
            ("2026-03-06T12:00:00Z", Some("2026-03-05")),
        ] {
            let stations = store.stations_of_region(&"north".into(), at(now)).await.unwrap();
            assert_eq!(stations[0].newest_day, newest.map(day), "{now}");
        }
    })
    .await;
}
