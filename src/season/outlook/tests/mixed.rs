//! Futures of the weather mixed with a belief, worked out by hand: a few futures times a few values.

use super::*;
use crate::season::belief::DRAWS;
use crate::season::profile::Need;

/// Five equally likely values of one stage, eleven draws each.
fn five(stage: usize, values: [f64; 5]) -> SeasonBelief {
    let draws = values.iter().flat_map(|value| [*value; DRAWS / 5]).collect();
    let mut by_stage = vec![None; 4];
    by_stage[stage] = Some(draws);
    SeasonBelief::of(&profile(), by_stage)
}

/// Egg laying at 10, 20, 30, 40 or 50 °C·day instead of 30.
fn unsure(runs: &str, futures: &[f64]) -> Case {
    Case { belief: five(0, [10.0, 20.0, 30.0, 40.0, 50.0]), ..Case::of(2019, runs, futures) }
}

fn stage<'a>(outlook: &'a Outlook, id: &str) -> &'a StageOutlook {
    outlook.stage(&id.into()).expect("known")
}

#[test]
fn two_futures_and_five_values_are_ten_equally_likely_dates() {
    // At 1 a day: days 10 20 30 40 50 of the year; at 2 a day: 5 10 15 20 25.
    let outlook = unsure("", &[1.0, 2.0]).outlook("2019-01-01");
    let laying = stage(&outlook, "egg-laying-begins");
    assert_eq!((laying.dates.len(), laying.not_reached), (200, 0));
    assert_eq!(texts(laying.spread), "01-10 01-20 02-09");
    let tenths: Vec<f64> = [4, 5, 9, 10, 15, 19, 20, 25, 30, 39, 40, 50]
        .iter()
        .map(|of_year| laying.chance_by(days_after(day("2018-12-31"), *of_year)) * 10.0)
        .collect();
    assert_eq!(tenths, [0.0, 1.0, 1.0, 3.0, 4.0, 4.0, 6.0, 7.0, 8.0, 8.0, 9.0, 10.0]);
    assert_eq!(laying.day_of_chance(0.4), Some(day("2019-01-15")));
    assert_eq!(laying.day_of_chance(0.45), Some(day("2019-01-20")));
    // At our number, 30, the weather leaves days 15 to 30 open; the median dates of the five values run from day 5 to 25.
    assert_eq!(laying.parts, Some(StageParts { weather_days: 15, insect_days: 20 }));
    assert_eq!(laying.at_sum, Some(30.0));
}

#[test]
fn a_later_stage_counts_from_the_draws_own_one_before() {
    // 50 more after 10 to 50, at 2 a day: days 30 35 40 45 50.
    let hatch = |outlook: &Outlook| texts(stage(outlook, "eggs-hatch").spread);
    let outlook = unsure("", &[2.0]).outlook("2019-01-01");
    assert_eq!(hatch(&outlook), "01-30 02-09 02-19");
    // Doubt of the later stage alone leaves the one before as it is.
    let case = Case { belief: five(2, [30.0, 40.0, 50.0, 60.0, 70.0]), ..Case::of(2019, "", &[2.0]) };
    let outlook = case.outlook("2019-01-01");
    assert_eq!(hatch(&outlook), "01-30 02-09 02-19");
    assert_eq!(texts(stage(&outlook, "egg-laying-begins").spread), "01-15 01-15 01-15");
    assert_eq!(stage(&outlook, "egg-laying-begins").parts, Some(StageParts { weather_days: 0, insect_days: 0 }));
    // Both: the extremes lie twice as far apart.
    let values = |values: [f64; 5]| Some(values.iter().flat_map(|value| [*value; DRAWS / 5]).collect::<Vec<f64>>());
    let both = vec![values([10.0, 20.0, 30.0, 40.0, 50.0]), None, values([30.0, 40.0, 50.0, 60.0, 70.0]), None];
    let case = Case { belief: SeasonBelief::of(&profile(), both), ..Case::of(2019, "", &[2.0]) };
    let both = case.outlook("2019-01-01");
    let dates = &stage(&both, "eggs-hatch").dates;
    assert_eq!((dates.first(), dates.last()), (Some(&day("2019-01-20")), Some(&day("2019-03-01"))));
}

#[test]
fn futures_that_do_not_get_there_count_with_every_value() {
    let outlook = unsure("", &[2.0, 0.1]).outlook("2019-01-01");
    let laying = stage(&outlook, "egg-laying-begins");
    // At 0.1 a day the year ends at 36.5: three of five values are reached.
    assert_eq!((laying.dates.len(), laying.not_reached), (160, 40));
    assert_eq!(texts(laying.spread), "01-10 01-25 -");
}

#[test]
fn the_doubt_stays_when_our_number_has_been_reached_and_what_is_past_is_certain() {
    // 34 by 3 February: 10, 20 and 30 are reached, 40 and 50 lie ahead, on 6 and 11 February.
    let outlook = unsure("34*1", &[2.0]).outlook("2019-02-04");
    let laying = stage(&outlook, "egg-laying-begins");
    let reached = Reached { on: day("2019-01-30"), on_real_days: true, by: ReachedBy::Model };
    assert_eq!(laying.reached, Some(reached));
    assert!(!laying.seen());
    assert_eq!(laying.chance_by(day("2019-02-04")), 0.6);
    assert_eq!((laying.chance_by(day("2019-02-06")), laying.chance_by(day("2019-02-11"))), (0.8, 1.0));
    assert_eq!(outlook.current_stage, Some("egg-laying-begins".into()));
    assert_eq!(laying.past, None);
}

#[test]
fn errors_of_the_projection_are_laid_over_days_to_come_only() {
    let mut case = unsure("12*1", &[1.0]);
    case.ensemble.dressing = Dressing(BTreeMap::from([(5, vec![-2.0, 0.0, 2.0]), (60, vec![-2.0, 0.0, 2.0])]));
    let outlook = case.outlook("2019-01-13");
    let laying = stage(&outlook, "egg-laying-begins");
    assert_eq!((laying.dates.len(), laying.not_reached), (200, 0));
    let on = |text: &str| laying.dates.iter().filter(|date| **date == day(text)).count();
    assert_eq!(on("2019-01-10"), 40, "a fifth of the values was reached on the 10th, and that is known");
    // Another fifth on the 20th give or take two days: nine evenly spaced errors, rounded, are two of each and one of 0.
    let spread = ["2019-01-18", "2019-01-19", "2019-01-20", "2019-01-21", "2019-01-22"].map(on);
    assert_eq!(spread.iter().sum::<usize>(), 40);
    assert!(spread.iter().all(|dates| (4..=9).contains(dates)) && spread[2] <= 5, "{spread:?}");
}

#[test]
fn a_belief_without_doubt_gives_the_dates_of_the_number() {
    for (runs, futures) in [("", vec![1.0, 2.0, 3.0, 4.0]), ("12*1", vec![0.5, 1.0]), ("20*1", vec![0.0, 2.0])] {
        let certain = Case::of(2019, runs, &futures);
        let values = [(0, 30.0), (1, 20.0), (2, 50.0)].map(|(_, need)| Some(vec![need; DRAWS]));
        let believed = Case {
            belief: SeasonBelief::of(&profile(), values.into_iter().chain([None]).collect()),
            ..Case::of(2019, runs, &futures)
        };
        let (certain, believed) = (certain.outlook("2019-01-21"), believed.outlook("2019-01-21"));
        for (certain, believed) in certain.stages.iter().zip(&believed.stages) {
            assert_eq!((certain.spread, certain.reached), (believed.spread, believed.reached), "{}", certain.stage);
            for on in day("2019-01-01").iter_days().take(365) {
                assert_eq!(certain.chance_by(on), believed.chance_by(on), "{} {on}", certain.stage);
            }
        }
        // To the rounding of a thousandth.
        let (certain, believed) = (certain.wash.expect("a curve"), believed.wash.expect("a curve"));
        assert_eq!((certain.first, certain.one.len()), (believed.first, believed.one.len()));
        assert!(certain.one.iter().zip(&believed.one).all(|(a, b)| (a - b).abs() < 0.0011));
    }
}

#[test]
fn a_profile_that_says_nothing_of_its_doubt_has_its_old_dates_and_no_parts() {
    let case = Case::of(2019, "10*1", &[1.0, 2.0]);
    let outlook = case.outlook("2019-01-11");
    let laying = stage(&outlook, "egg-laying-begins");
    assert_eq!((laying.dates.len(), laying.not_reached, laying.parts), (2, 0, None));
    assert_eq!(laying.dates, [day("2019-01-20"), day("2019-01-30")]);
    let reached = case_after(&case).outlook("2019-02-11");
    let laying = stage(&reached, "egg-laying-begins");
    assert!(laying.dates.is_empty() && laying.chance_by(day("2019-02-11")) == 1.0);
}

/// A month later.
fn case_after(case: &Case) -> Case {
    let later = Case::of(2019, "41*1", &[1.0, 2.0]);
    Case { belief: case.belief.clone(), ..later }
}

#[test]
fn what_was_seen_ends_the_doubt_and_no_draw_lays_later() {
    let mut case = unsure("12*1", &[2.0]);
    case.reports = vec![report("egg-laying-begins", "2019-01-05")];
    let outlook = case.outlook("2019-01-13");
    let laying = stage(&outlook, "egg-laying-begins");
    assert!(laying.seen() && laying.dates.is_empty() && laying.parts.is_none());
    assert_eq!(laying.spread.median, Some(day("2019-01-05")));
    // Every draw lays at 5 and hatches at 55: 43 more from the 12th, at 2 a day.
    assert_eq!(texts(stage(&outlook, "eggs-hatch").spread), "02-03 02-03 02-03");
}

#[test]
fn our_number_is_the_median_of_what_is_believed() {
    let belief = five(0, [1.0, 2.0, 28.0, 40.0, 50.0]);
    assert_eq!(belief.central()[0], Need::DegreeDays(28.0));
    assert_eq!(belief.central()[2], Need::DegreeDays(50.0));
}
