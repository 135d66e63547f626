//! Texts over SMPP 3.4: one bound session that is kept, bound again when it is lost, and that also brings delivery
//! receipts and texts from phones.

use std::fmt::Display;
use std::path::Path;
use std::str::FromStr;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

use async_trait::async_trait;
use futures::{Stream, StreamExt};
use rusmpp::pdus::{BindTransceiver, DeliverSm, DeliverSmResp, SubmitSm};
use rusmpp::tlvs::TlvValue;
use rusmpp::types::{COctetString, OctetString};
use rusmpp::values::{
    DataCoding, EsmClass, GsmFeatures, InterfaceVersion, MessageState, MessageType, Npi, RegisteredDelivery, Ton,
};
use rusmpp::{Command, CommandStatus, Pdu};
use rusmppc::error::Error as SmppError;
use rusmppc::{Client, ConnectionBuilder, Event};
use rustls::ClientConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls_platform_verifier::Verifier;
use sha2::{Digest, Sha256};
use tokio::net::TcpStream;
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_rustls::TlsConnector;
use tracing::{info, warn};

use crate::config::{ConfigFault, SecretText, SmppConfig, SmsConfig};
use crate::delivery::inbound::{Alphabet, InboundPart, InboundText, Intake};
use crate::delivery::state::Report;
use crate::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use crate::message::Message;
use crate::message::sms::{self, Encoding};
use crate::people::Channel;
use crate::store::queue::Reference;

/// A message centre.
pub struct SmppTransport {
    inner: Arc<Inner>,
    keeper: Mutex<Option<JoinHandle<()>>>,
}

struct Inner {
    config: SmppConfig,
    password: SecretText,
    from: COctetString<1, 21>,
    tls: Option<Tls>,
    answer: Duration,
    link: watch::Sender<Link>,
    intake: OnceLock<Intake>,
}

struct Tls {
    connector: TlsConnector,
    name: ServerName<'static>,
}

enum Link {
    /// With the last reason.
    Down(String),
    Bound(Client),
}

/// How long a message waits for the session to be bound before the channel counts as down.
const BOUND_WITHIN: Duration = Duration::from_secs(10);

/// Waits between attempts to bind.
const FIRST_WAIT: Duration = Duration::from_secs(1);
const LONGEST_WAIT: Duration = Duration::from_secs(60);

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
            Some(secret) => match secret.read() {
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

    fn start(&self) {
        let mut keeper = self.keeper.lock().unwrap_or_else(PoisonError::into_inner);
        if keeper.as_ref().is_none_or(JoinHandle::is_finished) {
            *keeper = Some(tokio::spawn(keep(self.inner.clone())));
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
    fn listen(&self, intake: Intake) {
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

impl Tls {
    /// Trusts whom the system trusts and, as e-mail does, an authority of the user's own.
    fn new(host: &str, ca_file: Option<&Path>) -> Result<Self, ConfigFault> {
        let unusable = |why: rustls::Error| ConfigFault::new("sms.smpp.tls", format!("TLS cannot be used: {why}"));
        let own = ca_file.map(authorities).transpose()?.unwrap_or_default();
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let verifier = Verifier::new_with_extra_roots(own, provider.clone()).map_err(unusable)?;
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(unusable)?
            .dangerous() // The verifier is the system's own, the same that e-mail and feeds have.
            .with_custom_certificate_verifier(Arc::new(verifier))
            .with_no_client_auth();
        let name = ServerName::try_from(host.to_owned())
            .map_err(|_| ConfigFault::new("sms.smpp.host", format!("`{host}` cannot stand in a certificate")))?;
        Ok(Self { connector: TlsConnector::from(Arc::new(config)), name })
    }
}

fn authorities(file: &Path) -> Result<Vec<CertificateDer<'static>>, ConfigFault> {
    let fault = |what: String| ConfigFault::new("sms.smpp.ca_file", format!("`{}` {what}", file.display()));
    let pem = std::fs::read(file).map_err(|why| fault(format!("cannot be read: {why}")))?;
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&pem).collect();
    match found {
        Ok(found) if !found.is_empty() => Ok(found),
        Ok(_) => Err(fault("holds no certificate in PEM form".into())),
        Err(why) => Err(fault(format!("is no certificate in PEM form: {why}"))),
    }
}

/// The whole time of a session and the pauses between sessions.
async fn keep(inner: Arc<Inner>) {
    let mut wait = FIRST_WAIT;
    loop {
        let cause = match inner.bind().await {
            Ok((client, events)) => {
                info!("bound to the message centre");
                wait = FIRST_WAIT;
                inner.link.send_replace(Link::Bound(client.clone()));
                inner.attend(&client, events).await
            }
            Err(cause) => cause,
        };
        warn!(cause, "no session with the message centre, binding again in {} s", wait.as_secs());
        inner.link.send_replace(Link::Down(cause));
        tokio::time::sleep(wait).await;
        wait = (wait * 2).min(LONGEST_WAIT);
    }
}

type Events = Box<dyn Stream<Item = Event> + Send + Unpin>;

impl Inner {
    async fn bind(&self) -> Result<(Client, Events), String> {
        let place = (self.config.host.as_str(), self.config.port);
        let builder = ConnectionBuilder::new()
            .enquire_link_interval(Duration::from_secs(self.config.enquire_link_s.max(1)))
            .enquire_link_response_timeout(self.answer)
            .response_timeout(self.answer)
            // Without the widest frame a long payload of the other side would end the session.
            .max_command_length(128 * 1024)
            // The crate speaks 5.0 by itself; the fields used here are the same in 3.4.
            .disable_interface_version_check();
        let connect = async {
            let stream = TcpStream::connect(place).await.map_err(|why| why.to_string())?;
            stream.set_nodelay(true).map_err(|why| why.to_string())?;
            Ok(match &self.tls {
                Some(tls) => {
                    let stream = tls.connector.connect(tls.name.clone(), stream).await;
                    let (client, events) = builder.connected(stream.map_err(|why| format!("TLS: {why}"))?);
                    (client, Box::new(events) as Events)
                }
                None => {
                    let (client, events) = builder.connected(stream);
                    (client, Box::new(events) as Events)
                }
            })
        };
        let (client, events): (Client, Events) = tokio::time::timeout(self.answer, connect)
            .await
            .unwrap_or_else(|_| Err("no answer in time".into()))
            .map_err(|why: String| format!("no connection to {}:{}: {why}", place.0, place.1))?;
        let bind = BindTransceiver::builder()
            .system_id(field(&self.config.system_id))
            .password(field(self.password.expose()))
            .system_type(field(&self.config.system_type))
            .interface_version(InterfaceVersion::Smpp3_4)
            .build();
        client.bind_transceiver(bind).await.map_err(|why| format!("bind refused: {}", told(&why)))?;
        Ok((client, events))
    }

    /// Answers what the message centre sends until the session ends; returns why it did.
    async fn attend(&self, client: &Client, mut events: Events) -> String {
        while let Some(event) = events.next().await {
            let command = match event {
                Event::Incoming(command) => command,
                Event::Error(why) => return told(&why),
            };
            let number = command.sequence_number();
            let answered = match command.pdu() {
                Some(Pdu::DeliverSm(deliver)) => {
                    let status = self.take_in(deliver).await;
                    client.status(status).deliver_sm_resp(number, DeliverSmResp::default()).await
                }
                Some(Pdu::Unbind) => {
                    let _ = client.unbind_resp(number).await;
                    let _ = tokio::time::timeout(Duration::from_secs(2), client.close_and_wait()).await;
                    return "the message centre ended the session".into();
                }
                // Answers that came too late, and notes that ask for none.
                Some(Pdu::AlertNotification(_)) => Ok(()),
                _ if is_answer(&command) => Ok(()),
                _ => client.status(CommandStatus::EsmeRinvcmdid).generic_nack(number).await,
            };
            if let Err(why) = answered {
                return told(&why);
            }
        }
        "the connection was closed".into()
    }

    /// Takes in a receipt or a text. The answer says whether it shall be brought again.
    async fn take_in(&self, deliver: &DeliverSm) -> CommandStatus {
        let again = CommandStatus::EsmeRxTAppn;
        let Some(intake) = self.intake.get() else { return again };
        let now = intake.clock.now();
        // Some centres forget the mark; a message that a phone sent never has this field (SMPP 3.4 section 5.3.2.12).
        let names_a_message =
            deliver.tlvs().iter().any(|tlv| matches!(tlv.value(), Some(TlvValue::ReceiptedMessageId(_))));
        match deliver.esm_class.message_type {
            kind if kind == MessageType::ShortMessageContainsMCDeliveryReceipt
                || kind == MessageType::Default && names_a_message =>
            {
                let Some((id, report)) = receipt_of(deliver) else { return CommandStatus::EsmeRok };
                match intake.store.apply_report(Channel::Sms, Reference::Provider(&id), report, now).await {
                    Ok(_) => CommandStatus::EsmeRok,
                    Err(why) => {
                        warn!(error = %why, "a delivery receipt could not be booked");
                        again
                    }
                }
            }
            MessageType::Default => {
                let Some(inbound) = &intake.inbound else { return again };
                let sign = if deliver.source_addr_ton == Ton::International { "+" } else { "" };
                let from = format!("{sign}{}", deliver.source_addr.as_str().trim_start_matches('+'));
                let to = deliver.destination_addr.as_str().to_owned();
                let Content { alphabet, octets, part } = Content::of(deliver);
                let taken = match part {
                    Some(Place { reference, number, total }) => {
                        let part = InboundPart { from, to, reference, number, total, alphabet, octets };
                        intake.take_part(&part).await
                    }
                    None => {
                        let text = alphabet.read(&octets);
                        inbound.received(&InboundText { from, to, text, whole: true, at: now, id: None }).await
                    }
                };
                match taken {
                    Ok(()) => CommandStatus::EsmeRok,
                    Err(why) => {
                        warn!(error = %why, "a text from a phone could not be recorded");
                        again
                    }
                }
            }
            // Notes on the way and acknowledgements of phones say nothing of the end.
            _ => CommandStatus::EsmeRok,
        }
    }

    async fn bound(&self) -> Result<Client, SendFailure> {
        let mut link = self.link.subscribe();
        let bound = link.wait_for(|link| matches!(link, Link::Bound(client) if client.is_active()));
        match tokio::time::timeout(BOUND_WITHIN.min(self.answer), bound).await {
            Ok(Ok(link)) => match &*link {
                Link::Bound(client) => Ok(client.clone()),
                Link::Down(cause) => Err(channel_down(cause)),
            },
            _ => Err(match &*self.link.borrow() {
                Link::Down(cause) => channel_down(cause),
                Link::Bound(_) => channel_down("the session was lost"),
            }),
        }
    }

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

/// Checked when the settings were read.
fn field<const MAX: usize>(text: &str) -> COctetString<1, MAX> {
    COctetString::from_str(text).unwrap_or_else(|_| COctetString::empty())
}

fn is_answer(command: &Command) -> bool {
    // SMPP 3.4 section 5.1.2.1: answers have the highest bit of the command set.
    u32::from(command.id()) & 0x8000_0000 != 0
}

fn channel_down(cause: impl Display) -> SendFailure {
    SendFailure::ChannelDown { after: None, cause: cause.to_string() }
}

/// What the error of one part says.
fn sorted(why: &SmppError) -> SendFailure {
    let cause = told(why);
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
        SendFailure::GiveUp { cause } => SendFailure::GiveUp { cause: told(cause) },
        SendFailure::TryLater { cause, .. }
        | SendFailure::ChannelDown { cause, .. }
        | SendFailure::Uncertain { cause } => SendFailure::Uncertain { cause: told(cause) },
    }
}

/// The error without what was sent, which holds the number.
fn told(why: &SmppError) -> String {
    match why {
        SmppError::UnexpectedResponse { response } => {
            let status = response.status();
            format!("the message centre answered {status:?} (0x{:08X})", u32::from(status))
        }
        SmppError::ResponseTimeout { timeout, .. } => format!("no answer in {} s", timeout.as_secs()),
        other => other.to_string(),
    }
}

/// Whose receipt it is and what it says: by its fields (SMPP 3.4 section 5.3.2.12 and 5.3.2.35), else by the text of
/// appendix B.
fn receipt_of(deliver: &DeliverSm) -> Option<(String, Report)> {
    let mut id = None;
    let mut report = None;
    for tlv in deliver.tlvs() {
        match tlv.value() {
            Some(TlvValue::ReceiptedMessageId(text)) => id = Some(text.as_str().to_owned()),
            Some(TlvValue::MessageState(state)) => report = report_of(*state),
            _ => {}
        }
    }
    let text = text_of(deliver);
    let word = |name: &str| {
        let at = text.to_ascii_lowercase().find(name)?;
        let rest = text.get(at + name.len()..)?;
        rest.split_whitespace().next().map(str::to_owned)
    };
    let id = id.or_else(|| word("id:")).filter(|id| !id.is_empty())?;
    let report = report.or_else(|| report_named(&word("stat:")?))?;
    Some((id, report))
}

fn report_of(state: MessageState) -> Option<Report> {
    match state {
        MessageState::Enroute | MessageState::Accepted => Some(Report::Accepted),
        MessageState::Delivered => Some(Report::Delivered),
        MessageState::Expired | MessageState::Deleted | MessageState::Undeliverable | MessageState::Rejected => {
            Some(Report::Undelivered)
        }
        _ => None,
    }
}

/// SMPP 3.4 appendix B.
fn report_named(state: &str) -> Option<Report> {
    match state.to_ascii_uppercase().as_str() {
        "ENROUTE" | "ACCEPTD" => Some(Report::Accepted),
        "DELIVRD" => Some(Report::Delivered),
        "EXPIRED" | "DELETED" | "UNDELIV" | "REJECTD" => Some(Report::Undelivered),
        _ => None,
    }
}

/// What a text or receipt holds, without the header in front of it.
struct Content {
    alphabet: Alphabet,
    octets: Vec<u8>,
    /// For a part of a long text.
    part: Option<Place>,
}

/// Where a part belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Place {
    reference: u16,
    number: u8,
    total: u8,
}

impl Content {
    fn of(deliver: &DeliverSm) -> Self {
        let (mut payload, mut reference, mut number, mut total) = (None, None, None, None);
        for tlv in deliver.tlvs() {
            match tlv.value() {
                Some(TlvValue::MessagePayload(octets)) => payload = Some(octets.value.as_ref().to_vec()),
                // SMPP 3.4 sections 5.3.2.22 to 5.3.2.24.
                Some(TlvValue::SarMsgRefNum(value)) => reference = Some(*value),
                Some(TlvValue::SarSegmentSeqnum(value)) => number = Some(*value),
                Some(TlvValue::SarTotalSegments(value)) => total = Some(*value),
                _ => {}
            }
        }
        let mut octets = match payload {
            Some(payload) if deliver.short_message().is_empty() => payload,
            _ => deliver.short_message().as_ref().to_vec(),
        };
        let mut part = match (reference, number, total) {
            (Some(reference), Some(number), Some(total)) => Some(Place { reference, number, total }),
            _ => None,
        };
        if matches!(deliver.esm_class.gsm_features, GsmFeatures::UdhiIndicator | GsmFeatures::SetUdhiAndReplyPath) {
            let length = octets.first().map_or(0, |length| usize::from(*length) + 1);
            let header: Vec<u8> = octets.drain(..length.min(octets.len())).collect();
            part = place_in(header.get(1..).unwrap_or_default()).or(part);
        }
        // A text of one part is whole, and numbers that cannot be join nothing.
        let part = part.filter(|place| place.total > 1 && (1..=place.total).contains(&place.number));
        let alphabet = match deliver.data_coding {
            DataCoding::Ucs2 => Alphabet::Ucs2,
            // 3GPP TS 23.038 section 4: the same with a message class or a wish to be compressed later.
            DataCoding::Other(coding) if coding & 0b1100_1100 == 0b0000_1000 => Alphabet::Ucs2,
            DataCoding::Latin1 => Alphabet::Latin1,
            DataCoding::Ia5 => Alphabet::Ascii,
            _ => Alphabet::Gsm7,
        };
        Self { alphabet, octets, part }
    }
}

/// The element of a header that joins parts, with a reference of 8 or 16 bits (3GPP TS 23.040 sections 9.2.3.24.1 and
/// 9.2.3.24.8).
fn place_in(mut header: &[u8]) -> Option<Place> {
    while let [kind, length, rest @ ..] = header {
        let element = rest.get(..usize::from(*length))?;
        match (kind, element) {
            (0x00, [reference, total, number]) => {
                return Some(Place { reference: u16::from(*reference), number: *number, total: *total });
            }
            (0x08, [high, low, total, number]) => {
                return Some(Place { reference: u16::from_be_bytes([*high, *low]), number: *number, total: *total });
            }
            _ => header = &rest[element.len()..],
        }
    }
    None
}

/// The words of a receipt.
fn text_of(deliver: &DeliverSm) -> String {
    let Content { alphabet, octets, .. } = Content::of(deliver);
    alphabet.read(&octets)
}

#[cfg(test)]
mod tests {
    use super::*;

    // 3GPP TS 23.040 section 9.2.3.24: elements of kind, length and data, in any order.
    #[test]
    fn the_place_of_a_part_is_found_among_other_elements_and_in_no_garbage() {
        let place = |reference, number, total| Some(Place { reference, number, total });
        assert_eq!(place_in(&[0x00, 3, 7, 2, 1]), place(7, 1, 2));
        assert_eq!(place_in(&[0x08, 4, 1, 2, 3, 3]), place(258, 3, 3));
        assert_eq!(place_in(&[0x05, 4, 0, 1, 0, 2, 0x24, 1, 1, 0x00, 3, 9, 4, 2]), place(9, 2, 4));
        for garbage in [&[][..], &[0x00], &[0x00, 3, 7, 2], &[0x08, 3, 1, 2, 3], &[0x00, 255, 1], &[0x70, 0]] {
            assert_eq!(place_in(garbage), None, "{garbage:?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_octets_make_it_fail(octets in proptest::collection::vec(proptest::num::u8::ANY, 0..255), esm: u8, coding: u8) {
            let deliver = DeliverSm::builder()
                .esm_class(EsmClass::from(esm))
                .data_coding(DataCoding::from(coding))
                .short_message(OctetString::from_vec(octets).expect("short enough"))
                .build();
            let content = Content::of(&deliver);
            proptest::prop_assert!(content.part.is_none_or(|place| (1..=place.total).contains(&place.number)));
            let _ = (content.alphabet.read(&content.octets), receipt_of(&deliver));
        }
    }
}
