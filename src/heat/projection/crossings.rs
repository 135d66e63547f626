//! The days on which futures reach a sum, and the verified errors laid over them.

use std::collections::BTreeMap;

/// Days after [`Now::last_day`](super::Now::last_day) on which the futures reach a sum.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Crossings {
    /// Sorted; 1 is the day after, 0 that the sum was there before.
    pub days_ahead: Vec<u32>,
    /// Futures that end before they reach it: ranked last, never dropped.
    pub not_reached: u32,
}

impl Crossings {
    /// Share (0-1) of futures that get there within so many days; 0 without futures.
    pub fn chance_within(&self, days: u32) -> f64 {
        let all = self.days_ahead.len() + self.not_reached as usize;
        if all == 0 {
            return 0.0;
        }
        self.days_ahead.partition_point(|ahead| *ahead <= days) as f64 / all as f64
    }

    /// With a station's verified errors laid over every date. A future day stays a future day.
    pub fn dressed(self, dressing: &Dressing) -> Self {
        if dressing.0.is_empty() {
            return self;
        }
        let dress = |days: u32| {
            let errors = dressing.errors_at(days).unwrap_or([0.0; DRESSED]);
            let earliest = f64::from(days.min(1));
            errors.map(|error| (f64::from(days) + error).round().max(earliest) as u32)
        };
        let mut days_ahead: Vec<u32> = Vec::with_capacity(self.days_ahead.len() * DRESSED);
        for same in self.days_ahead.chunk_by(|a, b| a == b) {
            let dressed = same.first().map_or([0; DRESSED], |days| dress(*days));
            days_ahead.extend(dressed.iter().flat_map(|days| std::iter::repeat_n(*days, same.len())));
        }
        days_ahead.sort_unstable();
        Self { days_ahead, not_reached: self.not_reached * DRESSED as u32 }
    }
}

/// What verified projections of a station lacked in spread, laid over every projected date so that the spread is honest.
///
/// By days from the newest data to the projected date: errors in days, observed minus projected, any number of them. A
/// date takes the errors of the nearest distance. Made by [`hindcast::dressing`](crate::heat::hindcast::dressing).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Dressing(pub BTreeMap<u32, Vec<f64>>);

/// How many dates a date becomes when it is dressed: enough for the 10 and 90 % points (own choice, no source).
pub const DRESSED: usize = 9;

impl Dressing {
    /// Evenly spaced quantiles of the errors at this distance, always the same number, so that none weighs more.
    pub fn errors_at(&self, days: u32) -> Option<[f64; DRESSED]> {
        let below = self.0.range(..=days).next_back();
        let above = self.0.range(days..).next();
        let (_, errors) = match (below, above) {
            (Some(b), Some(a)) => Some(if days - b.0 <= a.0 - days { b } else { a }),
            (b, a) => b.or(a),
        }?;
        let mut sorted: Vec<f64> = errors.iter().copied().filter(|error| error.is_finite()).collect();
        sorted.sort_by(f64::total_cmp);
        // With as many errors as quantiles each is its own.
        let count = sorted.len();
        let last = count.checked_sub(1)?;
        Some(std::array::from_fn(|k| {
            let place = ((k as f64 + 0.5) / DRESSED as f64 * count as f64 - 0.5).clamp(0.0, last as f64);
            let (low, high) = (place.floor() as usize, place.ceil() as usize);
            // Both lie in 0..=last.
            sorted[low] + (sorted[high] - sorted[low]) * (place - low as f64)
        }))
    }
}
