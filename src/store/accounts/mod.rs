//! Accounts of staff. Whoever changes one writes an audit row in the same transaction; who is signed in is in [`sessions`],
//! invitations and recovery codes in [`tickets`], wrong tries in [`tries`].

pub mod access_tokens;
pub mod sessions;
pub mod tickets;
pub mod tries;

use chrono::{DateTime, Utc};
use serde::Serialize;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe};

use crate::people::account::{Account, AccountName, County, RegionReach, Role};
use crate::region::RegionId;
use crate::store::acts::Act;
use crate::store::error::{Conflict, StoreError};
use crate::store::rows::{get, get_instant, get_instant_if_any, ms};
use crate::store::tx::{Store, Tx};

/// An account with all that signing in needs. `Debug` shows no hash and no secret.
#[derive(Clone)]
pub struct StoredAccount {
    pub account: Account,
    /// A PHC string; `None`: invited, or reset.
    pub password: Option<String>,
    pub password_at: Option<DateTime<Utc>>,
    /// The second factor's secret, sealed.
    pub factor: Option<String>,
    /// Step of the last code taken; 0: none.
    pub factor_step: i64,
    pub created_at: DateTime<Utc>,
    pub locked_at: Option<DateTime<Utc>>,
}

impl std::fmt::Debug for StoredAccount {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("StoredAccount").field(&self.account).finish()
    }
}

/// An account as an administrator sees it.
#[derive(Clone, Debug, Serialize)]
pub struct ListedAccount {
    #[serde(flatten)]
    pub account: Account,
    pub created_at: DateTime<Utc>,
    pub locked_at: Option<DateTime<Utc>>,
    pub has_password: bool,
    pub has_second_factor: bool,
    pub recovery_codes: i64,
    pub sessions: i64,
    /// When the open invitation ends; `None`: there is none.
    pub invited_until: Option<DateTime<Utc>>,
}

/// The subject of an act on an account.
pub fn account_subject(name: &AccountName) -> String {
    format!("account/{name}")
}

impl Store {
    /// The account of this name, locked ones too; `None` when there is none, or it was removed.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn account(&self, name: &AccountName) -> Result<Option<StoredAccount>, StoreError> {
        stored(&mut *self.read().await?, name, "").await
    }

    /// All accounts by name, without those that were removed.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn accounts(&self) -> Result<Vec<ListedAccount>, StoreError> {
        let mut connection = self.read().await?;
        let rows = sqlx::query(
            "SELECT a.*, (SELECT COUNT(*) FROM recovery_codes r WHERE r.account = a.name) AS codes, \
                 (SELECT COUNT(*) FROM desk_sessions s WHERE s.account = a.name AND s.stage = 'whole') AS sessions, \
                 (SELECT expires_at FROM account_invitations i WHERE i.account = a.name) AS invited_until \
             FROM accounts a WHERE a.removed_at IS NULL ORDER BY a.name",
        )
        .fetch_all(&mut *connection)
        .await?;
        let mut all = Vec::with_capacity(rows.len());
        for row in &rows {
            all.push(ListedAccount {
                account: account_of(&mut connection, row).await?,
                created_at: get_instant(row, "created_at")?,
                locked_at: get_instant_if_any(row, "locked_at")?,
                has_password: get::<Option<String>>(row, "password")?.is_some(),
                has_second_factor: get::<Option<String>>(row, "factor")?.is_some(),
                recovery_codes: get(row, "codes")?,
                sessions: get(row, "sessions")?,
                invited_until: get_instant_if_any(row, "invited_until")?,
            });
        }
        Ok(all)
    }
}

impl Tx {
    /// The account, kept as it is for the rest of the transaction.
    ///
    /// # Errors
    /// [`Conflict::UnknownAccount`] when there is none.
    pub async fn account(&mut self, name: &AccountName) -> Result<StoredAccount, StoreError> {
        let lock = self.engine().for_change();
        let found = stored(self.conn(), name, lock).await?;
        found.ok_or_else(|| Conflict::UnknownAccount { name: name.to_string() }.into())
    }

    /// # Errors
    /// [`Conflict::AccountName`] when the name is, or was, somebody's.
    pub async fn add_account(&mut self, account: &Account, now: DateTime<Utc>) -> Result<(), StoreError> {
        let done = sqlx::query(
            "INSERT INTO accounts (name, role, factor_step, created_at) VALUES ($1, $2, 0, $3) ON CONFLICT (name) DO NOTHING",
        )
        .bind(account.name.as_str())
        .bind(account.role.name())
        .bind(ms(now))
        .execute(self.conn())
        .await?;
        if done.rows_affected() == 0 {
            return Err(Conflict::AccountName { name: account.name.to_string() }.into());
        }
        self.put_reach(account).await?;
        let detail = told(account);
        self.note_act(Act::AccountAdded, &account_subject(&account.name), &detail).await
    }

    /// Gives the account another role and reach; what it may do changes with its next click.
    ///
    /// # Errors
    /// [`Conflict::UnknownAccount`].
    pub async fn change_account(&mut self, new: &Account) -> Result<(), StoreError> {
        let before = self.account(&new.name).await?;
        sqlx::query("UPDATE accounts SET role = $2 WHERE name = $1")
            .bind(new.name.as_str())
            .bind(new.role.name())
            .execute(self.conn())
            .await?;
        self.put_reach(new).await?;
        // A session that began without a second factor is none for a role that wants one.
        if new.role.needs_second_factor() && before.factor.is_none() {
            self.forget_of("desk_sessions", &new.name).await?;
        }
        let detail = format!("{} → {}", told(&before.account), told(new));
        self.note_act(Act::AccountChanged, &account_subject(&new.name), &detail).await
    }

    async fn put_reach(&mut self, account: &Account) -> Result<(), StoreError> {
        self.forget_of("account_reach", &account.name).await?;
        let regions = account.reach.regions.iter().map(|region| ("region", region.to_string()));
        let counties = account.reach.counties.iter().map(|county| ("county", county.to_string()));
        for (kind, value) in regions.chain(counties) {
            sqlx::query("INSERT INTO account_reach (account, kind, value) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING")
                .bind(account.name.as_str())
                .bind(kind)
                .bind(value)
                .execute(self.conn())
                .await?;
        }
        Ok(())
    }

    /// Nobody signs in by it any more, and who is signed in is not. Gives whether it was open before.
    ///
    /// # Errors
    /// [`Conflict::UnknownAccount`].
    pub async fn lock_account(&mut self, name: &AccountName, now: DateTime<Utc>) -> Result<bool, StoreError> {
        if self.account(name).await?.locked_at.is_some() {
            return Ok(false);
        }
        sqlx::query("UPDATE accounts SET locked_at = $2 WHERE name = $1")
            .bind(name.as_str())
            .bind(ms(now))
            .execute(self.conn())
            .await?;
        let ended = self.forget_of("desk_sessions", name).await?;
        self.note_act(Act::AccountLocked, &account_subject(name), &ended_words(ended)).await?;
        Ok(true)
    }

    /// Gives whether it was locked before.
    ///
    /// # Errors
    /// [`Conflict::UnknownAccount`].
    pub async fn unlock_account(&mut self, name: &AccountName) -> Result<bool, StoreError> {
        if self.account(name).await?.locked_at.is_none() {
            return Ok(false);
        }
        sqlx::query("UPDATE accounts SET locked_at = NULL WHERE name = $1")
            .bind(name.as_str())
            .execute(self.conn())
            .await?;
        self.note_act(Act::AccountUnlocked, &account_subject(name), "").await?;
        Ok(true)
    }

    /// Takes password, second factor, recovery codes and sessions away; an invitation sets new ones.
    ///
    /// # Errors
    /// [`Conflict::UnknownAccount`].
    pub async fn reset_account(&mut self, name: &AccountName) -> Result<(), StoreError> {
        self.account(name).await?;
        self.strip(name).await?;
        self.note_act(Act::AccountReset, &account_subject(name), "password, second factor and sessions are gone").await
    }

    /// Nobody can sign in by it again, and nobody else gets its name while the audit tells what its holder did.
    ///
    /// # Errors
    /// [`Conflict::UnknownAccount`].
    pub async fn remove_account(&mut self, name: &AccountName, now: DateTime<Utc>) -> Result<(), StoreError> {
        self.account(name).await?;
        self.strip(name).await?;
        self.forget_of("account_reach", name).await?;
        sqlx::query("UPDATE accounts SET removed_at = $2 WHERE name = $1")
            .bind(name.as_str())
            .bind(ms(now))
            .execute(self.conn())
            .await?;
        self.note_act(Act::AccountRemoved, &account_subject(name), "").await
    }

    async fn strip(&mut self, name: &AccountName) -> Result<(), StoreError> {
        for table in ["desk_sessions", "recovery_codes", "account_invitations"] {
            self.forget_of(table, name).await?;
        }
        sqlx::query(
            "UPDATE accounts SET password = NULL, password_at = NULL, factor = NULL, factor_step = 0 WHERE name = $1",
        )
        .bind(name.as_str())
        .execute(self.conn())
        .await?;
        Ok(())
    }

    /// Takes the rows of an account out of a table with a column `account`. Gives how many.
    pub(super) async fn forget_of(&mut self, table: &'static str, name: &AccountName) -> Result<u64, StoreError> {
        let forget = format!("DELETE FROM {table} WHERE account = $1");
        Ok(sqlx::query(AssertSqlSafe(forget)).bind(name.as_str()).execute(self.conn()).await?.rows_affected())
    }

    /// Keeps the hash of a new password.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn set_password(&mut self, name: &AccountName, hash: &str, now: DateTime<Utc>) -> Result<(), StoreError> {
        sqlx::query("UPDATE accounts SET password = $2, password_at = $3 WHERE name = $1")
            .bind(name.as_str())
            .bind(hash)
            .bind(ms(now))
            .execute(self.conn())
            .await?;
        self.note_act(Act::PasswordSet, &account_subject(name), "").await
    }

    /// Keeps another hash of the password that is in use: nothing that its holder did.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn replace_hash(&mut self, name: &AccountName, hash: &str) -> Result<(), StoreError> {
        sqlx::query("UPDATE accounts SET password = $2 WHERE name = $1")
            .bind(name.as_str())
            .bind(hash)
            .execute(self.conn())
            .await?;
        Ok(())
    }

    /// Keeps a second factor whose first code was of this step.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn set_factor(&mut self, name: &AccountName, sealed: &str, step: i64) -> Result<(), StoreError> {
        sqlx::query("UPDATE accounts SET factor = $2, factor_step = $3 WHERE name = $1")
            .bind(name.as_str())
            .bind(sealed)
            .bind(step)
            .execute(self.conn())
            .await?;
        self.note_act(Act::SecondFactorSet, &account_subject(name), "").await
    }

    /// Takes a code of this step, and seals the secret anew. `false`: one of this step or a later one was taken before, so that
    /// this one must not let anybody in.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn take_step(&mut self, name: &AccountName, sealed: &str, step: i64) -> Result<bool, StoreError> {
        let done =
            sqlx::query("UPDATE accounts SET factor_step = $2, factor = $3 WHERE name = $1 AND factor_step < $2")
                .bind(name.as_str())
                .bind(step)
                .bind(sealed)
                .execute(self.conn())
                .await?;
        Ok(done.rows_affected() == 1)
    }
}

/// `administrator`, or `staff of north; county Vista`.
fn told(account: &Account) -> String {
    match (account.role, account.reach.is_empty()) {
        (Role::Staff, true) => "staff of no region".into(),
        (Role::Staff, false) => format!("staff of {}", account.reach),
        (role, _) => role.name().into(),
    }
}

pub(super) fn ended_words(sessions: u64) -> String {
    match sessions {
        0 => "nobody was signed in".into(),
        1 => "1 session ended".into(),
        more => format!("{more} sessions ended"),
    }
}

async fn stored(
    connection: &mut AnyConnection,
    name: &AccountName,
    lock: &'static str,
) -> Result<Option<StoredAccount>, StoreError> {
    let find = format!("SELECT * FROM accounts WHERE name = $1 AND removed_at IS NULL {lock}");
    let row = sqlx::query(AssertSqlSafe(find)).bind(name.as_str()).fetch_optional(&mut *connection).await?;
    let Some(row) = row else { return Ok(None) };
    Ok(Some(StoredAccount {
        account: account_of(connection, &row).await?,
        password: get(&row, "password")?,
        password_at: get_instant_if_any(&row, "password_at")?,
        factor: get(&row, "factor")?,
        factor_step: get(&row, "factor_step")?,
        created_at: get_instant(&row, "created_at")?,
        locked_at: get_instant_if_any(&row, "locked_at")?,
    }))
}

async fn account_of(connection: &mut AnyConnection, row: &AnyRow) -> Result<Account, StoreError> {
    let (name, role): (String, String) = (get(row, "name")?, get(row, "role")?);
    let name = AccountName::parse(&name).map_err(|why| StoreError::corrupt(format!("account `{name}`: {why}")))?;
    let role = Role::parse(&role).ok_or_else(|| StoreError::corrupt(format!("`{role}` is no role")))?;
    let rows = sqlx::query("SELECT kind, value FROM account_reach WHERE account = $1 ORDER BY kind, value")
        .bind(name.as_str())
        .fetch_all(connection)
        .await?;
    let mut reach = RegionReach::default();
    for row in &rows {
        let value: String = get(row, "value")?;
        match get::<String>(row, "kind")?.as_str() {
            "region" => reach.regions.push(RegionId(value)),
            _ => reach.counties.extend(County::parse(&value)),
        }
    }
    Ok(Account { name, role, reach })
}
