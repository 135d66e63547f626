//! The staff's desk: how they sign in, what they must know, and what they do, for pages and commands alike.
//!
//! ```text
//! invitation ─> password ─> second factor ─> session        (the first time; a password alone leads no further than a code)
//!               password ─> code ──────────> session        (from then on)
//! ```
//!
//! Each arrow ends one token and makes another, in a transaction that holds the account first and looks once more. Of whom it is
//! about, nothing is told before the last. Reading models change nothing; each act is one change of the store and one row of the
//! audit.

pub mod access_tokens;
pub mod acts;
pub mod came_of;
pub mod comes_up;
pub mod date_doubts;
pub mod effect;
pub mod far_off;
pub mod find;
pub mod learning;
pub mod messages;
pub mod nobody;
pub mod notice;
pub mod people;
pub mod region;
pub mod region_changes;
pub mod region_words;
pub mod reports;
pub mod rests_on;
pub mod today;
pub mod wording;

mod had_counted;
mod held;
pub mod left;
mod old_words;
mod overtaken;
mod regions;
mod sending;
mod stands;
mod text_faults;
mod troubles;
pub(super) mod why;

mod accounts;
mod codes;
mod invitations;
mod passwords;
mod second_factor;
mod secrets;
mod sessions;
mod sign_in;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use crate::message::check::OwnFault;
use crate::people::Channel;
use crate::region::Region;
use crate::season::{NoticeId, NoticeKind};
use crate::store::StoreError;

pub use accounts::{add, change, invitation_link, invite_anew, lock, remove, unlock};
pub use codes::{SECRET_BYTES, code_at, setup_uri, step_of};
pub use invitations::{Accepted, accept, invited};
pub use passwords::{LONGEST, PasswordFault, shortest};
pub use second_factor::{
    CodeGiven, FactorSet, by_code, new_recovery_codes, pending_secret, set_factor, start_anew, start_first,
};
pub use secrets::{Credentials, digest, form_token};
pub use sessions::{PasswordChanged, PasswordGiven, change_password, end_all, end_one, end_others, sign_out};
pub use sign_in::{Begun, Place, SignIn, by_password};

/// Who acts.
#[derive(Clone, Copy)]
pub struct Hand<'a> {
    /// As it stands with the notice: the name of an account, or what a command was given.
    pub by: &'a str,
    /// The regions in whose name they may act.
    pub reach: &'a (dyn Fn(&Region) -> bool + Sync),
}

/// Who says something that holds for all regions, and why; `None`: no reason was given.
#[derive(Clone, Copy)]
pub struct Word<'a> {
    pub by: &'a str,
    pub why: Option<&'a str>,
}

/// What keeps staff from what they asked for, in words for them.
#[derive(Debug, thiserror::Error)]
pub enum DeskError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("no notice of season {year} is meant by `{asked}`{}", did_you_mean(.near))]
    NoSuchNotice { asked: String, year: i32, near: Option<String> },
    #[error("`{asked}` may mean {}; give more of one of them", listed(.candidates))]
    Ambiguous { asked: String, candidates: Vec<NoticeId> },
    #[error("{region} is not one of your regions: ask somebody who keeps it")]
    NotYours { region: String },
    #[error("a hold must end after now: it was to end on {until}")]
    HoldInThePast { until: String },
    #[error(
        "held until {until} it could not leave before {leaves}, and it is of use until {of_use_until}: give an earlier end, or call it off"
    )]
    HoldTooLong { until: String, leaves: String, of_use_until: String },
    #[error("say why, in a few words without e-mail addresses or telephone numbers: {0}")]
    Reason(String),
    #[error(
        "notice `{id}` was written by an older program that did not keep what it rests on: its words cannot be changed here"
    )]
    NoFacts { id: NoticeId },
    #[error("these words cannot go out: {}", .0.iter().map(fault_words).collect::<Vec<_>>().join("; "))]
    Words(Vec<OwnFault>),
    #[error("these words of `{text}` cannot be kept: {}", .faults.iter().map(text_fault_words).collect::<Vec<_>>().join("; "))]
    Texts { text: String, faults: Vec<messages::TextFault> },
    #[error("nothing is changed: `{text}` has these words already")]
    SameWords { text: String },
    #[error("somebody has changed `{text}` meanwhile: look at its words as they are now, then change them")]
    ChangedMeanwhile { text: String },
    #[error("`{text}` has no version {version}")]
    NoSuchVersion { text: String, version: u32 },
    #[error("what was learned, or the profile, has changed since you looked: look once more, then adopt it")]
    OtherBelief,
    #[error("{0}")]
    NoBelief(String),
    #[error(
        "there is no field report of season {season} or an earlier one to learn from: give a year with reports, or {under_way}, the season under way"
    )]
    NoReports { season: i32, under_way: i32 },
    #[error("the words cannot be put together: {0}")]
    Unreadable(String),
    #[error("nobody of the regions within reach is meant by it")]
    NoSuchPerson,
    #[error(
        "ZIP code {zip} is in none of the regions within reach: ask somebody who keeps its region, or an administrator"
    )]
    ZipNotYours { zip: String },
    #[error("a photograph of their trees cannot be read: {0}")]
    Photograph(String),
    #[error("the dates of {region} cannot be worked out now: its page says how its temperatures stand")]
    NoDates { region: String },
}

fn did_you_mean(near: &Option<String>) -> String {
    crate::text::did_you_mean(near.as_deref())
}

fn listed(ids: &[NoticeId]) -> String {
    ids.iter().map(|id| format!("`{id}`")).collect::<Vec<_>>().join(", ")
}

/// `the text message in English takes 2 parts …`
pub fn fault_words(fault: &OwnFault) -> String {
    format!("the {} in {} {}", channel_words(fault.channel), fault.language.english_name(), fault.what)
}

/// `in English: does not say …`
pub fn text_fault_words(fault: &messages::TextFault) -> String {
    match fault.language {
        Some(language) => format!("in {}: {}", language.english_name(), fault.words()),
        None => fault.words(),
    }
}

pub fn channel_words(channel: Channel) -> &'static str {
    match channel {
        Channel::Sms => "text message",
        Channel::Email => "e-mail",
    }
}

/// `Inspect now`.
pub fn kind_words(kind: NoticeKind) -> String {
    crate::season::phrases::capitalised(&kind.name().replace('-', " "))
}

/// `Sat, Mar 14, 8:00 AM MST`: an instant where people live.
pub fn local(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%a, %b %-d, %-I:%M %p %Z").to_string()
}

/// `Sat, Mar 14, 2026, 8:00 AM MST`: as [`local`], of what may lie years back.
pub fn local_with_year(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%a, %b %-d, %Y, %-I:%M %p %Z").to_string()
}

/// With a capital and a full stop.
fn whole_sentence(text: &str) -> String {
    let text = crate::season::phrases::capitalised(text.trim());
    if text.ends_with(['.', '!', '?']) { text } else { text + "." }
}
