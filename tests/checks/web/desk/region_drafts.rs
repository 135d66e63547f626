//! Drafts of regions at the desk: the station that is offered, what becomes of a draft, and who may do what with it.

use std::process::Command;
use std::time::Duration;

use axum::http::StatusCode;
use chrono::TimeDelta;
use treebell::clock::Clock;
use treebell::people::account::{Account, RegionReach, Role};
use treebell::service::desk::change;
use treebell::store::Store;
use treebell::web::server::{self, Doors};
use treebell::web::serving::serve;
use wiremock::matchers::path_regex;
use wiremock::{Mock, MockServer, ResponseTemplate};

use super::new_regions::{begun, desk_at, ended, form, rows};
use super::support::{DeskWorld, name, of_county};
use crate::places::services::good;

async fn in_memory(server: Option<&MockServer>) -> DeskWorld {
    desk_at(Store::in_memory().await.unwrap(), server).await
}

/// A service that answers nobody before the check is over.
async fn slow() -> MockServer {
    let server = MockServer::start().await;
    let slow = ResponseTemplate::new(200).set_delay(Duration::from_secs(600));
    Mock::given(path_regex("^/")).respond_with(slow).mount(&server).await;
    server
}

#[tokio::test(flavor = "multi_thread")]
async fn where_no_station_fits_the_closest_is_offered_and_used_by_one_press() {
    let server = good().await;
    let desk = in_memory(Some(&server)).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    // The stations around stand at 5,200 ft and a little above; the highest of them is the best at hand.
    let high = [("elevation_ft", "9000")];
    let path = begun(&mut maria, &high).await;
    let page = ended(&mut maria, &path).await;
    let (first, full) = page.body.split_once("<details class=\"more\"").unwrap_or_else(|| panic!("{}", page.body));
    for said in [
        "No weather station fits this place well enough to be chosen for you.",
        "nothing was saved",
        "<b>EXAMPLE ",
        "6 miles away, 3,620 ft lower than the place",
        "about 51 days too early",
        ">Use it</button>",
        ">Use a grid’s estimate</button>",
    ] {
        assert!(first.contains(said), "{said}: {first}");
    }
    assert!(!first.contains("unasked") && !first.contains("as if"), "{first}");
    assert!(full.contains("No station is near enough to be chosen unasked"), "{full}");

    let nothing = maria.post(&format!("{path}/take"), &[("take", "EXAMPLE")]).await;
    assert_eq!(nothing.header("location"), path, "only what is offered can be taken");
    let used = maria.post(&format!("{path}/take"), &[("take", "station")]).await;
    assert_eq!(used.status, StatusCode::SEE_OTHER, "{}", used.body);
    let next = used.header("location").to_owned();
    assert_ne!(next, path);
    let page = ended(&mut maria, &next).await;
    assert_eq!(maria.get(&path).await.status, StatusCode::NOT_FOUND, "the one before is gone");
    assert!(page.body.contains("Not saved yet."), "{}", page.body);
    // Beside the dates as well, where there are some.
    let of_station =
        page.body.contains("These are the station’s days: about 51 days too early for the region’s trees.");
    assert_eq!(of_station, page.body.contains("In the middle of them:"), "{}", page.body);
    // Right above Save.
    let above = page.body.split(">Save</button>").next().unwrap_or_default();
    let warning: Vec<&str> = above.lines().rev().take(4).filter(|line| line.contains("box alarm")).collect();
    let [warning] = warning[..] else { panic!("{}", page.body) };
    assert!(warning.contains("stands 3,620 ft lower than the region’s trees"), "{warning}");
    assert!(warning.contains("about 51 days too early"), "{warning}");
    maria.get(&next).await;
    let saved = maria.post(&format!("{next}/save"), &[("sure", "yes")]).await;
    assert_eq!(saved.header("location"), "/desk/region/alta-vega?done=added", "{}", saved.body);
    let page = maria.get(saved.header("location")).await.body;
    assert!(
        page.contains("If anybody waited for its ZIP codes, they are told") && !page.contains("0 addresses"),
        "{page}"
    );
    assert_eq!(desk.store().region(&"alta-vega".into()).await.unwrap().stations.len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn where_no_station_fits_a_grid_is_used_by_one_press() {
    let server = good().await;
    let desk = in_memory(Some(&server)).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let path = begun(&mut maria, &[("elevation_ft", "9000")]).await;
    ended(&mut maria, &path).await;
    let used = maria.post(&format!("{path}/take"), &[("take", "grid")]).await;
    let page = ended(&mut maria, used.header("location")).await;
    assert!(page.body.contains("Not saved yet.") && page.body.contains("estimate"), "{}", page.body);
    // One that is ready offers nothing.
    let next = used.header("location").to_owned();
    let again = maria.post(&format!("{next}/take"), &[("take", "station")]).await;
    assert_eq!(again.header("location"), next);
}

#[tokio::test]
async fn a_draft_that_is_tried_again_goes_and_one_that_failed_can_be_put_away() {
    let desk = in_memory(None).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let first = begun(&mut maria, &[("elevation_ft", "6,100 ft")]).await;
    ended(&mut maria, &first).await;
    let id = first.rsplit('/').next().unwrap();
    let field = format!("name=\"again\" value=\"{id}\"");
    let page = maria.get(&format!("/desk/new-region?again={id}")).await.body;
    assert!(page.contains(&field), "{page}");
    let slip = maria.post("/desk/new-region", &form(&[("name", ""), ("again", id)])).await;
    assert!(slip.body.contains(&field), "a slip forgets nothing: {}", slip.body);
    assert_eq!(maria.get(&first).await.status, StatusCode::OK, "while there is no other");

    // Somebody else's is not put away by its id.
    let (mut other, _) = desk.signed_in("other", Role::Administrator, RegionReach::default()).await;
    other.get("/desk/new-region").await;
    other.post("/desk/new-region", &form(&[("elevation_ft", "6,100"), ("again", id)])).await;
    assert_eq!(maria.get(&first).await.status, StatusCode::OK);

    maria.get("/desk/new-region").await;
    let begun = maria.post("/desk/new-region", &form(&[("elevation_ft", "6,200"), ("again", id)])).await;
    assert_eq!(begun.status, StatusCode::SEE_OTHER, "{}", begun.body);
    let second = begun.header("location").to_owned();
    ended(&mut maria, &second).await;
    assert_eq!(maria.get(&first).await.status, StatusCode::NOT_FOUND, "its successor is there");
    let list = maria.get("/desk/new-region").await.body;
    assert_eq!(list.matches(">Put it away").count(), 1, "{list}");
    let away = maria.post(&format!("{second}/give-up"), &[("from", "list")]).await;
    assert_eq!(away.header("location"), "/desk/new-region");
    assert!(!maria.get("/desk/new-region").await.body.contains("Your drafts"));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_observer_neither_begins_nor_saves_nor_retires_a_region() {
    let server = good().await;
    let desk = in_memory(Some(&server)).await;
    let reach = of_county("Sample County");
    let (mut sara, _) = desk.signed_in("sara", Role::Staff, reach.clone()).await;
    let draft = begun(&mut sara, &[]).await;
    assert!(ended(&mut sara, &draft).await.body.contains(">Save</button>"), "as staff she may");
    // Her draft and her session are there still.
    let observer = Account { name: name("sara"), role: Role::Observer, reach };
    change(desk.store(), &observer, TimeDelta::hours(72), desk.world.clock.now()).await.unwrap();
    assert_eq!(sara.get("/desk/account").await.status, StatusCode::OK);
    let before = rows(&desk).await;
    let mut let_in = Vec::new();
    for (path, form) in [
        ("/desk/new-region".to_owned(), form(&[])),
        (format!("{draft}/save"), vec![("sure", "yes")]),
        (format!("{draft}/take"), vec![("take", "station")]),
        ("/desk/region/north/change".to_owned(), form(&[])),
        ("/desk/region/north/retire".to_owned(), vec![("why", "no longer wanted")]),
        (format!("{draft}/give-up"), vec![]),
    ] {
        if sara.post(&path, &form).await.status != StatusCode::FORBIDDEN {
            let_in.push(format!("POST {path}"));
        }
    }
    for path in ["/desk/new-region", &draft, "/desk/region/north/change", "/desk/region/north/retire"] {
        if sara.get(path).await.status != StatusCode::FORBIDDEN {
            let_in.push(format!("GET {path}"));
        }
    }
    assert!(let_in.is_empty(), "an observer is let in: {let_in:?}");
    assert_eq!(rows(&desk).await, before);
}

/// Set for the process that the check below starts of itself: the end of a runtime is looked at from outside.
const ENDS: &str = "TREEBELL_CHECK_ENDS";

#[test]
fn a_draft_under_way_ends_with_the_service() {
    if std::env::var_os(ENDS).is_some() {
        return begin_and_end();
    }
    let output = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "web::desk::region_drafts::a_draft_under_way_ends_with_the_service", "--nocapture"])
        .env(ENDS, "yes")
        .output()
        .unwrap();
    let (out, said) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(out.contains("1 passed") && output.status.success() && !said.contains("panicked"), "{out}\n{said}");
}

fn begin_and_end() {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let ended = runtime.block_on(async {
        let service = slow().await;
        let desk = in_memory(Some(&service)).await;
        let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
        let path = begun(&mut maria, &[]).await;
        assert!(maria.get(&path).await.body.contains("Looking up the place"));
        let listener = server::listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
        let told_to_stop = std::future::ready(());
        serve(&desk.world.site, Doors::default(), listener, desk.world.router.clone(), told_to_stop).await;
        maria.get(&path).await.status == StatusCode::NOT_FOUND
    });
    // As the program ends: what still runs on it panics.
    drop(runtime);
    assert!(ended, "the draft is still under way");
}
