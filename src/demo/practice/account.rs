//! The account for practice: made by the same steps as a real one, each time the practice is opened.

use std::net::{IpAddr, Ipv4Addr};

use data_encoding::BASE32_NOPAD;

use crate::clock::Clock;
use crate::people::account::{Account, AccountName, AccountNameError, RegionReach, Role};
use crate::randomness::Randomness;
use crate::service::app::App;
use crate::service::desk::{self, Accepted, Credentials, FactorSet, Place, code_at, digest, pending_secret, step_of};
use crate::store::StoreError;
use crate::store::accounts::StoredAccount;

/// What the account is called.
const NAME: &str = "trainee";

/// An account, and what lets in by it.
#[derive(Clone, Debug)]
pub struct PracticeAccount {
    pub name: AccountName,
    pub password: String,
    /// The secret of the second factor, as it is typed into an authenticator app.
    pub spelled: String,
    secret: Vec<u8>,
}

/// Why there is no account for practice.
#[derive(Debug, thiserror::Error)]
pub enum AccountFault {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Name(#[from] AccountNameError),
    #[error("the account for practice could not be made: {0}")]
    Refused(&'static str),
}

impl PracticeAccount {
    /// Makes the account, or gives it a new password and a new second factor; its sessions end. `app`: on the machine's clock.
    ///
    /// # Errors
    /// When the store fails or a step of the sign-in is refused.
    pub(super) async fn make(app: &App, credentials: &Credentials) -> Result<Self, AccountFault> {
        let name = AccountName::parse(NAME)?;
        let (store, now) = (&app.store, app.clock.now());
        let good_for = chrono::TimeDelta::minutes(5);
        let account = Account { name: name.clone(), role: Role::Administrator, reach: RegionReach::default() };
        let token = match store.account(&name).await? {
            None => desk::add(store, &account, good_for, now).await?,
            Some(_) => {
                desk::unlock(store, &name).await?;
                desk::change(store, &account, good_for, now).await?;
                desk::invite_anew(store, &name, good_for, now).await?
            }
        };
        let password = drawn(store.randomness());
        let place = Place { network: IpAddr::V4(Ipv4Addr::LOCALHOST), device: None, browser: "the program itself" };
        let begun = match desk::accept(app, credentials, (&token, &password), place, None).await? {
            Accepted::Done(begun) => begun,
            _ => return Err(AccountFault::Refused("its invitation was not taken")),
        };
        let session = store.desk_session(&digest(&begun.token), now).await?;
        let (session, account) = session.ok_or(AccountFault::Refused("no session began"))?;
        let pending = pending_secret(credentials, (&session, &account));
        let (secret, spelled) = pending.ok_or(AccountFault::Refused("no second factor began"))?;
        let code = code_at(&secret, step_of(now));
        match desk::set_factor(app, credentials, (&session, &account), &code, place).await? {
            FactorSet::Done { .. } => {}
            _ => return Err(AccountFault::Refused("its second factor was not taken")),
        }
        desk::end_all(store, &name).await?;
        Ok(Self { name, password, spelled, secret })
    }

    /// The code that an app would show now; the next one where that was used.
    pub(super) fn code(&self, account: &StoredAccount, clock: &dyn Clock) -> Option<String> {
        if account.account.name != self.name {
            return None;
        }
        let step = step_of(clock.now());
        Some(code_at(&self.secret, step.max(account.factor_step + 1).min(step + 1)))
    }
}

/// Four times four letters and digits: 80 random bits.
fn drawn(randomness: &Randomness) -> String {
    let text = BASE32_NOPAD.encode(&randomness.bytes::<10>()).to_lowercase();
    let fours: Vec<&str> = (0..text.len()).step_by(4).map(|at| &text[at..text.len().min(at + 4)]).collect();
    fours.join("-")
}
