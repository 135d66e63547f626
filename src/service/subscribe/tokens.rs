//! Keyed tokens: what a link or a form carries so that only we can have made it, each for one purpose only.
//!
//! A token is its subject followed by 32 hexadecimal digits (128 bits) of a keyed hash over purpose and subject. Nothing
//! is stored for it. A token of one purpose opens nothing of another.

use crate::people::AddressHash;

/// What a token is good for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// Ends all messages to an address. Never too old: a message may be read after years.
    Stop,
    /// Shows and changes what the owner of an address gets.
    Preferences,
    /// Says which question a typed code answers; opens nothing by itself.
    Code,
    /// Says what the owner of an address saw at a tree. Of the delivery that asked.
    Seen,
    /// Shows that a form was made by us, and when.
    Form,
}

/// Digits of the keyed hash at the end of a token.
const SEAL: usize = 32;

impl Purpose {
    /// Links in messages that were sent long ago: they work with older keys, too. Links that let somebody in do not, so that
    /// an older key, which old backups may hold, lets nobody in.
    fn outlives_its_key(self) -> bool {
        matches!(self, Purpose::Stop | Purpose::Seen)
    }

    /// Goes into the hash: a changed name would make all tokens out there worthless.
    fn name(self) -> &'static str {
        match self {
            Purpose::Stop => "stop link",
            Purpose::Preferences => "preferences link",
            Purpose::Code => "code page",
            Purpose::Seen => "seen link",
            Purpose::Form => "form",
        }
    }
}

/// A token that stays good. The subject is ASCII fit for an address, such as an address id.
pub fn make(hash: &AddressHash, purpose: Purpose, subject: &str) -> String {
    format!("{subject}{}", hash.seal(purpose.name(), subject))
}

/// The subject of a token, if we made it for this purpose.
pub fn open<'a>(hash: &AddressHash, purpose: Purpose, token: &'a str) -> Option<&'a str> {
    let (subject, given) = token.split_at_checked(token.len().checked_sub(SEAL)?)?;
    // All are looked at, so that the time taken does not tell which key made it.
    let seals = hash.seals(purpose.name(), subject, purpose.outlives_its_key());
    seals.iter().fold(false, |found, seal| found | same(seal, given)).then_some(subject)
}

/// Whether two texts are the same. Every byte is looked at, so that the time taken tells nothing about where a guess went
/// wrong.
pub fn same(right: &str, given: &str) -> bool {
    let differs =
        right.bytes().zip(given.bytes()).fold(right.len() ^ given.len(), |seen, (a, b)| seen | usize::from(a ^ b));
    differs == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    const ID: &str = "0123456789abcdef0123456789abcdef";

    #[test]
    fn a_token_opens_its_own_subject_for_its_own_purpose() {
        let hash = AddressHash::with_key(b"a key");
        let good = make(&hash, Purpose::Stop, ID);
        assert_eq!(open(&hash, Purpose::Stop, &good), Some(ID));
        assert_eq!(open(&AddressHash::with_key(b"another"), Purpose::Stop, &good), None);
        for purpose in [Purpose::Preferences, Purpose::Code, Purpose::Seen, Purpose::Form] {
            assert_eq!(open(&hash, purpose, &good), None, "{purpose:?}");
        }
        let other = format!("f{}", &good[1..]);
        for bad in ["", "x", &good[..40], &good[..63], &other, &format!("{good}0"), "éééééééééééééééééééé"]
        {
            assert_eq!(open(&hash, Purpose::Stop, bad), None, "{bad}");
        }
    }

    #[test]
    fn no_changed_digit_is_taken() {
        let hash = AddressHash::with_key(b"a key");
        let good = make(&hash, Purpose::Code, ID);
        assert!(good.len() - ID.len() >= 128 / 4, "at least 128 bits");
        for place in 0..good.len() {
            let mut bytes = good.clone().into_bytes();
            bytes[place] = if bytes[place] == b'0' { b'1' } else { b'0' };
            let bad = String::from_utf8(bytes).expect("ASCII");
            assert_eq!(open(&hash, Purpose::Code, &bad), None, "digit {place}");
        }
    }
}
