//! Holds that a later notice has overtaken, or that ran out before it. Staff said "not now" of the first, and the same people get
//! the second: whoever held it is told. And of two that wait side by side, which one ends the other.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use super::held::{ACTS_READ, by_and_why, end_words, ended_hold, hold_note, ran_out, skipped_at, useless_since};
use super::{kind_words, local, why};
use crate::language::Language;
use crate::region::{Region, RegionId};
use crate::season::decide::SkipReason;
use crate::season::{NoticeId, NoticeKind, NoticeStatus, phrases};
use crate::service::app::App;
use crate::store::StoreError;
use crate::store::acts::Act;
use crate::store::notices::{Notice, NoticeState};

/// What later notices of these regions overtook, by the later one's id: a sentence for each of these holds.
pub(super) async fn by_later(
    app: &App,
    regions: &BTreeMap<&RegionId, &Region>,
    holds: &[Notice],
) -> Result<BTreeMap<NoticeId, Vec<String>>, StoreError> {
    let mut said: BTreeMap<NoticeId, Vec<String>> = BTreeMap::new();
    for skipped in holds {
        let Some(region) = regions.get(&skipped.season.region) else { continue };
        let of_season = app.store.notices_of_region(&skipped.season).await?;
        if let Some(later) = overtaker(skipped, &of_season) {
            said.entry(later.id.clone()).or_default().push(sentence(app, skipped, later, region).await?);
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

/// What waits in a season beside a notice that has not left, and ends it by leaving or is ended by it: a sentence each.
pub(super) fn beside<'a>(
    notice: &Notice,
    others: impl IntoIterator<Item = &'a Notice>,
    now: DateTime<Utc>,
) -> Vec<String> {
    let is_open =
        |of: &Notice| of.expires_at > now && matches!(of.status(), NoticeStatus::Waiting | NoticeStatus::Held);
    if !is_open(notice) {
        return Vec::new();
    }
    let others = others.into_iter().filter(|other| other.season == notice.season && is_open(other));
    others.filter_map(|other| said_beside(notice, other)).collect()
}

fn said_beside(notice: &Notice, other: &Notice) -> Option<String> {
    let ends = if other.kind.overtakes(notice.kind) {
        "once it has left, this one is not told; where this one leaves first, people get both"
    } else if notice.kind.overtakes(other.kind) {
        "once this one has left, that one is not told"
    } else {
        return None;
    };
    let stands = match other.state {
        NoticeState::Held { .. } => "is held",
        NoticeState::Leaving { .. } => "is on its way",
        _ => "waits",
    };
    let tells = other.deadline().map_or_else(String::new, |day| {
        format!(", and tells {} as the last day to wash", phrases::date(Language::En, day))
    });
    Some(format!("“{}” {stands} here as well{tells}: {ends}.", kind_words(other.kind)))
}

/// How a hold ended without its notice having gone out.
enum End {
    /// A later notice took its place.
    Skipped(SkipReason),
    /// It was held until it was of no use.
    PastUse,
}

/// `None`: it was called off with all of its season, or with what it follows.
fn end_of(skipped: &Notice) -> Option<End> {
    match serde_json::from_value::<SkipReason>(skipped.reason.clone()) {
        Ok(SkipReason::PastUse { .. }) => Some(End::PastUse),
        Ok(SkipReason::InspectNeverSent | SkipReason::DeadlineStands | SkipReason::SeasonOver { .. }) => None,
        Ok(reason) => Some(End::Skipped(reason)),
        // One whose time ran out keeps the reason for which it was decided.
        Err(_) => Some(End::PastUse),
    }
}

/// Whether staff held it until it was of no use.
pub(super) fn ran_out_held(notice: &Notice) -> bool {
    hold_note(notice).is_some() && ran_out(notice)
}

/// Until when one that ran out was of use, by its reason or else by its terms.
pub(super) fn of_use_until(notice: &Notice, zone: Tz) -> String {
    match serde_json::from_value::<SkipReason>(notice.reason.clone()) {
        Ok(SkipReason::PastUse { until }) => phrases::date(Language::En, until),
        _ => local(notice.expires_at, zone),
    }
}

/// The notice that came in the place of one that was skipped, or the next one after it.
fn overtaker<'a>(skipped: &Notice, of_season: &'a [Notice]) -> Option<&'a Notice> {
    end_of(skipped)?;
    let stands = [NoticeStatus::Waiting, NoticeStatus::Held, NoticeStatus::Released];
    let later = of_season.iter().filter(|of| of.kind.overtakes(skipped.kind) && stands.contains(&of.status()));
    later.min_by_key(|of| of.decided_at)
}

async fn sentence(app: &App, skipped: &Notice, later: &Notice, region: &Region) -> Result<String, StoreError> {
    let at = |instant| local(instant, region.time_zone);
    let held = held(app, skipped, region).await?;
    // One that left while the hold lasted was what ended it.
    let came_before_its_end = later.released_at().is_some_and(|left| left < skipped.expires_at);
    let reason = match end_of(skipped) {
        Some(End::Skipped(reason)) => reason,
        _ if came_before_its_end => SkipReason::Overtaken { by: later.kind },
        _ => {
            let end = useless_since(app, skipped).await?;
            let (came, never) = (came_to_nothing(app, skipped, end, region.time_zone).await?, never_told(skipped.kind));
            return Ok(format!("{held} {came}; people here were {never}."));
        }
    };
    let skipped_on = at(skipped_at(app, skipped).await?.unwrap_or(later.decided_at));
    Ok(format!("{held} It was skipped on {skipped_on}: {}.", why::skip(&reason)))
}

/// One that was held until it was of no use, for today.
pub(super) struct RanOut {
    pub title: String,
    pub what: String,
    pub region: RegionId,
    pub at: DateTime<Utc>,
}

/// Which of these holds ran out between two instants, the last one first.
pub(super) async fn ran_out_since(
    app: &App,
    regions: &BTreeMap<&RegionId, &Region>,
    holds: &[Notice],
    (since, now): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Vec<RanOut>, StoreError> {
    let mut found = Vec::new();
    for notice in holds {
        let Some(region) = regions.get(&notice.season.region) else { continue };
        if !ran_out_held(notice) || notice.expires_at <= since {
            continue;
        }
        let at = useless_since(app, notice).await?;
        // One whose hold had ended and that another one overtook was still of use.
        if at > now {
            continue;
        }
        let what = format!(
            "{} {}; people there were {}.",
            held(app, notice, region).await?,
            came_to_nothing(app, notice, at, region.time_zone).await?,
            never_told(notice.kind)
        );
        let title = format!("{} for {} ended unsent", kind_words(notice.kind), region.name);
        found.push(RanOut { title, what, region: region.id.clone(), at });
    }
    found.sort_by(|a, b| b.at.cmp(&a.at).then_with(|| a.region.cmp(&b.region)));
    Ok(found)
}

/// That it came to be of no use, and when: a hold that had ended long before is not to blame.
async fn came_to_nothing(app: &App, notice: &Notice, end: DateTime<Utc>, zone: Tz) -> Result<String, StoreError> {
    let useless = local(end, zone);
    Ok(match ended_hold(app, notice).await?.and_then(|hold| hold.until) {
        Some(until) => {
            let until = local(until, zone);
            format!("That hold ended on {until}; then it waited for a word, and came to be of no use on {useless}")
        }
        None => format!("It came to be of no use on {useless}"),
    })
}

/// After "people were".
fn never_told(kind: NoticeKind) -> &'static str {
    match kind {
        NoticeKind::GetReady => "never told to get ready",
        NoticeKind::InspectNow => "never told to look",
        NoticeKind::WashNow => "never told to wash",
        _ => "never told",
    }
}

/// `Inspect now here was held by M. Reyes on …, until …: “the crew looks first”.`
async fn held(app: &App, skipped: &Notice, region: &Region) -> Result<String, StoreError> {
    let at = |instant| local(instant, region.time_zone);
    let acts = app.store.audit_of(&format!("notice/{}", skipped.id), ACTS_READ).await?;
    let held = acts.iter().find(|entry| entry.act == Act::NoticeHeld.as_str());
    let held_on = held.map_or_else(String::new, |entry| format!(" on {}", at(entry.at)));
    let note = skipped.staff_note.as_deref().unwrap_or_default();
    let end = held.map_or_else(String::new, |entry| end_words(&entry.detail, note, region.time_zone));
    let (by, why) = by_and_why(hold_note(skipped).unwrap_or_default());
    let why = if why.is_empty() { String::new() } else { format!(": “{why}”") };
    Ok(format!("{} here was held by {by}{held_on}{end}{why}.", kind_words(skipped.kind)))
}
