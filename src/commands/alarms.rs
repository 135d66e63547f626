//! `treebell alarms`: what is wrong now, and whether alarms arrive.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use serde_json::json;

use super::error::CommandError;
use super::format::{bare_table, counted, fitted, print_json, print_out, wrapped};
use super::open::{now_of, open_app, open_store};
use crate::alarms::settings::Recipient;
use crate::alarms::{Alarm, AlarmGroup, AlarmKind};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::delivery::state::DeliveryState;
use crate::region::RegionId;
use crate::service::alarms::{Sent, put_test};
use crate::service::desk::local_with_year;
use crate::store::Store;

/// List alarms, or see whether they arrive.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Alarms {
    #[command(subcommand)]
    action: Option<Action>,

    /// Those that ended within thirty days, too.
    #[arg(long)]
    all: bool,

    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Subcommand)]
enum Action {
    /// Send a test to every recipient, by every way each has, and wait until the other side has taken it.
    Test(Test),
    /// List the kinds of alarms, as `kinds` and `urgent` of the section `alarms` name them.
    Kinds,
}

#[derive(Debug, clap::Args)]
struct Test {
    /// How long to wait for the running service to send it, seconds.
    #[arg(long, default_value_t = 60, value_parser = clap::value_parser!(u32).range(0..=3600))]
    patience: u32,
}

/// How far back `--all` looks.
const ALL_DAYS: i64 = 30;

/// # Errors
/// When the store cannot be opened, nobody is named, or a test was not taken.
pub async fn run(args: Alarms, config: &Config) -> Result<(), CommandError> {
    match &args.action {
        None => {
            let store = open_store(config).await?;
            let done = list(&store, config, &args).await;
            store.close().await;
            done
        }
        Some(Action::Test(test_args)) => test(test_args, config).await,
        Some(Action::Kinds) => kinds(config),
    }
}

async fn list(store: &Store, config: &Config, args: &Alarms) -> Result<(), CommandError> {
    let now = now_of(store).await?;
    let alarms = store.alarms(args.all.then(|| now - TimeDelta::days(ALL_DAYS))).await?;
    if args.json {
        return print_json(&alarms.iter().map(as_json).collect::<Vec<_>>());
    }
    if config.alarms.recipients.is_empty() {
        eprintln!("nobody is told of alarms: name somebody in [alarms] of the settings");
    }
    if alarms.is_empty() {
        eprintln!("{}", if args.all { "no alarms in thirty days" } else { "no alarm is open" });
        return Ok(());
    }
    let zones: BTreeMap<RegionId, Tz> =
        store.all_regions().await?.into_iter().map(|region| (region.id, region.time_zone)).collect();
    let mut table = bare_table(["since\nand kind", "about", "told", "ended"]);
    for alarm in &alarms {
        let zone = alarm.region.as_ref().and_then(|region| zones.get(region)).copied();
        let at = |instant: DateTime<Utc>| local_with_year(instant, zone.unwrap_or(config.schedule.time_zone));
        let told = match alarm.told_at {
            Some(told_at) if alarm.times_told == 1 => format!("once, {}", at(told_at)),
            Some(told_at) => format!("{} times, last {}", alarm.times_told, at(told_at)),
            None if alarm.ended_at.is_some() => "never".to_owned(),
            None => "when quiet hours end".to_owned(),
        };
        table.add_row([
            format!("{}\n{}{}", at(alarm.raised_at), alarm.kind, if alarm.urgent { " (urgent)" } else { "" }),
            about(alarm),
            told,
            alarm.ended_at.map_or_else(String::new, at),
        ]);
    }
    let mut text = fitted(table, &[3, 2]);
    for alarm in alarms.iter().filter(|alarm| alarm.ended_at.is_none()) {
        let told = format!("\n{}: {}\n{}\nWhat to do: {}\n", alarm.kind, about(alarm), alarm.what, alarm.mend);
        text += &wrapped(&told);
    }
    print_out(&text)
}

fn about(alarm: &Alarm) -> String {
    match (alarm.subject.as_str(), alarm.machine.as_str()) {
        ("", _) => alarm.kind.title().to_owned(),
        (subject, "") => subject.to_owned(),
        (subject, machine) => format!("{subject} on {machine}"),
    }
}

fn as_json(alarm: &Alarm) -> serde_json::Value {
    json!({
        "id": alarm.id,
        "kind": alarm.kind,
        "subject": alarm.subject,
        "machine": alarm.machine,
        "region": alarm.region,
        "urgent": alarm.urgent,
        "what": alarm.what,
        "mend": alarm.mend,
        "raised_at": alarm.raised_at,
        "told_at": alarm.told_at,
        "times_told": alarm.times_told,
        "ended_at": alarm.ended_at,
    })
}

fn kinds(config: &Config) -> Result<(), CommandError> {
    let mut table = bare_table(["kind", "of", "what it says", "hours"]);
    for kind in AlarmKind::ALL {
        let group = match kind.group() {
            AlarmGroup::Season => "season",
            AlarmGroup::Service => "service",
        };
        let hours = if config.alarms.urgent.contains(&kind) { "any (urgent)" } else { "open" };
        table.add_row([kind.name(), group, kind.title(), hours]);
    }
    print_out(&fitted(table, &[]))
}

async fn test(args: &Test, config: &Config) -> Result<(), CommandError> {
    let recipients: Vec<Recipient> = config
        .alarms
        .recipients(config.sms.reach)
        .map_err(|faults| CommandError::Usage(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")))?;
    if recipients.is_empty() {
        return Err(CommandError::Usage(
            "nobody is named in [alarms]: add an [[alarms.recipients]] to the settings".into(),
        ));
    }
    let app = open_app(config).await?;
    if app.store.practice().await?.is_some() {
        return Err(CommandError::Usage(
            "this is a practice store: nothing leaves it, a test of alarms neither".into(),
        ));
    }
    let closed = ways_not_set_up(config, &recipients);
    if !closed.is_empty() {
        return Err(CommandError::Usage(closed.join("\n")));
    }
    let sent = put_test(&app, &recipients, SystemClock.now()).await?;
    let count = sent.iter().filter(|one| one.delivery.is_some()).count();
    eprintln!("{} queued; the running service sends them", counted(count as u64, "test alarm is", "test alarms are"));
    let end = SystemClock.now() + TimeDelta::seconds(i64::from(args.patience));
    let states = wait(&app.store, &sent, end).await;
    app.store.close().await;
    let mut missing = 0;
    let mut table = bare_table(["recipient", "by", "came to"]);
    for (one, state) in sent.iter().zip(states?) {
        let (taken, came_to) = said(state);
        missing += usize::from(!taken);
        table.add_row([one.recipient.as_str(), one.channel.name(), &came_to]);
    }
    print_out(&fitted(table, &[]))?;
    match missing {
        0 => {
            eprintln!("all were taken by the other side; now ask the people whether they came");
            Ok(())
        }
        missing => Err(CommandError::CheckSaidNo(format!(
            "{missing} of {} test alarms did not leave: see `treebell deliveries`, and whether the service runs",
            sent.len()
        ))),
    }
}

/// Channels that recipients are to be told by and that lead nowhere: a test would wait in vain.
fn ways_not_set_up(config: &Config, recipients: &[Recipient]) -> Vec<String> {
    let mut said = Vec::new();
    let mut tell = |is_set_up: bool, people: Vec<&str>, what: &str, mend: &str, field: &str| {
        if !is_set_up && !people.is_empty() {
            said.push(format!(
                "{what}, so that no alarm reaches {} that way: set {mend}, or take `{field}` out of [[alarms.recipients]]; no \
                 test is sent",
                people.join(", ")
            ));
        }
    };
    let (mailed, texted) = (
        recipients.iter().filter(|one| one.email.is_some()).map(|one| one.name.as_str()).collect(),
        recipients.iter().filter(|one| one.phone.is_some()).map(|one| one.name.as_str()).collect(),
    );
    tell(config.email.is_set_up(), mailed, "e-mail is not set up", "email.host or email.folder", "email");
    let texts = "sms.url, sms.smpp or sms.folder";
    tell(config.sms.is_set_up(), texted, "text messages are not set up", texts, "phone");
    said
}

/// Whether the other side has it, and in words.
fn said(state: Option<(DeliveryState, Option<String>)>) -> (bool, String) {
    match state {
        None => (false, "never sent: this address has said stop; START from it takes that back".to_owned()),
        Some((state @ (DeliveryState::Sent | DeliveryState::Delivered), _)) => (true, state.name().to_owned()),
        Some((state, why)) => {
            (false, format!("{}{}", state.name(), why.map_or_else(String::new, |why| format!(": {why}"))))
        }
    }
}

/// Where each stands once all have left or the time is over.
async fn wait(
    store: &Store,
    sent: &[Sent],
    end: DateTime<Utc>,
) -> Result<Vec<Option<(DeliveryState, Option<String>)>>, CommandError> {
    loop {
        let mut states = Vec::new();
        for one in sent {
            states.push(match &one.delivery {
                Some(id) => store.delivery_state(id).await?,
                None => None,
            });
        }
        let open = states.iter().flatten().any(|(state, _)| {
            matches!(state, DeliveryState::Queued | DeliveryState::Leased | DeliveryState::Uncertain)
        });
        if !open || SystemClock.now() >= end {
            return Ok(states);
        }
        tokio::time::sleep(Duration::from_secs(1)).await;
    }
}
