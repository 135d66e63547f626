//! Queueing the deliveries of a notice that is let out: the first in the transaction that lets it out, of very many the others
//! in short ones of their own, so that nobody who says stop or opens a page waits behind a million rows. The notice's row says
//! how far that is (`queued_to`), in the same transaction as the rows: after a kill it goes on from there, and a row that is
//! there already is met and not written again.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::AssertSqlSafe;
use tracing::{error, info};

use crate::region::RegionId;
use crate::season::{NoticeId, NoticeStatus};
use crate::store::bulk::Insert;
use crate::store::error::StoreError;
use crate::store::notices::notice::{Notice, delivery_id, notice_of};
use crate::store::regions::known_region;
use crate::store::rows::{get, ms};
use crate::store::subscriptions::{Recipient, recipients_between, subscribers_of};
use crate::store::tx::{Engine, Store, Tx};
use crate::text::Chain;

/// Subscribers whose deliveries one transaction queues.
pub const QUEUED_AT_ONCE: usize = 1000;

/// A transaction that others were in the way of is tried so often at once.
const TRIES: u32 = 4;

/// What came of queueing the rest.
#[derive(Debug, Default)]
pub struct QueuedRest {
    /// How many were queued of each notice that had a rest.
    pub queued: BTreeMap<NoticeId, u64>,
    /// Notices whose rest is still to be queued, and why; the next call goes on.
    pub faults: Vec<(NoticeId, StoreError)>,
}

impl QueuedRest {
    /// Deliveries of all notices.
    pub fn deliveries(&self) -> u64 {
        self.queued.values().sum()
    }

    fn log(&self) {
        for (id, why) in &self.faults {
            error!(notice.id = %id, "some recipients of notice `{id}` are still to be queued: {}", Chain(why));
        }
    }
}

/// How far queueing is: all codes of the region before this one are done, and of this one all subscribers up to that one. Kept
/// as `zip/subscriber`.
struct Reached {
    zip: String,
    subscriber: String,
}

impl Reached {
    fn of(text: &str) -> Self {
        let (zip, subscriber) = text.split_once('/').unwrap_or((text, ""));
        Self { zip: zip.to_owned(), subscriber: subscriber.to_owned() }
    }

    fn text(&self) -> String {
        format!("{}/{}", self.zip, self.subscriber)
    }
}

/// Queues for the first recipients, and for all where there are not very many. Gives how many are new.
pub(super) async fn queue_first(tx: &mut Tx, notice: &Notice, now: DateTime<Utc>) -> Result<u64, StoreError> {
    queue_from(tx, notice, Reached { zip: String::new(), subscriber: String::new() }, now).await
}

/// Whether recipients of a notice are still to be queued.
pub(super) async fn is_under_way(tx: &mut Tx, id: &NoticeId) -> Result<bool, StoreError> {
    let row = sqlx::query("SELECT id FROM notices WHERE id = $1 AND queued_to IS NOT NULL")
        .bind(id.as_str())
        .fetch_optional(tx.conn())
        .await?;
    Ok(row.is_some())
}

impl Store {
    /// Queues what a release left for later, of every notice, in short transactions. What fails for one notice is logged and
    /// keeps no other back.
    ///
    /// # Errors
    /// When the store cannot be asked for such notices.
    pub async fn queue_rest(&self, now: DateTime<Utc>) -> Result<QueuedRest, StoreError> {
        let rows = sqlx::query("SELECT id FROM notices WHERE queued_to IS NOT NULL ORDER BY priority, id")
            .fetch_all(&mut *self.read().await?)
            .await?;
        let ids = rows.iter().map(|row| get(row, "id").map(NoticeId)).collect::<Result<Vec<_>, _>>()?;
        let mut rest = QueuedRest::default();
        for id in ids {
            self.queue_all_of(&id, now, &mut rest).await;
        }
        rest.log();
        Ok(rest)
    }

    /// As [`Store::queue_rest`], of one notice whose release is committed: that stands, whatever becomes of the rest.
    pub async fn queue_rest_of(&self, id: &NoticeId, now: DateTime<Utc>) -> QueuedRest {
        let mut rest = QueuedRest::default();
        self.queue_all_of(id, now, &mut rest).await;
        rest.log();
        rest
    }

    async fn queue_all_of(&self, id: &NoticeId, now: DateTime<Utc>, rest: &mut QueuedRest) {
        let (mut queued, mut tries) = (0, 1);
        loop {
            match self.queue_some_of(id, now).await {
                Ok(Some(more)) => {
                    queued += more;
                    tries = 1;
                }
                Ok(None) => break,
                Err(StoreError::Busy) if tries < TRIES => tries += 1,
                Err(why) => {
                    rest.faults.push((id.clone(), why));
                    break;
                }
            }
        }
        if queued > 0 {
            rest.queued.insert(id.clone(), queued);
        }
    }

    async fn queue_some_of(&self, id: &NoticeId, now: DateTime<Utc>) -> Result<Option<u64>, StoreError> {
        // Mostly there is nothing: that needs no transaction.
        let marked = sqlx::query("SELECT id FROM notices WHERE id = $1 AND queued_to IS NOT NULL")
            .bind(id.as_str())
            .fetch_optional(&mut *self.read().await?)
            .await?;
        if marked.is_none() {
            return Ok(None);
        }
        let mut tx = self.begin().await?;
        let more = queue_more(&mut tx, id, now).await?;
        tx.commit().await?;
        Ok(more)
    }

    /// Notices that went out and of which recipients are still to be queued.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn half_queued(&self) -> Result<Vec<Notice>, StoreError> {
        let rows = sqlx::query("SELECT * FROM notices WHERE status = 'released' AND queued_to IS NOT NULL ORDER BY id")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(notice_of).collect()
    }
}

/// Whether the region was told something newer of the season: then the older must not come behind it.
async fn is_overtaken(tx: &mut Tx, notice: &Notice) -> Result<bool, StoreError> {
    let row = sqlx::query(
        "SELECT n.id FROM notices n JOIN notices o ON o.id = $1
         WHERE n.region_id = o.region_id AND n.profile = o.profile AND n.season = o.season
           AND n.status = 'released' AND n.released_at > o.released_at
         LIMIT 1",
    )
    .bind(notice.id.as_str())
    .fetch_optional(tx.conn())
    .await?;
    Ok(row.is_some())
}

/// The next ones; `None` when none are left.
async fn queue_more(tx: &mut Tx, id: &NoticeId, now: DateTime<Utc>) -> Result<Option<u64>, StoreError> {
    let find =
        |lock: &str| AssertSqlSafe(format!("SELECT * FROM notices WHERE id = $1 AND queued_to IS NOT NULL {lock}"));
    let Some(row) = sqlx::query(find("")).bind(id.as_str()).fetch_optional(tx.conn()).await? else { return Ok(None) };
    // In the order of who recalls it.
    lock_region(tx, &notice_of(&row)?.season.region, Engine::for_change).await?;
    let lock = tx.engine().for_update();
    let Some(row) = sqlx::query(find(lock)).bind(id.as_str()).fetch_optional(tx.conn()).await? else { return Ok(None) };
    let (notice, reached) = (notice_of(&row)?, Reached::of(get(&row, "queued_to")?));
    let is_overtaken = is_overtaken(tx, &notice).await?;
    if is_overtaken {
        info!(notice.id = %id, "notice `{id}` goes to nobody more: its region was told something newer");
    }
    if is_overtaken || notice.status() != NoticeStatus::Released || notice.expires_at <= now {
        note_reached(tx, id, None).await?;
        return Ok(Some(0));
    }
    queue_from(tx, &notice, reached, now).await.map(Some)
}

/// Queues for so many subscribers after a place, and writes down how far that is.
async fn queue_from(tx: &mut Tx, notice: &Notice, from: Reached, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let region = &notice.season.region;
    let zips = sqlx::query("SELECT zip FROM region_zips WHERE region_id = $1 AND zip >= $2 ORDER BY zip")
        .bind(region.as_str())
        .bind(&from.zip)
        .fetch_all(tx.conn())
        .await?;
    let (mut queued, mut left) = (0, QUEUED_AT_ONCE);
    for row in &zips {
        let zip: String = get(row, "zip")?;
        let after = if zip == from.zip { from.subscriber.clone() } else { String::new() };
        let people = subscribers_of(tx, &zip, &after, left).await?;
        if let Some(last) = people.last() {
            let recipients = recipients_between(tx, region, &zip, &after, last).await?;
            queued += queue_for(tx, notice, &recipients, now).await?;
        }
        if people.len() == left {
            let subscriber = people.into_iter().next_back().unwrap_or_default();
            note_reached(tx, &notice.id, Some(&Reached { zip, subscriber })).await?;
            return Ok(queued);
        }
        left -= people.len();
    }
    note_reached(tx, &notice.id, None).await?;
    Ok(queued)
}

async fn note_reached(tx: &mut Tx, id: &NoticeId, reached: Option<&Reached>) -> Result<(), StoreError> {
    sqlx::query("UPDATE notices SET queued_to = $2 WHERE id = $1")
        .bind(id.as_str())
        .bind(reached.map(Reached::text))
        .execute(tx.conn())
        .await?;
    Ok(())
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
