//! Addresses that said stop, came back, or exist no more.

use chrono::{DateTime, Utc};

use crate::people::{Address, AddressId};
use crate::store::addresses::{AddressStatus, owner_of, set_status, status_of};
use crate::store::consents::{ConsentAction, add_consent};
use crate::store::error::StoreError;
use crate::store::notices::tell_joined;
use crate::store::pending_sign_ups::{Outcome, end_open};
use crate::store::queue::cancel::cancel_of_address;
use crate::store::rows::{get, ms};
use crate::store::suppression::{lift_suppression, suppress};
use crate::store::tx::{Store, Tx};
use crate::text::counted;

/// What stopping or erasing did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stopped {
    /// Addresses that were subscribed; 0 when only the suppression was written.
    pub addresses: u64,
    /// Deliveries that had not gone out and now will not.
    pub cancelled: u64,
}

impl Stopped {
    /// `1 address, 2 deliveries called off`.
    pub fn said(&self) -> String {
        let addresses = counted(self.addresses, "address", "addresses");
        format!("{addresses}, {} called off", counted(self.cancelled, "delivery", "deliveries"))
    }
}

impl Store {
    /// Obeys a start: an address that had confirmed before it said stop, and was not erased, is written to again. Gives
    /// whether it is; an address that never confirmed is not subscribed by a single word. What came into force meanwhile is
    /// queued for it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn resume_address(
        &self,
        address: &Address,
        evidence: &str,
        now: DateTime<Utc>,
    ) -> Result<bool, StoreError> {
        let mut tx = self.begin().await?;
        let resumes = resume(&mut tx, address, evidence, now).await?;
        tx.commit().await?;
        Ok(resumes)
    }

    /// An address that does not exist any more: nothing is written to it until its owner gives it again.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn deactivate_address(&self, address_id: &AddressId, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        let cancelled = deactivate(&mut tx, address_id, now).await?;
        tx.commit().await?;
        Ok(cancelled.unwrap_or(0))
    }
}

/// An address, known by its id only, said stop: it is suppressed, also when it is nobody's here, and what has not gone
/// out to it is cancelled. A message that a worker has in hand is its worker's matter: it looks at the address once
/// more before the first byte.
///
/// # Errors
/// When the store fails.
pub async fn stop_by_id(
    tx: &mut Tx,
    key: &AddressId,
    evidence: &str,
    now: DateTime<Utc>,
) -> Result<Stopped, StoreError> {
    let was = status_of(tx, key).await?;
    // The status first: on PostgreSQL a release that runs beside this one waits here, or this waits for it and then
    // sees its deliveries.
    if was.is_some() {
        set_status(tx, key, AddressStatus::Stopped, now).await?;
    }
    let fresh = suppress(tx, key, "said stop", now).await?;
    if fresh || was.is_some_and(|was| was != AddressStatus::Stopped) {
        add_consent(tx, key, ConsentAction::Stopped, evidence, now).await?;
    }
    let cancelled = cancel_of_address(tx, key, "the address said stop", now).await?;
    end_open(tx, key, Outcome::Stopped, now).await?;
    let subscribed = was.is_some_and(|was| was != AddressStatus::Stopped);
    Ok(Stopped { addresses: u64::from(subscribed), cancelled })
}

/// As [`Store::resume_address`], inside a transaction of the caller.
///
/// # Errors
/// When the store fails.
pub async fn resume(tx: &mut Tx, address: &Address, evidence: &str, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let key = tx.address_id(address).await?;
    let confirmed_once =
        sqlx::query("SELECT COUNT(*) AS n FROM consents WHERE address_key = $1 AND action IN ('confirmed', 'resumed')")
            .bind(key.as_str())
            .fetch_one(tx.conn())
            .await?;
    let resumes = match status_of(tx, &key).await? {
        Some(AddressStatus::Confirmed) => return Ok(true),
        Some(AddressStatus::Stopped) => get::<i64>(&confirmed_once, "n")? > 0,
        Some(AddressStatus::Unconfirmed | AddressStatus::Undeliverable) | None => false,
    };
    if resumes {
        lift_suppression(tx, &key).await?;
        set_status(tx, &key, AddressStatus::Confirmed, now).await?;
        add_consent(tx, &key, ConsentAction::Resumed, evidence, now).await?;
        if let Some(subscriber) = owner_of(tx, &key).await? {
            tell_joined(tx, &subscriber, now).await?;
        }
    }
    Ok(resumes)
}

/// As [`Store::deactivate_address`], in the caller's transaction; `None` when the address was undeliverable, stopped or gone
/// already.
pub(super) async fn deactivate(
    tx: &mut Tx,
    address_id: &AddressId,
    now: DateTime<Utc>,
) -> Result<Option<u64>, StoreError> {
    let done = sqlx::query(
        "UPDATE addresses SET status = 'dead', status_at = $2 WHERE id = $1 AND status IN ('confirmed', 'unconfirmed')",
    )
    .bind(address_id.as_str())
    .bind(ms(now))
    .execute(tx.conn())
    .await?;
    let cancelled = cancel_of_address(tx, address_id, "the address does not exist any more", now).await?;
    Ok((done.rows_affected() > 0).then_some(cancelled))
}
