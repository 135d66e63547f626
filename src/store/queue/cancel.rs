//! Deliveries that a word of staff or of the addressee ends, or has tried once more.

use chrono::{DateTime, Utc};
use sqlx::AssertSqlSafe;

use crate::delivery::state::{DeliveryState, Event};
use crate::people::AddressId;
use crate::season::NoticeId;
use crate::store::acts::Act;
use crate::store::error::StoreError;
use crate::store::queue::{ByHand, standing_of, states_before};
use crate::store::rows::{get_instant, ms};
use crate::store::tx::{Store, Tx};

/// Ends what has not gone out to an address. Gives how many.
pub(in crate::store) async fn cancel_of_address(
    tx: &mut Tx,
    key: &AddressId,
    why: &str,
    now: DateTime<Utc>,
) -> Result<u64, StoreError> {
    // The one answer to a stop goes out, also when the stop is said twice.
    let which = "address_id = $4 AND NOT EXISTS \
         (SELECT 1 FROM letters WHERE letters.id = deliveries.letter_id AND letters.kind = 'stopped')";
    cancel_all(tx, which, key.as_str(), why, now).await
}

/// Ends what has not gone out of a notice. Gives how many.
pub(in crate::store) async fn cancel_of_notice(
    tx: &mut Tx,
    notice: &NoticeId,
    why: &str,
    now: DateTime<Utc>,
) -> Result<u64, StoreError> {
    cancel_all(tx, "notice_id = $4", notice.as_str(), why, now).await
}

/// Ends what has not gone out to a subscriber of notices of regions where they do not live (any more). Gives how many.
pub(in crate::store) async fn cancel_of_strangers(
    tx: &mut Tx,
    subscriber: &str,
    why: &str,
    now: DateTime<Utc>,
) -> Result<u64, StoreError> {
    let which = "notice_id IN (SELECT n.id FROM notices n WHERE NOT EXISTS (SELECT 1 FROM subscriber_regions v \
         WHERE v.subscriber_id = $4 AND v.region_id = n.region_id)) \
         AND address_id IN (SELECT a.id FROM addresses a WHERE a.subscriber_id = $4)";
    cancel_all(tx, which, subscriber, why, now).await
}

async fn cancel_all(tx: &mut Tx, which: &str, id: &str, why: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let to = DeliveryState::Cancelled;
    let cancel = format!(
        "UPDATE deliveries SET state = $1, lease_until = NULL, lease_owner = NULL, last_error = $2, updated_at = $3 \
         WHERE state IN ({}) AND {which}",
        states_before(to, Event::Cancel)
    );
    let done =
        sqlx::query(AssertSqlSafe(cancel)).bind(to.name()).bind(why).bind(ms(now)).bind(id).execute(tx.conn()).await?;
    Ok(done.rows_affected())
}

impl Store {
    /// One more try, asked for by staff.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn retry_delivery(&self, id: &str, now: DateTime<Utc>) -> Result<ByHand, StoreError> {
        self.by_hand(id, Event::RetryByHand, "one more try was asked for", now).await
    }

    /// Ends a delivery that has not gone out. Staff and a word of stop use it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn cancel_delivery(&self, id: &str, why: &str, now: DateTime<Utc>) -> Result<ByHand, StoreError> {
        self.by_hand(id, Event::Cancel, why, now).await
    }

    async fn by_hand(&self, id: &str, event: Event, why: &str, now: DateTime<Utc>) -> Result<ByHand, StoreError> {
        let mut tx = self.begin().await?;
        let find = format!(
            "SELECT state, uncertain_count, answers_lost, expires_at FROM deliveries WHERE id = $1 {}",
            tx.engine().for_update()
        );
        let Some(row) = sqlx::query(AssertSqlSafe(find)).bind(id).fetch_optional(tx.conn()).await? else {
            return Ok(ByHand::Unknown);
        };
        let at = standing_of(&row)?;
        let Some(to) = at.after(event) else { return Ok(ByHand::NotFrom(at.state)) };
        let expires_at = get_instant(&row, "expires_at")?;
        if event == Event::RetryByHand && expires_at <= now {
            return Ok(ByHand::PastItsEnd(expires_at));
        }
        sqlx::query(
            "UPDATE deliveries SET state = $1, not_before = $2, last_error = $3, updated_at = $2 WHERE id = $4",
        )
        .bind(to.state.name())
        .bind(ms(now))
        .bind(why)
        .bind(id)
        .execute(tx.conn())
        .await?;
        let act = if event == Event::RetryByHand { Act::DeliveryRetried } else { Act::DeliveryCancelled };
        tx.note_act(act, &format!("delivery/{id}"), &format!("was {}, is {}", at.state, to.state)).await?;
        tx.commit().await?;
        Ok(ByHand::Done(to.state))
    }
}
