//! Fitting against published worked examples and an independent reference.
//!
//! Closed forms: Oregon State University, course Ent 442/542, laboratory handout (L. Coop, January 2006); A. Sharov,
//! lecture notes on population ecology; the example inputs of the R package `pollen` 0.83.0 and further sets whose
//! thresholds were found by direct minimisation. The exhaustive fit: the observations of highbush blueberry at Harvard
//! Forest 1990-2001 that the Python package pyPhenology 0.7.1 carries with it, on which a script independent of this
//! project tried every threshold from -5 to 14 °C in steps of 0.01 with every distinct sum.

mod command;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use treebell::heat::closed_forms::{ClosedForms, Estimate, Period};
use treebell::heat::fit::{CrossValidation, Fit, Search, Seen, SiteYear, SumRange, fit, grid};
use treebell::heat::{Cutoff, DayTemperatures, Method};

use crate::support;

fn close(got: f64, wanted: f64, within: f64, what: &str) {
    assert!((got - wanted).abs() <= within, "{what}: got {got}, wanted {wanted}");
}

fn periods(temperatures: &[f64], days: &[f64]) -> Vec<Period> {
    let both = temperatures.iter().zip(days);
    both.map(|(temperature, days)| Period { mean_temperature: *temperature, days: *days }).collect()
}

#[test]
fn closed_forms_reproduce_thresholds_found_by_direct_minimisation() {
    // Temperatures, days; least SD of heat, least SD in days, least CV, regression, x-intercept and its sum. The fourth
    // set is in °F. From the project's reference table: each value agreed with a numerical search to 1e-4.
    let sets: [(&[f64], &[f64], [f64; 6]); 5] = [
        (&[25.0, 20.0, 15.0, 10.0], &[6.0, 11.0, 16.0, 21.0], [4.0, 2.518519, 2.211921, 4.0, 5.578947, 129.684211]),
        (
            &[50.0, 60.0, 70.0, 80.0],
            &[40.0, 20.0, 13.0, 9.0],
            [40.940246, 40.898466, 40.884283, 41.3, 41.947566, 350.561798],
        ),
        (
            &[12.0, 15.0, 18.0, 20.0, 25.0],
            &[50.0, 200.0 / 7.0, 20.0, 200.0 / 12.0, 200.0 / 17.0],
            [8.0, 8.0, 8.0, 8.0, 8.0, 200.0],
        ),
        (
            &[11.2, 12.9, 14.1, 15.8, 17.3, 18.9],
            &[61.0, 47.0, 38.0, 30.0, 25.0, 22.0],
            [7.056782, 7.020849, 7.016172, 7.132433, 7.227044, 256.260789],
        ),
        (
            &[9.4, 10.1, 11.7, 12.2, 13.0, 14.6, 15.1],
            &[92.0, 81.0, 66.0, 61.0, 55.0, 46.0, 44.0],
            [4.165830, 4.149717, 4.148659, 4.211380, 4.277572, 478.304652],
        ),
    ];
    for (temperatures, days, [sd_heat, sd_days, cv, regression, intercept, sum]) in sets {
        let got = ClosedForms::of(&periods(temperatures, days));
        let lower = |estimate: Option<Estimate>| estimate.unwrap().lower;
        close(lower(got.least_sd_heat), sd_heat, 1e-6, "least SD of heat");
        close(lower(got.least_sd_days), sd_days, 1e-6, "least SD in days");
        close(lower(got.least_cv), cv, 1e-6, "least CV");
        close(lower(got.regression), regression, 1e-6, "regression");
        close(lower(got.x_intercept), intercept, 1e-6, "x-intercept");
        close(got.x_intercept.unwrap().sum, sum, 1e-6, "sum of the x-intercept");
    }
}

#[test]
fn closed_forms_minimise_what_they_say_they_do() {
    let periods = periods(&[11.2, 12.9, 14.1, 15.8, 17.3, 18.9], &[61.0, 47.0, 38.0, 30.0, 25.0, 22.0]);
    let got = ClosedForms::of(&periods);
    let n = periods.len() as f64;
    let mean_temperature = periods.iter().map(|period| period.mean_temperature).sum::<f64>() / n;
    let mean = |lower: f64| periods.iter().map(|period| period.heat(lower)).sum::<f64>() / n;
    let sd = |lower: f64| {
        let mean = mean(lower);
        (periods.iter().map(|period| (period.heat(lower) - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
    };
    let slope = |lower: f64| {
        let products = periods.iter().map(|p| (p.mean_temperature - mean_temperature) * p.heat(lower));
        products.sum::<f64>().powi(2)
    };
    type Criterion<'a> = (&'a str, Option<Estimate>, &'a dyn Fn(f64) -> f64);
    let criteria: [Criterion<'_>; 4] = [
        ("least SD of heat", got.least_sd_heat, &sd),
        ("least SD in days", got.least_sd_days, &|lower| sd(lower) / (mean_temperature - lower)),
        ("least CV", got.least_cv, &|lower| sd(lower) / mean(lower)),
        ("regression", got.regression, &slope),
    ];
    for (name, estimate, criterion) in criteria {
        let Estimate { lower, sum } = estimate.unwrap();
        let least = criterion(lower);
        assert!(least < criterion(lower - 0.01) && least < criterion(lower + 0.01), "{name}");
        close(sum, mean(lower), 1e-9, name);
    }
}

#[test]
fn published_worked_examples_of_the_x_intercept_are_reproduced() {
    // OSU handout: 50, 60, 70, 80 °F in 40, 20, 13, 9 days: rate = -0.1196 + 0.00285 T, threshold 41.96 °F, 350.8 °F·day.
    // The exact regression gives 41.95 and 350.56; the handout went on with its rounded coefficients.
    let osu = ClosedForms::of(&periods(&[50.0, 60.0, 70.0, 80.0], &[40.0, 20.0, 13.0, 9.0])).x_intercept.unwrap();
    let (slope, intercept) = (1.0 / osu.sum, -osu.lower / osu.sum);
    close(slope, 0.00285, 0.000005, "OSU slope");
    close(intercept, -0.1196, 0.0001, "OSU intercept");
    close(osu.lower, 41.96, 0.02, "OSU threshold");
    close(osu.sum, 350.8, 0.3, "OSU sum");
    // Sharov: rate = -0.0104 + 0.00142 T: threshold 7.3 °C, 704 °C·day.
    let (temperatures, rate) = ([10.0, 15.0, 20.0, 25.0], |t: f64| -0.0104 + 0.00142 * t);
    let sharov = ClosedForms::of(&periods(&temperatures, &temperatures.map(|t| 1.0 / rate(t)))).x_intercept.unwrap();
    close(sharov.lower, 7.3, 0.05, "Sharov threshold");
    close(sharov.sum, 704.0, 0.5, "Sharov sum");
}

/// The data folder of pyPhenology 0.7.1, unpacked: named by an environment variable, or where `.ci/run` puts it.
fn pyphenology() -> Option<PathBuf> {
    let named = std::env::var_os("TREEBELL_PYPHENOLOGY").map(PathBuf::from);
    let fetched = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/outside/pyPhenology/data");
    let folder = named.unwrap_or(fetched);
    let found = folder.join("vaccinium_obs.csv").is_file();
    if !found {
        let needs = "the package pyPhenology 0.7.1 from PyPI, unpacked: TREEBELL_PYPHENOLOGY=its data folder";
        support::skipped("the fit against pyPhenology's blueberry data", needs);
    }
    found.then_some(folder)
}

const BUDBURST: &str = "371";
const FLOWERS: &str = "501";

/// One phase of the blueberry data with heat summed from a day of the year (1 = 1 January, negative: the year before).
fn blueberry(folder: &Path, phase: &str, from_day: i32) -> Vec<SiteYear> {
    let rows = |name: &str| {
        let text = std::fs::read_to_string(folder.join(name)).unwrap();
        text.lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect::<Vec<_>>()).collect::<Vec<_>>()
    };
    let mut means: BTreeMap<i32, BTreeMap<i32, f64>> = BTreeMap::new();
    for row in rows("vaccinium_temperature.csv") {
        let (year, day): (i32, i32) = (row[2].parse().unwrap(), row[3].parse().unwrap());
        means.entry(year).or_default().insert(day, row[1].parse().unwrap());
    }
    let mut seen: BTreeMap<i32, Vec<Seen>> = BTreeMap::new();
    for row in rows("vaccinium_obs.csv").iter().filter(|row| row[4] == phase) {
        let day: i32 = row[3].parse().unwrap();
        seen.entry(row[2].parse().unwrap()).or_default().push(Seen::on(day - from_day));
    }
    let site_years: Vec<SiteYear> = seen
        .into_iter()
        .map(|(year, seen)| {
            let days = means[&year].range(from_day..).map(|(_, mean)| DayTemperatures { min_c: *mean, max_c: *mean });
            SiteYear { site: "1".into(), year, elevation_m: None, days: days.collect(), seen }
        })
        .collect();
    assert_eq!((site_years.len(), site_years.iter().map(|of| of.seen.len()).sum::<usize>()), (12, 48));
    site_years
}

/// Of thresholds that err alike the reference names the lowest.
fn exhaustive(data: &[SiteYear], lowers_c: Vec<f64>) -> Fit {
    let search = Search {
        method: Method::Average,
        cutoff: Cutoff::None,
        upper_c: None,
        lowers_c,
        prefer_c: f64::from(i16::MIN),
    };
    fit(data, &search, &mut |_| ()).unwrap()
}

fn ranges_agree(got: SumRange, above: f64, up_to: f64, what: &str) {
    close(got.above, above, 1e-6, what);
    close(got.up_to, up_to, 1e-6, what);
}

#[test]
fn the_fit_reaches_the_exhaustive_optimum_of_an_independent_reference() {
    let Some(folder) = pyphenology() else { return };
    // Phase, first day of the sum, threshold, range of sums, RMSE.
    let rows = [
        (FLOWERS, 1, 3.30, (252.97, 252.99), 2.883141),
        (BUDBURST, 1, 6.41, (60.51, 60.55), 4.046604),
        (BUDBURST, -65, 8.87, (43.75, 43.76), 6.785401),
        (FLOWERS, -65, 3.78, (296.16, 296.25), 4.002603),
    ];
    for (phase, from_day, lower_c, (above, up_to), rmse) in rows {
        let what = format!("phase {phase} from day {from_day}");
        let got = exhaustive(&blueberry(&folder, phase, from_day), grid(-5.0, 14.0, 0.01).unwrap());
        assert_eq!(got.best.lower_c, lower_c, "{what}");
        ranges_agree(got.best.sum, above, up_to, &what);
        close(got.best.scores.rmse_days, rmse, 5e-7, &what);
        assert_eq!(got.valley.len(), 1901);
        assert!(got.valley.iter().all(|point| point.scores.rmse_days >= got.best.scores.rmse_days));
    }
}

#[test]
fn the_best_sums_of_given_thresholds_are_those_of_the_reference() {
    let Some(folder) = pyphenology() else { return };
    let rows = [
        (BUDBURST, 0.0, (272.45, 273.62), 5.656854),
        (BUDBURST, 4.0, (110.50, 110.52), 5.111262),
        (BUDBURST, 5.0, (92.26, 92.37), 4.987484),
        (BUDBURST, 10.0, (19.07, 19.79), 7.950367),
        (FLOWERS, 0.0, (447.56, 448.74), 3.294566),
        (FLOWERS, 4.0, (220.57, 220.79), 2.954516),
        (FLOWERS, 5.0, (175.10, 176.57), 3.119161),
        (FLOWERS, 10.0, (48.20, 49.59), 5.573374),
    ];
    for (phase, lower_c, (above, up_to), rmse) in rows {
        let what = format!("phase {phase} at {lower_c} °C");
        let got = exhaustive(&blueberry(&folder, phase, 1), vec![lower_c]);
        ranges_agree(got.best.sum, above, up_to, &what);
        close(got.best.scores.rmse_days, rmse, 5e-7, &what);
    }
}

#[test]
fn errors_out_of_sample_and_nulls_are_those_of_the_reference() {
    let Some(folder) = pyphenology() else { return };
    struct Wanted {
        phase: &'static str,
        mean_day: f64,
        calendar_rmse: f64,
        year_only_rmse: f64,
        /// RMSE and MAE leaving one year out.
        out: (f64, f64),
        calendar_out: (f64, f64),
    }
    let rows = [
        Wanted {
            phase: BUDBURST,
            mean_day: 117.8750,
            calendar_rmse: 7.0167,
            year_only_rmse: 2.0716,
            out: (5.7843, 4.1250),
            calendar_out: (7.6011, 5.7472),
        },
        Wanted {
            phase: FLOWERS,
            mean_day: 133.9375,
            calendar_rmse: 5.9945,
            year_only_rmse: 2.7339,
            out: (3.2048, 2.5625),
            calendar_out: (6.4299, 5.5616),
        },
    ];
    for wanted in rows {
        let what = format!("phase {}", wanted.phase);
        let data = blueberry(&folder, wanted.phase, 1);
        // The reference's errors out of sample are those of a grid of 0.05 °C: with 0.01 °C another threshold is chosen
        // for budburst in some turns, and its two figures come to 5.6384 and 3.8333.
        let got = exhaustive(&data, grid(-5.0, 14.0, 0.05).unwrap());
        close(got.calendar.day + 1.0, wanted.mean_day, 5e-5, &what);
        close(got.calendar.scores.rmse_days, wanted.calendar_rmse, 5e-5, &what);
        let CrossValidation { scores, calendar, calendar_with_slope, folds } = got.without_year.unwrap();
        close(scores.rmse_days, wanted.out.0, 5e-5, &what);
        close(scores.mae_days, wanted.out.1, 5e-5, &what);
        close(calendar.rmse_days, wanted.calendar_out.0, 5e-5, &what);
        close(calendar.mae_days, wanted.calendar_out.1, 5e-5, &what);
        assert_eq!((folds.len(), scores.records, calendar_with_slope, got.without_site), (12, 48, None, None));
        // The reference's floor is the spread about each year's mean date; ours knows that predictions are whole days.
        let about_means: f64 = data
            .iter()
            .map(|of| {
                let days: Vec<f64> = of.seen.iter().filter_map(|seen| seen.by()).map(f64::from).collect();
                let mean = days.iter().sum::<f64>() / days.len() as f64;
                days.iter().map(|day| (day - mean).powi(2)).sum::<f64>()
            })
            .sum();
        close((about_means / 48.0).sqrt(), wanted.year_only_rmse, 5e-5, &what);
        assert!(got.floor_rmse_days >= wanted.year_only_rmse && got.floor_rmse_days < wanted.year_only_rmse + 0.02);
    }
    let flowers = blueberry(&folder, FLOWERS, 1);
    let means = [132.5, 127.0, 139.5, 131.0, 137.5, 139.0, 140.0, 142.5, 125.25, 132.0, 130.0, 131.0];
    for (of, mean) in flowers.iter().zip(means) {
        let days: f64 = of.seen.iter().filter_map(|seen| seen.by()).map(|day| f64::from(day + 1)).sum();
        assert_eq!(days / of.seen.len() as f64, mean, "{}", of.year);
    }
}
