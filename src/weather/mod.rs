//! The weather record: feeds behind one trait, versions of every value, quality, observation time, gaps.
//!
//! ```text
//! feed answer ─> [Reading] ─observation time─> store (every version kept) ─> [StationRecord] ─as_of─> quality ─> gaps filled
//! ```
//!
//! [`prepare`] walks the second half in one call: it is what the cycle uses.

pub mod feeds;
pub mod fetch;
pub mod import;

pub mod nearby;
pub mod observation_time;
pub mod record;

pub mod normals;
pub mod quality;

pub mod gaps;
pub mod prepare;
pub mod status;

#[cfg(test)]
mod invented;

use std::fmt;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::geo::Point;
pub use crate::heat::{DailySeries, DayOrigin, DayTemperatures, FilledDay};

/// Public id of a station, as its source writes it (GHCN id for imports), at most 40 visible characters.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct StationId(pub String);

impl fmt::Display for StationId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl From<&str> for StationId {
    fn from(text: &str) -> Self {
        Self(text.to_owned())
    }
}

/// A place with a public daily temperature record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Station {
    pub id: StationId,
    pub name: String,
    pub place: Point,
    pub elevation_m: f64,
    /// IANA name; a station's day is a calendar day of this zone.
    pub time_zone: chrono_tz::Tz,
    /// Hour (0-24) at which the observer reads the extremes where the source does not tell; `None` = midnight.
    pub observation_hour: Option<u8>,
    /// In order of trust; a failing source falls to the next.
    pub sources: Vec<SourceRef>,
}

/// One feed as used by one station.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SourceRef {
    pub feed: FeedKind,
    /// How this feed names the station (e.g. `USC00290692 6`, `9901:XA:SNTL`, `KZZ9`, a gridpoint `ZZZ/101,111`, a path or URL for plain CSV).
    pub id: String,
}

/// The feeds we can read. Names as written in configuration, in the store and on the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FeedKind {
    /// GHCN-Daily files: `.dly`, by-year CSV, station CSV.
    GhcnDaily,
    /// NCEI daily-summaries access service.
    DailySummaries,
    Acis,
    /// National Weather Service: hourly observations to daily extremes.
    NwsObservations,
    /// National Weather Service: gridpoint daily maxima and minima still to come.
    NwsForecast,
    Awdb,
    PlainCsv,
}

impl FeedKind {
    pub const ALL: [FeedKind; 7] = [
        FeedKind::GhcnDaily,
        FeedKind::DailySummaries,
        FeedKind::Acis,
        FeedKind::NwsObservations,
        FeedKind::NwsForecast,
        FeedKind::Awdb,
        FeedKind::PlainCsv,
    ];

    pub fn name(self) -> &'static str {
        match self {
            FeedKind::GhcnDaily => "ghcn-daily",
            FeedKind::DailySummaries => "daily-summaries",
            FeedKind::Acis => "acis",
            FeedKind::NwsObservations => "nws-observations",
            FeedKind::NwsForecast => "nws-forecast",
            FeedKind::Awdb => "awdb",
            FeedKind::PlainCsv => "plain-csv",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    pub fn is_forecast(self) -> bool {
        self == FeedKind::NwsForecast
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Element {
    Max,
    Min,
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
