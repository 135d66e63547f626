//! Gaps in a season: filled from the next station, by a short line, or with what is usual; every filled day says how.

use chrono::{Days, NaiveDate};

use super::normals::Normals;
use super::record::RawSeries;
use super::{DayOrigin, DayTemperatures, Element, FilledDay, StationId};
use crate::config::WeatherConfig;

/// A common day farther from the gap than this says nothing about the bias at the gap.
const BIAS_REACH_DAYS: usize = 90;

/// The accepted values of a station that may stand in, over the same days as the primary's.
#[derive(Clone, Debug)]
pub struct Neighbour {
    pub station: StationId,
    pub elevation_m: f64,
    pub accepted: RawSeries,
}

/// The accepted values of the station whose gaps are filled. Days before the season serve as anchors and for the bias.
#[derive(Clone, Debug)]
pub struct Primary<'a> {
    pub elevation_m: f64,
    pub accepted: &'a RawSeries,
    pub normals: &'a Normals,
}

/// Fills `from..=to`, each element of a day by itself: from the neighbours in order, then by a straight line over at
/// most `interpolate_days`, then with the station's mean for the calendar day. A station too new to have a mean falls
/// back on the line however long, and at the season's start on its first value; such days say `Interpolated`.
///
/// The run ends with the last day on which the primary or a neighbour really has both values: nothing is made up past
/// it. It is empty when there is no such day. A day's origin is that of its less real element.
pub fn fill(
    primary: &Primary<'_>,
    neighbours: &[Neighbour],
    rules: &WeatherConfig,
    from: NaiveDate,
    to: NaiveDate,
) -> Vec<FilledDay> {
    let first = primary.accepted.first;
    let Some(count) = usize::try_from((to - first).num_days() + 1).ok().filter(|_| from <= to) else {
        return Vec::new();
    };
    // A season that starts before the primary's window has no cells of its own there.
    let start = usize::try_from((from - first).num_days()).unwrap_or(0);

    let [mut max, mut min] = [Element::Max, Element::Min].map(|element| {
        let observed = values(primary.accepted, element, first, count);
        let stand_ins: Vec<StandIn> = neighbours
            .iter()
            .map(|neighbour| StandIn {
                lapse_c: lapse_correction_c(rules.lapse_c_per_km, neighbour.elevation_m, primary.elevation_m),
                values: values(&neighbour.accepted, element, first, count),
            })
            .collect();
        with_neighbours(&observed, &stand_ins, rules.bias_days as usize)
    });

    let Some(end) = (start..count).rev().find(|at| is_set(&max, *at) && is_set(&min, *at)) else {
        return Vec::new();
    };
    for (cells, element) in [(&mut max, Element::Max), (&mut min, Element::Min)] {
        cells.truncate(end + 1);
        draw_short_lines(cells, rules.interpolate_days as usize);
        for (at, cell) in cells.iter_mut().enumerate().filter(|(_, cell)| cell.is_none()) {
            let usual = primary.normals.usual(first + Days::new(at as u64), element);
            *cell = usual.map(|usual| Cell { value_c: usual.mean_c, from: CellOrigin::Climatology });
        }
        draw_short_lines(cells, usize::MAX);
        hold_first_value(cells);
    }

    let cells = max.into_iter().zip(min).enumerate().skip(start);
    cells
        .filter_map(|(at, (max, min))| {
            let (max, min) = (max?, min?);
            // A maximum may lie a little below the minimum (within the tolerance of the check, or when they come from
            // different stations); the two then change places.
            let temperatures =
                DayTemperatures { min_c: min.value_c.min(max.value_c), max_c: max.value_c.max(min.value_c) };
            let origin = max.from.max(min.from).named(neighbours);
            Some(FilledDay { day: first + Days::new(at as u64), temperatures, origin })
        })
        .collect()
}

/// What is added to a temperature measured at `from_m` to carry it to `to_m`: the air cools by the lapse rate with height.
pub fn lapse_correction_c(lapse_c_per_km: f64, from_m: f64, to_m: f64) -> f64 {
    -lapse_c_per_km * (to_m - from_m) / 1000.0
}

/// One element of one day, with where it came from.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Cell {
    value_c: f64,
    from: CellOrigin,
}

/// Ordered from real to made up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum CellOrigin {
    Observed,
    /// Rank of the neighbour.
    Neighbour(usize),
    Interpolated,
    Climatology,
}

impl CellOrigin {
    fn named(self, neighbours: &[Neighbour]) -> DayOrigin {
        match self {
            CellOrigin::Observed => DayOrigin::Observed,
            CellOrigin::Neighbour(rank) => DayOrigin::Neighbour {
                station: neighbours.get(rank).map(|neighbour| neighbour.station.0.clone()).unwrap_or_default(),
            },
            CellOrigin::Interpolated => DayOrigin::Interpolated,
            CellOrigin::Climatology => DayOrigin::Climatology,
        }
    }
}

/// A neighbour's values of one element, and what carries them to the primary's height.
struct StandIn {
    lapse_c: f64,
    values: Vec<Option<f64>>,
}

fn is_set(cells: &[Option<Cell>], at: usize) -> bool {
    cells.get(at).is_some_and(Option::is_some)
}

/// `count` days of one element from `first` on, °C.
fn values(series: &RawSeries, element: Element, first: NaiveDate, count: usize) -> Vec<Option<f64>> {
    (0..count).map(|at| series.value(first + Days::new(at as u64), element).map(|raw| raw.value.c())).collect()
}

fn with_neighbours(observed: &[Option<f64>], stand_ins: &[StandIn], bias_days: usize) -> Vec<Option<Cell>> {
    let from_neighbour = |at: usize| {
        stand_ins.iter().enumerate().find_map(|(rank, stand_in)| {
            let carried = stand_in.values.get(at).copied().flatten()? + stand_in.lapse_c;
            let value_c = carried + bias_near(observed, stand_in, at, bias_days).unwrap_or(0.0);
            Some(Cell { value_c, from: CellOrigin::Neighbour(rank) })
        })
    };
    let cell = |(at, value): (usize, &Option<f64>)| match value {
        Some(value_c) => Some(Cell { value_c: *value_c, from: CellOrigin::Observed }),
        None => from_neighbour(at),
    };
    observed.iter().enumerate().map(cell).collect()
}

/// Mean of (observed - carried) over the `bias_days` common days nearest to a day; `None` when there are fewer in reach.
fn bias_near(observed: &[Option<f64>], stand_in: &StandIn, at: usize, bias_days: usize) -> Option<f64> {
    let difference = |day: Option<usize>| {
        let day = day?;
        Some(observed.get(day).copied().flatten()? - stand_in.values.get(day).copied().flatten()? - stand_in.lapse_c)
    };
    let outward = (1..=BIAS_REACH_DAYS).flat_map(|off| [at.checked_sub(off), at.checked_add(off)]);
    let nearest: Vec<f64> = outward.filter_map(difference).take(bias_days).collect();
    (bias_days > 0 && nearest.len() == bias_days).then(|| nearest.iter().sum::<f64>() / bias_days as f64)
}

/// Straight lines over gaps of at most `longest` days that have a value on both sides.
fn draw_short_lines(cells: &mut [Option<Cell>], longest: usize) {
    let mut before: Option<(usize, f64)> = None;
    for at in 0..cells.len() {
        let Some(here) = cells.get(at).copied().flatten() else { continue };
        if let Some((left, left_c)) = before {
            let missing = at - left - 1;
            if missing > 0 && missing <= longest {
                let step = (here.value_c - left_c) / (at - left) as f64;
                for (nth, cell) in cells.iter_mut().take(at).skip(left + 1).enumerate() {
                    let value_c = left_c + step * (nth + 1) as f64;
                    *cell = Some(Cell { value_c, from: CellOrigin::Interpolated });
                }
            }
        }
        before = Some((at, here.value_c));
    }
}

/// Days before the first value take it: they have neither a line's left end nor a mean.
fn hold_first_value(cells: &mut [Option<Cell>]) {
    let Some(value_c) = cells.iter().flatten().next().map(|cell| cell.value_c) else { return };
    for cell in cells.iter_mut().take_while(|cell| cell.is_none()) {
        *cell = Some(Cell { value_c, from: CellOrigin::Interpolated });
    }
}
