//! E-mail to a relay by SMTP.
//!
//! The library sends a message in one call whose failure does not tell how far it came. What happens next depends on just
//! that, so the commands are given here one by one: before the final dot nothing was accepted, after it nobody can know
//! until the reply is read (RFC 5321 section 4.2.5).

use std::collections::VecDeque;
use std::fmt::Display;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::path::Path;
use std::pin::Pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use async_trait::async_trait;
use lettre::transport::smtp::Error as SmtpError;
use lettre::transport::smtp::authentication::{Credentials, DEFAULT_MECHANISMS};
use lettre::transport::smtp::client::{AsyncSmtpConnection, AsyncTokioStream, Certificate, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail, Rcpt};
use lettre::transport::smtp::extension::{ClientId, Extension, MailBodyParameter, MailParameter};
use lettre::transport::smtp::response::{Response, Severity};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::timeout;

use crate::config_fault::ConfigFault;
use crate::delivery::attempt::AddressFault;
use crate::delivery::bounce_report::{BounceKind, refused_addressee};
use crate::dispatch::channels::mail::{Mail as WholeMail, MailWriter};
use crate::dispatch::channels::{LeaseGuard, Outgoing, Receipt, SendFailure, Transport};
use crate::dispatch::settings::{EmailConfig, SmtpSecurity};
use crate::text::Chain;

/// A relay. Connections are kept for a short while and never used again after a fault.
pub struct SmtpTransport {
    host: String,
    port: u16,
    security: Security,
    credentials: Option<Credentials>,
    hello: ClientId,
    mail: MailWriter,
    /// For connecting, greeting and every command's reply.
    step: Duration,
    /// For taking in the message's text.
    text: Duration,
    /// For the reply to the final dot: giving up early makes repeats (RFC 1047), so this is long.
    final_reply: Duration,
    /// See [`AddressFault::until_undeliverable`].
    until_undeliverable: u32,
    idle: Mutex<VecDeque<Idle>>,
}

enum Security {
    Plain,
    Starttls(TlsParameters),
    Tls(TlsParameters),
}

struct Idle {
    connection: AsyncSmtpConnection,
    since: Instant,
    messages: u32,
}

/// A relay may close what rests; ten seconds are less than any of them wait.
const IDLE_AT_MOST: Duration = Duration::from_secs(10);

/// Relays limit this too; Postfix allows 1000 by default and others 100.
const MESSAGES_A_CONNECTION: u32 = 90;

impl SmtpTransport {
    /// # Errors
    /// When the settings do not make a relay: each names its place and the mend.
    pub fn new(config: &EmailConfig) -> Result<Self, ConfigFault> {
        let host = config
            .host
            .clone()
            .ok_or_else(|| ConfigFault::new("email.host", "is missing: name the relay that takes the e-mail"))?;
        let tls = || {
            let mut builder = TlsParameters::builder(host.clone());
            if let Some(file) = &config.ca_file {
                builder = builder.add_root_certificate(certificate(file)?);
            }
            builder
                .build_rustls()
                .map_err(|why| ConfigFault::new("email.security", format!("TLS cannot be used: {why}")))
        };
        let security = match config.security {
            SmtpSecurity::Plain => Security::Plain,
            SmtpSecurity::Starttls => Security::Starttls(tls()?),
            SmtpSecurity::Tls => Security::Tls(tls()?),
        };
        let credentials = match (&config.user, &config.password) {
            (None, None) => None,
            (Some(user), Some(password)) => {
                let password =
                    password.read_blocking().map_err(|fault| ConfigFault::new("email.password", fault.what))?;
                Some(Credentials::new(user.clone(), password.expose().to_owned()))
            }
            (Some(_), None) => return Err(ConfigFault::new("email.password", "is missing beside email.user")),
            (None, Some(_)) => return Err(ConfigFault::new("email.user", "is missing beside email.password")),
        };
        if credentials.is_some() && config.security == SmtpSecurity::Plain && !is_this_machine(&host) {
            return Err(ConfigFault::new(
                "email.security",
                format!("`plain` would send the password readable to `{host}`: use `starttls` or `tls`"),
            ));
        }
        let default_port = match config.security {
            SmtpSecurity::Plain => 25,
            SmtpSecurity::Starttls => 587,
            SmtpSecurity::Tls => 465,
        };
        let step = Duration::from_secs(config.timeout_s.max(1));
        Ok(Self {
            port: config.port.unwrap_or(default_port),
            host,
            security,
            credentials,
            hello: ClientId::default(),
            mail: MailWriter::signing(config)?,
            step,
            text: step.max(Duration::from_secs(180)),
            final_reply: Duration::from_secs(config.final_timeout_s.max(1)),
            until_undeliverable: config.bounces_until_dead,
            idle: Mutex::default(),
        })
    }

    /// How long the text itself may take before the wait for its answer begins; three minutes or more if not said.
    pub fn with_text_timeout(mut self, text: Duration) -> Self {
        self.text = text;
        self
    }

    /// Connects, raises TLS and logs in, as before a message, and says goodbye.
    ///
    /// # Errors
    /// As before a message.
    pub async fn try_log_in(&self) -> Result<(), SendFailure> {
        let mut connection = self.open().await?;
        let _ = timeout(Duration::from_secs(2), connection.quit()).await;
        Ok(())
    }

    async fn open(&self) -> Result<AsyncSmtpConnection, SendFailure> {
        let down = |what: &str, why: &dyn Display| channel_down(format!("{what} {}:{}: {why}", self.host, self.port));
        let late = |_| down("no answer in time from", &format!("{} s", self.step.as_secs()));
        let session = async {
            match &self.security {
                Security::Plain | Security::Starttls(_) => {
                    let stream = connect(&self.host, self.port).await.map_err(|why| down("no connection to", &why))?;
                    AsyncSmtpConnection::connect_with_transport(Box::new(LineByLine::over(stream)), &self.hello).await
                }
                Security::Tls(tls) => {
                    let relay = (self.host.as_str(), self.port);
                    AsyncSmtpConnection::connect_tokio1(relay, None, &self.hello, Some(tls.clone()), None).await
                }
            }
            .map_err(|why| down("no session with", &told(&why)))
        };
        let mut connection = timeout(self.step, session).await.map_err(late)??;
        if let Security::Starttls(tls) = &self.security {
            // After a failed handshake the connection is only dropped: nothing may be said on it in the clear.
            timeout(self.step, connection.starttls(tls.clone(), &self.hello))
                .await
                .map_err(late)?
                .map_err(|why| down("no TLS with", &told(&why)))?;
        }
        if let Some(credentials) = &self.credentials {
            // A wrong password is the same for every message: none of them is to blame.
            timeout(self.step, connection.auth(DEFAULT_MECHANISMS, credentials))
                .await
                .map_err(late)?
                .map_err(|why| down("log-in refused by", &told(&why)))?;
        }
        Ok(connection)
    }

    /// From MAIL to the reply to the final dot.
    async fn transact(
        &self,
        connection: &mut AsyncSmtpConnection,
        mail: &WholeMail,
        guard: Option<&LeaseGuard>,
    ) -> Result<Receipt, Broken> {
        let WholeMail { envelope, raw } = mail;
        let mut options = Vec::new();
        let plain = |address: &lettre::Address| AsRef::<str>::as_ref(address).is_ascii();
        if !envelope.to().iter().chain(envelope.from()).all(plain) {
            if !connection.server_info().supports_feature(Extension::SmtpUtfEight) {
                return Err(Broken::untouched(SendFailure::GiveUp {
                    cause: "the address has letters that the relay cannot take (no SMTPUTF8)".into(),
                }));
            }
            options.push(MailParameter::SmtpUtfEight);
        }
        if !raw.is_ascii() {
            options.push(MailParameter::Body(MailBodyParameter::EightBitMime));
        }
        self.say(connection, "MAIL", Mail::new(envelope.from().cloned(), options)).await.map_err(Broken::first)?;
        for to in envelope.to() {
            let said = self.say(connection, "RCPT", Rcpt::new(to.clone(), Vec::new())).await;
            said.map_err(|failure| self.of_addressee(failure))?;
        }
        let go_ahead = self.say(connection, "DATA", Data).await?;
        if go_ahead.code().severity != Severity::PositiveIntermediate {
            return Err(try_later(format!("DATA: unexpected reply {}", go_ahead.code())).into());
        }
        guard.map_or(Ok(()), LeaseGuard::check)?;

        // The library asks for the next part when the one before is written out; after the last it writes the final dot.
        let dot = AtomicBool::new(false);
        let mut left = Some(raw.as_slice());
        let parts = std::iter::from_fn(|| {
            let part = left.take();
            dot.store(part.is_none(), Ordering::Relaxed);
            part
        });
        let spoken = timeout(self.text + self.final_reply, connection.message_iter(parts)).await;
        match spoken {
            Ok(Ok(reply)) if reply.code().severity == Severity::PositiveCompletion => {
                Ok(Receipt { provider_ref: queue_id(&reply) })
            }
            // 4yz and 5yz after the dot: the server must not deliver, the message is still ours.
            Ok(Err(why)) if why.is_transient() => Err(try_later(format!("after the text: {}", told(&why))).into()),
            Ok(Err(why)) if why.is_permanent() => {
                Err(SendFailure::GiveUp { cause: format!("after the text: {}", told(&why)) }.into())
            }
            _ if !dot.load(Ordering::Relaxed) => Err(try_later("the connection broke inside the text").into()),
            Ok(Ok(reply)) => Err(uncertain(format!("unexpected reply {} after the text", reply.code())).into()),
            Ok(Err(why)) => Err(uncertain(format!("no reply after the text: {}", told(&why))).into()),
            Err(_) => Err(uncertain("no reply after the text in time").into()),
        }
    }

    /// One command before the text: whatever goes wrong, nothing was accepted.
    async fn say(
        &self,
        connection: &mut AsyncSmtpConnection,
        name: &str,
        command: impl Display,
    ) -> Result<Response, SendFailure> {
        match timeout(self.step, connection.command(command)).await {
            Ok(Ok(reply)) => Ok(reply),
            Ok(Err(why)) => {
                let cause = format!("{name}: {}", told(&why));
                let code = why.status().map(u16::from);
                Err(match code {
                    // About us and not about this message: the service closes, or wants another log-in (RFC 4954).
                    Some(421 | 454 | 530 | 534 | 535 | 538) => channel_down(cause),
                    Some(500..) => SendFailure::GiveUp { cause },
                    _ => try_later(cause),
                })
            }
            Err(_) => Err(try_later(format!("{name}: no answer in {} s", self.step.as_secs()))),
        }
    }

    /// A refusal for good of the addressee may say that the address is at fault; one of the sender or the text never does.
    fn of_addressee(&self, failure: SendFailure) -> SendFailure {
        match failure {
            SendFailure::GiveUp { cause } => match refused_addressee(&cause) {
                BounceKind::Passing => SendFailure::GiveUp { cause },
                kind => {
                    let fault = AddressFault { kind, until_undeliverable: self.until_undeliverable };
                    SendFailure::AddressRefused { fault, cause }
                }
            },
            other => other,
        }
    }

    fn take_idle(&self) -> Option<Idle> {
        let mut idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        idle.retain(|one| one.since.elapsed() < IDLE_AT_MOST);
        idle.pop_back()
    }

    async fn put_back(&self, mut one: Idle) {
        one.messages += 1;
        if one.messages < MESSAGES_A_CONNECTION {
            one.since = Instant::now();
            self.idle.lock().unwrap_or_else(PoisonError::into_inner).push_back(one);
        } else {
            let _ = timeout(Duration::from_secs(2), one.connection.quit()).await;
        }
    }
}

#[async_trait]
impl Transport for SmtpTransport {
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        self.deliver(outgoing, None).await
    }

    async fn send_while(&self, outgoing: &Outgoing, guard: &LeaseGuard) -> Result<Receipt, SendFailure> {
        self.deliver(outgoing, Some(guard)).await
    }
}

impl SmtpTransport {
    async fn deliver(&self, outgoing: &Outgoing, guard: Option<&LeaseGuard>) -> Result<Receipt, SendFailure> {
        let mail = self.mail.write(outgoing).map_err(|why| SendFailure::GiveUp { cause: Chain(&why).to_string() })?;
        if let Some(mut rested) = self.take_idle() {
            match self.transact(&mut rested.connection, &mail, guard).await {
                Ok(receipt) => {
                    self.put_back(rested).await;
                    return Ok(receipt);
                }
                // The relay closed it while it rested: nothing was said about this message yet.
                Err(broken) if broken.at_first_command => {}
                Err(broken) => return Err(broken.failure),
            }
        }
        let connection = self.open().await?;
        let mut fresh = Idle { connection, since: Instant::now(), messages: 0 };
        let receipt = self.transact(&mut fresh.connection, &mail, guard).await.map_err(|broken| broken.failure)?;
        self.put_back(fresh).await;
        Ok(receipt)
    }
}

/// Where a transaction broke.
struct Broken {
    failure: SendFailure,
    /// Before the relay knew anything of this message.
    at_first_command: bool,
}

impl Broken {
    fn first(failure: SendFailure) -> Self {
        Self { failure, at_first_command: true }
    }

    fn untouched(failure: SendFailure) -> Self {
        Self::from(failure)
    }
}

impl From<SendFailure> for Broken {
    fn from(failure: SendFailure) -> Self {
        Self { failure, at_first_command: false }
    }
}

fn try_later(cause: impl Into<String>) -> SendFailure {
    SendFailure::TryLater { after: None, cause: cause.into() }
}

fn channel_down(cause: impl Into<String>) -> SendFailure {
    SendFailure::ChannelDown { after: None, cause: cause.into() }
}

fn uncertain(cause: impl Into<String>) -> SendFailure {
    SendFailure::Uncertain { cause: cause.into() }
}

/// The library's error with what lies behind it, once each.
fn told(why: &SmtpError) -> String {
    why.to_string()
}

/// `250 2.0.0 Ok: queued as 4Zx1` is how Postfix and its kin name what they took.
fn queue_id(reply: &Response) -> Option<String> {
    let text = reply.message().collect::<Vec<_>>().join(" ");
    let (_, id) = text.split_once("queued as ")?;
    let id: String = id.chars().take_while(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.')).collect();
    (!id.is_empty()).then_some(id)
}

fn certificate(file: &Path) -> Result<Certificate, ConfigFault> {
    let fault = |what: String| ConfigFault::new("email.ca_file", format!("`{}` {what}", file.display()));
    let pem = crate::files::read(file, 4 << 20).map_err(|why| fault(format!("cannot be read: {why}")))?;
    Certificate::from_pem(&pem).map_err(|why| fault(format!("is no certificate in PEM form: {why}")))
}

fn is_this_machine(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

async fn connect(host: &str, port: u16) -> io::Result<TcpStream> {
    let stream = TcpStream::connect((host, port)).await?;
    // Text and final dot are two writes; held back for the first one's acknowledgement, the second would cost 40 ms.
    stream.set_nodelay(true)?;
    Ok(stream)
}

/// Hands out one line at a time. A reader that buffers ahead would keep what somebody on the line sent in the clear behind
/// the answer to STARTTLS, and take it for an answer under TLS later; here it stays in front of the handshake and breaks it.
#[derive(Debug)]
struct LineByLine {
    stream: TcpStream,
    ahead: VecDeque<u8>,
}

impl LineByLine {
    fn over(stream: TcpStream) -> Self {
        Self { stream, ahead: VecDeque::new() }
    }
}

impl AsyncRead for LineByLine {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, to: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let this = &mut *self;
        if this.ahead.is_empty() {
            let mut bytes = [0; 2048];
            let mut read = ReadBuf::new(&mut bytes);
            match Pin::new(&mut this.stream).poll_read(cx, &mut read) {
                Poll::Ready(Ok(())) => this.ahead.extend(read.filled()),
                other => return other,
            }
        }
        let line = this.ahead.iter().position(|byte| *byte == b'\n').map_or(this.ahead.len(), |end| end + 1);
        let line: Vec<u8> = this.ahead.drain(..line.min(to.remaining())).collect();
        to.put_slice(&line);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for LineByLine {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(cx, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

impl AsyncTokioStream for LineByLine {
    fn peer_addr(&self) -> io::Result<SocketAddr> {
        self.stream.peer_addr()
    }
}
