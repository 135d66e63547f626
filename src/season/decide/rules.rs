//! What the facts say of each notice, before what was told.

use chrono::NaiveDate;

use super::{Answer, ApprovalNeeded, MovedBy, QuietReason, Reason, SkipReason, Standing, Verdict, View};
use crate::region::Release;
use crate::season::window::DeadlineRule;
use crate::season::{FieldReport, NoticeKind, RecordTrust, StageOutlook, days_after, days_before, days_between};

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
        if self.has_begun() {
            let since = self.days.look_from;
            let of_use_to = days_after(since, policy.useful_days.inspect_now);
            return if self.approval_for_model(opens).is_none() {
                Stand::Past(SkipReason::WindowOpen { since })
            } else if of_use_to < self.today {
                Stand::Past(SkipReason::PastUse { until: of_use_to })
            } else {
                // Better data may take such a day back.
                Stand::NotYet(QuietReason::MayBeOpen { since })
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
        self.of_use_from(NoticeKind::GetReady, reason, self.untrusted(), self.today)
    }

    /// Its words are "look, and do not wash yet": of no use any more once the best days have begun.
    pub(super) fn inspect_now(&self) -> Stand {
        let Some(opens) = self.opens else { return Stand::NotYet(QuietReason::SwitchedOff) };
        if let Some(since) = self.closed_since {
            return Stand::Past(SkipReason::WindowClosed { since });
        }
        // The days rest on what was seen too. Where they do not know of it yet, the washing would follow on the same day.
        if !self.has_begun() {
            return Stand::NotYet(QuietReason::NotBegun { chance: opens.chance_by(self.today) });
        }
        let (reason, approval, since) = match self.seen_open.first() {
            // What a person saw needs no approval, but for a region that tells nothing unconfirmed.
            Some(FieldReport { id, stage: Some(stage), observed_on: on, .. }) => {
                (Reason::Seen { report: id.clone(), stage: stage.clone(), on: *on }, None, *on)
            }
            _ => {
                let reason = match opens.reached {
                    Some(reached) => Reason::Crossed { on: reached.on },
                    None => Reason::BegunLikely { chance: opens.chance_by(self.today) },
                };
                (reason, self.approval_for_model(opens), self.days.look_from)
            }
        };
        let mut until = days_after(since, self.policy.useful_days.inspect_now);
        if let Some(best) = self.days.best {
            until = until.min(days_before(best.first, 1));
        }
        self.in_place(reason, approval, until)
    }

    pub(super) fn wash_now(&self) -> Stand {
        let Some(opens) = self.opens else { return Stand::NotYet(QuietReason::SwitchedOff) };
        let Some(best) = self.days.best else { return Stand::NotYet(QuietReason::NoBestDays) };
        if let Some(since) = self.closed_since {
            return Stand::Past(SkipReason::WindowClosed { since });
        }
        if !self.has_begun() {
            return Stand::NotYet(QuietReason::NotBegun { chance: opens.chance_by(self.today) });
        }
        if best.first > self.today {
            return Stand::NotYet(QuietReason::BestDaysLater { first: best.first });
        }
        let reason = Reason::BestDays { first: best.first, last: best.last };
        // Who hears of it late still has the days before the last ones.
        let until = days_after(best.first, self.policy.useful_days.wash_now).max(days_before(self.days.last_from, 1));
        self.in_place(reason, self.approval_for_model(opens), until)
    }

    /// `done`: what was found of the other notices that tell a deadline.
    pub(super) fn deadline_moved(&self, done: &[Verdict]) -> Stand {
        let kind = NoticeKind::DeadlineMoved;
        let waits = matches!(self.standing(kind), Some(Standing::Waiting { .. } | Standing::Held));
        if let Some(since) = self.closed_since.filter(|_| waits) {
            return Stand::Past(SkipReason::WindowClosed { since });
        }
        let Some(was) = self.days.was.filter(|_| self.closed_since.is_none()) else {
            // New data may move it back while its notice waits.
            return if waits {
                Stand::Past(SkipReason::DeadlineStands)
            } else {
                Stand::NotYet(QuietReason::DeadlineStands)
            };
        };
        let to = self.days.deadline;
        let tells_today = |verdict: &&Verdict| matches!(&verdict.answer, Answer::Announce(terms) | Answer::Free(terms) if terms.deadline.is_some());
        if let Some(other) = done.iter().find(tells_today) {
            let goes = matches!(&other.answer, Answer::Announce(terms) | Answer::Free(terms) if terms.approval_needed.is_none());
            return if waits && goes {
                Stand::Past(SkipReason::Overtaken { by: other.kind })
            } else {
                Stand::NotYet(QuietReason::ToldWith { kind: other.kind })
            };
        }
        let tells_soon = self.facts.told.iter().find(|told| {
            let near = |day| days_between(day, to).unsigned_abs() <= u64::from(self.policy.deadline_moves_days);
            let in_hand = matches!(told.standing, Standing::Waiting { .. } | Standing::Held);
            let lapses = done.iter().any(|of| of.kind == told.kind && matches!(of.answer, Answer::Skip { .. }));
            told.kind != kind && in_hand && !lapses && told.deadline.is_some_and(near)
        });
        if let Some(other) = tells_soon {
            return Stand::NotYet(QuietReason::ToldWith { kind: other.kind });
        }
        let reason = Reason::Moved { from: was, to, by: self.moved_by(was, to) };
        self.of_use_from(kind, reason, self.untrusted(), self.today)
    }

    /// Reports where they account for at least half of the move, by what they have taught since the deadline was told, or where
    /// somebody has seen a stage here since; else the weather.
    fn moved_by(&self, was: NaiveDate, to: NaiveDate) -> MovedBy {
        let told = self.facts.told.iter().filter_map(|told| match told.standing {
            Standing::Released { on } => told.deadline.map(|_| (on, told.learned_days)),
            _ => None,
        });
        let told = told.max_by_key(|(on, _)| *on);
        let moved = days_between(was, to);
        let explains = match self.facts.outlook.learned {
            Some(note) => {
                let taught = note.moved_days - told.and_then(|told| told.1).unwrap_or(0);
                taught.signum() == moved.signum() && taught.abs() * 2 >= moved.abs()
            }
            // Nobody says by how much they moved dates: then one that teaches and came since is held to have done it.
            None => self.facts.reports.iter().any(|report| {
                let teaches = report.stage.is_some() || (report.not_yet.is_some() && report.infested == Some(true));
                let here = report.region == self.facts.outlook.season.region;
                report.confirmed
                    && self.in_season(report)
                    && teaches
                    && (here || self.facts.profile.has_belief())
                    && Some(report.observed_on) >= told.map(|told| told.0)
            }),
        };
        let seen_here = self.facts.reports.iter().any(|report| {
            report.confirmed
                && self.in_season(report)
                && report.stage.is_some()
                && report.region == self.facts.outlook.season.region
                && Some(report.observed_on) >= told.map(|told| told.0)
        });
        match was < to {
            _ if explains || seen_here || self.days.rule == DeadlineRule::HatchSeen => MovedBy::Reports,
            true => MovedBy::CoolWeather,
            false => MovedBy::WarmWeather,
        }
    }

    /// It stands for itself: who was told neither to look nor to wash, since the region was set up late or a word was not
    /// given, is told that these are the last days. But never on the day of another notice, nor past what staff hold back.
    pub(super) fn last_days(&self) -> Stand {
        let Some(opens) = self.opens else { return Stand::NotYet(QuietReason::SwitchedOff) };
        if let Some(since) = self.closed_since {
            return Stand::Past(SkipReason::WindowClosed { since });
        }
        let before = [NoticeKind::InspectNow, NoticeKind::WashNow].map(|kind| self.standing(kind));
        let told_on = before.into_iter().flatten().filter_map(|standing| match standing {
            Standing::Released { on } => Some(*on),
            _ => None,
        });
        let told_on = told_on.max();
        if told_on.is_some_and(|on| on >= self.today) {
            return Stand::NotYet(QuietReason::InspectNotSentBefore);
        }
        if told_on.is_none() {
            // What is held and of no use any more lapses with this decision, as does what this one overtakes while it waits for its
            // hour; neither holds anything back.
            let overtakes =
                self.standing(NoticeKind::LastDaysToWash) == Some(&Standing::Waiting { approval_needed: None });
            let held = |kind, stand| {
                !overtakes && self.standing(kind) == Some(&Standing::Held) && !matches!(stand, Stand::Past(_))
            };
            if held(NoticeKind::InspectNow, self.inspect_now()) || held(NoticeKind::WashNow, self.wash_now()) {
                return Stand::NotYet(QuietReason::InspectNotSentBefore);
            }
            let [inspect, wash] = before;
            let asked = if self.days.best.is_some() { wash } else { inspect };
            if asked == Some(&Standing::Cancelled) {
                return Stand::Past(SkipReason::InspectNeverSent);
            }
        }
        if !self.has_begun() {
            return Stand::NotYet(QuietReason::NotBegun { chance: opens.chance_by(self.today) });
        }
        let kind = NoticeKind::LastDaysToWash;
        if self.hatch_is_seen()
            && let Some(report) = self.seen_hatch.first()
            && let Some(stage) = report.stage.clone()
        {
            let reason = Reason::Seen { report: report.id.clone(), stage, on: report.observed_on };
            return self.of_use_from(kind, reason, None, self.today);
        }
        if self.today < self.days.last_from {
            return Stand::NotYet(QuietReason::DeadlineFar { last_from: self.days.last_from });
        }
        let (deadline, days) = (self.days.deadline, days_between(self.today, self.days.deadline));
        let approval = match told_on {
            None if self.seen_open.is_empty() => self.approval_for_model(opens),
            _ => self.untrusted(),
        };
        self.of_use_from(kind, Reason::DeadlineNear { deadline, days }, approval, self.today)
    }

    pub(super) fn too_late(&self) -> Stand {
        let Some(closes) = self.closes else { return Stand::NotYet(QuietReason::SwitchedOff) };
        if !self.policy.too_late_on {
            return Stand::NotYet(QuietReason::SwitchedOff);
        }
        let Some(since) = self.closed_since else {
            return Stand::NotYet(QuietReason::DeadlineAhead { deadline: self.days.deadline });
        };
        let chance = closes.chance_by(self.today);
        if chance < self.policy.too_late_chance {
            return Stand::NotYet(QuietReason::NotClosed { chance });
        }
        let event = closes.day_of_chance(self.policy.too_late_chance).unwrap_or(since).max(since).min(self.today);
        // While it waits it is of use from the day on which it was decided.
        let decided = self.facts.told.iter().find(|told| told.kind == NoticeKind::TooLateToWash);
        let event = decided.map_or(event, |decided| event.max(decided.decided_on.min(self.today)));
        let approval = if closes.seen() { None } else { self.approval_for_model(closes) };
        self.of_use_from(NoticeKind::TooLateToWash, Reason::Closed { since: event }, approval, event)
    }

    /// In place for as many days after `event` as the policy has for the kind.
    fn of_use_from(
        &self,
        kind: NoticeKind,
        reason: Reason,
        approval: Option<ApprovalNeeded>,
        event: NaiveDate,
    ) -> Stand {
        self.in_place(reason, approval, days_after(event, self.policy.useful_days.of(kind)))
    }

    /// In place, unless its use has ended; none but too late is of use after the deadline.
    fn in_place(&self, reason: Reason, approval: Option<ApprovalNeeded>, until: NaiveDate) -> Stand {
        if until < self.today {
            return Stand::Past(SkipReason::PastUse { until });
        }
        let expires_on = match reason {
            Reason::Closed { .. } => until,
            _ => until.min(self.days.deadline.max(self.today)),
        };
        let approval_needed = match self.facts.release {
            Release::WhenConfirmed => Some(ApprovalNeeded::ByPolicy),
            _ => approval,
        };
        Stand::In { reason, approval_needed, expires_on }
    }

    /// The last day to wash that a notice of this kind tells.
    pub(super) fn told_deadline(&self, kind: NoticeKind) -> Option<NaiveDate> {
        let tells = match kind {
            NoticeKind::WashNow | NoticeKind::DeadlineMoved | NoticeKind::LastDaysToWash => true,
            // Without best days it is the one that tells how and until when to wash.
            NoticeKind::InspectNow => self.days.best.is_none(),
            NoticeKind::GetReady | NoticeKind::TooLateToWash => false,
        };
        // Where egg laying is not likely this season the days lie behind it: nothing to tell.
        let last_day = self.facts.profile.last_day(self.facts.outlook.season.year);
        tells.then_some(self.days.deadline).filter(|deadline| *deadline <= last_day)
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
    /// brought no more than the policy lets pass: with more heat this becomes
    /// [`on_real_days`](crate::season::Reached::on_real_days).
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
