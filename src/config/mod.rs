//! Settings: read loosely, checked strictly, every fault reported at once with its path.
//!
//! Order: built-in defaults, then the file. Secrets never stand in the file itself: they come from a file or an
//! environment variable that the setting names, and print as `***`.

mod check;
mod web;

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::text;
use crate::timetable::{CronExpression, ScheduleError, Timetable};

pub use crate::config_fault::ConfigFault;
pub use crate::delivery::settings::{DeliveryConfig, PaceConfig};
pub use crate::dispatch::settings::{CodingConfig, DkimConfig, EmailConfig, SmppConfig, SmsConfig, SmtpSecurity};
pub use crate::message::settings::{LONGEST_SENDER_SHORT, MessagesConfig};
pub use crate::people::limits::Limits as LimitsConfig;
pub use crate::season::Policy as PolicyConfig;
pub use crate::season::learning::Detection as DetectionConfig;
pub use crate::secret::{Secret, SecretText};
pub use crate::weather::settings::{FeedConfig, FeedsConfig, WeatherConfig};
pub use web::{HooksConfig, ReportHookConfig, TextHookConfig, WebConfig};

/// All settings. Every section may be left out.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct Config {
    pub store: StoreConfig,
    pub schedule: ScheduleConfig,
    pub feeds: FeedsConfig,
    pub weather: WeatherConfig,
    pub policy: PolicyConfig,
    pub reports: ReportsConfig,
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
    #[expect(clippy::disallowed_methods, reason = "settings are read before anything is served")]
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
        let near = text::did_you_mean(near_key(&path).as_deref());
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
    text::near_key(last, known.keys().map(String::as_str)).map(str::to_owned)
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
        assert_eq!(config.policy.get_ready_days, 21);
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
    fn rules_that_leave_no_room_for_each_other_are_refused_with_the_mend() {
        for (rules, start) in [
            ("best_share = 0.4", "policy.best_share: 0.4 must lie between 0.5 and 1"),
            ("best_share = nan", "policy.best_share: NaN must lie between 0.5 and 1"),
            ("inspect_chance = 0.0", "policy.inspect_chance: a chance of 0 is there on every day"),
            ("too_late_chance = -0.1", "policy.too_late_chance: -0.1 must lie between 0 and 1"),
            ("wash_days = 7", "policy.wash_days: 7 must be at least 8: a second wash comes 5 days after the first"),
            ("wash_days = 3\nbetween_washes_days = 0", "policy.wash_days: 3 must be at least 4"),
            ("last_days = 2", "policy.last_days: 2 must be at least rake_days (3)"),
            ("hatch_reports = 0", "policy.hatch_reports: 0 must be at least 1"),
            ("get_ready_days = 400", "policy.get_ready_days: 400 must be at most 120"),
        ] {
            let told = faults(&format!("[policy]\n{rules}\n"));
            assert!(told.len() == 1 && told[0].starts_with(start), "{rules}: {told:#?}");
        }
        Config::parse("[policy]\nwash_days = 4\nbetween_washes_days = 0\nlast_days = 3\n").expect("just fits");
    }

    #[test]
    fn rules_of_an_older_file_are_read_with_what_they_mean_now() {
        let old = "[policy]\nget_ready_days = 10\nget_ready_chance = 0.5\ninspect_chance = 0.8\nlast_days = 7\n\
                   too_late_on = false\ntoo_late_chance = 0.9\n[policy.useful_days]\nget-ready = 14\ninspect-now = 21\n";
        let policy = Config::parse(old).expect("sound").policy;
        assert_eq!((policy.last_days, policy.inspect_chance, policy.too_late_on), (7, 0.8, false));
        assert_eq!((policy.best_share, policy.useful_days.wash_now), (0.9, 14));
        let told = faults("[policy]\nbest_shares = 0.9\n[policy.useful_days]\nwash-nwo = 3\n");
        for line in [
            "policy.best_shares: unknown key, did you mean `best_share`?",
            "policy.useful_days.wash-nwo: unknown key, did you mean `wash-now`?",
        ] {
            assert!(told.iter().any(|one| one == line), "{line} is missing in {told:#?}");
        }
    }

    #[test]
    fn settings_that_are_read_into_types_keep_their_keys_and_their_faults() {
        let config = Config::parse("[sms]\nabroad = true\n[schedule]\ncycle = \" @daily\"\n").expect("sound");
        assert_eq!(config.sms.reach, crate::people::Reach::World);
        assert!(toml::to_string(&config).expect("prints").contains("cycle = \" @daily\""));
        let told = faults("[sms]\nabroad = \"yes\"\nabrod = true\n[messages]\npublic_url = 3\n[schedule]\ncycle = 5\n");
        for start in [
            "sms.abroad: invalid type: string \"yes\", expected a boolean",
            "sms.abrod: unknown key, did you mean `abroad`?",
            "messages.public_url: invalid type: integer `3`, expected a string",
            "schedule.cycle: invalid type: integer `5`, expected a string",
        ] {
            assert!(told.iter().any(|line| line.starts_with(start)), "{start} is missing in {told:#?}");
        }
    }

    #[test]
    fn a_chance_to_see_eggs_that_are_there_is_above_nought_and_no_more_than_certain() {
        let told = faults("[reports]\ndetection = { staff = 1.2, owner = 0.0 }\n");
        assert_eq!(
            told,
            [
                "reports.detection.staff: 1.2 must be above 0 and at most 1: the chance that one look sees what is there",
                "reports.detection.owner: 0 must be above 0 and at most 1: the chance that one look sees what is there",
            ]
        );
        let one = Config::parse("[reports]\ndetection = { owner = 0.5 }\n").expect("sound");
        assert_eq!((one.reports.detection.staff, one.reports.detection.owner), (0.9, 0.5));
        assert!(faults("[reports]\ndetection = { owners = 0.5 }\n")[0].contains("did you mean `owner`?"));
    }

    #[test]
    fn what_is_not_toml_names_the_line() {
        assert!(faults("[store]\naddress = \n")[0].starts_with("line 2: not TOML"));
    }
}
