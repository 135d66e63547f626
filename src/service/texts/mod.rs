//! Texts from phones, by whatever way they come: what each does, in one transaction, once.
//!
//! A stop holds from its commit on: nothing that a worker claims later goes out, and a worker looks once more right before
//! the first byte. [`Texts::received`] returns only when no worker has a message to that phone in hand any more, so
//! nothing is handed to a gateway after whoever brought the text was told that it was taken.

use std::time::Duration;

use async_trait::async_trait;
use chrono::{DateTime, TimeDelta, Utc};
use tracing::{info, warn};

use crate::delivery::inbound::{Inbound, InboundText, NotTaken};
use crate::message::{LetterFacts, LetterKind, Sender};
use crate::people::keywords::{self, Meaning};
use crate::people::limits::By;
use crate::people::{Address, Language, PhoneNumber, Reach, Zip};
use crate::service::app::Parts;
use crate::service::follow_up;
use crate::service::subscribe::sign_up;
use crate::service::subscribe::sign_up::{Confirmed, EnrolError, Wish, tell, welcome};
use crate::store::follow_ups;
use crate::store::inbound::first_time;
use crate::store::notices::tell_staff;
use crate::store::pending_sign_ups;
use crate::store::staff_log::StaffKind;
use crate::store::subscriptions;
use crate::store::subscriptions::{AddressStatus, Consent, NewSubscriber, enrol, resume, standing, stop};
use crate::store::transactional;
use crate::store::{StoreError, Tx};

/// What a text did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Did {
    /// It came before: nothing was done.
    Repeated,
    /// Its sender cannot be written to: a short code, a name, a number abroad. Of such only a stop is obeyed.
    NoSender,
    Stopped,
    /// Written to again.
    Resumed,
    /// Was asked to confirm.
    Asked,
    Confirmed,
    /// A wish was withdrawn before it was confirmed.
    Declined,
    /// A subscriber has more ZIP codes now.
    Extended,
    Helped,
    /// Asked where their trees are.
    AskedWhere,
    /// Told what they saw.
    Reported,
    NotUnderstood,
    /// Nothing is answered: the phone said stop, or had its answers for today.
    Silent,
}

/// The texts that one phone is answered in a day, beside stops: two machines that answer each other must come to an end.
const ANSWERS_A_DAY: u64 = 10;

/// Longest wait for a message to this phone that a worker has in hand; the gateway's own time for an answer is shorter.
const IN_HAND: Duration = Duration::from_secs(3);

/// Takes in texts for the service.
#[derive(Clone)]
pub struct Texts {
    parts: Parts,
}

impl Texts {
    pub fn new(parts: Parts) -> Self {
        Self { parts }
    }

    /// Does what a text asks for.
    ///
    /// # Errors
    /// When the store fails; then nothing was done and the text is to be brought again.
    pub async fn take(&self, text: &InboundText) -> Result<Did, EnrolError> {
        let parts = &self.parts;
        let mut read = keywords::read(&text.text);
        if !text.whole && read.meaning != Meaning::Stop {
            // What is missing may turn the rest round.
            read.meaning = Meaning::Other;
        }
        let reach = if parts.config.sms.abroad { Reach::World } else { Reach::NorthAmerica };
        // A stop is obeyed from wherever it comes.
        let reach = if read.meaning == Meaning::Stop { Reach::World } else { reach };
        // Gateways give a number with or without its plus.
        let from = text.from.trim();
        let parsed = PhoneNumber::parse(from, reach).or_else(|why| {
            if from.starts_with('+') { Err(why) } else { PhoneNumber::parse(&format!("+{from}"), reach) }
        });
        let Ok(phone) = parsed else {
            let did = if read.meaning == Meaning::Stop { self.stop_unanswered(text).await? } else { Did::NoSender };
            info!(meaning = read.meaning.name(), "a text came from where no answer can go: {did:?}");
            return Ok(did);
        };
        let now = parts.clock.now();
        let address = Address::Phone(phone);
        let mut tx = parts.store.begin().await?;
        let key = tx.hash().of(&address);
        let fact = fact(&tx, &key, text);
        let new = first_time(&mut tx, &fact, "text", Some(read.meaning.name()), now).await?;
        // Without an id of its own, a second STOP in a minute may be meant after a START between the two.
        let must_hold = read.meaning == Meaning::Stop && text.id.is_none();
        if !new && !must_hold {
            return Ok(Did::Repeated);
        }
        let mut text_in_hand = Incoming::of(&mut tx, parts, address, key, fact, read.language, now).await?;
        let did = text_in_hand.act(&read.meaning, &text.text).await?;
        let key = text_in_hand.key;
        tx.commit().await?;
        parts.queued.notify_one();
        if did == Did::Stopped {
            self.wait_for_workers(&key).await?;
        }
        info!(meaning = read.meaning.name(), "a text came in: {did:?}");
        Ok(did)
    }

    /// Obeys a stop of somebody to whom no answer can go: whatever the sender is, nothing is ever written there.
    async fn stop_unanswered(&self, text: &InboundText) -> Result<Did, EnrolError> {
        let now = self.parts.clock.now();
        let mut tx = self.parts.store.begin().await?;
        let Some(key) = tx.hash().of_sender(&text.from) else {
            let day = now.date_naive();
            let text = "a text said stop and came without its sender, so nobody could be stopped: ask the gateway why";
            tell_staff(&mut tx, &format!("stop-of-nobody/{day}"), None, StaffKind::Text, text, now).await?;
            tx.commit().await?;
            return Ok(Did::NoSender);
        };
        let fact = fact(&tx, &key, text);
        first_time(&mut tx, &fact, "text", Some(Meaning::Stop.name()), now).await?;
        subscriptions::stop_by_id(&mut tx, &key, "word in a text", now).await?;
        tx.commit().await?;
        self.wait_for_workers(&key).await?;
        Ok(Did::Stopped)
    }

    /// A worker that looked at the phone's standing before the stop was committed may be sending at this moment.
    async fn wait_for_workers(&self, address_key: &str) -> Result<(), StoreError> {
        let begun = tokio::time::Instant::now();
        while self.parts.store.in_hand(address_key, self.parts.clock.now()).await? {
            if begun.elapsed() >= IN_HAND {
                warn!("a message to a phone that said stop was handed to its gateway before, and is not answered yet");
                break;
            }
            tokio::time::sleep(Duration::from_millis(15)).await;
        }
        Ok(())
    }
}

#[async_trait]
impl Inbound for Texts {
    async fn received(&self, text: &InboundText) -> Result<(), NotTaken> {
        self.take(text).await.map(drop).map_err(|why| NotTaken { cause: why.to_string() })
    }
}

/// What makes two texts one: the provider's id, or where there is none sender, words and minute.
fn fact(tx: &Tx, address_key: &str, text: &InboundText) -> String {
    let minute = text.at.timestamp().div_euclid(60);
    match text.id.as_deref().map(str::trim).filter(|id| !id.is_empty()) {
        Some(id) => tx.hash().of_text("inbound text", &format!("{address_key}\nid {id}")),
        None => tx.hash().of_text("inbound text", &format!("{address_key}\n{minute}\n{}", text.text)),
    }
}

/// One text with what is known of its sender.
struct Incoming<'a> {
    tx: &'a mut Tx,
    parts: &'a Parts,
    address: Address,
    key: String,
    fact: String,
    status: Option<AddressStatus>,
    suppressed: bool,
    language: Language,
    now: DateTime<Utc>,
}

impl<'a> Incoming<'a> {
    async fn of(
        tx: &'a mut Tx,
        parts: &'a Parts,
        address: Address,
        key: String,
        fact: String,
        said_in: Option<Language>,
        now: DateTime<Utc>,
    ) -> Result<Self, StoreError> {
        let (status, suppressed, own) = standing(tx, &key).await?;
        let open = pending_sign_ups::open_of(tx, &key, now).await?;
        let language = own.or(open.map(|wish| wish.language)).or(said_in).unwrap_or(Language::En);
        Ok(Self { tx, parts, address, key, fact, status, suppressed, language, now })
    }

    async fn act(&mut self, meaning: &Meaning, words: &str) -> Result<Did, EnrolError> {
        if *meaning == Meaning::Stop {
            return self.stop().await;
        }
        let day_ago = self.now - TimeDelta::days(1);
        if transactional::count_since(self.tx, &self.key, &LetterKind::ALL, day_ago).await? >= ANSWERS_A_DAY {
            return Ok(Did::Silent);
        }
        match meaning {
            Meaning::Stop => self.stop().await,
            Meaning::Start => self.start().await,
            Meaning::Yes => match self.confirm("answered YES").await? {
                Did::NotUnderstood => self.start().await,
                did => Ok(did),
            },
            Meaning::No => self.no().await,
            Meaning::Help => self.answer(LetterKind::Help, Did::Helped).await,
            Meaning::Zips(zips) => self.join(zips).await,
            Meaning::Code(code) => self.code(code).await,
            Meaning::Saw(saw) => match follow_ups::open_of(self.tx, &self.key, self.now).await? {
                Some(question) => {
                    follow_up::answer_in(self.tx, self.parts, &question, *saw).await?;
                    self.answer(LetterKind::Thanks, Did::Reported).await
                }
                None => self.not_understood(words).await,
            },
            Meaning::Other => self.not_understood(words).await,
        }
    }

    async fn stop(&mut self) -> Result<Did, EnrolError> {
        let was_stopped = self.suppressed;
        stop(self.tx, &self.address, "word in a text", self.now).await?;
        if !was_stopped {
            let facts = self.facts();
            let fact = self.fact.clone();
            tell(self.tx, self.parts, LetterKind::Stopped, &self.address, self.language, facts, &fact, self.now)
                .await?;
        }
        Ok(Did::Stopped)
    }

    /// Only who had confirmed before is written to again on one word; all others are asked where their trees are.
    async fn start(&mut self) -> Result<Did, EnrolError> {
        if self.status == Some(AddressStatus::Confirmed) && !self.suppressed {
            return self.answer(LetterKind::Resumed, Did::Resumed).await;
        }
        if resume(self.tx, &self.address, "word in a text", self.now).await? {
            self.status = Some(AddressStatus::Confirmed);
            self.suppressed = false;
            return self.answer(LetterKind::Resumed, Did::Resumed).await;
        }
        if self.suppressed {
            let day = self.now.date_naive();
            let text = "somebody who had said stop and never confirmed before sent START: they are not written to \
                        unless they text their ZIP code";
            tell_staff(self.tx, &format!("start-after-stop/{}/{day}", self.key), None, StaffKind::Text, text, self.now)
                .await?;
            return Ok(Did::Silent);
        }
        self.once_a_day(LetterKind::WhichZip, Did::AskedWhere).await
    }

    async fn confirm(&mut self, how: &str) -> Result<Did, EnrolError> {
        Ok(match sign_up::confirm_by_reply(self.tx, self.parts, &self.key, how, self.now).await? {
            Confirmed::Yes { .. } => Did::Confirmed,
            Confirmed::Wrong { .. } | Confirmed::No => Did::NotUnderstood,
        })
    }

    async fn no(&mut self) -> Result<Did, EnrolError> {
        let ended =
            pending_sign_ups::end_open(self.tx, &self.key, pending_sign_ups::Outcome::Stopped, self.now).await?;
        if ended > 0 { Ok(Did::Declined) } else { self.not_understood("no").await }
    }

    /// A code sent back from the phone it was sent to is as good as typed in, and as limited.
    async fn code(&mut self, code: &str) -> Result<Did, EnrolError> {
        match pending_sign_ups::type_code(self.tx, &self.key, code, self.now).await? {
            pending_sign_ups::Typed::Right(_) => self.confirm("answered with the code").await,
            _ => self.not_understood("").await,
        }
    }

    async fn join(&mut self, zips: &[Zip]) -> Result<Did, EnrolError> {
        if self.status == Some(AddressStatus::Confirmed) && !self.suppressed {
            let new = NewSubscriber {
                zips: zips.to_vec(),
                addresses: vec![self.address.clone()],
                language: self.language,
                consent: Consent::Given { evidence: "ZIP code in a text".into() },
            };
            enrol(self.tx, &new, self.now).await?;
            subscriptions::note_waits(self.tx, &self.key, self.now).await?;
            let fact = self.fact.clone();
            welcome(self.tx, self.parts, &self.address, self.language, zips, &fact, self.now).await?;
            return Ok(Did::Extended);
        }
        // The owner of the phone writes from it and asks: that is a newer word than their stop. They are asked back, and the
        // stop holds against all else until they say yes.
        let wish = Wish {
            address: self.address.clone(),
            zips: zips.to_vec(),
            language: self.language,
            words: String::new(),
            evidence: "text from the phone".into(),
            network: None,
        };
        let fact = self.fact.clone();
        let held = sign_up::ask_in(self.tx, self.parts, &wish, By::Phone, &fact, self.now).await?;
        Ok(if held.is_none() { Did::Asked } else { Did::Silent })
    }

    async fn not_understood(&mut self, words: &str) -> Result<Did, EnrolError> {
        let day = self.now.date_naive();
        // The words may hold anything, so staff learn that there was a text and not what it said.
        let length = words.chars().count();
        let text = format!("a text of {length} characters from {} was not understood", self.address);
        tell_staff(self.tx, &format!("not-understood/{}/{day}", self.key), None, StaffKind::Text, &text, self.now)
            .await?;
        self.once_a_day(LetterKind::NotUnderstood, Did::NotUnderstood).await
    }

    async fn once_a_day(&mut self, kind: LetterKind, did: Did) -> Result<Did, EnrolError> {
        let kinds = [LetterKind::NotUnderstood, LetterKind::WhichZip];
        let told = transactional::count_since(self.tx, &self.key, &kinds, self.now - TimeDelta::days(1)).await?;
        if told > 0 { Ok(Did::Silent) } else { self.answer(kind, did).await }
    }

    async fn answer(&mut self, kind: LetterKind, did: Did) -> Result<Did, EnrolError> {
        if self.suppressed {
            return Ok(Did::Silent);
        }
        let facts = self.facts();
        let fact = self.fact.clone();
        tell(self.tx, self.parts, kind, &self.address, self.language, facts, &fact, self.now).await?;
        Ok(did)
    }

    fn facts(&self) -> LetterFacts {
        LetterFacts::of(Sender::from(&self.parts.config.messages))
    }
}
