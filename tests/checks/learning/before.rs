//! What "before" means where staff look at what was learned: without the reports, in the region of the sighting too.

use std::time::Duration;

use treebell::region::RegionId;
use treebell::service::belief::choose;
use treebell::service::belief::learn::gather;
use treebell::service::desk::effect::effect;
use treebell::service::past_cache::unwatched;

use super::{World, opens};

#[tokio::test]
async fn dates_before_reports_are_without_what_was_seen_in_the_region_itself() {
    let unseen = World::in_memory().await;
    unseen.early_sightings(false).await;
    let world = World::in_memory().await;
    let (_, ids) = world.early_sightings(true).await;
    let chosen = choose(&world.app, None, None).await.unwrap();
    let belief = gather(&world.app, &chosen, &world.regions, &unwatched()).await.unwrap();
    assert_eq!(belief.faults, Vec::<String>::new());
    assert_eq!(belief.since_adopted(), None);
    for (region, shown) in world.regions.iter().zip(&belief.regions) {
        let (was, is) = (unseen.look(region).await, world.look(region).await);
        let median = |dates: &treebell::service::belief::dates::Dates| dates.opens.unwrap().median.unwrap();
        assert_eq!((median(&shown.before), shown.before.days), (opens(&was.outlook).0, was.days), "{}", region.id);
        assert_eq!((median(&shown.after), shown.after.days), (opens(&is.outlook).0, is.days), "{}", region.id);
        assert!(median(&shown.after) < median(&shown.before), "{}: eggs at little heat move it", region.id);
    }

    // By how much a report moves its own region is what the desk tells of it before it is confirmed.
    let stage = &belief.stages[0];
    assert_eq!(stage.reports.len(), 2);
    for id in &ids {
        let report = world.app.store.field_report(id).await.unwrap();
        let told = effect(&world.app, &report, Duration::ZERO).await.unwrap();
        let shown = stage.reports.iter().find(|of| of.id == *id).unwrap();
        assert!(shown.moves_days.is_some_and(|days| days < 0), "{id}: {:?}", shown.moves_days);
        assert_eq!(shown.moves_days, told.regions[0].moved_days, "{id}");
    }

    // Nor had anybody been told there what they brought up: a told day would be held to.
    assert_eq!(world.cycle().await.faults, Vec::<String>::new());
    let told = world.app.store.notices_of_season(&chosen.profile.id, 2025).await.unwrap();
    let is_told = |region: &RegionId| told.iter().any(|notice| notice.season.region == *region);
    assert!(world.regions[..2].iter().all(|region| is_told(&region.id)), "{told:?}");
    let since = gather(&world.app, &chosen, &world.regions[..2], &unwatched()).await.unwrap();
    for (was, is) in belief.regions.iter().zip(&since.regions) {
        assert_eq!(is.before.days, was.before.days, "{}", is.region);
    }
}
