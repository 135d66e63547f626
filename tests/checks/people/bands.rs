//! A ZIP code that climbs a mountain: regions for its heights, who lives in which, and what people are asked and told.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::{AnyConnection, AssertSqlSafe, Connection, Row};
use treebell::message::{Message, Sender, Templates, TransactionalFacts, TransactionalKind, sms};
use treebell::people::Language;
use treebell::region::{Band, HeightChoice, Region};
use treebell::season::{NoticeKind, SeasonKey};
use treebell::service::subscribe::confirm;
use treebell::service::subscribe::{heights, messages, sign_up};
use treebell::service::texts::TextOutcome;
use treebell::store::Store;
use treebell::store::notices::NewNotice;

use super::field_reports::older;
use super::inbound::{Desk, PHONE};
use super::joining::out;
use super::notices::texts;
use super::{address, at, region, station, subscribe, subscriber, two_regions, zip};
use crate::engines::{at_each_address, every_row, on_each_engine};
use crate::support::open_store;

const MAIL: &str = "owner@example.org";

fn band(text: &str) -> Option<Band> {
    Some(Band::parse_feet(text).unwrap())
}

fn at_heights(id: &str, zips: &[&str], elevation_m: f64, heights: &str, landmark: &str) -> Region {
    Region { elevation_m, band: band(heights), landmarks: vec![landmark.into()], ..region(id, zips, "A") }
}

fn low() -> Region {
    at_heights("low", &["00101"], 1700.0, "..6500", "Red Rock")
}

fn high() -> Region {
    at_heights("high", &["00101"], 2100.0, "6500..", "High Mesa")
}

/// Station A; ZIP code 00101 with regions `low`, below 6,500 ft, and `high` above; 00201 with `south`.
async fn mountain(store: &Store) {
    store.add_station(&station("A")).await.unwrap();
    let now = at("2026-01-01T00:00:00Z");
    store.put_regions(&[high(), low(), region("south", &["00201"], "A")], now).await.unwrap();
}

/// The regions in which the owner of an address lives, and whether they have said so.
async fn homes(store: &Store, of: &str) -> Vec<(String, bool)> {
    let subscriber = store.subscriber_of(&address(of)).await.unwrap().unwrap();
    let home = |home: treebell::store::bands::Home| {
        (home.region.map_or_else(|| "none".into(), |id| id.to_string()), home.said.is_some())
    };
    subscriber.homes.into_iter().map(home).collect()
}

async fn say(store: &Store, of: &str, feet: f64) {
    let key = store.address_id(&address(of)).await.unwrap();
    let said = Band::at_feet(feet).unwrap();
    store.say_height(&key, &zip("00101"), said, at("2026-03-21T12:00:00Z")).await.unwrap();
}

/// A notice of a region that is out at once.
fn notice_of(region: &str, kind: NoticeKind, now: DateTime<Utc>) -> NewNotice {
    let season = SeasonKey { profile: "pinyon-needle-scale".into(), region: region.into(), year: 2026 };
    NewNotice { season, ..out(kind, now, 14) }
}

/// Region and state of each delivery of a notice to an address.
async fn told(store: &Store, to: &str) -> Vec<String> {
    let key = store.address_hash().of(&address(to));
    sqlx::query(
        "SELECT notice_id, state FROM deliveries WHERE address_id = $1 AND notice_id IS NOT NULL ORDER BY notice_id",
    )
    .bind(key.as_str())
    .fetch_all(&mut *store.read().await.unwrap())
    .await
    .unwrap()
    .iter()
    .map(|row| {
        let (notice, state): (String, String) = (row.get("notice_id"), row.get("state"));
        format!("{} {state}", notice.split('/').nth(1).unwrap())
    })
    .collect()
}

fn counts(of: BTreeMap<treebell::region::RegionId, u64>) -> Vec<(String, u64)> {
    of.into_iter().map(|(id, n)| (id.to_string(), n)).collect()
}

#[tokio::test]
async fn an_older_store_keeps_its_people_in_their_region() {
    at_each_address("migrating regions to heights", |address| async move {
        sqlx::any::install_default_drivers();
        let is_sqlite = address.starts_with("sqlite:");
        let url = if is_sqlite { format!("{address}?mode=rwc") } else { address.clone() };
        let mut old = AnyConnection::connect(&url).await.unwrap();
        let run = async |old: &mut AnyConnection, text: String| {
            sqlx::raw_sql(AssertSqlSafe(text)).execute(old).await.unwrap();
        };
        run(&mut old, "CREATE TABLE schema_migrations (version BIGINT PRIMARY KEY, name TEXT NOT NULL)".into()).await;
        for (version, text) in [
            (1, include_str!("../../../src/store/migrations/0001_base.sql")),
            (2, include_str!("../../../src/store/migrations/0002_letters.sql")),
            (4, include_str!("../../../src/store/migrations/0004_inbound.sql")),
            (5, include_str!("../../../src/store/migrations/0005_notice_chart.sql")),
            (6, include_str!("../../../src/store/migrations/0006_answers.sql")),
            (7, include_str!("../../../src/store/migrations/0007_text_parts.sql")),
            (8, include_str!("../../../src/store/migrations/0008_field_reports.sql")),
            (9, include_str!("../../../src/store/migrations/0009_learning.sql")),
            (10, include_str!("../../../src/store/migrations/0010_alarms.sql")),
            (11, include_str!("../../../src/store/migrations/0011_audit.sql")),
            (12, include_str!("../../../src/store/migrations/0012_hash_keys.sql")),
            (13, include_str!("../../../src/store/migrations/0013_unfinished_tries.sql")),
        ] {
            run(&mut old, format!("BEGIN;\n{}\nCOMMIT;", older(text, is_sqlite))).await;
            run(&mut old, format!("INSERT INTO schema_migrations (version, name) VALUES ({version}, 'x')")).await;
        }
        for text in [
            "INSERT INTO stations (id, name, latitude, longitude, elevation_m, time_zone, sources)
             VALUES ('A', 'A', 32.75, -134.95, 1565, 'America/Denver', '[]')",
            "INSERT INTO regions (id, name, latitude, longitude, elevation_m, time_zone, profile, release_policy, hold_hours, created_at)
             VALUES ('mesa', 'Mesa', 32.75, -134.95, 1700, 'America/Denver', 'pinyon-needle-scale', 'at-once', 0, 0)",
            "INSERT INTO region_stations (region_id, rank, station_id) VALUES ('mesa', 0, 'A')",
            "INSERT INTO region_zips (zip, region_id) VALUES ('00101', 'mesa'), ('00102', 'mesa')",
            "INSERT INTO subscribers (id, language, created_at) VALUES ('s-1', 'en', 0), ('s-2', 'es', 0)",
            "INSERT INTO subscriber_zips (subscriber_id, zip) VALUES ('s-1', '00101'), ('s-2', '00102')",
        ] {
            run(&mut old, text.into()).await;
        }
        old.close().await.unwrap();

        let store = open_store(&address).await.unwrap();
        let mesa = store.region(&"mesa".into()).await.unwrap();
        assert_eq!((mesa.zips.len(), mesa.band, mesa.county.clone()), (2, None, None));
        assert!(mesa.landmarks.is_empty() && mesa.state.is_none());
        assert_eq!(counts(store.subscriber_counts().await.unwrap()), [("mesa".into(), 2)]);
        assert!(store.unanswered_heights().await.unwrap().is_empty());

        // The region becomes the upper one: who lived in it stays, though a lower one comes.
        store.change_region(&Region { band: band("5000.."), ..mesa }).await.unwrap();
        store.add_region(&at_heights("foot", &["00101"], 1400.0, "..5000", "Red Rock"), at("2026-02-01T00:00:00Z")).await.unwrap();
        assert_eq!(counts(store.subscriber_counts().await.unwrap()), [("mesa".into(), 2)]);
        assert_eq!(counts(store.unanswered_heights().await.unwrap()), [("mesa".into(), 1)], "only where it matters");
        store.close().await;
    })
    .await;
}

#[tokio::test]
async fn heights_that_meet_are_refused_with_the_region_that_has_them() {
    on_each_engine("heights that meet", |store| async move {
        mountain(&store).await;
        let now = at("2026-01-02T00:00:00Z");
        let said = store.add_region(&at_heights("mid", &["00101"], 2000.0, "6400..7000", "Saddle"), now).await;
        assert_eq!(
            said.unwrap_err().to_string(),
            "already taken: ZIP code 00101 by region `low` (below 6,500 ft), 00101 by region `high` (6,500 ft and above); take \
             them out there first, or give each region heights that do not meet (--band-ft)"
        );
        let said = store.add_region(&region("all", &["00101"], "A"), now).await.unwrap_err().to_string();
        assert!(said.contains("00101 by region `low` (below 6,500 ft)"), "{said}");
        assert_eq!(store.regions().await.unwrap().len(), 3);
        // A list may part a mountain anew, whatever its order.
        let three = [
            at_heights("top", &["00101"], 2400.0, "7500..", "Summit"),
            at_heights("high", &["00101"], 2100.0, "6500..7500", "High Mesa"),
        ];
        store.put_regions(&three, now).await.unwrap();
        let choices = store.height_choices(&zip("00101")).await.unwrap();
        assert_eq!(choices.iter().map(|one| one.region.to_string()).collect::<Vec<_>>(), ["low", "high", "top"]);
        assert_eq!(store.height_choices(&zip("00201")).await.unwrap(), []);
        assert_eq!(store.region_of_zip(&zip("00101")).await.unwrap(), Some("low".into()));
        store.retire_region(&"low".into(), now).await.unwrap();
        assert_eq!(store.region_of_zip(&zip("00101")).await.unwrap(), Some("high".into()));
    })
    .await;
}

#[tokio::test]
async fn a_notice_reaches_its_own_height_and_only_that() {
    on_each_engine("notices by height", |store| async move {
        mountain(&store).await;
        for name in ["low@example.org", "high@example.org", "silent@example.org"] {
            subscribe(&store, &["00101"], &[name]).await;
        }
        say(&store, "low@example.org", 6499.0).await;
        say(&store, "high@example.org", 6500.0).await;
        assert_eq!(homes(&store, "silent@example.org").await, [("low".into(), false)]);
        assert_eq!(counts(store.unanswered_heights().await.unwrap()), [("low".into(), 1)]);
        let recipients = async |id: &str| {
            let all = store.recipients(&id.into()).await.unwrap();
            let mut names: Vec<String> = all.iter().map(|one| one.address.expose().to_owned()).collect();
            names.sort();
            names
        };
        assert_eq!(recipients("low").await, ["low@example.org", "silent@example.org"]);
        assert_eq!(recipients("high").await, ["high@example.org"]);

        let now = at("2026-03-20T15:00:00Z");
        store.put_notice(&notice_of("high", NoticeKind::InspectNow, now), &texts()).await.unwrap();
        store.put_notice(&notice_of("low", NoticeKind::WashNow, now), &texts()).await.unwrap();
        assert_eq!(told(&store, "high@example.org").await, ["high queued"]);
        assert_eq!(told(&store, "low@example.org").await, ["low queued"]);
        assert_eq!(told(&store, "silent@example.org").await, ["low queued"]);

        // Who says that they live higher up gets what is in force there, and not what waits of below.
        say(&store, "silent@example.org", 7200.0).await;
        assert_eq!(told(&store, "silent@example.org").await, ["high queued", "low cancelled"]);
        assert_eq!(homes(&store, "silent@example.org").await, [("high".into(), true)]);
        assert!(store.unanswered_heights().await.unwrap().is_empty());
        let high = store.subscribers(Some(&"high".into())).await.unwrap();
        assert_eq!(high.len(), 2);
    })
    .await;
}

#[tokio::test]
async fn when_staff_part_a_region_people_are_asked_once_and_stay_until_they_answer() {
    on_each_engine("parting a region", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        let spanish = subscriber(&["00101"], &["maria@example.org"], Language::Es);
        store.add_subscriber(&spanish, at("2026-02-01T12:00:00Z")).await.unwrap();
        subscribe(&store, &["00101"], &[PHONE, "also@example.org"]).await;
        subscribe(&store, &["00102"], &["elsewhere@example.org"]).await;
        assert_eq!(heights::ask_due(&desk.app).await.unwrap(), 0);

        let north = store.region(&"north".into()).await.unwrap();
        store.change_region(&Region { elevation_m: 2100.0, band: band("6500.."), ..north.clone() }).await.unwrap();
        store.add_region(&low(), at("2026-02-02T12:00:00Z")).await.unwrap();
        assert_eq!(homes(&store, PHONE).await, [("north".into(), false)], "they stay though there is a lower region now");
        assert_eq!(counts(store.unanswered_heights().await.unwrap()), [("north".into(), 2)]);
        assert_eq!(heights::ask_due(&desk.app).await.unwrap(), 2, "one address a person");
        assert_eq!(heights::ask_due(&desk.app).await.unwrap(), 0, "once");
        let (kind, words) = desk.letters(PHONE).await.pop().unwrap();
        assert_eq!(kind, "how-high");
        assert!(words.contains("00101") && words.contains("1 below 6,500 ft (Red Rock), 2 above"), "{words}");
        assert!(desk.letters("also@example.org").await.is_empty());
        let (_, words) = desk.letters("maria@example.org").await.pop().unwrap();
        assert!(words.contains("debajo de 6,500 pies (Red Rock)") && words.contains("/es/preferences/"), "{words}");
        // It leaves in open hours, after notices.
        let row = sqlx::query("SELECT any_hour, priority FROM deliveries d JOIN letters l ON l.id = d.letter_id WHERE l.kind = 'how-high'")
            .fetch_all(&mut *store.read().await.unwrap())
            .await
            .unwrap();
        assert!(row.iter().all(|row| row.get::<i64, _>("any_hour") == 0 && row.get::<i64, _>("priority") == 5));

        assert_eq!(desk.text(PHONE, "1").await, TextOutcome::HeightSaid);
        assert_eq!(homes(&store, PHONE).await, [("low".into(), true)]);
        assert_eq!(homes(&store, "maria@example.org").await, [("north".into(), false)]);

        // Parted once more: whose word still tells where they live is not asked, the others are.
        let mid = at_heights("mid", &["00101"], 2100.0, "6500..7500", "Saddle");
        store.change_region(&Region { elevation_m: 2400.0, band: band("7500.."), ..north }).await.unwrap();
        store.add_region(&mid, at("2026-02-03T12:00:00Z")).await.unwrap();
        assert_eq!(homes(&store, PHONE).await, [("low".into(), true)]);
        assert_eq!(heights::ask_due(&desk.app).await.unwrap(), 1);
        assert_eq!(desk.letters("maria@example.org").await.len(), 2);
    })
    .await;
}

#[tokio::test]
async fn a_word_that_no_longer_tells_the_height_counts_as_not_said() {
    on_each_engine("parting a band", |store| async move {
        mountain(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        subscribe(&store, &["00101"], &["number@example.org"]).await;
        subscribe(&store, &["00101"], &[PHONE]).await;
        say(&store, "number@example.org", 8000.0).await;
        heights::ask_due(&desk.app).await.unwrap();
        assert_eq!(desk.text(PHONE, "2").await, TextOutcome::HeightSaid);
        let upper = [
            at_heights("top", &["00101"], 2400.0, "7500..", "Summit"),
            at_heights("high", &["00101"], 2100.0, "6500..7500", "High Mesa"),
        ];
        store.put_regions(&upper, at("2026-02-02T12:00:00Z")).await.unwrap();
        assert_eq!(homes(&store, "number@example.org").await, [("top".into(), true)], "8,000 ft says it all");
        assert_eq!(homes(&store, PHONE).await, [("high".into(), false)], "`above 6,500 ft` may be either");
        assert_eq!(counts(store.unanswered_heights().await.unwrap()), [("high".into(), 1)]);
        // A digit of the question before means nothing now: they are asked again.
        assert_eq!(desk.text(PHONE, "2").await, TextOutcome::AskedHeight);
        assert_eq!(homes(&store, PHONE).await, [("high".into(), false)]);
        assert_eq!(desk.text(PHONE, "3").await, TextOutcome::HeightSaid);
        assert_eq!(homes(&store, PHONE).await, [("top".into(), true)]);
        assert_eq!(heights::ask_due(&desk.app).await.unwrap(), 0);
    })
    .await;
}

#[tokio::test]
async fn who_joins_by_text_is_asked_answers_and_can_change_it() {
    on_each_engine("heights by text", |store| async move {
        mountain(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        assert_eq!(desk.text(PHONE, "2").await, TextOutcome::NotUnderstood, "nobody asked");
        desk.text(PHONE, "00101").await;
        assert_eq!(desk.text(PHONE, "YES").await, TextOutcome::Confirmed);
        let kinds = async || desk.letters(PHONE).await.into_iter().map(|(kind, _)| kind).collect::<Vec<_>>();
        assert_eq!(kinds().await, ["not-understood", "confirm", "how-high", "welcome"]);
        assert_eq!(homes(&store, PHONE).await, [("low".into(), false)], "no answer: the lowest, marked");
        assert_eq!(heights::ask_due(&desk.app).await.unwrap(), 0, "asked already");
        assert_eq!(desk.text(PHONE, "2").await, TextOutcome::HeightSaid);
        assert_eq!(homes(&store, PHONE).await, [("high".into(), true)]);
        let (kind, words) = desk.letters(PHONE).await.pop().unwrap();
        assert_eq!(kind, "height-kept");
        assert!(words.contains("6,500 ft and above (High Mesa)") && words.contains("text us 00101"), "{words}");
        // A second thought, and a number.
        assert_eq!(desk.text(PHONE, "1").await, TextOutcome::HeightSaid);
        assert_eq!(homes(&store, PHONE).await, [("low".into(), true)]);
        assert_eq!(desk.text(PHONE, "7,100 ft").await, TextOutcome::HeightSaid);
        assert_eq!(homes(&store, PHONE).await, [("high".into(), true)]);
        desk.clock.advance(TimeDelta::days(100));
        assert_eq!(desk.text(PHONE, "1").await, TextOutcome::NotUnderstood, "long after the question");
        assert_eq!(desk.text(PHONE, "00101").await, TextOutcome::Extended);
        assert_eq!(kinds().await[7..], ["not-understood", "how-high", "welcome"]);
        assert_eq!(desk.text(PHONE, "1").await, TextOutcome::HeightSaid);
        assert_eq!(homes(&store, PHONE).await, [("low".into(), true)]);

        // Two mountains: one question at a time.
        let other = [
            at_heights("east-low", &["00301"], 1700.0, "..6000", "Ford"),
            at_heights("east-high", &["00301"], 2100.0, "6000..", "Pass"),
        ];
        store.put_regions(&other, at("2026-02-02T12:00:00Z")).await.unwrap();
        assert_eq!(desk.text("+15055550151", "00101 00301").await, TextOutcome::Asked);
        assert_eq!(desk.text("+15055550151", "yes").await, TextOutcome::Confirmed);
        assert_eq!(desk.text("+15055550151", "2").await, TextOutcome::HeightSaid);
        let (kind, words) = desk.letters("+15055550151").await.remove(3);
        assert!(kind == "height-kept" && words.contains("00101"), "{kind}: {words}");
        let (kind, words) = desk.letters("+15055550151").await.remove(4);
        assert!(kind == "how-high" && words.contains("00301") && words.contains("1 below 6,000 ft"), "{kind}: {words}");
        assert_eq!(desk.text("+15055550151", "1").await, TextOutcome::HeightSaid);
        assert_eq!(homes(&store, "+15055550151").await, [("high".into(), true), ("east-low".into(), true)]);
    })
    .await;
}

/// A digit answers the question that was asked last.
#[tokio::test]
async fn a_digit_after_a_later_question_is_an_answer_to_that() {
    on_each_engine("digits", |store| async move {
        mountain(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        subscribe(&store, &["00101"], &[PHONE]).await;
        store.put_notice(&notice_of("low", NoticeKind::InspectNow, at("2026-03-20T15:00:00Z")), &texts()).await.unwrap();
        heights::ask_due(&desk.app).await.unwrap();
        let key = store.address_hash().of(&address(PHONE));
        let asked = at("2026-03-20T16:00:00Z").timestamp_millis();
        for (later, wanted) in [(-60_000, TextOutcome::HeightSaid), (60_000, TextOutcome::Reported)] {
            let mut tx = store.begin().await.unwrap();
            sqlx::query("DELETE FROM follow_ups").execute(tx.conn()).await.unwrap();
            sqlx::query(
                "INSERT INTO follow_ups (id, notice_id, subscriber_id, address_key, asked_at, closes_at)
                 SELECT $1, 'pinyon-needle-scale/low/2026/inspect-now', subscriber_id, id, $3, $4 FROM addresses WHERE id = $2",
            )
            .bind(format!("00aa11bb22cc33dd44ee55ff{later:08}"))
            .bind(key.as_str())
            .bind(asked + later)
            .bind(asked + 86_400_000)
            .execute(tx.conn())
            .await
            .unwrap();
            tx.commit().await.unwrap();
            assert_eq!(desk.text(PHONE, "1").await, wanted, "asked {later} ms after");
        }
    })
    .await;
}

#[tokio::test]
async fn who_signs_up_by_form_is_asked_when_they_left_it_open() {
    on_each_engine("heights by form", |store| async move {
        mountain(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        let mut wish = desk.wish(MAIL, [192, 0, 2, 1]);
        wish.heights = vec![(zip("00101"), band("6500..").unwrap())];
        sign_up::ask(&desk.app, &wish).await.unwrap();
        let pending: Vec<String> = every_row(&store).await["confirmations"].clone();
        assert!(pending[0].contains("1981.2"), "{pending:?}");
        let secret = desk.secret(MAIL).await;
        confirm::by_token(&desk.app, &secret).await.unwrap();
        assert_eq!(homes(&store, MAIL).await, [("high".into(), true)]);
        assert_eq!(desk.letters(MAIL).await.len(), 2, "nothing more to ask");
        let ended: Vec<String> = every_row(&store).await["confirmations"].clone();
        assert!(!ended[0].contains("1981.2"), "{ended:?}");

        let open = desk.wish("open@example.org", [192, 0, 2, 2]);
        sign_up::ask(&desk.app, &open).await.unwrap();
        let secret = desk.secret("open@example.org").await;
        confirm::by_token(&desk.app, &secret).await.unwrap();
        assert_eq!(homes(&store, "open@example.org").await, [("low".into(), false)]);
        let letters = desk.letters("open@example.org").await;
        assert!(
            letters.iter().any(|(kind, words)| kind == "how-high" && words.contains("/preferences/")),
            "{letters:?}"
        );

        // The heights on the form are not those of today any more.
        let mut late = desk.wish("late@example.org", [192, 0, 2, 3]);
        late.heights = vec![(zip("00101"), band("6500..").unwrap())];
        sign_up::ask(&desk.app, &late).await.unwrap();
        let secret = desk.secret("late@example.org").await;
        let upper = [
            at_heights("top", &["00101"], 2400.0, "7500..", "Summit"),
            at_heights("high", &["00101"], 2100.0, "6500..7500", "High Mesa"),
        ];
        store.put_regions(&upper, at("2026-02-02T12:00:00Z")).await.unwrap();
        confirm::by_token(&desk.app, &secret).await.unwrap();
        assert_eq!(homes(&store, "late@example.org").await, [("low".into(), false)]);
    })
    .await;
}

#[tokio::test]
async fn who_waited_for_a_mountain_is_told_once_and_asked() {
    on_each_engine("waiting for a mountain", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        desk.text(PHONE, "00399").await;
        desk.text(PHONE, "yes").await;
        let regions = [
            at_heights("west-low", &["00399"], 1700.0, "..6500", "Ford"),
            at_heights("west-high", &["00399"], 2100.0, "6500..", "Pass"),
        ];
        store.put_regions(&regions, at("2026-02-02T12:00:00Z")).await.unwrap();
        desk.clock.advance(TimeDelta::minutes(1));
        assert_eq!(messages::tell_newly_covered(&desk.app).await.unwrap(), 1, "once, not once a region");
        assert_eq!(heights::ask_due(&desk.app).await.unwrap(), 1);
        let kinds: Vec<String> = desk.letters(PHONE).await.into_iter().map(|(kind, _)| kind).collect();
        assert_eq!(kinds, ["not-covered", "kept-zip", "covered-now", "how-high"]);
    })
    .await;
}

#[tokio::test]
async fn what_somebody_said_of_their_height_is_theirs_to_see_and_goes_with_them() {
    on_each_engine("heights as personal data", |store| async move {
        mountain(&store).await;
        subscribe(&store, &["00101", "00201"], &[MAIL]).await;
        say(&store, MAIL, 7000.0).await;
        let export = serde_json::to_value(store.export_subscriber(&address(MAIL)).await.unwrap()).unwrap();
        assert_eq!(export["places"][0]["region"], "high");
        assert!((export["places"][0]["height"]["from_m"].as_f64().unwrap() - 2133.6).abs() < 1e-6, "{export}");
        assert_eq!(export["places"][1]["height"], serde_json::Value::Null);
        store.remove_subscriber(&address(MAIL), "asked staff", at("2026-04-01T00:00:00Z")).await.unwrap();
        assert!(every_row(&store).await["subscriber_zips"].is_empty());
    })
    .await;
}

/// The sender of the settings and names of usual length, in both languages: one message of 160 characters.
#[test]
fn every_question_and_answer_fits_one_text() {
    let templates = Templates::load(None).unwrap();
    let sender = Sender {
        name: "Upland State Extension".into(),
        short: "Upland Ext Svc".into(),
        postal_address: "12 Mesa Road".into(),
        help_contact: "505-555-0100".into(),
        public_url: None,
    };
    let feet = [6500.0, 7000.0, 7500.0, 8000.0];
    for landmark in ["Red Rock", "Piñon Peñasco Crossing of the Old Mill"] {
        for bands in 2..=5_usize {
            let end = |at: usize| feet.get(at).map(|feet| feet * 0.3048);
            let heights: Vec<HeightChoice> = (0..bands)
                .map(|at| HeightChoice {
                    region: "r".into(),
                    name: "R".into(),
                    band: Band {
                        from_m: at.checked_sub(1).and_then(end),
                        to_m: if at + 1 == bands { None } else { end(at) },
                    },
                    landmarks: vec![landmark.into()],
                })
                .collect();
            let facts =
                TransactionalFacts { zips: vec![zip("00101")], heights, ..TransactionalFacts::of(sender.clone()) };
            for language in Language::ALL {
                for kind in [TransactionalKind::HowHigh, TransactionalKind::HeightKept] {
                    let message =
                        templates.render_transactional(kind, language, treebell::people::Channel::Sms, &facts);
                    let Message::Sms { text } = message.unwrap() else { panic!("a text") };
                    let count = sms::count(&text);
                    assert_eq!((count.parts, count.encoding.name()), (1, "GSM 7-bit"), "{language:?}: {text}");
                    assert!(text.chars().count() <= 160, "{text}");
                    assert!(text.contains("6,500"), "{text}");
                }
            }
        }
    }
}
