//! When will a heat sum be reached? Past years as futures that start from today.
//!
//! Every whole past season of the station's own record is one future of this one (the ensemble streamflow idea of river
//! forecasting), after two corrections and with one enlargement:
//!
//! * **Warming and other slow change.** Each season's temperatures are split into a level and an anomaly. The level is
//!   the mean for the time of year plus a smooth deviation of the seasons around it, weighted by their distance in years;
//!   a future is the past season's anomaly on *this* season's level. Unlike a straight line this follows a climate that
//!   warms by fits and a station that was moved.
//! * **Today's weather goes on.** A warm spell outlasts the day. The anomaly of the newest day decays as a first-order
//!   vector autoregression of minimum and maximum towards a share of the last weeks' mean; every future has its own
//!   anomaly of its own day exchanged for this season's.
//! * **Few years, more futures.** The anomalies are used again some days earlier and later in the year.
//!
//! A weather forecast takes the place of the first days' mean, and the spread about it shrinks to the forecast's own
//! error. Everything is arithmetic on the record: the same input gives the same dates.
//!
//! The constants were chosen on the odd years of every second of fourteen stations of GHCN-Daily and confirmed on the
//! even years of the others; the score is flat around each of them. Weighting the past years by likeness of the season so
//! far was tried and scored no better, so it is left out.

use std::collections::BTreeMap;

use chrono::{Datelike, Days, NaiveDate};

use super::{DayTemperatures, HeatRule};

// The constants down to the share of the last weeks were tuned as the head of this file says; none has another source.
/// Standard deviation of the weights by distance in years, of the smooth deviation.
const YEARS_APART: f64 = 8.0;
/// Weight of "no deviation" among them, in seasons, so that a single neighbour in time does not decide alone.
const NO_DEVIATION: f64 = 0.5;
/// Standard deviation, days, of the smoothing along the season: of the mean, and of the seasons' deviations from it.
const SMOOTH_MEAN_DAYS: f64 = 10.0;
const SMOOTH_DEVIATION_DAYS: f64 = 15.0;
/// What a day's anomaly of minimum and maximum leaves to the next day's minimum (first row) and maximum (second).
const NEXT_DAY: [[f64; 2]; 2] = [[0.40, 0.27], [-0.12, 0.70]];
/// The last weeks' mean anomaly, and the share of it that stays.
const WEEKS_DAYS: usize = 45;
const WEEKS_SHARE: f64 = 0.12;

/// A past season of the station, every day filled.
#[derive(Clone, Debug, PartialEq)]
pub struct PastSeason {
    /// The year it is named by.
    pub season: i32,
    /// The day that `days[0]` belongs to: the season's biofix.
    pub first: NaiveDate,
    /// °C, one a day without a hole.
    pub days: Vec<DayTemperatures>,
}

/// A station's past seasons made ready once; [`Projector::for_season`] then gives each season its futures.
#[derive(Clone, Debug)]
pub struct Projector {
    rule: HeatRule,
    /// Month and day of the biofix.
    start: (u32, u32),
    slots: usize,
    seasons: Vec<Season>,
    /// Mean of all seasons, smoothed.
    mean: Line,
}

/// One value for minimum and one for maximum, °C, by slot. A slot is a calendar day counted from the biofix in a year with
/// a 29 February; other years have none there.
type Line = Vec<[f64; 2]>;

#[derive(Clone, Debug)]
struct Season {
    season: i32,
    first: NaiveDate,
    days: Vec<DayTemperatures>,
    /// By slot; 29 February in a year without one is the mean of its neighbours.
    temperatures: Line,
    /// Deviation from the mean of all seasons, smoothed as the mean is and as deviations are.
    smoothed_as_mean: Line,
    smoothed: Line,
    /// Weighted sum of all other seasons' smoothed deviations.
    others: Line,
    others_weight: f64,
}

impl Projector {
    /// `days` is how long a season is followed (1 to 366), counted in a year with a 29 February; a past season that ends
    /// before, has a value that is not finite, or begins on another calendar day than the first one, is left out, see
    /// [`Projector::seasons`].
    pub fn new(rule: HeatRule, days: usize, past: &[PastSeason]) -> Self {
        let start = past.first().map_or((1, 1), |season| (season.first.month(), season.first.day()));
        let mut projector = Self { rule, start, slots: days.clamp(1, 366), seasons: Vec::new(), mean: Vec::new() };
        for past in past {
            let known = projector.seasons.iter().any(|season| season.season == past.season);
            let same_start = (past.first.month(), past.first.day()) == start;
            if let (false, true, Some(temperatures)) = (known, same_start, projector.by_slot(past)) {
                projector.seasons.push(Season {
                    season: past.season,
                    first: past.first,
                    days: past.days.clone(),
                    temperatures,
                    smoothed_as_mean: Vec::new(),
                    smoothed: Vec::new(),
                    others: Vec::new(),
                    others_weight: 0.0,
                });
            }
        }
        projector.seasons.sort_by_key(|season| season.season);
        projector.find_deviations();
        projector
    }

    /// The seasons that serve as futures, in order.
    pub fn seasons(&self) -> impl ExactSizeIterator<Item = i32> + '_ {
        self.seasons.iter().map(|season| season.season)
    }

    pub fn rule(&self) -> &HeatRule {
        &self.rule
    }

    /// First day and days of one of the [`Projector::seasons`], as it was handed in.
    pub fn season(&self, season: i32) -> Option<(NaiveDate, &[DayTemperatures])> {
        self.seasons.iter().find(|known| known.season == season).map(|known| (known.first, known.days.as_slice()))
    }

    /// What the other seasons say of `season`, which itself is left out whole where it is among them.
    pub fn for_season(&self, season: i32) -> SeasonProjector {
        let out = self.seasons.iter().find(|known| known.season == season);
        let left = self.seasons.len() - usize::from(out.is_some());
        // Leaving one season out moves the mean, and with it every deviation, by its deviation over the number left.
        let moved = |line: fn(&Season) -> &Line, slot: usize, element: usize| {
            out.map_or(0.0, |out| line(out)[slot][element] / left.max(1) as f64)
        };
        let level = |deviations: &dyn Fn(usize, usize) -> f64, weight: f64| -> Line {
            let at = |slot: usize, element: usize| {
                let mean = self.mean[slot][element] - moved(|season| &season.smoothed_as_mean, slot, element);
                let sum = deviations(slot, element) + weight * moved(|season| &season.smoothed, slot, element);
                mean + sum / (weight + NO_DEVIATION)
            };
            (0..self.mean.len()).map(|slot| [at(slot, 0), at(slot, 1)]).collect()
        };
        let others = || self.seasons.iter().filter(|known| known.season != season);

        let weight: f64 = others().map(|other| closeness(season, other.season)).sum();
        let mut sum = vec![[0.0; 2]; self.mean.len()];
        for other in others() {
            add(&mut sum, &other.smoothed, closeness(season, other.season));
        }
        let own_level = level(&|slot, element| sum[slot][element], weight);

        let members = others()
            .map(|member| {
                let shared = out.map_or(0.0, |out| closeness(member.season, out.season));
                let without = |slot: usize, element: usize| {
                    member.others[slot][element] - shared * out.map_or(0.0, |out| out.smoothed[slot][element])
                };
                let level = level(&without, member.others_weight - shared);
                let anomalies = member
                    .temperatures
                    .iter()
                    .zip(&level)
                    .map(|(value, level)| [value[0] - level[0], value[1] - level[1]])
                    .collect();
                MemberSeason { season: member.season, anomalies }
            })
            .collect();
        SeasonProjector { rule: self.rule, start: self.start, level: own_level, members }
    }

    fn slot(&self, day: NaiveDate) -> usize {
        slot(self.start, day)
    }

    fn by_slot(&self, past: &PastSeason) -> Option<Line> {
        let mut line: Vec<Option<[f64; 2]>> = vec![None; self.slots];
        let mut before = None;
        for (day, temperatures) in past.first.iter_days().zip(&past.days) {
            let slot = self.slot(day);
            // The season's end in slots, or a second year in the same list.
            if before.is_some_and(|before| slot <= before) {
                break;
            }
            before = Some(slot);
            if let Some(place) = line.get_mut(slot) {
                if !(temperatures.min_c.is_finite() && temperatures.max_c.is_finite()) {
                    return None;
                }
                *place = Some([temperatures.min_c, temperatures.max_c]);
            }
        }
        let leap_slot = self.slot(NaiveDate::from_ymd_opt(2000, 2, 29)?);
        let at = |slot: Option<usize>| slot.and_then(|slot| line.get(slot).copied().flatten());
        if leap_slot < self.slots && line[leap_slot].is_none() {
            let (before, after) = (at(leap_slot.checked_sub(1)), at(leap_slot.checked_add(1)));
            line[leap_slot] = match (before, after) {
                (Some(a), Some(b)) => Some([(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]),
                (a, b) => a.or(b),
            };
        }
        line.into_iter().collect()
    }

    fn find_deviations(&mut self) {
        let count = self.seasons.len().max(1) as f64;
        let mut mean = vec![[0.0; 2]; self.slots];
        for season in &self.seasons {
            add(&mut mean, &season.temperatures, 1.0 / count);
        }
        for season in &mut self.seasons {
            let mut deviation = season.temperatures.clone();
            add(&mut deviation, &mean, -1.0);
            season.smoothed_as_mean = smooth(&deviation, SMOOTH_MEAN_DAYS);
            season.smoothed = smooth(&deviation, SMOOTH_DEVIATION_DAYS);
        }
        self.mean = smooth(&mean, SMOOTH_MEAN_DAYS);
        for this in 0..self.seasons.len() {
            let mut others = vec![[0.0; 2]; self.slots];
            let mut weights = 0.0;
            for other in (0..self.seasons.len()).filter(|other| *other != this) {
                let weight = closeness(self.seasons[this].season, self.seasons[other].season);
                add(&mut others, &self.seasons[other].smoothed, weight);
                weights += weight;
            }
            self.seasons[this].others = others;
            self.seasons[this].others_weight = weights;
        }
    }
}

/// Calendar days from the biofix in a year with a 29 February.
fn slot(start: (u32, u32), day: NaiveDate) -> usize {
    let ordinal = |month, day| NaiveDate::from_ymd_opt(2000, month, day).map_or(0, |day| day.ordinal0() as usize);
    (366 + ordinal(day.month(), day.day()) - ordinal(start.0, start.1)) % 366
}

/// Weight of one season's deviation for another's level.
fn closeness(a: i32, b: i32) -> f64 {
    (-0.5 * ((f64::from(a) - f64::from(b)) / YEARS_APART).powi(2)).exp()
}

fn add(to: &mut Line, line: &Line, times: f64) {
    for (to, value) in to.iter_mut().zip(line) {
        to[0] += times * value[0];
        to[1] += times * value[1];
    }
}

/// Weighted by a bell curve along the season; at its ends the weights that are there count.
fn smooth(line: &Line, sd_days: f64) -> Line {
    let reach = (4.0 * sd_days) as usize;
    let weights: Vec<f64> = (0..=reach).map(|away| (-0.5 * (away as f64 / sd_days).powi(2)).exp()).collect();
    (0..line.len())
        .map(|at| {
            let (mut sum, mut total) = ([0.0; 2], 0.0);
            let from = at.saturating_sub(reach);
            for (other, value) in line.iter().enumerate().take(at + reach + 1).skip(from) {
                // Both lie within `reach` of each other.
                let weight = weights[at.abs_diff(other)];
                sum[0] += weight * value[0];
                sum[1] += weight * value[1];
                total += weight;
            }
            [sum[0] / total, sum[1] / total]
        })
        .collect()
}

/// The futures of one season; make it once a season, use it every day.
#[derive(Clone, Debug)]
pub struct SeasonProjector {
    rule: HeatRule,
    start: (u32, u32),
    /// What this season's temperatures are expected to be about, by slot.
    level: Line,
    members: Vec<MemberSeason>,
}

#[derive(Clone, Debug)]
struct MemberSeason {
    season: i32,
    anomalies: Line,
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
    /// The days after `last_day` as forecast, corrected to the station (see [`forecast_bias`]); may be empty.
    pub forecast: &'a [DayTemperatures],
    /// Root mean square error of the forecast by day ahead, °C; the last value stands for the days after, none at all for a
    /// perfect forecast. [`FORECAST_ERRORS_C`] where nothing better is known.
    pub forecast_errors_c: &'a [f64],
}

/// Root mean square error, °C, of daily temperatures forecast 1 to 7 days ahead.
///
/// The first is that of the National Weather Service's Norman office for next-day maxima, 3.80 °F (Brooks & Doswell 1996,
/// Weather Forecast. 11:288-303); its growth with the days ahead is from memory.
pub const FORECAST_ERRORS_C: [f64; 7] = [2.1, 2.4, 2.7, 3.1, 3.5, 3.9, 4.2];

/// One possible future.
#[derive(Clone, Debug, PartialEq)]
pub struct Future {
    /// The past season it was made from; with few seasons several futures come from the same.
    pub season: i32,
    /// °C·day per day from the day after [`Now::last_day`] on.
    pub degree_days: Vec<f64>,
}

/// Days after [`Now::last_day`] on which the futures reach a sum.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Crossings {
    /// Sorted; 1 is the day after, 0 that the sum was there before.
    pub days_ahead: Vec<u32>,
    /// Futures that end before they reach it: ranked last, never dropped.
    pub not_reached: u32,
}

impl Crossings {
    /// Share (0-1) of futures that get there within so many days; 0 without futures.
    pub fn chance_within(&self, days: u32) -> f64 {
        let all = self.days_ahead.len() + self.not_reached as usize;
        if all == 0 {
            return 0.0;
        }
        self.days_ahead.partition_point(|ahead| *ahead <= days) as f64 / all as f64
    }

    /// With a station's verified errors laid over every date. A future day stays a future day.
    pub fn dressed(self, dressing: &Dressing) -> Self {
        if dressing.0.is_empty() {
            return self;
        }
        let dress = |days: &u32| {
            let errors = dressing.errors_at(*days).unwrap_or([0.0; DRESSED]);
            let earliest = f64::from((*days).min(1));
            errors.map(|error| (f64::from(*days) + error).round().max(earliest) as u32)
        };
        let mut days_ahead: Vec<u32> = self.days_ahead.iter().flat_map(dress).collect();
        days_ahead.sort_unstable();
        Self { days_ahead, not_reached: self.not_reached * DRESSED as u32 }
    }
}

/// What verified projections of a station lacked in spread, laid over every projected date so that the spread is honest.
///
/// By days from the newest data to the projected date: errors in days, observed minus projected, any number of them. A
/// date takes the errors of the nearest distance. Made by [`hindcast::dressing`](super::hindcast::dressing).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Dressing(pub BTreeMap<u32, Vec<f64>>);

/// How many dates a date becomes when it is dressed: enough for the 10 and 90 % points (own choice, no source).
pub const DRESSED: usize = 9;

impl Dressing {
    /// Evenly spaced quantiles of the errors at this distance, always the same number, so that none weighs more.
    pub fn errors_at(&self, days: u32) -> Option<[f64; DRESSED]> {
        let below = self.0.range(..=days).next_back();
        let above = self.0.range(days..).next();
        let (_, errors) = match (below, above) {
            (Some(b), Some(a)) => Some(if days - b.0 <= a.0 - days { b } else { a }),
            (b, a) => b.or(a),
        }?;
        let mut sorted: Vec<f64> = errors.iter().copied().filter(|error| error.is_finite()).collect();
        sorted.sort_by(f64::total_cmp);
        // With as many errors as quantiles each is its own.
        let count = sorted.len();
        let last = count.checked_sub(1)?;
        Some(std::array::from_fn(|k| {
            let place = ((k as f64 + 0.5) / DRESSED as f64 * count as f64 - 0.5).clamp(0.0, last as f64);
            let (low, high) = (place.floor() as usize, place.ceil() as usize);
            // Both lie in 0..=last.
            sorted[low] + (sorted[high] - sorted[low]) * (place - low as f64)
        }))
    }
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
    /// `last_day`, or with the length of season that the [`Projector`] was made for, whichever comes first.
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

/// The share (0-1) of the weather's own spread that a forecast with this error leaves open.
pub fn error_share(error_c: f64, sd_c: f64) -> f64 {
    if error_c > 0.0 && sd_c > 0.0 { (error_c / sd_c).min(1.0) } else { 0.0 }
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

/// Days until `sum` and the degree-days after it reach `target`; 0 when it is there, `None` when they end before.
pub fn days_to(sum: f64, target: f64, degree_days: &[f64]) -> Option<u32> {
    // Sums of many small numbers: a hair below the target is at it.
    let target = target - 1e-9;
    if sum >= target {
        return Some(0);
    }
    let mut sum = sum;
    let at = degree_days.iter().position(|of_day| {
        sum += of_day;
        sum >= target
    })?;
    Some(at as u32 + 1)
}

/// What to add to a forecast's minimum and maximum, °C, from the days that both forecast and station have. Few days count
/// for little: with 5 of them half of their mean difference is taken.
pub fn forecast_bias(pairs: &[(DayTemperatures, DayTemperatures)]) -> [f64; 2] {
    /// Shrinking a mean of few days towards zero is common practice; this number has no source.
    const DOUBT_DAYS: f64 = 5.0;
    let mut sum = [0.0; 2];
    let mut days = 0.0;
    for (forecast, observed) in pairs {
        let off = [observed.min_c - forecast.min_c, observed.max_c - forecast.max_c];
        if off.iter().all(|off| off.is_finite()) {
            sum[0] += off[0];
            sum[1] += off[1];
            days += 1.0;
        }
    }
    sum.map(|sum| sum / (days + DOUBT_DAYS))
}

/// Past seasons with another station's help, and how that was made to fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Borrowed {
    pub seasons: Vec<PastSeason>,
    /// Of them, those that are the other station's.
    pub borrowed: u32,
    pub by: BorrowedBy,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BorrowedBy {
    /// The mean difference of the days that both have, by time of year where there are enough.
    CommonDays(u32),
    /// The difference in elevation only: a guess, to be shown as such.
    Elevation,
}

/// How another station's temperatures are made to fit this one.
#[derive(Clone, Debug, PartialEq)]
pub struct StationFit {
    /// To be added to minimum and maximum, °C, by day of the year.
    by_ordinal: Vec<[f64; 2]>,
    pub by: BorrowedBy,
}

impl StationFit {
    /// From seasons of both, whole or in pieces: a day counts where both have numbers. `lapse_c` is what elevation alone
    /// says must be added to the other's temperatures.
    pub fn between(own: &[PastSeason], other: &[PastSeason], lapse_c: f64) -> Self {
        /// Days about a calendar day that speak for it, to each side, and how many there must be. These three numbers are
        /// common practice, no source.
        const WINDOW_DAYS: i64 = 30;
        const WINDOW_NEEDED: usize = 20;
        /// Fewer common days in all say less than the elevation.
        const COMMON_NEEDED: usize = 30;

        // By day of the year: sum of the differences and how many.
        let mut common = vec![([0.0; 2], 0usize); 367];
        for own in own {
            let Some(other) = other.iter().find(|other| other.season == own.season) else { continue };
            for (day, own) in own.first.iter_days().zip(&own.days) {
                let at = usize::try_from((day - other.first).num_days()).ok();
                if let Some(other) = at.and_then(|at| other.days.get(at)) {
                    let off = [own.min_c - other.min_c, own.max_c - other.max_c];
                    if off.iter().all(|off| off.is_finite())
                        && let Some((sum, days)) = common.get_mut(day.ordinal() as usize)
                    {
                        *sum = [sum[0] + off[0], sum[1] + off[1]];
                        *days += 1;
                    }
                }
            }
        }
        let mean = |near: &dyn Fn(i64) -> bool| {
            let mut days_near = (0..).zip(&common).filter(|(ordinal, _)| near(*ordinal)).map(|(_, of_day)| of_day);
            let (sum, days) = days_near.by_ref().fold(([0.0; 2], 0), |(all, n): ([f64; 2], usize), (sum, days)| {
                ([all[0] + sum[0], all[1] + sum[1]], n + days)
            });
            (sum.map(|sum| sum / days.max(1) as f64), days)
        };
        let (overall, days) = mean(&|_| true);
        if days < COMMON_NEEDED {
            return Self { by_ordinal: vec![[lapse_c; 2]; 367], by: BorrowedBy::Elevation };
        }
        let around = |ordinal: i64| {
            let (here, days) = mean(&|other| {
                let apart = (ordinal - other).abs();
                apart.min(366 - apart) <= WINDOW_DAYS
            });
            if days >= WINDOW_NEEDED { here } else { overall }
        };
        Self { by_ordinal: (0..=366).map(around).collect(), by: BorrowedBy::CommonDays(days as u32) }
    }

    /// A season of the other station as it would have been at this one.
    pub fn fitted(&self, other: &PastSeason) -> PastSeason {
        let fit = |(day, of_day): (NaiveDate, &DayTemperatures)| {
            let [min, max] = self.by_ordinal.get(day.ordinal() as usize).copied().unwrap_or_default();
            let (a, b) = (of_day.min_c + min, of_day.max_c + max);
            DayTemperatures { min_c: a.min(b), max_c: a.max(b) }
        };
        PastSeason {
            season: other.season,
            first: other.first,
            days: other.first.iter_days().zip(&other.days).map(fit).collect(),
        }
    }
}

/// A station with few or no past seasons borrows those of another that it has not itself.
///
/// `own` may hold seasons that are not whole: they tell the difference between the stations, and come back unchanged.
/// `lapse_c` is what elevation alone says must be added to the other's temperatures.
pub fn borrow(own: &[PastSeason], other: &[PastSeason], lapse_c: f64) -> Borrowed {
    let fit = StationFit::between(own, other, lapse_c);
    let lent = other.iter().filter(|other| !own.iter().any(|own| own.season == other.season));
    let lent: Vec<PastSeason> = lent.map(|season| fit.fitted(season)).collect();
    let borrowed = lent.len() as u32;
    let mut seasons: Vec<PastSeason> = own.iter().cloned().chain(lent).collect();
    seasons.sort_by_key(|season| season.season);
    Borrowed { seasons, borrowed, by: fit.by }
}
