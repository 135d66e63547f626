//! Queueing the deliveries of a notice that is let out: the first in the transaction that lets it out, of very many the others
//! in short ones of their own, so that nobody who says stop or opens a page waits behind a million rows. The notice's row says
//! how far that is (`queued_to`), in the same transaction as the rows: after a kill it goes on from there, and a row that is
//! there already is met and not written again.
//!
//! Rows go in by address, since the indexes lie by it: in any other order each row would touch pages of its own, and a page is
//! written whole. So the addresses of many are read and put in order first; whether one still wants the notice is asked in the
//! transaction that queues it.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, AssertSqlSafe};
use tracing::{error, info};

use crate::people::AddressId;
use crate::region::RegionId;
use crate::season::{NoticeId, NoticeStatus};
use crate::store::bulk::{Insert, rows_of};
use crate::store::error::StoreError;
use crate::store::notices::notice::{Notice, delivery_id, notice_of};
use crate::store::regions::known_region;
use crate::store::rows::{get, ms};
use crate::store::subscriptions::{Recipient, addresses_between, next_subscribers, recipients_between};
use crate::store::tx::{Engine, Store, Tx};
use crate::text::Chain;

/// Subscribers whose deliveries one transaction queues: a stop waits for one of them at most.
pub const QUEUED_AT_ONCE: usize = 400;

/// After so many of them SQLite's log is folded into the file, by a connection of its own: by itself the writer would do that
/// in the commit of whoever comes when the log is long, with others waiting behind it. It never grows as long as that.
const FOLDED_AFTER: usize = 4;

/// Subscribers whose addresses are put in order together.
pub const ORDERED_AT_ONCE: usize = 250_000;

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

/// Who comes next.
#[derive(Default)]
struct Candidates {
    /// Ids, in order, of whoever is subscribed; some may not be recipients.
    addresses: Vec<AddressId>,
    /// How far they reach; `None`: to the end.
    up_to: Option<Reached>,
}

/// Queues for the first recipients, and for all where there are not very many. Gives how many are new.
pub(super) async fn queue_first(tx: &mut Tx, notice: &Notice, now: DateTime<Utc>) -> Result<u64, StoreError> {
    queue_from_start(tx, notice, now).await
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
        self.queue_rest_by(ORDERED_AT_ONCE, now).await
    }

    /// As [`Store::queue_rest`], with the addresses of so many subscribers put in order together.
    #[doc(hidden)]
    pub async fn queue_rest_by(&self, ordered: usize, now: DateTime<Utc>) -> Result<QueuedRest, StoreError> {
        let rows = sqlx::query("SELECT id FROM notices WHERE queued_to IS NOT NULL ORDER BY priority, id")
            .fetch_all(&mut *self.read().await?)
            .await?;
        let ids = rows.iter().map(|row| get(row, "id").map(NoticeId)).collect::<Result<Vec<_>, _>>()?;
        let mut rest = QueuedRest::default();
        for id in ids {
            self.queue_all_of(&id, ordered, now, &mut rest).await;
        }
        rest.log();
        Ok(rest)
    }

    /// As [`Store::queue_rest`], of one notice whose release is committed: that stands, whatever becomes of the rest.
    pub async fn queue_rest_of(&self, id: &NoticeId, now: DateTime<Utc>) -> QueuedRest {
        let mut rest = QueuedRest::default();
        self.queue_all_of(id, ORDERED_AT_ONCE, now, &mut rest).await;
        rest.log();
        rest
    }

    async fn queue_all_of(&self, id: &NoticeId, ordered: usize, now: DateTime<Utc>, rest: &mut QueuedRest) {
        let (mut queued, mut tries) = (0, 1);
        loop {
            match self.queue_next_of(id, ordered, now, &mut queued).await {
                Ok(true) => tries = 1,
                Ok(false) => break,
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

    /// Queues for the next recipients whose addresses are put in order together, and adds to `queued` how many are new. Whether
    /// there was anything to do.
    async fn queue_next_of(
        &self,
        id: &NoticeId,
        ordered: usize,
        now: DateTime<Utc>,
        queued: &mut u64,
    ) -> Result<bool, StoreError> {
        let Some(next) = self.next_candidates(id, ordered).await? else { return Ok(false) };
        let mut fold = self.folding().await?;
        let mut parts = next.addresses.chunks(QUEUED_AT_ONCE).enumerate().peekable();
        // Without candidates, how far it is still has to be written down.
        let (mut at, mut part) = parts.next().unwrap_or_default();
        loop {
            let is_last = parts.peek().is_none();
            let mut tx = self.begin().await?;
            let Some(notice) = still_to_queue(&mut tx, id, now).await? else {
                tx.commit().await?;
                return Ok(true);
            };
            let more = queue_among(&mut tx, &notice, part, now).await?;
            if is_last {
                note_reached(&mut tx, id, next.up_to.as_ref()).await?;
            }
            tx.commit().await?;
            *queued += more;
            if at % FOLDED_AFTER == FOLDED_AFTER - 1 {
                fold.fold().await;
            }
            match parts.next() {
                Some(following) => (at, part) = following,
                None => return Ok(true),
            }
        }
    }

    /// Who comes next, at most so many subscribers; `None` when nobody is left.
    async fn next_candidates(&self, id: &NoticeId, most: usize) -> Result<Option<Candidates>, StoreError> {
        let mut connection = self.read().await?;
        let row = sqlx::query("SELECT region_id, queued_to FROM notices WHERE id = $1 AND queued_to IS NOT NULL")
            .bind(id.as_str())
            .fetch_optional(&mut *connection)
            .await?;
        let Some(row) = row else { return Ok(None) };
        let from = Reached::of(get(&row, "queued_to")?);
        let zips = zips_from(&mut connection, &RegionId(get(&row, "region_id")?), &from.zip).await?;
        let mut next = Candidates::default();
        let mut left = most;
        for zip in zips {
            let after = if zip == from.zip { from.subscriber.as_str() } else { "" };
            let (people, last) = next_subscribers(&mut connection, &zip, after, left).await?;
            if let Some(last) = &last {
                next.addresses.extend(addresses_between(&mut connection, &zip, after, last).await?);
            }
            left = left.saturating_sub(people);
            if left == 0 {
                next.up_to = last.map(|subscriber| Reached { zip, subscriber });
                break;
            }
        }
        // Not on a thread that answers people.
        let Candidates { mut addresses, up_to } = next;
        let ordering = tokio::task::spawn_blocking(move || {
            addresses.sort_unstable();
            // Who has several ZIP codes in the region.
            addresses.dedup();
            addresses
        });
        let addresses = ordering.await.map_err(|_| sqlx::Error::WorkerCrashed)?;
        Ok(Some(Candidates { addresses, up_to }))
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

/// The notice, if recipients of it are still to be queued and it may still go to them. Where it may not, that is written down.
async fn still_to_queue(tx: &mut Tx, id: &NoticeId, now: DateTime<Utc>) -> Result<Option<Notice>, StoreError> {
    let find =
        |lock: &str| AssertSqlSafe(format!("SELECT * FROM notices WHERE id = $1 AND queued_to IS NOT NULL {lock}"));
    let Some(row) = sqlx::query(find("")).bind(id.as_str()).fetch_optional(tx.conn()).await? else { return Ok(None) };
    // In the order of who recalls it.
    lock_region(tx, &notice_of(&row)?.season.region, Engine::for_change).await?;
    let lock = tx.engine().for_update();
    let Some(row) = sqlx::query(find(lock)).bind(id.as_str()).fetch_optional(tx.conn()).await? else { return Ok(None) };
    let notice = notice_of(&row)?;
    let is_overtaken = is_overtaken(tx, &notice).await?;
    if is_overtaken {
        info!(notice.id = %id, "notice `{id}` goes to nobody more: its region was told something newer");
    }
    if is_overtaken || notice.status() != NoticeStatus::Released || notice.expires_at <= now {
        note_reached(tx, id, None).await?;
        return Ok(None);
    }
    Ok(Some(notice))
}

/// Queues for the first subscribers of the region, and writes down how far that is.
async fn queue_from_start(tx: &mut Tx, notice: &Notice, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let region = &notice.season.region;
    let (mut queued, mut left) = (0, QUEUED_AT_ONCE);
    for zip in zips_from(tx.conn(), region, "").await? {
        let (people, last) = next_subscribers(tx.conn(), &zip, "", left).await?;
        if let Some(last) = &last {
            let recipients = recipients_between(tx, region, &zip, "", last).await?;
            queued += queue_for(tx, notice, &recipients, now).await?;
        }
        left = left.saturating_sub(people);
        if left == 0 {
            note_reached(tx, &notice.id, last.map(|subscriber| Reached { zip, subscriber }).as_ref()).await?;
            return Ok(queued);
        }
    }
    note_reached(tx, &notice.id, None).await?;
    Ok(queued)
}

/// The region's ZIP codes from one on, in their order.
async fn zips_from(connection: &mut AnyConnection, region: &RegionId, from: &str) -> Result<Vec<String>, StoreError> {
    let rows = sqlx::query("SELECT zip FROM region_zips WHERE region_id = $1 AND zip >= $2 ORDER BY zip")
        .bind(region.as_str())
        .bind(from)
        .fetch_all(connection)
        .await?;
    rows.iter().map(|row| get(row, "zip")).collect()
}

/// Queues a notice for those of these addresses that are recipients in its region, once: one that has it keeps the delivery
/// it has. Gives how many are new. One statement, and on PostgreSQL a stop that comes meanwhile waits for it.
async fn queue_among(
    tx: &mut Tx,
    notice: &Notice,
    addresses: &[AddressId],
    now: DateTime<Utc>,
) -> Result<u64, StoreError> {
    if addresses.is_empty() {
        return Ok(0);
    }
    let (at, of) = (addresses.len() * 2 + 1, addresses.len() * 2 + 2);
    // SQLite takes crosses in the order in which they stand.
    let text = format!(
        "WITH given (address_id, id) AS (VALUES {})
         INSERT INTO deliveries (id, notice_id, address_id, channel, language, state, priority, not_before, expires_at,
                                 time_zone, attempts, fence, uncertain_count, created_at, updated_at)
         SELECT g.id, n.id, a.id, a.channel, s.language, 'queued', n.priority, ${at}, n.expires_at,
                r.time_zone, 0, 0, 0, ${at}, ${at}
         FROM notices n CROSS JOIN regions r CROSS JOIN given g CROSS JOIN addresses a CROSS JOIN subscribers s
         WHERE n.id = ${of} AND r.id = n.region_id AND a.id = g.address_id AND s.id = a.subscriber_id
           AND a.status = 'confirmed' AND s.removed_at IS NULL
           AND EXISTS (SELECT 1 FROM subscriber_regions v
                       WHERE v.subscriber_id = a.subscriber_id AND v.region_id = n.region_id)
           AND NOT EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = a.id)
         ORDER BY a.id {}
         ON CONFLICT DO NOTHING",
        rows_of(tx.engine(), addresses.len(), 2),
        tx.engine().for_share_of("a"),
    );
    let mut query = sqlx::query(AssertSqlSafe(text));
    for address in addresses {
        query = query.bind(address.as_str()).bind(delivery_id(&notice.id, address));
    }
    query = query.bind(ms(now)).bind(notice.id.as_str());
    Ok(query.execute(tx.conn()).await?.rows_affected())
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
