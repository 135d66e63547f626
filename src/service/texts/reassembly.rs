//! Puts long texts together out of the parts in which they come, and hands on what channels bring in.

use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use chrono::TimeDelta;
use tokio::time::MissedTickBehavior;
use tracing::{info, warn};

use crate::clock::Clock;
use crate::delivery::attempt::Reference;
use crate::delivery::inbound::{Inbound, InboundPart, InboundText, Intake, NotTaken, WholeText};
use crate::delivery::state::Report;
use crate::people::Channel;
use crate::store::text_parts::WaitingPart;
use crate::store::{Store, StoreError};

/// What the channels that receive are given. Parts wait in the store, so that a restart loses none.
#[derive(Clone)]
pub struct Reassembly {
    pub store: Store,
    pub clock: Arc<dyn Clock>,
    pub inbound: Arc<dyn Inbound>,
}

/// So long the parts of a text are waited for from the first one on. They usually come within seconds.
const PARTS_WITHIN: TimeDelta = TimeDelta::minutes(5);

/// So long a part is known that was acted upon: whoever brought it may bring it again when our answer was lost.
const PARTS_KNOWN_FOR: TimeDelta = TimeDelta::days(1);

/// Texts whose parts do not come are looked for this often.
const MIND_PARTS: Duration = Duration::from_secs(20);

impl Reassembly {
    /// Acts upon texts whose parts do not come any more, and upon those that a crash left whole. Gives how many there were.
    ///
    /// # Errors
    /// [`NotTaken`] when one of them could not be recorded: it waits on.
    pub async fn act_on_parts(&self) -> Result<usize, NotTaken> {
        let now = self.clock.now();
        let due = self.store.texts_to_act_upon(now - PARTS_WITHIN).await.map_err(not_kept)?;
        let mut failed = None;
        for text in &due {
            let parts = self.store.waiting_parts(text).await.map_err(not_kept)?;
            if let Err(why) = self.hand_on(text, &parts).await {
                failed = Some(why); // the others need not wait for it
            }
        }
        self.store.forget_text_parts(now - PARTS_KNOWN_FOR).await.map_err(not_kept)?;
        failed.map_or(Ok(due.len()), Err)
    }

    /// Calls [`Reassembly::act_on_parts`] again and again until `shutdown`.
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
    async fn hand_on(&self, text: &str, parts: &[WaitingPart]) -> Result<(), NotTaken> {
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
        self.inbound.received(&joined).await?;
        self.store.close_text_parts(text, parts, self.clock.now()).await.map_err(not_kept)
    }
}

#[async_trait]
impl Intake for Reassembly {
    async fn take_report(&self, provider_ref: &str, report: Report) -> Result<(), NotTaken> {
        let reference = Reference::Provider(provider_ref);
        self.store.apply_report(Channel::Sms, reference, report, self.clock.now()).await.map_err(not_kept)?;
        Ok(())
    }

    async fn take_text(&self, text: WholeText) -> Result<(), NotTaken> {
        let WholeText { from, to, text } = text;
        let at = self.clock.now();
        self.inbound.received(&InboundText { from, to, text, whole: true, at, id: None }).await
    }

    async fn take_part(&self, part: &InboundPart) -> Result<(), NotTaken> {
        let kept = self.store.keep_text_part(part, self.clock.now()).await.map_err(not_kept)?;
        let Some(text) = kept else { return Ok(()) };
        let parts = self.store.waiting_parts(&text).await.map_err(not_kept)?;
        if is_whole(&parts) { self.hand_on(&text, &parts).await } else { Ok(()) }
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
