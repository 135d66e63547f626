//! From verdicts to notices with their words, in every language for every channel; and a stored notice's reason back.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use chrono_tz::Tz;

use super::region_fault::RegionFault;
use crate::delivery::quiet_hours::QuietHours;
use crate::language::Language;
use crate::message::facts::{Grounds, WashingWindow};
use crate::message::{Basis, EmailChart, NoticeFacts, Sender};
use crate::people::Channel;
use crate::region::{Region, Release};
use crate::season::decide::{ApprovalNeeded, Reason, SkipReason, Terms};
use crate::season::profile::Window;
use crate::season::{NoticeKind, Outlook, Profile, StageOutlook, WindowDays, days_after};
use crate::service::app::App;
use crate::store::notices::{NewNotice, Notice, NoticeRelease, NoticeText};
use crate::timetable::place;
use crate::weather::Station;
use crate::weather::feeds::acis_grid::grid_of;

/// What notices of a region are written from beside its outlook.
#[derive(Clone, Copy)]
pub(super) struct Writing<'a> {
    pub region: &'a Region,
    pub profile: &'a Profile,
    pub station: &'a Station,
    /// For e-mails, by language; those that could not be drawn are missing.
    pub charts: &'a HashMap<Language, EmailChart>,
    /// So long what leaves by itself can still be stopped, at least.
    pub undo: TimeDelta,
}

/// Turns verdicts into notices with their words.
pub(super) struct NoticeWriter<'a> {
    pub app: &'a App,
    pub writing: Writing<'a>,
    pub outlook: &'a Outlook,
    /// From that outlook.
    pub days: WindowDays,
    pub now: DateTime<Utc>,
}

impl NoticeWriter<'_> {
    /// The notice on these terms, with its words in every language for every channel.
    pub fn word(&self, kind: NoticeKind, terms: &Terms) -> Result<(NewNotice, Vec<NoticeText>), RegionFault> {
        let Writing { region, profile, station, charts, undo } = self.writing;
        let window = &profile.window;
        // Where somebody saw the stage the outlook has the sum of that day, which is not our number.
        let at_sum = || self.outlook.stage(&window.opens).and_then(|stage| stage.at_sum);
        let needed = profile.heat_mark(&window.opens).or_else(at_sum);
        let mut facts = NoticeFacts::from_outlook(
            Sender::from(&self.app.config.messages),
            region,
            &station.name,
            self.outlook,
            self.days,
            WashingWindow {
                stages: window,
                heat_needed: needed.unwrap_or(self.outlook.heat_sum),
                provisional: profile.provisional,
            },
            Grounds {
                basis: basis(&terms.reason, self.outlook, window),
                moved_by: match terms.reason {
                    Reason::Moved { by, .. } => Some(by),
                    _ => None,
                },
                chance: self.chance(kind),
            },
        );
        facts.grid = grid_of(station).map(|grid| grid.makers().to_owned());
        let templates = self.app.templates.in_use();
        let mut texts = Vec::with_capacity(Language::ALL.len() * Channel::ALL.len());
        for language in Language::ALL {
            for channel in Channel::ALL {
                let chart = charts.get(&language);
                let message = templates.render_with_chart(kind, language, channel, &facts, chart)?;
                texts.push(NoticeText { language, message });
            }
        }
        let fate = match (terms.release, &terms.approval_needed) {
            (_, Some(approval_needed)) => NoticeRelease::WaitForApproval { approval_needed: approval_needed.clone() },
            (Release::AtOnce, None) if undo > TimeDelta::zero() => {
                let quiet = QuietHours::from(&self.app.config.delivery);
                NoticeRelease::Wait { release_at: quiet.next_allowed(self.now + undo, region.time_zone) }
            }
            (Release::AtOnce, None) => NoticeRelease::Release,
            (Release::UnlessHeld { hours }, None) => {
                NoticeRelease::Wait { release_at: self.now + undo.max(TimeDelta::hours(i64::from(hours))) }
            }
            (Release::WhenConfirmed, None) => {
                NoticeRelease::WaitForApproval { approval_needed: ApprovalNeeded::ByPolicy }
            }
        };
        let (reason, facts) = (serde_json::to_value(terms)?, serde_json::to_value(&facts)?);
        let expires_at = self.expires_at(terms);
        Ok((self.notice(kind, fate, reason, facts, expires_at), texts))
    }

    /// The end of the last day on which a notice on these terms is of use.
    pub fn expires_at(&self, terms: &Terms) -> DateTime<Utc> {
        end_of_day(terms.expires_on, self.writing.region.time_zone)
    }

    /// The chance (0-1) of what a notice of this kind tells.
    fn chance(&self, kind: NoticeKind) -> Option<f64> {
        let (window, today) = (&self.writing.profile.window, self.outlook.today);
        let (stage, by) = match kind {
            NoticeKind::GetReady => (&window.opens, days_after(today, self.app.config.policy.get_ready_days)),
            NoticeKind::InspectNow | NoticeKind::WashNow | NoticeKind::DeadlineMoved | NoticeKind::LastDaysToWash => {
                (&window.opens, today)
            }
            NoticeKind::TooLateToWash => (&window.closes, today),
        };
        self.outlook.stage(stage).map(|stage| stage.chance_by(by))
    }

    /// The record of one that is not told: it has no words and no time in which it is of use.
    pub fn skipped(&self, kind: NoticeKind, reason: &SkipReason) -> Result<NewNotice, RegionFault> {
        let reason = serde_json::to_value(reason)?;
        Ok(self.notice(kind, NoticeRelease::Skip, reason, serde_json::Value::Null, self.now))
    }

    fn notice(
        &self,
        kind: NoticeKind,
        fate: NoticeRelease,
        reason: serde_json::Value,
        facts: serde_json::Value,
        expires_at: DateTime<Utc>,
    ) -> NewNotice {
        NewNotice {
            season: self.outlook.season.clone(),
            kind,
            fate,
            reason,
            facts,
            decided_on: self.outlook.today,
            decided_at: self.now,
            expires_at,
            priority: priority(kind),
        }
    }
}

/// Why a stored notice is as it is, in words.
pub fn reason_words(notice: &Notice) -> String {
    if let Ok(terms) = serde_json::from_value::<Terms>(notice.reason.clone()) {
        return terms.reason.to_string();
    }
    match serde_json::from_value::<SkipReason>(notice.reason.clone()) {
        Ok(skipped) => skipped.to_string(),
        Err(_) => notice.reason.to_string(),
    }
}

/// What cannot wait goes first.
fn priority(kind: NoticeKind) -> i64 {
    match kind {
        NoticeKind::LastDaysToWash | NoticeKind::DeadlineMoved => 0,
        NoticeKind::InspectNow | NoticeKind::WashNow => 1,
        NoticeKind::GetReady => 2,
        NoticeKind::TooLateToWash => 3,
    }
}

/// Eggs are only there where somebody saw them.
fn basis(ground: &Reason, outlook: &Outlook, window: &Window) -> Basis {
    let seen = |stage| outlook.stage(stage).is_some_and(StageOutlook::seen);
    match ground {
        Reason::Seen { .. } => Basis::Seen,
        _ if seen(&window.opens) => Basis::Seen,
        Reason::Crossed { .. } | Reason::Closed { .. } => Basis::Heat,
        Reason::OpeningNear { .. }
        | Reason::OpeningLikely { .. }
        | Reason::BegunLikely { .. }
        | Reason::BestDays { .. }
        | Reason::Moved { .. }
        | Reason::DeadlineNear { .. }
        | Reason::CloseNear { .. } => Basis::Chance,
    }
}

/// The last instant of a local day, as the first of the next.
fn end_of_day(day: NaiveDate, zone: Tz) -> DateTime<Utc> {
    place(day.succ_opt().unwrap_or(day).and_time(NaiveTime::MIN), zone)
}
