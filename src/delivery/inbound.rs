//! The door through which texts from phones come in, the same for every channel that can receive.

use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use chrono::{DateTime, TimeDelta, Utc};
use tokio::time::MissedTickBehavior;
use tracing::{info, warn};

use crate::clock::Clock;
use crate::message::sms;
use crate::store::text_parts::WaitingPart;
use crate::store::{Store, StoreError};

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

/// What a channel that receives is given: where reports are booked and who takes in texts.
#[derive(Clone)]
pub struct Intake {
    pub store: Store,
    pub clock: Arc<dyn Clock>,
    /// Without one, texts are left with the provider.
    pub inbound: Option<Arc<dyn Inbound>>,
}

/// So long the parts of a text are waited for from the first one on. They usually come within seconds.
const PARTS_WITHIN: TimeDelta = TimeDelta::minutes(5);

/// So long a part is known that was acted upon: whoever brought it may bring it again when our answer was lost.
const PARTS_KNOWN_FOR: TimeDelta = TimeDelta::days(1);

/// Texts whose parts do not come are looked for this often.
const MIND_PARTS: Duration = Duration::from_secs(20);

impl Intake {
    /// Takes in a part of a long text, in any order and as often as it comes. With the last one the text is whole and handed on.
    ///
    /// # Errors
    /// [`NotTaken`] when the part could not be kept, or the text that it ends not recorded: it shall be brought again.
    pub async fn take_part(&self, part: &InboundPart) -> Result<(), NotTaken> {
        let Some(inbound) = &self.inbound else {
            return Err(NotTaken { cause: "nobody here takes texts".into() });
        };
        let kept = self.store.keep_text_part(part, self.clock.now()).await.map_err(not_kept)?;
        let Some(text) = kept else { return Ok(()) };
        let parts = self.store.waiting_parts(&text).await.map_err(not_kept)?;
        if is_whole(&parts) { self.hand_on(&**inbound, &text, &parts).await } else { Ok(()) }
    }

    /// Acts upon texts whose parts do not come any more, and upon those that a crash left whole. Gives how many there were.
    ///
    /// # Errors
    /// [`NotTaken`] when one of them could not be recorded: it waits on.
    pub async fn act_on_parts(&self) -> Result<usize, NotTaken> {
        let Some(inbound) = &self.inbound else { return Ok(0) };
        let now = self.clock.now();
        let due = self.store.texts_to_act_upon(now - PARTS_WITHIN).await.map_err(not_kept)?;
        let mut failed = None;
        for text in &due {
            let parts = self.store.waiting_parts(text).await.map_err(not_kept)?;
            if let Err(why) = self.hand_on(&**inbound, text, &parts).await {
                failed = Some(why); // the others need not wait for it
            }
        }
        self.store.forget_text_parts(now - PARTS_KNOWN_FOR).await.map_err(not_kept)?;
        failed.map_or(Ok(due.len()), Err)
    }

    /// Calls [`Intake::act_on_parts`] again and again until `shutdown`.
    pub async fn mind_parts(&self, shutdown: impl Future<Output = ()>) {
        let mut turns = tokio::time::interval(MIND_PARTS);
        turns.set_missed_tick_behavior(MissedTickBehavior::Delay);
        tokio::pin!(shutdown);
        let mut fails = false;
        loop {
            tokio::select! {
                _ = turns.tick() => {}
                () = &mut shutdown => return,
            }
            match self.act_on_parts().await {
                Ok(acted) => {
                    fails = false;
                    if acted > 0 {
                        info!(texts = acted, "acted upon texts that were left in parts");
                    }
                }
                Err(why) if !fails => {
                    fails = true;
                    warn!(error = %why, "texts in parts cannot be acted upon for now");
                }
                Err(_) => {}
            }
        }
    }

    /// Hands on what there is of a text and then erases it here. A crash between the two hands it on once more under the
    /// same id.
    async fn hand_on(&self, inbound: &dyn Inbound, text: &str, parts: &[WaitingPart]) -> Result<(), NotTaken> {
        let (Some(first), Some(newest)) = (parts.first(), parts.iter().map(|part| part.received_at).max()) else {
            return Ok(());
        };
        let whole = is_whole(parts);
        let begun = parts.iter().map(|part| part.received_at).min().unwrap_or(newest).timestamp_millis();
        let joined = InboundText {
            from: first.sender.clone(),
            to: first.receiver.clone(),
            text: joined(parts),
            whole,
            at: newest,
            // Not the same for a rest as for the whole: the rest may be read while the last part comes in.
            id: Some(format!("{text} {begun} {}", if whole { "whole" } else { "rest" })),
        };
        inbound.received(&joined).await?;
        self.store.close_text_parts(text, parts, self.clock.now()).await.map_err(not_kept)
    }
}

fn not_kept(why: StoreError) -> NotTaken {
    NotTaken { cause: why.to_string() }
}

fn is_whole(parts: &[WaitingPart]) -> bool {
    let mut numbers: Vec<u8> = parts.iter().map(|part| part.number).collect();
    numbers.dedup(); // they are in order
    parts.first().is_some_and(|part| numbers.len() == usize::from(part.total))
}

/// The words, with a sign where parts are missing. Neighbours in one alphabet are read together, since a character may have
/// been cut in two.
fn joined(parts: &[WaitingPart]) -> String {
    let mut text = String::new();
    let mut last = 0;
    for run in parts.chunk_by(|a, b| a.alphabet == b.alphabet && a.number.checked_add(1) == Some(b.number)) {
        if run[0].number > last + 1 {
            text.push_str(" … ");
        }
        let octets: Vec<u8> = run.iter().flat_map(|part| part.octets.iter().copied()).collect();
        text.push_str(&run[0].alphabet.read(&octets));
        last = run[run.len() - 1].number;
    }
    text
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
