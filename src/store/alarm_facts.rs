//! What the store knows of how the service fares: the figures that alarms are made of. Nothing here changes anything.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use crate::people::Channel;
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, get_instant_if_any, get_zone, ms};
use crate::store::runs::{CYCLE, ONCE, Served, served_of};
use crate::store::tx::Store;
use crate::weather::{FeedKind, StationId};

/// How the runs of the cycle went.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CycleFacts {
    /// When the last one began that succeeded, at least in part.
    pub good_at: Option<DateTime<Utc>>,
    /// When the first one of all began.
    pub first_at: Option<DateTime<Utc>>,
    /// When the last one that ended began.
    pub last_began_at: Option<DateTime<Utc>>,
    /// What the last one that ended came to.
    pub last_outcome: Option<String>,
    /// The regions of that one; `None` also of one before they were counted.
    pub last_served: Option<Served>,
    /// When that one ended, if it did nothing of what it is for.
    pub failed_at: Option<DateTime<Utc>>,
}

/// How the pulls of one source went since an instant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourceFacts {
    pub station: StationId,
    pub feed: FeedKind,
    pub first_at: DateTime<Utc>,
    pub last_at: DateTime<Utc>,
    /// The last one that took any value.
    pub good_at: Option<DateTime<Utc>>,
    /// Pulls after that.
    pub bad: u64,
    /// Of them, those whose answer held values of which none could be taken.
    pub unusable: u64,
    pub last_error: Option<String>,
}

/// Attempts of a channel since it last took or refused a message.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ChannelFacts {
    pub works_at: Option<DateTime<Utc>>,
    /// Attempts since then that got no message through.
    pub vain: u64,
    /// The messages that these were of.
    pub vain_messages: u64,
    pub vain_since: Option<DateTime<Utc>>,
    pub last_at: Option<DateTime<Utc>>,
}

/// How messages of a channel ended since an instant.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct AnswerFacts {
    pub accepted: u64,
    pub refused: u64,
    /// Reported undelivered after they had been accepted.
    pub returned: u64,
}

/// Messages that could have gone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaitingFacts {
    pub zone: Tz,
    /// They keep no quiet hours.
    pub any_hour: bool,
    pub messages: u64,
    /// Of those that were never tried: the others wait for another try, and the channel said why.
    pub oldest_untried: Option<DateTime<Utc>>,
}

impl Store {
    /// # Errors
    /// When the store fails.
    pub async fn cycle_facts(&self) -> Result<CycleFacts, StoreError> {
        let mut conn = self.read().await?;
        let row = sqlx::query(
            "SELECT MIN(started_at) AS first_at, \
                    MAX(CASE WHEN result IN ('good', 'partly') THEN started_at END) AS good_at \
             FROM runs WHERE job IN ($1, $2)",
        )
        .bind(CYCLE)
        .bind(ONCE)
        .fetch_one(&mut *conn)
        .await?;
        let last = sqlx::query(
            "SELECT started_at, outcome, regions, faults, CASE WHEN result = 'failed' THEN ended_at END AS failed_at \
             FROM runs WHERE ended_at IS NOT NULL AND job IN ($1, $2) ORDER BY ended_at DESC LIMIT 1",
        )
        .bind(CYCLE)
        .bind(ONCE)
        .fetch_optional(&mut *conn)
        .await?;
        Ok(CycleFacts {
            good_at: get_instant_if_any(&row, "good_at")?,
            first_at: get_instant_if_any(&row, "first_at")?,
            last_began_at: last.as_ref().map(|row| get_instant(row, "started_at")).transpose()?,
            last_outcome: last.as_ref().map(|row| get::<Option<String>>(row, "outcome")).transpose()?.flatten(),
            last_served: last.as_ref().map(served_of).transpose()?.flatten(),
            failed_at: last.as_ref().map(|row| get_instant_if_any(row, "failed_at")).transpose()?.flatten(),
        })
    }

    /// By station, the sources that were asked since an instant.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn source_facts(
        &self,
        since: DateTime<Utc>,
    ) -> Result<BTreeMap<StationId, Vec<SourceFacts>>, StoreError> {
        let rows = sqlx::query(
            "WITH lately AS (SELECT * FROM pulls WHERE started_at >= $1), \
                  stood AS (SELECT station_id, feed, MIN(started_at) AS first_at, MAX(started_at) AS last_at, \
                                   MAX(CASE WHEN taken > 0 THEN started_at END) AS good_at \
                            FROM lately GROUP BY station_id, feed) \
             SELECT s.station_id, s.feed, s.first_at, s.last_at, s.good_at, \
                    SUM(CASE WHEN p.started_at > COALESCE(s.good_at, 0) THEN 1 ELSE 0 END) AS bad, \
                    SUM(CASE WHEN p.started_at > COALESCE(s.good_at, 0) AND p.rejected > 0 THEN 1 ELSE 0 END) AS unusable, \
                    MAX(CASE WHEN p.started_at = s.last_at THEN p.error END) AS last_error \
             FROM stood s JOIN lately p ON p.station_id = s.station_id AND p.feed = s.feed \
             GROUP BY s.station_id, s.feed, s.first_at, s.last_at, s.good_at ORDER BY s.station_id, s.feed",
        )
        .bind(ms(since))
        .fetch_all(&mut *self.read().await?)
        .await?;
        let mut stations: BTreeMap<StationId, Vec<SourceFacts>> = BTreeMap::new();
        for row in &rows {
            let feed: &str = get(row, "feed")?;
            let count = |column| -> Result<u64, StoreError> { Ok(get::<i64>(row, column)?.unsigned_abs()) };
            let station = StationId(get(row, "station_id")?);
            stations.entry(station.clone()).or_default().push(SourceFacts {
                station,
                feed: FeedKind::parse(feed).ok_or_else(|| StoreError::corrupt(format!("pulls.feed `{feed}`")))?,
                first_at: get_instant(row, "first_at")?,
                last_at: get_instant(row, "last_at")?,
                good_at: get_instant_if_any(row, "good_at")?,
                bad: count("bad")?,
                unusable: count("unusable")?,
                last_error: get(row, "last_error")?,
            });
        }
        Ok(stations)
    }

    /// # Errors
    /// When the store fails.
    pub async fn channel_facts(&self, channel: Channel, since: DateTime<Utc>) -> Result<ChannelFacts, StoreError> {
        let mut conn = self.read().await?;
        let row = sqlx::query(
            "SELECT MAX(started_at) AS works_at FROM attempts \
             WHERE channel = $1 AND started_at >= $2 AND outcome IN ('accepted', 'refused')",
        )
        .bind(channel.name())
        .bind(ms(since))
        .fetch_one(&mut *conn)
        .await?;
        let works_at = get_instant_if_any(&row, "works_at")?;
        let row = sqlx::query(
            "SELECT COUNT(*) AS n, COUNT(DISTINCT delivery_id) AS messages, MIN(started_at) AS since, MAX(started_at) AS last \
             FROM attempts \
             WHERE channel = $1 AND started_at > $2 AND outcome IN ('not-now', 'uncertain')",
        )
        .bind(channel.name())
        .bind(works_at.map_or(ms(since) - 1, ms))
        .fetch_one(&mut *conn)
        .await?;
        Ok(ChannelFacts {
            works_at,
            vain: get::<i64>(&row, "n")?.unsigned_abs(),
            vain_messages: get::<i64>(&row, "messages")?.unsigned_abs(),
            vain_since: get_instant_if_any(&row, "since")?,
            last_at: get_instant_if_any(&row, "last")?,
        })
    }

    /// # Errors
    /// When the store fails.
    pub async fn answer_facts(&self, channel: Channel, since: DateTime<Utc>) -> Result<AnswerFacts, StoreError> {
        let mut conn = self.read().await?;
        let row = sqlx::query(
            "SELECT COUNT(CASE WHEN outcome = 'accepted' THEN 1 END) AS accepted, \
                    COUNT(CASE WHEN outcome = 'refused' THEN 1 END) AS refused \
             FROM attempts WHERE channel = $1 AND started_at >= $2",
        )
        .bind(channel.name())
        .bind(ms(since))
        .fetch_one(&mut *conn)
        .await?;
        let returned = sqlx::query(
            "SELECT COUNT(*) AS n FROM delivery_reports \
             WHERE channel = $1 AND outcome = 'undelivered' AND received_at >= $2 AND delivery_id IS NOT NULL",
        )
        .bind(channel.name())
        .bind(ms(since))
        .fetch_one(&mut *conn)
        .await?;
        let count = |row, column| -> Result<u64, StoreError> { Ok(get::<i64>(row, column)?.unsigned_abs()) };
        Ok(AnswerFacts {
            accepted: count(&row, "accepted")?,
            refused: count(&row, "refused")?,
            returned: count(&returned, "n")?,
        })
    }

    /// Alarms that were queued before an instant and that nobody has tried to send since.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn alarms_untried_since(&self, since: DateTime<Utc>, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let row = sqlx::query(
            "SELECT COUNT(*) AS n FROM deliveries d JOIN letters l ON l.id = d.letter_id AND l.kind = 'alarm' \
             WHERE d.state = 'queued' AND d.attempts = 0 AND d.created_at <= $1 AND d.expires_at > $2",
        )
        .bind(ms(since))
        .bind(ms(now))
        .fetch_one(&mut *self.read().await?)
        .await?;
        Ok(get::<i64>(&row, "n")?.unsigned_abs())
    }

    /// Messages of a channel that wait though their notice is released and their time is not over. Alarms are not counted:
    /// they would keep themselves alive.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn waiting_facts(&self, channel: Channel, now: DateTime<Utc>) -> Result<Vec<WaitingFacts>, StoreError> {
        let rows = sqlx::query(
            "SELECT d.time_zone, d.any_hour, COUNT(*) AS n, \
                    MIN(CASE WHEN d.attempts = 0 THEN d.created_at END) AS oldest FROM deliveries d \
             LEFT JOIN notices n ON n.id = d.notice_id LEFT JOIN letters l ON l.id = d.letter_id \
             WHERE d.channel = $1 AND d.state = 'queued' AND d.expires_at > $2 \
               AND (n.status = 'released' OR (l.id IS NOT NULL AND l.kind <> 'alarm')) \
             GROUP BY d.time_zone, d.any_hour ORDER BY d.time_zone, d.any_hour",
        )
        .bind(channel.name())
        .bind(ms(now))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(WaitingFacts {
                    zone: get_zone(row, "time_zone")?,
                    any_hour: get::<i64>(row, "any_hour")? != 0,
                    messages: get::<i64>(row, "n")?.unsigned_abs(),
                    oldest_untried: get_instant_if_any(row, "oldest")?,
                })
            })
            .collect()
    }
}
