//! One attempt at a delivery: the right to make it, and how it ended.

use chrono::{DateTime, Duration, Utc};

use crate::delivery::bounce_report::BounceKind;
use crate::delivery::state::{DeliveryStanding, Event};
use crate::people::Channel;

/// The right to send one delivery, until the lease runs out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lease {
    pub delivery: String,
    pub fence: i64,
    /// As it stands while it is held.
    pub standing: DeliveryStanding,
}

/// What the end of a mail says of its address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AddressFault {
    pub kind: BounceKind,
    /// So many mails must have ended for good at an address before it is given up, unless there is no such mailbox.
    pub until_undeliverable: u32,
}

/// How an attempt ended. `cause` must hold no address or number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum AttemptOutcome {
    Accepted {
        provider_ref: Option<String>,
    },
    NotNow {
        not_before: DateTime<Utc>,
        cause: String,
    },
    Refused {
        cause: String,
    },
    /// Refused for its addressee, which says something of the address.
    AddressRefused {
        fault: AddressFault,
        cause: String,
    },
    /// Its addressee said stop since the claim: no byte went out.
    Withdrawn,
    AnswerLost {
        not_before: DateTime<Utc>,
        cause: String,
    },
    /// We let go of it ourselves, with bytes perhaps gone.
    LetGo {
        not_before: DateTime<Utc>,
        cause: String,
    },
}

impl AttemptOutcome {
    /// What it means for the delivery.
    pub fn event(&self) -> Event {
        match self {
            AttemptOutcome::Accepted { .. } => Event::Accepted,
            AttemptOutcome::NotNow { .. } => Event::NotNow,
            AttemptOutcome::Refused { .. } | AttemptOutcome::AddressRefused { .. } => Event::Refused,
            AttemptOutcome::Withdrawn => Event::Withdraw,
            AttemptOutcome::AnswerLost { .. } => Event::AnswerLost,
            AttemptOutcome::LetGo { .. } => Event::LeaseLost,
        }
    }
}

/// Whose word a report is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference<'a> {
    /// Our own key, which travelled with the message.
    Key(&'a str),
    /// The provider's.
    Provider(&'a str),
    /// Ours, and what the call says is the provider's: it may not be that of another delivery.
    Both { key: &'a str, provider: &'a str },
}

/// How long an uncertain delivery rests before its repeat after its worker vanished.
#[derive(Clone, Copy, Debug)]
pub struct UncertainRest {
    pub email: Duration,
    pub sms: Duration,
}

impl UncertainRest {
    pub fn of(&self, channel: Channel) -> Duration {
        match channel {
            Channel::Email => self.email,
            Channel::Sms => self.sms,
        }
    }
}

/// Whose leases are taken to be lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LostLeases {
    /// Those that ran out.
    Expired,
    /// All: for the start of a service that holds the store alone.
    All,
}
