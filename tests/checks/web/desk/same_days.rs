//! The desk, the public pages and the outlook tell the same days of a region, between two cycles too.

use chrono::{NaiveDate, TimeDelta};
use treebell::people::account::{RegionReach, Role};
use treebell::region::Region;
use treebell::store::Store;

use super::support::{Browser, DeskWorld};
use crate::learning::World;

/// Look from, and the last day to wash.
type Days = [NaiveDate; 2];

/// Between two marks.
fn part<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    text.split_once(from).and_then(|(_, rest)| rest.split_once(to)).unwrap_or_else(|| panic!("no `{from}`: {text}")).0
}

/// What all of them say of a region.
async fn same_days(world: &World, desk: &DeskWorld, browser: &mut Browser<'_>, region: &Region) -> Days {
    let outlook = world.look(region).await;
    let days = [outlook.days.look_from, outlook.days.deadline];
    let id = &region.id;

    let public = desk.world.get(&format!("/region/{id}/outlook.json")).await.body;
    let public: serde_json::Value = serde_json::from_str(&public).unwrap();
    let told: Days =
        ["look_from", "deadline"].map(|key| public["season"]["window"][key].as_str().unwrap().parse().unwrap());
    assert_eq!(told, days, "{id}: the public page beside the outlook");

    let [look_from, deadline] = days.map(|day| day.format("%b %-d").to_string());
    let in_depth = browser.get(&format!("/desk/region/{id}")).await.body;
    for (name, day) in [("Look from", &look_from), ("Last day", &deadline)] {
        assert_eq!(
            part(&in_depth, &format!("<dt>{name}</dt><dd>"), "</dd>"),
            day,
            "{id}: its page at the desk, {name}"
        );
    }
    let today = browser.get("/desk/today").await.body;
    let row = part(&today, &format!("/desk/region/{id}\""), "</tr>");
    assert!(row.contains(&format!("Look from {look_from};")), "{id}: today is to say {look_from}: {row}");
    assert!(row.contains(&format!("last day {deadline}.")), "{id}: today is to say {deadline}: {row}");
    days
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_desk_and_the_public_pages_tell_the_same_days_when_a_report_elsewhere_has_moved_them() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let (_, ids) = world.early_sightings(false).await;
    world.cycle().await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    desk.world.site.ready().await.unwrap();
    let mut before = Vec::new();
    for region in &world.regions {
        before.push(same_days(&world, &desk, &mut olga, region).await);
    }

    desk.pass(TimeDelta::minutes(5));
    for id in &ids {
        world.confirm(id).await;
    }
    desk.world.site.ready().await.unwrap();
    let mut after = Vec::new();
    for region in &world.regions {
        after.push(same_days(&world, &desk, &mut olga, region).await);
    }
    assert!(before[2] != after[2], "two sightings below move the high region: {before:?}, {after:?}");
    let kept = world.app.store.newest_outlook(&world.regions[2]).await.unwrap().unwrap();
    assert_eq!(kept.learned, None, "no cycle has run since");

    // The next cycle says what the pages said before it.
    desk.pass(TimeDelta::minutes(5));
    world.cycle().await;
    desk.world.site.ready().await.unwrap();
    for (region, after) in world.regions.iter().zip(&after) {
        let then = same_days(&world, &desk, &mut olga, region).await;
        // A notice that goes out may fix the day that it tells.
        assert_eq!(then[0], after[0], "{}", region.id);
    }
}
