//! What came in from outside, by keyed hash: what comes twice has one effect.

use chrono::{DateTime, Utc};

use crate::store::error::StoreError;
use crate::store::rows::{get, ms};
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

/// Remembers that a text that came in was answered with one.
///
/// # Errors
/// When the store fails.
pub async fn note_answered(tx: &mut Tx, id: &str) -> Result<(), StoreError> {
    sqlx::query("UPDATE inbound SET answered = 1 WHERE id = $1").bind(id).execute(tx.conn()).await?;
    Ok(())
}

/// How many texts that came in since an instant were answered.
///
/// # Errors
/// When the store fails.
pub async fn answered_since(tx: &mut Tx, since: DateTime<Utc>) -> Result<u64, StoreError> {
    let row = sqlx::query("SELECT COUNT(*) AS n FROM inbound WHERE at > $1 AND answered = 1")
        .bind(ms(since))
        .fetch_one(tx.conn())
        .await?;
    Ok(get::<i64>(&row, "n")?.unsigned_abs())
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
