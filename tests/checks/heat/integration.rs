//! The closed forms against numerical integration: scipy integrates the rate at each instant over the day's curve, by
//! what the methods and cut-offs are defined as, without any of their formulas.

use treebell::heat::{Cutoff, DayTemperatures, HeatRule, Method};

use super::close;
use crate::support;

/// Reads `[[lower, upper, minimum, maximum, next minimum], ...]` and prints, for each, degree-days by method and cut-off.
const INTEGRATE: &str = r#"
import json, sys
import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq

def rate(t, lower, upper, cutoff):
    if t <= lower:
        return 0.0
    if t <= upper or cutoff == "none":
        return t - lower
    return {"horizontal": upper - lower, "intermediate": max(0.0, upper - lower - (t - upper)), "vertical": 0.0}[cutoff]

def half_sine(start, end):
    return lambda u: (start + end) / 2 - (end - start) / 2 * np.cos(np.pi * u)

def straight(start, end):
    return lambda u: start + (end - start) * u

def mean_rate(curve, lower, upper, cutoff):
    # Over u from 0 to 1 the curve only rises or only falls. The rate has its corners and jumps where it meets a level.
    cuts = [0.0, 1.0]
    for level in (lower, upper, 2 * upper - lower):
        if (curve(0.0) - level) * (curve(1.0) - level) < 0:
            cuts.append(brentq(lambda u: curve(u) - level, 0.0, 1.0, xtol=1e-15))
    cuts.sort()
    of = lambda u: rate(curve(u), lower, upper, cutoff)
    return sum(quad(of, a, b, epsabs=1e-12, epsrel=1e-12)[0] for a, b in zip(cuts, cuts[1:]))

def curves(method, n, x, following):
    held = lambda t: lambda u: t
    return {
        "average": [held((n + x) / 2)],
        "average-with-replacement": [held(n), held(x)],
        "single-triangle": [straight(n, x), straight(x, n)],
        "double-triangle": [straight(n, x), straight(x, following)],
        "single-sine": [half_sine(n, x), half_sine(x, n)],
        "double-sine": [half_sine(n, x), half_sine(x, following)],
    }[method]

asked = json.load(sys.stdin)
print(json.dumps([
    {method: {cutoff: float(np.mean([mean_rate(curve, lower, upper, cutoff) for curve in curves(method, n, x, following)]))
              for cutoff in asked["cutoffs"]}
     for method in asked["methods"]}
    for lower, upper, n, x, following in asked["days"]]))
"#;

/// Lower, upper, minimum, maximum, next minimum.
type Day = [f64; 5];

/// Days on every side of the thresholds and of the standstill above them, and on them, then a spread of others.
fn days() -> Vec<Day> {
    let (lower, upper) = (5.0, 20.0);
    let standstill = 2.0 * upper - lower;
    let at = [lower - 9.0, lower, lower + 6.0, upper, upper + 4.0, standstill, standstill + 7.0];
    let mut days: Vec<Day> = Vec::new();
    for (nth, minimum) in at.into_iter().enumerate() {
        for maximum in at.into_iter().skip(nth) {
            days.extend([at[0], at[2], at[4], at[6]].map(|next| [lower, upper, minimum, maximum, next]));
        }
    }
    // Evenly spread without chance: multiples of irrational steps, taken modulo 1.
    days.extend((1..=60).map(|nth| {
        let spread = |step: f64, from: f64, to: f64| from + (f64::from(nth) * step).fract() * (to - from);
        let lower = spread(2f64.sqrt(), -4.0, 12.0);
        let minimum = spread(3f64.sqrt(), -20.0, 30.0);
        let maximum = minimum + spread(5f64.sqrt(), 0.0, 35.0);
        [lower, lower + spread(7f64.sqrt(), 1.0, 25.0), minimum, maximum, spread(11f64.sqrt(), -20.0, 40.0)]
    }));
    days
}

#[test]
fn closed_forms_are_the_rate_integrated_over_the_day() {
    let Some(python) = support::python("degree-days against numerical integration") else { return };
    let days = days();
    let asked = serde_json::json!({
        "days": days,
        "methods": Method::ALL.map(Method::name),
        "cutoffs": Cutoff::ALL.map(Cutoff::name),
    });
    let answer = support::run_python(&python, INTEGRATE, &[], asked.to_string().as_bytes());
    let integrals: Vec<serde_json::Value> = serde_json::from_str(&answer).unwrap();
    assert_eq!(integrals.len(), days.len());
    for ([lower, upper, minimum, maximum, next], integral) in days.into_iter().zip(integrals) {
        for method in Method::ALL {
            for cutoff in Cutoff::ALL {
                let rule = HeatRule::new(method, lower, Some(upper), cutoff).unwrap();
                let got = rule.degree_days(DayTemperatures { min_c: minimum, max_c: maximum }, Some(next));
                let wanted = integral[method.name()][cutoff.name()].as_f64().unwrap();
                let what = format!("{method} {cutoff} {lower} {upper}: {minimum} {maximum} {next}");
                close(got, wanted, 1e-9, &what);
            }
        }
    }
}
