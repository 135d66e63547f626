//! Texts through any HTTP gateway that the settings describe.

use std::time::{Duration, SystemTime};

use async_trait::async_trait;
use chrono::{DateTime, Utc};
use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue, RETRY_AFTER};
use reqwest::{Client, Method, Response, StatusCode};
use url::Url;

use crate::config::{CodingConfig, ConfigFault, Secret, SecretText, SmsConfig};
use crate::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use crate::message::Message;
use crate::message::sms::{self, Encoding};
use crate::net::http_client_builder;

/// A gateway.
pub struct SmsGateway {
    client: Client,
    method: Method,
    url: Template,
    headers: Vec<(HeaderName, Template)>,
    body: Body,
    from: String,
    secret: Option<SecretText>,
    coding: Option<CodingConfig>,
    hooks_path: Option<Secret>,
    reading: Reading,
}

enum Body {
    None,
    Text(Template),
    Form(Vec<(String, Template)>),
}

/// How the gateway's answer is read.
struct Reading {
    reference_pointer: Option<String>,
    accepted_when: Vec<String>,
    refused_when: Vec<String>,
    refused_statuses: Vec<u16>,
    uncertain_statuses: Vec<u16>,
}

/// No gateway needs longer to take a connection.
const CONNECT_AT_MOST: Duration = Duration::from_secs(10);

/// Many servers close a resting connection after five seconds; a message sent into that moment would be uncertain for no
/// good reason.
const IDLE_AT_MOST: Duration = Duration::from_secs(2);

/// Answers are short; what comes after this is not read.
const ANSWER_AT_MOST: usize = 64 * 1024;

impl SmsGateway {
    /// One whose templates do not speak of our doors.
    ///
    /// # Errors
    /// As [`SmsGateway::with_doors`].
    pub fn new(config: &SmsConfig, user_agent: &str) -> Result<Self, Vec<ConfigFault>> {
        Self::with_doors(config, None, user_agent)
    }

    /// `hooks_path` is the setting `hooks.path`, for gateways that want to be told with each message where to report.
    ///
    /// # Errors
    /// Every fault of the settings, each with its place and the mend.
    pub fn with_doors(
        config: &SmsConfig,
        hooks_path: Option<&Secret>,
        user_agent: &str,
    ) -> Result<Self, Vec<ConfigFault>> {
        let mut faults = Vec::new();
        let gateway = Self::build(config, hooks_path, user_agent, &mut faults);
        match gateway {
            Some(gateway) if faults.is_empty() => Ok(gateway),
            _ => Err(faults),
        }
    }

    fn build(
        config: &SmsConfig,
        hooks_path: Option<&Secret>,
        user_agent: &str,
        faults: &mut Vec<ConfigFault>,
    ) -> Option<Self> {
        let url = template(faults, "sms.url", config.url.as_deref().unwrap_or(""), Place::Url);
        let mut headers = Vec::new();
        let mut content_type = None;
        for (name, value) in &config.headers {
            let path = format!("sms.headers.{name}");
            let parsed = template(faults, &path, value, Place::Header);
            match HeaderName::try_from(name.as_str()) {
                Ok(name) => {
                    if name == CONTENT_TYPE {
                        content_type = Some(value.to_ascii_lowercase());
                    }
                    headers.extend(parsed.map(|template| (name, template)));
                }
                Err(_) => faults.push(ConfigFault::new(path, "is no name of an HTTP header")),
            }
        }
        let body = match (&config.body, config.form.is_empty()) {
            (Some(_), false) => {
                faults.push(ConfigFault::new("sms.form", "give either `body` or `form`, not both"));
                None
            }
            (None, true) => Some(Body::None),
            (None, false) => {
                let fields = config.form.iter().filter_map(|(name, value)| {
                    template(faults, &format!("sms.form.{name}"), value, Place::FormField)
                        .map(|value| (name.clone(), value))
                });
                Some(Body::Form(fields.collect()))
            }
            (Some(text), true) => match Place::of_body(text, content_type.as_deref()) {
                Ok(place) => {
                    if content_type.is_none() {
                        headers
                            .extend(Template::parse("application/json", Place::Header).ok().map(|t| (CONTENT_TYPE, t)));
                    }
                    template(faults, "sms.body", text, place).map(Body::Text)
                }
                Err(what) => {
                    faults.push(ConfigFault::new("sms.body", what));
                    None
                }
            },
        };
        let method = match Method::from_bytes(config.method.to_ascii_uppercase().as_bytes()) {
            Ok(method) if [Method::GET, Method::POST, Method::PUT].contains(&method) => Some(method),
            _ => {
                let what = format!("`{}` is not one of GET, POST and PUT", config.method);
                faults.push(ConfigFault::new("sms.method", what));
                None
            }
        };
        if method == Some(Method::GET) && !matches!(body, Some(Body::None)) {
            faults.push(ConfigFault::new("sms.method", "GET carries no body: put the fields into `url`, or use POST"));
        }
        if let Some(pointer) = config.reference_pointer.as_deref().filter(|pointer| !pointer.starts_with('/')) {
            let what = format!("`{pointer}` is no JSON pointer: it begins with a slash, such as /message/id");
            faults.push(ConfigFault::new("sms.reference_pointer", what));
        }
        let secret = match &config.secret {
            None => None,
            Some(secret) => match secret.read() {
                Ok(secret) => Some(secret),
                Err(fault) => {
                    faults.push(ConfigFault::new("sms.secret", fault.what));
                    None
                }
            },
        };
        let total = Duration::from_secs(config.timeout_s.max(1));
        let client = http_client_builder(user_agent)
            .timeout(total)
            .connect_timeout(total.min(CONNECT_AT_MOST))
            .pool_idle_timeout(IDLE_AT_MOST)
            // A message that is answered with another place to go to is a fault of the settings.
            .redirect(reqwest::redirect::Policy::none())
            .build();
        let client = match client {
            Ok(client) => Some(client),
            Err(why) => {
                faults.push(ConfigFault::new("sms", format!("the HTTP client cannot be made: {why}")));
                None
            }
        };
        let gateway = Self {
            client: client?,
            method: method?,
            url: url?,
            headers,
            body: body?,
            from: config.from.clone(),
            secret,
            coding: config.coding.clone(),
            hooks_path: hooks_path.cloned(),
            reading: Reading {
                reference_pointer: config.reference_pointer.clone(),
                accepted_when: config.accepted_when.clone(),
                refused_when: config.refused_when.clone(),
                refused_statuses: config.refused_statuses.clone(),
                uncertain_statuses: config.uncertain_statuses.clone(),
            },
        };
        gateway.try_out(faults);
        Some(gateway)
    }

    /// Fills everything with values that are hard on every place, so that a fault shows at the start and not with the first
    /// message of the season.
    fn try_out(&self, faults: &mut Vec<ConfigFault>) {
        let hooks_path = self.hooks_path().unwrap_or_else(|why| {
            faults.push(ConfigFault::new("hooks.path", why));
            None
        });
        let text = "\"Ñ\" \\ & <b>\n%7B";
        let values = self.values("+15055550100", text, "00112233445566778899aabbccddeeff", hooks_path.as_ref());
        match Url::parse(&self.url.fill(&values)) {
            Ok(url) if matches!(url.scheme(), "https" | "http") && url.host_str().is_some() => {}
            _ => faults.push(ConfigFault::new("sms.url", "is no address: it begins with https:// and names a host")),
        }
        let all = self.templates();
        for (path, wants, given) in [
            ("sms.from", Name::From, !self.from.is_empty()),
            ("sms.secret", Name::Secret, self.secret.is_some()),
            ("sms.secret", Name::SecretBase64, self.secret.is_some()),
            ("sms.coding", Name::Coding, self.coding.is_some()),
            ("hooks.path", Name::HooksPath, self.hooks_path.is_some()),
        ] {
            if !given && all.iter().any(|template| template.uses(wants)) {
                faults.push(ConfigFault::new(
                    path,
                    format!("is missing, and `{{{{ {} }}}}` stands in a template", wants.text()),
                ));
            }
        }
        let has = |name| all.iter().any(|template| template.uses(name));
        if !has(Name::Text) || !(has(Name::To) || has(Name::ToDigits)) {
            let what =
                "neither `url`, `body` nor `form` says both `{{ to }}` and `{{ text }}`: no message could be sent";
            faults.push(ConfigFault::new("sms", what));
        }
        for (name, template) in &self.headers {
            if template.uses(Name::Text) {
                faults.push(ConfigFault::new(format!("sms.headers.{name}"), "a header cannot carry `{{ text }}`"));
            } else if HeaderValue::try_from(template.fill(&values)).is_err() {
                faults.push(ConfigFault::new(format!("sms.headers.{name}"), "is no value of an HTTP header"));
            }
        }
        if let Body::Text(template) = &self.body
            && template.place == Place::Json
            && let Err(why) = serde_json::from_str::<serde_json::Value>(&template.fill(&values))
        {
            let what = format!("is not JSON once filled in ({why}): put each `{{{{ name }}}}` inside quotes");
            faults.push(ConfigFault::new("sms.body", what));
        }
    }

    /// Read for every message: the door reads it for every call, too, so that a change holds at once. `None` when no template
    /// wants it or it is not set.
    ///
    /// # Errors
    /// In words, when it cannot be read or stand in an address.
    fn hooks_path(&self) -> Result<Option<SecretText>, String> {
        if !self.templates().iter().any(|template| template.uses(Name::HooksPath)) {
            return Ok(None);
        }
        let Some(path) = self.hooks_path.as_ref().map(Secret::read).transpose().map_err(|fault| fault.what)? else {
            return Ok(None);
        };
        // In the address of a report it may be escaped twice or not at all, so it must need no escape.
        if path.expose().is_empty() || percent_encoded(path.expose()) != path.expose() {
            return Err("must be made of the letters a to z, digits and - . _ ~, to stand in `{{ hooks_path }}`".into());
        }
        Ok(Some(path))
    }

    fn values<'a>(
        &'a self,
        to: &'a str,
        text: &'a str,
        key: &'a str,
        hooks_path: Option<&'a SecretText>,
    ) -> Values<'a> {
        let coding = self.coding.as_ref().map_or("", |coding| match sms::count(text).encoding {
            Encoding::Gsm7 => &coding.gsm7,
            Encoding::Ucs2 => &coding.ucs2,
        });
        Values {
            to,
            text,
            key,
            from: &self.from,
            secret: self.secret.as_ref().map_or("", SecretText::expose),
            coding,
            hooks_path: hooks_path.map_or("", SecretText::expose),
        }
    }

    fn templates(&self) -> Vec<&Template> {
        let mut all = vec![&self.url];
        all.extend(self.headers.iter().map(|(_, template)| template));
        match &self.body {
            Body::None => {}
            Body::Text(template) => all.push(template),
            Body::Form(fields) => all.extend(fields.iter().map(|(_, template)| template)),
        }
        all
    }

    fn request(&self, values: &Values<'_>) -> Result<reqwest::Request, String> {
        let mut headers = HeaderMap::new();
        for (name, template) in &self.headers {
            let mut value = HeaderValue::try_from(template.fill(values))
                .map_err(|_| format!("header {name} has no valid value"))?;
            value.set_sensitive(template.uses(Name::Secret) || template.uses(Name::SecretBase64));
            headers.insert(name.clone(), value);
        }
        let mut request = self.client.request(self.method.clone(), self.url.fill(values));
        match &self.body {
            Body::None => {}
            Body::Text(template) => request = request.body(template.fill(values)),
            Body::Form(fields) => {
                let fields: Vec<(&str, String)> =
                    fields.iter().map(|(name, template)| (name.as_str(), template.fill(values))).collect();
                request = request.form(&fields);
            }
        }
        // After the form, so that the settings have the last word.
        request.headers(headers).build().map_err(|why| why.without_url().to_string())
    }
}

#[async_trait]
impl Transport for SmsGateway {
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        let Message::Sms { text } = &outgoing.message else {
            return Err(SendFailure::GiveUp { cause: "the message is no text".into() });
        };
        let hooks_path = self.hooks_path().map_err(|why| SendFailure::ChannelDown {
            after: None,
            cause: format!("nothing was sent: hooks.path: {why}"),
        })?;
        let values = self.values(&outgoing.to, text, &outgoing.key, hooks_path.as_ref());
        let request = self.request(&values).map_err(|cause| SendFailure::GiveUp { cause })?;
        let answer = self.client.execute(request).await.map_err(|why| sorted(&why))?;
        let status = answer.status();
        if !status.is_success() {
            let after = retry_after(&answer, outgoing.at);
            let text = match read(answer).await {
                Ok(text) | Err(text) => text,
            };
            return Err(self.reading.refusal(status, after, &text));
        }
        match read(answer).await {
            Ok(text) => self.reading.receipt(status, &text),
            // The status line said yes; only what we wanted to read in the answer is missing.
            Err(_) if self.reading.needs_no_text() => Ok(Receipt::default()),
            Err(_) => Err(SendFailure::Uncertain { cause: format!("the gateway's answer {status} was cut off") }),
        }
    }
}

fn template(faults: &mut Vec<ConfigFault>, path: &str, text: &str, place: Place) -> Option<Template> {
    Template::parse(text, place).map_err(|what| faults.push(ConfigFault::new(path, what))).ok()
}

/// What the error of a request says about the message.
fn sorted(why: &reqwest::Error) -> SendFailure {
    let cause = if why.is_timeout() { "no answer in time".to_owned() } else { innermost(why) };
    if why.is_connect() {
        SendFailure::ChannelDown { after: None, cause: format!("no connection to the gateway: {cause}") }
    } else if why.is_builder() {
        SendFailure::GiveUp { cause }
    } else {
        // The request was on its way: the gateway may have all of it.
        SendFailure::Uncertain { cause: format!("no answer from the gateway: {cause}") }
    }
}

/// The outer errors only repeat the address.
fn innermost(why: &reqwest::Error) -> String {
    let mut at: &dyn std::error::Error = why;
    while let Some(source) = at.source() {
        at = source;
    }
    at.to_string()
}

/// The text of an answer, or what of it came.
async fn read(mut answer: Response) -> Result<String, String> {
    let mut bytes = Vec::new();
    let whole = loop {
        match answer.chunk().await {
            Ok(Some(chunk)) if bytes.len() < ANSWER_AT_MOST => bytes.extend_from_slice(&chunk),
            Ok(_) => break true,
            Err(_) => break false,
        }
    };
    let text = String::from_utf8_lossy(&bytes).into_owned();
    if whole { Ok(text) } else { Err(text) }
}

/// RFC 9110 section 10.2.3: seconds, or a date.
fn retry_after(answer: &Response, now: DateTime<Utc>) -> Option<Duration> {
    let value = answer.headers().get(RETRY_AFTER)?.to_str().ok()?.trim();
    if let Ok(seconds) = value.parse() {
        return Some(Duration::from_secs(seconds));
    }
    let at = DateTime::parse_from_rfc2822(value).ok()?;
    SystemTime::from(at).duration_since(SystemTime::from(now)).ok().or(Some(Duration::ZERO))
}

impl Reading {
    fn needs_no_text(&self) -> bool {
        self.reference_pointer.is_none() && self.accepted_when.is_empty() && self.refused_when.is_empty()
    }

    fn receipt(&self, status: StatusCode, text: &str) -> Result<Receipt, SendFailure> {
        if self.refused_when.iter().any(|mark| text.contains(mark)) {
            return Err(SendFailure::GiveUp { cause: format!("the gateway answered {status}: {text}") });
        }
        if !self.accepted_when.is_empty() && !self.accepted_when.iter().any(|mark| text.contains(mark)) {
            return Err(SendFailure::Uncertain {
                cause: format!("the gateway answered {status} with none of the texts in sms.accepted_when: {text}"),
            });
        }
        let Some(pointer) = &self.reference_pointer else { return Ok(Receipt::default()) };
        let reference =
            serde_json::from_str::<serde_json::Value>(text).ok().and_then(|answer| match answer.pointer(pointer) {
                Some(serde_json::Value::String(id)) if !id.is_empty() => Some(id.clone()),
                Some(serde_json::Value::Number(id)) => Some(id.to_string()),
                _ => None,
            });
        match reference {
            Some(reference) => Ok(Receipt { provider_ref: Some(reference) }),
            // Perhaps not the gateway at all: a proxy's page of greeting also comes with 200.
            None => Err(SendFailure::Uncertain {
                cause: format!("the gateway answered {status} without a reference at `{pointer}`: {text}"),
            }),
        }
    }

    fn refusal(&self, status: StatusCode, after: Option<Duration>, text: &str) -> SendFailure {
        let cause = format!("the gateway answered {status}: {text}");
        let refused = self.refused_statuses.contains(&status.as_u16())
            || self.refused_when.iter().any(|mark| text.contains(mark));
        if refused {
            SendFailure::GiveUp { cause }
        } else if self.uncertain_statuses.contains(&status.as_u16()) {
            SendFailure::Uncertain { cause }
        } else {
            match status.as_u16() {
                // Too fast, closed, wrong log-in, no credit, moved: it would be the same for every message.
                300..=399 | 401..=404 | 407 | 429 | 503 => SendFailure::ChannelDown { after, cause },
                _ => SendFailure::TryLater { after, cause },
            }
        }
    }
}

/// Text with places for values: `{{ to }}`.
#[derive(Debug)]
struct Template {
    parts: Vec<Part>,
    place: Place,
}

#[derive(Debug, PartialEq)]
enum Part {
    Text(String),
    Value(Name),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Name {
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
enum Place {
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

struct Values<'a> {
    to: &'a str,
    text: &'a str,
    key: &'a str,
    from: &'a str,
    secret: &'a str,
    coding: &'a str,
    hooks_path: &'a str,
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

    fn text(self) -> &'static str {
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
    fn of_body(text: &str, content_type: Option<&str>) -> Result<Self, String> {
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
            Place::Xml => value.chars().filter(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t')).fold(
                String::new(),
                |mut text, c| {
                    match c {
                        '&' => text.push_str("&amp;"),
                        '<' => text.push_str("&lt;"),
                        '>' => text.push_str("&gt;"),
                        '"' => text.push_str("&quot;"),
                        '\'' => text.push_str("&apos;"),
                        other => text.push(other),
                    }
                    text
                },
            ),
        }
    }
}

/// RFC 3986 section 2.3: all but the unreserved characters, so that a value can neither end a parameter nor leave its place.
fn percent_encoded(value: &str) -> String {
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
    fn parse(text: &str, place: Place) -> Result<Self, String> {
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

    fn uses(&self, name: Name) -> bool {
        self.parts.contains(&Part::Value(name))
    }

    fn fill(&self, values: &Values<'_>) -> String {
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

/// RFC 4648 section 4.
pub(in crate::dispatch) fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let letter = |group: u32, shift: u32| char::from(LETTERS[(group >> shift & 63) as usize]); // 6 bits: within the 64
    bytes.chunks(3).fold(String::new(), |mut text, chunk| {
        let group = chunk.iter().fold(0u32, |group, byte| group << 8 | u32::from(*byte)) << (8 * (3 - chunk.len()));
        text.push(letter(group, 18));
        text.push(letter(group, 12));
        text.push(if chunk.len() > 1 { letter(group, 6) } else { '=' });
        text.push(if chunk.len() > 2 { letter(group, 0) } else { '=' });
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Secret;
    use std::collections::BTreeMap;

    fn config() -> SmsConfig {
        SmsConfig {
            url: Some("https://sms.example.org/send".into()),
            form: fields(&[("to", "{{ to }}"), ("text", "{{ text }}"), ("ref", "{{ key }}")]),
            ..SmsConfig::default()
        }
    }

    fn fields(fields: &[(&str, &str)]) -> BTreeMap<String, String> {
        fields.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect()
    }

    fn request(config: &SmsConfig, text: &str) -> reqwest::Request {
        let gateway = SmsGateway::new(config, "t").map_err(|faults| format!("{faults:?}")).unwrap();
        gateway.request(&gateway.values("+15055550100", text, "k1", None)).unwrap()
    }

    fn body(request: &reqwest::Request) -> &str {
        std::str::from_utf8(request.body().unwrap().as_bytes().unwrap()).unwrap()
    }

    const HARD: &str = "¿Ya? \"50%\" & más\\ <b>\n+1={{ to }}";

    #[test]
    fn a_form_carries_any_text() {
        let request = request(&config(), HARD);
        let read: Vec<_> = url::form_urlencoded::parse(body(&request).as_bytes()).into_owned().collect();
        assert_eq!(
            read,
            [("ref".into(), "k1".into()), ("text".into(), HARD.into()), ("to".into(), "+15055550100".into())]
        );
        assert_eq!(request.headers()[CONTENT_TYPE], "application/x-www-form-urlencoded");
    }

    #[test]
    fn json_carries_any_text() {
        let config = SmsConfig {
            form: BTreeMap::new(),
            body: Some(r#"{"messages": [{"to": "{{to_digits}}", "text": "{{ text }}", "id": "a-{{ key }}"}]}"#.into()),
            ..config()
        };
        let request = request(&config, HARD);
        let read: serde_json::Value = serde_json::from_str(body(&request)).unwrap();
        assert_eq!(read["messages"][0]["text"], HARD);
        assert_eq!(read["messages"][0]["to"], "15055550100");
        assert_eq!(read["messages"][0]["id"], "a-k1");
        assert_eq!(request.headers()[CONTENT_TYPE], "application/json");
    }

    #[test]
    fn an_address_carries_any_text_and_never_changes_its_host() {
        let config = SmsConfig {
            url: Some("http://127.0.0.1:13013/cgi-bin/sendsms?to={{ to }}&text={{ text }}&dlr=http%3A%2F%2Fx%2F%3Fref%3D{{ key }}".into()),
            method: "get".into(),
            form: BTreeMap::new(),
            ..config()
        };
        let request = request(&config, "@evil.example/#&to=0 + ñ");
        let read: Vec<_> = request.url().query_pairs().into_owned().collect();
        assert_eq!(read[0].1, "+15055550100");
        assert_eq!(read[1].1, "@evil.example/#&to=0 + ñ");
        assert_eq!(read[2].1, "http://x/?ref=k1");
        assert_eq!(request.url().host_str(), Some("127.0.0.1"));
    }

    #[test]
    fn xml_and_hand_written_forms_are_escaped_too() {
        let with = |kind: &str, body: &str| SmsConfig {
            form: BTreeMap::new(),
            headers: fields(&[("Content-Type", kind)]),
            body: Some(body.into()),
            ..config()
        };
        let xml = request(&with("application/xml", "<m to='{{ to }}'>{{ text }}</m>"), "a<b & \"c\"\u{1}");
        assert_eq!(body(&xml), "<m to='+15055550100'>a&lt;b &amp; &quot;c&quot;</m>");
        let form = request(&with("application/x-www-form-urlencoded", "t={{ to }}&x={{ text }}"), "a&b=c ñ");
        assert_eq!(body(&form), "t=%2B15055550100&x=a%26b%3Dc+%C3%B1");
    }

    #[test]
    fn a_secret_travels_in_a_header_and_is_marked() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), "user:pass\n").unwrap();
        let config = SmsConfig {
            headers: fields(&[("Authorization", "Basic {{ secret_base64 }}")]),
            secret: Some(Secret::File(file.path().to_owned())),
            ..config()
        };
        let request = request(&config, "x");
        // RFC 7617 writes user-id and password the same way.
        assert_eq!(request.headers()["authorization"], "Basic dXNlcjpwYXNz");
        assert!(request.headers()["authorization"].is_sensitive());
    }

    #[test]
    fn a_gateway_is_told_the_alphabet_in_its_own_words() {
        let mut config = config();
        config.form.insert("unicode".into(), "{{ coding }}".into());
        config.coding = Some(CodingConfig { gsm7: "no".into(), ucs2: "yes".into() });
        for (text, coding) in [("Look: {€} ñ @ é", "no"), ("Mire los árboles", "yes"), ("🌲", "yes"), ("", "no")]
        {
            let request = request(&config, text);
            let read: BTreeMap<_, _> = url::form_urlencoded::parse(body(&request).as_bytes()).into_owned().collect();
            assert_eq!(read["unicode"], coding, "{text}");
        }
    }

    #[test]
    fn a_gateway_is_told_where_to_report_without_the_secret_path_in_the_settings() {
        let path = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(path.path(), "s3cret-path\n").unwrap();
        let mut config = config();
        let report = "http://127.0.0.1:8480/hooks/{{ hooks_path }}/report?status=%d&ref={{ key }}";
        config.form.insert("dlr-url".into(), report.into());
        let secret = Secret::File(path.path().to_owned());
        let gateway = SmsGateway::with_doors(&config, Some(&secret), "t").map_err(|_| "faults").unwrap();
        let told = || {
            let hooks_path = gateway.hooks_path()?;
            let request = gateway.request(&gateway.values("+15055550100", "x", "k1", hooks_path.as_ref()))?;
            let read: BTreeMap<_, _> = url::form_urlencoded::parse(body(&request).as_bytes()).into_owned().collect();
            Ok::<_, String>(read["dlr-url"].clone())
        };
        assert_eq!(told().unwrap(), "http://127.0.0.1:8480/hooks/s3cret-path/report?status=%d&ref=k1");
        std::fs::write(path.path(), "changed").unwrap();
        assert_eq!(told().unwrap(), "http://127.0.0.1:8480/hooks/changed/report?status=%d&ref=k1");
        for (bad, wanted) in [("a/b", "must be made of"), ("", "must be made of")] {
            std::fs::write(path.path(), bad).unwrap();
            assert!(told().unwrap_err().contains(wanted), "{bad}");
            let faults = SmsGateway::with_doors(&config, Some(&secret), "t").err().unwrap();
            assert_eq!(faults.len(), 1, "{faults:?}");
            assert!(faults[0].to_string().starts_with("hooks.path: must be made of"), "{faults:?}");
        }
    }

    // RFC 4648 section 10.
    #[test]
    fn base64_test_vectors() {
        for (plain, coded) in
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")]
        {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn faults_of_the_settings_are_told_with_place_and_mend() {
        let check = |change: &dyn Fn(&mut SmsConfig), wanted: &str| {
            let mut config = config();
            change(&mut config);
            let faults = SmsGateway::new(&config, "t").err().unwrap_or_default();
            let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
            assert!(told.iter().any(|line| line.contains(wanted)), "wanted {wanted:?}, told {told:?}");
        };
        check(&|c| c.url = Some("sms.example.org".into()), "sms.url: is no address");
        check(
            &|c| c.form = fields(&[("to", "{{ too }}"), ("t", "{{ text }}")]),
            "sms.form.to: `{{ too }}` is unknown: there are to,",
        );
        check(&|c| c.form = fields(&[("to", "{{ to }}")]), "sms: neither");
        check(&|c| c.body = Some("{}".into()), "sms.form: give either");
        check(&|c| c.method = "DELETE".into(), "sms.method: `DELETE`");
        check(&|c| c.method = "GET".into(), "sms.method: GET carries no body");
        check(&|c| c.reference_pointer = Some("id".into()), "sms.reference_pointer: `id` is no JSON pointer");
        check(&|c| c.headers = fields(&[("X-A", "{{ secret }}")]), "sms.secret: is missing");
        check(&|c| c.headers = fields(&[("X-A", "{{ coding }}")]), "sms.coding: is missing");
        check(&|c| c.headers = fields(&[("X-A", "{{ hooks_path }}")]), "hooks.path: is missing");
        check(&|c| c.headers = fields(&[("X-A", "{{ text }}")]), "sms.headers.x-a: a header cannot carry");
        check(&|c| c.headers = fields(&[("X A", "b")]), "sms.headers.X A: is no name");
        let body = |text: &str| {
            let text = text.to_owned();
            move |c: &mut SmsConfig| {
                c.form.clear();
                c.body = Some(text.clone());
            }
        };
        check(&body("{\"to\": {{ to }}, \"text\": \"{{ text }}\"}"), "sms.body: is not JSON once filled in");
        check(&body("to={{ to }}"), "sms.body: its kind is not known");
        check(&body("{\"to\": \"{{ to"), "sms.body: `{{` has no `}}`");
    }
}
