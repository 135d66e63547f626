//! The belief of heat sums against a second opinion, and whether what it says comes true as often as it says.
//!
//! Calibration by simulation: Talts, Betancourt, Simpson, Vehtari & Gelman 2018, arXiv:1804.06788: over truths drawn from the
//! prior and looks drawn at them, the share of the posterior below the truth is uniform. The second opinion: `second_opinion`,
//! the model integrated by numpy and scipy from its definition.

mod second_opinion;

use std::f64::consts::TAU;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use treebell::heat::belief::{Look, PlaceLooks, SeasonLooks, StagePrior, posterior};
use treebell::heat::fit::{ObservedInterval, SiteYear, best_sum, bounds};
use treebell::heat::{Cutoff, DayTemperatures, HeatRule, Method};

/// Simulated sets of looks.
const SETS: usize = 1600;

/// Bins of the shares below the truth, and what chi-square of them is exceeded by chance once in a thousand, at 19
/// degrees of freedom (any table of it).
const BINS: usize = 20;
const CHI_SQUARE: f64 = 43.82;

struct Dice(ChaCha8Rng);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0.random_range(0.0..1.0)
    }

    /// Box and Muller.
    fn normal(&mut self, mean: f64, sd: f64) -> f64 {
        let (radius, turn) = ((-2.0 * (1.0 - self.unit()).ln()).sqrt(), TAU * self.unit());
        mean + sd * radius * turn.cos()
    }
}

/// A place that is drawn with its looks.
struct Drawn {
    looks: PlaceLooks,
    sum: f64,
}

fn draw_place(dice: &mut Dice, place: String, middle: f64, places_sd: f64) -> Drawn {
    let sum = dice.normal(middle, places_sd);
    let detection = [0.5, 0.8, 1.0][dice.0.random_range(0..3)];
    let count = dice.0.random_range(0..=4);
    // Looks are made at heats that have nothing to do with the truth.
    let looks = (0..count).map(|nth| {
        let heat = 180.0 + 240.0 * dice.unit();
        let seen = sum <= heat && dice.unit() < detection;
        Look::new(format!("{nth}"), heat, seen, detection).unwrap()
    });
    Drawn { looks: PlaceLooks { place, parent: None, looks: looks.collect() }, sum }
}

/// The share of the posterior below the truth, of the mean and of one place.
fn shares(seed: u64) -> (f64, f64) {
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed));
    let (belief_sd, years_sd, places_sd) = (35.0, 18.0, 14.0);
    let prior = StagePrior::new(300.0, belief_sd, places_sd, years_sd).unwrap();
    let mean = dice.normal(300.0, belief_sd);
    let mut asked = None;
    let seasons: Vec<SeasonLooks> = (2001..2001 + dice.0.random_range(1..=2))
        .map(|season| {
            let middle = dice.normal(mean, years_sd);
            let drawn: Vec<Drawn> = (0..dice.0.random_range(1..=4))
                .map(|place| draw_place(&mut dice, format!("{place}"), middle, places_sd))
                .collect();
            asked = drawn.first().map(|first| (season, first.sum));
            SeasonLooks { season, places: drawn.into_iter().map(|drawn| drawn.looks).collect() }
        })
        .collect();
    let (season, sum) = asked.unwrap();
    let told = posterior(&prior, &seasons);
    (told.belief().share_below(mean), told.of_place(season, "0").share_below(sum))
}

fn is_uniform(shares: &[f64], what: &str) {
    let mut bins = [0.0; BINS];
    for share in shares {
        bins[((share * BINS as f64) as usize).min(BINS - 1)] += 1.0;
    }
    let expected = shares.len() as f64 / BINS as f64;
    let chi_square: f64 = bins.iter().map(|count| (count - expected).powi(2) / expected).sum();
    assert!(chi_square < CHI_SQUARE, "{what}: chi-square {chi_square:.1}, bins {bins:?}");
    let held = shares.iter().filter(|share| (0.1..=0.9).contains(*share)).count() as f64 / shares.len() as f64;
    assert!((0.77..=0.83).contains(&held), "{what}: 80 % ranges held {:.1} % of truths", held * 100.0);
}

#[test]
fn posteriors_of_simulated_looks_are_calibrated() {
    let half = SETS as u64 / 2;
    let work = |from: u64| move || (from..from + half).map(shares).collect::<Vec<_>>();
    let (first, second) = (std::thread::spawn(work(0)), std::thread::spawn(work(half)));
    let all: Vec<(f64, f64)> = [first, second].into_iter().flat_map(|of| of.join().unwrap()).collect();
    assert_eq!(all.len(), SETS);
    let (means, places): (Vec<f64>, Vec<f64>) = all.into_iter().unzip();
    is_uniform(&means, "the mean");
    is_uniform(&places, "a place");
}

/// A made-up season of daily means, told by its number: a slow warming with weather on it.
fn season_of_means(nth: i32) -> Vec<f64> {
    let wobble = |day: i32| f64::from((day * 37 + nth * 101) % 23) - 11.0;
    (0..200).map(|day| -6.0 + f64::from(nth % 5) * 1.3 + f64::from(day) * 0.16 + wobble(day) * 0.4).collect()
}

#[test]
fn where_nothing_differs_and_nothing_was_believed_the_belief_is_the_range_that_the_fit_finds() {
    // A sum of 150, seen on visits every week: the fit's sums that err nowhere are those that no look contradicts, and the
    // posterior is the wide belief cut to them.
    let rule = HeatRule::new(Method::Average, 4.0, None, Cutoff::None).unwrap();
    let (mut site_years, mut seasons) = (Vec::new(), Vec::new());
    for nth in 0..12 {
        let means = season_of_means(nth);
        let mut sum = 0.0;
        let sums: Vec<f64> = means
            .iter()
            .map(|mean| {
                sum += (mean - 4.0).max(0.0);
                sum
            })
            .collect();
        let came = sums.iter().position(|sum| *sum >= 150.0).unwrap() as i32;
        let seen = came + (nth * 3 - came).rem_euclid(7);
        let interval = ObservedInterval::between(Some(seen - 7), Some(seen)).unwrap();
        site_years.push(SiteYear {
            site: "1".into(),
            year: 2001 + nth,
            elevation_m: None,
            days: means.iter().map(|mean| DayTemperatures { min_c: *mean, max_c: *mean }).collect(),
            seen: vec![interval],
        });
        let look = |day: i32, seen| Look::new(format!("{nth} {day}"), sums[day as usize], seen, 1.0).unwrap();
        let looks = vec![look(seen - 7, false), look(seen, true)];
        seasons.push(SeasonLooks {
            season: 2001 + nth,
            places: vec![PlaceLooks { place: "1".into(), parent: None, looks }],
        });
    }
    let (range, scores) = best_sum(&site_years, &rule).unwrap();
    assert_eq!(scores.rmse_days, 0.0);
    let (above, up_to) = bounds(&site_years, &rule);
    assert_eq!((above, up_to), (Some(range.above), Some(range.up_to)), "no record contradicts another");
    assert!(range.up_to - range.above < 25.0, "{range:?}");

    let prior = StagePrior::new(200.0, 2000.0, 0.0, 0.0).unwrap();
    let told = posterior(&prior, &seasons);
    let belief = told.belief();
    assert!(range.above < belief.mean() && belief.mean() <= range.up_to, "{range:?}: {}", belief.mean());
    // Nearly nothing was believed, so that within the range all sums are alike.
    let middle = (range.above + range.up_to) / 2.0;
    assert!((belief.mean() - middle).abs() < 0.01, "{range:?}: {}", belief.mean());
    assert!((belief.sd() - (range.up_to - range.above) / 12f64.sqrt()).abs() < 0.01, "{range:?}: {}", belief.sd());
    assert!(belief.quantile(0.001) > range.above && belief.quantile(0.999) < range.up_to);
    assert!((told.of_place(2050, "elsewhere").mean() - belief.mean()).abs() < 1e-9);
}
