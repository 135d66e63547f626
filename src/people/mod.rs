//! Subscribers, their addresses and their consent.

pub mod access_token;
pub mod account;
mod address;
mod consent;
pub mod csv;
mod hash;
pub mod keywords;
pub mod limits;
pub mod retention;
pub mod sign_in_limits;
mod subscriber;

use serde::{Deserialize, Serialize};

pub use address::{Address, AddressError, AddressId, EmailAddress, PhoneNumber, Reach};
pub use consent::Consent;
pub use hash::{AddressHash, GivenKeys, Key, KeyFault};
pub use subscriber::NewSubscriber;

pub use crate::language::Language;
pub use crate::region::Zip;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Channel {
    Email,
    Sms,
}

impl Channel {
    pub const ALL: [Channel; 2] = [Channel::Email, Channel::Sms];

    pub fn name(self) -> &'static str {
        match self {
            Channel::Email => "email",
            Channel::Sms => "sms",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|channel| channel.name() == name)
    }
}
