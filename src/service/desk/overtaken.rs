//! Holds that a later notice has overtaken. Staff said "not now" of the first, and the same people get the second: whoever held it
//! is told.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, Utc};

use super::{kind_words, local};
use crate::region::{Region, RegionId};
use crate::season::decide::SkipReason;
use crate::season::{NoticeId, NoticeStatus};
use crate::service::app::App;
use crate::store::StoreError;
use crate::store::acts::Act;
use crate::store::notices::Notice;

/// So many acts on a notice are read to find who held it.
pub(super) const ACTS_READ: u32 = 20;

/// What later notices of these regions overtook, by the later one's id: a sentence for each hold.
pub(super) async fn by_later(
    app: &App,
    regions: &BTreeMap<&RegionId, &Region>,
    now: DateTime<Utc>,
) -> Result<BTreeMap<NoticeId, Vec<String>>, StoreError> {
    let mut said: BTreeMap<NoticeId, Vec<String>> = BTreeMap::new();
    for skipped in app.store.notices_skipped_from_hold(now.year()).await? {
        let Some(region) = regions.get(&skipped.season.region) else { continue };
        let of_season = app.store.notices_of_region(&skipped.season).await?;
        if let Some(later) = overtaker(&skipped, &of_season) {
            said.entry(later.id.clone()).or_default().push(sentence(app, &skipped, later, region).await?);
        }
    }
    Ok(said)
}

/// What one notice overtook, a sentence for each hold.
pub(super) async fn by(app: &App, later: &Notice, region: &Region) -> Result<Vec<String>, StoreError> {
    let of_season = app.store.notices_of_region(&later.season).await?;
    let mut said = Vec::new();
    for skipped in of_season.iter().filter(|notice| hold_note(notice).is_some()) {
        if overtaker(skipped, &of_season).is_some_and(|of| of.id == later.id) {
            said.push(sentence(app, skipped, later, region).await?);
        }
    }
    Ok(said)
}

/// What staff left with a notice that they held before it was skipped: `held by M. Reyes: the crew looks first`.
pub(super) fn hold_note(notice: &Notice) -> Option<&str> {
    let note = notice.staff_note.as_deref().filter(|_| notice.status() == NoticeStatus::Skipped)?;
    note.starts_with(HELD_BY).then(|| note.trim_end_matches('.'))
}

/// Who held a notice, and why, by what staff left with it.
pub(super) fn by_and_why(note: &str) -> (&str, &str) {
    match note.strip_prefix(HELD_BY) {
        Some(said) => said.split_once(": ").unwrap_or((said, "")),
        None => ("", note),
    }
}

const HELD_BY: &str = "held by ";

/// When a notice was skipped, where that was noted.
pub(super) async fn skipped_at(app: &App, notice: &Notice) -> Result<Option<DateTime<Utc>>, StoreError> {
    app.store.told_staff_at(&format!("skipped/{}", notice.id)).await
}

/// The notice that came in the place of one that was skipped.
fn overtaker<'a>(skipped: &Notice, of_season: &'a [Notice]) -> Option<&'a Notice> {
    match serde_json::from_value::<SkipReason>(skipped.reason.clone()).ok()? {
        SkipReason::Overtaken { .. } | SkipReason::WindowOpen { .. } | SkipReason::WindowClosed { .. } => {}
        SkipReason::PastUse { .. }
        | SkipReason::InspectNeverSent
        | SkipReason::DeadlineStands
        | SkipReason::SeasonOver { .. } => return None,
    }
    let stands = [NoticeStatus::Waiting, NoticeStatus::Held, NoticeStatus::Released];
    let later = of_season.iter().filter(|of| of.kind.overtakes(skipped.kind) && stands.contains(&of.status()));
    later.min_by_key(|of| of.decided_at)
}

async fn sentence(app: &App, skipped: &Notice, later: &Notice, region: &Region) -> Result<String, StoreError> {
    let at = |instant| local(instant, region.time_zone);
    let acts = app.store.audit_of(&format!("notice/{}", skipped.id), ACTS_READ).await?;
    let held = acts.iter().find(|entry| entry.act == Act::NoticeHeld.as_str());
    let held_on = held.map_or_else(String::new, |entry| format!(" on {}", at(entry.at)));
    let (by, why) = by_and_why(hold_note(skipped).unwrap_or_default());
    let why = if why.is_empty() { String::new() } else { format!(": “{why}”") };
    let skipped_on = at(skipped_at(app, skipped).await?.unwrap_or(later.decided_at));
    let kind = kind_words(skipped.kind);
    Ok(format!("{kind} here was held by {by}{held_on}{why}. It was skipped on {skipped_on} because this one came."))
}
