//! Fitting against published worked examples and a second opinion.
//!
//! Closed forms: Oregon State University, course Ent 442/542, laboratory handout (January 2006); A. Sharov, lecture notes
//! on population ecology; further sets of periods whose thresholds were found by direct minimisation. The exhaustive fit:
//! `second_opinion`, a search that numpy makes of dates drawn from a known threshold and sum.

mod command;
mod second_opinion;

use treebell::heat::closed_forms::{ClosedForms, Estimate, Period};

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
