//! Texts with places for values, each escaped as its place asks.

use crate::text;
use crate::text::base64;

/// Text with places for values: `{{ to }}`.
#[derive(Debug)]
pub(super) struct Template {
    parts: Vec<Part>,
    pub(super) place: Place,
}

#[derive(Debug, PartialEq)]
enum Part {
    Text(String),
    Value(Name),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Name {
    To,
    ToDigits,
    Text,
    Key,
    From,
    Secret,
    SecretBase64,
    Coding,
    HooksPath,
}

/// Where a template's values end up, which decides how they are escaped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Place {
    Url,
    Header,
    /// Encoded as a whole by the HTTP client.
    FormField,
    /// A body that is a form written out by hand.
    FormBody,
    Json,
    Xml,
    Plain,
}

pub(super) struct Values<'a> {
    pub(super) to: &'a str,
    pub(super) text: &'a str,
    pub(super) key: &'a str,
    pub(super) from: &'a str,
    pub(super) secret: &'a str,
    pub(super) coding: &'a str,
    pub(super) hooks_path: &'a str,
}

impl Name {
    const ALL: [Name; 9] = [
        Name::To,
        Name::ToDigits,
        Name::Text,
        Name::Key,
        Name::From,
        Name::Secret,
        Name::SecretBase64,
        Name::Coding,
        Name::HooksPath,
    ];

    pub(super) fn text(self) -> &'static str {
        match self {
            Name::To => "to",
            Name::ToDigits => "to_digits",
            Name::Text => "text",
            Name::Key => "key",
            Name::From => "from",
            Name::Secret => "secret",
            Name::SecretBase64 => "secret_base64",
            Name::Coding => "coding",
            Name::HooksPath => "hooks_path",
        }
    }
}

impl Place {
    pub(super) fn of_body(text: &str, content_type: Option<&str>) -> Result<Self, String> {
        match content_type {
            Some(kind) if kind.contains("json") => Ok(Place::Json),
            Some(kind) if kind.contains("x-www-form-urlencoded") => Ok(Place::FormBody),
            Some(kind) if kind.contains("xml") => Ok(Place::Xml),
            Some(kind) if kind.starts_with("text/plain") => Ok(Place::Plain),
            None if text.trim_start().starts_with(['{', '[']) && !text.trim_start().starts_with("{{") => {
                Ok(Place::Json)
            }
            _ => Err("its kind is not known: give sms.headers a Content-Type of application/json, \
                      application/x-www-form-urlencoded, application/xml or text/plain"
                .into()),
        }
    }

    fn escape(self, value: &str) -> String {
        match self {
            Place::Header | Place::FormField | Place::Plain => value.to_owned(),
            Place::Url => percent_encoded(value),
            Place::FormBody => url::form_urlencoded::byte_serialize(value.as_bytes()).collect(),
            Place::Json => {
                let quoted = serde_json::Value::from(value).to_string();
                quoted.get(1..quoted.len().saturating_sub(1)).unwrap_or_default().to_owned()
            }
            Place::Xml => {
                let kept = value.chars().filter(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t'));
                text::escape_with(&kept.collect::<String>(), "&apos;")
            }
        }
    }
}

/// RFC 3986 section 2.3: all but the unreserved characters, so that a value can neither end a parameter nor leave its place.
pub(super) fn percent_encoded(value: &str) -> String {
    value.bytes().fold(String::new(), |mut text, byte| {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~') {
            text.push(char::from(byte));
        } else {
            text.push_str(&format!("%{byte:02X}"));
        }
        text
    })
}

impl Template {
    pub(super) fn parse(text: &str, place: Place) -> Result<Self, String> {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some((before, after)) = rest.split_once("{{") {
            let Some((name, after)) = after.split_once("}}") else {
                return Err("`{{` has no `}}`".into());
            };
            let name = name.trim();
            let known = Name::ALL.into_iter().find(|known| known.text() == name).ok_or_else(|| {
                let all = Name::ALL.map(Name::text).join(", ");
                format!("`{{{{ {name} }}}}` is unknown: there are {all}")
            })?;
            if !before.is_empty() {
                parts.push(Part::Text(before.to_owned()));
            }
            parts.push(Part::Value(known));
            rest = after;
        }
        if !rest.is_empty() {
            parts.push(Part::Text(rest.to_owned()));
        }
        Ok(Self { parts, place })
    }

    pub(super) fn uses(&self, name: Name) -> bool {
        self.parts.contains(&Part::Value(name))
    }

    pub(super) fn fill(&self, values: &Values<'_>) -> String {
        self.parts
            .iter()
            .map(|part| match part {
                Part::Text(text) => text.clone(),
                Part::Value(name) => {
                    let value = match name {
                        Name::To => values.to.to_owned(),
                        Name::ToDigits => values.to.trim_start_matches('+').to_owned(),
                        Name::Text => values.text.to_owned(),
                        Name::Key => values.key.to_owned(),
                        Name::From => values.from.to_owned(),
                        Name::Secret => values.secret.to_owned(),
                        Name::SecretBase64 => base64(values.secret.as_bytes()),
                        Name::Coding => values.coding.to_owned(),
                        Name::HooksPath => values.hooks_path.to_owned(),
                    };
                    self.place.escape(&value)
                }
            })
            .collect()
    }
}
