//! The decision: what a region is told today, and why; silence has its reason too.
//!
//! [`decide`] is a pure function of plain facts. Its answers are carried out by others and come back as [`Told`]: deciding
//! again over the same facts then changes nothing.
//!
//! The four notices stand in an order. Each goes out once a season and region at most; once a later one has gone out,
//! an earlier one is of no use. The newest knowledge decides: an event that an outage hid is found in the outlook of
//! the day after, with the day on which it came.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::profile::Profile;
pub use super::verdict::{Answer, Decision, Ground, QuietReason, Remark, SkipReason, Terms, Verdict, WordNeeded};
use super::{
    FieldReport, NoticeKind, NoticeStatus, Outlook, Policy, Reached, ReachedBy, RecordTrust, StageId, StageOutlook,
    days_after, days_between,
};
use crate::region::Release;

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
    pub told: &'a [Told],
    /// Of any region and season, without those that staff refused.
    pub reports: &'a [FieldReport],
    /// The region's local day.
    pub today: NaiveDate,
}

/// A notice decided before.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Told {
    pub kind: NoticeKind,
    pub decided_on: NaiveDate,
    pub standing: Standing,
}

/// Where it stands, with what belongs to that.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "standing")]
pub enum Standing {
    /// Not gone yet: for its hour when `word_needed` is `None`, else until staff confirm it.
    Waiting {
        word_needed: Option<WordNeeded>,
    },
    Held,
    Released {
        on: NaiveDate,
    },
    Skipped,
    Cancelled,
}

impl Standing {
    pub fn status(&self) -> NoticeStatus {
        match self {
            Standing::Waiting { .. } => NoticeStatus::Waiting,
            Standing::Held => NoticeStatus::Held,
            Standing::Released { .. } => NoticeStatus::Released,
            Standing::Skipped => NoticeStatus::Skipped,
            Standing::Cancelled => NoticeStatus::Cancelled,
        }
    }
}

/// What was told once a decision is carried out: the contract between [`decide`] and those who carry it out.
///
/// A notice that leaves at once is released on the day; one that may be held waits for its hour.
pub fn carried_out(told: &[Told], decision: &Decision, today: NaiveDate) -> Vec<Told> {
    let mut after = told.to_vec();
    for Verdict { kind, answer } in &decision.verdicts {
        let standing = match answer {
            Answer::Announce(terms) | Answer::Free(terms) => match (&terms.word_needed, terms.release) {
                (None, Release::AtOnce) => Standing::Released { on: today },
                (None, _) => Standing::Waiting { word_needed: None },
                (Some(word), _) => Standing::Waiting { word_needed: Some(word.clone()) },
            },
            Answer::AskFirst { word_needed } => Standing::Waiting { word_needed: Some(word_needed.clone()) },
            Answer::Skip { .. } => Standing::Skipped,
            Answer::Quiet { .. } => continue,
        };
        match after.iter_mut().find(|told| told.kind == *kind) {
            Some(told) => told.standing = standing,
            None => after.push(Told { kind: *kind, decided_on: today, standing }),
        }
    }
    after
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

/// What the facts say of one kind, before what was told.
enum Stand {
    In { reason: Ground, word_needed: Option<WordNeeded>, expires_on: NaiveDate },
    NotYet(QuietReason),
    Past(SkipReason),
}

/// Why nothing at all is decided.
enum Bar {
    Quiet(QuietReason),
    SeasonOver(NaiveDate),
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

    fn barred(&self) -> Option<Bar> {
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

    fn barred_answer(&self, kind: NoticeKind, bar: &Bar) -> Verdict {
        let answer = match (bar, self.standing(kind)) {
            (Bar::SeasonOver(ended), Some(Standing::Waiting { .. } | Standing::Held)) => {
                Answer::Skip { reason: SkipReason::SeasonOver { ended: *ended } }
            }
            (Bar::SeasonOver(ended), _) => Answer::Quiet { reason: QuietReason::SeasonOver { ended: *ended } },
            (Bar::Quiet(reason), _) => Answer::Quiet { reason: reason.clone() },
        };
        Verdict { kind, answer }
    }

    /// From the last kind to the first, since a later one overtakes an earlier; only last days looks the other way, and
    /// so stands after inspect now.
    fn answers(&self) -> Vec<Verdict> {
        use NoticeKind::{GetReady, InspectNow, LastDaysToWash, TooLateToWash};
        let mut done: Vec<Verdict> = Vec::with_capacity(NoticeKind::ALL.len());
        for kind in [TooLateToWash, InspectNow, LastDaysToWash, GetReady] {
            let stand = match kind {
                GetReady => self.get_ready(),
                InspectNow => self.inspect_now(),
                LastDaysToWash => self.last_days(&done),
                TooLateToWash => self.too_late(),
            };
            done.push(Verdict { kind, answer: self.answer(kind, stand, &done) });
        }
        done.sort_by_key(|verdict| verdict.kind);
        done
    }

    fn get_ready(&self) -> Stand {
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
            Some((median, days)) if days <= i64::from(within_days) => Ground::OpeningNear { median, days },
            _ if chance >= policy.get_ready_chance && chance > 0.0 => Ground::OpeningLikely { chance, within_days },
            _ => return Stand::NotYet(QuietReason::OpeningFar { median: opens.spread.median }),
        };
        self.in_place(NoticeKind::GetReady, reason, self.untrusted(), self.today)
    }

    fn inspect_now(&self) -> Stand {
        let Some(opens) = self.opens else { return Stand::NotYet(QuietReason::SwitchedOff) };
        if let Some(since) = self.closed_since {
            return Stand::Past(SkipReason::WindowClosed { since });
        }
        let kind = NoticeKind::InspectNow;
        let crossed = opens
            .reached
            .filter(|reached| reached.by == ReachedBy::Model)
            .map(|reached| (reached.on, Ground::Crossed { on: reached.on }, self.word_for_model(opens)));
        let seen = self.seen_open.first().and_then(|report| {
            let reason =
                Ground::Seen { report: report.id.clone(), stage: report.stage.clone()?, on: report.observed_on };
            Some((report.observed_on, reason, None))
        });
        // What needs no word comes before what does; then the earlier day.
        if let Some((on, reason, word)) =
            crossed.into_iter().chain(seen).min_by_key(|(on, _, word)| (word.is_some(), *on))
        {
            return self.in_place(kind, reason, word, on);
        }
        let chance = opens.chance_by(self.today);
        if chance > 0.0 && chance >= self.policy.inspect_chance {
            return self.in_place(kind, Ground::BegunLikely { chance }, self.word_for_model(opens), self.today);
        }
        Stand::NotYet(QuietReason::NotBegun { chance })
    }

    fn last_days(&self, done: &[Verdict]) -> Stand {
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
                let reason = Ground::CloseNear { median, days: days_between(self.today, median) };
                self.in_place(NoticeKind::LastDaysToWash, reason, self.untrusted(), self.today)
            }
            median => Stand::NotYet(QuietReason::CloseFar { median }),
        }
    }

    fn too_late(&self) -> Stand {
        let Some(closes) = self.closes else { return Stand::NotYet(QuietReason::SwitchedOff) };
        if !self.policy.too_late_on {
            return Stand::NotYet(QuietReason::SwitchedOff);
        }
        let Some(since) = self.closed_since else {
            return Stand::NotYet(QuietReason::NotClosed { chance: closes.chance_by(self.today) });
        };
        let seen =
            self.seen_from(&self.facts.profile.window.closes).first().is_some_and(|seen| seen.observed_on == since);
        let word = if seen { None } else { self.word_for_model(closes) };
        self.in_place(NoticeKind::TooLateToWash, Ground::Closed { since }, word, since)
    }

    /// In place since `event`, unless its use has ended.
    fn in_place(&self, kind: NoticeKind, reason: Ground, word: Option<WordNeeded>, event: NaiveDate) -> Stand {
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
        let word_needed = match self.facts.release {
            Release::WhenConfirmed => Some(WordNeeded::ByPolicy),
            _ => word,
        };
        Stand::In { reason, word_needed, expires_on: until }
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
            let mut kinds = NoticeKind::ALL.into_iter().filter(|later| *later > kind);
            kinds.find(|later| self.going(*later, done) == Some(going))
        };
        if let Stand::Past(reason) = stand {
            return skip(reason);
        }
        if let Some(by) = later(Going::Out) {
            return skip(SkipReason::Overtaken { by });
        }
        match (standing, stand) {
            (Some(Standing::Held), _) => quiet(QuietReason::HeldByStaff),
            (Some(Standing::Waiting { word_needed: None }), stand) => self.waiting_for_hour(kind, stand),
            (Some(Standing::Waiting { word_needed: Some(word) }), stand) => self.waiting_for_word(word, stand),
            (_, Stand::In { reason, word_needed, expires_on }) => match later(Going::Waits) {
                // One question at a time; what needs no word goes out, though a later one waits for its own.
                Some(later) if word_needed.is_some() => quiet(QuietReason::LaterWaits { later }),
                _ => Answer::Announce(self.terms(reason, word_needed, expires_on)),
            },
            (_, Stand::NotYet(reason)) => quiet(reason),
            (_, Stand::Past(reason)) => skip(reason),
        }
    }

    /// The hours in which staff may hold it are there to catch this too.
    fn waiting_for_hour(&self, kind: NoticeKind, stand: Stand) -> Answer {
        let word_needed = match stand {
            Stand::In { word_needed, .. } => word_needed,
            _ => self.early(kind, self.today).map(|early| WordNeeded::NowTooEarly { expected: early.expected }),
        };
        word_needed
            .map_or(Answer::Quiet { reason: QuietReason::WaitsForHour }, |word_needed| Answer::AskFirst { word_needed })
    }

    fn waiting_for_word(&self, word: &WordNeeded, stand: Stand) -> Answer {
        match stand {
            // Staff who asked to be asked are asked, also if they have changed the policy since.
            Stand::In { reason, word_needed: None, expires_on } if *word != WordNeeded::ByPolicy => {
                Answer::Free(self.terms(reason, None, expires_on))
            }
            Stand::In { word_needed: Some(word_needed), .. } => {
                Answer::Quiet { reason: QuietReason::WaitsForWord { word_needed } }
            }
            _ => Answer::Quiet { reason: QuietReason::WaitsForWord { word_needed: word.clone() } },
        }
    }

    fn terms(&self, reason: Ground, word_needed: Option<WordNeeded>, expires_on: NaiveDate) -> Terms {
        let release = if word_needed.is_some() { Release::WhenConfirmed } else { self.facts.release };
        Terms { reason, release, word_needed, expires_on }
    }

    fn standing(&self, kind: NoticeKind) -> Option<&'a Standing> {
        self.facts.told.iter().find(|told| told.kind == kind).map(|told| &told.standing)
    }

    /// Where a notice stands once the answers found so far are carried out; `None` when it does not go out.
    fn going(&self, kind: NoticeKind, done: &[Verdict]) -> Option<Going> {
        match done.iter().find(|verdict| verdict.kind == kind).map(|verdict| &verdict.answer) {
            Some(Answer::Announce(terms) | Answer::Free(terms)) if terms.word_needed.is_none() => Some(Going::Out),
            Some(Answer::Announce(_) | Answer::Free(_) | Answer::AskFirst { .. }) => Some(Going::Waits),
            Some(Answer::Skip { .. }) => None,
            Some(Answer::Quiet { .. }) | None => match self.standing(kind)? {
                Standing::Released { .. } | Standing::Waiting { word_needed: None } => Some(Going::Out),
                Standing::Held | Standing::Waiting { word_needed: Some(_) } => Some(Going::Waits),
                Standing::Skipped | Standing::Cancelled => None,
            },
        }
    }

    fn untrusted(&self) -> Option<WordNeeded> {
        match &self.facts.outlook.trust {
            RecordTrust::Sound => None,
            record => Some(WordNeeded::Untrusted { record: record.clone() }),
        }
    }

    /// What the model says of a stage being here leaves unasked only on a record to be trusted and on real days.
    ///
    /// Of a stage not on the record yet that asks for a sum that ends on an observed day, and to which filled days
    /// brought no more than the policy lets pass: with more heat this becomes [`Reached::on_real_days`].
    fn word_for_model(&self, stage: &StageOutlook) -> Option<WordNeeded> {
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
        self.untrusted().or((!real).then_some(WordNeeded::NotOnRealDays))
    }

    /// Whether a notice that goes out on `on` is early by more than the policy lets pass, as far as is known today.
    fn early(&self, kind: NoticeKind, on: NaiveDate) -> Option<Early> {
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

    fn remarks(&self) -> Vec<Remark> {
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
}

/// A notice that goes out by itself or has gone out, or one that a person must still let go.
#[derive(Clone, Copy, PartialEq)]
enum Going {
    Out,
    Waits,
}

struct Early {
    expected: Option<NaiveDate>,
    /// Beyond what the policy looks ahead.
    days: Option<i64>,
}

/// The first day by which at least this share of the futures has the stage.
fn day_of_chance(stage: &StageOutlook, share: f64) -> Option<NaiveDate> {
    let all = stage.dates.len() + stage.not_reached as usize;
    let place = (share.clamp(0.0, 1.0) * all as f64 - 1e-9).ceil().max(1.0) as usize;
    stage.dates.get(place - 1).copied()
}
