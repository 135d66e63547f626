//! The exhaustive fit against a search that numpy makes of the same objective, and an optimiser of scipy.
//!
//! Temperatures come from us. numpy draws dates from a known threshold and sum with a known error, then tries every
//! threshold with every distinct sum. The method is the plain daily mean, so that its heat is one line of numpy.

use std::path::Path;

use serde::Deserialize;
use treebell::heat::fit::{CrossValidation, Fit, ObservedInterval, Search, SiteYear, SumRange, fit, grid};
use treebell::heat::{Cutoff, DayTemperatures, Method};

use super::close;
use crate::projection::{invented_to, january_to_july};
use crate::support;

/// Reads temperatures by year with the truth to draw from; prints the dates drawn and all that is found in them.
const SEARCH: &str = r#"
import json, sys
import numpy as np
from scipy.optimize import differential_evolution

NEVER = 730
asked = json.load(sys.stdin)
means = [np.array(year) for year in asked["means"]]
chance = np.random.default_rng(asked["seed"])

def running(year, lower):
    return np.cumsum(np.maximum(year - lower, 0.0))

def first_day(sums, required):
    day = int(np.searchsorted(sums, required - 1e-9))
    return day if day < len(sums) else NEVER

dates = []
for year in means:
    day = first_day(running(year, asked["true_lower"]), asked["true_sum"])
    off = np.rint(chance.normal(0.0, asked["error_days"], asked["records"]))
    dates.append([int(d) for d in np.clip(day + off, 0, len(year) - 1)])

# Squared error of predicting a day, by year; the last entry is "never".
costs = [((np.append(np.arange(len(year)), NEVER)[:, None] - np.array(seen)) ** 2).sum(axis=1)
         for year, seen in zip(means, dates)]
count = sum(len(seen) for seen in dates)

def by_sum(lower):
    # Every distinct sum with the cost it has in each year. Required sums just up to it predict alike.
    runs = [running(year, lower) for year in means]
    sums = np.unique(np.round(np.concatenate(runs), 6))
    sums = sums[sums > 0]
    days = [np.searchsorted(np.round(run, 6), sums - 1e-7) for run in runs]
    return sums, np.array([cost[day] for cost, day in zip(costs, days)])

def widest(sums, total):
    # Neighbours of least cost are one range; of several apart the widest is meant, or any of those as wide.
    least, ranges, at = total.min(), [], 0
    while at < len(sums):
        if total[at] == least:
            begin = sums[at - 1] if at else 0.0
            while at + 1 < len(sums) and total[at + 1] == least:
                at += 1
            ranges.append((float(begin), float(sums[at])))
        at += 1
    width = max(up_to - above for above, up_to in ranges)
    return int(least), [of for of in ranges if of[1] - of[0] > width - 1e-6]

def search(lowers):
    rows, folds = [], [None] * len(means)
    for lower in lowers:
        sums, cost = by_sum(lower)
        total = cost.sum(axis=0)
        least, found = widest(sums, total)
        rows.append({"cost": least, "sums": found})
        for out in range(len(means)):
            without = total - cost[out]
            if folds[out] is None or without.min() < folds[out][0]:
                folds[out] = (*widest(sums, without), lower)
    return rows, [{"lower": lower, "sums": found} for _, found, lower in folds]

lowers = asked["lowers"]
rows, folds = search(lowers)
rmse = [float(np.sqrt(row["cost"] / count)) for row in rows]
seen = np.concatenate([np.array(of) for of in dates]).astype(float)
owner = np.concatenate([[nth] * len(of) for nth, of in enumerate(dates)])
calendar_out = np.array([seen[owner != nth].mean() for nth in range(len(means))])[owner] - seen

def objective(at):
    lower = lowers[int(np.abs(np.array(lowers) - at[0]).argmin())]
    return sum(int(cost[min(first_day(running(year, lower), at[1]), len(year))])
               for year, cost in zip(means, costs))

optimised = differential_evolution(objective, [(lowers[0], lowers[-1]), (1.0, asked["true_sum"] * 4)], seed=asked["seed"],
                                   maxiter=30, polish=False)
print(json.dumps({
    "dates": dates, "rmse": rmse, "sums": [row["sums"] for row in rows], "folds": folds,
    "calendar_day": float(seen.mean()), "calendar_rmse": float(seen.std()),
    "calendar_out": float(np.sqrt((calendar_out ** 2).mean())),
    "calendar_out_mae": float(np.abs(calendar_out).mean()),
    "floor": float(np.sqrt(sum(int(cost.min()) for cost in costs) / count)),
    "optimised": float(np.sqrt(optimised.fun / count))}))
"#;

#[derive(Deserialize)]
struct Opinion {
    /// By year, days from the biofix.
    dates: Vec<Vec<i32>>,
    /// By threshold of the grid.
    rmse: Vec<f64>,
    sums: Vec<Vec<(f64, f64)>>,
    folds: Vec<Turn>,
    calendar_day: f64,
    calendar_rmse: f64,
    calendar_out: f64,
    calendar_out_mae: f64,
    floor: f64,
    /// What the optimiser came down to.
    optimised: f64,
}

#[derive(Deserialize)]
struct Turn {
    lower: f64,
    sums: Vec<(f64, f64)>,
}

struct Truth {
    lower_c: f64,
    sum: f64,
    error_days: f64,
    records: usize,
}

/// Tenths of a degree, as records have them: heat sums of daily means are then multiples of a hundredth and tie exactly.
fn tenths(days: &[DayTemperatures]) -> Vec<DayTemperatures> {
    let round = |celsius: f64| (celsius * 10.0).round() / 10.0;
    days.iter().map(|day| DayTemperatures { min_c: round(day.min_c), max_c: round(day.max_c) }).collect()
}

/// Cold years and warm ones, so that dates lie weeks apart and tell something of the threshold.
fn invented_years() -> Vec<(i32, Vec<DayTemperatures>)> {
    let year = |year: i32| {
        let warmer = 0.9 * f64::from(year * 7 % 11 - 5);
        let shift = |day: &DayTemperatures| DayTemperatures { min_c: day.min_c + warmer, max_c: day.max_c + warmer };
        let season = invented_to(chrono::NaiveDate::from_ymd_opt(year, 7, 31).unwrap());
        (year, tenths(&season.days.iter().map(shift).collect::<Vec<_>>()))
    };
    (1990..2004).map(year).collect()
}

fn real_years(folder: &Path, station: &str) -> Vec<(i32, Vec<DayTemperatures>)> {
    let seasons = january_to_july(&folder.join(format!("{station}.dly.gz")));
    let years: Vec<_> = seasons.iter().rev().take(14).map(|of| (of.season, tenths(&of.days))).collect();
    assert_eq!(years.len(), 14, "{station}");
    years.into_iter().rev().collect()
}

/// Both fits of the same drawn dates.
fn both(
    python: &Path,
    years: &[(i32, Vec<DayTemperatures>)],
    truth: &Truth,
    lowers_c: &[f64],
) -> (Opinion, Vec<SiteYear>, Fit) {
    let mean = |day: &DayTemperatures| (day.min_c + day.max_c) / 2.0;
    let means: Vec<Vec<f64>> = years.iter().map(|(_, days)| days.iter().map(mean).collect()).collect();
    let asked = serde_json::json!({
        "means": means, "lowers": lowers_c, "true_lower": truth.lower_c, "true_sum": truth.sum,
        "error_days": truth.error_days, "records": truth.records, "seed": 20_260_301,
    });
    let answer = support::run_python(python, SEARCH, &[], asked.to_string().as_bytes());
    let opinion: Opinion = serde_json::from_str(&answer).unwrap();
    let site_years: Vec<SiteYear> = years
        .iter()
        .zip(&opinion.dates)
        .map(|((year, days), dates)| SiteYear {
            site: "1".into(),
            year: *year,
            elevation_m: None,
            days: days.clone(),
            seen: dates.iter().map(|day| ObservedInterval::on(*day)).collect(),
        })
        .collect();
    let search = Search {
        method: Method::Average,
        cutoff: Cutoff::None,
        upper_c: None,
        lowers_c: lowers_c.to_vec(),
        // Of thresholds that err alike numpy names the lowest.
        prefer_c: f64::from(i16::MIN),
    };
    let got = fit(&site_years, &search, &mut |_| ()).unwrap();
    (opinion, site_years, got)
}

fn is_among(got: SumRange, ranges: &[(f64, f64)], what: &str) {
    let same = |(above, up_to): &(f64, f64)| (got.above - above).abs() < 1e-5 && (got.up_to - up_to).abs() < 1e-5;
    assert!(ranges.iter().any(same), "{what}: got {got:?}, wanted one of {ranges:?}");
}

fn fits_agree(python: &Path, years: &[(i32, Vec<DayTemperatures>)], step_c: f64, what: &str) {
    let truth = Truth { lower_c: 4.3, sum: 180.0, error_days: 3.0, records: 4 };
    let lowers_c = grid(-5.0, 14.0, step_c).unwrap();
    let (opinion, _, got) = both(python, years, &truth, &lowers_c);
    assert_eq!((got.valley.len(), opinion.rmse.len()), (lowers_c.len(), lowers_c.len()));
    for ((point, rmse), sums) in got.valley.iter().zip(&opinion.rmse).zip(&opinion.sums) {
        let what = format!("{what} at {} °C", point.lower_c);
        close(point.scores.rmse_days, *rmse, 1e-9, &what);
        is_among(point.sum, sums, &what);
    }
    let least = opinion.rmse.iter().copied().fold(f64::INFINITY, f64::min);
    close(got.best.scores.rmse_days, least, 1e-9, what);
    let first = opinion.rmse.iter().position(|rmse| *rmse == least).unwrap();
    assert_eq!(got.best.lower_c, lowers_c[first], "{what}");
    assert!(opinion.optimised >= least - 1e-9, "{what}: the optimiser found {}, we {least}", opinion.optimised);
    // The dates were drawn with an error of 3 days: the fit comes near it, and the threshold lies in the valley.
    assert!((2.0..4.0).contains(&least), "{what}: {least}");
    let near = opinion.rmse.iter().zip(&lowers_c).filter(|(rmse, _)| **rmse <= least + (least * 0.05).max(0.1));
    let near: Vec<f64> = near.map(|(_, lower_c)| *lower_c).collect();
    let flat = got.flat(0.05);
    assert_eq!((flat.from_c, flat.to_c), (near[0], near[near.len() - 1]), "{what}");
    assert!((flat.from_c..=flat.to_c).contains(&truth.lower_c), "{what}: {flat:?}");
}

#[test]
fn the_fit_reaches_the_exhaustive_optimum_of_a_second_opinion() {
    let Some(python) = support::python("the fit against numpy's search") else { return };
    fits_agree(&python, &invented_years(), 0.01, "invented years");
}

#[test]
fn the_fit_reaches_the_exhaustive_optimum_on_real_temperatures() {
    let what = "the fit against numpy's search on real temperatures";
    let (Some(python), Some(folder)) = (support::python(what), support::shared(what, "data/ghcn-daily")) else {
        return;
    };
    for station in ["USC00290692", "USW00023170"] {
        fits_agree(&python, &real_years(&folder, station), 0.05, station);
    }
}

#[test]
fn dates_without_error_give_back_what_they_were_drawn_from() {
    let Some(python) = support::python("the fit of dates without error") else { return };
    let lowers_c = grid(0.0, 9.0, 0.1).unwrap();
    for (lower_c, sum) in [(4.3, 180.0), (1.5, 260.5), (7.2, 61.3)] {
        let truth = Truth { lower_c, sum, error_days: 0.0, records: 1 };
        let (opinion, _, got) = both(&python, &invented_years(), &truth, &lowers_c);
        assert_eq!((got.best.scores.rmse_days, opinion.rmse.iter().copied().fold(f64::INFINITY, f64::min)), (0.0, 0.0));
        let (from, to) = got.ties();
        assert!((from..=to).contains(&lower_c), "{lower_c} is not in {from} to {to}");
        let there = got.valley.iter().find(|point| point.lower_c == lower_c).unwrap();
        assert!(there.sum.above < sum && sum <= there.sum.up_to + 1e-9, "{sum} is not in {:?}", there.sum);
    }
}

#[test]
fn errors_out_of_sample_and_of_the_calendar_are_those_of_the_second_opinion() {
    let Some(python) = support::python("errors out of sample against numpy's") else { return };
    let truth = Truth { lower_c: 4.3, sum: 180.0, error_days: 3.0, records: 4 };
    let (opinion, site_years, got) = both(&python, &invented_years(), &truth, &grid(-5.0, 14.0, 0.05).unwrap());
    close(got.calendar.day, opinion.calendar_day, 1e-9, "mean date");
    close(got.calendar.scores.rmse_days, opinion.calendar_rmse, 1e-9, "calendar");
    close(got.floor_rmse_days, opinion.floor, 1e-9, "least error of one whole day a year");
    let CrossValidation { scores, calendar, calendar_with_slope, folds } = got.without_year.unwrap();
    close(calendar.rmse_days, opinion.calendar_out, 1e-9, "calendar out of sample");
    close(calendar.mae_days, opinion.calendar_out_mae, 1e-9, "calendar out of sample, MAE");
    assert_eq!((scores.records, calendar_with_slope, got.without_site), (14 * 4, None, None));
    assert_eq!((folds.len(), opinion.folds.len()), (14, 14));
    // What numpy fitted without a year, tried on that year.
    let mut errors = Vec::new();
    for ((fold, turn), out) in folds.iter().zip(&opinion.folds).zip(&site_years) {
        let what = format!("without {}", out.year);
        assert_eq!(fold.lower_c, turn.lower, "{what}");
        is_among(fold.sum, &turn.sums, &what);
        let required = fold.sum.plain();
        let mut sum = 0.0;
        let predicted = out.days.iter().position(|day| {
            sum += ((day.min_c + day.max_c) / 2.0 - turn.lower).max(0.0);
            sum >= required - 1e-9
        });
        let predicted = predicted.map_or(730.0, |day| day as f64);
        errors.extend(out.seen.iter().filter_map(|seen| seen.by()).map(|day| predicted - f64::from(day)));
    }
    let n = errors.len() as f64;
    close(scores.rmse_days, (errors.iter().map(|error| error * error).sum::<f64>() / n).sqrt(), 1e-9, "RMSE");
    close(scores.mae_days, errors.iter().map(|error| error.abs()).sum::<f64>() / n, 1e-9, "MAE");
    assert!(scores.rmse_days >= got.best.scores.rmse_days, "out of sample it cannot look better here");
}
