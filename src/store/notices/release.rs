//! How notices leave: by their hour or by a word of staff; and how staff hold, cancel and recall them.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::AssertSqlSafe;

use crate::people::{Channel, Language};
use crate::region::RegionId;
use crate::season::{NoticeId, NoticeStatus};
use crate::store::acts::Act;
use crate::store::bulk::Insert;
use crate::store::error::{Conflict, StoreError};
use crate::store::notices::notice::{Notice, delivery_id, find_notice, status_conflict};
use crate::store::queue::cancel::cancel_of_notice;
use crate::store::regions::known_region;
use crate::store::rows::{channel_of, get, language_of, ms};
use crate::store::subscriptions::{Recipient, recipients_for_release};
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

/// Lets a waiting or held notice out: its deliveries are queued for whoever is a recipient now.
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
    let recipients = recipients_for_release(tx, &notice.season.region).await?;
    let written = texts_of(tx, id).await?;
    let mut wanted: BTreeMap<(Channel, Language), usize> = BTreeMap::new();
    for recipient in &recipients {
        *wanted.entry((recipient.channel, recipient.language)).or_default() += 1;
    }
    if let Some(((channel, language), recipients)) = wanted.into_iter().find(|(pair, _)| !written.contains(pair)) {
        let (channel, language) = (channel.name(), language.code());
        return Err(Conflict::NoText { id: id.clone(), channel, language, recipients }.into());
    }
    queue_for(tx, &notice, &recipients, now).await
}

/// Queues a notice for each of these addresses, once: one that has it keeps the delivery it has. Gives how many are new.
pub(super) async fn queue_for(
    tx: &mut Tx,
    notice: &Notice,
    recipients: &[Recipient],
    now: DateTime<Utc>,
) -> Result<u64, StoreError> {
    const INSERT: Insert = Insert {
        head: "INSERT INTO deliveries (id, notice_id, address_id, channel, language, state, priority, not_before,
                                       expires_at, time_zone, attempts, fence, uncertain_count, created_at, updated_at)
               VALUES",
        tail: "ON CONFLICT DO NOTHING",
        columns: 15,
    };
    if recipients.is_empty() {
        return Ok(0);
    }
    let id = &notice.id;
    let row = sqlx::query("SELECT priority FROM notices WHERE id = $1").bind(id.as_str()).fetch_one(tx.conn()).await?;
    let priority: i64 = get(&row, "priority")?;
    let region = known_region(tx.conn(), &notice.season.region).await?;
    INSERT
        .run(tx, recipients, |recipient, to| {
            to.add(delivery_id(id, &recipient.address_id))?;
            to.add(id.to_string())?;
            to.add(recipient.address_id.to_string())?;
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

/// In which channels and languages a notice has words.
pub(super) async fn texts_of(tx: &mut Tx, id: &NoticeId) -> Result<Vec<(Channel, Language)>, StoreError> {
    let rows = sqlx::query("SELECT channel, language FROM notice_texts WHERE notice_id = $1")
        .bind(id.as_str())
        .fetch_all(tx.conn())
        .await?;
    rows.iter().map(|row| Ok((channel_of(row)?, language_of(row)?))).collect()
}

/// Who joins a region and who lets a notice out there wait for each other on PostgreSQL: else neither would see what the
/// other is about to write, and the newcomer would not be told.
pub(super) async fn lock_region(
    tx: &mut Tx,
    region: &RegionId,
    how: fn(Engine) -> &'static str,
) -> Result<(), StoreError> {
    let how = how(tx.engine());
    sqlx::query(AssertSqlSafe(format!("SELECT id FROM regions WHERE id = $1 {how}")))
        .bind(region.as_str())
        .fetch_optional(tx.conn())
        .await?;
    Ok(())
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

impl Store {
    /// As [`release`], in a transaction of its own: staff confirm a notice.
    ///
    /// # Errors
    /// As [`release`].
    pub async fn release_notice(&self, id: &NoticeId, by: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        let deliveries = release(&mut tx, id, by, now).await?;
        let detail = format!("said by {by}; {deliveries} deliveries queued");
        tx.note_act(Act::NoticeReleased, &subject(id), &detail).await?;
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
            done.push(DueRelease { notice: notice.id, deliveries });
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
        sqlx::query("UPDATE notices SET expires_at = $2 WHERE id = $1 AND expires_at > $2")
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
