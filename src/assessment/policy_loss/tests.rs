use std::sync::OnceLock;

use chrono::Datelike;

use super::candidates::AS_SET;
use super::*;
use crate::heat::DayTemperatures;
use crate::heat::hindcast::event;
use crate::heat::projection::PastSeason;
use crate::randomness::Randomness;
use crate::season::outlook::heat_sum_of;

/// An invented season: a cold start, a warm end, and weather that differs from year to year without chance.
fn invented(season: i32) -> PastSeason {
    let first = NaiveDate::from_ymd_opt(season, 1, 1).unwrap();
    let of_day = |day: NaiveDate| {
        let (t, year) = (f64::from(day.ordinal()), f64::from(season));
        let mean = -1.0 + 0.12 * t.min(220.0) + 3.0 * (0.21 * t + 1.7 * year).sin();
        DayTemperatures { min_c: mean - 7.0, max_c: mean + 8.0 }
    };
    PastSeason { season, first, days: first.iter_days().take(366).map(of_day).collect() }
}

fn station() -> PastSeasons {
    let profile = Profile::pinyon_needle_scale();
    let past: Vec<PastSeason> = (2001..=2008).map(invented).collect();
    let projector = Projector::new(profile.heat, 366, &past);
    let target = heat_sum_of(&profile, &profile.window.opens).unwrap();
    let opened = |season| (season, event(&projector, season, target).unwrap().1);
    let lived = vec![opened(2004), opened(2007)];
    PastSeasons { station: "invented".into(), projector, dressings: BTreeMap::new(), lived }
}

fn chances(seed: u64, seasons: usize, truths: usize) -> Vec<Vec<Chances>> {
    let random = Randomness::seeded(seed);
    let mut next = || random.between(0.0, 1.0);
    (0..seasons).map(|_| Chances::of_season(truths, &mut next)).collect()
}

fn setting(believed: f64, true_spread: f64) -> Setting {
    Setting { name: "invented", believed, true_spread, variants: true }
}

fn play(seed: u64) -> Vec<SettingLoss> {
    let policy = Policy::default();
    let later = Policy { wash_days: 16, rake_days: 0, ..policy.clone() };
    let mut candidates: Vec<Candidate> = candidates(&policy).into_iter().take(2).collect();
    candidates.push(Candidate { name: "the same".into(), rules: Rules::Policy(policy.clone()) });
    candidates.push(Candidate { name: "later".into(), rules: Rules::Policy(later) });
    let settings = [setting(0.01, 0.01), setting(1.0, 1.0)];
    let game = Game::new(&Profile::pinyon_needle_scale(), &policy, candidates, &settings).unwrap();
    let station = station();
    let chances = chances(seed, station.seasons(), 12);
    let seasons: Vec<Vec<Tally>> =
        chances.iter().enumerate().map(|(at, chances)| game.season(&station, at, chances)).collect();
    game.losses(&seasons)
}

/// Played once for all tests, since it takes its time: near certainty, then the shipped belief.
fn played() -> &'static [SettingLoss] {
    static PLAYED: OnceLock<Vec<SettingLoss>> = OnceLock::new();
    PLAYED.get_or_init(|| play(7))
}

fn row(setting: usize, name: &str) -> &'static RuleLoss {
    played()[setting].rules.iter().find(|row| row.rules == name).unwrap()
}

#[test]
fn who_acts_once_takes_nearly_all_where_nothing_is_in_doubt_and_less_where_much_is() {
    let (sure, unsure) = (row(0, AS_SET), row(1, AS_SET));
    assert_eq!((sure.seasons, sure.cases), (2, 24));
    assert!(sure.once.mean > 0.95 && sure.once.tenth > 0.85, "{sure:?}");
    assert!(unsure.once.mean < sure.once.mean - 0.03, "{unsure:?}");
    assert!(unsure.once.tenth < sure.once.tenth && unsure.late >= sure.late);
    // A second wash takes what was laid since.
    for row in [sure, unsure] {
        assert!(row.twice.mean >= row.once.mean - 1e-9, "{row:?}");
    }
}

#[test]
fn the_rules_before_leave_more_to_who_acts_once_and_less_to_nobody_who_joins_late() {
    for setting in [0, 1] {
        let (before, now) = (row(setting, "before"), row(setting, AS_SET));
        assert!(now.once.mean > 1.5 * before.once.mean, "{before:?} {now:?}");
        assert!(now.joins_late.mean > 0.5, "{now:?}");
        assert!(before.messages <= 3.0 && now.messages > 3.0, "{before:?} {now:?}");
        // Its word to wash comes at the crossing, long before its deadline.
        let gap = |row: &RuleLoss| row.wash_to_deadline.unwrap().median;
        assert!(gap(before) > gap(now), "{before:?} {now:?}");
    }
}

#[test]
fn a_later_deadline_is_late_more_often_and_loses_fewer_days_after_it() {
    let (as_set, later) = (row(1, AS_SET), row(1, "later"));
    assert!(later.late > as_set.late, "{as_set:?} {later:?}");
    assert!(later.lost_after < as_set.lost_after, "{as_set:?} {later:?}");
    assert_eq!(later.lost_before, as_set.lost_before, "the word to wash does not hang on it");
}

#[test]
fn candidates_meet_the_same_truths_and_a_seed_gives_its_table_again() {
    for losses in played() {
        let (as_set, same) = (&losses.rules[1], &losses.rules[2]);
        assert_eq!(*as_set, RuleLoss { rules: as_set.rules.clone(), ..same.clone() });
    }
    assert_eq!(played(), play(7));
    let (one, other) = (chances(7, 2, 12), chances(8, 2, 12));
    assert_eq!(one, chances(7, 2, 12));
    assert_ne!(one, other);
}

#[test]
fn truths_are_spread_evenly_over_the_belief() {
    let truths: Vec<Truth> = (0..55).map(|k| Truth { laying: f64::from(k), hatch: 0.0 }).collect();
    for of_season in chances(7, 20, 11) {
        let mut drawn: Vec<f64> = of_season.iter().filter_map(|one| one.pick(&truths)).map(|one| one.laying).collect();
        drawn.sort_by(f64::total_cmp);
        assert_eq!(drawn.len(), 11);
        assert!(drawn.windows(2).all(|pair| (pair[1] - pair[0] - 5.0).abs() <= 1.0), "{drawn:?}");
    }
}

fn day(text: &str) -> NaiveDate {
    format!("2026-{text}").parse().unwrap()
}

/// Ten °C·day on every day from 1 January: laid from 200 to 300, 20 to 30 January; hatched from 450, 14 February, on.
fn tree<'a>(eggs: &'a Eggs, sums: &'a [f64]) -> Tree<'a> {
    Tree { eggs, truth: Truth { laying: 200.0, hatch: 450.0 }, first: day("01-01"), sums }
}

fn even() -> (Eggs, Vec<f64>) {
    (Profile::pinyon_needle_scale().eggs.unwrap(), (1..=120).map(|day| f64::from(day) * 10.0).collect())
}

#[test]
fn a_wash_takes_what_is_laid_and_not_hatched_and_a_second_one_what_came_since() {
    let (eggs, sums) = even();
    let tree = tree(&eggs, &sums);
    let taken = |washes: &[&str]| tree.taken(&washes.iter().map(|text| day(text)).collect::<Vec<_>>());
    assert_eq!((taken(&["01-20"]), taken(&["01-25"]), taken(&["01-30"]), taken(&["02-14"])), (0.0, 0.5, 1.0, 1.0));
    assert_eq!((taken(&["02-19"]), taken(&["02-24"]), taken(&[])), (0.5, 0.0, 0.0));
    assert_eq!((taken(&["01-25", "01-30"]), taken(&["01-25", "01-25"])), (1.0, 0.5));
    // The first half was taken, the first 70 % have hatched.
    assert!((taken(&["01-25", "02-21"]) - 0.8).abs() < 1e-9);
    assert_eq!((tree.laying(), tree.hatch()), (Some(day("01-20")), Some(day("02-14"))));
    assert_eq!(tree.days_with(1.0).map(|day| day.ordinal()).collect::<Vec<_>>(), (30..=45).collect::<Vec<_>>());
}

#[test]
fn owners_do_what_they_are_told_and_not_after_the_deadline_that_they_know() {
    let (eggs, sums) = even();
    let tree = tree(&eggs, &sums);
    let course = Course {
        look: Some(day("01-10")),
        wash: Some(day("01-27")),
        last: Some(day("02-01")),
        told: vec![(day("01-27"), day("02-10")), (day("02-01"), day("02-04"))],
        ..Course::default()
    };
    let late = Chances { truth: 0.0, first_wash: 0.999, second_wash: 0.999, look: 0.0 };
    let soon = Chances { first_wash: 0.0, second_wash: 0.0, ..late };
    let washes = |owner: Owner, chances| owner.acts(&course, &tree, chances).washes;
    assert_eq!(washes(Owner::Once, &soon), [day("01-27")]);
    assert_eq!(washes(Owner::Once, &late), [day("02-03")]);
    // A week after would be the eighth; the deadline is the fourth by then.
    assert_eq!(washes(Owner::Twice, &late), [day("02-03"), day("02-04")]);
    assert_eq!(washes(Owner::LastDays, &soon), [day("02-01")]);
    // Half-way to the deadline as told on the day.
    assert_eq!(washes(Owner::JoinsLate, &soon), [day("02-03")]);
    // Looks on 10, 13, 17 and 20 January; on the 24th four tenths are laid, on the 27th seven.
    let looked = Owner::Looks.acts(&course, &tree, &late);
    assert_eq!((looked.washes, looked.looks_too_early), (vec![day("01-27"), day("02-04")], 3));
    assert!(Owner::Looks.acts(&Course::default(), &tree, &late).washes.is_empty());
}

#[test]
fn who_joins_late_heard_nothing_before_the_next_notice_by_the_rules_before() {
    let (eggs, sums) = even();
    let tree = tree(&eggs, &sums);
    let mut course = Course {
        look: Some(day("01-22")),
        look_is_wash: true,
        last: Some(day("02-12")),
        told: vec![(day("01-22"), day("02-15")), (day("02-12"), day("02-18"))],
        ..Course::default()
    };
    let soon = Chances { truth: 0.0, first_wash: 0.0, second_wash: 0.0, look: 0.0 };
    assert_eq!(Owner::JoinsLate.acts(&course, &tree, &soon).washes, [day("02-12")]);
    assert_eq!(Owner::Once.acts(&course, &tree, &soon).washes, [day("01-22")]);
    course.last = Some(day("01-28"));
    assert!(Owner::JoinsLate.acts(&course, &tree, &soon).washes.is_empty());
}

#[test]
fn variants_change_one_number_each_and_none_is_the_policy_itself() {
    let policy = Policy::default();
    let all = candidates(&policy);
    let played = all.iter().filter(|one| one.rules == Rules::Policy(policy.clone())).count();
    assert_eq!((all[0].rules.clone(), all[1].name.as_str(), played), (Rules::Before, AS_SET, 1));
    let set_otherwise = Policy { get_ready_days: 28, ..policy };
    let names: Vec<String> = candidates(&set_otherwise).into_iter().map(|one| one.name).collect();
    assert!(!names.contains(&"ready 28 days ahead".to_owned()) && names.contains(&"look at 0.3".to_owned()));
}

#[test]
fn a_profile_that_leaves_nothing_to_draw_or_to_take_is_told_what_it_lacks() {
    let policy = Policy::default();
    let made = |profile: &Profile| Game::new(profile, &policy, candidates(&policy), &SETTINGS).map(|_| ());
    let shipped = Profile::pinyon_needle_scale();
    assert_eq!(made(&shipped), Ok(()));
    let mut profile = shipped.clone();
    profile.eggs = None;
    assert_eq!(made(&profile), Err(PolicyLossError::NoEggs(profile.id.clone())));
    let mut profile = shipped.clone();
    profile.stages.iter_mut().for_each(|stage| stage.spread = None);
    assert_eq!(made(&profile), Err(PolicyLossError::NoSpread(profile.id.clone())));
    let mut profile = shipped;
    profile.stages[0].need = Need::Days(60);
    assert_eq!(made(&profile), Err(PolicyLossError::NoHeatSum(profile.id)));
}
