//! When stations reached the heat of a stage in past seasons, kept for as long as this process lives.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Mutex, PoisonError};

use chrono::NaiveDate;

use crate::id::StationId;

/// Of a station, by what was asked of it: the profile with its sum, the season whose past it is, and how often that past had been
/// written to.
pub type Question = (StationId, String, i32, i64);

/// By season, days from its start to the day on which the sum was reached.
pub type Reached = BTreeMap<i32, f64>;

/// Kept for a day, and until a past season changes.
#[derive(Default)]
pub struct ReachedDays(Mutex<HashMap<Question, (NaiveDate, Reached)>>);

impl ReachedDays {
    /// What was worked out on this day.
    pub fn of(&self, question: &Question, today: NaiveDate) -> Option<Reached> {
        let known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        known.get(question).filter(|(made, _)| *made == today).map(|(_, reached)| reached.clone())
    }

    /// Keeps what was worked out; what is older than yesterday goes. Regions in several time zones may have two days at once.
    pub fn keep(&self, question: Question, today: NaiveDate, reached: Reached) {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        known.retain(|_, (made, _)| (today - *made).num_days().abs() <= 1);
        known.insert(question, (today, reached));
    }
}
