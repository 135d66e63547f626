//! One message as a whole e-mail: the same bytes for SMTP and for files.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;

use bytes::Bytes;
use lettre::address::Envelope;
use lettre::message::header::{ContentTransferEncoding, ContentType, HeaderName, HeaderValue};
use lettre::message::{Attachment, Body, Mailbox, MultiPart, SinglePart};
use sha2::{Digest, Sha256};

use crate::config_fault::ConfigFault;
use crate::dispatch::channels::Outgoing;
use crate::dispatch::channels::dkim::{SignError, Signer};
use crate::dispatch::settings::EmailConfig;
use crate::message::{CHART_ID, Message};

/// A picture and its Base64.
type Picture = (Bytes, Arc<[u8]>);

/// Writes e-mails from one sender.
#[derive(Clone, Debug)]
pub struct MailWriter {
    from: Mailbox,
    reply_to: Option<Mailbox>,
    signer: Option<Signer>,
    /// Pictures of late as they travel: a notice's mails all show the same one.
    pictures: Arc<Mutex<VecDeque<Picture>>>,
}

/// Regions and languages that are on their way at once.
const PICTURES: usize = 8;

/// An e-mail ready to go.
#[derive(Clone, Debug)]
pub struct Mail {
    pub envelope: Envelope,
    /// The bytes that are sent, signature included; lines end in CRLF.
    pub raw: Vec<u8>,
}

/// Why a message cannot be written as an e-mail; it never will be.
#[derive(Debug, thiserror::Error)]
pub enum MailError {
    #[error("the message is no e-mail")]
    NotMail,
    #[error("the address is not one that e-mail can go to")]
    BadAddress,
    #[error("the stop link `{0}` is no http or https address")]
    BadStopUrl(String),
    #[error("the message could not be put together")]
    Mime(#[source] Box<dyn std::error::Error + Send + Sync>),
    #[error(transparent)]
    Sign(#[from] SignError),
}

impl MailWriter {
    /// Writes without a signature, whatever the settings say of one: for files that go nowhere.
    ///
    /// # Errors
    /// When `from` or `reply_to` is not of the form `Name <local@domain>`.
    pub fn new(config: &EmailConfig) -> Result<Self, ConfigFault> {
        let mailbox = |path: &str, text: &str| {
            let mailbox = text.parse::<Mailbox>().map_err(|_| {
                ConfigFault::new(path, format!("`{text}` is not a sender: write `Name <local@example.org>`"))
            })?;
            let name = mailbox.name.as_deref().unwrap_or_default();
            if name.chars().count() > NAME_AT_MOST || one_line(name) != name {
                let what = format!(
                    "the name must be one line of at most {NAME_AT_MOST} characters, without control characters or `=?`"
                );
                return Err(ConfigFault::new(path, what));
            }
            Ok(mailbox)
        };
        Ok(Self {
            from: mailbox("email.from", &config.from)?,
            reply_to: config.reply_to.as_deref().map(|text| mailbox("email.reply_to", text)).transpose()?,
            signer: None,
            pictures: Arc::default(),
        })
    }

    /// Signs what it writes if `email.dkim` asks for it.
    ///
    /// # Errors
    /// As [`MailWriter::new`] and [`Signer::new`].
    pub fn signing(config: &EmailConfig) -> Result<Self, ConfigFault> {
        let mut writer = Self::new(config)?;
        if let Some(dkim) = &config.dkim {
            writer.signer = Some(Signer::new(dkim, writer.from.email.domain())?);
        }
        Ok(writer)
    }

    /// The whole message. Two copies of one delivery are the same to the byte.
    ///
    /// # Errors
    /// See [`MailError`]: none of them passes by itself.
    pub fn write(&self, outgoing: &Outgoing) -> Result<Mail, MailError> {
        let Message::Email { subject, text, html, calendar, chart_png } = &outgoing.message else {
            return Err(MailError::NotMail);
        };
        let to: lettre::Address = outgoing.to.parse().map_err(|_| MailError::BadAddress)?;
        let mut builder = lettre::Message::builder()
            .message_id(Some(self.message_id(&outgoing.key)))
            .date(SystemTime::from(outgoing.dated))
            .from(self.from.clone())
            .to(Mailbox::new(None, to))
            .subject(one_line(subject))
            // RFC 3834: no vacation answers, no loops.
            .raw_header(header("Auto-Submitted", "auto-generated"));
        if let Some(reply_to) = &self.reply_to {
            builder = builder.reply_to(reply_to.clone());
        }
        if let Some(url) = &outgoing.stop_url {
            // A parsed address prints without blanks, brackets or line ends, but for what stands after a `#`.
            let mut url = url.clone();
            url.set_fragment(None);
            if !matches!(url.scheme(), "http" | "https") {
                return Err(MailError::BadStopUrl(url.into()));
            }
            builder = builder.raw_header(header("List-Unsubscribe", &format!("<{url}>")));
            // RFC 8058 is for https alone.
            if url.scheme() == "https" {
                builder = builder.raw_header(header("List-Unsubscribe-Post", "List-Unsubscribe=One-Click"));
            }
        }
        let boundary = boundary(&outgoing.key);
        let bodies =
            MultiPart::alternative().boundary(format!("a{boundary}")).singlepart(SinglePart::plain(text.clone()));
        let html = SinglePart::html(html.clone());
        let bodies = match chart_png {
            None => bodies.singlepart(html),
            // RFC 2387: the picture belongs to the HTML part alone.
            Some(png) => {
                let kind = ContentType::parse("image/png").map_err(|why| MailError::Mime(why.into()))?;
                let picture = Attachment::new_inline_with_name(CHART_ID.into(), "season.png".into());
                let related = MultiPart::related().boundary(format!("r{boundary}"));
                bodies.multipart(related.singlepart(html).singlepart(picture.body(self.encoded(png), kind)))
            }
        };
        let whole = match calendar {
            None => bodies,
            Some(calendar) => {
                let kind = ContentType::parse("text/calendar; charset=utf-8; method=PUBLISH")
                    .map_err(|why| MailError::Mime(why.into()))?;
                let attachment = Attachment::new("washing-window.ics".into()).body(calendar.clone(), kind);
                MultiPart::mixed().boundary(format!("m{boundary}")).multipart(bodies).singlepart(attachment)
            }
        };
        let message = builder.multipart(whole).map_err(|why| MailError::Mime(why.into()))?;
        let mut raw = message.formatted();
        if let Some(signer) = &self.signer {
            raw = signer.sign(&raw, outgoing.dated)?;
        }
        Ok(Mail { envelope: message.envelope().clone(), raw })
    }

    /// A picture in Base64, written out once for many mails.
    fn encoded(&self, png: &Bytes) -> Body {
        let mut pictures = self.pictures.lock().unwrap_or_else(PoisonError::into_inner);
        let known = pictures.iter().find(|(of, _)| of == png).map(|(_, encoded)| Arc::clone(encoded));
        let encoded = known.unwrap_or_else(|| {
            let encoding = ContentTransferEncoding::Base64;
            let fresh = Body::new_with_encoding(png.to_vec(), encoding).map_or_else(|body| body, Body::into_vec);
            let fresh: Arc<[u8]> = fresh.into();
            pictures.truncate(PICTURES - 1);
            pictures.push_front((png.clone(), Arc::clone(&fresh)));
            fresh
        });
        Body::dangerous_pre_encoded(encoded.to_vec(), ContentTransferEncoding::Base64)
    }

    /// Made from the delivery's key alone, so that a receiver can tell a repeat.
    fn message_id(&self, key: &str) -> String {
        let local: String = key.chars().filter(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.')).collect();
        format!("<{local}@{}>", self.from.email.domain())
    }
}

fn header(name: &'static str, value: &str) -> HeaderValue {
    HeaderValue::new(HeaderName::new_from_ascii_str(name), value.to_owned())
}

/// A header is one line: whatever could end or hide one becomes a blank. What would read as an encoded word (RFC 2047) is
/// broken up, since a reader would decode it, line ends and all.
fn one_line(text: &str) -> String {
    let breaks = |c: char| c.is_control() || matches!(c, '\u{2028}' | '\u{2029}');
    let line = text.split(breaks).filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ").replace("=?", "= ?");
    let cut: String = line.trim().chars().take(SUBJECT_AT_MOST).collect();
    cut.trim_end().to_owned()
}

/// No reader shows more, and some servers refuse headers of many kilobytes.
const SUBJECT_AT_MOST: usize = 250;

/// A name that is one word cannot be folded, and RFC 5322 allows no line of more than 998 characters.
const NAME_AT_MOST: usize = 100;

/// The library would draw one by lot; from the key, a message is the same to the byte whenever it is written.
fn boundary(key: &str) -> String {
    hex::encode(Sha256::digest(key).iter().take(15).copied().collect::<Vec<u8>>())
}

#[cfg(test)]
mod tests {
    use super::*;
    use mailparse::MailHeaderMap;

    fn outgoing(subject: &str, text: &str) -> Outgoing {
        Outgoing {
            key: "0f3a".into(),
            to: "owner@example.org".into(),
            message: Message::Email {
                subject: subject.into(),
                text: text.into(),
                html: format!("<p>{text}</p>"),
                calendar: None,
                chart_png: None,
            },
            stop_url: url::Url::parse("https://example.org/stop?t=abc&l=es").ok(),
            at: "2026-04-10T16:00:00Z".parse().unwrap(),
            dated: "2026-04-10T16:00:00Z".parse().unwrap(),
        }
    }

    fn writer() -> MailWriter {
        let config = EmailConfig { reply_to: Some("help@example.org".into()), ..EmailConfig::default() };
        MailWriter::new(&config).unwrap()
    }

    fn written(outgoing: &Outgoing) -> Vec<u8> {
        writer().write(outgoing).unwrap().raw
    }

    #[test]
    fn every_header_that_is_wanted_is_there_once() {
        let raw = written(&outgoing("Inspect your pinyons now", "Look."));
        let mail = mailparse::parse_mail(&raw).unwrap();
        for (name, wanted) in [
            ("Message-ID", "<0f3a@example.org>"),
            ("Date", "Fri, 10 Apr 2026 16:00:00 +0000"),
            ("From", "Treebell <treebell@example.org>"),
            ("To", "owner@example.org"),
            ("Reply-To", "help@example.org"),
            ("Subject", "Inspect your pinyons now"),
            ("Auto-Submitted", "auto-generated"),
            ("List-Unsubscribe", "<https://example.org/stop?t=abc&l=es>"),
            ("List-Unsubscribe-Post", "List-Unsubscribe=One-Click"),
        ] {
            assert_eq!(mail.headers.get_all_values(name), [wanted], "{name}");
        }
        assert_eq!(mail.ctype.mimetype, "multipart/alternative");
        let kinds: Vec<_> = mail.subparts.iter().map(|part| part.ctype.mimetype.as_str()).collect();
        assert_eq!(kinds, ["text/plain", "text/html"]);
    }

    #[test]
    fn text_in_spanish_reads_back_and_travels_as_seven_bits() {
        let mut outgoing = outgoing("Revise sus piñones", "Más de 400 °C·día\n.\nFrom here\n");
        outgoing.message = match outgoing.message {
            Message::Email { subject, text, html, .. } => {
                let calendar = Some("BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n".into());
                Message::Email { subject, text, html, calendar, chart_png: None }
            }
            sms => sms,
        };
        let raw = written(&outgoing);
        assert!(raw.is_ascii());
        let mail = mailparse::parse_mail(&raw).unwrap();
        assert_eq!(mail.headers.get_first_value("Subject").unwrap(), "Revise sus piñones");
        assert_eq!(mail.ctype.mimetype, "multipart/mixed");
        let text = mail.subparts[0].subparts[0].get_body().unwrap();
        assert_eq!(text.replace("\r\n", "\n").trim_end(), "Más de 400 °C·día\n.\nFrom here");
        assert_eq!(mail.subparts[1].ctype.mimetype, "text/calendar");
        assert!(mail.subparts[1].get_body().unwrap().starts_with("BEGIN:VCALENDAR"));
    }

    // Without `one_line` the header would be split by what lettre lets through; without parsing, the address would be
    // written as it is.
    #[test]
    fn no_text_can_add_a_header() {
        let plain: Vec<String> = names(&written(&outgoing("s", "t")));
        for evil in [
            "x\r\nBcc: all@example.org",
            "x\nBcc: a@b",
            "x\rBcc: a@b",
            "x\u{2028}Bcc: a@b",
            "x\u{0}\r\n\r\nbody",
            "\r\n",
        ] {
            let raw = written(&outgoing(evil, "t"));
            assert_eq!(names(&raw), plain, "{evil:?}");
            let mail = mailparse::parse_mail(&raw).unwrap();
            assert!(!mail.headers.get_first_value("Subject").unwrap().contains(['\r', '\n', '\0']), "{evil:?}");
        }
        for evil in [
            "a@example.org\r\nBcc: b@example.org",
            "a@example.org, b@example.org",
            "<a@example.org>",
            "a b@example.org",
        ] {
            let mut outgoing = outgoing("s", "t");
            outgoing.to = evil.into();
            assert!(matches!(writer().write(&outgoing), Err(MailError::BadAddress)), "{evil:?}");
        }
        let mut outgoing = outgoing("s", "t");
        outgoing.key = "a>\r\nBcc: b@example.org".into();
        outgoing.stop_url = url::Url::parse("https://example.org/a>\r\nBcc: b@example.org?c>\r\n#d>").ok();
        assert!(outgoing.stop_url.is_some());
        assert_eq!(names(&written(&outgoing)), plain);
        outgoing.stop_url = url::Url::parse("javascript:alert(1)").ok();
        assert!(matches!(writer().write(&outgoing), Err(MailError::BadStopUrl(_))));
    }

    #[test]
    fn two_copies_are_the_same_to_the_byte_whenever_they_leave() {
        let first = outgoing("s", "t");
        let mut second = first.clone();
        second.at += chrono::TimeDelta::hours(1);
        assert_eq!(written(&first), written(&second));
    }

    #[test]
    fn a_bad_sender_is_told_with_its_place() {
        let config = EmailConfig { from: "nobody".into(), ..EmailConfig::default() };
        let fault = MailWriter::new(&config).unwrap_err();
        assert_eq!(fault.path, "email.from");
        assert!(fault.what.contains("`nobody`"), "{}", fault.what);
    }

    fn names(raw: &[u8]) -> Vec<String> {
        mailparse::parse_mail(raw).unwrap().headers.iter().map(|header| header.get_key().to_lowercase()).collect()
    }
}
