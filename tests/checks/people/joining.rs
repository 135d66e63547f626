//! Who joins while a notice is in force gets it at once, once: by every way in, in any order, on both engines.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;
use sqlx::Row;
use treebell::people::{Consent, Language};
use treebell::region::Release;
use treebell::season::decide::{Reason, Terms};
use treebell::season::{NoticeId, NoticeKind, NoticeStatus};
use treebell::service::subscribe::confirm::{self, Confirmed};
use treebell::service::subscribe::{messages, sign_up};
use treebell::service::texts::TextOutcome;
use treebell::store::Store;
use treebell::store::notices::{NewNotice, NoticeRelease, delivery_id};

use super::inbound::{Desk, PHONE};
use super::notices::{notice, season, texts};
use super::{address, at, day, say_stop, subscribe, subscriber, two_regions, zip};
use crate::engines::{at_each_address, on_each_engine};
use crate::support::open_store;

fn id(kind: NoticeKind) -> NoticeId {
    NoticeId::of(&season(), kind)
}

/// A notice of the north that is out at once and of use for so many days.
pub fn out(kind: NoticeKind, now: DateTime<Utc>, days: i64) -> NewNotice {
    let terms = Terms {
        reason: Reason::BestDays { first: day("2026-04-10"), last: day("2026-04-20") },
        release: Release::AtOnce,
        approval_needed: None,
        expires_on: day("2026-05-01"),
        deadline: Some(day("2026-04-19")),
    };
    NewNotice {
        reason: serde_json::to_value(&terms).unwrap(),
        decided_at: now,
        expires_at: now + TimeDelta::days(days),
        ..notice(kind, NoticeRelease::Release)
    }
}

/// Which notices an address has a delivery of, each with its state.
async fn deliveries_of(store: &Store, to: &str) -> Vec<(String, String)> {
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
        let notice: String = row.get("notice_id");
        (notice.rsplit('/').next().unwrap_or_default().to_owned(), row.get("state"))
    })
    .collect()
}

async fn kinds_of(store: &Store, to: &str) -> Vec<String> {
    deliveries_of(store, to).await.into_iter().map(|(kind, _)| kind).collect()
}

#[tokio::test]
async fn every_way_in_brings_the_notice_in_force_once() {
    on_each_engine("joining", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        let opened = at("2026-03-20T15:00:00Z");
        store.put_notice(&out(NoticeKind::WashNow, opened, 14), &texts()).await.unwrap();
        let wash = ["wash-now"];

        sign_up::ask(&desk.app, &desk.wish("link@example.org", [192, 0, 2, 1])).await.unwrap();
        assert_eq!(kinds_of(&store, "link@example.org").await, [""; 0], "asking is not joining");
        let token = desk.secret("link@example.org").await;
        for _ in 0..2 {
            confirm::by_token(&desk.app, &token).await.unwrap();
            assert_eq!(kinds_of(&store, "link@example.org").await, wash, "by link");
        }
        let said = &desk.letters("link@example.org").await;
        let (_, welcome) = said.iter().find(|(kind, _)| kind == "welcome").unwrap();
        assert!(welcome.contains("Wash by"), "the welcome says that it is time now: {welcome}");
        assert!(welcome.contains("April 19"), "{welcome}");
        assert!(welcome.contains("https://pinyon.example.org/region/north"), "{welcome}");

        let asked = sign_up::ask(&desk.app, &desk.wish("+15055550151", [192, 0, 2, 2])).await.unwrap();
        let code = desk.secret("+15055550151").await;
        let done = confirm::by_code(&desk.app, &asked.ask, &code).await.unwrap();
        assert!(matches!(done, Confirmed::Yes { .. }), "{done:?}");
        assert_eq!(kinds_of(&store, "+15055550151").await, wash, "by code");

        assert_eq!(desk.text(PHONE, "00102").await, TextOutcome::Asked);
        assert_eq!(desk.text(PHONE, "YES").await, TextOutcome::Confirmed);
        assert_eq!(kinds_of(&store, PHONE).await, wash, "by YES");
        let (_, welcome) = desk.letters(PHONE).await.pop().unwrap();
        assert!(welcome.contains("Wash your pinyons now"), "{welcome}");

        let now = at("2026-03-21T15:00:00Z");
        let staff = subscriber(&["00101"], &["staff@example.org", "+15055550152"], Language::Es);
        for _ in 0..2 {
            store.add_subscriber(&staff, now).await.unwrap();
            assert_eq!(kinds_of(&store, "staff@example.org").await, wash, "by staff");
            assert_eq!(kinds_of(&store, "+15055550152").await, wash, "by staff, each address");
        }

        let mut asked = subscriber(&["00101"], &["form@example.org"], Language::En);
        asked.consent = Consent::Asked { evidence: "form".into() };
        store.add_subscriber(&asked, now).await.unwrap();
        assert_eq!(kinds_of(&store, "form@example.org").await, [""; 0], "not confirmed");
        store.confirm_address(&address("form@example.org"), "letter", now).await.unwrap();
        assert_eq!(kinds_of(&store, "form@example.org").await, wash, "by letter");

        subscribe(&store, &["00201"], &["moves@example.org"]).await;
        assert_eq!(kinds_of(&store, "moves@example.org").await, [""; 0], "nothing is in force in the south");
        let key = store.address_hash().of(&address("moves@example.org"));
        store.add_place(&key, &zip("00102"), now).await.unwrap();
        assert_eq!(kinds_of(&store, "moves@example.org").await, wash, "by a ZIP code of another region");

        let delivery = delivery_id(&id(NoticeKind::WashNow), &key);
        let row = sqlx::query("SELECT time_zone, expires_at, not_before FROM deliveries WHERE id = $1")
            .bind(delivery)
            .fetch_one(&mut *store.read().await.unwrap())
            .await
            .unwrap();
        assert_eq!(row.get::<String, _>("time_zone"), "America/Denver");
        assert_eq!(row.get::<i64, _>("expires_at"), (opened + TimeDelta::days(14)).timestamp_millis());
        assert_eq!(row.get::<i64, _>("not_before"), now.timestamp_millis());
    })
    .await;
}

#[tokio::test]
async fn who_starts_again_gets_what_came_meanwhile_and_nothing_twice() {
    on_each_engine("starting again", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &["+15055550101", "kept@example.org"]).await;
        let opened = at("2026-03-20T15:00:00Z");
        store.put_notice(&out(NoticeKind::InspectNow, opened, 28), &texts()).await.unwrap();
        let phone = address("+15055550101");
        say_stop(&store, &phone, "keyword STOP", opened + TimeDelta::days(1)).await;
        assert!(store.resume_address(&phone, "keyword START", opened + TimeDelta::days(2)).await.unwrap());
        let cancelled = [("inspect-now".to_owned(), "cancelled".to_owned())];
        assert_eq!(deliveries_of(&store, "+15055550101").await, cancelled, "it has that one");

        say_stop(&store, &phone, "keyword STOP", opened + TimeDelta::days(3)).await;
        store.put_notice(&out(NoticeKind::WashNow, opened + TimeDelta::days(20), 14), &texts()).await.unwrap();
        assert_eq!(kinds_of(&store, "+15055550101").await, ["inspect-now"]);
        for day in [21, 22] {
            let now = opened + TimeDelta::days(day);
            assert!(store.resume_address(&phone, "keyword START", now).await.unwrap());
            assert_eq!(kinds_of(&store, "+15055550101").await, ["inspect-now", "wash-now"]);
        }
        assert_eq!(kinds_of(&store, "kept@example.org").await, ["inspect-now", "wash-now"]);
    })
    .await;
}

#[tokio::test]
async fn only_the_newest_notice_is_in_force_and_only_while_it_is_of_use() {
    on_each_engine("in force", |store| async move {
        two_regions(&store).await;
        let day = |days| at("2026-03-01T15:00:00Z") + TimeDelta::days(days);
        let in_force = async |days| {
            let notice = store.notice_in_force(&"north".into(), day(days)).await.unwrap();
            notice.map(|notice| notice.kind)
        };
        assert_eq!(in_force(0).await, None);
        store.put_notice(&out(NoticeKind::GetReady, day(0), 21), &texts()).await.unwrap();
        assert_eq!(in_force(1).await, Some(NoticeKind::GetReady));
        let waits = NewNotice {
            expires_at: day(60),
            ..notice(NoticeKind::InspectNow, NoticeRelease::Wait { release_at: day(4) })
        };
        store.put_notice(&waits, &texts()).await.unwrap();
        store.hold_notice(&id(NoticeKind::InspectNow), None).await.unwrap();
        assert_eq!(in_force(5).await, Some(NoticeKind::GetReady), "a held one is not");
        store.put_notice(&out(NoticeKind::WashNow, day(10), 14), &texts()).await.unwrap();
        assert_eq!(in_force(11).await, Some(NoticeKind::WashNow));
        let said = store.release_notice(&id(NoticeKind::InspectNow), "desk", day(12)).await.unwrap_err().to_string();
        assert!(said.contains("`wash-now` has gone out"), "{said}");
        assert_eq!(in_force(12).await, Some(NoticeKind::WashNow), "no earlier one comes after it");
        store.put_notice(&out(NoticeKind::DeadlineMoved, day(13), 7), &texts()).await.unwrap();
        assert_eq!(in_force(14).await, Some(NoticeKind::DeadlineMoved));
        assert_eq!(in_force(20).await, None, "behind it, the deadline of the one before does not hold");
        store.put_notice(&out(NoticeKind::LastDaysToWash, day(21), 11), &texts()).await.unwrap();
        assert_eq!(in_force(21).await, Some(NoticeKind::LastDaysToWash));
        assert_eq!(in_force(32).await, None, "to its last instant");

        store.recall_notice(&id(NoticeKind::LastDaysToWash), "desk", Some("wrong station"), day(22)).await.unwrap();
        assert_eq!(store.notice(&id(NoticeKind::LastDaysToWash)).await.unwrap().status(), NoticeStatus::Released);
        assert_eq!(in_force(22).await, None, "recalled");
        let late = subscriber(&["00101"], &["late@example.org"], Language::En);
        store.add_subscriber(&late, day(22)).await.unwrap();
        assert_eq!(kinds_of(&store, "late@example.org").await, [""; 0]);

        store.put_notice(&out(NoticeKind::TooLateToWash, day(33), 21), &texts()).await.unwrap();
        assert_eq!(in_force(34).await, None, "nothing is to be done any more");
    })
    .await;
}

#[tokio::test]
async fn whose_zip_code_comes_into_a_region_gets_what_is_in_force_there() {
    on_each_engine("newly covered", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        assert_eq!(desk.text(PHONE, "00103").await, TextOutcome::Asked);
        assert_eq!(desk.text(PHONE, "YES").await, TextOutcome::Confirmed);
        store.put_notice(&out(NoticeKind::WashNow, at("2026-03-20T15:00:00Z"), 14), &texts()).await.unwrap();
        let mut north = store.region(&"north".into()).await.unwrap();
        north.zips.push(zip("00103"));
        store.change_region(&north).await.unwrap();
        for told in [1, 0] {
            assert_eq!(messages::tell_newly_covered(&desk.app).await.unwrap(), told);
            assert_eq!(kinds_of(&store, PHONE).await, ["wash-now"]);
        }
    })
    .await;
}

// Without the lock on the region neither sees the other on PostgreSQL: the newcomer is told nothing.
#[tokio::test]
async fn who_joins_during_a_release_is_told() {
    on_each_engine("joining beside a release", |store| async move {
        two_regions(&store).await;
        let now = at("2026-03-20T15:00:00Z");
        let mut tx = store.begin().await.unwrap();
        treebell::store::notices::put_notice(&mut tx, &out(NoticeKind::WashNow, now, 14), &texts()).await.unwrap();
        let join = tokio::spawn({
            let store = store.clone();
            async move {
                let new = subscriber(&["00101"], &["late@example.org"], Language::En);
                store.add_subscriber(&new, now).await.unwrap()
            }
        });
        // Time for a join that does not wait to be done with: many more answers of the store than it needs.
        for _ in 0..100 {
            store.regions().await.unwrap();
        }
        assert!(!join.is_finished());
        tx.commit().await.unwrap();
        join.await.unwrap();
        assert_eq!(kinds_of(&store, "late@example.org").await, ["wash-now"]);
    })
    .await;
}

/// One thing that happens in a season of the north, a day after the one before.
#[derive(Clone, Copy, Debug)]
enum Step {
    Release(usize),
    Recall(usize),
    Join(usize),
    JoinAgain(usize),
    Stop(usize),
    Start(usize),
    Restart,
}

const PEOPLE: [&str; 4] = ["a@example.org", "+15055550101", "b@example.org", "+15055550102"];

const ORDER: [NoticeKind; 5] = [
    NoticeKind::GetReady,
    NoticeKind::InspectNow,
    NoticeKind::WashNow,
    NoticeKind::DeadlineMoved,
    NoticeKind::LastDaysToWash,
];

/// Days of use of each of [`ORDER`].
const OF_USE: [i64; 5] = [4, 6, 3, 2, 4];

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let person = 0..PEOPLE.len();
    let one = prop_oneof![
        3 => (0..ORDER.len()).prop_map(Step::Release),
        1 => (0..ORDER.len()).prop_map(Step::Recall),
        4 => person.clone().prop_map(Step::Join),
        1 => person.clone().prop_map(Step::JoinAgain),
        1 => person.clone().prop_map(Step::Stop),
        1 => person.prop_map(Step::Start),
        1 => Just(Step::Restart),
    ];
    prop::collection::vec(one, 4..20)
}

/// Which notices each must have after these steps, reckoned without a store.
#[derive(Default)]
struct Expected {
    confirmed: BTreeSet<usize>,
    known: BTreeSet<usize>,
    /// Position in [`ORDER`], day of release, first day on which it is of no use.
    released: Vec<(usize, i64, i64)>,
    has: BTreeMap<usize, BTreeSet<usize>>,
}

impl Expected {
    fn give_in_force(&mut self, who: usize, day: i64) {
        const MOVED: usize = 3;
        let last = self.released.iter().filter(|(kind, ..)| *kind != MOVED).max_by_key(|(kind, ..)| *kind);
        let moved = self.released.iter().find(|(kind, ..)| *kind == MOVED);
        let newest = match (moved, last) {
            (Some(moved), Some(last)) if moved.1 < last.1 => Some(last),
            (Some(moved), _) => Some(moved),
            (None, last) => last,
        };
        if let Some((kind, _, until)) = newest
            && *until > day
        {
            self.has.entry(who).or_default().insert(*kind);
        }
    }
}

async fn live(address_of_store: &str, steps: &[Step]) {
    let mut store = open_store(address_of_store).await.unwrap();
    if store.all_regions().await.unwrap().is_empty() {
        two_regions(&store).await;
    }
    let mut expected = Expected::default();
    for (day, step) in (0_i64..).zip(steps) {
        let now = at("2026-03-01T15:00:00Z") + TimeDelta::days(day);
        let overtaken = |kind: usize| expected.released.iter().any(|(known, ..)| ORDER[*known].overtakes(ORDER[kind]));
        match *step {
            Step::Release(kind) if expected.released.iter().all(|(known, ..)| *known != kind) && overtaken(kind) => {
                let said = store.put_notice(&out(ORDER[kind], now, OF_USE[kind]), &texts()).await.unwrap_err();
                assert!(said.to_string().contains("of no use any more"), "{said}");
            }
            Step::Release(kind) if expected.released.iter().all(|(known, ..)| *known != kind) => {
                store.put_notice(&out(ORDER[kind], now, OF_USE[kind]), &texts()).await.unwrap();
                expected.released.push((kind, day, day + OF_USE[kind]));
                for who in &expected.confirmed {
                    expected.has.entry(*who).or_default().insert(kind);
                }
            }
            // Decided before: the second run changes nothing.
            Step::Release(kind) => {
                store.put_notice(&out(ORDER[kind], now, OF_USE[kind]), &texts()).await.unwrap();
            }
            Step::Recall(kind) => {
                if let Some(released) = expected.released.iter_mut().find(|(known, ..)| *known == kind) {
                    store.recall_notice(&id(ORDER[kind]), "desk", None, now).await.unwrap();
                    released.2 = released.2.min(day);
                }
            }
            Step::Join(who) | Step::JoinAgain(who) => {
                let new = subscriber(&["00101", "00102"], &[PEOPLE[who]], Language::En);
                let joined = store.add_subscriber(&new, now).await;
                // Who said stop must say start.
                assert_eq!(joined.is_err(), expected.known.contains(&who) && !expected.confirmed.contains(&who));
                if joined.is_ok() && expected.confirmed.insert(who) {
                    expected.known.insert(who);
                    expected.give_in_force(who, day);
                }
            }
            Step::Stop(who) if expected.confirmed.remove(&who) => {
                say_stop(&store, &address(PEOPLE[who]), "keyword STOP", now).await;
            }
            Step::Start(who) if expected.known.contains(&who) => {
                assert!(store.resume_address(&address(PEOPLE[who]), "keyword START", now).await.unwrap());
                if expected.confirmed.insert(who) {
                    expected.give_in_force(who, day);
                }
            }
            Step::Stop(_) | Step::Start(_) => {}
            Step::Restart => {
                store.close().await;
                store = open_store(address_of_store).await.unwrap();
            }
        }
    }
    for (who, address) in PEOPLE.iter().enumerate() {
        let mut kinds = kinds_of(&store, address).await;
        kinds.sort_unstable();
        let has = expected.has.get(&who).into_iter().flatten();
        let mut wanted: Vec<String> = has.map(|kind| ORDER[*kind].name().to_owned()).collect();
        wanted.sort_unstable();
        assert_eq!(kinds, wanted, "{address} after {steps:?}");
    }
    for table in ["attempts", "deliveries", "notice_texts", "notices", "consents", "suppressions"] {
        clear(&store, table).await;
    }
    for table in ["zip_waits", "subscriber_zips", "addresses", "subscribers"] {
        clear(&store, table).await;
    }
    store.close().await;
}

async fn clear(store: &Store, table: &str) {
    let mut tx = store.begin().await.unwrap();
    sqlx::query(sqlx::AssertSqlSafe(format!("DELETE FROM {table}"))).execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
}

/// Over any order of joins, releases, recalls, stops, starts and restarts each address gets each notice at most once, and
/// everybody who was confirmed when it went out or while it was in force gets it.
#[tokio::test]
async fn in_any_order_everybody_gets_each_notice_in_force_once() {
    at_each_address("orders of joining", |address| async move {
        let mut runner = TestRunner::deterministic();
        for _ in 0..40 {
            let steps = steps().new_tree(&mut runner).unwrap().current();
            live(&address, &steps).await;
        }
    })
    .await;
}
