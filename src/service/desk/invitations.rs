//! The first password, behind a link that works once.

use super::passwords::{PasswordFault, TooMany, check, shortest};
use super::secrets::{Credentials, digest};
use super::sign_in::{Begun, Place, acting, begin};
use crate::people::account::AccountName;
use crate::service::app::App;
use crate::store::StoreError;

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

/// Sets the first password and uses the link up. A password that is not taken leaves the link good.
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
    if tx.take_invitation(&digest(token), now).await?.is_none() {
        tx.rollback().await?;
        return Ok(Accepted::Useless);
    }
    tx.set_password(&name, &hash, now).await?;
    let account = tx.account(&name).await?;
    let begun = begin(&mut tx, app, credentials, &account, place, after, now).await?;
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
