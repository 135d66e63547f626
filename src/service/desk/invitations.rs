//! The first password, behind a link that is good until its holder is signed in whole.

use super::passwords::{PasswordFault, TooMany, check, shortest};
use super::secrets::{Credentials, digest};
use super::sign_in::{Begun, Place, acting, begin, hold};
use crate::people::account::AccountName;
use crate::service::app::App;
use crate::store::StoreError;
use crate::store::accounts::sessions::Stage;

/// What came of setting the first password.
#[derive(Debug)]
pub enum Accepted {
    Done(Begun),
    Faulty(PasswordFault),
    /// Used before, over, or none of ours.
    Useless,
    Busy,
}

/// Whom a link invites, and the least length of a password there. Looking uses nothing up: programs that look at mail open links.
///
/// # Errors
/// When the store fails.
pub async fn invited(app: &App, token: &str) -> Result<Option<(AccountName, usize)>, StoreError> {
    let Some(name) = app.store.invited_account(&digest(token), app.clock.now()).await? else { return Ok(None) };
    let account = app.store.account(&name).await?;
    Ok(account.map(|account| (name, shortest(account.account.role.needs_second_factor()))))
}

/// Sets the first password. The link is used up when its holder is signed in: with the password, or for who needs one with the
/// second factor, so that who stops half-way comes back by it and nobody else by the password alone.
///
/// # Errors
/// When the store fails.
pub async fn accept(
    app: &App,
    credentials: &Credentials,
    (token, password): (&str, &str),
    place: Place<'_>,
    after: Option<&str>,
) -> Result<Accepted, StoreError> {
    let Some((name, least)) = invited(app, token).await? else { return Ok(Accepted::Useless) };
    if let Err(fault) = check(password, least, &name, &known_names(app)) {
        return Ok(Accepted::Faulty(fault));
    }
    let randomness = app.store.randomness();
    let Ok(hash) = credentials.passwords.hash(password, randomness).await else { return Ok(Accepted::Busy) };
    let now = app.clock.now();
    let mut tx = acting(app, credentials, &name).begin().await?;
    let held = hold(&mut tx, &name).await?;
    let stage = held.as_ref().map(|account| match (&account.factor, account.account.role.needs_second_factor()) {
        (Some(_), _) => Stage::Code,
        (None, true) => Stage::SetUp,
        (None, false) => Stage::Whole,
    });
    let is_good = match stage {
        None => false,
        Some(Stage::SetUp) => tx.is_invited(&name, &digest(token), now).await?,
        Some(_) => tx.take_invitation(&digest(token), now).await?.is_some(),
    };
    let Some(stage) = stage.filter(|_| is_good) else {
        tx.rollback().await?;
        return Ok(Accepted::Useless);
    };
    // The role may have changed since the look.
    if let Some(fault) = held.and_then(|held| {
        check(password, shortest(held.account.role.needs_second_factor()), &name, &known_names(app)).err()
    }) {
        tx.rollback().await?;
        return Ok(Accepted::Faulty(fault));
    }
    tx.set_password(&name, &hash, now).await?;
    tx.end_desk_sessions(&name, None).await?;
    let account = tx.account(&name).await?;
    let begun = begin(&mut tx, app, credentials, (&account, stage), place, after, now).await?;
    tx.commit().await?;
    Ok(Accepted::Done(begun))
}

/// Names that a guesser knows, since every page shows them.
pub(super) fn known_names(app: &App) -> [&str; 2] {
    let messages = &app.config.messages;
    [&messages.sender_name, &messages.sender_short]
}

impl From<TooMany> for Accepted {
    fn from(_: TooMany) -> Self {
        Accepted::Busy
    }
}
