//! A notice as stored, and how notices are found.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use sha2::{Digest, Sha256};
use sqlx::AssertSqlSafe;
use sqlx::any::AnyRow;

use crate::message::Message;
use crate::people::{AddressId, Channel, Language};
use crate::region::RegionId;
use crate::season::decide::{ApprovalNeeded, DecidedNotice, Standing, Terms};
use crate::season::{NoticeId, NoticeKind, NoticeStatus, SeasonKey};
use crate::store::error::{Conflict, StoreError};
use crate::store::rows::{get, get_day, get_instant, get_instant_if_any, ms};
use crate::store::tx::{Store, Tx};

/// A decision to be kept.
#[derive(Clone, Debug, PartialEq)]
pub struct NewNotice {
    pub season: SeasonKey,
    pub kind: NoticeKind,
    pub fate: NoticeRelease,
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

impl NewNotice {
    /// One without reason or facts that leaves at once and is of use for twenty days: for tests and measurements.
    #[doc(hidden)]
    pub fn plain(season: SeasonKey, kind: NoticeKind, now: DateTime<Utc>) -> Self {
        Self {
            season,
            kind,
            fate: NoticeRelease::Release,
            reason: serde_json::json!({}),
            facts: serde_json::json!({}),
            decided_on: now.date_naive(),
            decided_at: now,
            expires_at: now + TimeDelta::days(20),
            priority: 1,
        }
    }
}

/// How a decided notice begins.
#[derive(Clone, Debug, PartialEq)]
pub enum NoticeRelease {
    /// Out at once.
    Release,
    /// Out at this instant unless staff hold it.
    Wait { release_at: DateTime<Utc> },
    /// Out when staff confirm it, for this reason.
    WaitForApproval { approval_needed: ApprovalNeeded },
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

/// Where a notice stands, with what belongs to that.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoticeState {
    /// Leaves as its plan says.
    Waiting,
    /// Staff let it out: it leaves at the hour of its plan, and until then the word can be taken back.
    Leaving {
        by: String,
    },
    /// Staff stopped its clock, until an instant or until they say more.
    Held {
        until: Option<DateTime<Utc>>,
    },
    Released {
        at: DateTime<Utc>,
        by: String,
    },
    Skipped,
    Cancelled,
}

/// Staff stopped what had not gone out of a released notice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recall {
    pub at: DateTime<Utc>,
    /// Unknown of recalls from before it was kept.
    pub by: String,
    /// Messages that had gone out by then.
    pub gone: u64,
    /// … and those of which it was not known.
    pub maybe: u64,
}

/// Staff gave a notice words of its own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnWords {
    pub at: DateTime<Utc>,
    pub by: String,
}

/// How a notice was to leave when that was last decided; it stays as the record of that.
#[derive(Clone, Debug, PartialEq)]
pub enum ReleasePlan {
    At(DateTime<Utc>),
    /// When staff confirm it, for this reason.
    WhenConfirmed(ApprovalNeeded),
    Never,
}

/// A notice as stored.
#[derive(Clone, Debug, PartialEq)]
pub struct Notice {
    pub id: NoticeId,
    pub season: SeasonKey,
    pub kind: NoticeKind,
    pub state: NoticeState,
    pub plan: ReleasePlan,
    pub reason: serde_json::Value,
    pub facts: serde_json::Value,
    pub decided_on: NaiveDate,
    pub decided_at: DateTime<Utc>,
    pub expires_at: DateTime<Utc>,
    pub staff_note: Option<String>,
    pub recall: Option<Recall>,
    pub own_words: Option<OwnWords>,
    /// Whether the last act of staff can be taken back, as long as the notice has not left.
    pub undoable: bool,
}

impl Notice {
    pub fn status(&self) -> NoticeStatus {
        match self.state {
            NoticeState::Waiting | NoticeState::Leaving { .. } => NoticeStatus::Waiting,
            NoticeState::Held { .. } => NoticeStatus::Held,
            NoticeState::Released { .. } => NoticeStatus::Released,
            NoticeState::Skipped => NoticeStatus::Skipped,
            NoticeState::Cancelled => NoticeStatus::Cancelled,
        }
    }

    /// Where it stands, in one word for people: a recall is told, too.
    pub fn standing_word(&self) -> &'static str {
        match (&self.recall, &self.state) {
            (Some(_), _) => "recalled",
            (None, NoticeState::Leaving { .. }) => "leaving",
            (None, _) => self.status().name(),
        }
    }

    /// When it left, if it did.
    pub fn released_at(&self) -> Option<DateTime<Utc>> {
        match self.state {
            NoticeState::Released { at, .. } => Some(at),
            _ => None,
        }
    }

    pub fn released_by(&self) -> Option<&str> {
        match &self.state {
            NoticeState::Released { by, .. } => Some(by),
            _ => None,
        }
    }

    /// Why staff recalled it: of `recalled by M. Reyes: wrong region` what follows the name; `None`: it was not, or nobody said.
    pub fn recall_reason(&self) -> Option<&str> {
        let note = self.staff_note.as_deref().filter(|_| self.recall.is_some())?;
        note.strip_prefix("recalled by ")?.split_once(": ").map(|(_, why)| why)
    }

    /// The hour of its plan.
    pub fn release_at(&self) -> Option<DateTime<Utc>> {
        match self.plan {
            ReleasePlan::At(at) => Some(at),
            ReleasePlan::WhenConfirmed(_) | ReleasePlan::Never => None,
        }
    }

    /// What staff are to confirm by its plan.
    pub fn approval_needed(&self) -> Option<&ApprovalNeeded> {
        match &self.plan {
            ReleasePlan::WhenConfirmed(word) => Some(word),
            ReleasePlan::At(_) | ReleasePlan::Never => None,
        }
    }

    /// As the decision wants it; `zone` is the region's.
    pub fn told(&self, zone: Tz) -> DecidedNotice {
        let standing = standing(&self.state, &self.plan, self.decided_at, zone);
        let learned_days = self.facts.get("learned_days").and_then(serde_json::Value::as_i64);
        let terms = self.terms();
        DecidedNotice {
            kind: self.kind,
            decided_on: self.decided_on,
            standing,
            deadline: self.deadline(),
            learned_days,
            report: terms.as_ref().and_then(|terms| terms.reason.report()).map(str::to_owned),
            expires_on: terms.map(|terms| terms.expires_on),
        }
    }

    /// One that was skipped has none.
    fn terms(&self) -> Option<Terms> {
        serde_json::from_value(self.reason.clone()).ok()
    }

    /// The last day to wash, if it tells one.
    pub fn deadline(&self) -> Option<NaiveDate> {
        self.terms().and_then(|terms| terms.deadline).or_else(|| self.deadline_of_facts())
    }

    /// The last day to wash that a notice told before its terms named it.
    fn deadline_of_facts(&self) -> Option<NaiveDate> {
        let has_no_days = self.facts.get("days").is_none_or(serde_json::Value::is_null);
        early_deadline(self.kind, has_no_days, self.facts.get("wash_by").and_then(serde_json::Value::as_str))
    }
}

/// Where a notice stands, as the decision wants it; `zone` is the region's.
pub(super) fn standing(state: &NoticeState, plan: &ReleasePlan, decided_at: DateTime<Utc>, zone: Tz) -> Standing {
    let on = |at: DateTime<Utc>| Standing::Released { on: at.with_timezone(&zone).date_naive() };
    match (state, plan) {
        (NoticeState::Waiting, ReleasePlan::WhenConfirmed(word)) => {
            Standing::Waiting { approval_needed: Some(word.clone()) }
        }
        (NoticeState::Waiting, _) => Standing::Waiting { approval_needed: None },
        // Staff have spoken: nothing is decided of it any more.
        (NoticeState::Leaving { .. }, ReleasePlan::At(at)) => on(*at),
        (NoticeState::Leaving { .. }, _) => on(decided_at),
        (NoticeState::Held { .. }, _) => Standing::Held,
        (NoticeState::Released { at, .. }, _) => on(*at),
        (NoticeState::Skipped, _) => Standing::Skipped,
        (NoticeState::Cancelled, _) => Standing::Cancelled,
    }
}

/// The last day to wash that a notice told before its terms named it.
pub(super) fn early_deadline(kind: NoticeKind, has_no_days: bool, wash_by: Option<&str>) -> Option<NaiveDate> {
    let told = matches!(kind, NoticeKind::InspectNow | NoticeKind::LastDaysToWash);
    if told && has_no_days { wash_by?.parse().ok() } else { None }
}

/// The id of a notice's delivery to one address: the same on every run. Ids of one notice lie together and in the order of
/// their addresses, so that queueing and sending go through the indexes from one end to the other; the rest is what nobody
/// guesses who knows an earlier one of the same address.
pub fn delivery_id(notice_id: &NoticeId, address_id: &AddressId) -> String {
    let of_notice = Sha256::digest(notice_id.as_str());
    let own = Sha256::digest(format!("{notice_id}\n{address_id}"));
    // Behind the number of a later key: see `AddressHash::of`.
    let hash = address_id.as_str().rsplit('-').next().unwrap_or_default();
    let place: String = hash.chars().take(8).collect();
    format!("{}{place:0<8}{}", hex::encode(&of_notice[..2]), hex::encode(&own[..10]))
}

impl Store {
    /// # Errors
    /// [`Conflict::UnknownNotice`].
    pub async fn notice(&self, id: &NoticeId) -> Result<Notice, StoreError> {
        let row = sqlx::query("SELECT * FROM notices WHERE id = $1")
            .bind(id.as_str())
            .fetch_optional(&mut *self.read().await?)
            .await?;
        match row {
            Some(row) => notice_of(&row),
            None => Err(Conflict::UnknownNotice { id: id.clone() }.into()),
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

    /// As [`Store::notices_of_season`], of one region.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notices_of_region(&self, season: &SeasonKey) -> Result<Vec<Notice>, StoreError> {
        let rows = sqlx::query(
            "SELECT * FROM notices WHERE profile = $1 AND season = $2 AND region_id = $3 ORDER BY decided_at, id",
        )
        .bind(&season.profile)
        .bind(i64::from(season.year))
        .bind(season.region.as_str())
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

    /// Notices of a season, or a later one, that staff held before they were skipped.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notices_skipped_from_hold(&self, season: i32) -> Result<Vec<Notice>, StoreError> {
        let rows = sqlx::query(
            "SELECT * FROM notices WHERE status = 'skipped' AND staff_note LIKE 'held by %' AND season >= $1
             ORDER BY decided_at, id",
        )
        .bind(i64::from(season))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(notice_of).collect()
    }

    /// The next instant at which a waiting notice goes out by itself, or a hold ends.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn next_release(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query(
            "SELECT MIN(CASE WHEN status = 'held' THEN held_until ELSE release_at END) AS next
             FROM notices WHERE status IN ('waiting', 'held')",
        )
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
        id: &NoticeId,
        channel: Channel,
        language: Language,
    ) -> Result<Option<Message>, StoreError> {
        let row = sqlx::query(
            "SELECT subject, body, html, calendar, chart_png FROM notice_texts WHERE notice_id = $1 AND channel = $2 AND language = $3",
        )
        .bind(id.as_str())
        .bind(channel.name())
        .bind(language.code())
        .fetch_optional(&mut *self.read().await?)
        .await?;
        row.map(|row| message_of(&row, channel)).transpose()
    }
}

pub(super) fn message_of(row: &AnyRow, channel: Channel) -> Result<Message, StoreError> {
    let text = get(row, "body")?;
    Ok(match channel {
        Channel::Sms => Message::Sms { text },
        Channel::Email => Message::Email {
            subject: get::<Option<String>>(row, "subject")?.unwrap_or_default(),
            text,
            html: get::<Option<String>>(row, "html")?.unwrap_or_default(),
            calendar: get(row, "calendar")?,
            chart_png: get::<Option<Vec<u8>>>(row, "chart_png")?.map(Into::into),
        },
    })
}

pub(super) async fn find_notice(tx: &mut Tx, id: &NoticeId) -> Result<Notice, StoreError> {
    let row = sqlx::query("SELECT * FROM notices WHERE id = $1").bind(id.as_str()).fetch_optional(tx.conn()).await?;
    match row {
        Some(row) => notice_of(&row),
        None => Err(Conflict::UnknownNotice { id: id.clone() }.into()),
    }
}

/// As [`find_notice`], and nobody else changes it until the transaction ends.
pub(super) async fn find_for_change(tx: &mut Tx, id: &NoticeId) -> Result<Notice, StoreError> {
    let find = format!("SELECT * FROM notices WHERE id = $1 {}", tx.engine().for_change());
    let row = sqlx::query(AssertSqlSafe(find)).bind(id.as_str()).fetch_optional(tx.conn()).await?;
    row.map_or_else(|| Err(Conflict::UnknownNotice { id: id.clone() }.into()), |row| notice_of(&row))
}

pub(super) fn status_conflict(notice: &Notice, wish: &'static str) -> StoreError {
    Conflict::NoticeStatus { id: notice.id.clone(), status: notice.status().name(), wish }.into()
}

pub(super) fn kind_of(row: &AnyRow) -> Result<NoticeKind, StoreError> {
    let kind: &str = get(row, "kind")?;
    NoticeKind::parse(kind).ok_or_else(|| StoreError::corrupt(format!("notices.kind `{kind}`")))
}

pub(super) fn notice_of(row: &AnyRow) -> Result<Notice, StoreError> {
    let json = |column: &str| -> Result<serde_json::Value, StoreError> {
        serde_json::from_str(get(row, column)?).map_err(|why| StoreError::corrupt(format!("notices.{column}: {why}")))
    };
    let year: i64 = get(row, "season")?;
    Ok(Notice {
        id: NoticeId(get(row, "id")?),
        season: SeasonKey {
            profile: get(row, "profile")?,
            region: RegionId(get(row, "region_id")?),
            year: i32::try_from(year).map_err(|_| StoreError::corrupt(format!("notices.season {year}")))?,
        },
        kind: kind_of(row)?,
        state: state_of(row)?,
        plan: plan_of(row)?,
        reason: json("reason")?,
        facts: json("facts")?,
        decided_on: get_day(row, "decided_on")?,
        decided_at: get_instant(row, "decided_at")?,
        expires_at: get_instant(row, "expires_at")?,
        staff_note: get(row, "staff_note")?,
        recall: recall_of(row)?,
        own_words: get_instant_if_any(row, "worded_at")?
            .map(|at| {
                Ok::<_, StoreError>(OwnWords { at, by: get::<Option<String>>(row, "worded_by")?.unwrap_or_default() })
            })
            .transpose()?,
        undoable: get::<Option<&str>>(row, "before_act")?.is_some(),
    })
}

fn recall_of(row: &AnyRow) -> Result<Option<Recall>, StoreError> {
    let Some(at) = get_instant_if_any(row, "recalled_at")? else { return Ok(None) };
    let number = |column| Ok::<_, StoreError>(get::<Option<i64>>(row, column)?.unwrap_or(0).unsigned_abs());
    let by = get::<Option<String>>(row, "recalled_by")?.unwrap_or_default();
    Ok(Some(Recall { at, by, gone: number("gone_at_recall")?, maybe: number("maybe_at_recall")? }))
}

pub(super) fn state_of(row: &AnyRow) -> Result<NoticeState, StoreError> {
    let name: &str = get(row, "status")?;
    let status = NoticeStatus::parse(name).ok_or_else(|| StoreError::corrupt(format!("notices.status `{name}`")))?;
    Ok(match status {
        NoticeStatus::Waiting => match get::<Option<String>>(row, "sent_by")? {
            Some(by) => NoticeState::Leaving { by },
            None => NoticeState::Waiting,
        },
        NoticeStatus::Held => NoticeState::Held { until: get_instant_if_any(row, "held_until")? },
        NoticeStatus::Released => {
            NoticeState::Released { at: get_instant(row, "released_at")?, by: get(row, "released_by")? }
        }
        NoticeStatus::Skipped => NoticeState::Skipped,
        NoticeStatus::Cancelled => NoticeState::Cancelled,
    })
}

pub(super) fn plan_of(row: &AnyRow) -> Result<ReleasePlan, StoreError> {
    if let Some(at) = get_instant_if_any(row, "release_at")? {
        return Ok(ReleasePlan::At(at));
    }
    let word = get::<Option<&str>>(row, "word_needed")?.map(serde_json::from_str).transpose();
    let word = word.map_err(|why| StoreError::corrupt(format!("notices.word_needed: {why}")))?;
    Ok(word.map_or(ReleasePlan::Never, ReleasePlan::WhenConfirmed))
}
