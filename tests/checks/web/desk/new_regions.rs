//! A region added at the desk, asked without a browser.

use std::time::Duration;

use axum::http::StatusCode;
use chrono::TimeDelta;
use treebell::clock::Clock;
use treebell::people::account::{RegionReach, Role};
use treebell::region::Region;
use treebell::service::new_region::Ground;
use treebell::service::region_drafts::{KEPT, MOST, MOST_EACH, RegionDrafts, Stage, Task};
use treebell::store::Store;
use treebell::store::audit::AuditFilter;
use wiremock::matchers::path_regex;
use wiremock::{Mock, MockServer, ResponseTemplate};

use super::super::support::Answer;
use super::support::{Browser, DeskWorld, of_county, of_region};
use crate::engines::{every_row, on_each_engine};
use crate::people::{subscribe, zip};
use crate::places::services::{feeds_at, good, with_places};
use crate::places::wish;

/// A desk that asks the services of a server; `None`: nobody is asked.
pub(super) async fn desk_at(store: Store, server: Option<&MockServer>) -> DeskWorld {
    let feeds = server.map(|server| feeds_at(&server.uri()));
    let desk = DeskWorld::with(store, |config| {
        if let Some(feeds) = feeds {
            config.feeds = feeds;
            config.feeds.tries = 1;
        }
    })
    .await;
    with_places(desk.store()).await;
    desk
}

const FORM: [(&str, &str); 6] = [
    ("name", "Alta Vega"),
    ("zips", "00301"),
    ("release", "unless-held"),
    ("hours", "12"),
    ("owner_reports", "when-confirmed"),
    ("profile", "pinyon-needle-scale"),
];

/// The form with some fields otherwise.
pub(super) fn form<'a>(other: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
    let kept = FORM.iter().copied().filter(|(name, _)| other.iter().all(|(of, _)| of != name));
    kept.chain(other.iter().copied()).collect()
}

pub(super) async fn begun(browser: &mut Browser<'_>, other: &[(&str, &str)]) -> String {
    browser.get("/desk/new-region").await;
    let answer = browser.post("/desk/new-region", &form(other)).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    answer.header("location").to_owned()
}

/// The page of a draft once its work has ended.
pub async fn ended(browser: &mut Browser<'_>, path: &str) -> Answer {
    let until = tokio::time::Instant::now() + Duration::from_secs(120);
    loop {
        let page = browser.get(path).await;
        if !page.body.contains("Look again") {
            return page;
        }
        assert!(tokio::time::Instant::now() < until, "{}", page.body);
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// All rows but those of what services said of a place, of sessions, and of what was worked out.
pub(super) async fn rows(desk: &DeskWorld) -> std::collections::BTreeMap<String, Vec<String>> {
    let mut rows = every_row(desk.store()).await;
    rows.retain(|table, _| {
        !["place_answers", "desk_sessions", "kept_skills", "kept_pasts", "region_views"].contains(&table.as_str())
    });
    rows
}

async fn added(desk: &DeskWorld) -> Vec<(Option<String>, Option<String>)> {
    let filter = AuditFilter { about: Some("region/alta-vega".into()), ..AuditFilter::default() };
    let rows = desk.store().audit(&filter).await.unwrap();
    assert!(rows.iter().all(|row| row.act == "region-added"), "{rows:?}");
    rows.into_iter().map(|row| (row.account, row.why)).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_region_is_looked_at_and_then_saved() {
    let server = good().await;
    on_each_engine("a region added at the desk", |store| {
        let server = &server;
        async move {
            let desk = desk_at(store, Some(server)).await;
            subscribe(desk.store(), &["00301"], &["a@example.org", "+15055550101"]).await;
            let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
            let before = rows(&desk).await;
            let path = begun(&mut maria, &[]).await;
            let page = ended(&mut maria, &path).await;
            assert_eq!(page.status, StatusCode::OK, "{}", page.body);
            for said in [
                "Not saved yet.",
                "34.05",
                "ZIP area 00301",
                "the National Weather Service",
                "America/Phoenix",
                "Sample",
                "<b>Taken</b>",
                "miles away",
                "1 person waits for its ZIP codes (1 by e-mail, 1 by text)",
                "Past seasons there",
                "Between which regions it stands",
                "<a href=\"#save\">Go to Save</a>",
                "<h2 id=\"save\">",
                "Saving it ",
                ">Save</button>",
            ] {
                assert!(page.body.contains(said), "{said}: {}", page.body);
            }
            assert!(!page.body.contains(" --") && !page.body.contains(" km"), "{}", page.body);
            assert!(!page.body.contains("than the region’s trees"), "its station stands about as high: {}", page.body);
            assert_eq!(rows(&desk).await, before, "nothing is saved by looking");

            let address = maria.post(&format!("{path}/save"), &[("sure", "yes"), ("why", "b@example.org asked")]).await;
            assert_eq!(address.status, StatusCode::UNPROCESSABLE_ENTITY);
            assert_eq!(rows(&desk).await, before, "nor by a form that was refused");
            let saved = maria.post(&format!("{path}/save"), &[("sure", "yes"), ("why", "the county asked")]).await;
            assert_eq!(
                (saved.status, saved.header("location")),
                (StatusCode::SEE_OTHER, "/desk/region/alta-vega?done=added")
            );
            let region = desk.store().region(&"alta-vega".into()).await.unwrap();
            assert_eq!((region.county.as_deref(), region.stations.len()), (Some("Sample"), 3));
            assert_eq!(region.release, "unless-held:12".parse().unwrap());
            for station in &region.stations {
                let record = desk.store().record(station).await.unwrap();
                assert!(!record.versions.is_empty(), "{station}: its record is saved with it");
            }
            assert_eq!(added(&desk).await, [(Some("maria".into()), Some("the county asked".into()))]);
            // Sent twice, it leads to the region and adds nothing.
            let twice = maria.post(&format!("{path}/save"), &[("sure", "yes")]).await;
            assert_eq!(twice.status, StatusCode::SEE_OTHER);
            assert_eq!(added(&desk).await.len(), 1);
            assert!(maria.get("/desk/region/alta-vega").await.body.contains("Alta Vega"));
        }
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_in_doubt_is_looked_at_before_it_is_saved() {
    let server = good().await;
    let desk = desk_at(Store::in_memory().await.unwrap(), Some(&server)).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    // Nearer to another ZIP area than to its own.
    let path = begun(&mut maria, &[("latitude", "33.2"), ("longitude", "-134.75")]).await;
    let page = ended(&mut maria, &path).await;
    assert!(
        page.body.contains("In doubt:") && page.body.contains("from the nearest of its ZIP areas"),
        "{}",
        page.body
    );
    let unsure = maria.post(&format!("{path}/save"), &[("why", "asked for")]).await;
    assert_eq!(unsure.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(unsure.body.contains("say below that you have looked at it"), "{}", unsure.body);
    assert!(added(&desk).await.is_empty());
    let saved = maria.post(&format!("{path}/save"), &[("sure", "yes")]).await;
    assert_eq!(saved.status, StatusCode::SEE_OTHER, "{}", saved.body);
}

#[tokio::test]
async fn a_slip_is_told_at_once_beside_its_field() {
    let desk = desk_at(Store::in_memory().await.unwrap(), None).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let before = rows(&desk).await;
    maria.get("/desk/new-region").await;
    for (other, field, said) in [
        (vec![("name", "")], "name", "Give the name"),
        (vec![("name", "A name that no text message has any room for")], "name", "shorten it"),
        (vec![("zips", "")], "zips", "At least one ZIP code is wanted"),
        (vec![("zips", "0030")], "zips", "a spreadsheet may have dropped its zeros"),
        (vec![("zips", "00301-1234")], "zips", "ZIP+4"),
        (vec![("zips", "00301 00101")], "zips", "ZIP code 00101 belongs to Region north"),
        (vec![("zips", "00201")], "zips", "belongs to Region south. Leave it out here"),
        (vec![("zips", "00399")], "zips", "is not among the 5 areas"),
        // Of several that are wrong, each in its way, all are told.
        (vec![("zips", "00101 00399")], "zips", "is not among the 5 areas"),
        (vec![("zips", "0030 00101")], "zips", "ZIP code 00101 belongs to Region north"),
        // Of another state: 300 km from the other ZIP code, or from the coordinates.
        (vec![("zips", "00301 00102"), ("from_ft", "5000"), ("to_ft", "5200")], "zips", "belongs to Region north"),
        (vec![("latitude", "31.2"), ("longitude", "-135.4")], "latitude", "mend them, or leave them out"),
        (vec![("latitude", "34.05"), ("longitude", "134.6")], "latitude", "in America they are negative"),
        (vec![("latitude", "34.05")], "latitude", "Give latitude and longitude, or neither."),
        (vec![("latitude", "high")], "latitude", "is not a number"),
        (vec![("from_ft", "7000"), ("to_ft", "6000")], "from_ft", "must lie below their end"),
        (vec![("stations", "NOWHERE")], "stations", "Station"),
        (vec![("time_zone", "America/Phonix")], "time_zone", "America/Phoenix"),
        (vec![("hours", "0")], "release", "1 to 720 hours"),
        (vec![("owner_reports", "sometimes")], "owner_reports", "Choose when"),
        (vec![("profile", "moth")], "profile", "Choose one of the profiles"),
        (vec![("id", "north")], "id", "There is a region “north” already"),
        (vec![("id", "Not This")], "id", "lower case letters"),
    ] {
        let answer = maria.post("/desk/new-region", &form(&other)).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{other:?}: {}", answer.body);
        let link = format!("<a href=\"#{field}\">");
        let told: Vec<&str> = answer.body.lines().filter(|line| line.contains(&link)).collect();
        assert!(told.iter().any(|line| line.contains(said)), "{other:?}: {said} in {told:?}\n{}", answer.body);
        assert!(!told.iter().any(|line| line.contains(" --")), "{told:?}");
        for (name, value) in &other {
            let is_chosen = ["profile", "owner_reports"].contains(name);
            assert!(is_chosen || answer.body.contains(&format!("id=\"{name}\"")), "{name}");
            assert!(value.is_empty() || is_chosen || answer.body.contains(value), "{value} is typed again");
        }
    }
    assert_eq!(rows(&desk).await, before);
    assert!(!maria.get("/desk/new-region").await.body.contains("Your drafts"), "nothing was begun");
}

#[tokio::test]
async fn where_nothing_is_looked_up_an_empty_form_asks_for_the_elevation_too() {
    let store = Store::in_memory().await.unwrap();
    let desk = DeskWorld::with(store, |config| config.feeds.look_up = false).await;
    with_places(desk.store()).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    maria.get("/desk/new-region").await;
    let answer = maria.post("/desk/new-region", &form(&[("name", ""), ("zips", "")])).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    for field in ["name", "zips", "elevation_ft"] {
        assert!(answer.body.contains(&format!("<a href=\"#{field}\">")), "{field}: {}", answer.body);
    }
}

#[tokio::test]
async fn what_is_seldom_wanted_is_folded_away_and_stands_open_where_something_in_it_is_wrong() {
    let desk = desk_at(Store::in_memory().await.unwrap(), None).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let page = maria.get("/desk/new-region").await.body;
    // What is looked up is said, and nowhere the contrary.
    assert!(page.contains("Left empty, it is looked up") && !page.contains("Places are not looked up"), "{page}");
    let at = |what: &str| page.find(what).unwrap_or_else(|| panic!("no {what}: {page}"));
    assert!(at("id=\"elevation_ft\"") < at("id=\"from_ft\""), "{page}");
    let open = "<details class=\"more\" open>\n<summary>";
    let groups = ["Heights,", "Stations", "How notices leave", "Short name"];
    assert!(!groups.iter().any(|group| page.contains(&format!("{open}{group}"))), "{page}");
    let wrong = maria.post("/desk/new-region", &form(&[("from_ft", "7000"), ("to_ft", "6000")])).await.body;
    assert!(wrong.contains(&format!("{open}Heights,")) && !wrong.contains(&format!("{open}Stations")), "{wrong}");
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_keeps_a_county_adds_regions_in_it_and_nobody_else_does() {
    let server = good().await;
    let desk = desk_at(Store::in_memory().await.unwrap(), Some(&server)).await;
    // A county typed by whoever would gain by it counts for nothing: it is looked up.
    let (mut vista, _) = desk.signed_in("vera", Role::Staff, of_county("Vista")).await;
    let path =
        begun(&mut vista, &[("county", "Vista"), ("state", "XA"), ("latitude", "34.05"), ("longitude", "-134.60")])
            .await;
    let page = ended(&mut vista, &path).await;
    assert!(
        page.body.contains("Only an administrator can save this") && page.body.contains("(Vista)"),
        "{}",
        page.body
    );
    assert!(page.body.contains("Sample") && !page.body.contains(">Save</button>"), "{}", page.body);
    let saved = vista.post(&format!("{path}/save"), &[("sure", "yes")]).await;
    assert_eq!(saved.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(desk.store().region(&"alta-vega".into()).await.is_err(), "the service refuses it too");

    let (mut sample, _) = desk.signed_in("sara", Role::Staff, of_county("Sample County")).await;
    // Drafts are their account's own.
    for asked in [path.clone(), "/desk/region-draft/none".into()] {
        assert_eq!(sample.get(&asked).await.status, StatusCode::NOT_FOUND);
        assert_eq!(sample.post(&format!("{asked}/save"), &[("sure", "yes")]).await.status, StatusCode::NOT_FOUND);
        assert_eq!(sample.post(&format!("{asked}/give-up"), &[]).await.status, StatusCode::NOT_FOUND);
    }
    let own = begun(&mut sample, &[]).await;
    ended(&mut sample, &own).await;
    let saved = sample.post(&format!("{own}/save"), &[("sure", "yes")]).await;
    assert_eq!(saved.status, StatusCode::SEE_OTHER, "{}", saved.body);
    assert_eq!(added(&desk).await, [(Some("sara".into()), None)]);
    // On a phone the menu of every page leads there.
    let menu = "<li class=\"narrow\"><a href=\"/desk/new-region\">Add a region</a></li>";
    assert!(sample.get("/desk/people").await.body.contains(menu));

    for (who, role, reach) in [
        ("nora", Role::Staff, of_region("north")),
        ("olga", Role::Observer, of_county("Sample")),
        ("nobody", Role::Staff, RegionReach::default()),
    ] {
        let (mut other, _) = desk.signed_in(who, role, reach).await;
        assert_eq!(other.get("/desk/new-region").await.status, StatusCode::FORBIDDEN, "{who}");
        other.get("/desk/account").await;
        assert_eq!(other.post("/desk/new-region", &form(&[])).await.status, StatusCode::FORBIDDEN, "{who}");
        assert!(!other.get("/desk/today").await.body.contains("Add a region"), "{who}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn drafts_under_way_are_bounded_and_survive_that_nobody_looks() {
    let server = MockServer::start().await;
    // A service that answers nobody before the check is over.
    let slow = ResponseTemplate::new(200).set_delay(Duration::from_secs(600));
    Mock::given(path_regex("^/")).respond_with(slow).mount(&server).await;
    let desk = desk_at(Store::in_memory().await.unwrap(), Some(&server)).await;
    let mut paths = Vec::new();
    let mut browsers = Vec::new();
    for nth in 0..MOST / MOST_EACH {
        let (mut browser, _) =
            desk.signed_in(&format!("staff-{nth}"), Role::Administrator, RegionReach::default()).await;
        for _ in 0..MOST_EACH {
            paths.push((nth, begun(&mut browser, &[]).await));
        }
        browser.get("/desk/new-region").await;
        let more = browser.post("/desk/new-region", &form(&[])).await;
        assert_eq!(more.status, StatusCode::TOO_MANY_REQUESTS, "one more of the same account");
        assert!(more.body.contains("of your drafts are being worked on already"), "{}", more.body);
        assert!(more.body.contains("Your drafts") && more.body.contains("Alta Vega"));
        browsers.push(browser);
    }
    let (mut last, _) = desk.signed_in("last", Role::Administrator, RegionReach::default()).await;
    last.get("/desk/new-region").await;
    let more = last.post("/desk/new-region", &form(&[])).await;
    assert_eq!(more.status, StatusCode::TOO_MANY_REQUESTS, "one more in all");
    assert!(more.body.contains("8 drafts are being worked on already"), "{}", more.body);

    let (nth, path) = paths[0].clone();
    let browser = &mut browsers[nth];
    browser.get("/desk/today").await;
    let page = browser.get(&path).await;
    assert!(page.body.contains("Looking up the place") && !page.body.contains("http-equiv"), "{}", page.body);
    // Who asks for it gets a page that loads itself again.
    assert!(page.body.contains("?follow=yes"));
    let follows = browser.get(&format!("{path}?follow=yes")).await;
    assert!(follows.body.contains("<meta http-equiv=\"refresh\" content=\"5\">"), "{}", follows.body);
    // Before, whoever came back to it by the list of drafts, or was led to it by a form, had to ask again.
    let reloads = "<meta http-equiv=\"refresh\" content=\"5\">";
    assert!(browser.get(&path).await.body.contains(reloads));
    assert!(!browser.get(&format!("{path}?follow=no")).await.body.contains("http-equiv"));
    assert!(!browser.get(&path).await.body.contains("http-equiv"));
    let (in_line, of) = (&paths[MOST - 1].1, paths[MOST - 1].0);
    assert!(browsers[of].get(in_line).await.body.contains("Waiting until other drafts are done"));

    // One given up makes room.
    let browser = &mut browsers[nth];
    browser.get(&path).await;
    let gone = browser.post(&format!("{path}/give-up"), &[]).await;
    assert_eq!((gone.status, gone.header("location")), (StatusCode::SEE_OTHER, "/desk/new-region"));
    assert_eq!(browser.get(&path).await.status, StatusCode::NOT_FOUND);
    let anew = begun(&mut last, &[]).await;
    last.get(&anew).await;
    last.post(&format!("{anew}/give-up"), &[]).await;
    for (nth, path) in paths.iter().skip(1) {
        browsers[*nth].get(path).await;
        browsers[*nth].post(&format!("{path}/give-up"), &[]).await;
    }
}

#[tokio::test]
async fn what_fails_tells_why_and_what_to_do_and_the_form_is_filled_in_again() {
    let desk = desk_at(Store::in_memory().await.unwrap(), None).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let path = begun(&mut maria, &[("elevation_ft", "6,100"), ("landmarks", "Old Mill, Red Rock")]).await;
    let page = ended(&mut maria, &path).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.body);
    assert!(
        page.body.contains("nothing was saved") && page.body.contains("No station is near enough"),
        "{}",
        page.body
    );
    let again = path.replace("/desk/region-draft/", "/desk/new-region?again=");
    let field = format!("under <a href=\"{again}#stations\">“Stations”</a>");
    assert!(page.body.contains(&field) && !page.body.contains(" --"), "{}", page.body);
    assert!(page.body.contains("an administrator can fetch it") && !page.body.contains("`"), "{}", page.body);
    let form = maria.get(&again).await.body;
    for typed in ["Alta Vega", "00301", "6,100", "Old Mill, Red Rock", "value=\"12\""] {
        assert!(form.contains(typed), "{typed}: {form}");
    }
    // It stands among the drafts until its time is over.
    assert!(form.contains("did not work out"), "{form}");
}

#[tokio::test]
async fn a_draft_is_forgotten_after_its_time_and_nobody_elses_is_given() {
    let desk = desk_at(Store::in_memory().await.unwrap(), None).await;
    let app = &desk.world.app;
    let drafts = RegionDrafts::default();
    let ground = async || Ground::of(&app.store, &app.config, app.clock.clone(), None).await.unwrap();
    let mut begun = Vec::new();
    for nth in 0..5 {
        let task = Task::Add(Box::new(wish(&format!("place-{nth}"), &["00301"])));
        let draft = drafts.begin(app, "maria", (task, Default::default()), ground().await).unwrap();
        let stage = draft.ended_within(Duration::from_secs(120)).await;
        assert!(matches!(stage, Stage::Failed(_)), "{stage:?}");
        begun.push(draft);
        desk.pass(TimeDelta::minutes(1));
    }
    let now = app.clock.now();
    let kept = |owner: &str| drafts.all_of(owner, now).iter().map(|draft| draft.id.clone()).collect::<Vec<_>>();
    assert_eq!(kept("maria"), [begun[4].id.clone(), begun[3].id.clone(), begun[2].id.clone()], "the newest are kept");
    assert!(kept("olga").is_empty() && drafts.of("olga", &begun[4].id, now).is_none());
    assert!(drafts.of("maria", &begun[4].id, begun[4].begun_at + KEPT - TimeDelta::seconds(1)).is_some());
    assert!(drafts.of("maria", &begun[4].id, begun[4].begun_at + KEPT).is_none());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_zip_code_that_was_taken_meanwhile_leaves_nothing_half_saved() {
    let server = good().await;
    let desk = desk_at(Store::in_memory().await.unwrap(), Some(&server)).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let path = begun(&mut maria, &[]).await;
    ended(&mut maria, &path).await;
    let south = desk.store().region(&"south".into()).await.unwrap();
    let other = Region { id: "other".into(), name: "Other".into(), zips: vec![zip("00301")], ..south };
    desk.store().add_region(&other, desk.world.clock.now()).await.unwrap();
    let before = rows(&desk).await;
    let saved = maria.post(&format!("{path}/save"), &[("sure", "yes")]).await;
    assert_eq!(saved.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", saved.body);
    assert!(saved.body.contains("ZIP code 00301 belongs to Other"), "{}", saved.body);
    assert_eq!(rows(&desk).await, before, "neither the region nor its stations");
    // Once it is free again the draft is saved as it was.
    desk.store().retire_region(&"other".into(), desk.world.clock.now()).await.unwrap();
    let saved = maria.post(&format!("{path}/save"), &[("sure", "yes")]).await;
    assert_eq!(saved.status, StatusCode::SEE_OTHER, "{}", saved.body);
}

#[tokio::test(flavor = "multi_thread")]
async fn past_seasons_are_told_and_drawn() {
    let folder = tempfile::tempdir().unwrap();
    crate::projection::invented_store(folder.path(), 2001..=2012).await;
    let from = crate::support::open_store(&format!("sqlite:{}", folder.path().join("verify.sqlite").display())).await;
    let (from, id) = (from.unwrap(), "INVENTED-1".into());
    let store = Store::in_memory().await.unwrap();
    store.add_station(&from.station(&id).await.unwrap()).await.unwrap();
    store.add_versions(&id, &from.record(&id).await.unwrap().versions).await.unwrap();
    let desk = desk_at(store, None).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let at_height = |feet| {
        [
            ("stations", "INVENTED-1"),
            ("latitude", "34.40"),
            ("longitude", "-134.90"),
            ("elevation_ft", feet),
            ("time_zone", "America/Phoenix"),
            ("county", "Sample"),
            ("state", "XA"),
        ]
    };
    let path = begun(&mut maria, &at_height("5740")).await;
    let page = ended(&mut maria, &path).await;
    assert_eq!(page.status, StatusCode::OK);
    let seasons = page.body.matches("<svg class=\"ribbon\"").count();
    assert_eq!(seasons, 12, "{}", page.body);
    for said in [
        "<th scope=\"row\">2012",
        "Get ready",
        "last day to wash",
        "In the middle of them",
        "Our number came on",
        "28 days before",
    ] {
        assert!(page.body.contains(said), "{said}: {}", page.body);
    }
    assert!(page.body.contains("Projections of the day of our number"), "{}", page.body);
    assert!(!page.body.contains("These are the station’s days"), "it stands about as high: {}", page.body);
    // Of a station far below its trees the days are said to be its own.
    let path = begun(&mut maria, &at_height("9000")).await;
    let page = ended(&mut maria, &path).await;
    let (_, past) = page.body.split_once("In the middle of them:").unwrap_or_else(|| panic!("{}", page.body));
    let (past, _) = past.split_once("</p>").unwrap();
    assert!(
        past.contains("These are the station’s days: about ")
            && past.contains(" days too early for the region’s trees."),
        "{past}"
    );
}
