//! What staff should know beside the decision: notices that were early, reports that do not fit.

use chrono::NaiveDate;

use super::{Remark, Standing, View};
use crate::season::{FieldReport, NoticeKind, ReachedBy, days_between};

impl View<'_> {
    pub(super) fn remarks(&self) -> Vec<Remark> {
        let early = self.facts.told.iter().filter_map(|told| {
            let Standing::Released { on } = told.standing else { return None };
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
        let Some(stage) = &report.stage else {
            let opened = self.opens?.reached?.on;
            return (on >= opened).then_some(Remark::SawNone { report: id, on, opened });
        };
        if self.facts.profile.stage(stage).is_none() {
            return Some(Remark::ReportOfUnknownStage { report: id, stage: stage.clone() });
        }
        if !report.confirmed {
            return Some(Remark::ReportUnconfirmed { report: id, stage: stage.clone(), on });
        }
        let reached = self.facts.outlook.stage(stage).and_then(|stage| stage.reached);
        reached
            .is_none_or(|reached| reached.by == ReachedBy::FieldReport || reached.on > on)
            .then_some(Remark::SeenBeforeModel { report: id, stage: stage.clone(), on })
    }

    /// Whether a notice that goes out on `on` is early by more than the policy lets pass, as far as is known today.
    pub(super) fn early(&self, kind: NoticeKind, on: NaiveDate) -> Option<Early> {
        let (stage, seen, looks_ahead) = match kind {
            NoticeKind::GetReady => (self.opens?, &self.facts.profile.window.opens, self.policy.get_ready_days),
            NoticeKind::InspectNow => (self.opens?, &self.facts.profile.window.opens, 0),
            NoticeKind::LastDaysToWash => (self.closes?, &self.facts.profile.window.closes, self.policy.last_days),
            NoticeKind::TooLateToWash => (self.closes?, &self.facts.profile.window.closes, 0),
        };
        let seen = self.seen_from(seen).first().map(|report| report.observed_on);
        let expected = [seen, stage.spread.median].into_iter().flatten().min();
        let Some(day) = expected else {
            // Without futures nothing is expected, which says nothing against the notice.
            return (stage.not_reached > 0).then_some(Early { expected: None, days: None });
        };
        let days = days_between(on, day).saturating_sub(i64::from(looks_ahead));
        (days > i64::from(self.policy.early_by_days)).then_some(Early { expected, days: Some(days) })
    }
}

pub(super) struct Early {
    pub(super) expected: Option<NaiveDate>,
    /// Beyond what the policy looks ahead.
    pub(super) days: Option<i64>,
}
