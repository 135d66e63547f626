//! The owner of an address says yes: by the button behind a link, by a code typed in, or by answering a text.

use chrono::{DateTime, Utc};

use super::SignUpError;
use super::heights::{To, ask_now};
use super::messages::welcome;
use super::tokens::{self, Purpose};
use crate::people::{AddressId, Consent, NewSubscriber};
use crate::people::{Language, Zip};
use crate::service::app::App;
use crate::store::addresses::standing;
use crate::store::consents::ConsentDetail;
use crate::store::enrolment::enrol_with;
use crate::store::heights::home_for;
use crate::store::pending_sign_ups;
use crate::store::pending_sign_ups::SignUpState;
use crate::store::pending_sign_ups::{Outcome, PendingSignUp, Typed};
use crate::store::waiting_zips::note_waits;
use crate::store::{Conflict, StoreError, Tx};

/// What came of a word of the owner.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Confirmed {
    /// They are subscribed now, or were and have more ZIP codes now.
    Yes { address_key: AddressId, zips: Vec<Zip>, language: Language },
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

/// The owner typed a code on the page of [`super::sign_up::Asked::ask`].
///
/// # Errors
/// When the store fails or a message cannot be worded; then nothing was written.
pub async fn by_code(app: &App, ask: &str, code: &str) -> Result<Confirmed, SignUpError> {
    let Some(key) = tokens::open(app.store.address_hash(), Purpose::Code, ask) else { return Ok(Confirmed::No) };
    let code: String = code.chars().filter(|c| !c.is_whitespace() && *c != '-').collect();
    let mut tx = app.store.begin().await?;
    let now = app.clock.now();
    let done = match pending_sign_ups::type_code(&mut tx, &key.into(), &code, now).await? {
        Typed::Right(request) => confirm(&mut tx, app, &request, "code", now).await?,
        Typed::Wrong { tries_left } => Confirmed::Wrong { tries_left },
        // Said as to a wrong code, so that the page tells nothing of whether the address is known to us.
        Typed::Closed => Confirmed::No,
    };
    tx.commit().await?;
    app.queued.notify_one();
    Ok(done)
}

/// What the page of a link shows; `None` when the link is not ours, too old, or its request was ended by a newer one or a
/// stop. Changes nothing.
///
/// # Errors
/// When the store fails.
pub async fn request_of(app: &App, token: &str) -> Result<Option<Shown>, SignUpError> {
    let mut tx = app.store.begin().await?;
    let request = pending_sign_ups::of_token(&mut tx, token).await?;
    tx.rollback().await?;
    Ok(request.and_then(|request| {
        let confirmed = matches!(request.state, SignUpState::Ended { outcome: Outcome::Confirmed, .. });
        let open = request.is_open() && app.clock.now() <= request.proof_until;
        (confirmed || open).then_some(Shown { zips: request.zips, language: request.language, confirmed })
    }))
}

/// The owner pressed the button of a link's page. Pressed again, nothing changes.
///
/// # Errors
/// When the store fails or a message cannot be worded; then nothing was written.
pub async fn by_token(app: &App, token: &str) -> Result<Confirmed, SignUpError> {
    let now = app.clock.now();
    let mut tx = app.store.begin().await?;
    let done = match pending_sign_ups::of_token(&mut tx, token).await? {
        Some(request) if request.is_open() && now <= request.proof_until => {
            confirm(&mut tx, app, &request, "link", now).await?
        }
        _ => Confirmed::No,
    };
    tx.commit().await?;
    app.queued.notify_one();
    Ok(done)
}

/// The owner answered YES from the phone itself. Gives `No` when nothing is open.
///
/// # Errors
/// When the store fails or a message cannot be worded; then the transaction is to be given up.
pub async fn by_reply(
    tx: &mut Tx,
    app: &App,
    address_key: &AddressId,
    evidence: &str,
    now: DateTime<Utc>,
) -> Result<Confirmed, SignUpError> {
    match pending_sign_ups::open_of(tx, address_key, now).await? {
        Some(request) => confirm(tx, app, &request, evidence, now).await,
        None => Ok(Confirmed::No),
    }
}

/// Subscribes the owner of a request and welcomes them.
async fn confirm(
    tx: &mut Tx,
    app: &App,
    request: &PendingSignUp,
    by: &str,
    now: DateTime<Utc>,
) -> Result<Confirmed, SignUpError> {
    let SignUpState::Open { address } = request.state.clone() else { return Ok(Confirmed::No) };
    // Staff may have parted the ZIP code anew since the form was filled in: what does not fit any more is asked again.
    let mut heights = Vec::with_capacity(request.heights.len());
    for (zip, said) in &request.heights {
        match home_for(tx, zip, *said).await {
            Ok(_) => heights.push((zip.clone(), *said)),
            Err(StoreError::Conflict(Conflict::NoSuchHeight { .. })) => {}
            Err(why) => return Err(why.into()),
        }
    }
    let evidence = format!("{}, confirmed by {by}", request.evidence);
    // A stop ends what is open, so a request of the phone itself that is open is the newer word.
    let (_, suppressed, _) = standing(tx, &request.address_key).await?;
    let comes_back = suppressed && request.by_phone;
    let new = NewSubscriber {
        zips: request.zips.clone(),
        heights,
        addresses: vec![address.clone()],
        language: request.language,
        consent: if comes_back { Consent::GivenAgain { evidence } } else { Consent::Given { evidence } },
    };
    let detail = ConsentDetail { words: Some(request.words.clone()), ip_hash: request.ip_hash.clone() };
    let enrolled = match enrol_with(tx, &new, &detail, now).await {
        Ok(enrolled) => enrolled,
        // Said stop in between: that word is the newer one.
        Err(StoreError::Conflict(Conflict::Suppressed { .. })) => return Ok(Confirmed::No),
        Err(why) => return Err(why.into()),
    };
    pending_sign_ups::end(tx, &request.id, Outcome::Confirmed, now).await?;
    note_waits(tx, &request.address_key, now).await?;
    welcome(tx, app, &address, request.language, &request.zips, &request.id, now).await?;
    let to = To { subscriber: enrolled.subscriber(), address: &address, language: request.language };
    ask_now(tx, app, to, &request.zips, false, &request.id, now).await?;
    Ok(Confirmed::Yes {
        address_key: request.address_key.clone(),
        zips: request.zips.clone(),
        language: request.language,
    })
}
