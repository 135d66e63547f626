//! Chance that comes out the same everywhere.
//!
//! ChaCha is a fixed algorithm, and what is made of its numbers here uses only integers and the IEEE 754 operations
//! + - × ÷ √, whose results the standard fixes to the last bit: no logarithm, no sine, no shuffling of a library that may change.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Streams that are not a station's or a season's own.
pub const PEOPLE: u64 = 1;
pub const STATE_WEATHER: u64 = 2;
/// What is true of the invented insect in every season, and who looks at trees.
pub const INSECT: u64 = 3;
/// One stream a season: what is true of the insect in it.
pub const INSECT_SEASON: u64 = 40_000;
/// One stream a season: what people saw at trees.
pub const SIGHTINGS: u64 = 50_000;
/// One stream a season: the day and the station of the wild value.
pub const WILD_VALUE: u64 = 10_000;
/// One stream a station.
pub const STATION_WEATHER: u64 = 20_000;
pub const STATION_FAULTS: u64 = 30_000;
/// One stream a question that owners are asked: this bit and what its id gives.
pub const ANSWERS: u64 = 1 << 63;
/// One stream a season and station.
pub const FORECAST: u64 = 1_000_000;

/// A stream of chance. Streams of one seed are independent of each other, so that drawing more from one (a longer record,
/// a further station) leaves the others as they were.
pub struct Dice(ChaCha8Rng);

impl Dice {
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        let mut rng = ChaCha8Rng::from_seed(key);
        rng.set_stream(stream);
        Self(rng)
    }

    /// Even over 0 ≤ x < 1, in steps of 2^-53.
    pub fn share(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Even over 0 to `end - 1`; 0 when `end` is 0.
    pub fn below(&mut self, end: u32) -> u32 {
        ((u64::from(self.0.next_u32()) * u64::from(end)) >> 32) as u32
    }

    pub fn happens(&mut self, chance: f64) -> bool {
        self.share() < chance
    }

    /// Mean 0, standard deviation 1, bell-shaped, never beyond ±6: twelve even shares less six (Irwin-Hall).
    pub fn bell(&mut self) -> f64 {
        let sum: u64 = (0..12).map(|_| u64::from(self.0.next_u32())).sum();
        sum as f64 / 4_294_967_296.0 - 6.0
    }

    /// Index drawn in proportion to its weight; 0 when all weights are 0.
    pub fn weighted(&mut self, weights: &[u32]) -> usize {
        let mut at = self.below(weights.iter().sum());
        for (index, weight) in weights.iter().enumerate() {
            if at < *weight {
                return index;
            }
            at -= weight;
        }
        0
    }

    /// Marks exactly `wanted` of `all` places (all of them when `wanted` is larger).
    pub fn some_of(&mut self, all: u32, wanted: u32) -> Vec<bool> {
        let mut left = wanted.min(all);
        (0..all)
            .map(|at| {
                let taken = self.below(all - at) < left;
                left -= u32::from(taken);
                taken
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bell_has_mean_nought_and_spread_one() {
        let mut dice = Dice::new(1, 99);
        let draws: Vec<f64> = (0..20_000).map(|_| dice.bell()).collect();
        let mean = draws.iter().sum::<f64>() / 20_000.0;
        let variance = draws.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / 20_000.0;
        // Four standard errors: 4/√20000 for the mean, 4·√(2/20000) for the variance.
        assert!(mean.abs() < 0.0283, "{mean}");
        assert!((variance - 1.0).abs() < 0.04, "{variance}");
    }

    #[test]
    fn some_of_marks_exactly_the_number_asked_for() {
        for wanted in [0, 1, 7, 20, 25] {
            let marks = Dice::new(3, 5).some_of(20, wanted);
            assert_eq!(marks.iter().filter(|mark| **mark).count() as u32, wanted.min(20));
        }
    }

    #[test]
    fn weights_are_kept() {
        let mut dice = Dice::new(3, 6);
        let mut seen = [0; 3];
        for _ in 0..4000 {
            seen[dice.weighted(&[1, 0, 3])] += 1;
        }
        assert_eq!(seen[1], 0);
        assert!((900..1100).contains(&seen[0]), "{seen:?}");
        assert_eq!(dice.weighted(&[0, 0]), 0);
    }

    #[test]
    fn streams_of_one_seed_differ() {
        assert_ne!(Dice::new(1, 1).share(), Dice::new(1, 2).share());
        assert_ne!(Dice::new(1, 1).share(), Dice::new(2, 1).share());
    }
}
