//! What a feed gave and what the store keeps of it: readings, their versions, the record of one station.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use super::station::{FeedKind, StationId};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Element {
    Max,
    Min,
}

impl Element {
    /// In a word.
    pub fn name(self) -> &'static str {
        match self {
            Element::Max => "maximum",
            Element::Min => "minimum",
        }
    }
}

/// Tenths of a degree Celsius, as the record keeps them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct TenthsC(pub i32);

impl TenthsC {
    /// Rounds half away from zero to 0.1 °C.
    pub fn from_c(celsius: f64) -> Self {
        Self((celsius * 10.0).round() as i32)
    }

    pub fn c(self) -> f64 {
        f64::from(self.0) / 10.0
    }
}

/// One value as one feed gave it, before any judgement of ours.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    pub station: StationId,
    /// The day the source filed the value under.
    pub day_reported: NaiveDate,
    pub element: Element,
    pub value: TenthsC,
    pub feed: FeedKind,
    /// Hour (0-24) of the observer's reading where the source tells it; 24 = midnight at the end of the day.
    pub observation_hour: Option<u8>,
    /// The source already says that the day may be shifted (GHCN measurement flag L).
    pub lagged: bool,
    /// Made of hourly samples or an estimate: true extremes may lie beyond.
    pub sampled: bool,
    /// The source's own verdict against the value, in words that name the flag; `None` = passed or not checked.
    pub source_rejects: Option<String>,
}

/// One stored version of one value, on the day it is attributed to.
#[derive(Clone, Debug, PartialEq)]
pub struct Version {
    pub day: NaiveDate,
    pub element: Element,
    pub value: TenthsC,
    pub feed: FeedKind,
    pub day_reported: NaiveDate,
    pub sampled: bool,
    /// Why it is never summed: the source's flag or one of our own checks at receipt.
    pub rejected: Option<String>,
    pub received_at: DateTime<Utc>,
    /// Bulk history: `received_at` is when it was imported, not when it could be known.
    pub bulk: bool,
}

/// All versions known of one station, sorted by (day, element, received_at).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StationRecord {
    pub versions: Vec<Version>,
}
