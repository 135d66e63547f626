//! Gaps in a season: filled from the next station, by a short line, or with what is usual; every filled day says how.

use chrono::{Days, NaiveDate};

use super::normals::Normals;
use super::reading::Element;
use super::record::RawSeries;
use super::station::StationId;
use crate::heat::{DayOrigin, DayTemperatures, FilledDay};
use crate::weather::settings::WeatherConfig;

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
                station: neighbours.get(rank).map_or_else(|| "".into(), |neighbour| neighbour.station.clone()),
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

#[cfg(test)]
mod tests {
    use super::super::invented::{day, index, station, versions};
    use super::super::record::Known;
    use super::*;

    type Days_ = Vec<(Option<i32>, Option<i32>)>;
    const FIRST: fn() -> NaiveDate = || day(2026, 1, 1);

    fn series(days: &[(Option<i32>, Option<i32>)]) -> RawSeries {
        let last = FIRST() + Days::new(days.len() as u64 - 1);
        index(versions(FIRST(), days)).as_of(Known::Everything, &station("A", 0.0).sources, FIRST(), last)
    }

    fn whole(values: &[i32]) -> Days_ {
        values.iter().map(|max| (Some(*max), Some(max - 100))).collect()
    }

    fn no_normals() -> Normals {
        Normals::around(&index(Vec::new()), Known::Everything, &[], 2026)
    }

    /// Ten years of 8.0/-2.0 °C on every day of January and February.
    fn flat_normals() -> Normals {
        let all = (2010..2020).flat_map(|year| versions(day(year, 1, 1), &[(Some(80), Some(-20)); 59])).collect();
        Normals::around(&index(all), Known::Everything, &station("A", 0.0).sources, 2026)
    }

    /// Days of January 2026 as `max origin`.
    fn filled(primary: &Days_, neighbours: &[(f64, Days_)], normals: &Normals, from: u32) -> Vec<String> {
        let accepted = series(primary);
        let neighbours: Vec<Neighbour> = neighbours
            .iter()
            .zip(["B", "C"])
            .map(|((elevation_m, days), id)| Neighbour {
                station: StationId::from(id),
                elevation_m: *elevation_m,
                accepted: series(days),
            })
            .collect();
        let this = Primary { elevation_m: 2000.0, accepted: &accepted, normals };
        let to = FIRST() + Days::new(primary.len() as u64 - 1);
        let days = fill(&this, &neighbours, &WeatherConfig::default(), day(2026, 1, from), to);
        for (nth, filled) in days.iter().enumerate() {
            assert_eq!(filled.day, day(2026, 1, from) + Days::new(nth as u64), "no hole");
        }
        days.iter()
            .map(|filled| {
                let how = match &filled.origin {
                    DayOrigin::Observed => "observed".to_owned(),
                    DayOrigin::Neighbour { station } => format!("from {station}"),
                    DayOrigin::Interpolated => "line".to_owned(),
                    DayOrigin::Climatology => "usual".to_owned(),
                    DayOrigin::Forecast => "forecast".to_owned(),
                };
                format!("{:.2} {how}", filled.temperatures.max_c)
            })
            .collect()
    }

    #[test]
    fn height_is_corrected_by_the_standard_atmosphere() {
        // ICAO standard atmosphere (Doc 7488/3): -6.5 K per km, so 1,619 m -> 2,194 m is -3.7375 K, 0 m -> 1,000 m -6.5 K.
        assert!((lapse_correction_c(6.5, 1619.0, 2194.0) - -3.7375).abs() < 1e-12);
        assert!((288.15 + lapse_correction_c(6.5, 0.0, 1000.0) - 281.65).abs() < 1e-9);
        assert!((288.15 + lapse_correction_c(6.5, 0.0, 11_000.0) - 216.65).abs() < 1e-9);
    }

    #[test]
    fn a_neighbour_fills_first_corrected_for_height_alone_when_common_days_are_few() {
        let primary = vec![(Some(100), Some(0)), (None, None), (Some(120), Some(10))];
        let lower = whole(&[130, 140, 150]);
        // 500 m lower: 3.25 °C warmer by the lapse rate alone.
        assert_eq!(
            filled(&primary, &[(1500.0, lower)], &no_normals(), 1),
            ["10.00 observed", "10.75 from B", "12.00 observed"]
        );
    }

    #[test]
    fn with_enough_common_days_the_bias_goes_too_and_the_height_does_not_matter() {
        let mut primary = whole(&(0..40).map(|nth| 100 + nth).collect::<Vec<_>>());
        let neighbour = whole(&(0..40).map(|nth| 127 + nth).collect::<Vec<_>>());
        primary[35] = (None, Some(35));
        for elevation_m in [1500.0, 2000.0, 2500.0] {
            let days = filled(&primary, &[(elevation_m, neighbour.clone())], &no_normals(), 1);
            assert_eq!(days[35], "13.50 from B");
        }
    }

    #[test]
    fn maximum_and_minimum_have_their_own_bias() {
        let mut primary: Days_ = (0..40).map(|_| (Some(100), Some(-50))).collect();
        primary[35] = (None, None);
        let neighbour: Days_ = (0..40).map(|_| (Some(120), Some(-90))).collect();
        let accepted = series(&primary);
        let normals = no_normals();
        let this = Primary { elevation_m: 2000.0, accepted: &accepted, normals: &normals };
        let b = Neighbour { station: StationId::from("B"), elevation_m: 1700.0, accepted: series(&neighbour) };
        let days = fill(&this, &[b], &WeatherConfig::default(), FIRST(), day(2026, 2, 9));
        let got = days[35].temperatures;
        assert!((got.max_c - 10.0).abs() < 1e-9 && (got.min_c - -5.0).abs() < 1e-9, "{got:?}");
    }

    #[test]
    fn the_next_neighbour_fills_what_the_first_has_not() {
        let primary = vec![(Some(100), Some(0)), (None, None), (None, None), (Some(100), Some(0))];
        let b = vec![(None, None), (Some(90), Some(0)), (None, None), (None, None)];
        let c = whole(&[70, 70, 70, 70]);
        assert_eq!(
            filled(&primary, &[(2000.0, b), (2000.0, c)], &no_normals(), 1),
            ["10.00 observed", "9.00 from B", "7.00 from C", "10.00 observed"]
        );
    }

    #[test]
    fn two_days_are_drawn_over_and_three_are_the_usual_weather() {
        let two = vec![(Some(100), Some(0)), (None, None), (None, None), (Some(130), Some(0))];
        assert_eq!(
            filled(&two, &[], &flat_normals(), 1),
            ["10.00 observed", "11.00 line", "12.00 line", "13.00 observed"]
        );
        let three = vec![(Some(100), Some(0)), (None, None), (None, None), (None, None), (Some(130), Some(0))];
        assert_eq!(
            filled(&three, &[], &flat_normals(), 1),
            ["10.00 observed", "8.00 usual", "8.00 usual", "8.00 usual", "13.00 observed"]
        );
    }

    #[test]
    fn nothing_is_made_up_past_the_last_real_value_but_a_neighbour_that_has_the_days_gives_them() {
        let primary = vec![(Some(100), Some(0)), (Some(110), Some(10)), (None, Some(20)), (None, None), (None, None)];
        assert_eq!(filled(&primary, &[], &flat_normals(), 1), ["10.00 observed", "11.00 observed"]);
        let b = vec![(None, None), (None, None), (Some(90), None), (Some(95), Some(5)), (None, None)];
        assert_eq!(
            filled(&primary, &[(2000.0, b)], &flat_normals(), 1),
            ["10.00 observed", "11.00 observed", "9.00 from B", "9.50 from B"]
        );
    }

    #[test]
    fn a_line_may_start_before_the_season() {
        let primary = vec![(Some(100), Some(0)), (None, None), (Some(120), Some(0))];
        assert_eq!(filled(&primary, &[], &no_normals(), 2), ["11.00 line", "12.00 observed"]);
    }

    #[test]
    fn a_station_without_a_past_is_held_together_by_lines() {
        let primary =
            vec![(None, None), (Some(100), Some(0)), (None, None), (None, None), (None, None), (Some(140), Some(0))];
        assert_eq!(
            filled(&primary, &[], &no_normals(), 1),
            ["10.00 line", "10.00 observed", "11.00 line", "12.00 line", "13.00 line", "14.00 observed"]
        );
    }

    #[test]
    fn a_day_with_one_value_missing_is_not_observed_and_extremes_never_cross() {
        let primary = vec![(Some(100), Some(90)), (Some(50), None), (Some(100), Some(90))];
        assert_eq!(
            filled(&primary, &[], &no_normals(), 1),
            ["10.00 observed", "9.00 line", "10.00 observed"],
            "the drawn minimum of 9.0 lies over the observed maximum of 5.0: they change places"
        );
    }

    #[test]
    fn no_data_at_all_is_no_days() {
        assert!(filled(&vec![(None, None); 5], &[], &flat_normals(), 1).is_empty());
    }
}
