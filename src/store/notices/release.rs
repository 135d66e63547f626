//! How notices leave: by their hour or by a word of staff; and how staff hold, cancel and recall them.

use chrono::{DateTime, Utc};

use crate::people::{Channel, Language};
use crate::region::RegionId;
use crate::season::{NoticeId, NoticeStatus};
use crate::store::acts::Act;
use crate::store::error::{Conflict, StoreError};
use crate::store::notices::notice::{Notice, find_notice, status_conflict};
use crate::store::notices::queueing::{is_under_way, lock_region, queue_first};
use crate::store::queue::cancel::cancel_of_notice;
use crate::store::rows::{channel_of, language_of, ms};
use crate::store::subscriptions::recipients_by_words;
use crate::store::tx::{Engine, Store, Tx};

/// What came of [`Store::release_due`] for one notice.
#[derive(Clone, Debug, PartialEq)]
pub struct DueRelease {
    pub notice: NoticeId,
    /// Deliveries queued; `None` when it had expired and was skipped.
    pub deliveries: Option<u64>,
}

/// Who let a notice out that nobody had to confirm.
pub(super) const BY_POLICY: &str = "policy";

/// Lets a waiting or held notice out: its deliveries are queued for whoever is a recipient now. Of very many only the first
/// are queued in this transaction, and with it is written that others are to follow: [`Store::queue_rest`] does that. Gives how
/// many were queued.
///
/// # Errors
/// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held, [`Conflict::NoticeExpired`],
/// [`Conflict::NoText`].
pub async fn release(tx: &mut Tx, id: &NoticeId, by: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let notice = find_notice(tx, id).await?;
    if !matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held) {
        return Err(status_conflict(&notice, "released"));
    }
    if notice.expires_at <= now {
        return Err(Conflict::NoticeExpired { id: id.clone(), expired_at: notice.expires_at }.into());
    }
    // The row is changed first: of two that release the same notice on PostgreSQL, the second waits here and then finds
    // nothing to change.
    let changed = sqlx::query(
        "UPDATE notices SET status = 'released', released_at = $2, released_by = $3
         WHERE id = $1 AND status IN ('waiting', 'held')",
    )
    .bind(id.as_str())
    .bind(ms(now))
    .bind(by)
    .execute(tx.conn())
    .await?
    .rows_affected();
    if changed == 0 {
        return Err(status_conflict(&find_notice(tx, id).await?, "released"));
    }
    lock_region(tx, &notice.season.region, Engine::for_change).await?;
    refuse_without_words(tx, &notice).await?;
    queue_first(tx, &notice, now).await
}

/// Whoever is told is told in words that were written.
async fn refuse_without_words(tx: &mut Tx, notice: &Notice) -> Result<(), StoreError> {
    let written = texts_of(tx, &notice.id).await?;
    let all = Channel::ALL.into_iter().flat_map(|channel| Language::ALL.map(|language| (channel, language)));
    // Mostly there are all, and then nobody need be counted.
    if all.into_iter().all(|pair| written.contains(&pair)) {
        return Ok(());
    }
    for ((channel, language), recipients) in recipients_by_words(tx, &notice.season.region).await? {
        if !written.contains(&(channel, language)) {
            let (id, channel, language) = (notice.id.clone(), channel.name(), language.code());
            return Err(Conflict::NoText { id, channel, language, recipients }.into());
        }
    }
    Ok(())
}

/// In which channels and languages a notice has words.
pub(super) async fn texts_of(tx: &mut Tx, id: &NoticeId) -> Result<Vec<(Channel, Language)>, StoreError> {
    let rows = sqlx::query("SELECT channel, language FROM notice_texts WHERE notice_id = $1")
        .bind(id.as_str())
        .fetch_all(tx.conn())
        .await?;
    rows.iter().map(|row| Ok((channel_of(row)?, language_of(row)?))).collect()
}

/// Notices of a region that wait or are held go no further.
pub(in crate::store) async fn cancel_waiting(tx: &mut Tx, region: &RegionId, note: &str) -> Result<u64, StoreError> {
    let done = sqlx::query(
        "UPDATE notices SET status = 'cancelled', staff_note = $2 WHERE region_id = $1 AND status IN ('waiting', 'held')",
    )
    .bind(region.as_str())
    .bind(note)
    .execute(tx.conn())
    .await?;
    Ok(done.rows_affected())
}

/// What a region's notices still have to queue is dropped: nobody lives there any more.
pub(in crate::store) async fn drop_rest(tx: &mut Tx, region: &RegionId) -> Result<(), StoreError> {
    sqlx::query("UPDATE notices SET queued_to = NULL WHERE region_id = $1 AND queued_to IS NOT NULL")
        .bind(region.as_str())
        .execute(tx.conn())
        .await?;
    Ok(())
}

impl Store {
    /// As [`release`], in a transaction of its own: staff confirm a notice.
    ///
    /// # Errors
    /// As [`release`].
    pub async fn release_notice(&self, id: &NoticeId, by: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        let deliveries = release(&mut tx, id, by, now).await?;
        let more = if is_under_way(&mut tx, id).await? { " at once, more to follow" } else { "" };
        let detail = format!("said by {by}; {deliveries} deliveries queued{more}");
        tx.note_act(Act::NoticeReleased, &subject(id), &detail).await?;
        tx.commit().await?;
        Ok(deliveries + self.queue_rest_of(id, now).await.deliveries())
    }

    /// Lets out every waiting notice whose instant has come, and skips what waits or is held past its use.
    ///
    /// # Errors
    /// As [`release`]; those before the one that failed are done.
    pub async fn release_due(&self, now: DateTime<Utc>) -> Result<Vec<DueRelease>, StoreError> {
        // What a kill left half-way comes first.
        self.queue_rest(now).await?;
        let due: Vec<Notice> = self
            .notices_waiting()
            .await?
            .into_iter()
            .filter(|notice| {
                let has_come =
                    notice.status() == NoticeStatus::Waiting && notice.release_at().is_some_and(|at| at <= now);
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
                .bind(notice.id.as_str())
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
            let rest = self.queue_rest_of(&notice.id, now).await.deliveries();
            done.push(DueRelease { deliveries: deliveries.map(|first| first + rest), notice: notice.id });
        }
        Ok(done)
    }

    /// Stops a waiting notice's clock until staff release or cancel it.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits.
    pub async fn hold_notice(&self, id: &NoticeId, note: Option<&str>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        move_notice(&mut tx, id, &[NoticeStatus::Waiting], NoticeStatus::Held, note).await?;
        tx.note_act(Act::NoticeHeld, &subject(id), note.unwrap_or("")).await?;
        tx.commit().await
    }

    /// Ends a notice that waits or is held: it never goes out this season.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held.
    pub async fn cancel_notice(&self, id: &NoticeId, note: Option<&str>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let from = [NoticeStatus::Waiting, NoticeStatus::Held];
        move_notice(&mut tx, id, &from, NoticeStatus::Cancelled, note).await?;
        tx.note_act(Act::NoticeCancelled, &subject(id), note.unwrap_or("")).await?;
        tx.commit().await
    }

    /// Cancels those deliveries of a released notice that have not gone out; the notice stays released, since some may
    /// have it, but is of no use from now on: who joins later does not get it. Gives how many.
    ///
    /// # Errors
    /// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it was released.
    pub async fn recall_notice(
        &self,
        id: &NoticeId,
        note: Option<&str>,
        now: DateTime<Utc>,
    ) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        let region = find_notice(&mut tx, id).await?.season.region;
        lock_region(&mut tx, &region, Engine::for_change).await?;
        move_notice(&mut tx, id, &[NoticeStatus::Released], NoticeStatus::Released, note).await?;
        sqlx::query("UPDATE notices SET expires_at = $2, queued_to = NULL WHERE id = $1 AND expires_at > $2")
            .bind(id.as_str())
            .bind(ms(now))
            .execute(tx.conn())
            .await?;
        let cancelled = cancel_of_notice(&mut tx, id, "the notice was recalled", now).await?;
        // What is in hand at this moment may go out; if it does not, it must not be tried again.
        sqlx::query(
            "UPDATE deliveries SET expires_at = $2 WHERE notice_id = $1 AND state = 'leased' AND expires_at > $2",
        )
        .bind(id.as_str())
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        let detail = format!("{}; {cancelled} deliveries cancelled", note.unwrap_or("recalled"));
        tx.note_act(Act::NoticeRecalled, &subject(id), &detail).await?;
        tx.commit().await?;
        Ok(cancelled)
    }
}

fn subject(id: &NoticeId) -> String {
    format!("notice/{id}")
}

async fn move_notice(
    tx: &mut Tx,
    id: &NoticeId,
    from: &[NoticeStatus],
    to: NoticeStatus,
    note: Option<&str>,
) -> Result<(), StoreError> {
    let notice = find_notice(tx, id).await?;
    let changed = if from.contains(&notice.status()) {
        sqlx::query(
            "UPDATE notices SET status = $2, staff_note = COALESCE($3, staff_note) WHERE id = $1 AND status = $4",
        )
        .bind(id.as_str())
        .bind(to.name())
        .bind(note)
        .bind(notice.status().name())
        .execute(tx.conn())
        .await?
        .rows_affected()
    } else {
        0
    };
    if changed == 0 { Err(status_conflict(&find_notice(tx, id).await?, to.name())) } else { Ok(()) }
}
