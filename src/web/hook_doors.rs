//! What the webhooks are opened by, as it was last read well, and who has guessed at it.

use std::collections::HashSet;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};

use chrono::{DateTime, Utc};
use tracing::{error, info, warn};

use crate::config::{HooksConfig, Secret, SecretText};
use crate::secret::{hook_key, hook_path};
use crate::web::turns::Turns;

/// Wrong calls of one network within an hour; then none of its calls is looked at.
const FROM_ONE: usize = 20;

/// As [`FROM_ONE`], of a network that has called rightly before: a gateway that shares its address with somebody who guesses
/// must not be shut out soon, since a STOP may be among its calls.
const FROM_KNOWN: usize = 1000;

/// Wrong calls of all networks within an hour; then only those are heard that have called rightly before.
const IN_WHOLE: usize = 1000;

/// Stands for all networks together.
const ALL: IpAddr = IpAddr::V6(Ipv6Addr::UNSPECIFIED);

/// The secrets of the webhooks and the guesses at them.
pub struct Doors {
    /// `None`: the webhooks below a secret path are closed.
    pub path: Option<KeptSecret>,
    pub keys: Vec<KeptSecret>,
    /// `None`: `/hooks/bounce` is closed.
    pub bounce: Option<KeptSecret>,
    pub guesses: Guesses,
}

impl Doors {
    pub fn of(hooks: &HooksConfig) -> Self {
        let key = |place: String, secret: &Secret| KeptSecret::read(place, secret, hook_key);
        Self {
            path: hooks.path.as_ref().map(|secret| KeptSecret::read("hooks.path".into(), secret, hook_path)),
            keys: hooks
                .secrets
                .iter()
                .enumerate()
                .map(|(at, secret)| key(format!("hooks.secrets[{at}]"), secret))
                .collect(),
            bounce: hooks.bounce_secret.as_ref().map(|secret| key("hooks.bounce_secret".into(), secret)),
            guesses: Guesses::default(),
        }
    }
}

/// A secret that is read for each call, so that a new one holds at once. One that cannot be used (a file cut short, emptied or
/// taken away) does not: the last good one stays until the program starts anew.
pub struct KeptSecret {
    place: String,
    secret: Secret,
    shape: fn(&SecretText) -> Result<Vec<u8>, String>,
    last: Mutex<LastRead>,
}

#[derive(Default)]
struct LastRead {
    good: Option<Vec<u8>>,
    /// What was wrong at the last look: said once.
    fault: Option<String>,
}

impl KeptSecret {
    fn read(place: String, secret: &Secret, shape: fn(&SecretText) -> Result<Vec<u8>, String>) -> Self {
        let good = secret.read_blocking().map_err(|why| why.what).and_then(|text| shape(&text)).ok();
        Self { place, secret: secret.clone(), shape, last: Mutex::new(LastRead { good, fault: None }) }
    }

    /// # Errors
    /// In words, when there has never been a good one.
    pub async fn get(&self) -> Result<Vec<u8>, String> {
        let read = self.secret.read().await.map_err(|why| why.what).and_then(|text| (self.shape)(&text));
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        let LastRead { good, fault } = &mut *last;
        match (read, good) {
            (Ok(bytes), good) => {
                if fault.take().is_some() {
                    info!("{} can be used again", self.place);
                }
                *good = Some(bytes.clone());
                Ok(bytes)
            }
            (Err(what), Some(bytes)) => {
                if fault.as_ref() != Some(&what) {
                    error!("{} {what}; the one read before stays in force until the service starts anew", self.place);
                    *fault = Some(what);
                }
                Ok(bytes.clone())
            }
            (Err(what), None) => Err(format!("{} {what}", self.place)),
        }
    }
}

/// How often networks have called with a wrong path or signature. Kept in memory.
#[derive(Default)]
pub struct Guesses {
    by_network: Turns,
    in_whole: Turns,
    /// Networks that have called rightly; only gateways get here.
    known: Mutex<HashSet<IpAddr>>,
}

impl Guesses {
    /// Whether calls of a network are looked at.
    pub fn hears(&self, network: IpAddr, now: DateTime<Utc>) -> bool {
        let known = self.known.lock().unwrap_or_else(PoisonError::into_inner).contains(&network);
        let most = if known { FROM_KNOWN } else { FROM_ONE };
        self.by_network.are_left(network, most, now) && (known || self.in_whole.are_left(ALL, IN_WHOLE, now))
    }

    pub fn right(&self, network: IpAddr) {
        self.known.lock().unwrap_or_else(PoisonError::into_inner).insert(network);
    }

    pub fn wrong(&self, network: IpAddr, what: &str, now: DateTime<Utc>) {
        warn!(client.network = %network, "a webhook was called with a wrong {what} from network {network}");
        self.by_network.take(network, FROM_KNOWN, now);
        self.in_whole.take(ALL, IN_WHOLE, now);
        if !self.hears(network, now) {
            error!(client.network = %network, "network {network} has guessed at the webhooks too often: not heard for a while");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_guesses_is_not_heard_and_a_gateway_that_is_known_goes_on() {
        let guesses = Guesses::default();
        let at = |minutes: i64| DateTime::from_timestamp(1_750_000_000 + minutes * 60, 0).expect("a sound instant");
        let (stranger, gateway) = (IpAddr::from([192, 0, 2, 0]), IpAddr::from([198, 51, 100, 0]));
        guesses.right(gateway);
        for _ in 0..FROM_ONE {
            assert!(guesses.hears(stranger, at(0)));
            guesses.wrong(stranger, "path", at(0));
            guesses.wrong(gateway, "signature", at(0));
        }
        assert!(!guesses.hears(stranger, at(59)) && guesses.hears(gateway, at(59)));
        assert!(guesses.hears(stranger, at(60)), "an hour later");
        // Many networks that guess a few times each.
        for network in 0..100_u8 {
            for _ in 0..10 {
                guesses.wrong(IpAddr::from([203, 0, 113, network]), "path", at(70));
            }
        }
        assert!(!guesses.hears(IpAddr::from([203, 0, 114, 1]), at(71)), "one that was never seen");
        assert!(guesses.hears(gateway, at(71)));
    }

    #[tokio::test]
    async fn a_file_that_is_rewritten_badly_leaves_the_last_good_secret_in_force() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("key");
        std::fs::write(&file, "the first key, long enough\n").unwrap();
        let kept = KeptSecret::read("hooks.secrets[0]".into(), &Secret::File(file.clone()), hook_key);
        for bad in ["", "short\n", "whsec_b2xkIGtleQ=="] {
            std::fs::write(&file, bad).unwrap();
            assert_eq!(kept.get().await.as_deref(), Ok(&b"the first key, long enough"[..]), "{bad}");
        }
        std::fs::remove_file(&file).unwrap();
        assert_eq!(kept.get().await.as_deref(), Ok(&b"the first key, long enough"[..]));
        std::fs::write(&file, "the second key, long enough").unwrap();
        assert_eq!(kept.get().await.as_deref(), Ok(&b"the second key, long enough"[..]));
        let never = KeptSecret::read("hooks.path".into(), &Secret::File(folder.path().join("none")), hook_path);
        assert!(never.get().await.unwrap_err().starts_with("hooks.path secret file"));
    }
}
