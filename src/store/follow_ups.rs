//! Who was asked what they saw after a notice, and what they said.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;

use crate::people::keywords::ScaleAnswer;
use crate::people::{Address, AddressId, Channel, Language};
use crate::region::{OwnerReports, RegionId, Zip};
use crate::season::NoticeId;
use crate::store::error::StoreError;
use crate::store::field_reports::rows::{answers_of, append, insert, reword};
use crate::store::field_reports::{
    ReportHistory, ReportSource, ReportStanding, SaidBy, Seen, StandingChange, StoredReport,
};
use crate::store::regions::owner_reports_of;
use crate::store::rows::{
    channel_of, day_number, get, get_day_if_any, get_flag_if_any, get_instant, get_zone, language_of, ms,
};
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
    pub asked_at: DateTime<Utc>,
    pub closes_at: DateTime<Utc>,
    pub answer: Option<ScaleAnswer>,
    /// The day on which they looked, and whether that tree has the insect, where they said so.
    pub looked_on: Option<NaiveDate>,
    pub infested: Option<bool>,
    /// Which tree it was, in their own words.
    pub tree: Option<String>,
    pub region: RegionId,
    pub owner_reports: OwnerReports,
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
    let key = tx.address_id(&one.address).await?;
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
    "SELECT f.id, f.notice_id, f.subscriber_id, f.address_key, f.asked_at, f.closes_at, f.answer, f.looked_on, f.infested, f.tree,
         n.region_id, n.profile, r.name AS region_name, r.time_zone, r.reports_teach, s.language
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

/// What somebody answers.
#[derive(Clone, Debug)]
pub struct Answer {
    pub saw: ScaleAnswer,
    /// `None`: they did not say when they looked.
    pub looked_on: Option<NaiveDate>,
    /// As they said it, whatever follows from what they saw.
    pub infested: Option<bool>,
    /// Which tree it was, in their own words.
    pub tree: Option<String>,
    pub seen: Seen,
}

/// Takes an answer as a field report. Another answer changes it until staff have said something of it; then what differs
/// is a report beside it. Who has not looked makes none, and takes back one that waits. Where the region's rule lets
/// owners' reports count at once, it is confirmed by that.
///
/// # Errors
/// When the store fails.
pub async fn answer(tx: &mut Tx, question: &Question, answer: &Answer, now: DateTime<Utc>) -> Result<(), StoreError> {
    sqlx::query(
        "UPDATE follow_ups SET answer = $2, answered_at = $3, looked_on = $4, infested = $5, tree = $6 WHERE id = $1",
    )
    .bind(&question.id)
    .bind(answer.saw.name())
    .bind(ms(now))
    .bind(answer.looked_on.map(day_number))
    .bind(answer.infested.map(i64::from))
    .bind(answer.tree.as_deref())
    .execute(tx.conn())
    .await?;
    let before = answers_of(tx, &question.id).await?;
    let open = before.iter().find(|history| !history.judged()).map(ReportHistory::now);
    if answer.saw == ScaleAnswer::NotLooked {
        if let Some(open) = open.filter(|open| !open.refused()) {
            let why = Some("had not looked after all".to_owned());
            let change =
                StandingChange { standing: ReportStanding::Refused, at: now, by: SaidBy::Teller, who: None, why };
            append(tx, &open.id, &change).await?;
        }
        return Ok(());
    }
    let today = now.with_timezone(&question.zone).date_naive();
    let (standing, by) = match question.owner_reports {
        OwnerReports::AtOnce => (ReportStanding::Confirmed, SaidBy::Rule),
        OwnerReports::WhenConfirmed => (ReportStanding::New, SaidBy::Teller),
    };
    let change = StandingChange { standing, at: now, by, who: None, why: None };
    let Seen { sight, stage, not_yet, infested } = answer.seen.clone();
    let report = StoredReport {
        id: open.map_or_else(|| report_id(&question.id, before.len()), |open| open.id.clone()),
        region: question.region.clone(),
        observed_on: answer.looked_on.unwrap_or(today),
        day_known: answer.looked_on.is_some(),
        zip: match open {
            Some(open) => open.zip.clone(),
            None => zip_of_asked(tx, question).await?,
        },
        tree: open.and_then(|open| open.tree.clone()),
        owner_tree: answer.tree.clone(),
        sight,
        stage,
        not_yet,
        infested,
        nothing_on: nothing_before(&before, answer, question, today),
        source: ReportSource::Subscriber,
        person: Some(question.address_key.to_string()),
        note: Some("answered our question".into()),
        created_at: now,
        standing,
        change,
    };
    match open {
        None if before.iter().any(|history| says_the_same(history.now(), &report)) => {}
        None => insert(tx, &report, Some(&question.id)).await?,
        Some(open) => {
            if !says_the_same(open, &report) || open.nothing_on != report.nothing_on {
                reword(tx, &report, now).await?;
            }
            if open.standing != standing {
                append(tx, &report.id, &report.change).await?;
            }
        }
    }
    Ok(())
}

/// The first answer's has the first half of the question's id in its own.
fn report_id(question: &str, nth: usize) -> String {
    match nth {
        0 => format!("f-{}", &question[..question.len().min(12)]),
        _ => format!("f-{}", hex::encode(&Sha256::digest(format!("answer {nth}\n{question}"))[..6])),
    }
}

fn says_the_same(one: &StoredReport, other: &StoredReport) -> bool {
    let said =
        |of: &StoredReport| (of.sight.clone(), of.stage.clone(), of.infested, of.owner_tree.clone(), of.day_known);
    // Without a day, the day of the answer says nothing of its own.
    said(one) == said(other) && (!one.day_known || one.observed_on == other.observed_on)
}

/// The look before on which there was nothing yet, as they told it themselves. A second answer on the same day only mends
/// the first.
fn nothing_before(
    before: &[ReportHistory],
    answer: &Answer,
    question: &Question,
    today: NaiveDate,
) -> Option<NaiveDate> {
    let looked_on = answer.looked_on.filter(|_| answer.seen.stage.is_some())?;
    let told_on = |history: &ReportHistory| history.worded_at().with_timezone(&question.zone).date_naive();
    let days = before.iter().filter(|history| !history.now().refused()).filter_map(|history| {
        let report = history.now();
        let nothing = report.stage.is_none() && report.day_known && told_on(history) < today;
        if nothing { Some(report.observed_on) } else { report.nothing_on }
    });
    days.filter(|day| *day < looked_on).max()
}

async fn zip_of_asked(tx: &mut Tx, question: &Question) -> Result<Option<Zip>, StoreError> {
    let row = sqlx::query(
        "SELECT MIN(v.zip) AS zip FROM subscriber_regions v WHERE v.subscriber_id = $1 AND v.region_id = $2",
    )
    .bind(&question.subscriber)
    .bind(question.region.as_str())
    .fetch_one(tx.conn())
    .await?;
    let zip: Option<&str> = get(&row, "zip")?;
    zip.map(Zip::parse).transpose().map_err(|why| StoreError::corrupt(why.to_string()))
}

fn question_of(row: &AnyRow) -> Result<Question, StoreError> {
    Ok(Question {
        id: get(row, "id")?,
        notice: NoticeId(get(row, "notice_id")?),
        subscriber: get(row, "subscriber_id")?,
        address_key: AddressId(get(row, "address_key")?),
        asked_at: get_instant(row, "asked_at")?,
        closes_at: get_instant(row, "closes_at")?,
        answer: get::<Option<String>>(row, "answer")?.as_deref().and_then(ScaleAnswer::parse),
        looked_on: get_day_if_any(row, "looked_on")?,
        infested: get_flag_if_any(row, "infested")?,
        tree: get(row, "tree")?,
        region: RegionId(get(row, "region_id")?),
        owner_reports: owner_reports_of(row)?,
        region_name: get(row, "region_name")?,
        profile: get(row, "profile")?,
        zone: get_zone(row, "time_zone")?,
        language: language_of(row)?,
    })
}

impl Store {
    /// Questions that are open and that nobody has answered, by their ids.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn unanswered(&self, now: DateTime<Utc>) -> Result<Vec<Question>, StoreError> {
        let find = format!("{FIND} WHERE f.answer IS NULL AND f.closes_at > $1 ORDER BY f.id");
        let rows = sqlx::query(sqlx::AssertSqlSafe(find)).bind(ms(now)).fetch_all(&mut *self.read().await?).await?;
        rows.iter().map(question_of).collect()
    }

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
