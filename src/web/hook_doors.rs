//! What the webhooks are opened by, as it was last read well, and who has guessed at it.

use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};

use chrono::{DateTime, Utc};
use tracing::{error, info, warn};

use crate::config::{HooksConfig, Secret, SecretText};
use crate::secret::{hook_key, hook_path};
use crate::web::turns::Turns;

/// Wrong calls of one network within an hour; what more of them come is told so and not written down.
const FROM_ONE: usize = 20;

/// Wrong calls of all networks within an hour that are worth a word in the log.
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

/// How often networks have called with a wrong path or signature. Kept in memory. Nobody is sent away for it before path and
/// signature were compared: a gateway may share its network, or a proxy that the settings do not name, with whoever guesses, and
/// a STOP may be among its calls. Against guessing stands the length of the secrets.
#[derive(Default)]
pub struct Guesses {
    by_network: Turns,
    in_whole: Turns,
}

impl Guesses {
    /// Notes a wrong call. Gives whether its network has made few of them.
    pub fn wrong(&self, network: IpAddr, what: &str, now: DateTime<Utc>) -> bool {
        if !self.by_network.take(network, FROM_ONE, now) {
            return false;
        }
        warn!(client.network = %network, "a webhook was called with a wrong {what} from network {network}");
        if !self.by_network.are_left(network, FROM_ONE, now) {
            error!(client.network = %network, "network {network} guesses at the webhooks: its wrong calls are not told for a while");
        }
        if self.in_whole.take(ALL, IN_WHOLE, now) && !self.in_whole.are_left(ALL, IN_WHOLE, now) {
            error!("{IN_WHOLE} wrong calls of webhooks within an hour: many networks guess at them");
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wrong_calls_are_counted_by_network_and_hour() {
        let guesses = Guesses::default();
        let at = |minutes: i64| DateTime::from_timestamp(1_750_000_000 + minutes * 60, 0).expect("a sound instant");
        let (one, other) = (IpAddr::from([192, 0, 2, 0]), IpAddr::from([198, 51, 100, 0]));
        assert!((0..FROM_ONE).all(|_| guesses.wrong(one, "path", at(0))));
        assert!(!guesses.wrong(one, "path", at(59)) && guesses.wrong(other, "signature", at(59)));
        assert!(guesses.wrong(one, "path", at(60)), "an hour later");
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
