//! Books what mail servers report of mails that they could not deliver.

use chrono::{DateTime, Utc};

use crate::delivery::bounce_report;
use crate::delivery::bounce_report::Nothing;
use crate::store::bounces::Bounced;
use crate::store::{Store, StoreError};

/// What came of a report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BounceOutcome {
    Nothing(Nothing),
    /// It is about no mail of ours.
    Unknown,
    Booked(Bounced),
}

/// Reads a report and books it. `until_undeliverable`: so many mails must have ended for good at an address before it is given up.
///
/// # Errors
/// When the store fails: then the report was not taken in and should be brought again.
pub async fn take(
    store: &Store,
    raw: &[u8],
    until_undeliverable: u32,
    now: DateTime<Utc>,
) -> Result<BounceOutcome, StoreError> {
    let bounce = match bounce_report::parse(raw) {
        Ok(bounce) => bounce,
        Err(nothing) => return Ok(BounceOutcome::Nothing(nothing)),
    };
    let booked = store.book_bounce(&bounce.key, bounce.fault, &bounce.reason, until_undeliverable, now).await?;
    Ok(booked.map_or(BounceOutcome::Unknown, BounceOutcome::Booked))
}
