//! The rules that are compared: those before, the policy as it is set, and variants of it, each with one number changed.

use chrono::NaiveDate;

use crate::season::policy::UsefulDays;
use crate::season::window::{DeadlineRule, ToldDays, opening_day};
use crate::season::{Outlook, Policy, Profile, WindowDays, days_after, days_before};

/// One set of rules.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    pub name: String,
    pub rules: Rules,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Rules {
    /// As they were before beliefs, emulated: our numbers as if certain; get ready 10 days ahead; "inspect now" at the
    /// crossing, or at a chance of 0.8 by the weather, which was read as "wash now"; a deadline at the early bound of the
    /// hatch by the weather alone, or at its median where that lay within 3 days; last days 7 days before the median hatch;
    /// deadlines that moved in silence; no "too late".
    Before,
    Policy(Policy),
}

/// The name of the policy as it is set.
pub const AS_SET: &str = "as set";

type Change = fn(&mut Policy);

const VARIANTS: [(&str, Change); 18] = [
    ("ready 10 days ahead", |policy| policy.get_ready_days = 10),
    ("ready 14 days ahead", |policy| policy.get_ready_days = 14),
    ("ready 28 days ahead", |policy| policy.get_ready_days = 28),
    ("look at 0.3", |policy| policy.inspect_chance = 0.3),
    ("look at 0.5", |policy| policy.inspect_chance = 0.5),
    ("best share 0.85", |policy| policy.best_share = 0.85),
    ("best share 0.95", |policy| policy.best_share = 0.95),
    ("early hatch bound", |policy| policy.wash_days = 0),
    ("wash days 5", |policy| policy.wash_days = 5),
    ("wash days 10", |policy| policy.wash_days = 10),
    ("wash days 14", |policy| policy.wash_days = 14),
    ("rake days 0", |policy| policy.rake_days = 0),
    ("last days 7", |policy| policy.last_days = 7),
    ("last days 14", |policy| policy.last_days = 14),
    ("washes 3 apart", |policy| policy.between_washes_days = 3),
    ("washes 7 apart", |policy| policy.between_washes_days = 7),
    ("washes 10 apart", |policy| policy.between_washes_days = 10),
    ("no too late", |policy| policy.too_late_on = false),
];

/// The rules before, the policy, and its variants; a variant that changes nothing is left out.
pub fn candidates(policy: &Policy) -> Vec<Candidate> {
    let first = [("before", Rules::Before), (AS_SET, Rules::Policy(policy.clone()))];
    let variants = VARIANTS.iter().filter_map(|(name, change)| {
        let mut changed = policy.clone();
        change(&mut changed);
        (changed != *policy).then_some((*name, Rules::Policy(changed)))
    });
    first.into_iter().chain(variants).map(|(name, rules)| Candidate { name: name.into(), rules }).collect()
}

/// The numbers of the rules before.
pub(super) fn policy_before() -> Policy {
    Policy {
        get_ready_days: 10,
        inspect_chance: 0.8,
        last_days: LAST_DAYS_BEFORE,
        too_late_chance: CLOSED_BEFORE,
        too_late_on: false,
        useful_days: UsefulDays { get_ready: 14, inspect_now: 21, last_days_to_wash: 7, ..UsefulDays::default() },
        ..Policy::default()
    }
}

const LAST_DAYS_BEFORE: u32 = 7;
const CLOSED_BEFORE: f64 = 0.9;
const DAYS_TO_ACT_BEFORE: u32 = 3;
const LAYING_TO_HATCH_BEFORE: u32 = 30;

/// The days of a window by the rules before, so that the decision of today comes out as theirs did.
pub(super) fn days_of_before(profile: &Profile, policy: &Policy, outlook: &Outlook) -> WindowDays {
    let (today, window) = (outlook.today, &profile.window);
    let closes = outlook.stage(&window.closes);
    let likely = closes.and_then(|closes| closes.reached.map(|reached| reached.on).or(closes.spread.median));
    let early = closes.and_then(|closes| closes.spread.median.and(closes.spread.early));
    let closed = closes.is_some_and(|closes| closes.reached.is_some() || closes.chance_by(today) >= CLOSED_BEFORE);
    let month_later = || days_after(opening_day(outlook, window), LAYING_TO_HATCH_BEFORE);
    let deadline = early.filter(|early| *early >= days_after(today, DAYS_TO_ACT_BEFORE)).or(likely);
    let deadline = deadline.unwrap_or_else(month_later).max(today);
    // Without best days and told days, the rest is as it was.
    let days = WindowDays::of(profile, policy, outlook, ToldDays::default());
    WindowDays {
        // A window that has closed is one whose deadline has passed.
        deadline: if closed { days_before(today, 1) } else { deadline },
        rule: DeadlineRule::HatchEarly,
        last_from: likely.map_or(NaiveDate::MAX, |likely| days_before(likely, LAST_DAYS_BEFORE)),
        was: None,
        ..days
    }
}
