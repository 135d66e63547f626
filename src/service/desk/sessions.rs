//! What somebody who is signed in does about it: ends sessions, changes the password.

use super::invitations::known_names;
use super::passwords::{PasswordFault, check, shortest};
use super::secrets::Credentials;
use super::sign_in::{Begun, Place, acting, buckets, device_of, note_failures, start};
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
    let device = device_of(credentials, Some(account), place);
    let buckets = buckets("password", name.as_str(), device.as_deref(), place.network);
    let mut tx = app.store.begin().await?;
    let turn = tx.take_try(&buckets, now).await?;
    tx.commit().await?;
    let (wrong, spent) = match turn {
        Turn::Taken { wrong, spent } => (wrong, spent),
        Turn::Wait(wait) => return Ok(PasswordChanged::Wait(wait)),
    };
    match credentials.passwords.is(old, account.password.as_deref()).await {
        Ok(true) => {}
        Ok(false) => {
            note_failures(app, credentials, Some(account), "password, in a session", (wrong, spent)).await?;
            return Ok(PasswordChanged::Wrong);
        }
        Err(_) => return Ok(PasswordChanged::Busy),
    }
    let least = shortest(account.factor.is_some());
    let sound = check(new, least, name, &known_names(app));
    let mut tx = acting(app, credentials, name).begin().await?;
    tx.was_right(&buckets).await?;
    tx.commit().await?;
    if let Err(fault) = sound {
        return Ok(PasswordChanged::Faulty(fault));
    }
    let randomness = app.store.randomness();
    let Ok(hash) = credentials.passwords.hash(new, randomness).await else { return Ok(PasswordChanged::Busy) };
    let mut tx = acting(app, credentials, name).begin().await?;
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
