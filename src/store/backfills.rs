//! Whole records that were fetched from a source, and when; records out of files.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::any::AnyRow;

use crate::store::acts::Act;
use crate::store::error::StoreError;
use crate::store::rows::{day_number, get, get_day_if_any, get_instant, ms};
use crate::store::stations::set_missing_hour;
use crate::store::tx::Store;
use crate::store::weather::{Added, add_versions};
use crate::weather::{FeedKind, StationId, Version};

/// One source's whole record of one station, as it was fetched last.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BackfillDone {
    pub station: StationId,
    pub feed: FeedKind,
    pub done_at: DateTime<Utc>,
    /// Of the values taken; `None` where the source had nothing.
    pub first_day: Option<NaiveDate>,
    pub last_day: Option<NaiveDate>,
    /// Values that were taken.
    pub taken: u64,
    /// Requests that it took.
    pub requests: u64,
}

impl Store {
    /// Keeps what is new of a whole record, that it was fetched, and the hour of reading that was found in it if the station has
    /// none, in one transaction: a kill leaves all or nothing.
    ///
    /// # Errors
    /// `Conflict::UnknownStation`.
    pub async fn put_backfill(
        &self,
        versions: &[Version],
        done: &BackfillDone,
        hour: Option<u8>,
    ) -> Result<Added, StoreError> {
        let mut tx = self.begin().await?;
        if let Some(hour) = hour {
            set_missing_hour(&mut tx, &done.station, hour).await?;
        }
        let added = add_versions(&mut tx, &done.station, versions).await?;
        sqlx::query(
            "INSERT INTO backfills (station_id, feed, done_at, first_day, last_day, taken, requests)
             VALUES ($1, $2, $3, $4, $5, $6, $7)
             ON CONFLICT (station_id, feed) DO UPDATE SET done_at = excluded.done_at, first_day = excluded.first_day,
                 last_day = excluded.last_day, taken = excluded.taken, requests = excluded.requests",
        )
        .bind(&done.station.0)
        .bind(done.feed.name())
        .bind(ms(done.done_at))
        .bind(done.first_day.map(day_number))
        .bind(done.last_day.map(day_number))
        .bind(i64::try_from(done.taken).unwrap_or(i64::MAX))
        .bind(i64::try_from(done.requests).unwrap_or(i64::MAX))
        .execute(tx.conn())
        .await?;
        let detail = format!("whole record from {}: {} values, {} new", done.feed.name(), done.taken, added.new);
        tx.note_act(Act::WeatherImported, &format!("station/{}", done.station), &detail).await?;
        tx.commit().await?;
        Ok(added)
    }

    /// Keeps what is new of a record out of a file, and the hour of reading that was found in it if the station has none, in
    /// one transaction.
    ///
    /// # Errors
    /// `Conflict::UnknownStation`.
    pub async fn put_import(
        &self,
        id: &StationId,
        versions: &[Version],
        hour: Option<u8>,
    ) -> Result<Added, StoreError> {
        let mut tx = self.begin().await?;
        if let Some(hour) = hour {
            set_missing_hour(&mut tx, id, hour).await?;
        }
        let added = add_versions(&mut tx, id, versions).await?;
        tx.commit().await?;
        Ok(added)
    }

    /// What was fetched so far, by station and feed.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn backfills(&self) -> Result<Vec<BackfillDone>, StoreError> {
        let rows = sqlx::query("SELECT * FROM backfills ORDER BY station_id, feed")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(done_of).collect()
    }
}

fn done_of(row: &AnyRow) -> Result<BackfillDone, StoreError> {
    let feed: &str = get(row, "feed")?;
    Ok(BackfillDone {
        station: StationId(get(row, "station_id")?),
        feed: FeedKind::parse(feed).ok_or_else(|| StoreError::corrupt(format!("backfills.feed `{feed}`")))?,
        done_at: get_instant(row, "done_at")?,
        first_day: get_day_if_any(row, "first_day")?,
        last_day: get_day_if_any(row, "last_day")?,
        taken: get::<i64>(row, "taken")?.unsigned_abs(),
        requests: get::<i64>(row, "requests")?.unsigned_abs(),
    })
}
