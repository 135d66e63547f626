//! What one answer or file holds, and why it may hold nothing.

use std::collections::BTreeMap;
use std::fmt;
use std::io;
use std::ops::RangeInclusive;

use chrono::{DateTime, Datelike, NaiveDate, Utc};

use super::unit::Unit;
use crate::geo::Point;
use crate::weather::excerpt::excerpt;
use crate::weather::fetch::FetchError;
use crate::weather::reading::{Element, Reading, TenthsC};
use crate::weather::station::{FeedKind, StationId};

/// No daily record is older: that of Milan in GHCN-Daily begins in 1763 (from memory).
const EARLIEST_YEAR: i32 = 1700;

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

/// So many places of one answer may give no reading; with more it is not what it says it is, and nothing of it is taken.
const MOST_REJECTED: usize = 10_000;

/// Two values a day of 300 years and more: no station has as many.
const MOST_READINGS: usize = 250_000;

/// Places shown of one answer.
const EXAMPLES: usize = 5;

/// What of an answer was not taken: how often for which reason, and the first few places.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Rejections {
    pub counts: BTreeMap<&'static str, u64>,
    pub examples: Vec<RejectedLine>,
}

impl Rejections {
    pub fn of(lines: Vec<RejectedLine>) -> Self {
        let mut counts = BTreeMap::new();
        for line in &lines {
            *counts.entry(line.reason).or_default() += 1;
        }
        Self { counts, examples: lines.into_iter().take(EXAMPLES).collect() }
    }

    pub fn total(&self) -> u64 {
        self.counts.values().sum()
    }

    pub fn is_empty(&self) -> bool {
        self.counts.is_empty()
    }
}

impl fmt::Display for Rejections {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let counts: Vec<String> = self.counts.iter().map(|(reason, count)| format!("{count} × {reason}")).collect();
        f.write_str(&counts.join("; "))?;
        let examples: Vec<String> = self.examples.iter().map(ToString::to_string).collect();
        if examples.is_empty() { Ok(()) } else { write!(f, "; such as {}", examples.join(", ")) }
    }
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
    /// Two letters; empty where not told.
    pub state: String,
    pub place: Option<Point>,
    pub elevation_m: Option<f64>,
}

impl Parsed {
    pub(super) fn reject(&mut self, place: impl Into<String>, reason: &'static str, seen: &str) {
        // One more than may be, so that it is seen: see `check_size`.
        if self.rejected_lines.len() <= MOST_REJECTED {
            self.rejected_lines.push(RejectedLine { place: place.into(), reason, seen: excerpt(seen, 60) });
        }
    }

    /// # Errors
    /// When more is in it, or more of it was rejected, than an answer about one station can hold.
    pub(super) fn check_size(&self) -> Result<(), FeedError> {
        if self.rejected_lines.len() > MOST_REJECTED {
            let first = self.rejected_lines.first().map(ToString::to_string).unwrap_or_default();
            return Err(FeedError::TooManyRejected { most: MOST_REJECTED, first });
        }
        if self.readings.len() > MOST_READINGS {
            return Err(FeedError::TooManyReadings { most: MOST_READINGS });
        }
        Ok(())
    }

    /// Takes out readings of days that nobody can have measured: a slip in a year would else stand in the record for good.
    pub(crate) fn keep_possible_days(&mut self, latest: NaiveDate) {
        let mut impossible = Vec::new();
        self.readings.retain(|reading| {
            let reason = match reading.day_reported {
                day if day > latest => "a day that is yet to come",
                day if day.year() < EARLIEST_YEAR => "a day before anybody measured temperatures",
                _ => return true,
            };
            impossible.push((format!("{} {}", reading.station, reading.day_reported), reason));
            false
        });
        for (place, reason) in impossible {
            self.reject(place, reason, "");
        }
    }

    /// Takes out readings of days for which the source itself says that it has none: they belong to another site, or to nobody.
    /// `valid` gives the days of an element, `None` where nothing is said of it.
    pub(crate) fn keep_valid_days(&mut self, valid: impl Fn(Element) -> Option<RangeInclusive<NaiveDate>>) {
        let mut outside = Vec::new();
        self.readings.retain(|reading| {
            let is_valid = valid(reading.element).is_none_or(|range| range.contains(&reading.day_reported));
            if !is_valid {
                outside.push(format!("{} {}", reading.day_reported, reading.element.name()));
            }
            is_valid
        });
        for place in outside {
            self.reject(place, "outside the days for which the source has a record", "");
        }
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
    #[error("two columns are about the same, `{first}` and `{second}`: leave one of them out")]
    ColumnTwice { first: String, second: String },
    // Without the address: what is in it must not be printed.
    #[error("the source's address holds a user or a password, which would stand in lists and logs: leave it out")]
    SecretInSource,
    #[error("the forecast was made at {made}, {age_h} hours ago: too old to be used")]
    StaleForecast { made: DateTime<Utc>, age_h: i64 },
    #[error("the answer holds nothing for {from} to {to}: does the source know this station?")]
    Nothing { from: NaiveDate, to: NaiveDate },
    #[error("more than {most} places in the answer cannot be read, so nothing of it is taken; the first: {first}")]
    TooManyRejected { most: usize, first: String },
    #[error("the answer holds more than {most} values: it is not about one station, and nothing of it is taken")]
    TooManyReadings { most: usize },
    /// What was rejected is kept with its reason where it is a value.
    #[error("the answer holds nothing that can be used for {from} to {to}: {missing} places without a value, {rejected} rejected{}",
        if .why.is_empty() { String::new() } else { format!(" ({why})") })]
    NothingTaken { from: NaiveDate, to: NaiveDate, missing: u64, rejected: u64, why: String },
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
