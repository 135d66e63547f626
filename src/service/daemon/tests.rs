//! The schedule under clocks that jump, and tries that are cut off.

use super::*;
use crate::clock::{Clock, ManualClock};
use crate::config::Config;
use crate::message::Templates;
use crate::season::profile::Profiles;
use crate::service::pull;
use crate::store::Store;

struct World {
    clock: Arc<ManualClock>,
    app: App,
    fetcher: Fetcher,
    timetable: Timetable,
}

/// A service with nothing to look after, at a quarter past six.
async fn world() -> World {
    let clock = Arc::new(ManualClock::at("2026-03-03T13:16:00Z".parse().expect("a literal instant")));
    let config = Config::default();
    let store = Store::in_memory().await.expect("a store in memory");
    let templates = Templates::load(None).expect("the built-in templates");
    let fetcher = Fetcher::new(&config.feeds, clock.clone(), store.randomness().clone()).expect("the default settings");
    let app = App::with_store(&config, clock.clone(), store, Profiles::default(), templates);
    let timetable = Timetable::parse("0 15 6,11,17 * * *", chrono_tz::America::Denver).expect("sound").0;
    World { clock, app, fetcher, timetable }
}

impl World {
    /// Whether anything was due and run.
    async fn look(&self) -> bool {
        let due = self.timetable.last_due(self.clock.now(), chrono::Duration::days(400)).expect("something was due");
        let outcome = run_tick(&self.app, &self.fetcher, &due, std::future::pending()).await;
        matches!(outcome, Ok(Outcome::Done { .. }))
    }
}

#[tokio::test]
async fn whatever_the_clock_does_no_run_is_made_twice() {
    let world = world().await;
    // The runs of yesterday evening and of this morning.
    world.clock.advance(chrono::Duration::hours(-7));
    assert!(world.look().await);
    world.clock.advance(chrono::Duration::hours(7));
    assert!(world.look().await);
    for step_s in [1, -1, 2 * 3600 - 60, -2 * 3600, 3600] {
        world.clock.advance(chrono::Duration::seconds(step_s));
        assert!(!world.look().await, "after a step of {step_s} s");
    }
    // A year ahead there is something due: one run, not one for each that was missed; and none on the way back.
    world.clock.advance(chrono::Duration::days(365));
    assert!(world.look().await && !world.look().await);
    world.clock.advance(chrono::Duration::days(-365));
    assert!(!world.look().await);
}

#[tokio::test]
async fn a_cycle_that_is_cut_off_again_and_again_is_not_begun_without_end() {
    let world = world().await;
    let due = world.timetable.last_due(world.clock.now(), chrono::Duration::days(400)).expect("something was due");
    // As kills leave it: begun and never ended.
    for pause_min in [0, 5, 15, 60, 360, 360] {
        world.app.store.start_run(CYCLE, due.civil, world.clock.now()).await.expect("a store");
        if pause_min > 0 {
            assert!(!world.look().await, "nothing is run before {pause_min} minutes are over");
        }
        world.clock.advance(chrono::Duration::minutes(pause_min));
    }
    assert!(world.look().await, "after the pause it is made");
    assert_eq!(world.app.store.unfinished_tries(CYCLE).await.expect("a store"), None, "an end makes good");
}

#[tokio::test]
async fn the_loop_never_spins_and_never_oversleeps() {
    let world = world().await;
    let mut now = world.clock.now();
    for step_s in [0, 1, -1, 7200, -7200, 86_399, -31_536_000, 31_536_000, 59, 898] {
        now += chrono::Duration::seconds(step_s);
        let nap = nap(&world.timetable, now);
        assert!(nap >= Duration::from_millis(100) && nap <= LONGEST_SLEEP, "{nap:?} at {now}");
    }
}

#[tokio::test]
async fn a_try_that_failed_says_why_until_the_run_is_made() {
    let world = world().await;
    let due = world.timetable.last_due(world.clock.now(), chrono::Duration::days(400)).expect("something was due");
    let mut tx = world.app.store.begin().await.expect("a store");
    sqlx::query("ALTER TABLE regions RENAME TO regions_away").execute(tx.conn()).await.expect("a table");
    tx.commit().await.expect("a store");
    let outcome = run_tick(&world.app, &world.fetcher, &due, std::future::pending()).await;
    assert!(outcome.is_err());
    let run = world.app.store.last_run(CYCLE).await.expect("a store").expect("a run");
    assert_eq!(run.ended_at, None, "it is made again");
    assert!(run.outcome.as_ref().is_some_and(|why| why.contains("regions")), "{run:?}");
    let mut tx = world.app.store.begin().await.expect("a store");
    sqlx::query("ALTER TABLE regions_away RENAME TO regions").execute(tx.conn()).await.expect("a table");
    tx.commit().await.expect("a store");
    world.clock.advance(chrono::Duration::minutes(1));
    assert!(world.look().await);
}

#[test]
fn somebody_outside_is_told_that_all_is_well_while_few_stations_are_silent() {
    let pulled = |silent: usize, all: usize| {
        let asked = |n: usize| pull::StationPull {
            station: format!("S{n}").as_str().into(),
            sources: vec![pull::SourcePull {
                source: crate::weather::SourceRef { feed: crate::weather::FeedKind::Acis, id: "ZZ1 6".into() },
                outcome: Ok(pull::Taken::default()),
            }],
            store_fault: (n < silent).then(|| StoreError::corrupt("as invented".to_owned())),
        };
        PullReport { stations: (0..all).map(asked).collect() }
    };
    let well = |silent: usize, faults: usize, failed_work: &[&str]| {
        let report = CycleReport {
            regions: 10,
            faults: vec!["x".into(); faults],
            failed_work: failed_work.iter().map(|what| (*what).to_owned()).collect(),
            ..CycleReport::default()
        };
        let pulled = pulled(silent, 10);
        is_well(result_of(&report, &pulled), &report, &pulled)
    };
    assert!(well(0, 0, &[]) && well(2, 0, &[]) && well(0, 2, &[]));
    // Before, only a cycle in which nothing worked was kept from the ping.
    let of_few = |silent: usize, all: usize| {
        let report = CycleReport { regions: 1, ..CycleReport::default() };
        let pulled = pulled(silent, all);
        is_well(result_of(&report, &pulled), &report, &pulled)
    };
    assert!(of_few(0, 1) && of_few(1, 2) && of_few(1, 3), "one closed station is no alarm");
    assert!(!of_few(1, 1) && !of_few(2, 2) && !of_few(2, 3));
    assert!(!well(3, 0, &[]) && !well(0, 3, &[]) && !well(10, 0, &[]) && !well(0, 0, &["asking people"]));
}

#[test]
fn a_cycle_served_none_where_each_region_had_a_fault() {
    for (regions, faults, none) in
        [(3, 0, false), (3, 2, false), (3, 3, true), (1, 1, true), (0, 0, false), (0, 1, true)]
    {
        let report = CycleReport { regions, faults: vec!["x".into(); faults], ..CycleReport::default() };
        assert_eq!(served_of(&report).is_none(), none, "{faults} of {regions}");
    }
}

// Before, it waited for the next cycle, or for another notice's hour.
#[tokio::test]
async fn the_rest_of_a_notice_is_queued_at_the_next_turn() {
    use std::sync::atomic::{AtomicU32, Ordering};

    use crate::people::{Address, Consent, Language, NewSubscriber, Reach};
    use crate::region::Region;
    use crate::season::{NoticeKind, SeasonKey};
    use crate::store::notices::NewNotice;

    let world = world().await;
    let (store, now) = (&world.app.store, world.clock.now());
    let state = crate::demo::state::State::built_in().expect("the built-in state");
    let station = &state.stations[0].station;
    store.add_station(station).await.expect("a store");
    let region = Region { stations: vec![station.id.clone()], ..state.regions[0].region.clone() };
    store.put_regions(std::slice::from_ref(&region), now).await.expect("a store");
    let season = SeasonKey { profile: region.profile.clone(), region: region.id.clone(), year: 2026 };
    let new = NewNotice::plain(season, NoticeKind::InspectNow, now);
    store.put_notice(&new, &[]).await.expect("nobody is to be told yet");
    let owner = NewSubscriber {
        zips: region.zips[..1].to_vec(),
        heights: Vec::new(),
        addresses: vec![Address::parse("owner@example.org", Reach::NorthAmerica).expect("an address")],
        language: Language::En,
        consent: Consent::Given { evidence: "form".into() },
    };
    store.add_subscriber(&owner, now).await.expect("a store");
    let mut tx = store.begin().await.expect("a store");
    // As a kill leaves it behind the first transaction.
    sqlx::query("UPDATE notices SET queued_to = '/'").execute(tx.conn()).await.expect("a notice");
    tx.commit().await.expect("a store");

    let woken = AtomicU32::new(0);
    let queued = || {
        woken.fetch_add(1, Ordering::Relaxed);
    };
    release_now(&world.app, &queued).await;
    let id = crate::season::NoticeId::of(&new.season, new.kind);
    assert_eq!(store.delivery_counts(&id).await.expect("a store").get("queued"), Some(&1));
    assert_eq!(woken.load(Ordering::Relaxed), 1, "who delivers is woken");
    release_now(&world.app, &queued).await;
    assert_eq!(woken.load(Ordering::Relaxed), 1, "and not for nothing");
}
