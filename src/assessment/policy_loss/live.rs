//! One past season lived through day by day with the outlook, the window's days and the decision that the service uses.

use chrono::NaiveDate;

use super::PastSeasons;
use super::candidates::{Candidate, Rules, days_of_before, policy_before};
use crate::assessment::lived_season::LivedSeason;
use crate::heat::FilledDay;
use crate::heat::hindcast::AssumedForecast;
use crate::region::Release;
use crate::season::belief::SeasonBelief;
use crate::season::decide::{Answer, DecidedNotice, Facts, QuietReason, carried_out, decide, told_days};
use crate::season::outlook::Insect;
use crate::season::{NoticeKind, Outlook, Policy, Profile, WindowDays, days_after, days_before, days_between};

/// Days before and after the day of our number that are lived through at most.
const BEFORE_DAYS: u32 = 45;
const AFTER_DAYS: u32 = 90;

/// What a season's notices told and when.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Course {
    pub(super) ready: Option<NaiveDate>,
    pub(super) look: Option<NaiveDate>,
    /// Whether "inspect now" was read as the word to wash.
    pub(super) look_is_wash: bool,
    pub(super) wash: Option<NaiveDate>,
    pub(super) last: Option<NaiveDate>,
    /// Deadlines as they were told: the day of the notice and the last day to wash.
    pub(super) told: Vec<(NaiveDate, NaiveDate)>,
    /// Whether the rules ever put the deadline more than three days off the one told, said or unsaid.
    pub(super) moved: bool,
    pub(super) messages: u32,
}

/// A deadline that moves by more days than this has moved.
const MOVED_DAYS: u64 = 3;

impl Course {
    /// The day of the notice on which one washes.
    pub(super) fn act(&self) -> Option<NaiveDate> {
        if self.look_is_wash { self.look } else { self.wash }
    }

    /// The deadline that people know on a day.
    pub(super) fn deadline_on(&self, day: NaiveDate) -> Option<NaiveDate> {
        self.told.iter().rev().find(|(on, _)| *on <= day).map(|(_, deadline)| *deadline)
    }

    /// The deadline that was told last.
    pub(super) fn deadline(&self) -> Option<NaiveDate> {
        self.told.last().map(|(_, deadline)| *deadline)
    }
}

/// Candidates that share an outlook.
pub(super) struct Group<'a> {
    /// Of the belief; `None`: nothing is in doubt but the weather.
    pub(super) width: Option<f64>,
    profile: &'a Profile,
    belief: &'a SeasonBelief,
    insect: Insect,
    pub(super) runners: Vec<Runner<'a>>,
}

impl<'a> Group<'a> {
    /// `candidates`: with their places in the list of all.
    pub(super) fn new(
        width: Option<f64>,
        profile: &'a Profile,
        belief: &'a SeasonBelief,
        candidates: impl Iterator<Item = (usize, &'a Candidate)>,
    ) -> Self {
        let runners = candidates.map(|(place, candidate)| Runner::new(place, &candidate.rules)).collect();
        Self { width, profile, belief, insect: Insect::of(profile, belief), runners }
    }
}

/// One candidate on its way through a season.
pub(super) struct Runner<'a> {
    pub(super) place: usize,
    rules: &'a Rules,
    told: Vec<DecidedNotice>,
    pub(super) course: Course,
    over: bool,
}

impl<'a> Runner<'a> {
    fn new(place: usize, rules: &'a Rules) -> Self {
        let course = Course { look_is_wash: *rules == Rules::Before, ..Course::default() };
        Self { place, rules, told: Vec::new(), course, over: false }
    }

    fn day(&mut self, profile: &Profile, outlook: &Outlook, before: &Policy) {
        let today = outlook.today;
        let told = told_days(&self.told);
        let (policy, days) = match self.rules {
            Rules::Before => (before, days_of_before(profile, before, outlook)),
            Rules::Policy(policy) => (policy, WindowDays::of(profile, policy, outlook, told)),
        };
        let off = |told: NaiveDate| days_between(told, days.deadline).unsigned_abs() > MOVED_DAYS;
        self.course.moved |= told.deadline.is_some_and(|told| told >= today && days.deadline >= today && off(told));
        let decision = decide(&Facts {
            profile,
            policy,
            release: Release::AtOnce,
            outlook,
            days,
            told: &self.told,
            reports: &[],
            today,
        });
        for verdict in &decision.verdicts {
            let (Answer::Announce(terms) | Answer::Free(terms)) = &verdict.answer else { continue };
            if terms.approval_needed.is_some() {
                continue;
            }
            let course = &mut self.course;
            course.messages += 1;
            course.told.extend(terms.deadline.map(|deadline| (today, deadline)));
            match verdict.kind {
                NoticeKind::GetReady => course.ready = Some(today),
                NoticeKind::InspectNow => course.look = Some(today),
                NoticeKind::WashNow => course.wash = Some(today),
                NoticeKind::LastDaysToWash => course.last = Some(today),
                NoticeKind::DeadlineMoved | NoticeKind::TooLateToWash => {}
            }
        }
        // Once the deadline has passed only "too late" is still to come.
        let ended = !matches!(
            decision.answer(NoticeKind::TooLateToWash),
            Some(Answer::Quiet { reason: QuietReason::NotClosed { .. } | QuietReason::DeadlineAhead { .. } })
        );
        self.over = today > days.deadline && ended;
        self.told = carried_out(&self.told, &decision, today);
    }
}

/// Lives through one of the station's seasons, in which our number opened the window on `opened`, and gives back its days.
/// Each day is known on the next morning. `None` when the station does not know the season.
pub(super) fn live(
    policy: &Policy,
    station: &PastSeasons,
    season: i32,
    opened: NaiveDate,
    groups: &mut [Group<'_>],
) -> Option<Vec<FilledDay>> {
    let dressing = station.dressings.get(&season).cloned().unwrap_or_default();
    let lived = LivedSeason::of(groups.last()?.profile, &station.projector, season, &dressing, &station.station)?;
    let before = policy_before();
    // The profile that looks farthest ahead: the others end before.
    let farthest = groups.last()?.profile;
    let from = days_before(opened, BEFORE_DAYS).max(days_after(lived.first, 1));
    for today in from.iter_days().take_while(|day| *day <= days_after(opened, AFTER_DAYS)) {
        let morning = lived.morning(farthest, today, AssumedForecast::None)?;
        for group in groups.iter_mut().filter(|group| group.runners.iter().any(|runner| !runner.over)) {
            let outlook = lived.outlook(&morning, group.profile, group.belief, &group.insect, policy, today);
            for runner in group.runners.iter_mut().filter(|runner| !runner.over) {
                runner.day(group.profile, &outlook, &before);
            }
        }
        if groups.iter().all(|group| group.runners.iter().all(|runner| runner.over)) {
            break;
        }
    }
    Some(lived.days)
}
