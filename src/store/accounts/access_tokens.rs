//! Tokens by which programs ask the desk.

use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe};

use crate::people::access_token::Scope;
use crate::people::account::AccountName;
use crate::region::RegionId;
use crate::store::acts::Act;
use crate::store::error::{Conflict, StoreError};
use crate::store::rows::{get, get_instant, get_instant_if_any, ms};
use crate::store::tx::{Store, Tx};

/// A use is noted at most this often: a request a second must not be a write a second.
const NOTED_EVERY: TimeDelta = TimeDelta::minutes(1);

/// A token as it is kept; what opens is not in it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct AccessToken {
    /// Of the program.
    pub name: AccountName,
    pub scope: Scope,
    /// Empty: all regions.
    pub regions: Vec<RegionId>,
    pub made_at: DateTime<Utc>,
    pub expires_at: DateTime<Utc>,
    /// The newest use, to the minute.
    pub used_at: Option<DateTime<Utc>>,
    /// Ended before its time.
    pub ended_at: Option<DateTime<Utc>>,
}

impl AccessToken {
    pub fn is_good(&self, now: DateTime<Utc>) -> bool {
        self.ended_at.is_none() && self.expires_at > now
    }

    pub fn reaches(&self, region: &RegionId) -> bool {
        self.regions.is_empty() || self.regions.contains(region)
    }
}

/// The subject of an act on a token, and what stands in the place of an account where its program acts.
pub fn token_subject(name: &AccountName) -> String {
    format!("token/{name}")
}

impl Store {
    /// The token of this hash that is good now.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn access_token(&self, hash: &str, now: DateTime<Utc>) -> Result<Option<AccessToken>, StoreError> {
        let found = tokens(&mut *self.read().await?, "WHERE hash = $1", Some(hash)).await?.pop();
        Ok(found.filter(|token| token.is_good(now)))
    }

    /// All tokens by name, those that are over too.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn access_tokens(&self) -> Result<Vec<AccessToken>, StoreError> {
        tokens(&mut *self.read().await?, "ORDER BY name", None).await
    }

    /// Notes that a token is in use, where that was not noted within the last minute.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn note_token_use(&self, token: &AccessToken, now: DateTime<Utc>) -> Result<(), StoreError> {
        if token.used_at.is_some_and(|used| now - used < NOTED_EVERY) {
            return Ok(());
        }
        let mut tx = self.begin().await?;
        sqlx::query("UPDATE access_tokens SET used_at = $2 WHERE name = $1")
            .bind(token.name.as_str())
            .bind(ms(now))
            .execute(tx.conn())
            .await?;
        tx.commit().await
    }

    /// How many field reports a program has entered since.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn reports_entered_by(&self, name: &AccountName, since: DateTime<Utc>) -> Result<u64, StoreError> {
        let row = sqlx::query("SELECT COUNT(*) AS n FROM field_reports WHERE entered_by = $1 AND created_at > $2")
            .bind(token_subject(name))
            .bind(ms(since))
            .fetch_one(&mut *self.read().await?)
            .await?;
        get::<i64>(&row, "n").map(i64::unsigned_abs)
    }
}

impl Tx {
    /// # Errors
    /// [`Conflict::TokenName`] when the name is, or was, a token's.
    pub async fn add_access_token(&mut self, token: &AccessToken, hash: &str) -> Result<(), StoreError> {
        let done = sqlx::query(
            "INSERT INTO access_tokens (name, hash, scope, made_at, expires_at) VALUES ($1, $2, $3, $4, $5) \
             ON CONFLICT (name) DO NOTHING",
        )
        .bind(token.name.as_str())
        .bind(hash)
        .bind(token.scope.name())
        .bind(ms(token.made_at))
        .bind(ms(token.expires_at))
        .execute(self.conn())
        .await?;
        if done.rows_affected() == 0 {
            return Err(Conflict::TokenName { name: token.name.to_string() }.into());
        }
        for region in &token.regions {
            sqlx::query("INSERT INTO access_token_regions (token, region) VALUES ($1, $2) ON CONFLICT DO NOTHING")
                .bind(token.name.as_str())
                .bind(region.as_str())
                .execute(self.conn())
                .await?;
        }
        let regions: Vec<&str> = token.regions.iter().map(RegionId::as_str).collect();
        let regions = if regions.is_empty() { "every region".to_owned() } else { regions.join(", ") };
        let until = token.expires_at.format("%Y-%m-%d %H:%M UTC");
        let detail = format!("{}; {regions}; good until {until}", token.scope.name());
        self.note_act(Act::TokenMade, &token_subject(&token.name), &detail).await
    }

    /// Opens nothing any more. Gives whether it was good until now.
    ///
    /// # Errors
    /// [`Conflict::UnknownToken`].
    pub async fn end_access_token(&mut self, name: &AccountName, now: DateTime<Utc>) -> Result<bool, StoreError> {
        let found = tokens(self.conn(), "WHERE name = $1", Some(name.as_str())).await?.pop();
        let token = found.ok_or_else(|| Conflict::UnknownToken { name: name.to_string() })?;
        if !token.is_good(now) {
            return Ok(false);
        }
        sqlx::query("UPDATE access_tokens SET ended_at = $2 WHERE name = $1")
            .bind(name.as_str())
            .bind(ms(now))
            .execute(self.conn())
            .await?;
        self.note_act(Act::TokenEnded, &token_subject(name), "").await?;
        Ok(true)
    }
}

async fn tokens(
    connection: &mut AnyConnection,
    which: &str,
    value: Option<&str>,
) -> Result<Vec<AccessToken>, StoreError> {
    let text = AssertSqlSafe(format!("SELECT * FROM access_tokens {which}"));
    let query = sqlx::query(text);
    let query = match value {
        Some(value) => query.bind(value.to_owned()),
        None => query,
    };
    let rows = query.fetch_all(&mut *connection).await?;
    let mut all = Vec::with_capacity(rows.len());
    for row in &rows {
        let regions = sqlx::query("SELECT region FROM access_token_regions WHERE token = $1 ORDER BY region")
            .bind(get::<String>(row, "name")?)
            .fetch_all(&mut *connection)
            .await?;
        let regions = regions.iter().map(|row| get::<String>(row, "region").map(RegionId));
        all.push(AccessToken { regions: regions.collect::<Result<_, _>>()?, ..without_regions(row)? });
    }
    Ok(all)
}

fn without_regions(row: &AnyRow) -> Result<AccessToken, StoreError> {
    let (name, scope): (String, String) = (get(row, "name")?, get(row, "scope")?);
    let unreadable = |what: &str| StoreError::corrupt(format!("{what} of access token `{name}`"));
    Ok(AccessToken {
        name: AccountName::parse(&name).map_err(|_| unreadable("the name"))?,
        scope: Scope::parse(&scope).ok_or_else(|| unreadable("the scope"))?,
        regions: Vec::new(),
        made_at: get_instant(row, "made_at")?,
        expires_at: get_instant(row, "expires_at")?,
        used_at: get_instant_if_any(row, "used_at")?,
        ended_at: get_instant_if_any(row, "ended_at")?,
    })
}
