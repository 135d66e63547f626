//! News of deliveries from outside: delivery reports and bounces, in whatever order they come.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::AssertSqlSafe;

use crate::delivery::attempt::{Lease, Reference};
use crate::delivery::state::{DeliveryStanding, DeliveryState, Event, Report};
use crate::people::Channel;
use crate::store::error::StoreError;
use crate::store::queue::{Reported, standing_of};
use crate::store::rows::{get, ms};
use crate::store::tx::{Store, Tx};

impl Store {
    /// Takes in a delivery report or bounce. The state only moves forward, whatever order they come in.
    ///
    /// # Errors
    /// When the store fails; then the report was not taken in and should be asked for again.
    pub async fn apply_report(
        &self,
        channel: Channel,
        reference: Reference<'_>,
        report: Report,
        now: DateTime<Utc>,
    ) -> Result<Reported, StoreError> {
        let mut tx = self.begin().await?;
        let (column, text) = match reference {
            Reference::Key(key) | Reference::Both { key, .. } => ("id", key),
            Reference::Provider(reference) => ("provider_ref", reference),
        };
        let find = format!(
            "SELECT id, attempts FROM deliveries WHERE {column} = $1 AND channel = $2 ORDER BY created_at DESC, id LIMIT 1"
        );
        let row = sqlx::query(AssertSqlSafe(find)).bind(text).bind(channel.name()).fetch_optional(tx.conn()).await?;
        let delivery = row.as_ref().map(|row| get::<String>(row, "id")).transpose()?;
        if let Some(row) = &row
            && get::<i64>(row, "attempts")? == 0
        {
            // Taken as sent, it would never go out.
            return Ok(Reported::Forged { why: "the report is about a message that was never sent" });
        }
        if let (Reference::Both { key, provider }, Some(_)) = (reference, &delivery)
            && is_of_another(&mut tx, channel, key, provider).await?
        {
            return Ok(Reported::Forged { why: "the gateway's reference is that of another message than ours" });
        }
        if delivery.is_some() || matches!(reference, Reference::Provider(_)) {
            sqlx::query(
                "INSERT INTO delivery_reports (channel, reference, outcome, received_at, delivery_id) \
                 VALUES ($1, $2, $3, $4, $5) ON CONFLICT (channel, reference, outcome) DO UPDATE \
                 SET received_at = excluded.received_at, delivery_id = excluded.delivery_id \
                 WHERE delivery_reports.delivery_id IS NULL",
            )
            .bind(channel.name())
            .bind(text)
            .bind(report.name())
            .bind(ms(now))
            .bind(delivery.clone())
            .execute(tx.conn())
            .await?;
        }
        let reported = match delivery {
            None => Reported::Unknown,
            Some(delivery) => move_by_report(&mut tx, delivery, report, now).await?,
        };
        tx.commit().await?;
        Ok(reported)
    }
}

/// Whether the provider gave this reference to another delivery and not to this one.
async fn is_of_another(tx: &mut Tx, channel: Channel, key: &str, provider: &str) -> Result<bool, StoreError> {
    let row = sqlx::query(
        "SELECT COUNT(*) AS others, COUNT(CASE WHEN id = $3 THEN 1 END) AS own FROM deliveries \
         WHERE provider_ref = $1 AND channel = $2",
    )
    .bind(provider)
    .bind(channel.name())
    .bind(key)
    .fetch_one(tx.conn())
    .await?;
    Ok(get::<i64>(&row, "others")? > 0 && get::<i64>(&row, "own")? == 0)
}

/// A report is quicker than our booking by seconds; gateways that count their messages begin anew some day, and an old report
/// is then of another message.
const EARLY_AT_MOST: TimeDelta = TimeDelta::days(1);

/// Reports that came before we knew the provider's reference.
pub(super) async fn apply_early_reports(
    tx: &mut Tx,
    lease: &Lease,
    reference: &str,
    now: DateTime<Utc>,
) -> Result<Option<DeliveryState>, StoreError> {
    let rows = sqlx::query(
        "SELECT outcome FROM delivery_reports WHERE reference = $1 AND delivery_id IS NULL AND received_at >= $3 \
         AND channel = (SELECT channel FROM deliveries WHERE id = $2)",
    )
    .bind(reference)
    .bind(&lease.delivery)
    .bind(ms(now - EARLY_AT_MOST))
    .fetch_all(tx.conn())
    .await?;
    let mut state = None;
    for row in &rows {
        let outcome: String = get(row, "outcome")?;
        let report = Report::parse(&outcome)
            .ok_or_else(|| StoreError::corrupt(format!("delivery_reports.outcome holds `{outcome}`")))?;
        if let Reported::Moved { to, .. } = move_by_report(tx, lease.delivery.clone(), report, now).await? {
            state = Some(to);
        }
    }
    if !rows.is_empty() {
        sqlx::query(
            "UPDATE delivery_reports SET delivery_id = $1 WHERE reference = $2 AND delivery_id IS NULL \
             AND received_at >= $3 AND channel = (SELECT channel FROM deliveries WHERE id = $1)",
        )
        .bind(&lease.delivery)
        .bind(reference)
        .bind(ms(now - EARLY_AT_MOST))
        .execute(tx.conn())
        .await?;
    }
    Ok(state)
}

pub(in crate::store) async fn move_by_report(
    tx: &mut Tx,
    delivery: String,
    report: Report,
    now: DateTime<Utc>,
) -> Result<Reported, StoreError> {
    let find = format!(
        "SELECT state, uncertain_count, answers_lost FROM deliveries WHERE id = $1 {}",
        tx.engine().for_update()
    );
    let row = sqlx::query(AssertSqlSafe(find)).bind(&delivery).fetch_one(tx.conn()).await?;
    let at = standing_of(&row)?;
    let Some(to) = at.after(Event::Report(report)) else {
        return Ok(Reported::Unchanged { delivery, at: at.state });
    };
    sqlx::query(
        "UPDATE deliveries SET state = $1, updated_at = $2, lease_until = NULL, lease_owner = NULL WHERE id = $3",
    )
    .bind(to.state.name())
    .bind(ms(now))
    .bind(&delivery)
    .execute(tx.conn())
    .await?;
    Ok(Reported::Moved { delivery, to: to.state })
}

impl Store {
    /// Books everything that was due at `now` as sent, for a replay that writes no messages: its people are asked as those
    /// whom a message reached.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn count_as_sent(&self, now: DateTime<Utc>) -> Result<(), StoreError> {
        let from = DeliveryState::Queued;
        let Some(to) = DeliveryStanding::new(from).after(Event::Report(Report::Accepted)) else { return Ok(()) };
        let mut tx = self.begin().await?;
        sqlx::query("UPDATE deliveries SET state = $2, updated_at = $1 WHERE state = $3 AND not_before <= $1")
            .bind(ms(now))
            .bind(to.state.name())
            .bind(from.name())
            .execute(tx.conn())
            .await?;
        tx.commit().await
    }
}
