//! The ways out, one file each, behind one trait.

use std::time::Duration;

use async_trait::async_trait;

use crate::message::Message;

/// One message to one address. `key` is the delivery's id: stable over attempts, it becomes the Message-ID and the
/// gateway's reference.
#[derive(Clone, Debug, PartialEq)]
pub struct Outgoing {
    pub key: String,
    pub to: String,
    pub message: Message,
}

/// The channel took responsibility.
#[derive(Clone, Debug, PartialEq)]
pub struct Receipt {
    /// The provider's own reference, if it gave one.
    pub provider_ref: Option<String>,
}

/// Failures sorted by what the caller does next.
#[derive(Debug, thiserror::Error)]
pub enum SendFailure {
    /// Nothing was accepted; try again, not before `after` if the other side said so.
    #[error("not accepted for now: {cause}")]
    TryLater { after: Option<Duration>, cause: String },
    /// Never will be accepted.
    #[error("refused for good: {cause}")]
    GiveUp { cause: String },
    /// All bytes were sent but no answer came: it may or may not have been accepted.
    #[error("sent, but the answer was lost: {cause}")]
    Uncertain { cause: String },
}

#[async_trait]
pub trait Transport: Send + Sync {
    /// # Errors
    /// See [`SendFailure`]: each transport must sort its failures.
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure>;
}
