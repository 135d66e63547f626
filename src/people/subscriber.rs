//! Somebody who is to be told.

use super::{Address, Consent, Language, Zip};

/// Somebody to be subscribed.
#[derive(Clone, Debug, PartialEq)]
pub struct NewSubscriber {
    pub zips: Vec<Zip>,
    pub addresses: Vec<Address>,
    pub language: Language,
    pub consent: Consent,
}
