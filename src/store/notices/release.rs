//! How notices leave: by their hour or by a word of staff.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};

use crate::people::{Channel, Language};
use crate::region::RegionId;
use crate::season::{NoticeId, NoticeKind, NoticeStatus};
use crate::store::acts::Act;
use crate::store::error::{Conflict, StoreError};
use crate::store::notices::ground::is_on_new_ground;
use crate::store::notices::notice::{Notice, NoticeState, find_for_change, find_notice, notice_of, status_conflict};
use crate::store::notices::order::{overtaken_by, refuse_overtaken};
use crate::store::notices::queueing::{is_under_way, lock_region, queue_first};
use crate::store::notices::staff::subject;
use crate::store::rows::{channel_of, get, language_of, ms};
use crate::store::subscriptions::recipients_by_words;
use crate::store::tx::{Engine, Store, Tx};
use crate::text::counted;

/// What came of [`Store::release_due`] for one notice.
#[derive(Clone, Debug, PartialEq)]
pub struct DueRelease {
    pub notice: NoticeId,
    pub outcome: DueOutcome,
}

/// What became of a notice whose hour had come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DueOutcome {
    Left {
        /// Deliveries queued.
        deliveries: u64,
    },
    /// Skipped: nobody confirmed it while it was of use.
    PastUse,
    /// Skipped: staff let a later one out first.
    Overtaken { by: NoticeKind },
    /// It waits on: what it rests on has changed since its region was decided ([`Store::regions_on_new_ground`]).
    KeptBack,
}

/// Who let a notice out that nobody had to confirm.
pub(super) const BY_POLICY: &str = "policy";

/// Lets a waiting or held notice out: its deliveries are queued for whoever is a recipient now. Of very many only the first
/// are queued in this transaction, and with it is written that others are to follow: [`Store::queue_rest`] does that. Gives how
/// many were queued.
///
/// # Errors
/// [`Conflict::UnknownNotice`], [`Conflict::NoticeStatus`] unless it waits or is held, [`Conflict::NoticeExpired`],
/// [`Conflict::NoticeOvertaken`], [`Conflict::NoText`].
pub async fn release(tx: &mut Tx, id: &NoticeId, by: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let notice = find_for_change(tx, id).await?;
    if !matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held) {
        return Err(status_conflict(&notice, "sent"));
    }
    if notice.expires_at <= now {
        return Err(Conflict::NoticeExpired { id: id.clone(), expired_at: notice.expires_at }.into());
    }
    // The row is changed first: of two that release the same notice on PostgreSQL, the second waits here and then finds
    // nothing to change.
    let changed = sqlx::query(
        "UPDATE notices SET status = 'released', released_at = $2, released_by = $3, sent_by = NULL, before_act = NULL,
                            held_until = NULL
         WHERE id = $1 AND status IN ('waiting', 'held')",
    )
    .bind(id.as_str())
    .bind(ms(now))
    .bind(by)
    .execute(tx.conn())
    .await?
    .rows_affected();
    if changed == 0 {
        return Err(status_conflict(&find_notice(tx, id).await?, "sent"));
    }
    lock_region(tx, &notice.season.region, Engine::for_change).await?;
    refuse_overtaken(tx, &notice).await?;
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
        let detail = format!("said by {by}; {} queued{more}", counted(deliveries, "delivery", "deliveries"));
        tx.note_act(Act::NoticeReleased, &subject(id), &detail).await?;
        tx.commit().await?;
        Ok(deliveries + self.queue_rest_of(id, now).await.deliveries())
    }

    /// Notices that somebody sent, and of which recipients are still to be queued or messages wait; the last to leave comes first. One
    /// that was recalled, or is of no use any more, is not among them.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn being_sent_on_a_word(&self, now: DateTime<Utc>) -> Result<Vec<Notice>, StoreError> {
        let rows = sqlx::query(
            "SELECT * FROM notices n WHERE n.status = 'released' AND n.released_by <> $1 AND n.recalled_at IS NULL
               AND n.expires_at > $2 AND (n.queued_to IS NOT NULL OR EXISTS (
                   SELECT 1 FROM deliveries d WHERE d.notice_id = n.id AND d.state IN ('queued', 'leased', 'uncertain')))
             ORDER BY n.released_at DESC, n.id",
        )
        .bind(BY_POLICY)
        .bind(ms(now))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(notice_of).collect()
    }

    /// Lets out every waiting notice whose instant has come, and skips what waits or is held past its use. One that would leave
    /// without a word of staff leaves only on a decision that knows of every change of its ground.
    ///
    /// # Errors
    /// As [`release`]; those before the one that failed are done.
    pub async fn release_due(&self, now: DateTime<Utc>) -> Result<Vec<DueRelease>, StoreError> {
        // What a kill left half-way comes first.
        self.queue_rest(now).await?;
        self.end_holds(now).await?;
        let waiting = self.notices_waiting().await?;
        let mut done = Vec::new();
        for notice in waiting.into_iter().filter(|notice| is_due(notice, now)) {
            let mut tx = self.begin().await?;
            // Staff may have held it, or taken their word back, in this moment.
            let notice = find_for_change(&mut tx, &notice.id).await?;
            if !is_due(&notice, now) {
                continue;
            }
            let outcome = if notice.expires_at <= now {
                skip(&mut tx, &notice.id, "nobody confirmed it while it was of use").await?;
                DueOutcome::PastUse
            } else if let Some(by) = overtaken_by(&mut tx, &notice).await? {
                skip(&mut tx, &notice.id, &format!("overtaken by {}, which had gone out", by.name())).await?;
                DueOutcome::Overtaken { by }
            } else if notice.state == NoticeState::Waiting && is_on_new_ground(&mut tx, &notice.id, now).await? {
                done.push(DueRelease { notice: notice.id, outcome: DueOutcome::KeptBack });
                continue;
            } else {
                let by = match &notice.state {
                    NoticeState::Leaving { by } => by.as_str(),
                    _ => BY_POLICY,
                };
                DueOutcome::Left { deliveries: release(&mut tx, &notice.id, by, now).await? }
            };
            tx.commit().await?;
            let rest = self.queue_rest_of(&notice.id, now).await.deliveries();
            let outcome = match outcome {
                DueOutcome::Left { deliveries } => DueOutcome::Left { deliveries: deliveries + rest },
                skipped => skipped,
            };
            done.push(DueRelease { notice: notice.id, outcome });
        }
        Ok(done)
    }

    /// Holds whose time is over: the notice waits again, for its hour or for a word. Gives the regions of such notices.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn end_holds(&self, now: DateTime<Utc>) -> Result<BTreeSet<RegionId>, StoreError> {
        let rows = sqlx::query(
            "SELECT DISTINCT region_id FROM notices WHERE status = 'held' AND held_until <= $1 AND expires_at > $1",
        )
        .bind(ms(now))
        .fetch_all(&mut *self.read().await?)
        .await?;
        let regions: BTreeSet<RegionId> =
            rows.iter().map(|row| get(row, "region_id").map(RegionId)).collect::<Result<_, _>>()?;
        if regions.is_empty() {
            return Ok(regions);
        }
        let mut tx = self.begin().await?;
        sqlx::query(
            "UPDATE notices SET status = 'waiting', before_act = NULL, held_until = NULL,
                                release_at = CASE WHEN release_at < held_until THEN held_until ELSE release_at END
             WHERE status = 'held' AND held_until <= $1 AND expires_at > $1",
        )
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        tx.commit().await?;
        Ok(regions)
    }
}

async fn skip(tx: &mut Tx, id: &NoticeId, why: &str) -> Result<(), StoreError> {
    sqlx::query(
        "UPDATE notices SET status = 'skipped', staff_note = COALESCE(staff_note, $2)
         WHERE id = $1 AND status IN ('waiting', 'held')",
    )
    .bind(id.as_str())
    .bind(why)
    .execute(tx.conn())
    .await?;
    Ok(())
}

/// Whether its hour has come, or its time is over.
fn is_due(notice: &Notice, now: DateTime<Utc>) -> bool {
    let waits = notice.status() == NoticeStatus::Waiting;
    let is_over = notice.expires_at <= now && (waits || notice.status() == NoticeStatus::Held);
    is_over || waits && notice.release_at().is_some_and(|at| at <= now)
}
