//! What lets in once: invitations and recovery codes, each kept as a hash and gone when it is used.

use chrono::{DateTime, Utc};

use super::account_subject;
use crate::people::account::AccountName;
use crate::store::acts::Act;
use crate::store::error::StoreError;
use crate::store::rows::{get, ms};
use crate::store::tx::{Store, Tx};

impl Store {
    /// Whom an invitation that is good now invites; `None` when there is none of this hash, it is over, or the account is locked.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn invited_account(&self, hash: &str, now: DateTime<Utc>) -> Result<Option<AccountName>, StoreError> {
        let row = sqlx::query(
            "SELECT i.account FROM account_invitations i JOIN accounts a ON a.name = i.account \
             WHERE i.hash = $1 AND i.expires_at > $2 AND a.locked_at IS NULL AND a.removed_at IS NULL",
        )
        .bind(hash)
        .bind(ms(now))
        .fetch_optional(&mut *self.read().await?)
        .await?;
        row.map(|row| name_of(&get::<String>(&row, "account")?)).transpose()
    }

    /// How many recovery codes an account has left.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn recovery_codes_left(&self, name: &AccountName) -> Result<i64, StoreError> {
        let count = "SELECT COUNT(*) AS n FROM recovery_codes WHERE account = $1";
        get(&sqlx::query(count).bind(name.as_str()).fetch_one(&mut *self.read().await?).await?, "n")
    }
}

impl Tx {
    /// Keeps an invitation; an older one of the account opens nothing any more.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn invite(
        &mut self,
        name: &AccountName,
        hash: &str,
        expires_at: DateTime<Utc>,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        self.forget_of("account_invitations", name).await?;
        sqlx::query("INSERT INTO account_invitations (hash, account, made_at, expires_at) VALUES ($1, $2, $3, $4)")
            .bind(hash)
            .bind(name.as_str())
            .bind(ms(now))
            .bind(ms(expires_at))
            .execute(self.conn())
            .await?;
        let detail = format!("good until {}", expires_at.format("%Y-%m-%d %H:%M UTC"));
        self.note_act(Act::AccountInvited, &account_subject(name), &detail).await
    }

    /// Whether the account has the invitation of this hash, and it is good now.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn is_invited(&mut self, name: &AccountName, hash: &str, now: DateTime<Utc>) -> Result<bool, StoreError> {
        let found = sqlx::query("SELECT hash FROM account_invitations WHERE account = $1 AND expires_at > $2")
            .bind(name.as_str())
            .bind(ms(now))
            .fetch_optional(self.conn())
            .await?;
        let found = found.map(|row| get::<String>(&row, "hash")).transpose()?;
        Ok(found.as_deref() == Some(hash))
    }

    /// Uses up whatever invitation the account has. Gives whether there was one.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn use_invitation_up(&mut self, name: &AccountName) -> Result<bool, StoreError> {
        Ok(self.forget_of("account_invitations", name).await? > 0)
    }

    /// Uses an invitation up. `None`: it was used before, is over, or its account is locked or gone.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn take_invitation(&mut self, hash: &str, now: DateTime<Utc>) -> Result<Option<AccountName>, StoreError> {
        let row = sqlx::query(
            "DELETE FROM account_invitations WHERE hash = $1 AND expires_at > $2 AND account IN \
                 (SELECT name FROM accounts WHERE locked_at IS NULL AND removed_at IS NULL) RETURNING account",
        )
        .bind(hash)
        .bind(ms(now))
        .fetch_optional(self.conn())
        .await?;
        row.map(|row| name_of(&get::<String>(&row, "account")?)).transpose()
    }

    /// Puts these codes in the place of all that the account has.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn set_recovery_codes(&mut self, name: &AccountName, hashes: &[String]) -> Result<(), StoreError> {
        self.forget_of("recovery_codes", name).await?;
        for hash in hashes {
            sqlx::query("INSERT INTO recovery_codes (hash, account) VALUES ($1, $2)")
                .bind(hash)
                .bind(name.as_str())
                .execute(self.conn())
                .await?;
        }
        self.note_act(Act::RecoveryCodesMade, &account_subject(name), &format!("{} codes", hashes.len())).await
    }

    /// Uses a recovery code up. `false`: the account has none of this hash, or has it no more.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn take_recovery_code(&mut self, name: &AccountName, hash: &str) -> Result<bool, StoreError> {
        let done = sqlx::query("DELETE FROM recovery_codes WHERE hash = $1 AND account = $2")
            .bind(hash)
            .bind(name.as_str())
            .execute(self.conn())
            .await?;
        let was = done.rows_affected() == 1;
        if was {
            self.note_act(Act::RecoveryCodeUsed, &account_subject(name), "").await?;
        }
        Ok(was)
    }
}

fn name_of(text: &str) -> Result<AccountName, StoreError> {
    AccountName::parse(text).map_err(|why| StoreError::corrupt(why.to_string()))
}
