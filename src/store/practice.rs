//! What marks a store as one for practice: the season that was invented for it, and where its clock stands.

use std::path::Path;

use chrono::{DateTime, Utc};

use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::Store;

/// The mark of a practice store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Practice {
    /// The season's year.
    pub season: i32,
    /// What its weather and people were made from.
    pub seed: u64,
    /// Where its clock stands.
    pub now: DateTime<Utc>,
}

/// What a practice that begins again takes along: who signs in, and who is signed in.
const ACCOUNT_TABLES: [&str; 6] =
    ["accounts", "account_reach", "account_invitations", "recovery_codes", "desk_sessions", "sign_in_tries"];

impl Store {
    /// The mark of a practice store; `None` of a real one.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn practice(&self) -> Result<Option<Practice>, StoreError> {
        let row = sqlx::query("SELECT season, seed, now FROM practice WHERE id = 1")
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.map(|row| {
            let season: i64 = get(&row, "season")?;
            Ok(Practice {
                season: i32::try_from(season).map_err(|_| StoreError::corrupt(format!("practice.season {season}")))?,
                seed: get::<i64>(&row, "seed")?.cast_unsigned(),
                now: get_instant(&row, "now")?,
            })
        })
        .transpose()
    }

    /// Marks a store that was just made, for good.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn mark_as_practice(&self, practice: &Practice) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query("INSERT INTO practice (id, season, seed, now) VALUES (1, $1, $2, $3)")
            .bind(i64::from(practice.season))
            .bind(practice.seed.cast_signed())
            .bind(ms(practice.now))
            .execute(tx.conn())
            .await?;
        tx.commit().await
    }

    /// Keeps where the clock of a practice stands. It never goes back, and a real store has none.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn set_practice_clock(&self, now: DateTime<Utc>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query("UPDATE practice SET now = $1 WHERE id = 1 AND now < $1").bind(ms(now)).execute(tx.conn()).await?;
        tx.commit().await
    }

    /// Takes accounts and sessions over from the SQLite file of another store of this schema, into a new one that has none.
    ///
    /// # Errors
    /// When either store fails.
    pub async fn take_accounts_from(&self, file: &Path) -> Result<(), StoreError> {
        // A file cannot be attached inside of a transaction.
        let mut connection = self.inner.writer.acquire().await?;
        let file = file.to_string_lossy().into_owned();
        sqlx::query("ATTACH DATABASE $1 AS earlier").bind(file).execute(&mut *connection).await?;
        let mut done = Ok(());
        for table in ACCOUNT_TABLES {
            let copy = format!("INSERT INTO main.{table} SELECT * FROM earlier.{table}");
            done = sqlx::query(sqlx::AssertSqlSafe(copy)).execute(&mut *connection).await.map(drop);
            if done.is_err() {
                break;
            }
        }
        sqlx::query("DETACH DATABASE earlier").execute(&mut *connection).await?;
        Ok(done?)
    }

    /// As [`Store::begin`] and so on, quicker: what was committed may be lost in a power cut. For practice, of which nothing is
    /// worth a wait; on PostgreSQL it changes nothing.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn hurry(&self) -> Result<(), StoreError> {
        if self.inner.file.is_some() {
            let mut connection = self.inner.writer.acquire().await?;
            sqlx::raw_sql("PRAGMA synchronous = OFF").execute(&mut *connection).await?;
        }
        Ok(())
    }
}
