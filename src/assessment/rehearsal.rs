//! When would the notices of past seasons have gone out? The decision, day by day, on a whole season's temperatures.
//!
//! Each season is left out of its own projection whole. Every day's temperatures are taken as observed and known on the
//! next morning: what the rules do, not what a late feed makes of them.

use chrono::NaiveDate;
use serde::Serialize;

use super::lived_season::LivedSeason;
use crate::heat::hindcast::AssumedForecast;
use crate::heat::projection::{Dressing, Projector};
use crate::region::Release;
use crate::season::decide::{Answer, Facts, carried_out, decide, told_days};
use crate::season::outlook::Insect;
use crate::season::{NoticeKind, Outlook, Policy, Profile, WindowDays, days_after, days_before, days_between};
use crate::weather::StationId;

/// Days before and after our heat number is reached that are lived through.
const BEFORE_DAYS: u32 = 49;
const AFTER_DAYS: u32 = 45;

/// One season's notices.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Rehearsal {
    pub season: i32,
    /// The day on which the whole season's record has the chance of egg laying high enough to look.
    pub look_from: NaiveDate,
    /// The first of the best days to wash by the whole season's record; `None` for a profile that does not tell them.
    pub best_from: Option<NaiveDate>,
    /// The days on which each went out; `None` = never, in the days lived through.
    pub get_ready: Option<NaiveDate>,
    pub inspect_now: Option<NaiveDate>,
    pub wash_now: Option<NaiveDate>,
    /// The last day to wash that the newest of them told.
    pub wash_by: Option<NaiveDate>,
}

/// Lives through one of the projector's seasons, in which our heat number was reached on `opened`. What is believed of the
/// insect is what the profile says, before any report. `None` when the projector does not know the season.
pub fn rehearse(
    profile: &Profile,
    policy: &Policy,
    projector: &Projector,
    season: i32,
    opened: NaiveDate,
    forecast: AssumedForecast,
    dressing: &Dressing,
) -> Option<Rehearsal> {
    let lived = LivedSeason::of(profile, projector, season, dressing, &StationId::from(""))?;
    let first = lived.first;
    let belief = lived.belief(profile);
    let insect = Insect::of(profile, &belief);
    let outlook_on = |today: NaiveDate| -> Option<Outlook> {
        let morning = lived.morning(profile, today, forecast)?;
        Some(lived.outlook(&morning, profile, &belief, &insect, policy, today))
    };
    let truth = lived.days_by_record(profile, &belief, policy, opened)?;
    let best_from = truth.best.map(|best| best.first);
    let mut gone = Rehearsal {
        season,
        look_from: truth.look_from,
        best_from,
        get_ready: None,
        inspect_now: None,
        wash_now: None,
        wash_by: None,
    };
    let mut told = Vec::new();
    let from = days_before(opened, BEFORE_DAYS).max(days_after(first, 1));
    for today in from.iter_days().take_while(|day| *day <= days_after(opened, AFTER_DAYS)) {
        let outlook = outlook_on(today)?;
        let decision = decide(&Facts {
            profile,
            policy,
            release: Release::AtOnce,
            outlook: &outlook,
            days: WindowDays::of(profile, policy, &outlook, told_days(&told)),
            told: &told,
            reports: &[],
            today,
        });
        for verdict in &decision.verdicts {
            let (Answer::Announce(terms) | Answer::Free(terms)) = &verdict.answer else { continue };
            if terms.approval_needed.is_some() {
                continue;
            }
            gone.wash_by = terms.deadline.or(gone.wash_by);
            match verdict.kind {
                NoticeKind::GetReady => gone.get_ready = Some(today),
                NoticeKind::InspectNow => gone.inspect_now = Some(today),
                NoticeKind::WashNow => gone.wash_now = Some(today),
                NoticeKind::DeadlineMoved | NoticeKind::LastDaysToWash | NoticeKind::TooLateToWash => {}
            }
        }
        if gone.wash_now.is_some() || (best_from.is_none() && gone.inspect_now.is_some()) {
            break;
        }
        told = carried_out(&told, &decision, today);
    }
    Some(gone)
}

/// Days ahead of the first look between which a notice to get ready is of use: a weekend to look for beans and to find hose,
/// rake and bags, and not so much that it is forgotten (common practice, no source).
pub const GET_READY_DAYS_AHEAD: std::ops::RangeInclusive<i64> = 10..=28;

/// Inspect now and wash now come in time when they are off by at most so many days: to look is asked for within the week,
/// and the best days to wash last a week and more (own choice, no source).
pub const INSPECT_NOW_DAYS_OFF: i64 = 1;
pub const WASH_NOW_DAYS_OFF: i64 = 3;

/// How the notices of many seasons came out.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct NoticeScores {
    pub seasons: u32,
    /// Days before the day from which to look; `None` when it never went out before.
    pub get_ready_days_ahead: Option<Spread>,
    /// Shares (0-1) of all seasons.
    pub get_ready_in_time: f64,
    pub get_ready_short: f64,
    pub get_ready_long: f64,
    /// Not before the day from which to look.
    pub get_ready_missed: f64,
    /// Days after the day from which to look; below 0 before.
    pub inspect_now_days_after: Option<Spread>,
    /// Shares (0-1) of all seasons: at most [`INSPECT_NOW_DAYS_OFF`], earlier, later, never.
    pub inspect_now_in_time: f64,
    pub inspect_now_early: f64,
    pub inspect_now_late: f64,
    pub inspect_now_missed: f64,
    /// Days after the first of the best days to wash; `None` also for a profile that does not tell them.
    pub wash_now_days_after: Option<Spread>,
    /// Shares (0-1) of all seasons that have best days: at most [`WASH_NOW_DAYS_OFF`], earlier, later, never.
    pub wash_now_in_time: f64,
    pub wash_now_early: f64,
    pub wash_now_late: f64,
    pub wash_now_missed: f64,
}

/// Least, 10 %, median, 90 % and greatest of a list of days.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Spread {
    pub least: i64,
    pub tenth: i64,
    pub median: i64,
    pub ninetieth: i64,
    pub greatest: i64,
}

impl Spread {
    fn of(mut days: Vec<i64>) -> Option<Self> {
        days.sort_unstable();
        let last = days.len().checked_sub(1)?;
        let at = |share: f64| days.get((share * last as f64).round() as usize).copied();
        Some(Self {
            least: *days.first()?,
            tenth: at(0.1)?,
            median: at(0.5)?,
            ninetieth: at(0.9)?,
            greatest: *days.last()?,
        })
    }
}

/// Of no season at all every share is 0.
pub fn score(seasons: &[Rehearsal]) -> NoticeScores {
    let share = |holds: &dyn Fn(&Rehearsal) -> bool| {
        seasons.iter().filter(|season| holds(season)).count() as f64 / seasons.len().max(1) as f64
    };
    let ready = |season: &Rehearsal| {
        season.get_ready.map(|day| days_between(day, season.look_from)).filter(|days_ahead| *days_ahead > 0)
    };
    let inspect = |season: &Rehearsal| season.inspect_now.map(|day| days_between(season.look_from, day));
    let wash = |season: &Rehearsal| Some(days_between(season.best_from?, season.wash_now?));
    let washable = seasons.iter().filter(|season| season.best_from.is_some()).count();
    let of_washable = |holds: &dyn Fn(&Rehearsal) -> bool| {
        let counted = seasons.iter().filter(|season| season.best_from.is_some() && holds(season)).count();
        counted as f64 / washable.max(1) as f64
    };
    NoticeScores {
        seasons: seasons.len() as u32,
        get_ready_days_ahead: Spread::of(seasons.iter().filter_map(ready).collect()),
        get_ready_in_time: share(&|season| ready(season).is_some_and(|days| GET_READY_DAYS_AHEAD.contains(&days))),
        get_ready_short: share(&|season| ready(season).is_some_and(|days| days < *GET_READY_DAYS_AHEAD.start())),
        get_ready_long: share(&|season| ready(season).is_some_and(|days| days > *GET_READY_DAYS_AHEAD.end())),
        get_ready_missed: share(&|season| ready(season).is_none()),
        inspect_now_days_after: Spread::of(seasons.iter().filter_map(inspect).collect()),
        inspect_now_in_time: share(&|season| inspect(season).is_some_and(|days| days.abs() <= INSPECT_NOW_DAYS_OFF)),
        inspect_now_early: share(&|season| inspect(season).is_some_and(|days| days < -INSPECT_NOW_DAYS_OFF)),
        inspect_now_late: share(&|season| inspect(season).is_some_and(|days| days > INSPECT_NOW_DAYS_OFF)),
        inspect_now_missed: share(&|season| inspect(season).is_none()),
        wash_now_days_after: Spread::of(seasons.iter().filter_map(wash).collect()),
        wash_now_in_time: of_washable(&|season| wash(season).is_some_and(|days| days.abs() <= WASH_NOW_DAYS_OFF)),
        wash_now_early: of_washable(&|season| wash(season).is_some_and(|days| days < -WASH_NOW_DAYS_OFF)),
        wash_now_late: of_washable(&|season| wash(season).is_some_and(|days| days > WASH_NOW_DAYS_OFF)),
        wash_now_missed: of_washable(&|season| wash(season).is_none()),
    }
}
