//! The decision: what a region is told today, and why; silence has its reason too.
//!
//! [`decide`] is a pure function of plain facts. Its answers are carried out by others and come back as [`DecidedNotice`]: deciding
//! again over the same facts then changes nothing.
//!
//! The four notices stand in an order. Each goes out once a season and region at most; once a later one has gone out,
//! an earlier one is of no use. The newest knowledge decides: an event that an outage hid is found in the outlook of
//! the day after, with the day on which it came.

// When each notice is due: the rule for "inspect now" is here.
mod rules;
// What is done about a due notice: send, wait, ask, skip.
mod answers;
// What was decided before, and what follows from it.
mod decided;
// What staff should know beside the notices.
mod remarks;

use chrono::NaiveDate;

use super::profile::Profile;
pub use super::verdict::{Answer, ApprovalNeeded, Decision, QuietReason, Reason, Remark, SkipReason, Terms, Verdict};
use super::{FieldReport, NoticeKind, Outlook, Policy, RecordTrust, StageId, StageOutlook};
use crate::region::Release;
pub use decided::{DecidedNotice, Standing, carried_out};

/// All that a decision rests on.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    pub profile: &'a Profile,
    pub policy: &'a Policy,
    /// How the region wants its notices to leave.
    pub release: Release,
    /// The newest outlook. One made for an earlier day than `today` (a day caught up after downtime) announces nothing.
    pub outlook: &'a Outlook,
    /// What was decided this season, at most one entry a kind.
    pub told: &'a [DecidedNotice],
    /// Of any region and season, without those that staff refused.
    pub reports: &'a [FieldReport],
    /// The region's local day.
    pub today: NaiveDate,
}

/// What the region is told today.
pub fn decide(facts: &Facts<'_>) -> Decision {
    let view = View::of(facts);
    let (verdicts, remarks) = match view.barred() {
        Some(bar) => (NoticeKind::ALL.map(|kind| view.barred_answer(kind, &bar)).to_vec(), Vec::new()),
        None => (view.answers(), view.remarks()),
    };
    Decision { verdicts, remarks }
}

/// The facts with what follows from them at once.
struct View<'a> {
    facts: &'a Facts<'a>,
    today: NaiveDate,
    policy: &'a Policy,
    opens: Option<&'a StageOutlook>,
    closes: Option<&'a StageOutlook>,
    /// Confirmed reports of this region and season that show the window open, earliest first.
    seen_open: Vec<&'a FieldReport>,
    /// The first day on which the window counts as closed, if it does.
    closed_since: Option<NaiveDate>,
}

impl<'a> View<'a> {
    fn of(facts: &'a Facts<'a>) -> Self {
        let window = &facts.profile.window;
        let mut view = Self {
            facts,
            today: facts.today,
            policy: facts.policy,
            opens: facts.outlook.stage(&window.opens),
            closes: facts.outlook.stage(&window.closes),
            seen_open: Vec::new(),
            closed_since: None,
        };
        view.seen_open = view.seen_from(&window.opens);
        view.closed_since = view.closed_since();
        view
    }

    /// Confirmed reports of a stage or of one that stands after it in the profile, earliest first.
    fn seen_from(&self, stage: &StageId) -> Vec<&'a FieldReport> {
        let profile = self.facts.profile;
        let Some(least) = profile.rank(stage) else { return Vec::new() };
        let shows = |report: &FieldReport| {
            report.stage.as_ref().and_then(|stage| profile.rank(stage)).is_some_and(|rank| rank >= least)
        };
        let mut reports: Vec<_> =
            self.own_reports().filter(|report| report.confirmed && self.in_season(report) && shows(report)).collect();
        reports.sort_by_key(|report| report.observed_on);
        reports
    }

    fn own_reports(&self) -> impl Iterator<Item = &'a FieldReport> + use<'a> {
        let region = &self.facts.outlook.season.region;
        self.facts.reports.iter().filter(move |report| report.region == *region)
    }

    fn in_season(&self, report: &FieldReport) -> bool {
        let first = self.facts.profile.first_day(self.facts.outlook.season.year);
        (first..=self.today).contains(&report.observed_on)
    }

    /// Earliest of: reached by the model, seen by a person, likely enough by the policy's measure.
    fn closed_since(&self) -> Option<NaiveDate> {
        let closes = self.closes?;
        let reached = closes.reached.map(|reached| reached.on);
        let seen = self.seen_from(&self.facts.profile.window.closes).first().map(|report| report.observed_on);
        // The chance counts for something only where there are years enough of the place itself to have one.
        let likely = match self.facts.outlook.trust {
            RecordTrust::TooFewYears { .. } | RecordTrust::BorrowedYears { .. } => None,
            _ => day_of_chance(closes, self.policy.too_late_chance),
        };
        [reached, seen, likely].into_iter().flatten().filter(|day| *day <= self.today).min()
    }

    fn standing(&self, kind: NoticeKind) -> Option<&'a Standing> {
        self.facts.told.iter().find(|told| told.kind == kind).map(|told| &told.standing)
    }
}

/// The first day by which at least this share of the futures has the stage.
fn day_of_chance(stage: &StageOutlook, share: f64) -> Option<NaiveDate> {
    let all = stage.dates.len() + stage.not_reached as usize;
    let place = (share.clamp(0.0, 1.0) * all as f64 - 1e-9).ceil().max(1.0) as usize;
    stage.dates.get(place - 1).copied()
}
