//! A station, and the feeds that know it.

use serde::{Deserialize, Serialize};

use crate::geo::Point;
pub use crate::id::StationId;

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
