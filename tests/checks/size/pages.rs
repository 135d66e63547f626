//! Pages from what is kept: shown at once, and made anew where something that they come from has changed.

use std::sync::Arc;

use chrono::{Datelike, TimeDelta};
use treebell::clock::{Clock, ManualClock};
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::region::Region;
use treebell::season::{NoticeId, NoticeKind};
use treebell::service::app::App;
use treebell::service::region_views::renew_kept;
use treebell::store::Store;
use treebell::store::notices::NoticeRelease;
use treebell::weather::{Station, StationId};
use treebell::web::Site;

use crate::people::notices::{notice, texts};
use crate::web::support::World;

/// Three regions of the demo on two stations of few years.
pub async fn world() -> (World, Vec<Region>) {
    let state = State::built_in().unwrap();
    let made = weather::make(&state, 1);
    let store = Store::in_memory().await.unwrap();
    let ids: Vec<StationId> = state.stations[..2].iter().map(|of| of.station.id.clone()).collect();
    for (at, of) in state.stations[..2].iter().enumerate() {
        // Within reach of each other, so that height is measured with both.
        let station = Station { place: state.stations[0].station.place, ..of.station.clone() };
        store.add_station(&station).await.unwrap();
        let mut versions = made.versions(at);
        versions.retain(|version| version.day.year() >= 2012);
        store.add_versions(&of.station.id, &versions).await.unwrap();
    }
    let mut regions: Vec<Region> = state.regions[..3].iter().map(|of| of.region.clone()).collect();
    for (region, station) in regions.iter_mut().zip([&ids[0], &ids[0], &ids[1]]) {
        region.stations = vec![station.clone()];
        region.place = state.stations[0].station.place;
    }
    store.put_regions(&regions, "2025-03-01T12:00:00Z".parse().unwrap()).await.unwrap();
    (World::on(store, |_| {}), regions)
}

/// The same service, started anew.
pub fn again(world: &World) -> (World, Site) {
    let app = App { views_turn: Arc::default(), ..world.app.clone() };
    let site = Site::new(app.clone()).unwrap();
    (World::of(app, world.clock.clone(), site.clone()), site)
}

pub async fn made_at(world: &World, region: &Region) -> String {
    let answer = world.get(&format!("/region/{}/outlook.json", region.id)).await;
    assert_eq!(answer.status, 200, "{}", region.id);
    let outlook: serde_json::Value = serde_json::from_str(&answer.body).unwrap();
    outlook["computed_at"].as_str().unwrap().to_owned()
}

#[tokio::test]
async fn a_start_shows_what_is_kept_and_then_only_what_changed_is_made_anew() {
    let (world, regions) = world().await;
    assert_eq!(renew_kept(&world.app).await.unwrap(), 3, "a cycle works out all that is not kept");
    assert_eq!(renew_kept(&world.app).await.unwrap(), 0, "and a second one nothing");
    let first = world.clock.now().format("%Y-%m-%dT%H:%M:%SZ").to_string();

    world.clock.set(world.clock.now() + TimeDelta::minutes(5));
    let (next, site) = again(&world);
    let page = next.get(&format!("/region/{}", regions[0].id)).await;
    assert_eq!(page.status, 200);
    for region in &regions {
        assert_eq!(made_at(&next, region).await, first, "as it was kept, with its own time");
    }
    let chart = next.get(&format!("/region/{}/chart.svg?w=340", regions[2].id)).await;
    assert!(chart.body.starts_with("<svg"), "{:.80}", chart.body);

    // A new value at the station of the third.
    let station = &regions[2].stations[0];
    let mut newest = world.app.store.record(station).await.unwrap().versions.pop().unwrap();
    newest.value.0 += 3;
    newest.received_at = world.clock.now();
    world.app.store.add_versions(station, &[newest]).await.unwrap();
    site.ready().await.unwrap();
    let now = world.clock.now().format("%Y-%m-%dT%H:%M:%SZ").to_string();
    assert_eq!(made_at(&next, &regions[0]).await, first);
    assert_eq!(made_at(&next, &regions[1]).await, first);
    assert_eq!(made_at(&next, &regions[2]).await, now);

    // A region with another name; the next start has all of it from the store.
    let renamed = Region { name: "Lower Arroyo".into(), ..regions[0].clone() };
    world.app.store.put_regions(std::slice::from_ref(&renamed), world.clock.now()).await.unwrap();
    world.clock.set(world.clock.now() + TimeDelta::minutes(1));
    site.ready().await.unwrap();
    assert_eq!(renew_kept(&next.app).await.unwrap(), 0, "what the pages made is kept");
    assert!(next.get(&format!("/region/{}", regions[0].id)).await.body.contains("Lower Arroyo"));
    assert_eq!(made_at(&next, &regions[1]).await, first);

    // A day later all is old.
    world.clock.set(world.clock.now() + TimeDelta::days(1));
    assert_eq!(renew_kept(&next.app).await.unwrap(), 3);
}

#[tokio::test]
async fn a_season_long_past_of_a_station_beside_makes_a_view_old_and_its_new_days_do_not() {
    let (world, regions) = world().await;
    renew_kept(&world.app).await.unwrap();
    let beside = &regions[2].stations[0];
    let add = async |day: usize, tenths| {
        let mut one = world.app.store.record(beside).await.unwrap().versions[day].clone();
        one.value.0 += tenths;
        one.received_at = world.clock.now();
        world.app.store.add_versions(beside, std::slice::from_ref(&one)).await.unwrap();
        one
    };
    let last = world.app.store.record(beside).await.unwrap().versions.len() - 1;
    add(last, 3).await;
    assert_eq!(renew_kept(&world.app).await.unwrap(), 1, "its own region");
    let past = add(0, 3).await;
    assert_eq!(renew_kept(&world.app).await.unwrap(), 3, "and those that measure height with it");
    assert_eq!(world.app.store.add_versions(beside, &[past]).await.unwrap().new, 0);
    assert_eq!(renew_kept(&world.app).await.unwrap(), 0, "what says nothing new changes nothing");
}

#[tokio::test]
async fn what_cannot_be_read_is_made_anew() {
    let (world, regions) = world().await;
    renew_kept(&world.app).await.unwrap();
    let mut view = world.app.store.view(&regions[0].id).await.unwrap().unwrap();
    view.body.truncate(view.body.len() / 2);
    world.app.store.put_view(&regions[0].id, &view).await.unwrap();
    let (next, site) = again(&world);
    assert_eq!(next.get(&format!("/region/{}", regions[0].id)).await.status, 200);
    site.ready().await.unwrap();
    let known = made_at(&next, &regions[0]).await;
    assert_eq!(known, world.clock.now().format("%Y-%m-%dT%H:%M:%SZ").to_string());
    assert_ne!(world.app.store.view(&regions[0].id).await.unwrap().unwrap().body, view.body, "and kept whole");
}

pub async fn execute(store: &Store, statement: &'static str) {
    let mut tx = store.begin().await.unwrap();
    sqlx::query(statement).execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
}

#[tokio::test]
async fn one_region_that_fails_keeps_no_page_of_the_others_back() {
    let (world, regions) = world().await;
    renew_kept(&world.app).await.unwrap();
    let (next, site) = again(&world);
    made_at(&next, &regions[0]).await;
    // A row of the third one's station that no program of ours wrote.
    let station = &regions[2].stations[0];
    let mut tx = world.app.store.begin().await.unwrap();
    sqlx::query("UPDATE daily_values SET value_tenths = 9999999999 WHERE station_id = $1")
        .bind(station.0.as_str())
        .execute(tx.conn())
        .await
        .unwrap();
    tx.commit().await.unwrap();
    world.clock.set(world.clock.now() + TimeDelta::days(1));
    let now = world.clock.now().format("%Y-%m-%dT%H:%M:%SZ").to_string();
    site.ready().await.unwrap();
    assert_eq!(made_at(&next, &regions[0]).await, now);
    assert_eq!(made_at(&next, &regions[1]).await, now);
    assert_ne!(made_at(&next, &regions[2]).await, now, "as it was");
    world.clock.set(world.clock.now() + TimeDelta::days(1));
    renew_kept(&world.app).await.unwrap_err();
    let kept = world.app.store.view(&regions[1].id).await.unwrap().unwrap();
    assert_eq!(kept.made_at, world.clock.now(), "a cycle keeps the others, too");
}

#[tokio::test]
async fn a_store_that_keeps_nothing_freezes_no_page() {
    let (world, regions) = world().await;
    execute(
        &world.app.store,
        "CREATE TRIGGER full BEFORE INSERT ON region_views BEGIN SELECT RAISE(FAIL, 'the disk is full'); END",
    )
    .await;
    let (next, site) = again(&world);
    site.ready().await.unwrap();
    world.clock.set(world.clock.now() + TimeDelta::days(1));
    site.ready().await.unwrap();
    let now = world.clock.now().format("%Y-%m-%dT%H:%M:%SZ").to_string();
    for region in &regions {
        assert_eq!(made_at(&next, region).await, now);
    }
}

#[tokio::test]
async fn what_is_kept_of_two_days_ago_is_shown_and_of_long_ago_is_not() {
    let (world, regions) = world().await;
    renew_kept(&world.app).await.unwrap();
    let first = world.clock.now().format("%Y-%m-%dT%H:%M:%SZ").to_string();
    for (days, is_shown) in [(2, true), (3, false)] {
        let mut later = world.app.clone();
        let now = world.clock.now() + TimeDelta::days(days);
        later.clock = Arc::new(ManualClock::at(now));
        let (next, _) = again(&World::of(later.clone(), Arc::new(ManualClock::at(now)), Site::new(later).unwrap()));
        let _nothing_is_made = next.app.views_turn.lock().await;
        if is_shown {
            assert_eq!(made_at(&next, &regions[1]).await, first, "after {days} days");
        } else {
            let answer = next.get(&format!("/region/{}/outlook.json", regions[1].id)).await;
            assert_eq!(answer.status, 503, "after {days} days: {}", answer.body);
        }
    }
}

#[tokio::test]
async fn a_recalled_notice_makes_its_view_old() {
    let (world, regions) = world().await;
    let now = world.clock.now();
    let mut new = notice(NoticeKind::InspectNow, NoticeRelease::Release);
    new.season.region = regions[0].id.clone();
    new.season.year = 2025;
    (new.decided_at, new.decided_on) = (now, now.date_naive());
    world.app.store.put_notice(&new, &texts()).await.unwrap();
    assert_eq!(renew_kept(&world.app).await.unwrap(), 3);
    let id = NoticeId::of(&new.season, new.kind);
    world.app.store.recall_notice(&id, "desk", None, now).await.unwrap();
    assert_eq!(renew_kept(&world.app).await.unwrap(), 1);
}
