//! What the facts say of each notice, before what was told.

use chrono::NaiveDate;

use super::{Answer, ApprovalNeeded, QuietReason, Reason, SkipReason, Standing, Verdict, View};
use crate::region::Release;
use crate::season::{NoticeKind, Reached, ReachedBy, RecordTrust, StageOutlook, days_after, days_between};

/// What the facts say of one kind, before what was told.
pub(super) enum Stand {
    In { reason: Reason, approval_needed: Option<ApprovalNeeded>, expires_on: NaiveDate },
    NotYet(QuietReason),
    Past(SkipReason),
}

impl View<'_> {
    pub(super) fn get_ready(&self) -> Stand {
        // `barred` has seen to it that both stages are there.
        let (Some(opens), policy) = (self.opens, self.policy) else { return Stand::NotYet(QuietReason::SwitchedOff) };
        if let Some(since) = self.closed_since {
            return Stand::Past(SkipReason::WindowClosed { since });
        }
        if let Some(report) = self.seen_open.first() {
            return Stand::Past(SkipReason::WindowOpen { since: report.observed_on });
        }
        if let Some(Reached { on, on_real_days, .. }) = opens.reached {
            let of_use_to = days_after(on, policy.useful_days.inspect_now);
            return if on_real_days && self.facts.outlook.trust == RecordTrust::Sound {
                Stand::Past(SkipReason::WindowOpen { since: on })
            } else if of_use_to < self.today {
                Stand::Past(SkipReason::PastUse { until: of_use_to })
            } else {
                // Better data may take such a crossing back.
                Stand::NotYet(QuietReason::MayBeOpen { since: on })
            };
        }
        let within_days = policy.get_ready_days;
        let chance = opens.chance_by(days_after(self.today, within_days));
        let median = opens.spread.median.map(|median| (median, days_between(self.today, median)));
        let reason = match median {
            Some((median, days)) if days <= i64::from(within_days) => Reason::OpeningNear { median, days },
            _ if chance >= policy.get_ready_chance && chance > 0.0 => Reason::OpeningLikely { chance, within_days },
            _ => return Stand::NotYet(QuietReason::OpeningFar { median: opens.spread.median }),
        };
        self.in_place(NoticeKind::GetReady, reason, self.untrusted(), self.today)
    }

    pub(super) fn inspect_now(&self) -> Stand {
        let Some(opens) = self.opens else { return Stand::NotYet(QuietReason::SwitchedOff) };
        if let Some(since) = self.closed_since {
            return Stand::Past(SkipReason::WindowClosed { since });
        }
        let kind = NoticeKind::InspectNow;
        let crossed = opens
            .reached
            .filter(|reached| reached.by == ReachedBy::Model)
            .map(|reached| (reached.on, Reason::Crossed { on: reached.on }, self.approval_for_model(opens)));
        let seen = self.seen_open.first().and_then(|report| {
            let reason =
                Reason::Seen { report: report.id.clone(), stage: report.stage.clone()?, on: report.observed_on };
            Some((report.observed_on, reason, None))
        });
        // What needs no approval comes before what does; then the earlier day.
        if let Some((on, reason, approval)) =
            crossed.into_iter().chain(seen).min_by_key(|(on, _, approval)| (approval.is_some(), *on))
        {
            return self.in_place(kind, reason, approval, on);
        }
        let chance = opens.chance_by(self.today);
        if chance > 0.0 && chance >= self.policy.inspect_chance {
            return self.in_place(kind, Reason::BegunLikely { chance }, self.approval_for_model(opens), self.today);
        }
        Stand::NotYet(QuietReason::NotBegun { chance })
    }

    pub(super) fn last_days(&self, done: &[Verdict]) -> Stand {
        let Some(closes) = self.closes else { return Stand::NotYet(QuietReason::SwitchedOff) };
        if let Some(since) = self.closed_since {
            return Stand::Past(SkipReason::WindowClosed { since });
        }
        let skipped_now = done
            .iter()
            .any(|verdict| verdict.kind == NoticeKind::InspectNow && matches!(verdict.answer, Answer::Skip { .. }));
        match self.standing(NoticeKind::InspectNow) {
            _ if skipped_now => return Stand::Past(SkipReason::InspectNeverSent),
            Some(Standing::Released { on }) if *on < self.today => {}
            Some(Standing::Skipped | Standing::Cancelled) => return Stand::Past(SkipReason::InspectNeverSent),
            _ => return Stand::NotYet(QuietReason::InspectNotSentBefore),
        }
        match closes.spread.median {
            Some(median) if days_between(self.today, median) <= i64::from(self.policy.last_days) => {
                let reason = Reason::CloseNear { median, days: days_between(self.today, median) };
                self.in_place(NoticeKind::LastDaysToWash, reason, self.untrusted(), self.today)
            }
            median => Stand::NotYet(QuietReason::CloseFar { median }),
        }
    }

    pub(super) fn too_late(&self) -> Stand {
        let Some(closes) = self.closes else { return Stand::NotYet(QuietReason::SwitchedOff) };
        if !self.policy.too_late_on {
            return Stand::NotYet(QuietReason::SwitchedOff);
        }
        let Some(since) = self.closed_since else {
            return Stand::NotYet(QuietReason::NotClosed { chance: closes.chance_by(self.today) });
        };
        let seen =
            self.seen_from(&self.facts.profile.window.closes).first().is_some_and(|seen| seen.observed_on == since);
        let approval = if seen { None } else { self.approval_for_model(closes) };
        self.in_place(NoticeKind::TooLateToWash, Reason::Closed { since }, approval, since)
    }

    /// In place since `event`, unless its use has ended.
    fn in_place(&self, kind: NoticeKind, reason: Reason, approval: Option<ApprovalNeeded>, event: NaiveDate) -> Stand {
        let mut until = days_after(event, self.policy.useful_days.of(kind));
        if until < self.today {
            return Stand::Past(SkipReason::PastUse { until });
        }
        if kind != NoticeKind::TooLateToWash
            && let Some(late) = self.closes.and_then(|closes| closes.spread.late)
        {
            // The window will have closed by then; it has not yet, or this notice would be past.
            until = until.min(late.max(self.today));
        }
        let approval_needed = match self.facts.release {
            Release::WhenConfirmed => Some(ApprovalNeeded::ByPolicy),
            _ => approval,
        };
        Stand::In { reason, approval_needed, expires_on: until }
    }

    fn untrusted(&self) -> Option<ApprovalNeeded> {
        match &self.facts.outlook.trust {
            RecordTrust::Sound => None,
            record => Some(ApprovalNeeded::Untrusted { record: record.clone() }),
        }
    }

    /// What the model says of a stage being here leaves unasked only on a record to be trusted and on real days.
    ///
    /// Of a stage not on the record yet that asks for a sum that ends on an observed day, and to which filled days
    /// brought no more than the policy lets pass: with more heat this becomes [`Reached::on_real_days`].
    fn approval_for_model(&self, stage: &StageOutlook) -> Option<ApprovalNeeded> {
        let outlook = self.facts.outlook;
        let real = stage.reached.map_or_else(
            || {
                let filled = outlook.heat_sum - outlook.observed_sum;
                let allowance = self.policy.filled_share_limit;
                outlook.last_day == outlook.newest_real_day
                    && stage.at_sum.is_none_or(|at_sum| filled <= allowance * at_sum + 1e-9)
            },
            |reached| reached.on_real_days,
        );
        self.untrusted().or((!real).then_some(ApprovalNeeded::NotOnRealDays))
    }
}
