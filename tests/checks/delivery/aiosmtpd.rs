//! SMTP against aiosmtpd, a server that others wrote: TLS, log-in, letters beyond ASCII, too many recipients, a link that
//! breaks inside the text.

use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;

use serde_json::Value;
use tokio::io::{AsyncBufReadExt, BufReader, Lines};
use tokio::process::{Child, ChildStdin, ChildStdout, Command};
use treebell::config::{EmailConfig, Secret, SmtpSecurity};
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::Channels;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::dispatch::channels::{Outgoing, Transport};
use treebell::message::Message;
use treebell::people::Channel;

use super::smtp::{kind, outgoing};
use super::{Seed, World, rows};
use crate::engines::on_each_engine;
use crate::support;

/// Prints `{"port": n}`, then one line for each message it takes. Arguments: certificate, key, recipients a session,
/// sessions whose text breaks off.
const SERVER: &str = r#"
import asyncio, json, ssl, sys, threading, os
from aiosmtpd.smtp import SMTP, AuthResult
cert, key, most, broken = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
def say(what):
    print(json.dumps(what), flush=True)
class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        session.count = getattr(session, "count", 0) + 1
        if session.count > most:
            return "452 4.5.3 Too many recipients"
        envelope.rcpt_tos.append(address)
        return "250 2.1.5 Ok"
    async def handle_DATA(self, server, session, envelope):
        say({"to": envelope.rcpt_tos, "options": envelope.mail_options, "secure": session.ssl is not None,
             "user": session.auth_data and session.auth_data.login.decode(), "text": envelope.content.decode()})
        return "250 2.0.0 Ok: queued as A1"
class Server(SMTP):
    async def smtp_DATA(self, arg):
        global broken
        if broken > 0:
            broken -= 1
            await self.push("354 go ahead")
            await self._reader.read(1000)
            self.transport.abort()
            return
        await super().smtp_DATA(arg)
def check(server, session, envelope, mechanism, data):
    return AuthResult(success=data.login == b"bell" and data.password == b"pass word",
                      auth_data=data)
async def main():
    tls = None
    if cert != "-":
        tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        tls.load_cert_chain(cert, key)
    make = lambda: Server(Handler(), tls_context=tls, require_starttls=tls is not None, authenticator=check,
                          auth_required=tls is not None, enable_SMTPUTF8=True, data_size_limit=10_000_000)
    server = await asyncio.get_running_loop().create_server(make, "127.0.0.1", 0)
    say({"port": server.sockets[0].getsockname()[1]})
    await asyncio.Event().wait()
# Ends with whoever started it.
threading.Thread(target=lambda: (sys.stdin.read(), os._exit(0)), daemon=True).start()
asyncio.run(main())
"#;

struct Server {
    _child: Child,
    _stdin: ChildStdin,
    lines: Lines<BufReader<ChildStdout>>,
    port: u16,
}

impl Server {
    async fn start(what: &str, certificate: &str, key: &str, most: u32, broken: u32) -> Option<Self> {
        let python = support::python(what)?;
        let mut child = Command::new(python)
            .args(["-c", SERVER, certificate, key, &most.to_string(), &broken.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .kill_on_drop(true)
            .spawn()
            .unwrap();
        let stdin = child.stdin.take().unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut server = Self { _child: child, _stdin: stdin, lines, port: 0 };
        server.port = u16::try_from(server.line().await["port"].as_u64().unwrap()).unwrap();
        Some(server)
    }

    async fn line(&mut self) -> Value {
        let line = tokio::time::timeout(Duration::from_secs(20), self.lines.next_line()).await;
        serde_json::from_str(&line.expect("in time").unwrap().expect("the server runs")).unwrap()
    }

    fn config(&self) -> EmailConfig {
        EmailConfig {
            host: Some("localhost".into()),
            port: Some(self.port),
            security: SmtpSecurity::Plain,
            timeout_s: 10,
            ..EmailConfig::default()
        }
    }
}

// RFC 3207 (STARTTLS), RFC 4954 (AUTH), RFC 6531 (SMTPUTF8).
#[tokio::test]
async fn tls_log_in_and_letters_beyond_ascii_are_understood() {
    let made = rcgen::generate_simple_self_signed(["localhost".to_owned()]).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let [certificate, key, password] = ["cert.pem", "key.pem", "password"].map(|name| folder.path().join(name));
    std::fs::write(&certificate, made.cert.pem()).unwrap();
    std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
    std::fs::write(&password, "pass word\n").unwrap();
    let [certificate_text, key_text] = [&certificate, &key].map(|path| path.to_str().unwrap().to_owned());
    let what = "SMTP with TLS and log-in against aiosmtpd";
    let Some(mut server) = Server::start(what, &certificate_text, &key_text, 100, 0).await else { return };
    let config = EmailConfig {
        security: SmtpSecurity::Starttls,
        ca_file: Some(certificate.clone()),
        user: Some("bell".into()),
        password: Some(Secret::File(password.clone())),
        ..server.config()
    };
    let transport = SmtpTransport::new(&config).unwrap();
    let beyond = Outgoing { to: "dueña@example.org".into(), ..outgoing("k2") };
    for (outgoing, utf8) in [(outgoing("k1"), false), (beyond, true)] {
        let receipt = transport.send(&outgoing).await.unwrap();
        assert_eq!(receipt.provider_ref.as_deref(), Some("A1"));
        let taken = server.line().await;
        assert_eq!((&taken["secure"], &taken["user"]), (&true.into(), &"bell".into()));
        assert_eq!(taken["to"][0], outgoing.to.as_str());
        let options = taken["options"].to_string();
        assert_eq!(options.contains("SMTPUTF8"), utf8, "{options}");
        let mail = taken["text"].as_str().unwrap().to_owned();
        let mail = mailparse::parse_mail(mail.as_bytes()).unwrap();
        let text = mail.subparts[0].get_body().unwrap().replace("\r\n", "\n");
        assert_eq!(text.trim_end(), ".a dot first\n..two\n.\nthe end");
    }
    // A wrong password is nobody's message's fault, and without TLS nothing is said.
    std::fs::write(&password, "wrong").unwrap();
    let answer = SmtpTransport::new(&config).unwrap().send(&outgoing("k3")).await;
    assert_eq!(kind(&answer), "channel down", "{answer:?}");
    let answer = SmtpTransport::new(&server.config()).unwrap().send(&outgoing("k3")).await;
    assert_ne!(kind(&answer), "sent", "{answer:?}");
}

// The relay takes a few recipients a session and then says 452; its link breaks inside of a large text.
#[tokio::test]
async fn a_relay_that_takes_few_at_a_time_and_one_that_breaks_off_get_everything_in_the_end() {
    on_each_engine("aiosmtpd with limits", |store| async move {
        let Some(mut server) = Server::start("452 from aiosmtpd", "-", "-", 3, 2).await else { return };
        let large = Outgoing {
            message: Message::Email {
                subject: "s".into(),
                text: "a line of text that is not short\n".repeat(30_000),
                html: "<p>x</p>".into(),
                calendar: None,
                chart_png: None,
            },
            ..outgoing("k1")
        };
        let transport = Arc::new(SmtpTransport::new(&server.config()).unwrap());
        for _ in 0..2 {
            let answer = transport.send(&large).await;
            // A quick machine has handed all of it over before it sees the break.
            assert!(["try later", "uncertain"].contains(&kind(&answer)), "{answer:?}");
        }
        let keys = Seed::new(Channel::Email, 10).put(&store).await;
        let world = World::new(store, []);
        let dispatcher = world.dispatcher_over(Channels { email: Some(transport), sms: None });
        world.play_out(&dispatcher).await;
        let mut arrived = Vec::new();
        for _ in 0..keys.len() {
            arrived.push(server.line().await["to"][0].as_str().unwrap().to_owned());
        }
        arrived.sort();
        arrived.dedup();
        assert_eq!(arrived.len(), keys.len(), "each once: {arrived:?}");
        let rows = rows(&world.store).await;
        assert!(
            rows.values().all(|row| row.standing.state == DeliveryState::Sent && row.standing.uncertain_count == 0)
        );
    })
    .await;
}
