//! By name and password: the first step.

use std::net::IpAddr;

use chrono::{DateTime, TimeDelta, Utc};

use super::codes::SECRET_BYTES;
use super::passwords::{TooMany, is_outdated};
use super::secrets::{Credentials, digest, new_token};
use crate::metrics::SignInResult;
use crate::people::account::AccountName;
use crate::people::sign_in_limits::{Slows, is_news};
use crate::service::app::App;
use crate::store::accounts::sessions::{NewSession, Stage, StoredSession};
use crate::store::accounts::tries::{Bucket, Turn};
use crate::store::accounts::{StoredAccount, account_subject};
use crate::store::acts::{Act, Actor};
use crate::store::staff_log::StaffKind;
use crate::store::{Conflict, Store, StoreError, Tx};

/// Where a try comes from.
#[derive(Clone, Copy, Debug)]
pub struct Place<'a> {
    pub network: IpAddr,
    /// What the browser holds from an earlier sign-in, if it does.
    pub device: Option<&'a str>,
    /// The browser in words.
    pub browser: &'a str,
}

/// What came of a try.
#[derive(Debug)]
pub enum SignIn {
    /// Not so: whatever is wrong, and whoever there is.
    Refused,
    /// Too many were wrong; the next is looked at after this time.
    Wait(TimeDelta),
    /// Many sign in at this moment.
    Busy,
    /// Right, but the role wants a second factor, and only an invitation leads to the first one.
    NoFactor,
    Begun(Begun),
}

/// What the browser gets.
#[derive(Debug)]
pub struct Begun {
    /// Token of the session that began.
    pub token: String,
    pub stage: Stage,
    /// The browser's number, where the sign-in is whole.
    pub device: Option<String>,
}

/// `after`: the session that this browser had, which ends.
///
/// # Errors
/// When the store fails.
pub async fn by_password(
    app: &App,
    credentials: &Credentials,
    (name, password): (&str, &str),
    place: Place<'_>,
    after: Option<&str>,
) -> Result<SignIn, StoreError> {
    let now = app.clock.now();
    let parsed = AccountName::parse(name).ok();
    let found = match &parsed {
        Some(name) => app.store.account(name).await?,
        None => None,
    };
    let shown: String = name.trim().to_lowercase().chars().take(32).collect();
    let device = device_of(credentials, found.as_ref(), place);
    let buckets = buckets("password", &shown, device.as_deref(), place.network);
    let (wrong, spent) = match turn_of(app, &buckets, now).await? {
        Turn::Taken { wrong, spent } => (wrong, spent),
        Turn::Wait(wait) => {
            app.metrics.sign_in(SignInResult::Slowed);
            return Ok(SignIn::Wait(wait));
        }
    };
    let account = found.as_ref().filter(|account| account.locked_at.is_none());
    let hash = account.and_then(|account| account.password.as_deref());
    let is_right = match credentials.passwords.is(password, hash).await {
        Ok(is) => is,
        Err(TooMany) => {
            app.metrics.sign_in(SignInResult::Busy);
            let mut tx = app.store.begin().await?;
            tx.give_back(&buckets).await?;
            tx.commit().await?;
            return Ok(SignIn::Busy);
        }
    };
    let Some(account) = account.filter(|_| is_right) else {
        app.metrics.sign_in(SignInResult::Refused);
        note_failures(app, credentials, found.as_ref(), "password", (wrong, spent)).await?;
        return Ok(SignIn::Refused);
    };
    // Made anew where ours cost more by now; when too many wait, the next time.
    let anew = match hash.filter(|hash| is_outdated(hash)) {
        Some(_) => credentials.passwords.hash(password, app.store.randomness()).await.ok(),
        None => None,
    };
    let mut tx = acting(app, credentials, &account.account.name).begin().await?;
    // Locked, reset or given another password or role meanwhile: what was right of it is not any more.
    let Some(account) = hold_unchanged(&mut tx, account).await? else {
        tx.rollback().await?;
        app.metrics.sign_in(SignInResult::Refused);
        return Ok(SignIn::Refused);
    };
    tx.was_right(&buckets).await?;
    if let Some(hash) = anew {
        tx.replace_hash(&account.account.name, &hash).await?;
    }
    let stage = match (&account.factor, account.account.role.needs_second_factor()) {
        (Some(_), _) => Stage::Code,
        (None, false) => Stage::Whole,
        (None, true) => {
            tx.commit().await?;
            app.metrics.sign_in(SignInResult::Refused);
            return Ok(SignIn::NoFactor);
        }
    };
    let begun = begin(&mut tx, app, credentials, (&account, stage), place, after, now).await?;
    tx.commit().await?;
    app.metrics.sign_in(if begun.stage == Stage::Whole { SignInResult::Whole } else { SignInResult::Password });
    Ok(SignIn::Begun(begun))
}

/// Begins what comes after a password that was right, or has just been set.
pub(super) async fn begin(
    tx: &mut Tx,
    app: &App,
    credentials: &Credentials,
    (account, stage): (&StoredAccount, Stage),
    place: Place<'_>,
    after: Option<&str>,
    now: DateTime<Utc>,
) -> Result<Begun, StoreError> {
    let randomness = app.store.randomness();
    let name = &account.account.name;
    let pending =
        (stage == Stage::SetUp).then(|| credentials.seal(randomness, name, &randomness.bytes::<SECRET_BYTES>()));
    let token = start(tx, app, name, (stage, pending), place, after, now).await?;
    let mut device = None;
    if stage == Stage::Whole {
        tx.note_act(Act::SignedIn, &account_subject(name), "by password").await?;
        device = Some(credentials.device(randomness, account));
    }
    Ok(Begun { token, stage, device })
}

/// Takes a try, and writes nothing where it has to wait.
pub(super) async fn turn_of(app: &App, buckets: &[Bucket], now: DateTime<Utc>) -> Result<Turn, StoreError> {
    let mut tx = app.store.begin().await?;
    let turn = tx.take_try(buckets, now).await?;
    match turn {
        Turn::Taken { .. } => tx.commit().await?,
        Turn::Wait(_) => tx.rollback().await?,
    }
    Ok(turn)
}

/// The account as it is now, kept for the rest of the transaction; `None`: it is locked or gone. Asked for before anything of its
/// sessions, by everybody, so that no two wait for each other and none begins beside a lock or a reset.
pub(super) async fn hold(tx: &mut Tx, name: &AccountName) -> Result<Option<StoredAccount>, StoreError> {
    match tx.account(name).await {
        Ok(account) => Ok(Some(account).filter(|account| account.locked_at.is_none())),
        Err(StoreError::Conflict(Conflict::UnknownAccount { .. })) => Ok(None),
        Err(why) => Err(why),
    }
}

/// As [`hold`]; `None` also when what a password was compared with has changed since it was `seen`. A second factor is sealed
/// anew with each code, so only whether there is one counts.
pub(super) async fn hold_unchanged(tx: &mut Tx, seen: &StoredAccount) -> Result<Option<StoredAccount>, StoreError> {
    let held = hold(tx, &seen.account.name).await?;
    Ok(held.filter(|account| {
        account.password == seen.password
            && account.account.role == seen.account.role
            && account.factor.is_some() == seen.factor.is_some()
    }))
}

/// An account that is held, if one of its sessions is there still, which is held too.
pub(super) async fn with_session(
    tx: &mut Tx,
    held: Option<StoredAccount>,
    session: &StoredSession,
) -> Result<Option<StoredAccount>, StoreError> {
    let Some(account) = held else { return Ok(None) };
    Ok(tx.hold_desk_session(&session.id).await?.then_some(account))
}

/// A session in the place of the one before. Gives its token.
pub(super) async fn start(
    tx: &mut Tx,
    app: &App,
    name: &AccountName,
    (stage, pending): (Stage, Option<String>),
    place: Place<'_>,
    after: Option<&str>,
    now: DateTime<Utc>,
) -> Result<String, StoreError> {
    let token = new_token(app.store.randomness());
    let new = NewSession {
        hash: digest(&token),
        account: name.clone(),
        stage,
        pending,
        browser: place.browser.to_owned(),
        network: place.network.to_string(),
    };
    tx.begin_desk_session(&new, after, now).await?;
    Ok(token)
}

/// The browser's number, if it is known for this account.
pub(super) fn device_of(
    credentials: &Credentials,
    account: Option<&StoredAccount>,
    place: Place<'_>,
) -> Option<String> {
    credentials.device_of(account?, place.device?).map(str::to_owned)
}

/// What a try counts to. A browser that the holder has used is counted alone, so that nobody else's tries hold it up.
pub(super) fn buckets(what: &str, name: &str, device: Option<&str>, network: IpAddr) -> Vec<Bucket> {
    match device {
        Some(device) => vec![Bucket { of: format!("{what}\ndevice\n{device}"), slows: Slows::Pauses }],
        None => vec![
            Bucket { of: format!("{what}\nplace\n{name}\n{network}"), slows: Slows::Pauses },
            Bucket { of: format!("{what}\nstrangers\n{name}"), slows: Slows::STRANGERS },
            Bucket { of: format!("{what}\nnetwork\n{network}"), slows: Slows::NETWORK },
        ],
    }
}

/// The store as the holder of an account uses it.
pub(super) fn acting(app: &App, credentials: &Credentials, name: &AccountName) -> Store {
    let account = Some(name.to_string());
    app.store.acting(Actor { user: credentials.user().to_owned(), account, why: None, clock: app.clock.clone() })
}

/// One audit row for many wrong tries at an account that there is: see [`is_news`]. Nobody in particular did it.
pub(super) async fn note_failures(
    app: &App,
    credentials: &Credentials,
    account: Option<&StoredAccount>,
    what: &str,
    (wrong, spent): (u32, bool),
) -> Result<(), StoreError> {
    let Some(account) = account.filter(|_| spent || is_news(wrong)) else { return Ok(()) };
    let user = format!("a visitor (the service runs as {})", credentials.user());
    let actor = Actor { user, account: None, why: None, clock: app.clock.clone() };
    let detail = if spent {
        format!("so many wrong tries ({what}) that until tomorrow only browsers known to its holder are let try")
    } else {
        format!("{wrong} wrong tries ({what}) in a row from one place")
    };
    let name = &account.account.name;
    if spent {
        let now = app.clock.now();
        let key = format!("sign-in/spent/{name}/{}", now.date_naive());
        let text = format!("somebody guesses at the account `{name}`: {detail}");
        app.store.tell_staff(&key, None, StaffKind::SignIn, &text, now).await?;
    }
    app.store.acting(actor).note_act(Act::SignInsFailed, &account_subject(name), &detail).await
}
