//! Skill is worked out once, found again by other processes, and worked out anew by exactly what changes it.

use treebell::assessment::past::{Asked, OwnPast};
use treebell::season::outlook::ForecastSkill;
use treebell::weather::record::Known;

use super::*;

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
