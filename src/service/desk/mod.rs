//! How staff sign in at the desk, and how accounts are made.
//!
//! ```text
//! invitation ─> password ─> second factor ─> session        (the first time)
//!               password ─> code ──────────> session        (from then on)
//! ```
//!
//! Each arrow ends one token and makes another. Of whom it is about, nothing is told before the last.

mod accounts;
mod codes;
mod invitations;
mod passwords;
mod second_factor;
mod secrets;
mod sessions;
mod sign_in;

pub use accounts::{add, change, invitation_link, invite_anew, lock, remove, unlock};
pub use codes::{SECRET_BYTES, code_at, setup_uri, step_of};
pub use invitations::{Accepted, accept, invited};
pub use passwords::{LONGEST, PasswordFault, shortest};
pub use second_factor::{CodeGiven, FactorSet, by_code, new_recovery_codes, pending_secret, set_factor, start_anew};
pub use secrets::{Credentials, digest, form_token};
pub use sessions::{PasswordChanged, change_password, end_all, end_one, end_others, sign_out};
pub use sign_in::{Begun, Place, SignIn, by_password};
