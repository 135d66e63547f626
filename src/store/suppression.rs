//! Those who are never written to, and what may still go to whom.

use chrono::{DateTime, Utc};

use crate::message::TransactionalKind;
use crate::people::{Address, AddressId};
use crate::store::addresses::AddressStatus;
use crate::store::error::{Conflict, StoreError};
use crate::store::rows::{get, instant, ms};
use crate::store::tx::{Store, Tx};

impl Store {
    /// Whether an address is never to be written to.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn is_suppressed(&self, address: &Address) -> Result<bool, StoreError> {
        let key = self.address_id(address).await?;
        let row = sqlx::query("SELECT COUNT(*) AS n FROM suppressions WHERE address_key = $1")
            .bind(key.as_str())
            .fetch_one(&mut *self.read().await?)
            .await?;
        Ok(get::<i64>(&row, "n")? > 0)
    }
}

pub(super) async fn refuse_suppressed(tx: &mut Tx, address: &Address, key: &AddressId) -> Result<(), StoreError> {
    let row = sqlx::query("SELECT since, reason FROM suppressions WHERE address_key = $1")
        .bind(key.as_str())
        .fetch_optional(tx.conn())
        .await?;
    match row {
        None => Ok(()),
        Some(row) => {
            let since = instant(get(&row, "since")?)?;
            let how = if get::<String>(&row, "reason")? == ERASED { "was erased" } else { "said stop" };
            Err(Conflict::Suppressed { masked: address.to_string(), how, since }.into())
        }
    }
}

/// Why an address of an erased subscriber is on the list.
pub(super) const ERASED: &str = "erased";

/// Gives whether it is new.
pub(super) async fn suppress(
    tx: &mut Tx,
    key: &AddressId,
    reason: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let done = sqlx::query("INSERT INTO suppressions (address_key, since, reason) VALUES ($1, $2, $3) ON CONFLICT (address_key) DO NOTHING")
        .bind(key.as_str())
        .bind(ms(now))
        .bind(reason)
        .execute(tx.conn())
        .await?;
    Ok(done.rows_affected() == 1)
}

pub(super) async fn lift_suppression(tx: &mut Tx, key: &AddressId) -> Result<(), StoreError> {
    sqlx::query("DELETE FROM suppressions WHERE address_key = $1").bind(key.as_str()).execute(tx.conn()).await?;
    Ok(())
}

/// Whether the address of a delivery `d` is on the list of those never to be written to; `l` is its transactional
/// message, if it is of one. A sign-up request that neither code nor link can confirm came from the phone itself: its
/// question goes out.
pub(super) const SUPPRESSED: &str = "CASE WHEN EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = d.address_id AND \
     NOT EXISTS (SELECT 1 FROM confirmations c WHERE c.address_key = x.address_key AND c.ended_at IS NULL \
         AND c.asked_at >= x.since AND c.code_hash IS NULL AND c.token_hash IS NULL \
         AND l.kind IN ('confirm', 'not-covered'))) THEN 1 ELSE 0 END";

/// Whether a transactional message of this kind goes to an address of this status; `None` = nobody's. Who is suppressed
/// gets nothing but the one answer to the stop. Not counted as suppressed, for the question whether they want to be
/// told, is the owner of a phone who asked for that by a text from it after the stop.
pub fn may_go(kind: TransactionalKind, status: Option<AddressStatus>, suppressed: bool) -> bool {
    use TransactionalKind::*;
    match kind {
        Stopped => suppressed,
        _ if suppressed => false,
        Confirm | NotCovered | WhichZip | NotUnderstood | Help | Alarm => true,
        Welcome | Resumed | CoveredNow | Thanks | FollowUp | KeptZip | Preferences | HowHigh | HeightKept => {
            status == Some(AddressStatus::Confirmed)
        }
    }
}
