//! Who was asked what they saw after a notice, and what they said.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;

use crate::people::keywords::ScaleAnswer;
use crate::people::{Address, AddressId, Channel, Language};
use crate::region::RegionId;
use crate::season::NoticeId;
use crate::store::error::StoreError;
use crate::store::rows::{channel_of, day_number, get, get_instant, get_zone, language_of, ms};
use crate::store::tx::{Store, Tx};

/// Somebody to be asked.
#[derive(Clone, Debug)]
pub struct ToAsk {
    pub id: String,
    pub subscriber: String,
    pub address: Address,
    pub language: Language,
}

/// A question that was asked.
#[derive(Clone, Debug)]
pub struct Question {
    pub id: String,
    pub notice: NoticeId,
    pub subscriber: String,
    pub address_key: AddressId,
    pub closes_at: DateTime<Utc>,
    pub answer: Option<ScaleAnswer>,
    pub region: RegionId,
    pub region_name: String,
    pub profile: String,
    pub zone: chrono_tz::Tz,
    pub language: Language,
}

/// Those whom a notice reached as far as is known, who still want to hear from us and were not asked yet: one address a
/// person, a phone before a mailbox.
///
/// # Errors
/// When the store fails.
pub async fn to_ask(tx: &mut Tx, notice: &NoticeId) -> Result<Vec<ToAsk>, StoreError> {
    let rows = sqlx::query(
        "SELECT a.subscriber_id, a.channel, a.address, s.language FROM deliveries d
         JOIN addresses a ON a.id = d.address_id JOIN subscribers s ON s.id = a.subscriber_id
         WHERE d.notice_id = $1 AND d.state IN ('sent', 'delivered') AND a.status = 'confirmed'
           AND NOT EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = a.id)
           AND NOT EXISTS (SELECT 1 FROM follow_ups f WHERE f.notice_id = $1 AND f.subscriber_id = a.subscriber_id)
         ORDER BY a.subscriber_id, a.channel DESC, a.id",
    )
    .bind(notice.as_str())
    .fetch_all(tx.conn())
    .await?;
    let mut all: Vec<ToAsk> = Vec::new();
    for row in &rows {
        let subscriber: String = get(row, "subscriber_id")?;
        if all.last().is_some_and(|last| last.subscriber == subscriber) {
            continue;
        }
        let digest = Sha256::digest(format!("follow-up\n{notice}\n{subscriber}"));
        all.push(ToAsk {
            id: hex::encode(&digest[..16]),
            subscriber,
            address: Address::from_stored(channel_of(row)?, get(row, "address")?),
            language: language_of(row)?,
        });
    }
    Ok(all)
}

/// Whether anybody was asked after this notice.
///
/// # Errors
/// When the store fails.
pub async fn was_asked(tx: &mut Tx, notice: &NoticeId) -> Result<bool, StoreError> {
    let row = sqlx::query("SELECT COUNT(*) AS n FROM follow_ups WHERE notice_id = $1")
        .bind(notice.as_str())
        .fetch_one(tx.conn())
        .await?;
    Ok(get::<i64>(&row, "n")? > 0)
}

/// Notes that somebody is asked.
///
/// # Errors
/// When the store fails.
pub async fn put(
    tx: &mut Tx,
    notice: &NoticeId,
    one: &ToAsk,
    closes_at: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let key = tx.hash().of(&one.address);
    sqlx::query(
        "INSERT INTO follow_ups (id, notice_id, subscriber_id, address_key, asked_at, closes_at)
         VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT (id) DO NOTHING",
    )
    .bind(&one.id)
    .bind(notice.as_str())
    .bind(&one.subscriber)
    .bind(key.as_str())
    .bind(ms(now))
    .bind(ms(closes_at))
    .execute(tx.conn())
    .await?;
    Ok(())
}

const FIND: &str =
    "SELECT f.id, f.notice_id, f.subscriber_id, f.address_key, f.closes_at, f.answer, n.region_id, n.profile,
         r.name AS region_name, r.time_zone, s.language
     FROM follow_ups f JOIN notices n ON n.id = f.notice_id JOIN regions r ON r.id = n.region_id
     JOIN subscribers s ON s.id = f.subscriber_id";

/// The newest question to an address that is still open for an answer, or for a changed one.
///
/// # Errors
/// When the store fails.
pub async fn open_of(tx: &mut Tx, address_key: &AddressId, now: DateTime<Utc>) -> Result<Option<Question>, StoreError> {
    let find = format!("{FIND} WHERE f.address_key = $1 AND f.closes_at > $2 ORDER BY f.asked_at DESC, f.id LIMIT 1");
    let row = sqlx::query(sqlx::AssertSqlSafe(find))
        .bind(address_key.as_str())
        .bind(ms(now))
        .fetch_optional(tx.conn())
        .await?;
    row.as_ref().map(question_of).transpose()
}

/// A question by its id, open or not.
///
/// # Errors
/// When the store fails.
pub async fn by_id(tx: &mut Tx, id: &str) -> Result<Option<Question>, StoreError> {
    let find = format!("{FIND} WHERE f.id = $1");
    let row = sqlx::query(sqlx::AssertSqlSafe(find)).bind(id).fetch_optional(tx.conn()).await?;
    row.as_ref().map(question_of).transpose()
}

/// Takes an answer, as one field report a person: another answer changes it as long as staff have not judged it. Who has
/// not looked makes none.
///
/// # Errors
/// When the store fails.
pub async fn answer(
    tx: &mut Tx,
    question: &Question,
    saw: ScaleAnswer,
    stage_of_eggs: &str,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    sqlx::query("UPDATE follow_ups SET answer = $2, answered_at = $3 WHERE id = $1")
        .bind(&question.id)
        .bind(saw.name())
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
    let report = format!("f-{}", &question.id[..question.id.len().min(12)]);
    if saw == ScaleAnswer::NotLooked {
        sqlx::query("DELETE FROM field_reports WHERE id = $1 AND status = 'new'")
            .bind(&report)
            .execute(tx.conn())
            .await?;
        return Ok(());
    }
    let today = now.with_timezone(&question.zone).date_naive();
    sqlx::query(
        "INSERT INTO field_reports (id, region_id, zip, observed_on, stage, status, source, note, created_at)
         VALUES ($1, $2, (SELECT MIN(z.zip) FROM subscriber_zips z JOIN region_zips r ON r.zip = z.zip
                          WHERE z.subscriber_id = $3 AND r.region_id = $2), $4, $5, 'new', 'subscriber', $6, $7)
         ON CONFLICT (id) DO UPDATE SET observed_on = excluded.observed_on, stage = excluded.stage
         WHERE field_reports.status = 'new'",
    )
    .bind(report)
    .bind(question.region.as_str())
    .bind(&question.subscriber)
    .bind(day_number(today))
    .bind((saw == ScaleAnswer::Eggs).then_some(stage_of_eggs))
    .bind("answered our question")
    .bind(ms(now))
    .execute(tx.conn())
    .await?;
    Ok(())
}

fn question_of(row: &AnyRow) -> Result<Question, StoreError> {
    Ok(Question {
        id: get(row, "id")?,
        notice: NoticeId(get(row, "notice_id")?),
        subscriber: get(row, "subscriber_id")?,
        address_key: AddressId(get(row, "address_key")?),
        closes_at: get_instant(row, "closes_at")?,
        answer: get::<Option<String>>(row, "answer")?.as_deref().and_then(ScaleAnswer::parse),
        region: RegionId(get(row, "region_id")?),
        region_name: get(row, "region_name")?,
        profile: get(row, "profile")?,
        zone: get_zone(row, "time_zone")?,
        language: language_of(row)?,
    })
}

impl Store {
    /// When people were asked after a notice and how many by each channel; `None` when nobody was.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn asked_after(
        &self,
        notice: &NoticeId,
    ) -> Result<Option<(DateTime<Utc>, BTreeMap<Channel, u64>)>, StoreError> {
        let rows = sqlx::query(
            "SELECT a.channel, COUNT(*) AS n, MIN(f.asked_at) AS asked_at
             FROM follow_ups f JOIN addresses a ON a.id = f.address_key WHERE f.notice_id = $1 GROUP BY a.channel",
        )
        .bind(notice.as_str())
        .fetch_all(&mut *self.read().await?)
        .await?;
        let mut asked: Option<(DateTime<Utc>, BTreeMap<Channel, u64>)> = None;
        for row in &rows {
            let at = get_instant(row, "asked_at")?;
            let (first, counts) = asked.get_or_insert_with(|| (at, BTreeMap::new()));
            *first = at.min(*first);
            counts.insert(channel_of(row)?, get::<i64>(row, "n")?.unsigned_abs());
        }
        Ok(asked)
    }
}
