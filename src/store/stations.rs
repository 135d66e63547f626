//! Weather stations.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::AnyConnection;
use sqlx::any::AnyRow;

use crate::geo::Point;
use crate::region::RegionId;
use crate::store::acts::Act;
use crate::store::audit::changes;
use crate::store::error::{Conflict, StoreError};
use crate::store::rows::{get, get_day_if_any, get_instant_if_any, get_zone, ms};
use crate::store::tx::{Store, Tx};
use crate::text::near_name;
use crate::weather::feeds::without_secrets;
use crate::weather::{FeedKind, Station, StationId};

/// A station as stored.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredStation {
    pub station: Station,
    pub retired_at: Option<DateTime<Utc>>,
}

/// A station as a region has it.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionStation {
    pub station: Station,
    /// Of all values that are not refused and had come by then.
    pub newest_day: Option<NaiveDate>,
    /// When a source of it last gave anything but a forecast.
    pub answered_at: Option<DateTime<Utc>>,
}

impl Store {
    /// Adds a station. One that was retired comes back, with what is given now.
    ///
    /// # Errors
    /// [`Conflict::Exists`].
    pub async fn add_station(&self, station: &Station) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        match find_station(tx.conn(), &station.id).await? {
            Some(StoredStation { retired_at: None, .. }) => {
                return Err(Conflict::Exists { what: "station", id: station.id.0.clone() }.into());
            }
            Some(_) => update_station(&mut tx, station).await?,
            None => insert_station(&mut tx, station).await?,
        }
        let detail = serde_json::to_string(station).unwrap_or_else(|_| station.name.clone());
        tx.note_act(Act::StationAdded, &subject(&station.id), &detail).await?;
        tx.commit().await
    }

    /// Adds those that are new, all in one transaction; gives how many those were. Stations already there stay as they
    /// are, so that an inventory can be read again.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn add_missing_stations(&self, stations: &[Station]) -> Result<usize, StoreError> {
        let mut tx = self.begin().await?;
        let added = add_missing_stations(&mut tx, stations).await?;
        tx.commit().await?;
        Ok(added)
    }

    /// Replaces what is known of a station; its record stays.
    ///
    /// # Errors
    /// [`Conflict::UnknownStation`], [`Conflict::RetiredStation`].
    pub async fn change_station(&self, station: &Station) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let before = in_use_station(&mut tx, &station.id).await?;
        update_station(&mut tx, station).await?;
        tx.note_act(
            Act::StationChanged,
            &subject(&station.id),
            &changes(&without_secrets(&before), &without_secrets(station)),
        )
        .await?;
        tx.commit().await
    }

    /// A station in use.
    ///
    /// # Errors
    /// [`Conflict::UnknownStation`] with a near name, [`Conflict::RetiredStation`].
    pub async fn station(&self, id: &StationId) -> Result<Station, StoreError> {
        let mut connection = self.read().await?;
        match find_station(&mut connection, id).await? {
            Some(StoredStation { station, retired_at: None }) => Ok(station),
            Some(_) => Err(Conflict::RetiredStation { id: id.clone() }.into()),
            None => Err(unknown_station(&mut connection, id).await?),
        }
    }

    /// Stations in use, by id.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn stations(&self) -> Result<Vec<Station>, StoreError> {
        let all = self.all_stations().await?;
        Ok(all.into_iter().filter(|stored| stored.retired_at.is_none()).map(|stored| stored.station).collect())
    }

    /// The stations of a region in their order, each with the newest day of its record as known at an instant, and when a source
    /// of it last gave anything.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn stations_of_region(
        &self,
        region: &RegionId,
        now: DateTime<Utc>,
    ) -> Result<Vec<RegionStation>, StoreError> {
        // Asked station by station inside: each is a look into a key, however long the records are.
        let rows = sqlx::query(
            "SELECT s.*,
                    (SELECT MAX(d.day) FROM daily_values d
                     WHERE d.station_id = s.id AND d.rejected IS NULL AND d.received_at <= $3) AS newest_day,
                    (SELECT MAX(p.started_at) FROM pulls p
                     WHERE p.station_id = s.id AND p.error IS NULL AND p.taken > 0 AND p.feed <> $2) AS answered_at
             FROM region_stations r JOIN stations s ON s.id = r.station_id WHERE r.region_id = $1 ORDER BY r.rank",
        )
        .bind(region.as_str())
        .bind(FeedKind::NwsForecast.name())
        .bind(ms(now))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                let newest_day = get_day_if_any(row, "newest_day")?;
                let answered_at = get_instant_if_any(row, "answered_at")?;
                Ok(RegionStation { station: station_of(row)?.station, newest_day, answered_at })
            })
            .collect()
    }

    /// Stations in use and retired, by id.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn all_stations(&self) -> Result<Vec<StoredStation>, StoreError> {
        let rows = sqlx::query("SELECT * FROM stations ORDER BY id").fetch_all(&mut *self.read().await?).await?;
        rows.iter().map(station_of).collect()
    }

    /// Takes a station out of use; its record stays, since past seasons stand on it.
    ///
    /// # Errors
    /// [`Conflict::UnknownStation`], [`Conflict::RetiredStation`], [`Conflict::StationInUse`] while a region needs it.
    pub async fn retire_station(&self, id: &StationId, now: DateTime<Utc>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        in_use_station(&mut tx, id).await?;
        let users = sqlx::query(
            "SELECT r.id FROM region_stations s JOIN regions r ON r.id = s.region_id
             WHERE s.station_id = $1 AND r.retired_at IS NULL ORDER BY r.id",
        )
        .bind(&id.0)
        .fetch_all(tx.conn())
        .await?;
        if !users.is_empty() {
            let regions = users.iter().map(|row| get(row, "id").map(RegionId)).collect::<Result<_, _>>()?;
            return Err(Conflict::StationInUse { id: id.clone(), regions }.into());
        }
        sqlx::query("UPDATE stations SET retired_at = $2 WHERE id = $1")
            .bind(&id.0)
            .bind(ms(now))
            .execute(tx.conn())
            .await?;
        tx.note_act(Act::StationRetired, &subject(id), "its record stays").await?;
        tx.commit().await
    }
}

fn subject(id: &StationId) -> String {
    format!("station/{id}")
}

/// As [`Store::add_missing_stations`], in a transaction that does more.
pub(super) async fn add_missing_stations(tx: &mut Tx, stations: &[Station]) -> Result<usize, StoreError> {
    let mut added = 0;
    for station in stations {
        if find_station(tx.conn(), &station.id).await?.is_none() {
            insert_station(tx, station).await?;
            added += 1;
        }
    }
    if added > 0 {
        tx.note_act(Act::StationsImported, "stations", &format!("{added} of a list")).await?;
    }
    Ok(added)
}

pub(super) async fn find_station(
    connection: &mut AnyConnection,
    id: &StationId,
) -> Result<Option<StoredStation>, StoreError> {
    let row = sqlx::query("SELECT * FROM stations WHERE id = $1").bind(&id.0).fetch_optional(connection).await?;
    row.as_ref().map(station_of).transpose()
}

/// Known and not retired, or the conflict that says which.
pub(super) async fn in_use_station(tx: &mut Tx, id: &StationId) -> Result<Station, StoreError> {
    match find_station(tx.conn(), id).await? {
        Some(StoredStation { station, retired_at: None }) => Ok(station),
        Some(_) => Err(Conflict::RetiredStation { id: id.clone() }.into()),
        None => Err(unknown_station(tx.conn(), id).await?),
    }
}

/// Sets the hour of reading of a station that has none; all else stays.
pub(super) async fn set_missing_hour(tx: &mut Tx, id: &StationId, hour: u8) -> Result<(), StoreError> {
    let before = in_use_station(tx, id).await?;
    if before.observation_hour.is_some() {
        return Ok(());
    }
    let after = Station { observation_hour: Some(hour), ..before.clone() };
    sqlx::query("UPDATE stations SET observation_hour = $2 WHERE id = $1")
        .bind(&id.0)
        .bind(i64::from(hour))
        .execute(tx.conn())
        .await?;
    tx.note_act(Act::StationChanged, &subject(id), &changes(&without_secrets(&before), &without_secrets(&after))).await
}

pub(super) async fn known_station(tx: &mut Tx, id: &StationId) -> Result<(), StoreError> {
    match find_station(tx.conn(), id).await? {
        Some(_) => Ok(()),
        None => Err(unknown_station(tx.conn(), id).await?),
    }
}

async fn unknown_station(connection: &mut AnyConnection, id: &StationId) -> Result<StoreError, StoreError> {
    let rows = sqlx::query("SELECT id FROM stations WHERE retired_at IS NULL").fetch_all(connection).await?;
    let names = rows.iter().map(|row| get(row, "id")).collect::<Result<Vec<String>, _>>()?;
    Ok(Conflict::UnknownStation { id: id.clone(), near: near_name(id.as_str(), &names) }.into())
}

async fn insert_station(tx: &mut Tx, station: &Station) -> Result<(), StoreError> {
    let text = "INSERT INTO stations (id, name, latitude, longitude, elevation_m, time_zone, observation_hour, sources)
                VALUES ($1, $2, $3, $4, $5, $6, $7, $8)";
    write_station(tx, text, station).await
}

async fn update_station(tx: &mut Tx, station: &Station) -> Result<(), StoreError> {
    let text = "UPDATE stations SET name = $2, latitude = $3, longitude = $4, elevation_m = $5, time_zone = $6,
                observation_hour = $7, sources = $8, retired_at = NULL WHERE id = $1";
    write_station(tx, text, station).await
}

async fn write_station(tx: &mut Tx, text: &'static str, station: &Station) -> Result<(), StoreError> {
    let sources = serde_json::to_string(&station.sources).map_err(|why| StoreError::corrupt(why.to_string()))?;
    sqlx::query(text)
        .bind(&station.id.0)
        .bind(&station.name)
        .bind(station.place.latitude)
        .bind(station.place.longitude)
        .bind(station.elevation_m)
        .bind(station.time_zone.name())
        .bind(station.observation_hour.map(i64::from))
        .bind(sources)
        .execute(tx.conn())
        .await?;
    Ok(())
}

fn station_of(row: &AnyRow) -> Result<StoredStation, StoreError> {
    let hour: Option<i64> = get(row, "observation_hour")?;
    let station = Station {
        id: StationId(get(row, "id")?),
        name: get(row, "name")?,
        place: Point { latitude: get(row, "latitude")?, longitude: get(row, "longitude")? },
        elevation_m: get(row, "elevation_m")?,
        time_zone: get_zone(row, "time_zone")?,
        observation_hour: hour
            .map(u8::try_from)
            .transpose()
            .map_err(|_| StoreError::corrupt(format!("stations.observation_hour {hour:?}")))?,
        sources: serde_json::from_str(get(row, "sources")?)
            .map_err(|why| StoreError::corrupt(format!("stations.sources: {why}")))?,
    };
    Ok(StoredStation { station, retired_at: get_instant_if_any(row, "retired_at")? })
}
