//! Templates to text: SMS length in segments, e-mail bodies, both languages.

pub mod facts;
pub mod templates;
pub mod transactional;

pub mod check;
pub mod readability;

pub mod calendar;
pub mod dates;
pub mod difference;
pub mod document;
mod personal;
pub mod samples;
pub mod settings;
pub mod sms;

use bytes::Bytes;
use serde::{Deserialize, Serialize};

pub use facts::{Basis, NoticeFacts, Sender, StageDates};
pub use personal::{Personal, PersonalError, personalise};
pub use templates::{RenderError, TemplateFault, TemplateFaults, Templates};
pub use transactional::{InForce, TransactionalFacts, TransactionalKind};

/// What one channel carries, fully written but for the personal part, which [`personalise`] puts in when it is sent.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "channel")]
pub enum Message {
    Email {
        subject: String,
        text: String,
        html: String,
        /// An iCalendar object (RFC 5545) to attach, where the notice has a washing window to put into a calendar.
        #[serde(default)]
        calendar: Option<String>,
        /// A PNG that the HTML part shows as [`CHART_ID`].
        #[serde(skip)]
        chart_png: Option<Bytes>,
    },
    Sms {
        text: String,
    },
}

/// Content-ID (RFC 2392) under which the HTML part of an e-mail shows its chart. It names a part of the same message
/// only, so one name serves all.
pub const CHART_ID: &str = "season-chart@treebell.invalid";

/// A chart drawn for an e-mail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EmailChart {
    pub png: Bytes,
    /// What it shows, in words.
    pub alt: String,
    /// CSS pixels.
    pub width: u32,
}
