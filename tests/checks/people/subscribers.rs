use treebell::people::Consent;
use treebell::people::{Channel, Language};
use treebell::store::addresses::AddressStatus;
use treebell::store::enrolment::Enrolled;
use treebell::store::stops::Stopped;
use treebell::store::{Conflict, Store, StoreError};

use super::{address, at, say_stop, subscribe, subscriber, two_regions, zip};
use crate::engines::{at_each_address, on_each_engine};
use crate::support::open_store;

async fn recipients(store: &Store, region: &str) -> Vec<String> {
    let all = store.recipients(&region.into()).await.unwrap();
    let mut all: Vec<String> = all.iter().map(|recipient| recipient.address.expose().to_owned()).collect();
    all.sort();
    all
}

#[tokio::test]
async fn a_region_reaches_each_confirmed_address_once() {
    on_each_engine("recipients", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101", "00102"], &["both-zips@example.org", "+15055550101"]).await;
        subscribe(&store, &["00201"], &["south@example.org"]).await;
        subscribe(&store, &["00399"], &["nowhere@example.org"]).await;
        let mut asked = subscriber(&["00101"], &["asked@example.org"], Language::Es);
        asked.consent = Consent::Asked { evidence: "web form".into() };
        store.add_subscriber(&asked, at("2026-02-01T12:00:00Z")).await.unwrap();
        assert_eq!(recipients(&store, "north").await, ["+15055550101", "both-zips@example.org"]);
        assert_eq!(recipients(&store, "south").await, ["south@example.org"]);

        let asked = address("asked@example.org");
        store.confirm_address(&asked, "link", at("2026-02-02T12:00:00Z")).await.unwrap();
        assert_eq!(recipients(&store, "north").await.len(), 3);
        let all = store.recipients(&"north".into()).await.unwrap();
        let spanish: Vec<_> = all.iter().filter(|r| r.language == Language::Es).map(|r| r.channel).collect();
        assert_eq!(spanish, [Channel::Email]);

        let said =
            store.confirm_address(&address("x@example.org"), "link", at("2026-02-02T12:00:00Z")).await.unwrap_err();
        assert_eq!(said.to_string(), "no subscriber has the address x***@example.org");
    })
    .await;
}

#[tokio::test]
async fn subscribing_again_changes_nothing_and_new_facts_extend() {
    on_each_engine("subscribing twice", |store| async move {
        let first = subscribe(&store, &["00101"], &["a@example.org"]).await;
        let Enrolled::Added { subscriber: id } = first else { panic!("{first:?}") };
        assert_eq!(
            subscribe(&store, &["00101"], &["A@Example.org"]).await,
            Enrolled::Unchanged { subscriber: id.clone() },
            "one mailbox in two spellings"
        );
        assert_eq!(
            subscribe(&store, &["00101", "00201"], &["a@example.org", "505 555 0101"]).await,
            Enrolled::Extended { subscriber: id.clone(), zips: 1, addresses: 1, heights: 0 }
        );
        let known = store.subscriber_of(&address("+15055550101")).await.unwrap().unwrap();
        assert_eq!((known.id.as_str(), known.zips.len(), known.addresses.len()), (id.as_str(), 2, 2));
        assert_eq!(store.subscribers(None).await.unwrap(), [known]);

        subscribe(&store, &["00102"], &["other@example.org"]).await;
        let mixed = subscriber(&["00101"], &["a@example.org", "other@example.org"], Language::En);
        let said = store.add_subscriber(&mixed, at("2026-02-02T12:00:00Z")).await.unwrap_err();
        assert!(matches!(said, StoreError::Conflict(Conflict::AddressTaken { .. })), "{said}");
        assert!(said.to_string().contains("o***@example.org"), "{said}");
        let empty = subscriber(&[], &["a@example.org"], Language::En);
        let said = store.add_subscriber(&empty, at("2026-02-02T12:00:00Z")).await.unwrap_err();
        assert!(matches!(said, StoreError::Conflict(Conflict::EmptySubscriber)), "{said}");
    })
    .await;
}

#[tokio::test]
async fn a_stop_holds_until_its_owner_comes_back() {
    on_each_engine("stop and start", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &["a@example.org", "+15055550101"]).await;
        let phone = address("+15055550101");
        let stopped = say_stop(&store, &phone, "keyword STOP", at("2026-03-01T12:00:00Z")).await;
        assert_eq!(stopped, Stopped { addresses: 1, cancelled: 0 });
        let again = say_stop(&store, &phone, "keyword STOP", at("2026-03-01T12:01:00Z")).await;
        assert_eq!(again, Stopped::default());
        assert_eq!(recipients(&store, "north").await, ["a@example.org"], "the other address goes on");

        let said = store
            .add_subscriber(&subscriber(&["00101"], &["+15055550101"], Language::En), at("2026-03-02T12:00:00Z"))
            .await
            .unwrap_err();
        assert!(said.to_string().starts_with("the address +***01 said stop on 2026-03-01"), "{said}");

        assert!(store.resume_address(&phone, "keyword START", at("2026-03-03T12:00:00Z")).await.unwrap());
        assert_eq!(recipients(&store, "north").await.len(), 2);
        say_stop(&store, &phone, "keyword STOP", at("2026-03-04T12:00:00Z")).await;
        let mut new_form = subscriber(&["00101"], &["+15055550101"], Language::En);
        new_form.consent = Consent::GivenAgain { evidence: "new signed form".into() };
        store.add_subscriber(&new_form, at("2026-03-05T12:00:00Z")).await.unwrap();
        assert_eq!(recipients(&store, "north").await.len(), 2);

        let export = store.export_subscriber(&phone).await.unwrap();
        let actions: Vec<&str> = export
            .addresses
            .iter()
            .filter(|known| known.channel == Channel::Sms)
            .flat_map(|known| known.consents.iter().map(|row| row.action.as_str()))
            .collect();
        assert_eq!(actions, ["confirmed", "stopped", "resumed", "stopped", "resumed"], "nothing is taken back");

        let mail = address("a@example.org");
        store.remove_subscriber(&mail, "by letter", at("2026-03-06T12:00:00Z")).await.unwrap();
        let said = store
            .add_subscriber(&subscriber(&["00101"], &["a@example.org"], Language::En), at("2026-03-07T12:00:00Z"))
            .await
            .unwrap_err();
        assert!(said.to_string().starts_with("the address a***@example.org was erased on 2026-03-06"), "{said}");
    })
    .await;
}

#[tokio::test]
async fn a_stop_of_an_unknown_number_is_obeyed_too() {
    on_each_engine("unknown stops", |store| async move {
        two_regions(&store).await;
        let phone = address("+15055550102");
        let stopped = say_stop(&store, &phone, "keyword STOP", at("2026-03-01T12:00:00Z")).await;
        assert_eq!(stopped, Stopped::default());
        let refused = store
            .add_subscriber(&subscriber(&["00101"], &["+15055550102"], Language::En), at("2026-03-02T12:00:00Z"))
            .await;
        assert!(matches!(refused, Err(StoreError::Conflict(Conflict::Suppressed { .. }))), "{refused:?}");
        assert!(!store.resume_address(&phone, "keyword START", at("2026-03-03T12:00:00Z")).await.unwrap());
        assert_eq!(recipients(&store, "north").await, Vec::<String>::new(), "one word subscribes nobody");
    })
    .await;
}

#[tokio::test]
async fn addresses_nobody_uses_are_erased_in_time() {
    on_each_engine("old addresses", |store| async move {
        subscribe(&store, &["00101"], &["stopped@example.org", "used@example.org"]).await;
        let mut asked = subscriber(&["00101"], &["asked@example.org"], Language::En);
        asked.consent = Consent::Asked { evidence: "web form".into() };
        store.add_subscriber(&asked, at("2026-02-20T00:00:00Z")).await.unwrap();
        say_stop(&store, &address("stopped@example.org"), "link", at("2026-03-01T00:00:00Z")).await;
        let erase = |stopped_before, asked_before| {
            store.erase_old_addresses(at(stopped_before), at(asked_before), at("2026-06-01T00:00:00Z"))
        };
        assert_eq!(erase("2026-03-01T00:00:00Z", "2026-02-20T00:00:00Z").await.unwrap(), 0, "not yet");
        assert_eq!(erase("2026-03-02T00:00:00Z", "2026-02-21T00:00:00Z").await.unwrap(), 2);
        let left: Vec<_> = store.subscribers(None).await.unwrap().into_iter().flat_map(|s| s.addresses).collect();
        assert_eq!(left.len(), 1);
        assert_eq!((left[0].address.expose(), left[0].status), ("used@example.org", AddressStatus::Confirmed));

        let now = at("2026-06-02T00:00:00Z");
        let refused = store.add_subscriber(&subscriber(&["00101"], &["stopped@example.org"], Language::En), now).await;
        assert!(
            matches!(refused, Err(StoreError::Conflict(Conflict::Suppressed { .. }))),
            "a stop outlives its address"
        );
        store.add_subscriber(&subscriber(&["00101"], &["asked@example.org"], Language::En), now).await.unwrap();
    })
    .await;
}

#[tokio::test]
async fn a_dead_address_gets_nothing_until_it_is_given_again() {
    on_each_engine("dead addresses", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &["a@example.org"]).await;
        let id = store.recipients(&"north".into()).await.unwrap()[0].address_id.clone();
        assert_eq!(id, store.address_hash().of(&address("a@example.org")));
        store.deactivate_address(&id, at("2026-03-01T00:00:00Z")).await.unwrap();
        assert_eq!(recipients(&store, "north").await, Vec::<String>::new());
        subscribe(&store, &["00101"], &["a@example.org"]).await;
        assert_eq!(recipients(&store, "north").await, ["a@example.org"]);
    })
    .await;
}

#[tokio::test]
async fn subscribers_are_listed_by_region() {
    on_each_engine("lists of subscribers", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &["n@example.org"]).await;
        subscribe(&store, &["00201"], &["s@example.org"]).await;
        let south = store.subscribers(Some(&"south".into())).await.unwrap();
        assert_eq!(south.len(), 1);
        assert_eq!(south[0].zips, [zip("00201")]);
    })
    .await;
}

#[tokio::test]
async fn the_store_keeps_its_hash_key_and_no_two_stores_share_one() {
    at_each_address("hash keys", |store_address| async move {
        let store = open_store(&store_address).await.unwrap();
        let other = Store::in_memory().await.unwrap();
        let who = address("a@example.org");
        let hash = store.address_hash().of(&who);
        assert_ne!(hash, other.address_hash().of(&who));
        store.close().await;
        assert_eq!(open_store(&store_address).await.unwrap().address_hash().of(&who), hash);
    })
    .await;
}
