//! What staff do with a notice. A command and a page call the same function.

use chrono::{DateTime, TimeDelta, Utc};

use super::{DeskError, Hand, local};
use crate::delivery::quiet_hours::QuietHours;
use crate::people::csv::kept_reason;
use crate::region::Region;
use crate::season::NoticeId;
use crate::service::app::App;
use crate::store::notices::{Notice, NoticeState, Recalled};

/// What came of a word to send.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sent {
    /// It has left: so many deliveries are queued.
    Queued(u64),
    /// It leaves at this instant, and until then the word can be taken back.
    LeavesAt(DateTime<Utc>),
}

/// Lets a notice out: at once, or after a time in which the word can be taken back. A notice that nobody would get before the
/// quiet hours end leaves when they do, and the word can be taken back until then.
///
/// # Errors
/// [`DeskError::NotYours`]; what stands against it in the store.
pub async fn send(app: &App, hand: Hand<'_>, id: &NoticeId, undo: TimeDelta) -> Result<Sent, DeskError> {
    let (_, region) = of_hand(app, hand, id).await?;
    let now = app.clock.now();
    if undo <= TimeDelta::zero() {
        let queued = app.store.release_notice(id, hand.by, now).await?;
        app.queued.notify_one();
        return Ok(Sent::Queued(queued));
    }
    let leaves_at = QuietHours::from(&app.config.delivery).next_allowed(now + undo, region.time_zone);
    app.store.send_notice_at(id, hand.by, leaves_at).await?;
    Ok(Sent::LeavesAt(leaves_at))
}

/// Stops a notice's clock: until an instant, from which on it waits again as before, or until staff say more. One that would
/// leave by itself must still be of use when it can.
///
/// # Errors
/// [`DeskError::HoldInThePast`], [`DeskError::HoldTooLong`]; as [`send`].
pub async fn hold(
    app: &App,
    hand: Hand<'_>,
    id: &NoticeId,
    until: Option<DateTime<Utc>>,
    why: Option<&str>,
) -> Result<(), DeskError> {
    let (notice, region) = of_hand(app, hand, id).await?;
    let note = note("held", hand, why)?;
    if let Some(until) = until {
        check_end(app, &notice, &region, until)?;
    }
    Ok(app.store.hold_notice_until(id, until, Some(&note)).await?)
}

/// Ends a notice that has not left: it never goes out this season.
///
/// # Errors
/// As [`send`].
pub async fn call_off(app: &App, hand: Hand<'_>, id: &NoticeId, why: Option<&str>) -> Result<(), DeskError> {
    of_hand(app, hand, id).await?;
    let note = note("called off", hand, why)?;
    Ok(app.store.cancel_notice(id, Some(&note)).await?)
}

/// Stops what has not gone out of a notice that has left.
///
/// # Errors
/// As [`send`].
pub async fn recall(app: &App, hand: Hand<'_>, id: &NoticeId, why: Option<&str>) -> Result<Recalled, DeskError> {
    of_hand(app, hand, id).await?;
    let note = note("recalled", hand, why)?;
    Ok(app.store.recall_notice(id, hand.by, Some(&note), app.clock.now()).await?)
}

/// Takes the last word of staff back, as long as the notice has not left. If its hour has passed meanwhile, it leaves after
/// `undo`, and not in quiet hours.
///
/// # Errors
/// As [`send`].
pub async fn undo(app: &App, hand: Hand<'_>, id: &NoticeId, undo: TimeDelta) -> Result<(), DeskError> {
    let (_, region) = of_hand(app, hand, id).await?;
    let now = app.clock.now();
    let earliest = QuietHours::from(&app.config.delivery).next_allowed(now + undo, region.time_zone);
    Ok(app.store.undo_act(id, hand.by, earliest, now).await?)
}

/// The notice and its region, of somebody who may act there.
pub(super) async fn of_hand(app: &App, hand: Hand<'_>, id: &NoticeId) -> Result<(Notice, Region), DeskError> {
    let notice = app.store.notice(id).await?;
    let region = app.store.region(&notice.season.region).await?;
    if !(hand.reach)(&region) {
        return Err(DeskError::NotYours { region: region.name });
    }
    Ok((notice, region))
}

/// `held by M. Reyes: the field crew looks on Friday`.
fn note(what: &str, hand: Hand<'_>, why: Option<&str>) -> Result<String, DeskError> {
    match why {
        Some(why) => {
            let why = kept_reason(why).map_err(DeskError::Reason)?;
            Ok(format!("{what} by {}: {why}", hand.by))
        }
        None => Ok(format!("{what} by {}", hand.by)),
    }
}

fn check_end(app: &App, notice: &Notice, region: &Region, until: DateTime<Utc>) -> Result<(), DeskError> {
    let zone = region.time_zone;
    if until <= app.clock.now() {
        return Err(DeskError::HoldInThePast { until: local(until, zone) });
    }
    // Whoever has it sent from a hold gives no other hour than the one it had.
    let hour = match notice.state {
        NoticeState::Leaving { .. } => None,
        _ => notice.release_at(),
    };
    let leaves = QuietHours::from(&app.config.delivery).next_allowed(hour.map_or(until, |hour| hour.max(until)), zone);
    if leaves >= notice.expires_at {
        return Err(DeskError::HoldTooLong {
            until: local(until, zone),
            leaves: local(leaves, zone),
            of_use_until: local(notice.expires_at, zone),
        });
    }
    Ok(())
}
