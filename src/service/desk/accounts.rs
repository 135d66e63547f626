//! What an administrator does with accounts, by command. The store says who does it.

use chrono::{DateTime, TimeDelta, Utc};
use url::Url;

use super::secrets::{digest, new_token};
use crate::links;
use crate::people::account::{Account, AccountName};
use crate::store::{Conflict, Store, StoreError, Tx};

/// Makes an account and invites its holder. Gives the token of the invitation, which is kept nowhere.
///
/// # Errors
/// When the name was given before, or a region is unknown.
pub async fn add(
    store: &Store,
    account: &Account,
    good_for: TimeDelta,
    now: DateTime<Utc>,
) -> Result<String, StoreError> {
    known_regions(store, account).await?;
    let mut tx = store.begin().await?;
    tx.add_account(account, now).await?;
    let token = invite(&mut tx, &account.name, good_for, now).await?;
    tx.commit().await?;
    Ok(token)
}

/// Takes password, second factor and sessions away and invites anew.
///
/// # Errors
/// When there is no such account.
pub async fn invite_anew(
    store: &Store,
    name: &AccountName,
    good_for: TimeDelta,
    now: DateTime<Utc>,
) -> Result<String, StoreError> {
    let mut tx = store.begin().await?;
    tx.reset_account(name).await?;
    let token = invite(&mut tx, name, good_for, now).await?;
    tx.commit().await?;
    Ok(token)
}

async fn invite(
    tx: &mut Tx,
    name: &AccountName,
    good_for: TimeDelta,
    now: DateTime<Utc>,
) -> Result<String, StoreError> {
    let token = new_token(tx.randomness());
    tx.invite(name, &digest(&token), now + good_for, now).await?;
    Ok(token)
}

/// Gives an account another role and reach. Where the role wants a second factor and there is none, only an invitation leads to
/// one: gives the token of a new invitation, unless one is open since the account was made or reset.
///
/// # Errors
/// When there is no such account, or a region is unknown.
pub async fn change(
    store: &Store,
    new: &Account,
    good_for: TimeDelta,
    now: DateTime<Utc>,
) -> Result<Option<String>, StoreError> {
    known_regions(store, new).await?;
    let mut tx = store.begin().await?;
    let before = tx.account(&new.name).await?;
    tx.change_account(new).await?;
    let is_raised = new.role.needs_second_factor() && !before.account.role.needs_second_factor();
    let token = if is_raised && before.factor.is_none() && before.password.is_some() {
        Some(invite(&mut tx, &new.name, good_for, now).await?)
    } else {
        None
    };
    tx.commit().await?;
    Ok(token)
}

/// # Errors
/// When there is no such account.
pub async fn lock(store: &Store, name: &AccountName, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let mut tx = store.begin().await?;
    let changed = tx.lock_account(name, now).await?;
    tx.commit().await?;
    Ok(changed)
}

/// # Errors
/// When there is no such account.
pub async fn unlock(store: &Store, name: &AccountName) -> Result<bool, StoreError> {
    let mut tx = store.begin().await?;
    let changed = tx.unlock_account(name).await?;
    tx.commit().await?;
    Ok(changed)
}

/// # Errors
/// When there is no such account.
pub async fn remove(store: &Store, name: &AccountName, now: DateTime<Utc>) -> Result<(), StoreError> {
    let mut tx = store.begin().await?;
    tx.remove_account(name, now).await?;
    tx.commit().await
}

/// A slip in a region's name would give somebody nothing, in silence.
async fn known_regions(store: &Store, account: &Account) -> Result<(), StoreError> {
    for region in &account.reach.regions {
        if store.region(region).await?.retired {
            return Err(Conflict::RetiredRegion { id: region.clone() }.into());
        }
    }
    Ok(())
}

/// Where an invitation is accepted.
pub fn invitation_link(public: &Url, token: &str) -> Option<Url> {
    links::desk(public, ["invitation", token])
}
