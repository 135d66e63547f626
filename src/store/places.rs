//! The imported table of ZIP areas, and what services said of places.

use chrono::{DateTime, TimeDelta, Utc};

use crate::places::PlaceTable;
use crate::store::acts::Act;
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::Store;

/// So long an answer about a place is used again: the weather service asks to keep its points for weeks, and moves them
/// now and then.
pub const ANSWERS_KEPT_DAYS: u32 = 30;

const TABLE: &str = "zip-areas";

/// What a service said before.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptAnswer {
    pub answer: String,
    pub answered_at: DateTime<Utc>,
}

impl Store {
    /// The table that staff imported, if they did.
    ///
    /// # Errors
    /// When the store fails, or holds something else there.
    pub async fn imported_places(&self) -> Result<Option<PlaceTable>, StoreError> {
        let row = sqlx::query("SELECT content FROM place_tables WHERE id = $1")
            .bind(TABLE)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        let Some(row) = row else { return Ok(None) };
        let table = PlaceTable::unpack(&get::<Vec<u8>>(&row, "content")?);
        table.map(Some).map_err(|why| StoreError::corrupt(format!("place_tables.content: {why}")))
    }

    /// Puts a table in the place of the one inside the program, or of an earlier one.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn import_places(&self, table: &PlaceTable, now: DateTime<Utc>) -> Result<(), StoreError> {
        let packed = table.packed().map_err(|why| StoreError::corrupt(format!("a table of places: {why}")))?;
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO place_tables (id, source, areas, content, imported_at) VALUES ($1, $2, $3, $4, $5)
             ON CONFLICT (id) DO UPDATE SET source = excluded.source, areas = excluded.areas, content = excluded.content,
                 imported_at = excluded.imported_at",
        )
        .bind(TABLE)
        .bind(table.source())
        .bind(table.len() as i64)
        .bind(packed)
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        tx.note_act(Act::PlacesImported, "places", &format!("{} ZIP areas of {}", table.len(), table.source())).await?;
        tx.commit().await
    }

    /// Takes the imported table away, so that the one inside the program counts again. Gives whether there was one.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn drop_places(&self) -> Result<bool, StoreError> {
        let mut tx = self.begin().await?;
        let gone = sqlx::query("DELETE FROM place_tables WHERE id = $1").bind(TABLE).execute(tx.conn()).await?;
        if gone.rows_affected() == 0 {
            return Ok(false);
        }
        tx.note_act(Act::PlacesReset, "places", "the table inside the program counts again").await?;
        tx.commit().await?;
        Ok(true)
    }

    /// What was answered to a question, unless that was too long ago.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn place_answer(&self, question: &str, now: DateTime<Utc>) -> Result<Option<KeptAnswer>, StoreError> {
        let since = now.checked_sub_signed(TimeDelta::days(i64::from(ANSWERS_KEPT_DAYS))).unwrap_or(now);
        let row = sqlx::query("SELECT answer, answered_at FROM place_answers WHERE question = $1 AND answered_at > $2")
            .bind(question)
            .bind(ms(since))
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.map(|row| Ok(KeptAnswer { answer: get(&row, "answer")?, answered_at: get_instant(&row, "answered_at")? }))
            .transpose()
    }

    /// Keeps an answer, in the place of an earlier one. It is no act of staff: the same question would bring it again.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn keep_place_answer(&self, question: &str, answer: &str, now: DateTime<Utc>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO place_answers (question, answer, answered_at) VALUES ($1, $2, $3)
             ON CONFLICT (question) DO UPDATE SET answer = excluded.answer, answered_at = excluded.answered_at",
        )
        .bind(question)
        .bind(answer)
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        tx.commit().await
    }
}
