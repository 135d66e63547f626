//! When a report counted for a season for which it counts no longer, and which notices may rest on it since then.

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use super::left::left_by_itself;
use crate::season::Profile;
use crate::store::field_reports::{ReportHistory, ReportStanding};
use crate::store::notices::{Notice, NoticeState};

/// From when until when a report counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Spell {
    pub from: DateTime<Utc>,
    /// From then on it counted for the season no longer.
    pub until: DateTime<Utc>,
}

/// When a report counted for a season; nothing as long as it does, or where it never did.
///
/// The day that it had before it was given another one is not kept: until then it is taken for one of the season, so that what may
/// rest on it is named rather than passed over.
pub(super) fn spells_over(history: &ReportHistory, profile: &Profile, season: i32) -> Vec<Spell> {
    let report = history.now();
    if !report.day_known || report.moves_nothing() {
        return Vec::new();
    }
    let is_mended = history.changes().iter().any(|change| change.given_day().is_some());
    let mut is_of_season = is_mended || profile.season_of(report.observed_on) == season;
    let (mut over, mut counts_since) = (Vec::new(), None);
    for change in history.changes() {
        if let Some(day) = change.given_day() {
            is_of_season = profile.season_of(day) == season;
        }
        match (counts_since, is_of_season && change.standing == ReportStanding::Confirmed) {
            (None, true) => counts_since = Some(change.at),
            (Some(from), false) => {
                over.push(Spell { from, until: change.at });
                counts_since = None;
            }
            (None, false) | (Some(_), true) => {}
        }
    }
    if counts_since.is_some() { Vec::new() } else { over }
}

/// Whether a notice that has left, or that staff have sent, tells days that a report may have moved which counted then. What waits is
/// decided anew without the report.
pub(super) fn may_rest_on(notice: &Notice, spells: &[Spell], zone: Tz) -> bool {
    let rests = |spell: &Spell| match &notice.state {
        NoticeState::Released { at, .. } => {
            // Of one that nobody sent, the last decision is of just before it left; the words that staff sent are of some time since
            // it came up.
            let worded = left_by_itself(notice).unwrap_or(notice.decided_at);
            spell.from <= *at && spell.until >= worded
        }
        NoticeState::Leaving { .. } => spell.until >= notice.decided_at,
        _ => false,
    };
    notice.told(zone).rests_on_reports() && spells.iter().any(rests)
}
