//! What was decided for whom and how far it has come, and the word of staff on it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::Datelike;
use serde_json::json;

use super::args::Why;
use super::error::CommandError;
use super::format::{bare_table, instant, print_out, short_date_or};
use super::open::open_store_for;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::delivery::state::DeliveryState;
use crate::season::NoticeId;
use crate::store::Store;
use crate::store::notices::{Notice, NoticeState};

/// List a season's notices, or hold, release, cancel or recall one.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Notices {
    #[command(subcommand)]
    action: Option<Action>,

    /// The season's year; this year if left out.
    #[arg(long, value_name = "YEAR")]
    season: Option<i32>,

    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Subcommand)]
enum Action {
    /// Stop a waiting notice's clock until it is released or cancelled.
    Hold(ByName),
    /// Let a waiting or held notice out now.
    Release(ByName),
    /// End a waiting or held notice: it never goes out this season.
    Cancel(ByName),
    /// Cancel those deliveries of a released notice that have not gone out; who joins later does not get it.
    Recall(ByName),
}

#[derive(Debug, clap::Args)]
struct ByName {
    /// As `treebell notices` lists it: profile/region/year/kind.
    id: NoticeId,
    /// Who says so; it is kept with the notice.
    #[arg(long, value_name = "NAME")]
    by: String,
    #[command(flatten)]
    why: Why,
}

/// # Errors
/// When the store cannot be opened, or the wish cannot be carried out.
pub async fn run(args: Notices, config: &Config) -> Result<(), CommandError> {
    let why = match &args.action {
        None => &Why::default(),
        Some(Action::Hold(of) | Action::Release(of) | Action::Cancel(of) | Action::Recall(of)) => &of.why,
    };
    let store = open_store_for(config, why).await?;
    let now = SystemClock.now();
    match &args.action {
        None => list(&store, &args).await?,
        Some(Action::Hold(ByName { id, by, .. })) => {
            store.hold_notice(id, Some(&format!("held by {by}"))).await?;
            eprintln!("notice {id} is held: it goes out only when it is released");
        }
        Some(Action::Release(ByName { id, by, .. })) => {
            let deliveries = store.release_notice(id, by, now).await?;
            eprintln!("notice {id} is released: {deliveries} deliveries are queued");
        }
        Some(Action::Cancel(ByName { id, by, .. })) => {
            store.cancel_notice(id, Some(&format!("cancelled by {by}"))).await?;
            eprintln!("notice {id} is cancelled: it never goes out this season");
        }
        Some(Action::Recall(ByName { id, by, .. })) => {
            let deliveries = store.recall_notice(id, Some(&format!("recalled by {by}")), now).await?;
            eprintln!("notice {id} is recalled: {deliveries} deliveries had not gone out and are cancelled");
        }
    }
    store.close().await;
    Ok(())
}

async fn list(store: &Store, args: &Notices) -> Result<(), CommandError> {
    let now = SystemClock.now();
    let year = args.season.unwrap_or_else(|| now.year());
    let profiles: BTreeSet<String> = store.all_regions().await?.into_iter().map(|region| region.profile).collect();
    let mut notices = Vec::new();
    for profile in &profiles {
        notices.extend(store.notices_of_season(profile, year).await?);
    }
    let half_queued: BTreeSet<NoticeId> = store.half_queued().await?.into_iter().map(|notice| notice.id).collect();
    let mut rows = Vec::new();
    for notice in notices {
        let (counts, ended) = store.notice_progress(&notice.id, now).await?;
        let is_whole = !half_queued.contains(&notice.id);
        rows.push((notice, counts, ended && is_whole, is_whole));
    }
    if args.json {
        let all: Vec<serde_json::Value> =
            rows.iter().map(|(notice, counts, ended, is_whole)| as_json(notice, counts, *ended, *is_whole)).collect();
        return print_out(&format!("{}\n", serde_json::Value::from(all)));
    }
    if rows.is_empty() {
        eprintln!("no notices in {year}");
        return Ok(());
    }
    let mut table = bare_table([
        "notice",
        "profile",
        "status",
        "decided on",
        "goes out",
        "of use until",
        "tells wash by",
        "deliveries",
    ]);
    for (notice, counts, ended, is_whole) in &rows {
        table.add_row([
            notice.id.to_string(),
            profile_version(&notice.facts).map_or_else(|| "-".to_owned(), |version| format!("version {version}")),
            notice.status().name().to_owned(),
            notice.decided_on.to_string(),
            goes_out(notice),
            instant(notice.expires_at),
            short_date_or(notice.deadline(), ""),
            said(counts, *ended, *is_whole),
        ]);
    }
    print_out(&format!("{table}\n"))
}

/// Of the profile by whose numbers it was decided; `None` of one that was decided before profiles had versions.
fn profile_version(facts: &serde_json::Value) -> Option<u64> {
    facts.get("profile_version")?.as_u64()
}

fn goes_out(notice: &Notice) -> String {
    match (&notice.state, notice.release_at()) {
        (NoticeState::Released { at: released, .. }, _) => instant(*released),
        (NoticeState::Waiting, Some(release)) => format!("{} unless held", instant(release)),
        (NoticeState::Waiting, None) => "when confirmed".to_owned(),
        (NoticeState::Held, _) => "when released".to_owned(),
        (NoticeState::Skipped | NoticeState::Cancelled, _) => "never".to_owned(),
    }
}

fn said(counts: &BTreeMap<DeliveryState, u64>, ended: bool, is_whole: bool) -> String {
    let mut parts: Vec<String> = counts.iter().map(|(state, count)| format!("{count} {state}")).collect();
    if !is_whole {
        parts.push("still being queued".to_owned());
    }
    if parts.is_empty() {
        return String::new();
    }
    format!("{}{}", parts.join(", "), if ended { " (all ended)" } else { "" })
}

fn as_json(notice: &Notice, counts: &BTreeMap<DeliveryState, u64>, ended: bool, is_whole: bool) -> serde_json::Value {
    json!({
        "id": notice.id,
        "region": notice.season.region,
        "kind": notice.kind,
        "profile_version": profile_version(&notice.facts),
        "status": notice.status(),
        "reason": notice.reason,
        "decided_on": notice.decided_on,
        "release_at": notice.release_at(),
        "released_at": notice.released_at(),
        "released_by": notice.released_by(),
        "expires_at": notice.expires_at,
        "wash_by": notice.deadline(),
        "staff_note": notice.staff_note,
        "deliveries": counts,
        "all_ended": ended && !counts.is_empty(),
        "all_queued": is_whole,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_notice_that_is_still_being_queued_says_so() {
        let counts = BTreeMap::from([(DeliveryState::Queued, 3)]);
        assert_eq!(said(&counts, false, false), "3 queued, still being queued");
        assert_eq!(said(&BTreeMap::new(), false, false), "still being queued");
        assert_eq!(said(&counts, true, true), "3 queued (all ended)");
        assert_eq!(said(&BTreeMap::new(), true, true), "");
    }

    #[test]
    fn a_notice_names_the_version_of_the_profile_that_decided_it() {
        assert_eq!(profile_version(&json!({"profile_version": 3})), Some(3));
        assert_eq!(profile_version(&json!({"profile_version": null})), None);
        assert_eq!(profile_version(&json!({"region": "mesa"})), None, "from before profiles had versions");
    }
}
