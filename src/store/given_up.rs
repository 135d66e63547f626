//! Addresses that are given up, since mail to them ends for good.

use chrono::{DateTime, Utc};

use crate::delivery::attempt::AddressFault;
use crate::delivery::bounce_report::BounceKind;
use crate::people::AddressId;
use crate::store::error::StoreError;
use crate::store::rows::get;
use crate::store::staff_log::{StaffKind, tell_staff};
use crate::store::stops::deactivate;
use crate::store::tx::Tx;

/// Mark those ends that count against an address: of a mail that came back, and of one that was refused for its addressee.
pub(super) const CAME_BACK_FOR_GOOD: &str = "came back for good: ";
const REFUSED_FOR_GOOD: &str = "refused for good: ";

/// How one mail ended.
pub(super) struct MailEnd<'a> {
    pub delivery: &'a str,
    pub address_id: &'a AddressId,
    pub fault: AddressFault,
    /// The server's words, without addresses.
    pub reason: &'a str,
}

/// Gives an address up when as many mails to it ended for good as the settings say since it was last confirmed, or at once when
/// there is no such mailbox; staff are told. Gives whether this end did it. One that said stop stays stopped.
pub(super) async fn give_up_if_due(tx: &mut Tx, end: &MailEnd<'_>, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let due = match end.fault.kind {
        BounceKind::Passing => false,
        BounceKind::NoSuchMailbox => true,
        BounceKind::ForGood => {
            let row = sqlx::query(
                "SELECT COUNT(*) AS n FROM deliveries d JOIN addresses a ON a.id = d.address_id \
                 WHERE d.address_id = $1 AND d.updated_at >= a.status_at \
                 AND ((d.state = 'bounced' AND d.last_error LIKE $2) OR (d.state = 'failed' AND d.last_error LIKE $3))",
            )
            .bind(end.address_id.as_str())
            .bind(format!("{CAME_BACK_FOR_GOOD}%"))
            .bind(format!("{REFUSED_FOR_GOOD}%"))
            .fetch_one(tx.conn())
            .await?;
            get::<i64>(&row, "n")? >= i64::from(end.fault.until_undeliverable.max(1))
        }
    };
    if !due || deactivate(tx, end.address_id, now).await?.is_none() {
        return Ok(false);
    }
    let MailEnd { delivery, reason, .. } = end;
    let text = format!(
        "an e-mail address was given up, since mail to it comes back: {reason}. Nothing is written to it until \
         its owner gives it again (delivery {delivery})"
    );
    tell_staff(tx, &format!("address-dead/{delivery}"), None, StaffKind::AddressUndeliverable, &text, now).await?;
    Ok(true)
}

/// A mail that its server refused for its addressee, and that is booked as failed.
pub(super) struct Refused<'a> {
    pub delivery: &'a str,
    pub fault: AddressFault,
    pub cause: &'a str,
}

/// Books what refusals say of their addresses.
pub(super) async fn note_refused(tx: &mut Tx, refused: &[Refused<'_>], now: DateTime<Utc>) -> Result<(), StoreError> {
    let mut of_addresses = Vec::with_capacity(refused.len());
    for one in refused {
        let row = sqlx::query("SELECT address_id FROM deliveries WHERE id = $1")
            .bind(one.delivery)
            .fetch_one(tx.conn())
            .await?;
        of_addresses.push((AddressId(get(&row, "address_id")?), one));
        sqlx::query("UPDATE deliveries SET last_error = $1 WHERE id = $2")
            .bind(format!("{REFUSED_FOR_GOOD}{}", one.cause))
            .bind(one.delivery)
            .execute(tx.conn())
            .await?;
    }
    // On PostgreSQL two bookings take the locks on addresses in one order.
    of_addresses.sort_by(|(a, _), (b, _)| a.as_str().cmp(b.as_str()));
    for (address_id, one) in &of_addresses {
        let end = MailEnd { delivery: one.delivery, address_id, fault: one.fault, reason: one.cause };
        give_up_if_due(tx, &end, now).await?;
    }
    Ok(())
}
