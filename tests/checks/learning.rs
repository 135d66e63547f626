//! Field reports teach: from the store through the cycle to other regions' dates, as staff let them. The demo's weather is
//! invented, so this is of the plumbing; whether the posterior is right is checked elsewhere.

mod before;
mod elsewhere;
mod real_season;

use std::sync::Arc;

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use treebell::assessment::season_model::Assessment;
use treebell::clock::ManualClock;
use treebell::config::Config;
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::message::Templates;
use treebell::region::{Region, RegionId, Release};
use treebell::season::adopt::adopted;
use treebell::season::learning::Untaught;
use treebell::season::profile::{Profile, Profiles};
use treebell::season::{LearnedNote, Outlook};
use treebell::service::app::App;
use treebell::service::assess;
use treebell::service::belief::choose;
use treebell::service::belief::learn::gather;
use treebell::service::caches::{RecordCache, SeasonCache};
use treebell::service::cycle::{self, CycleReport};
use treebell::service::desk::learning::freeze;
use treebell::service::desk::{DeskError, Word};
use treebell::service::event::Event;
use treebell::service::learning::{Lessons, lessons};
use treebell::service::past_cache::unwatched;
use treebell::service::replay::ReplayWorld;
use treebell::store::Store;
use treebell::store::field_reports::{Judgement, NewFieldReport, ReportSource, Seen};
use treebell::store::learning::{AdoptedProfile, Freeze, FreezeWord};
use treebell::store::staff_log::StaffKind;
use treebell::weather::Version;

use crate::engines::on_each_engine;

const PROFILE: &str = "pinyon-needle-scale";

/// The two lowest regions of the invented state and its highest.
pub struct World {
    pub app: App,
    pub clock: Arc<ManualClock>,
    /// In the order of their heights.
    pub regions: Vec<Region>,
}

impl World {
    pub async fn build(store: Store) -> Self {
        let state = State::built_in().unwrap();
        let made = weather::make(&state, 7);
        let mut all: Vec<Region> = state.regions.iter().map(|of| of.region.clone()).collect();
        all.sort_by(|a, b| a.elevation_m.total_cmp(&b.elevation_m));
        let mut regions = Vec::new();
        for at in [0, 1, all.len() - 1] {
            let mut region = all[at].clone();
            let own = region.stations[0].clone();
            let index = state.stations.iter().position(|station| station.station.id == own).unwrap();
            store.add_missing_stations(std::slice::from_ref(&state.stations[index].station)).await.unwrap();
            // The last thirteen years are enough to project from.
            let from = NaiveDate::from_ymd_opt(2013, 1, 1).unwrap();
            let versions: Vec<Version> = made.versions(index).into_iter().filter(|v| v.day >= from).collect();
            store.add_versions(&own, &versions).await.unwrap();
            region.stations = vec![own];
            region.release = Release::AtOnce;
            regions.push(region);
        }
        let start: DateTime<Utc> = "2025-01-01T13:15:00Z".parse().unwrap();
        store.put_regions(&regions, start).await.unwrap();
        let clock = Arc::new(ManualClock::at(start));
        let mut config = Config::default();
        config.messages.chart_in_email = false;
        let templates = Templates::load(None).unwrap();
        let app = App::with_store(&config, clock.clone(), store, Profiles::default(), templates);
        Self { app, clock, regions }
    }

    async fn in_memory() -> Self {
        Self::build(Store::in_memory().await.unwrap()).await
    }

    pub fn set(&self, day: NaiveDate) {
        self.clock.set(day.and_hms_opt(13, 15, 0).unwrap().and_utc());
    }

    fn now(&self) -> DateTime<Utc> {
        self.app.clock.now()
    }

    pub async fn look(&self, region: &Region) -> Assessment {
        let (mut records, mut seasons) = (RecordCache::new(self.app.store.clone()), SeasonCache::default());
        assess::look(&self.app, &mut records, &mut seasons, region, self.now()).await.unwrap()
    }

    async fn high(&self) -> Outlook {
        self.look(&self.regions[2]).await.outlook
    }

    pub async fn lessons(&self) -> Lessons {
        let (mut records, mut seasons) = (RecordCache::new(self.app.store.clone()), SeasonCache::default());
        let profile = self.app.profiles.get(PROFILE).unwrap();
        lessons(&self.app, &mut records, &mut seasons, &profile, 2025, self.now()).await.unwrap()
    }

    pub async fn cycle(&self) -> CycleReport {
        let mut records = RecordCache::new(self.app.store.clone());
        cycle::run(&self.app, &mut records, &mut SeasonCache::default(), &mut |_| {}).await.unwrap()
    }

    /// The first day on which a region had so much heat, by the whole year's weather.
    pub async fn day_of(&self, region: &Region, heat: f64) -> NaiveDate {
        let before = self.now();
        self.set(NaiveDate::from_ymd_opt(before.year(), 6, 30).unwrap());
        let found = self.look(region).await.heat.iter().find(|of| of.sum >= heat).map(|of| of.day).unwrap();
        self.clock.set(before);
        found
    }

    /// Fresh cotton with eggs, seen early in both low regions: the day on which both were seen, and the reports' ids.
    pub async fn early_sightings(&self, confirmed: bool) -> (NaiveDate, Vec<String>) {
        let mut days = Vec::new();
        for region in &self.regions[..2] {
            days.push((region.id.clone(), self.day_of(region, 140.0).await));
        }
        let told = days.iter().map(|(_, day)| *day).max().unwrap() + Days::new(2);
        self.set(told);
        let mut ids = Vec::new();
        for (region, day) in days {
            ids.push(self.report(&region, day, "eggs", Some(day - Days::new(5)), confirmed).await);
        }
        (told, ids)
    }

    pub async fn report(
        &self,
        region: &RegionId,
        day: NaiveDate,
        sight: &str,
        nothing_on: Option<NaiveDate>,
        confirmed: bool,
    ) -> String {
        let profile = Profile::pinyon_needle_scale();
        let seen = Seen::at(profile.sight(sight).unwrap(), Some(true));
        let new = NewFieldReport {
            region: region.clone(),
            zip: None,
            observed_on: day,
            tree: None,
            seen,
            nothing_on,
            confirmed,
            source: ReportSource::Staff,
            person: None,
            note: None,
        };
        self.app.store.add_field_report(&new, self.now()).await.unwrap()
    }

    pub async fn confirm(&self, id: &str) {
        let ids = [id.to_owned()];
        self.app.store.judge_field_reports(&ids, Judgement::Confirmed, None, None, self.now()).await.unwrap();
    }

    async fn say(&self, is_frozen: bool) {
        let freeze = Freeze { at: self.now(), by: "staff".into(), why: "a check".into() };
        let word = FreezeWord { profile: PROFILE.into(), season: 2025, is_frozen, freeze };
        assert!(self.app.store.freeze_learning(&word).await.unwrap());
    }
}

fn day(month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2025, month, day).unwrap()
}

/// The likely day on which egg laying begins, and the days between the 10 and the 90 % point.
fn opens(outlook: &Outlook) -> (NaiveDate, i64) {
    let spread = outlook.stage(&"egg-laying-begins".into()).unwrap().spread;
    (spread.median.unwrap(), (spread.late.unwrap() - spread.early.unwrap()).num_days())
}

#[tokio::test]
async fn confirmed_reports_from_low_regions_narrow_a_high_regions_range_and_move_its_dates_and_unconfirmed_ones_do_not()
{
    let world = World::in_memory().await;
    let (told, ids) = world.early_sightings(false).await;
    let before = world.high().await;
    assert_eq!(before.learned, None);
    let lessons = world.lessons().await;
    assert!(lessons.taught.is_empty());
    assert!(lessons.untaught.iter().all(|(_, why)| *why == Untaught::Unconfirmed));
    assert_eq!(lessons.untaught.len(), 2);

    for id in &ids {
        world.confirm(id).await;
    }
    let after = world.high().await;
    let ((was, wide), (is, narrow)) = (opens(&before), opens(&after));
    let moved = (is - was).num_days();
    assert!(moved <= -3, "from {was} to {is} on {told}");
    assert!(narrow < wide, "{wide} days became {narrow}");
    assert_eq!(after.learned, Some(LearnedNote { sightings: 2, zeros: 0, moved_days: moved, frozen: false }));

    // Confirmed the other way round, the outlook is the same to the byte.
    let other = World::in_memory().await;
    let (_, others) = other.early_sightings(false).await;
    for id in others.iter().rev() {
        other.confirm(id).await;
    }
    assert_eq!(other.high().await, after);

    // What was set aside teaches no more.
    let set_aside = |judgement| world.app.store.judge_field_reports(&ids, judgement, None, None, world.now());
    set_aside(Judgement::Refused).await.unwrap();
    assert_eq!(world.high().await, before);
    assert!(world.lessons().await.untaught.iter().all(|(_, why)| *why == Untaught::SetAside));
}

#[tokio::test]
async fn a_report_waits_for_the_heat_of_its_day() {
    let world = World::in_memory().await;
    world.set(day(2, 10));
    world.report(&world.regions[0].id, day(2, 10), "eggs", None, true).await;
    let lessons = world.lessons().await;
    assert_eq!(lessons.untaught.iter().map(|(_, why)| *why).collect::<Vec<_>>(), [Untaught::HeatUnknown]);
    world.set(day(2, 13));
    assert_eq!(world.lessons().await.taught.len(), 1);
}

#[tokio::test]
async fn frozen_is_frozen_until_it_is_thawed() {
    let world = World::in_memory().await;
    let (told, ids) = world.early_sightings(false).await;
    world.confirm(&ids[0]).await;
    let one = world.high().await;
    world.set(told + Days::new(1));
    world.say(true).await;
    let frozen_at = world.now();
    world.set(told + Days::new(2));
    let at_once = world.high().await;
    // Confirmed, or come at all, after the freeze.
    world.confirm(&ids[1]).await;
    world.report(&world.regions[1].id, told, "eggs", None, true).await;
    assert_eq!(world.high().await, at_once);
    assert_eq!(at_once.learned.unwrap().sightings, one.learned.unwrap().sightings);
    let lessons = world.lessons().await;
    assert_eq!(lessons.frozen[&2025].at, frozen_at);
    assert_eq!(lessons.untaught.iter().map(|(_, why)| *why).collect::<Vec<_>>(), [Untaught::Frozen; 2]);
    // What was set aside after it still teaches: the belief stands as it stood.
    let first = std::slice::from_ref(&ids[0]);
    world.app.store.judge_field_reports(first, Judgement::Refused, None, None, world.now()).await.unwrap();
    assert_eq!(world.lessons().await.taught.len(), 1);

    world.say(false).await;
    let thawed = world.lessons().await;
    assert!(thawed.frozen.is_empty());
    assert_eq!(thawed.taught.len(), 2, "that of the other region and the one that came after");
}

#[tokio::test]
async fn staff_are_told_once_when_reports_moved_dates() {
    let world = World::in_memory().await;
    let (told, ids) = world.early_sightings(false).await;
    world.set(told - Days::new(1));
    assert_eq!(world.cycle().await.faults, Vec::<String>::new());
    world.set(told);
    for id in &ids {
        world.confirm(id).await;
    }
    let said = || async {
        let log = world.app.store.staff_log(DateTime::UNIX_EPOCH).await.unwrap();
        log.into_iter().filter(|entry| entry.kind == StaffKind::Learned).map(|entry| entry.text).collect::<Vec<_>>()
    };
    assert_eq!(said().await, Vec::<String>::new());
    for later in 0..3 {
        world.set(told + Days::new(later));
        world.cycle().await;
        world.cycle().await;
    }
    let texts = said().await;
    assert_eq!(texts.len(), 1, "{texts:?}");
    assert!(
        texts[0].starts_with(
            "field reports of season 2025 moved dates (fresh white cotton with eggs seen at 2 trees): Egg laying begins "
        ) && texts[0].contains("earlier in "),
        "{}",
        texts[0]
    );
}

#[tokio::test]
async fn an_adopted_belief_is_used_from_the_next_cycle_on_and_counts_no_report_twice() {
    let world = World::in_memory().await;
    let (told, _) = world.early_sightings(true).await;
    world.cycle().await;
    let high = &world.regions[2].id;
    let outlook = |day: NaiveDate| world.app.store.outlook(PROFILE, high, day);
    assert_eq!(outlook(told).await.unwrap().unwrap().profile_version, 1);

    let learned = world.lessons().await.learned;
    let believed = learned.stage(0).unwrap().posterior.belief().clone();
    let made = adopted(&Profile::pinyon_needle_scale(), &learned, 2).unwrap().profile;
    let version = AdoptedProfile {
        profile: PROFILE.into(),
        version: 2,
        text: made.to_toml(),
        adopted_at: world.now(),
        adopted_by: "staff".into(),
        why: "a check".into(),
    };
    world.app.store.adopt_profile(&version).await.unwrap();
    world.set(told + Days::new(1));
    world.cycle().await;
    assert_eq!(*world.app.profiles.get(PROFILE).unwrap(), made);
    let next = outlook(told + Days::new(1)).await.unwrap().unwrap();
    assert_eq!((next.profile_version, next.learned), (2, None));
    assert_eq!(outlook(told).await.unwrap().unwrap().profile_version, 1, "what was said keeps its version");

    let after = world.lessons().await;
    assert!(after.taught.is_empty());
    assert!(after.untaught.iter().all(|(_, why)| *why == Untaught::InNumbers));
    let carried = after.learned.stage(0).unwrap().posterior.belief().clone();
    assert!((carried.mean() - believed.mean()).abs() <= 0.005 && (carried.sd() - believed.sd()).abs() <= 0.005);
    assert_eq!(adopted(&made, &after.learned, 3), None);
    // What stands in the numbers is not told as seen nowhere.
    let chosen = choose(&world.app, None, None).await.unwrap();
    let belief = gather(&world.app, &chosen, &[], &unwatched()).await.unwrap();
    let said = belief.since_adopted().unwrap();
    assert!(said.contains("up to season 2025 are in the numbers of version 2; since it was adopted nothing"), "{said}");
}

#[tokio::test]
async fn a_replay_knows_reports_and_freezes_as_they_stood_each_day() {
    let world = World::in_memory().await;
    let (told, ids) = world.early_sightings(false).await;
    for id in &ids {
        world.confirm(id).await;
    }
    world.set(told + Days::new(3));
    world.say(true).await;
    world.set(told + Days::new(6));
    world.report(&world.regions[0].id, told, "eggs", None, true).await;
    world.set(day(12, 1));
    let [low, _, high] = world.regions.as_slice() else { panic!("three regions") };
    let played = ReplayWorld::read(&world.app, &[low.id.clone(), high.id.clone()]).await.unwrap();
    let mut seen: Vec<Outlook> = Vec::new();
    let mut watch = |event| {
        if let Event::Day { outlooks, .. } = event {
            seen.extend(outlooks.into_iter().filter(|outlook| outlook.season.region == high.id));
        }
    };
    played.play(2025, None, &mut watch).await.unwrap();
    assert!(seen.iter().any(|outlook| outlook.today < told) && seen.iter().any(|outlook| outlook.today > told));
    for outlook in seen {
        // Told, confirmed and frozen at the hour of the cycle; only one of the two regions is played.
        let expected = (outlook.today >= told).then_some((1, outlook.today >= told + Days::new(3)));
        assert_eq!(outlook.learned.map(|note| (note.sightings, note.frozen)), expected, "{}", outlook.today);
    }
}

/// Regions that go by the same stations share their outlook: what was seen in one of them is not told of the other, nor left out of
/// its own, where it teaches nothing.
#[tokio::test]
async fn a_region_with_a_report_of_its_own_shares_no_outlook() {
    let world = World::in_memory().await;
    let mut regions = world.regions.clone();
    regions[1].stations = regions[0].stations.clone();
    world.app.store.put_regions(&regions, world.now()).await.unwrap();
    let day = world.day_of(&regions[0], 140.0).await;
    world.set(day);
    world.say(true).await;
    world.set(day + Days::new(2));
    world.report(&regions[1].id, day + Days::new(1), "eggs", None, true).await;
    let (mut records, mut seasons) = (RecordCache::new(world.app.store.clone()), SeasonCache::default());
    let mut seen = Vec::new();
    // The one that was looked at before lends its outlook, if any does.
    for at in [0, 1, 0] {
        let look = assess::look(&world.app, &mut records, &mut seasons, &regions[at], world.now()).await.unwrap();
        seen.push(look.outlook.stage(&"egg-laying-begins".into()).unwrap().seen());
    }
    assert_eq!(seen, [false, true, false]);
}

#[tokio::test]
async fn freezes_and_versions_are_kept_alike_on_both_engines() {
    on_each_engine("freezes and versions", |store| async move {
        let at = |minute: u32| -> DateTime<Utc> { format!("2025-03-01T10:{minute:02}:00Z").parse().unwrap() };
        let word = |season, is_frozen, minute| FreezeWord {
            profile: "p".into(),
            season,
            is_frozen,
            freeze: Freeze { at: at(minute), by: "A. Ranger".into(), why: "strange reports".into() },
        };
        assert!(!store.freeze_learning(&word(2025, false, 1)).await.unwrap(), "it was not frozen");
        assert!(store.freeze_learning(&word(2025, true, 10)).await.unwrap());
        assert!(!store.freeze_learning(&word(2025, true, 11)).await.unwrap(), "the first word stands");
        assert!(store.freeze_learning(&word(2024, true, 12)).await.unwrap());
        assert!(store.freeze_learning(&word(2025, false, 20)).await.unwrap());
        assert!(store.freeze_learning(&word(2025, true, 30)).await.unwrap());
        let known = |minute| {
            let store = store.clone();
            async move {
                let freezes = store.learning_freezes("p", at(minute)).await.unwrap();
                freezes.into_iter().map(|(season, freeze)| (season, freeze.at)).collect::<Vec<_>>()
            }
        };
        assert_eq!(known(9).await, []);
        assert_eq!(known(10).await, [(2025, at(10))]);
        assert_eq!(known(15).await, [(2024, at(12)), (2025, at(10))]);
        assert_eq!(known(20).await, [(2024, at(12))]);
        assert_eq!(known(59).await, [(2024, at(12)), (2025, at(30))]);
        assert!(store.learning_freezes("other", at(59)).await.unwrap().is_empty());
        assert_eq!(store.freeze_words().await.unwrap().len(), 4);

        let version = |version| AdoptedProfile {
            profile: PROFILE.into(),
            version,
            text: Profile { version, ..Profile::pinyon_needle_scale() }.to_toml(),
            adopted_at: at(40),
            adopted_by: "A. Ranger".into(),
            why: "two good seasons".into(),
        };
        store.adopt_profile(&version(3)).await.unwrap();
        store.adopt_profile(&version(2)).await.unwrap();
        assert!(store.adopt_profile(&version(3)).await.is_err(), "a version is never written over");
        assert_eq!(store.adopted_profiles().await.unwrap(), [version(2), version(3)]);
    })
    .await;
}

#[tokio::test]
async fn only_a_season_that_can_have_reports_is_frozen() {
    let world = World::in_memory().await;
    world.set(day(3, 10));
    let frozen = async |season: i32| {
        let chosen = choose(&world.app, Some(PROFILE), Some(season)).await.unwrap();
        let word = Word { by: "maria", why: Some("strange reports") };
        freeze(&world.app, &chosen, true, word).await
    };
    for season in [20, 1999] {
        let refused = frozen(season).await;
        assert!(matches!(refused, Err(DeskError::NoReports { .. })), "{season}: {refused:?}");
    }
    assert!(frozen(2025).await.unwrap(), "the season under way");
}

// Before, a region that was added in November was told to have missed what ended in May.
#[tokio::test]
async fn what_had_ended_before_a_region_was_added_is_no_missed_notice() {
    let missed = async |world: &World| {
        world.set(NaiveDate::from_ymd_opt(2025, 11, 20).unwrap());
        world.cycle().await;
        let log = world.app.store.staff_log(DateTime::UNIX_EPOCH).await.unwrap();
        log.iter().filter(|entry| entry.kind == StaffKind::Missed).count()
    };
    let since_january = World::in_memory().await;
    assert_ne!(missed(&since_january).await, 0);
    let new = World::in_memory().await;
    let mut tx = new.app.store.begin().await.unwrap();
    // 2025-11-19.
    sqlx::query("UPDATE regions SET created_at = 1763510400000").execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
    assert_eq!(missed(&new).await, 0);
}

#[tokio::test]
async fn regions_of_one_station_share_an_outlook_until_somebody_reports_from_one() {
    let mut world = World::in_memory().await;
    world.regions[1].stations = world.regions[0].stations.clone();
    world.set(day(3, 10));
    for reported in [false, true] {
        if reported {
            world.report(&world.regions[1].id, day(3, 9), "eggs", Some(day(3, 2)), true).await;
        }
        let (mut records, mut seasons) = (RecordCache::new(world.app.store.clone()), SeasonCache::default());
        let mut looked = Vec::new();
        for at in [0, 1, 0, 1] {
            let region = &world.regions[at];
            let together = assess::look(&world.app, &mut records, &mut seasons, region, world.now()).await.unwrap();
            // By itself, with nothing at hand of another region.
            let alone = world.look(region).await;
            assert_eq!(format!("{together:?}"), format!("{alone:?}"), "{} with reports: {reported}", region.id);
            looked.push(together.outlook);
        }
        assert_eq!((&looked[0].season.region, &looked[1].season.region), (&world.regions[0].id, &world.regions[1].id));
        assert_eq!(looked[0].stages == looked[1].stages, !reported, "only one of them saw eggs");
    }
}
