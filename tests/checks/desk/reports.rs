//! What a report changes, told before it is confirmed, and how it acts at once on its region. The demo's weather is invented.

use std::time::Duration;

use treebell::season::learning::Untaught;
use treebell::season::profile::Profiles;
use treebell::service::desk::Hand;
use treebell::service::desk::effect::effect;
use treebell::service::desk::reports::{Acted, act_at_once, judge};
use treebell::store::field_reports::{Judgement, NewFieldReport, ReportSource, Seen};

use crate::learning::World;

const LONG: Duration = Duration::from_secs(3600);

#[tokio::test]
async fn a_confirmed_report_moves_its_region_at_once_and_others_as_was_told_before() {
    let world = World::build(treebell::store::Store::in_memory().await.unwrap()).await;
    let app = &world.app;
    let low = world.regions[0].clone();
    let seen_on = world.day_of(&low, 140.0).await;
    world.set(seen_on.succ_opt().unwrap());
    world.cycle().await;
    let profiles = Profiles::default();
    let sight = profiles.get("pinyon-needle-scale").unwrap().sight("eggs").unwrap();
    let new = NewFieldReport {
        region: low.id.clone(),
        zip: None,
        observed_on: seen_on,
        tree: None,
        seen: Seen::at(sight, None),
        nothing_on: None,
        confirmed: false,
        source: ReportSource::Staff,
        person: Some("RG".into()),
        note: None,
    };
    let id = app.store.add_field_report(&new, app.clock.now()).await.unwrap();
    let report = app.store.field_report(&id).await.unwrap();

    let told = effect(app, &report, LONG).await.unwrap();
    assert_eq!((told.regions.len(), told.of_regions, told.failed, told.untaught), (3, 3, 0, None));
    assert_eq!(told.regions[0].region.id, low.id, "its own comes first");
    let own = &told.regions[0];
    assert_ne!(own.without, own.with);
    assert_eq!(
        own.with.unwrap().look_from.min(seen_on),
        own.with.unwrap().look_from,
        "eggs were seen: it is time to look"
    );
    let high = told.regions.iter().find(|row| row.region.id == world.regions[2].id).unwrap();
    assert!(high.moved_days.is_some_and(|days| days < 0), "eggs at little heat: the others are earlier too: {high:?}");
    // Nothing was changed by looking, and little time is still enough for its own region.
    assert_eq!(app.store.field_report(&id).await.unwrap(), report);
    let short = effect(app, &report, Duration::ZERO).await.unwrap();
    assert_eq!((short.regions.len(), short.of_regions), (1, 3));

    let opens = |outlook: &treebell::season::Outlook| outlook.stage(&"egg-laying-begins".into()).unwrap().reached;
    let before = app.store.newest_outlook(&low).await.unwrap().unwrap();
    assert_eq!(opens(&before), None);
    let hand = Hand { by: "maria", reach: &|_| true };
    let region = judge(app, hand, &id, Judgement::Confirmed, "").await.unwrap();
    assert_eq!(act_at_once(app, &region, LONG).await, Acted::Done);
    let after = app.store.newest_outlook(&low).await.unwrap().unwrap();
    assert!(opens(&after).is_some_and(|reached| reached.on == seen_on), "{:?}", opens(&after));
    let report = app.store.field_report(&id).await.unwrap();
    let since = effect(app, &report, LONG).await.unwrap();
    let moves = |of: &treebell::service::desk::effect::Effect| -> Vec<Option<i64>> {
        of.regions.iter().map(|row| row.moved_days).collect()
    };
    assert_eq!(moves(&since), moves(&told), "the same as was told before");

    // The others do as was told when the next cycle comes.
    world.cycle().await;
    let high_now = app.store.newest_outlook(&world.regions[2]).await.unwrap().unwrap();
    let profile = app.profiles.get("pinyon-needle-scale").unwrap();
    let days = treebell::service::season_chart::shown_days;
    let seen = world.look(&world.regions[2]).await;
    assert_eq!(high_now.stage(&profile.window.opens), seen.outlook.stage(&profile.window.opens));
    assert_eq!(
        days(&profile, &seen.outlook, &seen.days).map(|days| days.look_from),
        high.with.map(|days| days.look_from)
    );

    let region = judge(app, hand, &id, Judgement::Refused, "last year's cotton").await.unwrap();
    assert_eq!(act_at_once(app, &region, LONG).await, Acted::Done);
    let again = app.store.newest_outlook(&low).await.unwrap().unwrap();
    assert_eq!(opens(&again), None, "set aside, it moves nothing any more");
}

#[tokio::test]
async fn a_report_that_teaches_nothing_says_why() {
    let world = World::build(treebell::store::Store::in_memory().await.unwrap()).await;
    let app = &world.app;
    let low = world.regions[0].clone();
    world.set("2025-03-20".parse().unwrap());
    let profiles = Profiles::default();
    let sight = profiles.get("pinyon-needle-scale").unwrap().sight("nothing").unwrap();
    let new = NewFieldReport {
        region: low.id.clone(),
        zip: None,
        observed_on: "2025-03-10".parse().unwrap(),
        tree: None,
        seen: Seen::at(sight, None),
        nothing_on: None,
        confirmed: false,
        source: ReportSource::Staff,
        person: None,
        note: None,
    };
    let id = app.store.add_field_report(&new, app.clock.now()).await.unwrap();
    let report = app.store.field_report(&id).await.unwrap();
    let told = effect(app, &report, LONG).await.unwrap();
    assert_eq!(told.untaught, Some(Untaught::NotInfested));
    assert!(told.regions.iter().all(|row| row.without == row.with), "{told:?}");
}
