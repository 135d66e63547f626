//! How many attempts may begin, and when the next one may.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::AnyConnection;

use crate::delivery::pace::RateWindow;
use crate::people::Channel;
use crate::store::error::StoreError;
use crate::store::queue::ClaimRequest;
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::{Store, Tx};

/// Attempts by a clock that is ahead of ours by more than this have nothing to say: they would hold the queue until ours is there.
const CLOCKS_APART: TimeDelta = TimeDelta::seconds(60);

impl Store {
    /// The first instant, from `now` on, at which these limits let one more attempt begin; `None` = never.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn next_slot(
        &self,
        channel: Channel,
        windows: &[RateWindow],
        now: DateTime<Utc>,
    ) -> Result<Option<DateTime<Utc>>, StoreError> {
        let mut conn = self.read().await?;
        let mut slot = now;
        for window in windows {
            let begun = begun_within(&mut conn, channel, *window, now).await?;
            if window.limit == 0 {
                return Ok(None);
            }
            if begun.len() >= window.limit as usize
                && let Some(oldest) = begun.last()
            {
                slot = slot.max(*oldest + window.length);
            }
        }
        Ok(Some(slot))
    }

    /// Instants at which attempts on this channel began since `since`, in order.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn attempts_since(
        &self,
        channel: Channel,
        since: DateTime<Utc>,
    ) -> Result<Vec<DateTime<Utc>>, StoreError> {
        let rows =
            sqlx::query("SELECT started_at FROM attempts WHERE channel = $1 AND started_at > $2 ORDER BY started_at")
                .bind(channel.name())
                .bind(ms(since))
                .fetch_all(&mut *self.read().await?)
                .await?;
        rows.iter().map(|row| get_instant(row, "started_at")).collect()
    }
}

/// How many more may begin now.
pub(super) async fn room(tx: &mut Tx, ask: &ClaimRequest<'_>) -> Result<i64, StoreError> {
    let mut room = i64::from(ask.most);
    if let Some(in_flight) = ask.in_flight {
        let row = sqlx::query(
            "SELECT COUNT(*) AS n FROM deliveries WHERE channel = $1 AND state = 'leased' AND lease_until > $2",
        )
        .bind(ask.channel.name())
        .bind(ms(ask.now))
        .fetch_one(tx.conn())
        .await?;
        room = room.min(i64::from(in_flight) - get::<i64>(&row, "n")?);
    }
    for window in ask.windows {
        let begun = begun_within(tx.conn(), ask.channel, *window, ask.now).await?;
        room = room.min(i64::from(window.limit) - i64::try_from(begun.len()).unwrap_or(i64::MAX));
    }
    Ok(room.max(0))
}

/// The newest attempts inside a window that ends now, newest first; never more than its limit, so a long log costs nothing.
pub(super) async fn begun_within(
    conn: &mut AnyConnection,
    channel: Channel,
    window: RateWindow,
    now: DateTime<Utc>,
) -> Result<Vec<DateTime<Utc>>, StoreError> {
    let rows = sqlx::query(
        "SELECT started_at FROM attempts WHERE channel = $1 AND started_at > $2 AND started_at <= $3
         ORDER BY started_at DESC LIMIT $4",
    )
    .bind(channel.name())
    .bind(ms(now - window.length))
    .bind(ms(now + CLOCKS_APART))
    .bind(i64::from(window.limit))
    .fetch_all(conn)
    .await?;
    rows.iter().map(|row| get_instant(row, "started_at")).collect()
}

/// Any numbers that nothing else locks.
pub(super) fn pace_lock(channel: Channel) -> i64 {
    match channel {
        Channel::Email => 0x7472_6565_0001,
        Channel::Sms => 0x7472_6565_0002,
    }
}
