//! How good projections have been at stations, kept under digests of what that came from.

use chrono::{DateTime, Utc};

use crate::store::error::StoreError;
use crate::store::rows::{get, ms};
use crate::store::tx::Store;
use crate::weather::StationId;

/// Rows that a station keeps, the newest: profiles and seasons that are looked at by turns.
const KEPT: i64 = 6;

impl Store {
    /// What was kept of a station under this digest.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn kept_skill(&self, id: &StationId, digest: &str) -> Result<Option<Vec<u8>>, StoreError> {
        let row = sqlx::query("SELECT content FROM kept_skills WHERE station_id = $1 AND digest = $2")
            .bind(&id.0)
            .bind(digest)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.map(|row| get(&row, "content")).transpose()
    }

    /// Keeps it, in the place of what was there under this digest; the station's oldest go.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn keep_skill(
        &self,
        id: &StationId,
        digest: &str,
        content: &[u8],
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO kept_skills (station_id, digest, kept_at, content) VALUES ($1, $2, $3, $4)
             ON CONFLICT (station_id, digest) DO UPDATE SET kept_at = excluded.kept_at, content = excluded.content",
        )
        .bind(&id.0)
        .bind(digest)
        .bind(ms(now))
        .bind(content)
        .execute(tx.conn())
        .await?;
        sqlx::query(
            "DELETE FROM kept_skills WHERE station_id = $1 AND digest <> $2 AND digest NOT IN
                 (SELECT digest FROM kept_skills WHERE station_id = $1 ORDER BY kept_at DESC, digest LIMIT $3)",
        )
        .bind(&id.0)
        .bind(digest)
        .bind(KEPT)
        .execute(tx.conn())
        .await?;
        tx.commit().await
    }
}
