//! People at the desk, asked without a browser.

use axum::http::StatusCode;
use treebell::people::account::{RegionReach, Role};
use treebell::people::{Address, Reach};
use treebell::store::Store;
use treebell::store::addresses::AddressStatus;
use treebell::store::audit::{AuditEntry, AuditFilter};
use treebell::store::enrolment::Enrolled;

use super::support::{Browser, DeskWorld, of_county, of_region};
use crate::engines::on_each_engine;
use crate::people::{address, say_stop, subscribe, zip};

const MAIL: &str = "juniper.owner@example.org";
const PHONE: &str = "+15055550101";

async fn known(store: &Store) -> (String, String) {
    let here = subscribe(store, &["00101"], &[MAIL, PHONE]).await.subscriber().to_owned();
    let elsewhere = subscribe(store, &["00201"], &["vega.owner@example.org"]).await.subscriber().to_owned();
    (here, elsewhere)
}

async fn acts(store: &Store, act: &str) -> Vec<AuditEntry> {
    let all = store.audit(&AuditFilter::default()).await.unwrap();
    all.into_iter().filter(|row| row.act == act).collect()
}

fn has_no_address(page: &str) {
    for part in [MAIL, "vega.owner@", "5550101", "555-0101"] {
        assert!(!page.contains(part), "{part}: {page}");
    }
}

/// The title and the summary at the top tell of each of these fields and of no other.
fn at_the_top(page: &str, fields: &[&str]) {
    assert!(page.contains("<title>Please check"), "{page}");
    let summary = page.split("role=\"alert\"").nth(1).unwrap_or_default().split("</div>").next().unwrap_or_default();
    let told: Vec<&str> =
        summary.split("<a href=\"#").skip(1).map(|link| link.split('"').next().unwrap_or_default()).collect();
    assert_eq!(told, fields, "{page}");
}

async fn administrator(desk: &DeskWorld) -> Browser<'_> {
    desk.signed_in("maria", Role::Administrator, RegionReach::default()).await.0
}

#[tokio::test]
async fn somebody_is_found_by_a_whole_address_or_a_zip_code_and_shown_masked() {
    let desk = DeskWorld::new().await;
    let (here, elsewhere) = known(desk.store()).await;
    let mut maria = administrator(&desk).await;
    let page = maria.get("/desk/people?zip=00101").await;
    assert!(page.body.contains(&format!("/desk/person/{here}")) && !page.body.contains(&elsewhere), "{}", page.body);
    has_no_address(&page.body);
    for typed in [MAIL, "Juniper.Owner@EXAMPLE.org", PHONE, "(505) 555-0101"] {
        let found = maria.post("/desk/people", &[("address", typed)]).await;
        assert_eq!(found.header("location"), format!("/desk/person/{here}"), "{typed}: {}", found.body);
    }
    // Commands name people by their ids.
    let found = maria.post("/desk/people", &[("address", &here)]).await;
    assert_eq!(found.header("location"), format!("/desk/person/{here}"), "{}", found.body);
    // A part of an address finds nobody.
    for typed in ["juniper", "@example.org", "555-0101", "juniper.owner@example", ""] {
        let found = maria.post("/desk/people", &[("address", typed)]).await;
        assert_eq!(found.status, StatusCode::UNPROCESSABLE_ENTITY, "{typed}");
        // What is no address at all is no telephone number with a fault.
        let says_what_finds = found.body.contains("a whole e-mail address or a whole telephone number, by their id");
        assert_eq!(says_what_finds, ["juniper", ""].contains(&typed), "{typed}: {}", found.body);
    }
    for (typed, said) in [("0010", "dropped its zeros"), ("juniper", "is not a ZIP code")] {
        let page = maria.get(&format!("/desk/people?zip={typed}")).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(page.body.contains(said), "{}", page.body);
    }
    let person = maria.get(&format!("/desk/person/{here}")).await;
    assert!(person.body.contains("signed form, county fair") && person.body.contains("00101"), "{}", person.body);
    assert!(person.body.contains("/desk/region/north\">Region north</a>"), "by its name: {}", person.body);
    has_no_address(&person.body);
    assert_eq!(maria.get("/desk/person/s-none").await.status, StatusCode::NOT_FOUND);
    assert!(acts(desk.store(), "subscribers-listed").await.is_empty(), "what is masked is not noted");
}

#[tokio::test]
async fn staff_see_and_act_on_people_of_their_regions_alone() {
    let desk = DeskWorld::new().await;
    let (here, elsewhere) = known(desk.store()).await;
    let both = subscribe(desk.store(), &["00102", "00201"], &["both@example.org"]).await.subscriber().to_owned();
    let (mut nora, _) = desk.signed_in("nora", Role::Staff, of_region("north")).await;
    assert_eq!(nora.get(&format!("/desk/person/{here}")).await.status, StatusCode::OK);
    let page = nora.get(&format!("/desk/person/{both}")).await;
    assert!(page.body.contains("1 place outside of your regions") && !page.body.contains("00201"), "{}", page.body);
    assert_eq!(nora.get("/desk/people?zip=00201").await.status, StatusCode::UNPROCESSABLE_ENTITY);
    nora.get("/desk/people").await;
    let found = nora.post("/desk/people", &[("address", "vega.owner@example.org")]).await;
    assert!(found.body.contains("Nobody of your regions has this address"), "{}", found.body);
    for path in [format!("/desk/person/{elsewhere}"), format!("/desk/person/{elsewhere}/erase")] {
        assert_eq!(nora.get(&path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
    nora.get("/desk/people").await;
    for act in ["show", "stop", "export", "erase"] {
        let path = format!("/desk/person/{elsewhere}/{act}");
        let form = [("why", "asked"), ("how", "asked"), ("sure", "yes")];
        assert_eq!(nora.post(&path, &form).await.status, StatusCode::NOT_FOUND, "{path}");
    }
    let added = nora.post("/desk/new-person", &person_form(&[("zips", "00201")])).await;
    assert_eq!(added.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(added.body.contains("ZIP code 00201 is in none of the regions"), "{}", added.body);

    // Who keeps nothing sees nobody, and observers act on nobody.
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let page = olga.get("/desk/people?zip=00101").await;
    assert!(page.body.contains("No region is within your reach") && !page.body.contains(&here), "{}", page.body);
    assert_eq!(olga.get(&format!("/desk/person/{here}")).await.status, StatusCode::NOT_FOUND);
    let (mut otto, _) = desk.signed_in("otto", Role::Observer, of_region("north")).await;
    let page = otto.get(&format!("/desk/person/{here}")).await;
    assert_eq!(page.status, StatusCode::OK);
    has_no_address(&page.body);
    assert!(!page.body.contains("Show the addresses"), "{}", page.body);
    for act in ["show", "stop", "export", "erase"] {
        let path = format!("/desk/person/{here}/{act}");
        assert_eq!(
            otto.post(&path, &[("why", "asked"), ("how", "asked")]).await.status,
            StatusCode::FORBIDDEN,
            "{act}"
        );
    }
    assert_eq!(otto.post("/desk/people", &[("address", MAIL)]).await.status, StatusCode::FORBIDDEN);
    let (mut vera, _) = desk.signed_in("vera", Role::Staff, of_county("Vista")).await;
    assert_eq!(vera.get(&format!("/desk/person/{here}")).await.status, StatusCode::NOT_FOUND);
    for act in ["subscribers-listed", "subscriber-stopped", "subscriber-exported", "subscriber-erased"] {
        assert!(acts(desk.store(), act).await.is_empty(), "{act}");
    }
}

#[tokio::test]
async fn a_look_in_clear_wants_a_reason_and_is_written_down() {
    let desk = DeskWorld::new().await;
    let (here, _) = known(desk.store()).await;
    let (mut nora, _) = desk.signed_in("nora", Role::Staff, of_region("north")).await;
    let (page, show) = (format!("/desk/person/{here}"), format!("/desk/person/{here}/show"));
    nora.get(&page).await;
    for why in ["", "  ", "call 505 555 0101"] {
        let refused = nora.post(&show, &[("why", why)]).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{why}");
        assert!(!refused.body.contains(MAIL), "{}", refused.body);
    }
    assert!(acts(desk.store(), "subscribers-listed").await.is_empty());
    let shown = nora.post(&show, &[("why", "asked to spell it back")]).await;
    assert!(shown.body.contains(MAIL) && shown.body.contains(PHONE), "{}", shown.body);
    let rows = acts(desk.store(), "subscribers-listed").await;
    assert_eq!(rows.len(), 1);
    assert_eq!((rows[0].account.as_deref(), rows[0].why.as_deref()), (Some("nora"), Some("asked to spell it back")));
    assert!(rows[0].subject.contains(desk.store().address_hash().of(&address(MAIL)).as_str()), "{}", rows[0].subject);
    has_no_address(&nora.get(&page).await.body);
    // By a link alone nothing is shown.
    assert_eq!(nora.get(&show).await.status, StatusCode::METHOD_NOT_ALLOWED);
}

fn person_form<'a>(other: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
    let usual = [
        ("zips", "00101"),
        ("email", "new.owner@example.org"),
        ("phone", ""),
        ("language", "es"),
        ("way", "signed form"),
        ("agreed_on", "2025-03-01"),
        ("taken_by", "rg"),
        ("note", "county fair"),
    ];
    let kept = usual.into_iter().filter(|(name, _)| other.iter().all(|(of, _)| of != name));
    kept.chain(other.iter().copied()).collect()
}

#[tokio::test]
async fn a_person_is_added_with_how_they_agreed() {
    let desk = DeskWorld::new().await;
    let (mut nora, _) = desk.signed_in("nora", Role::Staff, of_region("north")).await;
    nora.get("/desk/new-person").await;
    for (other, said) in [
        (("zips", "0010"), "dropped its zeros"),
        (("zips", ""), "At least one ZIP code"),
        (("email", "new.owner"), "mail address is wanted"),
        (("email", ""), "Give an e-mail address"),
        (("phone", "555-0101"), "phone number is wanted"),
        (("way", "rumour"), "Choose how they agreed"),
        (("agreed_on", "2025-03-11"), "today or before"),
        (("agreed_on", "soon"), "today or before"),
        (("taken_by", ""), "Say who took it"),
        (("note", "mail from a@example.org"), "It holds an e-mail address"),
        (("height_ft", "high"), "in feet, such as 6800"),
    ] {
        let refused = nora.post("/desk/new-person", &person_form(&[other])).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{other:?}");
        assert!(refused.body.contains(said), "{other:?}: {}", refused.body);
    }
    assert!(desk.store().subscribers(None).await.unwrap().is_empty());
    let added = nora.post("/desk/new-person", &person_form(&[])).await;
    assert_eq!(added.status, StatusCode::SEE_OTHER, "{}", added.body);
    let people = desk.store().subscribers(None).await.unwrap();
    assert_eq!(added.header("location"), format!("/desk/person/{}?done=added", people[0].id));
    assert_eq!((people[0].language.code(), people[0].zips.clone()), ("es", vec![zip("00101")]));
    assert_eq!(people[0].addresses[0].status, AddressStatus::Confirmed);
    let consents = desk.store().consents_of_subscriber(&people[0].id).await.unwrap();
    assert_eq!(consents[0].evidence, "signed form, 2025-03-01, taken by rg: county fair");
    let rows = acts(desk.store(), "subscriber-added").await;
    assert_eq!((rows.len(), rows[0].account.as_deref()), (1, Some("nora")));
    nora.get("/desk/new-person").await;
    let again = nora.post("/desk/new-person", &person_form(&[])).await;
    assert!(again.header("location").ends_with("?done=unchanged"), "{}", again.header("location"));

    // Who had said stop is added only when they ask again.
    let owner = Address::parse("new.owner@example.org", Reach::World).unwrap();
    say_stop(desk.store(), &owner, "answered STOP", "2025-03-02T12:00:00Z".parse().unwrap()).await;
    nora.get("/desk/new-person").await;
    let refused = nora.post("/desk/new-person", &person_form(&[])).await;
    assert!(
        refused.body.contains("said stop on 2025-03-02") && refused.body.contains("name=\"after_stop\""),
        "{}",
        refused.body
    );
    has_no_address(&refused.body.replace("value=\"new.owner@example.org\"", ""));
    let resumed = nora.post("/desk/new-person", &person_form(&[("after_stop", "yes")])).await;
    assert_eq!(resumed.status, StatusCode::SEE_OTHER, "{}", resumed.body);
    assert_eq!(desk.store().subscribers(None).await.unwrap()[0].addresses[0].status, AddressStatus::Confirmed);
}

#[tokio::test]
async fn messages_are_stopped_data_handed_out_and_people_erased_each_written_down() {
    on_each_engine("people at the desk", |store| async move {
        let desk = DeskWorld::on(store).await;
        let (here, _) = known(desk.store()).await;
        let mut maria = administrator(&desk).await;
        let page = format!("/desk/person/{here}");
        let status = async || -> Vec<AddressStatus> {
            let person = desk.store().subscriber(&here).await.unwrap().unwrap();
            person.addresses.iter().map(|known| known.status).collect()
        };
        maria.get(&page).await;
        let unsaid = maria.post(&format!("{page}/stop"), &[("only", ""), ("how", "")]).await;
        assert_eq!(unsaid.status, StatusCode::UNPROCESSABLE_ENTITY);
        at_the_top(&unsaid.body, &["stop-why"]);
        let unsaid = maria.post(&format!("{page}/show"), &[("why", "")]).await;
        at_the_top(&unsaid.body, &["show-why"]);
        let stranger = maria.post(&format!("{page}/stop"), &[("only", "none"), ("how", "by telephone")]).await;
        assert_eq!(stranger.status, StatusCode::NOT_FOUND);
        assert_eq!(status().await, [AddressStatus::Confirmed, AddressStatus::Confirmed]);
        maria.get(&page).await;
        let phone = desk.store().address_id(&address(PHONE)).await.unwrap();
        let one = maria.post(&format!("{page}/stop"), &[("only", phone.as_str()), ("how", "by telephone")]).await;
        assert_eq!(one.header("location"), format!("{page}?done=stopped"), "{}", one.body);
        assert_eq!(status().await, [AddressStatus::Confirmed, AddressStatus::Stopped]);
        maria.get(&page).await;
        maria.post(&format!("{page}/stop"), &[("only", ""), ("how", "by letter")]).await;
        assert_eq!(status().await, [AddressStatus::Stopped, AddressStatus::Stopped]);
        assert!(desk.store().recipients(&"north".into()).await.unwrap().is_empty(), "nothing more goes to them");
        let rows = acts(desk.store(), "subscriber-stopped").await;
        assert_eq!(rows.len(), 2);
        assert!(rows[1].detail.contains("1 address,") && rows[1].detail.contains("by telephone"), "{:?}", rows[1]);
        assert!(rows.iter().all(|row| row.account.as_deref() == Some("maria")));

        let unsaid = maria.post(&format!("{page}/export"), &[("why", "")]).await;
        assert_eq!(unsaid.status, StatusCode::UNPROCESSABLE_ENTITY);
        let export = maria.post(&format!("{page}/export"), &[("why", "asked by letter")]).await;
        assert!(export.header("content-disposition").starts_with("attachment"), "{:?}", export.headers);
        let kept: serde_json::Value = serde_json::from_str(&export.body).unwrap();
        assert_eq!(kept["addresses"][0]["address"], MAIL);
        let rows = acts(desk.store(), "subscriber-exported").await;
        assert_eq!((rows.len(), rows[0].why.as_deref()), (1, Some("asked by letter")));

        let erase = format!("{page}/erase");
        let asked = maria.get(&erase).await;
        assert!(asked.body.contains("It cannot be undone"), "{}", asked.body);
        has_no_address(&asked.body);
        for (how, sure, wrong) in [("by letter", "", &["sure"][..]), ("", "yes", &["how"]), ("", "", &["how", "sure"])]
        {
            let refused = maria.post(&erase, &[("how", how), ("sure", sure)]).await;
            assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{how} {sure}");
            at_the_top(&refused.body, wrong);
        }
        assert!(desk.store().subscriber(&here).await.unwrap().is_some());
        let done = maria.post(&erase, &[("how", "by letter"), ("sure", "yes")]).await;
        assert_eq!(done.header("location"), "/desk/people?done=erased", "{}", done.body);
        assert!(desk.store().subscriber(&here).await.unwrap().is_none());
        assert!(desk.store().subscriber_of(&address(MAIL)).await.unwrap().is_none());
        let rows = acts(desk.store(), "subscriber-erased").await;
        assert_eq!((rows.len(), rows[0].account.as_deref()), (1, Some("maria")));
    })
    .await;
}

#[tokio::test]
async fn people_of_a_zip_code_come_a_page_at_a_time() {
    on_each_engine("people of a ZIP code", |store| async move {
        let desk = DeskWorld::on(store).await;
        let mut all = std::collections::BTreeSet::new();
        for nth in 0..120 {
            let who = subscribe(desk.store(), &["00101"], &[&format!("owner{nth}@example.org")]).await;
            assert!(matches!(who, Enrolled::Added { .. }));
            all.insert(who.subscriber().to_owned());
        }
        let mut maria = administrator(&desk).await;
        let (mut path, mut seen, mut pages) =
            ("/desk/people?zip=00101".to_owned(), std::collections::BTreeSet::new(), 0);
        loop {
            let body = maria.get(&path).await.body;
            pages += 1;
            for part in body.split("href=\"/desk/person/").skip(1) {
                assert!(seen.insert(part.split('"').next().unwrap().to_owned()), "each once");
            }
            match body.split("&amp;after=").nth(1) {
                Some(next) => path = format!("/desk/people?zip=00101&after={}", next.split('"').next().unwrap()),
                None => break,
            }
        }
        assert_eq!((seen, pages), (all, 3));
    })
    .await;
}
