//! Double opt-in, for forms and for texts: somebody asks, the owner of the address is asked back, and only their word
//! subscribes them.
//!
//! A form calls [`ask`] once an address and then shows the same page whatever came of it: the answer is the same for
//! addresses that are known, unknown, stopped or asked too often, and the same work is done for them, so that nobody can
//! learn who is subscribed. The limits stand in [`crate::people::limits`]. By e-mail the owner gets a link, whose page
//! shows [`confirm::request_of`] and posts to [`confirm::by_token`]; by text a code to type in ([`confirm::by_code`]), or
//! answers YES. Nothing of a request is in the subscribers' tables before it is confirmed.
//!
//! [`confirm::request_of`]: super::confirm::request_of
//! [`confirm::by_token`]: super::confirm::by_token
//! [`confirm::by_code`]: super::confirm::by_code

use std::net::IpAddr;

use chrono::{DateTime, TimeDelta, Utc};
use tracing::info;

use super::SignUpError;
use super::messages::TELLS;
use super::places::covered;
use super::tokens::{self, Purpose};
use crate::links;
use crate::message::{Message, Sender, TransactionalFacts, TransactionalKind};
use crate::people::limits::{Refusal, RequestedBy};
use crate::people::{Address, Channel, Language, Zip};
use crate::region::Band;
use crate::service::app::App;
use crate::store::addresses::standing;
use crate::store::consents;
use crate::store::consents::ConsentAction;
use crate::store::consents::{ConsentDetail, note_consent};
use crate::store::pending_sign_ups;
use crate::store::pending_sign_ups::NewPendingSignUp;
use crate::store::staff_log::StaffKind;
use crate::store::staff_log::tell_staff;
use crate::store::transactional;
use crate::store::transactional::NewTransactional;
use crate::store::{StoreError, Tx};

/// What a form asks for.
#[derive(Clone, Debug)]
pub struct SignUpRequest {
    pub address: Address,
    /// At least one.
    pub zips: Vec<Zip>,
    /// How high the trees stand, where that was asked and said.
    pub heights: Vec<(Zip, Band)>,
    pub language: Language,
    /// The sentence that stood beside the button, as it was shown: it is kept as what was agreed to.
    pub words: String,
    /// Where it was asked, such as `web form`. Never the address.
    pub evidence: String,
    /// The asker's network. `None` for a text from the phone itself.
    pub network: Option<IpAddr>,
}

/// The answer to everybody who asks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// For the page on which a code is typed in. It opens nothing by itself and is made of the address alone.
    pub ask: String,
}

/// A code is typed in within minutes (OWASP ASVS 6.5.5); a link is followed when the mailbox is next looked at.
const CODE_GOOD: TimeDelta = TimeDelta::minutes(10);
const LINK_GOOD: TimeDelta = TimeDelta::days(3);

/// Takes a sign-up request. Everybody gets the same answer.
///
/// # Errors
/// When the store fails or the message cannot be worded; then nothing was written.
pub async fn ask(app: &App, request: &SignUpRequest) -> Result<Asked, SignUpError> {
    let now = app.clock.now();
    let mut tx = app.store.begin().await?;
    let key = tx.address_id(&request.address).await?;
    let asked = Asked { ask: tokens::make(tx.hash(), Purpose::Code, key.as_str()) };
    let held = ask_in(&mut tx, app, request, RequestedBy::Form, "", now).await?;
    tx.commit().await?;
    app.queued.notify_one();
    info!(
        channel = request.address.channel().name(),
        held = held.map_or("no", Refusal::name),
        "somebody asked to be told"
    );
    Ok(asked)
}

/// As [`ask`], inside a transaction of the caller. Gives why no message went out, if none did. `fact` names what asked,
/// such as the id of a text.
///
/// # Errors
/// As [`ask`]; then the transaction is to be given up.
pub async fn ask_in(
    tx: &mut Tx,
    app: &App,
    request: &SignUpRequest,
    by: RequestedBy,
    fact: &str,
    now: DateTime<Utc>,
) -> Result<Option<Refusal>, SignUpError> {
    let channel = request.address.channel();
    let key = tx.address_id(&request.address).await?;
    let ip_hash = request.network.map(|network| tx.hash().of_text("network", &network.to_string()));
    pending_sign_ups::lock_counts(tx).await?;
    let counts = pending_sign_ups::counts(tx, &key, ip_hash.as_deref(), now).await?;
    let (_, suppressed, _) = standing(tx, &key).await?;
    let verdict = match app.config.limits.may_request(by, channel == Channel::Sms, &counts) {
        Ok(()) if suppressed && by == RequestedBy::Form => Err(Refusal::Suppressed),
        verdict => verdict,
    };
    let held = verdict.err();
    // A flood must not fill the store, nor by its own number take the place of the honest: what a network asks beyond its
    // limit is not even noted.
    if let Some(why @ (Refusal::Network | Refusal::Flood)) = held {
        alarm(tx, why, now).await?;
        return Ok(held);
    }
    pending_sign_ups::note_ask(tx, by, channel, &key, ip_hash.as_deref(), held, now).await?;
    if let Some(held) = held {
        alarm(tx, held, now).await?;
        return Ok(Some(held));
    }

    let code = (channel == Channel::Sms && by == RequestedBy::Form).then(|| tx.randomness().six_digits());
    let token = (channel == Channel::Email).then(|| tx.randomness().hex::<16>());
    let proof_until = now + if channel == Channel::Sms { CODE_GOOD } else { LINK_GOOD };
    let kind = match covered(tx, &request.zips).await? {
        Some(_) => TransactionalKind::Confirm,
        None => TransactionalKind::NotCovered,
    };
    let base = app.config.messages.public_url.url();
    let facts = TransactionalFacts {
        zips: request.zips.clone(),
        code: code.clone(),
        confirm_url: token.as_ref().and_then(|token| links::confirm(base?, request.language, token)).map(String::from),
        ..TransactionalFacts::of(Sender::from(&app.config.messages))
    };
    let message = app.templates.in_use().render_transactional(kind, request.language, channel, &facts)?;
    // By text, the words agreed to are those of the message that YES answers.
    let shown = match (&message, by) {
        (Message::Sms { text }, RequestedBy::Phone) => text.clone(),
        _ => request.words.clone(),
    };
    let words = consents::put_words(tx, request.language, &shown).await?;
    let detail = ConsentDetail { words: Some(words.clone()), ip_hash: ip_hash.clone() };
    note_consent(tx, &key, ConsentAction::Asked, &request.evidence, &detail, now).await?;
    let id = pending_sign_ups::put(
        tx,
        &NewPendingSignUp {
            address: request.address.clone(),
            language: request.language,
            zips: request.zips.clone(),
            heights: request.heights.clone(),
            words,
            evidence: request.evidence.clone(),
            ip_hash,
            code,
            token,
            proof_until,
        },
        now,
    )
    .await?;
    let fact = if fact.is_empty() { id } else { fact.to_owned() };
    // A text can be answered with YES after its code has run out, so the message may come later than that.
    let expires_at = now + if channel == Channel::Sms { TELLS } else { LINK_GOOD };
    let letter =
        NewTransactional { kind, to: request.address.clone(), language: request.language, message, fact, expires_at };
    match by {
        RequestedBy::Form => transactional::put(tx, &letter, now).await?,
        RequestedBy::Phone => transactional::put_reply(tx, &letter, now).await?,
    };
    Ok(None)
}

async fn alarm(tx: &mut Tx, held: Refusal, now: DateTime<Utc>) -> Result<(), StoreError> {
    if let Some(text) = held.alarm() {
        let key = format!("sign-up/{}/{}", held.name(), now.date_naive());
        tell_staff(tx, &key, None, StaffKind::SignUp, text, now).await?;
    }
    Ok(())
}
