//! A region changed and taken out of use at the desk, asked without a browser.

use axum::http::StatusCode;
use treebell::people::account::{RegionReach, Role};
use treebell::region::{Region, Release, Zip};
use treebell::season::NoticeStatus;
use treebell::service::desk::kind_words;
use treebell::service::desk::reports::act_at_once;
use treebell::store::Store;
use treebell::store::audit::{AuditEntry, AuditFilter};

use super::new_regions::ended;
use super::support::{Browser, DeskWorld, of_region};
use crate::engines::on_each_engine;
use crate::learning::World;
use crate::people::{subscribe, zip};

/// The form as its page shows it, with some fields otherwise.
async fn filled(browser: &mut Browser<'_>, path: &str, other: &[(&str, &str)]) -> Vec<(String, String)> {
    let page = browser.get(path).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.body);
    let html = page.body;
    let mut form: Vec<(String, String)> = Vec::new();
    for input in html.split("<input").skip(1) {
        let tag = input.split('>').next().unwrap();
        let attribute = |name: &str| {
            tag.split(&format!(" {name}=\"")).nth(1).map(|rest| rest.split('"').next().unwrap().to_owned())
        };
        if attribute("type").as_deref() != Some("checkbox")
            && let (Some(name), Some(value)) = (attribute("name"), attribute("value"))
        {
            form.push((name, value));
        }
    }
    let zips = html.split("name=\"zips\"").nth(1).unwrap().split('>').nth(1).unwrap().split('<').next().unwrap();
    form.push(("zips".into(), zips.trim().into()));
    for name in ["release", "owner_reports"] {
        let select = html.split(&format!("name=\"{name}\"")).nth(1).unwrap().split("</select>").next().unwrap();
        let chosen = select.split("<option value=\"").find(|option| option.contains("selected")).unwrap();
        form.push((name.into(), chosen.split('"').next().unwrap().into()));
    }
    form.retain(|(name, _)| name != "form_token" && other.iter().all(|(of, _)| of != name));
    form.extend(other.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())));
    form
}

async fn send(browser: &mut Browser<'_>, path: &str, form: &[(String, String)]) -> super::super::support::Answer {
    let form: Vec<(&str, &str)> = form.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
    browser.post(path, &form).await
}

async fn changes(store: &Store, region: &str) -> Vec<AuditEntry> {
    let filter = AuditFilter { about: Some(format!("region/{region}")), ..AuditFilter::default() };
    store.audit(&filter).await.unwrap()
}

const CHANGE: &str = "/desk/region/north/change";

// Before, a notice that was due left a minute after Save, and no page had said so.
#[tokio::test(flavor = "multi_thread")]
async fn what_saving_brings_up_is_told_before_and_after_it() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    world.early_sightings(true).await;
    let (region, store) = (world.regions[0].clone(), &world.app.store);
    subscribe(store, &[region.zips[0].as_str()], &["a@example.org", "+15055550101"]).await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut nora, _) = desk.signed_in("nora", Role::Staff, of_region(region.id.as_str())).await;
    let own = format!("/desk/region/{}", region.id);
    let form = filled(&mut nora, &format!("{own}/change"), &[("elevation_ft", "5,432")]).await;
    let begun = send(&mut nora, &format!("{own}/change"), &form).await;
    assert_eq!(begun.status, StatusCode::SEE_OTHER, "{}", begun.body);
    let path = begun.header("location").to_owned();
    let draft = ended(&mut nora, &path).await.body;
    assert!(store.notices_of_season(&region.profile, 2025).await.unwrap().is_empty(), "nothing is decided by looking");
    let saved = nora.post(&format!("{path}/save"), &[("sure", "yes")]).await;
    assert_eq!(saved.header("location"), format!("{own}?done=changed"), "{}", saved.body);
    // Whoever saves waits a moment for it; a check waits until it is done.
    let changed = store.region(&region.id).await.unwrap();
    act_at_once(&desk.world.app, &changed, chrono::TimeDelta::zero(), std::time::Duration::from_secs(600)).await;
    let page = nora.get(&format!("{own}?done=changed")).await.body;
    let mut notices = store.notices_of_season(&region.profile, 2025).await.unwrap();
    // A skipped one goes to nobody.
    notices.retain(|notice| notice.status() != NoticeStatus::Skipped);
    assert!(!notices.is_empty());
    for notice in notices {
        let kind = kind_words(notice.kind);
        let said = format!("“{kind}” for {} to 2 addresses (1 by e-mail, 1 by text)", region.name);
        // One that waits for a word has a comma there.
        assert!(draft.contains("Saving it ") && draft.replace(", to 2", " to 2").contains(&said), "{said}: {draft}");
        assert!(
            page.contains("That brought up:") && page.contains(&format!(">{kind}</a>, to 2 addresses. ")),
            "{page}"
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn words_are_changed_at_once_and_what_moves_dates_is_shown_first() {
    on_each_engine("a region changed at the desk", |store| async move {
        let desk = DeskWorld::on(store).await;
        crate::places::services::with_places(desk.store()).await;
        let mut north = desk.store().region(&"north".into()).await.unwrap();
        north.place = treebell::geo::Point { latitude: 31.2, longitude: -135.4 };
        desk.store().change_region(&north).await.unwrap();
        let (mut nora, _) = desk.signed_in("nora", Role::Staff, of_region("north")).await;

        let form = filled(&mut nora, CHANGE, &[]).await;
        let same = send(&mut nora, CHANGE, &form).await;
        assert!(same.body.contains("Nothing differs"), "{}", same.body);
        assert_eq!(desk.store().region(&"north".into()).await.unwrap(), north, "feet did not touch the metres");

        let form = filled(
            &mut nora,
            CHANGE,
            &[("name", "North Rim"), ("release", "when-confirmed"), ("why", "as people say"), ("county", "Elsewhere")],
        )
        .await;
        let done = send(&mut nora, CHANGE, &form).await;
        assert_eq!(done.header("location"), "/desk/region/north?done=changed", "{}", done.body);
        let now = desk.store().region(&"north".into()).await.unwrap();
        let wanted = Region { name: "North Rim".into(), release: Release::WhenConfirmed, ..north.clone() };
        assert_eq!(now, wanted, "and no county, which only administrators say");
        let rows = changes(desk.store(), "north").await;
        assert_eq!((rows[0].act.as_str(), rows[0].account.as_deref()), ("region-changed", Some("nora")));
        assert_eq!(rows[0].why.as_deref(), Some("as people say"));

        let page = nora.get("/desk/region/north").await.body;
        assert!(page.contains("Name: from Region north to North Rim; Notices leave: from "), "{page}");
        assert!(page.contains(" to only when staff confirm them</span> as people say"), "{page}");

        // Another ZIP code is looked at first.
        let form = filled(&mut nora, CHANGE, &[("zips", "00101 00103")]).await;
        let begun = send(&mut nora, CHANGE, &form).await;
        assert_eq!(begun.status, StatusCode::SEE_OTHER, "{}", begun.body);
        let path = begun.header("location").to_owned();
        let page = ended(&mut nora, &path).await;
        assert!(
            page.body.contains("What changes") && page.body.contains("ZIP codes: 00103 added, 00102 taken out"),
            "{}",
            page.body
        );
        assert_eq!(desk.store().region(&"north".into()).await.unwrap(), wanted, "not before the second word");
        let saved = nora.post(&format!("{path}/save"), &[("sure", "yes"), ("why", "the creek too")]).await;
        assert_eq!(saved.header("location"), "/desk/region/north?done=changed", "{}", saved.body);
        let now = desk.store().region(&"north".into()).await.unwrap();
        assert_eq!(now.zips, [zip("00101"), zip("00103")]);
        let rows = changes(desk.store(), "north").await;
        assert_eq!((rows[0].account.as_deref(), rows[0].why.as_deref()), (Some("nora"), Some("the creek too")));
        assert!(rows[0].detail.contains("00103"), "{}", rows[0].detail);
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_is_told_and_changes_nothing() {
    let desk = DeskWorld::new().await;
    crate::places::services::with_places(desk.store()).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let north = desk.store().region(&"north".into()).await.unwrap();
    for (other, said) in [
        (vec![("zips", "00101 00201")], "ZIP code 00201 belongs to Region south"),
        (vec![("zips", "0010")], "a spreadsheet may have dropped its zeros"),
        (vec![("name", "")], "Give the name"),
        (vec![("stations", "NOWHERE")], "Station “NOWHERE” is unknown"),
        (vec![("release", "unless-held"), ("hours", "9999")], "1 to 720 hours"),
        (vec![("why", "a@example.org asked")], "without e-mail addresses or telephone numbers"),
        (vec![("seen", "0000")], "Somebody changed it since"),
    ] {
        let form = filled(&mut maria, CHANGE, &other).await;
        let answer = send(&mut maria, CHANGE, &form).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{other:?}: {}", answer.body);
        assert!(answer.body.contains(said), "{said}: {}", answer.body);
    }
    assert_eq!(desk.store().region(&"north".into()).await.unwrap(), north);

    // A draft of a region that somebody else changed is not put over that.
    let form = filled(&mut maria, CHANGE, &[("elevation_ft", "5000")]).await;
    let path = send(&mut maria, CHANGE, &form).await.header("location").to_owned();
    ended(&mut maria, &path).await;
    let other = Region { landmarks: vec!["Old Mill".into()], ..north.clone() };
    desk.store().change_region(&other).await.unwrap();
    let saved = maria.post(&format!("{path}/save"), &[("sure", "yes")]).await;
    assert_eq!(saved.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(saved.body.contains("was changed by somebody else"), "{}", saved.body);
    assert_eq!(desk.store().region(&"north".into()).await.unwrap(), other);

    let (mut sven, _) = desk.signed_in("sven", Role::Staff, of_region("south")).await;
    for path in [CHANGE, "/desk/region/north/retire"] {
        assert_eq!(sven.get(path).await.status, StatusCode::FORBIDDEN, "{path}");
        sven.get("/desk/account").await;
        assert_eq!(sven.post(path, &[("why", "tried")]).await.status, StatusCode::FORBIDDEN, "{path}");
    }
    assert!(!sven.get("/desk/region/north").await.body.contains("/desk/region/north/change"));
}

#[tokio::test]
async fn a_region_goes_out_of_use_for_a_reason_and_comes_back_by_the_form() {
    let desk = DeskWorld::new().await;
    subscribe(desk.store(), &["00101"], &["a@example.org", "+15055550101"]).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let retire = "/desk/region/north/retire";
    let page = maria.get(retire).await;
    assert!(
        page.body.contains("2 addresses would be told nothing more") && page.body.contains("00101, 00102"),
        "{}",
        page.body
    );
    let unsaid = maria.post(retire, &[("why", " ")]).await;
    assert_eq!(unsaid.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(!desk.store().region(&"north".into()).await.unwrap().retired);
    let done = maria.post(retire, &[("why", "merged into south")]).await;
    assert_eq!(done.header("location"), "/desk/region/north?done=retired", "{}", done.body);
    assert!(desk.store().region(&"north".into()).await.unwrap().retired);
    let rows = changes(desk.store(), "north").await;
    assert_eq!((rows[0].act.as_str(), rows[0].why.as_deref()), ("region-retired", Some("merged into south")));
    let page = maria.get("/desk/region/north").await;
    assert!(page.body.contains("/desk/new-region?back=north") && !page.body.contains("Change it"), "{}", page.body);
    let form = maria.get("/desk/new-region?back=north").await.body;
    assert!(form.contains("value=\"Region north\"") && form.contains("value=\"north\""), "{form}");
    let free: Option<_> = desk.store().region_of_zip(&Zip::parse("00101").unwrap()).await.unwrap();
    assert_eq!(free, None);
}
