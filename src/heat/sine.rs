//! The single sine over many days at once, without sine or arcsine: the same sums as [`HeatRule::degree_days`] to 1e-12 °C·day.
//!
//! A sine of half range a about a mean that lies m above a level spends an excess of
//!
//! ```text
//! max(m, 0) + (a/π)·(√(1 - x²) - x·acos x),   x = min(|m|/a, 1)
//! ```
//!
//! above it, since the part below the mean is that above it turned over. With u = 1 - x the bracket is u^1.5 times a function
//! that is smooth from 0 to 1: one square root and a polynomial take the place of the arcsine, and no case is left to branch
//! on, so that the compiler makes vector instructions of the loops.

use super::degree_days::{Cutoff, HeatRule, Method};
use super::widest::{Work, widest};

/// (√(1 - x²) - x·acos x) / (π·u^1.5) with x = 1 - u, for u from 0 to 1: interpolated at the Chebyshev points, off by at most
/// 5e-15. Over a half range of 60 °C that comes to 3e-13 °C·day.
const TAIL: [f64; 14] = [
    0.300_105_438_719_032_6,
    0.015_005_271_937_031_744,
    0.002_411_561_491_333_343,
    0.000_558_233_611_212_172,
    0.000_155_393_567_893_602_27,
    4.860_032_345_374_319_6e-5,
    1.535_789_269_959_211_3e-5,
    8.877_703_178_942_36e-6,
    -5.079_912_856_079_788e-6,
    1.245_028_366_528_598_2e-5,
    -1.248_930_770_547_212e-5,
    9.397_323_617_412_495e-6,
    -3.973_902_891_334_189e-6,
    8.464_541_201_719_743e-7,
];

/// No day brings so much, °C·day. Compared with infinity, the compiler would take the number apart.
const NO_HEAT: f64 = 1e300;

/// So many days are worked on at a time: they stay in the nearest cache from one level to the next.
const CHUNK: usize = 256;

impl HeatRule {
    /// °C·day of many days by their minima and maxima, °C: `heat[i]` of `min_c[i]` and `max_c[i]`, each as
    /// [`HeatRule::degree_days`] has it without a next day. Of lists that are not of one length the shortest counts.
    pub fn degree_days_of(&self, min_c: &[f64], max_c: &[f64], heat: &mut [f64]) {
        widest(ManyDays { rule: self, min_c, max_c, heat });
    }

    /// The same, as a part of wider work.
    #[inline(always)]
    pub(super) fn degree_days_here(&self, min_c: &[f64], max_c: &[f64], heat: &mut [f64]) {
        let chunks = heat.chunks_mut(CHUNK).zip(min_c.chunks(CHUNK)).zip(max_c.chunks(CHUNK));
        for ((heat, min_c), max_c) in chunks {
            match (self.method(), self.upper_c(), self.cutoff()) {
                (Method::SingleSine, None, _) | (Method::SingleSine, _, Cutoff::None) => {
                    excess(min_c, max_c, self.lower_c(), heat);
                }
                (Method::SingleSine, Some(upper), Cutoff::Horizontal) => {
                    excess(min_c, max_c, self.lower_c(), heat);
                    take_excess(min_c, max_c, upper, 1.0, heat);
                }
                (Method::SingleSine, Some(upper), Cutoff::Intermediate) => {
                    excess(min_c, max_c, self.lower_c(), heat);
                    take_excess(min_c, max_c, upper, 2.0, heat);
                    take_excess(min_c, max_c, 2.0 * upper - self.lower_c(), -1.0, heat);
                }
                _ => {
                    for ((heat, min_c), max_c) in heat.iter_mut().zip(min_c).zip(max_c) {
                        *heat = self.degree_days(super::DayTemperatures { min_c: *min_c, max_c: *max_c }, None);
                    }
                    continue;
                }
            }
            for heat in heat {
                let above = if *heat > 0.0 { *heat } else { 0.0 };
                *heat = if above < NO_HEAT { above } else { 0.0 };
            }
        }
    }
}

struct ManyDays<'a> {
    rule: &'a HeatRule,
    min_c: &'a [f64],
    max_c: &'a [f64],
    heat: &'a mut [f64],
}

impl Work for ManyDays<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        self.rule.degree_days_here(self.min_c, self.max_c, self.heat);
    }
}

/// Mean excess of each day's sine above a level.
#[inline(always)]
fn excess(min_c: &[f64], max_c: &[f64], level: f64, heat: &mut [f64]) {
    let days = heat.len().min(min_c.len()).min(max_c.len());
    let (min_c, max_c, heat) = (&min_c[..days], &max_c[..days], &mut heat[..days]);
    for day in 0..days {
        heat[day] = of_day(min_c[day], max_c[day], level);
    }
}

/// Takes the excess above a level away so many times; on most days nothing is above it.
#[inline(always)]
fn take_excess(min_c: &[f64], max_c: &[f64], level: f64, times: f64, heat: &mut [f64]) {
    let days = heat.len().min(min_c.len()).min(max_c.len());
    let (min_c, max_c, heat) = (&min_c[..days], &max_c[..days], &mut heat[..days]);
    let mut above = 0u64;
    for day in 0..days {
        // A checked sum would look at each day on its own.
        above = above.wrapping_add(u64::from((min_c[day] > level) | (max_c[day] > level)));
    }
    if above > 0 {
        for day in 0..days {
            heat[day] -= times * of_day(min_c[day], max_c[day], level);
        }
    }
}

#[inline(always)]
fn of_day(a: f64, b: f64, level: f64) -> f64 {
    // Written so that each choice is one instruction, also for what is not a number.
    let half = (0.5 * (b - a)).abs();
    let half = if half > f64::MIN_POSITIVE { half } else { f64::MIN_POSITIVE };
    let mean = 0.5 * (a + b) - level;
    let within = half - mean.abs();
    let within = if within > 0.0 { within } else { 0.0 };
    let u = within / half;
    let mut tail = TAIL[13];
    let mut at = 13;
    while at > 0 {
        at -= 1;
        tail = tail * u + TAIL[at];
    }
    let above = if mean > 0.0 { mean } else { 0.0 };
    above + within * u.sqrt() * tail
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::heat::DayTemperatures;

    fn rules() -> Vec<HeatRule> {
        let mut rules = Vec::new();
        for method in Method::ALL {
            for cutoff in Cutoff::ALL {
                let upper = (cutoff != Cutoff::None).then_some(30.0);
                rules.push(HeatRule::new(method, 4.0, upper, cutoff).expect("sound"));
            }
        }
        rules
    }

    fn both(rule: &HeatRule, days: &[(f64, f64)]) -> Vec<(f64, f64)> {
        let (min_c, max_c): (Vec<f64>, Vec<f64>) = days.iter().copied().unzip();
        let mut heat = vec![f64::NAN; days.len()];
        rule.degree_days_of(&min_c, &max_c, &mut heat);
        let one =
            |(min_c, max_c): &(f64, f64)| rule.degree_days(DayTemperatures { min_c: *min_c, max_c: *max_c }, None);
        days.iter().map(one).zip(heat).collect()
    }

    proptest! {
        #[test]
        fn many_days_at_once_are_each_day_alone(days in proptest::collection::vec((-60.0..60.0, -60.0..60.0), 0..600)) {
            for rule in rules() {
                for (alone, together) in both(&rule, &days) {
                    prop_assert!((alone - together).abs() <= 1e-12, "{rule:?}: {alone} {together}");
                }
            }
        }
    }

    #[test]
    fn the_arcsine_of_libm_is_met_to_1e_12_over_its_whole_range_and_at_its_ends() {
        // Minima from far below to far above the levels by steps that meet them, ranges from none to 120 °C.
        let mut days = Vec::new();
        for min in -240..=240 {
            for range in 0..=240 {
                days.push((f64::from(min) / 4.0, f64::from(min) / 4.0 + f64::from(range) / 2.0));
            }
        }
        for tiny in [1e-300, 1e-17, 1e-9, 1e-6, 1e-3] {
            days.extend([(4.0 - tiny, 4.0 + tiny), (4.0, 4.0 + tiny), (4.0 - tiny, 4.0), (4.0 - tiny, 40.0)]);
        }
        let mut farthest: f64 = 0.0;
        for rule in rules() {
            for (alone, together) in both(&rule, &days) {
                farthest = farthest.max((alone - together).abs());
            }
        }
        assert!(farthest <= 1e-12, "{farthest:e}");
    }

    #[test]
    fn what_is_no_temperature_brings_nothing() {
        let odd = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 10.0, f64::MAX, f64::MIN];
        let days: Vec<(f64, f64)> = odd.iter().flat_map(|a| odd.map(|b| (*a, b))).collect();
        for rule in rules() {
            for (at, (_, together)) in both(&rule, &days).into_iter().enumerate() {
                prop_sound(together, &rule, days[at]);
            }
        }
    }

    fn prop_sound(heat: f64, rule: &HeatRule, day: (f64, f64)) {
        assert!(heat.is_finite() && heat >= 0.0, "{rule:?} {day:?}: {heat}");
    }
}
