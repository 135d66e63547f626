//! What staff should know, each fact once.

use chrono::{DateTime, Utc};
use serde::Serialize;

use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, get_instant_if_any, ms};
use crate::store::tx::{Store, Tx};

/// Something staff should know.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StaffEntry {
    pub id: String,
    pub at: DateTime<Utc>,
    pub region: Option<String>,
    pub kind: String,
    pub text: String,
    pub seen_at: Option<DateTime<Utc>>,
}

/// Tells staff something once: the key names the fact. Gives whether it was new.
///
/// # Errors
/// When the store fails.
pub async fn tell_staff(
    tx: &mut Tx,
    key: &str,
    region: Option<&str>,
    kind: &str,
    text: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let done = sqlx::query(
        "INSERT INTO staff_log (id, at, region_id, kind, text) VALUES ($1, $2, $3, $4, $5) ON CONFLICT (id) DO NOTHING",
    )
    .bind(key)
    .bind(ms(now))
    .bind(region)
    .bind(kind)
    .bind(text)
    .execute(tx.conn())
    .await?;
    Ok(done.rows_affected() == 1)
}

impl Store {
    /// As [`tell_staff`], in a transaction of its own.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn tell_staff(
        &self,
        key: &str,
        region: Option<&str>,
        kind: &str,
        text: &str,
        now: DateTime<Utc>,
    ) -> Result<bool, StoreError> {
        let mut tx = self.begin().await?;
        let new = tell_staff(&mut tx, key, region, kind, text, now).await?;
        tx.commit().await?;
        Ok(new)
    }

    /// What staff were told since an instant, the newest first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn staff_log(&self, since: DateTime<Utc>) -> Result<Vec<StaffEntry>, StoreError> {
        let rows = sqlx::query("SELECT * FROM staff_log WHERE at >= $1 ORDER BY at DESC, id")
            .bind(ms(since))
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter()
            .map(|row| {
                Ok(StaffEntry {
                    id: get(row, "id")?,
                    at: get_instant(row, "at")?,
                    region: get(row, "region_id")?,
                    kind: get(row, "kind")?,
                    text: get(row, "text")?,
                    seen_at: get_instant_if_any(row, "seen_at")?,
                })
            })
            .collect()
    }
}
