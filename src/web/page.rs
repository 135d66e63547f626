//! From a page's name, words and figures to an answer.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use minijinja::context;
use minijinja::value::Value;

use super::{Fault, Visit, assets};
use crate::language::Language;
use crate::people::{EmailAddress, PhoneNumber, Reach};
use crate::text::escape;

/// After so many seconds what is being worked out may be there.
const LOOK_AGAIN_S: &str = "30";

/// Where to ask, as something to tap: a call or a mail; anything else as it was written.
fn contact(text: &str) -> String {
    let shown = escape(text);
    if let Ok(phone) = PhoneNumber::parse(text, Reach::World) {
        format!("<a class=\"nowrap\" href=\"tel:{}\">{shown}</a>", escape(phone.expose()))
    } else if let Ok(email) = EmailAddress::parse(text) {
        format!("<a href=\"mailto:{}\">{shown}</a>", escape(email.expose()))
    } else {
        shown
    }
}

/// The page's HTML. It finds `t` (its words), `c` (words of every page), `lang`, `link` (path before every link of this
/// language), `root` (path before language-free links), `other` (this page in the other language), `style`, `sender` and
/// what `shown` holds.
pub(super) fn html(visit: &Visit, name: &str, shown: Value) -> Result<String, Fault> {
    let (site, language) = (&visit.site, visit.language);
    let pages = site.pages();
    let other = match language {
        Language::En => Language::Es,
        Language::Es => Language::En,
    };
    let messages = &site.app().config.messages;
    let around = context! {
        t => pages.words().of(language, name),
        c => pages.words().of(language, "common"),
        lang => language.code(),
        link => site.path(language, ""),
        home => site.path(language, "/"),
        root => site.base(),
        path => &visit.path,
        other => site.path(other, &visit.path),
        other_lang => other.code(),
        style => assets::style_path(site),
        mark => assets::path(site, "mark.svg"),
        exercise => site.is_exercise(),
        practice => site.practice().is_some(),
        sender => &messages.sender_name,
        help => Value::from_safe_string(contact(&messages.help_contact)),
        postal => &messages.postal_address,
    };
    let whole = context! { ..shown, ..around };
    pages.render(name, whole).map_err(|why| Fault::Inside(format!("page `{name}`: {why:#}")))
}

impl Visit {
    /// The page `name` with what it shows.
    pub fn page(&self, name: &str, shown: Value) -> Result<Response, Fault> {
        let html = html(self, name, shown)?;
        Ok((
            StatusCode::OK,
            [(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CONTENT_LANGUAGE, self.language.code())],
            html,
        )
            .into_response())
    }

    /// One sentence of a page's words, as plain text.
    pub fn words(&self, page: &str, name: &str) -> String {
        self.site.pages().words().line(self.language, page, name)
    }

    /// The page that says what is wrong.
    pub(super) fn fault(&self, fault: &Fault) -> Response {
        fault.log();
        with_fault(self.page("fault", context! { kind => fault.name() }), fault)
    }
}

/// The page that says what is wrong, with the status and the headers of a fault.
pub(super) fn with_fault(page: Result<Response, Fault>, fault: &Fault) -> Response {
    let mut response =
        page.unwrap_or_else(|_| (StatusCode::INTERNAL_SERVER_ERROR, "Something went wrong.").into_response());
    *response.status_mut() = fault.status();
    if matches!(fault, Fault::NotYet) {
        response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static(LOOK_AGAIN_S));
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn where_to_ask_can_be_tapped() {
        for (text, shown) in [
            ("505-555-0100", "<a class=\"nowrap\" href=\"tel:+15055550100\">505-555-0100</a>"),
            ("pinyon@example.org", "<a href=\"mailto:pinyon@example.org\">pinyon@example.org</a>"),
            ("Room 4, <b> & \"desk\"", "Room 4, &lt;b&gt; &amp; &quot;desk&quot;"),
        ] {
            assert_eq!(contact(text), shown);
        }
    }
}
