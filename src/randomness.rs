//! Injected randomness. Nothing else in the crate draws from the machine, so that replay, the demo and tests can be the same
//! twice.

use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard};

#[expect(clippy::disallowed_types, reason = "the one place that seeds from the operating system")]
use rand::rngs::SysRng;
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha20Rng;

/// What ids, tokens, codes, keys, names of workers and jitter are drawn from: ChaCha20, a cipher, so that what was drawn
/// tells nothing of what will be. Clones share one stream.
#[derive(Clone)]
pub struct Randomness(Arc<Mutex<ChaCha20Rng>>);

impl Randomness {
    /// Seeded by the operating system: for everything that guards something.
    ///
    /// # Panics
    /// When the operating system gives no random bytes: no secret can be made then.
    pub fn of_system() -> Self {
        Self::of(ChaCha20Rng::try_from_rng(&mut SysRng).expect("the operating system gives random bytes"))
    }

    /// The same draws in the same order give the same values: for replay, demo and tests. Whoever knows the seed knows
    /// every secret drawn from it.
    pub fn seeded(seed: u64) -> Self {
        Self::of(ChaCha20Rng::seed_from_u64(seed))
    }

    fn of(generator: ChaCha20Rng) -> Self {
        Self(Arc::new(Mutex::new(generator)))
    }

    pub fn bytes<const N: usize>(&self) -> [u8; N] {
        let mut bytes = [0; N];
        self.generator().fill_bytes(&mut bytes);
        bytes
    }

    /// `N` bytes in hexadecimal, in lower case.
    pub fn hex<const N: usize>(&self) -> String {
        hex::encode(self.bytes::<N>())
    }

    /// Six decimal digits, each number as likely as any other.
    pub fn six_digits(&self) -> String {
        format!("{:06}", self.generator().random_range(0..1_000_000_u32))
    }

    /// Even over `low` to `high`, both included.
    pub fn between(&self, low: f64, high: f64) -> f64 {
        self.generator().random_range(low..=high)
    }

    fn generator(&self) -> MutexGuard<'_, ChaCha20Rng> {
        self.0.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
    }
}

/// Without its state, which would give away what comes next.
impl fmt::Debug for Randomness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Randomness")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some(of: &Randomness) -> (String, String, [u8; 32], f64) {
        (of.hex::<16>(), of.six_digits(), of.bytes(), of.between(0.5, 1.0))
    }

    #[test]
    fn one_seed_gives_the_same_twice_and_another_seed_something_else() {
        let (first, again) = (Randomness::seeded(7), Randomness::seeded(7));
        assert_eq!(some(&first), some(&again));
        assert_eq!(some(&first), some(&again), "and further on");
        assert_ne!(some(&Randomness::seeded(7)), some(&Randomness::seeded(8)));
    }

    #[test]
    fn the_machines_own_does_not_repeat() {
        let (one, other) = (Randomness::of_system(), Randomness::of_system());
        let drawn: std::collections::BTreeSet<String> =
            (0..1000).flat_map(|_| [one.hex::<16>(), other.hex::<16>()]).collect();
        assert_eq!(drawn.len(), 2000);
    }

    #[test]
    fn clones_share_one_stream() {
        let one = Randomness::seeded(7);
        let drawn = [one.hex::<4>(), one.clone().hex::<4>(), one.hex::<4>()];
        let again = Randomness::seeded(7);
        assert_eq!(drawn, [again.hex::<4>(), again.hex::<4>(), again.hex::<4>()]);
    }

    #[test]
    fn codes_are_six_digits_whose_first_may_be_nought_and_shares_stay_within_their_bounds() {
        let drawn = Randomness::seeded(7);
        let codes: Vec<String> = (0..2000).map(|_| drawn.six_digits()).collect();
        assert!(codes.iter().all(|code| code.len() == 6 && code.chars().all(|c| c.is_ascii_digit())));
        for first in '0'..='9' {
            let with = codes.iter().filter(|code| code.starts_with(first)).count();
            // 200 expected; six standard deviations of the binomial are 80.
            assert!((120..280).contains(&with), "{with} of 2000 begin with {first}");
        }
        let shares: Vec<f64> = (0..2000).map(|_| drawn.between(0.5, 1.0)).collect();
        assert!(shares.iter().all(|share| (0.5..=1.0).contains(share)));
        assert!(shares.iter().any(|share| *share < 0.51) && shares.iter().any(|share| *share > 0.99));
    }

    #[test]
    fn its_state_is_not_printed() {
        assert_eq!(format!("{:?}", Randomness::seeded(7)), "Randomness");
    }
}
