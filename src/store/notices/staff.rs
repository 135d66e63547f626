//! What staff do with a notice beside letting it out at once: hold it, send it so that they can still take it back, call it off,
//! recall it, and take their last word back.

use chrono::{DateTime, NaiveDateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::season::{NoticeId, NoticeStatus};
use crate::store::acts::Act;
use crate::store::error::{Conflict, StoreError};
use crate::store::notices::notice::{Notice, NoticeState, find_for_change, find_notice, status_conflict};
use crate::store::notices::order::refuse_overtaken;
use crate::store::notices::queueing::lock_region;
use crate::store::queue::cancel::cancel_of_notice;
use crate::store::rows::{get, ms};
use crate::store::tx::{Engine, Store, Tx};

/// What a recall stopped and what it came too late for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Recalled {
    /// Deliveries that had not gone out.
    pub cancelled: u64,
    /// Messages that had gone out.
    pub gone: u64,
    /// Messages of which that is not known: they were under way.
    pub maybe: u64,
}

/// The state that an act of staff found, for the one who takes it back.
#[derive(Debug, Serialize, Deserialize)]
struct Before {
    /// A name of [`NoticeStatus`].
    status: String,
    /// ms
    release_at: Option<i64>,
    /// JSON
    word_needed: Option<String>,
    /// ms
    held_until: Option<i64>,
    staff_note: Option<String>,
}

impl Before {
    async fn read(tx: &mut Tx, id: &NoticeId, column: &str) -> Result<Option<Self>, StoreError> {
        let row = sqlx::query("SELECT * FROM notices WHERE id = $1").bind(id.as_str()).fetch_one(tx.conn()).await?;
        let Some(text) = get::<Option<&str>>(&row, column)? else { return Ok(None) };
        let before = serde_json::from_str(text);
        before.map(Some).map_err(|why| StoreError::corrupt(format!("notices.{column}: {why}")))
    }

    /// As the row stands. Of one that leaves by a word that can be taken back: as that word found it.
    async fn of(tx: &mut Tx, notice: &Notice) -> Result<Self, StoreError> {
        if matches!(notice.state, NoticeState::Leaving { .. })
            && let Some(before) = Self::read(tx, &notice.id, "before_act").await?
        {
            return Ok(before);
        }
        let row =
            sqlx::query("SELECT * FROM notices WHERE id = $1").bind(notice.id.as_str()).fetch_one(tx.conn()).await?;
        Ok(Self {
            status: get(&row, "status")?,
            release_at: get(&row, "release_at")?,
            word_needed: get(&row, "word_needed")?,
            held_until: get(&row, "held_until")?,
            staff_note: get(&row, "staff_note")?,
        })
    }

    fn text(&self) -> Result<String, StoreError> {
        serde_json::to_string(self).map_err(|why| StoreError::corrupt(format!("notices.before_act: {why}")))
    }
}

impl Store {
    /// As [`Store::hold_notice_until`], for a hold that does not end by itself.
    ///
    /// # Errors
    /// As there.
    pub async fn hold_notice(&self, id: &NoticeId, note: Option<&str>) -> Result<(), StoreError> {
        self.hold_notice_until(id, None, note).await
    }

    /// Stops a notice's clock until an instant, or until staff release or cancel it. One that is held already gets this end and
    /// this note; one that is leaving stays.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held.
    pub async fn hold_notice_until(
        &self,
        id: &NoticeId,
        until: Option<DateTime<Utc>>,
        note: Option<&str>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let notice = find_for_change(&mut tx, id).await?;
        stop(&mut tx, &notice, NoticeStatus::Held, until, note).await?;
        let end = until.map_or_else(String::new, |until| format!("{HOLD_UNTIL}{}", until.format(HOLD_END)));
        tx.note_act(Act::NoticeHeld, &subject(id), &format!("{}{end}", note.unwrap_or("held"))).await?;
        tx.commit().await
    }

    /// Ends a notice that waits or is held: it never goes out this season.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held.
    pub async fn cancel_notice(&self, id: &NoticeId, note: Option<&str>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let notice = find_for_change(&mut tx, id).await?;
        stop(&mut tx, &notice, NoticeStatus::Cancelled, None, note).await?;
        tx.note_act(Act::NoticeCancelled, &subject(id), note.unwrap_or("")).await?;
        tx.commit().await
    }

    /// Lets a waiting or held notice out at an instant to come; until then the word can be taken back ([`Store::undo_act`]).
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held; [`Conflict::NoticeExpired`] when it
    /// is of no use by then; [`Conflict::NoticeOvertaken`].
    pub async fn send_notice_at(&self, id: &NoticeId, by: &str, leaves_at: DateTime<Utc>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let notice = find_for_change(&mut tx, id).await?;
        if !matches!(notice.state, NoticeState::Waiting | NoticeState::Held { .. }) {
            return Err(status_conflict(&notice, "sent"));
        }
        if notice.expires_at <= leaves_at {
            return Err(Conflict::NoticeExpired { id: id.clone(), expired_at: notice.expires_at }.into());
        }
        refuse_overtaken(&mut tx, &notice).await?;
        let before = Before::of(&mut tx, &notice).await?;
        sqlx::query(
            "UPDATE notices SET status = 'waiting', release_at = $2, held_until = NULL, sent_by = $3, before_act = $4
             WHERE id = $1",
        )
        .bind(id.as_str())
        .bind(ms(leaves_at))
        .bind(by)
        .bind(before.text()?)
        .execute(tx.conn())
        .await?;
        let detail = format!("said by {by}; leaves on {}", leaves_at.format("%Y-%m-%d %H:%M UTC"));
        tx.note_act(Act::NoticeReleased, &subject(id), &detail).await?;
        tx.commit().await
    }

    /// Takes the last word of staff back, as long as the notice has not left: it stands again as that word found it. If its hour
    /// has passed meanwhile, it leaves at `earliest`.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`]; [`Conflict::NoticeLeft`]; [`Conflict::NothingToUndo`]; [`Conflict::NoticeExpired`].
    pub async fn undo_act(
        &self,
        id: &NoticeId,
        by: &str,
        earliest: DateTime<Utc>,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let notice = find_for_change(&mut tx, id).await?;
        if matches!(notice.state, NoticeState::Released { .. }) {
            return Err(Conflict::NoticeLeft { id: id.clone() }.into());
        }
        let was_stopped = matches!(notice.state, NoticeState::Held { .. } | NoticeState::Cancelled);
        let before = Before::read(&mut tx, id, "before_act").await?;
        let Some(before) = before.filter(|_| was_stopped || matches!(notice.state, NoticeState::Leaving { .. })) else {
            return Err(Conflict::NothingToUndo { id: id.clone() }.into());
        };
        if notice.expires_at <= now {
            return Err(Conflict::NoticeExpired { id: id.clone(), expired_at: notice.expires_at }.into());
        }
        // While a notice is held its terms may have been renewed: those stand.
        let (release_at, word_needed) = if was_stopped {
            let row = sqlx::query("SELECT * FROM notices WHERE id = $1").bind(id.as_str()).fetch_one(tx.conn()).await?;
            (get(&row, "release_at")?, get(&row, "word_needed")?)
        } else {
            (before.release_at, before.word_needed)
        };
        let release_at = release_at.map(|at: i64| if at <= ms(now) { at.max(ms(earliest)) } else { at });
        sqlx::query(
            "UPDATE notices SET status = $2, release_at = $3, word_needed = $4, held_until = $5, staff_note = $6,
                                sent_by = NULL, before_act = NULL
             WHERE id = $1",
        )
        .bind(id.as_str())
        .bind(&before.status)
        .bind(release_at)
        .bind(word_needed)
        .bind(before.held_until)
        .bind(before.staff_note)
        .execute(tx.conn())
        .await?;
        let detail = format!("said by {by}; was {}, is {}", notice.standing_word(), before.status);
        tx.note_act(Act::NoticeUndone, &subject(id), &detail).await?;
        tx.commit().await
    }

    /// Cancels those deliveries of a released notice that have not gone out; the notice stays released, since some may
    /// have it, but is of no use from now on: who joins later does not get it.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it was released.
    pub async fn recall_notice(
        &self,
        id: &NoticeId,
        by: &str,
        note: Option<&str>,
        now: DateTime<Utc>,
    ) -> Result<Recalled, StoreError> {
        let mut tx = self.begin().await?;
        let region = find_notice(&mut tx, id).await?.season.region;
        lock_region(&mut tx, &region, Engine::for_change).await?;
        let notice = find_for_change(&mut tx, id).await?;
        if notice.status() != NoticeStatus::Released {
            return Err(status_conflict(&notice, "recalled"));
        }
        let (gone, maybe) = under_way(&mut tx, id).await?;
        let cancelled = cancel_of_notice(&mut tx, id, "the notice was recalled", now).await?;
        // What is in hand at this moment may go out; if it does not, it must not be tried again.
        sqlx::query(
            "UPDATE deliveries SET expires_at = $2 WHERE notice_id = $1 AND state = 'leased' AND expires_at > $2",
        )
        .bind(id.as_str())
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        let number = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
        sqlx::query(
            "UPDATE notices SET expires_at = CASE WHEN expires_at > $2 THEN $2 ELSE expires_at END, queued_to = NULL,
                                staff_note = COALESCE($3, staff_note), recalled_at = COALESCE(recalled_at, $2),
                                recalled_by = COALESCE(recalled_by, $4), gone_at_recall = COALESCE(gone_at_recall, $5),
                                maybe_at_recall = COALESCE(maybe_at_recall, $6)
             WHERE id = $1",
        )
        .bind(id.as_str())
        .bind(ms(now))
        .bind(note)
        .bind(by)
        .bind(number(gone))
        .bind(number(maybe))
        .execute(tx.conn())
        .await?;
        let recalled = Recalled { cancelled, gone, maybe };
        let detail = format!(
            "said by {by}; {}; {cancelled} deliveries called off, {gone} had gone out, {maybe} were under way",
            note.unwrap_or("recalled")
        );
        tx.note_act(Act::NoticeRecalled, &subject(id), &detail).await?;
        tx.commit().await?;
        Ok(recalled)
    }
}

/// Before the end of a hold, in the row of the act.
const HOLD_UNTIL: &str = "; until ";
const HOLD_END: &str = "%Y-%m-%d %H:%M UTC";

/// Until when a hold with this note was to last, as the row of the act tells; `None`: it had no end, or the row is of another hold.
pub fn hold_end_of(detail: &str, note: &str) -> Option<DateTime<Utc>> {
    let end = detail.strip_prefix(note)?.strip_prefix(HOLD_UNTIL)?;
    NaiveDateTime::parse_from_str(end, HOLD_END).ok().map(|end| end.and_utc())
}

pub(super) fn subject(id: &NoticeId) -> String {
    format!("notice/{id}")
}

/// How many messages of a notice have gone out, and of how many that is not known.
async fn under_way(tx: &mut Tx, id: &NoticeId) -> Result<(u64, u64), StoreError> {
    let row = sqlx::query(
        "SELECT COUNT(CASE WHEN state IN ('sent', 'delivered', 'bounced') THEN 1 END) AS gone,
                COUNT(CASE WHEN state IN ('leased', 'uncertain') THEN 1 END) AS maybe
         FROM deliveries WHERE notice_id = $1",
    )
    .bind(id.as_str())
    .fetch_one(tx.conn())
    .await?;
    Ok((get::<i64>(&row, "gone")?.unsigned_abs(), get::<i64>(&row, "maybe")?.unsigned_abs()))
}

/// Holds or ends a notice that has not left, and keeps how it stood.
async fn stop(
    tx: &mut Tx,
    notice: &Notice,
    to: NoticeStatus,
    until: Option<DateTime<Utc>>,
    note: Option<&str>,
) -> Result<(), StoreError> {
    if !matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held) {
        let wish = if to == NoticeStatus::Cancelled { "called off" } else { to.name() };
        return Err(status_conflict(notice, wish));
    }
    let before = Before::of(tx, notice).await?;
    sqlx::query(
        "UPDATE notices SET status = $2, held_until = $3, staff_note = COALESCE($4, staff_note), release_at = $5,
                            word_needed = $6, sent_by = NULL, before_act = $7
         WHERE id = $1",
    )
    .bind(notice.id.as_str())
    .bind(to.name())
    .bind(until.map(ms))
    .bind(note)
    .bind(before.release_at)
    .bind(before.word_needed.as_deref())
    .bind(before.text()?)
    .execute(tx.conn())
    .await?;
    Ok(())
}
