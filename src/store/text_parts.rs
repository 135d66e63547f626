//! Parts of long texts that came in: kept until all of a text are there or it is waited for no longer.

use chrono::{DateTime, Utc};
use sqlx::AssertSqlSafe;

use crate::delivery::inbound::{Alphabet, InboundPart};
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::{Engine, Store};

/// A part that waits for the others of its text.
#[derive(Clone, PartialEq, Eq)]
pub struct WaitingPart {
    pub number: u8,
    pub total: u8,
    pub sender: String,
    pub receiver: String,
    pub alphabet: Alphabet,
    pub octets: Vec<u8>,
    pub received_at: DateTime<Utc>,
    digest: String,
}

impl Store {
    /// Keeps a part. Gives the id of its text, or `None` when that text was acted upon and this is a part of it once more.
    ///
    /// A phone numbers its texts in a small circle. A part that says something else than the one that waits in its place
    /// begins a new text; the old one then waits apart for what is to become of it.
    ///
    /// # Errors
    /// When the store fails; then it is not kept.
    pub async fn keep_text_part(&self, part: &InboundPart, now: DateTime<Utc>) -> Result<Option<String>, StoreError> {
        let (hash, number) = (self.address_hash(), i64::from(part.number));
        let text = format!("{}\n{}\n{} of {}", part.from, part.to, part.reference, part.total);
        let text = hash.of_text("text in parts", &text);
        let digest = hash.of_text("text part", &format!("{} {}", part.alphabet.name(), hex::encode(&part.octets)));
        let mut tx = self.begin().await?;
        if tx.engine() == Engine::Postgres {
            // Two parts of one text may come over two sessions at once.
            sqlx::query("SELECT pg_advisory_xact_lock(hashtextextended($1, 0))").bind(&text).execute(tx.conn()).await?;
        }
        let known = sqlx::query("SELECT acted_at FROM text_parts WHERE text_id = $1 AND number = $2 AND digest = $3")
            .bind(&text)
            .bind(number)
            .bind(&digest)
            .fetch_optional(tx.conn())
            .await?;
        if let Some(row) = known {
            return Ok(get::<Option<i64>>(&row, "acted_at")?.is_none().then_some(text));
        }
        let aside = sqlx::query(
            "UPDATE text_parts SET text_id = $1 WHERE text_id = $2 AND acted_at IS NULL AND EXISTS (\
             SELECT 1 FROM text_parts other WHERE other.text_id = $2 AND other.number = $3 AND other.acted_at IS NULL)",
        );
        aside.bind(format!("{text}/{}", ms(now))).bind(&text).bind(number).execute(tx.conn()).await?;
        sqlx::query(
            "INSERT INTO text_parts (text_id, number, digest, total, sender, receiver, octets, alphabet, received_at) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        )
        .bind(&text)
        .bind(number)
        .bind(&digest)
        .bind(i64::from(part.total))
        .bind(&part.from)
        .bind(&part.to)
        .bind(&part.octets)
        .bind(part.alphabet.name())
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        tx.commit().await?;
        Ok(Some(text))
    }

    /// The parts of a text that wait, in order.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn waiting_parts(&self, text: &str) -> Result<Vec<WaitingPart>, StoreError> {
        let rows = sqlx::query(
            "SELECT number, digest, total, sender, receiver, octets, alphabet, received_at FROM text_parts \
             WHERE text_id = $1 AND acted_at IS NULL ORDER BY number, received_at",
        )
        .bind(text)
        .fetch_all(&mut *self.read().await?)
        .await?;
        let small = |number: i64| {
            u8::try_from(number).map_err(|_| StoreError::corrupt(format!("text_parts counts to {number}")))
        };
        rows.iter()
            .map(|row| {
                let alphabet: String = get(row, "alphabet")?;
                Ok(WaitingPart {
                    number: small(get(row, "number")?)?,
                    total: small(get(row, "total")?)?,
                    sender: get(row, "sender")?,
                    receiver: get(row, "receiver")?,
                    alphabet: Alphabet::parse(&alphabet)
                        .ok_or_else(|| StoreError::corrupt(format!("text_parts.alphabet holds `{alphabet}`")))?,
                    octets: get(row, "octets")?,
                    received_at: get_instant(row, "received_at")?,
                    digest: get(row, "digest")?,
                })
            })
            .collect()
    }

    /// Texts with waiting parts to act upon: all parts are there, or the first came at `begun_by` or before.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn texts_to_act_upon(&self, begun_by: DateTime<Utc>) -> Result<Vec<String>, StoreError> {
        let rows = sqlx::query(
            "SELECT text_id FROM text_parts WHERE acted_at IS NULL GROUP BY text_id \
             HAVING MIN(received_at) <= $1 OR COUNT(DISTINCT number) = MAX(total) ORDER BY MIN(received_at), text_id",
        )
        .bind(ms(begun_by))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(|row| get(row, "text_id")).collect()
    }

    /// Erases what these parts hold and remembers that they came.
    ///
    /// # Errors
    /// When the store fails; then all of it is still there.
    pub async fn close_text_parts(
        &self,
        text: &str,
        parts: &[WaitingPart],
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let empty = match tx.engine() {
            Engine::Postgres => "''::bytea",
            Engine::Sqlite => "x''",
        };
        let close = format!(
            "UPDATE text_parts SET acted_at = $1, sender = '', receiver = '', octets = {empty} \
             WHERE text_id = $2 AND number = $3 AND digest = $4"
        );
        for part in parts {
            sqlx::query(AssertSqlSafe(close.as_str()))
                .bind(ms(now))
                .bind(text)
                .bind(i64::from(part.number))
                .bind(&part.digest)
                .execute(tx.conn())
                .await?;
        }
        tx.commit().await
    }

    /// Forgets parts of texts that were acted upon by `acted_by`.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn forget_text_parts(&self, acted_by: DateTime<Utc>) -> Result<(), StoreError> {
        let old = sqlx::query("SELECT text_id FROM text_parts WHERE acted_at <= $1 LIMIT 1")
            .bind(ms(acted_by))
            .fetch_optional(&mut *self.read().await?)
            .await?;
        if old.is_some() {
            let mut tx = self.begin().await?;
            sqlx::query("DELETE FROM text_parts WHERE acted_at <= $1").bind(ms(acted_by)).execute(tx.conn()).await?;
            tx.commit().await?;
        }
        Ok(())
    }
}
