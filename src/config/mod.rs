//! Settings: read loosely, checked strictly, every fault reported at once with its path.
//!
//! Order: built-in defaults, then the file. Secrets never stand in the file itself: they come from a file or an
//! environment variable that the setting names, and print as `***`.

use std::collections::BTreeMap;
use std::fmt;
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};

use chrono::NaiveTime;
use serde::{Deserialize, Serialize};

pub use crate::people::limits::Limits as LimitsConfig;
pub use crate::season::Policy as PolicyConfig;
pub use crate::weather::settings::{FeedConfig, FeedsConfig, WeatherConfig};

/// All settings. Every section may be left out.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct Config {
    pub store: StoreConfig,
    pub schedule: ScheduleConfig,
    pub feeds: FeedsConfig,
    pub weather: WeatherConfig,
    pub policy: PolicyConfig,
    pub messages: MessagesConfig,
    pub delivery: DeliveryConfig,
    pub email: EmailConfig,
    pub sms: SmsConfig,
    pub limits: LimitsConfig,
    pub web: WebConfig,
    pub hooks: HooksConfig,
    pub profiles: ProfilesConfig,
    pub log: LogConfig,
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct StoreConfig {
    /// `sqlite:PATH` or `postgres://…`.
    pub address: String,
    /// A connection address that holds a password may come from here instead.
    pub address_secret: Option<Secret>,
}

impl Default for StoreConfig {
    fn default() -> Self {
        Self { address: "sqlite:treebell.sqlite".into(), address_secret: None }
    }
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct ScheduleConfig {
    /// IANA zone in which the expressions are read.
    pub time_zone: chrono_tz::Tz,
    /// The cycle, six or seven fields: second minute hour day-of-month month day-of-week `[year]`.
    pub cycle: String,
    /// How far back missed data days are assessed after downtime.
    pub catch_up_days: u32,
}

impl Default for ScheduleConfig {
    fn default() -> Self {
        Self { time_zone: chrono_tz::America::Denver, cycle: "0 15 6,11,17 * * *".into(), catch_up_days: 400 }
    }
}

/// Longest short sender name, in characters, that fits every text message of the house.
pub const LONGEST_SENDER_SHORT: usize = 14;

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct MessagesConfig {
    /// Folder with one sub-folder a language; templates missing there are the built-in ones.
    pub folder: Option<PathBuf>,
    /// Who speaks: stands in every message.
    pub sender_name: String,
    /// Short form for texts.
    pub sender_short: String,
    /// Shown in e-mail, as the law asks.
    pub postal_address: String,
    /// Where people can ask: stands in HELP and e-mail.
    pub help_contact: String,
    /// Public address of this service, for links; empty = no links.
    pub public_url: String,
    /// Show the season's chart in the e-mails of notices.
    pub chart_in_email: bool,
}

impl Default for MessagesConfig {
    fn default() -> Self {
        Self {
            folder: None,
            sender_name: "Treebell".into(),
            sender_short: "Treebell".into(),
            postal_address: "postal address not set".into(),
            help_contact: "contact not set".into(),
            public_url: String::new(),
            chart_in_email: true,
        }
    }
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct DeliveryConfig {
    /// No message leaves before this local time of the region …
    pub quiet_until: NaiveTime,
    /// … nor at or after this one.
    pub quiet_from: NaiveTime,
    /// Seconds a claim holds.
    pub lease_s: u64,
    /// Deliveries claimed at a time.
    pub batch: u32,
    /// First wait before a second try, seconds; doubles each time, with jitter.
    pub retry_first_s: u64,
    pub retry_longest_s: u64,
    /// How long an uncertain SMS waits for its delivery report before it is sent once more, minutes.
    pub uncertain_wait_min: u64,
    pub email: PaceConfig,
    pub sms: PaceConfig,
}

impl Default for DeliveryConfig {
    fn default() -> Self {
        Self {
            quiet_until: NaiveTime::from_hms_opt(8, 0, 0).unwrap_or_default(),
            quiet_from: NaiveTime::from_hms_opt(20, 0, 0).unwrap_or_default(),
            lease_s: 60,
            batch: 50,
            retry_first_s: 60,
            retry_longest_s: 4 * 3600,
            uncertain_wait_min: 15,
            email: PaceConfig { in_flight: 8, per_second: Some(20.0), per_minute: None, per_day: None },
            sms: PaceConfig { in_flight: 4, per_second: Some(1.0), per_minute: Some(60), per_day: None },
        }
    }
}

/// Limits of one channel, shared by all workers.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct PaceConfig {
    pub in_flight: usize,
    pub per_second: Option<f64>,
    pub per_minute: Option<u32>,
    pub per_day: Option<u32>,
}

impl Default for PaceConfig {
    fn default() -> Self {
        Self { in_flight: 4, per_second: None, per_minute: None, per_day: None }
    }
}

/// Where e-mail goes. With neither `host` nor `folder`, no e-mail is sent and its deliveries wait.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct EmailConfig {
    pub host: Option<String>,
    pub port: Option<u16>,
    pub security: SmtpSecurity,
    pub user: Option<String>,
    pub password: Option<Secret>,
    /// `Name <local@domain>`.
    pub from: String,
    pub reply_to: Option<String>,
    /// A certificate authority of your own, as a PEM file, beside those of the system.
    pub ca_file: Option<PathBuf>,
    /// Seconds for connecting and for each answer before the text.
    pub timeout_s: u64,
    /// Seconds for the answer to the whole message (RFC 5321 asks for ten minutes: who gives up early makes repeats).
    pub final_timeout_s: u64,
    /// So many mails must have come back for good before an address is given up; one is enough where there is no such
    /// mailbox.
    pub bounces_until_dead: u32,
    /// Sign what is sent, so that receivers see that it is ours.
    pub dkim: Option<DkimConfig>,
    /// Write messages as files here instead of sending.
    pub folder: Option<PathBuf>,
}

/// A DKIM signature (RFC 6376).
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default)]
pub struct DkimConfig {
    /// That of `email.from`, or one above it.
    pub domain: String,
    /// Names the public key in the DNS: `SELECTOR._domainkey.DOMAIN`.
    pub selector: String,
    /// The private key in PEM form: RSA of 2048 bits or more, or Ed25519.
    pub key: Option<Secret>,
}

impl Default for EmailConfig {
    fn default() -> Self {
        Self {
            host: None,
            port: None,
            security: SmtpSecurity::Starttls,
            user: None,
            password: None,
            from: "Treebell <treebell@example.org>".into(),
            reply_to: None,
            ca_file: None,
            timeout_s: 60,
            final_timeout_s: 600,
            bounces_until_dead: 3,
            dkim: None,
            folder: None,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SmtpSecurity {
    /// Plain connection raised to TLS before anything else is said; refused if the server cannot.
    Starttls,
    /// TLS from the first byte.
    Tls,
    /// No encryption: for a relay on this machine only.
    Plain,
}

/// Any HTTP gateway, described. With neither `url` nor `folder`, no SMS is sent and its deliveries wait.
///
/// `url`, `headers`, `body` and `form` are templates that may use `{{ to }}` (+15055550100), `{{ to_digits }}` (15055550100),
/// `{{ text }}`, `{{ key }}` (our reference), `{{ from }}`, `{{ secret }}`, `{{ secret_base64 }}`, `{{ coding }}` (see
/// `coding`) and `{{ hooks_path }}` (the secret of `hooks.path`). Values are escaped as their place asks.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct SmsConfig {
    pub url: Option<String>,
    pub method: String,
    pub headers: BTreeMap<String, String>,
    /// Its kind is told by a Content-Type header, or it is JSON if it begins like it.
    pub body: Option<String>,
    /// Fields of a form, instead of a body.
    pub form: BTreeMap<String, String>,
    pub from: String,
    pub secret: Option<Secret>,
    /// What `{{ coding }}` becomes.
    pub coding: Option<CodingConfig>,
    /// Seconds for connecting (ten at most) and for the whole answer.
    pub timeout_s: u64,
    /// JSON pointer to the gateway's own message id in its answer. An answer without it does not count as taken.
    pub reference_pointer: Option<String>,
    /// When given, an answer counts as taken only if it holds one of these texts.
    pub accepted_when: Vec<String>,
    /// Answer text (substring) that means refused for good though the status says otherwise.
    pub refused_when: Vec<String>,
    /// Statuses that end a delivery for good.
    pub refused_statuses: Vec<u16>,
    /// Statuses that leave open whether the message was taken: it waits for its report and goes out once more. All
    /// others from 300 up are tried again.
    pub uncertain_statuses: Vec<u16>,
    /// A message centre that speaks SMPP 3.4, instead of an HTTP gateway.
    pub smpp: Option<SmppConfig>,
    /// Take phone numbers outside of the United States and Canada: texts there can be dear.
    pub abroad: bool,
    pub folder: Option<PathBuf>,
}

impl Default for SmsConfig {
    fn default() -> Self {
        Self {
            url: None,
            method: "POST".into(),
            headers: BTreeMap::new(),
            body: None,
            form: BTreeMap::new(),
            from: String::new(),
            secret: None,
            coding: None,
            timeout_s: 30,
            reference_pointer: None,
            accepted_when: Vec::new(),
            refused_when: Vec::new(),
            // 401, 403 and 404 are about us and not about the message: it waits until they are mended.
            refused_statuses: vec![400, 410, 422],
            uncertain_statuses: vec![500, 502, 504],
            smpp: None,
            abroad: false,
            folder: None,
        }
    }
}

/// A gateway's own words for the alphabet of a text, where it wants to be told: it is sent in the GSM 7-bit alphabet if that
/// has all its letters, else in UCS-2.
#[derive(Clone, Debug, Deserialize, Serialize)]
pub struct CodingConfig {
    pub gsm7: String,
    pub ucs2: String,
}

/// The public pages and the doors for other programs. Their public address is `messages.public_url`.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct WebConfig {
    /// Address and port to listen on; without it no pages are served. TLS is ended by a proxy in front.
    pub listen: Option<SocketAddr>,
    /// Proxies whose `X-Forwarded-For` is believed.
    pub trusted_proxies: Vec<IpAddr>,
}

/// The doors by which gateways bring texts and reports: `/hooks/PATH/text` and `/hooks/PATH/report`, by GET or POST, with
/// query, form or JSON.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct HooksConfig {
    /// The part of the path that nobody else knows. Without it the doors are closed.
    pub path: Option<Secret>,
    /// Keys of signatures in the form of Standard Webhooks; with any, each call must be signed by one of them. Two while one
    /// is being changed.
    pub secrets: Vec<Secret>,
    pub text: TextHookConfig,
    pub report: ReportHookConfig,
}

/// How a gateway names the parts of a text; in JSON also by a pointer such as `/data/from`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct TextHookConfig {
    pub from: String,
    pub to: String,
    pub text: String,
    pub id: String,
    /// In which character set the text is, where the gateway says so; else UTF-8.
    pub charset: String,
}

impl Default for TextHookConfig {
    fn default() -> Self {
        let [from, to, text, id, charset] = ["from", "to", "text", "id", "charset"].map(str::to_owned);
        Self { from, to, text, id, charset }
    }
}

/// How a gateway names the parts of a delivery report, and what its words mean.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct ReportHookConfig {
    /// Our own reference, which travelled with the message as `{{ key }}`.
    pub key: String,
    /// The gateway's reference, where ours does not come back.
    pub reference: String,
    pub status: String,
    pub accepted: Vec<String>,
    pub delivered: Vec<String>,
    pub undelivered: Vec<String>,
}

impl Default for ReportHookConfig {
    fn default() -> Self {
        let words = |words: &[&str]| words.iter().map(|word| (*word).to_owned()).collect();
        Self {
            key: "ref".into(),
            reference: "id".into(),
            status: "status".into(),
            // The numbers are Kannel's.
            accepted: words(&["accepted", "sent", "8"]),
            delivered: words(&["delivered", "1"]),
            undelivered: words(&["undelivered", "failed", "rejected", "expired", "2", "16"]),
        }
    }
}

/// A message centre. The session is bound as transceiver; the sender is `sms.from`, the wait for an answer `sms.timeout_s`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct SmppConfig {
    pub host: String,
    pub port: u16,
    /// TLS from the first byte; without it all is readable on the way, the password too.
    pub tls: bool,
    /// A certificate authority of your own, as a PEM file, beside those of the system.
    pub ca_file: Option<PathBuf>,
    pub system_id: String,
    pub password: Option<Secret>,
    pub system_type: String,
    /// Type of number and numbering plan of sender and addressee (SMPP 3.4 sections 5.2.5 and 5.2.6).
    pub source_ton: u8,
    pub source_npi: u8,
    pub dest_ton: u8,
    pub dest_npi: u8,
    /// Seconds of silence after which the other side is asked whether it is there.
    pub enquire_link_s: u64,
}

impl Default for SmppConfig {
    fn default() -> Self {
        Self {
            host: String::new(),
            port: 2775,
            tls: false,
            ca_file: None,
            system_id: String::new(),
            password: None,
            system_type: String::new(),
            source_ton: 0,
            source_npi: 0,
            dest_ton: 1,
            dest_npi: 1,
            enquire_link_s: 30,
        }
    }
}

#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct ProfilesConfig {
    /// Folder of profile files; the built-in one is used for ids not found there.
    pub folder: Option<PathBuf>,
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct LogConfig {
    /// `error`, `warn`, `info`, `debug`, or a filter such as `info,treebell::delivery=debug`.
    pub level: String,
    pub json: bool,
}

impl Default for LogConfig {
    fn default() -> Self {
        Self { level: "info".into(), json: false }
    }
}

/// Where a secret is to be read from; never the secret itself.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Secret {
    File(PathBuf),
    Env(String),
}

/// A secret in hand. Prints as `***`.
#[derive(Clone, PartialEq, Eq)]
pub struct SecretText(String);

impl SecretText {
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for SecretText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("***")
    }
}

impl Secret {
    /// # Errors
    /// When the file cannot be read or the variable is not set.
    pub fn read(&self) -> Result<SecretText, ConfigFault> {
        match self {
            Secret::File(path) => std::fs::read_to_string(path)
                .map(|text| SecretText(text.trim_end_matches(['\r', '\n']).to_owned()))
                .map_err(|why| ConfigFault::new("", format!("secret file `{}` cannot be read: {why}", path.display()))),
            Secret::Env(name) => std::env::var(name)
                .map(SecretText)
                .map_err(|_| ConfigFault::new("", format!("environment variable `{name}` is not set or not text"))),
        }
    }
}

/// One thing wrong, with the place and the mend.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConfigFault {
    /// Dotted path inside the file, e.g. `policy.get_ready_chance`.
    pub path: String,
    pub what: String,
}

impl ConfigFault {
    pub fn new(path: impl Into<String>, what: impl Into<String>) -> Self {
        Self { path: path.into(), what: what.into() }
    }
}

impl fmt::Display for ConfigFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.path.is_empty() { f.write_str(&self.what) } else { write!(f, "{}: {}", self.path, self.what) }
    }
}

/// All that is wrong with one file.
#[derive(Debug, thiserror::Error)]
#[error("{}", .faults.iter().map(|fault| format!("{}: {fault}", .file.display())).collect::<Vec<_>>().join("\n"))]
pub struct ConfigError {
    pub file: PathBuf,
    pub faults: Vec<ConfigFault>,
}

impl Config {
    /// Reads and checks a file.
    ///
    /// # Errors
    /// Every fault found, each with its path: unreadable, not TOML, unknown keys (with a near name), values out of range.
    pub fn load(path: &Path) -> Result<Self, ConfigError> {
        let fail = |faults| ConfigError { file: path.to_owned(), faults };
        let text = std::fs::read_to_string(path)
            .map_err(|why| fail(vec![ConfigFault::new("", format!("cannot be read: {why}"))]))?;
        Self::parse(&text).map_err(fail)
    }

    /// # Errors
    /// As [`Config::load`].
    pub fn parse(text: &str) -> Result<Self, Vec<ConfigFault>> {
        let table: toml::Table = text.parse().map_err(|why: toml::de::Error| {
            let line = why.span().map_or(1, |span| text[..span.start.min(text.len())].matches('\n').count() + 1);
            vec![ConfigFault::new(format!("line {line}"), format!("not TOML: {}", why.message()))]
        })?;
        // One setting at a time, so that every fault is found and not just the first.
        let mut faults = Vec::new();
        for (section, value) in &table {
            match value {
                toml::Value::Table(keys) => {
                    for (key, value) in keys {
                        let one = toml::Table::from_iter([(
                            section.clone(),
                            toml::Value::Table(toml::Table::from_iter([(key.clone(), value.clone())])),
                        )]);
                        read_one(one, &mut faults);
                    }
                }
                other => read_one(toml::Table::from_iter([(section.clone(), other.clone())]), &mut faults),
            }
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        let config: Config = serde_path_to_error::deserialize(table)
            .map_err(|why| vec![ConfigFault::new(why.path().to_string(), why.inner().to_string())])?;
        config.check(&mut faults);
        if faults.is_empty() { Ok(config) } else { Err(faults) }
    }

    /// Values that are of the right type but cannot be meant.
    fn check(&self, faults: &mut Vec<ConfigFault>) {
        let mut fault = |path: &str, what: String| faults.push(ConfigFault::new(path, what));
        let address = &self.store.address;
        if !["sqlite:", "postgres://", "postgresql://"].iter().any(|scheme| address.starts_with(scheme)) {
            fault("store.address", "must start with `sqlite:` or `postgres://`".into());
        }
        if let Err(why) = crate::timetable::Timetable::parse(&self.schedule.cycle, self.schedule.time_zone) {
            fault("schedule.cycle", why.to_string());
        }
        for (path, url) in [
            ("feeds.ghcn_daily.base_url", &self.feeds.ghcn_daily.base_url),
            ("feeds.daily_summaries.base_url", &self.feeds.daily_summaries.base_url),
            ("feeds.acis.base_url", &self.feeds.acis.base_url),
            ("feeds.nws.base_url", &self.feeds.nws.base_url),
            ("feeds.awdb.base_url", &self.feeds.awdb.base_url),
        ] {
            if let Err(why) = url.url() {
                fault(path, why.to_string());
            }
        }
        if self.feeds.contact.chars().any(|c| c.is_control() || !c.is_ascii()) {
            fault("feeds.contact", "must be plain ASCII, since it travels in a header".into());
        }
        for (path, value) in [
            ("policy.get_ready_chance", self.policy.get_ready_chance),
            ("policy.inspect_chance", self.policy.inspect_chance),
            ("policy.too_late_chance", self.policy.too_late_chance),
            ("policy.filled_share_limit", self.policy.filled_share_limit),
        ] {
            if !(0.0..=1.0).contains(&value) {
                fault(path, format!("{value} must lie between 0 and 1"));
            }
        }
        for (path, value, least) in [
            ("feeds.timeout_s", self.feeds.timeout_s, 1),
            ("feeds.tries", u64::from(self.feeds.tries), 1),
            ("feeds.per_host", self.feeds.per_host as u64, 1),
            ("feeds.largest_body_mib", self.feeds.largest_body_mib, 1),
            ("delivery.lease_s", self.delivery.lease_s, 5),
            ("delivery.batch", u64::from(self.delivery.batch), 1),
            ("delivery.retry_first_s", self.delivery.retry_first_s, 1),
            ("delivery.email.in_flight", self.delivery.email.in_flight as u64, 1),
            ("delivery.sms.in_flight", self.delivery.sms.in_flight as u64, 1),
            ("email.timeout_s", self.email.timeout_s, 1),
            ("email.final_timeout_s", self.email.final_timeout_s, 1),
            ("sms.timeout_s", self.sms.timeout_s, 1),
            ("email.bounces_until_dead", u64::from(self.email.bounces_until_dead), 1),
        ] {
            if value < least {
                fault(path, format!("{value} must be at least {least}"));
            }
        }
        for (path, pace) in [("delivery.email", &self.delivery.email), ("delivery.sms", &self.delivery.sms)] {
            if pace.per_second.is_some_and(|rate| !rate.is_finite() || rate <= 0.0) {
                fault(&format!("{path}.per_second"), "must be above 0; leave it out for no limit".into());
            }
            if pace.per_minute == Some(0) || pace.per_day == Some(0) {
                fault(path, "a limit of 0 a minute or a day sends nothing; leave it out for no limit".into());
            }
        }
        if !(-10.0..=15.0).contains(&self.weather.lapse_c_per_km) {
            fault(
                "weather.lapse_c_per_km",
                format!("{} must lie between -10 and 15 °C per km", self.weather.lapse_c_per_km),
            );
        }
        if self.delivery.quiet_until >= self.delivery.quiet_from {
            fault(
                "delivery.quiet_until",
                format!(
                    "{} must be earlier than quiet_from ({}): messages leave between the two",
                    self.delivery.quiet_until, self.delivery.quiet_from
                ),
            );
        }
        if self.email.host.is_some() && self.email.folder.is_some() {
            fault("email.folder", "give either `host` or `folder`, not both".into());
        }
        if self.email.user.is_some() != self.email.password.is_some() {
            fault("email.user", "`user` and `password` belong together".into());
        }
        if self.email.security == SmtpSecurity::Plain && self.email.password.is_some() {
            fault("email.security", "a password is not sent over a plain connection: use `starttls` or `tls`".into());
        }
        if let Err(why) = self.email.from.parse::<lettre::message::Mailbox>() {
            fault("email.from", format!("`{}` is not a sender: {why}", self.email.from));
        }
        if let Some(reply_to) = &self.email.reply_to
            && let Err(why) = reply_to.parse::<lettre::message::Mailbox>()
        {
            fault("email.reply_to", format!("`{reply_to}` is not an address: {why}"));
        }
        if self.sms.smpp.is_some() && (self.sms.url.is_some() || self.sms.folder.is_some()) {
            fault("sms.smpp", "give one of `smpp`, `url` and `folder`".into());
        }
        if self.sms.url.is_some() && self.sms.folder.is_some() {
            fault("sms.folder", "give either `url` or `folder`, not both".into());
        }
        if self.sms.body.is_some() && !self.sms.form.is_empty() {
            fault("sms.form", "give either `body` or `form`, not both".into());
        }
        let short = self.messages.sender_short.chars().count();
        if short > LONGEST_SENDER_SHORT {
            fault(
                "messages.sender_short",
                format!("has {short} characters, and text messages have room for {LONGEST_SENDER_SHORT}: shorten it"),
            );
        }
        if self.limits.confirmed_percent > 100 {
            fault("limits.confirmed_percent", format!("{} must lie between 0 and 100", self.limits.confirmed_percent));
        }
        let public = &self.messages.public_url;
        if !public.is_empty() && !public.starts_with("https://") && !public.starts_with("http://127.0.0.1") {
            fault("messages.public_url", format!("`{public}` must start with https://"));
        }
    }
}

/// Reads a document that holds one setting; what is wrong with it goes to `faults`.
fn read_one(one: toml::Table, faults: &mut Vec<ConfigFault>) {
    let mut unknown = Vec::new();
    let mut track = serde_path_to_error::Track::new();
    let read: Result<Config, _> =
        serde_ignored::deserialize(serde_path_to_error::Deserializer::new(one, &mut track), |path| {
            unknown.push(path.to_string())
        });
    if let Err(why) = read {
        faults.push(ConfigFault::new(track.path().to_string(), why.to_string().trim_end().to_owned()));
    }
    for path in unknown {
        let near = near_key(&path).map_or_else(String::new, |near| format!(", did you mean `{near}`?"));
        faults.push(ConfigFault::new(path, format!("unknown key{near}")));
    }
}

/// The known key at the same place that is spelled most like the last part of `path`.
fn near_key(path: &str) -> Option<String> {
    let (parents, last) = path.rsplit_once('.').map_or((None, path), |(parents, last)| (Some(parents), last));
    // JSON, since it keeps the names of settings that are not set.
    let mut level = serde_json::to_value(Config::default()).ok()?;
    for parent in parents.into_iter().flat_map(|parents| parents.split('.')) {
        level = level.get_mut(parent)?.take();
    }
    let known = level.as_object()?;
    known
        .keys()
        .map(|key| (strsim::jaro_winkler(key, last), key))
        .filter(|(likeness, _)| *likeness > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, key)| key.clone())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(text: &str) -> Vec<String> {
        Config::parse(text).expect_err("refused").iter().map(ToString::to_string).collect()
    }

    #[test]
    fn an_empty_file_is_the_defaults_and_the_defaults_pass_their_own_check() {
        let config = Config::parse("").expect("sound");
        assert_eq!(config.policy.get_ready_days, 10);
        let printed = toml::to_string(&config).expect("prints");
        Config::parse(&printed).expect("reads its own print");
    }

    #[test]
    fn the_example_file_says_the_defaults() {
        let example = Config::parse(include_str!("../../config/treebell.toml")).expect("sound");
        assert_eq!(toml::to_string(&example).expect("prints"), toml::to_string(&Config::default()).expect("prints"));
    }

    #[test]
    fn every_fault_is_told_at_once_with_its_path_and_the_mend() {
        let told = faults(
            "[delivery]\nleese_s = 3\nquiet_until = \"21:00:00\"\n[policy]\nget_ready_days = \"ten\"\n[polcy]\nx = 1\n",
        );
        assert_eq!(told.len(), 3, "{told:#?}");
        assert!(told.contains(&"delivery.leese_s: unknown key, did you mean `lease_s`?".to_owned()), "{told:#?}");
        assert!(told.iter().any(|line| line.starts_with("policy.get_ready_days: invalid type")), "{told:#?}");
        assert!(told.contains(&"polcy: unknown key, did you mean `policy`?".to_owned()), "{told:#?}");
    }

    #[test]
    fn values_that_cannot_be_meant_are_refused() {
        let told = faults(
            "[store]\naddress = \"mysql:x\"\n[policy]\ninspect_chance = 80\n[schedule]\ncycle = \"15 6 * * *\"\n\
             [email]\nhost = \"mail.example.org\"\nsecurity = \"plain\"\nuser = \"u\"\npassword = { env = \"X\" }\n\
             [delivery]\nquiet_until = \"21:00:00\"\n[messages]\nsender_short = \"Treebell of the state\"\n",
        );
        for path in [
            "messages.sender_short",
            "store.address",
            "policy.inspect_chance",
            "schedule.cycle",
            "email.security",
            "delivery.quiet_until",
        ] {
            assert!(told.iter().any(|line| line.starts_with(path)), "{path} is missing in {told:#?}");
        }
    }

    #[test]
    fn what_is_not_toml_names_the_line() {
        assert!(faults("[store]\naddress = \n")[0].starts_with("line 2: not TOML"));
    }

    #[test]
    fn a_secret_is_never_printed() {
        assert_eq!(format!("{:?}", SecretText("hunter2".into())), "***");
    }
}
