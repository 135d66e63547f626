//! What a word on a field report sends to people, told before anybody says it.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};

use super::{kind_words, local};
use crate::assessment::season_model::Assessment;
use crate::delivery::quiet_hours::QuietHours;
use crate::people::Channel;
use crate::region::{Region, Release};
use crate::season::decide::{Answer, Terms, Verdict};
use crate::season::{NoticeId, NoticeKind};
use crate::service::app::App;
use crate::store::StoreError;
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
    /// After so many minutes, in which it can be held or called off.
    Soon {
        undo_min: u32,
    },
    /// As soon as people may be written to again.
    AfterQuietHours(DateTime<Utc>),
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

    fn sentence(&self, region: &Region, word: &str) -> String {
        let notice = format!("“{}” for {}", kind_words(self.kind), region.name);
        let count = |channel| self.reach.get(&channel).copied().unwrap_or(0);
        let whom = match self.recipients() {
            0 => return format!("{word} brings up {notice}, but nobody is signed up there."),
            1 => "1 address".to_owned(),
            n => format!("{n} addresses"),
        };
        let whom = format!("{whom} ({} by e-mail, {} by text)", count(Channel::Email), count(Channel::Sms));
        let at = |instant| local(instant, region.time_zone);
        let sends = format!("{word} sends {notice} to {whom}");
        match self.leaves {
            Leaves::Soon { undo_min } => {
                let minutes = counted(u64::from(undo_min), "minute", "minutes");
                format!("{sends}, {minutes} later; until then it can be held or called off.")
            }
            Leaves::AfterQuietHours(from) => {
                let from = at(from);
                format!(
                    "{sends}, from {from} on: now it is too early or too late in the day to write. Until then it can be held or \
                     called off."
                )
            }
            Leaves::UnlessHeld(from) => format!("{sends} after the usual wait, on {}, unless it is held.", at(from)),
            Leaves::NeedsWord => {
                format!("{word} brings up {notice}, to {whom}: that notice will wait for a word of staff.")
            }
        }
    }
}

/// The word on a report, as sentences begin with it.
pub const CONFIRMING: &str = "Confirming it";
pub const KEEPING_DAY: &str = "Keeping this day";

/// What a word on a report sends, in sentences.
pub fn in_words(comes_up: &[ComesUp], region: &Region, word: &str) -> String {
    if comes_up.is_empty() {
        return format!("{word} sends no notice now.");
    }
    comes_up.iter().map(|one| one.sentence(region, word)).collect::<Vec<_>>().join(" ")
}

/// The notices that a decision brings up, as it would be carried out now.
pub(super) async fn comes_up(
    app: &App,
    region: &Region,
    decided: &Assessment,
    now: DateTime<Utc>,
) -> Result<Vec<ComesUp>, StoreError> {
    let quiet = QuietHours::from(&app.config.delivery);
    let allowed = |at| quiet.next_allowed(at, region.time_zone);
    let undo_min = app.config.desk.undo_min;
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
            Answer::AskFirst { .. } | Answer::Skip { .. } | Answer::Quiet { .. } => continue,
        };
        let Terms { release, approval_needed, .. } = terms;
        let leaves = match (release, approval_needed) {
            (_, Some(_)) | (Release::WhenConfirmed, None) => Leaves::NeedsWord,
            (Release::AtOnce, None) if allowed(soon) > soon => Leaves::AfterQuietHours(allowed(soon)),
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
