//! Passwords: which are taken, and how they are kept and compared.

use std::sync::Arc;

use argon2::password_hash::phc::PasswordHash;
use argon2::{Algorithm, Argon2, Params, PasswordHasher, PasswordVerifier, Version};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use unicode_normalization::UnicodeNormalization;

use crate::people::account::AccountName;
use crate::randomness::Randomness;

/// NIST SP 800-63B-4, section 3.1.1.2: at least 15 characters where the password is all that lets in, and 8 where a second factor
/// is asked for as well.
const SHORTEST_ALONE: usize = 15;
const SHORTEST_BESIDE: usize = 8;

/// Characters. The same section asks for at least 64, so that a sentence is taken.
pub const LONGEST: usize = 128;

/// OWASP, "Password Storage Cheat Sheet": argon2id with 19 MiB, two rounds and one lane.
const MEMORY_KIB: u32 = 19 * 1024;
const ROUNDS: u32 = 2;
const LANES: u32 = 1;

/// Passwords that are worked on at once, and that may wait for it: with all of them a sign-in holds 38 MiB.
const AT_ONCE: usize = 2;
const WAITING: usize = 16;

/// Why a password is not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PasswordFault {
    TooShort {
        least: usize,
    },
    TooLong,
    /// Among those that are tried first.
    TooCommon,
    /// Holds a name that a guesser knows.
    HoldsName,
}

/// Least characters of a password.
pub fn shortest(has_second_factor: bool) -> usize {
    if has_second_factor { SHORTEST_BESIDE } else { SHORTEST_ALONE }
}

/// Whether a password may be set. Nothing is asked of its characters: section 3.1.1.2 forbids such rules. `known` are names that
/// a guesser knows, such as the service's.
pub(super) fn check(text: &str, least: usize, of: &AccountName, known: &[&str]) -> Result<(), PasswordFault> {
    let password = normal(text);
    let length = password.chars().count();
    if length < least {
        return Err(PasswordFault::TooShort { least });
    }
    if length > LONGEST {
        return Err(PasswordFault::TooLong);
    }
    let plain: String = password.to_lowercase().chars().filter(|c| c.is_alphanumeric()).collect();
    let names = known.iter().flat_map(|name| name.split_whitespace()).chain([of.as_str(), "treebell"]);
    let mut rest = plain.clone();
    for name in names {
        let name: String = name.to_lowercase().chars().filter(|c| c.is_alphanumeric()).collect();
        if name.len() >= 4 || name == of.as_str() {
            rest = rest.replace(&name, "");
        }
    }
    // A name and a few characters beside it.
    if rest.len() < plain.len() && rest.chars().count() < least.min(SHORTEST_BESIDE) {
        return Err(PasswordFault::HoldsName);
    }
    if is_common(&plain) { Err(PasswordFault::TooCommon) } else { Ok(()) }
}

/// One character or a few again and again, a run along the alphabet or the keyboard, or words that are tried first with digits
/// around them.
fn is_common(plain: &str) -> bool {
    let letters: Vec<char> = plain.chars().collect();
    let is_repeated = (1..=letters.len() / 2)
        .any(|n| letters.iter().zip(letters.iter().cycle().skip(n)).take(letters.len() - n).all(|(a, b)| a == b));
    let is_run = |row: &str| {
        let row: String = row.repeat(4);
        row.contains(plain) || row.chars().rev().collect::<String>().contains(plain)
    };
    let mut rest = plain.trim_matches(|c: char| c.is_ascii_digit()).to_owned();
    for word in TRIED_FIRST {
        rest = rest.replace(word, "");
    }
    // Beside a word of the list at most two letters.
    is_repeated || ROWS.iter().any(|row| is_run(row)) || rest.chars().count() <= 2
}

const ROWS: [&str; 7] = [
    "0123456789",
    "1234567890",
    "abcdefghijklmnopqrstuvwxyz",
    "qwertyuiopasdfghjklzxcvbnm",
    "qwertyuiop",
    "asdfghjkl",
    "1q2w3e4r5t6y7u8i9o0p",
];

/// From memory, of lists of what leaked most often; the longest first, since each is cut out.
const TRIED_FIRST: [&str; 44] = [
    "correcthorsebatterystaple",
    "administrator",
    "iloveyou",
    "password",
    "passw0rd",
    "p4ssword",
    "p4ssw0rd",
    "football",
    "baseball",
    "princess",
    "sunshine",
    "superman",
    "starwars",
    "whatever",
    "trustno1",
    "changeme",
    "computer",
    "internet",
    "qwertyuiop",
    "letmein",
    "welcome",
    "monkey",
    "dragon",
    "master",
    "shadow",
    "michael",
    "jessica",
    "charlie",
    "jennifer",
    "summer",
    "winter",
    "spring",
    "autumn",
    "freedom",
    "secret",
    "default",
    "qwerty",
    "asdfgh",
    "zxcvbn",
    "login",
    "admin",
    "hello",
    "pinyon",
    "pass",
];

/// One text for what looks the same, as the same section asks: a phone and a desktop write an accent differently.
fn normal(text: &str) -> String {
    text.nfkc().collect()
}

/// Makes and compares hashes, a few at a time.
pub(super) struct Passwords {
    turns: Arc<Semaphore>,
    waiting: Arc<Semaphore>,
    /// Of a password that nobody has: compared with when there is no account, so that it takes as long.
    nobodys: String,
}

/// So many wait already that another would only wait longer.
#[derive(Debug)]
pub(super) struct TooMany;

impl Passwords {
    pub fn new(randomness: &Randomness) -> Self {
        let nobodys = hashed(&randomness.hex::<32>(), &randomness.bytes());
        Self { turns: Arc::new(Semaphore::new(AT_ONCE)), waiting: Arc::new(Semaphore::new(WAITING)), nobodys }
    }

    /// Whether a password is the one of a hash. Without a hash it takes as long and is never right.
    ///
    /// # Errors
    /// When too many wait.
    pub async fn is(&self, password: &str, hash: Option<&str>) -> Result<bool, TooMany> {
        let (password, hash, is_somebodys) =
            (password.to_owned(), hash.unwrap_or(&self.nobodys).to_owned(), hash.is_some());
        let is = self.at_work(move || is_hash_of(&password, &hash)).await?;
        Ok(is && is_somebodys)
    }

    /// # Errors
    /// When too many wait.
    pub async fn hash(&self, password: &str, randomness: &Randomness) -> Result<String, TooMany> {
        let (password, salt) = (password.to_owned(), randomness.bytes::<16>());
        self.at_work(move || hashed(&password, &salt)).await
    }

    async fn at_work<T: Send + 'static>(&self, work: impl FnOnce() -> T + Send + 'static) -> Result<T, TooMany> {
        let place = self.waiting.clone().try_acquire_owned().map_err(|_| TooMany)?;
        let turn = self.turns.clone().acquire_owned().await.map_err(|_| TooMany)?;
        // Whoever stops waiting for an answer must not make room for another while the work goes on.
        let held = move |_: &(OwnedSemaphorePermit, OwnedSemaphorePermit)| work();
        tokio::task::spawn_blocking(move || held(&(place, turn))).await.map_err(|_| TooMany)
    }
}

fn argon2() -> Argon2<'static> {
    let params =
        Params::new(MEMORY_KIB, ROUNDS, LANES, None).expect("sound parameters: a check makes a hash with them");
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

fn hashed(password: &str, salt: &[u8; 16]) -> String {
    let made = argon2().hash_password_with_salt(normal(password).as_bytes(), salt);
    made.expect("a password of bounded length and a salt of 16 bytes can be hashed").to_string()
}

/// By the parameters that stand in the hash, so that older and cheaper ones stay good. Dearer ones are not worked on: whoever
/// wrote such a row could make each sign-in take all memory.
fn is_hash_of(password: &str, hash: &str) -> bool {
    let is_in_bounds =
        |params: &Params| params.m_cost() <= MEMORY_KIB && params.t_cost() <= ROUNDS && params.p_cost() <= LANES;
    PasswordHash::new(hash).is_ok_and(|hash| {
        Params::try_from(&hash).as_ref().is_ok_and(is_in_bounds)
            && argon2().verify_password(normal(password).as_bytes(), &hash).is_ok()
    })
}

/// Whether a hash was made with other parameters than ours.
pub(super) fn is_outdated(hash: &str) -> bool {
    !hash.starts_with(&format!("$argon2id$v=19$m={MEMORY_KIB},t={ROUNDS},p={LANES}$"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_password_is_known_again_and_no_other_is() {
        let randomness = Randomness::seeded(1);
        let passwords = Passwords::new(&randomness);
        let hash = passwords.hash("caf\u{e9} at the tree line", &randomness).await.unwrap();
        assert!(hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{hash}");
        assert!(
            passwords.is("cafe\u{301} at the tree line", Some(&hash)).await.unwrap(),
            "an accent is one however it is written"
        );
        assert!(!passwords.is("cafe at the tree line", Some(&hash)).await.unwrap());
        assert_ne!(hash, passwords.hash("caf\u{e9} at the tree line", &randomness).await.unwrap(), "each has its salt");
        for hash in [None, Some("nonsense"), Some("")] {
            assert!(!passwords.is("caf\u{e9} at the tree line", hash).await.unwrap());
        }
    }

    #[tokio::test]
    async fn a_cheaper_hash_is_good_and_outdated_and_a_dearer_one_is_not_worked_on() {
        let passwords = Passwords::new(&Randomness::seeded(1));
        for (memory, rounds, is_good) in
            [(MEMORY_KIB, ROUNDS, true), (64, 1, true), (MEMORY_KIB + 8, ROUNDS, false), (64, 3, false)]
        {
            let params = Params::new(memory, rounds, 1, None).unwrap();
            let made = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
            let hash = made.hash_password_with_salt(b"tall grass", &[7; 16]).unwrap().to_string();
            assert_eq!(passwords.is("tall grass", Some(&hash)).await.unwrap(), is_good, "{hash}");
            assert_eq!(is_outdated(&hash), (memory, rounds) != (MEMORY_KIB, ROUNDS), "{hash}");
        }
    }

    #[tokio::test]
    async fn no_more_wait_than_there_is_memory_for() {
        let passwords = Passwords::new(&Randomness::seeded(1));
        let held: Vec<_> = (0..WAITING).map(|_| passwords.waiting.clone().try_acquire_owned().unwrap()).collect();
        assert!(passwords.is("x", None).await.is_err());
        drop(held);
        assert!(passwords.is("x", None).await.is_ok());
        assert_eq!((passwords.waiting.available_permits(), passwords.turns.available_permits()), (WAITING, AT_ONCE));
    }

    #[test]
    fn length_counts_and_what_is_tried_first_does_not() {
        let maria = AccountName::parse("maria").unwrap();
        let fault = |text: &str, least| check(text, least, &maria, &["Pinyon Watch"]).err();
        for text in ["tall grass by the gate", "señales de otoño", "kv9#mmq2", "12 juniper posts, 4 gates"] {
            assert_eq!(fault(text, 8), None, "{text}");
        }
        assert_eq!(fault("short!7", 8), Some(PasswordFault::TooShort { least: 8 }));
        assert_eq!(fault("kv9#mmq2kv7", 15), Some(PasswordFault::TooShort { least: 15 }));
        assert_eq!(fault(&"tall grass ".repeat(12), 8), Some(PasswordFault::TooLong));
        for text in [
            "password",
            "Password1!",
            "password2026",
            "passwordpassword",
            "qwertyuiop",
            "12345678",
            "87654321",
            "123456789012345",
            "aaaaaaaaaaaaaaaa",
            "abcabcabcabcabc",
            "qwertyuiopasdfghjkl",
            "abcdefghijklmnop",
            "letmein2026!",
            "correct horse battery staple",
        ] {
            assert_eq!(fault(text, 8), Some(PasswordFault::TooCommon), "{text}");
        }
        for text in ["maria2026", "Treebell!1", "pinyonwatch", "maria-maria-1"] {
            assert!(matches!(fault(text, 8), Some(PasswordFault::HoldsName | PasswordFault::TooCommon)), "{text}");
        }
        assert_eq!(fault("maria walks up the long hill", 15), None);
    }
}
