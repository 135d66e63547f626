//! What a word on a field report sends to people, or saving a region, told before anybody does it.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};

use super::region_changes::release;
use super::{kind_words, local};
use crate::assessment::season_model::Assessment;
use crate::delivery::quiet_hours::QuietHours;
use crate::people::Channel;
use crate::region::{Region, Release};
use crate::season::decide::{Answer, Terms, Verdict};
use crate::season::{NoticeId, NoticeKind, NoticeStatus};
use crate::service::app::App;
use crate::store::StoreError;
use crate::store::notices::Notice;
use crate::text::counted;

/// A notice that comes up.
#[derive(Clone, Debug, PartialEq)]
pub struct ComesUp {
    pub kind: NoticeKind,
    pub leaves: Leaves,
    /// Whom it would go to, as they are signed up now.
    pub reach: BTreeMap<Channel, u64>,
}

/// How it leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Leaves {
    AtOnce,
    /// After so many minutes, in which it can be held or called off.
    Soon {
        undo_min: u32,
    },
    /// As soon as people may be written to again.
    AfterQuietHours {
        from: DateTime<Utc>,
        can_be_held: bool,
    },
    UnlessHeld(DateTime<Utc>),
    /// Staff are asked.
    NeedsWord,
}

impl ComesUp {
    /// Whether somebody is written to without another word.
    pub fn sends_unasked(&self) -> bool {
        self.leaves != Leaves::NeedsWord && self.recipients() > 0
    }

    /// How many addresses it would go to.
    pub fn recipients(&self) -> u64 {
        self.reach.values().sum()
    }

    /// `act`: what brings it up, as `Confirming it`.
    fn sentence(&self, act: &str, region: &Region) -> String {
        let notice = format!("“{}” for {}", kind_words(self.kind), region.name);
        let count = |channel| self.reach.get(&channel).copied().unwrap_or(0);
        let whom = match self.recipients() {
            0 => {
                let word = if self.leaves == Leaves::NeedsWord { " It will wait for a word of staff." } else { "" };
                return format!("{act} brings up {notice}, but nobody is signed up there.{word}");
            }
            1 => "1 address".to_owned(),
            n => format!("{n} addresses"),
        };
        let whom = format!("{whom} ({} by e-mail, {} by text)", count(Channel::Email), count(Channel::Sms));
        let at = |instant| local(instant, region.time_zone);
        let sends = format!("{act} sends {notice} to {whom}");
        match self.leaves {
            Leaves::AtOnce => format!("{sends}, at once."),
            Leaves::Soon { undo_min } => {
                let minutes = counted(u64::from(undo_min), "minute", "minutes");
                format!("{sends}, {minutes} later; until then it can be held or called off.")
            }
            Leaves::AfterQuietHours { from, can_be_held } => {
                let until = if can_be_held { " Until then it can be held or called off." } else { "" };
                let from = at(from);
                format!("{sends}, from {from} on: now it is too early or too late in the day to write.{until}")
            }
            Leaves::UnlessHeld(from) => format!("{sends} after the usual wait, on {}, unless it is held.", at(from)),
            Leaves::NeedsWord => {
                format!("{act} brings up {notice}, to {whom}: that notice will wait for a word of staff.")
            }
        }
    }
}

/// Which notices come up with a change and not without it, or leave by themselves only with it.
pub(super) fn only_with(with: Vec<ComesUp>, without: &[ComesUp]) -> Vec<ComesUp> {
    let is_the_same = |one: &ComesUp, of: &ComesUp| of.kind == one.kind && of.sends_unasked() == one.sends_unasked();
    with.into_iter().filter(|one| !without.iter().any(|of| is_the_same(one, of))).collect()
}

/// Of what a change brings up in a region, that which does not leave by itself as it is: one that waits for its hour may get other
/// words by the change, but has come up before.
pub(super) fn not_leaving_yet(mut found: Vec<ComesUp>, decided: &[Notice]) -> Vec<ComesUp> {
    let leaves = |kind: NoticeKind| {
        let waits_for_hour = |of: &Notice| of.status() == NoticeStatus::Waiting && of.release_at().is_some();
        decided.iter().any(|of| of.kind == kind && waits_for_hour(of))
    };
    found.retain(|one| one.leaves == Leaves::NeedsWord || !leaves(one.kind));
    found
}

/// What comes up elsewhere, one notice in a sentence. `when`: as `with the next cycle`.
pub fn elsewhere_in_words(one: &ComesUp, when: &str) -> String {
    let notice = format!("“{}”", kind_words(one.kind));
    let whom = match one.recipients() {
        0 => return format!("{notice} comes up {when}, but nobody is signed up there."),
        n => counted(n, "address", "addresses"),
    };
    match one.leaves {
        Leaves::AtOnce | Leaves::Soon { .. } | Leaves::AfterQuietHours { .. } => {
            format!("{notice} leaves {when}, to {whom}, without a word of staff.")
        }
        Leaves::UnlessHeld(_) => {
            format!("{notice}, to {whom}, comes up {when} and leaves after the usual wait, unless it is held.")
        }
        Leaves::NeedsWord => format!("{notice}, to {whom}, comes up {when} and waits for a word of staff."),
    }
}

/// Beside such notices, where they were worked out by an estimate.
pub const BY_ESTIMATE: &str =
    "These notices rest on an estimate: a later notice of the season may come instead, and others may come too.";

/// What comes up in other regions, summed up. `act`: as `Confirming it also brings up`.
pub fn sum_in_words(by_region: &[&[ComesUp]], act: &str, when: &str) -> String {
    let all: Vec<&ComesUp> = by_region.iter().flat_map(|of| of.iter()).collect();
    let notices = counted(all.len(), "notice", "notices");
    let places = by_region.iter().filter(|of| !of.is_empty()).count();
    let places = counted(places, "other region", "other regions");
    // Several notices of one region go to the same addresses.
    let reach = |of: &&[ComesUp]| of.iter().map(ComesUp::recipients).max().unwrap_or(0);
    let whom = counted(by_region.iter().map(reach).sum::<u64>(), "address", "addresses");
    let unasked = match all.iter().filter(|one| one.sends_unasked()).count() {
        0 => "Nobody is written to there without a word of staff.".to_owned(),
        1 if all.len() == 1 => "It leaves by itself.".to_owned(),
        1 => "1 of them leaves by itself.".to_owned(),
        n if n == all.len() => "All of them leave by themselves.".to_owned(),
        n => format!("{n} of them leave by themselves."),
    };
    format!("{act} {notices} in {places} {when}, to {whom}. {unasked}")
}

/// What brings notices up, as sentences begin with it.
pub const CONFIRMING: &str = "Confirming it";
pub const KEEPING_DAY: &str = "Keeping this day";
const SAVING: &str = "Saving it";

/// What saving a region sends, in sentences; `None`: that cannot be worked out.
pub fn of_saving_in_words(comes_up: Option<&[ComesUp]>, region: &Region) -> String {
    let Some(comes_up) = comes_up else {
        return format!(
            "Whether a notice is due there cannot be worked out before it is saved: that is decided once it is, at the latest \
             by the next cycle. What is due leaves {}.",
            release(region.release)
        );
    };
    in_words(comes_up, region, SAVING)
}

/// What an act sends, in sentences.
pub fn in_words(comes_up: &[ComesUp], region: &Region, act: &str) -> String {
    if comes_up.is_empty() {
        return format!("{act} sends no notice now.");
    }
    comes_up.iter().map(|one| one.sentence(act, region)).collect::<Vec<_>>().join(" ")
}

/// The notices that a decision brings up, as it would be carried out now; what would leave at once waits for `undo_min`.
pub(in crate::service) async fn comes_up(
    app: &App,
    region: &Region,
    decided: &Assessment,
    now: DateTime<Utc>,
    undo_min: u32,
) -> Result<Vec<ComesUp>, StoreError> {
    let quiet = QuietHours::from(&app.config.delivery);
    let allowed = |at| quiet.next_allowed(at, region.time_zone);
    let soon = now + TimeDelta::minutes(i64::from(undo_min));
    let mut found = Vec::new();
    for Verdict { kind, answer } in &decided.decision.verdicts {
        let terms = match answer {
            Answer::Announce(terms) => terms,
            Answer::Free(terms) => {
                // One with words of staff stays as it is.
                let id = NoticeId::of(&decided.outlook.season, *kind);
                if app.store.notice(&id).await?.own_words.is_some() {
                    continue;
                }
                terms
            }
            Answer::Renew(_) | Answer::AskFirst { .. } | Answer::Skip { .. } | Answer::Quiet { .. } => continue,
        };
        let Terms { release, approval_needed, .. } = terms;
        let leaves = match (release, approval_needed) {
            (_, Some(_)) | (Release::WhenConfirmed, None) => Leaves::NeedsWord,
            (Release::AtOnce, None) if allowed(soon) > soon => {
                Leaves::AfterQuietHours { from: allowed(soon), can_be_held: undo_min > 0 }
            }
            (Release::AtOnce, None) if undo_min == 0 => Leaves::AtOnce,
            (Release::AtOnce, None) => Leaves::Soon { undo_min },
            (Release::UnlessHeld { hours }, None) => {
                Leaves::UnlessHeld(allowed(now + TimeDelta::hours(i64::from(*hours))))
            }
        };
        let reach = app.store.count_recipients(&region.id).await?;
        found.push(ComesUp { kind: *kind, leaves, reach });
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::SeasonKey;
    use crate::season::decide::ApprovalNeeded;
    use crate::store::notices::{NoticeState, ReleasePlan};

    fn one(kind: NoticeKind, leaves: Leaves, emails: u64) -> ComesUp {
        ComesUp { kind, leaves, reach: BTreeMap::from([(Channel::Email, emails)]) }
    }

    /// Before, one that was listed as leaving was counted once more as brought up, since it gets other words.
    #[test]
    fn a_notice_that_leaves_by_itself_already_does_not_come_up_once_more() {
        let at = "2025-03-10T13:00:00Z".parse::<DateTime<Utc>>().unwrap();
        let kind = NoticeKind::InspectNow;
        let season = SeasonKey { profile: "pinyon-needle-scale".into(), region: "south".into(), year: 2025 };
        let waits = Notice {
            id: NoticeId::of(&season, kind),
            season,
            kind,
            state: NoticeState::Waiting,
            plan: ReleasePlan::At(at),
            reason: serde_json::Value::Null,
            facts: serde_json::Value::Null,
            decided_on: at.date_naive(),
            decided_at: at,
            expires_at: at,
            staff_note: None,
            recall: None,
            own_words: None,
            undoable: false,
        };
        let (again, other) = (one(kind, Leaves::UnlessHeld(at), 3), one(NoticeKind::WashNow, Leaves::AtOnce, 3));
        let left =
            |decided: &Notice| not_leaving_yet(vec![again.clone(), other.clone()], std::slice::from_ref(decided));
        assert_eq!(left(&waits), std::slice::from_ref(&other));
        // One that asked for a word and does so no more leaves because of it.
        let asks = Notice { plan: ReleasePlan::WhenConfirmed(ApprovalNeeded::NotOnRealDays), ..waits.clone() };
        assert_eq!(left(&asks), [again.clone(), other.clone()]);
        assert_eq!(left(&Notice { state: NoticeState::Held { until: None }, ..waits }), [again.clone(), other.clone()]);
    }

    #[test]
    fn what_comes_up_elsewhere_is_what_would_not_without_it_and_is_summed_up() {
        let look = one(NoticeKind::InspectNow, Leaves::AtOnce, 3);
        let asks = one(NoticeKind::InspectNow, Leaves::NeedsWord, 3);
        let ready = one(NoticeKind::GetReady, Leaves::NeedsWord, 1);
        let alone = std::slice::from_ref;
        assert_eq!(only_with(vec![look.clone(), ready.clone()], alone(&ready)), alone(&look));
        assert_eq!(only_with(vec![look.clone()], alone(&asks)), alone(&look), "nobody is asked any more");
        assert_eq!(only_with(vec![look.clone()], alone(&look)), []);
        let when = "with the next cycle";
        assert_eq!(
            sum_in_words(&[&[look.clone(), ready.clone()], &[asks], &[]], "It will also bring up", when),
            "It will also bring up 3 notices in 2 other regions with the next cycle, to 6 addresses. 1 of them leaves by itself."
        );
        let all =
            sum_in_words(&[std::slice::from_ref(&look), &[look.clone(), look.clone()]], "It also brings up", when);
        assert!(all.ends_with(" All of them leave by themselves."), "{all}");
        for (of, said) in [
            (look, "“Inspect now” leaves with the next cycle, to 3 addresses, without a word of staff."),
            (ready, "“Get ready”, to 1 address, comes up with the next cycle and waits for a word of staff."),
        ] {
            assert_eq!(elsewhere_in_words(&of, when), said);
        }
    }
}
