//! What one answer or file holds, and why it may hold nothing.

use std::fmt;
use std::io;

use chrono::{DateTime, NaiveDate, Utc};

use super::unit::Unit;
use crate::geo::Point;
use crate::weather::excerpt::excerpt;
use crate::weather::fetch::FetchError;
use crate::weather::reading::{Element, Reading, TenthsC};
use crate::weather::station::{FeedKind, StationId};

/// What one answer or file holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Parsed {
    pub readings: Vec<Reading>,
    /// What could not be taken, with place and reason.
    pub rejected_lines: Vec<RejectedLine>,
    /// Places where the source itself says that it has no value.
    pub missing: u64,
    /// Where the answer's stations are, if it says so; one entry a station.
    pub stations: Vec<DescribedStation>,
}

/// A place in an answer that gave no reading though it should have.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RejectedLine {
    /// `line 12`, `line 12 day 4`, `data[3]`: where a person finds it.
    pub place: String,
    /// One of few fixed sentences, so that they can be counted.
    pub reason: &'static str,
    /// The beginning of what stood there, control characters escaped.
    pub seen: String,
}

impl fmt::Display for RejectedLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.reason)?;
        if self.seen.is_empty() { Ok(()) } else { write!(f, " (`{}`)", self.seen) }
    }
}

/// A station as a file itself describes it; GHCN files give metres.
#[derive(Clone, Debug, PartialEq)]
pub struct DescribedStation {
    pub id: StationId,
    pub name: String,
    pub place: Option<Point>,
    pub elevation_m: Option<f64>,
}

impl Parsed {
    pub(super) fn reject(&mut self, place: impl Into<String>, reason: &'static str, seen: &str) {
        self.rejected_lines.push(RejectedLine { place: place.into(), reason, seen: excerpt(seen, 60) });
    }

    /// Remembers where a station is; a later row that knows more completes an earlier one.
    pub(super) fn saw_station(&mut self, seen: DescribedStation) {
        match self.stations.iter_mut().rev().find(|known| known.id == seen.id) {
            Some(known) => {
                known.place = known.place.or(seen.place);
                known.elevation_m = known.elevation_m.or(seen.elevation_m);
            }
            None => self.stations.push(seen),
        }
    }
}

/// Why an answer or file as a whole gave nothing.
#[derive(Debug, thiserror::Error)]
pub enum FeedError {
    #[error(transparent)]
    Fetch(#[from] FetchError),
    #[error("{feed} source `{id}` is not of the form {wanted}")]
    SourceId { feed: &'static str, id: String, wanted: &'static str },
    #[error("the answer is not {wanted}: {why}; it begins `{begins}`")]
    Shape { wanted: &'static str, why: String, begins: String },
    #[error("the service said no: {said}")]
    Refused { said: String },
    #[error(
        "nothing tells the unit of the temperatures: say --fahrenheit, --celsius or --tenths, name it in the header \
         (tmin_c, tmin_f), or end the source's address with #fahrenheit, #celsius or #tenths"
    )]
    UnitUnknown,
    #[error("{said} was said, but {why}")]
    UnitContradicted { said: Unit, why: String },
    #[error("line {line}: `{date}` has the day first; dates as 2026-06-14 or 6/14/2026 (month first) are wanted")]
    DayFirst { line: u64, date: String },
    #[error("the forecast was made at {made}, {age_h} hours ago: too old to be used")]
    StaleForecast { made: DateTime<Utc>, age_h: i64 },
    #[error("the answer holds nothing for {from} to {to}: does the source know this station?")]
    Nothing { from: NaiveDate, to: NaiveDate },
    #[error("`{path}` cannot be read")]
    File {
        path: String,
        #[source]
        source: io::Error,
    },
}

impl FeedError {
    pub(super) fn shape(wanted: &'static str, why: impl Into<String>, body: &[u8]) -> Self {
        FeedError::Shape {
            wanted,
            why: why.into(),
            begins: excerpt(&String::from_utf8_lossy(body.get(..120).unwrap_or(body)), 80),
        }
    }
}

/// A reading with nothing said against it.
pub(super) fn plain_reading(
    station: &StationId,
    day: NaiveDate,
    element: Element,
    value: TenthsC,
    feed: FeedKind,
) -> Reading {
    Reading {
        station: station.clone(),
        day_reported: day,
        element,
        value,
        feed,
        observation_hour: None,
        lagged: false,
        sampled: false,
        source_rejects: None,
    }
}
