//! The inner loops, each alone: `cargo bench --bench inner`. What they come to in a program is measured by the bench `speed`.
#![allow(clippy::unwrap_used, reason = "a panic in a bench is the finding")]

use std::hint::black_box;

use chrono::{Days, NaiveDate};
use criterion::{Criterion, criterion_group, criterion_main};
use treebell::assessment::past::SEASON_DAYS;
use treebell::heat::belief::{Look, PlaceLooks, SeasonLooks, StagePrior, posterior};
use treebell::heat::projection::{Now, PastSeason, Projector};
use treebell::heat::{Cutoff, DayTemperatures, HeatRule, Method};
use treebell::randomness::Randomness;
use treebell::season::{Profile, learning::Learned};

/// Sixty years of an invented place.
fn past(random: &Randomness) -> Vec<PastSeason> {
    let season = |season: i32| {
        let first = NaiveDate::from_ymd_opt(season, 1, 1).unwrap();
        let length = (NaiveDate::from_ymd_opt(season, 12, 31).unwrap() - first).num_days() + 1;
        let day = |nth: i64| {
            let mean = 10.0 - 12.0 * (std::f64::consts::TAU * nth as f64 / 365.25).cos() + random.between(-4.0, 4.0);
            DayTemperatures { min_c: mean - random.between(3.0, 9.0), max_c: mean + random.between(3.0, 9.0) }
        };
        PastSeason { season, first, days: (0..length).map(day).collect() }
    };
    (1965..2025).map(season).collect()
}

fn kernel(c: &mut Criterion) {
    let random = Randomness::seeded(1);
    let rule = HeatRule::new(Method::SingleSine, 4.0, Some(30.0), Cutoff::Horizontal).unwrap();
    let min_c: Vec<f64> = (0..2000).map(|_| random.between(-10.0, 15.0)).collect();
    let max_c: Vec<f64> = min_c.iter().map(|min_c| min_c + random.between(5.0, 20.0)).collect();
    let mut heat = vec![0.0; min_c.len()];
    c.bench_function("degree-days of 2,000 days", |bench| {
        bench.iter(|| rule.degree_days_of(black_box(&min_c), black_box(&max_c), &mut heat));
    });
}

fn crossings(c: &mut Criterion) {
    let (profile, past) = (Profile::pinyon_needle_scale(), past(&Randomness::seeded(2)));
    c.bench_function("past seasons made ready, 60", |bench| {
        bench.iter(|| Projector::new(profile.heat, SEASON_DAYS, black_box(&past)));
    });
    let projector = Projector::new(profile.heat, SEASON_DAYS, &past);
    c.bench_function("futures of one season", |bench| bench.iter(|| projector.for_season(black_box(2000))));
    let futures = projector.for_season(2000);
    let (first, days) = projector.season(2000).unwrap();
    let now = Now {
        last_day: first + Days::new(30),
        sum: projector.sums(2000).unwrap()[30],
        recent: &days[..31],
        forecast: &[],
        forecast_errors_c: &[],
    };
    let last_day = first + Days::new(365);
    c.bench_function("days on which futures reach a sum", |bench| {
        bench.iter(|| futures.crossings(black_box(&now), 214.0, last_day));
    });
    c.bench_function("days on which futures reach three sums", |bench| {
        bench.iter(|| futures.crossings_of(black_box(&now), &[214.0, 306.0, 464.0], last_day));
    });
    c.bench_function("futures as sums to the last stage", |bench| {
        bench.iter(|| futures.traces(black_box(&now), 900.0, last_day));
    });
}

fn belief(c: &mut Criterion) {
    let prior = StagePrior::new(214.0, 43.0, 25.0, 25.0).unwrap();
    let place = |nth: usize| {
        let look = |heat: f64, seen| Look::new(format!("{nth}-{heat}"), heat, seen, 0.7).unwrap();
        PlaceLooks {
            place: format!("place-{nth}"),
            parent: None,
            looks: vec![look(170.0 + nth as f64, false), look(240.0, true)],
        }
    };
    let seasons = [SeasonLooks { season: 2025, places: (0..20).map(place).collect() }];
    c.bench_function("belief about a sum after looks at 20 places", |bench| {
        bench.iter(|| posterior(black_box(&prior), black_box(&seasons)));
    });
    let profile = Profile::pinyon_needle_scale();
    c.bench_function("what a profile believes at a region", |bench| {
        bench.iter(|| Learned::prior(black_box(&profile), 2025).of_region(&profile, &"a-region".into()));
    });
}

criterion_group!(inner, kernel, crossings, belief);
criterion_main!(inner);
