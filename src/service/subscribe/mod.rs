//! A subscriber's way through the service: sign-up, preferences, stop, and the links that lead there.

pub mod preferences;
pub mod sign_up;
pub mod stop;
pub mod tokens;
