//! What one region's season believes of the heat that each stage needs.
//!
//! The profile says how sure its sums are; confirmed field reports of the season and of those before narrow that (see
//! [`learning`](super::learning)). Here is what comes of it for one region: equally likely values, stage by stage, that an
//! outlook mixes with the futures of the weather.

use super::profile::{Need, Profile};

/// How many equally likely values stand for a belief. A Fibonacci number: pairing values by a lattice of it spreads two
/// stages evenly over their square (Niederreiter 1992, Random Number Generation and Quasi-Monte Carlo Methods, chapter 5).
pub const DRAWS: usize = 55;

/// The generator of that lattice: the Fibonacci number before.
const GENERATOR: usize = 34;

/// For one region and season, by stage in the profile's order: what must pass after the one before.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonBelief {
    /// The profile's own needs, or the median where something is believed.
    central: Vec<Need>,
    /// Ascending and equally likely, °C·day; `None` where the profile does not say how sure its sum is.
    values: Vec<Option<Vec<f64>>>,
}

impl SeasonBelief {
    /// The profile's sums as if they were certain.
    pub fn certain(profile: &Profile) -> Self {
        let needs = profile.stages.iter().map(|stage| stage.need);
        Self { central: needs.collect(), values: vec![None; profile.stages.len()] }
    }

    /// `values`: by stage, [`DRAWS`] equally likely values in °C·day; a list of another length, or with a value that is not
    /// above 0, counts as none.
    pub fn of(profile: &Profile, values: Vec<Option<Vec<f64>>>) -> Self {
        let mut belief = Self::certain(profile);
        for (rank, values) in values.into_iter().enumerate().take(profile.stages.len()) {
            let sound = |values: &Vec<f64>| values.len() == DRAWS && values.iter().all(|value| value.is_finite());
            let Some(mut values) = values.filter(sound) else { continue };
            // Less than nothing cannot be needed, however wide a belief is.
            values.iter_mut().for_each(|value| *value = value.max(f64::MIN_POSITIVE));
            values.sort_by(f64::total_cmp);
            if let Some(central) = belief.central.get_mut(rank) {
                *central = Need::DegreeDays(values[DRAWS / 2]);
            }
            if let Some(of_stage) = belief.values.get_mut(rank) {
                *of_stage = Some(values);
            }
        }
        belief
    }

    /// Whether nothing is in doubt but the weather.
    pub fn is_certain(&self) -> bool {
        self.values.iter().all(Option::is_none)
    }

    /// Our numbers: what stands for each stage where one number must.
    pub fn central(&self) -> &[Need] {
        &self.central
    }

    /// The equally likely values of one stage.
    pub fn values(&self, rank: usize) -> Option<&[f64]> {
        self.values.get(rank)?.as_deref()
    }

    /// [`DRAWS`] equally likely sets of needs, each stage independent of the others; one where nothing is in doubt.
    pub fn draws(&self) -> Vec<Vec<Need>> {
        if self.is_certain() {
            return vec![self.central.clone()];
        }
        (0..DRAWS)
            .map(|draw| {
                let mut step = 1;
                let mut needs = self.central.clone();
                for (need, values) in needs.iter_mut().zip(&self.values) {
                    let Some(value) = values.as_ref().and_then(|values| values.get(draw * step % DRAWS)) else {
                        continue;
                    };
                    *need = Need::DegreeDays(*value);
                    step = step * GENERATOR % DRAWS;
                }
                needs
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn even(from: f64, to: f64) -> Vec<f64> {
        (0..DRAWS).map(|k| from + (to - from) * (k as f64 + 0.5) / DRAWS as f64).collect()
    }

    #[test]
    fn every_value_of_every_stage_is_drawn_once_and_pairs_are_spread_evenly() {
        let profile = Profile::pinyon_needle_scale();
        let belief =
            SeasonBelief::of(&profile, vec![Some(even(0.0, 1.0)), None, Some(even(0.0, 1.0)), Some(vec![1.0])]);
        let draws = belief.draws();
        assert_eq!(draws.len(), DRAWS);
        let value = |draw: &Vec<Need>, rank: usize| match draw[rank] {
            Need::DegreeDays(value) => value,
            Need::Days(_) => panic!("heat"),
        };
        for rank in [0, 2] {
            let mut seen: Vec<f64> = draws.iter().map(|draw| value(draw, rank)).collect();
            seen.sort_by(f64::total_cmp);
            assert_eq!(seen, even(0.0, 1.0));
        }
        assert!(draws.iter().all(|draw| draw[1] == Need::DegreeDays(92.0) && draw[3] == Need::Days(14)));
        // A quarter of the square holds a quarter of the pairs, give or take two.
        let low = draws.iter().filter(|draw| value(draw, 0) < 0.5 && value(draw, 2) < 0.5).count();
        assert!((12..=16).contains(&low), "{low}");
    }

    #[test]
    fn a_profile_without_spreads_is_one_certain_line() {
        let profile = Profile::pinyon_needle_scale();
        let belief = SeasonBelief::certain(&profile);
        assert!(belief.is_certain());
        let needs: Vec<Need> = profile.stages.iter().map(|stage| stage.need).collect();
        assert_eq!(belief.draws(), [needs]);
    }
}
