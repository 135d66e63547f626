//! Settings: read loosely, checked strictly, every fault reported at once with its path.
//!
//! Order: built-in defaults, then the file. Secrets never stand in the file itself: they come from a file or an
//! environment variable that the setting names, and print as `***`.

mod check;
mod desk;
mod hook_secrets;
mod open_files;
mod print;
mod ranges;
mod reading;
mod wanted;
mod watch;
mod web;

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::timetable::{CronExpression, ScheduleError, Timetable};

pub use crate::alarms::settings::AlarmsConfig;
pub use crate::config_fault::{ConfigFault, Faults};
pub use crate::delivery::settings::{DeliveryConfig, PaceConfig};
pub use crate::dispatch::settings::{CodingConfig, DkimConfig, EmailConfig, SmppConfig, SmsConfig, SmtpSecurity};
pub use crate::message::settings::{LONGEST_SENDER_SHORT, MessagesConfig};
pub use crate::people::limits::Limits as LimitsConfig;
pub use crate::people::retention::RetentionConfig;
pub use crate::season::Policy as PolicyConfig;
pub use crate::season::learning::Detection as DetectionConfig;
pub use crate::secret::{Secret, SecretText};
use crate::store::ServerTrust;
pub use crate::weather::settings::{FeedConfig, FeedsConfig, WeatherConfig};
pub use desk::DeskConfig;
pub use reading::{ConfigError, Reading};
pub use watch::{LogConfig, WatchConfig, filter_of};
pub use web::{HooksConfig, ReportHookConfig, TextHookConfig, WebConfig};

/// All settings. Every section may be left out.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct Config {
    pub store: StoreConfig,
    pub schedule: ScheduleConfig,
    pub units: UnitsConfig,
    pub feeds: FeedsConfig,
    pub weather: WeatherConfig,
    pub policy: PolicyConfig,
    pub reports: ReportsConfig,
    pub messages: MessagesConfig,
    pub delivery: DeliveryConfig,
    pub email: EmailConfig,
    pub sms: SmsConfig,
    pub keys: KeysConfig,
    pub limits: LimitsConfig,
    pub alarms: AlarmsConfig,
    pub retention: RetentionConfig,
    pub web: WebConfig,
    pub desk: DeskConfig,
    pub watch: WatchConfig,
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
    /// A certificate authority of your own for a PostgreSQL server, as a PEM file, beside the public ones.
    pub ca_file: Option<PathBuf>,
    /// Speak with a PostgreSQL server on another machine without TLS, or without looking at its certificate.
    pub allow_clear_text: bool,
}

impl StoreConfig {
    /// Which server is to be believed.
    pub fn trust(&self) -> ServerTrust {
        ServerTrust { ca_file: self.ca_file.clone(), allow_clear_text: self.allow_clear_text }
    }
}

impl Default for StoreConfig {
    fn default() -> Self {
        Self { address: "sqlite:treebell.sqlite".into(), address_secret: None, ca_file: None, allow_clear_text: false }
    }
}

/// Keys of hashes, made by `treebell key new`: of each kind the current one first, then every older one. Without any, the key
/// lies in the store, and whoever copies the store has both.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct KeysConfig {
    /// By which addresses are known after they were erased.
    pub addresses: Vec<Secret>,
    /// By which links in messages are sealed.
    pub links: Vec<Secret>,
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct ScheduleConfig {
    /// IANA zone in which the expressions are read.
    pub time_zone: chrono_tz::Tz,
    /// The cycle, six or seven fields: second minute hour day-of-month month day-of-week `[year]`.
    pub cycle: CronExpression,
    /// How far back missed data days are assessed after downtime.
    pub catch_up_days: u32,
}

impl Default for ScheduleConfig {
    fn default() -> Self {
        Self { time_zone: chrono_tz::America::Denver, cycle: "0 15 6,11,17 * * *".into(), catch_up_days: 400 }
    }
}

impl ScheduleConfig {
    /// When the cycle runs.
    ///
    /// # Errors
    /// What is wrong with the expression; never after [`Config::load`].
    pub fn timetable(&self) -> Result<Timetable, ScheduleError> {
        self.cycle.timetable(self.time_zone)
    }
}

/// In which units commands show what they know.
#[derive(Clone, Copy, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct UnitsConfig {
    /// Heat in °F·day instead of °C·day, at the desk before the other unit, and heights of commands in feet instead of metres, where
    /// a command does not say otherwise.
    pub fahrenheit: bool,
}

/// How much field reports say.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct ReportsConfig {
    pub detection: DetectionConfig,
}

#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct ProfilesConfig {
    /// Folder of profile files; the built-in one is used for ids not found there.
    pub folder: Option<PathBuf>,
}

#[cfg(test)]
mod tests;
