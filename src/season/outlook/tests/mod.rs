//! Outlooks of seasons whose answer can be worked out by hand.

mod mixed;

use std::collections::BTreeMap;

use super::*;
use crate::heat::projection::DRESSED;
use crate::heat::{DayOrigin, DayTemperatures, FilledDay};
use crate::season::profile::PINYON_NEEDLE_SCALE;
use crate::season::{Observer, days_after};

/// Lays at 30 °C·day, hatches 50 after that, is settled 14 days later; the mean above 4 °C counts.
fn profile() -> Profile {
    let text = PINYON_NEEDLE_SCALE
        .replacen("single-sine", "average", 1)
        .replacen("214.0", "30", 1)
        .replacen("92.0", "20", 1)
        .replacen("250.0", "50", 1);
    Profile::parse(&text).expect("sound")
}

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

/// So many days in a row from `first`, each with the same heat; `?` days were filled by a neighbour, `~` ones with the
/// calendar mean: `10*1.0 3?*5.0`.
fn days(first: &str, runs: &str) -> Vec<FilledDay> {
    let mut next = day(first);
    let mut days = Vec::new();
    for run in runs.split_whitespace() {
        let (count, heat) = run.split_once('*').expect("count*heat");
        let origin = match count.chars().last() {
            Some('?') => DayOrigin::Neighbour { station: "n".into() },
            Some('~') => DayOrigin::Climatology,
            _ => DayOrigin::Observed,
        };
        let mean: f64 = 4.0 + heat.parse::<f64>().expect("heat");
        for _ in 0..count.trim_end_matches(['?', '~']).parse::<u32>().expect("count") {
            let temperatures = DayTemperatures { min_c: mean - 1.0, max_c: mean + 1.0 };
            days.push(FilledDay { day: next, temperatures, origin: origin.clone() });
            next = days_after(next, 1);
        }
    }
    days
}

struct Case {
    heat: Vec<HeatDay>,
    ensemble: Ensemble,
    reports: Vec<FieldReport>,
    year: i32,
    belief: SeasonBelief,
    borrowed: Option<Borrowed>,
    forecast_fit: Option<ForecastFit>,
    skill: ForecastSkill,
}

impl Case {
    /// This year's days from 1 January, and one future a number: so much heat a day to the end of the year.
    fn of(year: i32, runs: &str, futures: &[f64]) -> Self {
        let heat = season_heat(&profile(), year, &days(&format!("{year}-01-01"), runs));
        let first = heat.last().map_or(profile().first_day(year), |last| days_after(last.day, 1));
        let futures: Vec<(i32, Vec<f64>)> =
            (1990..).zip(futures).map(|(year, heat)| (year, vec![*heat; 366])).collect();
        let traces = Traces::of(futures.iter().map(|(year, heat)| (*year, heat.as_slice())));
        let ensemble = Ensemble { first, traces, forecast_days: 0, dressing: Dressing::default() };
        let (borrowed, forecast_fit, skill) = (None, None, ForecastSkill::default());
        let belief = SeasonBelief::certain(&profile());
        Self { heat, ensemble, reports: vec![], year, belief, borrowed, forecast_fit, skill }
    }

    fn outlook(&self, today: &str) -> Outlook {
        make(&OutlookInput {
            season: &SeasonKey { profile: "p".into(), region: "r".into(), year: self.year },
            profile: &profile(),
            belief: &self.belief,
            policy: &Policy::default(),
            station: &"s".into(),
            today: day(today),
            heat: &self.heat,
            ensemble: &self.ensemble,
            reports: &self.reports,
            borrowed: self.borrowed.as_ref(),
            forecast_fit: self.forecast_fit,
            skill: &self.skill,
        })
    }
}

fn texts(spread: DateSpread) -> String {
    let text = |day: Option<NaiveDate>| day.map_or("-".to_owned(), |day| day.format("%m-%d").to_string());
    format!("{} {} {}", text(spread.early), text(spread.median), text(spread.late))
}

fn spread_of(outlook: &Outlook, stage: &str) -> String {
    texts(outlook.stage(&stage.into()).expect("known").spread)
}

fn reached_of(outlook: &Outlook, stage: &str) -> Option<Reached> {
    outlook.stage(&stage.into()).expect("known").reached
}

/// A confirmed report of a tree of its own.
fn report(stage: &str, on: &str) -> FieldReport {
    FieldReport {
        id: "1".into(),
        region: "r".into(),
        observed_on: day(on),
        stage: Some(stage.into()),
        not_yet: None,
        infested: Some(true),
        tree: None,
        observer: Observer::Staff,
        person: None,
        nothing_on: None,
        confirmed: true,
    }
}

#[test]
fn each_future_starts_from_todays_sum_and_carries_the_whole_chain_of_stages() {
    // 10 on 10 January; 20 more at 2 a day is 20 January, 50 after that 14 February, 14 days later the 28th.
    let outlook = Case::of(2019, "10*1", &[2.0]).outlook("2019-01-11");
    assert_eq!((outlook.heat_sum, outlook.last_day), (10.0, Some(day("2019-01-10"))));
    assert_eq!(spread_of(&outlook, "egg-laying-begins"), "01-20 01-20 01-20");
    assert_eq!(spread_of(&outlook, "egg-laying-ends"), "01-30 01-30 01-30");
    assert_eq!(spread_of(&outlook, "eggs-hatch"), "02-14 02-14 02-14");
    assert_eq!(spread_of(&outlook, "crawlers-settled"), "02-28 02-28 02-28");
    assert_eq!(outlook.current_stage, None);
    let sums: Vec<_> = outlook.stages.iter().map(|stage| stage.at_sum).collect();
    assert_eq!(sums, [Some(30.0), Some(50.0), Some(80.0), None]);
}

#[test]
fn a_chain_of_sums_counts_from_the_moment_the_sum_before_was_reached() {
    // 32 on 4 January; hatch is at 80 and not at 82, so the 10th and not the 11th.
    let outlook = Case::of(2019, "10*8", &[8.0]).outlook("2019-01-11");
    assert_eq!(reached_of(&outlook, "egg-laying-begins").map(|reached| reached.on), Some(day("2019-01-04")));
    assert_eq!(reached_of(&outlook, "eggs-hatch").map(|reached| reached.on), Some(day("2019-01-10")));
    assert_eq!(outlook.current_stage, Some("eggs-hatch".into()));
    assert_eq!(spread_of(&outlook, "crawlers-settled"), "01-24 01-24 01-24");
}

#[test]
fn the_points_are_places_among_the_futures_and_agree_with_the_chance() {
    // 30 more at 1 to 10 a day from 1 January: 30 15 10 8 6 5 5 4 4 3 days.
    let futures: Vec<f64> = (1..=10).map(f64::from).collect();
    let outlook = Case::of(2019, "", &futures).outlook("2019-01-01");
    let stage = outlook.stage(&"egg-laying-begins".into()).expect("known");
    assert_eq!(texts(stage.spread), "01-04 01-05 01-15");
    assert_eq!(stage.chance_by(day("2019-01-05")), 0.5);
    assert_eq!(stage.chance_by(day("2019-01-04")), 0.3);
    assert_eq!(stage.chance_by(day("2019-12-31")), 1.0);
}

#[test]
fn futures_that_do_not_get_there_rank_last_and_are_never_dropped() {
    let outlook = Case::of(2019, "", &[3.0, 3.0, 3.0, 3.0, 3.0, 0.0, 0.0, 0.0, 0.0]).outlook("2019-01-01");
    let stage = outlook.stage(&"egg-laying-begins".into()).expect("known");
    assert_eq!((stage.dates.len(), stage.not_reached), (5, 4));
    assert_eq!(texts(stage.spread), "01-10 01-10 -");
    let never = Case::of(2019, "", &[0.0]).outlook("2019-01-01");
    assert_eq!(spread_of(&never, "egg-laying-begins"), "- - -");
    let nobody = Case::of(2019, "", &[]).outlook("2019-01-01");
    assert_eq!(spread_of(&nobody, "egg-laying-begins"), "- - -");
}

#[test]
fn a_season_ends_with_its_last_day_whatever_the_future_holds() {
    let outlook = Case::of(2019, "", &[0.075]).outlook("2019-01-01");
    assert_eq!(outlook.stage(&"egg-laying-begins".into()).expect("known").not_reached, 1, "400 days off");
}

#[test]
fn the_season_itself_is_never_among_its_own_futures() {
    let mut case = Case::of(2019, "", &[3.0, 1.0]);
    let heat = [1.0; 366];
    case.ensemble.traces = Traces::of([(1990, heat.as_slice()), (2019, heat.as_slice())]);
    assert_eq!(case.outlook("2019-01-01").trace_years, [1990]);
}

#[test]
fn dressing_spreads_a_date_by_the_errors_of_the_nearest_lead() {
    let mut case = Case::of(2019, "", &[3.0]);
    case.ensemble.dressing = Dressing(BTreeMap::from([(5, vec![0.0]), (12, vec![-2.0, 0.0, 2.0])]));
    let outlook = case.outlook("2019-01-01");
    let stage = outlook.stage(&"egg-laying-begins".into()).expect("known");
    assert_eq!(texts(stage.spread), "01-08 01-10 01-12");
    assert_eq!(stage.dates.len(), DRESSED);
    case.ensemble.dressing = Dressing(BTreeMap::from([(5, vec![-30.0])]));
    assert_eq!(spread_of(&case.outlook("2019-01-01"), "egg-laying-begins"), "01-01 01-01 01-01", "never before today");
    case.ensemble.dressing = Dressing(BTreeMap::from([(5, vec![f64::NAN])]));
    assert_eq!(spread_of(&case.outlook("2019-01-01"), "egg-laying-begins"), "01-10 01-10 01-10");
}

#[test]
fn a_double_method_takes_the_minimum_of_the_next_day() {
    let text = PINYON_NEEDLE_SCALE.replacen("single-sine", "double-triangle", 1);
    let profile = Profile::parse(&text).expect("sound");
    let mut two = days("2019-01-01", "1*10 1*20");
    two.reverse();
    let heat = season_heat(&profile, 2019, &two);
    // Up from 13 to 15, down to 23 (both ends sorted): means 14 and 19, less 4 each.
    assert_eq!(heat[0].degree_days, 12.5);
    // The newest day has only its own minimum.
    assert_eq!(heat[1].degree_days, 20.0);
}

#[test]
fn days_of_another_season_are_not_summed_and_a_hole_adds_nothing() {
    let mut all = days("2018-12-30", "6*5");
    all.remove(3);
    let heat = season_heat(&profile(), 2019, &all);
    assert_eq!(heat.iter().map(|day| day.sum).collect::<Vec<_>>(), [5.0, 10.0, 15.0]);
    let outlook = Case { heat, ..Case::of(2019, "", &[1.0]) }.outlook("2019-01-05");
    assert_eq!((outlook.heat_sum, outlook.filled_days), (15.0, 1), "the missing day counts as not observed");
}

#[test]
fn filled_days_carry_a_crossing_only_within_the_allowance_and_with_an_observed_day_after_it() {
    // The sum is 30 on the 10th each time; 15 % of it is 4.5.
    for (runs, real) in [
        ("10*3", true),
        ("1?*3 9*3", true),
        ("2?*3 8*3", false),
        ("9*3 1?*3", false),
        ("9*3 1?*3 1*3", true),
        ("2?*3 8*3 1*1.4", false),
        ("2?*3 8*3 1*1.6", true),
    ] {
        let reached = reached_of(&Case::of(2019, runs, &[1.0]).outlook("2019-01-12"), "egg-laying-begins");
        assert_eq!(
            reached.map(|reached| (reached.on, reached.on_real_days)),
            Some((day("2019-01-10"), real)),
            "{runs}"
        );
    }
}

#[test]
fn what_people_saw_moves_a_stage_and_those_after_it() {
    let mut case = Case::of(2019, "10*2", &[2.0]);
    case.reports = vec![report("egg-laying-begins", "2019-01-05")];
    let outlook = case.outlook("2019-01-11");
    let seen = Reached { on: day("2019-01-05"), on_real_days: true, by: ReachedBy::FieldReport };
    assert_eq!(reached_of(&outlook, "egg-laying-begins"), Some(seen));
    // 50 after the 10 of the 5th: at 60, the 30th instead of 9 February.
    assert_eq!(spread_of(&outlook, "eggs-hatch"), "01-30 01-30 01-30");
    for ignored in ["2018-12-31", "2019-01-12"] {
        case.reports = vec![report("egg-laying-begins", ignored)];
        assert_eq!(reached_of(&case.outlook("2019-01-11"), "egg-laying-begins"), None, "{ignored}");
    }
    case.reports = vec![FieldReport { confirmed: false, ..report("egg-laying-begins", "2019-01-05") }];
    assert_eq!(reached_of(&case.outlook("2019-01-11"), "egg-laying-begins"), None);
}

#[test]
fn what_somebody_saw_after_our_number_is_seen_and_moves_nothing() {
    // 32 on 4 January; the hatch is at 80, on the 10th.
    let mut case = Case::of(2019, "8*8", &[8.0]);
    let before = case.outlook("2019-01-09");
    case.reports = vec![report("egg-laying-begins", "2019-01-06")];
    let outlook = case.outlook("2019-01-09");
    let seen = Reached { on: day("2019-01-06"), on_real_days: true, by: ReachedBy::FieldReport };
    assert_eq!(reached_of(&outlook, "egg-laying-begins"), Some(seen));
    for later in ["egg-laying-ends", "eggs-hatch", "crawlers-settled"] {
        assert_eq!(outlook.stage(&later.into()), before.stage(&later.into()), "{later}");
    }
}

#[test]
fn the_hatch_counts_as_seen_once_two_trees_have_shown_it() {
    let mut case = Case::of(2019, "10*2", &[2.0]);
    let of_tree = |tree: &str, on: &str| FieldReport { tree: Some(tree.into()), ..report("eggs-hatch", on) };
    case.reports = vec![of_tree("a", "2019-01-07"), of_tree("a", "2019-01-08")];
    let outlook = case.outlook("2019-01-11");
    assert_eq!(reached_of(&outlook, "eggs-hatch"), None);
    assert_eq!(reached_of(&outlook, "egg-laying-begins").map(|reached| reached.on), Some(day("2019-01-07")));
    case.reports.push(of_tree("b", "2019-01-09"));
    let outlook = case.outlook("2019-01-11");
    let seen = Reached { on: day("2019-01-09"), on_real_days: true, by: ReachedBy::FieldReport };
    assert_eq!(reached_of(&outlook, "eggs-hatch"), Some(seen));
    assert_eq!(spread_of(&outlook, "crawlers-settled"), "01-23 01-23 01-23");
}

#[test]
fn a_record_is_trusted_while_it_is_fresh_observed_and_has_years_to_go_by() {
    let years = vec![1.0; 5];
    let trust = |runs: &str, futures: &[f64], today: &str| Case::of(2019, runs, futures).outlook(today).trust;
    assert_eq!(trust("20*1", &years, "2019-01-25"), RecordTrust::Sound);
    let newest_real_day = Some(day("2019-01-20"));
    assert_eq!(trust("20*1", &years, "2019-01-26"), RecordTrust::TooOld { newest_real_day, age_days: 6 });
    assert_eq!(trust("17*1 3?*1", &years, "2019-01-21"), RecordTrust::Sound);
    let filled = RecordTrust::TooMuchFilled { filled_days: 4, days: 20 };
    assert_eq!(trust("16*1 4?*1", &years, "2019-01-21"), filled);
    assert_eq!(trust("20*1", &years[1..], "2019-01-21"), RecordTrust::TooFewYears { years: 4 });
    assert_eq!(trust("", &years, "2019-01-05"), RecordTrust::Sound, "the season is five days old");
    assert_eq!(trust("", &years, "2019-01-06"), RecordTrust::TooOld { newest_real_day: None, age_days: 6 });
    assert_eq!(trust("", &years, "2018-11-01"), RecordTrust::Sound, "it has not begun");
}

#[test]
fn a_past_year_serves_when_it_runs_unbroken_to_its_last_heat_stage() {
    // The last sum, 80, comes on 10 January; being settled needs no temperatures.
    let serves = |days: &[FilledDay]| is_whole_past_season(&profile(), 2010, days, 0.1);
    let year = |runs: &str| serves(&days("2010-01-01", runs));
    assert!(year("10*8"));
    assert!(!year("9*8"), "it ends too early to say when eggs hatched");
    assert!(year("9*8 1~*8") && !year("8*8 2~*8"), "at most a tenth by the calendar's mean");
    assert!(year("8*8 2?*8"), "a neighbour's weather is weather");
    assert!(!year("364*0.1") && year("365*0.1"), "a year without a hatch is whole or nothing");
    let mut broken = days("2010-01-01", "12*8");
    broken.remove(4);
    assert!(!serves(&broken));
    assert!(!serves(&days("2010-01-02", "12*8")), "no biofix");
    assert!(!serves(&[]));
}

#[test]
fn borrowed_years_that_may_not_fit_cost_a_sound_record_its_trust_and_no_other() {
    let borrowed = |low_confidence| Borrowed {
        station: "ZZ1".into(),
        name: "Far Ridge".into(),
        own_years: 2,
        borrowed_years: 30,
        common_days: Some(400),
        low_confidence,
    };
    let mut case = Case::of(2019, "20*1", &[1.0; 5]);
    case.borrowed = Some(borrowed(false));
    let outlook = case.outlook("2019-01-21");
    assert_eq!((outlook.trust, outlook.borrowed), (RecordTrust::Sound, Some(borrowed(false))));
    case.borrowed = Some(borrowed(true));
    let outlook = case.outlook("2019-01-21");
    let trust = RecordTrust::BorrowedYears { from: "Far Ridge".into(), own_years: 2 };
    assert_eq!((outlook.trust, outlook.borrowed), (trust, Some(borrowed(true))));
    let too_old = RecordTrust::TooOld { newest_real_day: Some(day("2019-01-20")), age_days: 6 };
    assert_eq!(case.outlook("2019-01-26").trust, too_old, "what is worse is said first");
}

#[test]
fn dates_still_to_come_carry_how_such_dates_did_and_a_forecast_how_it_was_fitted() {
    let row = |lead_days, mae_days| PastScore {
        lead_days,
        n: 20,
        bias_days: 0.0,
        mae_days,
        crps_days: mae_days,
        skill: None,
        held: 0.8,
    };
    let rows = vec![row(28, 6.0), row(7, 2.0)];
    let mut case = Case::of(2019, "10*8", &[2.0]);
    case.skill.stages = vec![
        StageSkill { stage: "egg-laying-begins".into(), rows: rows.clone() },
        StageSkill { stage: "eggs-hatch".into(), rows: rows.clone() },
    ];
    case.forecast_fit = Some(ForecastFit { common_days: 9, added_min_c: 0.5, added_max_c: -0.5 });
    // 48 by the 6th: laid on the 4th; 32 more at 2 a day, 16 days from the newest data, is nearer to 7 than to 28.
    case.heat.truncate(6);
    case.ensemble.first = day("2019-01-07");
    let outlook = case.outlook("2019-01-07");
    let past = |stage: &str| outlook.stage(&stage.into()).expect("known").past;
    assert_eq!(past("egg-laying-begins"), None, "it was reached");
    assert_eq!(past("eggs-hatch"), Some(rows[1]));
    assert_eq!(past("egg-laying-ends"), None, "nothing is known of its projections");
    assert_eq!(outlook.forecast_fit, None, "there is no forecast");
    case.ensemble.forecast_days = 3;
    assert_eq!(case.outlook("2019-01-07").forecast_fit, case.forecast_fit);
}
