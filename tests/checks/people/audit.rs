//! The audit: a line for each act, in the transaction of the act, that nobody can change or take away before its time.

use std::path::Path;
use std::sync::Arc;

use assert_cmd::Command;
use chrono::{DateTime, TimeDelta, Utc};
use sqlx::AssertSqlSafe;
use treebell::clock::ManualClock;
use treebell::people::Language;
use treebell::season::NoticeKind;
use treebell::store::acts::{Act, Actor};
use treebell::store::audit::AuditFilter;
use treebell::store::notices::NoticeRelease;
use treebell::store::queue::DeliveryFilter;
use treebell::store::{Engine, Store};

use super::notices::{notice, texts};
use super::{address, at, region, station, subscriber, two_regions};
use crate::engines::{at_each_address, every_row, on_each_engine};
use crate::support::open_store;

fn acting(store: &Store, now: DateTime<Utc>, why: &str) -> Store {
    store.acting(Actor {
        user: "maria (uid 1000)".into(),
        account: None,
        why: Some(why.into()),
        clock: Arc::new(ManualClock::at(now)),
    })
}

/// Acts and subjects, the oldest first.
async fn told(store: &Store) -> Vec<(String, String)> {
    let mut entries = store.audit(&AuditFilter::default()).await.unwrap();
    entries.reverse();
    entries.into_iter().map(|entry| (entry.act, entry.subject)).collect()
}

async fn is_refused(store: &Store, text: &str) {
    let mut tx = store.begin().await.unwrap();
    let done = sqlx::query(AssertSqlSafe(text.to_owned())).execute(tx.conn()).await;
    assert!(done.is_err(), "{:?} let this through: {text}", store.engine());
    tx.rollback().await.unwrap();
}

#[tokio::test]
async fn each_act_leaves_a_line_with_who_when_what_and_why_and_no_address() {
    on_each_engine("audit of acts", |store| async move {
        two_regions(&store).await;
        assert_eq!(told(&store).await, [], "who acts for nobody is the service");
        let now = at("2026-04-22T10:00:00Z");
        let staff = acting(&store, now, "asked by phone");
        let who = "owner@example.org";
        staff.add_subscriber(&subscriber(&["00101"], &[who, "+15055550101"], Language::En), now).await.unwrap();
        staff.add_station(&station("B")).await.unwrap();
        let mut north = region("north", &["00101"], "A");
        north.name = "Far north".into();
        staff.change_region(&north).await.unwrap();
        let waits = NoticeRelease::Wait { release_at: now + TimeDelta::days(1) };
        let mut waiting = notice(NoticeKind::InspectNow, waits);
        waiting.decided_at = now;
        store.put_notice(&waiting, &texts()).await.unwrap();
        let id = treebell::season::NoticeId::of(&waiting.season, waiting.kind);
        // Twice is once refused: that leaves no line.
        staff.release_notice(&id, "M. Reyes", now).await.unwrap();
        assert!(staff.release_notice(&id, "M. Reyes", now).await.is_err());
        let delivery = staff.deliveries(&DeliveryFilter::default()).await.unwrap().remove(0).id;
        staff.cancel_delivery(&delivery, "staff called it off", now).await.unwrap();
        staff.recall_notice(&id, "desk", Some("recalled by M. Reyes"), now).await.unwrap();
        staff.export_subscriber(&address(who)).await.unwrap();
        staff.remove_subscriber(&address(who), "asked by letter", now).await.unwrap();
        staff.retire_region(&"south".into(), now).await.unwrap();

        let key = format!("address/{}", store.address_hash().of(&address(who)));
        let other = format!("address/{}", store.address_hash().of(&address("+15055550101")));
        let wanted = [
            ("subscriber-added", format!("{key} {other}")),
            ("station-added", "station/B".into()),
            ("region-changed", "region/north".into()),
            ("notice-released", format!("notice/{id}")),
            ("delivery-cancelled", format!("delivery/{delivery}")),
            ("notice-recalled", format!("notice/{id}")),
            ("subscriber-exported", key.clone()),
            ("subscriber-erased", key),
            ("region-retired", "region/south".into()),
        ];
        assert_eq!(told(&store).await, wanted.map(|(act, subject)| (act.to_owned(), subject)));
        let entries = store.audit(&AuditFilter::default()).await.unwrap();
        for entry in &entries {
            assert_eq!((entry.actor.as_str(), entry.at), ("maria (uid 1000)", now));
            assert_eq!(entry.why.as_deref(), Some("asked by phone"));
        }
        let changed = entries.iter().find(|entry| entry.act == "region-changed").unwrap();
        assert!(changed.detail.contains(r#"name: "Region north" → "Far north""#), "{}", changed.detail);
        assert!(changed.detail.contains(r#"zips: ["00101","00102"] → ["00101"]"#), "{}", changed.detail);
        for row in &every_row(&store).await["audit"] {
            assert!(!row.contains(who) && !row.contains("5055550101"), "{row}");
        }
        let of = |filter: AuditFilter| {
            let store = store.clone();
            async move { store.audit(&filter).await.unwrap().len() }
        };
        assert_eq!(of(AuditFilter { act: Some(Act::RegionRetired), ..Default::default() }).await, 1);
        assert_eq!(of(AuditFilter { who: Some("MARIA".into()), ..Default::default() }).await, wanted_count());
        assert_eq!(of(AuditFilter { who: Some("100%".into()), ..Default::default() }).await, 0);
        assert_eq!(of(AuditFilter { about: Some("region/".into()), ..Default::default() }).await, 2);
        assert_eq!(of(AuditFilter { until: Some(now), ..Default::default() }).await, 0);
        assert_eq!(of(AuditFilter { since: Some(now), limit: Some(4), ..Default::default() }).await, 4);
    })
    .await;
}

fn wanted_count() -> usize {
    9
}

/// The line and the act are one: without the one there is not the other.
#[tokio::test]
async fn an_act_whose_line_cannot_be_written_is_not_done() {
    on_each_engine("audit and act", |store| async move {
        two_regions(&store).await;
        let now = at("2026-04-22T10:00:00Z");
        super::subscribe(&store, &["00101"], &["owner@example.org"]).await;
        let mut tx = store.begin().await.unwrap();
        sqlx::query("ALTER TABLE audit RENAME TO audit_elsewhere").execute(tx.conn()).await.unwrap();
        tx.commit().await.unwrap();
        let staff = acting(&store, now, "a try");
        let who = address("owner@example.org");
        assert!(staff.remove_subscriber(&who, "asked by letter", now).await.is_err());
        assert!(staff.export_subscriber(&who).await.is_err());
        assert!(staff.retire_region(&"south".into(), now).await.is_err());
        assert!(store.subscriber_of(&who).await.unwrap().is_some());
        assert!(!store.region(&"south".into()).await.unwrap().retired);
    })
    .await;
}

#[tokio::test]
async fn lines_are_neither_changed_nor_taken_away_before_seven_years_are_over() {
    on_each_engine("audit is kept", |store| async move {
        let first = at("2026-01-15T12:00:00Z");
        acting(&store, first, "first").note_act(Act::WeatherImported, "weather", "a.csv").await.unwrap();
        let later = at("2027-06-01T12:00:00Z");
        acting(&store, later, "second").note_act(Act::WeatherImported, "weather", "b.csv").await.unwrap();
        for text in [
            "UPDATE audit SET why = 'another'",
            "UPDATE audit SET at = 0",
            "DELETE FROM audit",
            "DELETE FROM audit WHERE number = 1",
        ] {
            is_refused(&store, text).await;
        }
        let replace = "INSERT INTO audit (number, at, actor, act, subject, detail) VALUES (1, 0, 'x', 'x', 'x', 'x')";
        match store.engine() {
            Engine::Sqlite => {
                is_refused(&store, &replace.replace("INSERT INTO", "INSERT OR REPLACE INTO")).await;
            }
            Engine::Postgres => {
                is_refused(&store, "TRUNCATE audit").await;
                let upsert = replace.replace("VALUES", "OVERRIDING SYSTEM VALUE VALUES");
                is_refused(&store, &format!("{upsert} ON CONFLICT (number) DO UPDATE SET why = 'another'")).await;
            }
        }
        let whole = store.audit(&AuditFilter::default()).await.unwrap();
        assert_eq!(whole.len(), 2);

        assert_eq!(store.trim_audit(at("2033-01-15T11:59:59Z")).await.unwrap(), 0);
        assert_eq!(store.trim_audit(at("2033-01-15T12:00:01Z")).await.unwrap(), 1);
        let left = store.audit(&AuditFilter::default()).await.unwrap();
        assert_eq!(
            left.iter().map(|entry| entry.act.as_str()).collect::<Vec<_>>(),
            ["audit-trimmed", "weather-imported"]
        );
        assert_eq!(left[1], whole[0]);
        // Not even with the job's own words.
        is_refused(&store, "DELETE FROM audit WHERE at < 9000000000000").await;
        assert_eq!(store.trim_audit(first + TimeDelta::days(3)).await.unwrap(), 0);
    })
    .await;
}

fn treebell(folder: &Path, words: &[&str]) -> (i32, String, String) {
    let mut command = Command::cargo_bin("treebell").unwrap();
    let output = command.current_dir(folder).args(words).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
}

#[tokio::test(flavor = "multi_thread")]
async fn commands_of_staff_are_noted_and_the_audit_is_listed_and_exported() {
    at_each_address("audit by commands", |store_address| async move {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("treebell.toml"), format!("[store]\naddress = \"{store_address}\"\n"))
            .unwrap();
        let store = open_store(&store_address).await.unwrap();
        two_regions(&store).await;
        super::subscribe(&store, &["00101"], &["owner@example.org"]).await;
        store.close().await;
        let says = |words: &[&str]| {
            let (code, out, err) = treebell(folder.path(), words);
            assert_eq!(code, 0, "{words:?}\n{out}\n{err}");
            out
        };
        says(&["subscriber", "list"]);
        let shown = says(&["subscriber", "list", "--show", "--why", "letters for the fair"]);
        assert!(shown.contains("owner@example.org"));
        says(&["subscriber", "export", "owner@example.org"]);
        let list = "zip,email,phone,language,consent\n00101,new@example.org,,en,=cmd fair\n";
        std::fs::write(folder.path().join("people.csv"), list).unwrap();
        says(&["subscriber", "import", "people.csv"]);
        says(&["region", "change", "south", "--name", "Deep south", "--why", "=1+1"]);
        says(&["subscriber", "erase", "owner@example.org", "--evidence", "asked by letter"]);
        for (why, found) in
            [("owner@example.org asked", "an e-mail address"), ("call 505 555 0101", "a telephone number")]
        {
            let (code, _, err) = treebell(folder.path(), &["region", "retire", "south", "--why", why]);
            assert_eq!(code, 2, "{err}");
            assert!(err.contains(&format!("it holds {found}")), "{err}");
        }

        let listed: serde_json::Value = serde_json::from_str(&says(&["audit", "list", "--json"])).unwrap();
        let acts: Vec<&str> = listed.as_array().unwrap().iter().map(|entry| entry["act"].as_str().unwrap()).collect();
        let wanted = [
            "subscriber-erased",
            "region-changed",
            "subscribers-imported",
            "subscriber-exported",
            "subscribers-listed",
        ];
        assert_eq!(acts, wanted, "masked lists are no acts");
        assert_eq!(listed[4]["why"], "letters for the fair");
        assert!(listed[0]["actor"].as_str().unwrap().contains("(uid "), "{listed}");
        let of_one = says(&["audit", "list", "--address", "owner@example.org", "--json"]);
        assert_eq!(of_one.matches("\"act\"").count(), 2, "{of_one}");
        assert!(says(&["audit", "list"]).contains("region/south"));

        let csv = says(&["audit", "export", "--why", "yearly report"]);
        let mut reader = csv::Reader::from_reader(csv.as_bytes());
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        assert_eq!(rows.iter().map(|row| row[4].to_owned()).collect::<Vec<_>>(), {
            let mut oldest_first = wanted.map(str::to_owned);
            oldest_first.reverse();
            oldest_first
        });
        assert_eq!(&rows[3][7], "'=1+1", "no formula");
        assert!(!csv.contains("owner@example.org"));
        says(&["audit", "export", "-o", "audit.csv"]);
        assert!(std::fs::read_to_string(folder.path().join("audit.csv")).unwrap().contains("audit-exported"));
        let (code, _, err) = treebell(folder.path(), &["audit", "export", "-o", "audit.csv"]);
        assert_eq!(code, 2, "{err}");
        #[cfg(unix)]
        {
            let mode = std::fs::metadata(folder.path().join("audit.csv")).unwrap();
            assert_eq!(std::os::unix::fs::PermissionsExt::mode(&mode.permissions()) & 0o777, 0o600);
        }
    })
    .await;
}
