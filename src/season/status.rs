//! Where a region's season stands for the owner of a tree: one of seven words, by the same measures as the notices; and who
//! stands behind that word.
//!
//! A page must not call out what staff hold back, nor keep silent about a heat sum that everybody can read off the
//! chart. So: where staff have the say (they hold the step, called it off, or the region tells nothing unconfirmed) the
//! word stays one step behind the heat, and the page says so; where staff are only asked because the temperatures are in
//! doubt, or may still object, the word stands and the page says that nothing was confirmed.

use chrono::NaiveDate;

use crate::region::Release;
use crate::season::decide::{ApprovalNeeded, DecidedNotice, Standing};
use crate::season::{NoticeKind, Outlook, Policy, Profile, RecordTrust, WindowDays, days_after, days_between};

/// What an owner is to do now follows from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeasonStanding {
    /// Nothing can be said: no temperatures, or no past years.
    Unknown,
    /// Egg laying is far off.
    Quiet,
    /// Egg laying is near.
    Ready,
    /// Egg laying has probably begun, or was seen: time to look.
    Look,
    /// The days on which a wash takes most eggs.
    Wash,
    /// The eggs hatch soon: time for the last wash.
    Last,
    /// The deadline has passed: eggs hatch, and washing helps less each day.
    Over,
}

impl SeasonStanding {
    pub fn name(self) -> &'static str {
        match self {
            SeasonStanding::Unknown => "none",
            SeasonStanding::Quiet => "quiet",
            SeasonStanding::Ready => "ready",
            SeasonStanding::Look => "look",
            SeasonStanding::Wash => "wash",
            SeasonStanding::Last => "last",
            SeasonStanding::Over => "over",
        }
    }

    /// By the policy's numbers, as the decision on the notices takes them; what staff hold back is not asked here. `days` are
    /// from the same outlook.
    pub fn of(profile: &Profile, policy: &Policy, outlook: &Outlook, days: &WindowDays, today: NaiveDate) -> Self {
        let (Some(opens), Some(closes)) = (outlook.stage(&profile.window.opens), outlook.stage(&profile.window.closes))
        else {
            return SeasonStanding::Unknown;
        };
        let known = opens.reached.is_some() || closes.reached.is_some();
        if !known && (outlook.last_day.is_none() || (opens.dates.is_empty() && opens.not_reached == 0)) {
            return SeasonStanding::Unknown;
        }
        // Without one day of this season a chance is the calendar's and nothing else.
        let begun = today >= days.look_from && (known || outlook.last_day.is_some());
        if begun && today > days.deadline {
            SeasonStanding::Over
        } else if begun && today >= days.last_from {
            SeasonStanding::Last
        } else if begun && days.best.is_some_and(|best| today >= best.first) {
            SeasonStanding::Wash
        } else if begun {
            SeasonStanding::Look
        } else {
            let near = |median| days_between(today, median) <= i64::from(policy.get_ready_days);
            let chance = opens.chance_by(days_after(today, policy.get_ready_days));
            if opens.spread.median.is_some_and(near) || (chance > 0.0 && chance >= policy.get_ready_chance) {
                SeasonStanding::Ready
            } else {
                SeasonStanding::Quiet
            }
        }
    }
}

/// Whether what a standing says was told to people too, and if not, who still has a say in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Approval {
    /// Told, of no use to be told, or to be told with the next cycle and nobody asked before.
    Plain,
    /// Its notice waits for its hour; staff may hold it until then.
    Due,
    /// Staff are asked first, since the temperatures are in doubt.
    Doubted,
    /// Staff are asked first, since this region tells nothing unconfirmed.
    Awaited,
    /// Staff said: not now, or not this season.
    Held,
}

impl Approval {
    pub const ALL: [Approval; 5] =
        [Approval::Plain, Approval::Due, Approval::Doubted, Approval::Awaited, Approval::Held];

    pub fn name(self) -> &'static str {
        match self {
            Approval::Plain => "plain",
            Approval::Due => "due",
            Approval::Doubted => "doubted",
            Approval::Awaited => "awaited",
            Approval::Held => "held",
        }
    }
}

/// A standing as people are shown it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shown {
    pub standing: SeasonStanding,
    /// What it would be by the heat alone; later than `standing` only where staff have the say.
    pub by_heat: SeasonStanding,
    /// Of `by_heat`.
    pub backing: Approval,
}

impl Shown {
    /// Nothing is known, so there is nothing to say.
    pub const UNKNOWN: Shown =
        Shown { standing: SeasonStanding::Unknown, by_heat: SeasonStanding::Unknown, backing: Approval::Plain };

    /// `told`: what was decided for the region this season, at most one entry a kind.
    pub fn of(
        profile: &Profile,
        policy: &Policy,
        outlook: &Outlook,
        days: &WindowDays,
        release: Release,
        told: &[DecidedNotice],
    ) -> Self {
        let by_heat = SeasonStanding::of(profile, policy, outlook, days, outlook.today);
        let seen = outlook.stage(&profile.window.opens).is_some_and(super::StageOutlook::seen);
        let approval_of =
            |standing| backing(standing, policy, release, told, outlook.trust != RecordTrust::Sound && !seen);
        let mut standing = by_heat;
        while let Some(before) = standing.before() {
            match approval_of(standing) {
                // To have hose and rake at hand is no alarm: behind a later word that nobody has confirmed it stands.
                Approval::Awaited if standing == SeasonStanding::Ready && by_heat != standing => break,
                // Without best days no step calls for a first wash.
                Approval::Awaited | Approval::Held if before == SeasonStanding::Wash && days.best.is_none() => {
                    standing = SeasonStanding::Look;
                }
                Approval::Awaited | Approval::Held => standing = before,
                Approval::Plain | Approval::Due | Approval::Doubted => break,
            }
        }
        Self { standing, by_heat, backing: approval_of(by_heat) }
    }

    pub fn is_held_back(self) -> bool {
        self.standing != self.by_heat
    }
}

impl SeasonStanding {
    /// The notice that says the same.
    fn notice(self) -> Option<NoticeKind> {
        match self {
            SeasonStanding::Unknown | SeasonStanding::Quiet => None,
            SeasonStanding::Ready => Some(NoticeKind::GetReady),
            SeasonStanding::Look => Some(NoticeKind::InspectNow),
            SeasonStanding::Wash => Some(NoticeKind::WashNow),
            SeasonStanding::Last => Some(NoticeKind::LastDaysToWash),
            SeasonStanding::Over => Some(NoticeKind::TooLateToWash),
        }
    }

    /// One step back. There is none from the end: nobody is told to go on washing eggs that have hatched.
    fn before(self) -> Option<Self> {
        match self {
            SeasonStanding::Ready => Some(SeasonStanding::Quiet),
            SeasonStanding::Look => Some(SeasonStanding::Ready),
            SeasonStanding::Wash => Some(SeasonStanding::Look),
            SeasonStanding::Last => Some(SeasonStanding::Wash),
            SeasonStanding::Unknown | SeasonStanding::Quiet | SeasonStanding::Over => None,
        }
    }
}

fn backing(
    standing: SeasonStanding,
    policy: &Policy,
    release: Release,
    told: &[DecidedNotice],
    doubtful: bool,
) -> Approval {
    let Some(kind) = standing.notice() else { return Approval::Plain };
    if kind == NoticeKind::TooLateToWash && !policy.too_late_on {
        return Approval::Plain;
    }
    match told.iter().find(|told| told.kind == kind).map(|told| &told.standing) {
        Some(Standing::Released { .. }) => Approval::Plain,
        Some(Standing::Held | Standing::Cancelled) => Approval::Held,
        Some(Standing::Waiting { approval_needed: None }) => Approval::Due,
        Some(Standing::Waiting { approval_needed: Some(ApprovalNeeded::ByPolicy) }) => Approval::Awaited,
        Some(Standing::Waiting { approval_needed: Some(_) }) => Approval::Doubted,
        // Never told: not decided yet, or of no use any more before anybody said a word.
        None | Some(Standing::Skipped) => {
            let unasked = match release {
                Release::WhenConfirmed => Approval::Awaited,
                _ if doubtful => Approval::Doubted,
                _ => Approval::Plain,
            };
            // Last days stands or falls with what staff said of the notices that it follows, if none of them went out.
            let before = |kind: NoticeKind| told.iter().find(|told| told.kind == kind).map(|told| &told.standing);
            let before = [NoticeKind::WashNow, NoticeKind::InspectNow].map(before);
            let went_out = before.iter().flatten().any(|standing| matches!(standing, Standing::Released { .. }));
            let stopped =
                before.iter().flatten().any(|standing| matches!(standing, Standing::Held | Standing::Cancelled));
            match kind {
                NoticeKind::LastDaysToWash if stopped && !went_out => Approval::Held,
                _ => unasked,
            }
        }
    }
}
