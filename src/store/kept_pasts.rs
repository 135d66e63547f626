//! The pasts of stations as seasons see them, kept under digests of what they came from, and how often years of records
//! were written to.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, NaiveDate, Utc};

use crate::store::bulk::Insert;
use crate::store::error::StoreError;
use crate::store::rows::{get, ms};
use crate::store::tx::{Store, Tx};
use crate::weather::StationId;

/// Rows that a station keeps of a subject, the newest: the season under way, and another that is looked at by turns.
const KEPT: i64 = 2;

impl Store {
    /// How often the days of the calendar years up to this one were written to.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn writes_up_to(&self, id: &StationId, year: i32) -> Result<i64, StoreError> {
        let row = sqlx::query(
            "SELECT CAST(COALESCE(SUM(writes), 0) AS BIGINT) AS writes FROM record_years
             WHERE station_id = $1 AND year <= $2",
        )
        .bind(&id.0)
        .bind(i64::from(year))
        .fetch_one(&mut *self.read().await?)
        .await?;
        get(&row, "writes")
    }

    /// What was kept of a station under this digest.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn kept_past(&self, id: &StationId, subject: &str, digest: &str) -> Result<Option<Vec<u8>>, StoreError> {
        let row = sqlx::query("SELECT content FROM kept_pasts WHERE station_id = $1 AND subject = $2 AND digest = $3")
            .bind(&id.0)
            .bind(subject)
            .bind(digest)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.map(|row| get(&row, "content")).transpose()
    }

    /// Keeps it, in the place of what was there under this digest; the oldest of the station and subject go.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn keep_past(
        &self,
        id: &StationId,
        subject: &str,
        digest: &str,
        content: &[u8],
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO kept_pasts (station_id, subject, digest, kept_at, content) VALUES ($1, $2, $3, $4, $5)
             ON CONFLICT (station_id, subject, digest)
             DO UPDATE SET kept_at = excluded.kept_at, content = excluded.content",
        )
        .bind(&id.0)
        .bind(subject)
        .bind(digest)
        .bind(ms(now))
        .bind(content)
        .execute(tx.conn())
        .await?;
        sqlx::query(
            "DELETE FROM kept_pasts WHERE station_id = $1 AND subject = $2 AND digest <> $3 AND digest NOT IN
                 (SELECT digest FROM kept_pasts WHERE station_id = $1 AND subject = $2
                  ORDER BY kept_at DESC, digest LIMIT $4)",
        )
        .bind(&id.0)
        .bind(subject)
        .bind(digest)
        .bind(KEPT)
        .execute(tx.conn())
        .await?;
        tx.commit().await
    }

    /// Whether both are the same open store.
    pub fn is(&self, other: &Store) -> bool {
        std::sync::Arc::ptr_eq(&self.inner, &other.inner)
    }
}

/// Counts a write to the years of these days.
pub(super) async fn count_years(
    tx: &mut Tx,
    station: &StationId,
    days: impl Iterator<Item = NaiveDate>,
) -> Result<(), StoreError> {
    const INSERT: Insert = Insert {
        head: "INSERT INTO record_years (station_id, year, writes) VALUES",
        tail: "ON CONFLICT (station_id, year) DO UPDATE SET writes = record_years.writes + excluded.writes",
        columns: 3,
    };
    let mut years: BTreeMap<i32, i64> = BTreeMap::new();
    for day in days {
        *years.entry(day.year()).or_default() += 1;
    }
    let rows: Vec<(i32, i64)> = years.into_iter().collect();
    INSERT
        .run(tx, &rows, |(year, writes), to| {
            to.add(station.0.clone())?;
            to.add(i64::from(*year))?;
            to.add(*writes)
        })
        .await?;
    Ok(())
}
