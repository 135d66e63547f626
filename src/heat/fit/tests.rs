//! The fit on records made up so that the answer is known, and against trying everything.

use proptest::prelude::*;

use super::sums::running_sums;
use super::*;
use crate::heat::{Cutoff, DayTemperatures, HeatRule, Method};

fn steady(mean_c: f64) -> DayTemperatures {
    DayTemperatures { min_c: mean_c, max_c: mean_c }
}

fn season(site: &str, year: i32, means_c: &[f64], seen: &[ObservedInterval]) -> SiteYear {
    let days = means_c.iter().map(|mean| steady(*mean)).collect();
    SiteYear { site: site.into(), year, elevation_m: None, days, seen: seen.to_vec() }
}

fn means(lowers_c: &[f64]) -> Search {
    Search {
        method: Method::Average,
        cutoff: Cutoff::None,
        upper_c: None,
        lowers_c: lowers_c.to_vec(),
        prefer_c: -100.0,
    }
}

fn fitted(site_years: &[SiteYear], search: &Search) -> Result<Fit, FitError> {
    fit(site_years, search, &mut |_| ())
}

/// A made-up spring: a slow warming with weather on it, told by its number.
fn spring(nth: u32, days: u32) -> Vec<DayTemperatures> {
    (0..days)
        .map(|day| {
            let wobble = f64::from((day * 37 + nth * 101) % 23) - 11.0;
            let mean_c = -8.0 + f64::from(nth % 7) * 1.3 + f64::from(day) * 0.16 + wobble * 0.4;
            let half_range_c = 4.0 + f64::from((day * 13 + nth * 29) % 11) * 0.5;
            DayTemperatures { min_c: mean_c - half_range_c, max_c: mean_c + half_range_c }
        })
        .collect()
}

/// Springs with the event put where a rule puts it.
fn springs(count: u32, rule: &HeatRule, required: f64, see: fn(i32, u32) -> ObservedInterval) -> Vec<SiteYear> {
    (0..count)
        .map(|nth| {
            let days = spring(nth, 200);
            let day = running_sums(rule, &days).iter().position(|sum| *sum >= required).unwrap() as i32;
            SiteYear {
                site: format!("S{}", nth % 4),
                year: 2000 + (nth / 4) as i32,
                elevation_m: Some(1500.0 + f64::from(nth % 4) * 200.0),
                days,
                seen: vec![see(day, nth)],
            }
        })
        .collect()
}

#[test]
fn a_known_threshold_and_sum_come_back() {
    for (method, lower_c, required) in
        [(Method::SingleSine, 4.2, 150.0), (Method::DoubleTriangle, 0.0, 260.0), (Method::Average, 7.5, 60.0)]
    {
        let rule = HeatRule::new(method, lower_c, Some(28.0), Cutoff::Horizontal).unwrap();
        let data = springs(40, &rule, required, |day, _| ObservedInterval::on(day));
        let lowers_c = grid(lower_c - 2.0, lower_c + 2.0, 0.02).unwrap();
        let search = Search { method, cutoff: Cutoff::Horizontal, upper_c: Some(28.0), lowers_c, prefer_c: -100.0 };
        let fit = fitted(&data, &search).unwrap();
        assert_eq!(fit.best.scores.rmse_days, 0.0, "{method}");
        let (first, last) = fit.ties();
        assert!(first <= lower_c + 1e-9 && lower_c <= last + 1e-9, "{method}: {first} to {last}");
        assert!(last - first < 1.5, "{method}: forty springs pin the threshold down: {first} to {last}");
        let true_point = fit.valley.iter().find(|point| (point.lower_c - lower_c).abs() < 1e-9).unwrap();
        assert!(true_point.sum.above < required && required <= true_point.sum.up_to, "{:?}", true_point.sum);
        assert_eq!(fit.predicted.iter().flatten().count(), 40);
        assert_eq!(fit.floor_rmse_days, 0.0);
        let out = fit.without_year.unwrap();
        assert!(out.scores.rmse_days < 1.0 && out.skill().unwrap() > 0.8, "{:?}", out.scores);
        assert_eq!((out.folds.len(), fit.without_site.unwrap().folds.len()), (10, 4));
    }
}

#[test]
fn intervals_between_visits_are_enough_to_find_the_sum() {
    let rule = HeatRule::new(Method::SingleSine, 4.0, None, Cutoff::None).unwrap();
    // A visit every 7 days, each site on another day of the week.
    let data = springs(40, &rule, 150.0, |day, nth| {
        let seen = day + (nth as i32 * 3 - day).rem_euclid(7);
        ObservedInterval::between(Some(seen - 7), Some(seen)).unwrap()
    });
    let search = Search { method: Method::SingleSine, ..means(&[4.0]) };
    let fit = fitted(&data, &search).unwrap();
    assert_eq!(fit.best.scores.rmse_days, 0.0);
    assert!(fit.best.sum.above < 150.0 && 150.0 <= fit.best.sum.up_to, "{:?}", fit.best.sum);
}

#[test]
fn an_interval_costs_nothing_inside_and_its_distance_outside() {
    let seen = ObservedInterval::between(Some(10), Some(14)).unwrap();
    let errors: Vec<i64> = [8, 10, 11, 14, 15, 20].into_iter().map(|day| seen.error(day)).collect();
    assert_eq!(errors, [-3, -1, 0, 0, 1, 6]);
    assert_eq!([11, 12, 13].map(|day| ObservedInterval::on(12).error(day)), [-1, 0, 1]);
    assert_eq!(ObservedInterval::between(None, Some(5)).unwrap().error(-200), 0);
    assert_eq!(ObservedInterval::between(Some(5), None).unwrap().error(NEVER_DAY), 0);
    assert_eq!(ObservedInterval::between(Some(5), Some(5)), None);
    assert_eq!(ObservedInterval::between(None, None), None);
}

#[test]
fn the_range_of_sums_is_the_gap_between_two_evenings() {
    // Sums at 0 °C: 1 3 6 10; 2 4 6 8. Seen on day 2 and day 2: any sum above 4 up to 6.
    let data = [
        season("a", 2001, &[1.0, 2.0, 3.0, 4.0], &[ObservedInterval::on(2), ObservedInterval::on(2)]),
        season("a", 2002, &[2.0, 2.0, 2.0, 2.0], &[ObservedInterval::on(2)]),
    ];
    let fit = fitted(&data, &means(&[0.0])).unwrap();
    assert_eq!(fit.best.sum, SumRange { above: 4.0, up_to: 6.0 });
    assert_eq!(fit.best.sum.plain(), 5.0);
    assert_eq!(fit.predicted, [Some(2), Some(2)]);
}

#[test]
fn a_sum_never_reached_is_a_great_error_and_no_gap() {
    let data = [
        season("a", 2001, &[5.0, 5.0, 5.0, 5.0], &[ObservedInterval::on(3), ObservedInterval::on(3)]),
        season("a", 2002, &[1.0, 1.0, 1.0, 1.0], &[ObservedInterval::on(3)]),
    ];
    // With 20 two records would be hit exactly, but the third would never come.
    let fit = fitted(&data, &means(&[0.0])).unwrap();
    assert_eq!(fit.best.sum, SumRange { above: 3.0, up_to: 4.0 });
    assert_eq!(fit.best.scores.never_reached, 0);
    // At 2 °C the second year has no heat at all.
    let fit = fitted(&data, &means(&[2.0])).unwrap();
    assert_eq!(fit.best.scores.never_reached, 1);
    assert!((fit.best.scores.rmse_days - (727f64 * 727.0 / 3.0).sqrt()).abs() < 1e-9);
}

#[test]
fn equal_thresholds_go_to_the_one_preferred() {
    let data = [
        season("a", 2001, &[9.0, 9.0, 9.0], &[ObservedInterval::on(1), ObservedInterval::on(1)]),
        season("a", 2002, &[9.0, 9.0, 9.0], &[ObservedInterval::on(1)]),
    ];
    let search = |prefer_c| Search { prefer_c, ..means(&[0.0, 1.0, 2.0, 3.0]) };
    assert_eq!(fitted(&data, &search(2.2)).unwrap().best.lower_c, 2.0);
    assert_eq!(fitted(&data, &search(1.5)).unwrap().best.lower_c, 1.0);
    let fit = fitted(&data, &search(-5.0)).unwrap();
    assert_eq!((fit.best.lower_c, fit.ties()), (0.0, (0.0, 3.0)));
    assert_eq!(fit.flat(0.05), Flat { from_c: 0.0, to_c: 3.0, tolerance_days: 0.1, open: true });
}

#[test]
fn records_that_bound_one_side_only_are_refused_and_their_bound_is_told() {
    let by = |day| ObservedInterval::between(None, Some(day)).unwrap();
    let not_yet = |day| ObservedInterval::between(Some(day), None).unwrap();
    let data = [
        season("a", 2001, &[1.0; 9], &[by(3), by(5)]),
        season("a", 2002, &[2.0; 9], &[by(4), ObservedInterval::on(5)]),
    ];
    assert_eq!(fitted(&data, &means(&[0.0])), Err(FitError::NotBoundedBelow { bounding: 1, records: 4 }));
    let rule = HeatRule::new(Method::Average, 0.0, None, Cutoff::None).unwrap();
    assert_eq!(bounds(&data[..1], &rule), (None, Some(4.0)));
    assert_eq!(bounds(&data, &rule), (Some(10.0), Some(4.0)));
    let data = [season("a", 2001, &[1.0; 9], &[not_yet(3), not_yet(5), not_yet(2)])];
    assert_eq!(fitted(&data, &means(&[0.0])), Err(FitError::NotBoundedAbove { bounding: 0, records: 3 }));
    // One visit a year, seen or not: together they bound both sides.
    let data = [
        season("a", 2001, &[1.0; 9], &[not_yet(3), not_yet(4), not_yet(5)]),
        season("a", 2002, &[2.0; 9], &[by(4), by(5), by(6)]),
    ];
    let fit = fitted(&data, &means(&[0.0])).unwrap();
    assert_eq!((fit.best.sum, fit.best.scores.rmse_days), (SumRange { above: 6.0, up_to: 10.0 }, 0.0));
}

#[test]
fn unfit_data_are_refused_with_their_place() {
    let data = |seen: &[ObservedInterval]| [season("a", 2001, &[1.0; 9], seen)];
    let on = ObservedInterval::on(3);
    assert_eq!(fitted(&data(&[on, on]), &means(&[0.0])), Err(FitError::TooFew { records: 2 }));
    let outside = FitError::OutsideWeather { site: "a".into(), year: 2001, day: 9, last: 8 };
    assert_eq!(fitted(&data(&[on, on, ObservedInterval::on(9)]), &means(&[0.0])), Err(outside));
    assert_eq!(fitted(&data(&[on, on, on]), &means(&[])), Err(FitError::NoThreshold));
    let long = [season("a", 2001, &[1.0; 731], &[on, on, on])];
    assert!(matches!(fitted(&long, &means(&[0.0])), Err(FitError::TooLong { days: 731, .. })));
    let search = Search { upper_c: Some(1.0), cutoff: Cutoff::Horizontal, ..means(&[0.0, 1.0]) };
    assert!(matches!(fitted(&data(&[on, on, on]), &search), Err(FitError::Rule(_))));
    assert!(grid(0.0, 1.0, 0.0).is_err() && grid(1.0, 0.0, 0.1).is_err() && grid(0.0, f64::NAN, 0.1).is_err());
    assert!(grid(0.0, 10.0, 1e-9).is_err());
    assert_eq!(grid(3.2, 3.41, 0.1).unwrap(), [3.2, 3.3, 3.4]);
    assert_eq!(grid(-5.0, 14.0, 0.01).unwrap().len(), 1901);
}

#[test]
fn the_calendar_line_is_least_squares_on_dates_and_lies_in_all_intervals_when_it_can() {
    let at = |elevation_m, seen: &[ObservedInterval]| SiteYear {
        elevation_m: Some(elevation_m),
        ..season("a", 2001, &[1.0; 200], seen)
    };
    let data = [
        at(1000.0, &[ObservedInterval::on(60), ObservedInterval::on(64)]),
        at(1500.0, &[ObservedInterval::on(80)]),
        at(2000.0, &[ObservedInterval::on(101)]),
    ];
    let all: Vec<&SiteYear> = data.iter().collect();
    let mean = CalendarLine::through(&all, false).unwrap();
    assert!((mean.day - 76.25).abs() < 1e-9);
    // By hand: mean 1.375 km, slope = Σ(x-x̄)(y-ȳ) / Σ(x-x̄)² = 26.625 / 0.6875.
    let line = CalendarLine::through(&all, true).unwrap();
    assert!((line.days_per_km - 26.625 / 0.6875).abs() < 1e-9, "{}", line.days_per_km);
    let wide = ObservedInterval::between(Some(49), Some(90)).unwrap();
    let data = [at(
        1000.0,
        &[wide, ObservedInterval::between(Some(69), None).unwrap(), ObservedInterval::between(None, Some(80)).unwrap()],
    )];
    let all: Vec<&SiteYear> = data.iter().collect();
    let line = CalendarLine::through(&all, false).unwrap();
    assert_eq!(line.score(&all).rmse_days, 0.0);
    assert!(CalendarLine::through(&all, true).is_none());
}

#[test]
fn a_sum_is_written_as_short_as_its_range_allows() {
    let plain = |above, up_to| SumRange { above, up_to }.plain();
    assert_eq!(plain(252.97, 252.99), 252.98);
    assert_eq!(plain(447.56, 448.74), 448.0);
    assert_eq!(plain(60.51, 60.55), 60.53);
    assert_eq!(plain(0.0, 1.0), 0.5);
    assert_eq!(plain(10.0, f64::INFINITY), 11.0);
}

/// Costs found by trying: for every sum that occurs, who would be predicted when.
fn least_cost_by_trying(site_years: &[&SiteYear], rule: &HeatRule) -> i64 {
    let sums: Vec<Vec<f64>> = site_years.iter().map(|of| running_sums(rule, &of.days)).collect();
    let tried = sums.iter().flatten().copied().filter(|sum| *sum > SAME_SUM).chain([1e9]);
    tried.map(|required| cost_of(site_years, &sums, required)).min().unwrap()
}

fn cost_of(site_years: &[&SiteYear], sums: &[Vec<f64>], required: f64) -> i64 {
    let cost = |(of, sums): (&&SiteYear, &Vec<f64>)| {
        // Sums of tenths carry rounding in the last places.
        let day = sums.iter().position(|sum| *sum >= required - SAME_SUM).map_or(NEVER_DAY, |day| day as i32);
        of.seen.iter().map(|seen| seen.error(day).pow(2)).sum::<i64>()
    };
    site_years.iter().zip(sums).map(cost).sum()
}

fn any_seen(days: i32) -> impl Strategy<Value = ObservedInterval> {
    prop_oneof![
        3 => (0..days).prop_map(ObservedInterval::on),
        2 => (0..days - 1, 1..days).prop_map(move |(after, long)| {
            ObservedInterval::between(Some(after), Some((after + long).min(days - 1))).unwrap()
        }),
        1 => (0..days).prop_map(|day| ObservedInterval::between(None, Some(day)).unwrap()),
        1 => (0..days).prop_map(|day| ObservedInterval::between(Some(day), None).unwrap()),
    ]
}

fn any_site_year() -> impl Strategy<Value = SiteYear> {
    (0..3u8, 2000..2004, prop::collection::vec(-30..60i32, 12), prop::collection::vec(any_seen(12), 1..4)).prop_map(
        |(site, year, tenths, seen)| {
            let means: Vec<f64> = tenths.iter().map(|tenths| f64::from(*tenths) / 10.0).collect();
            season(&format!("S{site}"), year, &means, &seen)
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn no_sum_does_better_than_the_one_found(
        data in prop::collection::vec(any_site_year(), 1..6),
        lowers in prop::collection::btree_set(-20..40i32, 1..4),
    ) {
        let search = means(&lowers.iter().map(|tenths| f64::from(*tenths) / 10.0).collect::<Vec<_>>());
        let Ok(fit) = fitted(&data, &search) else { return Ok(()) };
        let records: usize = data.iter().map(|of| of.seen.len()).sum();
        let all: Vec<&SiteYear> = data.iter().collect();
        let mut least = i64::MAX;
        for point in &fit.valley {
            let rule = search.rule(point.lower_c).unwrap();
            let wanted = least_cost_by_trying(&all, &rule);
            least = least.min(wanted);
            prop_assert_eq!((point.scores.rmse_days.powi(2) * records as f64).round() as i64, wanted);
            // The whole range costs the same, and what lies just outside costs more.
            let sums: Vec<Vec<f64>> = all.iter().map(|of| running_sums(&rule, &of.days)).collect();
            let SumRange { above, up_to } = point.sum;
            let end = if up_to.is_finite() { up_to } else { 1e9 };
            prop_assert!(above < up_to);
            for share in [0.001, 0.3, 0.7, 1.0] {
                prop_assert_eq!(cost_of(&all, &sums, above + share * (end - above)), wanted);
            }
            if above > 0.0 {
                prop_assert!(cost_of(&all, &sums, above) > wanted);
            }
            if up_to.is_finite() {
                prop_assert!(cost_of(&all, &sums, up_to + 0.001) > wanted);
            }
        }
        prop_assert_eq!((fit.best.scores.rmse_days.powi(2) * records as f64).round() as i64, least);

        // Each turn of a cross-validation is the fit of what is left.
        let turns = fit.without_year.iter().chain(&fit.without_site).flat_map(|out| &out.folds);
        for turn in turns {
            let kept: Vec<&SiteYear> = data.iter().filter(|of| !turn.left_out.holds(of)).collect();
            let costs: Vec<i64> = search
                .lowers_c
                .iter()
                .map(|lower| least_cost_by_trying(&kept, &search.rule(*lower).unwrap()))
                .collect();
            let least = *costs.iter().min().unwrap();
            let first = costs.iter().position(|cost| *cost == least).unwrap();
            prop_assert_eq!(turn.lower_c, search.lowers_c[first]);
            let rule = search.rule(turn.lower_c).unwrap();
            let sums: Vec<Vec<f64>> = kept.iter().map(|of| running_sums(&rule, &of.days)).collect();
            let SumRange { above, up_to } = turn.sum;
            let end = if up_to.is_finite() { up_to } else { 1e9 };
            for share in [0.001, 0.5, 1.0] {
                prop_assert_eq!(cost_of(&kept, &sums, above + share * (end - above)), least);
            }
            if above > 0.0 {
                prop_assert!(cost_of(&kept, &sums, above) > least);
            }
        }
    }
}
