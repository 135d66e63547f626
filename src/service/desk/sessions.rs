//! What somebody who is signed in does about it: ends sessions, changes the password.

use super::invitations::known_names;
use super::passwords::{PasswordFault, check, shortest};
use super::secrets::Credentials;
use super::sign_in::{
    Begun, Place, acting, buckets, device_of, hold_unchanged, note_failures, start, turn_of, with_session,
};
use crate::service::app::App;
use crate::store::StoreError;
use crate::store::accounts::sessions::{Stage, StoredSession};
use crate::store::accounts::tries::Turn;
use crate::store::accounts::{StoredAccount, account_subject};
use crate::store::acts::Act;

/// What came of changing a password.
#[derive(Debug)]
pub enum PasswordChanged {
    /// All other sessions ended, and this one goes on under another token.
    Done(Begun),
    /// The password in use was not given.
    Wrong,
    Faulty(PasswordFault),
    /// The session ended meanwhile, or the account was changed, locked or reset.
    Over,
    Wait(chrono::TimeDelta),
    Busy,
}

/// What came of asking somebody who is signed in for the password.
#[derive(Debug)]
pub enum PasswordGiven {
    Right,
    Wrong,
    Wait(chrono::TimeDelta),
    Busy,
}

/// # Errors
/// When the store fails.
pub async fn sign_out(
    app: &App,
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
) -> Result<(), StoreError> {
    let name = &account.account.name;
    let mut tx = acting(app, credentials, name).begin().await?;
    if tx.forget_desk_session(&session.id).await? && session.stage == Stage::Whole {
        tx.note_act(Act::SignedOut, &account_subject(name), "").await?;
    }
    tx.commit().await
}

/// Ends one of one's own sessions. Gives whether it was there.
///
/// # Errors
/// When the store fails.
pub async fn end_one(
    app: &App,
    credentials: &Credentials,
    account: &StoredAccount,
    id: &str,
) -> Result<bool, StoreError> {
    let name = &account.account.name;
    let mut tx = acting(app, credentials, name).begin().await?;
    let ended = tx.end_desk_session(name, id, "one, by its holder").await?;
    tx.commit().await?;
    Ok(ended)
}

/// Ends all of one's own sessions but this. Gives how many.
///
/// # Errors
/// When the store fails.
pub async fn end_others(
    app: &App,
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
) -> Result<u64, StoreError> {
    let name = &account.account.name;
    let mut tx = acting(app, credentials, name).begin().await?;
    let ended = tx.end_desk_sessions(name, Some(&session.id)).await?;
    tx.commit().await?;
    Ok(ended)
}

/// Whether this is the password of who is signed in; counted as a try to sign in.
pub(super) async fn by_own_password(
    app: &App,
    credentials: &Credentials,
    account: &StoredAccount,
    given: &str,
    place: Place<'_>,
) -> Result<PasswordGiven, StoreError> {
    let name = &account.account.name;
    let device = device_of(credentials, Some(account), place);
    let buckets = buckets("password", name.as_str(), device.as_deref(), place.network);
    let (wrong, spent) = match turn_of(app, &buckets, app.clock.now()).await? {
        Turn::Taken { wrong, spent } => (wrong, spent),
        Turn::Wait(wait) => return Ok(PasswordGiven::Wait(wait)),
    };
    let is_right = credentials.passwords.is(given, account.password.as_deref()).await;
    if let Ok(false) = is_right {
        note_failures(app, credentials, Some(account), "password, in a session", (wrong, spent)).await?;
        return Ok(PasswordGiven::Wrong);
    }
    let mut tx = app.store.begin().await?;
    match is_right {
        Ok(_) => tx.was_right(&buckets).await?,
        Err(_) => tx.give_back(&buckets).await?,
    }
    tx.commit().await?;
    Ok(if is_right.is_ok() { PasswordGiven::Right } else { PasswordGiven::Busy })
}

/// Changes one's password: the one in use is asked for, since a browser may stand open.
///
/// # Errors
/// When the store fails.
pub async fn change_password(
    app: &App,
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
    (old, new): (&str, &str),
    place: Place<'_>,
) -> Result<PasswordChanged, StoreError> {
    let now = app.clock.now();
    let name = &account.account.name;
    match by_own_password(app, credentials, account, old, place).await? {
        PasswordGiven::Right => {}
        PasswordGiven::Wrong => return Ok(PasswordChanged::Wrong),
        PasswordGiven::Wait(wait) => return Ok(PasswordChanged::Wait(wait)),
        PasswordGiven::Busy => return Ok(PasswordChanged::Busy),
    }
    let least = shortest(account.factor.is_some());
    if let Err(fault) = check(new, least, name, &known_names(app)) {
        return Ok(PasswordChanged::Faulty(fault));
    }
    let randomness = app.store.randomness();
    let Ok(hash) = credentials.passwords.hash(new, randomness).await else { return Ok(PasswordChanged::Busy) };
    let mut tx = acting(app, credentials, name).begin().await?;
    let held = hold_unchanged(&mut tx, account).await?;
    if with_session(&mut tx, held, session).await?.is_none() {
        tx.rollback().await?;
        return Ok(PasswordChanged::Over);
    }
    tx.set_password(name, &hash, now).await?;
    tx.end_desk_sessions(name, Some(&session.id)).await?;
    let token = start(&mut tx, app, name, (Stage::Whole, None), place, Some(&session.id), now).await?;
    let account = tx.account(name).await?;
    tx.commit().await?;
    let device = Some(credentials.device(randomness, &account));
    Ok(PasswordChanged::Done(Begun { token, stage: Stage::Whole, device }))
}

/// Ends all sessions of an account: an administrator's act. Gives how many.
///
/// # Errors
/// When there is no such account, or the store fails.
pub async fn end_all(
    store: &crate::store::Store,
    name: &crate::people::account::AccountName,
) -> Result<u64, StoreError> {
    let mut tx = store.begin().await?;
    tx.account(name).await?;
    let ended = tx.end_desk_sessions(name, None).await?;
    tx.commit().await?;
    Ok(ended)
}
