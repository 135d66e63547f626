//! The queue of deliveries: claim, book, expire, recover.
//!
//! Every step is one short transaction; none stays open while a channel is spoken to. How a delivery may move is said in
//! [`DeliveryStanding::after`] alone: the queries here only carry it out, each under a condition that holds it to the fence and
//! state it was decided for.

pub(in crate::store) mod cancel;
mod claim;
mod finish;
mod pace;
mod recover;
pub(in crate::store) mod reports;
mod views;

use chrono::{DateTime, Duration, Utc};
use chrono_tz::Tz;
use sqlx::any::AnyRow;

use crate::delivery::attempt::Lease;
use crate::delivery::pace::RateWindow;
use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::state::Event;
use crate::delivery::state::{ANSWERS_LOST_AT_MOST, DeliveryStanding, DeliveryState, MARKS_AT_MOST};
use crate::message::Message;
use crate::people::{Address, AddressId, Channel};
use crate::season::NoticeId;
use crate::store::error::StoreError;
use crate::store::rows::get;

/// What a worker asks for.
#[derive(Clone, Debug)]
pub struct ClaimRequest<'a> {
    pub channel: Channel,
    pub now: DateTime<Utc>,
    pub lease: Duration,
    /// For the log only: nothing is decided by the worker's name.
    pub worker: &'a str,
    /// Deliveries at most.
    pub most: u32,
    /// Attempts under way at once over all workers; `None` = as many as asked for.
    pub in_flight: Option<u32>,
    pub windows: &'a [RateWindow],
    pub quiet: QuietHours,
}

/// What a worker was given.
#[derive(Debug, Default)]
pub struct Claimed {
    /// In the order in which they should go.
    pub taken: Vec<Leased>,
    /// Ended on the spot: the addressee is gone or there is no text. Nothing of them went out.
    pub withdrawn: u64,
    pub refused: u64,
}

/// A delivery in hand with all that is needed to send it.
#[derive(Clone, Debug)]
pub struct Leased {
    pub lease: Lease,
    pub channel: Channel,
    /// Id of the notice it is of; of a transactional message `letter/` and its kind.
    pub notice: String,
    pub address_id: AddressId,
    pub address: Address,
    pub message: Message,
    /// This one included.
    pub attempts: i64,
    /// When the first attempt began whose answer nobody knows; `None` = no copy can have gone out yet.
    pub first_copy_at: Option<DateTime<Utc>>,
    pub expires_at: DateTime<Utc>,
}

/// What became of a booking.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Booked {
    /// It counted.
    Done(DeliveryState),
    /// Somebody else has or had it since: nothing was changed.
    Stale,
    /// A report or the lease's end was quicker under the same fence; this is where it stands now.
    Overtaken(DeliveryState),
}

/// What a report changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reported {
    Moved {
        delivery: String,
        to: DeliveryState,
    },
    /// It said nothing new.
    Unchanged {
        delivery: String,
        at: DeliveryState,
    },
    /// It cannot be true; nothing was changed.
    Forged {
        why: &'static str,
    },
    /// Nobody is known by that reference yet; kept, since a report can be quicker than our own booking.
    Unknown,
}

/// What vanished workers had in hand.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Marked as uncertain.
    pub in_doubt: u64,
    /// The channel had taken them: booked as sent.
    pub taken: u64,
}

/// A delivery as staff see it; the address prints as a mask.
#[derive(Clone, Debug)]
pub struct DeliveryRow {
    pub id: String,
    /// Id of the notice it is of; of a transactional message `letter/` and its kind.
    pub notice: String,
    pub channel: Channel,
    /// `None` when its owner was erased.
    pub address: Option<Address>,
    pub standing: DeliveryStanding,
    pub attempts: i64,
    pub not_before: DateTime<Utc>,
    pub expires_at: DateTime<Utc>,
    pub provider_ref: Option<String>,
    pub last_error: Option<String>,
    pub updated_at: DateTime<Utc>,
}

/// Which deliveries to list; empty = all.
#[derive(Clone, Debug, Default)]
pub struct DeliveryFilter {
    pub state: Option<DeliveryState>,
    pub notice: Option<NoticeId>,
    pub limit: Option<u32>,
}

/// What waits on one channel in one zone, for the estimate of when all will be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Backlog {
    pub zone: Tz,
    pub messages: u64,
    pub not_before: DateTime<Utc>,
    pub expires_at: DateTime<Utc>,
}

/// A request of staff that was or was not carried out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByHand {
    Done(DeliveryState),
    NotFrom(DeliveryState),
    PastItsEnd(DateTime<Utc>),
    Unknown,
}

/// The states, as a list for SQL, from which an event leads to another: for a statement that changes many rows.
pub(in crate::store) fn states_before(to: DeliveryState, event: Event) -> String {
    to.reached_from(event).iter().map(|state| format!("'{state}'")).collect::<Vec<_>>().join(", ")
}

/// The rows that wait for their turn, as [`DeliveryStanding::may_repeat`] and the notice allow.
///
/// A `+` before a column keeps it from choosing the index: SQLite would take the one by end, and sort all that waits at each claim.
const WAITS: &str = "channel = $1 AND state = $2 AND +expires_at > $3 \
     AND (state <> 'uncertain' OR (answers_lost < 2 AND uncertain_count < 5)) \
     AND (letter_id IS NOT NULL OR EXISTS (\
         SELECT 1 FROM notices WHERE notices.id = deliveries.notice_id AND notices.status = 'released'))";

const _: () = assert!(ANSWERS_LOST_AT_MOST == 2 && MARKS_AT_MOST == 5, "`WAITS` says the same in SQL");

/// Why a delivery ends that was claimed for somebody who is not to be written to.
const WITHDRAWN: &str = "the address was stopped or removed";

fn channel_of(row: &AnyRow) -> Result<Channel, StoreError> {
    let name: String = get(row, "channel")?;
    Channel::parse(&name).ok_or_else(|| StoreError::corrupt(format!("deliveries.channel holds `{name}`")))
}

pub(in crate::store) fn state_of(row: &AnyRow) -> Result<DeliveryState, StoreError> {
    let name: String = get(row, "state")?;
    DeliveryState::parse(&name).ok_or_else(|| StoreError::corrupt(format!("deliveries.state holds `{name}`")))
}

fn standing_of(row: &AnyRow) -> Result<DeliveryStanding, StoreError> {
    Ok(DeliveryStanding {
        state: state_of(row)?,
        uncertain_count: get(row, "uncertain_count")?,
        answers_lost: get(row, "answers_lost")?,
    })
}

/// A row that is leased.
fn lease_of(row: &AnyRow) -> Result<Lease, StoreError> {
    Ok(Lease { delivery: get(row, "id")?, fence: get(row, "fence")?, standing: standing_of(row)? })
}

fn zone_of(row: &AnyRow) -> Result<Tz, StoreError> {
    let name: String = get(row, "time_zone")?;
    name.parse().map_err(|_| StoreError::corrupt(format!("deliveries.time_zone holds `{name}`")))
}

pub(in crate::store) fn count(row: &AnyRow) -> Result<u64, StoreError> {
    let n: i64 = get(row, "n")?;
    u64::try_from(n).map_err(|_| StoreError::corrupt(format!("a count is {n}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_rows_move_only_from_where_one_may() {
        assert_eq!(states_before(DeliveryState::Cancelled, Event::Cancel), "'queued', 'uncertain'");
        assert_eq!(states_before(DeliveryState::Expired, Event::Expire), "'queued'");
        // A message in doubt may have been repeated often enough: of those the marks decide, not the state alone.
        assert_eq!(states_before(DeliveryState::Leased, Event::Claim), "'queued'");
    }
}
