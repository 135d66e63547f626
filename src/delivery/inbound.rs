//! The door through which texts from phones come in, the same for every channel that can receive.

use std::sync::Arc;

use async_trait::async_trait;
use chrono::{DateTime, Utc};

use crate::clock::Clock;
use crate::store::Store;

/// A text that somebody sent to our number.
#[derive(Clone, PartialEq, Eq)]
pub struct InboundText {
    /// As the channel gave it: not yet parsed, with or without `+`.
    pub from: String,
    /// Our number, when the channel says it; may be empty.
    pub to: String,
    /// Decoded. Where the channel does not join the parts of a long one, each comes by itself.
    pub text: String,
    /// When it came to us.
    pub at: DateTime<Utc>,
    /// What the channel calls it, if it does: a text that comes twice has the same.
    pub id: Option<String>,
}

/// Numbers and what people write are nobody else's business.
impl std::fmt::Debug for InboundText {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "InboundText(*** of {} characters at {})", self.text.chars().count(), self.at)
    }
}

/// The text could not be recorded: whoever brought it shall bring it again.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the text was not recorded: {cause}")]
pub struct NotTaken {
    pub cause: String,
}

/// Takes in texts. Called once for each that arrives, and again for one that arrives twice.
#[async_trait]
pub trait Inbound: Send + Sync {
    /// Returns when what follows from the text is committed, since the channel then forgets it.
    ///
    /// # Errors
    /// [`NotTaken`] when it could not be recorded now. A text that means nothing is no error.
    async fn received(&self, text: &InboundText) -> Result<(), NotTaken>;
}

/// What a channel that receives is given: where reports are booked and who takes in texts.
#[derive(Clone)]
pub struct Intake {
    pub store: Store,
    pub clock: Arc<dyn Clock>,
    /// Without one, texts are left with the provider.
    pub inbound: Option<Arc<dyn Inbound>>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn printing_a_text_shows_neither_number_nor_words() {
        let text = InboundText {
            from: "+15055550100".into(),
            to: "12345".into(),
            text: "STOP please".into(),
            at: DateTime::UNIX_EPOCH,
            id: None,
        };
        let shown = format!("{text:?}");
        assert!(!shown.contains("5055550100") && !shown.contains("STOP"), "{shown}");
    }
}
