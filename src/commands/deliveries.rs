//! Where every message stands, and a hand on one of them.

use chrono::{DateTime, Datelike, Utc};
use chrono_tz::Tz;
use comfy_table::{Cell, CellAlignment};
use serde_json::json;

use super::args::Why;
use super::error::CommandError;
use super::format::{bare_table, print_fitted, print_out};
use super::open::{now_of, open_store_for};
use crate::config::Config;
use crate::delivery::state::DeliveryState;
use crate::dispatch::estimate::all_sent_by;
use crate::people::Channel;
use crate::service::desk::find::{find, find_in};
use crate::service::desk::local_with_year;
use crate::store::queue::{ByHand, DeliveryFilter, DeliveryRow};
use crate::store::{Store, StoreError};

/// List deliveries, or see to one of them.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Deliveries {
    #[command(subcommand)]
    action: Option<Action>,

    /// Only those in this state.
    #[arg(long, value_parser = state)]
    state: Option<DeliveryState>,

    /// Only those of this notice: as `treebell notices` or this list names it, or the name of its region.
    #[arg(long, value_name = "NOTICE")]
    notice: Option<String>,

    /// Print at most so many.
    #[arg(long, default_value_t = 1000)]
    limit: u32,

    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Subcommand)]
enum Action {
    /// Try a delivery that failed, bounced or stayed uncertain once more.
    Retry {
        id: String,
        #[command(flatten)]
        why: Why,
    },
    /// Call off a delivery that has not gone out.
    #[command(alias = "cancel")]
    CallOff {
        id: String,
        #[command(flatten)]
        why: Why,
    },
}

/// # Errors
/// When the store cannot be opened, or the wish cannot be carried out.
pub async fn run(args: Deliveries, config: &Config) -> Result<(), CommandError> {
    let why = match &args.action {
        None => &Why::default(),
        Some(Action::Retry { why, .. } | Action::CallOff { why, .. }) => why,
    };
    let store = open_store_for(config, why).await?;
    let now = now_of(&store).await?;
    let zone = config.schedule.time_zone;
    match &args.action {
        None => list(&store, config, &args, now).await?,
        Some(Action::Retry { id, .. }) => {
            told(id, "tried again", store.retry_delivery(id, now).await.map_err(failed)?, zone)?
        }
        Some(Action::CallOff { id, .. }) => {
            let done = store.cancel_delivery(id, "staff called it off", now).await.map_err(failed)?;
            told(id, "called off", done, zone)?;
        }
    }
    store.close().await;
    Ok(())
}

async fn list(store: &Store, config: &Config, args: &Deliveries, now: DateTime<Utc>) -> Result<(), CommandError> {
    let notice = match &args.notice {
        Some(asked) => {
            let found = match year_of(asked) {
                Some(year) => find(store, asked, year).await?,
                // A season that begins in autumn has the next year's name.
                None => find_in(store, asked, now.year() + 1, &[now.year()]).await?,
            };
            Some(found.id)
        }
        None => None,
    };
    let filter = DeliveryFilter { state: args.state, notice, limit: Some(args.limit) };
    let rows = store.deliveries(&filter).await.map_err(failed)?;
    if args.json {
        let all = serde_json::Value::from(rows.iter().map(as_json).collect::<Vec<_>>());
        return print_out(&format!("{all}\n"));
    }
    if rows.is_empty() {
        eprintln!("no deliveries");
        return Ok(());
    }
    let zone = config.schedule.time_zone;
    let mut table = bare_table(["id", "notice", "channel", "to", "state", "tries", "repeats", "next", "last fault"]);
    for row in &rows {
        let waits = matches!(row.standing.state, DeliveryState::Queued | DeliveryState::Uncertain);
        table.add_row([
            Cell::new(&row.id),
            Cell::new(short_notice(&row.notice)),
            Cell::new(row.channel.name()),
            Cell::new(masked(row)),
            Cell::new(row.standing.state),
            Cell::new(row.attempts).set_alignment(CellAlignment::Right),
            Cell::new(row.standing.uncertain_count).set_alignment(CellAlignment::Right),
            Cell::new(if waits { local_with_year(row.not_before, zone) } else { String::new() }),
            Cell::new(row.last_error.as_deref().unwrap_or_default()),
        ]);
    }
    print_fitted(table, &[6, 5, 7, 2, 8, 3, 0])?;
    if rows.len() as u64 == u64::from(args.limit) {
        eprintln!("only the first {} are shown: --limit shows more", args.limit);
    }
    for channel in Channel::ALL {
        let estimate = all_sent_by(store, &config.delivery, channel, now)
            .await
            .map_err(|why| CommandError::Store(why.to_string()))?;
        if let Some(by) = estimate.all_sent_by {
            eprintln!("{}: all sent by {} at the earliest", channel.name(), local_with_year(by, zone));
        }
        if estimate.too_late > 0 {
            eprintln!("{}: {} would expire before their turn", channel.name(), estimate.too_late);
        }
    }
    Ok(())
}

/// As little of an id as is understood: without the profile.
fn short_notice(id: &str) -> &str {
    match id.split('/').count() {
        4.. => id.split_once('/').map_or(id, |(_, rest)| rest),
        _ => id,
    }
}

/// The year that a notice's id names.
fn year_of(asked: &str) -> Option<i32> {
    asked.split('/').find_map(|part| part.parse().ok())
}

fn as_json(row: &DeliveryRow) -> serde_json::Value {
    json!({
        "id": row.id,
        "notice": row.notice,
        "channel": row.channel.name(),
        "to": masked(row),
        "state": row.standing.state.name(),
        "attempts": row.attempts,
        "uncertain_count": row.standing.uncertain_count,
        "not_before": row.not_before,
        "expires_at": row.expires_at,
        "provider_ref": row.provider_ref,
        "last_error": row.last_error,
        "updated_at": row.updated_at,
    })
}

fn masked(row: &DeliveryRow) -> String {
    row.address.as_ref().map_or_else(|| "erased".to_owned(), ToString::to_string)
}

fn told(id: &str, wish: &str, done: ByHand, zone: Tz) -> Result<(), CommandError> {
    let why = match done {
        ByHand::Done(state) => {
            eprintln!("delivery {id} is {}", state.shown());
            return Ok(());
        }
        ByHand::Unknown => format!("there is no delivery `{id}`: `treebell deliveries` lists them"),
        ByHand::NotFrom(state) => format!("delivery `{id}` is {} and cannot be {wish}", state.shown()),
        ByHand::PastItsEnd(end) => {
            let end = local_with_year(end, zone);
            format!("delivery `{id}` was of use until {end}: sending it now would mislead")
        }
    };
    Err(CommandError::Usage(why))
}

fn state(name: &str) -> Result<DeliveryState, String> {
    DeliveryState::parse(name).ok_or_else(|| {
        let all = DeliveryState::ALL.map(DeliveryState::name).join(", ");
        format!("`{name}` is no state: there are {all}")
    })
}

fn failed(why: StoreError) -> CommandError {
    CommandError::Store(why.to_string())
}
