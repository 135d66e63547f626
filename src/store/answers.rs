//! Channels' answers, noted the moment they come.
//!
//! Between "the channel took it" and the booking of that lies a synced commit and the wait for the writer. A process that is
//! killed there would repeat a message that it knew was taken. So a worker first notes the answer where nothing is waited
//! for: on PostgreSQL in a table, by sessions that do not wait for the disk; on SQLite in a small database of its own
//! beside the store's, where nobody else writes. A power cut may take the newest notes along: those messages are in doubt, as
//! they would be without a note. What is noted is true for ever, under its delivery and fence, so a note that is left over
//! does no harm.

use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::{AnyConnection, AnyPool};
use tracing::warn;

use crate::delivery::attempt::Lease;
use crate::store::error::StoreError;
use crate::store::pools::{create_private, lasting_pool, quiet, set, set_busy_wait, sqlite_url};
use crate::store::rows::{get, ms};
use crate::store::tx::Store;

/// Notes this old belong to nothing under way.
const KEPT: TimeDelta = TimeDelta::days(1);

/// A note is a shortcut: it must not keep a worker from booking.
const PATIENCE: Duration = Duration::from_secs(2);

/// Where the notes of a store are kept. Connects when the first one is made.
pub(super) fn beside(file: &Path) -> Result<AnyPool, StoreError> {
    let (file, url) = sqlite_url(&beside_name(file))?;
    create_private(&file)?;
    let options = quiet(url.parse::<AnyConnectOptions>()?);
    Ok(lasting_pool(1)
        .min_connections(0)
        .acquire_timeout(PATIENCE)
        .after_connect(|connection, _| Box::pin(prepare_file(connection)))
        .connect_lazy_with(options))
}

fn beside_name(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(".answers");
    name.into()
}

/// See [`beside`].
pub(super) fn on_server(options: AnyConnectOptions) -> AnyPool {
    AnyPoolOptions::new()
        .max_connections(3)
        .acquire_timeout(PATIENCE)
        .after_connect(|connection, _| Box::pin(set(connection, "SET synchronous_commit TO off")))
        .connect_lazy_with(options)
}

async fn prepare_file(connection: &mut AnyConnection) -> Result<(), sqlx::Error> {
    set_busy_wait(connection).await?;
    set(connection, "PRAGMA journal_mode = WAL").await?;
    // NORMAL: no wait for the disk at a commit, and whole after a power cut, if not complete.
    set(connection, "PRAGMA synchronous = NORMAL").await?;
    set(
        connection,
        "CREATE TABLE IF NOT EXISTS answers (delivery_id TEXT NOT NULL, fence BIGINT NOT NULL, provider_ref TEXT, \
         noted_at BIGINT NOT NULL, PRIMARY KEY (delivery_id, fence)) WITHOUT ROWID",
    )
    .await
}

impl Store {
    /// Notes that a channel took a message. It does not end the lease: that is booked by [`Store::finish`], which takes
    /// the note away again.
    ///
    /// # Errors
    /// When it could not be noted: then the booking is all there is.
    pub async fn note_accepted(
        &self,
        lease: &Lease,
        provider_ref: Option<&str>,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let Some(answers) = &self.inner.answers else { return Ok(()) };
        sqlx::query(
            "INSERT INTO answers (delivery_id, fence, provider_ref, noted_at) VALUES ($1, $2, $3, $4) \
             ON CONFLICT (delivery_id, fence) DO NOTHING",
        )
        .bind(&lease.delivery)
        .bind(lease.fence)
        .bind(provider_ref)
        .bind(ms(now))
        .execute(answers)
        .await?;
        Ok(())
    }

    /// Makes sure that answers can be noted: a file of notes that cannot be read is begun anew, since nothing is lost with
    /// it but the knowledge that spares a few repeats. Only for a service that holds the store alone.
    pub async fn mend_answers(&self) {
        let (Some(answers), Some(file)) = (&self.inner.answers, &self.inner.file) else { return };
        let Err(why) = sqlx::query("SELECT fence FROM answers LIMIT 1").fetch_optional(answers).await else { return };
        let file = beside_name(file);
        warn!(error = %why, file = %file.display(), "notes of answers cannot be read and are begun anew");
        for end in ["", "-wal", "-shm"] {
            let mut name = file.clone().into_os_string();
            name.push(end);
            if let Err(why) = tokio::fs::remove_file(&name).await
                && why.kind() != std::io::ErrorKind::NotFound
            {
                warn!(error = %why, file = %Path::new(&name).display(), "it cannot be taken away");
            }
        }
    }

    /// The provider's reference of a message that is noted as taken; `None` = nothing is noted.
    pub(super) async fn noted(&self, lease: &Lease) -> Result<Option<Option<String>>, StoreError> {
        let Some(answers) = &self.inner.answers else { return Ok(None) };
        let row = sqlx::query("SELECT provider_ref FROM answers WHERE delivery_id = $1 AND fence = $2")
            .bind(&lease.delivery)
            .bind(lease.fence)
            .fetch_optional(answers)
            .await?;
        row.as_ref().map(|row| get(row, "provider_ref")).transpose()
    }

    /// Takes away the notes of what is booked.
    pub(super) async fn forget_answers(&self, booked: &[&Lease]) -> Result<(), StoreError> {
        let Some(answers) = &self.inner.answers else { return Ok(()) };
        for part in booked.chunks(500) {
            let places: Vec<String> =
                (0..part.len()).map(|index| format!("(${}, ${})", index * 2 + 1, index * 2 + 2)).collect();
            let forget = format!("DELETE FROM answers WHERE (delivery_id, fence) IN (VALUES {})", places.join(", "));
            let mut query = sqlx::query(sqlx::AssertSqlSafe(forget));
            for lease in part {
                query = query.bind(&lease.delivery).bind(lease.fence);
            }
            query.execute(answers).await?;
        }
        Ok(())
    }

    /// Takes away what deaths between booking and [`Store::forget_answers`] left over.
    pub(super) async fn forget_old_answers(&self, now: DateTime<Utc>) -> Result<(), StoreError> {
        let Some(answers) = &self.inner.answers else { return Ok(()) };
        sqlx::query("DELETE FROM answers WHERE noted_at < $1").bind(ms(now - KEPT)).execute(answers).await?;
        Ok(())
    }
}
