//! `treebell check-config`: reads the settings as every other command does and says what they come to.

use chrono::Utc;

use lettre::message::Mailbox;

use super::error::CommandError;
use super::format::print_out;
use super::open::profiles_in_use;
use crate::clock::{Clock, SystemClock};
use crate::config::{Config, Secret};
use crate::dispatch::channels;
use crate::dispatch::channels::dkim::Signer;
use crate::season::profile::Holds;
use crate::service::app::load_profiles;
use crate::store::learning::AdoptedProfile;

#[derive(Debug, clap::Args)]
pub struct CheckConfig {
    /// Print all settings as they stand, defaults included, as TOML.
    #[arg(long)]
    print: bool,
}

/// # Errors
/// When a secret cannot be read. Other faults were found while loading.
pub async fn run(args: &CheckConfig, config: &Config) -> Result<(), CommandError> {
    if args.print {
        let text = toml::to_string(config)
            .map_err(|why| CommandError::Failed(format!("settings cannot be printed: {why}")))?;
        print_out(&text)?;
    }
    let secrets: [(&str, &Option<Secret>); 3] = [
        ("store.address_secret", &config.store.address_secret),
        ("email.password", &config.email.password),
        ("sms.secret", &config.sms.secret),
    ];
    let mut faults: Vec<String> = secrets
        .into_iter()
        .filter_map(|(path, secret)| secret.as_ref()?.read_blocking().err().map(|why| format!("{path}: {why}")))
        .collect();
    for fault in channels::check(&config.email, &config.sms, config.hooks.path.as_ref()).iter().map(ToString::to_string)
    {
        if !faults.contains(&fault) {
            faults.push(fault);
        }
    }
    if !faults.is_empty() {
        return Err(CommandError::Usage(faults.join("\n")));
    }
    if let Some((name, text)) = dns_record(config) {
        eprintln!("receivers check the signature of e-mail by this DNS record:\n  {name}  TXT  \"{text}\"");
    }
    let timetable = config.schedule.timetable().map_err(|why| CommandError::Usage(format!("schedule.cycle: {why}")))?;
    for warning in config.schedule.cycle.warnings() {
        eprintln!("warning: schedule.cycle: {}", warning.0);
    }
    for (what, missing) in [
        (
            "email: neither `host` nor `folder` is set, so e-mail waits unsent",
            config.email.host.is_none() && config.email.folder.is_none(),
        ),
        (
            "sms: none of `url`, `smpp` and `folder` is set, so texts wait unsent",
            config.sms.url.is_none() && config.sms.folder.is_none() && config.sms.smpp.is_none(),
        ),
        ("feeds.contact: not set; public weather services ask who calls", config.feeds.contact == "contact-not-set"),
    ] {
        if missing {
            eprintln!("warning: {what}");
        }
    }
    match adopted(config).await {
        Ok(lines) => lines.iter().for_each(|line| eprintln!("{line}")),
        Err(why) => eprintln!("warning: which profiles were adopted cannot be told: {why}"),
    }
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
