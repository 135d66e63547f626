//! The decision: what a region is told today, and why; silence has its reason too.
//!
//! [`decide`] is a pure function of plain facts. Its answers are carried out by others and come back as [`DecidedNotice`]: deciding
//! again over the same facts then changes nothing.
//!
//! The notices stand in an order. Each goes out once a season and region at most; once a later one has gone out,
//! an earlier one is of no use. Only the one on a moved deadline stands beside the others. The newest knowledge decides: an event that an outage hid is found in the outlook of
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
pub use super::verdict::{
    Answer, ApprovalNeeded, Decision, MovedBy, QuietReason, Reason, Remark, SkipReason, Terms, Verdict,
};
use super::window::{ToldDays, WindowDays};
use super::{FieldReport, NoticeKind, Outlook, Policy, StageId, StageOutlook, days_after};
use crate::region::Release;
pub use decided::{DecidedNotice, Standing, carried_out, told_days};

/// All that a decision rests on.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    pub profile: &'a Profile,
    pub policy: &'a Policy,
    /// How the region wants its notices to leave.
    pub release: Release,
    /// The newest outlook. One made for an earlier day than `today` (a day caught up after downtime) announces nothing.
    pub outlook: &'a Outlook,
    /// From the same outlook.
    pub days: WindowDays,
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
    /// The same of the hatch.
    seen_hatch: Vec<&'a FieldReport>,
    days: WindowDays,
    /// As the facts alone have them, whatever people were told.
    by_facts: WindowDays,
    /// The first day on which washing is not advised any more, once it has come.
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
            seen_hatch: Vec::new(),
            days: facts.days,
            by_facts: WindowDays::of(facts.profile, facts.policy, facts.outlook, ToldDays::default()),
            closed_since: (facts.today > facts.days.deadline).then(|| days_after(facts.days.deadline, 1)),
        };
        view.seen_open = view.seen_from(&window.opens);
        view.seen_hatch = view.seen_from(&window.closes);
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

    /// Whether as many trees were seen with hatched eggs as the policy asks for: reports of one tree count once.
    fn hatch_is_seen(&self) -> bool {
        let mut trees: Vec<&str> = self.seen_hatch.iter().map(|report| report.tree_key()).collect();
        trees.sort_unstable();
        trees.dedup();
        !trees.is_empty() && trees.len() >= self.policy.hatch_reports as usize
    }

    /// Whether it is time to look, or people were told so.
    fn has_begun(&self) -> bool {
        self.today >= self.days.look_from
    }

    fn standing(&self, kind: NoticeKind) -> Option<&'a Standing> {
        self.facts.told.iter().find(|told| told.kind == kind).map(|told| &told.standing)
    }
}
