//! Our e-mail as programs read it that others wrote: dkimpy checks the signature, Python's `email` the headers and the
//! calendar package the entry.

use std::process::Command;

use serde_json::{Value, json};
use treebell::config::{DkimConfig, EmailConfig, Secret};
use treebell::dispatch::channels::dkim::Signer;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::dispatch::channels::{Outgoing, Transport};
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
            chart_png: None,
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
        let dispatcher = world.dispatcher_over(treebell::dispatch::Channels { email: Some(transport), sms: None });
        world.play_out(&dispatcher).await;
        let kept = server.kept();
        assert_eq!(kept.len(), 2, "kept without an answer, then once more");
        assert_eq!(kept[0], kept[1]);
        assert!(kept[0].starts_with("DKIM-Signature: v=1; a=ed25519-sha256;"), "{}", kept[0]);
        assert!(world.clock_moved(), "the repeat left later than the first copy");
    })
    .await;
}

/// Reads a list of mails and prints for each the names of its headers, some values, and the bodies.
const READ: &str = r#"
import email, email.policy, json, sys
for mail in json.load(sys.stdin):
    mail = email.message_from_bytes(mail.encode(), policy=email.policy.default)
    parts = [part for part in mail.walk() if not part.is_multipart()]
    print(json.dumps({
        "names": [name.lower() for name in mail.keys()],
        "subject": str(mail["Subject"]),
        "to": str(mail["To"]),
        "from": [address.addr_spec for address in mail["From"].addresses],
        "defects": [str(defect) for part in mail.walk() for defect in part.defects],
        "kinds": [part.get_content_type() for part in parts],
        "text": parts[0].get_content(),
    }))
"#;

// What a subject, a sender's name, an address or a region's name may hold must never make a header or a second mail.
// The reader is Python's `email`.
#[tokio::test]
async fn nothing_that_is_written_into_a_mail_adds_a_header_or_ends_it() {
    let Some(python) = support::python("headers read by Python's email") else { return };
    let evils = [
        "x\rBcc: a@example.net".to_owned(),
        "x\nBcc: a@example.net".into(),
        "x\r\nBcc: a@example.net".into(),
        "x\r\n\r\nbody".into(),
        "x\0y".into(),
        "x\u{2028}Bcc: a@example.net\u{2029}y\u{85}z".into(),
        "=?utf-8?q?x=0D=0ABcc:_a@example.net?=".into(),
        "=?utf-8?b?eA0KQmNjOiBhQGV4YW1wbGUubmV0?=".into(),
        "ñ=?utf-8?q?x=0ABcc:_a@example.net?=ñ".into(),
        "word ".repeat(2000),
        "ñ".repeat(10_000),
        "x".repeat(10_000),
        "<a@example.net>, \"b\" <c@example.net>;".into(),
    ];
    let bodies = [
        ".",
        "..",
        "\n.\n",
        "a\n.\nb\n..\n.c\n",
        "a\r\n.\r\nMAIL FROM:<x@example.net>\r\n",
        "a\nb\n\n\nc",
        "From x\n>From y\n",
    ];
    let server = SmtpServer::start([]).await;
    let mut sent_mails = vec![sent(&server.config(), &server, &outgoing("k0")).await];
    let mut texts = vec![None];
    for evil in &evils {
        let mut one = outgoing("k1");
        one.message = Message::Email {
            subject: evil.clone(),
            text: "Look.".into(),
            html: "<p>Look</p>".into(),
            calendar: None,
            chart_png: None,
        };
        sent_mails.push(sent(&server.config(), &server, &one).await);
        texts.push(Some("Look.".to_owned()));
        // A sender's name that cannot stand in a header is refused when the settings are read, or it is harmless.
        let config = EmailConfig { from: format!("{evil} <treebell@example.org>"), ..server.config() };
        if SmtpTransport::new(&config).is_ok() {
            sent_mails.push(sent(&config, &server, &outgoing("k2")).await);
            texts.push(None);
        }
        // An address that is none goes nowhere.
        let mut one = outgoing("k3");
        one.to = format!("owner@example.org{evil}");
        let before = server.count();
        let answer = SmtpTransport::new(&server.config()).unwrap().send(&one).await;
        assert!(answer.is_err() && server.count() == before, "{evil:?}: {answer:?}");
    }
    for body in bodies {
        let mut one = outgoing("k4");
        one.message = Message::Email {
            subject: "s".into(),
            text: body.into(),
            html: format!("<p>{body}</p>"),
            calendar: None,
            chart_png: None,
        };
        sent_mails.push(sent(&server.config(), &server, &one).await);
        texts.push(Some(body.to_owned()));
    }
    let said = support::run_python(&python, READ, &[], json!(sent_mails).to_string().as_bytes());
    let said: Vec<Value> = said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(said.len(), sent_mails.len());
    for ((read, text), mail) in said.iter().zip(&texts).zip(&sent_mails) {
        assert_eq!(read["names"], said[0]["names"], "{read}");
        assert_eq!(read["kinds"], json!(["text/plain", "text/html"]), "{read}");
        assert_eq!(read["from"], json!(["treebell@example.org"]), "{read}");
        assert_eq!(read["to"], "owner@example.org");
        assert_eq!(read["defects"], json!([]), "{read}");
        let subject = read["subject"].as_str().unwrap();
        assert!(!subject.contains(|c: char| c.is_control() || c == '\u{2028}'), "{subject:?}");
        assert!(
            mail.split("\r\n").all(|line| line.len() <= 998 && !line.contains(['\r', '\n'])),
            "RFC 5322 2.1.1: {mail}"
        );
        if let Some(text) = text {
            let read = read["text"].as_str().unwrap().replace("\r\n", "\n");
            assert_eq!(read.trim_end_matches('\n'), text.replace("\r\n", "\n").trim_end_matches('\n'));
        }
    }
}

/// Reads an entry and prints what a calendar would show.
const CALENDAR: &str = r#"
import json, sys
import icalendar
calendar = icalendar.Calendar.from_ical(sys.stdin.buffer.read())
[event] = calendar.walk("VEVENT")
print(json.dumps({
    "errors": [str(error) for part in calendar.walk() for error in part.errors],
    "method": calendar["METHOD"], "version": calendar["VERSION"], "uid": event["UID"],
    "start": event.decoded("DTSTART").isoformat(), "end": event.decoded("DTEND").isoformat(),
    "stamp": event.decoded("DTSTAMP").isoformat(), "sequence": event["SEQUENCE"],
    "summary": event["SUMMARY"], "description": event["DESCRIPTION"], "location": event["LOCATION"],
}))
"#;

// RFC 5545, read by the `icalendar` package of PyPI.
#[test]
fn the_calendar_entry_reads_back() {
    use treebell::language::Language;
    use treebell::message::{Templates, samples};
    use treebell::season::NoticeKind;
    let Some(python) = support::python("the calendar entry read by icalendar") else { return };
    let templates = Templates::load(None).unwrap();
    for sample in samples::all() {
        for language in Language::ALL {
            let message = templates
                .render_notice(NoticeKind::WashNow, language, treebell::people::Channel::Email, &sample.facts)
                .unwrap();
            let Message::Email { calendar: Some(entry), .. } = message else { panic!("{} has no entry", sample.name) };
            let read: Value =
                serde_json::from_str(&support::run_python(&python, CALENDAR, &[], entry.as_bytes())).unwrap();
            let facts = &sample.facts;
            assert_eq!(read["errors"], json!([]), "{}", sample.name);
            assert_eq!((&read["method"], &read["version"]), (&json!("PUBLISH"), &json!("2.0")));
            assert_eq!(read["start"], facts.decided_on.to_string());
            let last = facts.wash_by.max(facts.decided_on);
            assert_eq!(read["end"], last.succ_opt().unwrap().to_string(), "the day after the last one");
            assert_eq!(read["location"], facts.region_name.as_str());
            assert_eq!(read["sequence"], 2);
            for text in ["summary", "description"] {
                assert!(!read[text].as_str().unwrap().trim().is_empty(), "{text} of {}", sample.name);
            }
        }
    }
}

/// Reads a list of texts and prints for each the encoding and the number of parts that smpplib makes of it.
const PARTS: &str = r#"
import json, sys
from smpplib import consts, gsm
for text in json.load(sys.stdin):
    parts, encoding, _ = gsm.make_parts(text)
    print(json.dumps([encoding == consts.SMPP_ENCODING_DEFAULT, len(parts)]))
"#;

// What the preview says a text costs is what a gateway makes of it. smpplib cuts at a fixed number of octets, also inside
// of an escape or surrogate pair, which its own source calls a fault; a part that ends a unit early can cost one part more
// here. Texts without such pairs must agree to the part. Its table lacks the paragraph sign and the form feed.
#[test]
fn a_thousand_texts_cost_as_many_parts_as_another_program_makes() {
    use rand::seq::IndexedRandom;
    use rand::{Rng, RngExt, SeedableRng};
    use treebell::message::sms::{Encoding, count};
    let Some(python) = support::python("parts counted by smpplib") else { return };
    let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(20261125);
    let english: Vec<char> = "abcdefghijklmnopqrstuvwxyz ABC0123456789.,:;!?'\"()-/&%+@$\n".chars().collect();
    let spanish: Vec<char> = "abcdefghijlmnopqrstuvyz ñéüÑÉÜ¿¡".chars().collect();
    let beyond: Vec<char> = "áíóúÁÍÓÚ°–—’“".chars().collect();
    let extended: Vec<char> = "^{}\\[~]|€".chars().collect();
    let emoji: Vec<char> = "🌲🌵💧☀".chars().collect();
    let mut texts = Vec::new();
    for at in 0..1000 {
        let length = match at % 4 {
            0 => *[69, 70, 71, 133, 134, 135, 159, 160, 161, 305, 306, 307, 459].choose(&mut dice).unwrap(),
            _ => dice.random_range(0..500),
        };
        let mix = at % 5;
        texts.push(
            (0..length)
                .map(|_| {
                    let alphabet = match (mix, dice.next_u32() % 20) {
                        (1, 0..=9) => &spanish,
                        (2, 0..=3) => &beyond,
                        (3, 0..=3) => &extended,
                        (4, 0..=1) => &emoji,
                        _ => &english,
                    };
                    *alphabet.choose(&mut dice).unwrap()
                })
                .collect::<String>(),
        );
    }
    let said = support::run_python(&python, PARTS, &[], json!(texts).to_string().as_bytes());
    let said: Vec<(bool, usize)> = said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(said.len(), 1000);
    let mut one_more = 0;
    for (text, (gsm7, parts)) in texts.iter().zip(said) {
        let ours = count(text);
        assert_eq!(ours.encoding == Encoding::Gsm7, gsm7, "{text:?}");
        let pairs = match ours.encoding {
            Encoding::Gsm7 => text.contains(|c| extended.contains(&c)),
            Encoding::Ucs2 => text.chars().any(|c| c.len_utf16() == 2),
        };
        one_more += usize::from(ours.parts == parts + 1);
        assert!(
            ours.parts == parts || (pairs && ours.parts == parts + 1),
            "{} and {parts} parts: {text:?}",
            ours.parts
        );
    }
    assert!(one_more < 20, "{one_more} of 1000 cost a part more than octets alone would");
}
