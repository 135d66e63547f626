//! Where a region's season stands for the owner of a tree: one of six words, by the same measures as the notices.

use chrono::NaiveDate;

use super::{Outlook, Policy, Profile, RecordTrust, days_after, days_between};

/// What an owner is to do now follows from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeasonStanding {
    /// Nothing can be said: no temperatures, or no past years.
    Unknown,
    /// Egg laying is far off.
    Quiet,
    /// Egg laying is near.
    Ready,
    /// Egg laying has begun; what is found can be washed off.
    Look,
    /// The eggs hatch soon.
    Last,
    /// The eggs have hatched.
    Over,
}

impl SeasonStanding {
    pub fn name(self) -> &'static str {
        match self {
            SeasonStanding::Unknown => "none",
            SeasonStanding::Quiet => "quiet",
            SeasonStanding::Ready => "ready",
            SeasonStanding::Look => "look",
            SeasonStanding::Last => "last",
            SeasonStanding::Over => "over",
        }
    }

    /// By the policy's numbers, as the decision on the notices takes them; what staff hold back is not asked here.
    pub fn of(profile: &Profile, policy: &Policy, outlook: &Outlook, today: NaiveDate) -> Self {
        let (Some(opens), Some(closes)) = (outlook.stage(&profile.window.opens), outlook.stage(&profile.window.closes))
        else {
            return SeasonStanding::Unknown;
        };
        let has_chances = !matches!(outlook.trust, RecordTrust::TooFewYears { .. });
        let likely = |stage: &super::StageOutlook, share: f64| {
            let chance = stage.chance_by(today);
            has_chances && chance > 0.0 && chance >= share
        };
        if closes.reached.is_some() || likely(closes, policy.too_late_chance) {
            return SeasonStanding::Over;
        }
        if opens.reached.is_some() || likely(opens, policy.inspect_chance) {
            let near = |median| days_between(today, median) <= i64::from(policy.last_days);
            return if closes.spread.median.is_some_and(near) { SeasonStanding::Last } else { SeasonStanding::Look };
        }
        if outlook.last_day.is_none() || (opens.dates.is_empty() && opens.not_reached == 0) {
            return SeasonStanding::Unknown;
        }
        let near = |median| days_between(today, median) <= i64::from(policy.get_ready_days);
        let chance = opens.chance_by(days_after(today, policy.get_ready_days));
        if opens.spread.median.is_some_and(near) || (chance > 0.0 && chance >= policy.get_ready_chance) {
            SeasonStanding::Ready
        } else {
            SeasonStanding::Quiet
        }
    }
}
