//! From a page's name, words and figures to an answer.

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use minijinja::syntax::SyntaxConfig;
use minijinja::value::{Kwargs, Value, ValueKind};
use minijinja::{AutoEscape, Environment, UndefinedBehavior, context, escape_formatter};

use super::words::Words;
use super::{Fault, Visit, assets};
use crate::language::Language;
use crate::people::{EmailAddress, PhoneNumber, Reach};
use crate::text::escape;

macro_rules! templates {
    ($($name:literal),+ $(,)?) => {
        [$(($name, include_str!(concat!("pages/", $name, ".html")))),+]
    };
}

const TEMPLATES: &[(&str, &str)] = &templates![
    "layout",
    "_parts",
    "fault",
    "home",
    "find",
    "region",
    "guide",
    "sign_up",
    "sign_up_sent",
    "confirm_code",
    "confirm_link",
    "confirm_done",
    "stop",
    "preferences_ask",
    "preferences_sent",
    "preferences_useless",
    "preferences_erased",
    "preferences",
    "privacy",
    "seen",
];

/// A page that does not hold together: a fault of the program.
#[derive(Debug, thiserror::Error)]
pub enum PageFault {
    #[error("page `{0}`")]
    Template(&'static str, #[source] minijinja::Error),
    #[error("{0}")]
    Words(String),
}

/// All page templates and their words.
pub(super) struct Pages {
    engine: Environment<'static>,
    words: Words,
}

impl Pages {
    /// # Errors
    /// See [`PageFault`].
    pub fn load() -> Result<Self, PageFault> {
        let mut engine = Environment::new();
        engine.set_undefined_behavior(UndefinedBehavior::Strict);
        engine.set_auto_escape_callback(|_| AutoEscape::Html);
        let syntax = SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build();
        engine.set_syntax(syntax.map_err(|why| PageFault::Template("layout", why))?);
        // The engine's own escaping also rewrites every slash, which makes links hard to read.
        engine.set_formatter(|out, state, value| match value.as_str() {
            Some(text) if !value.is_safe() => Ok(out.write_str(&escape(text))?),
            _ => escape_formatter(out, state, value),
        });
        engine.add_filter("fill", fill);
        for (name, text) in TEMPLATES {
            engine.add_template(name, text).map_err(|why| PageFault::Template(name, why))?;
        }
        Ok(Self { engine, words: Words::load().map_err(PageFault::Words)? })
    }

    pub fn words(&self) -> &Words {
        &self.words
    }
}

/// Puts values into words: `{{ t.welcome | fill(place=region.name) }}` for `Welcome to <b>{place}</b>`. The words are ours
/// and may hold markup; the values are escaped.
fn fill(words: Value, values: Kwargs) -> Result<Value, minijinja::Error> {
    let mut text = words.to_string();
    for name in values.args() {
        let value: Value = values.get(name)?;
        let shown = if value.is_safe() || value.kind() == ValueKind::Number {
            value.to_string()
        } else {
            escape(&value.to_string())
        };
        text = text.replace(&format!("{{{name}}}"), &shown);
    }
    values.assert_all_used()?;
    Ok(Value::from_safe_string(text))
}

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
    let inside = |why: minijinja::Error| Fault::Inside(format!("page `{name}`: {why:#}"));
    let template = pages.engine.get_template(name).map_err(inside)?;
    let other = match language {
        Language::En => Language::Es,
        Language::Es => Language::En,
    };
    let messages = &site.parts().config.messages;
    let around = context! {
        t => pages.words.of(language, name),
        c => pages.words.of(language, "common"),
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
        sender => &messages.sender_name,
        help => Value::from_safe_string(contact(&messages.help_contact)),
        postal => &messages.postal_address,
    };
    template.render(context! { ..shown, ..around }).map_err(inside)
}

/// One sentence of a page's words, as plain text.
pub(super) fn line(visit: &Visit, page: &str, name: &str) -> String {
    visit.site.pages().words.line(visit.language, page, name)
}

pub(super) fn respond(visit: &Visit, name: &str, shown: Value) -> Result<Response, Fault> {
    let html = html(visit, name, shown)?;
    Ok((
        StatusCode::OK,
        [(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CONTENT_LANGUAGE, visit.language.code())],
        html,
    )
        .into_response())
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
