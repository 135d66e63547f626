//! Stop, however it is said: by a word in a text, by a link, on one's own page, or to staff, who use the command. Also the
//! link by which one stops.
//!
//! A stop holds from its commit on: nothing that a worker claims later goes out, and a worker looks once more right before
//! the first byte. Whoever said stop is answered only when no worker has a message to them in hand any more, so nothing is
//! handed to a gateway after they were told that they are stopped.

use std::time::Duration;

use chrono::{DateTime, Utc};
use tracing::warn;
use url::Url;

use super::tokens::{self, Purpose};
use crate::clock::Clock;
use crate::config::Config;
use crate::dispatch::personalise::Addressee;
use crate::links::{self, PublicUrl};
use crate::message::TransactionalKind;
use crate::people::{Address, AddressHash, AddressId};
use crate::service::photographs;
use crate::store::acts::Act;
use crate::store::audit::address_subject;
use crate::store::stops;
use crate::store::stops::Stopped;
use crate::store::{Store, StoreError, Tx};

/// Longest wait for messages that workers have in hand; a gateway's own time for an answer is shorter.
const IN_HAND: Duration = Duration::from_secs(3);

/// How often is looked meanwhile.
const LOOK_EVERY: Duration = Duration::from_millis(15);

/// What somebody asked for.
#[derive(Clone, Copy, Debug)]
pub enum StopRequest<'a> {
    /// Nothing more to this address, by its key, which may be nobody's any more.
    Address(&'a AddressId),
    /// Nothing more to any address of the owner of this one, and nothing kept of them.
    Erase(&'a Address),
}

/// Obeys a stop, and waits for workers that have a message in hand. `evidence`: how it was said.
///
/// # Errors
/// When the store fails, or nothing is known of somebody who is to be erased.
pub async fn stop(
    store: &Store,
    clock: &dyn Clock,
    request: StopRequest<'_>,
    evidence: &str,
) -> Result<Stopped, StoreError> {
    let now = clock.now();
    match request {
        StopRequest::Address(key) => {
            let mut tx = store.begin().await?;
            let stopping = stop_in(&mut tx, key, evidence, now).await?;
            tx.commit().await?;
            stopping.in_force(store, clock).await
        }
        StopRequest::Erase(address) => {
            let owner = store.subscriber_of(address).await?;
            let addresses = owner.iter().flat_map(|owner| &owner.addresses).map(|known| &known.address);
            let mut keys = Vec::new();
            for address in addresses.chain([address]) {
                keys.push(store.address_id(address).await?);
            }
            let stopped = store.remove_subscriber(address, evidence, now).await?;
            Stopping { keys, stopped }.in_force(store, clock).await
        }
    }
}

/// Staff obey a stop that was said to them: nothing more to these addresses of one person, who stays on the list. One row of the
/// audit. `evidence`: how it was said.
///
/// # Errors
/// When the store fails; then nothing was stopped.
pub async fn stop_for_staff(
    store: &Store,
    clock: &dyn Clock,
    keys: &[AddressId],
    evidence: &str,
) -> Result<Stopped, StoreError> {
    let now = clock.now();
    let mut tx = store.begin().await?;
    let mut all = Stopping { keys: Vec::new(), stopped: Stopped::default() };
    for key in keys {
        let one = stop_in(&mut tx, key, evidence, now).await?;
        all.keys.extend(one.keys);
        all.stopped.addresses += one.stopped.addresses;
        all.stopped.cancelled += one.stopped.cancelled;
    }
    let subjects: Vec<String> = keys.iter().map(address_subject).collect();
    let detail = format!("{}: {evidence}", all.stopped.said());
    tx.note_act(Act::SubscriberStopped, &subjects.join(" "), &detail).await?;
    tx.commit().await?;
    all.in_force(store, clock).await
}

/// Staff erase somebody, as [`StopRequest::Erase`], and the photographs of their reports with them.
///
/// # Errors
/// As [`stop`].
pub async fn erase_for_staff(
    config: &Config,
    store: &Store,
    clock: &dyn Clock,
    address: &Address,
    evidence: &str,
) -> Result<Stopped, StoreError> {
    let stopped = stop(store, clock, StopRequest::Erase(address), evidence).await?;
    photographs::sweep_after_erasure(config, store, clock.now()).await;
    Ok(stopped)
}

/// A stop that is written down. It is obeyed in full when [`Stopping::in_force`] returns.
#[must_use = "commit the transaction, then wait until it is in force"]
#[derive(Debug)]
pub struct Stopping {
    keys: Vec<AddressId>,
    stopped: Stopped,
}

/// As [`stop`] of an address, inside a transaction of the caller, who commits it and then waits for it to be in force.
///
/// # Errors
/// When the store fails; then the transaction is to be given up.
pub async fn stop_in(
    tx: &mut Tx,
    address_key: &AddressId,
    evidence: &str,
    now: DateTime<Utc>,
) -> Result<Stopping, StoreError> {
    let stopped = stops::stop_by_id(tx, address_key, evidence, now).await?;
    Ok(Stopping { keys: vec![address_key.clone()], stopped })
}

impl Stopping {
    /// After the commit: a worker that looked at an address before it may be sending at this moment.
    ///
    /// # Errors
    /// When the store fails; the stop holds all the same.
    pub async fn in_force(self, store: &Store, clock: &dyn Clock) -> Result<Stopped, StoreError> {
        let begun = tokio::time::Instant::now();
        for key in &self.keys {
            while store.in_hand(key, clock.now()).await? {
                if begun.elapsed() >= IN_HAND {
                    warn!("a message to somebody who said stop was handed over before, and is not answered yet");
                    return Ok(self.stopped);
                }
                tokio::time::sleep(LOOK_EVERY).await;
            }
        }
        Ok(self.stopped)
    }
}

/// What makes each addressee's stop link; no link without a public address.
pub fn personaliser(
    public_url: &PublicUrl,
    hash: AddressHash,
) -> impl Fn(&Addressee<'_>) -> Option<Url> + Send + Sync + 'static {
    let base = public_url.url().cloned();
    // An alarm is for staff: one click in a mail program must not end them for good.
    let alarm = format!("letter/{}", TransactionalKind::Alarm.name());
    move |to| {
        links::stop(
            base.as_ref().filter(|_| to.notice != alarm)?,
            &tokens::make(&hash, Purpose::Stop, to.address_id.as_str()),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::people::Channel;

    #[test]
    fn links_are_made_below_the_public_address() {
        let to =
            Addressee { address_id: &"0123456789abcdef0123456789abcdef".into(), notice: "n", channel: Channel::Email };
        let link =
            |base| personaliser(&PublicUrl::from(base), AddressHash::with_key(b"k"))(&to).map(|url| url.to_string());
        assert_eq!(link(""), None);
        let at_root = link("https://pinyon.example.org").expect("a link");
        assert!(at_root.starts_with("https://pinyon.example.org/stop/0123456789abcdef"), "{at_root}");
        let below = link("https://example.org/pinyon/").expect("a link");
        assert!(below.starts_with("https://example.org/pinyon/stop/0123"), "{below}");
    }
}
