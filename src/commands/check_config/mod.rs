//! `treebell check-config`: reads the settings as every other command does, looks at what they name and says all that is
//! wrong in one go.

mod machine;
mod online;

use std::path::{Path, PathBuf};

use chrono::Utc;

use lettre::message::Mailbox;

use super::error::CommandError;
use super::format::print_out;
use super::open::profiles_in_use;
use crate::clock::{Clock, SystemClock};
use crate::config::{Config, ConfigError, Reading};
use crate::dispatch::channels::dkim::Signer;
use crate::randomness::Randomness;
use crate::season::profile::Holds;
use crate::service::app::{load_profiles, open_store_if_current};
use crate::service::daemon::{self, DaemonError};
use crate::service::keys;
use crate::store::learning::AdoptedProfile;

/// Said where no store stands ready.
const NO_STORE: &str =
    "the store is not made yet, or waits for this program's schema: `treebell store init` sees to either";

/// Check the settings and all that they name, and say when the cycle runs next
///
/// Every fault is told in one go, with its file, line and mend: in the settings, in folders (there, writable), secrets, profiles
/// and messages, and where the store is one for practice. Run it as the user that runs the service. Exit code 0: sound. 2: there are faults.
#[derive(Debug, clap::Args)]
pub struct CheckConfig {
    /// Print all settings as they stand, defaults included, as TOML; secrets print as `***`
    #[arg(long)]
    print: bool,

    /// Also try the store, the feeds, the log-in to the mail relay and the gateway; nothing is sent
    #[arg(long)]
    online: bool,
}

/// What was found outside of the settings file.
#[derive(Debug, Default)]
struct Findings {
    /// Faults of other files, each with its place: profiles, messages.
    elsewhere: Vec<String>,
    warnings: Vec<String>,
    /// What answered when it was tried.
    told: Vec<String>,
}

/// # Errors
/// All faults of the settings and of what they name.
pub async fn run(args: &CheckConfig, file: Option<&Path>) -> Result<(), CommandError> {
    let mut reading = match file {
        Some(file) => Config::examine(file)?,
        None => Reading::default(),
    };
    let config = reading.config.clone();
    if args.print && reading.faults().is_empty() {
        let text =
            config.printed().map_err(|why| CommandError::Failed(format!("settings cannot be printed: {why}")))?;
        print_out(&text)?;
    }
    let mut findings = Findings::default();
    machine::look(&config, &mut reading, &mut findings);
    if args.online {
        online::try_all(&config, &mut reading, &mut findings).await;
    }
    reading.extend(keys::read(&config).await.err().unwrap_or_default());
    let is_no_store = look_for_practice(&config, &mut reading).await;
    if is_no_store && !args.online && reading.faults().is_empty() {
        findings.told.push(format!("{}: {NO_STORE}", store_setting(&config)));
    }
    for said in &findings.told {
        eprintln!("{said}");
    }
    for warning in &findings.warnings {
        eprintln!("warning: {warning}");
    }
    refuse(file, &reading, findings)?;
    tell(&config).await
}

/// Finds a practice store, on which no service runs. A store that cannot be opened is told of elsewhere. Gives whether there is no
/// store yet with this program's schema.
async fn look_for_practice(config: &Config, reading: &mut Reading) -> bool {
    let randomness = Randomness::of_system();
    let opened = tokio::time::timeout(online::PATIENCE, open_store_if_current(config, &randomness)).await;
    let store = match opened {
        Ok(Ok(Some(store))) => store,
        Ok(Ok(None)) => return true,
        Ok(Err(_)) | Err(_) => return false,
    };
    let refused = daemon::refuse_practice(&store).await;
    store.close().await;
    if let Err(why @ DaemonError::Practice { .. }) = refused {
        reading.add(store_setting(config), why.to_string());
    }
    false
}

/// The setting that names the store.
fn store_setting(config: &Config) -> &'static str {
    if config.store.address_secret.is_some() { "store.address_secret" } else { "store.address" }
}

/// What the service looks at before it begins: folders, secrets and cautions, so that what the check refuses is not run.
///
/// # Errors
/// As [`run`].
pub fn before_work(file: Option<&Path>) -> Result<(), CommandError> {
    let mut reading = match file {
        Some(file) => Config::examine(file)?,
        None => Reading::default(),
    };
    let config = reading.config.clone();
    let mut findings = Findings::default();
    machine::look_before_work(&config, &mut reading, &mut findings);
    refuse(file, &reading, findings)
}

/// All faults in one go.
fn refuse(file: Option<&Path>, reading: &Reading, findings: Findings) -> Result<(), CommandError> {
    let faults = reading.faults();
    if faults.is_empty() && findings.elsewhere.is_empty() {
        return Ok(());
    }
    let file = file.map_or_else(|| PathBuf::from("settings"), Path::to_owned);
    let own = (!faults.is_empty()).then(|| ConfigError { file, faults }.to_string());
    let told: Vec<String> = own.into_iter().chain(findings.elsewhere).collect();
    Err(CommandError::Usage(told.join("\n")))
}

/// What sound settings come to.
async fn tell(config: &Config) -> Result<(), CommandError> {
    if let Some((name, text)) = dns_record(config) {
        eprintln!("receivers check the signature of e-mail by this DNS record:\n  {name}  TXT  \"{text}\"");
    }
    match adopted(config).await {
        Ok(lines) => lines.iter().for_each(|line| eprintln!("{line}")),
        Err(why) => eprintln!("warning: which profiles were adopted cannot be told: {why}"),
    }
    let timetable = config.schedule.timetable().map_err(|why| CommandError::Usage(format!("schedule.cycle: {why}")))?;
    let mut at = SystemClock.now();
    eprintln!("settings are sound; the cycle next runs at");
    for _ in 0..3 {
        let Some(tick) = timetable.next_after(at) else { break };
        eprintln!(
            "  {} ({})",
            tick.at.with_timezone(&config.schedule.time_zone).format("%Y-%m-%d %H:%M %Z"),
            tick.at.with_timezone(&Utc).format("%H:%M UTC")
        );
        at = tick.at;
    }
    Ok(())
}

/// Which version of each profile that was adopted holds. Nothing is said while the store is not there or waits for this
/// program's schema.
async fn adopted(config: &Config) -> Result<Vec<String>, CommandError> {
    let given = load_profiles(config)?;
    let (_, adopted) = profiles_in_use(config).await?;
    let line = |(of, holds): &(AdoptedProfile, Holds)| {
        let file = given.get(&of.profile).map(|profile| profile.version);
        let (id, version) = (&of.profile, of.version);
        match (holds, file) {
            (Holds::File, Some(file)) => format!(
                "warning: profile `{id}`: version {file} of its file holds; version {version}, adopted by {}, does not",
                of.adopted_by
            ),
            (_, Some(file)) if file >= version => format!(
                "warning: profile `{id}`: version {version}, adopted by {}, holds; its file is version {file} and does not: raise \
                 the file's version above {version} if it should",
                of.adopted_by
            ),
            _ => format!("profile `{id}`: version {version} holds, adopted by {}: {}", of.adopted_by, of.why),
        }
    };
    Ok(adopted.iter().map(line).collect())
}

/// What has to stand in the DNS for the signature to count.
fn dns_record(config: &Config) -> Option<(String, String)> {
    let from: Mailbox = config.email.from.parse().ok()?;
    Signer::new(config.email.dkim.as_ref()?, from.email.domain()).ok()?.dns_record()
}
