//! What a report changes, told before it is confirmed, and how it acts at once on its region. The demo's weather is invented.

use std::time::Duration;

use treebell::region::RegionId;
use treebell::season::learning::Untaught;
use treebell::season::profile::Profiles;
use treebell::season::{LearnedNote, NoticeId, NoticeKind, Outlook, StageId};
use treebell::service::desk::Hand;
use treebell::service::desk::comes_up::Leaves;
use treebell::service::desk::effect::{Effect, effect};
use treebell::service::desk::far_off::far_off;
use treebell::service::desk::notice::leaves_by_itself;
use treebell::service::desk::region::region_in_depth;
use treebell::service::desk::reports::{
    Acted, act_at_once, drop_photograph, enter, judge, put_photograph, report_in_depth,
};
use treebell::store::field_reports::{Judgement, NewFieldReport, NewPhotograph, ReportSource, Seen};

use super::{House, asks};
use crate::engines::on_each_engine;
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
    // What it will send was told: before eight in the morning nobody is written to.
    let eight = seen_on.succ_opt().unwrap().and_hms_opt(8, 0, 0).unwrap();
    let eight = eight.and_local_timezone(low.time_zone).unwrap().to_utc();
    let coming: Vec<_> = told.comes_up.iter().map(|one| (one.kind, one.leaves)).collect();
    assert!(
        coming.contains(&(NoticeKind::InspectNow, Leaves::AfterQuietHours { from: eight, can_be_held: true })),
        "{coming:?}"
    );

    // What was told before is told from what comes of it by the moment.
    world.clock.advance(chrono::TimeDelta::seconds(1));
    let hand = Hand { by: "maria", reach: &|_| true };
    let region = judge(app, hand, &id, Judgement::Confirmed, "").await.unwrap();
    assert_eq!(act_at_once(app, &region, chrono::TimeDelta::zero(), LONG).await, Acted::Done);
    for (kind, _) in coming.into_iter().filter(|(_, leaves)| *leaves != Leaves::NeedsWord) {
        let notice = app.store.notice(&NoticeId::of(&before.season, kind)).await.unwrap();
        assert!(notice.released_at().is_some(), "{notice:?}");
    }
    let after = app.store.newest_outlook(&low).await.unwrap().unwrap();
    assert!(opens(&after).is_some_and(|reached| reached.on == seen_on), "{:?}", opens(&after));
    let report = app.store.field_report(&id).await.unwrap();
    let since = effect(app, &report, LONG).await.unwrap();
    let moves = |of: &treebell::service::desk::effect::Effect| -> Vec<Option<i64>> {
        of.regions.iter().map(|row| row.moved_days).collect()
    };
    assert_eq!(moves(&since), moves(&told), "the same as was told before");
    assert_eq!(since.regions[0].without, own.without, "without it, nobody was told to look");
    assert_eq!(since.comes_up, [], "it has come up");

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
    assert_eq!(act_at_once(app, &region, chrono::TimeDelta::zero(), LONG).await, Acted::Done);
    let again = app.store.newest_outlook(&low).await.unwrap().unwrap();
    assert_eq!(opens(&again), None, "set aside, it moves nothing any more");
}

/// Notices in other regions come by the next cycle, and nobody had been told of them.
#[tokio::test]
async fn what_a_report_brings_up_in_other_regions_is_told_before_and_comes_with_the_next_cycle() {
    let world = World::build(treebell::store::Store::in_memory().await.unwrap()).await;
    let app = &world.app;
    let low = world.regions[0].clone();
    let seen_on = world.day_of(&low, 140.0).await;
    world.set(seen_on + chrono::Days::new(2));
    let id = world.report(&low.id, seen_on, "eggs", None, false).await;
    let report = app.store.field_report(&id).await.unwrap();
    let elsewhere = |told: &Effect| -> Vec<(RegionId, NoticeKind, Leaves)> {
        let rows = told.regions.iter();
        rows.flat_map(|row| row.comes_up.iter().map(|one| (row.region.id.clone(), one.kind, one.leaves))).collect()
    };
    // Day by day, until one on which the report makes the difference somewhere.
    let mut told = Vec::new();
    for day in 2..90 {
        world.set(seen_on + chrono::Days::new(day));
        world.cycle().await;
        told = elsewhere(&effect(app, &report, LONG).await.unwrap());
        if !told.is_empty() {
            break;
        }
    }
    assert!(!told.is_empty() && told.iter().all(|(region, ..)| *region != low.id), "{told:?}");
    world.clock.advance(chrono::TimeDelta::seconds(1));
    let hand = Hand { by: "maria", reach: &|_| true };
    judge(app, hand, &id, Judgement::Confirmed, "").await.unwrap();
    let report = app.store.field_report(&id).await.unwrap();
    assert_eq!(elsewhere(&effect(app, &report, LONG).await.unwrap()), told, "still to come");
    let season = app.store.newest_outlook(&low).await.unwrap().unwrap().season;
    let notice_of = |region: &RegionId, kind| {
        let season = treebell::season::SeasonKey { region: region.clone(), ..season.clone() };
        NoticeId::of(&season, kind)
    };
    world.cycle().await;
    for (region, kind, leaves) in &told {
        let notice = app.store.notice(&notice_of(region, *kind)).await.unwrap();
        let leaves_by_itself = notice.released_at().is_some() || leaves_by_itself(&notice).is_some();
        assert_eq!(leaves_by_itself, *leaves != Leaves::NeedsWord, "{notice:?}");
    }
    let since = elsewhere(&effect(app, &report, LONG).await.unwrap());
    assert!(since.iter().all(|one| !told.contains(one)), "they have come: {since:?}");
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

/// The temperatures of a day come a day later: until then a report of it seemed to teach nothing, and next morning it did.
#[tokio::test]
async fn a_report_whose_temperatures_are_not_in_is_shown_by_a_guess_at_them() {
    let world = World::build(treebell::store::Store::in_memory().await.unwrap()).await;
    let low = world.regions[0].clone();
    let seen_on = world.day_of(&low, 140.0).await;
    world.set(seen_on);
    let id = world.report(&low.id, seen_on, "eggs", None, false).await;
    let report = world.app.store.field_report(&id).await.unwrap();
    let told = effect(&world.app, &report, LONG).await.unwrap();
    assert_eq!((told.untaught, told.is_guessed), (Some(Untaught::HeatUnknown), true));
    let moved = |row: &treebell::service::desk::effect::RegionEffect| row.moved_days.is_some_and(|days| days < 0);
    assert!(told.regions[1..].iter().any(moved), "{told:?}");
    world.set(seen_on + chrono::Days::new(3));
    let told = effect(&world.app, &report, LONG).await.unwrap();
    assert_eq!((told.untaught, told.is_guessed), (None, false));
    assert!(told.regions[1..].iter().any(moved), "{told:?}");
}

/// Two reports of one day teach together when its temperatures are in: each page told what its own report brings up alone.
#[tokio::test]
async fn a_guess_takes_the_other_reports_that_wait_for_temperatures_with_it() {
    let world = World::build(treebell::store::Store::in_memory().await.unwrap()).await;
    let [low, other, high] = [0, 1, 2].map(|at| world.regions[at].clone());
    let seen_on = world.day_of(&low, 140.0).await.max(world.day_of(&other, 140.0).await);
    world.set(seen_on);
    let id = world.report(&low.id, seen_on, "eggs", None, false).await;
    let report = world.app.store.field_report(&id).await.unwrap();
    let without = async || {
        let told = effect(&world.app, &report, LONG).await.unwrap();
        assert!(told.is_guessed, "{told:?}");
        let row = told.regions.into_iter().find(|row| row.region.id == high.id).unwrap();
        row.without.unwrap()
    };
    let alone = without().await;
    world.report(&other.id, seen_on, "eggs", None, true).await;
    assert_ne!(without().await, alone, "by then the other one has moved the dates, too");
}

#[tokio::test]
async fn a_look_in_vain_is_far_off_after_the_likely_days_and_a_sighting_before_them() {
    let House { app, .. } = House::new(treebell::store::Store::in_memory().await.unwrap(), asks()).await;
    store_with_an_outlook(&app).await;
    let north = app.store.region(&"north".into()).await.unwrap();
    let opens = || -> Option<StageId> { Some("egg-laying-begins".into()) };
    let sighting = Seen::stage(opens(), None);
    let vain = Seen { not_yet: opens(), infested: Some(true), ..Seen::default() };
    let unknown = Seen { infested: None, ..vain.clone() };
    for (seen, on, said) in [
        (&sighting, "2026-03-02", Some("This is 13 days before the earliest likely date (March 15)")),
        (&sighting, "2026-03-15", None),
        // By then it had begun, and it is seen for long.
        (&sighting, "2026-04-20", None),
        (&vain, "2026-03-02", None),
        (&vain, "2026-03-26", Some("Nothing was there yet 1 day after the latest likely date (March 25)")),
        (&unknown, "2026-03-26", None),
    ] {
        let new = NewFieldReport {
            region: "north".into(),
            zip: None,
            observed_on: on.parse().unwrap(),
            tree: None,
            seen: seen.clone(),
            nothing_on: None,
            confirmed: false,
            source: ReportSource::Subscriber,
            person: None,
            note: None,
        };
        let report = new.under("f-1".into(), app.clock.now());
        let found = far_off(&app, &report, &north, true).await.unwrap();
        let wanted = said.map(|said| format!("{said}: look at the photograph or ask the owner before it counts."));
        assert_eq!(found, wanted, "{seen:?} on {on}");
    }
}

/// Before, the first one that counted moved the days by which the next one was measured.
#[tokio::test]
async fn what_was_likely_is_told_without_the_reports_that_count() {
    let House { app, .. } = House::new(treebell::store::Store::in_memory().await.unwrap(), asks()).await;
    let sound = treebell::season::RecordTrust::Sound;
    let before =
        Outlook { today: "2026-03-01".parse().unwrap(), ..super::today::outlook("north", "2026-03-20", 5, sound) };
    let learned = Some(LearnedNote { sightings: 1, zeros: 0, moved_days: -20, frozen: false });
    let moved = super::today::outlook("north", "2026-02-28", 5, treebell::season::RecordTrust::Sound);
    let moved = Outlook { today: "2026-03-02".parse().unwrap(), learned, ..moved };
    for outlook in [&before, &moved] {
        app.store.put_outlook(outlook, app.clock.now()).await.unwrap();
    }
    let new = laying_seen_in_north("2026-03-02");
    let north = app.store.region(&"north".into()).await.unwrap();
    let found = far_off(&app, &new.under("f-1".into(), app.clock.now()), &north, false).await.unwrap();
    let wanted = "This is 13 days before the earliest likely date (March 15): ask who looked.";
    assert_eq!(found.as_deref(), Some(wanted));
}

/// Egg laying as staff saw it begin in region north.
fn laying_seen_in_north(on: &str) -> NewFieldReport {
    NewFieldReport {
        region: "north".into(),
        zip: None,
        observed_on: on.parse().unwrap(),
        tree: None,
        seen: Seen::stage(Some("egg-laying-begins".into()), None),
        nothing_on: None,
        confirmed: true,
        source: ReportSource::Staff,
        person: None,
        note: None,
    }
}

fn photograph(nth: u8) -> NewPhotograph {
    NewPhotograph { file: format!("{nth:032x}.jpg"), bytes: 4_000_000_000, width: 4000, height: 6000 }
}

#[tokio::test]
async fn reports_with_photographs_and_a_region_in_depth_are_the_same_on_both_engines() {
    on_each_engine("reports with photographs", |store| async move {
        let House { app, .. } = House::new(store, asks()).await;
        let north = Hand { by: "maria", reach: &|region| region.id.as_str() == "north" };
        let new = laying_seen_in_north("2026-03-15");
        let elsewhere = NewFieldReport { region: "south".into(), ..new.clone() };
        assert!(enter(&app, north, &elsewhere, None).await.is_err(), "south is not theirs to confirm");
        let waits = NewFieldReport { confirmed: false, ..elsewhere };
        enter(&app, north, &waits, None).await.unwrap();
        let id = enter(&app, north, &new, Some(&photograph(1))).await.unwrap();
        assert_eq!(app.store.last_region_of("maria").await.unwrap(), Some("north".into()));
        assert_eq!(app.store.last_region_of("olga").await.unwrap(), None);
        let seen = report_in_depth(&app, &id).await.unwrap();
        let kept = seen.photograph.unwrap();
        assert_eq!((kept.file, kept.bytes, kept.height), (photograph(1).file, 4_000_000_000, 6000));
        put_photograph(&app, north, &id, &photograph(2)).await.unwrap();
        assert_eq!(app.store.photograph_files().await.unwrap().into_iter().collect::<Vec<_>>(), [photograph(2).file]);
        drop_photograph(&app, north, &id).await.unwrap();
        assert_eq!(app.store.photograph_of(&id).await.unwrap(), None);
        let acts: Vec<String> =
            report_in_depth(&app, &id).await.unwrap().changes.into_iter().rev().map(|row| row.act).collect();
        assert_eq!(acts, ["report-added", "report-changed", "report-changed"], "one row an act");

        let region = region_in_depth(&app, &"north".into()).await.unwrap();
        let counts: Vec<u64> = region.people.values().flat_map(|by_channel| by_channel.values().copied()).collect();
        assert_eq!(counts, [1, 1, 1], "{:?}", region.people);
        assert_eq!(
            (region.stations.len(), region.stations[0].is_own, region.stations[0].of.newest_day),
            (1, true, None)
        );
        let [year] = &region.reports[..] else { panic!("{:?}", region.reports) };
        assert_eq!((year.year, year.confirmed, year.first_seen), (2026, 1, "2026-03-15".parse().ok()));
        store_with_an_outlook(&app).await;
        let region = region_in_depth(&app, &"north".into()).await.unwrap();
        assert_eq!((region.notices.len(), region.row.waiting.len(), region.row.seen.len()), (1, 1, 1));
        assert!(region.stages.iter().any(|stage| stage.name == "Egg laying begins"), "{:?}", region.stages);
    })
    .await;
}

async fn store_with_an_outlook(app: &treebell::service::app::App) {
    let said = super::today::outlook("north", "2026-03-20", 5, treebell::season::RecordTrust::Sound);
    app.store.put_outlook(&said, app.clock.now()).await.unwrap();
}
