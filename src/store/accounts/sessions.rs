//! Who is signed in at the desk. A session is known by the hash of its token; the token itself is only in the browser.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::AssertSqlSafe;
use sqlx::any::AnyRow;

use super::{StoredAccount, account_subject, ended_words};
use crate::people::account::AccountName;
use crate::store::acts::Act;
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::{Store, Tx};

/// A session ends when nothing was asked for so long, and after so long in any case.
pub const IDLE: TimeDelta = TimeDelta::minutes(30);
pub const WHOLE: TimeDelta = TimeDelta::hours(12);

/// How long a sign-in may stay half done.
pub const HALF_DONE: TimeDelta = TimeDelta::minutes(15);

/// How far a sign-in has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// The password was right; a code is asked for.
    Code,
    /// The password was right; the role wants a second factor and there is none yet.
    SetUp,
    Whole,
}

impl Stage {
    pub fn name(self) -> &'static str {
        match self {
            Stage::Code => "code",
            Stage::SetUp => "set-up",
            Stage::Whole => "whole",
        }
    }

    fn parse(name: &str) -> Option<Self> {
        [Stage::Code, Stage::SetUp, Stage::Whole].into_iter().find(|stage| stage.name() == name)
    }
}

/// A session that is to begin.
#[derive(Clone)]
pub struct NewSession {
    /// SHA-256 of its token, in hexadecimal.
    pub hash: String,
    pub account: AccountName,
    pub stage: Stage,
    /// Sealed secret of a second factor that is to be set up.
    pub pending: Option<String>,
    pub browser: String,
    pub network: String,
}

/// A session as the store holds it.
#[derive(Clone)]
pub struct StoredSession {
    /// Names it; opens nothing.
    pub id: String,
    pub account: AccountName,
    pub stage: Stage,
    pub pending: Option<String>,
    pub wrong_codes: u32,
    pub browser: String,
    pub network: String,
    pub created_at: DateTime<Utc>,
    pub seen_at: DateTime<Utc>,
}

impl StoredSession {
    /// Whether it still lets in.
    pub fn lasts(&self, now: DateTime<Utc>) -> bool {
        let longest = if self.stage == Stage::Whole { WHOLE } else { HALF_DONE };
        now - self.seen_at < IDLE && now - self.created_at < longest
    }
}

impl Store {
    /// The session of this hash with its account; `None` when there is none, it is over, or the account is locked or gone.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn desk_session(
        &self,
        hash: &str,
        now: DateTime<Utc>,
    ) -> Result<Option<(StoredSession, StoredAccount)>, StoreError> {
        let find = "SELECT * FROM desk_sessions WHERE hash = $1";
        let row = sqlx::query(find).bind(hash).fetch_optional(&mut *self.read().await?).await?;
        let Some(session) = row.as_ref().map(session_of).transpose()?.filter(|session| session.lasts(now)) else {
            return Ok(None);
        };
        let account = self.account(&session.account).await?.filter(|account| account.locked_at.is_none());
        Ok(account.map(|account| (session, account)))
    }

    /// Sessions of an account that let in now, the newest first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn desk_sessions(
        &self,
        name: &AccountName,
        now: DateTime<Utc>,
    ) -> Result<Vec<StoredSession>, StoreError> {
        let rows =
            sqlx::query("SELECT * FROM desk_sessions WHERE account = $1 AND stage = 'whole' ORDER BY seen_at DESC, id")
                .bind(name.as_str())
                .fetch_all(&mut *self.read().await?)
                .await?;
        let mut all = rows.iter().map(session_of).collect::<Result<Vec<_>, _>>()?;
        all.retain(|session| session.lasts(now));
        Ok(all)
    }

    /// Notes that something was asked in a session.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn touch_desk_session(&self, id: &str, now: DateTime<Utc>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query("UPDATE desk_sessions SET seen_at = $2 WHERE id = $1 AND seen_at < $2")
            .bind(id)
            .bind(ms(now))
            .execute(tx.conn())
            .await?;
        tx.commit().await
    }
}

impl Tx {
    /// Begins a session in the place of another (`after`), whose token is worth nothing from then on: a token that somebody else
    /// knew before must not become one that lets in.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn begin_desk_session(
        &mut self,
        new: &NewSession,
        after: Option<&str>,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        if let Some(after) = after {
            self.forget_desk_session(after).await?;
        }
        let id = self.randomness().hex::<8>();
        sqlx::query(
            "INSERT INTO desk_sessions (hash, id, account, stage, pending, wrong_codes, browser, network, created_at, seen_at) \
             VALUES ($1, $2, $3, $4, $5, 0, $6, $7, $8, $8)",
        )
        .bind(&new.hash)
        .bind(id)
        .bind(new.account.as_str())
        .bind(new.stage.name())
        .bind(new.pending.as_deref())
        .bind(&new.browser)
        .bind(&new.network)
        .bind(ms(now))
        .execute(self.conn())
        .await?;
        Ok(())
    }

    /// Takes a session away by its id. Gives whether it was there.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn forget_desk_session(&mut self, id: &str) -> Result<bool, StoreError> {
        let done = sqlx::query("DELETE FROM desk_sessions WHERE id = $1").bind(id).execute(self.conn()).await?;
        Ok(done.rows_affected() == 1)
    }

    /// Ends one session of an account. Gives whether it was there.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn end_desk_session(&mut self, name: &AccountName, id: &str, how: &str) -> Result<bool, StoreError> {
        let done = sqlx::query("DELETE FROM desk_sessions WHERE id = $1 AND account = $2")
            .bind(id)
            .bind(name.as_str())
            .execute(self.conn())
            .await?;
        let was = done.rows_affected() == 1;
        if was {
            self.note_act(Act::SessionEnded, &account_subject(name), how).await?;
        }
        Ok(was)
    }

    /// Ends all sessions of an account but one. Gives how many.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn end_desk_sessions(&mut self, name: &AccountName, but: Option<&str>) -> Result<u64, StoreError> {
        let done = sqlx::query("DELETE FROM desk_sessions WHERE account = $1 AND id <> $2")
            .bind(name.as_str())
            .bind(but.unwrap_or(""))
            .execute(self.conn())
            .await?;
        let ended = done.rows_affected();
        if ended > 0 {
            self.note_act(Act::SessionEnded, &account_subject(name), &ended_words(ended)).await?;
        }
        Ok(ended)
    }

    /// Counts a wrong code of a half-done sign-in. Gives how many there are now; `None` when the session is gone.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn count_wrong_code(&mut self, id: &str) -> Result<Option<u32>, StoreError> {
        sqlx::query("UPDATE desk_sessions SET wrong_codes = wrong_codes + 1 WHERE id = $1")
            .bind(id)
            .execute(self.conn())
            .await?;
        let row = sqlx::query("SELECT wrong_codes FROM desk_sessions WHERE id = $1")
            .bind(id)
            .fetch_optional(self.conn())
            .await?;
        row.map(|row| Ok(u32::try_from(get::<i64>(&row, "wrong_codes")?).unwrap_or(u32::MAX))).transpose()
    }

    /// Keeps, or with `None` forgets, the sealed secret of a second factor that is being set up in a session.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn set_pending_factor(&mut self, id: &str, pending: Option<&str>) -> Result<(), StoreError> {
        sqlx::query("UPDATE desk_sessions SET pending = $2 WHERE id = $1")
            .bind(id)
            .bind(pending)
            .execute(self.conn())
            .await?;
        Ok(())
    }

    /// Keeps a session for the rest of the transaction. Gives whether it is there still.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn hold_desk_session(&mut self, id: &str) -> Result<bool, StoreError> {
        let find = format!("SELECT id FROM desk_sessions WHERE id = $1 {}", self.engine().for_update());
        Ok(sqlx::query(AssertSqlSafe(find)).bind(id).fetch_optional(self.conn()).await?.is_some())
    }
}

fn session_of(row: &AnyRow) -> Result<StoredSession, StoreError> {
    let (account, stage): (String, String) = (get(row, "account")?, get(row, "stage")?);
    Ok(StoredSession {
        id: get(row, "id")?,
        account: AccountName::parse(&account).map_err(|why| StoreError::corrupt(why.to_string()))?,
        stage: Stage::parse(&stage).ok_or_else(|| StoreError::corrupt(format!("`{stage}` is no stage")))?,
        pending: get(row, "pending")?,
        wrong_codes: u32::try_from(get::<i64>(row, "wrong_codes")?).unwrap_or(u32::MAX),
        browser: get(row, "browser")?,
        network: get(row, "network")?,
        created_at: get_instant(row, "created_at")?,
        seen_at: get_instant(row, "seen_at")?,
    })
}
