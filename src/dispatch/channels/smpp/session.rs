//! The one session with the message centre: bound, kept, bound again when it is lost, and what comes in by it.

use std::path::Path;
use std::str::FromStr;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use futures::{Stream, StreamExt};
use rusmpp::pdus::{BindTransceiver, DeliverSm, DeliverSmResp};
use rusmpp::tlvs::TlvValue;
use rusmpp::types::COctetString;
use rusmpp::values::{InterfaceVersion, MessageType, Ton};
use rusmpp::{Command, CommandStatus, Pdu};
use rusmppc::{Client, ConnectionBuilder, Event};
use rustls::ClientConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls_platform_verifier::Verifier;
use tokio::net::TcpStream;
use tokio::sync::watch;
use tokio_rustls::TlsConnector;
use tracing::{info, warn};

use super::deliver::{Content, Place, receipt_of};
use super::{channel_down, described};
use crate::config_fault::ConfigFault;
use crate::delivery::inbound::{InboundPart, Intake, WholeText};
use crate::dispatch::channels::SendFailure;
use crate::dispatch::settings::SmppConfig;
use crate::secret::SecretText;

pub(super) struct Inner {
    pub(super) config: SmppConfig,
    pub(super) password: SecretText,
    pub(super) from: COctetString<1, 21>,
    pub(super) tls: Option<Tls>,
    pub(super) answer: Duration,
    pub(super) link: watch::Sender<Link>,
    pub(super) intake: OnceLock<Arc<dyn Intake>>,
}

pub(super) struct Tls {
    connector: TlsConnector,
    name: ServerName<'static>,
}

pub(super) enum Link {
    /// With the last reason.
    Down(String),
    Bound(Client),
}

/// How long a message waits for the session to be bound before the channel counts as down.
const BOUND_WITHIN: Duration = Duration::from_secs(10);

/// Waits between attempts to bind.
const FIRST_WAIT: Duration = Duration::from_secs(1);
const LONGEST_WAIT: Duration = Duration::from_secs(60);

impl Tls {
    /// Trusts whom the system trusts and, as e-mail does, an authority of the user's own.
    pub(super) fn new(host: &str, ca_file: Option<&Path>) -> Result<Self, ConfigFault> {
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
    let pem = crate::files::read(file, 4 << 20).map_err(|why| fault(format!("cannot be read: {why}")))?;
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&pem).collect();
    match found {
        Ok(found) if !found.is_empty() => Ok(found),
        Ok(_) => Err(fault("holds no certificate in PEM form".into())),
        Err(why) => Err(fault(format!("is no certificate in PEM form: {why}"))),
    }
}

/// The whole time of a session and the pauses between sessions.
pub(super) async fn keep(inner: Arc<Inner>) -> ! {
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

pub(super) type Events = Box<dyn Stream<Item = Event> + Send + Unpin>;

impl Inner {
    pub(super) async fn bind(&self) -> Result<(Client, Events), String> {
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
        client.bind_transceiver(bind).await.map_err(|why| format!("bind refused: {}", described(&why)))?;
        Ok((client, events))
    }

    /// Answers what the message centre sends until the session ends; returns why it did.
    async fn attend(&self, client: &Client, mut events: Events) -> String {
        while let Some(event) = events.next().await {
            let command = match event {
                Event::Incoming(command) => command,
                Event::Error(why) => return described(&why),
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
                return described(&why);
            }
        }
        "the connection was closed".into()
    }

    /// Takes in a receipt or a text. The answer says whether it shall be brought again.
    async fn take_in(&self, deliver: &DeliverSm) -> CommandStatus {
        let again = CommandStatus::EsmeRxTAppn;
        let Some(intake) = self.intake.get() else { return again };
        // Some centres forget the mark; a message that a phone sent never has this field (SMPP 3.4 section 5.3.2.12).
        let names_a_message =
            deliver.tlvs().iter().any(|tlv| matches!(tlv.value(), Some(TlvValue::ReceiptedMessageId(_))));
        match deliver.esm_class.message_type {
            kind if kind == MessageType::ShortMessageContainsMCDeliveryReceipt
                || kind == MessageType::Default && names_a_message =>
            {
                let Some((id, report)) = receipt_of(deliver) else { return CommandStatus::EsmeRok };
                match intake.take_report(&id, report).await {
                    Ok(()) => CommandStatus::EsmeRok,
                    Err(why) => {
                        warn!(error = why.cause, "a delivery receipt could not be booked");
                        again
                    }
                }
            }
            MessageType::Default => {
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
                        intake.take_text(WholeText { from, to, text }).await
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

    pub(super) async fn bound(&self) -> Result<Client, SendFailure> {
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
}

/// Checked when the settings were read.
fn field<const MAX: usize>(text: &str) -> COctetString<1, MAX> {
    COctetString::from_str(text).unwrap_or_else(|_| COctetString::empty())
}

fn is_answer(command: &Command) -> bool {
    // SMPP 3.4 section 5.1.2.1: answers have the highest bit of the command set.
    u32::from(command.id()) & 0x8000_0000 != 0
}
