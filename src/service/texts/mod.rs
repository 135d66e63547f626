//! Texts from phones, by whatever way they come: what each does, in one transaction, once.
//!
//! After a stop, [`Texts::received`] returns only when it is in force: see [`crate::service::subscribe::stop`].

pub mod reassembly;

use async_trait::async_trait;
use chrono::{DateTime, TimeDelta, Utc};
use tracing::info;

use crate::delivery::inbound::{Inbound, InboundText, NotTaken};
use crate::message::{Sender, TransactionalFacts, TransactionalKind};
use crate::people::keywords::{self, HeightAnswer, Meaning, ScaleAnswer};
use crate::people::limits::RequestedBy;
use crate::people::{Address, AddressId, Language, PhoneNumber, Reach, Zip};
use crate::people::{Consent, NewSubscriber};
use crate::service::app::App;
use crate::service::follow_up::{self, Reply};
use crate::service::subscribe::SignUpError;
use crate::service::subscribe::confirm::{self, Confirmed};
use crate::service::subscribe::heights::{To, answered, ask_now};
use crate::service::subscribe::messages::{tell, welcome};
use crate::service::subscribe::sign_up::{self, SignUpRequest};
use crate::service::subscribe::stop::{Stopping, stop_in};
use crate::store::addresses::{AddressStatus, standing};
use crate::store::enrolment::enrol;
use crate::store::follow_ups;
use crate::store::heights::{Said, open_question, say, zips_of};
use crate::store::inbound::{answered_since, first_time, note_answered};
use crate::store::pending_sign_ups;
use crate::store::staff_log::StaffKind;
use crate::store::staff_log::tell_staff;
use crate::store::stops::resume;
use crate::store::subscriptions;
use crate::store::transactional;
use crate::store::{StoreError, Tx};
use crate::text::Chain;

/// What a text did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TextOutcome {
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
    /// A sign-up request was withdrawn before it was confirmed.
    Declined,
    /// A subscriber has more ZIP codes now.
    Extended,
    Helped,
    /// Asked where their trees are.
    AskedWhere,
    /// Told what they saw.
    Reported,
    /// Told how high up their trees stand.
    HeightSaid,
    /// Asked that again.
    AskedHeight,
    NotUnderstood,
    /// Nothing is answered: the phone said stop, or had its answers for today.
    Silent,
}

/// The texts that one phone is answered in a day, beside stops: two machines that answer each other must come to an end.
const ANSWERS_A_DAY: u64 = 10;

/// What staff are told under this name and a day: see `Incoming::may_answer`.
pub const ANSWERS_USED_UP: &str = "answers-used-up";

/// How a stop by text was said.
const STOP_EVIDENCE: &str = "word in a text";

/// Takes in texts for the service.
#[derive(Clone)]
pub struct Texts {
    app: App,
}

impl Texts {
    pub fn new(app: App) -> Self {
        Self { app }
    }

    /// Does what a text asks for.
    ///
    /// # Errors
    /// When the store fails; then nothing was done and the text is to be brought again.
    pub async fn take(&self, text: &InboundText) -> Result<TextOutcome, SignUpError> {
        let app = &self.app;
        let mut read = keywords::read(&text.text);
        if !text.whole && read.meaning != Meaning::Stop {
            // What is missing may turn the rest round.
            read.meaning = Meaning::Other;
        }
        // A stop is obeyed from wherever it comes.
        let reach = if read.meaning == Meaning::Stop { Reach::World } else { app.config.sms.reach };
        // Gateways give a number with or without its plus.
        let from = text.from.trim();
        let parsed = PhoneNumber::parse(from, reach).or_else(|why| {
            if from.starts_with('+') { Err(why) } else { PhoneNumber::parse(&format!("+{from}"), reach) }
        });
        let Ok(phone) = parsed else {
            let did =
                if read.meaning == Meaning::Stop { self.stop_unanswered(text).await? } else { TextOutcome::NoSender };
            info!(meaning = read.meaning.name(), "a text came from where no answer can go: {did:?}");
            return Ok(did);
        };
        let now = app.clock.now();
        let address = Address::Phone(phone);
        let mut tx = app.store.begin().await?;
        let key = tx.address_id(&address).await?;
        let fact = fact(&tx, &key, text);
        let new = first_time(&mut tx, &fact, "text", Some(read.meaning.name()), now).await?;
        // Without an id of its own, a second STOP in a minute may be meant after a START between the two.
        let must_hold = read.meaning == Meaning::Stop && text.id.is_none();
        if !new && !must_hold {
            return Ok(TextOutcome::Repeated);
        }
        let mut text_in_hand = Incoming::of(&mut tx, app, address, key, fact.clone(), read.language, now).await?;
        let did = text_in_hand.act(&read.meaning, &text.text).await?;
        let (stopping, answered) = (text_in_hand.stopping, text_in_hand.answered);
        if answered {
            note_answered(&mut tx, &fact).await?;
        }
        tx.commit().await?;
        app.queued.notify_one();
        if let Some(stopping) = stopping {
            stopping.in_force(&app.store, &*app.clock).await?;
        }
        info!(meaning = read.meaning.name(), "a text came in: {did:?}");
        Ok(did)
    }

    /// Obeys a stop of somebody to whom no answer can go: whatever the sender is, nothing is ever written there.
    async fn stop_unanswered(&self, text: &InboundText) -> Result<TextOutcome, SignUpError> {
        let now = self.app.clock.now();
        let mut tx = self.app.store.begin().await?;
        let Some(key) = tx.sender_id(&text.from).await? else {
            let day = now.date_naive();
            let text = "a text said stop and came without its sender, so nobody could be stopped: ask the gateway why";
            tell_staff(&mut tx, &format!("stop-of-nobody/{day}"), None, StaffKind::Text, text, now).await?;
            tx.commit().await?;
            return Ok(TextOutcome::NoSender);
        };
        let fact = fact(&tx, &key, text);
        first_time(&mut tx, &fact, "text", Some(Meaning::Stop.name()), now).await?;
        let stopping = stop_in(&mut tx, &key, STOP_EVIDENCE, now).await?;
        tx.commit().await?;
        stopping.in_force(&self.app.store, &*self.app.clock).await?;
        Ok(TextOutcome::Stopped)
    }
}

#[async_trait]
impl Inbound for Texts {
    async fn received(&self, text: &InboundText) -> Result<(), NotTaken> {
        self.take(text).await.map(drop).map_err(|why| NotTaken { cause: Chain(&why).to_string() })
    }
}

/// What makes two texts one: the provider's id, or where there is none sender, words and minute.
fn fact(tx: &Tx, address_key: &AddressId, text: &InboundText) -> String {
    let minute = text.at.timestamp().div_euclid(60);
    match text.id.as_deref().map(str::trim).filter(|id| !id.is_empty()) {
        Some(id) => tx.hash().of_text("inbound text", &format!("{address_key}\nid {id}")),
        None => tx.hash().of_text("inbound text", &format!("{address_key}\n{minute}\n{}", text.text)),
    }
}

/// One text with what is known of its sender.
struct Incoming<'a> {
    tx: &'a mut Tx,
    app: &'a App,
    address: Address,
    key: AddressId,
    fact: String,
    status: Option<AddressStatus>,
    suppressed: bool,
    language: Language,
    now: DateTime<Utc>,
    /// Whether the day's answers to texts are used up: what a text asks for is done, and nothing is answered.
    used_up: bool,
    /// The digit of an answer just taken that says no day.
    lacks_day: Option<u8>,
    /// An answer just taken saw nothing, and does not say whether the tree has the insect.
    lacks_beans: bool,
    /// It saw nothing, on a tree that does not have the insect.
    clean_tree: bool,
    /// Whether a text answers it.
    answered: bool,
    /// Written when it says stop.
    stopping: Option<Stopping>,
}

impl<'a> Incoming<'a> {
    async fn of(
        tx: &'a mut Tx,
        app: &'a App,
        address: Address,
        key: AddressId,
        fact: String,
        said_in: Option<Language>,
        now: DateTime<Utc>,
    ) -> Result<Self, StoreError> {
        let (status, suppressed, own) = standing(tx, &key).await?;
        let open = pending_sign_ups::open_of(tx, &key, now).await?;
        let language = own.or(open.map(|request| request.language)).or(said_in).unwrap_or(Language::En);
        // Of two workers that count at the same time, both would see room for the last one.
        pending_sign_ups::lock_counts(tx).await?;
        let answered = answered_since(tx, now - TimeDelta::days(1)).await?;
        let used_up = answered >= u64::from(app.config.limits.answers_per_day);
        Ok(Self {
            tx,
            app,
            address,
            key,
            fact,
            status,
            suppressed,
            language,
            now,
            used_up,
            lacks_day: None,
            lacks_beans: false,
            clean_tree: false,
            answered: false,
            stopping: None,
        })
    }

    async fn act(&mut self, meaning: &Meaning, words: &str) -> Result<TextOutcome, SignUpError> {
        if *meaning == Meaning::Stop {
            return self.stop().await;
        }
        let day_ago = self.now - TimeDelta::days(1);
        if transactional::count_since(self.tx, &self.key, &TransactionalKind::ALL, day_ago).await? >= ANSWERS_A_DAY {
            return Ok(TextOutcome::Silent);
        }
        if matches!(meaning, Meaning::ScaleAnswer(..) | Meaning::Other)
            && let Some(answer) = keywords::height_answer(words)
            && let Some(did) = self.height(answer).await?
        {
            return Ok(did);
        }
        match meaning {
            Meaning::Stop => self.stop().await,
            Meaning::Start => self.start().await,
            Meaning::Yes => match self.confirm("answered YES").await? {
                TextOutcome::NotUnderstood => self.start().await,
                did => Ok(did),
            },
            Meaning::No => self.no().await,
            Meaning::Help => self.answer(TransactionalKind::Help, TextOutcome::Helped).await,
            Meaning::Zips(zips) => self.join(zips).await,
            Meaning::Code(code) => self.code(code).await,
            Meaning::ScaleAnswer(saw, days_ago) => match follow_ups::open_of(self.tx, &self.key, self.now).await? {
                Some(question) => {
                    // What they said of the same tree before stays.
                    let (infested, tree) = (question.infested, question.tree.clone());
                    let reply = Reply { saw: *saw, days_ago: *days_ago, infested, tree };
                    follow_up::answer_in(self.tx, self.app, &question, &reply).await?;
                    self.thank(*saw, days_ago.is_some(), infested).await
                }
                None => self.not_understood(words).await,
            },
            Meaning::Beans(has) => match follow_ups::open_of(self.tx, &self.key, self.now).await? {
                Some(question) => match follow_up::beans_in(self.tx, self.app, &question, *has).await? {
                    Some(saw) => self.thank(saw, question.looked_on.is_some(), Some(*has)).await,
                    None => self.not_understood(words).await,
                },
                None => self.not_understood(words).await,
            },
            Meaning::Other => self.not_understood(words).await,
        }
    }

    /// What was seen on an unknown day teaches nothing, nor does nothing seen on a tree of which nobody knows that it has the
    /// insect: they are asked for the one, then for the other. That a clean tree moves no date they are told.
    async fn thank(
        &mut self,
        saw: ScaleAnswer,
        day_known: bool,
        infested: Option<bool>,
    ) -> Result<TextOutcome, SignUpError> {
        self.lacks_day = saw.digit().filter(|_| !day_known && saw != ScaleAnswer::NotLooked);
        let saw_nothing = saw == ScaleAnswer::None && self.lacks_day.is_none();
        self.lacks_beans = saw_nothing && infested.is_none();
        self.clean_tree = saw_nothing && infested == Some(false);
        self.answer(TransactionalKind::Thanks, TextOutcome::Reported).await
    }

    async fn stop(&mut self) -> Result<TextOutcome, SignUpError> {
        let was_stopped = self.suppressed;
        self.stopping = Some(stop_in(self.tx, &self.key, STOP_EVIDENCE, self.now).await?);
        // Somebody whom we know gets the one word that their stop has to have, whatever else came in today.
        if !was_stopped && (self.status.is_some() || self.may_answer().await?) {
            let facts = self.facts();
            let fact = self.fact.clone();
            tell(self.tx, self.app, TransactionalKind::Stopped, &self.address, self.language, facts, &fact, self.now)
                .await?;
            self.answered = true;
        }
        Ok(TextOutcome::Stopped)
    }

    /// Only who had confirmed before is written to again on one word; all others are asked where their trees are.
    async fn start(&mut self) -> Result<TextOutcome, SignUpError> {
        if self.status == Some(AddressStatus::Confirmed) && !self.suppressed {
            return self.answer(TransactionalKind::Resumed, TextOutcome::Resumed).await;
        }
        if resume(self.tx, &self.address, "word in a text", self.now).await? {
            self.status = Some(AddressStatus::Confirmed);
            self.suppressed = false;
            return self.answer(TransactionalKind::Resumed, TextOutcome::Resumed).await;
        }
        if self.suppressed {
            let day = self.now.date_naive();
            let text = "somebody who had said stop and never confirmed before sent START: they are not written to \
                        unless they text their ZIP code";
            tell_staff(self.tx, &format!("start-after-stop/{}/{day}", self.key), None, StaffKind::Text, text, self.now)
                .await?;
            return Ok(TextOutcome::Silent);
        }
        self.once_a_day(TransactionalKind::WhichZip, TextOutcome::AskedWhere).await
    }

    async fn confirm(&mut self, how: &str) -> Result<TextOutcome, SignUpError> {
        Ok(match confirm::by_reply(self.tx, self.app, &self.key, how, self.now).await? {
            Confirmed::Yes { .. } => TextOutcome::Confirmed,
            Confirmed::Wrong { .. } | Confirmed::No => TextOutcome::NotUnderstood,
        })
    }

    async fn no(&mut self) -> Result<TextOutcome, SignUpError> {
        let ended =
            pending_sign_ups::end_open(self.tx, &self.key, pending_sign_ups::Outcome::Stopped, self.now).await?;
        if ended > 0 { Ok(TextOutcome::Declined) } else { self.not_understood("no").await }
    }

    /// A code sent back from the phone it was sent to is as good as typed in, and as limited.
    async fn code(&mut self, code: &str) -> Result<TextOutcome, SignUpError> {
        match pending_sign_ups::type_code(self.tx, &self.key, code, self.now).await? {
            pending_sign_ups::Typed::Right(_) => self.confirm("answered with the code").await,
            _ => self.not_understood("").await,
        }
    }

    /// Keeps how high up somebody says their trees stand, when that is what they were asked last. `None` when they were not.
    async fn height(&mut self, answer: HeightAnswer) -> Result<Option<TextOutcome>, SignUpError> {
        let is_ours = self.status == Some(AddressStatus::Confirmed) && !self.suppressed;
        let Some(question) = open_question(self.tx, &self.key, self.now).await?.filter(|_| is_ours) else {
            return Ok(None);
        };
        let scale = follow_ups::open_of(self.tx, &self.key, self.now).await?;
        if matches!(answer, HeightAnswer::Choice(_)) && scale.is_some_and(|scale| scale.asked_at > question.asked_at) {
            return Ok(None);
        }
        let fact = self.fact.clone();
        let (subscriber, zip) = (question.subscriber.clone(), question.zip.clone());
        let Some(said) = answered(&question, answer) else {
            if question.is_current {
                return Ok(None);
            }
            // The bands have changed since: a digit of then says nothing now.
            if self.may_answer().await? {
                let to = To { subscriber: &subscriber, address: &self.address, language: self.language };
                self.answered = ask_now(self.tx, self.app, to, &[zip], true, &fact, self.now).await?;
            }
            return Ok(Some(TextOutcome::AskedHeight));
        };
        let Said::Lives(home) = say(self.tx, &subscriber, &zip, said, self.now).await? else { return Ok(None) };
        if self.may_answer().await? {
            let facts = TransactionalFacts { zips: vec![zip], heights: vec![home], ..self.facts() };
            let kind = TransactionalKind::HeightKept;
            tell(self.tx, self.app, kind, &self.address, self.language, facts, &fact, self.now).await?;
            let zips = zips_of(self.tx, &subscriber).await?;
            let to = To { subscriber: &subscriber, address: &self.address, language: self.language };
            ask_now(self.tx, self.app, to, &zips, false, &fact, self.now).await?;
            self.answered = true;
        }
        Ok(Some(TextOutcome::HeightSaid))
    }

    async fn join(&mut self, zips: &[Zip]) -> Result<TextOutcome, SignUpError> {
        if self.status == Some(AddressStatus::Confirmed) && !self.suppressed {
            let new = NewSubscriber {
                zips: zips.to_vec(),
                heights: Vec::new(),
                addresses: vec![self.address.clone()],
                language: self.language,
                consent: Consent::Given { evidence: "ZIP code in a text".into() },
            };
            let enrolled = enrol(self.tx, &new, self.now).await?;
            subscriptions::note_waits(self.tx, &self.key, self.now).await?;
            if self.may_answer().await? {
                let fact = self.fact.clone();
                welcome(self.tx, self.app, &self.address, self.language, zips, &fact, self.now).await?;
                // Also who has said it before: a ZIP code once more is how one changes it.
                let to = To { subscriber: enrolled.subscriber(), address: &self.address, language: self.language };
                ask_now(self.tx, self.app, to, zips, true, &fact, self.now).await?;
                self.answered = true;
            }
            return Ok(TextOutcome::Extended);
        }
        if !self.may_answer().await? {
            // To be asked back is all that a ZIP code of a stranger leads to.
            return Ok(TextOutcome::Silent);
        }
        // The owner of the phone writes from it and asks: that is a newer word than their stop. They are asked back, and the
        // stop holds against all else until they say yes.
        let request = SignUpRequest {
            address: self.address.clone(),
            zips: zips.to_vec(),
            heights: Vec::new(),
            language: self.language,
            words: String::new(),
            evidence: "text from the phone".into(),
            network: None,
        };
        let fact = self.fact.clone();
        let held = sign_up::ask_in(self.tx, self.app, &request, RequestedBy::Phone, &fact, self.now).await?;
        self.answered = held.is_none();
        Ok(if held.is_none() { TextOutcome::Asked } else { TextOutcome::Silent })
    }

    async fn not_understood(&mut self, words: &str) -> Result<TextOutcome, SignUpError> {
        let day = self.now.date_naive();
        // The words may hold anything, so staff learn that there was a text and not what it said.
        let length = words.chars().count();
        let text = format!("a text of {length} characters from {} was not understood", self.address);
        tell_staff(self.tx, &format!("not-understood/{}/{day}", self.key), None, StaffKind::Text, &text, self.now)
            .await?;
        self.once_a_day(TransactionalKind::NotUnderstood, TextOutcome::NotUnderstood).await
    }

    async fn once_a_day(&mut self, kind: TransactionalKind, did: TextOutcome) -> Result<TextOutcome, SignUpError> {
        let kinds = [TransactionalKind::NotUnderstood, TransactionalKind::WhichZip];
        let told = transactional::count_since(self.tx, &self.key, &kinds, self.now - TimeDelta::days(1)).await?;
        if told > 0 { Ok(TextOutcome::Silent) } else { self.answer(kind, did).await }
    }

    async fn answer(&mut self, kind: TransactionalKind, did: TextOutcome) -> Result<TextOutcome, SignUpError> {
        if self.suppressed {
            return Ok(TextOutcome::Silent);
        }
        if !self.may_answer().await? {
            return Ok(did);
        }
        self.answered = true;
        let facts = self.facts();
        let fact = self.fact.clone();
        tell(self.tx, self.app, kind, &self.address, self.language, facts, &fact, self.now).await?;
        Ok(did)
    }

    /// Whether the day has room for one more answer; that it has none is told once a day.
    async fn may_answer(&mut self) -> Result<bool, StoreError> {
        if self.used_up {
            let day = self.now.date_naive();
            let text = "the day's answers to texts are used up (limits.answers_per_day): texts are obeyed, and only stops of \
                        subscribers are answered";
            tell_staff(self.tx, &format!("{ANSWERS_USED_UP}/{day}"), None, StaffKind::Text, text, self.now).await?;
        }
        Ok(!self.used_up)
    }

    fn facts(&self) -> TransactionalFacts {
        TransactionalFacts {
            lacks_day: self.lacks_day,
            lacks_beans: self.lacks_beans,
            clean_tree: self.clean_tree,
            ..TransactionalFacts::of(Sender::from(&self.app.config.messages))
        }
    }
}
