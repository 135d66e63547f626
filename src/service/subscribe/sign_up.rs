//! Double opt-in, for forms and for texts: somebody asks, the owner of the address is asked back, and only their word
//! subscribes them.
//!
//! A form calls [`ask`] once an address and then shows the same page whatever came of it: the answer is the same for
//! addresses that are known, unknown, stopped or asked too often, and the same work is done for them, so that nobody can
//! learn who is subscribed. The limits stand in [`crate::people::limits`]. By e-mail the owner gets a link, whose page
//! shows [`wish_of`] and posts to [`confirm_by_token`]; by text a code to type in ([`confirm_by_code`]), or answers YES.
//! Nothing of a wish is in the subscribers' tables before it is confirmed.

use std::net::IpAddr;

use chrono::{DateTime, TimeDelta, Utc};
use tracing::info;
use url::Url;

use crate::message::{LetterFacts, LetterKind, Message, RenderError, Sender};
use crate::people::limits::{By, Held};
use crate::people::{Address, Channel, Language, Zip};
use crate::service::app::Parts;
use crate::service::subscribe::tokens;
use crate::service::subscribe::tokens::Purpose;
use crate::store::consents::ConsentAction;
use crate::store::notices::tell_staff;
use crate::store::pending_sign_ups;
use crate::store::pending_sign_ups::{Confirmation, NewConfirmation, Outcome, SignUpState, Typed};
use crate::store::staff_log::StaffKind;
use crate::store::subscriptions::{Consent, ConsentDetail, NewSubscriber, enrol_with, note_consent, standing};
use crate::store::transactional;
use crate::store::transactional::NewLetter;
use crate::store::{Conflict, StoreError, Tx};

/// What a form asks for.
#[derive(Clone, Debug)]
pub struct Wish {
    pub address: Address,
    /// At least one.
    pub zips: Vec<Zip>,
    pub language: Language,
    /// The sentence that stood beside the button, as it was shown: it is kept as what was agreed to.
    pub words: String,
    /// Where it was asked, such as `web form`. Never the address.
    pub evidence: String,
    /// The asker's network: [`crate::web::Visit::network`]. `None` for a text from the phone itself.
    pub network: Option<IpAddr>,
}

/// The answer to everybody who asks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// For the page on which a code is typed in. It opens nothing by itself and is made of the address alone.
    pub ask: String,
}

/// What came of a word of the owner.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Confirmed {
    /// They are subscribed now, or were and have more ZIP codes now.
    Yes { address_key: String, zips: Vec<Zip>, language: Language },
    /// The code was wrong; it may be tried so often again.
    Wrong { tries_left: i64 },
    /// It was not made here, is used, too old, or was tried too often: one may ask again.
    No,
}

/// What a link's page shows before its button is pressed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shown {
    pub zips: Vec<Zip>,
    pub language: Language,
    /// Its button was pressed before.
    pub confirmed: bool,
}

#[derive(Debug, thiserror::Error)]
pub enum EnrolError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("a letter could not be worded: {0}")]
    Words(#[from] RenderError),
}

/// A code is typed in within minutes (OWASP ASVS 6.5.5); a link is followed when the mailbox is next looked at.
const CODE_GOOD: TimeDelta = TimeDelta::minutes(10);
const LINK_GOOD: TimeDelta = TimeDelta::days(3);

/// So long a letter that only tells something is of use.
const TELLS: TimeDelta = TimeDelta::hours(24);

/// Takes a wish. Everybody gets the same answer.
///
/// # Errors
/// When the store fails or the letter cannot be worded; then nothing was written.
pub async fn ask(parts: &Parts, wish: &Wish) -> Result<Asked, EnrolError> {
    let now = parts.clock.now();
    let mut tx = parts.store.begin().await?;
    let key = tx.hash().of(&wish.address);
    let asked = Asked { ask: tokens::make(tx.hash(), Purpose::Code, &key) };
    let held = ask_in(&mut tx, parts, wish, By::Form, "", now).await?;
    tx.commit().await?;
    parts.queued.notify_one();
    info!(channel = wish.address.channel().name(), held = held.map_or("no", Held::name), "somebody asked to be told");
    Ok(asked)
}

/// As [`ask`], inside a transaction of the caller. Gives why no letter went out, if none did. `fact` names what asked, such
/// as the id of a text.
///
/// # Errors
/// As [`ask`]; then the transaction is to be given up.
pub async fn ask_in(
    tx: &mut Tx,
    parts: &Parts,
    wish: &Wish,
    by: By,
    fact: &str,
    now: DateTime<Utc>,
) -> Result<Option<Held>, EnrolError> {
    let channel = wish.address.channel();
    let key = tx.hash().of(&wish.address);
    let ip_hash = wish.network.map(|network| tx.hash().of_text("network", &network.to_string()));
    pending_sign_ups::lock_counts(tx).await?;
    let counts = pending_sign_ups::counts(tx, &key, ip_hash.as_deref(), now).await?;
    let (_, suppressed, _) = standing(tx, &key).await?;
    let verdict = match parts.config.limits.may_ask(by, channel == Channel::Sms, &counts) {
        Ok(()) if suppressed && by == By::Form => Err(Held::Suppressed),
        verdict => verdict,
    };
    let held = verdict.err();
    // A flood must not fill the store, nor by its own number take the place of the honest: what a network asks beyond its
    // limit is not even noted.
    if let Some(why @ (Held::Network | Held::Flood)) = held {
        alarm(tx, why, now).await?;
        return Ok(held);
    }
    pending_sign_ups::note_ask(tx, by, channel, &key, ip_hash.as_deref(), held, now).await?;
    if let Some(held) = held {
        alarm(tx, held, now).await?;
        return Ok(Some(held));
    }

    let code = (channel == Channel::Sms && by == By::Form).then(|| tx.randomness().six_digits());
    let token = (channel == Channel::Email).then(|| tx.randomness().hex::<16>());
    let proof_until = now + if channel == Channel::Sms { CODE_GOOD } else { LINK_GOOD };
    let kind = match covered(tx, &wish.zips).await? {
        Some(_) => LetterKind::Confirm,
        None => LetterKind::NotCovered,
    };
    let facts = LetterFacts {
        zips: wish.zips.clone(),
        code: code.clone(),
        confirm_url: token.as_ref().and_then(|token| page(parts, wish.language, &["confirm", token])).map(String::from),
        ..LetterFacts::of(Sender::from(&parts.config.messages))
    };
    let message = parts.templates.render_letter(kind, wish.language, channel, &facts)?;
    // By text, the words agreed to are those of the letter that YES answers.
    let shown = match (&message, by) {
        (Message::Sms { text }, By::Phone) => text.clone(),
        _ => wish.words.clone(),
    };
    let words = pending_sign_ups::put_words(tx, wish.language, &shown).await?;
    let detail = ConsentDetail { words: Some(words.clone()), ip_hash: ip_hash.clone() };
    note_consent(tx, &key, ConsentAction::Asked, &wish.evidence, &detail, now).await?;
    let id = pending_sign_ups::put(
        tx,
        &NewConfirmation {
            address: wish.address.clone(),
            language: wish.language,
            zips: wish.zips.clone(),
            words,
            evidence: wish.evidence.clone(),
            ip_hash,
            code,
            token,
            proof_until,
        },
        now,
    )
    .await?;
    let fact = if fact.is_empty() { id } else { fact.to_owned() };
    // A text can be answered with YES after its code has run out, so the letter may come later than that.
    let expires_at = now + if channel == Channel::Sms { TELLS } else { LINK_GOOD };
    let letter = NewLetter { kind, to: wish.address.clone(), language: wish.language, message, fact, expires_at };
    transactional::put(tx, &letter, now).await?;
    Ok(None)
}

/// The owner typed a code on the page of [`Asked::ask`].
///
/// # Errors
/// As [`ask`].
pub async fn confirm_by_code(parts: &Parts, ask: &str, code: &str) -> Result<Confirmed, EnrolError> {
    let Some(key) = tokens::open(parts.store.address_hash(), Purpose::Code, ask) else { return Ok(Confirmed::No) };
    let code: String = code.chars().filter(|c| !c.is_whitespace() && *c != '-').collect();
    let mut tx = parts.store.begin().await?;
    let now = parts.clock.now();
    let done = match pending_sign_ups::type_code(&mut tx, key, &code, now).await? {
        Typed::Right(wish) => confirm(&mut tx, parts, &wish, "code", now).await?,
        Typed::Wrong { tries_left } => Confirmed::Wrong { tries_left },
        // Said as to a wrong code, so that the page tells nothing of whether the address is known to us.
        Typed::Closed => Confirmed::No,
    };
    tx.commit().await?;
    parts.queued.notify_one();
    Ok(done)
}

/// What the page of a link shows; `None` when the link is not ours, too old, or its wish was ended by a newer one or a
/// stop. Changes nothing.
///
/// # Errors
/// When the store fails.
pub async fn wish_of(parts: &Parts, token: &str) -> Result<Option<Shown>, EnrolError> {
    let mut tx = parts.store.begin().await?;
    let wish = pending_sign_ups::of_token(&mut tx, token).await?;
    tx.rollback().await?;
    Ok(wish.and_then(|wish| {
        let confirmed = matches!(wish.state, SignUpState::Ended { outcome: Outcome::Confirmed, .. });
        let open = wish.is_open() && parts.clock.now() <= wish.proof_until;
        (confirmed || open).then_some(Shown { zips: wish.zips, language: wish.language, confirmed })
    }))
}

/// The owner pressed the button of a link's page. Pressed again, nothing changes.
///
/// # Errors
/// As [`ask`].
pub async fn confirm_by_token(parts: &Parts, token: &str) -> Result<Confirmed, EnrolError> {
    let now = parts.clock.now();
    let mut tx = parts.store.begin().await?;
    let done = match pending_sign_ups::of_token(&mut tx, token).await? {
        Some(wish) if wish.is_open() && now <= wish.proof_until => confirm(&mut tx, parts, &wish, "link", now).await?,
        _ => Confirmed::No,
    };
    tx.commit().await?;
    parts.queued.notify_one();
    Ok(done)
}

/// The owner answered YES from the phone itself. Gives `No` when nothing is open.
///
/// # Errors
/// As [`ask`]; then the transaction is to be given up.
pub async fn confirm_by_reply(
    tx: &mut Tx,
    parts: &Parts,
    address_key: &str,
    evidence: &str,
    now: DateTime<Utc>,
) -> Result<Confirmed, EnrolError> {
    match pending_sign_ups::open_of(tx, address_key, now).await? {
        Some(wish) => confirm(tx, parts, &wish, evidence, now).await,
        None => Ok(Confirmed::No),
    }
}

/// Subscribes the owner of a wish and welcomes them.
async fn confirm(
    tx: &mut Tx,
    parts: &Parts,
    wish: &Confirmation,
    by: &str,
    now: DateTime<Utc>,
) -> Result<Confirmed, EnrolError> {
    let SignUpState::Open { address } = wish.state.clone() else { return Ok(Confirmed::No) };
    let evidence = format!("{}, confirmed by {by}", wish.evidence);
    // A stop ends what is open, so a wish of the phone itself that is open is the newer word.
    let (_, suppressed, _) = standing(tx, &wish.address_key).await?;
    let comes_back = suppressed && wish.by_phone;
    let new = NewSubscriber {
        zips: wish.zips.clone(),
        addresses: vec![address.clone()],
        language: wish.language,
        consent: if comes_back { Consent::GivenAgain { evidence } } else { Consent::Given { evidence } },
    };
    let detail = ConsentDetail { words: Some(wish.words.clone()), ip_hash: wish.ip_hash.clone() };
    match enrol_with(tx, &new, &detail, now).await {
        Ok(_) => {}
        // Said stop in between: that word is the newer one.
        Err(StoreError::Conflict(Conflict::Suppressed { .. })) => return Ok(Confirmed::No),
        Err(why) => return Err(why.into()),
    }
    pending_sign_ups::end(tx, &wish.id, Outcome::Confirmed, now).await?;
    note_waits(tx, &wish.address_key, now).await?;
    welcome(tx, parts, &address, wish.language, &wish.zips, &wish.id, now).await?;
    Ok(Confirmed::Yes { address_key: wish.address_key.clone(), zips: wish.zips.clone(), language: wish.language })
}

/// Tells a new subscriber what will come, or that their wish is kept.
pub(crate) async fn welcome(
    tx: &mut Tx,
    parts: &Parts,
    address: &Address,
    language: Language,
    zips: &[Zip],
    fact: &str,
    now: DateTime<Utc>,
) -> Result<(), EnrolError> {
    let region_name = covered(tx, zips).await?;
    let facts =
        LetterFacts { zips: zips.to_vec(), region_name, ..LetterFacts::of(Sender::from(&parts.config.messages)) };
    let kind = if facts.region_name.is_some() { LetterKind::Welcome } else { LetterKind::KeptZip };
    tell(tx, parts, kind, address, language, facts, fact, now).await
}

/// Queues a letter that only tells something. Whether it may go is looked at by its kind.
#[expect(clippy::too_many_arguments, reason = "a letter has that many sides")]
pub(crate) async fn tell(
    tx: &mut Tx,
    parts: &Parts,
    kind: LetterKind,
    to: &Address,
    language: Language,
    mut facts: LetterFacts,
    fact: &str,
    now: DateTime<Utc>,
) -> Result<(), EnrolError> {
    let channel = to.channel();
    if channel == Channel::Email {
        let token = tokens::make(tx.hash(), Purpose::Preferences, &tx.hash().of(to));
        facts.preferences_url = page(parts, language, &["preferences", &token]).map(String::from);
    }
    let message = parts.templates.render_letter(kind, language, channel, &facts)?;
    let letter = NewLetter { kind, to: to.clone(), language, message, fact: fact.to_owned(), expires_at: now + TELLS };
    transactional::put_in(tx, &letter, parts.config.schedule.time_zone, now).await?;
    Ok(())
}

/// Writes to those who confirmed for a ZIP code that no region had and one has now. Gives how many letters.
///
/// # Errors
/// As [`ask`].
pub async fn tell_newly_covered(parts: &Parts) -> Result<u64, EnrolError> {
    let now = parts.clock.now();
    let mut tx = parts.store.begin().await?;
    let mut told = 0;
    for one in crate::store::subscriptions::take_covered_waits(&mut tx).await? {
        for (address, language) in one.addresses {
            let facts = LetterFacts {
                zips: vec![one.zip.clone()],
                region_name: Some(one.region_name.clone()),
                ..LetterFacts::of(Sender::from(&parts.config.messages))
            };
            let fact = format!("{} {}", one.zip, one.since);
            tell(&mut tx, parts, LetterKind::CoveredNow, &address, language, facts, &fact, now).await?;
            told += 1;
        }
    }
    tx.commit().await?;
    Ok(told)
}

async fn note_waits(tx: &mut Tx, address_key: &str, now: DateTime<Utc>) -> Result<(), StoreError> {
    crate::store::subscriptions::note_waits(tx, address_key, now).await
}

/// Name of the region that has the first covered of these ZIP codes.
pub(super) async fn covered(tx: &mut Tx, zips: &[Zip]) -> Result<Option<String>, StoreError> {
    for zip in zips {
        if let Some(name) = crate::store::subscriptions::region_name_of_zip(tx, zip).await? {
            return Ok(Some(name));
        }
    }
    Ok(None)
}

/// A page's whole address, for links in letters; `None` without a public address.
fn page(parts: &Parts, language: Language, path: &[&str]) -> Option<Url> {
    let mut url = Url::parse(&parts.config.messages.public_url).ok()?;
    let folder = (language == Language::Es).then_some("es");
    url.path_segments_mut().ok()?.pop_if_empty().extend(folder.iter().chain(path));
    Some(url)
}

async fn alarm(tx: &mut Tx, held: Held, now: DateTime<Utc>) -> Result<(), StoreError> {
    if let Some(text) = held.alarm() {
        let key = format!("sign-up/{}/{}", held.name(), now.date_naive());
        tell_staff(tx, &key, None, StaffKind::SignUp, text, now).await?;
    }
    Ok(())
}
