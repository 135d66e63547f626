//! What staff should know beside the decision: notices that were early, reports that do not fit.

use chrono::NaiveDate;

use super::{Remark, Standing, View};
use crate::season::window::DeadlineRule;
use crate::season::{FieldReport, NoticeKind, Observer, days_between};

/// From this chance (0-1) that egg laying has begun on, a look at a tree that has the insect and shows no eggs is worth a
/// word: the number may be too low for this place (own choice, no source).
const SURPRISING_CHANCE: f64 = 0.8;

impl View<'_> {
    pub(super) fn remarks(&self) -> Vec<Remark> {
        let early = self.facts.told.iter().filter_map(|told| {
            let Standing::Released { on } = told.standing else { return None };
            // That the deadline of the last days has moved is told as such.
            if told.kind == NoticeKind::LastDaysToWash {
                return None;
            }
            let Early { expected, days } = self.early(told.kind, on)?;
            Some(Remark::WasEarly { kind: told.kind, told_on: on, expected, days })
        });
        early.chain(self.own_reports().filter_map(|report| self.remark(report))).collect()
    }

    fn remark(&self, report: &FieldReport) -> Option<Remark> {
        let (id, on) = (report.id.clone(), report.observed_on);
        if on > self.today {
            return Some(Remark::ReportOfFuture { report: id, on });
        }
        if !self.in_season(report) {
            return None;
        }
        let Some(stage) = &report.stage else { return self.remark_on_none(report) };
        let Some(rank) = self.facts.profile.rank(stage) else {
            return Some(Remark::ReportOfUnknownStage { report: id, stage: stage.clone() });
        };
        if !report.confirmed {
            return Some(Remark::ReportUnconfirmed { report: id, stage: stage.clone(), on, seen: true });
        }
        let expected_from = if self.facts.profile.rank(&self.facts.profile.window.closes).is_some_and(|at| rank >= at) {
            NoticeKind::LastDaysToWash
        } else {
            NoticeKind::InspectNow
        };
        let told_before = self.facts.told.iter().any(|told| {
            let out = matches!(told.standing, Standing::Released { on: told_on } if told_on < on);
            out && told.kind >= expected_from && told.kind != NoticeKind::DeadlineMoved
        });
        (!told_before).then_some(Remark::SeenBeforeModel { report: id, stage: stage.clone(), on })
    }

    /// A tree without the insect shows none, and says nothing.
    fn remark_on_none(&self, report: &FieldReport) -> Option<Remark> {
        let by_who_knows = report.infested.is_none() && report.observer == Observer::Staff;
        if !by_who_knows && report.infested != Some(true) {
            return None;
        }
        let (id, on) = (report.id.clone(), report.observed_on);
        let chance = self.opens.map_or(0.0, |opens| opens.chance_by(on));
        if chance >= SURPRISING_CHANCE {
            return Some(Remark::SawNone { report: id, on, chance });
        }
        let stage = report.not_yet.clone().filter(|_| report.infested == Some(true) && !report.confirmed)?;
        Some(Remark::ReportUnconfirmed { report: id, stage, on, seen: false })
    }

    /// Whether a notice that goes out on `on` is early by more than the policy lets pass, as far as the facts alone say today.
    pub(super) fn early(&self, kind: NoticeKind, on: NaiveDate) -> Option<Early> {
        let opens = self.opens?;
        self.closes?;
        let looks_ahead = match kind {
            NoticeKind::GetReady => i64::from(self.policy.get_ready_days),
            NoticeKind::InspectNow | NoticeKind::WashNow | NoticeKind::TooLateToWash => 0,
            // It is about the date that was told, not about an event that could come later.
            NoticeKind::DeadlineMoved => return None,
            NoticeKind::LastDaysToWash => {
                let told = self.facts.told.iter().find(|told| told.kind == kind).and_then(|told| told.deadline);
                told.map_or(0, |deadline| days_between(on, deadline)).max(i64::from(self.policy.last_days))
            }
        };
        let expected = self.expected(kind);
        // What has been seen had begun by then; it says nothing of since when.
        let seen = match kind {
            NoticeKind::GetReady | NoticeKind::InspectNow => !self.seen_open.is_empty(),
            _ => !self.seen_hatch.is_empty(),
        };
        if seen {
            return None;
        }
        let Some(day) = expected else {
            // Without futures nothing is expected, which says nothing against the notice.
            return (opens.not_reached > 0).then_some(Early { expected: None, days: None });
        };
        let days = days_between(on, day).saturating_sub(looks_ahead);
        (days > i64::from(self.policy.early_by_days)).then_some(Early { expected, days: Some(days) })
    }

    /// The day of what a notice tells, as far as the facts alone say today.
    pub(super) fn expected(&self, kind: NoticeKind) -> Option<NaiveDate> {
        let days = &self.by_facts;
        match kind {
            NoticeKind::GetReady => self.opens?.spread.median,
            NoticeKind::InspectNow => Some(days.look_from).filter(|day| self.in_year(*day)),
            NoticeKind::WashNow => days.best.map(|best| best.first),
            NoticeKind::DeadlineMoved => None,
            NoticeKind::LastDaysToWash => Some(days.deadline).filter(|_| days.rule != DeadlineRule::Month),
            NoticeKind::TooLateToWash => {
                let closes = self.closes?;
                closes.day_of_chance(self.policy.too_late_chance).or(closes.spread.median)
            }
        }
    }

    fn in_year(&self, day: NaiveDate) -> bool {
        day <= self.facts.profile.last_day(self.facts.outlook.season.year)
    }
}

pub(super) struct Early {
    pub(super) expected: Option<NaiveDate>,
    /// Beyond what the policy looks ahead.
    pub(super) days: Option<i64>,
}
