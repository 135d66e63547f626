//! Many days, futures and leads at once come to what each comes to alone, and numpy finds the same dates.

use std::fmt::Write as _;
use std::process::Command;

use chrono::{Days, NaiveDate};
use treebell::assessment::past::SEASON_DAYS;
use treebell::heat::hindcast::{AssumedForecast, DRESSING_LEADS, LEADS, Verified, hindcast};
use treebell::heat::projection::{Dressing, Now, PastSeason, Projector};
use treebell::heat::{Cutoff, DayTemperatures, HeatRule, Method};
use treebell::randomness::Randomness;
use treebell::season::Profile;
use treebell::season::outlook::heat_sum_of;

use crate::support;

/// Invented seasons of whole years, leap years among them.
fn past(years: std::ops::Range<i32>) -> Vec<PastSeason> {
    let random = Randomness::seeded(14);
    let season = |season: i32| {
        let first = NaiveDate::from_ymd_opt(season, 1, 1).unwrap();
        let length = (NaiveDate::from_ymd_opt(season, 12, 31).unwrap() - first).num_days() + 1;
        let warmer = random.between(-1.5, 1.5);
        let day = |nth: i64| {
            let usual = 10.0 - 12.0 * (std::f64::consts::TAU * nth as f64 / 365.25).cos();
            let mean = usual + warmer + random.between(-4.0, 4.0);
            DayTemperatures { min_c: mean - random.between(3.0, 9.0), max_c: mean + random.between(3.0, 9.0) }
        };
        PastSeason { season, first, days: (0..length).map(day).collect() }
    };
    years.map(season).collect()
}

fn projector(past: &[PastSeason]) -> (Projector, f64) {
    let profile = Profile::pinyon_needle_scale();
    let target = heat_sum_of(&profile, &profile.window.opens).unwrap();
    (Projector::new(profile.heat, SEASON_DAYS, past), target)
}

#[test]
fn days_on_which_futures_reach_several_sums_are_those_of_each_sum_alone() {
    let past = past(1990..2010);
    let (projector, _) = projector(&past);
    let futures = projector.for_season(2000);
    let (first, days) = projector.season(2000).unwrap();
    for known in [0_usize, 1, 40, 100] {
        let now = Now {
            last_day: first + Days::new(known as u64) - Days::new(1),
            sum: known.checked_sub(1).map_or(0.0, |newest| projector.sums(2000).unwrap()[newest]),
            recent: &days[..known],
            forecast: &[],
            forecast_errors_c: &[],
        };
        let last_day = first + Days::new(200);
        // One is there already, one is never reached.
        let targets = [464.0, 214.0, 0.0, 1e6, 306.0];
        let together = futures.crossings_of(&now, &targets, last_day);
        let alone: Vec<_> = targets.iter().map(|target| futures.crossings(&now, *target, last_day)).collect();
        assert_eq!(together, alone, "{known} days known");
        assert!(together[0].days_ahead.len() > 50 && together[3].days_ahead.is_empty(), "{together:?}");
    }
}

#[test]
fn projections_of_many_leads_are_those_of_each_lead_alone() {
    let past = past(1990..2010);
    let (projector, target) = projector(&past);
    let seasons: Vec<i32> = projector.seasons().collect();
    for forecast in [AssumedForecast::None, AssumedForecast::Noisy] {
        let of = |leads: &[u32]| hindcast(&projector, &seasons, target, leads, forecast, &Dressing::default());
        let together = of(&LEADS);
        let by_lead = |verified: &[Verified], lead: u32| -> Vec<Verified> {
            verified.iter().filter(|one| one.lead == lead).cloned().collect()
        };
        for lead in LEADS {
            assert_eq!(by_lead(&together, lead), of(&[lead]), "{forecast:?}, {lead} days ahead");
        }
        // In the order that was asked for, season by season.
        let leads: Vec<u32> = together.iter().take(LEADS.len()).map(|one| one.lead).collect();
        assert_eq!(leads, LEADS);
    }
}

/// The program that the bench sets beside ours was written from the description of the method and not from its code.
#[test]
fn numpy_finds_the_same_dates_of_past_seasons() {
    let Some(python) = support::python("dates beside numpy") else { return };
    let past = past(1980..2012);
    let (projector, target) = projector(&past);
    let seasons: Vec<i32> = projector.seasons().collect();
    let found = hindcast(&projector, &seasons, target, &DRESSING_LEADS, AssumedForecast::None, &Dressing::default());
    assert!(found.len() > 400, "{}", found.len());
    let rule = Profile::pinyon_needle_scale().heat;
    let mut text = format!("{} {} {target}\n{} {}\n", rule.lower_c(), rule.upper_c().unwrap(), past.len(), found.len());
    for season in &past {
        write!(text, "{}", season.season).unwrap();
        season.days.iter().for_each(|day| write!(text, " {} {}", day.min_c, day.max_c).unwrap());
        text.push('\n');
    }
    for one in &found {
        writeln!(text, "{} {} {} {}", one.season, one.lead, one.mean, one.not_reached).unwrap();
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("seasons.txt");
    std::fs::write(&file, text).unwrap();
    let program = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bench/outlook.py");
    let done = Command::new(python).arg(program).arg(&file).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let said = String::from_utf8(done.stdout).unwrap();
    assert_eq!(said.lines().last(), Some(format!("{} 0", found.len()).as_str()), "{said}");
}

#[test]
fn numpy_sums_the_same_degree_days() {
    let Some(python) = support::python("degree-days beside numpy") else { return };
    let (lower, upper) = (4.0, 30.0);
    let rule = HeatRule::new(Method::SingleSine, lower, Some(upper), Cutoff::Horizontal).unwrap();
    let random = Randomness::seeded(14);
    let min_c: Vec<f64> = (0..20_000).map(|_| random.between(-10.0, 25.0)).collect();
    let max_c: Vec<f64> = min_c.iter().map(|min_c| min_c + random.between(5.0, 20.0)).collect();
    let mut heat = vec![0.0; min_c.len()];
    rule.degree_days_of(&min_c, &max_c, &mut heat);
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, values: &[f64]| {
        let file = folder.path().join(name);
        std::fs::write(&file, values.iter().flat_map(|value| value.to_le_bytes()).collect::<Vec<u8>>()).unwrap();
        file
    };
    let program = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bench/heat.py");
    let mut numpy = Command::new(python);
    numpy.arg(program).args([file("min", &min_c), file("max", &max_c)]);
    let done = numpy.args([lower.to_string(), upper.to_string(), "1".to_owned()]).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let said = String::from_utf8(done.stdout).unwrap();
    let (theirs, ours): (f64, f64) = (said.lines().last().unwrap().parse().unwrap(), heat.iter().sum());
    assert!(ours > 20_000.0 && (theirs - ours).abs() <= 1e-9 * ours, "numpy has {theirs}, we {ours}");
}
