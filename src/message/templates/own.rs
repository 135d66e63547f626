//! Words for one notice that staff write themselves, in the notation of the templates' e-mails.

use minijinja::value::Value;

use super::files::{LAYOUT, notice_file};
use super::values::{Names, layout_values, notice_values};
use super::{RenderError, Templates};
use crate::message::document::Document;
use crate::message::facts::NoticeFacts;
use crate::message::personal::{STOP_LINK_PLACE, one_line};
use crate::message::{CHART_ID, EmailChart, Message, sms};
use crate::people::{Channel, Language};
use crate::season::NoticeKind;

/// Where the reader's own link to stop belongs, as staff see and write it.
pub const STOP_LINK: &str = "{stop-link}";

impl Templates {
    /// Subject and body of a notice's e-mail, the body in the notation that [`Document`] reads: what staff begin with who change
    /// its words.
    ///
    /// # Errors
    /// As [`Templates::render_notice`].
    pub fn email_source(
        &self,
        kind: NoticeKind,
        language: Language,
        facts: &NoticeFacts,
    ) -> Result<(String, String), RenderError> {
        let values = Value::from(notice_values(kind, facts, language, Channel::Email, Names::AsWritten));
        let (subject, body) = self.render_titled(&notice_file(kind, language, Channel::Email), values)?;
        Ok((subject, body.trim().replace(STOP_LINK_PLACE, STOP_LINK)))
    }

    /// As [`Templates::email_source`], of an e-mail with this subject and text. Where other words are in use by now than those it
    /// was made with, its own text: a notice keeps its words.
    ///
    /// # Errors
    /// As [`Templates::render_notice`].
    pub fn email_source_of(
        &self,
        kind: NoticeKind,
        language: Language,
        facts: &NoticeFacts,
        (subject, text): (&str, &str),
    ) -> Result<(String, String), RenderError> {
        let (now, source) = self.email_source(kind, language, facts)?;
        let is_same = now == subject && Document::parse(&source.replace(STOP_LINK, STOP_LINK_PLACE)).to_text() == text;
        let source = if is_same { source } else { notation_of(text.trim()).replace(STOP_LINK_PLACE, STOP_LINK) };
        Ok((subject.to_owned(), source))
    }

    /// A notice's message as the templates write it, in the place of one: with the same chart.
    ///
    /// # Errors
    /// As [`Templates::render_notice`].
    pub fn rendered_again(
        &self,
        kind: NoticeKind,
        language: Language,
        facts: &NoticeFacts,
        former: &Message,
    ) -> Result<Message, RenderError> {
        match former {
            Message::Sms { .. } => self.render_notice(kind, language, Channel::Sms, facts),
            Message::Email { .. } => {
                self.render_with_chart(kind, language, Channel::Email, facts, chart_of(former).as_ref())
            }
        }
    }

    /// A text message as staff wrote it, in one line and with the signs that phones have.
    pub fn own_sms(&self, text: &str) -> Message {
        Message::Sms { text: sms::gsm_safe(&one_line(text)) }
    }

    /// An e-mail as staff wrote it, in the frame of all e-mails, with the chart and the calendar entry of the one whose place it
    /// takes.
    ///
    /// # Errors
    /// When the frame cannot be rendered.
    pub fn own_email(
        &self,
        language: Language,
        facts: &NoticeFacts,
        (subject, source): (&str, &str),
        former: &Message,
    ) -> Result<Message, RenderError> {
        let calendar = match former {
            Message::Email { calendar, .. } => calendar.clone(),
            Message::Sms { .. } => None,
        };
        let chart = chart_of(former);
        let subject = one_line(subject);
        let body = source.replace("\r\n", "\n").replace(['\u{E000}', '\u{E001}', '\0'], "");
        let document = Document::parse(&body.replace(STOP_LINK, STOP_LINK_PLACE));
        let sender = one_line(&facts.sender.name);
        let html = self.render(LAYOUT, layout_values(&document, language, &subject, &sender, chart.as_ref()))?;
        let chart_png = chart.filter(|_| html.contains(CHART_ID)).map(|chart| chart.png);
        Ok(Message::Email { subject, text: document.to_text(), html, calendar, chart_png })
    }
}

/// A plain text in the notation again: what stands at its head at a glance, `What:  …` with its lines set in, becomes `What :: …`.
/// All else reads as it is written.
pub fn notation_of(text: &str) -> String {
    let (head, body) = text.split_once("\n\n").unwrap_or((text, ""));
    let mut rows: Vec<String> = Vec::new();
    for line in head.lines() {
        let named = line.split_once(": ").filter(|(name, _)| !line.starts_with(' ') && name.chars().count() <= 20);
        match (named, rows.last_mut()) {
            (Some((name, value)), _) => rows.push(format!("{name} :: {}", value.trim())),
            (None, Some(row)) if line.starts_with(' ') => {
                row.push(' ');
                row.push_str(line.trim());
            }
            // It begins otherwise.
            (None, _) => return text.to_owned(),
        }
    }
    format!("{}\n\n{body}", rows.join("\n"))
}

/// The chart that an e-mail shows; `None` of one without, and of a text message.
pub fn chart_of(message: &Message) -> Option<EmailChart> {
    match message {
        Message::Email { html, chart_png: Some(png), .. } => chart_in(html, png),
        Message::Email { .. } | Message::Sms { .. } => None,
    }
}

/// The chart as an e-mail shows it, with its words and its width.
fn chart_in(html: &str, png: &bytes::Bytes) -> Option<EmailChart> {
    let (_, tag) = html.split_once(&format!("src=\"cid:{CHART_ID}\""))?;
    let tag = tag.split('>').next()?;
    let value = |name: &str| tag.split_once(&format!(" {name}=\""))?.1.split('"').next();
    let alt = value("alt")?;
    let alt = [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&#x27;", "'"), ("&#x2f;", "/"), ("&amp;", "&")]
        .into_iter()
        .fold(alt.to_owned(), |text, (written, sign)| text.replace(written, sign));
    Some(EmailChart { png: png.clone(), alt, width: value("width")?.parse().ok()? })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::samples;

    #[test]
    fn the_templates_own_source_comes_out_as_their_own_message() {
        let templates = Templates::load(None).unwrap();
        let facts = samples::typical().facts;
        let chart = EmailChart { png: vec![1_u8, 2].into(), alt: "Heat & \"dates\" <2026>".into(), width: 560 };
        for kind in NoticeKind::ALL {
            for language in Language::ALL {
                let written =
                    templates.render_with_chart(kind, language, Channel::Email, &facts, Some(&chart)).unwrap();
                let (subject, source) = templates.email_source(kind, language, &facts).unwrap();
                assert!(source.contains(STOP_LINK), "{source}");
                let own = templates.own_email(language, &facts, (&subject, &source), &written).unwrap();
                assert_eq!(own, written, "{kind:?} {language:?}");
                // Other words are in use by now: it begins with its own, and they come out as they stood.
                let Message::Email { subject, text, .. } = &written else { panic!("an e-mail") };
                let later = NoticeFacts { region_name: "Elsewhere".into(), ..facts.clone() };
                let (same, source) = templates.email_source_of(kind, language, &later, (subject, text)).unwrap();
                assert_eq!(&same, subject);
                let again = templates.own_email(language, &facts, (&same, &source), &written).unwrap();
                let Message::Email { text: again, .. } = again else { panic!("an e-mail") };
                assert_eq!(&again, text, "{kind:?} {language:?}");
            }
        }
    }

    #[test]
    fn what_staff_write_cannot_open_a_tag_or_a_second_header() {
        let templates = Templates::load(None).unwrap();
        let facts = samples::typical().facts;
        let former = Message::Sms { text: String::new() };
        let own = templates
            .own_email(Language::En, &facts, ("Hello\r\nBcc: x", "<script>alert(1)</script>\u{E000}"), &former)
            .unwrap();
        let Message::Email { subject, html, text, .. } = own else { panic!("an e-mail") };
        assert!(
            !subject.contains('\n') && !html.contains("<script>") && !text.contains('\u{E000}'),
            "{subject} {html}"
        );
        assert_eq!(templates.own_sms("a\nb “c”"), Message::Sms { text: "a b \"c\"".into() });
    }
}
