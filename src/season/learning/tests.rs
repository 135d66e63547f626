use super::*;
use crate::heat::belief::Sums;
use crate::season::adopt::adopted;

const LAYING: &str = "egg-laying-begins";

/// A confirmed report of staff at a tree of its own: `seen` names a stage, else nothing was there on a tree with the insect.
fn report(id: &str, region: &str, heat: f64, seen: Option<&str>) -> HeatedReport {
    let report = FieldReport {
        id: id.into(),
        region: region.into(),
        observed_on: "2025-03-10".parse().unwrap(),
        stage: seen.map(StageId::from),
        not_yet: seen.is_none().then(|| LAYING.into()),
        infested: Some(true),
        tree: None,
        observer: Observer::Staff,
        person: None,
        nothing_on: None,
        confirmed: true,
    };
    HeatedReport { report, season: 2025, heat, nothing_heat: None }
}

fn learned(reports: &[HeatedReport]) -> Learned {
    Learned::from(&Profile::pinyon_needle_scale(), 2025, reports, &Detection::default())
}

/// What is believed of egg laying at a region without reports.
fn elsewhere(learned: &Learned) -> Sums {
    learned.stage(0).expect("the profile says how sure it is").posterior.of_place(2025, "high")
}

fn width(sums: &Sums) -> f64 {
    sums.quantile(0.9) - sums.quantile(0.1)
}

#[test]
fn early_sightings_move_another_region_earlier_and_narrow_it_and_zeros_move_it_later() {
    let nothing = elsewhere(&learned(&[]));
    let mut seen = report("a", "low", 150.0, Some(LAYING));
    seen.nothing_heat = Some(130.0);
    let mut again = report("b", "lower", 160.0, Some(LAYING));
    again.nothing_heat = Some(140.0);
    let early = elsewhere(&learned(&[seen, again]));
    assert!(early.median() < nothing.median() - 20.0, "{} {}", early.median(), nothing.median());
    assert!(width(&early) < 0.9 * width(&nothing), "{} {}", width(&early), width(&nothing));
    let zeros: Vec<HeatedReport> = ["a", "b", "c"].map(|id| report(id, "low", 240.0, None)).to_vec();
    let late = elsewhere(&learned(&zeros));
    assert!(late.median() > nothing.median() + 10.0, "{} {}", late.median(), nothing.median());
    // A look that misses more says less.
    let owners: Vec<HeatedReport> = zeros
        .iter()
        .map(|zero| HeatedReport {
            report: FieldReport { observer: Observer::Owner, ..zero.report.clone() },
            ..zero.clone()
        })
        .collect();
    let less = elsewhere(&learned(&owners)).median();
    assert!(nothing.median() < less && less < late.median(), "{less}");
}

#[test]
fn the_order_of_reports_does_not_matter_to_the_bit() {
    let reports: Vec<HeatedReport> = [("a", 150.0), ("b", 190.0), ("c", 260.0)]
        .into_iter()
        .flat_map(|(region, heat)| {
            [
                report(&format!("{region}1"), region, heat, Some(LAYING)),
                report(&format!("{region}0"), region, heat - 30.0, None),
            ]
        })
        .collect();
    let profile = Profile::pinyon_needle_scale();
    let belief = |reports: &[HeatedReport]| learned(reports).of_region(&profile, &"high".into());
    let told = belief(&reports);
    for turn in 1..reports.len() {
        let mut turned = reports.clone();
        turned.rotate_left(turn);
        turned.swap(0, 2);
        assert_eq!(belief(&turned), told);
    }
}

#[test]
fn what_teaches_nothing_changes_nothing_and_says_why() {
    let profile = Profile { learned_through: Some(2023), ..Profile::pinyon_needle_scale() };
    let prior = Learned::prior(&profile, 2025).of_region(&profile, &"high".into());
    let with = |change: &dyn Fn(&mut HeatedReport)| {
        let mut one = report("a", "low", 150.0, Some(LAYING));
        change(&mut one);
        one
    };
    let zero = |change: &dyn Fn(&mut HeatedReport)| {
        let mut one = report("a", "low", 260.0, None);
        change(&mut one);
        one
    };
    for (idle, why) in [
        (with(&|of| of.report.confirmed = false), Untaught::Unconfirmed),
        (with(&|of| of.season = 2023), Untaught::InNumbers),
        (zero(&|of| of.report.infested = None), Untaught::NotInfested),
        (zero(&|of| of.report.infested = Some(false)), Untaught::NotInfested),
        (zero(&|of| of.report.not_yet = None), Untaught::NoStage),
        (with(&|of| of.report.stage = Some("locusts".into())), Untaught::NoStage),
    ] {
        let learned = Learned::from(&profile, 2025, std::slice::from_ref(&idle), &Detection::default());
        assert_eq!(learned.untaught(&profile, &idle), Some(why), "{idle:?}");
        assert_eq!(learned.of_region(&profile, &"high".into()), prior, "{why:?}");
    }
    // Of later seasons nobody knew.
    let later = with(&|of| of.season = 2026);
    assert_eq!(
        Learned::from(&profile, 2025, &[later], &Detection::default()).of_region(&profile, &"high".into()),
        prior
    );
    let good = with(&|_| {});
    let learned = Learned::from(&profile, 2025, std::slice::from_ref(&good), &Detection::default());
    assert_eq!(learned.untaught(&profile, &good), None);
    assert_ne!(learned.of_region(&profile, &"high".into()), prior);
}

#[test]
fn one_person_counts_once_a_season_and_stage() {
    let of = |id: &str, heat: f64, seen: Option<&str>| {
        let mut one = report(id, "low", heat, seen);
        one.report.person = Some("p".into());
        one
    };
    let profile = Profile::pinyon_needle_scale();
    let all =
        [of("z1", 180.0, None), of("z2", 200.0, None), of("s1", 230.0, Some(LAYING)), of("s2", 250.0, Some(LAYING))];
    let belief = |reports: &[HeatedReport]| learned(reports).of_region(&profile, &"low".into());
    let [_, last_zero, first_sight, _] = all.clone();
    assert_eq!(belief(&all), belief(&[last_zero, first_sight]));
    assert_eq!(learned(&all).untaught(&profile, &all[0]), Some(Untaught::SamePerson));
    assert_eq!(learned(&all).places(), Places { sightings: 1, zeros: 0 });
    let trees = [report("t1", "low", 180.0, None), report("t2", "low", 230.0, Some(LAYING))];
    assert_eq!(learned(&trees).places(), Places { sightings: 1, zeros: 1 });
}

#[test]
fn crawlers_show_that_eggs_were_laid_and_the_look_before_denies_only_crawlers() {
    let mut crawlers = report("a", "low", 480.0, Some("eggs-hatch"));
    crawlers.nothing_heat = Some(430.0);
    let learned = learned(&[crawlers]);
    let looks = |rank: usize| {
        let looks = learned.stage(rank).expect("learned").looks.iter().flat_map(|of| &of.places);
        looks.flat_map(|place| &place.looks).map(|look| (look.heat(), look.seen())).collect::<Vec<_>>()
    };
    let mut hatch = looks(2);
    hatch.sort_by(|a, b| a.0.total_cmp(&b.0));
    assert_eq!(hatch, [(430.0, false), (480.0, true)]);
    assert_eq!(looks(0), [(480.0, true)]);
}

#[test]
fn what_was_adopted_is_believed_and_its_reports_are_not_counted_again() {
    let profile = Profile::pinyon_needle_scale();
    let mut seen = report("a", "low", 160.0, Some(LAYING));
    seen.nothing_heat = Some(140.0);
    let reports = [seen, report("b", "lower", 170.0, Some(LAYING)), report("c", "low", 130.0, None)];
    let before = learned(&reports);
    let made = adopted(&profile, &before, 2).expect("there were reports");
    assert_eq!((made.profile.version, made.profile.learned_through), (2, Some(2025)));
    assert_eq!(made.changes.len(), 1, "nothing was seen of the hatch");
    assert_eq!(Profile::parse(&made.profile.to_toml()).as_ref(), Ok(&made.profile));
    assert!(made.profile.provisional);
    let (old, new) = (&profile.stages[0], &made.profile.stages[0]);
    let (old, spread) = (old.spread.as_ref().unwrap(), new.spread.as_ref().unwrap());
    assert_eq!((spread.places_c, spread.years_c), (old.places_c, old.years_c));
    assert!(
        new.origin.contains("3 field reports of season 2025 on version 1 (214 °C·day, belief 43)"),
        "{}",
        new.origin
    );

    let believed = before.stage(0).expect("learned").posterior.belief().clone();
    let again = Learned::from(&made.profile, 2026, &reports, &Detection::default());
    let carried = again.stage(0).expect("learned").posterior.belief().clone();
    assert!((carried.mean() - believed.mean()).abs() <= 0.005, "{} {}", carried.mean(), believed.mean());
    assert!((carried.sd() - believed.sd()).abs() <= 0.005, "{} {}", carried.sd(), believed.sd());
    assert!(again.teachers(|_| true).is_empty());
    assert_eq!(adopted(&made.profile, &again, 3), None, "nothing new to adopt");
}
