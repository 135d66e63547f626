//! One file a feed; each turns an answer of its service into [`Reading`]s.
//!
//! Every feed has a pure parser (bytes in, [`Parsed`] out) and asks its service through [`Feed::pull`]. A parser drops
//! nothing in silence: what is neither a reading nor the source's own sign for "no value" is a [`RejectedLine`].

mod text;

pub mod access_csv;
pub mod acis;
pub mod awdb;
pub mod daily_summaries;
pub mod ghcn_csv;
pub mod ghcn_dly;
mod ghcn_flags;
pub mod nws;
pub mod plain_csv;

use std::fmt;
use std::io::{self, BufRead};

use async_trait::async_trait;
use chrono::{DateTime, NaiveDate, Timelike, Utc};
use chrono_tz::Tz;
use url::Url;

use super::{Element, FeedKind, Reading, SourceRef, StationId, TenthsC};
use crate::config::FeedsConfig;
use crate::geo::Point;
use crate::units::f_to_c;
use crate::weather::fetch::{FetchError, Fetcher};

pub(crate) use text::{Lines, clean, split_csv};

/// What one answer or file holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Parsed {
    pub readings: Vec<Reading>,
    /// What could not be taken, with place and reason.
    pub rejected_lines: Vec<RejectedLine>,
    /// Places where the source itself says that it has no value.
    pub missing: u64,
    /// Where the answer's stations are, if it says so; one entry a station.
    pub stations: Vec<StationSeen>,
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
pub struct StationSeen {
    pub id: StationId,
    pub name: String,
    pub place: Option<Point>,
    pub elevation_m: Option<f64>,
}

impl Parsed {
    fn reject(&mut self, place: impl Into<String>, reason: &'static str, seen: &str) {
        self.rejected_lines.push(RejectedLine { place: place.into(), reason, seen: clean(seen, 60) });
    }

    /// Remembers where a station is; a later row that knows more completes an earlier one.
    fn saw_station(&mut self, seen: StationSeen) {
        match self.stations.iter_mut().rev().find(|known| known.id == seen.id) {
            Some(known) => {
                known.place = known.place.or(seen.place);
                known.elevation_m = known.elevation_m.or(seen.elevation_m);
            }
            None => self.stations.push(seen),
        }
    }
}

/// The scale of a temperature in a source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    TenthsC,
    Celsius,
    Fahrenheit,
}

impl Unit {
    /// A value of this scale as the record keeps it.
    pub fn to_tenths(self, value: f64) -> TenthsC {
        match self {
            Unit::TenthsC => TenthsC(value.round() as i32),
            Unit::Celsius => TenthsC::from_c(value),
            Unit::Fahrenheit => TenthsC::from_c(f_to_c(value)),
        }
    }

    /// Last part of codes such as `wmoUnit:degC`, `unit:degC`, `degF`, `Cel`.
    fn of_code(code: &str) -> Option<Self> {
        match code.rsplit(':').next().unwrap_or(code).trim() {
            "degC" | "Cel" | "C" => Some(Unit::Celsius),
            "degF" | "[degF]" | "F" => Some(Unit::Fahrenheit),
            _ => None,
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Unit::TenthsC => "tenths of °C",
            Unit::Celsius => "°C",
            Unit::Fahrenheit => "°F",
        })
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
    fn shape(wanted: &'static str, why: impl Into<String>, body: &[u8]) -> Self {
        FeedError::Shape {
            wanted,
            why: why.into(),
            begins: clean(&String::from_utf8_lossy(body.get(..120).unwrap_or(body)), 80),
        }
    }
}

/// One question to one source of one station.
#[derive(Clone, Copy, Debug)]
pub struct Ask<'a> {
    /// Our name of the station: stands in the readings.
    pub station: &'a StationId,
    /// The source's name of the station; forms see [`super::SourceRef::id`].
    pub source: &'a str,
    /// The station's zone.
    pub time_zone: Tz,
    /// First and last day wanted, both included, as the source files them.
    pub from: NaiveDate,
    pub to: NaiveDate,
    pub now: DateTime<Utc>,
}

/// A service that can be asked for one station's days.
#[async_trait]
pub trait Feed: Send + Sync {
    /// Readings of the days asked for (others may be among them; [`pull`] leaves them out).
    ///
    /// # Errors
    /// When no usable answer came; see [`FeedError`].
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &Ask<'_>) -> Result<Parsed, FeedError>;
}

/// The feed of a kind.
pub fn feed(kind: FeedKind) -> &'static dyn Feed {
    match kind {
        FeedKind::GhcnDaily => &ghcn_dly::GhcnDaily,
        FeedKind::DailySummaries => &daily_summaries::DailySummaries,
        FeedKind::Acis => &acis::Acis,
        FeedKind::NwsObservations => &nws::Observations,
        FeedKind::NwsForecast => &nws::Forecast,
        FeedKind::Awdb => &awdb::Awdb,
        FeedKind::PlainCsv => &plain_csv::PlainCsv,
    }
}

/// Is this how the feed names its stations? Asks nobody.
///
/// # Errors
/// [`FeedError::SourceId`] with the form that is wanted.
pub fn check_source(source: &SourceRef) -> Result<(), FeedError> {
    match source.feed {
        FeedKind::GhcnDaily | FeedKind::DailySummaries => ghcn_dly::station_id(&source.id).map(drop),
        FeedKind::Acis => acis::sid(&source.id).map(drop),
        FeedKind::NwsObservations | FeedKind::NwsForecast => nws::check_source(source.feed, &source.id),
        FeedKind::Awdb => awdb::triplet(&source.id).map(drop),
        FeedKind::PlainCsv => plain_csv::address_and_unit(&source.id).map(drop),
    }
}

/// The sources a station's id speaks for. Of a United States GHCN id: the daily summaries, which carry the archive's
/// flags; ACIS, which has the last days sooner; and the archive's files, which are large, at last.
pub fn usual_sources(station: &StationId) -> Vec<SourceRef> {
    let id = station.0.as_str();
    let source = |feed, id: &str| SourceRef { feed, id: id.to_owned() };
    if awdb::triplet(id).is_ok() {
        return vec![source(FeedKind::Awdb, id)];
    }
    // Country, network, number: the networks are those of the archive's readme.
    let looks_like_ghcn = |id: &str| match id.as_bytes() {
        [a, b, network, number @ ..] => {
            a.is_ascii_uppercase()
                && b.is_ascii_uppercase()
                && b"01CEMNPRSW".contains(network)
                && number.len() == 8
                && number.iter().all(u8::is_ascii_alphanumeric)
        }
        _ => false,
    };
    if !looks_like_ghcn(id) {
        return Vec::new();
    }
    let mut sources = vec![source(FeedKind::DailySummaries, id), source(FeedKind::GhcnDaily, id)];
    if id.starts_with("US") {
        sources.insert(1, source(FeedKind::Acis, &format!("{id} 6")));
    }
    sources
}

/// Asks one source, and keeps of its answer the days asked for that are over.
///
/// # Errors
/// See [`FeedError`].
pub async fn pull(kind: FeedKind, fetcher: &Fetcher, feeds: &FeedsConfig, ask: &Ask<'_>) -> Result<Parsed, FeedError> {
    let base_url = base_url(kind, feeds)?;
    let mut parsed = feed(kind).pull(fetcher, &base_url, ask).await?;
    keep_asked_days(&mut parsed, kind, ask);
    Ok(parsed)
}

/// The configured address of a feed. Plain CSV has none: its sources are whole addresses.
pub(crate) fn base_url(kind: FeedKind, feeds: &FeedsConfig) -> Result<Url, FeedError> {
    let text = match kind {
        FeedKind::GhcnDaily => &feeds.ghcn_daily.base_url,
        FeedKind::DailySummaries => &feeds.daily_summaries.base_url,
        FeedKind::Acis => &feeds.acis.base_url,
        FeedKind::NwsObservations | FeedKind::NwsForecast => &feeds.nws.base_url,
        FeedKind::Awdb => &feeds.awdb.base_url,
        FeedKind::PlainCsv => "file:///",
    };
    Url::parse(text).map_err(|why| FetchError::bad_address(text, why.to_string()).into())
}

/// Leaves out days that were not asked for, and holds back what cannot be final yet: a maximum of a day that still
/// runs may still rise. A value read by an observer today, at an hour that has passed, is final.
pub(crate) fn keep_asked_days(parsed: &mut Parsed, kind: FeedKind, ask: &Ask<'_>) {
    let local = ask.now.with_timezone(&ask.time_zone);
    let today = local.date_naive();
    let Parsed { readings, rejected_lines, .. } = parsed;
    readings.retain_mut(|reading| {
        if reading.day_reported < ask.from || reading.day_reported > ask.to {
            return false;
        }
        let reason = if kind.is_forecast() {
            (reading.day_reported < today).then_some("forecast for a day that is past")
        } else if reading.day_reported > today {
            Some("the day has not come yet")
        } else if reading.day_reported == today
            && !reading.observation_hour.is_some_and(|hour| (1..=local.hour()).contains(&u32::from(hour)))
        {
            Some("the day is not over yet")
        } else {
            None
        };
        if let Some(reason) = reason {
            let place = format!("{} {}", reading.day_reported, text::element_name(reading.element));
            rejected_lines.push(RejectedLine { place, reason, seen: String::new() });
            return false;
        }
        if reading.station != *ask.station {
            reading.station = ask.station.clone();
        }
        true
    });
}

/// A reader of one line at a time, so that files of any size are read in bounded memory.
pub trait LineParser {
    /// Takes one line without its end. `number` counts from 1.
    ///
    /// # Errors
    /// When the line proves that the whole file must not be taken.
    fn line(&mut self, number: u64, line: &[u8], out: &mut Parsed) -> Result<(), FeedError>;

    /// What the lines should have been, and how many were.
    fn recognised(&self) -> (&'static str, u64);
}

/// Feeds all lines of a text in memory to a parser.
fn drive(mut parser: impl LineParser, text: &[u8]) -> Result<Parsed, FeedError> {
    let mut parsed = Parsed::default();
    let mut lines = Lines::new(text);
    let read_error = |source| FeedError::File { path: "answer".into(), source };
    while drive_some(&mut parser, &mut lines, u64::MAX, &mut parsed).map_err(|why| match why {
        DriveError::Feed(why) => why,
        DriveError::Read(source) => read_error(source),
    })? {}
    let (wanted, good) = parser.recognised();
    if good == 0 && !parsed.rejected_lines.is_empty() {
        let first = parsed.rejected_lines.first().map(ToString::to_string).unwrap_or_default();
        return Err(FeedError::shape(wanted, format!("not one line is ({first})"), text));
    }
    Ok(parsed)
}

pub(crate) enum DriveError {
    Feed(FeedError),
    Read(io::Error),
}

/// Feeds at most `count` lines to a parser; `false` at the end of the text.
pub(crate) fn drive_some<R: BufRead>(
    parser: &mut (impl LineParser + ?Sized),
    lines: &mut Lines<R>,
    count: u64,
    out: &mut Parsed,
) -> Result<bool, DriveError> {
    for _ in 0..count {
        match lines.advance().map_err(DriveError::Read)? {
            None => return Ok(false),
            Some(number) if lines.too_long() => {
                out.reject(
                    format!("line {number}"),
                    "longer than any line of such a file",
                    &String::from_utf8_lossy(lines.line()),
                );
            }
            Some(number) => {
                let line = lines.line();
                if !line.iter().all(u8::is_ascii_whitespace) {
                    parser.line(number, line, out).map_err(DriveError::Feed)?;
                }
            }
        }
    }
    Ok(true)
}

/// A reading with nothing said against it.
fn plain_reading(station: &StationId, day: NaiveDate, element: Element, value: TenthsC, feed: FeedKind) -> Reading {
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

/// An error and all its causes in one line.
pub fn chain(why: &dyn std::error::Error) -> String {
    let mut line = why.to_string();
    let mut cause = why.source();
    while let Some(deeper) = cause {
        let text = deeper.to_string();
        // A transparent error repeats its cause.
        if !line.ends_with(&text) {
            line.push_str(": ");
            line.push_str(&text);
        }
        cause = deeper.source();
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stations_id_speaks_for_its_sources() {
        let of = |id: &str| {
            usual_sources(&id.into()).iter().map(|s| format!("{}:{}", s.feed.name(), s.id)).collect::<Vec<_>>()
        };
        assert_eq!(of("USC00290692"), ["daily-summaries:USC00290692", "acis:USC00290692 6", "ghcn-daily:USC00290692"]);
        assert_eq!(of("AE000041196"), ["daily-summaries:AE000041196", "ghcn-daily:AE000041196"]);
        assert_eq!(of("9901:XA:SNTL"), ["awdb:9901:XA:SNTL"]);
        for invented in ["orchard-1", "LOW-MESA-01", "EXAMPLESTN1"] {
            assert!(of(invented).is_empty(), "{invented}");
        }
    }

    #[test]
    fn every_usual_source_passes_its_own_check() {
        for id in ["USC00290692", "AE000041196", "9901:XA:SNTL"] {
            assert!(usual_sources(&id.into()).iter().all(|source| check_source(source).is_ok()), "{id}");
        }
        let check = |feed, id: &str| check_source(&SourceRef { feed, id: id.into() });
        assert!(check(FeedKind::NwsForecast, "ZZZ/101,111").is_ok() && check(FeedKind::NwsForecast, "KZZ9").is_err());
        assert!(
            check(FeedKind::NwsObservations, "KZZ9").is_ok() && check(FeedKind::NwsObservations, "ZZZ/1,1").is_err()
        );
        assert!(check(FeedKind::PlainCsv, "logger.csv#celsius").is_ok() && check(FeedKind::PlainCsv, "x#y").is_err());
    }
}
