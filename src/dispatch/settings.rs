//! Where messages go: the relay or folder for e-mail, the gateway, message centre or folder for texts.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::people::Reach;
use crate::secret::Secret;

/// Where e-mail goes. With neither `host` nor `folder`, no e-mail is sent and its deliveries wait.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct EmailConfig {
    pub host: Option<String>,
    pub port: Option<u16>,
    pub security: SmtpSecurity,
    pub user: Option<String>,
    pub password: Option<Secret>,
    /// `Name <local@domain>`.
    pub from: String,
    pub reply_to: Option<String>,
    /// A certificate authority of your own, as a PEM file, beside those of the system.
    pub ca_file: Option<PathBuf>,
    /// Go without TLS to a relay on another machine (`security = "plain"`): who stands in between reads every message.
    pub allow_clear_text: bool,
    /// Seconds for connecting and for each answer before the text.
    pub timeout_s: u64,
    /// Seconds for the answer to the whole message (RFC 5321 asks for ten minutes: who gives up early makes repeats).
    pub final_timeout_s: u64,
    /// So many mails must have come back for good before an address is given up; one is enough where there is no such
    /// mailbox.
    pub bounces_until_dead: u32,
    /// Sign what is sent, so that receivers see that it is ours.
    pub dkim: Option<DkimConfig>,
    /// Write messages as files here instead of sending.
    pub folder: Option<PathBuf>,
}

/// A DKIM signature (RFC 6376).
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default)]
pub struct DkimConfig {
    /// That of `email.from`, or one above it.
    pub domain: String,
    /// Names the public key in the DNS: `SELECTOR._domainkey.DOMAIN`.
    pub selector: String,
    /// The private key in PEM form: RSA of 2048 bits or more, or Ed25519.
    pub key: Option<Secret>,
}

impl EmailConfig {
    /// Whether e-mail goes anywhere.
    pub fn is_set_up(&self) -> bool {
        self.host.is_some() || self.folder.is_some()
    }
}

impl Default for EmailConfig {
    fn default() -> Self {
        Self {
            host: None,
            port: None,
            security: SmtpSecurity::Starttls,
            user: None,
            password: None,
            from: "Treebell <treebell@example.org>".into(),
            reply_to: None,
            ca_file: None,
            allow_clear_text: false,
            timeout_s: 60,
            final_timeout_s: 600,
            bounces_until_dead: 3,
            dkim: None,
            folder: None,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SmtpSecurity {
    /// Plain connection raised to TLS before anything else is said; refused if the server cannot.
    Starttls,
    /// TLS from the first byte.
    Tls,
    /// No encryption: for a relay on this machine only.
    Plain,
}

/// Any HTTP gateway, described. With neither `url` nor `folder`, no SMS is sent and its deliveries wait.
///
/// `url`, `headers`, `body` and `form` are templates that may use `{{ to }}` (+15055550100), `{{ to_digits }}` (15055550100),
/// `{{ text }}`, `{{ key }}` (our reference), `{{ from }}`, `{{ secret }}`, `{{ secret_base64 }}`, `{{ coding }}` (see
/// `coding`) and `{{ hooks_path }}` (the secret of `hooks.path`). Values are escaped as their place asks.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct SmsConfig {
    pub url: Option<String>,
    pub method: String,
    pub headers: BTreeMap<String, String>,
    /// Its kind is told by a Content-Type header, or it is JSON if it begins like it.
    pub body: Option<String>,
    /// Fields of a form, instead of a body.
    pub form: BTreeMap<String, String>,
    pub from: String,
    pub secret: Option<Secret>,
    /// What `{{ coding }}` becomes.
    pub coding: Option<CodingConfig>,
    /// Seconds for connecting (ten at most) and for the whole answer.
    pub timeout_s: u64,
    /// JSON pointer to the gateway's own message id in its answer. An answer without it does not count as taken.
    pub reference_pointer: Option<String>,
    /// When given, an answer counts as taken only if it holds one of these texts.
    pub accepted_when: Vec<String>,
    /// Answer text (substring) that means refused for good though the status says otherwise.
    pub refused_when: Vec<String>,
    /// Statuses that end a delivery for good.
    pub refused_statuses: Vec<u16>,
    /// Statuses that leave open whether the message was taken: it waits for its report and goes out once more. All
    /// others from 300 up are tried again.
    pub uncertain_statuses: Vec<u16>,
    /// A message centre that speaks SMPP 3.4, instead of an HTTP gateway.
    pub smpp: Option<SmppConfig>,
    /// Go without TLS to a gateway or message centre on another machine: who stands in between reads numbers, texts and the
    /// secret.
    pub allow_clear_text: bool,
    /// Take phone numbers outside of the United States and Canada: texts there can be dear.
    #[serde(rename = "abroad", with = "abroad")]
    pub reach: Reach,
    pub folder: Option<PathBuf>,
}

impl SmsConfig {
    /// Whether texts go anywhere.
    pub fn is_set_up(&self) -> bool {
        self.url.is_some() || self.smpp.is_some() || self.folder.is_some()
    }
}

impl Default for SmsConfig {
    fn default() -> Self {
        Self {
            url: None,
            method: "POST".into(),
            headers: BTreeMap::new(),
            body: None,
            form: BTreeMap::new(),
            from: String::new(),
            secret: None,
            coding: None,
            timeout_s: 30,
            reference_pointer: None,
            accepted_when: Vec::new(),
            refused_when: Vec::new(),
            // 401, 403 and 404 are about us and not about the message: it waits until they are mended.
            refused_statuses: vec![400, 410, 422],
            uncertain_statuses: vec![500, 502, 504],
            smpp: None,
            allow_clear_text: false,
            reach: Reach::NorthAmerica,
            folder: None,
        }
    }
}

/// The setting says yes or no.
mod abroad {
    use serde::{Deserialize, Deserializer, Serializer};

    use crate::people::Reach;

    pub(super) fn serialize<S: Serializer>(reach: &Reach, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_bool(*reach == Reach::World)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Reach, D::Error> {
        Ok(if bool::deserialize(deserializer)? { Reach::World } else { Reach::NorthAmerica })
    }
}

/// A gateway's own words for the alphabet of a text, where it wants to be told: it is sent in the GSM 7-bit alphabet if that
/// has all its letters, else in UCS-2.
#[derive(Clone, Debug, Deserialize, Serialize)]
pub struct CodingConfig {
    pub gsm7: String,
    pub ucs2: String,
}

/// A message centre. The session is bound as transceiver; the sender is `sms.from`, the wait for an answer `sms.timeout_s`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct SmppConfig {
    pub host: String,
    pub port: u16,
    /// TLS from the first byte; without it all is readable on the way, the password too.
    pub tls: bool,
    /// A certificate authority of your own, as a PEM file, beside those of the system.
    pub ca_file: Option<PathBuf>,
    pub system_id: String,
    pub password: Option<Secret>,
    pub system_type: String,
    /// Type of number and numbering plan of sender and addressee (SMPP 3.4 sections 5.2.5 and 5.2.6).
    pub source_ton: u8,
    pub source_npi: u8,
    pub dest_ton: u8,
    pub dest_npi: u8,
    /// Seconds of silence after which the other side is asked whether it is there.
    pub enquire_link_s: u64,
}

impl Default for SmppConfig {
    fn default() -> Self {
        Self {
            host: String::new(),
            port: 2775,
            tls: false,
            ca_file: None,
            system_id: String::new(),
            password: None,
            system_type: String::new(),
            source_ton: 0,
            source_npi: 0,
            dest_ton: 1,
            dest_npi: 1,
            enquire_link_s: 30,
        }
    }
}
