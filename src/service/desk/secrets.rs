//! What the desk keeps secret, and by what.
//!
//! Tokens are 256 random bits and kept as SHA-256: there is nothing to try. Secrets of second factors have to be read again, so they
//! are sealed under a key outside of the store (ChaCha20-Poly1305, RFC 8439), each for its account: a row that is copied to
//! another account opens nothing.

use ring::aead::{Aad, CHACHA20_POLY1305, LessSafeKey, NONCE_LEN, Nonce, UnboundKey};
use ring::hmac;
use sha2::{Digest, Sha256};

use super::passwords::Passwords;
use crate::config::{Config, ConfigFault};
use crate::people::Key;
use crate::people::account::AccountName;
use crate::randomness::Randomness;
use crate::service::keys;
use crate::service::subscribe::tokens::same;
use crate::store::accounts::StoredAccount;
use crate::system_user;

/// What signing in at the desk needs beside the store.
pub struct Credentials {
    /// The first seals; all open.
    keys: Vec<Key>,
    pub(super) passwords: Passwords,
    user: String,
}

impl Credentials {
    /// `None`: the desk is off.
    ///
    /// # Errors
    /// Every key that cannot be read, with its place.
    pub fn of(config: &Config, randomness: &Randomness) -> Result<Option<Self>, Vec<ConfigFault>> {
        if !config.desk.enabled {
            return Ok(None);
        }
        let keys = keys::read_desk(&config.desk)?;
        Ok(Some(Self { keys, passwords: Passwords::new(randomness), user: system_user::current() }))
    }

    /// Who runs this program, for the audit.
    pub fn user(&self) -> &str {
        &self.user
    }

    /// As columns hold it: nonce, secret and tag in hexadecimal.
    pub(super) fn seal(&self, randomness: &Randomness, of: &AccountName, secret: &[u8]) -> String {
        // 96 random bits: with a few thousand seals of one key in its life none comes twice.
        let nonce = randomness.bytes::<NONCE_LEN>();
        let mut sealed = secret.to_vec();
        let key = self.keys.first().map(aead).expect("a desk that is on has a key: see `keys::read_desk`");
        key.seal_in_place_append_tag(Nonce::assume_unique_for_key(nonce), aad(of), &mut sealed)
            .expect("a secret of a few bytes is not too long");
        hex::encode([nonce.as_slice(), &sealed].concat())
    }

    /// `None`: sealed for another account, or under a key that is not there any more.
    pub(super) fn open(&self, of: &AccountName, sealed: &str) -> Option<Vec<u8>> {
        let bytes = hex::decode(sealed).ok()?;
        let (nonce, secret) = bytes.split_at_checked(NONCE_LEN)?;
        self.keys.iter().find_map(|key| {
            let mut secret = secret.to_vec();
            let nonce = Nonce::try_assume_unique_for_key(nonce).ok()?;
            let opened = aead(key).open_in_place(nonce, aad(of), &mut secret).ok()?;
            Some(opened.to_vec())
        })
    }

    /// What a browser keeps after its holder has signed in: by it wrong tries from it are counted alone. It is good for this account
    /// until its password changes, and lets nobody in.
    pub(super) fn device(&self, randomness: &Randomness, account: &StoredAccount) -> String {
        let nonce = randomness.hex::<16>();
        let mac = self.device_macs(account, &nonce).swap_remove(0);
        format!("{nonce}{mac}")
    }

    /// The number of a browser, if we gave it one for this account.
    pub(super) fn device_of<'a>(&self, account: &StoredAccount, given: &'a str) -> Option<&'a str> {
        let (nonce, mac) = given.split_at_checked(32)?;
        self.device_macs(account, nonce).iter().fold(false, |found, right| found | same(right, mac)).then_some(nonce)
    }

    fn device_macs(&self, account: &StoredAccount, nonce: &str) -> Vec<String> {
        let set_at = account.password_at.map_or(0, |at| at.timestamp_millis());
        let text = format!("desk device\n{}\n{set_at}\n{nonce}", account.account.name);
        self.keys.iter().map(|key| mac(key.bytes(), &text)).collect()
    }
}

impl std::fmt::Debug for Credentials {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Credentials(***)")
    }
}

fn aead(key: &Key) -> LessSafeKey {
    LessSafeKey::new(UnboundKey::new(&CHACHA20_POLY1305, key.bytes()).expect("a key of 32 bytes"))
}

fn aad(of: &AccountName) -> Aad<String> {
    Aad::from(format!("desk second factor\n{of}"))
}

fn mac(key: &[u8], text: &str) -> String {
    hex::encode(hmac::sign(&hmac::Key::new(hmac::HMAC_SHA256, key), text.as_bytes()))
}

/// As the store knows a token, an invitation or a recovery code.
pub fn digest(token: &str) -> String {
    hex::encode(Sha256::digest(token.as_bytes()))
}

/// What every form of a browser carries: only a page of ours, in that browser, can have put it there. `seed` is what its cookie holds.
pub fn form_token(seed: &str) -> String {
    mac(seed.as_bytes(), "desk form")
}

/// 256 random bits.
pub(super) fn new_token(randomness: &Randomness) -> String {
    randomness.hex::<32>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::people::account::{Account, RegionReach, Role};

    fn credentials(seeds: &[u64]) -> Credentials {
        let randomness = Randomness::seeded(1);
        let keys = seeds.iter().map(|seed| Key::draw(&Randomness::seeded(*seed))).collect();
        Credentials { keys, passwords: Passwords::new(&randomness), user: String::new() }
    }

    fn name(text: &str) -> AccountName {
        AccountName::parse(text).unwrap()
    }

    #[test]
    fn a_sealed_secret_opens_for_its_account_under_any_key_that_is_kept() {
        let (old, both, new) = (credentials(&[1]), credentials(&[2, 1]), credentials(&[2]));
        let randomness = Randomness::seeded(9);
        let sealed = old.seal(&randomness, &name("maria"), b"a secret");
        assert_eq!(both.open(&name("maria"), &sealed).as_deref(), Some(&b"a secret"[..]));
        assert_eq!(new.open(&name("maria"), &sealed), None);
        assert_eq!(old.open(&name("mario"), &sealed), None);
        assert_ne!(sealed, old.seal(&randomness, &name("maria"), b"a secret"));
        assert!(!sealed.contains(&hex::encode("a secret")));
        for at in [0, 30, sealed.len() - 1] {
            let mut wrong = sealed.clone().into_bytes();
            wrong[at] = if wrong[at] == b'0' { b'1' } else { b'0' };
            assert_eq!(old.open(&name("maria"), &String::from_utf8(wrong).unwrap()), None, "digit {at}");
        }
        for wrong in ["", "00", "zz", &sealed[..20]] {
            assert_eq!(old.open(&name("maria"), wrong), None);
        }
    }

    #[test]
    fn a_browser_is_known_for_one_account_until_its_password_changes() {
        let account = |of: &str, set_s: i64| StoredAccount {
            account: Account { name: name(of), role: Role::Observer, reach: RegionReach::default() },
            password: None,
            password_at: chrono::DateTime::from_timestamp(set_s, 0),
            factor: None,
            factor_step: 0,
            created_at: chrono::DateTime::UNIX_EPOCH,
            locked_at: None,
        };
        let (ours, theirs) = (credentials(&[1]), credentials(&[2]));
        let cookie = ours.device(&Randomness::seeded(3), &account("maria", 7));
        assert_eq!(ours.device_of(&account("maria", 7), &cookie), Some(&cookie[..32]));
        assert_eq!(credentials(&[2, 1]).device_of(&account("maria", 7), &cookie), Some(&cookie[..32]));
        for (whose, at, by) in [("maria", 8, &ours), ("mario", 7, &ours), ("maria", 7, &theirs)] {
            assert_eq!(by.device_of(&account(whose, at), &cookie), None, "{whose} {at}");
        }
        for wrong in ["", "é", &cookie[..40], &cookie.replace('a', "b"), &format!("{cookie}0")] {
            assert_eq!(ours.device_of(&account("maria", 7), wrong), None);
        }
    }
}
