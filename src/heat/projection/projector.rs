//! A station's past seasons, each split into a level and an anomaly.

use chrono::{Datelike, NaiveDate};

use super::futures::{MemberSeason, SeasonProjector};
use super::slots::{Line, slot};
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
    seasons: Vec<Season>,
    /// Mean of all seasons, smoothed.
    mean: Line,
}

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
