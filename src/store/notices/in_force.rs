//! The notice that a region is under, for those who join it meanwhile.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use sqlx::AnyConnection;

use crate::region::RegionId;
use crate::season::NoticeKind;
use crate::store::error::StoreError;
use crate::store::notices::notice::{Notice, notice_of};
use crate::store::notices::queueing::{lock_region, queue_for};
use crate::store::notices::release::texts_of;
use crate::store::rows::get;
use crate::store::subscriptions::recipients_of;
use crate::store::tx::{Engine, Store, Tx};

/// Queues the notices in force for a subscriber: of each of their regions, for each confirmed address that does not have
/// it. To be called in the transaction that made them a recipient there. Gives how many deliveries are new.
///
/// # Errors
/// When the store fails.
pub async fn tell_joined(tx: &mut Tx, subscriber: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let rows = sqlx::query(
        "SELECT DISTINCT v.region_id FROM subscriber_regions v WHERE v.subscriber_id = $1 ORDER BY v.region_id",
    )
    .bind(subscriber)
    .fetch_all(tx.conn())
    .await?;
    let regions = rows.iter().map(|row| get(row, "region_id").map(RegionId)).collect::<Result<Vec<_>, _>>()?;
    let mut queued = 0;
    for region in regions {
        lock_region(tx, &region, Engine::for_share).await?;
        let Some(notice) = in_force(tx.conn(), &region, now).await? else { continue };
        let mut recipients = recipients_of(tx, &region, subscriber).await?;
        // Words that were never written must not keep anybody from joining.
        let written = texts_of(tx, &notice.id).await?;
        recipients.retain(|recipient| written.contains(&(recipient.channel, recipient.language)));
        queued += queue_for(tx, &notice, &recipients, now).await?;
    }
    Ok(queued)
}

/// As [`Store::notice_in_force`], inside a transaction of the caller.
///
/// # Errors
/// When the store fails.
pub async fn notice_in_force(tx: &mut Tx, region: &RegionId, now: DateTime<Utc>) -> Result<Option<Notice>, StoreError> {
    in_force(tx.conn(), region, now).await
}

async fn in_force(
    connection: &mut AnyConnection,
    region: &RegionId,
    now: DateTime<Utc>,
) -> Result<Option<Notice>, StoreError> {
    let rows = sqlx::query(
        "SELECT n.* FROM notices n JOIN regions g ON g.id = n.region_id AND g.profile = n.profile
         WHERE n.region_id = $1 AND n.status = 'released' AND n.season = (
             SELECT MAX(m.season) FROM notices m
             WHERE m.region_id = $1 AND m.profile = g.profile AND m.status = 'released')",
    )
    .bind(region.as_str())
    .fetch_all(connection)
    .await?;
    let released = rows.iter().map(notice_of).collect::<Result<Vec<_>, _>>()?;
    // An older one is never in force behind a newer one that is not: it would tell to wait where it is time to wash, or by
    // a deadline that does not hold.
    let newest = newest(released);
    Ok(newest.and_then(|notice| lasting(notice, now)))
}

/// To look stays in force until the word to wash comes, also where cool weather puts that off: who joins in between has as
/// long as a message of the last day would.
fn lasting(mut notice: Notice, now: DateTime<Utc>) -> Option<Notice> {
    let wash_by = || notice.facts.get("wash_by")?.as_str()?.parse::<NaiveDate>().ok();
    if notice.kind == NoticeKind::InspectNow && notice.expires_at <= now && wash_by()? > now.date_naive() {
        notice.expires_at = now + TimeDelta::days(1);
    }
    (notice.kind != NoticeKind::TooLateToWash && notice.expires_at > now).then_some(notice)
}

/// The last in the season's order, whenever staff let it out; a moved deadline stands where it came.
fn newest(released: Vec<Notice>) -> Option<Notice> {
    let (moved, in_order): (Vec<_>, Vec<_>) =
        released.into_iter().partition(|notice| notice.kind == NoticeKind::DeadlineMoved);
    let last = in_order.into_iter().max_by_key(|notice| notice.kind);
    match (moved.into_iter().next(), last) {
        (Some(moved), Some(last)) => Some(if moved.released_at() >= last.released_at() { moved } else { last }),
        (moved, last) => moved.or(last),
    }
}

impl Store {
    /// The notice that a region is under: the newest that it was told this season, while it is of use and not recalled.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notice_in_force(&self, region: &RegionId, now: DateTime<Utc>) -> Result<Option<Notice>, StoreError> {
        in_force(&mut *self.read().await?, region, now).await
    }
}
