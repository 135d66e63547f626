//! Taking a region out of use, with all that hangs on it.

use chrono::{DateTime, Utc};

use crate::region::RegionId;
use crate::store::acts::Act;
use crate::store::error::StoreError;
use crate::store::notices::{cancel_waiting, drop_rest};
use crate::store::regions::{in_use_region, subject};
use crate::store::rows::ms;
use crate::store::tx::Store;
use crate::text::counted;

impl Store {
    /// Takes a region out of use: its ZIP codes are free again, its notices that wait are called off, its seasons stay.
    ///
    /// # Errors
    /// `Conflict::UnknownRegion`, `Conflict::RetiredRegion`.
    pub async fn retire_region(&self, id: &RegionId, now: DateTime<Utc>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        in_use_region(&mut tx, id).await?;
        sqlx::query("UPDATE regions SET retired_at = $2 WHERE id = $1")
            .bind(id.as_str())
            .bind(ms(now))
            .execute(tx.conn())
            .await?;
        sqlx::query("DELETE FROM region_zips WHERE region_id = $1").bind(id.as_str()).execute(tx.conn()).await?;
        let cancelled = cancel_waiting(&mut tx, id, "the region was retired").await?;
        drop_rest(&mut tx, id).await?;
        let detail = counted(cancelled, "notice that waited is called off", "notices that waited are called off");
        tx.note_act(Act::RegionRetired, &subject(id), &detail).await?;
        tx.commit().await
    }
}
