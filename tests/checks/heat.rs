//! Degree-days against published tables and numerical integration, and the laws they keep.
//!
//! Zalom, Goodell, Wilson, Barnett & Bentley 1983, UC leaflet 21373 (table 7); McMaster & Wilhelm 1997, Agric. For.
//! Meteorol. 87:291-300 (table 1); a table note of the Western Regional Climate Center. Figures only, typed in. For every
//! method and cut-off: the rate integrated over the day's curve by scipy.

mod integration;

use assert_cmd::Command;
use chrono::NaiveDate;
use predicates::prelude::*;
use predicates::str::contains;
use proptest::prelude::*;
use treebell::heat::{Cutoff, DailySeries, DayTemperatures, HeatRule, HeatRuleError, Method};
use treebell::units::{dd_c_to_f, f_to_c};

use crate::support;

use Cutoff::{Horizontal, Intermediate, None as NoCutoff, Vertical};
use Method::{
    Average, AverageWithReplacement, DoubleSine as DSine, DoubleTriangle as DTri, SingleSine as SSine,
    SingleTriangle as STri,
};

/// Degree-days in the unit of the temperatures: the formulas do not care which it is.
fn heat(method: Method, cutoff: Cutoff, lower: f64, upper: f64, n: f64, x: f64, next: f64) -> f64 {
    let rule = HeatRule::new(method, lower, Some(upper), cutoff).unwrap();
    rule.degree_days(DayTemperatures { min_c: n, max_c: x }, Some(next))
}

fn close(got: f64, wanted: f64, within: f64, what: &str) {
    assert!((got - wanted).abs() <= within, "{what}: got {got}, wanted {wanted}");
}

#[test]
fn zalom_1983_table_7_is_reproduced_but_for_its_misprint() {
    // n, x, next n, then single triangle, double triangle, single sine, double sine; lower 55 °F, upper 90 °F, horizontal.
    // Row 9, double triangle, is printed 24.88. The half day up from 60 to 100 gives 23.75 / 2 and the half day down to
    // 75, worked by the same leaflet's formula, 30.5 / 2: 27.125 in all, as numerical integration gives it too. 24.88
    // fits no neighbouring case.
    let rows: [[f64; 7]; 12] = [
        [96., 110., 91., 35.00, 35.00, 35.00, 35.00],
        [91., 105., 96., 35.00, 35.00, 35.00, 35.00],
        [45., 54., 38., 0., 0., 0., 0.],
        [38., 50., 45., 0., 0., 0., 0.],
        [60., 80., 75., 15.00, 18.75, 15.00, 18.75],
        [75., 88., 60., 26.50, 22.75, 26.50, 22.75],
        [50., 82., 45., 11.39, 10.62, 11.85, 11.31],
        [45., 70., 50., 4.50, 5.06, 5.31, 5.70],
        [60., 100., 75., 23.75, 27.125, 22.82, 26.26],
        [75., 95., 60., 29.38, 25.76, 28.91, 25.30],
        [50., 101., 48., 19.56, 19.19, 18.95, 18.69],
        [48., 95., 50., 16.76, 17.13, 16.96, 17.23],
    ];
    for [n, x, next, wanted @ ..] in rows {
        for (method, wanted) in [STri, DTri, SSine, DSine].into_iter().zip(wanted) {
            let got = heat(method, Horizontal, 55.0, 90.0, n, x, next);
            close(got, wanted, 0.005 + 1e-9, &format!("{method} {n} {x} {next}"));
        }
    }
}

#[test]
fn mcmaster_and_wilhelm_1997_table_1_is_reproduced() {
    // x, n -> method 1 (average), method 2 (with replacement); base 0 °C.
    let rows = [
        [20., 10., 15., 15.],
        [10., 1., 5.5, 5.5],
        [8., -2., 3., 4.],
        [6., 0., 3., 3.],
        [10., 5., 7.5, 7.5],
        [5., -5., 0., 2.5],
        [-2., -7., 0., 0.],
        [-5., -10., 0., 0.],
        [10., -2., 4., 5.],
        [15., 2., 8.5, 8.5],
    ];
    for [x, n, one, two] in rows {
        let day = DayTemperatures { min_c: n, max_c: x };
        let by = |method| HeatRule::new(method, 0.0, None, NoCutoff).unwrap().degree_days(day, None);
        assert_eq!((by(Average), by(AverageWithReplacement)), (one, two), "{x} {n}");
    }
}

#[test]
fn worked_values_of_a_climate_center_are_reproduced() {
    // Western Regional Climate Center: 95 and 51 °F over base 60 °F are 13 °F·day.
    assert_eq!(heat(Average, NoCutoff, 60.0, 90.0, 51.0, 95.0, 51.0), 13.0);
    // The corn rule, 50 and 86 °F, as the same note words it: extremes held to the thresholds, then averaged.
    assert_eq!(heat(AverageWithReplacement, Horizontal, 50.0, 86.0, 40.0, 96.0, 40.0), 18.0);
}

/// Temperatures, thresholds | average none, horizontal; with replacement none, horizontal; then none, horizontal,
/// intermediate, vertical of single triangle, double triangle, single sine, double sine. From the project's reference
/// table, whose closed forms were checked there against adaptive numerical integration to 1e-11.
const REFERENCE: &str = "\
96 110 91 55 90 | 48 35 48 35 48 35 22 0 46.75 35 23.25 0 48 35 22 0 46.75 35 23.25 0
60 80 75 55 90 | 15 15 15 15 15 15 15 15 18.75 18.75 18.75 18.75 15 15 15 15 18.75 18.75 18.75 18.75
60 100 75 55 90 | 25 25 25 20 25 23.75 22.5 15 28.75 27.125 25.5 15.75 25 22.820044 20.640089 11.153378 28.75 26.255662 23.761325 12.793978
50 101 48 55 90 | 20.5 20.5 23 17.5 20.745098 19.558824 18.372549 12.009804 20.353681 19.189789 18.025897 11.783204 21.171174 18.952631 16.734089 8.191020 20.882883 18.686475 16.490068 8.035868
55 105 62 50 70 | 30 20 30 12.5 30 17.75 7.75 3.75 31.75 18.502907 7.688953 3.363372 30 16.396705 6.396705 3.776908 31.75 17.451586 6.909255 3.980805
72 108 70 50 70 | 40 20 40 20 40 20 4.5 0 39.5 20 4.881579 0 40 20 5.729578 0 39.5 20 6.142922 0
85 111 80 50 70 | 48 20 48 20 48 20 0.480769 0 46.75 20 1.046836 0 48 20 0.949700 0 46.75 20 1.723751 0
49.9 88.1 50.1 50 88 | 19 19 19.05 19 19.000131 19 18.999869 18.900524 19.050065 19.049934 19.049803 18.950196 19.002172 19 18.997828 17.761712 19.051086 19.048911 19.046736 17.808994
-2 21 1 5 30 | 4.5 4.5 8 8 5.565217 5.565217 5.565217 5.565217 5.982609 5.982609 5.982609 5.982609 6.194567 6.194567 6.194567 6.194567 6.485021 6.485021 6.485021 6.485021
31 40 29 10 30 | 25.5 20 25.5 20 25.5 20 14.5 0 25 19.977273 14.954545 0.886364 25.5 20 14.5 0 25 19.935418 14.870836 1.885240
8 44 8 10 25 | 16 15 17 7.5 16.055556 11.041667 6.25 3.125 16.055556 11.041667 6.25 3.125 16.201202 9.962780 4.296767 2.197385 16.201202 9.962780 4.296767 2.197385
35 35 35 10 30 | 25 20 25 20 25 20 15 0 25 20 15 0 25 20 15 0 25 20 15 0
5 5 15 10 30 | 0 0 0 0 0 0 0 0 0.625 0.625 0.625 0.625 0 0 0 0 0.795775 0.795775 0.795775 0.795775
-12 3 6 0 25 | 0 0 1.5 1.5 0.3 0.3 0.3 0.3 2.4 2.4 2.4 2.4 0.581607 0.581607 0.581607 0.581607 2.540803 2.540803 2.540803 2.540803
12.25 28.75 9.5 8.5 24 | 12 12 12 9.625 12 11.316288 10.632576 6.854167 11.312500 10.677624 10.042749 6.534226 12 10.883870 9.767739 5.295493 11.312500 10.240262 9.168025 4.881278
-3.3 8.9 -6.1 5.5 30 | 0 0 1.7 1.7 0.473770 0.473770 0.473770 0.473770 0.429552 0.429552 0.429552 0.429552 0.785199 0.785199 0.785199 0.785199 0.744525 0.744525 0.744525 0.744525
";

const REFERENCE_COLUMNS: [(Method, Cutoff, &str); 20] = [
    (Average, NoCutoff, "avg_mean_floor_noupper"),
    (Average, Horizontal, "avg_mean_floor_upper"),
    (AverageWithReplacement, NoCutoff, "avg_replace_noupper"),
    (AverageWithReplacement, Horizontal, "avg_replace_upper"),
    (STri, NoCutoff, "single_triangle_none"),
    (STri, Horizontal, "single_triangle_horizontal"),
    (STri, Intermediate, "single_triangle_intermediate"),
    (STri, Vertical, "single_triangle_vertical"),
    (DTri, NoCutoff, "double_triangle_none"),
    (DTri, Horizontal, "double_triangle_horizontal"),
    (DTri, Intermediate, "double_triangle_intermediate"),
    (DTri, Vertical, "double_triangle_vertical"),
    (SSine, NoCutoff, "single_sine_none"),
    (SSine, Horizontal, "single_sine_horizontal"),
    (SSine, Intermediate, "single_sine_intermediate"),
    (SSine, Vertical, "single_sine_vertical"),
    (DSine, NoCutoff, "double_sine_none"),
    (DSine, Horizontal, "double_sine_horizontal"),
    (DSine, Intermediate, "double_sine_intermediate"),
    (DSine, Vertical, "double_sine_vertical"),
];

#[test]
fn typed_in_rows_of_the_reference_table_are_reproduced() {
    let numbers = |text: &str| text.split_whitespace().map(|n| n.parse::<f64>().unwrap()).collect::<Vec<_>>();
    for row in REFERENCE.lines() {
        let (given, wanted) = row.split_once('|').unwrap();
        let [n, x, next, lower, upper] = numbers(given)[..] else { panic!("{row}") };
        let wanted = numbers(wanted);
        assert_eq!(wanted.len(), REFERENCE_COLUMNS.len(), "{row}");
        for ((method, cutoff, _), wanted) in REFERENCE_COLUMNS.into_iter().zip(wanted) {
            close(heat(method, cutoff, lower, upper, n, x, next), wanted, 1e-6, &format!("{method} {cutoff} {given}"));
        }
    }
}

#[test]
fn the_whole_reference_table_is_reproduced() {
    let Some(path) = support::shared("the degree-day table", "reference/degree_day_reference.csv") else { return };
    let mut reader = csv::Reader::from_path(path).unwrap();
    let header = reader.headers().unwrap().clone();
    let mut rows = 0;
    for record in reader.records().map(Result::unwrap) {
        let field =
            |name: &str| -> f64 { record[header.iter().position(|column| column == name).unwrap()].parse().unwrap() };
        for (method, cutoff, column) in REFERENCE_COLUMNS {
            let (lower, upper) = (field("lower"), field("upper"));
            let got = heat(method, cutoff, lower, upper, field("tmin"), field("tmax"), field("next_tmin"));
            close(got, field(column), 1e-6, &format!("row {} {column}", field("n")));
        }
        rows += 1;
    }
    assert_eq!(rows, 42);
}

#[test]
fn thresholds_that_do_not_go_together_are_refused() {
    let new = |lower, upper, cutoff| HeatRule::new(SSine, lower, upper, cutoff).unwrap_err();
    assert_eq!(new(10.0, Some(10.0), Horizontal), HeatRuleError::LowerNotBelowUpper { lower: 10.0, upper: 10.0 });
    assert_eq!(new(10.0, None, Vertical), HeatRuleError::CutoffNeedsUpper(Vertical));
    assert!(matches!(new(f64::NAN, None, NoCutoff), HeatRuleError::NotFinite(_)));
    assert!(matches!(new(1.0, Some(f64::INFINITY), Horizontal), HeatRuleError::NotFinite(_)));
}

fn any_method() -> impl Strategy<Value = Method> {
    proptest::sample::select(Method::ALL.to_vec())
}

fn any_cutoff() -> impl Strategy<Value = Cutoff> {
    proptest::sample::select(Cutoff::ALL.to_vec())
}

prop_compose! {
    fn any_rule()(method in any_method(), cutoff in any_cutoff(), lower in -5.0..15.0f64, span in 0.5..30.0f64) -> HeatRule {
        HeatRule::new(method, lower, Some(lower + span), cutoff).unwrap()
    }
}

prop_compose! {
    fn any_day()(min_c in -30.0..30.0f64, range in 0.0..30.0f64) -> DayTemperatures {
        DayTemperatures { min_c, max_c: min_c + range }
    }
}

fn series(days: &[DayTemperatures]) -> DailySeries {
    let first = NaiveDate::from_ymd_opt(2026, 2, 20).unwrap();
    DailySeries { first, days: days.iter().copied().map(Some).collect() }
}

fn sum(rule: &HeatRule, days: &[DayTemperatures]) -> f64 {
    rule.series(&series(days)).into_iter().flatten().sum()
}

/// Heat per day at one temperature, by what the thresholds and cut-offs are defined as.
fn rate(rule: &HeatRule, temperature: f64) -> f64 {
    let plain = (temperature - rule.lower_c()).max(0.0);
    match rule.upper_c() {
        Some(upper) if temperature > upper => match rule.cutoff() {
            NoCutoff => plain,
            Horizontal => upper - rule.lower_c(),
            Intermediate => (2.0 * upper - rule.lower_c() - temperature).max(0.0),
            Vertical => 0.0,
        },
        _ => plain,
    }
}

proptest! {
    #[test]
    fn heat_is_never_negative(rule in any_rule(), day in any_day(), next in -40.0..50.0f64) {
        prop_assert!(rule.degree_days(day, Some(next)) >= 0.0);
    }

    /// Without a cut-off or with a horizontal one, always. Where heat above the upper threshold counts for less, only
    /// as long as no temperature passes it.
    #[test]
    fn a_warmer_day_gives_no_less_heat(
        rule in any_rule(), day in any_day(), next in -40.0..50.0f64,
        up_min in 0.0..5.0f64, up_max in 0.0..5.0f64, up_next in 0.0..5.0f64,
    ) {
        let max_c = day.max_c + up_max;
        let warmer = DayTemperatures { min_c: (day.min_c + up_min).min(max_c), max_c };
        let warmer_next = next + up_next;
        let stays_below = rule.upper_c().is_some_and(|upper| max_c.max(warmer_next) <= upper);
        prop_assume!(matches!(rule.cutoff(), NoCutoff | Horizontal) || stays_below);
        let (before, after) = (rule.degree_days(day, Some(next)), rule.degree_days(warmer, Some(warmer_next)));
        prop_assert!(after >= before - 1e-9, "{before} then {after}");
    }

    /// Where a method looks at one day at a time, two ranges add up to their union.
    #[test]
    fn ranges_add_up(rule in any_rule(), days in proptest::collection::vec(any_day(), 2..40), at in 0.0..1.0f64) {
        prop_assume!(!rule.method().looks_at_next_day());
        let (one, two) = days.split_at((days.len() as f64 * at) as usize);
        prop_assert!((sum(&rule, one) + sum(&rule, two) - sum(&rule, &days)).abs() < 1e-9);
    }

    #[test]
    fn fahrenheit_is_celsius_times_nine_fifths(
        rule in any_rule(), day in any_day(), next in -40.0..50.0f64,
    ) {
        // The same temperatures taken as °F: thresholds and days go to °C, the heat back.
        let upper = rule.upper_c().unwrap();
        let in_c = HeatRule::new(rule.method(), f_to_c(rule.lower_c()), Some(f_to_c(upper)), rule.cutoff()).unwrap();
        let day_c = DayTemperatures { min_c: f_to_c(day.min_c), max_c: f_to_c(day.max_c) };
        let (f, c) = (rule.degree_days(day, Some(next)), in_c.degree_days(day_c, Some(f_to_c(next))));
        prop_assert!((f - dd_c_to_f(c)).abs() < 1e-9, "{f} °F·day, {c} °C·day");
    }

    #[test]
    fn double_methods_are_single_ones_when_the_next_minimum_is_the_same(
        rule in any_rule(), day in any_day(),
    ) {
        for (single, double) in [(STri, DTri), (SSine, DSine)] {
            let by = |method| HeatRule::new(method, rule.lower_c(), rule.upper_c(), rule.cutoff()).unwrap();
            let single = by(single).degree_days(day, None);
            prop_assert!((single - by(double).degree_days(day, Some(day.min_c))).abs() < 1e-9);
            prop_assert!((single - by(double).degree_days(day, None)).abs() < 1e-9);
        }
    }

    #[test]
    fn cutoffs_stand_in_order(rule in any_rule(), day in any_day(), next in -40.0..50.0f64) {
        let by = |cutoff| HeatRule::new(rule.method(), rule.lower_c(), rule.upper_c(), cutoff).unwrap()
            .degree_days(day, Some(next));
        prop_assert!(by(NoCutoff) >= by(Horizontal) - 1e-9);
        prop_assert!(by(Horizontal) >= by(Intermediate) - 1e-9);
        prop_assert!(by(Intermediate) >= by(Vertical) - 1e-9);
    }

    /// Many readings along the curve give what the closed form gives: the sine by its own definition.
    #[test]
    fn the_sine_is_the_mean_along_its_curve(rule in any_rule(), day in any_day()) {
        let sine = HeatRule::new(SSine, rule.lower_c(), rule.upper_c(), rule.cutoff()).unwrap();
        let (mean, half) = ((day.min_c + day.max_c) / 2.0, (day.max_c - day.min_c) / 2.0);
        let curve: Vec<f64> = (0..20_000)
            .map(|step| mean + half * (std::f64::consts::TAU * (f64::from(step) + 0.5) / 20_000.0).sin())
            .collect();
        let along = curve.iter().map(|temperature| rate(&sine, *temperature)).sum::<f64>() / curve.len() as f64;
        // A vertical cut-off jumps, so the sampled mean may be off by a few steps of the jump's height.
        prop_assert!((along - sine.degree_days(day, None)).abs() < 0.01);
    }

    #[test]
    fn strange_values_give_a_number_and_no_panic(
        rule in any_rule(), min_c in proptest::num::f64::ANY, max_c in proptest::num::f64::ANY, next in proptest::num::f64::ANY,
    ) {
        let heat = rule.degree_days(DayTemperatures { min_c, max_c }, Some(next));
        prop_assert!(heat.is_finite() && heat >= 0.0);
    }
}

#[test]
fn a_double_method_uses_the_next_day_only_if_it_is_there() {
    let rule = HeatRule::new(DSine, 4.0, None, NoCutoff).unwrap();
    let day = DayTemperatures { min_c: 0.0, max_c: 20.0 };
    let colder = DayTemperatures { min_c: -10.0, max_c: 5.0 };
    let mut run = series(&[day, colder, day]);
    let whole = rule.series(&run);
    assert_eq!(whole[0], Some(rule.degree_days(day, Some(-10.0))));
    run.days[1] = None;
    assert_eq!(rule.series(&run), [Some(rule.degree_days(day, None)), None, Some(rule.degree_days(day, None))]);
}

fn treebell() -> Command {
    Command::cargo_bin("treebell").unwrap()
}

fn degree_days(options: &str, input: &str) -> assert_cmd::assert::Assert {
    treebell().args(["degree-days", "-"]).args(options.split_whitespace()).write_stdin(input.to_owned()).assert()
}

#[test]
fn the_command_prints_degree_days_and_their_sum() {
    // Zalom et al. 1983 table 7, three rows in a run; the order and case of columns do not matter, nor does one more.
    let input = "Date,TMAX,tmin,note\n2026-03-01,54,45,\n2026-03-02,70,45,\n2026-03-03,100,60,hot\n";
    degree_days("--lower 55 --upper 90 --cutoff horizontal --fahrenheit", input)
        .success()
        .stdout("date,degree_days,sum\n2026-03-01,0.000,0.000\n2026-03-02,5.309,5.309\n2026-03-03,22.820,28.129\n")
        .stderr("");
    // The same in °C is smaller by 1.8.
    degree_days("--lower 10 --method average", "date,tmin,tmax\n2026-03-01,8,20\n")
        .success()
        .stdout("date,degree_days,sum\n2026-03-01,4.000,4.000\n");
}

#[test]
fn the_command_prints_json() {
    let input = "date,tmin,tmax\n2026-03-01,-2,21\n2026-03-02,,\n";
    let output = degree_days("--lower 5 --json", input).success().get_output().stdout.clone();
    let document: serde_json::Value = serde_json::from_slice(&output).unwrap();
    assert_eq!(document["method"], "single-sine");
    assert_eq!(document["unit"], "celsius");
    assert_eq!(document["sum"], 6.194567);
    assert_eq!(document["days"][1], serde_json::json!({"date": "2026-03-02", "degree_days": null, "sum": 6.194567}));
}

#[test]
fn the_command_counts_blank_and_absent_days() {
    let input = "date,tmin,tmax\n2026-02-27,0,20\n2026-02-28,,18\n2026-03-03,0,20\n2026-03-04,10,10\n";
    degree_days("--lower 0 --method double-triangle", input)
        .success()
        // 27 February: the 28th has no minimum, so its own is used. 3 March: half of it goes down to 10 only.
        .stdout(
            "date,degree_days,sum\n2026-02-27,10.000,10.000\n2026-02-28,,10.000\n2026-03-01,,10.000\n\
             2026-03-02,,10.000\n2026-03-03,12.500,22.500\n2026-03-04,10.000,32.500\n",
        )
        .stderr(contains("1 day with a blank temperature").and(contains("2 days between the first and the last")));
}

#[test]
fn the_command_names_every_bad_line_and_its_mend() {
    let input = "date,tmin,tmax\n2026-03-01,1,x\n2026-03-02,9,3\n03/03/2026,1,2\n2026-03-02,1,2\n2026-03-01,1,2\n2026-03-06,-9999,2\n";
    degree_days("--lower 5", input).code(2).stdout("").stderr(
        contains("line 2: tmax `x` is not a number; leave a missing value blank")
            .and(contains("line 3: tmin 9 is above tmax 3"))
            .and(contains("line 4: date `03/03/2026` must look like 2026-03-01"))
            .and(contains("line 5: 2026-03-02 was there already in line 3"))
            .and(contains("line 6: 2026-03-01 comes after 2026-03-02 in line 5; sort the lines by date"))
            .and(contains("line 7: tmin `-9999` must be between -95 and 65 °C")),
    );
    degree_days("--lower 5", "day,tmin,tmax\n").code(2).stderr(contains("no column `date` among `day, tmin, tmax`"));
    degree_days("--lower 5", "date,tmin,tmax\n").code(2).stderr(contains("no day below the line"));
    degree_days("--lower 5", "").code(2).stderr(contains("no column `date`"));
}

#[test]
fn the_command_refuses_thresholds_that_do_not_go_together() {
    let input = "date,tmin,tmax\n2026-03-01,1,9\n";
    for (options, wanted) in [
        ("--lower 30 --upper 10 --cutoff horizontal", "--lower 30 must be below --upper 10"),
        ("--lower 10 --cutoff vertical", "--cutoff vertical needs an upper threshold"),
        ("--lower 10 --upper 30", "--upper 30 does nothing without a cut-off"),
        ("--lower 10 --method sine", "must be one of average, average-with-replacement"),
        ("--lower nan", "threshold NaN is not a finite number"),
        ("--method average", "--lower"),
    ] {
        degree_days(options, input).code(2).stderr(contains(wanted));
    }
    treebell()
        .args(["degree-days", "no-such-file.csv", "--lower", "4"])
        .assert()
        .code(2)
        .stderr(contains("could not read `no-such-file.csv`"));
}
