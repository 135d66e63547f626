//! The agreement of an address's owner.

/// What stands behind an address.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Consent {
    /// Its owner agreed, and this says where that can be seen: a form, a file and line. Never the address itself.
    Given { evidence: String },
    /// As `Given`, by somebody who had said stop before and came back.
    GivenAgain { evidence: String },
    /// Somebody asked for it; its owner has yet to confirm.
    Asked { evidence: String },
}
