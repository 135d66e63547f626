//! Links to one's own settings: who holds one is let in, so they come to an end, after a time and with an erasure.

use chrono::{DateTime, TimeDelta, Utc};

use super::tokens::{self, Purpose};
use crate::people::{AddressHash, AddressId};
use crate::service::app::App;
use crate::store::StoreError;

/// Digits of the second at which a link was made, hexadecimal, behind the id of its address.
const STAMP: usize = 8;

/// What stands in the address of a link that is made now.
pub fn make(hash: &AddressHash, address: &AddressId, now: DateTime<Utc>) -> String {
    let second = u32::try_from(now.timestamp()).unwrap_or(0);
    tokens::make(hash, Purpose::Preferences, &format!("{}{second:08x}", address.as_str()))
}

/// Whom a link lets in now; nobody when we did not make it, when it is too old (`web.preferences_link_days`), or when what
/// was known of its owner has been erased since: whoever signs up again has new ones.
///
/// # Errors
/// When the store fails.
pub async fn open(app: &App, token: &str) -> Result<Option<AddressId>, StoreError> {
    let Some((address, made)) = read(app.store.address_hash(), token) else { return Ok(None) };
    let good = TimeDelta::days(i64::from(app.config.web.preferences_link_days));
    if app.clock.now() - made >= good {
        return Ok(None);
    }
    // What was erased within the second may have been erased after the link was made.
    let is_erased = app.store.last_erased_at(&address).await?.is_some_and(|at| at.timestamp() >= made.timestamp());
    Ok((!is_erased).then_some(address))
}

/// The address of a link of ours, and when it was made.
fn read(hash: &AddressHash, token: &str) -> Option<(AddressId, DateTime<Utc>)> {
    let subject = tokens::open(hash, Purpose::Preferences, token)?;
    let (address, stamp) = subject.split_at_checked(subject.len().checked_sub(STAMP)?)?;
    let made = DateTime::from_timestamp(i64::from(u32::from_str_radix(stamp, 16).ok()?), 0)?;
    Some((AddressId::from(address), made))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_says_when_it_was_made_and_nobody_can_change_that() {
        let hash = AddressHash::with_key(b"a key");
        let made: DateTime<Utc> = "2026-03-03T13:16:00Z".parse().unwrap();
        let address = AddressId::from("0123456789abcdef0123456789abcdef");
        let token = make(&hash, &address, made);
        assert_eq!(read(&hash, &token), Some((address.clone(), made)));
        let later = token.replacen(&format!("{:08x}", made.timestamp()), &format!("{:08x}", made.timestamp() + 9), 1);
        assert_ne!(later, token);
        assert_eq!(read(&hash, &later), None);
        // Links of the first release have no time: they are over.
        assert_eq!(read(&hash, &tokens::make(&hash, Purpose::Preferences, "0123")), None);
    }
}
