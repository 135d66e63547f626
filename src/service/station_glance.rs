//! Stations at a glance: how far each record reaches, what is missing in it, and how the last pulls went.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, NaiveDate, Utc};

use crate::store::weather::Pull;
use crate::store::{Store, StoreError};
use crate::weather::normals::Normals;
use crate::weather::observation_time::{LagHint, lag_hint};
use crate::weather::prepare::Member;
use crate::weather::record::Known;
use crate::weather::status::{StationStatus, status};
use crate::weather::{Station, StationId};

/// One station, looked at.
pub struct Glance {
    pub station: Station,
    /// Of the calendar year so far.
    pub status: StationStatus,
    /// The last pull of each of its sources.
    pub pulls: Vec<Pull>,
    /// That its maxima seem to stand on the wrong day; only of [`glances_with_hints`].
    pub hint: Option<LagHint>,
}

/// Each station as it stands at an instant. Daily files in bulk come `bulk_latency_days` late.
///
/// # Errors
/// When the store cannot be read.
pub async fn glances(
    store: &Store,
    stations: Vec<Station>,
    bulk_latency_days: u32,
    now: DateTime<Utc>,
) -> Result<Vec<Glance>, StoreError> {
    look(store, stations, Known::At { instant: now, bulk_latency_days }, now, None).await
}

/// As [`glances`], and each station is held against all others for a wrong hour of observation: reads every record.
///
/// # Errors
/// When the store cannot be read.
pub async fn glances_with_hints(
    store: &Store,
    stations: Vec<Station>,
    bulk_latency_days: u32,
    now: DateTime<Utc>,
) -> Result<Vec<Glance>, StoreError> {
    let all = store.stations().await?;
    look(store, stations, Known::At { instant: now, bulk_latency_days }, now, Some(&all)).await
}

async fn look(
    store: &Store,
    stations: Vec<Station>,
    known: Known,
    now: DateTime<Utc>,
    against: Option<&[Station]>,
) -> Result<Vec<Glance>, StoreError> {
    let mut pulls: BTreeMap<StationId, Vec<Pull>> = BTreeMap::new();
    for pull in store.last_pulls().await? {
        pulls.entry(pull.station.clone()).or_default().push(pull);
    }
    let mut glances = Vec::new();
    for station in stations {
        let index = store.record(&station.id).await?.index(station.time_zone);
        let today = now.with_timezone(&station.time_zone).date_naive();
        let start = NaiveDate::from_ymd_opt(today.year(), 1, 1).unwrap_or(today);
        let normals = Normals::around(&index, known, &station.sources, today.year());
        let member = Member { station: &station, record: &index, normals: &normals };
        let status = status(&member, known, start, today);
        let hint = match against {
            Some(all) => hour_hint(store, &member, all, known, today).await?,
            None => None,
        };
        let pulls = pulls.remove(&station.id).unwrap_or_default();
        glances.push(Glance { station, status, pulls, hint });
    }
    Ok(glances)
}

async fn hour_hint(
    store: &Store,
    station: &Member<'_>,
    all: &[Station],
    known: Known,
    today: NaiveDate,
) -> Result<Option<LagHint>, StoreError> {
    let mut others = Vec::new();
    for other in all.iter().filter(|other| other.id != station.station.id) {
        let index = store.record(&other.id).await?.index(other.time_zone);
        let normals = Normals::around(&index, known, &other.sources, today.year());
        others.push((other, index, normals));
    }
    let others: Vec<Member<'_>> =
        others.iter().map(|(station, record, normals)| Member { station, record, normals }).collect();
    Ok(lag_hint(station, &others, known, today))
}
