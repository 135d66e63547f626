//! Transactional messages: each to one address, queued like notices and ahead of them.

use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};

use crate::message::{Message, TransactionalKind};
use crate::people::{Address, AddressId, Language};
use crate::store::addresses::AddressStatus;
use crate::store::error::StoreError;
use crate::store::rows::{get, ms};
use crate::store::suppression::{self, SUPPRESSED};
use crate::store::tx::{Store, Tx};

/// A transactional message to be sent.
#[derive(Clone, Debug)]
pub struct NewTransactional {
    pub kind: TransactionalKind,
    pub to: Address,
    pub language: Language,
    /// For the channel of `to`; a place for a stop link in it is filled when it is sent.
    pub message: Message,
    /// What asks for it, such as the id of an inbound text. The same kind, address and fact are one message. Only its
    /// keyed hash is kept.
    pub fact: String,
    /// After this it is of no use.
    pub expires_at: DateTime<Utc>,
}

/// What came of [`put`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Put {
    Queued {
        /// Id of its delivery, which is also our reference at the provider.
        delivery: String,
    },
    /// This message was queued before; nothing was changed.
    AlreadyThere,
    /// Its kind does not go to an address that stands as this one does; nothing was written.
    NotAllowed,
}

/// When a message leaves among all others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Turn {
    /// Before all else: there are few, and they tell what is wrong.
    Alarm,
    /// Before any notice, at any hour: it answers what somebody did just now on a page, or is the one word that a stop of
    /// somebody known has to have within minutes (47 CFR 64.1200(a)(12)).
    First,
    /// At once and at any hour, but after every notice that is due: whoever sends texts, and as many as they like, holds up
    /// no notice.
    Reply,
    /// After every notice, in open hours.
    Last,
}

impl Turn {
    fn of(kind: TransactionalKind, status: Option<AddressStatus>) -> Self {
        use TransactionalKind::*;
        match kind {
            Alarm => Turn::Alarm,
            kind if kind.can_wait() => Turn::Last,
            Help | WhichZip | NotUnderstood | Thanks | Resumed | HeightKept => Turn::Reply,
            Stopped if status.is_none() => Turn::Reply,
            _ => Turn::First,
        }
    }

    /// Lower goes first; notices have 0 to 3.
    fn priority(self) -> i64 {
        match self {
            Turn::Alarm => -2,
            Turn::First => -1,
            Turn::Reply => 4,
            Turn::Last => 5,
        }
    }
}

/// So long the address and the words of a message are kept after it has ended, so that staff can try it again.
const KEPT: TimeDelta = TimeDelta::hours(24);

/// Queues a transactional message for delivery at once, whatever the quiet hours, inside the caller's transaction: the
/// fact that asks for it and the message are written together.
///
/// # Errors
/// When the store fails.
pub async fn put(tx: &mut Tx, new: &NewTransactional, now: DateTime<Utc>) -> Result<Put, StoreError> {
    put_in(tx, new, chrono_tz::UTC, now).await
}

/// As [`put`], of one that answers a text: it leaves at any hour, but after notices.
///
/// # Errors
/// When the store fails.
pub async fn put_reply(tx: &mut Tx, new: &NewTransactional, now: DateTime<Utc>) -> Result<Put, StoreError> {
    put_at(tx, new, chrono_tz::UTC, Some(Turn::Reply), now).await
}

/// As [`put`]; one that [can wait](crate::message::TransactionalKind::can_wait) keeps the quiet hours of this zone.
///
/// # Errors
/// When the store fails.
pub async fn put_in(
    tx: &mut Tx,
    new: &NewTransactional,
    zone: chrono_tz::Tz,
    now: DateTime<Utc>,
) -> Result<Put, StoreError> {
    put_at(tx, new, zone, None, now).await
}

async fn put_at(
    tx: &mut Tx,
    new: &NewTransactional,
    zone: chrono_tz::Tz,
    turn: Option<Turn>,
    now: DateTime<Utc>,
) -> Result<Put, StoreError> {
    let key = tx.address_id(&new.to).await?;
    let find = format!(
        "SELECT (SELECT status FROM addresses WHERE id = $1) AS status, {SUPPRESSED} AS suppressed \
         FROM (SELECT $1 AS address_id) AS d, (SELECT $2 AS kind) AS l"
    );
    let row =
        sqlx::query(sqlx::AssertSqlSafe(find)).bind(key.as_str()).bind(new.kind.name()).fetch_one(tx.conn()).await?;
    let status = get::<Option<String>>(&row, "status")?.as_deref().and_then(AddressStatus::parse);
    if !suppression::may_go(new.kind, status, get::<i64>(&row, "suppressed")? > 0) {
        return Ok(Put::NotAllowed);
    }
    let turn = turn.unwrap_or_else(|| Turn::of(new.kind, status));
    let id = tx.hash().steady_of_text("letter", &format!("{}\n{key}\n{}", new.kind.name(), new.fact));
    let (subject, body, html) = match &new.message {
        Message::Email { subject, text, html, .. } => (Some(subject.as_str()), text, Some(html.as_str())),
        Message::Sms { text } => (None, text, None),
    };
    let written = sqlx::query(
        "INSERT INTO letters (id, kind, address_key, channel, address, language, subject, body, html, created_at) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) ON CONFLICT (id) DO NOTHING",
    )
    .bind(&id)
    .bind(new.kind.name())
    .bind(key.as_str())
    .bind(new.to.channel().name())
    .bind(new.to.expose())
    .bind(new.language.code())
    .bind(subject)
    .bind(body)
    .bind(html)
    .bind(ms(now))
    .execute(tx.conn())
    .await?
    .rows_affected();
    if written == 0 {
        return Ok(Put::AlreadyThere);
    }
    let delivery = hex::encode(&Sha256::digest(format!("letter\n{id}"))[..16]);
    sqlx::query(
        "INSERT INTO deliveries (id, letter_id, address_id, channel, language, state, priority, not_before, expires_at, \
                                 time_zone, any_hour, attempts, fence, uncertain_count, created_at, updated_at) \
         VALUES ($1, $2, $3, $4, $5, 'queued', $6, $7, $8, $9, $10, 0, 0, 0, $7, $7)",
    )
    .bind(&delivery)
    .bind(&id)
    .bind(key.as_str())
    .bind(new.to.channel().name())
    .bind(new.language.code())
    .bind(turn.priority())
    .bind(ms(now))
    .bind(ms(new.expires_at))
    .bind(zone.name())
    .bind(i64::from(turn != Turn::Last))
    .execute(tx.conn())
    .await?;
    Ok(Put::Queued { delivery })
}

/// How many transactional messages of these kinds were queued for an address since an instant.
///
/// # Errors
/// When the store fails.
pub async fn count_since(
    tx: &mut Tx,
    address_key: &AddressId,
    kinds: &[TransactionalKind],
    since: DateTime<Utc>,
) -> Result<u64, StoreError> {
    let names: Vec<String> = kinds.iter().map(|kind| format!("'{}'", kind.name())).collect();
    let find = format!(
        "SELECT COUNT(*) AS n FROM letters WHERE address_key = $1 AND created_at > $2 AND kind IN ({})",
        names.join(", ")
    );
    let row =
        sqlx::query(sqlx::AssertSqlSafe(find)).bind(address_key.as_str()).bind(ms(since)).fetch_one(tx.conn()).await?;
    Ok(get::<i64>(&row, "n")?.unsigned_abs())
}

/// Takes the address and the words out of all transactional messages to an address.
pub(super) async fn erase(tx: &mut Tx, address_key: &AddressId, now: DateTime<Utc>) -> Result<(), StoreError> {
    sqlx::query(
        "UPDATE letters SET address = '', subject = NULL, body = '', html = NULL, erased_at = $2 \
         WHERE address_key = $1 AND erased_at IS NULL",
    )
    .bind(address_key.as_str())
    .bind(ms(now))
    .execute(tx.conn())
    .await?;
    Ok(())
}

impl Store {
    /// As [`put`], in a transaction of its own.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn put_transactional(&self, new: &NewTransactional, now: DateTime<Utc>) -> Result<Put, StoreError> {
        let mut tx = self.begin().await?;
        let put = put(&mut tx, new, now).await?;
        tx.commit().await?;
        Ok(put)
    }

    /// Takes the address and the words out of transactional messages that ended a day ago: what is left is that there
    /// was one. Gives how many.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn erase_ended_transactional(&self, now: DateTime<Utc>) -> Result<u64, StoreError> {
        const DUE: &str = "letters.erased_at IS NULL AND letters.created_at < $1 AND NOT EXISTS ( \
             SELECT 1 FROM deliveries d WHERE d.letter_id = letters.id \
                AND (d.updated_at > $1 OR d.state IN ('queued', 'leased') OR (d.state = 'uncertain' AND d.expires_at > $1)))";
        let find = format!("SELECT COUNT(*) AS n FROM letters WHERE {DUE}");
        let row =
            sqlx::query(sqlx::AssertSqlSafe(find)).bind(ms(now - KEPT)).fetch_one(&mut *self.read().await?).await?;
        if get::<i64>(&row, "n")? == 0 {
            return Ok(0);
        }
        let mut tx = self.begin().await?;
        // What a provider said of them may repeat the address it was for.
        let theirs = format!("(SELECT d.id FROM deliveries d JOIN letters ON letters.id = d.letter_id WHERE {DUE})");
        for forget in [
            format!("UPDATE attempts SET detail = NULL WHERE delivery_id IN {theirs}"),
            format!("DELETE FROM delivery_reports WHERE delivery_id IN {theirs}"),
            format!(
                "UPDATE deliveries SET provider_ref = NULL, \
                     last_error = CASE WHEN state = 'cancelled' THEN last_error END WHERE id IN {theirs}"
            ),
        ] {
            sqlx::query(sqlx::AssertSqlSafe(forget)).bind(ms(now - KEPT)).execute(tx.conn()).await?;
        }
        let erase = format!(
            "UPDATE letters SET address = '', subject = NULL, body = '', html = NULL, erased_at = $2 WHERE {DUE}"
        );
        let done =
            sqlx::query(sqlx::AssertSqlSafe(erase)).bind(ms(now - KEPT)).bind(ms(now)).execute(tx.conn()).await?;
        tx.commit().await?;
        Ok(done.rows_affected())
    }
}
