//! Outlooks from what is kept of stations' pasts: the same to the last digit as from whole records, and made anew by
//! exactly what changes them.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, Utc};
use treebell::clock::ManualClock;
use treebell::config::Config;
use treebell::geo::Point;
use treebell::message::Templates;
use treebell::people::Zip;
use treebell::region::{OwnerReports, Region, Release};
use treebell::season::Profile;
use treebell::season::profile::{BiofixYear, Profiles};
use treebell::service::app::App;
use treebell::service::assess;
use treebell::service::assess_all::look_at_all;
use treebell::service::caches::{RecordCache, SeasonCache};
use treebell::store::Store;
use treebell::store::weather::ForecastValue;
use treebell::weather::{Element, FeedKind, SourceRef, Station, StationId, TenthsC, Version};

use crate::engines::at_each_address;
use crate::projection::invented_to;
use crate::support::open_store;

fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap()
}

fn morning(day: NaiveDate) -> DateTime<Utc> {
    day.and_hms_opt(13, 15, 0).unwrap().and_utc()
}

/// The day from which invented stations are pulled; what is older came in with a file.
fn pulled_from() -> NaiveDate {
    day(2024, 9, 1)
}

fn station(id: &str, latitude: f64, elevation_m: f64) -> Station {
    Station {
        id: StationId::from(id),
        name: format!("Station {id}"),
        place: Point { latitude, longitude: -135.0 },
        elevation_m,
        time_zone: chrono_tz::America::Denver,
        observation_hour: None,
        sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: "invented".into() }],
    }
}

/// Days with their extremes from `first` on, with gaps that are drawn over, gaps that are not, and a value out of the
/// way.
fn versions(first: i32, last: NaiveDate, colder_c: f64) -> Vec<Version> {
    let days = (first..=2025).flat_map(|year| {
        let season = invented_to(day(year, 12, 31));
        season.first.iter_days().zip(season.days).collect::<Vec<_>>()
    });
    let mut all = Vec::new();
    for (nth, (day, c)) in days.take_while(|(day, _)| *day <= last).enumerate() {
        let plain = |element, celsius: f64| version(day, element, TenthsC::from_c(celsius - colder_c).0);
        if nth % 83 > 1 && nth % 1207 > 13 {
            all.push(plain(Element::Max, c.max_c + if nth % 641 == 40 { 32.0 } else { 0.0 }));
        }
        if nth % 59 > 0 {
            all.push(plain(Element::Min, c.min_c));
        }
    }
    all
}

fn version(of: NaiveDate, element: Element, tenths: i32) -> Version {
    let pulled = of >= pulled_from();
    Version {
        day: of,
        element,
        value: TenthsC(tenths),
        feed: FeedKind::PlainCsv,
        day_reported: of,
        sampled: false,
        rejected: None,
        received_at: if pulled {
            of.and_hms_opt(23, 30, 0).unwrap().and_utc() + Days::new(1)
        } else {
            morning(pulled_from())
        },
        bulk: !pulled,
    }
}

fn region(id: &str, profile: &str, stations: &[&str]) -> Region {
    Region {
        id: id.into(),
        name: id.into(),
        place: Point { latitude: 35.0, longitude: -135.0 },
        elevation_m: 1700.0,
        time_zone: chrono_tz::America::Denver,
        profile: profile.into(),
        zips: vec![Zip::parse(&format!("002{:02}", id.bytes().map(u32::from).sum::<u32>() % 100)).unwrap()],
        stations: stations.iter().map(|id| StationId::from(*id)).collect(),
        release: Release::AtOnce,
        owner_reports: OwnerReports::WhenConfirmed,
        county: None,
        state: None,
        band: None,
        landmarks: Vec::new(),
        retired: false,
    }
}

/// The built-in profile with its biofix in the autumn before.
fn autumn() -> Profile {
    let mut profile = Profile::pinyon_needle_scale();
    profile.id = "autumn".into();
    (profile.biofix.month, profile.biofix.day, profile.biofix.year) = (10, 1, BiofixYear::Before);
    profile
}

struct World {
    store: Store,
    /// The same, opened once more: its records are not those that anything is kept of.
    beside: Store,
    config: Config,
    profiles: Profiles,
    regions: BTreeMap<&'static str, Region>,
}

const MESA: &str = "MESA-1";
const VEGA: &str = "VEGA-2";
const POZO: &str = "POZO-3";

impl World {
    /// Records end with `last`.
    async fn of(address: &str, last: NaiveDate) -> Self {
        let store = open_store(address).await.unwrap();
        let made = [
            (station(MESA, 35.0, 1700.0), 2009, 0.0),
            (station(VEGA, 35.2, 1900.0), 2011, 2.0),
            (station(POZO, 35.4, 1500.0), 2021, -1.0),
        ];
        for (station, first, colder_c) in made {
            store.add_station(&station).await.unwrap();
            store.add_versions(&station.id, &versions(first, last, colder_c)).await.unwrap();
        }
        let builtin = Profile::pinyon_needle_scale().id;
        let regions = BTreeMap::from([
            ("mesa", region("mesa", &builtin, &[MESA, VEGA])),
            ("autumn", region("autumn", "autumn", &[MESA])),
            // Borrows.
            ("pozo", region("pozo", &builtin, &[POZO, VEGA])),
        ]);
        store.put_regions(&regions.values().cloned().collect::<Vec<_>>(), morning(day(2020, 1, 1))).await.unwrap();
        let mut profiles = Profiles::default();
        profiles.put(autumn());
        let beside = open_store(address).await.unwrap();
        Self { store, beside, config: Config::default(), profiles, regions }
    }

    fn app(&self, now: DateTime<Utc>) -> App {
        let (clock, templates) = (Arc::new(ManualClock::at(now)), Templates::load(None).unwrap());
        App::with_store(&self.config, clock, self.store.clone(), self.profiles.clone(), templates)
    }

    /// What a process that has just started says of a region, and how many pasts it made.
    async fn asked(&self, region: &str, now: DateTime<Utc>) -> (String, u64) {
        self.asked_of(&self.store, region, now).await
    }

    async fn asked_of(&self, records: &Store, region: &str, now: DateTime<Utc>) -> (String, u64) {
        let app = self.app(now);
        let (mut records, mut seasons) = (RecordCache::new(records.clone()), SeasonCache::default());
        let assessment = assess::look(&app, &mut records, &mut seasons, &self.regions[region], now).await.unwrap();
        (format!("{assessment:?}"), app.skills.pasts_made())
    }

    /// Twice, and as whole records have it; gives how many pasts each of the two made.
    async fn same(&self, region: &str, now: DateTime<Utc>, why: &str) -> [u64; 2] {
        let (whole, none) = self.asked_of(&self.beside, region, now).await;
        assert_eq!(none, 0, "whole records are looked at by themselves");
        let (first, made) = self.asked(region, now).await;
        assert_eq!(first, whole, "{region} at {now}: {why}");
        let (again, made_again) = self.asked(region, now).await;
        assert_eq!(again, whole, "{region} at {now}, again: {why}");
        [made, made_again]
    }

    async fn add(&self, station: &str, version: Version) {
        let added = self.store.add_versions(&station.into(), &[version]).await.unwrap();
        assert_eq!(added.new, 1);
    }
}

fn received(version: Version, at: DateTime<Utc>) -> Version {
    Version { received_at: at, bulk: false, ..version }
}

#[tokio::test]
async fn an_outlook_from_what_is_kept_is_that_from_whole_records_all_through_a_season() {
    at_each_address("outlooks from kept pasts", |address| async move {
        let world = World::of(&address, day(2025, 12, 31)).await;
        let mesa = StationId::from(MESA);
        for back in 0..40 {
            let on = day(2025, 3, 10) - Days::new(back);
            let values = [(Element::Max, 180), (Element::Min, 20)].into_iter().flat_map(|(element, tenths)| {
                (0..4).map(move |ahead| ForecastValue { day: on + Days::new(ahead), element, value: TenthsC(tenths) })
            });
            world.store.add_forecast(&mesa, &values.collect::<Vec<_>>(), morning(on)).await.unwrap();
        }
        // All of it is in the store from the beginning: what is known of it changes by itself, as days go by.
        let mut made = BTreeMap::new();
        for on in [(1, 4), (1, 20), (2, 14), (3, 10), (3, 11), (6, 30), (11, 25), (12, 30)] {
            let now = morning(day(2025, on.0, on.1));
            made.insert(on, world.same("mesa", now, "as days go by").await);
        }
        // At a year's beginning its days still say something of the one before, which is over by the middle of
        // February.
        let wanted = [
            ((1, 4), 2),
            ((1, 20), 1),
            ((2, 14), 1),
            ((3, 10), 0),
            ((3, 11), 0),
            ((6, 30), 0),
            ((11, 25), 0),
            ((12, 30), 0),
        ];
        assert_eq!(made, BTreeMap::from(wanted.map(|(on, made)| (on, [made, 0]))));
        // Back in time.
        assert_eq!(world.same("mesa", morning(day(2025, 2, 20)), "an earlier day").await, [0, 0]);
        world.same("mesa", morning(day(2025, 1, 19)), "before all of it was known").await;
        world.same("mesa", morning(day(2024, 8, 1)), "before anything was pulled").await;
        for now in [day(2024, 10, 20), day(2025, 1, 5), day(2025, 3, 10), day(2025, 3, 11), day(2025, 10, 2)] {
            world.same("autumn", morning(now), "with its biofix in autumn").await;
        }
        for now in [day(2025, 1, 20), day(2025, 3, 10)] {
            world.same("pozo", morning(now), "with a neighbour's years").await;
        }
    })
    .await;
}

#[tokio::test]
async fn what_is_kept_is_made_anew_by_exactly_what_changes_it() {
    at_each_address("kept pasts made anew", |address| async move {
        let mut world = World::of(&address, day(2025, 3, 9)).await;
        let now = morning(day(2025, 3, 11));
        let before = now - chrono::TimeDelta::hours(1);
        assert_eq!(world.same("mesa", now, "").await, [2, 0]);
        let (plain, _) = world.asked("mesa", now).await;

        // The season's own days.
        world.add(MESA, version(day(2025, 3, 10), Element::Max, 171)).await;
        world.add(MESA, received(version(day(2025, 2, 20), Element::Max, 170), before)).await;
        world.add(VEGA, received(version(day(2025, 1, 20), Element::Max, 120), before)).await;
        assert_eq!(world.same("mesa", now, "days of the season").await, [0, 0]);
        assert_ne!(world.asked("mesa", now).await.0, plain);

        // Of the station's own past, whenever its source says that it was received …
        let old = |year, month, of| received(version(day(year, month, of), Element::Max, 133), before);
        for (what, version) in [
            ("years ago", old(2014, 4, 20)),
            ("years ago, as received then", Version { received_at: morning(day(2015, 4, 21)), ..old(2015, 4, 20) }),
            ("the year before, in spring", old(2024, 4, 20)),
            ("the turn of the year", old(2024, 12, 30)),
            ("the first days of this one, which judge the last of the other", old(2025, 2, 10)),
            ("a file that came in before it was a day old", Version { bulk: true, ..old(2016, 6, 2) }),
        ] {
            world.add(MESA, version).await;
            assert_eq!(world.same("mesa", now, what).await, [1, 0], "{what}");
        }
        // … and of a neighbour's, by which its values are judged.
        world.add(VEGA, old(2015, 4, 20)).await;
        assert_eq!(world.same("mesa", now, "a neighbour's past").await, [1, 0]);
        // A region without it asks for none of that.
        assert_eq!(world.same("autumn", now, "").await[1], 0);
        world.add(VEGA, old(2015, 4, 22)).await;
        assert_eq!(world.same("autumn", now, "").await, [0, 0]);
        assert_eq!(world.same("mesa", now, "").await, [1, 0]);

        // A record that was read before what was written since is kept for nobody.
        let app = world.app(now);
        let (mut records, mut seasons) = (RecordCache::new(world.store.clone()), SeasonCache::default());
        records.get(&MESA.into()).await.unwrap();
        world.add(MESA, old(2012, 5, 5)).await;
        assess::look(&app, &mut records, &mut seasons, &world.regions["mesa"], now).await.unwrap();
        assert_eq!(world.same("mesa", now, "a record read before").await, [1, 0]);

        // What is known only later.
        let later = now + chrono::TimeDelta::days(2);
        world.add(MESA, received(version(day(2013, 3, 3), Element::Max, 240), later)).await;
        let young = Version { bulk: true, received_at: later, ..version(day(2024, 12, 29), Element::Min, -150) };
        world.add(MESA, young).await;
        assert_eq!(world.same("mesa", now, "not known yet").await, [1, 0]);
        assert_eq!(world.same("mesa", later, "known now").await, [1, 0]);
        world.same("mesa", now, "back again").await;

        // The station's own facts, and the rules.
        let mut moved = station(MESA, 35.0, 1700.0);
        moved.sources = vec![SourceRef { feed: FeedKind::Acis, id: "other".into() }];
        world.store.change_station(&moved).await.unwrap();
        assert_eq!(world.same("mesa", now, "other sources").await, [1, 0]);
        world.config.weather.bulk_latency_days += 9;
        assert_eq!(world.same("mesa", now, "other rules").await, [2, 0]);
    })
    .await;
}

#[tokio::test]
async fn what_cannot_be_read_is_made_anew_and_a_store_that_keeps_nothing_costs_only_the_work() {
    let folder = tempfile::tempdir().unwrap();
    let world =
        World::of(&format!("sqlite:{}", folder.path().join("treebell.sqlite").display()), day(2025, 3, 9)).await;
    let now = morning(day(2025, 3, 11));
    assert_eq!(world.same("mesa", now, "").await, [2, 0]);
    let execute = async |statement: &'static str| {
        let mut tx = world.store.begin().await.unwrap();
        sqlx::query(statement).execute(tx.conn()).await.unwrap();
        tx.commit().await.unwrap();
    };
    let spoils: [fn(&mut Vec<u8>); 3] =
        [|content| content.truncate(content.len() - 1), |content| content.clear(), |content| content[5000] ^= 0x10];
    for (nth, spoil) in spoils.into_iter().enumerate() {
        let mut tx = world.store.begin().await.unwrap();
        let kept: Vec<(String, Vec<u8>)> =
            sqlx::query_as("SELECT digest, content FROM kept_pasts").fetch_all(tx.conn()).await.unwrap();
        for (digest, mut content) in kept {
            spoil(&mut content);
            let change = sqlx::query("UPDATE kept_pasts SET content = $2 WHERE digest = $1");
            change.bind(digest).bind(content).execute(tx.conn()).await.unwrap();
        }
        tx.commit().await.unwrap();
        assert_eq!(world.same("mesa", now, "what was spoilt").await, [2, 0], "{nth}");
    }
    // Of many the newest stay.
    for (nth, digest) in ["a", "b", "c"].into_iter().enumerate() {
        let later = now + Days::new(nth as u64 + 1);
        world.store.keep_past(&VEGA.into(), "", digest, b"x", later).await.unwrap();
    }
    assert_eq!(world.store.kept_past(&VEGA.into(), "", "a").await.unwrap(), None);
    assert_eq!(world.store.kept_past(&VEGA.into(), "", "b").await.unwrap().as_deref(), Some(&b"x"[..]));
    assert_eq!(world.same("mesa", now, "").await[0], 1);

    execute("CREATE TRIGGER full BEFORE INSERT ON kept_pasts BEGIN SELECT RAISE(FAIL, 'the disk is full'); END").await;
    execute("DELETE FROM kept_pasts").await;
    assert_eq!(world.same("mesa", now, "a full disk").await, [2, 2]);
}

#[tokio::test]
async fn many_regions_looked_at_together_are_as_each_by_itself_and_in_their_order() {
    let folder = tempfile::tempdir().unwrap();
    let world =
        World::of(&format!("sqlite:{}", folder.path().join("treebell.sqlite").display()), day(2025, 3, 9)).await;
    let now = morning(day(2025, 3, 11));
    let lost = region("lost", "nobody-knows", &[MESA]);
    let bare = region("bare", &world.regions["mesa"].profile, &[]);
    let of = |id| world.regions[id].clone();
    let asked = [of("pozo"), lost, of("mesa"), of("autumn"), bare, of("mesa")];
    let moments: Vec<(Region, DateTime<Utc>)> =
        asked.iter().zip([0, 0, 0, 0, 0, 1]).map(|(region, days)| (region.clone(), now + Days::new(days))).collect();
    let app = world.app(now);
    let looked = look_at_all(&app, moments.clone()).await.unwrap();
    assert_eq!(
        looked.iter().map(|(region, _)| &region.id).collect::<Vec<_>>(),
        asked.iter().map(|of| &of.id).collect::<Vec<_>>()
    );
    for ((region, looked), (_, now)) in looked.into_iter().zip(moments) {
        match looked {
            Ok(assessment) => {
                let (alone, _) = world.asked_of(&world.beside, region.id.as_str(), now).await;
                assert_eq!(format!("{assessment:?}"), alone, "{}", region.id);
            }
            Err(why) => {
                let wanted = if region.id.as_str() == "lost" { "`nobody-knows` is not known" } else { "no station" };
                assert!(why.to_string().contains(wanted), "{why}");
            }
        }
    }
}

/// Real stations: their gaps, flags and odd values, with the record cut as it stood on a morning.
#[tokio::test]
async fn outlooks_of_real_records_are_the_same_with_and_without_what_is_kept() {
    let Some(records) = crate::records::real_records("outlooks of real records from what is kept") else { return };
    let folder = tempfile::tempdir().unwrap();
    let address = format!("sqlite:{}", folder.path().join("treebell.sqlite").display());
    let mut world = World::of(&address, day(2010, 1, 1)).await;
    let ids = ["USC00290692", "USC00291664", "USW00023009"];
    for id in ids {
        let (station, versions) = crate::records::Real::versions_since(&records, id, None, 1998, |_| {});
        world.store.add_station(&station).await.unwrap();
        world.store.add_versions(&station.id, &versions).await.unwrap();
    }
    let builtin = Profile::pinyon_needle_scale().id;
    world.regions.insert("real", region("real", &builtin, &ids[..2]));
    world.regions.insert("other", region("other", "autumn", &ids[2..]));
    world.regions.insert("pozo", region("pozo", &builtin, &ids[1..2]));
    for (now, kept) in
        [(day(2018, 2, 20), false), (day(2018, 2, 21), true), (day(2018, 5, 1), true), (day(2018, 11, 3), false)]
    {
        let now = morning(now);
        let [made, again] = world.same("real", now, "real records").await;
        assert_eq!((made == 0, again), (kept, 0), "{now}: {made}");
        world.same("other", now, "real records").await;
        world.same("pozo", now, "real records").await;
    }
}
