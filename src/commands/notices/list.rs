//! A season's notices, a line each, with times where people live.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde_json::json;

use super::seasons;
use crate::commands::error::CommandError;
use crate::commands::format::{NO_BREAK, bare_table, columns, print_fitted, print_out, short_date_or};
use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::state::DeliveryState;
use crate::region::{Region, RegionId};
use crate::season::{NoticeId, NoticeStatus};
use crate::service::app::App;
use crate::service::desk::left::left_from;
use crate::service::desk::nobody::left_to_nobody;
use crate::service::desk::notice::{leaves_from, standing_shown};
use crate::store::notices::{Notice, NoticeState};

/// From this many columns on every column is shown where ids leave room.
const WIDE: u16 = 96;

pub(super) async fn run(app: &App, season: Option<i32>, as_json: bool) -> Result<(), CommandError> {
    let store = &app.store;
    let now = app.clock.now();
    let regions: BTreeMap<RegionId, Region> =
        store.all_regions().await?.into_iter().map(|region| (region.id.clone(), region)).collect();
    let seasons = seasons(app, season).await?;
    let mut notices = Vec::new();
    for (profile, year) in &seasons {
        notices.extend(store.notices_of_season(profile, *year).await?);
    }
    let half_queued: BTreeSet<NoticeId> = store.half_queued().await?.into_iter().map(|notice| notice.id).collect();
    let to_nobody = left_to_nobody(app).await?;
    let mut rows = Vec::new();
    for notice in notices {
        let (counts, ended) = store.notice_progress(&notice.id, now).await?;
        let is_whole = !half_queued.contains(&notice.id);
        rows.push((notice, counts, ended && is_whole, is_whole));
    }
    if as_json {
        let all: Vec<serde_json::Value> =
            rows.iter().map(|(notice, counts, ended, is_whole)| json_of(notice, counts, *ended, *is_whole)).collect();
        return print_out(&format!("{}\n", serde_json::Value::from(all)));
    }
    if rows.is_empty() {
        let years: BTreeSet<i32> = seasons.into_values().collect();
        let years: Vec<String> = years.iter().map(ToString::to_string).collect();
        match (season, years.as_slice()) {
            (Some(season), _) => eprintln!("no notices in season {season}"),
            (None, []) => eprintln!("no notices: there is no region yet"),
            (None, years) => eprintln!(
                "no notices in the season under way ({}); `treebell notices --season YEAR` lists another",
                years.join(", ")
            ),
        }
        return Ok(());
    }
    let several_profiles = rows.iter().map(|(notice, ..)| &notice.season.profile).collect::<BTreeSet<_>>().len() > 1;
    let quiet = QuietHours::from(&app.config.delivery);
    let is_wide = columns() >= WIDE;
    let mut table = bare_table(match is_wide {
        true => vec!["notice", "status", "goes out", "of use until", "wash by", "messages"],
        false => vec!["notice", "status and\ngoes out", "messages"],
    });
    // Words and times stand in one piece; what became of the messages goes on below.
    let whole = |text: &str| text.replace(' ', &NO_BREAK.to_string());
    for (notice, counts, ended, is_whole) in &rows {
        let zone = regions.get(&notice.season.region).map_or(Tz::UTC, |region| region.time_zone);
        let (id, came) =
            (short_id(notice, several_profiles), said(counts, *ended, *is_whole, to_nobody.contains(&notice.id)));
        let (status, goes) = (whole(standing_shown(notice)), whole(&goes_out(notice, quiet, zone, now)));
        let (until, by) = (whole(&short(notice.expires_at, zone)), whole(&short_date_or(notice.deadline(), "")));
        table.add_row(match is_wide {
            true => vec![id, status, goes, until, by, came],
            false => vec![id, format!("{status}\n{goes}"), came],
        });
    }
    let spare: &[usize] = if is_wide { &[4, 3, 5] } else { &[2] };
    print_fitted(table, spare)?;
    print_out("\nTimes are each region's own. One in depth: `treebell notices show NOTICE`.\n")
}

/// As little of an id as is understood: the season is that of the list.
fn short_id(notice: &Notice, several_profiles: bool) -> String {
    match several_profiles {
        true => notice.id.to_string(),
        false => format!("{}/{}", notice.season.region, notice.kind.name()),
    }
}

/// `Mar 14, 8:00 AM`.
fn short(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%b %-d, %-I:%M %p").to_string()
}

/// Of the profile by whose numbers it was decided; `None` of one that was decided before profiles had versions.
pub(super) fn profile_version(facts: &serde_json::Value) -> Option<u64> {
    facts.get("profile_version")?.as_u64()
}

fn goes_out(notice: &Notice, quiet: QuietHours, zone: Tz, now: DateTime<Utc>) -> String {
    if let Some(from) = left_from(notice, quiet, zone) {
        return short(from, zone);
    }
    match (notice.status(), leaves_from(notice, quiet, zone, now)) {
        (NoticeStatus::Skipped | NoticeStatus::Cancelled, _) => "never".to_owned(),
        (_, Some(at)) => short(at, zone),
        (_, None) => "when sent".to_owned(),
    }
}

fn said(counts: &BTreeMap<DeliveryState, u64>, ended: bool, is_whole: bool, had_nobody: bool) -> String {
    if had_nobody {
        return "had nobody to go to".to_owned();
    }
    let mut parts: Vec<String> = counts.iter().map(|(state, count)| format!("{count} {}", state.shown())).collect();
    if !is_whole {
        parts.push("still being queued".to_owned());
    }
    if parts.is_empty() {
        return String::new();
    }
    format!("{}{}", parts.join(", "), if ended { " (all ended)" } else { "" })
}

pub(super) fn json_of(
    notice: &Notice,
    counts: &BTreeMap<DeliveryState, u64>,
    ended: bool,
    is_whole: bool,
) -> serde_json::Value {
    let held_until = match notice.state {
        NoticeState::Held { until } => until,
        _ => None,
    };
    json!({
        "id": notice.id,
        "region": notice.season.region,
        "kind": notice.kind,
        "profile_version": profile_version(&notice.facts),
        "status": notice.standing_word(),
        "reason": notice.reason,
        "decided_on": notice.decided_on,
        "release_at": notice.release_at(),
        "released_at": notice.released_at(),
        "released_by": notice.released_by(),
        "held_until": held_until,
        "recalled_at": notice.recall.as_ref().map(|recall| recall.at),
        "gone_at_recall": notice.recall.as_ref().map(|recall| recall.gone),
        "words_changed_by": notice.own_words.as_ref().map(|words| &words.by),
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
    use crate::season::{NoticeKind, SeasonKey};
    use crate::store::notices::ReleasePlan;

    /// Before, the list told the hour of the plan, in which nobody is written to.
    #[test]
    fn a_notice_goes_out_when_the_desk_says_so_and_not_in_quiet_hours() {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let (kind, zone) = (NoticeKind::InspectNow, chrono_tz::America::Denver);
        let season = SeasonKey { profile: "pinyon-needle-scale".into(), region: "north".into(), year: 2026 };
        let now = at("2026-03-16T12:15:00Z");
        let mut notice = Notice {
            id: NoticeId::of(&season, kind),
            season,
            kind,
            state: NoticeState::Waiting,
            plan: ReleasePlan::At(at("2026-03-17T12:15:00Z")),
            reason: json!({}),
            facts: json!({}),
            decided_on: now.date_naive(),
            decided_at: now,
            expires_at: at("2026-03-20T06:00:00Z"),
            staff_note: None,
            recall: None,
            own_words: None,
            undoable: false,
        };
        let quiet = QuietHours::from(&crate::config::Config::default().delivery);
        let told = |notice: &Notice| goes_out(notice, quiet, zone, now);
        assert_eq!(told(&notice), "Mar 17, 8:00 AM", "6:15 there is too early");
        notice.plan = ReleasePlan::At(at("2026-03-17T16:00:00Z"));
        assert_eq!(told(&notice), "Mar 17, 10:00 AM");
        notice.state = NoticeState::Skipped;
        assert_eq!(told(&notice), "never");
        notice.state = NoticeState::Released { at: at("2026-03-17T12:15:00Z"), by: "policy".into() };
        assert_eq!(told(&notice), "Mar 17, 8:00 AM", "nobody was written to at 6:15");
    }

    #[test]
    fn a_notice_that_is_still_being_queued_says_so() {
        let counts = BTreeMap::from([(DeliveryState::Queued, 3)]);
        assert_eq!(said(&counts, false, false, false), "3 queued, still being queued");
        assert_eq!(said(&BTreeMap::new(), false, false, false), "still being queued");
        assert_eq!(said(&counts, true, true, false), "3 queued (all ended)");
        assert_eq!(said(&BTreeMap::new(), true, true, false), "");
        assert_eq!(said(&BTreeMap::new(), true, true, true), "had nobody to go to");
    }

    #[test]
    fn a_notice_names_the_version_of_the_profile_that_decided_it() {
        assert_eq!(profile_version(&json!({"profile_version": 3})), Some(3));
        assert_eq!(profile_version(&json!({"profile_version": null})), None);
        assert_eq!(profile_version(&json!({"region": "mesa"})), None, "from before profiles had versions");
    }
}
