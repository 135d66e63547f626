//! Texts through any HTTP gateway that the settings describe.

mod answer;
mod template;
#[cfg(test)]
mod tests;

use std::time::Duration;

use async_trait::async_trait;
use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue};
use reqwest::{Client, Method};
use url::Url;

use crate::config_fault::ConfigFault;
use crate::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use crate::dispatch::settings::{CodingConfig, SmsConfig};
use crate::message::Message;
use crate::message::sms::{self, Encoding};
use crate::net::http_client_builder;
use crate::secret::{Secret, SecretText, hook_path};

use answer::{Reading, read, retry_after, sorted};
use template::{Name, Place, Template, Values};

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

/// No gateway needs longer to take a connection.
const CONNECT_AT_MOST: Duration = Duration::from_secs(10);

/// Many servers close a resting connection after five seconds; a message sent into that moment would be uncertain for no
/// good reason.
const IDLE_AT_MOST: Duration = Duration::from_secs(2);

impl SmsGateway {
    /// One whose templates do not speak of our webhooks.
    ///
    /// # Errors
    /// As [`SmsGateway::with_webhooks`].
    pub fn new(config: &SmsConfig, user_agent: &str) -> Result<Self, Vec<ConfigFault>> {
        Self::with_webhooks(config, None, user_agent)
    }

    /// `hooks_path` is the setting `hooks.path`, for gateways that want to be told with each message where to report.
    ///
    /// # Errors
    /// Every fault of the settings, each with its place and the mend.
    pub fn with_webhooks(
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
            Some(secret) => match secret.read_blocking() {
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
        let hooks_path = self.wanted_hooks_path().and_then(|path| {
            usable(path.read_blocking()).map_err(|why| faults.push(ConfigFault::new("hooks.path", why))).ok()
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

    /// The address of the gateway's host, without path and log-in.
    pub fn root(&self) -> Option<Url> {
        let mut url = Url::parse(&self.url.fill(&self.values("+15055550100", "", "", None))).ok()?;
        url.set_path("/");
        url.set_query(None);
        url.set_fragment(None);
        url.set_username("").and_then(|()| url.set_password(None)).ok()?;
        Some(url)
    }

    /// Read for every message: the webhook reads it for every call, too, so that a change holds at once. `None` when no
    /// template wants it or it is not set.
    ///
    /// # Errors
    /// In words, when it cannot be read or stand in an address.
    async fn hooks_path(&self) -> Result<Option<SecretText>, String> {
        match self.wanted_hooks_path() {
            Some(path) => usable(path.read().await).map(Some),
            None => Ok(None),
        }
    }

    fn wanted_hooks_path(&self) -> Option<&Secret> {
        let wanted = self.templates().iter().any(|template| template.uses(Name::HooksPath));
        self.hooks_path.as_ref().filter(|_| wanted)
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
        let hooks_path = self.hooks_path().await.map_err(|why| SendFailure::ChannelDown {
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

/// In the address of a report it may be escaped twice or not at all, so it must need no escape.
fn usable(path: Result<SecretText, ConfigFault>) -> Result<SecretText, String> {
    let path = path.map_err(|fault| fault.what)?;
    hook_path(&path).map(|_| path)
}

fn template(faults: &mut Vec<ConfigFault>, path: &str, text: &str, place: Place) -> Option<Template> {
    Template::parse(text, place).map_err(|what| faults.push(ConfigFault::new(path, what))).ok()
}
