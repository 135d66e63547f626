//! Writing down what was decided: new notices, new terms for those that wait, skips.

use chrono::{DateTime, Utc};

use crate::message::Message;
use crate::season::decide::ApprovalNeeded;
use crate::season::{NoticeId, NoticeStatus};
use crate::store::error::StoreError;
use crate::store::notices::notice::{NewNotice, NoticeRelease, NoticeText, Put, find_notice, status_conflict};
use crate::store::notices::release::{BY_POLICY, release};
use crate::store::regions::known_region;
use crate::store::rows::{day_number, ms};
use crate::store::tx::{Store, Tx};

/// Writes a decision with its texts, and its deliveries if it goes out at once, inside the caller's transaction. Who is
/// told is read in the same transaction. A second call with the same season and kind changes nothing.
///
/// # Errors
/// `Conflict::UnknownRegion`; `Conflict::NoText` when a recipient's channel and language has no text.
pub async fn put_notice(tx: &mut Tx, new: &NewNotice, texts: &[NoticeText]) -> Result<Put, StoreError> {
    let id = NoticeId::of(&new.season, new.kind);
    known_region(tx.conn(), &new.season.region).await?;
    let begins = Beginning::of(&new.fate, new.decided_at)?;
    let written = sqlx::query(
        "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at,
                              release_at, word_needed, expires_at, priority)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14) ON CONFLICT DO NOTHING",
    )
    .bind(id.as_str())
    .bind(&new.season.profile)
    .bind(new.season.region.as_str())
    .bind(i64::from(new.season.year))
    .bind(new.kind.name())
    .bind(begins.status.name())
    .bind(new.reason.to_string())
    .bind(new.facts.to_string())
    .bind(day_number(new.decided_on))
    .bind(ms(new.decided_at))
    .bind(begins.release_at.map(ms))
    .bind(begins.approval_needed)
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
        NoticeRelease::Release => release(tx, &id, BY_POLICY, new.decided_at).await?,
        _ => 0,
    };
    Ok(Put::Written { deliveries })
}

/// New terms for a notice that waits or is held: its reason, facts, texts, end and the way it leaves are replaced; what
/// was decided on which day stays. A held one stays held, since staff stopped its clock. Gives the deliveries queued.
///
/// # Errors
/// `Conflict::UnknownNotice`, `Conflict::NoticeStatus` unless it waits or is held, `Conflict::NoText`.
pub async fn renew(tx: &mut Tx, new: &NewNotice, texts: &[NoticeText]) -> Result<u64, StoreError> {
    let id = NoticeId::of(&new.season, new.kind);
    let notice = find_notice(tx, &id).await?;
    if !matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held) {
        return Err(status_conflict(&notice, "given new terms"));
    }
    let begins = Beginning::of(&new.fate, new.decided_at)?;
    // A skip ends it whatever staff said; otherwise a hold outlives new terms.
    let status = if begins.status == NoticeStatus::Waiting { notice.status() } else { begins.status };
    sqlx::query(
        "UPDATE notices SET status = $2, reason = $3, facts = $4, release_at = $5, word_needed = $6, expires_at = $7,
                            priority = $8
         WHERE id = $1",
    )
    .bind(id.as_str())
    .bind(status.name())
    .bind(new.reason.to_string())
    .bind(new.facts.to_string())
    .bind(begins.release_at.map(ms))
    .bind(begins.approval_needed)
    .bind(ms(new.expires_at))
    .bind(new.priority)
    .execute(tx.conn())
    .await?;
    if !texts.is_empty() {
        sqlx::query("DELETE FROM notice_texts WHERE notice_id = $1").bind(id.as_str()).execute(tx.conn()).await?;
    }
    for text in texts {
        put_text(tx, &id, text).await?;
    }
    match new.fate {
        NoticeRelease::Release if status == NoticeStatus::Waiting => release(tx, &id, BY_POLICY, new.decided_at).await,
        _ => Ok(0),
    }
}

/// A notice that waits for its hour must not leave without a word any more.
///
/// # Errors
/// `Conflict::UnknownNotice`, `Conflict::NoticeStatus` unless it waits.
pub async fn ask_first(tx: &mut Tx, id: &NoticeId, approval_needed: &ApprovalNeeded) -> Result<(), StoreError> {
    let notice = find_notice(tx, id).await?;
    if notice.status() != NoticeStatus::Waiting {
        return Err(status_conflict(&notice, "made to wait for a word"));
    }
    sqlx::query("UPDATE notices SET release_at = NULL, word_needed = $2 WHERE id = $1 AND status = 'waiting'")
        .bind(id.as_str())
        .bind(word_text(approval_needed)?)
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// The facts have moved under a notice that waits or is held with words of staff: these stay, and it ends with what they are of use
/// for. One that would leave by itself asks first; gives whether it did.
///
/// # Errors
/// When the store fails.
pub async fn keep_words(tx: &mut Tx, id: &NoticeId, expires_at: DateTime<Utc>) -> Result<bool, StoreError> {
    sqlx::query("UPDATE notices SET expires_at = $2 WHERE id = $1 AND status IN ('waiting', 'held')")
        .bind(id.as_str())
        .bind(ms(expires_at))
        .execute(tx.conn())
        .await?;
    let asked = sqlx::query(
        "UPDATE notices SET release_at = NULL, word_needed = $2
         WHERE id = $1 AND status = 'waiting' AND release_at IS NOT NULL AND sent_by IS NULL",
    )
    .bind(id.as_str())
    .bind(word_text(&ApprovalNeeded::OldOwnWords)?)
    .execute(tx.conn())
    .await?;
    Ok(asked.rows_affected() > 0)
}

/// A notice that waits or is held has come to be of no use: it becomes the record of that.
///
/// # Errors
/// `Conflict::UnknownNotice`, `Conflict::NoticeStatus` unless it waits or is held.
pub async fn skip(tx: &mut Tx, id: &NoticeId, reason: &serde_json::Value) -> Result<(), StoreError> {
    let notice = find_notice(tx, id).await?;
    if !matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held) {
        return Err(status_conflict(&notice, "skipped"));
    }
    sqlx::query("UPDATE notices SET status = 'skipped', reason = $2, release_at = NULL WHERE id = $1")
        .bind(id.as_str())
        .bind(reason.to_string())
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// The columns a fate begins with.
struct Beginning {
    status: NoticeStatus,
    release_at: Option<DateTime<Utc>>,
    approval_needed: Option<String>,
}

impl Beginning {
    fn of(fate: &NoticeRelease, decided_at: DateTime<Utc>) -> Result<Self, StoreError> {
        let waiting = |release_at, approval_needed| Self { status: NoticeStatus::Waiting, release_at, approval_needed };
        Ok(match fate {
            NoticeRelease::Release => waiting(Some(decided_at), None),
            NoticeRelease::Wait { release_at } => waiting(Some(*release_at), None),
            NoticeRelease::WaitForApproval { approval_needed } => waiting(None, Some(word_text(approval_needed)?)),
            NoticeRelease::Skip => Self { status: NoticeStatus::Skipped, release_at: None, approval_needed: None },
        })
    }
}

fn word_text(approval_needed: &ApprovalNeeded) -> Result<String, StoreError> {
    serde_json::to_string(approval_needed).map_err(|why| StoreError::corrupt(format!("a needed word: {why}")))
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
        let id = NoticeId::of(&new.season, new.kind);
        Ok(match put {
            Put::Written { deliveries } => {
                Put::Written { deliveries: deliveries + self.queue_rest_of(&id, new.decided_at).await.deliveries() }
            }
            Put::AlreadyThere => Put::AlreadyThere,
        })
    }
}

pub(super) async fn put_text(tx: &mut Tx, id: &NoticeId, text: &NoticeText) -> Result<(), StoreError> {
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
    .bind(id.as_str())
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
