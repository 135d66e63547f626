//! What the configuration says about messages: its section `messages`.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::links::PublicUrl;

/// Longest short sender name, in characters, that fits every text message of the house.
pub const LONGEST_SENDER_SHORT: usize = 14;

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct MessagesConfig {
    /// Folder with one sub-folder a language; templates missing there are the built-in ones.
    pub folder: Option<PathBuf>,
    /// Who speaks: stands in every message.
    pub sender_name: String,
    /// Short form for texts.
    pub sender_short: String,
    /// Shown in e-mail, as the law asks.
    pub postal_address: String,
    /// Where people can ask: stands in HELP and e-mail.
    pub help_contact: String,
    /// Public address of this service, for links; empty = no links. Over TLS, unless it names this machine itself.
    pub public_url: PublicUrl,
    /// Show the season's chart in the e-mails of notices.
    pub chart_in_email: bool,
}

impl Default for MessagesConfig {
    fn default() -> Self {
        Self {
            folder: None,
            sender_name: "Treebell".into(),
            sender_short: "Treebell".into(),
            postal_address: "postal address not set".into(),
            help_contact: "contact not set".into(),
            public_url: PublicUrl::default(),
            chart_in_email: true,
        }
    }
}
