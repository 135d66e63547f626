//! Settings: read loosely, checked strictly, every fault reported at once with its path.
//!
//! Order: built-in defaults, then the file. Secrets never stand in the file itself: they come from a file or an
//! environment variable that the setting names, and print as `***`.

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use chrono::NaiveTime;
use serde::{Deserialize, Serialize};

use crate::season::NoticeKind;

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
    /// The cycle, six or seven fields: second minute hour day-of-month month day-of-week [year].
    pub cycle: String,
    /// How far back missed data days are assessed after downtime.
    pub catch_up_days: u32,
}

impl Default for ScheduleConfig {
    fn default() -> Self {
        Self { time_zone: chrono_tz::America::Denver, cycle: "0 15 6,11,17 * * *".into(), catch_up_days: 400 }
    }
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct FeedsConfig {
    /// Named in every request's User-Agent, as the public services ask: an address or page where you can be reached.
    pub contact: String,
    pub ghcn_daily: FeedConfig,
    pub daily_summaries: FeedConfig,
    pub acis: FeedConfig,
    pub nws: FeedConfig,
    pub awdb: FeedConfig,
    /// Seconds for one whole answer.
    pub timeout_s: u64,
    /// Tries of one request, the first included.
    pub tries: u32,
    /// Longest wait between tries, seconds; a longer Retry-After ends the request for this pull.
    pub longest_wait_s: u64,
    /// Requests under way at once to one host.
    pub per_host: usize,
    /// Largest body accepted, MiB after decompression.
    pub largest_body_mib: u64,
    /// Each pull asks again for this many days, since values are revised.
    pub again_days: u32,
}

impl Default for FeedsConfig {
    fn default() -> Self {
        let feed = |base_url: &str| FeedConfig { base_url: base_url.into() };
        Self {
            contact: "contact-not-set".into(),
            ghcn_daily: feed("https://www.ncei.noaa.gov/pub/data/ghcn/daily/"),
            daily_summaries: feed("https://www.ncei.noaa.gov/access/services/data/v1"),
            acis: feed("https://data.rcc-acis.org/"),
            nws: feed("https://api.weather.gov/"),
            awdb: feed("https://wcc.sc.egov.usda.gov/awdbRestApi/services/v1/"),
            timeout_s: 60,
            tries: 4,
            longest_wait_s: 120,
            per_host: 2,
            largest_body_mib: 64,
            again_days: 10,
        }
    }
}

#[derive(Clone, Debug, Default, Deserialize, Serialize)]
pub struct FeedConfig {
    pub base_url: String,
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct WeatherConfig {
    /// °C per 1000 m, for filling a gap from a station at another height (ICAO standard atmosphere: 6.5).
    pub lapse_c_per_km: f64,
    /// Longest gap filled by a straight line, days.
    pub interpolate_days: u32,
    /// Days both stations must have before a bias is taken out.
    pub bias_days: u32,
    /// Assumed age at which a bulk-imported value could first be known, days.
    pub bulk_latency_days: u32,
}

impl Default for WeatherConfig {
    fn default() -> Self {
        Self { lapse_c_per_km: 6.5, interpolate_days: 2, bias_days: 30, bulk_latency_days: 2 }
    }
}

/// The rules of the decision, with the units in their names.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct PolicyConfig {
    /// Get ready: median date of the window's opening at most this many days off …
    pub get_ready_days: u32,
    /// … or at least this chance (0-1) within those days.
    pub get_ready_chance: f64,
    /// Inspect now: at least this chance (0-1) that the window has opened.
    pub inspect_chance: f64,
    /// Last days to wash: median hatch at most this many days off.
    pub last_days: u32,
    /// Too late to wash: at least this chance (0-1) that hatch has passed.
    pub too_late_chance: f64,
    /// Off by default: it points to what else can be done.
    pub too_late_on: bool,
    /// An unconfirmed notice needs at most this share (0-1) of filled days since the biofix …
    pub filled_share_limit: f64,
    /// … and an observed day at most this many days old.
    pub real_day_age_limit_days: u32,
    /// … and at least this many past years.
    pub past_years_needed: u32,
    /// Staff are told when revised data shows that a notice was early by more than this.
    pub early_by_days: u32,
    /// How long each notice is of use after it was decided, days.
    pub useful_days: BTreeMap<NoticeKind, u32>,
}

impl Default for PolicyConfig {
    fn default() -> Self {
        Self {
            get_ready_days: 10,
            get_ready_chance: 0.5,
            inspect_chance: 0.8,
            last_days: 7,
            too_late_chance: 0.9,
            too_late_on: false,
            filled_share_limit: 0.15,
            real_day_age_limit_days: 5,
            past_years_needed: 5,
            early_by_days: 3,
            useful_days: BTreeMap::from([
                (NoticeKind::GetReady, 14),
                (NoticeKind::InspectNow, 21),
                (NoticeKind::LastDaysToWash, 7),
                (NoticeKind::TooLateToWash, 21),
            ]),
        }
    }
}

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
}

impl Default for MessagesConfig {
    fn default() -> Self {
        Self {
            folder: None,
            sender_name: "Treebell pinyon watch".into(),
            sender_short: "Treebell".into(),
            postal_address: "postal address not set".into(),
            help_contact: "contact not set".into(),
            public_url: String::new(),
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
    /// Seconds for connecting and for each answer.
    pub timeout_s: u64,
    /// Write messages as files here instead of sending.
    pub folder: Option<PathBuf>,
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
            timeout_s: 60,
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
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct SmsConfig {
    /// Template: may use to, text, key (our reference), from, and secret.
    pub url: Option<String>,
    pub method: String,
    /// Header name to template.
    pub headers: BTreeMap<String, String>,
    /// Body template; `form` fields instead if `form` is given.
    pub body: Option<String>,
    pub form: BTreeMap<String, String>,
    pub from: String,
    pub secret: Option<Secret>,
    pub timeout_s: u64,
    /// JSON pointer to the gateway's own message id in its answer.
    pub reference_pointer: Option<String>,
    /// Answer text (substring) that means refused for good though the status says otherwise.
    pub refused_when: Vec<String>,
    /// Statuses that end a delivery for good; others from 400 up are tried again.
    pub refused_statuses: Vec<u16>,
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
            timeout_s: 30,
            reference_pointer: None,
            refused_when: Vec::new(),
            refused_statuses: vec![400, 401, 403, 404, 410, 422],
            folder: None,
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
        let config: Config =
            toml::from_str(text).map_err(|why| vec![ConfigFault::new("", why.to_string().trim_end().to_owned())])?;
        Ok(config)
    }
}
