//! Skill is worked out once, found again by other processes, and worked out anew by exactly what changes it.

use treebell::assessment::past::{Asked, OwnPast};
use treebell::season::outlook::ForecastSkill;
use treebell::weather::record::Known;

use super::*;
use crate::engines::on_each_engine;

/// What a process that has just been started says of a region's station, and how often it had to work it out.
async fn asked_anew(world: &World, region: &Region) -> (Arc<ForecastSkill>, u64) {
    let app = App { skills: Arc::default(), ..world.app.clone() };
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let profile = app.profiles.get(&region.profile).unwrap();
    let now = morning(day(2023, 1, 20));
    let model = seasons.get(&app, &mut records, region, &profile, 2023, now).await.unwrap();
    (Arc::clone(model.skill()), app.skills.times_made())
}

fn value(day: NaiveDate, celsius: f64, received: NaiveDate) -> Version {
    Version {
        day,
        element: Element::Max,
        value: TenthsC::from_c(celsius),
        feed: FeedKind::PlainCsv,
        day_reported: day,
        sampled: false,
        rejected: None,
        received_at: morning(received),
        bulk: true,
    }
}

#[tokio::test]
async fn skill_is_kept_and_worked_out_anew_by_exactly_what_changes_it() {
    let world = World::of(&[own(2002), neighbour()]).await;
    let (low, store) = (world.region.clone(), &world.app.store);
    let high = Region { id: "alto".into(), stations: vec!["HIGH-2".into()], ..low.clone() };
    let (fresh, made) = asked_anew(&world, &low).await;
    assert!(fresh.seasons >= 20 && made == 1, "{made}");
    let (kept, made) = asked_anew(&world, &low).await;
    assert_eq!((&kept, made), (&fresh, 0), "found again, and the same to the last digit");
    let (of_high, made) = asked_anew(&world, &high).await;
    assert_eq!(made, 1);

    // A day of the season under way changes no past one.
    store.add_versions(&OWN.into(), &[value(day(2023, 1, 18), 5.0, day(2023, 1, 19))]).await.unwrap();
    assert_eq!(asked_anew(&world, &low).await, (Arc::clone(&fresh), 0));
    // A value of a past one changes its own station and no other.
    store.add_versions(&OWN.into(), &[value(day(2010, 2, 3), 6.3, day(2023, 1, 19))]).await.unwrap();
    assert_eq!(asked_anew(&world, &low).await.1, 1);
    assert_eq!(asked_anew(&world, &low).await.1, 0);
    assert_eq!(asked_anew(&world, &high).await, (of_high, 0));
}

#[tokio::test]
async fn kept_skill_that_cannot_be_read_is_worked_out_anew() {
    let world = World::of(&[own(2002)]).await;
    let (region, store) = (&world.region, &world.app.store);
    let (fresh, _) = asked_anew(&world, region).await;
    let profile = world.app.profiles.get(&region.profile).unwrap();
    let history = RecordCache::new(store.clone()).get(&OWN.into()).await.unwrap();
    let rules = &world.app.config.weather;
    let known = Known::At { instant: morning(day(2023, 1, 20)), bulk_latency_days: rules.bulk_latency_days };
    let digest = OwnPast::of(&history, &Asked { profile: &profile, season: 2023, rules, known }).skill_digest(&profile);
    let digest = digest.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    let whole = store.kept_skill(&OWN.into(), &digest).await.unwrap().expect("kept under this digest");
    for spoilt in [&b""[..], b"\x02", &whole[..whole.len() - 1]] {
        store.keep_skill(&OWN.into(), &digest, spoilt, morning(day(2023, 1, 21))).await.unwrap();
        assert_eq!(asked_anew(&world, region).await, (Arc::clone(&fresh), 1));
        assert_eq!(asked_anew(&world, region).await, (Arc::clone(&fresh), 0), "and kept again");
    }
    // Of many digests the newest stay.
    for at in 0..20 {
        let later = morning(day(2023, 2, 1) + Days::new(at));
        store.keep_skill(&OWN.into(), &format!("{at:064}"), b"x", later).await.unwrap();
    }
    assert_eq!(store.kept_skill(&OWN.into(), &digest).await.unwrap(), None);
    assert!(store.kept_skill(&OWN.into(), &format!("{:064}", 19)).await.unwrap().is_some());
}

#[tokio::test]
async fn both_engines_keep_skill_and_give_records_back_as_they_were_written() {
    on_each_engine("kept skill and records read whole", |store| async move {
        let station = Station {
            id: OWN.into(),
            name: "Invented".into(),
            place: Point { latitude: 35.0, longitude: -135.0 },
            elevation_m: 1700.0,
            time_zone: chrono_tz::America::Denver,
            observation_hour: None,
            sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: "invented".into() }],
        };
        store.add_station(&station).await.unwrap();
        let plain = value(day(1931, 2, 28), -12.3, day(2022, 9, 1));
        let on = |year| Version { day: day(year, 3, 1), day_reported: day(year, 3, 1), ..plain.clone() };
        let wanted = vec![
            plain.clone(),
            Version { day_reported: day(1969, 3, 2), element: Element::Min, sampled: true, ..on(1969) },
            Version { feed: FeedKind::GhcnDaily, received_at: morning(day(2022, 9, 2)), bulk: false, ..on(1970) },
            Version { rejected: Some("quality flag I, \"far\" off; so".into()), ..on(1971) },
            // What no source gives comes back too.
            Version { value: TenthsC(40_000), ..on(1972) },
            Version { day_reported: day(1973, 5, 30), ..on(1973) },
            Version { value: TenthsC(-32_768), day_reported: day(1974, 2, 13), ..on(1974) },
        ];
        store.add_versions(&station.id, &wanted).await.unwrap();
        assert_eq!(store.record(&station.id).await.unwrap().versions, wanted);
        assert_eq!(store.record_since(&station.id, day(1972, 1, 1)).await.unwrap().versions, wanted[4..]);
        assert!(store.record(&"NONE".into()).await.unwrap().versions.is_empty());

        let bytes: Vec<u8> = (0..=255).collect();
        store.keep_skill(&station.id, "a", &bytes, morning(day(2022, 9, 1))).await.unwrap();
        store.keep_skill(&station.id, "b", b"", morning(day(2022, 9, 2))).await.unwrap();
        assert_eq!(store.kept_skill(&station.id, "a").await.unwrap(), Some(bytes));
        assert_eq!(store.kept_skill(&station.id, "b").await.unwrap(), Some(Vec::new()));
        assert_eq!(store.kept_skill(&"NONE".into(), "a").await.unwrap(), None);
    })
    .await;
}
