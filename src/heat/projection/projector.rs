//! A station's past seasons, each split into a level and an anomaly.

use chrono::{Datelike, NaiveDate};

use super::futures::SeasonProjector;
use super::slots::{Line, slot};
use crate::heat::widest::{Work, widest};
use crate::heat::{DayTemperatures, HeatRule};

// The constants were tuned as the head of the module says; none has another source.
/// Standard deviation of the weights by distance in years, of the smooth deviation.
const YEARS_APART: f64 = 8.0;
/// Weight of "no deviation" among them, in seasons, so that a single neighbour in time does not decide alone.
const NO_DEVIATION: f64 = 0.5;
/// Standard deviation, days, of the smoothing along the season: of the mean, and of the seasons' deviations from it.
const SMOOTH_MEAN_DAYS: f64 = 10.0;
const SMOOTH_DEVIATION_DAYS: f64 = 15.0;

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
    /// In order.
    seasons: Vec<Season>,
    /// °C; 29 February in a year without one is the mean of its neighbours.
    temperatures: Table,
    /// Deviation from the mean of all seasons, smoothed as the mean is and as deviations are.
    smoothed_as_mean: Table,
    smoothed: Table,
    /// Weighted sum of all other seasons' smoothed deviations.
    others: Table,
    /// By season: the sum of those weights.
    others_weights: Vec<f64>,
    /// Mean of all seasons, smoothed.
    mean: Line,
}

/// A value for minimum and maximum by slot, then by season: a look at one slot finds all seasons side by side.
type Table = [Vec<f64>; 2];

#[derive(Clone, Debug)]
struct Season {
    season: i32,
    first: NaiveDate,
    days: Vec<DayTemperatures>,
    /// Running sums of its heat, °C·day.
    sums: Vec<f64>,
}

impl Projector {
    /// `days` is how long a season is followed (1 to 366), counted in a year with a 29 February; a past season that ends
    /// before, has a value that is not finite, or begins on another calendar day than the first one, is left out, see
    /// [`Projector::seasons`].
    pub fn new(rule: HeatRule, days: usize, past: &[PastSeason]) -> Self {
        let mut projector = Self::unsummed(rule, days, past);
        for season in &mut projector.seasons {
            season.sums = rule.running_sums(&season.days);
        }
        let count = projector.seasons.len();
        projector.smoothed_as_mean =
            projector.deviations().each_ref().map(|table| smooth(table, count, SMOOTH_MEAN_DAYS));
        projector
    }

    /// Without what only those ask who leave a past season out, or look at its heat.
    fn unsummed(rule: HeatRule, days: usize, past: &[PastSeason]) -> Self {
        let start = past.first().map_or((1, 1), |season| (season.first.month(), season.first.day()));
        let slots = days.clamp(1, 366);
        let mut known: Vec<(&PastSeason, Line)> = Vec::with_capacity(past.len());
        for past in past {
            let again = known.iter().any(|(known, _)| known.season == past.season);
            let same_start = (past.first.month(), past.first.day()) == start;
            if let (false, true, Some(line)) = (again, same_start, by_slot(start, slots, past)) {
                known.push((past, line));
            }
        }
        known.sort_by_key(|(past, _)| past.season);
        let table = |element: usize| {
            (0..slots).flat_map(|slot| known.iter().map(move |(_, line)| line[slot][element])).collect::<Vec<f64>>()
        };
        let temperatures = [table(0), table(1)];
        let seasons = known.iter().map(|(past, _)| Season {
            season: past.season,
            first: past.first,
            days: past.days.clone(),
            sums: Vec::new(),
        });
        let none = || [Vec::new(), Vec::new()];
        let mut projector = Self {
            rule,
            start,
            slots,
            seasons: seasons.collect(),
            temperatures,
            smoothed_as_mean: none(),
            smoothed: none(),
            others: none(),
            others_weights: Vec::new(),
            mean: Vec::new(),
        };
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
        self.find(season).map(|known| (known.first, known.days.as_slice()))
    }

    /// Running sums of the heat of one of the [`Projector::seasons`], °C·day at the end of each of its days.
    pub fn sums(&self, season: i32) -> Option<&[f64]> {
        self.find(season).map(|known| known.sums.as_slice())
    }

    fn find(&self, season: i32) -> Option<&Season> {
        self.place(season).and_then(|at| self.seasons.get(at))
    }

    fn place(&self, season: i32) -> Option<usize> {
        self.seasons.binary_search_by_key(&season, |known| known.season).ok()
    }

    /// What the other seasons say of `season`, which itself is left out whole where it is among them.
    pub fn for_season(&self, season: i32) -> SeasonProjector {
        let count = self.seasons.len();
        let out = self.place(season);
        let left = count - usize::from(out.is_some());
        // Of each season that is left: what the one left out weighs in its level, what all others do, and what one over the
        // sum of the weights is.
        let shared: Vec<f64> =
            self.seasons.iter().map(|known| out.map_or(0.0, |_| closeness(known.season, season))).collect();
        let weights: Vec<f64> =
            self.others_weights.iter().zip(&shared).map(|(weight, shared)| weight - shared).collect();
        let parts: Vec<f64> = weights.iter().map(|weight| 1.0 / (weight + NO_DEVIATION)).collect();
        let own_weights: Vec<f64> = self
            .seasons
            .iter()
            .enumerate()
            .map(|(at, known)| if Some(at) == out { 0.0 } else { closeness(season, known.season) })
            .collect();
        let own_weight: f64 = own_weights.iter().sum();

        let mut level = vec![[0.0; 2]; self.mean.len()];
        let mut anomalies = [0, 1].map(|_| Vec::with_capacity(self.mean.len() * left));
        let mut row = vec![0.0; count];
        for element in 0..2 {
            let rows = |table: &'_ Table, slot: usize| slot * count..((slot + 1) * count).min(table[element].len());
            for (slot, own_level) in level.iter_mut().enumerate() {
                let of = |table: &'_ Table| -> std::ops::Range<usize> { rows(table, slot) };
                let smoothed = &self.smoothed[element][of(&self.smoothed)];
                let others = &self.others[element][of(&self.others)];
                let temperatures = &self.temperatures[element][of(&self.temperatures)];
                // Leaving one season out moves the mean, and with it every deviation, by its deviation over the number left.
                let at_out = |row: &[f64]| out.and_then(|out| row.get(out)).copied().unwrap_or(0.0);
                let deviation = at_out(smoothed);
                let moved = deviation / left.max(1) as f64;
                let as_mean = out.map_or(0.0, |_| at_out(&self.smoothed_as_mean[element][of(&self.smoothed_as_mean)]));
                let mean = self.mean[slot][element] - as_mean / left.max(1) as f64;
                let sum: f64 = own_weights.iter().zip(smoothed).map(|(weight, value)| weight * value).sum();
                own_level[element] = mean + (sum + own_weight * moved) / (own_weight + NO_DEVIATION);
                for (at, value) in row.iter_mut().enumerate() {
                    let others = others[at] - shared[at] * deviation + weights[at] * moved;
                    *value = temperatures[at] - (mean + others * parts[at]);
                }
                let (before, after) = row.split_at(out.unwrap_or(count));
                anomalies[element].extend_from_slice(before);
                anomalies[element].extend_from_slice(after.get(1..).unwrap_or_default());
            }
        }
        let members = self.seasons().filter(|known| *known != season).collect();
        SeasonProjector { rule: self.rule, start: self.start, level, members, anomalies }
    }

    /// Mean of all seasons by slot.
    fn means(&self) -> Line {
        let count = self.seasons.len();
        let mut mean = vec![[0.0; 2]; self.slots];
        if count > 0 {
            for element in 0..2 {
                for (mean, row) in mean.iter_mut().zip(self.temperatures[element].chunks(count)) {
                    mean[element] = row.iter().map(|value| value * (1.0 / count as f64)).sum();
                }
            }
        }
        mean
    }

    /// Of each season from that mean.
    fn deviations(&self) -> Table {
        let (count, mean) = (self.seasons.len(), self.means());
        let mut deviations = self.temperatures.clone();
        for (element, table) in deviations.iter_mut().enumerate() {
            for (mean, row) in mean.iter().zip(table.chunks_mut(count.max(1))) {
                row.iter_mut().for_each(|value| *value -= mean[element]);
            }
        }
        deviations
    }

    fn find_deviations(&mut self) {
        let count = self.seasons.len();
        let (mean, deviations) = (self.means(), self.deviations());
        self.smoothed = deviations.each_ref().map(|table| smooth(table, count, SMOOTH_DEVIATION_DAYS));
        let [min, max] = [0, 1].map(|element| {
            let line: Vec<f64> = mean.iter().map(|value| value[element]).collect();
            smooth(&line, 1, SMOOTH_MEAN_DAYS)
        });
        self.mean = min.into_iter().zip(max).map(|(min, max)| [min, max]).collect();

        // By season, then by season: how close they are; none is close to itself.
        let years = || self.seasons.iter().map(|season| season.season);
        let close = |a: i32, b: i32| if a == b { 0.0 } else { closeness(a, b) };
        let closeness: Vec<f64> = years().flat_map(|a| years().map(move |b| close(a, b))).collect();
        let rows = || closeness.chunks(count.max(1));
        self.others_weights = rows().map(|row| row.iter().sum()).collect();
        self.others = self.smoothed.each_ref().map(|table| {
            let mut others = vec![0.0; table.len()];
            widest(Others { smoothed: table, count: count.max(1), closeness: &closeness, to: &mut others });
            others
        });
    }
}

impl SeasonProjector {
    /// As [`Projector::for_season`] gives it, where nothing else is asked of the past seasons.
    pub fn new(rule: HeatRule, days: usize, past: &[PastSeason], season: i32) -> Self {
        if past.iter().any(|past| past.season == season) {
            return Projector::new(rule, days, past).for_season(season);
        }
        Projector::unsummed(rule, days, past).for_season(season)
    }
}

/// A season's temperatures by slot; `None` for one that is not whole or not made of numbers.
fn by_slot(start: (u32, u32), slots: usize, past: &PastSeason) -> Option<Line> {
    let mut line: Vec<Option<[f64; 2]>> = vec![None; slots];
    let mut before = None;
    for (day, temperatures) in past.first.iter_days().zip(&past.days) {
        let slot = slot(start, day);
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
    let leap_slot = slot(start, NaiveDate::from_ymd_opt(2000, 2, 29)?);
    let at = |slot: Option<usize>| slot.and_then(|slot| line.get(slot).copied().flatten());
    if leap_slot < slots && line[leap_slot].is_none() {
        let (before, after) = (at(leap_slot.checked_sub(1)), at(leap_slot.checked_add(1)));
        line[leap_slot] = match (before, after) {
            (Some(a), Some(b)) => Some([(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]),
            (a, b) => a.or(b),
        };
    }
    line.into_iter().collect()
}

/// Weight of one season's deviation for another's level.
fn closeness(a: i32, b: i32) -> f64 {
    (-0.5 * ((f64::from(a) - f64::from(b)) / YEARS_APART).powi(2)).exp()
}

/// Columns that are summed at a time: as many as a processor holds in its registers.
const COLUMNS: usize = 16;

/// Sums of rows, each times its weight, in their order.
#[inline(always)]
fn weighted<'r>(to: &mut [f64], rows: impl Iterator<Item = (f64, &'r [f64])> + Clone) {
    let Some(last) = to.len().checked_sub(COLUMNS) else {
        to.fill(0.0);
        for (weight, row) in rows {
            for (to, value) in to.iter_mut().zip(row) {
                *to += weight * value;
            }
        }
        return;
    };
    for from in (0..to.len()).step_by(COLUMNS) {
        // The last of them begin early enough to be as many: what is summed again comes out the same.
        let from = from.min(last);
        let mut sums = [0.0; COLUMNS];
        for (weight, row) in rows.clone() {
            let Some(row) = row.get(from..).and_then(|row| row.first_chunk::<COLUMNS>()) else { continue };
            for (sum, value) in sums.iter_mut().zip(row) {
                *sum += weight * value;
            }
        }
        if let Some(to) = to.get_mut(from..from + COLUMNS) {
            to.copy_from_slice(&sums);
        }
    }
}

/// Rows by slot, weighted by a bell curve along the season; at its ends the weights that are there count.
fn smooth(table: &[f64], count: usize, sd_days: f64) -> Vec<f64> {
    let reach = (4.0 * sd_days) as usize;
    let weights: Vec<f64> = (0..=reach).map(|away| (-0.5 * (away as f64 / sd_days).powi(2)).exp()).collect();
    let mut smoothed = vec![0.0; table.len()];
    widest(Smooth { table, count: count.max(1), weights: &weights, to: &mut smoothed });
    smoothed
}

/// `weights`: by how far a row is away.
struct Smooth<'a> {
    table: &'a [f64],
    count: usize,
    weights: &'a [f64],
    to: &'a mut [f64],
}

impl Work for Smooth<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { table, count, weights, to } = self;
        for (at, to) in to.chunks_mut(count).enumerate() {
            let (from, end) = ((at + 1).saturating_sub(weights.len()), at + weights.len());
            let rows = table.chunks(count).enumerate().take(end).skip(from);
            let rows = rows.filter_map(|(other, row)| weights.get(at.abs_diff(other)).map(|weight| (*weight, row)));
            weighted(to, rows.clone());
            let total: f64 = rows.map(|(weight, _)| weight).sum();
            for value in to {
                *value /= total;
            }
        }
    }
}

/// Of each row, its values weighted by how close their seasons are to each other's.
struct Others<'a> {
    smoothed: &'a [f64],
    count: usize,
    /// By season, then by season.
    closeness: &'a [f64],
    to: &'a mut [f64],
}

impl Work for Others<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { smoothed, count, closeness, to } = self;
        for (to, smoothed) in to.chunks_mut(count).zip(smoothed.chunks(count)) {
            weighted(to, smoothed.iter().copied().zip(closeness.chunks(count)));
        }
    }
}
