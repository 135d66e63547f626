//! Somebody who is to be told.

use super::{Address, Consent, Language, Zip};
use crate::region::Band;

/// Somebody to be subscribed.
#[derive(Clone, Debug, PartialEq)]
pub struct NewSubscriber {
    pub zips: Vec<Zip>,
    /// How high the trees stand, where that was said: of some of the ZIP codes.
    pub heights: Vec<(Zip, Band)>,
    pub addresses: Vec<Address>,
    pub language: Language,
    pub consent: Consent,
}
