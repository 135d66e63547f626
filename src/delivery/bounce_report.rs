//! What mail servers say of a mail that they could not deliver: reports in the form of RFC 3464.
//!
//! A report is believed only if it returns a Message-ID of ours, which nobody can guess: reports are easily forged, and an
//! address must not be deactivated by a stranger's word.

use mailparse::{MailHeaderMap, ParsedMail};

use crate::delivery::scrub::scrubbed;

/// What the end of a mail says of its address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BounceKind {
    /// There is no such mailbox or domain.
    NoSuchMailbox,
    /// Another mail to it would most likely end the same way.
    ForGood,
    /// This mail did not arrive; the next one may.
    Passing,
}

/// What one report says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bounce {
    /// Key of the delivery, as the Message-ID of the returned mail carries it; not yet known to be ours.
    pub key: String,
    pub fault: BounceKind,
    /// The server's words, without addresses.
    pub reason: String,
}

/// Why a mail changes nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Nothing {
    #[error("it is no report of a mail server (multipart/report with message/delivery-status)")]
    NoReport,
    #[error("it reports a delay or a success, and no end")]
    NoEnd,
    #[error("it does not return the Message-ID of a mail, so it cannot be believed")]
    NoMessageId,
}

/// Reads a report; never fails on any bytes.
///
/// # Errors
/// [`Nothing`], when it tells of no mail that came to its end undelivered.
pub fn parse(raw: &[u8]) -> Result<Bounce, Nothing> {
    let mail = mailparse::parse_mail(raw).map_err(|_| Nothing::NoReport)?;
    if mail.ctype.mimetype != "multipart/report" {
        return Err(Nothing::NoReport);
    }
    let status = mail
        .subparts
        .iter()
        .find(|part| {
            matches!(part.ctype.mimetype.as_str(), "message/delivery-status" | "message/global-delivery-status")
        })
        .and_then(text_of)
        .ok_or(Nothing::NoReport)?;
    // One group of fields for the mail, then one for each recipient; ours have one.
    let failed = groups(&status)
        .into_iter()
        .find(|group| group.get("action").is_some_and(|action| action.eq_ignore_ascii_case("failed")))
        .ok_or(Nothing::NoEnd)?;
    let key = mail.subparts.iter().find_map(returned_message_id).ok_or(Nothing::NoMessageId)?;
    let status = failed.get("status").map(|text| code(text)).unwrap_or_default();
    let said = failed
        .get("diagnostic-code")
        .map(String::as_str)
        .map(|text| text.split_once(';').map_or(text, |(_, said)| said).trim());
    let reason = format!("{status} {}", said.unwrap_or("no reason was given"));
    Ok(Bounce { key, fault: fault(&status, said.unwrap_or_default()), reason: scrubbed(reason.trim()) })
}

/// What a server's refusal of the addressee, before any text, says of the address. Only its enhanced code tells, as in a report;
/// a refusal of the sender, which some servers hold back until then, says nothing of it (RFC 3463: 5.1.7 and 5.1.8; 5.1.0 is
/// of either).
pub fn refused_addressee(said: &str) -> BounceKind {
    match code(said).as_str() {
        "5.1.0" | "5.1.7" | "5.1.8" => BounceKind::Passing,
        status => fault(status, said),
    }
}

/// RFC 3463: the first digit tells whether another try could help, and 5.1.1, 5.1.2, 5.1.3, 5.1.6 and 5.1.10 (RFC 7505)
/// that there is no such mailbox or no mail at all. A server that gives no status of its own is read by its reply code.
fn fault(status: &str, said: &str) -> BounceKind {
    let status = if status.is_empty() { code(said) } else { status.to_owned() };
    match status.as_str() {
        "5.1.1" | "5.1.2" | "5.1.3" | "5.1.6" | "5.1.10" => BounceKind::NoSuchMailbox,
        // Full, too large, content, policy, reputation: about the mail or the day, not about the address.
        "5.2.2" | "5.2.3" => BounceKind::Passing,
        text if text.starts_with("5.1.") || text.starts_with("5.2.") || text.starts_with("5.0.") => BounceKind::ForGood,
        text if text.starts_with("5.4.") => BounceKind::ForGood,
        _ => BounceKind::Passing,
    }
}

/// The first thing of the form 5.1.1.
fn code(text: &str) -> String {
    let is_code = |word: &str| {
        let parts: Vec<&str> = word.split('.').collect();
        let digits = |part: &str| !part.is_empty() && part.len() <= 3 && part.bytes().all(|b| b.is_ascii_digit());
        parts.len() == 3 && matches!(parts[0], "2" | "4" | "5") && parts.iter().all(|part| digits(part))
    };
    text.split(|c: char| !(c.is_ascii_digit() || c == '.')).find(|word| is_code(word)).unwrap_or_default().to_owned()
}

/// The text of a part, however it is encoded.
fn text_of(part: &ParsedMail<'_>) -> Option<String> {
    part.get_body_raw().ok().map(|bytes| String::from_utf8_lossy(&bytes).into_owned())
}

/// The groups of fields, names in lower case, folded lines joined.
fn groups(text: &str) -> Vec<std::collections::HashMap<String, String>> {
    let mut groups = vec![std::collections::HashMap::<String, String>::new()];
    let mut last: Option<String> = None;
    for line in text.lines() {
        if line.trim().is_empty() {
            groups.push(Default::default());
            last = None;
            continue;
        }
        let Some(group) = groups.last_mut() else { continue };
        if line.starts_with([' ', '\t']) {
            if let Some(value) = last.as_ref().and_then(|name| group.get_mut(name)) {
                value.push(' ');
                value.push_str(line.trim());
            }
        } else if let Some((name, value)) = line.split_once(':') {
            let name = name.trim().to_ascii_lowercase();
            group.entry(name.clone()).or_insert_with(|| value.trim().to_owned());
            last = Some(name);
        }
    }
    groups
}

/// The key in the Message-ID of the mail or headers that a part returns.
fn returned_message_id(part: &ParsedMail<'_>) -> Option<String> {
    let kinds =
        ["message/rfc822", "text/rfc822-headers", "message/rfc822-headers", "message/global", "message/global-headers"];
    if !kinds.contains(&part.ctype.mimetype.as_str()) {
        return None;
    }
    let bytes = part.get_body_raw().ok()?;
    let (headers, _) = mailparse::parse_headers(&bytes).ok()?;
    let ids = headers.get_all_values("Message-ID");
    // Two would be a mail that is not ours.
    let [id] = ids.as_slice() else { return None };
    let (key, _domain) = id.trim().strip_prefix('<')?.strip_suffix('>')?.split_once('@')?;
    let is_key = key.len() == 32 && key.bytes().all(|b| b.is_ascii_hexdigit());
    is_key.then(|| key.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEY: &str = "00112233445566778899aabbccddeeff";

    /// A report as RFC 3464 section 6 shows them.
    fn report(status: &str, returned: &str) -> String {
        format!(
            "From: Mail Delivery System <MAILER-DAEMON@relay.example.org>\r\nTo: bounces@example.org\r\n\
             Message-ID: <ffffffffffffffffffffffffffffffff@example.org>\r\nSubject: Undelivered\r\nMIME-Version: 1.0\r\n\
             Content-Type: multipart/report; report-type=delivery-status; boundary=\"b\"\r\n\r\n\
             --b\r\nContent-Type: text/plain\r\n\r\nSorry.\r\n\
             --b\r\nContent-Type: message/delivery-status\r\n\r\n\
             Reporting-MTA: dns; relay.example.org\r\nX-Note: a\r\n\r\n{status}\r\n\
             --b\r\n{returned}\r\n--b--\r\n"
        )
    }

    fn returned() -> String {
        format!(
            "Content-Type: message/rfc822\r\n\r\nFrom: a@example.org\r\nMessage-ID: <{KEY}@example.org>\r\nSubject: s\r\n\r\nbody"
        )
    }

    const GONE: &str = "Final-Recipient: rfc822; owner@example.org\r\nAction: failed\r\nStatus: 5.1.1\r\n\
                        Diagnostic-Code: smtp; 550 5.1.1 <owner@example.org>: no such\r\n user here\r\n";

    #[test]
    fn a_report_tells_which_mail_ended_and_why_and_no_address() {
        let bounce = parse(report(GONE, &returned()).as_bytes()).unwrap();
        assert_eq!(bounce.key, KEY);
        assert_eq!(bounce.fault, BounceKind::NoSuchMailbox);
        assert_eq!(bounce.reason, "5.1.1 550 5.1.1 (address) no such user here");
    }

    #[test]
    fn the_returned_part_may_be_headers_only_or_encoded() {
        let headers =
            format!("Content-Type: text/rfc822-headers\r\n\r\nMessage-Id:\r\n <{KEY}@example.org>\r\nTo: x\r\n");
        assert_eq!(parse(report(GONE, &headers).as_bytes()).unwrap().key, KEY);
        let coded = crate::text::base64(format!("Message-ID: <{KEY}@example.org>\r\n\r\nx").as_bytes());
        let encoded = format!("Content-Type: message/rfc822\r\nContent-Transfer-Encoding: base64\r\n\r\n{coded}\r\n");
        assert_eq!(parse(report(GONE, &encoded).as_bytes()).unwrap().key, KEY);
    }

    // RFC 3463 names the codes; which of them speak of the address is our reading.
    #[test]
    fn faults_are_sorted_by_what_they_say_of_the_address() {
        for (status, diagnostic, wanted) in [
            ("5.1.1", "", BounceKind::NoSuchMailbox),
            ("5.1.2", "", BounceKind::NoSuchMailbox),
            ("5.1.10", "", BounceKind::NoSuchMailbox),
            ("5.0.0", "550 gone", BounceKind::ForGood),
            ("5.2.1", "mailbox disabled", BounceKind::ForGood),
            ("5.2.2", "mailbox full", BounceKind::Passing),
            ("5.7.1", "550 blocked by policy", BounceKind::Passing),
            ("5.3.4", "too large", BounceKind::Passing),
            ("4.4.1", "connection timed out", BounceKind::Passing),
            ("", "550 5.1.1 no such user", BounceKind::NoSuchMailbox),
            ("", "", BounceKind::Passing),
        ] {
            let group = format!("Action: failed\r\nStatus: {status}\r\nDiagnostic-Code: smtp; {diagnostic}\r\n");
            assert_eq!(parse(report(&group, &returned()).as_bytes()).unwrap().fault, wanted, "{status} {diagnostic}");
        }
    }

    #[test]
    fn a_refusal_of_the_addressee_speaks_of_the_address_only_by_its_enhanced_code() {
        for (said, wanted) in [
            ("RCPT: permanent error (550): 5.1.1 no such user here", BounceKind::NoSuchMailbox),
            ("RCPT: permanent error (556): 5.1.10 the domain takes no mail", BounceKind::NoSuchMailbox),
            ("RCPT: permanent error (550): 5.2.1 mailbox disabled", BounceKind::ForGood),
            ("RCPT: permanent error (550): 5.1.0 sender refused", BounceKind::Passing),
            ("RCPT: permanent error (550): 5.1.8 the sender's domain is not known", BounceKind::Passing),
            ("RCPT: permanent error (550): 5.7.1 blocked by policy", BounceKind::Passing),
            ("RCPT: permanent error (550): no such user here", BounceKind::Passing),
            ("RCPT: permanent error (550): 203.0.113.5 is on a list", BounceKind::Passing),
        ] {
            assert_eq!(refused_addressee(said), wanted, "{said}");
        }
    }

    #[test]
    fn what_is_no_report_of_an_end_of_ours_changes_nothing() {
        let says = |raw: String| parse(raw.as_bytes()).unwrap_err();
        assert_eq!(says("Subject: Out of office\r\n\r\nI am away.".into()), Nothing::NoReport);
        assert_eq!(says(String::new()), Nothing::NoReport);
        assert_eq!(says(report("Action: delayed\r\nStatus: 4.4.1\r\n", &returned())), Nothing::NoEnd);
        assert_eq!(says(report("Action: delivered\r\nStatus: 2.0.0\r\n", &returned())), Nothing::NoEnd);
        // The report's own Message-ID and one in the text are nobody's proof.
        for without in [
            "Content-Type: text/plain\r\n\r\nMessage-ID: <00112233445566778899aabbccddeeff@example.org>".to_owned(),
            "Content-Type: message/rfc822\r\n\r\nSubject: s\r\n\r\nMessage-ID: <00112233445566778899aabbccddeeff@example.org>".into(),
            "Content-Type: message/rfc822\r\n\r\nMessage-ID: <someone@example.net>\r\n\r\n".into(),
            format!("Content-Type: message/rfc822\r\n\r\nMessage-ID: <{KEY}@a>\r\nMessage-ID: <{KEY}@a>\r\n\r\n"),
        ] {
            assert_eq!(says(report(GONE, &without)), Nothing::NoMessageId, "{without}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_fail(bytes: Vec<u8>) {
            let _ = parse(&bytes);
        }

        #[test]
        fn no_change_of_a_report_makes_it_fail(at in 0usize..900, bytes: Vec<u8>, cut in 0usize..200) {
            let mut raw = report(GONE, &returned()).into_bytes();
            let at = at.min(raw.len());
            let end = (at + cut).min(raw.len());
            raw.splice(at..end, bytes);
            if let Ok(bounce) = parse(&raw) {
                proptest::prop_assert_eq!(bounce.key.len(), 32);
            }
        }
    }
}
