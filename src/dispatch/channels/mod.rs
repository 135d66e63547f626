//! The ways out, one file each, behind one trait.

pub mod dkim;
pub mod folder;
pub mod mail;
pub mod scripted;
pub mod smpp;
pub mod sms_http;
pub mod smtp;

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use async_trait::async_trait;
use chrono::{DateTime, Utc};
use url::Url;

use crate::clock::Clock;
use crate::config_fault::ConfigFault;
use crate::delivery::attempt::AddressFault;
use crate::delivery::inbound::Intake;
use crate::dispatch::settings::{EmailConfig, SmsConfig};
use crate::message::Message;
use crate::people::Channel;
use crate::secret::Secret;

/// One message to one address. `key` is the delivery's id: stable over attempts, it becomes the Message-ID and the
/// gateway's reference.
#[derive(Clone, Debug, PartialEq)]
pub struct Outgoing {
    pub key: String,
    pub to: String,
    pub message: Message,
    /// Where one click ends these messages.
    pub stop_url: Option<Url>,
    /// When this attempt began.
    pub at: DateTime<Utc>,
    /// What an e-mail is dated: when the first copy was begun that may have gone out. So a repeat is the same to the byte.
    pub dated: DateTime<Utc>,
}

/// The channel took responsibility.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Receipt {
    /// The provider's own reference, if it gave one.
    pub provider_ref: Option<String>,
}

/// Failures sorted by what the caller does next.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SendFailure {
    /// This message was not accepted; try it again, not before `after` if the other side said so.
    #[error("not accepted for now: {cause}")]
    TryLater { after: Option<Duration>, cause: String },
    /// Nothing would be accepted now, whoever it is for: nobody answers, or our log-in is refused. Leave the whole channel
    /// alone for a while and then try with one.
    #[error("the channel does not work now: {cause}")]
    ChannelDown { after: Option<Duration>, cause: String },
    /// Never will be accepted.
    #[error("refused for good: {cause}")]
    GiveUp { cause: String },
    /// Never will be accepted, since its address is at fault.
    #[error("refused for good: {cause}")]
    AddressRefused { fault: AddressFault, cause: String },
    /// All bytes were sent but no answer came: it may or may not have been accepted.
    #[error("sent, but the answer was lost: {cause}")]
    Uncertain { cause: String },
}

#[async_trait]
pub trait Transport: Send + Sync {
    /// # Errors
    /// See [`SendFailure`]: each transport must sort its failures.
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure>;

    /// As [`Transport::send`], unless the lease has run out. A transport that talks before the message itself goes out
    /// asks once more after that talk.
    ///
    /// # Errors
    /// As [`Transport::send`].
    async fn send_while(&self, outgoing: &Outgoing, guard: &LeaseGuard) -> Result<Receipt, SendFailure> {
        guard.check()?;
        self.send(outgoing).await
    }

    /// Begins to bring what comes in, where the channel is one that receives.
    fn listen(&self, intake: Arc<dyn Intake>) {
        drop(intake);
    }
}

/// The right to send as the sender knows it. A process that was stopped and goes on hours later would else send what
/// another worker sent in its place.
#[derive(Clone)]
pub struct LeaseGuard {
    clock: Arc<dyn Clock>,
    until_ms: Arc<AtomicI64>,
}

impl LeaseGuard {
    pub fn until(end: DateTime<Utc>, clock: Arc<dyn Clock>) -> Self {
        Self { clock, until_ms: Arc::new(AtomicI64::new(end.timestamp_millis())) }
    }

    pub fn lengthen(&self, end: DateTime<Utc>) {
        self.until_ms.store(end.timestamp_millis(), Ordering::Relaxed);
    }

    pub fn still(&self) -> bool {
        self.clock.now().timestamp_millis() < self.until_ms.load(Ordering::Relaxed)
    }

    /// # Errors
    /// [`SendFailure::TryLater`] when the lease ran out.
    pub fn check(&self) -> Result<(), SendFailure> {
        if self.still() {
            return Ok(());
        }
        let cause = "the lease ran out before the message itself went out".to_owned();
        Err(SendFailure::TryLater { after: None, cause })
    }
}

/// The transports of a service. Deliveries of a channel without one wait until they expire.
#[derive(Clone, Default)]
pub struct Channels {
    pub email: Option<Arc<dyn Transport>>,
    pub sms: Option<Arc<dyn Transport>>,
}

impl Channels {
    pub fn of(&self, channel: Channel) -> Option<&Arc<dyn Transport>> {
        match channel {
            Channel::Email => self.email.as_ref(),
            Channel::Sms => self.sms.as_ref(),
        }
    }

    /// Lets the channels that receive do so.
    pub fn listen(&self, intake: &Arc<dyn Intake>) {
        for transport in [&self.email, &self.sms].into_iter().flatten() {
            transport.listen(intake.clone());
        }
    }

    /// The same transport for both, for demo, replay and tests.
    pub fn both(transport: Arc<dyn Transport>) -> Self {
        Self { email: Some(transport.clone()), sms: Some(transport) }
    }
}

/// The channels that the settings describe. `hooks_path` is the setting `hooks.path`, for gateways that want to be told with
/// each message where to report.
///
/// # Errors
/// Every fault found, each with its place and the mend.
pub fn from_settings(
    email: &EmailConfig,
    sms: &SmsConfig,
    hooks_path: Option<&Secret>,
) -> Result<Channels, Vec<ConfigFault>> {
    let mut faults = Vec::new();
    let mut take = |made: Result<Option<Arc<dyn Transport>>, Vec<ConfigFault>>| {
        made.unwrap_or_else(|mut found| {
            faults.append(&mut found);
            None
        })
    };
    let email_transport = take(email_from(email).map_err(|fault| vec![fault]));
    let sms_transport = take(sms_from(email, sms, hooks_path));
    if faults.is_empty() { Ok(Channels { email: email_transport, sms: sms_transport }) } else { Err(faults) }
}

/// What is wrong with the settings of the channels; nothing is connected to or written.
pub fn check(email: &EmailConfig, sms: &SmsConfig, hooks_path: Option<&Secret>) -> Vec<ConfigFault> {
    let mut faults = Vec::new();
    if email.host.is_some() {
        faults.extend(smtp::SmtpTransport::new(email).err());
    } else {
        faults.extend(mail::MailWriter::signing(email).err());
    }
    if sms.smpp.is_some() {
        faults.extend(smpp::SmppTransport::new(sms).err().into_iter().flatten());
    }
    if sms.url.is_some() {
        let gateway = sms_http::SmsGateway::with_webhooks(sms, hooks_path, "treebell");
        faults.extend(gateway.err().into_iter().flatten());
    }
    faults
}

fn email_from(config: &EmailConfig) -> Result<Option<Arc<dyn Transport>>, ConfigFault> {
    Ok(match (&config.folder, &config.host) {
        (Some(folder), _) => Some(folder_for("email.folder", folder, config)?),
        (None, Some(_)) => Some(Arc::new(smtp::SmtpTransport::new(config)?)),
        (None, None) => None,
    })
}

fn sms_from(
    email: &EmailConfig,
    sms: &SmsConfig,
    hooks_path: Option<&Secret>,
) -> Result<Option<Arc<dyn Transport>>, Vec<ConfigFault>> {
    Ok(match (&sms.folder, &sms.url) {
        (Some(folder), _) => Some(folder_for("sms.folder", folder, email).map_err(|fault| vec![fault])?),
        (None, None) if sms.smpp.is_some() => Some(Arc::new(smpp::SmppTransport::new(sms)?)),
        (None, Some(_)) => {
            let user_agent = format!("treebell/{}", env!("CARGO_PKG_VERSION"));
            Some(Arc::new(sms_http::SmsGateway::with_webhooks(sms, hooks_path, &user_agent)?))
        }
        (None, None) => None,
    })
}

fn folder_for(path: &str, folder: &Path, email: &EmailConfig) -> Result<Arc<dyn Transport>, ConfigFault> {
    let transport = folder::FolderTransport::open(folder, mail::MailWriter::new(email)?)
        .map_err(|why| ConfigFault::new(path, format!("`{}` cannot be used: {why}", folder.display())))?;
    Ok(Arc::new(transport))
}
