//! A region in depth as it is asked, without a browser.

use axum::http::StatusCode;
use chrono::TimeDelta;
use treebell::clock::Clock;
use treebell::people::account::{RegionReach, Role};
use treebell::region::{Region, RegionId, Zip};
use treebell::season::NoticeKind;
use treebell::season::decide::{ApprovalNeeded, SkipReason};
use treebell::store::notices::{NewNotice, NoticeRelease};
use treebell::weather::Station;

use super::reports::report_of_north;
use super::support::DeskWorld;
use crate::desk::{facts, texts_of};
use crate::people::notices::notice;
use crate::people::subscribe;

async fn more_of_everything(desk: &DeskWorld, of: std::ops::Range<u32>) {
    let (store, now) = (desk.store(), desk.world.clock.now());
    let model = store.region(&"south".into()).await.unwrap();
    for nth in of {
        let zips = vec![Zip::parse(&format!("003{nth:02}")).unwrap()];
        let region = Region { id: RegionId(format!("more-{nth}")), zips, ..model.clone() };
        store.add_region(&region, now).await.unwrap();
        subscribe(store, &["00102"], &[&format!("more-{nth}@example.org")]).await;
    }
}

#[tokio::test]
async fn a_region_shows_its_stations_people_reports_notices_and_changes() {
    let desk = DeskWorld::new().await;
    let store = desk.store();
    subscribe(store, &["00101"], &["a@example.org", "+15055550101"]).await;
    subscribe(store, &["00102"], &["b@example.org"]).await;
    subscribe(store, &["00201"], &["c@example.org"]).await;
    report_of_north(&desk).await;
    let said = crate::desk::today::outlook("north", "2026-03-20", 5, treebell::season::RecordTrust::Sound);
    // Later than what the public page shows.
    store.put_outlook(&said, desk.world.clock.now() + TimeDelta::hours(1)).await.unwrap();
    let facts = facts("north");
    let new = NewNotice {
        facts: serde_json::to_value(&facts).unwrap(),
        expires_at: desk.world.clock.now() + TimeDelta::days(30),
        ..notice(NoticeKind::InspectNow, NoticeRelease::WaitForApproval { approval_needed: ApprovalNeeded::ByPolicy })
    };
    store
        .put_notice(&new, &texts_of(&desk.world.app.templates.in_use(), NoticeKind::InspectNow, &facts))
        .await
        .unwrap();
    let reason = serde_json::to_value(SkipReason::WindowOpen { since: "2026-02-01".parse().unwrap() }).unwrap();
    let skipped = NewNotice { reason, ..notice(NoticeKind::GetReady, NoticeRelease::Skip) };
    store.put_notice(&skipped, &[]).await.unwrap();
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let changed = Region { county: Some("Vista".into()), ..store.region(&"north".into()).await.unwrap() };
    let actor = treebell::store::acts::Actor {
        user: "ops".into(),
        account: None,
        why: Some("as the county asked".into()),
        clock: desk.world.clock.clone(),
    };
    store.acting(actor).change_region(&changed).await.unwrap();

    let page = maria.get("/desk/region/north").await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.body);
    for said in [
        "<th scope=\"row\">00101</th><td class=\"number\">1</td><td class=\"number\">1</td>",
        "<th scope=\"row\">00102</th><td class=\"number\">0</td><td class=\"number\">1</td>",
        "/desk/notice/pinyon-needle-scale~north~2026~inspect-now",
        "/desk/reports?region=north&amp;year=2025",
        "0 confirmed, <b>1 waits</b>",
        // Why a notice was skipped, as its own page says it.
        ". It was not told: the window has been open since February 1.</p>",
        "Egg laying begins",
        "Newest day: none",
        "as the county asked",
        "/region/north/chart.svg?w=",
    ] {
        assert!(page.body.contains(said), "{said}: {}", page.body);
    }
    assert!(!page.body.contains("00201"), "another's people are not told here");
    assert!(!page.body.contains("example.org\""), "no address is shown");
    // Today leads here.
    assert!(maria.get("/desk/today").await.body.contains("href=\"/desk/region/north\""));
    assert_eq!(maria.get("/desk/region/nowhere").await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_new_region_says_that_its_chart_is_being_made_until_it_is() {
    let desk = DeskWorld::new().await;
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    more_of_everything(&desk, 0..1).await;
    let page = olga.get("/desk/region/more-0").await.body;
    assert!(page.contains("The chart is being made; look again in a minute."), "{page}");
    assert!(!page.contains("chart.svg"), "{page}");
    desk.world.site.ready().await.unwrap();
    let page = olga.get("/desk/region/more-0").await.body;
    assert!(!page.contains("The chart is being made") && page.contains("/region/more-0/chart.svg?w="), "{page}");
    assert_eq!(desk.world.get("/region/more-0/chart.svg?w=620").await.status, StatusCode::OK);
}

#[tokio::test]
async fn an_hour_of_reading_that_nobody_knows_is_not_called_midnight() {
    let desk = DeskWorld::new().await;
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    // The file of a logger: its days are not fixed by what it is.
    let station = desk.store().station(&"A".into()).await.unwrap();
    for (hour, said) in [
        (None, "Read at an unknown hour where"),
        (Some(0), "Read at midnight where"),
        (Some(7), "Read at 7 AM where"),
        (Some(12), "Read at noon where"),
    ] {
        let changed = Station { observation_hour: hour, ..station.clone() };
        desk.store().change_station(&changed).await.unwrap();
        let page = olga.get("/desk/region/north").await.body;
        assert!(page.contains(said), "{hour:?}: {page}");
    }
}

#[tokio::test]
async fn its_page_asks_the_store_as_often_however_much_there_is() {
    let desk = DeskWorld::new().await;
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let mut cost = Vec::new();
    for of in [0..0, 0..3, 3..30] {
        more_of_everything(&desk, of).await;
        let before = desk.store().lent();
        assert_eq!(olga.get("/desk/region/north").await.status, StatusCode::OK);
        let after = desk.store().lent();
        cost.push((after.0 - before.0, after.1 - before.1));
    }
    assert_eq!((cost[0], cost[1]), (cost[1], cost[2]), "{cost:?}");
    assert!(cost[0].1 <= 14, "{cost:?}");
}
