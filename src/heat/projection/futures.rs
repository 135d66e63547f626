//! The futures of one season: the past seasons' anomalies on this season's level, begun with today's weather.

use chrono::{Datelike, Days, NaiveDate};

use super::crossings::Crossings;
use super::forecast::error_share;
use super::persistence::{Expectation, Leads, WEEKS_DAYS};
use super::slots::{Line, slot};
use super::traces::Traces;
use crate::heat::widest::{Work, widest};
use crate::heat::{DayTemperatures, HeatRule};

/// The futures of one season; make it once a season, use it every day.
#[derive(Clone, Debug)]
pub struct SeasonProjector {
    pub(super) rule: HeatRule,
    pub(super) start: (u32, u32),
    /// What this season's temperatures are expected to be about, by slot.
    pub(super) level: Line,
    /// The past seasons that the futures are made from.
    pub(super) members: Vec<i32>,
    /// Their anomalies of minimum and maximum, °C: by slot, then by member.
    pub(super) anomalies: [Vec<f64>; 2],
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
        self.members.iter().copied()
    }

    /// Every future as degree-days, those of a past season side by side. Each ends once the sum is at `enough`
    /// (`f64::INFINITY` for all of it), on `last_day`, or with the length of season that the [`Projector`](super::Projector)
    /// was made for, whichever comes first.
    pub fn futures(&self, now: &Now<'_>, enough: f64, last_day: NaiveDate) -> Vec<Future> {
        let slots = self.slots_ahead(now, last_day);
        let mut walk = Walk::new(self, now, &slots);
        let lanes = walk.lanes();
        let (mut sums, mut lines) = (vec![now.sum; lanes], vec![Vec::new(); lanes]);
        while sums.iter().any(|sum| *sum < enough)
            && let Some(heat) = walk.next_day()
        {
            for ((sum, line), heat) in sums.iter_mut().zip(&mut lines).zip(heat) {
                if *sum < enough {
                    *sum += heat;
                    line.push(*heat);
                }
            }
        }
        let members = self.members.len();
        let mut lines = lines.into_iter().enumerate().collect::<Vec<_>>();
        lines.sort_by_key(|(lane, _)| (lane % members.max(1), *lane));
        let future = |(lane, degree_days): (usize, Vec<f64>)| {
            Some(Future { season: *self.members.get(lane % members.max(1))?, degree_days })
        };
        lines.into_iter().filter_map(future).collect()
    }

    /// Every future as running sums, ended as [`SeasonProjector::futures`] are.
    pub fn traces(&self, now: &Now<'_>, enough: f64, last_day: NaiveDate) -> Traces {
        let slots = self.slots_ahead(now, last_day);
        let mut walk = Walk::new(self, now, &slots);
        let seasons = walk.shifts.iter().flat_map(|_| self.members.iter().copied()).collect();
        let mut traces = Traces::begun(now.sum, seasons);
        widest(Tracing { walk: &mut walk, traces: &mut traces, enough });
        traces
    }

    /// The days on which the futures reach `target` (°C·day from the biofix), none looked for after `last_day`.
    pub fn crossings(&self, now: &Now<'_>, target: f64, last_day: NaiveDate) -> Crossings {
        self.crossings_of(now, &[target], last_day).pop().unwrap_or_default()
    }

    /// As [`SeasonProjector::crossings`], of several targets: the futures are gone through once.
    pub fn crossings_of(&self, now: &Now<'_>, targets: &[f64], last_day: NaiveDate) -> Vec<Crossings> {
        let lanes = self.members.len() * shifts(self.members.len()).len();
        // Sums of many small numbers: a hair below the target is at it.
        let search = |target: &f64| {
            let wanted = target - 1e-9;
            let days_ahead = if now.sum >= wanted { vec![0; lanes] } else { Vec::with_capacity(lanes) };
            (wanted, days_ahead)
        };
        let mut searches: Vec<(f64, Vec<u32>)> = targets.iter().map(search).collect();
        if searches.iter().any(|(_, days_ahead)| days_ahead.len() < lanes) {
            let slots = self.slots_ahead(now, last_day);
            let mut walk = Walk::new(self, now, &slots);
            let mut sums = vec![now.sum; lanes];
            widest(Search { walk: &mut walk, sums: &mut sums, searches: &mut searches });
        }
        let found =
            |(_, days_ahead): (f64, Vec<u32>)| Crossings { not_reached: (lanes - days_ahead.len()) as u32, days_ahead };
        searches.into_iter().map(found).collect()
    }

    /// The futures' temperatures on the days after `now.last_day`, the forecast left aside.
    pub fn expected(&self, now: &Now<'_>, days: usize) -> Vec<Expected> {
        let slots = now.last_day.iter_days().skip(1).map(|day| self.slot(day));
        let ahead: Vec<usize> = slots.take(days).take_while(|slot| *slot < self.level.len()).collect();
        let of_day = |(day, slot): (&Ahead, &usize)| {
            let level = self.level[*slot];
            Expected {
                mean: DayTemperatures { min_c: level[0] + day.expected[0], max_c: level[1] + day.expected[1] },
                sd_min_c: day.sd[0],
                sd_max_c: day.sd[1],
            }
        };
        self.ahead(&self.recent(now), &ahead).iter().zip(&ahead).map(of_day).collect()
    }

    fn slot(&self, day: NaiveDate) -> usize {
        slot(self.start, day)
    }

    /// The slots of the days after `now.last_day`, to the end of the season.
    fn slots_ahead(&self, now: &Now<'_>, last_day: NaiveDate) -> Vec<usize> {
        let Some(first) = now.last_day.succ_opt() else { return Vec::new() };
        let days = usize::try_from((last_day - now.last_day).num_days()).unwrap_or(0);
        let leap_slot = NaiveDate::from_ymd_opt(2000, 2, 29).map_or(usize::MAX, |day| self.slot(day));
        let mut slots = Vec::with_capacity(days.min(self.level.len()));
        let mut slot = self.slot(first);
        // Past the season's last slot the count would begin anew.
        for day in 0..days.min(self.level.len()) {
            if slot == leap_slot && (first + Days::new(day as u64)).month() != 2 {
                slot += 1;
            }
            if slot >= self.level.len() {
                break;
            }
            slots.push(slot);
            slot += 1;
        }
        slots
    }

    /// This season's newest days, the newest first: slots and anomalies.
    fn recent(&self, now: &Now<'_>) -> Recent {
        let mut recent = Recent::default();
        for (back, day) in now.recent.iter().rev().take(WEEKS_DAYS).enumerate() {
            let Some(date) = now.last_day.checked_sub_days(Days::new(back as u64)) else { break };
            let slot = self.slot(date);
            let Some(level) = self.level.get(slot) else { break };
            let anomaly = [day.min_c - level[0], day.max_c - level[1]];
            if anomaly[0].is_finite() && anomaly[1].is_finite() {
                recent.slots.push(slot);
                recent.anomalies.push(anomaly);
            }
        }
        recent
    }

    /// The past seasons' anomalies of a slot.
    #[inline(always)]
    fn then(&self, slot: usize) -> [&[f64]; 2] {
        let members = self.members.len();
        let row = |element: &'_ Vec<f64>| -> std::ops::Range<usize> {
            let from = (slot * members).min(element.len());
            from..(from + members).min(element.len())
        };
        [&self.anomalies[0][row(&self.anomalies[0])], &self.anomalies[1][row(&self.anomalies[1])]]
    }

    fn leads(&self, recent: &Recent, shifts: &[isize]) -> Leads {
        let members = self.members.len();
        let mut leads = Leads::none(members * shifts.len());
        if let Some(season) = Expectation::of(&recent.anomalies) {
            for (nth, shift) in shifts.iter().enumerate() {
                let then = recent.slots.iter().map(|slot| self.then(shifted(*slot, *shift, self.level.len())));
                leads.set(nth * members, &season, then);
            }
        }
        leads
    }

    /// What is expected of the days whose slots are `ahead`, and how far the futures lie about it, the forecast left aside.
    fn ahead(&self, recent: &Recent, ahead: &[usize]) -> Vec<Ahead> {
        if ahead.is_empty() {
            return Vec::new();
        }
        let mut season = Expectation::of(&recent.anomalies);
        let mut leads = self.leads(recent, &[0]);
        let of_day = |slot: &usize| {
            let expected = season.as_mut().map_or([0.0; 2], Expectation::next_day);
            leads.next_day();
            let then = self.then(*slot);
            let sd = [0, 1].map(|element| {
                let futures = then[element].iter().zip(&leads.today[element]);
                let squares: f64 = futures.map(|(then, lead)| (then + lead - expected[element]).powi(2)).sum();
                (squares / self.members.len().max(1) as f64).sqrt()
            });
            Ahead { expected, sd }
        };
        ahead.iter().map(of_day).collect()
    }
}

/// This season's newest days, the newest first.
#[derive(Default)]
struct Recent {
    slots: Vec<usize>,
    anomalies: Vec<[f64; 2]>,
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

/// All futures day by day, a lane each: those of every past season for the first shift, then for the next one.
struct Walk<'a> {
    of: &'a SeasonProjector,
    now: &'a Now<'a>,
    slots: &'a [usize],
    shifts: &'static [isize],
    leads: Leads,
    /// As they would go on without the forecast: the forecast's error is a part of the weather's own spread.
    free: Option<(Leads, Vec<Ahead>)>,
    /// Temperatures are made up to this day.
    made: usize,
    /// Of the newest day that is made, and of the one before it.
    newest: [Vec<f64>; 2],
    before: [Vec<f64>; 2],
    heat: Vec<f64>,
}

impl<'a> Walk<'a> {
    fn new(of: &'a SeasonProjector, now: &'a Now<'a>, slots: &'a [usize]) -> Self {
        let shifts = shifts(of.members.len());
        let lanes = of.members.len() * shifts.len();
        let recent = of.recent(now);
        let leads = of.leads(&recent, shifts);
        let forecast = slots.get(..now.forecast.len()).unwrap_or(slots);
        let free = (!forecast.is_empty()).then(|| (leads.clone(), of.ahead(&recent, forecast)));
        let zeros = || vec![0.0; lanes];
        let (newest, before) = ([zeros(), zeros()], [zeros(), zeros()]);
        let mut walk = Self { of, now, slots, shifts, leads, free, made: 0, newest, before, heat: zeros() };
        if of.rule.method().looks_at_next_day() {
            walk.make_day();
        }
        walk
    }

    fn lanes(&self) -> usize {
        self.heat.len()
    }

    /// °C·day of the next day, by lane; `None` after the last.
    #[inline(always)]
    fn next_day(&mut self) -> Option<&[f64]> {
        let rule = &self.of.rule;
        if !rule.method().looks_at_next_day() {
            if !self.make_day() {
                return None;
            }
            rule.degree_days_here(&self.newest[0], &self.newest[1], &mut self.heat);
            return Some(&self.heat);
        }
        // Here the newest day is made before the one whose heat it closes.
        if self.made == 0 || self.made > self.slots.len() {
            return None;
        }
        std::mem::swap(&mut self.newest, &mut self.before);
        let next = self.make_day();
        // Also after the last day, so that the call after this one ends.
        self.made += usize::from(!next);
        let rule = &self.of.rule;
        let days = self.before[0].iter().zip(&self.before[1]).zip(&self.newest[0]);
        for (heat, ((min_c, max_c), next_min)) in self.heat.iter_mut().zip(days) {
            let day = DayTemperatures { min_c: *min_c, max_c: *max_c };
            *heat = rule.degree_days(day, next.then_some(*next_min));
        }
        Some(&self.heat)
    }

    /// The next day's temperatures into `newest`; `false` after the last.
    #[inline(always)]
    fn make_day(&mut self) -> bool {
        let Some(slot) = self.slots.get(self.made).copied() else { return false };
        let Some(level) = self.of.level.get(slot).copied() else { return false };
        self.leads.next_day();
        let members = self.of.members.len();
        for (nth, shift) in self.shifts.iter().enumerate() {
            let then = self.of.then(shifted(slot, *shift, self.of.level.len()));
            let lanes = nth * members..(nth + 1) * members;
            let [min, max] = &mut self.newest;
            let [lead_min, lead_max] = &self.leads.today;
            if let (Some(min), Some(max), Some(lead_min), Some(lead_max)) = (
                min.get_mut(lanes.clone()),
                max.get_mut(lanes.clone()),
                lead_min.get(lanes.clone()),
                lead_max.get(lanes.clone()),
            ) {
                temperatures(level, then, [lead_min, lead_max], [min, max]);
            }
        }
        self.lay_forecast(slot, level);
        self.made += 1;
        true
    }

    /// The forecast takes the place of the day's mean, and the spread about it shrinks to the forecast's own error.
    fn lay_forecast(&mut self, slot: usize, level: [f64; 2]) {
        let Some((free, ahead)) = &mut self.free else { return };
        let (Some(forecast), Some(known)) = (self.now.forecast.get(self.made), ahead.get(self.made)) else { return };
        free.next_day();
        let errors = self.now.forecast_errors_c;
        let error = errors.get(self.made).or(errors.last()).copied().unwrap_or(0.0);
        let said = [forecast.min_c - level[0], forecast.max_c - level[1]];
        let members = self.of.members.len();
        for (nth, shift) in self.shifts.iter().enumerate() {
            let then = self.of.then(shifted(slot, *shift, self.of.level.len()));
            for member in 0..members {
                let lane = nth * members + member;
                let mut of_day = [0.0; 2];
                for element in 0..2 {
                    let then = then[element].get(member).copied().unwrap_or_default();
                    of_day[element] = then + self.leads.today[element][lane];
                    if said[element].is_finite() {
                        let share = error_share(error, known.sd[element]);
                        let natural = then + free.today[element][lane];
                        of_day[element] = said[element] + share * (natural - known.expected[element]);
                    }
                    self.leads.turn(lane, element, of_day[element], then);
                }
                let (a, b) = (level[0] + of_day[0], level[1] + of_day[1]);
                self.newest[0][lane] = a.min(b);
                self.newest[1][lane] = a.max(b);
            }
        }
    }
}

/// Goes on until every lane has brought enough.
struct Tracing<'w, 'a> {
    walk: &'w mut Walk<'a>,
    traces: &'w mut Traces,
    enough: f64,
}

impl Work for Tracing<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { walk, traces, enough } = self;
        while traces.go_on(enough)
            && let Some(heat) = walk.next_day()
        {
            traces.add_day(heat, enough);
        }
    }
}

/// Goes on until every lane is at every sum that is wanted: of each sum, the days on which the lanes get there.
struct Search<'w, 'a> {
    walk: &'w mut Walk<'a>,
    sums: &'w mut [f64],
    searches: &'w mut [(f64, Vec<u32>)],
}

impl Work for Search<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { walk, sums, searches } = self;
        let lanes = sums.len();
        let mut ahead = 0;
        while searches.iter().any(|(_, days_ahead)| days_ahead.len() < lanes)
            && let Some(heat) = walk.next_day()
        {
            ahead += 1;
            for (sum, heat) in sums.iter_mut().zip(heat) {
                *sum += heat;
            }
            for (wanted, days_ahead) in searches.iter_mut().filter(|(_, days_ahead)| days_ahead.len() < lanes) {
                let mut reached = 0u64;
                for sum in &*sums {
                    // A checked count would look at each lane on its own.
                    reached = reached.wrapping_add(u64::from(*sum >= *wanted));
                }
                // Sums never fall: those that are new there got there today.
                days_ahead.resize((reached as usize).clamp(days_ahead.len(), lanes), ahead);
            }
        }
    }
}

/// Minima and maxima of a day, °C: level, the past seasons' anomalies and what this season is ahead of them.
#[inline(always)]
fn temperatures(level: [f64; 2], then: [&[f64]; 2], lead: [&[f64]; 2], to: [&mut [f64]; 2]) {
    let [min, max] = to;
    let lanes = min.len().min(max.len()).min(then[0].len()).min(then[1].len()).min(lead[0].len()).min(lead[1].len());
    let (then_min, then_max) = (&then[0][..lanes], &then[1][..lanes]);
    let (lead_min, lead_max) = (&lead[0][..lanes], &lead[1][..lanes]);
    let (min, max) = (&mut min[..lanes], &mut max[..lanes]);
    for lane in 0..lanes {
        let a = level[0] + (then_min[lane] + lead_min[lane]);
        let b = level[1] + (then_max[lane] + lead_max[lane]);
        min[lane] = if a < b { a } else { b };
        max[lane] = if a < b { b } else { a };
    }
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
