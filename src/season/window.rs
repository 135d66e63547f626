//! The days of a region's window: one rule, from which every page, message, picture and feed takes its dates.
//!
//! ```text
//! look from ──> best days to wash ──────> deadline ──> hatching
//!                 first … last      last days ^
//! ```
//!
//! The numbers were settled by what they leave of the eggs when the truth is drawn from the belief: see the table that
//! `treebell policy` prints.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::outlook::DaySpan;
use super::profile::Window;
use super::{Outlook, Policy, Profile, StageId, StageOutlook, days_after, days_before, days_between};

/// Days from egg laying to hatch when no projection of the hatch exists.
/// Common practice, no source; published figures run from four to six weeks.
const LAYING_TO_HATCH_DAYS: u32 = 30;

/// After a hatch that was seen washing helps for a while, less each day (common practice, no source).
const AFTER_HATCH_DAYS: u32 = 7;

/// The days of one region's window as they stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WindowDays {
    /// From then on looking at the trees twice a week is advised; after the season where egg laying is not likely in it.
    pub look_from: NaiveDate,
    /// The days on which one wash takes nearly as much as it can, none after the deadline; `None` for a profile that does not
    /// say how eggs spread over heat.
    pub best: Option<DaySpan>,
    /// The last day on which washing is advised.
    pub deadline: NaiveDate,
    /// On what the deadline rests.
    pub rule: DeadlineRule,
    /// From then on it is time for the last wash.
    pub last_from: NaiveDate,
    /// 10 % and 90 % points of the day on which the first eggs hatch.
    pub hatch_early: Option<NaiveDate>,
    pub hatch_late: Option<NaiveDate>,
    /// Nothing can be done at the trees from then on, most likely.
    pub settled: Option<NaiveDate>,
    /// A deadline that people were told and that does not hold any more.
    pub was: Option<NaiveDate>,
}

/// On what a deadline rests. The day is the later of the first two, which move with the same weather, so that a season does
/// not jump from one to the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DeadlineRule {
    /// The early bound of the hatch, with days to let the litter dry and to rake.
    HatchEarly,
    /// The early bound lies too close to the first of the best days: so many days from that one, though the first eggs may
    /// hatch before.
    LeastDays,
    /// The hatch was seen at as many trees as the policy asks for: washing helps less each day.
    HatchSeen,
    /// No projection of the hatch: a month after egg laying.
    Month,
}

impl DeadlineRule {
    /// Among the words of pages and messages, and for other programs.
    pub fn name(self) -> &'static str {
        match self {
            DeadlineRule::HatchEarly => "hatch-early",
            DeadlineRule::LeastDays => "least-days",
            DeadlineRule::HatchSeen => "hatch-seen",
            DeadlineRule::Month => "month",
        }
    }
}

/// What people were told of a season's window.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ToldDays {
    /// The day on which they were told to look.
    pub look_on: Option<NaiveDate>,
    /// The day on which they were told to wash.
    pub wash_on: Option<NaiveDate>,
    /// The day on which they were told that it is the last time.
    pub last_on: Option<NaiveDate>,
    /// The newest deadline that they were told.
    pub deadline: Option<NaiveDate>,
    /// Who heard "too late" and no date has still heard that the last day had passed by this day.
    pub passed_by: Option<NaiveDate>,
    /// Word of a moved deadline has gone out or was called off: there is no second one, and only the last days tell another.
    pub moved: bool,
}

impl WindowDays {
    /// The days of the window as the outlook of a day has them, held to what people were told. A told deadline stands until
    /// the facts lie more than `policy.deadline_moves_days` away from it and there is a notice to say so, and for good once
    /// it has passed. What people were told to do is not taken back.
    pub fn of(profile: &Profile, policy: &Policy, outlook: &Outlook, told: ToldDays) -> Self {
        let window = &profile.window;
        let (opens, closes) = (outlook.stage(&window.opens), outlook.stage(&window.closes));
        let hatch_seen = closes.filter(|closes| closes.seen()).and_then(|closes| closes.reached).map(|seen| seen.on);
        let due = earliest([opens.and_then(|opens| look_from(opens, policy)), hatch_seen]);
        let told_on = earliest([told.look_on, told.wash_on, told.last_on]);
        // Where egg laying is not likely this season, so are no days to wash; nobody washes before it is time to look.
        let curve = outlook.wash.as_ref().filter(|_| due.is_some() || told_on.is_some());
        let best = curve.and_then(|wash| wash.best_days(policy.best_share)).map(|best| {
            let first = due.map_or(best.first, |due| best.first.max(due));
            DaySpan { first, last: best.last.max(first) }
        });
        let never = days_after(profile.last_day(outlook.season.year), 1);
        let look_from = earliest([due, told_on]).unwrap_or(never);

        let (by_facts, rule) = deadline(outlook, window, policy, best, closes);
        let by_facts = by_facts.max(due.or(told_on).unwrap_or(never));
        let best = best.map(|best| DaySpan {
            first: earliest([Some(best.first), hatch_seen, told.wash_on]).unwrap_or(best.first),
            last: best.last,
        });
        let washed_on = told.wash_on.or(best.map(|best| best.first)).unwrap_or(told.look_on.unwrap_or(look_from));
        let last_from = |deadline: NaiveDate| {
            let with_a_weekend = days_before(deadline, policy.last_days);
            let after_a_wash = days_after(washed_on, policy.between_washes_days);
            with_a_weekend.max(after_a_wash).min(days_before(deadline, policy.rake_days))
        };
        let projected = (by_facts, rule, profile.last_day(outlook.season.year));
        let Held { deadline, was, last_from } = Held::of(policy, outlook.today, told, projected, last_from);
        let last_from = earliest([Some(last_from), hatch_seen, told.last_on]).unwrap_or(last_from);
        let best = best.map(|best| {
            let first = best.first.min(deadline);
            DaySpan { first, last: best.last.min(deadline).max(first) }
        });
        Self {
            look_from: earliest([Some(look_from), best.map(|best| best.first), Some(deadline)]).unwrap_or(look_from),
            best,
            deadline,
            rule,
            last_from,
            hatch_early: closes.and_then(|closes| closes.spread.early),
            hatch_late: closes.and_then(|closes| closes.spread.late),
            settled: window.settles.as_ref().and_then(|settles| likely_day(outlook, settles)),
            was,
        }
    }
}

fn earliest<const N: usize>(days: [Option<NaiveDate>; N]) -> Option<NaiveDate> {
    days.into_iter().flatten().min()
}

/// A deadline held to what people were told.
struct Held {
    deadline: NaiveDate,
    was: Option<NaiveDate>,
    last_from: NaiveDate,
}

impl Held {
    fn of(
        policy: &Policy,
        today: NaiveDate,
        told: ToldDays,
        (by_facts, rule, season_ends): (NaiveDate, DeadlineRule, NaiveDate),
        last_from: impl Fn(NaiveDate) -> NaiveDate,
    ) -> Self {
        let stands = |deadline| Self { deadline, was: None, last_from: last_from(deadline) };
        let Some(of_told) = told.deadline else {
            return stands(told.passed_by.map_or(by_facts, |passed_by| by_facts.min(passed_by)));
        };
        // Without a projection of the hatch, or in a season without one, there is nothing to move it by.
        if rule == DeadlineRule::Month || by_facts > season_ends || of_told < today {
            return stands(of_told);
        }
        // Who was told a later day is left days enough to wash and to rake, whatever has come up.
        let soonest = of_told.min(days_after(today, policy.rake_days));
        let by_facts = by_facts.max(soonest);
        if days_between(of_told, by_facts).unsigned_abs() <= u64::from(policy.deadline_moves_days) {
            return stands(of_told);
        }
        let moves = Self { deadline: by_facts, was: Some(of_told), last_from: last_from(by_facts) };
        if !told.moved {
            return moves;
        }
        // The one notice for it is spent: the told day stands until the last days come, which tell the new one. Where that is
        // a later one, they come while there is still time to hear of it.
        let due = if by_facts < of_told {
            last_from(of_told).min(last_from(by_facts))
        } else {
            days_before(of_told, policy.rake_days).max(last_from(of_told))
        };
        if told.last_on.is_none() && today >= due {
            Self { last_from: due, ..moves }
        } else {
            Self { last_from: due, ..stands(of_told) }
        }
    }
}

/// The first day on which the chance that egg laying has begun is high enough to look; the day by which it was seen.
fn look_from(opens: &StageOutlook, policy: &Policy) -> Option<NaiveDate> {
    match opens.reached {
        Some(reached) if opens.dates.is_empty() => Some(reached.on),
        _ => opens.day_of_chance(policy.inspect_chance),
    }
}

fn deadline(
    outlook: &Outlook,
    window: &Window,
    policy: &Policy,
    best: Option<DaySpan>,
    closes: Option<&StageOutlook>,
) -> (NaiveDate, DeadlineRule) {
    let hatch = closes.and_then(|closes| closes.spread.early).map(|early| days_before(early, policy.rake_days));
    let least = best.map(|best| days_after(best.first, policy.wash_days));
    let projected = match (hatch, least) {
        (Some(hatch), Some(least)) if least > hatch => (least, DeadlineRule::LeastDays),
        (Some(hatch), _) => (hatch, DeadlineRule::HatchEarly),
        (None, Some(least)) => (least, DeadlineRule::LeastDays),
        (None, None) => (closing_day(outlook, window), DeadlineRule::Month),
    };
    match closes.filter(|closes| closes.seen()).and_then(|closes| closes.reached) {
        Some(seen) => {
            let day = projected.0.min(days_after(seen.on, AFTER_HATCH_DAYS)).max(days_after(seen.on, policy.rake_days));
            (day, DeadlineRule::HatchSeen)
        }
        None => projected,
    }
}

/// The day on which the window opened or is most likely to open; the outlook's own day where it has none (a field report
/// came before the model).
pub fn opening_day(outlook: &Outlook, window: &Window) -> NaiveDate {
    likely_day(outlook, &window.opens).unwrap_or(outlook.today)
}

/// The day on which the window closed or is most likely to close; where the outlook has none, thirty days after its
/// opening.
pub fn closing_day(outlook: &Outlook, window: &Window) -> NaiveDate {
    likely_day(outlook, &window.closes)
        .unwrap_or_else(|| days_after(opening_day(outlook, window), LAYING_TO_HATCH_DAYS))
}

fn likely_day(outlook: &Outlook, stage: &StageId) -> Option<NaiveDate> {
    let stage = outlook.stage(stage)?;
    match stage.reached {
        Some(reached) if stage.dates.is_empty() => Some(reached.on),
        _ => stage.spread.median,
    }
}
