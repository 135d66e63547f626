//! A notice to more people than one transaction takes: each gets it once, whatever comes between.

use std::collections::BTreeSet;

use treebell::people::{Consent, Language, NewSubscriber};
use treebell::season::NoticeKind;
use treebell::store::Store;
use treebell::store::enrol_many::Enrolling;
use treebell::store::notices::{NoticeRelease, Put, QUEUED_AT_ONCE, put_notice};

use crate::engines::{every_row, on_each_engine};
use crate::people::notices::{notice, texts};
use crate::people::{address, at, say_stop, subscribe, two_regions, zip};
use crate::support::open_store;

const INSPECT: &str = "pinyon-needle-scale/north/2026/inspect-now";

/// Two transactions and a half, some with both codes of the region.
const PEOPLE: usize = QUEUED_AT_ONCE * 5 / 2;

async fn people(store: &Store) {
    so_many_people(store, PEOPLE).await;
}

async fn so_many_people(store: &Store, people: usize) {
    two_regions(store).await;
    let person = |n: usize| NewSubscriber {
        zips: match n % 3 {
            0 => vec![zip("00101")],
            1 => vec![zip("00102")],
            _ => vec![zip("00102"), zip("00101")],
        },
        heights: Vec::new(),
        addresses: vec![address(&format!("owner{n}@example.org"))],
        language: Language::En,
        consent: Consent::Given { evidence: "form".into() },
    };
    let list: Vec<NewSubscriber> = (0..people).map(person).collect();
    let mut tx = store.begin_large().await.unwrap();
    let enrolling = Enrolling::begin(&mut tx, at("2026-02-01T12:00:00Z")).await.unwrap();
    enrolling.enrol(&mut tx, &list.iter().collect::<Vec<_>>()).await.unwrap();
    tx.commit().await.unwrap();
    subscribe(store, &["00201"], &["south@example.org"]).await;
}

async fn queued(store: &Store) -> usize {
    store.delivery_counts(&INSPECT.into()).await.unwrap().get("queued").copied().unwrap_or(0) as usize
}

/// As it stands after a kill right behind the transaction that let the notice out.
async fn cut_off(store: &Store) -> usize {
    people(store).await;
    let new = notice(NoticeKind::InspectNow, NoticeRelease::Release);
    let mut tx = store.begin().await.unwrap();
    let Put::Written { deliveries } = put_notice(&mut tx, &new, &texts()).await.unwrap() else { panic!("it is new") };
    tx.commit().await.unwrap();
    assert!(deliveries > 0 && deliveries <= QUEUED_AT_ONCE as u64, "{deliveries} with the notice");
    deliveries as usize
}

#[tokio::test]
async fn all_are_queued_and_counted_once() {
    on_each_engine("many recipients", |store| async move {
        people(&store).await;
        let new = notice(NoticeKind::InspectNow, NoticeRelease::Release);
        let deliveries = PEOPLE as u64;
        assert_eq!(store.put_notice(&new, &texts()).await.unwrap(), Put::Written { deliveries });
        assert_eq!(queued(&store).await, PEOPLE);
        assert!(store.queue_rest(new.decided_at).await.unwrap().queued.is_empty(), "nothing is left");
    })
    .await;
}

#[tokio::test]
async fn after_a_kill_it_goes_on_where_it_stood() {
    on_each_engine("a kill between", |store| async move {
        let first = cut_off(&store).await;
        assert_eq!(queued(&store).await, first);
        // Meanwhile one joins, one says stop, and one who was not told yet moves away.
        subscribe(&store, &["00101"], &["late@example.org"]).await;
        let all = store.recipients(&"north".into()).await.unwrap();
        let told: BTreeSet<String> =
            every_row(&store).await["deliveries"].iter().filter_map(|row| address_of(row)).collect();
        let gone = all.iter().find(|one| !told.contains(one.address_id.as_str())).unwrap();
        say_stop(&store, &gone.address, "link", at("2026-04-21T12:30:00Z")).await;
        store.release_due(at("2026-04-21T13:00:00Z")).await.unwrap();
        assert_eq!(queued(&store).await, PEOPLE, "all but who stopped, and who joined");
        let rows = every_row(&store).await;
        let told: BTreeSet<String> = rows["deliveries"].iter().filter_map(|row| address_of(row)).collect();
        assert_eq!(told.len(), rows["deliveries"].len(), "nobody twice");
        assert!(!told.contains(gone.address_id.as_str()), "who stopped is not told");
        store.release_due(at("2026-04-21T14:00:00Z")).await.unwrap();
        assert_eq!(every_row(&store).await["deliveries"], rows["deliveries"], "and that was all");
    })
    .await;
}

fn address_of(row: &str) -> Option<String> {
    row.split("address_id=Some(\"").nth(1)?.split('"').next().map(str::to_owned)
}

#[tokio::test]
async fn a_recall_between_ends_it() {
    on_each_engine("a recall between", |store| async move {
        cut_off(&store).await;
        store.recall_notice(&INSPECT.into(), "desk", None, at("2026-04-21T12:10:00Z")).await.unwrap();
        store.release_due(at("2026-04-21T12:20:00Z")).await.unwrap();
        assert_eq!(queued(&store).await, 0);
    })
    .await;
}

#[tokio::test]
async fn how_many_are_put_in_order_together_changes_nothing() {
    on_each_engine("parts of parts", |store| async move {
        cut_off(&store).await;
        // Parts that end inside a code, at its end, and far behind it; a kill repeats one whole.
        store.queue_rest_by(QUEUED_AT_ONCE * 3 / 4, at("2026-04-21T12:20:00Z")).await.unwrap();
        assert_eq!(queued(&store).await, PEOPLE);
        let rows = every_row(&store).await;
        let told: BTreeSet<String> = rows["deliveries"].iter().filter_map(|row| address_of(row)).collect();
        assert_eq!(told.len(), PEOPLE, "nobody twice");
        let mut tx = store.begin().await.unwrap();
        sqlx::query("UPDATE notices SET queued_to = '00101/'").execute(tx.conn()).await.unwrap();
        tx.commit().await.unwrap();
        let again = store.queue_rest(at("2026-04-21T12:30:00Z")).await.unwrap();
        assert!(again.queued.is_empty() && again.faults.is_empty(), "{again:?}");
        assert_eq!(every_row(&store).await["deliveries"], rows["deliveries"]);
        assert!(store.half_queued().await.unwrap().is_empty());
    })
    .await;
}

#[tokio::test]
async fn deliveries_of_a_notice_lie_in_the_order_of_their_addresses() {
    on_each_engine("order of ids", |store| async move {
        people(&store).await;
        store.put_notice(&notice(NoticeKind::InspectNow, NoticeRelease::Release), &texts()).await.unwrap();
        let find = "SELECT id, address_id FROM deliveries WHERE notice_id IS NOT NULL ORDER BY address_id";
        let rows = sqlx::query(find).fetch_all(&mut *store.read().await.unwrap()).await.unwrap();
        let ids: Vec<String> = rows.iter().map(|row| sqlx::Row::get(row, "id")).collect();
        assert_eq!(ids.len(), PEOPLE);
        assert!(ids.is_sorted_by(|a, b| a[..12] <= b[..12]), "indexes by either go from one end to the other");
        assert_eq!(ids.iter().map(|id| &id[..4]).collect::<BTreeSet<_>>().len(), 1, "those of a notice together");
        let own: BTreeSet<&str> = ids.iter().map(|id| &id[12..]).collect();
        assert_eq!(own.len(), PEOPLE, "and the rest of each is its own");
    })
    .await;
}

/// With the log as long as it was let grow, the next commit would fold all of it: perhaps that of somebody who says stop.
#[tokio::test]
async fn the_log_of_a_file_never_grows_until_its_writer_folds_it() {
    // SQLite's own limit (sqlite.org/pragma.html#pragma_wal_autocheckpoint), and a page in the log with its head.
    const WRITER_FOLDS_AT: u64 = 1000 * (4096 + 24);
    const MANY: usize = QUEUED_AT_ONCE * 20;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("store.sqlite");
    let address = format!("sqlite:{}", file.display());
    let store = open_store(&address).await.unwrap();
    so_many_people(&store, MANY).await;
    store.close().await;
    let store = open_store(&address).await.unwrap();
    store.put_notice(&notice(NoticeKind::InspectNow, NoticeRelease::Release), &texts()).await.unwrap();
    assert_eq!(queued(&store).await, MANY);
    let log = std::fs::metadata(file.with_extension("sqlite-wal")).unwrap().len();
    assert!(log > 0 && log < WRITER_FOLDS_AT, "{log} bytes");
    store.close().await;
    let read = open_store(&address).await.unwrap();
    assert_eq!(queued(&read).await, MANY, "all of it is in the file");
}
