//! Notices with their texts and deliveries, outlooks, field reports, and what staff should know.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;

use super::bulk::Insert;
use super::regions::known_region;
use super::{Conflict, Store, StoreError, Tx, day_number, get, get_day, get_instant, get_instant_if_any, ms};
use crate::message::Message;
use crate::people::{Channel, Language};
use crate::region::Zip;
use crate::season::decide::{Standing, Told, WordNeeded};
use crate::season::{FieldReport, NoticeKind, NoticeStatus, Outlook, SeasonKey, StageId};
use crate::store::subscriptions::{channel_of, language_of, recipients_for_release};

/// A decision to be kept.
#[derive(Clone, Debug, PartialEq)]
pub struct NewNotice {
    pub season: SeasonKey,
    pub kind: NoticeKind,
    pub fate: Fate,
    /// Why: the verdict's reason, for staff and for later judgement.
    pub reason: serde_json::Value,
    /// What the templates may say.
    pub facts: serde_json::Value,
    /// The region's day of the outlook it stands on.
    pub decided_on: NaiveDate,
    pub decided_at: DateTime<Utc>,
    /// After this it is of no use.
    pub expires_at: DateTime<Utc>,
    /// Lower goes first among deliveries.
    pub priority: i64,
}

/// How a decided notice begins.
#[derive(Clone, Debug, PartialEq)]
pub enum Fate {
    /// Out at once.
    Release,
    /// Out at this instant unless staff hold it.
    Wait { release_at: DateTime<Utc> },
    /// Out when staff confirm it, for this reason.
    WaitForWord { word_needed: WordNeeded },
    /// Never out; kept so that it is not decided again and staff can see why.
    Skip,
}

/// The notice in words, in one language for the channel of the message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoticeText {
    pub language: Language,
    pub message: Message,
}

impl NoticeText {
    pub fn channel(&self) -> Channel {
        match self.message {
            Message::Email { .. } => Channel::Email,
            Message::Sms { .. } => Channel::Sms,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Put {
    Written {
        /// Addresses it was queued for; 0 unless it was released.
        deliveries: u64,
    },
    /// This season, region and kind had been decided before; nothing was changed.
    AlreadyThere,
}

/// A notice as stored.
#[derive(Clone, Debug, PartialEq)]
pub struct Notice {
    /// `profile/region/year/kind`
    pub id: String,
    pub season: SeasonKey,
    pub kind: NoticeKind,
    pub status: NoticeStatus,
    pub reason: serde_json::Value,
    pub facts: serde_json::Value,
    pub decided_on: NaiveDate,
    pub decided_at: DateTime<Utc>,
    /// `None` while it waits for a word of staff.
    pub release_at: Option<DateTime<Utc>>,
    pub word_needed: Option<WordNeeded>,
    pub released_at: Option<DateTime<Utc>>,
    pub released_by: Option<String>,
    pub expires_at: DateTime<Utc>,
    pub staff_note: Option<String>,
}

impl Notice {
    /// As the decision wants it; `zone` is the region's.
    pub fn told(&self, zone: chrono_tz::Tz) -> Told {
        let standing = match self.status {
            NoticeStatus::Waiting => Standing::Waiting { word_needed: self.word_needed.clone() },
            NoticeStatus::Held => Standing::Held,
            NoticeStatus::Released => Standing::Released {
                on: self.released_at.map_or(self.decided_on, |at| at.with_timezone(&zone).date_naive()),
            },
            NoticeStatus::Skipped => Standing::Skipped,
            NoticeStatus::Cancelled => Standing::Cancelled,
        };
        Told { kind: self.kind, decided_on: self.decided_on, standing }
    }
}

/// What came of [`Store::release_due`] for one notice.
#[derive(Clone, Debug, PartialEq)]
pub struct DueRelease {
    pub notice: String,
    /// Deliveries queued; `None` when it had expired and was skipped.
    pub deliveries: Option<u64>,
}

/// A field report to be kept.
#[derive(Clone, Debug, PartialEq)]
pub struct NewFieldReport {
    pub region: String,
    pub zip: Option<Zip>,
    pub observed_on: NaiveDate,
    /// `None`: looked and saw none.
    pub stage: Option<StageId>,
    pub confirmed: bool,
    pub source: ReportSource,
    pub note: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReportSource {
    Staff,
    Subscriber,
}

impl ReportSource {
    pub fn name(self) -> &'static str {
        match self {
            ReportSource::Staff => "staff",
            ReportSource::Subscriber => "subscriber",
        }
    }
}

/// A field report with what the decision does not need.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StoredReport {
    #[serde(flatten)]
    pub report: FieldReport,
    pub zip: Option<Zip>,
    pub refused: bool,
    pub source: ReportSource,
    pub note: Option<String>,
    pub created_at: DateTime<Utc>,
}

/// Something staff should know.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StaffEntry {
    pub id: String,
    pub at: DateTime<Utc>,
    pub region: Option<String>,
    pub kind: String,
    pub text: String,
    pub seen_at: Option<DateTime<Utc>>,
}

/// The id of a season's notice of one kind.
pub fn notice_id(season: &SeasonKey, kind: NoticeKind) -> String {
    format!("{}/{}/{}/{}", season.profile, season.region, season.year, kind.name())
}

/// The id of a notice's delivery to one address: the same on every run.
pub fn delivery_id(notice_id: &str, address_id: &str) -> String {
    let digest = Sha256::digest(format!("{notice_id}\n{address_id}"));
    hex::encode(&digest[..16])
}

/// Writes a decision with its texts, and its deliveries if it goes out at once, inside the caller's transaction. Who is
/// told is read in the same transaction. A second call with the same season and kind changes nothing.
///
/// # Errors
/// [`Conflict::UnknownRegion`]; [`Conflict::NoText`] when a recipient's channel and language has no text.
pub async fn put_notice(tx: &mut Tx, new: &NewNotice, texts: &[NoticeText]) -> Result<Put, StoreError> {
    let id = notice_id(&new.season, new.kind);
    known_region(tx.conn(), &new.season.region).await?;
    let begins = Beginning::of(&new.fate, new.decided_at)?;
    let written = sqlx::query(
        "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at,
                              release_at, word_needed, expires_at, priority)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14) ON CONFLICT DO NOTHING",
    )
    .bind(&id)
    .bind(&new.season.profile)
    .bind(&new.season.region)
    .bind(i64::from(new.season.year))
    .bind(new.kind.name())
    .bind(begins.status.name())
    .bind(new.reason.to_string())
    .bind(new.facts.to_string())
    .bind(day_number(new.decided_on))
    .bind(ms(new.decided_at))
    .bind(begins.release_at.map(ms))
    .bind(begins.word_needed)
    .bind(ms(new.expires_at))
    .bind(new.priority)
    .execute(tx.conn())
    .await?
    .rows_affected();
    if written == 0 {
        return Ok(Put::AlreadyThere);
    }
    for text in texts {
        put_text(tx, &id, text).await?;
    }
    let deliveries = match new.fate {
        Fate::Release => release(tx, &id, BY_POLICY, new.decided_at).await?,
        _ => 0,
    };
    Ok(Put::Written { deliveries })
}

/// New terms for a notice that waits or is held: its reason, facts, texts, end and the way it leaves are replaced; what
/// was decided on which day stays. A held one stays held, since staff stopped its clock. Gives the deliveries queued.
///
/// # Errors
/// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held, [`Conflict::NoText`].
pub async fn renew(tx: &mut Tx, new: &NewNotice, texts: &[NoticeText]) -> Result<u64, StoreError> {
    let id = notice_id(&new.season, new.kind);
    let notice = find_notice(tx, &id).await?;
    if !matches!(notice.status, NoticeStatus::Waiting | NoticeStatus::Held) {
        return Err(status_conflict(&notice, "given new terms"));
    }
    let begins = Beginning::of(&new.fate, new.decided_at)?;
    // A skip ends it whatever staff said; otherwise a hold outlives new terms.
    let status = if begins.status == NoticeStatus::Waiting { notice.status } else { begins.status };
    sqlx::query(
        "UPDATE notices SET status = $2, reason = $3, facts = $4, release_at = $5, word_needed = $6, expires_at = $7,
                            priority = $8
         WHERE id = $1",
    )
    .bind(&id)
    .bind(status.name())
    .bind(new.reason.to_string())
    .bind(new.facts.to_string())
    .bind(begins.release_at.map(ms))
    .bind(begins.word_needed)
    .bind(ms(new.expires_at))
    .bind(new.priority)
    .execute(tx.conn())
    .await?;
    if !texts.is_empty() {
        sqlx::query("DELETE FROM notice_texts WHERE notice_id = $1").bind(&id).execute(tx.conn()).await?;
    }
    for text in texts {
        put_text(tx, &id, text).await?;
    }
    match new.fate {
        Fate::Release if status == NoticeStatus::Waiting => release(tx, &id, BY_POLICY, new.decided_at).await,
        _ => Ok(0),
    }
}

/// A notice that waits for its hour must not leave without a word any more.
///
/// # Errors
/// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits.
pub async fn ask_first(tx: &mut Tx, id: &str, word_needed: &WordNeeded) -> Result<(), StoreError> {
    let notice = find_notice(tx, id).await?;
    if notice.status != NoticeStatus::Waiting {
        return Err(status_conflict(&notice, "made to wait for a word"));
    }
    sqlx::query("UPDATE notices SET release_at = NULL, word_needed = $2 WHERE id = $1 AND status = 'waiting'")
        .bind(id)
        .bind(word_text(word_needed)?)
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// A notice that waits or is held has come to be of no use: it becomes the record of that.
///
/// # Errors
/// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held.
pub async fn skip(tx: &mut Tx, id: &str, reason: &serde_json::Value) -> Result<(), StoreError> {
    let notice = find_notice(tx, id).await?;
    if !matches!(notice.status, NoticeStatus::Waiting | NoticeStatus::Held) {
        return Err(status_conflict(&notice, "skipped"));
    }
    sqlx::query("UPDATE notices SET status = 'skipped', reason = $2, release_at = NULL WHERE id = $1")
        .bind(id)
        .bind(reason.to_string())
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// Who let a notice out that nobody had to confirm.
const BY_POLICY: &str = "policy";

/// The columns a fate begins with.
struct Beginning {
    status: NoticeStatus,
    release_at: Option<DateTime<Utc>>,
    word_needed: Option<String>,
}

impl Beginning {
    fn of(fate: &Fate, decided_at: DateTime<Utc>) -> Result<Self, StoreError> {
        let waiting = |release_at, word_needed| Self { status: NoticeStatus::Waiting, release_at, word_needed };
        Ok(match fate {
            Fate::Release => waiting(Some(decided_at), None),
            Fate::Wait { release_at } => waiting(Some(*release_at), None),
            Fate::WaitForWord { word_needed } => waiting(None, Some(word_text(word_needed)?)),
            Fate::Skip => Self { status: NoticeStatus::Skipped, release_at: None, word_needed: None },
        })
    }
}

fn word_text(word_needed: &WordNeeded) -> Result<String, StoreError> {
    serde_json::to_string(word_needed).map_err(|why| StoreError::corrupt(format!("a needed word: {why}")))
}

/// Lets a waiting or held notice out: its deliveries are queued for whoever is a recipient now.
///
/// # Errors
/// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held, [`Conflict::NoticeExpired`],
/// [`Conflict::NoText`].
pub async fn release(tx: &mut Tx, id: &str, by: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
    const INSERT: Insert = Insert {
        head: "INSERT INTO deliveries (id, notice_id, address_id, channel, language, state, priority, not_before,
                                       expires_at, time_zone, attempts, fence, uncertain_count, created_at, updated_at)
               VALUES",
        tail: "ON CONFLICT DO NOTHING",
        columns: 15,
    };
    let notice = find_notice(tx, id).await?;
    if !matches!(notice.status, NoticeStatus::Waiting | NoticeStatus::Held) {
        return Err(status_conflict(&notice, "released"));
    }
    if notice.expires_at <= now {
        return Err(Conflict::NoticeExpired { id: id.to_owned(), expired_at: notice.expires_at }.into());
    }
    // The row is changed first: of two that release the same notice on PostgreSQL, the second waits here and then finds
    // nothing to change.
    let changed = sqlx::query(
        "UPDATE notices SET status = 'released', released_at = $2, released_by = $3
         WHERE id = $1 AND status IN ('waiting', 'held')",
    )
    .bind(id)
    .bind(ms(now))
    .bind(by)
    .execute(tx.conn())
    .await?
    .rows_affected();
    if changed == 0 {
        return Err(status_conflict(&find_notice(tx, id).await?, "released"));
    }
    let priority: i64 = get(
        &sqlx::query("SELECT priority FROM notices WHERE id = $1").bind(id).fetch_one(tx.conn()).await?,
        "priority",
    )?;
    let region = known_region(tx.conn(), &notice.season.region).await?;
    let recipients = recipients_for_release(tx, &region.id).await?;

    let rows = sqlx::query("SELECT channel, language FROM notice_texts WHERE notice_id = $1")
        .bind(id)
        .fetch_all(tx.conn())
        .await?;
    let written: Vec<(Channel, Language)> =
        rows.iter().map(|row| Ok((channel_of(row)?, language_of(row)?))).collect::<Result<_, StoreError>>()?;
    let mut wanted: BTreeMap<(Channel, Language), usize> = BTreeMap::new();
    for recipient in &recipients {
        *wanted.entry((recipient.channel, recipient.language)).or_default() += 1;
    }
    if let Some(((channel, language), recipients)) = wanted.into_iter().find(|(pair, _)| !written.contains(pair)) {
        let (channel, language) = (channel.name(), language.code());
        return Err(Conflict::NoText { id: id.to_owned(), channel, language, recipients }.into());
    }

    INSERT
        .run(tx, &recipients, |recipient, to| {
            to.add(delivery_id(id, &recipient.address_id))?;
            to.add(id.to_owned())?;
            to.add(recipient.address_id.clone())?;
            to.add(recipient.channel.name())?;
            to.add(recipient.language.code())?;
            to.add("queued")?;
            to.add(priority)?;
            to.add(ms(now))?;
            to.add(ms(notice.expires_at))?;
            to.add(region.time_zone.name())?;
            to.add(0_i64)?;
            to.add(0_i64)?;
            to.add(0_i64)?;
            to.add(ms(now))?;
            to.add(ms(now))
        })
        .await
}

/// Notices of a region that wait or are held go no further.
pub(super) async fn cancel_waiting(tx: &mut Tx, region: &str, note: &str) -> Result<u64, StoreError> {
    let done = sqlx::query(
        "UPDATE notices SET status = 'cancelled', staff_note = $2 WHERE region_id = $1 AND status IN ('waiting', 'held')",
    )
    .bind(region)
    .bind(note)
    .execute(tx.conn())
    .await?;
    Ok(done.rows_affected())
}

/// Tells staff something once: the key names the fact. Gives whether it was new.
///
/// # Errors
/// When the store fails.
pub async fn tell_staff(
    tx: &mut Tx,
    key: &str,
    region: Option<&str>,
    kind: &str,
    text: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let done = sqlx::query(
        "INSERT INTO staff_log (id, at, region_id, kind, text) VALUES ($1, $2, $3, $4, $5) ON CONFLICT (id) DO NOTHING",
    )
    .bind(key)
    .bind(ms(now))
    .bind(region)
    .bind(kind)
    .bind(text)
    .execute(tx.conn())
    .await?;
    Ok(done.rows_affected() == 1)
}

impl Store {
    /// As [`put_notice`], in a transaction of its own.
    ///
    /// # Errors
    /// As [`put_notice`].
    pub async fn put_notice(&self, new: &NewNotice, texts: &[NoticeText]) -> Result<Put, StoreError> {
        let mut tx = self.begin().await?;
        let put = put_notice(&mut tx, new, texts).await?;
        tx.commit().await?;
        Ok(put)
    }

    /// # Errors
    /// [`Conflict::UnknownNotice`].
    pub async fn notice(&self, id: &str) -> Result<Notice, StoreError> {
        let row = sqlx::query("SELECT * FROM notices WHERE id = $1")
            .bind(id)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        match row {
            Some(row) => notice_of(&row),
            None => Err(Conflict::UnknownNotice { id: id.to_owned() }.into()),
        }
    }

    /// All notices of a season, in the order in which they were decided.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notices_of_season(&self, profile: &str, year: i32) -> Result<Vec<Notice>, StoreError> {
        let rows = sqlx::query("SELECT * FROM notices WHERE profile = $1 AND season = $2 ORDER BY decided_at, id")
            .bind(profile)
            .bind(i64::from(year))
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(notice_of).collect()
    }

    /// Notices of a kind that went out since an instant, in the order in which they did.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notices_released_since(
        &self,
        kind: NoticeKind,
        since: DateTime<Utc>,
    ) -> Result<Vec<Notice>, StoreError> {
        let rows = sqlx::query(
            "SELECT * FROM notices WHERE kind = $1 AND status = 'released' AND released_at >= $2 ORDER BY released_at, id",
        )
        .bind(kind.name())
        .bind(ms(since))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(notice_of).collect()
    }

    /// Notices that wait or are held, the first to expire first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notices_waiting(&self) -> Result<Vec<Notice>, StoreError> {
        let rows = sqlx::query("SELECT * FROM notices WHERE status IN ('waiting', 'held') ORDER BY expires_at, id")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(notice_of).collect()
    }

    /// The next instant at which a waiting notice goes out or expires by itself.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn next_release(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query("SELECT MIN(release_at) AS next FROM notices WHERE status = 'waiting'")
            .fetch_one(&mut *self.read().await?)
            .await?;
        get_instant_if_any(&row, "next")
    }

    /// The words of a notice for one channel and language.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notice_text(
        &self,
        id: &str,
        channel: Channel,
        language: Language,
    ) -> Result<Option<Message>, StoreError> {
        let row = sqlx::query(
            "SELECT subject, body, html, calendar, chart_png FROM notice_texts WHERE notice_id = $1 AND channel = $2 AND language = $3",
        )
        .bind(id)
        .bind(channel.name())
        .bind(language.code())
        .fetch_optional(&mut *self.read().await?)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let text = get(&row, "body")?;
        Ok(Some(match channel {
            Channel::Sms => Message::Sms { text },
            Channel::Email => Message::Email {
                subject: get::<Option<String>>(&row, "subject")?.unwrap_or_default(),
                text,
                html: get::<Option<String>>(&row, "html")?.unwrap_or_default(),
                calendar: get(&row, "calendar")?,
                chart_png: get(&row, "chart_png")?,
            },
        }))
    }

    /// As [`release`], in a transaction of its own: staff confirm a notice.
    ///
    /// # Errors
    /// As [`release`].
    pub async fn release_notice(&self, id: &str, by: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        let deliveries = release(&mut tx, id, by, now).await?;
        tx.commit().await?;
        Ok(deliveries)
    }

    /// Lets out every waiting notice whose instant has come, and skips what waits or is held past its use.
    ///
    /// # Errors
    /// As [`release`]; those before the one that failed are done.
    pub async fn release_due(&self, now: DateTime<Utc>) -> Result<Vec<DueRelease>, StoreError> {
        let due: Vec<Notice> = self
            .notices_waiting()
            .await?
            .into_iter()
            .filter(|notice| {
                let has_come = notice.status == NoticeStatus::Waiting && notice.release_at.is_some_and(|at| at <= now);
                has_come || notice.expires_at <= now
            })
            .collect();
        let mut done = Vec::new();
        for notice in due {
            let mut tx = self.begin().await?;
            let deliveries = if notice.expires_at <= now {
                sqlx::query(
                    "UPDATE notices SET status = 'skipped', staff_note = COALESCE(staff_note, $2)
                     WHERE id = $1 AND status IN ('waiting', 'held')",
                )
                .bind(&notice.id)
                .bind("nobody confirmed it while it was of use")
                .execute(tx.conn())
                .await?;
                None
            } else {
                match release(&mut tx, &notice.id, BY_POLICY, now).await {
                    Ok(deliveries) => Some(deliveries),
                    // Staff held, confirmed or cancelled it in this moment.
                    Err(StoreError::Conflict(Conflict::NoticeStatus { .. })) => continue,
                    Err(why) => return Err(why),
                }
            };
            tx.commit().await?;
            done.push(DueRelease { notice: notice.id, deliveries });
        }
        Ok(done)
    }

    /// Stops a waiting notice's clock until staff release or cancel it.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits.
    pub async fn hold_notice(&self, id: &str, note: Option<&str>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        move_notice(&mut tx, id, &[NoticeStatus::Waiting], NoticeStatus::Held, note).await?;
        tx.commit().await
    }

    /// Ends a notice that waits or is held: it never goes out this season.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held.
    pub async fn cancel_notice(&self, id: &str, note: Option<&str>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let from = [NoticeStatus::Waiting, NoticeStatus::Held];
        move_notice(&mut tx, id, &from, NoticeStatus::Cancelled, note).await?;
        tx.commit().await
    }

    /// Cancels those deliveries of a released notice that have not gone out; the notice stays released, since some may
    /// have it. Gives how many.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it was released.
    pub async fn recall_notice(&self, id: &str, note: Option<&str>, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        move_notice(&mut tx, id, &[NoticeStatus::Released], NoticeStatus::Released, note).await?;
        let cancelled = sqlx::query(
            "UPDATE deliveries SET state = 'cancelled', lease_until = NULL, lease_owner = NULL,
                                   last_error = 'the notice was recalled', updated_at = $2
             WHERE notice_id = $1 AND state IN ('queued', 'uncertain')",
        )
        .bind(id)
        .bind(ms(now))
        .execute(tx.conn())
        .await?
        .rows_affected();
        // What is in hand at this moment may go out; if it does not, it must not be tried again.
        sqlx::query(
            "UPDATE deliveries SET expires_at = $2 WHERE notice_id = $1 AND state = 'leased' AND expires_at > $2",
        )
        .bind(id)
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        tx.commit().await?;
        Ok(cancelled)
    }

    /// How many deliveries of a notice are in each state.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn delivery_counts(&self, id: &str) -> Result<BTreeMap<String, u64>, StoreError> {
        let rows = sqlx::query("SELECT state, COUNT(*) AS n FROM deliveries WHERE notice_id = $1 GROUP BY state")
            .bind(id)
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok((get(row, "state")?, get::<i64>(row, "n")?.unsigned_abs()))).collect()
    }

    /// How many deliveries of a notice there are by channel, whatever became of them.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn delivery_channels(&self, id: &str) -> Result<BTreeMap<Channel, u64>, StoreError> {
        let rows = sqlx::query("SELECT channel, COUNT(*) AS n FROM deliveries WHERE notice_id = $1 GROUP BY channel")
            .bind(id)
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok((channel_of(row)?, get::<i64>(row, "n")?.unsigned_abs()))).collect()
    }

    /// What channels took at this very instant, by region: for a replay, whose clock stands still while it sends. Notices
    /// and the questions after them.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn sent_at(&self, instant: DateTime<Utc>) -> Result<Vec<(String, Channel, u64)>, StoreError> {
        let rows = sqlx::query(
            "SELECT n.region_id AS region_id, d.channel AS channel, COUNT(*) AS n FROM deliveries d
             JOIN notices n ON n.id = d.notice_id
             WHERE d.state = 'sent' AND d.updated_at = $1 GROUP BY n.region_id, d.channel
             UNION ALL
             SELECT n.region_id, d.channel, COUNT(DISTINCT f.id) AS n FROM deliveries d
             JOIN letters l ON l.id = d.letter_id AND l.kind = 'follow-up'
             JOIN follow_ups f ON f.address_key = d.address_id AND f.asked_at = l.created_at
             JOIN notices n ON n.id = f.notice_id
             WHERE d.state = 'sent' AND d.updated_at = $1 GROUP BY n.region_id, d.channel
             ORDER BY region_id, channel",
        )
        .bind(ms(instant))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| Ok((get(row, "region_id")?, channel_of(row)?, get::<i64>(row, "n")?.unsigned_abs())))
            .collect()
    }

    /// Keeps what was said on a day; said again on the same day, the later word stands.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn put_outlook(&self, outlook: &Outlook, made_at: DateTime<Utc>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        put_outlook(&mut tx, outlook, made_at).await?;
        tx.commit().await
    }

    /// What was said of a region on a day.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn outlook(&self, profile: &str, region: &str, day: NaiveDate) -> Result<Option<Outlook>, StoreError> {
        let row = sqlx::query("SELECT body FROM outlooks WHERE profile = $1 AND region_id = $2 AND day = $3")
            .bind(profile)
            .bind(region)
            .bind(day_number(day))
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.as_ref().map(outlook_of).transpose()
    }

    /// The newest outlook of each region of a profile, by region.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn newest_outlooks(&self, profile: &str) -> Result<Vec<Outlook>, StoreError> {
        let rows = sqlx::query(
            "SELECT o.body FROM outlooks o
             JOIN (SELECT region_id, MAX(day) AS newest FROM outlooks WHERE profile = $1 GROUP BY region_id) n
               ON n.region_id = o.region_id AND n.newest = o.day
             WHERE o.profile = $1 ORDER BY o.region_id",
        )
        .bind(profile)
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(outlook_of).collect()
    }

    /// The last day of each region's outlooks.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn last_outlook_days(&self, profile: &str) -> Result<HashMap<String, NaiveDate>, StoreError> {
        let rows = sqlx::query("SELECT region_id, MAX(day) AS day FROM outlooks WHERE profile = $1 GROUP BY region_id")
            .bind(profile)
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok((get(row, "region_id")?, get_day(row, "day")?))).collect()
    }

    /// Keeps a field report; gives its id. The same report again changes nothing, but a confirmed one confirms it.
    ///
    /// # Errors
    /// [`Conflict::UnknownRegion`].
    pub async fn add_field_report(&self, new: &NewFieldReport, now: DateTime<Utc>) -> Result<String, StoreError> {
        let mut tx = self.begin().await?;
        known_region(tx.conn(), &new.region).await?;
        let stage = new.stage.as_ref().map(|stage| stage.0.as_str());
        let zip = new.zip.as_ref().map(Zip::as_str);
        let told = format!(
            "{}\n{}\n{}\n{}\n{}\n{}",
            new.region,
            new.observed_on,
            stage.unwrap_or(""),
            zip.unwrap_or(""),
            new.source.name(),
            new.note.as_deref().unwrap_or("")
        );
        let id = format!("f-{}", hex::encode(&Sha256::digest(told)[..6]));
        sqlx::query(
            "INSERT INTO field_reports (id, region_id, zip, observed_on, stage, status, source, note, created_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)
             ON CONFLICT (id) DO UPDATE SET
                 status = CASE WHEN excluded.status = 'confirmed' THEN 'confirmed' ELSE field_reports.status END",
        )
        .bind(&id)
        .bind(&new.region)
        .bind(zip)
        .bind(day_number(new.observed_on))
        .bind(stage)
        .bind(if new.confirmed { "confirmed" } else { "new" })
        .bind(new.source.name())
        .bind(new.note.as_deref())
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        tx.commit().await?;
        Ok(id)
    }

    /// Field reports observed from one day to another, both included, oldest first; with a region, those of it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn field_reports(
        &self,
        region: Option<&str>,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Vec<StoredReport>, StoreError> {
        let rows = sqlx::query(
            "SELECT * FROM field_reports WHERE ($1 = '' OR region_id = $1) AND observed_on BETWEEN $2 AND $3
             ORDER BY observed_on, region_id, id",
        )
        .bind(region.unwrap_or(""))
        .bind(day_number(from))
        .bind(day_number(to))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(report_of).collect()
    }

    /// Staff stand behind a report, or do not.
    ///
    /// # Errors
    /// [`Conflict::UnknownReport`].
    pub async fn judge_field_report(&self, id: &str, judgement: Judgement) -> Result<(), StoreError> {
        let status = match judgement {
            Judgement::Confirmed => "confirmed",
            Judgement::Refused => "refused",
        };
        let mut tx = self.begin().await?;
        let done = sqlx::query("UPDATE field_reports SET status = $2 WHERE id = $1")
            .bind(id)
            .bind(status)
            .execute(tx.conn())
            .await?
            .rows_affected();
        if done == 0 {
            return Err(Conflict::UnknownReport { id: id.to_owned() }.into());
        }
        tx.commit().await
    }

    /// As [`tell_staff`], in a transaction of its own.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn tell_staff(
        &self,
        key: &str,
        region: Option<&str>,
        kind: &str,
        text: &str,
        now: DateTime<Utc>,
    ) -> Result<bool, StoreError> {
        let mut tx = self.begin().await?;
        let new = tell_staff(&mut tx, key, region, kind, text, now).await?;
        tx.commit().await?;
        Ok(new)
    }

    /// What staff were told since an instant, the newest first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn staff_log(&self, since: DateTime<Utc>) -> Result<Vec<StaffEntry>, StoreError> {
        let rows = sqlx::query("SELECT * FROM staff_log WHERE at >= $1 ORDER BY at DESC, id")
            .bind(ms(since))
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter()
            .map(|row| {
                Ok(StaffEntry {
                    id: get(row, "id")?,
                    at: get_instant(row, "at")?,
                    region: get(row, "region_id")?,
                    kind: get(row, "kind")?,
                    text: get(row, "text")?,
                    seen_at: get_instant_if_any(row, "seen_at")?,
                })
            })
            .collect()
    }
}

/// What staff say of a field report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Judgement {
    Confirmed,
    Refused,
}

/// As [`Store::put_outlook`], inside a transaction of the caller.
///
/// # Errors
/// When the store fails.
pub async fn put_outlook(tx: &mut Tx, outlook: &Outlook, made_at: DateTime<Utc>) -> Result<(), StoreError> {
    let body = serde_json::to_string(outlook).map_err(|why| StoreError::corrupt(format!("an outlook: {why}")))?;
    sqlx::query(
        "INSERT INTO outlooks (profile, region_id, day, made_at, body) VALUES ($1, $2, $3, $4, $5)
         ON CONFLICT (profile, region_id, day) DO UPDATE SET made_at = excluded.made_at, body = excluded.body",
    )
    .bind(&outlook.season.profile)
    .bind(&outlook.season.region)
    .bind(day_number(outlook.today))
    .bind(ms(made_at))
    .bind(body)
    .execute(tx.conn())
    .await?;
    Ok(())
}

async fn put_text(tx: &mut Tx, id: &str, text: &NoticeText) -> Result<(), StoreError> {
    let (subject, body, html, calendar, chart_png) = match &text.message {
        Message::Email { subject, text, html, calendar, chart_png } => {
            (Some(subject.as_str()), text, Some(html.as_str()), calendar.as_deref(), chart_png.as_deref())
        }
        Message::Sms { text } => (None, text, None, None, None),
    };
    sqlx::query(
        "INSERT INTO notice_texts (notice_id, language, channel, subject, body, html, calendar, chart_png)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(id)
    .bind(text.language.code())
    .bind(text.channel().name())
    .bind(subject)
    .bind(body)
    .bind(html)
    .bind(calendar)
    .bind(chart_png)
    .execute(tx.conn())
    .await?;
    Ok(())
}

async fn find_notice(tx: &mut Tx, id: &str) -> Result<Notice, StoreError> {
    let row = sqlx::query("SELECT * FROM notices WHERE id = $1").bind(id).fetch_optional(tx.conn()).await?;
    match row {
        Some(row) => notice_of(&row),
        None => Err(Conflict::UnknownNotice { id: id.to_owned() }.into()),
    }
}

async fn move_notice(
    tx: &mut Tx,
    id: &str,
    from: &[NoticeStatus],
    to: NoticeStatus,
    note: Option<&str>,
) -> Result<(), StoreError> {
    let notice = find_notice(tx, id).await?;
    let changed = if from.contains(&notice.status) {
        sqlx::query(
            "UPDATE notices SET status = $2, staff_note = COALESCE($3, staff_note) WHERE id = $1 AND status = $4",
        )
        .bind(id)
        .bind(to.name())
        .bind(note)
        .bind(notice.status.name())
        .execute(tx.conn())
        .await?
        .rows_affected()
    } else {
        0
    };
    if changed == 0 { Err(status_conflict(&find_notice(tx, id).await?, to.name())) } else { Ok(()) }
}

fn status_conflict(notice: &Notice, wish: &'static str) -> StoreError {
    Conflict::NoticeStatus { id: notice.id.clone(), status: notice.status.name(), wish }.into()
}

fn notice_of(row: &AnyRow) -> Result<Notice, StoreError> {
    let json = |column: &str| -> Result<serde_json::Value, StoreError> {
        serde_json::from_str(get(row, column)?).map_err(|why| StoreError::corrupt(format!("notices.{column}: {why}")))
    };
    let (kind, status, year): (&str, &str, i64) = (get(row, "kind")?, get(row, "status")?, get(row, "season")?);
    Ok(Notice {
        id: get(row, "id")?,
        season: SeasonKey {
            profile: get(row, "profile")?,
            region: get(row, "region_id")?,
            year: i32::try_from(year).map_err(|_| StoreError::corrupt(format!("notices.season {year}")))?,
        },
        kind: NoticeKind::parse(kind).ok_or_else(|| StoreError::corrupt(format!("notices.kind `{kind}`")))?,
        status: NoticeStatus::parse(status).ok_or_else(|| StoreError::corrupt(format!("notices.status `{status}`")))?,
        reason: json("reason")?,
        facts: json("facts")?,
        decided_on: get_day(row, "decided_on")?,
        decided_at: get_instant(row, "decided_at")?,
        release_at: get_instant_if_any(row, "release_at")?,
        word_needed: get::<Option<&str>>(row, "word_needed")?
            .map(serde_json::from_str)
            .transpose()
            .map_err(|why| StoreError::corrupt(format!("notices.word_needed: {why}")))?,
        released_at: get_instant_if_any(row, "released_at")?,
        released_by: get(row, "released_by")?,
        expires_at: get_instant(row, "expires_at")?,
        staff_note: get(row, "staff_note")?,
    })
}

fn outlook_of(row: &AnyRow) -> Result<Outlook, StoreError> {
    serde_json::from_str(get(row, "body")?).map_err(|why| StoreError::corrupt(format!("outlooks.body: {why}")))
}

fn report_of(row: &AnyRow) -> Result<StoredReport, StoreError> {
    let (status, source): (&str, &str) = (get(row, "status")?, get(row, "source")?);
    let zip: Option<&str> = get(row, "zip")?;
    Ok(StoredReport {
        report: FieldReport {
            id: get(row, "id")?,
            region: get(row, "region_id")?,
            observed_on: get_day(row, "observed_on")?,
            stage: get::<Option<String>>(row, "stage")?.map(StageId),
            confirmed: status == "confirmed",
        },
        zip: zip.map(Zip::parse).transpose().map_err(|why| StoreError::corrupt(why.to_string()))?,
        refused: status == "refused",
        source: match source {
            "staff" => ReportSource::Staff,
            "subscriber" => ReportSource::Subscriber,
            other => return Err(StoreError::corrupt(format!("field_reports.source `{other}`"))),
        },
        note: get(row, "note")?,
        created_at: get_instant(row, "created_at")?,
    })
}
