//! A channel that does what a test tells it, beside the real ones.

use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use async_trait::async_trait;
use tokio::sync::Notify;

use crate::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};

/// What happens to one send.
#[derive(Clone, Debug, PartialEq)]
pub enum Script {
    /// Taken and answered.
    Accept,
    /// Taken and answered with this reference.
    AcceptAs(String),
    /// Not taken.
    TryLater(Option<Duration>),
    ChannelDown(Option<Duration>),
    GiveUp,
    /// Taken; the answer is lost.
    TakeAndLoseAnswer,
    /// Not taken, though all was sent; the answer is lost.
    DropAndLoseAnswer,
    /// Never answers; nothing was taken yet.
    HangBefore,
    /// Taken; never answers.
    HangAfter,
}

/// Plays its script, then accepts everything. Keeps what it took: the receiver's truth.
#[derive(Default)]
pub struct ScriptedTransport {
    script: Mutex<VecDeque<Script>>,
    taken: Mutex<Vec<Outgoing>>,
    tried: Mutex<Vec<String>>,
    hanging: Notify,
    took: Notify,
}

impl ScriptedTransport {
    pub fn new(script: impl IntoIterator<Item = Script>) -> Self {
        Self { script: Mutex::new(script.into_iter().collect()), ..Self::default() }
    }

    /// What is to happen next, after what was scripted before.
    pub fn script(&self, more: impl IntoIterator<Item = Script>) {
        locked(&self.script).extend(more);
    }

    /// Everything it took, in order, repeats included.
    pub fn taken(&self) -> Vec<Outgoing> {
        locked(&self.taken).clone()
    }

    /// How many messages it took for this address.
    pub fn sent_to(&self, address: &str) -> usize {
        locked(&self.taken).iter().filter(|one| one.to == address).count()
    }

    /// The keys of all sends, also of those it did not take.
    pub fn tried(&self) -> Vec<String> {
        locked(&self.tried).clone()
    }

    /// Waits until it has taken this many.
    pub async fn has_taken(&self, many: usize) {
        loop {
            let took = self.took.notified();
            if locked(&self.taken).len() >= many {
                return;
            }
            took.await;
        }
    }

    /// Waits until a send hangs.
    pub async fn hangs(&self) {
        self.hanging.notified().await;
    }
}

#[async_trait]
impl Transport for ScriptedTransport {
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        let next = locked(&self.script).pop_front().unwrap_or(Script::Accept);
        locked(&self.tried).push(outgoing.key.clone());
        let cause = "as scripted".to_owned();
        let take = || {
            locked(&self.taken).push(outgoing.clone());
            self.took.notify_waiters();
        };
        match next {
            Script::Accept => {
                take();
                Ok(Receipt::default())
            }
            Script::AcceptAs(reference) => {
                take();
                Ok(Receipt { provider_ref: Some(reference) })
            }
            Script::TryLater(after) => Err(SendFailure::TryLater { after, cause }),
            Script::ChannelDown(after) => Err(SendFailure::ChannelDown { after, cause }),
            Script::GiveUp => Err(SendFailure::GiveUp { cause }),
            Script::TakeAndLoseAnswer => {
                take();
                Err(SendFailure::Uncertain { cause })
            }
            Script::DropAndLoseAnswer => Err(SendFailure::Uncertain { cause }),
            Script::HangBefore | Script::HangAfter => {
                if next == Script::HangAfter {
                    take();
                }
                self.hanging.notify_one();
                std::future::pending().await
            }
        }
    }
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
