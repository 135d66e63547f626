//! A chart's figures made fit to draw: days counted from the left edge, numbers that are numbers, spreads in order.

use chrono::{Datelike, NaiveDate};

use super::{PastSeason, SeasonChart, StageDate};
use crate::heat::DayOrigin;

/// Past years needed to draw their spread; fewer are drawn one by one.
const YEARS_FOR_A_BAND: usize = 5;
/// A chart spans at most so many days: a season is a year at the longest.
const MOST_DAYS: i64 = 372;
/// °C·day: more than a year can bring anywhere; what is larger is no heat sum.
const MOST_HEAT: f64 = 20_000.0;
/// Days shown beyond the last thing there is to show.
const DAYS_AFTER: u64 = 14;

/// The figures, made fit to draw.
pub struct Season {
    pub first: NaiveDate,
    /// Days from the left edge to the right one.
    pub days: i64,
    /// (day from the left edge, °C·day, how the day was come by).
    pub line: Vec<(i64, f64, Ink)>,
    pub past: Past,
    pub top: f64,
}

/// How a stretch of the season's line is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ink {
    Measured,
    Filled,
    Forecast,
}

pub enum Past {
    /// One line a year.
    Few(Vec<Vec<f64>>),
    /// For each day: the 10, 50 and 90 % points of the years' sums.
    Band { years: usize, points: Vec<[f64; 3]> },
}

/// A stage's dates as days from the left edge, brought inside the chart.
#[derive(Clone, Copy)]
pub struct DateMarks {
    pub reached: Option<i64>,
    pub early: Option<i64>,
    pub median: Option<i64>,
    pub late: Option<i64>,
    /// The bar goes on beyond the right edge.
    pub open: bool,
}

impl DateMarks {
    pub fn of(date: StageDate, season: &Season) -> Self {
        let at = |day: NaiveDate| (day - season.first).num_days();
        let inside = |day: i64| (0..season.days).contains(&day);
        let none = Self { reached: None, early: None, median: None, late: None, open: false };
        match date {
            StageDate::Reached(on) | StageDate::Seen(on) => {
                Self { reached: Some(at(on)).filter(|day| inside(*day)), ..none }
            }
            StageDate::Projected(spread) => {
                // A spread out of order shows what it can: from the earliest to the latest of its days.
                let known: Vec<i64> =
                    [spread.early, spread.median, spread.late].into_iter().flatten().map(at).collect();
                let (Some(first), Some(last)) = (known.iter().min().copied(), known.iter().max().copied()) else {
                    return none;
                };
                let right = season.days - 1;
                if first > right || last < 0 {
                    return none;
                }
                let open = spread.late.is_none() || last > right;
                Self {
                    reached: None,
                    early: Some(first.max(0)),
                    median: spread.median.map(at).filter(|day| inside(*day)),
                    late: Some(if open { right } else { last }),
                    open,
                }
            }
            StageDate::Unknown => none,
        }
    }

    /// The day it was reached, or most likely came or will come.
    pub fn point(&self) -> Option<i64> {
        self.reached.or(self.median)
    }
}

impl Season {
    pub fn of(chart: &SeasonChart) -> Self {
        let first = chart.biofix;
        let at = |day: NaiveDate| (day - first).num_days();
        let mut line: Vec<(i64, f64, Ink)> = Vec::with_capacity(chart.heat.len());
        for day in &chart.heat {
            let (place, sum) = (at(day.day), day.sum);
            let in_order = line.last().is_none_or(|(before, _, _)| place > *before);
            if in_order && (0..MOST_DAYS).contains(&place) && (0.0..=MOST_HEAT).contains(&sum) {
                let ink = match day.origin {
                    DayOrigin::Observed => Ink::Measured,
                    DayOrigin::Forecast => Ink::Forecast,
                    DayOrigin::Neighbour { .. } | DayOrigin::Interpolated | DayOrigin::Climatology => Ink::Filled,
                };
                line.push((place, sum, ink));
            }
        }

        let last = chart.until.map_or_else(|| last_to_show(chart, &line), at);
        let days = last.clamp(40, MOST_DAYS - 1) + 1;
        line.retain(|(day, _, _)| *day < days);
        let past = Past::of(&chart.past, days);

        let highest_threshold = chart.stages.iter().filter_map(|stage| usable(stage.threshold)).fold(0.0, f64::max);
        let top = if highest_threshold > 0.0 {
            let reached = line.iter().map(|(_, sum, _)| *sum).fold(0.0, f64::max);
            // A season that goes far past the last threshold is cut off there: what matters lies below.
            (highest_threshold * 1.18).max(reached.min(highest_threshold * 1.4))
        } else {
            line.iter().map(|(_, sum, _)| *sum).fold(50.0, f64::max) * 1.1
        };
        Self { first, days, line, past, top }
    }

    /// First days of the months shown, as days from the left edge; the first one may lie left of it.
    pub fn months(&self) -> Vec<(i64, NaiveDate)> {
        let mut months = Vec::new();
        let mut month = self.first.with_day(1).unwrap_or(self.first);
        while (month - self.first).num_days() < self.days {
            months.push(((month - self.first).num_days(), month));
            let Some(next) = month.checked_add_months(chrono::Months::new(1)) else { break };
            month = next;
        }
        months
    }
}

/// Days from the biofix to the right edge that shows every date, and today while something is still to come.
fn last_to_show(chart: &SeasonChart, line: &[(i64, f64, Ink)]) -> i64 {
    let mut shown: Vec<NaiveDate> = Vec::new();
    let mut waiting = false;
    for stage in &chart.stages {
        match stage.date {
            StageDate::Reached(on) | StageDate::Seen(on) => shown.push(on),
            StageDate::Projected(spread) => {
                waiting |= spread.late.is_none_or(|late| late >= chart.today);
                shown.extend([spread.early, spread.median, spread.late].into_iter().flatten());
            }
            StageDate::Unknown => waiting = true,
        }
    }
    if let Some(days) = &chart.days {
        shown.push(days.deadline);
    }
    let today = (chart.today - chart.biofix).num_days();
    let mut last = shown.iter().map(|day| (*day - chart.biofix).num_days()).max();
    if waiting && (0..MOST_DAYS).contains(&today) {
        last = last.max(Some(today));
    }
    match last {
        Some(last) => last.saturating_add(DAYS_AFTER as i64),
        None => line.last().map_or(120, |(day, _, _)| *day),
    }
}

impl Past {
    fn of(seasons: &[PastSeason], days: i64) -> Self {
        let days = usize::try_from(days).unwrap_or(0);
        // What is no heat sum ends its year's line.
        let years: Vec<Vec<f64>> = seasons
            .iter()
            .map(|season| {
                season
                    .sums
                    .iter()
                    .copied()
                    .take(days)
                    .take_while(|sum| (0.0..=MOST_HEAT).contains(sum))
                    .collect::<Vec<_>>()
            })
            .filter(|sums| !sums.is_empty())
            .collect();
        let mut points = Vec::with_capacity(days);
        for day in 0..days {
            let mut sums: Vec<f64> = years.iter().filter_map(|sums| sums.get(day).copied()).collect();
            if sums.len() < YEARS_FOR_A_BAND {
                break;
            }
            sums.sort_by(f64::total_cmp);
            points.push([0.1, 0.5, 0.9].map(|share| quantile(&sums, share)));
        }
        if points.len() > 1 { Past::Band { years: years.len(), points } } else { Past::Few(years) }
    }
}

/// By straight lines between the sorted values (type 7 of Hyndman and Fan 1996); `sorted` is not empty.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share * (sorted.len() - 1) as f64;
    let below = place.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (place - below as f64) * (sorted[above] - sorted[below])
}

/// A threshold that can be drawn.
pub fn usable(threshold: Option<f64>) -> Option<f64> {
    threshold.filter(|threshold| *threshold > 0.0 && *threshold <= MOST_HEAT)
}
