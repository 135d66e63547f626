//! A subscriber's way through the service: sign-up, confirmation, preferences, stop, and the links that lead there.

pub mod confirm;
pub mod sign_up;

pub mod preference_link;
pub mod preferences;
pub mod stop;

pub mod heights;
pub mod messages;
pub mod places;
pub mod tokens;

use crate::message::RenderError;
use crate::store::StoreError;

/// Why nothing came of a request; then nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum SignUpError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("a letter could not be worded")]
    Words(#[from] RenderError),
}
