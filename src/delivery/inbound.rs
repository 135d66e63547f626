//! Texts and reports that channels bring in, the same for every channel that can receive.

use async_trait::async_trait;
use chrono::{DateTime, Utc};

use crate::delivery::state::Report;
use crate::message::sms;

/// A text that somebody sent to our number.
#[derive(Clone, PartialEq, Eq)]
pub struct InboundText {
    /// As the channel gave it: not yet parsed, with or without `+`.
    pub from: String,
    /// Our number, when the channel says it; may be empty.
    pub to: String,
    /// Decoded. Where nobody joins the parts of a long one, each comes by itself.
    pub text: String,
    /// All of it is here. Where parts are known to be missing, nothing but a stop may be read out of the rest.
    pub whole: bool,
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

/// How the characters of a text were made octets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Alphabet {
    /// One septet an octet.
    Gsm7,
    Ucs2,
    Latin1,
    Ascii,
}

impl Alphabet {
    const ALL: [Alphabet; 4] = [Alphabet::Gsm7, Alphabet::Ucs2, Alphabet::Latin1, Alphabet::Ascii];

    pub fn name(self) -> &'static str {
        match self {
            Alphabet::Gsm7 => "gsm-7",
            Alphabet::Ucs2 => "ucs-2",
            Alphabet::Latin1 => "latin-1",
            Alphabet::Ascii => "ascii",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|one| one.name() == name)
    }

    /// Reads octets; what is none of its characters becomes a blank or the sign for one.
    pub fn read(self, octets: &[u8]) -> String {
        match self {
            Alphabet::Gsm7 => sms::gsm7_text(octets),
            Alphabet::Ucs2 => {
                let units: Vec<u16> = octets.chunks_exact(2).map(|two| u16::from_be_bytes([two[0], two[1]])).collect();
                String::from_utf16_lossy(&units)
            }
            Alphabet::Latin1 => octets.iter().map(|octet| char::from(*octet)).collect(),
            Alphabet::Ascii => String::from_utf8_lossy(octets).into_owned(),
        }
    }
}

/// A part of a long text as it came, not decoded yet: some phones cut a character in two.
#[derive(Clone, PartialEq, Eq)]
pub struct InboundPart {
    pub from: String,
    pub to: String,
    /// What the phone calls the text: the same in all its parts, and soon again in another text.
    pub reference: u16,
    /// From 1 to `total`.
    pub number: u8,
    pub total: u8,
    pub alphabet: Alphabet,
    pub octets: Vec<u8>,
}

/// A text that came in one piece.
#[derive(Clone, PartialEq, Eq)]
pub struct WholeText {
    pub from: String,
    pub to: String,
    pub text: String,
}

/// What a channel that receives hands on what it hears to.
#[async_trait]
pub trait Intake: Send + Sync {
    /// Books what the provider says of the message that it calls so.
    ///
    /// # Errors
    /// [`NotTaken`] when it could not be recorded: it shall be brought again.
    async fn take_report(&self, provider_ref: &str, report: Report) -> Result<(), NotTaken>;

    /// Takes in a text.
    ///
    /// # Errors
    /// [`NotTaken`] when it could not be recorded: it shall be brought again.
    async fn take_text(&self, text: WholeText) -> Result<(), NotTaken>;

    /// Takes in a part of a long text, in any order and as often as it comes. With the last one the text is whole and handed on.
    ///
    /// # Errors
    /// [`NotTaken`] when the part could not be kept, or the text that it ends not recorded: it shall be brought again.
    async fn take_part(&self, part: &InboundPart) -> Result<(), NotTaken>;
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
            whole: true,
            at: DateTime::UNIX_EPOCH,
            id: None,
        };
        let shown = format!("{text:?}");
        assert!(!shown.contains("5055550100") && !shown.contains("STOP"), "{shown}");
    }
}
