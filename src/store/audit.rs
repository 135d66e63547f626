//! The audit: who did what, when and why. A table of its own to which rows are only ever added (the migration's triggers
//! refuse the rest), kept for seven years, with keyed hashes where addresses would stand.
//!
//! A store that acts for somebody ([`Store::acting`]) writes a row for each act, in the transaction of the act. A store that
//! acts for nobody is the service itself: what owners do by pages and texts is a row of their consents, and what the
//! schedule does stands in the log.

use std::sync::Arc;

use chrono::{DateTime, Months, Utc};
use serde::Serialize;
use sqlx::AssertSqlSafe;
use sqlx::any::AnyRow;

use crate::people::AddressId;
use crate::store::acts::{Act, Actor};
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::{Engine, Store, Tx};

/// So long a row is kept. The law that asks for it counts in years; the triggers let rows go after seven times 365 days.
pub const KEPT: Months = Months::new(7 * 12);

/// A row of the audit.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AuditEntry {
    pub number: i64,
    pub at: DateTime<Utc>,
    pub actor: String,
    pub account: Option<String>,
    /// Name of an [`Act`], or one that a later program knows.
    pub act: String,
    pub subject: String,
    pub detail: String,
    pub why: Option<String>,
}

/// Which rows are wanted; a field left empty lets all through.
#[derive(Clone, Debug, Default)]
pub struct AuditFilter {
    pub since: Option<DateTime<Utc>>,
    /// Rows before it.
    pub until: Option<DateTime<Utc>>,
    pub act: Option<Act>,
    /// Part of the actor or of the account.
    pub who: Option<String>,
    /// Part of the subject.
    pub about: Option<String>,
    /// The newest so many.
    pub limit: Option<u32>,
}

/// The subject of an act on an address.
pub fn address_subject(key: &AddressId) -> String {
    format!("address/{key}")
}

/// What differs between two states of a thing: `field: before → after`, field by field.
pub fn changes<T: Serialize>(before: &T, after: &T) -> String {
    let object = |of: &T| match serde_json::to_value(of) {
        Ok(serde_json::Value::Object(fields)) => fields,
        _ => serde_json::Map::new(),
    };
    let (before, after) = (object(before), object(after));
    let differing = after.iter().filter(|(name, value)| before.get(*name) != Some(*value));
    let lines: Vec<String> = differing
        .map(|(name, value)| format!("{name}: {} → {value}", before.get(name).unwrap_or(&serde_json::Value::Null)))
        .collect();
    if lines.is_empty() { "nothing differs".into() } else { lines.join("; ") }
}

impl Store {
    /// This store as somebody uses it: what they do is written to the audit.
    pub fn acting(&self, actor: Actor) -> Store {
        Store { inner: self.inner.clone(), actor: Some(Arc::new(actor)) }
    }

    /// Writes an act that writes nothing else, before it is done. Without an actor nothing is written.
    ///
    /// # Errors
    /// When the store fails: then the act must not be done.
    pub async fn note_act(&self, act: Act, subject: &str, detail: &str) -> Result<(), StoreError> {
        if self.actor.is_none() {
            return Ok(());
        }
        let mut tx = self.begin().await?;
        tx.note_act(act, subject, detail).await?;
        tx.commit().await
    }

    /// Rows of the audit, the newest first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn audit(&self, filter: &AuditFilter) -> Result<Vec<AuditEntry>, StoreError> {
        // Where one text stands in another: the engines have a word of their own each.
        let place = match self.engine() {
            Engine::Sqlite => "INSTR",
            Engine::Postgres => "STRPOS",
        };
        let find = format!(
            "SELECT * FROM audit WHERE at >= $1 AND at < $2 AND ($3 = '' OR act = $3)
                 AND ($4 = '' OR {place}(LOWER(actor || ' ' || COALESCE(account, '')), LOWER($4)) > 0)
                 AND ($5 = '' OR {place}(subject, $5) > 0)
             ORDER BY number DESC LIMIT $6"
        );
        let rows = sqlx::query(AssertSqlSafe(find))
            .bind(filter.since.map_or(i64::MIN, ms))
            .bind(filter.until.map_or(i64::MAX, ms))
            .bind(filter.act.map_or("", Act::as_str))
            .bind(filter.who.as_deref().unwrap_or(""))
            .bind(filter.about.as_deref().unwrap_or(""))
            .bind(filter.limit.map_or(i64::MAX, i64::from))
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(entry_of).collect()
    }

    /// The newest so many acts on one thing, which is named whole.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn audit_of(&self, subject: &str, most: u32) -> Result<Vec<AuditEntry>, StoreError> {
        let rows = sqlx::query("SELECT * FROM audit WHERE subject = $1 ORDER BY number DESC LIMIT $2")
            .bind(subject)
            .bind(i64::from(most))
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(entry_of).collect()
    }

    /// Takes rows of more than seven years away, after a row that says so. Gives how many.
    ///
    /// # Errors
    /// When the store fails; then none was taken.
    pub async fn trim_audit(&self, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let Some(before) = now.checked_sub_months(KEPT) else { return Ok(0) };
        let count = "SELECT COUNT(*) AS n FROM audit WHERE at < $1";
        let old = sqlx::query(count).bind(ms(before)).fetch_one(&mut *self.read().await?).await?;
        if get::<i64>(&old, "n")? == 0 {
            return Ok(0);
        }
        let mut tx = self.begin().await?;
        let detail = format!("rows before {}", before.format("%Y-%m-%d"));
        insert(&mut tx, now, ("treebell", None), (Act::AuditTrimmed, "audit", &detail), Some("seven years are over"))
            .await?;
        let done = sqlx::query("DELETE FROM audit WHERE at < $1").bind(ms(before)).execute(tx.conn()).await?;
        tx.commit().await?;
        Ok(done.rows_affected())
    }
}

impl Tx {
    /// Writes an act of whoever this transaction acts for; nothing where it acts for nobody. `subject` and `detail` hold no
    /// address.
    ///
    /// # Errors
    /// When the store fails: then the transaction is to be given up, and with it the act.
    pub async fn note_act(&mut self, act: Act, subject: &str, detail: &str) -> Result<(), StoreError> {
        let Some(actor) = self.actor.clone() else { return Ok(()) };
        let who = (actor.user.as_str(), actor.account.as_deref());
        insert(self, actor.clock.now(), who, (act, subject, detail), actor.why.as_deref()).await
    }
}

async fn insert(
    tx: &mut Tx,
    at: DateTime<Utc>,
    (actor, account): (&str, Option<&str>),
    (act, subject, detail): (Act, &str, &str),
    why: Option<&str>,
) -> Result<(), StoreError> {
    // PostgreSQL keeps no NUL.
    let clean = |text: &str| text.replace('\0', "");
    sqlx::query(
        "INSERT INTO audit (at, actor, account, act, subject, detail, why) VALUES ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(ms(at))
    .bind(clean(actor))
    .bind(account.map(clean))
    .bind(act.as_str())
    .bind(clean(subject))
    .bind(clean(detail))
    .bind(why.map(clean))
    .execute(tx.conn())
    .await?;
    Ok(())
}

fn entry_of(row: &AnyRow) -> Result<AuditEntry, StoreError> {
    Ok(AuditEntry {
        number: get(row, "number")?,
        at: get_instant(row, "at")?,
        actor: get(row, "actor")?,
        account: get(row, "account")?,
        act: get(row, "act")?,
        subject: get(row, "subject")?,
        detail: get(row, "detail")?,
        why: get(row, "why")?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_changed_is_told_field_by_field() {
        #[derive(Serialize)]
        struct Thing {
            name: &'static str,
            zips: Vec<&'static str>,
        }
        let before = Thing { name: "North", zips: vec!["00101"] };
        assert_eq!(
            changes(&before, &Thing { name: "North", zips: vec!["00101", "00102"] }),
            r#"zips: ["00101"] → ["00101","00102"]"#
        );
        assert_eq!(changes(&before, &before), "nothing differs");
    }
}
