//! What came in from outside, by keyed hash: what comes twice has one effect.

use chrono::{DateTime, Utc};

use crate::store::error::StoreError;
use crate::store::rows::ms;
use crate::store::tx::{Store, Tx};

/// Notes that something came in; gives whether it is the first time. `id` holds no address and no words.
///
/// # Errors
/// When the store fails.
pub async fn first_time(
    tx: &mut Tx,
    id: &str,
    kind: &str,
    meaning: Option<&str>,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let done =
        sqlx::query("INSERT INTO inbound (id, kind, at, meaning) VALUES ($1, $2, $3, $4) ON CONFLICT (id) DO NOTHING")
            .bind(id)
            .bind(kind)
            .bind(ms(now))
            .bind(meaning)
            .execute(tx.conn())
            .await?;
    Ok(done.rows_affected() == 1)
}

impl Store {
    /// Whether a signed call with this id has been carried out before.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn call_was_taken(&self, id: &str) -> Result<bool, StoreError> {
        let key = self.address_hash().of_text("call", id);
        let row = sqlx::query("SELECT id FROM inbound WHERE id = $1")
            .bind(key)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        Ok(row.is_some())
    }

    /// Remembers a signed call that was carried out.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn note_call(&self, id: &str, now: DateTime<Utc>) -> Result<(), StoreError> {
        let key = self.address_hash().of_text("call", id);
        let mut tx = self.begin().await?;
        first_time(&mut tx, &key, "call", None, now).await?;
        tx.commit().await
    }
}
