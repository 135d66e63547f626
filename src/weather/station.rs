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
    /// Hour (0-24) at which the observer reads the extremes where the source does not tell; `None`: not known, so
    /// values stay on the day that they were filed under.
    pub observation_hour: Option<u8>,
    /// In order of trust; a failing source falls to the next.
    pub sources: Vec<SourceRef>,
}

/// Of airports and climate reference stations (network W of the GHCN ids): their days run from midnight to midnight standard
/// time.
pub fn reads_at_midnight(id: &StationId) -> bool {
    id.as_str().starts_with("USW")
}

/// What stands behind a station's temperatures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StationKind {
    /// Instruments at a place.
    Station,
    /// An estimate from stations around, drawn on a grid: nobody measured there.
    GridPoint,
}

impl StationKind {
    pub fn name(self) -> &'static str {
        match self {
            StationKind::Station => "station",
            StationKind::GridPoint => "grid-point",
        }
    }
}

impl Station {
    /// Told by its sources: a grid point has one of a grid, and no other ([`Station::mixes_kinds`]).
    pub fn kind(&self) -> StationKind {
        if self.sources.iter().any(|source| source.feed.is_grid()) {
            StationKind::GridPoint
        } else {
            StationKind::Station
        }
    }

    pub fn is_grid_point(&self) -> bool {
        self.kind() == StationKind::GridPoint
    }

    /// Measured values and estimates must not stand in one record: nobody could tell them apart.
    pub fn mixes_kinds(&self) -> bool {
        self.is_grid_point() && !self.sources.iter().all(|source| source.feed.is_grid())
    }
}

/// One feed as used by one station.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SourceRef {
    pub feed: FeedKind,
    /// How this feed names the station (e.g. `USC00290692 6`, `9901:XA:SNTL`, `KZZ9`, a gridpoint `ZZZ/101,111`, a grid with a place
    /// `21:-135.0456,35.6123`, a path or URL for plain CSV).
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
    /// ACIS grids: estimates for a place without a station.
    AcisGrid,
}

impl FeedKind {
    pub const ALL: [FeedKind; 8] = [
        FeedKind::GhcnDaily,
        FeedKind::DailySummaries,
        FeedKind::Acis,
        FeedKind::NwsObservations,
        FeedKind::NwsForecast,
        FeedKind::Awdb,
        FeedKind::PlainCsv,
        FeedKind::AcisGrid,
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
            FeedKind::AcisGrid => "acis-grid",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    pub fn is_forecast(self) -> bool {
        self == FeedKind::NwsForecast
    }

    pub fn is_grid(self) -> bool {
        self == FeedKind::AcisGrid
    }
}
