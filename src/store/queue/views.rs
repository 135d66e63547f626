//! The queue in figures and lists; nothing here changes it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Duration, Utc};
use sqlx::AssertSqlSafe;

use crate::delivery::state::DeliveryState;
use crate::people::{Address, Channel, Language};
use crate::region::RegionId;
use crate::season::NoticeId;
use crate::store::error::StoreError;
use crate::store::queue::{
    Backlog, DeliveryFilter, DeliveryRow, WAITS, channel_of, count, standing_of, state_of, zone_of,
};
use crate::store::rows::{get, get_instant, get_instant_if_any, language_of, ms};
use crate::store::tx::Store;

impl Store {
    /// The instant from which a delivery of this channel may go out, by its own time alone: it may lie in the past.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn next_turn(&self, channel: Channel, now: DateTime<Utc>) -> Result<Option<DateTime<Utc>>, StoreError> {
        let mut conn = self.read().await?;
        let find = format!("SELECT not_before FROM deliveries WHERE {WAITS} ORDER BY not_before LIMIT 1");
        let mut next = None;
        for state in [DeliveryState::Uncertain, DeliveryState::Queued] {
            let row = sqlx::query(AssertSqlSafe(find.as_str()))
                .bind(channel.name())
                .bind(state.name())
                .bind(ms(now))
                .fetch_optional(&mut *conn)
                .await?;
            let at = row.as_ref().map(|row| get_instant(row, "not_before")).transpose()?;
            next = [next, at].into_iter().flatten().min();
        }
        Ok(next)
    }

    /// The next instant at which a delivery expires or a lease runs out.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn next_end(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let mut conn = self.read().await?;
        let mut next = Vec::new();
        for find in [
            "SELECT MIN(expires_at) AS at FROM deliveries WHERE state = 'queued'",
            "SELECT MIN(lease_until) AS at FROM deliveries WHERE state = 'leased'",
        ] {
            next.extend(get_instant_if_any(&sqlx::query(find).fetch_one(&mut *conn).await?, "at")?);
        }
        Ok(next.into_iter().min())
    }

    /// Whether anything waits on this channel.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn anything_queued(&self, channel: Channel) -> Result<bool, StoreError> {
        let row = sqlx::query("SELECT id FROM deliveries WHERE channel = $1 AND state = 'queued' LIMIT 1")
            .bind(channel.name())
            .fetch_optional(&mut *self.read().await?)
            .await?;
        Ok(row.is_some())
    }

    /// Mean time from the start to the end of the newest attempts of a channel; `None` before the first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn mean_send_time(&self, channel: Channel) -> Result<Option<Duration>, StoreError> {
        let row = sqlx::query(
            "SELECT CAST(AVG(ended_at - started_at) AS BIGINT) AS mean FROM \
             (SELECT started_at, ended_at FROM attempts WHERE channel = $1 AND ended_at IS NOT NULL AND outcome <> 'uncertain' \
              ORDER BY started_at DESC LIMIT 200) AS newest",
        )
        .bind(channel.name())
        .fetch_one(&mut *self.read().await?)
        .await?;
        Ok(get::<Option<i64>>(&row, "mean")?.map(Duration::milliseconds))
    }

    /// How many deliveries stand where, by channel.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn queue_counts(&self) -> Result<BTreeMap<(Channel, DeliveryState), u64>, StoreError> {
        let rows = sqlx::query("SELECT channel, state, COUNT(*) AS n FROM deliveries GROUP BY channel, state")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok(((channel_of(row)?, state_of(row)?), count(row)?))).collect()
    }

    /// How often, over all deliveries, bytes may have gone out with no answer booked: the number of possible repeats that
    /// were or will be marked.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn uncertain_total(&self) -> Result<u64, StoreError> {
        let row = sqlx::query("SELECT CAST(COALESCE(SUM(uncertain_count), 0) AS BIGINT) AS n FROM deliveries")
            .fetch_one(&mut *self.read().await?)
            .await?;
        count(&row)
    }

    /// Where the deliveries of one notice stand, and whether all have ended.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notice_progress(
        &self,
        notice: &NoticeId,
        now: DateTime<Utc>,
    ) -> Result<(BTreeMap<DeliveryState, u64>, bool), StoreError> {
        let rows = sqlx::query(
            "SELECT state, uncertain_count, answers_lost, COUNT(*) AS n, MAX(expires_at) AS expires_at \
             FROM deliveries WHERE notice_id = $1 GROUP BY state, uncertain_count, answers_lost",
        )
        .bind(notice.as_str())
        .fetch_all(&mut *self.read().await?)
        .await?;
        let (mut counts, mut ended) = (BTreeMap::new(), true);
        for row in &rows {
            let standing = standing_of(row)?;
            *counts.entry(standing.state).or_insert(0) += count(row)?;
            ended &= standing.ended(get_instant(row, "expires_at")? <= now);
        }
        Ok((counts, ended))
    }

    /// What still waits on a channel, by zone, for an estimate of when all will be told. Transactional messages that
    /// leave at once are not in it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn backlog(&self, channel: Channel) -> Result<Vec<Backlog>, StoreError> {
        let rows = sqlx::query(
            "SELECT time_zone, COUNT(*) AS n, MIN(not_before) AS not_before, MIN(expires_at) AS expires_at \
             FROM deliveries WHERE channel = $1 AND any_hour = 0 AND (state IN ('queued', 'leased') \
                 OR (state = 'uncertain' AND answers_lost < 2 AND uncertain_count < 5)) \
             GROUP BY time_zone, notice_id ORDER BY time_zone, notice_id",
        )
        .bind(channel.name())
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(Backlog {
                    zone: zone_of(row)?,
                    messages: count(row)?,
                    not_before: get_instant(row, "not_before")?,
                    expires_at: get_instant(row, "expires_at")?,
                })
            })
            .collect()
    }

    /// How many addresses a notice was queued for, by the words that they get.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn delivery_words(&self, id: &NoticeId) -> Result<BTreeMap<(Channel, Language), u64>, StoreError> {
        let rows = sqlx::query(
            "SELECT channel, language, COUNT(*) AS n FROM deliveries WHERE notice_id = $1 GROUP BY channel, language",
        )
        .bind(id.as_str())
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(|row| Ok(((channel_of(row)?, language_of(row)?), count(row)?))).collect()
    }

    /// Notices that left since an instant and of which there is no delivery: they had nobody to go to, and nobody has joined since.
    /// One of which recipients are still to be queued is not among them.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn left_to_nobody(&self, since: DateTime<Utc>) -> Result<BTreeSet<NoticeId>, StoreError> {
        let rows = sqlx::query(
            "SELECT n.id FROM notices n WHERE n.status = 'released' AND n.released_at >= $1 AND n.queued_to IS NULL
               AND NOT EXISTS (SELECT 1 FROM deliveries d WHERE d.notice_id = n.id)",
        )
        .bind(ms(since))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(|row| Ok(NoticeId(get(row, "id")?))).collect()
    }

    /// How many messages of notices failed for good since an instant, by region: refused, sent back, or too late.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn failed_since(&self, since: DateTime<Utc>) -> Result<BTreeMap<RegionId, u64>, StoreError> {
        let rows = sqlx::query(
            "SELECT n.region_id, COUNT(*) AS n FROM deliveries d JOIN notices n ON n.id = d.notice_id
             WHERE d.state IN ('failed', 'bounced', 'expired') AND d.updated_at >= $1 AND n.recalled_at IS NULL
             GROUP BY n.region_id",
        )
        .bind(ms(since))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(|row| Ok((RegionId(get(row, "region_id")?), count(row)?))).collect()
    }

    /// # Errors
    /// When the store fails.
    pub async fn deliveries(&self, filter: &DeliveryFilter) -> Result<Vec<DeliveryRow>, StoreError> {
        let rows = sqlx::query(
            "SELECT d.id, COALESCE(d.notice_id, 'letter/' || l.kind) AS notice, d.channel, \
                    COALESCE(a.address, NULLIF(l.address, '')) AS address, d.state, d.uncertain_count, d.answers_lost, d.attempts, d.not_before, \
                    d.expires_at, d.provider_ref, d.last_error, d.updated_at \
             FROM deliveries d LEFT JOIN addresses a ON a.id = d.address_id LEFT JOIN letters l ON l.id = d.letter_id \
             WHERE ($1 = '' OR d.state = $1) AND ($2 = '' OR d.notice_id = $2) \
             ORDER BY d.created_at, d.notice_id, d.priority, d.id LIMIT $3",
        )
        .bind(filter.state.map_or("", DeliveryState::name))
        .bind(filter.notice.as_ref().map_or("", NoticeId::as_str))
        .bind(filter.limit.map_or(i64::MAX, i64::from))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                let channel = channel_of(row)?;
                Ok(DeliveryRow {
                    id: get(row, "id")?,
                    notice: get(row, "notice")?,
                    channel,
                    address: get::<Option<String>>(row, "address")?.map(|text| Address::from_stored(channel, text)),
                    standing: standing_of(row)?,
                    attempts: get(row, "attempts")?,
                    not_before: get_instant(row, "not_before")?,
                    expires_at: get_instant(row, "expires_at")?,
                    provider_ref: get(row, "provider_ref")?,
                    last_error: get(row, "last_error")?,
                    updated_at: get_instant(row, "updated_at")?,
                })
            })
            .collect()
    }

    /// Where one delivery stands, with the last error of its channel; `None` = there is none of this id.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn delivery_state(&self, id: &str) -> Result<Option<(DeliveryState, Option<String>)>, StoreError> {
        let row = sqlx::query("SELECT state, last_error FROM deliveries WHERE id = $1")
            .bind(id)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.map(|row| Ok((state_of(&row)?, get(&row, "last_error")?))).transpose()
    }

    /// How many deliveries of a notice are in each state.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn delivery_counts(&self, id: &NoticeId) -> Result<BTreeMap<String, u64>, StoreError> {
        let rows = sqlx::query("SELECT state, COUNT(*) AS n FROM deliveries WHERE notice_id = $1 GROUP BY state")
            .bind(id.as_str())
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok((get(row, "state")?, get::<i64>(row, "n")?.unsigned_abs()))).collect()
    }

    /// How many deliveries of a notice there are by channel, whatever became of them.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn delivery_channels(&self, id: &NoticeId) -> Result<BTreeMap<Channel, u64>, StoreError> {
        let rows = sqlx::query("SELECT channel, COUNT(*) AS n FROM deliveries WHERE notice_id = $1 GROUP BY channel")
            .bind(id.as_str())
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok((channel_of(row)?, get::<i64>(row, "n")?.unsigned_abs()))).collect()
    }

    /// What channels took at this very instant, by region: for a replay, whose clock stands still while it sends. Notices
    /// and the questions after them.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn sent_at(&self, instant: DateTime<Utc>) -> Result<Vec<(RegionId, Channel, u64)>, StoreError> {
        let rows = sqlx::query(
            "SELECT n.region_id AS region_id, d.channel AS channel, COUNT(*) AS n FROM deliveries d
             JOIN notices n ON n.id = d.notice_id
             WHERE d.state = 'sent' AND d.updated_at = $1 GROUP BY n.region_id, d.channel
             UNION ALL
             SELECT n.region_id, d.channel, COUNT(DISTINCT f.id) AS n FROM deliveries d
             JOIN letters l ON l.id = d.letter_id AND l.kind = 'follow-up'
             JOIN follow_ups f ON f.address_key = d.address_id AND f.asked_at = l.created_at
             JOIN notices n ON n.id = f.notice_id
             WHERE d.state = 'sent' AND d.updated_at = $1 GROUP BY n.region_id, d.channel
             ORDER BY region_id, channel",
        )
        .bind(ms(instant))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                Ok((get(row, "region_id").map(RegionId)?, channel_of(row)?, get::<i64>(row, "n")?.unsigned_abs()))
            })
            .collect()
    }
}
