//! The store in figures, for those who watch it; nothing here changes it.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::AnyPool;

use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::state::DeliveryState;
use crate::people::Channel;
use crate::region::RegionId;
use crate::store::error::StoreError;
use crate::store::queue::{count, state_of};
use crate::store::rows::{channel_of, get, get_day_if_any, get_instant, get_instant_if_any, get_zone, ms};
use crate::store::staff_log::StaffKind;
use crate::store::tx::{Engine, Store};
use crate::weather::{FeedKind, StationId};

/// When a job ran last.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct JobTimes {
    pub started_at: Option<DateTime<Utc>>,
    /// Of the newest run that came to its end.
    pub ended_at: Option<DateTime<Utc>>,
}

impl JobTimes {
    /// The newest of two jobs that do the same.
    pub fn newest(self, other: Self) -> Self {
        Self { started_at: self.started_at.max(other.started_at), ended_at: self.ended_at.max(other.ended_at) }
    }
}

/// How fresh the record of a station in use is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StationFreshness {
    pub station: StationId,
    /// Newest day with a value that could be used.
    pub newest_day: Option<NaiveDate>,
    /// It has a source of observations; where none is asked, no answer can be missing.
    pub is_asked: bool,
    /// When a source of observations last gave a value that could be used.
    pub answered_at: Option<DateTime<Utc>>,
}

/// What waits on one channel.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct QueueDepth {
    /// Deliveries that have not ended, by state: queued, leased, uncertain.
    pub open: BTreeMap<DeliveryState, u64>,
    /// Since when the longest-waiting delivery might have gone out. What lies in quiet hours does not wait.
    pub oldest_due: Option<DateTime<Utc>>,
}

/// Connections of one pool.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PoolUse {
    pub pool: &'static str,
    pub open: u32,
    pub idle: u32,
    pub most: u32,
}

impl Store {
    /// Whether the store answers.
    ///
    /// # Errors
    /// When it does not.
    pub async fn ping(&self) -> Result<(), StoreError> {
        sqlx::query("SELECT 1").fetch_one(&mut *self.read().await?).await?;
        Ok(())
    }

    /// # Errors
    /// When the store fails.
    pub async fn job_times(&self, job: &str) -> Result<JobTimes, StoreError> {
        let row =
            sqlx::query("SELECT MAX(started_at) AS started_at, MAX(ended_at) AS ended_at FROM runs WHERE job = $1")
                .bind(job)
                .fetch_one(&mut *self.read().await?)
                .await?;
        Ok(JobTimes {
            started_at: get_instant_if_any(&row, "started_at")?,
            ended_at: get_instant_if_any(&row, "ended_at")?,
        })
    }

    /// # Errors
    /// When the store fails.
    pub async fn station_freshness(&self) -> Result<Vec<StationFreshness>, StoreError> {
        let stations = self.stations().await?;
        let mut conn = self.read().await?;
        let mut all = Vec::with_capacity(stations.len());
        for station in stations {
            // One a station: each finds its newest row by the index, and reads no other.
            let row =
                sqlx::query("SELECT MAX(day) AS day FROM daily_values WHERE station_id = $1 AND rejected IS NULL")
                    .bind(station.id.as_str())
                    .fetch_one(&mut *conn)
                    .await?;
            let newest_day = get_day_if_any(&row, "day")?;
            let mut answered_at = None;
            for source in station.sources.iter().filter(|source| !source.feed.is_forecast()) {
                let row = sqlx::query(
                    "SELECT started_at FROM pulls WHERE station_id = $1 AND feed = $2 AND error IS NULL AND taken > 0 \
                     ORDER BY started_at DESC LIMIT 1",
                )
                .bind(station.id.as_str())
                .bind(FeedKind::name(source.feed))
                .fetch_optional(&mut *conn)
                .await?;
                answered_at = answered_at.max(row.map(|row| get_instant(&row, "started_at")).transpose()?);
            }
            let is_asked = station.sources.iter().any(|source| !source.feed.is_forecast());
            all.push(StationFreshness { station: station.id, newest_day, is_asked, answered_at });
        }
        Ok(all)
    }

    /// How many notices stand where, by the name of their status.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notice_counts(&self) -> Result<BTreeMap<String, u64>, StoreError> {
        let rows = sqlx::query("SELECT status, COUNT(*) AS n FROM notices GROUP BY status")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok((get(row, "status")?, count(row)?))).collect()
    }

    /// When a notice was last missed, by region: people should have had it. One that another has overtaken is no loss.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn last_missed(&self) -> Result<Vec<(RegionId, DateTime<Utc>)>, StoreError> {
        let rows = sqlx::query(
            "SELECT region_id, MAX(at) AS at FROM staff_log WHERE kind = $1 AND region_id IS NOT NULL \
             GROUP BY region_id ORDER BY region_id",
        )
        .bind(StaffKind::Missed.as_str())
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(|row| Ok((RegionId(get(row, "region_id")?), get_instant(row, "at")?))).collect()
    }

    /// # Errors
    /// When the store fails.
    pub async fn queue_depth(
        &self,
        quiet: QuietHours,
        now: DateTime<Utc>,
    ) -> Result<BTreeMap<Channel, QueueDepth>, StoreError> {
        let mut depth: BTreeMap<Channel, QueueDepth> =
            Channel::ALL.into_iter().map(|channel| (channel, QueueDepth::default())).collect();
        let mut conn = self.read().await?;
        let open = sqlx::query(
            "SELECT channel, state, COUNT(*) AS n FROM deliveries WHERE state IN ('queued', 'leased') \
                 OR (state = 'uncertain' AND answers_lost < 2 AND uncertain_count < 5) GROUP BY channel, state",
        )
        .fetch_all(&mut *conn)
        .await?;
        for row in &open {
            depth.entry(channel_of(row)?).or_default().open.insert(state_of(row)?, count(row)?);
        }
        let due = sqlx::query(
            "SELECT channel, time_zone, any_hour, MIN(not_before) AS since \
             FROM deliveries WHERE state = 'queued' AND not_before <= $1 AND expires_at > $1 \
             GROUP BY channel, time_zone, any_hour",
        )
        .bind(ms(now))
        .fetch_all(&mut *conn)
        .await?;
        for row in &due {
            let at_once = get::<i64>(row, "any_hour")? != 0;
            if at_once || quiet.open_at(now, get_zone(row, "time_zone")?) {
                let oldest = &mut depth.entry(channel_of(row)?).or_default().oldest_due;
                *oldest = [*oldest, Some(get_instant(row, "since")?)].into_iter().flatten().min();
            }
        }
        Ok(depth)
    }

    /// The pools of this process; on PostgreSQL one serves for everything but notes of answers.
    pub fn pool_use(&self) -> Vec<PoolUse> {
        let inner = &self.inner;
        let of = |name, pool: &AnyPool| PoolUse {
            pool: name,
            open: pool.size(),
            idle: u32::try_from(pool.num_idle()).unwrap_or(u32::MAX),
            most: pool.options().get_max_connections(),
        };
        let mut all = match inner.engine {
            Engine::Postgres => vec![of("server", &inner.writer)],
            Engine::Sqlite => vec![of("writer", &inner.writer), of("reader", &inner.reader)],
        };
        all.extend(inner.answers.as_ref().map(|answers| of("answers", answers)));
        all
    }
}
