//! What differs from one subscriber to the next, put into a written message when it is sent.

use url::Url;

use super::Message;
use crate::text;

/// Stands in a written message where the subscriber's own stop link belongs. The two outer characters are private-use
/// ones, which [`one_line`] takes out of every value put into a template, so that no name or address can imitate it.
pub(super) const STOP_LINK_PLACE: &str = "\u{E000}stop-link\u{E001}";

/// A value as it may be put into a template: [`text::one_line`] without the characters that mark the place of a personal
/// part, so that no value can add a header, a paragraph or a second stop link.
pub(super) fn one_line(value: &str) -> String {
    text::one_line(&value.replace(['\u{E000}', '\u{E001}'], ""))
}

/// What differs from one subscriber to the next.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Personal {
    /// The subscriber's own link to stop: http or https.
    pub stop_url: Option<Url>,
}

#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum PersonalError {
    #[error("the message has a place for the subscriber's stop link, and none was given")]
    NoStopLink,
    #[error("stop link with the scheme `{0}`: http or https is wanted")]
    Scheme(String),
}

/// Puts a subscriber's own parts into a written message.
///
/// # Errors
/// When the message has a place for a stop link and `personal` has none, or one that no browser would follow.
pub fn personalise(message: Message, personal: &Personal) -> Result<Message, PersonalError> {
    let Message::Email { subject, text, html, calendar, chart_png } = message else { return Ok(message) };
    if !text.contains(STOP_LINK_PLACE) && !html.contains(STOP_LINK_PLACE) {
        return Ok(Message::Email { subject, text, html, calendar, chart_png });
    }
    let link = personal.stop_url.as_ref().ok_or(PersonalError::NoStopLink)?;
    if !matches!(link.scheme(), "http" | "https") {
        return Err(PersonalError::Scheme(link.scheme().to_owned()));
    }
    // A parsed address holds no blank, quote or angle bracket outside its fragment; these are the characters left that
    // mean something inside an HTML attribute.
    let in_html = link.as_str().replace('&', "&amp;").replace('"', "%22").replace('\'', "%27").replace('<', "%3C");
    Ok(Message::Email {
        subject,
        text: text.replace(STOP_LINK_PLACE, link.as_str()),
        html: html.replace(STOP_LINK_PLACE, &in_html),
        calendar,
        chart_png,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn email() -> Message {
        Message::Email {
            subject: "s".into(),
            text: format!("Stop: {STOP_LINK_PLACE}"),
            html: format!("<a href=\"{STOP_LINK_PLACE}\">Stop</a>"),
            calendar: None,
            chart_png: None,
        }
    }

    fn personal(url: &str) -> Personal {
        Personal { stop_url: Some(Url::parse(url).unwrap()) }
    }

    #[test]
    fn a_stop_link_is_put_into_both_parts_and_cannot_break_out() {
        let done = personalise(email(), &personal("https://example.org/s?t=1&u=\"><b>'#\"'<")).unwrap();
        let Message::Email { text, html, .. } = done else { panic!("an e-mail stays one") };
        assert!(text.starts_with("Stop: https://example.org/s?t=1&u="), "{text}");
        let inside = html.strip_prefix("<a href=\"").unwrap().strip_suffix("\">Stop</a>").unwrap();
        assert!(!inside.contains(['"', '<', '\'', '\u{E000}']), "{inside}");
        assert!(inside.contains("t=1&amp;u="), "{inside}");
    }

    #[test]
    fn a_missing_or_strange_stop_link_is_an_error() {
        assert_eq!(personalise(email(), &Personal::default()), Err(PersonalError::NoStopLink));
        assert_eq!(
            personalise(email(), &personal("javascript:alert(1)")),
            Err(PersonalError::Scheme("javascript".into()))
        );
    }

    #[test]
    fn a_message_without_a_place_stays_as_it_is() {
        let sms = Message::Sms { text: "hello".into() };
        assert_eq!(personalise(sms.clone(), &Personal::default()), Ok(sms));
    }
}
