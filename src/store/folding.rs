//! Folding SQLite's log into its file beside the writer, between the transactions of long work.

use sqlx::{AnyConnection, ConnectOptions};
use tracing::warn;

use crate::store::error::StoreError;
use crate::store::pools::{set, set_busy_wait};
use crate::store::tx::Store;

/// A connection that folds the log; none in memory and on PostgreSQL, which do that otherwise.
pub(super) struct Folding(Option<AnyConnection>);

impl Store {
    /// # Errors
    /// When no connection can be had.
    pub(super) async fn folding(&self) -> Result<Folding, StoreError> {
        if self.inner.file.is_none() {
            return Ok(Folding(None));
        }
        let mut connection = self.inner.options.connect().await?;
        set_busy_wait(&mut connection).await?;
        // As the writer has it: the log is on the disk before the file is, and the file before the log is used anew.
        set(&mut connection, "PRAGMA synchronous = FULL").await?;
        Ok(Folding(Some(connection)))
    }
}

impl Folding {
    /// Folds what it can without making anybody wait. Where that fails, the writer does it by itself as ever.
    pub async fn fold(&mut self) {
        let Some(connection) = &mut self.0 else { return };
        if let Err(why) = sqlx::query("PRAGMA wal_checkpoint(PASSIVE)").fetch_one(connection).await {
            warn!("the log of the store is left to its writer: {why}");
            self.0 = None;
        }
    }
}
