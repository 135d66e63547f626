//! A list taken in by few statements leaves the same rows as one taken in person by person.

use treebell::people::{Address, Consent, Language, NewSubscriber};
use treebell::region::Band;
use treebell::season::NoticeKind;
use treebell::store::Store;
use treebell::store::enrol_many::Enrolling;
use treebell::store::enrolment::enrol;
use treebell::store::notices::NoticeRelease;

use crate::engines::{every_row, on_each_engine};
use crate::people::notices::{notice, texts};
use crate::people::{address, at, say_stop, subscribe, two_regions, zip};

fn person(zips: &[&str], addresses: Vec<Address>) -> NewSubscriber {
    let consent = Consent::Given { evidence: "signed form (list.csv line 2)".into() };
    let zips = zips.iter().map(|code| zip(code)).collect();
    NewSubscriber { zips, heights: Vec::new(), addresses, language: Language::Es, consent }
}

/// New ones, known ones, one who said stop, one given twice, one of two mailboxes that are one, one whose two addresses belong to
/// two people, one with nothing.
fn list() -> Vec<NewSubscriber> {
    let mail = |name: &str| address(&format!("{name}@example.org"));
    let mut list: Vec<NewSubscriber> = (0..40)
        .map(|n| person(&["00101"], vec![mail(&format!("new{n}")), address(&format!("+150555501{n:02}"))]))
        .collect();
    list.push(person(&["00201", "00102"], vec![mail("known")]));
    list.push(person(&["00101"], vec![mail("stopped")]));
    list.push(person(&["00102"], vec![mail("New7")]));
    list.push(person(&["00101", "00201"], vec![mail("twice"), mail("Twice")]));
    list.push(person(&["00201"], vec![mail("known"), mail("other")]));
    list.push(person(&[], vec![mail("nowhere")]));
    list.push(person(&["00201"], vec![mail("south")]));
    let high = NewSubscriber {
        heights: vec![(zip("00101"), Band::at_feet(6800.0).unwrap())],
        ..person(&["00101"], vec![mail("high")])
    };
    list.push(high);
    list
}

async fn before(store: &Store) {
    two_regions(store).await;
    subscribe(store, &["00101"], &["known@example.org"]).await;
    subscribe(store, &["00101"], &["other@example.org"]).await;
    subscribe(store, &["00101"], &["stopped@example.org"]).await;
    say_stop(store, &address("stopped@example.org"), "link", at("2026-03-01T12:00:00Z")).await;
    // North is under a notice: who comes from there is told at once.
    store.put_notice(&notice(NoticeKind::InspectNow, NoticeRelease::Release), &texts()).await.unwrap();
}

#[tokio::test]
async fn the_same_rows_as_one_by_one() {
    let now = at("2026-04-22T12:00:00Z");
    let (one, many) = (Store::in_memory().await.unwrap(), Store::in_memory().await.unwrap());
    before(&one).await;
    before(&many).await;
    let list = list();
    let mut tx = one.begin().await.unwrap();
    let mut expected = Vec::new();
    for person in &list {
        expected.push(enrol(&mut tx, person, now).await.map_err(|why| why.to_string()));
    }
    tx.commit().await.unwrap();
    let mut tx = many.begin_large().await.unwrap();
    let enrolling = Enrolling::begin(&mut tx, now).await.unwrap();
    let people: Vec<&NewSubscriber> = list.iter().collect();
    let outcomes = enrolling.enrol(&mut tx, &people).await.unwrap();
    tx.commit().await.unwrap();
    let outcomes: Vec<_> = outcomes.into_iter().map(|outcome| outcome.map_err(|why| why.to_string())).collect();
    assert_eq!(outcomes, expected);
    let (expected, rows) = (every_row(&one).await, every_row(&many).await);
    for (table, lines) in &expected {
        assert_eq!(rows[table], *lines, "{table}");
    }
    assert!(expected["deliveries"].len() > 80, "{} were told", expected["deliveries"].len());
}

#[tokio::test]
async fn the_same_list_again_changes_nothing() {
    on_each_engine("lists", |store| async move {
        before(&store).await;
        let (list, now) = (list(), at("2026-04-22T12:00:00Z"));
        let people: Vec<&NewSubscriber> = list.iter().collect();
        let mut rows = Vec::new();
        for _ in 0..2 {
            let mut tx = store.begin_large().await.unwrap();
            let enrolling = Enrolling::begin(&mut tx, now).await.unwrap();
            enrolling.enrol(&mut tx, &people).await.unwrap();
            tx.commit().await.unwrap();
            rows.push(every_row(&store).await);
        }
        assert!(rows[0]["addresses"].len() > 80);
        assert!(rows[0] == rows[1], "the second time changed rows");
    })
    .await;
}
