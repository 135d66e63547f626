//! The futures of one season: the past seasons' anomalies on this season's level, begun with today's weather.

use chrono::{Days, NaiveDate};

use super::crossings::{Crossings, days_to};
use super::forecast::error_share;
use super::slots::{Line, slot};
use crate::heat::{DayTemperatures, HeatRule};

// The constants were tuned as the head of the module says; none has another source.
/// What a day's anomaly of minimum and maximum leaves to the next day's minimum (first row) and maximum (second).
const NEXT_DAY: [[f64; 2]; 2] = [[0.40, 0.27], [-0.12, 0.70]];
/// The last weeks' mean anomaly, and the share of it that stays.
const WEEKS_DAYS: usize = 45;
const WEEKS_SHARE: f64 = 0.12;

/// The futures of one season; make it once a season, use it every day.
#[derive(Clone, Debug)]
pub struct SeasonProjector {
    pub(super) rule: HeatRule,
    pub(super) start: (u32, u32),
    /// What this season's temperatures are expected to be about, by slot.
    pub(super) level: Line,
    pub(super) members: Vec<MemberSeason>,
}

#[derive(Clone, Debug)]
pub(super) struct MemberSeason {
    pub(super) season: i32,
    pub(super) anomalies: Line,
}

/// Where the season stands.
#[derive(Clone, Copy, Debug)]
pub struct Now<'a> {
    /// The last day that has temperatures; the day before the biofix when there are none yet.
    pub last_day: NaiveDate,
    /// Sum to the end of `last_day`, °C·day.
    pub sum: f64,
    /// This season's days up to `last_day`, the newest last; the last 45 are looked at.
    pub recent: &'a [DayTemperatures],
    /// The days after `last_day` as forecast, corrected to the station (see [`forecast_bias`](super::forecast_bias)); may be empty.
    pub forecast: &'a [DayTemperatures],
    /// Root mean square error of the forecast by day ahead, °C; the last value stands for the days after, none at all for a
    /// perfect forecast. [`FORECAST_ERRORS_C`](super::FORECAST_ERRORS_C) where nothing better is known.
    pub forecast_errors_c: &'a [f64],
}

/// One possible future.
#[derive(Clone, Debug, PartialEq)]
pub struct Future {
    /// The past season it was made from; with few seasons several futures come from the same.
    pub season: i32,
    /// °C·day per day from the day after [`Now::last_day`] on.
    pub degree_days: Vec<f64>,
}

impl SeasonProjector {
    /// The seasons that the futures are made from.
    pub fn seasons(&self) -> impl ExactSizeIterator<Item = i32> + '_ {
        self.members.iter().map(|member| member.season)
    }

    fn slot(&self, day: NaiveDate) -> usize {
        slot(self.start, day)
    }

    /// Every future as degree-days. Each ends once the sum is at `enough` (`f64::INFINITY` for all of it), on
    /// `last_day`, or with the length of season that the [`Projector`](super::Projector) was made for, whichever comes first.
    pub fn futures(&self, now: &Now<'_>, enough: f64, last_day: NaiveDate) -> Vec<Future> {
        let slots: Vec<usize> = now
            .last_day
            .iter_days()
            .skip(1)
            .take_while(|day| *day <= last_day)
            .map(|day| self.slot(day))
            .take_while(|slot| *slot < self.level.len())
            .scan(None, |before: &mut Option<usize>, slot| {
                // Past the season's last slot the count begins anew.
                let on = before.is_none_or(|before| slot > before);
                *before = Some(slot);
                on.then_some(slot)
            })
            .collect();
        let start = self.start(now, slots.get(..now.forecast.len()).unwrap_or(&slots));
        let shifts = shifts(self.members.len());
        self.members
            .iter()
            .flat_map(|member| shifts.iter().map(move |shift| (member, *shift)))
            .map(|(member, shift)| Future {
                season: member.season,
                degree_days: self.degree_days(member, shift, now, &start, &slots, enough),
            })
            .collect()
    }

    /// The days on which the futures reach `target` (°C·day from the biofix), none looked for after `last_day`.
    pub fn crossings(&self, now: &Now<'_>, target: f64, last_day: NaiveDate) -> Crossings {
        let mut crossings = Crossings::default();
        for future in self.futures(now, target, last_day) {
            match days_to(now.sum, target, &future.degree_days) {
                Some(days) => crossings.days_ahead.push(days),
                None => crossings.not_reached += 1,
            }
        }
        crossings.days_ahead.sort_unstable();
        crossings
    }

    /// The futures' temperatures on the days after `now.last_day`, the forecast left aside.
    pub fn expected(&self, now: &Now<'_>, days: usize) -> Vec<Expected> {
        let slots = now.last_day.iter_days().skip(1).map(|day| self.slot(day));
        let ahead: Vec<usize> = slots.take(days).take_while(|slot| *slot < self.level.len()).collect();
        let start = self.start(now, &ahead);
        let of_day = |(day, slot): (&Ahead, &usize)| {
            let level = self.level[*slot];
            Expected {
                mean: DayTemperatures { min_c: level[0] + day.expected[0], max_c: level[1] + day.expected[1] },
                sd_min_c: day.sd[0],
                sd_max_c: day.sd[1],
            }
        };
        start.ahead.iter().zip(&ahead).map(of_day).collect()
    }

    /// With what is expected of the days whose slots are `ahead`.
    fn start(&self, now: &Now<'_>, ahead: &[usize]) -> Start {
        let recent: Vec<(usize, [f64; 2])> = now
            .recent
            .iter()
            .rev()
            .take(WEEKS_DAYS)
            .enumerate()
            .map_while(|(back, day)| {
                let slot = self.slot(now.last_day.checked_sub_days(Days::new(back as u64))?);
                let level = self.level.get(slot)?;
                Some((slot, [day.min_c - level[0], day.max_c - level[1]]))
            })
            .filter(|(_, anomaly)| anomaly[0].is_finite() && anomaly[1].is_finite())
            .collect();
        let slow = slow_part(recent.iter().map(|(_, anomaly)| *anomaly));
        let newest = recent.first().map(|(slot, anomaly)| (*slot, [anomaly[0] - slow[0], anomaly[1] - slow[1]]));
        let mut start = Start {
            slots: recent.iter().map(|(slot, _)| *slot).collect(),
            slow,
            newest: newest.map(|(_, fast)| fast),
            ahead: Vec::with_capacity(ahead.len()),
        };
        if ahead.is_empty() {
            return start;
        }
        let mut fast = start.newest.unwrap_or_default();
        let mut free: Vec<(&MemberSeason, Lead)> =
            self.members.iter().map(|member| (member, member.behind(&start, 0))).collect();
        for slot in ahead {
            fast = next_day(fast);
            let expected = [slow[0] + fast[0], slow[1] + fast[1]];
            let mut squares = [0.0; 2];
            for (member, lead) in &mut free {
                lead.fades = next_day(lead.fades);
                let of_day = lead.on(member.anomaly(*slot, 0));
                squares[0] += (of_day[0] - expected[0]).powi(2);
                squares[1] += (of_day[1] - expected[1]).powi(2);
            }
            let sd = squares.map(|squares: f64| (squares / self.members.len().max(1) as f64).sqrt());
            start.ahead.push(Ahead { expected, sd });
        }
        start
    }

    fn degree_days(
        &self,
        member: &MemberSeason,
        shift: isize,
        now: &Now<'_>,
        start: &Start,
        slots: &[usize],
        enough: f64,
    ) -> Vec<f64> {
        let mut lead = member.behind(start, shift);
        // As it would go on without the forecast: the forecast's error is a part of the weather's own spread.
        let mut free = lead;
        let mut ahead = 0;
        let mut temperatures = std::iter::from_fn(|| {
            let slot = *slots.get(ahead)?;
            let (then, level) = (member.anomaly(slot, shift), self.level[slot]);
            lead.fades = next_day(lead.fades);
            let mut of_day = lead.on(then);
            if let (Some(forecast), Some(known)) = (now.forecast.get(ahead), start.ahead.get(ahead)) {
                free.fades = next_day(free.fades);
                let natural = free.on(then);
                let errors = now.forecast_errors_c;
                let error = errors.get(ahead).or(errors.last()).copied().unwrap_or(0.0);
                let said = [forecast.min_c - level[0], forecast.max_c - level[1]];
                for element in 0..2 {
                    if said[element].is_finite() {
                        let share = error_share(error, known.sd[element]);
                        of_day[element] = said[element] + share * (natural[element] - known.expected[element]);
                    }
                    lead.fades[element] = of_day[element] - then[element] - lead.stays[element];
                }
            }
            ahead += 1;
            let (a, b) = (level[0] + of_day[0], level[1] + of_day[1]);
            Some(DayTemperatures { min_c: a.min(b), max_c: a.max(b) })
        })
        .peekable();

        let rule = &self.rule;
        let looks_on = rule.method().looks_at_next_day();
        let (mut sum, mut degree_days) = (now.sum, Vec::new());
        while sum < enough
            && let Some(day) = temperatures.next()
        {
            let next_min = if looks_on { temperatures.peek().map(|next| next.min_c) } else { None };
            let of_day = rule.degree_days(day, next_min);
            sum += of_day;
            degree_days.push(of_day);
        }
        degree_days
    }
}

/// This season's newest days as the futures need them.
struct Start {
    /// Of the days looked at, the newest first.
    slots: Vec<usize>,
    slow: [f64; 2],
    /// Anomaly of the newest day over the slow part; `None` without any day.
    newest: Option<[f64; 2]>,
    /// Of the days that a forecast is there for.
    ahead: Vec<Ahead>,
}

/// Mean anomaly of the futures on a day, and their spread about it, the forecast left aside.
struct Ahead {
    expected: [f64; 2],
    sd: [f64; 2],
}

/// What is expected of a day that is still to come.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    pub mean: DayTemperatures,
    /// Standard deviation of the futures about it.
    pub sd_min_c: f64,
    pub sd_max_c: f64,
}

/// What this season is ahead of a past one: a part that fades and a part that stays.
#[derive(Clone, Copy, Debug, Default)]
struct Lead {
    fades: [f64; 2],
    stays: [f64; 2],
}

impl Lead {
    fn on(&self, then: [f64; 2]) -> [f64; 2] {
        [then[0] + self.fades[0] + self.stays[0], then[1] + self.fades[1] + self.stays[1]]
    }
}

impl MemberSeason {
    fn anomaly(&self, slot: usize, shift: isize) -> [f64; 2] {
        self.anomalies[shifted(slot, shift, self.anomalies.len())]
    }

    /// How far it is behind on the newest day.
    fn behind(&self, start: &Start, shift: isize) -> Lead {
        let (Some(newest), Some(slot)) = (start.newest, start.slots.first()) else { return Lead::default() };
        let slow = slow_part(start.slots.iter().map(|slot| self.anomaly(*slot, shift)));
        let then = self.anomaly(*slot, shift);
        Lead {
            stays: [start.slow[0] - slow[0], start.slow[1] - slow[1]],
            fades: [newest[0] - (then[0] - slow[0]), newest[1] - (then[1] - slow[1])],
        }
    }
}

fn slow_part(anomalies: impl Iterator<Item = [f64; 2]>) -> [f64; 2] {
    let (mut sum, mut days) = ([0.0; 2], 0.0);
    for anomaly in anomalies {
        sum[0] += anomaly[0];
        sum[1] += anomaly[1];
        days += 1.0;
    }
    if days == 0.0 { [0.0; 2] } else { [WEEKS_SHARE * sum[0] / days, WEEKS_SHARE * sum[1] / days] }
}

fn next_day(fast: [f64; 2]) -> [f64; 2] {
    NEXT_DAY.map(|row| row[0] * fast[0] + row[1] * fast[1])
}

/// By how many days the anomalies are moved to make more futures of fewer years (own choice, no source).
fn shifts(seasons: usize) -> &'static [isize] {
    match seasons {
        0..30 => &[0, -4, 4, -8, 8],
        30..60 => &[0, -4, 4],
        _ => &[0],
    }
}

/// A slot moved along the season, turned back at its ends.
fn shifted(slot: usize, shift: isize, slots: usize) -> usize {
    let last = slots.saturating_sub(1);
    let at = slot.checked_add_signed(shift).unwrap_or_else(|| shift.unsigned_abs().saturating_sub(slot));
    if at > last { (2 * last).saturating_sub(at) } else { at }
}
