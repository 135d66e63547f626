//! Our e-mail as programs read it that others wrote: dkimpy checks the signature, Python's `email` the headers and the
//! calendar package the entry.

use std::process::Command;

use serde_json::{Value, json};
use treebell::config::{DkimConfig, EmailConfig, Secret};
use treebell::delivery::channels::dkim::Signer;
use treebell::delivery::channels::smtp::SmtpTransport;
use treebell::delivery::channels::{Outgoing, Transport};
use treebell::message::Message;

use super::smtp::{Act, SmtpServer, outgoing};
use crate::support;

/// Reads `{"dns": text, "mails": [text, ...]}` and prints for each mail whether its signature holds, with the tags of it.
const VERIFY: &str = r#"
import json, sys
import dkim
asked = json.load(sys.stdin)
def dns(name, timeout=5):
    assert name == asked["name"].encode() + b".", name
    return asked["dns"].encode()
for mail in asked["mails"]:
    mail = mail.encode()
    try:
        check = dkim.DKIM(mail)
        held = check.verify(dnsfunc=dns)
        tags = {key.decode(): value.decode() for key, value in check.signature_fields.items()}
        print(json.dumps({"held": held, "covers": [name.decode() for name, _ in check.signed_headers], "tags": tags}))
    except dkim.DKIMException as why:
        print(json.dumps({"held": False, "why": str(why)}))
"#;

/// A key as `openssl genpkey` makes it.
fn make_key(what: &str, arguments: &[&str]) -> Option<tempfile::NamedTempFile> {
    let file = tempfile::NamedTempFile::new().unwrap();
    let made = Command::new("openssl").arg("genpkey").args(arguments).arg("-out").arg(file.path()).output();
    match made {
        Ok(done) => {
            assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
            Some(file)
        }
        Err(_) => {
            support::skipped(what, "the program openssl");
            None
        }
    }
}

fn signed_with(key: &tempfile::NamedTempFile) -> DkimConfig {
    DkimConfig {
        domain: "example.org".into(),
        selector: "t2026".into(),
        key: Some(Secret::File(key.path().to_owned())),
    }
}

/// A mail that has every header there is, with a calendar entry and letters beyond ASCII.
fn rich(key: &str) -> Outgoing {
    Outgoing {
        message: Message::Email {
            subject: "Revise sus piñones: la ventana de lavado está cerca, y este asunto es más largo que una línea"
                .into(),
            text: "Hola  \n\n.\n..dos puntos\nMás\t texto   con espacios \n\n\n".into(),
            html: "<p>Hola</p>\n<p>Más</p>\n\n".into(),
            calendar: Some("BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n".into()),
        },
        stop_url: url::Url::parse("https://pinyon.example.org/stop/0123456789abcdef0123456789abcdef").ok(),
        ..outgoing(key)
    }
}

async fn sent(config: &EmailConfig, server: &SmtpServer, outgoing: &Outgoing) -> String {
    let transport = SmtpTransport::new(config).unwrap();
    let before = server.count();
    // A lost answer is part of one of the checks.
    let _ = transport.send(outgoing).await;
    let kept = server.kept();
    assert_eq!(kept.len(), before + 1);
    kept.last().unwrap().clone()
}

// RFC 6376, 8301, 8463 (DKIM) and 8058 (both headers of List-Unsubscribe are covered); read by dkimpy.
#[tokio::test]
async fn the_signature_holds_for_what_arrives_and_for_nothing_else() {
    const WHAT: &str = "DKIM read by dkimpy";
    let Some(python) = support::python(WHAT) else { return };
    for (kind, arguments) in [
        ("rsa-sha256", &["-algorithm", "RSA", "-pkeyopt", "rsa_keygen_bits:2048"][..]),
        ("ed25519-sha256", &["-algorithm", "ED25519"][..]),
    ] {
        let Some(key) = make_key(WHAT, arguments) else { return };
        let dkim = signed_with(&key);
        let (name, dns) = Signer::new(&dkim, "example.org").unwrap().dns_record().unwrap();
        let server = SmtpServer::start([]).await;
        let config = EmailConfig { dkim: Some(dkim), reply_to: Some("help@example.org".into()), ..server.config() };
        let mail = sent(&config, &server, &rich("k1")).await;
        let plain = sent(&config, &server, &outgoing("k2")).await;

        let mut mails = vec![mail.clone(), plain, relay_touches(&mail)];
        let good = mails.len();
        for name in [
            "From",
            "To",
            "Subject",
            "Date",
            "Message-ID",
            "Reply-To",
            "MIME-Version",
            "Content-Type",
            "List-Unsubscribe",
            "List-Unsubscribe-Post",
            "Auto-Submitted",
        ] {
            mails.push(with_changed_header(&mail, name));
            mails.push(without_header(&mail, name));
            mails.push(format!("{name}: x\r\n{mail}"));
        }
        mails.push(format!("Cc: other@example.org\r\n{mail}"));
        mails.push(mail.replacen("<p>Hola</p>", "<p>Hole</p>", 1));
        mails.push(format!("{mail}more\r\n"));

        let asked = json!({"name": name, "dns": dns, "mails": mails});
        let said = support::run_python(&python, VERIFY, &[], asked.to_string().as_bytes());
        let said: Vec<Value> = said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        assert_eq!(said.len(), mails.len());
        for (at, said) in said.iter().enumerate() {
            assert_eq!(said["held"], at < good, "{kind}, mail {at}: {said}\n{}", mails[at]);
        }
        assert_eq!(said[0]["tags"]["a"], kind);
        assert_eq!(said[0]["tags"]["c"], "relaxed/relaxed");
        assert!(mail.split("\r\n").all(|line| line.len() <= 998), "RFC 5322 section 2.1.1");
        let signature = mail.split("\r\nMessage-ID").next().unwrap();
        assert!(signature.split("\r\n").all(|line| line.len() <= 78), "{signature}");
    }
}

// What relays do and relaxed/relaxed allows: other folding, other case of names, blanks at line ends, a trace on top.
fn relay_touches(mail: &str) -> String {
    let mail =
        mail.replacen("\r\nSubject: ", "\r\nSUBJECT:\r\n   ", 1).replacen("<p>Hola</p>\r\n", "<p>Hola</p> \t\r\n", 1);
    format!("Received: from a by b; Fri, 10 Apr 2026 18:00:00 +0000\r\n{mail}\r\n\r\n")
}

fn with_changed_header(mail: &str, name: &str) -> String {
    let start = format!("\r\n{name}: ");
    let at = mail.find(&start).unwrap_or_else(|| panic!("{name} is missing in {mail}")) + start.len();
    format!("{}x{}", &mail[..at], &mail[at..])
}

fn without_header(mail: &str, name: &str) -> String {
    let at = mail.find(&format!("\r\n{name}: ")).unwrap() + 2;
    let mut end = at;
    loop {
        end += mail[end..].find("\r\n").unwrap() + 2;
        if !mail[end..].starts_with([' ', '\t']) {
            return format!("{}{}", &mail[..at], &mail[end..]);
        }
    }
}

// A repeat after a lost answer must be the same message to every filter and reader: Message-ID, date and signature too.
#[tokio::test]
async fn a_repeat_is_the_same_to_the_byte_signature_and_all() {
    crate::engines::on_each_engine("a repeated e-mail", |store| async move {
        let key = rcgen::KeyPair::generate_for(&rcgen::PKCS_ED25519).unwrap().serialize_pem();
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), key).unwrap();
        super::Seed::new(treebell::people::Channel::Email, 1).put(&store).await;
        let server = SmtpServer::start([Act::KeepAndClose]).await;
        let config = EmailConfig { dkim: Some(signed_with(&file)), ..server.config() };
        let world = super::World::new(store, []);
        let transport = std::sync::Arc::new(SmtpTransport::new(&config).unwrap());
        let dispatcher = world.dispatcher_over(treebell::delivery::Channels { email: Some(transport), sms: None });
        world.play_out(&dispatcher).await;
        let kept = server.kept();
        assert_eq!(kept.len(), 2, "kept without an answer, then once more");
        assert_eq!(kept[0], kept[1]);
        assert!(kept[0].starts_with("DKIM-Signature: v=1; a=ed25519-sha256;"), "{}", kept[0]);
        assert!(world.clock_moved(), "the repeat left later than the first copy");
    })
    .await;
}
