//! Texts over SMPP 3.4: one bound session that is kept, bound again when it is lost, and that also brings delivery
//! receipts and texts from phones.

mod deliver;
mod session;

use std::fmt::Display;
use std::str::FromStr;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

use async_trait::async_trait;
use rusmpp::CommandStatus;
use rusmpp::pdus::SubmitSm;
use rusmpp::types::{COctetString, OctetString};
use rusmpp::values::{DataCoding, EsmClass, Npi, RegisteredDelivery, Ton};
use rusmppc::error::Error as SmppError;
use sha2::{Digest, Sha256};
use tokio::sync::watch;
use tokio::task::AbortHandle;

use crate::config_fault::ConfigFault;
use crate::delivery::inbound::Intake;
use crate::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use crate::dispatch::settings::SmsConfig;
use crate::message::Message;
use crate::message::sms::{self, Encoding};

use session::{Inner, Link, Tls, keep};

/// A message centre.
pub struct SmppTransport {
    inner: Arc<Inner>,
    keeper: Mutex<Option<AbortHandle>>,
}

impl SmppTransport {
    /// Connects to nothing yet: that begins with [`Transport::listen`] or the first message.
    ///
    /// # Errors
    /// Every fault of the settings, with the place and the mend.
    pub fn new(config: &SmsConfig) -> Result<Self, Vec<ConfigFault>> {
        let mut faults = Vec::new();
        let Some(smpp) = &config.smpp else {
            return Err(vec![ConfigFault::new("sms.smpp", "is missing: name the message centre")]);
        };
        let mut fault = |path: &str, what: String| faults.push(ConfigFault::new(path, what));
        if smpp.host.is_empty() {
            fault("sms.smpp.host", "is missing: name the message centre".into());
        }
        // SMPP 3.4 section 4.1.1: the field sizes hold a final NUL.
        if COctetString::<1, 16>::from_str(&smpp.system_id).is_err() || smpp.system_id.is_empty() {
            fault("sms.smpp.system_id", "1 to 15 ASCII characters are wanted".into());
        }
        if COctetString::<1, 13>::from_str(&smpp.system_type).is_err() {
            fault("sms.smpp.system_type", "at most 12 ASCII characters are taken".into());
        }
        let from = COctetString::<1, 21>::from_str(config.from.trim_start_matches('+')).unwrap_or_else(|_| {
            fault("sms.from", "at most 20 ASCII characters are taken as a sender".into());
            COctetString::empty()
        });
        let password = match &smpp.password {
            None => {
                fault("sms.smpp.password", "is missing: name the file or the variable that holds it".into());
                None
            }
            Some(secret) => match secret.read_blocking() {
                Ok(text) if COctetString::<1, 9>::from_str(text.expose()).is_ok() => Some(text),
                Ok(_) => {
                    fault("sms.smpp.password", "at most 8 ASCII characters are taken (SMPP 3.4)".into());
                    None
                }
                Err(why) => {
                    fault("sms.smpp.password", why.what);
                    None
                }
            },
        };
        let tls = match (smpp.tls, &smpp.ca_file) {
            (true, ca_file) => Tls::new(&smpp.host, ca_file.as_deref()).map_err(|fault| faults.push(fault)).ok(),
            (false, None) => None,
            (false, Some(_)) => {
                let what = "is of no use without `tls = true`: the line would be readable all the same";
                faults.push(ConfigFault::new("sms.smpp.ca_file", what));
                None
            }
        };
        let Some(password) = password.filter(|_| faults.is_empty()) else { return Err(faults) };
        let (link, _) = watch::channel(Link::Down("not connected yet".into()));
        let inner = Inner {
            config: smpp.clone(),
            password,
            from,
            tls,
            answer: Duration::from_secs(config.timeout_s.max(1)),
            link,
            intake: OnceLock::new(),
        };
        Ok(Self { inner: Arc::new(inner), keeper: Mutex::default() })
    }

    /// Binds and unbinds, in a session of its own.
    ///
    /// # Errors
    /// In words, when nobody answers or the log-in is refused.
    pub async fn try_bind(&self) -> Result<(), String> {
        let (client, _events) = self.inner.bind().await?;
        let _ = client.unbind().await;
        Ok(())
    }

    fn start(&self) {
        let mut keeper = self.keeper.lock().unwrap_or_else(PoisonError::into_inner);
        if keeper.as_ref().is_none_or(AbortHandle::is_finished) {
            *keeper = Some(tokio::spawn(keep(self.inner.clone())).abort_handle());
        }
    }
}

impl Drop for SmppTransport {
    fn drop(&mut self) {
        if let Some(keeper) = self.keeper.lock().unwrap_or_else(PoisonError::into_inner).take() {
            keeper.abort();
        }
    }
}

#[async_trait]
impl Transport for SmppTransport {
    fn listen(&self, intake: Arc<dyn Intake>) {
        // A second one would be another service's.
        let _ = self.inner.intake.set(intake);
        self.start();
    }

    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        let Message::Sms { text } = &outgoing.message else {
            return Err(SendFailure::GiveUp { cause: "the message is no text".into() });
        };
        let parts = self.inner.parts(&outgoing.key, &outgoing.to, text)?;
        self.start();
        let client = self.inner.bound().await?;
        let count = parts.len();
        let mut receipt = Receipt::default();
        for (at, part) in parts.into_iter().enumerate() {
            // Once it is closed nothing is written any more; a loss from here on leaves open what arrived.
            if at == 0 && !client.is_active() {
                return Err(channel_down("the session was lost"));
            }
            match client.submit_sm(part).await {
                Ok(answer) => {
                    let id = answer.message_id().as_str();
                    receipt.provider_ref = (!id.is_empty()).then(|| id.to_owned());
                }
                Err(why) => return Err(of_part(sorted(&why), at, count)),
            }
        }
        Ok(receipt)
    }
}

impl Inner {
    /// The text in the parts it is sent as. The reference that joins them is made from the key, so that a repeat is the same.
    fn parts(&self, key: &str, to: &str, text: &str) -> Result<Vec<SubmitSm>, SendFailure> {
        let segments = sms::count(text);
        let total = u8::try_from(segments.parts)
            .map_err(|_| SendFailure::GiveUp { cause: "the text has more parts than the network can join".into() })?;
        let digest = Sha256::digest(key);
        let to = COctetString::<1, 21>::from_str(to.trim_start_matches('+'))
            .map_err(|_| SendFailure::GiveUp { cause: "the number is too long".into() })?;
        let mut parts = Vec::new();
        for (number, text) in (1..=total).zip(&segments.texts) {
            let mut octets = Vec::new();
            if total > 1 {
                // 3GPP TS 23.040 section 9.2.3.24.1.
                octets.extend([5, 0, 3, digest[0], total, number]);
            }
            octets.extend(match segments.encoding {
                Encoding::Gsm7 => sms::gsm7_octets(text).unwrap_or_default(),
                Encoding::Ucs2 => text.encode_utf16().flat_map(u16::to_be_bytes).collect(),
            });
            let message = OctetString::from_vec(octets)
                .map_err(|_| SendFailure::GiveUp { cause: "a part of the text is too long".into() })?;
            parts.push(
                SubmitSm::builder()
                    .source_addr_ton(Ton::from(self.config.source_ton))
                    .source_addr_npi(Npi::from(self.config.source_npi))
                    .source_addr(self.from.clone())
                    .dest_addr_ton(Ton::from(self.config.dest_ton))
                    .dest_addr_npi(Npi::from(self.config.dest_npi))
                    .destination_addr(to.clone())
                    // By number: what the crate takes as its default sets a bit for acknowledgements.
                    .esm_class(EsmClass::from(if total > 1 { 0x40 } else { 0x00 }))
                    // One receipt a message, when the last part has its end.
                    .registered_delivery(RegisteredDelivery::from(u8::from(number == total)))
                    .data_coding(match segments.encoding {
                        Encoding::Gsm7 => DataCoding::McSpecific,
                        Encoding::Ucs2 => DataCoding::Ucs2,
                    })
                    .short_message(message)
                    .build(),
            );
        }
        Ok(parts)
    }
}

fn channel_down(cause: impl Display) -> SendFailure {
    SendFailure::ChannelDown { after: None, cause: cause.to_string() }
}

/// What the error of one part says.
fn sorted(why: &SmppError) -> SendFailure {
    let cause = described(why);
    match why {
        SmppError::UnexpectedResponse { response } => match response.status() {
            // An answer, but none that says yes or no.
            CommandStatus::EsmeRok => SendFailure::Uncertain { cause },
            status => refusal(status, cause),
        },
        SmppError::Encode(_) => SendFailure::GiveUp { cause },
        // Closed or silent after it was handed over: nobody knows.
        _ => SendFailure::Uncertain { cause },
    }
}

/// SMPP 3.4 section 5.1.3.
fn refusal(status: CommandStatus, cause: String) -> SendFailure {
    use CommandStatus as S;
    match status {
        // About this message: the number, the length, the alphabet, or the centre's word that it never will.
        S::EsmeRinvdstadr
        | S::EsmeRinvdstton
        | S::EsmeRinvdstnpi
        | S::EsmeRinvmsglen
        | S::EsmeRinvdcs
        | S::EsmeRxPAppn
        | S::EsmeRxRAppn
        | S::EsmeRprohibited
        | S::EsmeRdeliveryfailure => SendFailure::GiveUp { cause },
        // Too fast, full, or the settings: the same for every message.
        S::EsmeRthrottled
        | S::EsmeRmsgqful
        | S::EsmeRinvbndsts
        | S::EsmeRinvsrcadr
        | S::EsmeRinvsrcton
        | S::EsmeRinvsrcnpi
        | S::EsmeRinvsertyp
        | S::EsmeRinvsystyp => SendFailure::ChannelDown { after: None, cause },
        _ => SendFailure::TryLater { after: None, cause },
    }
}

/// When parts before were taken, the message is neither sent nor unsent.
fn of_part(failure: SendFailure, at: usize, count: usize) -> SendFailure {
    if at == 0 {
        return failure;
    }
    let told = |cause: String| format!("part {} of {count}, those before it were taken: {cause}", at + 1);
    match failure {
        SendFailure::GiveUp { cause } | SendFailure::AddressRefused { cause, .. } => {
            SendFailure::GiveUp { cause: told(cause) }
        }
        SendFailure::TryLater { cause, .. }
        | SendFailure::ChannelDown { cause, .. }
        | SendFailure::Uncertain { cause } => SendFailure::Uncertain { cause: told(cause) },
    }
}

/// The error without what was sent, which holds the number.
fn described(why: &SmppError) -> String {
    match why {
        SmppError::UnexpectedResponse { response } => {
            let status = response.status();
            format!("the message centre answered {status:?} (0x{:08X})", u32::from(status))
        }
        SmppError::ResponseTimeout { timeout, .. } => format!("no answer in {} s", timeout.as_secs()),
        other => other.to_string(),
    }
}
