//! Posteriors against the model integrated from its definition: numpy sums over Gauss-Legendre points of the mean, of the
//! season's middle and, between the heats of looks, of the place's sum, each with the likelihood of its looks as the model
//! words it; scipy finds the quantiles. None of our closed forms, lattices or tables has a part in it.

use serde::Deserialize;
use treebell::heat::belief::{Look, PlaceLooks, SeasonLooks, StagePrior, Sums, posterior};

use crate::support;

/// Reads a prior, seasons of places of looks `[heat, seen, detection]` and which place is asked; prints mean, SD and
/// quantiles of the mean sum and of that place's sum.
const INTEGRATE: &str = r#"
import json, sys
import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm

asked = json.load(sys.stdin)
NODES, WEIGHTS = np.polynomial.legendre.leggauss(24)

def points(cuts):
    # Gauss-Legendre points between cuts, with more of them put in so that no piece is wider than 40.
    ends = np.concatenate([np.linspace(a, b, 2 + int((b - a) / 40))[:-1] for a, b in zip(cuts, cuts[1:])] + [cuts[-1:]])
    half = np.diff(ends)[:, None] / 2
    return (ends[:-1, None] + half * (1 + NODES)).ravel(), (half * WEIGHTS).ravel()

def likelihood(looks, x):
    total = np.ones_like(x)
    for heat, seen, detection in looks:
        come = x <= heat
        total = total * (come if seen else np.where(come, 1 - detection, 1.0))
    return total

def summary(density, low, high, cuts):
    cuts = [low] + sorted({cut for cut in cuts if low < cut < high}) + [high]
    x, weight = points(cuts)
    mass = weight * density(x)
    total = mass.sum()
    mean = mass @ x / total
    # Shares below the ends of pieces, then the rest of one piece.
    at_cuts = [mass[x < cut].sum() for cut in cuts]
    def below(at):
        nth = max(n for n, cut in enumerate(cuts) if cut <= at)
        if at == cuts[nth]:
            return at_cuts[nth] / total
        rest, rest_weight = points([cuts[nth], at])
        return (at_cuts[nth] + rest_weight @ density(rest)) / total
    quantile = lambda p: brentq(lambda at: below(at) - p, low, high, xtol=1e-9)
    return {"mean": mean, "sd": np.sqrt(mass @ (x - mean) ** 2 / total),
            "quantiles": [quantile(p) for p in asked["shares"]]}

def solve(case):
    mean, belief, places, years = case["prior"]
    reach = 9 * np.sqrt(belief**2 + years**2 + places**2)
    low, high = mean - reach, mean + reach
    # The season's middle, the mean and its effect together: a point for each value of it.
    middle, middle_weight = points([low, high])
    normal = lambda off, sd: norm.pdf(off / sd) / sd

    def place_mean(looks):
        x, weight = points([low] + sorted({heat for heat, _, _ in looks}) + [high])
        return normal(x[None, :] - middle[:, None], places) @ (weight * likelihood(looks, x))

    season_of, place_of = case["asked"]
    products = [np.prod([place_mean(looks) for looks in season], axis=0) for season in case["seasons"]]
    season_mean = lambda nth, mu: normal(middle[None, :] - mu[:, None], years) @ (middle_weight * products[nth])
    others = lambda mu, left_out: normal(mu - mean, belief) * np.prod(
        [season_mean(nth, mu) for nth in range(len(products)) if nth != left_out] + [np.ones_like(mu)], axis=0)

    mu, mu_weight = points([low, high])
    neighbours = np.prod([place_mean(looks) for nth, looks in enumerate(case["seasons"][season_of]) if nth != place_of]
                         + [np.ones_like(middle)], axis=0)
    from_others = normal(middle[:, None] - mu[None, :], years) @ (mu_weight * others(mu, season_of))
    cavity = middle_weight * neighbours * from_others
    looks = case["seasons"][season_of][place_of]
    place = lambda x: likelihood(looks, x) * (normal(x[:, None] - middle[None, :], places) @ cavity)
    return {"belief": summary(lambda mu: others(mu, None), low, high, []),
            "place": summary(place, low, high, [heat for heat, _, _ in looks])}

print(json.dumps([solve(case) for case in asked["cases"]]))
"#;

const SHARES: [f64; 5] = [0.05, 0.25, 0.5, 0.75, 0.95];

#[derive(Deserialize)]
struct Opinion {
    belief: Told,
    place: Told,
}

#[derive(Deserialize)]
struct Told {
    mean: f64,
    sd: f64,
    quantiles: Vec<f64>,
}

/// Heat, seen, detection.
type Glance = (f64, bool, f64);

struct Case {
    /// Mean, belief SD, places' SD, years' SD.
    prior: [f64; 4],
    seasons: Vec<Vec<Vec<Glance>>>,
    /// Season and place, by number.
    asked: (usize, usize),
}

/// Made up for what may go wrong: looks that hardly say anything, narrow intervals, sightings far from what was believed,
/// looks that contradict each other, a place without looks.
fn cases() -> [Case; 4] {
    [
        Case {
            prior: [300.0, 30.0, 15.0, 20.0],
            seasons: vec![
                vec![
                    vec![(270.0, false, 0.7), (310.0, true, 0.7)],
                    vec![(295.0, false, 0.7)],
                    vec![(330.0, true, 0.6)],
                ],
                vec![vec![(280.0, true, 0.9)], vec![(240.0, false, 0.9), (262.0, true, 0.9)]],
            ],
            asked: (0, 0),
        },
        Case {
            prior: [180.0, 45.0, 10.0, 12.0],
            seasons: vec![
                vec![vec![(205.0, false, 1.0), (211.0, true, 1.0)], vec![(199.0, false, 0.8), (228.0, true, 0.8)]],
                vec![vec![(231.5, false, 0.5), (231.5, false, 0.5), (240.0, true, 0.5)], vec![(260.0, false, 0.3)]],
            ],
            asked: (1, 0),
        },
        Case {
            // Far from what was believed, and zeros after a sighting.
            prior: [420.0, 20.0, 18.0, 9.0],
            seasons: vec![
                vec![vec![(340.0, true, 0.7)], vec![(352.0, true, 0.7), (380.0, false, 0.7)], vec![(360.0, true, 0.7)]],
                vec![vec![(330.0, false, 0.6), (371.0, true, 0.6)]],
            ],
            asked: (0, 1),
        },
        Case {
            prior: [250.0, 60.0, 25.0, 15.0],
            seasons: vec![
                vec![vec![(290.0, false, 0.7), (290.0, false, 0.7), (290.0, false, 0.7)], vec![(200.0, false, 0.7)]],
                vec![
                    vec![],
                    vec![(255.0, true, 0.7)],
                    vec![(300.0, false, 0.7), (320.0, true, 0.7)],
                    vec![(238.0, false, 0.4)],
                ],
            ],
            asked: (1, 0),
        },
    ]
}

fn seasons_of(case: &Case) -> Vec<SeasonLooks> {
    let look =
        |nth: usize, (heat, seen, detection): &Glance| Look::new(format!("{nth}"), *heat, *seen, *detection).unwrap();
    let place = |nth: usize, glances: &Vec<Glance>| PlaceLooks {
        place: format!("{nth}"),
        parent: None,
        looks: glances.iter().enumerate().map(|(nth, glance)| look(nth, glance)).collect(),
    };
    let all = case.seasons.iter().zip(2001..);
    all.map(|(places, season)| SeasonLooks {
        season,
        places: places.iter().enumerate().map(|(nth, glances)| place(nth, glances)).collect(),
    })
    .collect()
}

#[test]
fn posteriors_are_the_model_integrated_by_scipy() {
    let Some(python) = support::python("beliefs against numerical integration") else { return };
    let cases = cases();
    let asked: Vec<_> = cases
        .iter()
        .map(|case| serde_json::json!({ "prior": case.prior, "seasons": case.seasons, "asked": case.asked }))
        .collect();
    let input = serde_json::json!({ "shares": SHARES, "cases": asked }).to_string();
    let answer = support::run_python(&python, INTEGRATE, &[], input.as_bytes());
    let opinions: Vec<Opinion> = serde_json::from_str(&answer).unwrap();
    assert_eq!(opinions.len(), cases.len());
    for (nth, (case, opinion)) in cases.iter().zip(&opinions).enumerate() {
        let [mean, belief_sd, places_sd, years_sd] = case.prior;
        let prior = StagePrior::new(mean, belief_sd, places_sd, years_sd).unwrap();
        let told = posterior(&prior, &seasons_of(case));
        let place = told.of_place(2001 + case.asked.0 as i32, &case.asked.1.to_string());
        agree(told.belief(), &opinion.belief, &format!("case {nth}, the mean"));
        agree(&place, &opinion.place, &format!("case {nth}, the place"));
    }
}

fn agree(got: &Sums, wanted: &Told, what: &str) {
    let close = |got: f64, wanted: f64, what: String| {
        assert!((got / wanted - 1.0).abs() < 1e-6, "{what}: got {got}, wanted {wanted}");
    };
    close(got.mean(), wanted.mean, format!("{what}: mean"));
    close(got.sd(), wanted.sd, format!("{what}: SD"));
    for (share, wanted) in SHARES.into_iter().zip(&wanted.quantiles) {
        close(got.quantile(share), *wanted, format!("{what}: quantile {share}"));
    }
}
