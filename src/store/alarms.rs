//! Alarms as they stand, and the processes that look for them.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::AnyConnection;
use sqlx::any::AnyRow;

use crate::alarms::{Alarm, AlarmKind, Change};
use crate::region::RegionId;
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, get_instant_if_any, ms};
use crate::store::tx::{Engine, Store, Tx};

/// Any number will do; it only has to be the same in every process.
const ALARMS_LOCK: i64 = 0x7472_6565_0010;

/// What ended longer ago is history: what comes back then is raised anew. What happened once is looked for that long.
pub const KNOWN_FOR: TimeDelta = TimeDelta::days(7);

/// So long a process is remembered that does not say any more that it is at work.
const WATCHERS_KEPT: TimeDelta = TimeDelta::days(7);

impl Store {
    /// How many alarms are open of what lasts. What happened once stands for a day, however it goes on.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn open_alarms(&self) -> Result<BTreeMap<AlarmKind, u64>, StoreError> {
        let rows = sqlx::query("SELECT kind, COUNT(*) AS n FROM alarms WHERE ended_at IS NULL GROUP BY kind")
            .fetch_all(&mut *self.read().await?)
            .await?;
        let mut open = BTreeMap::new();
        for row in &rows {
            if let Some(kind) = AlarmKind::parse(get(row, "kind")?).filter(|kind| !kind.is_event()) {
                open.insert(kind, get::<i64>(row, "n")?.unsigned_abs());
            }
        }
        Ok(open)
    }

    /// Whether a process that delivers has looked for alarms since an instant; see [`Store::note_watcher`].
    ///
    /// # Errors
    /// When the store fails.
    pub async fn somebody_delivers(&self, since: DateTime<Utc>) -> Result<bool, StoreError> {
        let row = sqlx::query(
            "SELECT COUNT(*) AS n FROM watchers WHERE role IN ('all', 'deliver', 'once') AND seen_at >= $1",
        )
        .bind(ms(since))
        .fetch_one(&mut *self.read().await?)
        .await?;
        Ok(get::<i64>(&row, "n")? > 0)
    }

    /// Since when processes of a role have been at work, up to the one that `started_at`, with no break that was longer than `gap`.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn at_work_since(
        &self,
        role: &str,
        started_at: DateTime<Utc>,
        gap: TimeDelta,
    ) -> Result<DateTime<Utc>, StoreError> {
        let rows = sqlx::query(
            "SELECT started_at, seen_at FROM watchers WHERE role = $1 AND started_at < $2 ORDER BY started_at DESC",
        )
        .bind(role)
        .bind(ms(started_at))
        .fetch_all(&mut *self.read().await?)
        .await?;
        let mut since = started_at;
        for row in &rows {
            if since - get_instant(row, "seen_at")? <= gap {
                since = get_instant(row, "started_at")?;
            }
        }
        Ok(since)
    }

    /// The alarms that are open, or with `since` all that were raised or open since then; the newest first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn alarms(&self, since: Option<DateTime<Utc>>) -> Result<Vec<Alarm>, StoreError> {
        let rows = sqlx::query(
            "SELECT * FROM alarms WHERE ended_at IS NULL OR ended_at >= $1 OR raised_at >= $1 ORDER BY raised_at DESC, id",
        )
        .bind(since.map_or(i64::MAX, ms))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(alarm_of).collect()
    }

    /// The alarms that a look is held against.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn known_alarms(&self, now: DateTime<Utc>) -> Result<Vec<Alarm>, StoreError> {
        known(&mut *self.read().await?, now).await
    }

    /// Says that this process is at work, which is also how it learns whether the store can be written.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn note_watcher(
        &self,
        process: &str,
        role: &str,
        started_at: DateTime<Utc>,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO watchers (process, role, started_at, seen_at) VALUES ($1, $2, $3, $4)
             ON CONFLICT (process) DO UPDATE SET seen_at = excluded.seen_at",
        )
        .bind(process)
        .bind(role)
        .bind(ms(started_at))
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        sqlx::query("DELETE FROM watchers WHERE seen_at < $1").bind(ms(now - WATCHERS_KEPT)).execute(tx.conn()).await?;
        tx.commit().await
    }

    /// The database file; `None` in memory and on a server.
    pub fn file(&self) -> Option<&Path> {
        self.inner.file.as_deref()
    }
}

/// As [`Store::known_alarms`], and no other process changes any until the transaction ends.
///
/// # Errors
/// When the store fails.
pub async fn known_for_change(tx: &mut Tx, now: DateTime<Utc>) -> Result<Vec<Alarm>, StoreError> {
    if tx.engine() == Engine::Postgres {
        sqlx::query("SELECT pg_advisory_xact_lock($1)").bind(ALARMS_LOCK).execute(tx.conn()).await?;
    }
    known(tx.conn(), now).await
}

async fn known(conn: &mut AnyConnection, now: DateTime<Utc>) -> Result<Vec<Alarm>, StoreError> {
    let rows =
        sqlx::query("SELECT * FROM alarms WHERE ended_at IS NULL OR ended_at > $1 OR raised_at > $1 ORDER BY id")
            .bind(ms(now - KNOWN_FOR))
            .fetch_all(conn)
            .await?;
    rows.iter().map(alarm_of).collect()
}

/// Writes an alarm as a change left it.
///
/// # Errors
/// When the store fails.
pub async fn keep(tx: &mut Tx, change: &Change) -> Result<(), StoreError> {
    let alarm = &change.alarm;
    sqlx::query(
        "INSERT INTO alarms (id, kind, subject, machine, region_id, urgent, what, mend, raised_at, told_at, times_told, \
                             believed, seen_at, ended_at) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14) \
         ON CONFLICT (id) DO UPDATE SET region_id = excluded.region_id, urgent = excluded.urgent, what = excluded.what, \
             mend = excluded.mend, told_at = excluded.told_at, times_told = excluded.times_told, \
             believed = excluded.believed, seen_at = excluded.seen_at, ended_at = excluded.ended_at",
    )
    .bind(&alarm.id)
    .bind(alarm.kind.name())
    .bind(&alarm.subject)
    .bind(&alarm.machine)
    .bind(alarm.region.as_ref().map(RegionId::as_str))
    .bind(i64::from(alarm.urgent))
    .bind(&alarm.what)
    .bind(&alarm.mend)
    .bind(ms(alarm.raised_at))
    .bind(alarm.told_at.map(ms))
    .bind(i64::from(alarm.times_told))
    .bind(i64::from(alarm.believed))
    .bind(ms(alarm.seen_at))
    .bind(alarm.ended_at.map(ms))
    .execute(tx.conn())
    .await?;
    Ok(())
}

fn alarm_of(row: &AnyRow) -> Result<Alarm, StoreError> {
    let kind: &str = get(row, "kind")?;
    Ok(Alarm {
        id: get(row, "id")?,
        kind: AlarmKind::parse(kind).ok_or_else(|| StoreError::corrupt(format!("alarms.kind `{kind}`")))?,
        subject: get(row, "subject")?,
        machine: get(row, "machine")?,
        region: get::<Option<String>>(row, "region_id")?.map(RegionId),
        urgent: get::<i64>(row, "urgent")? != 0,
        what: get(row, "what")?,
        mend: get(row, "mend")?,
        raised_at: get_instant(row, "raised_at")?,
        told_at: get_instant_if_any(row, "told_at")?,
        times_told: u32::try_from(get::<i64>(row, "times_told")?).unwrap_or(u32::MAX),
        believed: get::<i64>(row, "believed")? != 0,
        seen_at: get_instant(row, "seen_at")?,
        ended_at: get_instant_if_any(row, "ended_at")?,
    })
}
