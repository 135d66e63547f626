//! What the facts say and what was told, put together to an answer for each kind of notice.

use chrono::NaiveDate;

use super::rules::Stand;
use super::{Answer, ApprovalNeeded, DecidedNotice, QuietReason, Reason, SkipReason, Standing, Terms, Verdict, View};
use crate::region::Release;
use crate::season::{NoticeKind, days_between};

/// Why nothing at all is decided.
pub(super) enum Bar {
    Quiet(QuietReason),
    SeasonOver(NaiveDate),
}

impl View<'_> {
    pub(super) fn barred(&self) -> Option<Bar> {
        let (profile, season) = (self.facts.profile, self.facts.outlook.season.year);
        let (begins, ended) = (profile.first_day(season), profile.last_day(season));
        if self.today < begins {
            Some(Bar::Quiet(QuietReason::SeasonNotBegun { begins }))
        } else if self.today > ended {
            Some(Bar::SeasonOver(ended))
        } else if self.facts.outlook.today != self.today {
            Some(Bar::Quiet(QuietReason::NotTodaysOutlook { outlook_of: self.facts.outlook.today }))
        } else {
            let window = &profile.window;
            [(self.opens, &window.opens), (self.closes, &window.closes)]
                .into_iter()
                .find(|(known, _)| known.is_none())
                .map(|(_, stage)| Bar::Quiet(QuietReason::NoSuchStage { stage: stage.clone() }))
        }
    }

    pub(super) fn barred_answer(&self, kind: NoticeKind, bar: &Bar) -> Verdict {
        let answer = match (bar, self.standing(kind)) {
            (Bar::SeasonOver(ended), Some(Standing::Waiting { .. } | Standing::Held)) => {
                Answer::Skip { reason: SkipReason::SeasonOver { ended: *ended } }
            }
            (Bar::SeasonOver(ended), _) => Answer::Quiet { reason: QuietReason::SeasonOver { ended: *ended } },
            (Bar::Quiet(reason), _) => Answer::Quiet { reason: reason.clone() },
        };
        Verdict { kind, answer }
    }

    /// From the last kind to the first, since a later one overtakes an earlier; a moved deadline is told by the others
    /// where they can.
    pub(super) fn answers(&self) -> Vec<Verdict> {
        use NoticeKind::{DeadlineMoved, GetReady, InspectNow, LastDaysToWash, TooLateToWash, WashNow};
        let mut done: Vec<Verdict> = Vec::with_capacity(NoticeKind::ALL.len());
        for kind in [TooLateToWash, LastDaysToWash, WashNow, InspectNow, DeadlineMoved, GetReady] {
            let stand = match kind {
                GetReady => self.get_ready(),
                InspectNow => self.inspect_now(),
                WashNow => self.wash_now(),
                DeadlineMoved => self.deadline_moved(&done),
                LastDaysToWash => self.last_days(),
                TooLateToWash => self.too_late(),
            };
            done.push(Verdict { kind, answer: self.answer(kind, stand, &done) });
        }
        done.sort_by_key(|verdict| verdict.kind);
        done
    }

    fn answer(&self, kind: NoticeKind, stand: Stand, done: &[Verdict]) -> Answer {
        let skip = |reason| Answer::Skip { reason };
        let quiet = |reason| Answer::Quiet { reason };
        let told = self.facts.told.iter().find(|told| told.kind == kind);
        match told.map(|told| (&told.standing, told.decided_on)) {
            Some((Standing::Released { on }, _)) => return quiet(QuietReason::AlreadyTold { on: *on }),
            Some((Standing::Skipped, on)) => return quiet(QuietReason::AlreadySkipped { on }),
            Some((Standing::Cancelled, _)) => return quiet(QuietReason::CancelledByStaff),
            _ => {}
        }
        let standing = told.map(|told| &told.standing);
        let later = |going| {
            let mut kinds = NoticeKind::ALL.into_iter().filter(|later| later.overtakes(kind));
            kinds.find(|later| self.going(*later, done) == Some(going))
        };
        if let Stand::Past(reason) = stand {
            return skip(reason);
        }
        // What a region never tells is not overtaken either.
        if let Stand::NotYet(reason @ (QuietReason::NoBestDays | QuietReason::SwitchedOff)) = &stand
            && standing.is_none()
        {
            return quiet(reason.clone());
        }
        if let Some(by) = later(Going::Out) {
            return skip(SkipReason::Overtaken { by });
        }
        match (standing, stand) {
            (Some(Standing::Held), Stand::In { reason, approval_needed, expires_on })
                if told.is_some_and(|told| self.has_old_terms(told, expires_on)) =>
            {
                Answer::Renew(self.terms(kind, reason, approval_needed, expires_on))
            }
            (Some(Standing::Held), _) => quiet(QuietReason::HeldByStaff),
            (Some(Standing::Waiting { approval_needed: None }), stand) => {
                let lost = told.is_some_and(|told| self.has_lost_report(told));
                let old = told.is_some_and(|told| self.has_old_lessons(told));
                match stand {
                    Stand::In { reason, approval_needed: Some(approval), expires_on }
                        if told.is_some_and(|told| self.has_old_terms(told, expires_on)) =>
                    {
                        Answer::Renew(self.terms(kind, reason, Some(approval), expires_on))
                    }
                    stand => self.waiting_for_hour(kind, stand, old, lost),
                }
            }
            (Some(Standing::Waiting { approval_needed: Some(approval) }), stand) => {
                self.waiting_for_approval(kind, approval, stand, told)
            }
            (_, Stand::In { reason, approval_needed, expires_on }) => match later(Going::Waits) {
                // One question at a time; what needs no approval goes out, though a later one waits for its own.
                Some(later) if approval_needed.is_some() => quiet(QuietReason::LaterWaits { later }),
                _ => Answer::Announce(self.terms(kind, reason, approval_needed, expires_on)),
            },
            (_, Stand::NotYet(reason)) => quiet(reason),
            (_, Stand::Past(reason)) => skip(reason),
        }
    }

    /// Whether field reports move the dates by other days than when it was worded, beyond what may pass: one was set aside, or
    /// others came.
    fn has_old_lessons(&self, told: &DecidedNotice) -> bool {
        let Some(then) = told.learned_days else { return false };
        let now = self.facts.outlook.learned.map_or(0, |note| note.moved_days);
        now.abs_diff(then) > u64::from(self.policy.early_by_days)
    }

    /// Whether the report that brought it up counts for it no more: it was set aside, or is told now of another season or stage.
    fn has_lost_report(&self, told: &DecidedNotice) -> bool {
        let Some(report) = told.report.as_deref() else { return false };
        !self.seen_open.iter().chain(&self.seen_hatch).any(|seen| seen.id == report)
    }

    /// Whether one that waits for a word or is held tells what holds no longer, or would end by its old terms though it is still in
    /// place, with new ones until `expires_on`.
    fn has_old_terms(&self, told: &DecidedNotice, expires_on: NaiveDate) -> bool {
        let has_old_deadline = told.deadline.is_some() && told.deadline != self.told_deadline(told.kind);
        // What else a region is told is of use from an event on, and not longer because it waits.
        let is_of_use_from_today = told.kind == NoticeKind::GetReady;
        let ends_too_early = told.expires_on.filter(|_| is_of_use_from_today).is_some_and(|ends| {
            ends < expires_on && days_between(self.today, ends) <= i64::from(self.policy.early_by_days)
        });
        has_old_deadline || ends_too_early || self.has_old_lessons(told) || self.has_lost_report(told)
    }

    /// The hours in which staff may hold it are there to catch this too. `old`: its words are of days that do not hold any more;
    /// `lost`: the report that brought it up counts no more. Where it is still in place it gets new ones, else staff are asked.
    fn waiting_for_hour(&self, kind: NoticeKind, stand: Stand, old: bool, lost: bool) -> Answer {
        let too_early = |expected| ApprovalNeeded::NowTooEarly { expected };
        let approval_needed = match stand {
            Stand::In { reason, approval_needed: None, expires_on } if old || lost => {
                return Answer::Free(self.terms(kind, reason, None, expires_on));
            }
            Stand::In { approval_needed, .. } => approval_needed,
            _ => match self.early(kind, self.today) {
                Some(early) => Some(too_early(early.expected)),
                None if lost => Some(too_early(self.expected(kind))),
                None => self.expected(kind).filter(|_| old).map(|expected| too_early(Some(expected))),
            },
        };
        approval_needed.map_or(Answer::Quiet { reason: QuietReason::WaitsForHour }, |approval_needed| {
            Answer::AskFirst { approval_needed }
        })
    }

    fn waiting_for_approval(
        &self,
        kind: NoticeKind,
        approval: &ApprovalNeeded,
        stand: Stand,
        told: Option<&DecidedNotice>,
    ) -> Answer {
        let is_old = |expires_on| told.is_some_and(|told| self.has_old_terms(told, expires_on));
        match stand {
            // Staff who asked to be asked are asked, also if they have changed the policy since.
            Stand::In { reason, approval_needed: None, expires_on } if *approval != ApprovalNeeded::ByPolicy => {
                Answer::Free(self.terms(kind, reason, None, expires_on))
            }
            Stand::In { reason, approval_needed, expires_on } if is_old(expires_on) => {
                let asked = Some(approval.clone()).filter(|asked| *asked == ApprovalNeeded::ByPolicy);
                Answer::Renew(self.terms(kind, reason, asked.or(approval_needed), expires_on))
            }
            Stand::In { approval_needed: Some(approval_needed), .. } => {
                Answer::Quiet { reason: QuietReason::WaitsForApproval { approval_needed } }
            }
            _ => Answer::Quiet { reason: QuietReason::WaitsForApproval { approval_needed: approval.clone() } },
        }
    }

    fn terms(
        &self,
        kind: NoticeKind,
        reason: Reason,
        approval_needed: Option<ApprovalNeeded>,
        expires_on: NaiveDate,
    ) -> Terms {
        let release = if approval_needed.is_some() { Release::WhenConfirmed } else { self.facts.release };
        Terms { reason, release, approval_needed, expires_on, deadline: self.told_deadline(kind) }
    }

    /// Where a notice stands once the answers found so far are carried out; `None` when it does not go out.
    fn going(&self, kind: NoticeKind, done: &[Verdict]) -> Option<Going> {
        match done.iter().find(|verdict| verdict.kind == kind).map(|verdict| &verdict.answer) {
            Some(Answer::Announce(terms) | Answer::Free(terms)) if terms.approval_needed.is_none() => Some(Going::Out),
            Some(Answer::Announce(_) | Answer::Free(_) | Answer::Renew(_) | Answer::AskFirst { .. }) => {
                Some(Going::Waits)
            }
            Some(Answer::Skip { .. }) => None,
            Some(Answer::Quiet { .. }) | None => match self.standing(kind)? {
                Standing::Released { .. } | Standing::Waiting { approval_needed: None } => Some(Going::Out),
                Standing::Held | Standing::Waiting { approval_needed: Some(_) } => Some(Going::Waits),
                Standing::Skipped | Standing::Cancelled => None,
            },
        }
    }
}

/// A notice that goes out by itself or has gone out, or one that a person must still let go.
#[derive(Clone, Copy, PartialEq)]
enum Going {
    Out,
    Waits,
}
