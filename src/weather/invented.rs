//! Invented stations and records for the unit tests of this room.

use chrono::{DateTime, Days, NaiveDate, Utc};

use super::reading::{Element, Reading, StationRecord, TenthsC, Version};
use super::record::RecordIndex;
use super::station::{FeedKind, SourceRef, Station, StationId};
use crate::geo::Point;

pub fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap()
}

pub fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

pub fn station(id: &str, elevation_m: f64) -> Station {
    Station {
        id: StationId::from(id),
        name: "Example Mesa".into(),
        place: Point { latitude: 35.0, longitude: -135.0 },
        elevation_m,
        time_zone: chrono_tz::America::Denver,
        observation_hour: None,
        sources: [FeedKind::Acis, FeedKind::GhcnDaily].map(|feed| SourceRef { feed, id: id.into() }).to_vec(),
    }
}

pub fn reading(day_reported: NaiveDate, element: Element, tenths: i32) -> Reading {
    Reading {
        station: StationId::from("A"),
        day_reported,
        element,
        value: TenthsC(tenths),
        feed: FeedKind::Acis,
        observation_hour: None,
        lagged: false,
        sampled: false,
        source_rejects: None,
    }
}

/// A pulled version, received at noon UTC of the day after its own.
pub fn version(day: NaiveDate, element: Element, tenths: i32) -> Version {
    Version {
        day,
        element,
        value: TenthsC(tenths),
        feed: FeedKind::Acis,
        day_reported: day,
        sampled: false,
        rejected: None,
        received_at: (day + Days::new(1)).and_hms_opt(12, 0, 0).unwrap().and_utc(),
        bulk: false,
    }
}

/// Maximum and minimum in tenths of consecutive days from `first` on; `None` is a hole.
pub fn versions(first: NaiveDate, days: &[(Option<i32>, Option<i32>)]) -> Vec<Version> {
    let mut versions = Vec::new();
    for (nth, (max, min)) in days.iter().enumerate() {
        let day = first + Days::new(nth as u64);
        versions.extend(max.map(|tenths| version(day, Element::Max, tenths)));
        versions.extend(min.map(|tenths| version(day, Element::Min, tenths)));
    }
    versions
}

pub fn index(versions: Vec<Version>) -> RecordIndex {
    StationRecord { versions }.index(chrono_tz::America::Denver)
}
