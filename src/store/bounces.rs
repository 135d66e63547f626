//! What is booked when a mail came back.

use chrono::{DateTime, Utc};

use crate::delivery::attempt::AddressFault;
use crate::delivery::bounce_report::BounceKind;
use crate::delivery::state::Report;
use crate::people::{AddressId, Channel};
use crate::store::error::StoreError;
use crate::store::given_up::{CAME_BACK_FOR_GOOD, MailEnd, give_up_if_due};
use crate::store::queue::Reported;
use crate::store::queue::reports::move_by_report;
use crate::store::rows::{get, ms};
use crate::store::tx::Store;

/// What was booked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bounced {
    pub delivery: String,
    /// The address was given up by this report.
    pub deactivated: bool,
}

/// See [`CAME_BACK_FOR_GOOD`] for the other ends.
const PASSING: &str = "came back: ";

impl Store {
    /// Books that a mail came back; `None` when no e-mail of ours has this key. The same report twice counts once.
    ///
    /// The address is given up when `until_undeliverable` mails to it ended for good since it was last confirmed, or at once when
    /// there is no such mailbox; staff are told.
    ///
    /// # Errors
    /// When the store fails; then nothing was booked.
    pub async fn book_bounce(
        &self,
        key: &str,
        fault: BounceKind,
        reason: &str,
        until_undeliverable: u32,
        now: DateTime<Utc>,
    ) -> Result<Option<Bounced>, StoreError> {
        let mut tx = self.begin().await?;
        let row = sqlx::query("SELECT address_id, attempts FROM deliveries WHERE id = $1 AND channel = $2")
            .bind(key)
            .bind(Channel::Email.name())
            .fetch_optional(tx.conn())
            .await?;
        let Some(row) = row else { return Ok(None) };
        // What was never tried cannot have come back.
        if get::<i64>(&row, "attempts")? == 0 {
            return Ok(None);
        }
        let address_id = AddressId(get(&row, "address_id")?);
        sqlx::query(
            "INSERT INTO delivery_reports (channel, reference, outcome, received_at, delivery_id) \
             VALUES ($1, $2, $3, $4, $5) ON CONFLICT (channel, reference, outcome) DO NOTHING",
        )
        .bind(Channel::Email.name())
        .bind(key)
        .bind(Report::Undelivered.name())
        .bind(ms(now))
        .bind(key)
        .execute(tx.conn())
        .await?;
        if let Reported::Moved { .. } = move_by_report(&mut tx, key.to_owned(), Report::Undelivered, now).await? {
            let mark = if fault == BounceKind::Passing { PASSING } else { CAME_BACK_FOR_GOOD };
            sqlx::query("UPDATE deliveries SET last_error = $1 WHERE id = $2")
                .bind(format!("{mark}{reason}"))
                .bind(key)
                .execute(tx.conn())
                .await?;
        }
        let fault = AddressFault { kind: fault, until_undeliverable };
        let end = MailEnd { delivery: key, address_id: &address_id, fault, reason };
        let deactivated = give_up_if_due(&mut tx, &end, now).await?;
        tx.commit().await?;
        Ok(Some(Bounced { delivery: key.to_owned(), deactivated }))
    }
}
