//! Keyed hashes: of addresses, and of what links carry. Each kind has keys of its own, which change with the years; hashes made
//! with older keys stay good: those keys only look up, and open links that outlive them.

use std::fmt;

use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use unicode_normalization::UnicodeNormalization;

use super::{Address, AddressId, Channel};
use crate::randomness::Randomness;

/// A key: 32 bytes, written as 64 hexadecimal digits. Prints as `***`.
#[derive(Clone, PartialEq, Eq)]
pub struct Key([u8; 32]);

/// What is not a key. The text itself is not repeated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("64 hexadecimal digits are wanted, as `treebell key new` writes them, and {0} characters are there")]
pub struct KeyFault(usize);

impl Key {
    /// # Errors
    /// When the text is not 64 hexadecimal digits, blanks around them left out.
    pub fn parse(text: &str) -> Result<Self, KeyFault> {
        let text = text.trim();
        let mut key = [0; 32];
        hex::decode_to_slice(text, &mut key).map_err(|_| KeyFault(text.chars().count()))?;
        Ok(Self(key))
    }

    pub fn draw(randomness: &Randomness) -> Self {
        Self(randomness.bytes())
    }

    /// As files hold it.
    pub fn expose(&self) -> String {
        hex::encode(self.0)
    }

    /// For what else than hashes of addresses and links a key may serve.
    pub(crate) fn bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// By what a store knows a key without having it: nothing of 256 random bits can be told from it.
    pub fn fingerprint(&self) -> String {
        digest(&mac_of(&self.0), &["treebell key fingerprint"])[..16].to_owned()
    }
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(***)")
    }
}

/// Keys from outside of the store: of each kind the current one first, then older ones.
#[derive(Clone, Debug)]
pub struct GivenKeys {
    pub addresses: Vec<Key>,
    pub links: Vec<Key>,
}

/// The keys of a store in use, ready to hash.
///
/// The hash of an address (HMAC-SHA256) is its id everywhere, so an address that was erased is still known when it is offered
/// again, and no list of hashes can be turned back by trying all phone numbers without the key. An id made with the store's
/// first key is the bare hash; of a later key its number stands before it, so that every row tells which key made it.
#[derive(Clone)]
pub struct AddressHash {
    current: Numbered,
    older: Vec<Numbered>,
    link: Hmac<Sha256>,
    /// Of links that never end: see [`AddressHash::seals`].
    older_links: Vec<Hmac<Sha256>>,
}

#[derive(Clone)]
struct Numbered {
    number: u32,
    mac: Hmac<Sha256>,
}

impl AddressHash {
    /// One key for everything.
    pub fn with_key(key: &[u8]) -> Self {
        let mac = mac_of(key);
        Self {
            current: Numbered { number: 1, mac: mac.clone() },
            older: Vec::new(),
            link: mac,
            older_links: Vec::new(),
        }
    }

    /// `addresses`: the current key and its number, then older ones; `links`: the current key, then older ones. `None` when
    /// either is empty.
    pub fn with_keys(addresses: &[(u32, Key)], links: &[Key]) -> Option<Self> {
        let numbered = |(number, key): &(u32, Key)| Numbered { number: *number, mac: mac_of(&key.0) };
        let (current, older) = addresses.split_first()?;
        let (link, older_links) = links.split_first()?;
        Some(Self {
            current: numbered(current),
            older: older.iter().map(numbered).collect(),
            link: mac_of(&link.0),
            older_links: older_links.iter().map(|key| mac_of(&key.0)).collect(),
        })
    }

    /// The hash under the current key: 32 hexadecimal digits, after the key's number if it is not the first. Two spellings of
    /// one mailbox that differ only in case get one hash: somebody who said stop must not be written to because of a capital
    /// letter. Where older keys are, the store says under which one an address is known: `Tx::address_id`.
    pub fn of(&self, address: &Address) -> AddressId {
        self.current.id(&channel_text(address))
    }

    /// As [`AddressHash::of`], under each older key.
    pub fn older_of(&self, address: &Address) -> Vec<AddressId> {
        self.older.iter().map(|key| key.id(&channel_text(address))).collect()
    }

    /// The hash of whoever sent a text, also where nobody can write back: a short code, a name, a number that no plan has.
    /// A whole number has the hash of that number however it is written, so that a stop also holds when the number comes
    /// into a plan later. `None` when the sender holds neither letter nor digit.
    pub fn of_sender(&self, sender: &str) -> Option<AddressId> {
        Some(self.current.id(&sender_text(sender)?))
    }

    /// As [`AddressHash::of_sender`], under each older key.
    pub fn older_of_sender(&self, sender: &str) -> Vec<AddressId> {
        let text = sender_text(sender);
        text.iter().flat_map(|text| self.older.iter().map(|key| key.id(text))).collect()
    }

    /// For other keys that must not give away what they were made of.
    pub(crate) fn of_text(&self, purpose: &str, text: &str) -> String {
        self.current.of_text(purpose, text)
    }

    /// As [`AddressHash::of_text`], under every key, the current one first.
    pub(crate) fn all_of_text(&self, purpose: &str, text: &str) -> Vec<String> {
        std::iter::once(&self.current).chain(&self.older).map(|key| key.of_text(purpose, text)).collect()
    }

    /// As [`AddressHash::of_text`], under the oldest key: of what must come out the same when the key was changed meanwhile,
    /// and is made of hashes only.
    pub(crate) fn steady_of_text(&self, purpose: &str, text: &str) -> String {
        self.older.last().unwrap_or(&self.current).of_text(purpose, text)
    }

    /// What seals a link, under the link key.
    pub(crate) fn seal(&self, purpose: &str, subject: &str) -> String {
        seal_of(&self.link, purpose, subject)
    }

    /// What may seal a link: by the current key; of links that `last` also by older ones.
    pub(crate) fn seals(&self, purpose: &str, subject: &str, last: bool) -> Vec<String> {
        let older = if last { self.older_links.as_slice() } else { &[] };
        std::iter::once(&self.link).chain(older).map(|key| seal_of(key, purpose, subject)).collect()
    }
}

impl Numbered {
    fn of_text(&self, purpose: &str, text: &str) -> String {
        digest(&self.mac, &[purpose, ":", text])
    }

    fn id(&self, (purpose, text): &(&str, String)) -> AddressId {
        let hash = self.of_text(purpose, text);
        if self.number == 1 { hash } else { format!("k{}-{hash}", self.number) }.into()
    }
}

fn channel_text(address: &Address) -> (&'static str, String) {
    (address.channel().name(), address.expose().to_ascii_lowercase())
}

fn sender_text(sender: &str) -> Option<(&'static str, String)> {
    let sender: String = sender.nfkc().flat_map(char::to_lowercase).collect();
    let (digits, others): (Vec<char>, Vec<char>) =
        sender.chars().filter(|c| c.is_alphanumeric()).partition(char::is_ascii_digit);
    let mut name: String = match others.as_slice() {
        [] => digits.into_iter().collect(),
        _ => sender.chars().filter(|c| c.is_alphanumeric()).collect(),
    };
    if others.is_empty() && (8..=15).contains(&name.len()) {
        // As `PhoneNumber::parse` reads ten digits.
        let home = if name.len() == 10 && !sender.trim_start().starts_with('+') { "+1" } else { "+" };
        name.insert_str(0, home);
    }
    (!name.is_empty()).then(|| (Channel::Sms.name(), name))
}

fn seal_of(key: &Hmac<Sha256>, purpose: &str, subject: &str) -> String {
    digest(key, &[purpose, ":", subject])
}

fn mac_of(key: &[u8]) -> Hmac<Sha256> {
    <Hmac<Sha256> as KeyInit>::new_from_slice(key).expect("HMAC takes a key of any length")
}

/// The first 128 bits, in hexadecimal.
fn digest(key: &Hmac<Sha256>, parts: &[&str]) -> String {
    let mut mac = key.clone();
    parts.iter().for_each(|part| mac.update(part.as_bytes()));
    hex::encode(&mac.finalize().into_bytes()[..16])
}

impl fmt::Debug for AddressHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("AddressHash(***)")
    }
}

#[cfg(test)]
mod tests {
    use super::super::Reach;
    use super::*;

    #[test]
    fn a_key_is_64_digits_and_is_never_printed() {
        let key = Key::draw(&Randomness::seeded(1));
        assert_eq!(Key::parse(&format!("{}\n", key.expose())).unwrap(), key);
        assert_eq!(format!("{key:?}"), "Key(***)");
        for text in ["", "abc", &"g".repeat(64), &"0".repeat(63), &"0".repeat(66)] {
            assert_eq!(Key::parse(text), Err(KeyFault(text.len())), "{text}");
        }
        assert_ne!(key.fingerprint(), Key::draw(&Randomness::seeded(2)).fingerprint());
        assert!(!key.expose().contains(&key.fingerprint()));
    }

    #[test]
    fn ids_tell_which_key_made_them_and_links_have_keys_of_their_own() {
        let [first, second, link, older_link] = [1, 2, 3, 4].map(|seed| Key::draw(&Randomness::seeded(seed)));
        let who = Address::parse("owner@example.org", Reach::NorthAmerica).unwrap();
        let before = AddressHash::with_keys(&[(1, first.clone())], std::slice::from_ref(&older_link)).unwrap();
        let after = AddressHash::with_keys(&[(2, second), (1, first.clone())], &[link, older_link]).unwrap();
        assert_eq!(before.of(&who).as_str().len(), 32);
        assert!(after.of(&who).as_str().starts_with("k2-"));
        assert_eq!(after.older_of(&who), [before.of(&who)]);
        assert_eq!(after.older_of_sender("+15055550100"), [before.of_sender("+15055550100").unwrap()]);
        assert_eq!(after.steady_of_text("letter", "x"), before.of_text("letter", "x"));
        let sealed = before.seal("stop link", "x");
        assert!(after.seals("stop link", "x", true).contains(&sealed));
        assert!(!after.seals("stop link", "x", false).contains(&sealed));
        assert_ne!(sealed, before.of_text("stop link", "x"), "the key of addresses makes no links");
        assert!(AddressHash::with_keys(&[(1, first)], &[]).is_none());
    }

    #[test]
    fn the_hash_depends_on_key_channel_and_address_but_not_on_case() {
        let hash = AddressHash::with_key(b"one");
        let owner = Address::parse("Owner@example.org", Reach::NorthAmerica).unwrap();
        let same = Address::parse("owner@EXAMPLE.org", Reach::NorthAmerica).unwrap();
        let other = Address::parse("owner2@example.org", Reach::NorthAmerica).unwrap();
        assert_eq!(hash.of(&owner), hash.of(&same));
        assert_ne!(hash.of(&owner), hash.of(&other));
        assert_ne!(hash.of(&owner), AddressHash::with_key(b"two").of(&owner));
        assert_eq!(hash.of(&owner).as_str().len(), 32);
    }

    #[test]
    fn a_sender_has_one_hash_however_it_is_written() {
        let hash = AddressHash::with_key(b"one");
        let of = |sender: &str| hash.of_sender(sender);
        let phone = hash.of(&Address::parse("+15055550100", Reach::NorthAmerica).unwrap());
        for text in ["+15055550100", "15055550100", "505-555-0100", " (505) 555 0100", "\u{FF0B}1 505 555 0100"] {
            assert_eq!(of(text).as_ref(), Some(&phone), "{text}");
        }
        let abroad = hash.of(&Address::parse("+447400123456", Reach::World).unwrap());
        assert_eq!(of("447400123456"), Some(abroad));
        assert_eq!(of("PINYON Info"), of("pinyon-info"));
        assert_eq!(of("12345"), of("123 45"));
        let all =
            ["12345", "123456", "pinyon", "pinyon1", "+15055550100", "+15055550101"].map(|text| of(text).unwrap());
        assert_eq!(all.iter().collect::<std::collections::BTreeSet<_>>().len(), all.len());
        assert_eq!((of(""), of(" +- ")), (None, None));
    }

    // RFC 4231, test case 2: key "Jefe", data "what do ya want for nothing?", HMAC-SHA-256 begins 5bdcc146 bf60754e
    // 6a042426 089575c7.
    #[test]
    fn the_keyed_hash_is_hmac_sha256() {
        let text = "what do ya want for nothing?";
        assert_eq!(digest(&mac_of(b"Jefe"), &[text]), "5bdcc146bf60754e6a042426089575c7");
    }
}
