//! The cycle and its replay: once decided is decided, a replay knows only what was known, and runs alike every time.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use treebell::assessment::past::PastFrom;
use treebell::clock::ManualClock;
use treebell::config::{Config, EmailConfig};
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::dispatch::Channels;
use treebell::dispatch::channels::folder::FolderTransport;
use treebell::dispatch::channels::mail::MailWriter;
use treebell::message::Templates;
use treebell::people::{Address, Language, Reach, Zip};
use treebell::people::{Consent, NewSubscriber};
use treebell::region::{Region, RegionId, Release};
use treebell::season::profile::{Profile, Profiles};
use treebell::season::{NoticeKind, NoticeStatus};
use treebell::service::app::App;
use treebell::service::assess;
use treebell::service::caches::{RecordCache, SeasonCache};
use treebell::service::cycle::{self, CycleReport};
use treebell::service::event::Event;
use treebell::service::replay::{MessageCount, RegionSeason, ReplayWorld, summarise};
use treebell::store::Store;
use treebell::store::field_reports::{Judgement, NewFieldReport, ReportSource, Seen};
use treebell::weather::{TenthsC, Version};

/// The demo's weather: invented, for plumbing only.
struct World {
    app: App,
    clock: Arc<ManualClock>,
}

impl World {
    /// Two of the invented state's regions, a low and a high one, with a few people.
    async fn build() -> Self {
        Self::of(&[1, 8]).await
    }

    /// The same of the regions at these places.
    async fn of(places: &[usize]) -> Self {
        Self::with_records(places, |_, version| Some(version)).await
    }

    /// The same with each station's versions as this gives them, by the region's place.
    async fn with_records(places: &[usize], given: impl Fn(usize, Version) -> Option<Version>) -> Self {
        let state = State::built_in().unwrap();
        let store = Store::in_memory().await.unwrap();
        let made = weather::make(&state, 7);
        let mut regions: Vec<Region> = vec![];
        for at in places {
            let mut region = state.regions[*at].region.clone();
            let own = region.stations[0].clone();
            let index = state.stations.iter().position(|station| station.station.id == own).unwrap();
            let station = &state.stations[index].station;
            store.add_missing_stations(std::slice::from_ref(station)).await.unwrap();
            // The last thirteen years are enough to project from.
            let from = NaiveDate::from_ymd_opt(2013, 1, 1).unwrap();
            let versions = made.versions(index).into_iter().filter(|v| v.day >= from);
            let versions: Vec<Version> = versions.filter_map(|version| given(*at, version)).collect();
            store.add_versions(&station.id, &versions).await.unwrap();
            region.stations = vec![own];
            region.release = Release::AtOnce;
            regions.push(region);
        }
        let start: DateTime<Utc> = "2025-01-01T13:15:00Z".parse().unwrap();
        store.put_regions(&regions, start).await.unwrap();
        for (at, zip) in regions.iter().flat_map(|region| region.zips.first()).enumerate() {
            subscribe(&store, zip, &format!("p{at}@example.org"), start).await;
            subscribe(&store, zip, &format!("+1505555{:04}", 100 + at), start).await;
        }
        let clock = Arc::new(ManualClock::at(start));
        let templates = Templates::load(None).unwrap();
        let app = App::with_store(&Config::default(), clock.clone(), store, Profiles::default(), templates);
        Self { app, clock }
    }

    async fn cycle(&self, day: NaiveDate) -> CycleReport {
        self.clock.set(day.and_hms_opt(13, 15, 0).unwrap().and_utc());
        let mut records = RecordCache::new(self.app.store.clone());
        cycle::run(&self.app, &mut records, &mut SeasonCache::default(), &mut |_| {}).await.unwrap()
    }

    /// What decisions read of a season at once is what each notice says of itself.
    async fn decisions_know_what_was_told(&self) {
        let store = &self.app.store;
        let mut known = store.told_of_season("pinyon-needle-scale", 2025).await.unwrap();
        for region in store.regions().await.unwrap() {
            let notices = store.notices_of_season("pinyon-needle-scale", 2025).await.unwrap();
            let own = notices.iter().filter(|notice| notice.season.region == region.id);
            let own: Vec<_> = own.map(|notice| (notice.decided_at, notice.told(region.time_zone))).collect();
            let known = known.remove(&region.id).unwrap_or_default();
            let known: Vec<_> = known.into_iter().map(|known| (known.decided_at, known.told)).collect();
            assert_eq!(known, own, "{}", region.id);
        }
        assert!(known.is_empty(), "{known:?}");
    }

    async fn play(&self, season: i32) -> Vec<RegionSeason> {
        self.play_through(season, None).await
    }

    async fn play_through(&self, season: i32, channels: Option<Channels>) -> Vec<RegionSeason> {
        let played_world = ReplayWorld::read(&self.app, &[]).await.unwrap();
        let mut played = played_world.play(season, channels, &mut |_| {}).await.unwrap();
        played.sort_by(|a, b| a.elevation_m.total_cmp(&b.elevation_m));
        played
    }

    /// The same with every message written: what was played, and the files by name.
    async fn play_into_a_folder(&self, season: i32) -> (Vec<RegionSeason>, BTreeMap<String, String>) {
        let folder = tempfile::tempdir().unwrap();
        let mail = MailWriter::new(&EmailConfig::default()).unwrap();
        let transport = FolderTransport::open(folder.path(), mail).unwrap();
        let played = self.play_through(season, Some(Channels::both(Arc::new(transport.clone())))).await;
        transport.sort_index().unwrap();
        let read = |entry: std::io::Result<std::fs::DirEntry>| {
            let entry = entry.unwrap();
            let text = String::from_utf8_lossy(&std::fs::read(entry.path()).unwrap()).into_owned();
            (entry.file_name().into_string().unwrap(), text)
        };
        (played, std::fs::read_dir(folder.path()).unwrap().map(read).collect())
    }
}

async fn subscribe(store: &Store, zip: &Zip, address: &str, now: DateTime<Utc>) {
    let new = NewSubscriber {
        zips: vec![zip.clone()],
        heights: Vec::new(),
        addresses: vec![Address::parse(address, Reach::NorthAmerica).unwrap()],
        language: Language::En,
        consent: Consent::Given { evidence: "invented for a test".into() },
    };
    store.add_subscriber(&new, now).await.unwrap();
}

fn day(month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2025, month, day).unwrap()
}

#[tokio::test]
async fn a_cycle_run_again_over_the_same_facts_changes_nothing() {
    let world = World::build().await;
    let mut decided = 0;
    // Every tenth day, so that outages lie between: missed days are assessed, notices still of use go out.
    for at in (0..150).step_by(10) {
        let today = day(1, 5) + Days::new(at);
        let first = world.cycle(today).await;
        assert_eq!(first.faults, Vec::<String>::new());
        decided += first.decided.len();
        let again = world.cycle(today).await;
        assert_eq!((again.decided.len(), again.released.len(), again.deliveries), (0, 0, 0), "on {today}: {again:?}");
        world.decisions_know_what_was_told().await;
    }
    assert!(decided >= 4, "{decided} notices in two regions");
}

#[tokio::test]
async fn after_downtime_every_missed_day_is_assessed_once_and_nobody_is_told_twice() {
    // Downtime of 26 hours, 9 days and 120 days; an hour's leaves no day out.
    for (gap, missed) in [(1, 0), (2, 1), (9, 8), (120, 119)] {
        let world = World::build().await;
        world.cycle(day(1, 5)).await;
        let report = world.cycle(day(1, 5) + Days::new(gap)).await;
        assert_eq!(report.faults, Vec::<String>::new());
        assert_eq!(report.days_assessed, 2 * (missed + 1), "after {gap} days");
        let notices = world.app.store.notices_of_season("pinyon-needle-scale", 2025).await.unwrap();
        for notice in &notices {
            let counts = world.app.store.delivery_counts(&notice.id).await.unwrap();
            assert!(counts.values().sum::<u64>() <= 2, "{}: {counts:?}", notice.id);
        }
        let ids: std::collections::BTreeSet<_> = notices.iter().map(|notice| &notice.id).collect();
        assert_eq!(ids.len(), notices.len());
        let again = world.cycle(day(1, 5) + Days::new(gap)).await;
        assert_eq!((again.days_assessed, again.decided.len()), (2, 0));
    }
}

#[tokio::test]
async fn a_notice_and_its_deliveries_are_there_together_or_not_at_all() {
    let world = World::build().await;
    // Until the first notice of the low region.
    let mut today = day(1, 20);
    while world.cycle(today).await.decided.is_empty() {
        today = today + Days::new(1);
        assert!(today < day(4, 1), "no notice came");
    }
    let notices = world.app.store.notices_of_season("pinyon-needle-scale", 2025).await.unwrap();
    for notice in notices {
        let deliveries: u64 = world.app.store.delivery_counts(&notice.id).await.unwrap().values().sum();
        assert_eq!(deliveries, if notice.status() == NoticeStatus::Released { 2 } else { 0 }, "{}", notice.id);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_replay_tells_the_same_story_every_time_and_touches_nothing() {
    let world = World::build().await;
    let before = world.app.store.notices_of_season("pinyon-needle-scale", 2024).await.unwrap();
    let first = world.play(2024).await;
    assert_eq!(first, world.play(2024).await);
    assert_eq!(world.app.store.notices_of_season("pinyon-needle-scale", 2024).await.unwrap(), before);

    let [low, high] = first.as_slice() else { panic!("two regions: {first:#?}") };
    assert!(low.elevation_m < high.elevation_m && low.opened.unwrap() < high.opened.unwrap());
    assert_eq!((low.past, low.past_years), (PastFrom::Earlier, 11), "years before 2024 only");
    for season in &first {
        let kinds: Vec<NoticeKind> = season
            .notices
            .iter()
            .filter(|notice| notice.status == NoticeStatus::Released)
            .map(|notice| notice.kind)
            .collect();
        let told: Vec<NoticeKind> = kinds.into_iter().filter(|kind| *kind != NoticeKind::DeadlineMoved).collect();
        let wanted = NoticeKind::ALL.into_iter().filter(|kind| *kind != NoticeKind::DeadlineMoved);
        assert_eq!(told, wanted.collect::<Vec<_>>(), "{season:#?}");
        assert!(season.notices.iter().all(|notice| (notice.emails, notice.texts) == (1, 1)), "{season:#?}");
        let inspect = season.notices.iter().find(|notice| notice.kind == NoticeKind::InspectNow).unwrap();
        // By the record known on each day, against the whole one.
        let window = season.window.unwrap();
        assert!((inspect.decided_on - window.look_from).num_days().abs() <= 3, "{season:#?}");
        let wash = season.notices.iter().find(|notice| notice.kind == NoticeKind::WashNow).unwrap();
        assert!((wash.decided_on - window.best.unwrap().first).num_days().abs() <= 5, "{season:#?}");
        assert!(wash.deadline.is_some() && !season.is_mostly_estimated(), "{season:#?}");
    }
    let summary = summarise(&first);
    assert_eq!(summary.len(), 2);
    assert_eq!((summary[0].seasons, summary[0].inspected, summary[0].asked), (1, 1, 1));
}

/// Ten days after "inspect now" the service asks people what they saw. A replay asks on the same day whether or not
/// messages are written, and writes the question where they are.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_replay_asks_what_people_saw_as_the_service_does() {
    let world = World::build().await;
    let counted = world.play(2024).await;
    for season in &counted {
        let inspect = season.notices.iter().find(|notice| notice.kind == NoticeKind::InspectNow).unwrap();
        let asked = season.asked.as_ref().expect("a question");
        assert_eq!(asked.on, inspect.released_on.unwrap() + Days::new(10), "{season:#?}");
        assert_eq!((asked.emails, asked.texts), (1, 1), "one address a person");
    }
    let (written, files) = world.play_into_a_folder(2024).await;
    assert_eq!(written, counted);
    let (again, others) = world.play_into_a_folder(2024).await;
    assert_eq!(again, written);
    let differ: Vec<&String> = files.keys().filter(|name| files.get(*name) != others.get(*name)).collect();
    assert_eq!((differ, files.len()), (vec![], others.len()), "the same files to the byte");
    let notices: u64 = counted.iter().flat_map(|season| &season.notices).map(|one| one.emails + one.texts).sum();
    let questions = |ending: &str, says: &str| {
        files.iter().filter(|(name, text)| name.ends_with(ending) && text.contains(says)).count()
    };
    assert_eq!(files.len() as u64, notices + 4 + 1, "all notices, four questions, the index");
    assert_eq!(questions(".txt", "Reply 1"), 2, "{files:#?}");
    assert_eq!(questions(".eml", "What did you see"), 2);
}

/// With a public address every message has a place for its reader's stop link.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn with_a_public_address_the_same_messages_are_written_with_their_links() {
    let mut world = World::build().await;
    let (plain, files) = world.play_into_a_folder(2024).await;
    let mut config = (*world.app.config).clone();
    config.messages.public_url = "https://example.org".to_owned().into();
    world.app.config = Arc::new(config);
    let (played, linked) = world.play_into_a_folder(2024).await;
    assert_eq!((&played, linked.len()), (&plain, files.len()));
    let mails = || linked.iter().filter(|(name, _)| name.ends_with(".eml"));
    assert!(
        mails().count() > 0 && mails().all(|(_, text)| text.contains("List-Unsubscribe: <https://example.org/stop/"))
    );
}

/// `outlook --on` a day that is over: what people were told later is not known then.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_look_at_a_day_that_is_over_knows_nothing_of_what_was_told_later() {
    let world = World::build().await;
    let first = world.play(2024).await[0].notices[0].decided_on;
    assert!(!world.cycle(first).await.decided.is_empty());
    let told_on = |day: NaiveDate| {
        let world = &world;
        async move {
            let (mut records, mut seasons) = (RecordCache::new(world.app.store.clone()), SeasonCache::default());
            let mut regions = world.app.store.regions().await.unwrap();
            regions.sort_by(|a, b| a.elevation_m.total_cmp(&b.elevation_m));
            let now = day.and_hms_opt(18, 0, 0).unwrap().and_utc();
            let look = assess::look(&world.app, &mut records, &mut seasons, &regions[0], now).await.unwrap();
            look.decision.verdicts.iter().any(|verdict| verdict.to_string().contains("already told"))
        }
    };
    assert!(told_on(first).await, "on the day itself");
    assert!(!told_on(first - Days::new(3)).await, "three days before");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn where_staff_must_agree_a_replay_says_why_nothing_left_and_whom_it_would_have_reached() {
    let world = World::build().await;
    let mut regions = world.app.store.regions().await.unwrap();
    regions.sort_by(|a, b| a.elevation_m.total_cmp(&b.elevation_m));
    regions[0].release = Release::WhenConfirmed;
    world.app.store.put_regions(&regions, world.app.clock.now()).await.unwrap();
    let played = world.play(2024).await;

    let asked: Vec<_> = played[0].notices.iter().filter_map(|notice| notice.unsent.as_ref()).collect();
    assert_eq!(asked.len(), played[0].notices.len(), "{:#?}", played[0].notices);
    for unsent in &asked {
        assert_eq!(unsent.would_reach, Some(MessageCount { emails: 1, texts: 1 }), "{unsent:?}");
        assert!(unsent.why.starts_with("This region tells nothing before staff have said yes."), "{}", unsent.why);
    }
    // What came to be of no use while it waited says that as well.
    let overtaken = asked.iter().filter(|unsent| unsent.why.contains("It was not told: "));
    assert!(overtaken.count() > 0, "{asked:?}");

    let sent = played[1].notices.iter().filter(|notice| notice.released_on.is_some());
    assert!(sent.clone().count() > 2 && sent.clone().all(|notice| notice.unsent.is_none() && notice.emails == 1));
}

/// What happened later in the season, and in later years, must not be known earlier.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_replay_knows_nothing_of_what_came_later() {
    let world = World::build().await;
    let straight = world.play(2024).await;
    // From the day after the low region was told to inspect, the record is made absurdly warm, and next year with it.
    let told = straight[0].notices.iter().find(|notice| notice.kind == NoticeKind::InspectNow).unwrap().decided_on;
    let bent = World::build().await;
    for station in bent.app.store.stations().await.unwrap() {
        let mut record = bent.app.store.record(&station.id).await.unwrap().versions;
        record.retain(|version| version.day > told);
        for version in &mut record {
            version.value = TenthsC(version.value.0 + 120);
            version.received_at += chrono::Duration::hours(1);
        }
        bent.app.store.add_versions(&station.id, &record).await.unwrap();
    }
    let other = bent.play(2024).await;
    for (a, b) in straight.iter().zip(&other) {
        let until = |season: &RegionSeason| {
            let early = season.notices.iter().filter(|notice| notice.decided_on <= told);
            early.map(|notice| (notice.kind, notice.decided_on, notice.opens_then)).collect::<Vec<_>>()
        };
        assert_eq!(until(a), until(b));
    }
    assert_ne!(straight[1].opened, other[1].opened, "the later warmth did reach the high region");
}

/// A report that nobody has confirmed.
fn eggs_seen(region: &RegionId, observed_on: NaiveDate, tree: &str) -> NewFieldReport {
    NewFieldReport {
        region: region.clone(),
        zip: None,
        observed_on,
        tree: Some(tree.into()),
        seen: Seen::at(Profile::pinyon_needle_scale().sight("eggs").unwrap(), None),
        nothing_on: None,
        confirmed: false,
        source: ReportSource::Staff,
        person: None,
        note: None,
    }
}

// A season that was lived: what staff confirmed on a day is known from that day on, and what they confirmed after it never.
#[tokio::test]
async fn a_replay_knows_field_reports_as_they_stood_on_each_day() {
    let world = World::build().await;
    let store = &world.app.store;
    let before = world.play(2025).await;
    let inspect = before[0].notices.iter().find(|notice| notice.kind == NoticeKind::InspectNow).unwrap().decided_on;
    let morning = |day: NaiveDate| day.and_hms_opt(8, 0, 0).unwrap().and_utc();
    let told = async |tree: &str, confirmed: DateTime<Utc>| {
        let new = eggs_seen(&before[0].region, inspect - Days::new(12), tree);
        let id = store.add_field_report(&new, morning(inspect - Days::new(11))).await.unwrap();
        store.judge_field_reports(&[id], Judgement::Confirmed, None, None, confirmed).await.unwrap();
    };
    told("confirmed a year later", morning(inspect + Days::new(365))).await;
    assert_eq!(world.play(2025).await, before, "what was confirmed later was not known");
    let confirmed = inspect - Days::new(8);
    told("confirmed in time", morning(confirmed)).await;
    let after = world.play(2025).await;
    let until = |season: &RegionSeason| -> Vec<_> {
        season.notices.iter().filter(|one| one.decided_on < confirmed).map(|one| (one.kind, one.decided_on)).collect()
    };
    assert_eq!(until(&after[0]), until(&before[0]), "before it was confirmed nothing is otherwise");
    let first = after[0].notices.iter().find(|one| one.decided_on >= confirmed).unwrap();
    assert_eq!(first.decided_on, confirmed, "on that day it counts: {:?}", after[0].notices);
}

/// A low region, whose season is over long before those of the others, to a high one.
const PLACES: [usize; 4] = [1, 3, 6, 8];

/// Of thousands of stations a replay is played in parts.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_replay_in_parts_comes_to_what_it_comes_to_at_once() {
    let world = World::of(&PLACES).await;
    let store = &world.app.store;
    let mut regions = store.regions().await.unwrap();
    assert_eq!(regions.iter().map(|region| &region.stations[0]).collect::<BTreeSet<_>>().len(), PLACES.len());
    // What leaves by itself leaves at the instant of a word that is played for another.
    regions[0].release = Release::WhenConfirmed;
    regions[1].release = Release::UnlessHeld { hours: 2 };
    store.put_regions(&regions, world.app.clock.now()).await.unwrap();
    let both = NewSubscriber {
        zips: [0, 2].map(|at: usize| regions[at].zips[0].clone()).to_vec(),
        heights: Vec::new(),
        addresses: vec![Address::parse("both@example.org", Reach::NorthAmerica).unwrap()],
        language: Language::Es,
        consent: Consent::Given { evidence: "invented for a test".into() },
    };
    store.add_subscriber(&both, world.app.clock.now()).await.unwrap();

    let whole = ReplayWorld::read(&world.app, &[]).await.unwrap();
    let parts = whole.clone().in_parts_of(1);
    assert_eq!((whole.part_count(), parts.part_count()), (1, PLACES.len() - 1), "two regions share a person");
    assert_eq!(parts.seasons().await.unwrap(), whole.seasons().await.unwrap());
    for staff in [None, Some(chrono::Duration::hours(2))] {
        let play = async |of: &ReplayWorld| {
            let of = of.clone();
            let of = if let Some(after) = staff { of.with_staff(after) } else { of };
            let mut seen = BTreeSet::new();
            let mut watch = |event| {
                if let Event::Day { outlooks, .. } = event {
                    seen.extend(outlooks.into_iter().map(|outlook| outlook.season.region));
                }
            };
            let played = of.play(2024, None, &mut watch).await.unwrap();
            (played, seen)
        };
        let at_once = play(&whole).await;
        assert_eq!(play(&parts).await, at_once, "{staff:?}");
        assert_eq!((at_once.0.len(), at_once.1.len()), (PLACES.len(), PLACES.len()));
        let emails = |at: usize| at_once.0[at].notices.iter().map(|notice| notice.emails).max();
        assert_eq!((emails(0), emails(2)), (Some(if staff.is_some() { 2 } else { 0 }), Some(2)), "{:#?}", at_once.0);
    }
    assert!(parts.play(1900, None, &mut |_| {}).await.is_err(), "nothing is on record of that season");
}

/// Two regions of one station decide alike. What staff confirm at an instant takes nothing from what leaves by itself then.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_leaves_by_itself_leaves_at_the_instant_of_a_played_word_too() {
    let world = World::build().await;
    let mut regions = world.app.store.regions().await.unwrap();
    regions[0].release = Release::WhenConfirmed;
    regions[1].release = Release::UnlessHeld { hours: 2 };
    regions[1].stations = regions[0].stations.clone();
    world.app.store.put_regions(&regions, world.app.clock.now()).await.unwrap();
    let played = ReplayWorld::read(&world.app, &[]).await.unwrap().with_staff(chrono::Duration::hours(2));
    let played = played.play(2024, None, &mut |_| {}).await.unwrap();
    for region in &regions {
        let season = played.iter().find(|season| season.region == region.id).unwrap();
        let left: Vec<_> = season.notices.iter().filter_map(|one| Some((one.decided_on, one.released_on?))).collect();
        assert!(left.len() > 2 && left.iter().all(|(decided, left)| decided == left), "{season:#?}");
    }
}

/// A station with few years of its own, which come in late: who sums the season up knows what its last day knows, however long it
/// was played and in whatever week.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_season_on_borrowed_years_is_summed_up_as_known_on_its_last_day() {
    for (late, until) in [
        // Long after nothing can follow in the region, and before the last day of a play.
        ("2024-11-01T12:00:00Z", (2024, 12, 31)),
        // The record ends on February 5 and the play ten days later. Years are borrowed anew each week, last on the morning of
        // February 12.
        ("2024-02-12T20:00:00Z", (2024, 2, 5)),
    ] {
        let late: DateTime<Utc> = late.parse().unwrap();
        let until = NaiveDate::from_ymd_opt(until.0, until.1, until.2).unwrap();
        let world = World::with_records(&PLACES[..2], |place, version| match version.day.year() {
            _ if place != PLACES[0] => Some(version),
            2021..=2023 => Some(Version { received_at: late, ..version }),
            2024 if version.day <= until => Some(version),
            _ => None,
        })
        .await;
        let low = State::built_in().unwrap().regions[PLACES[0]].region.id.clone();
        let played = ReplayWorld::read(&world.app, &[low]).await.unwrap();
        let season = played.play(2024, None, &mut |_| {}).await.unwrap().remove(0);
        assert!(season.past_years > 3, "it borrows: {season:#?}");
        assert_eq!(season.past, PastFrom::Earlier, "by {until} all three years had come in");
    }
}

/// Where staff want to be nearly sure that eggs hatch, the last notice comes long after our number for it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_season_is_played_until_nothing_can_follow() {
    let mut world = World::of(&PLACES[..1]).await;
    let mut config = (*world.app.config).clone();
    config.policy.too_late_chance = 0.99;
    world.app.config = Arc::new(config);
    let season = world.play(2024).await.remove(0);
    let last = season.notices.iter().find(|notice| notice.kind == NoticeKind::TooLateToWash);
    let last = last.unwrap_or_else(|| panic!("a last notice: {season:#?}")).decided_on;
    assert!(last > season.closed.unwrap() + Days::new(8), "{season:#?}");
}

/// What is seen in one region moves what is believed of the others.
#[tokio::test]
async fn with_a_field_report_a_replay_has_one_part() {
    let world = World::build().await;
    let region = world.app.store.regions().await.unwrap().remove(0).id;
    let parts = async || ReplayWorld::read(&world.app, &[]).await.unwrap().in_parts_of(1).part_count();
    assert_eq!(parts().await, 2);
    let new = eggs_seen(&region, day(4, 1), "at the gate");
    world.app.store.add_field_report(&new, day(4, 2).and_hms_opt(8, 0, 0).unwrap().and_utc()).await.unwrap();
    assert_eq!(parts().await, 1);
}
