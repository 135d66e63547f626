//! What makes a place early or late for its height: its heat in a usual year against what height and latitude tell of the
//! other stations.
//!
//! Records differ in length, and a station that only has warm years must not pass for a warm place. So station and season are
//! told apart first: every value is a station's part plus a season's part, by least squares over all values at hand. What the
//! stations' parts owe to height and latitude is a plane through them, by ordinary least squares. A station is set against
//! the plane of all *others*: one that lies far off must not draw the plane to itself.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::heat::projection::PastSeason;
use crate::heat::{DailySeries, HeatRule};
use crate::weather::StationId;

/// With fewer other stations than this a plane says nothing: it has three numbers of its own (own choice, no source).
pub const STATIONS_NEEDED: usize = 6;

/// Days before and after the day asked for over which the heat of a day is averaged.
const AROUND_DAYS: usize = 7;

/// What a station's spring was like up to one day of the year.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spring {
    /// °C·day from the biofix to the day, that day included.
    pub heat: f64,
    /// °C·day a day, over the week before and the week after it.
    pub heat_a_day: f64,
    /// Mean minimum and maximum from the biofix to the day, °C.
    pub min_c: f64,
    pub max_c: f64,
}

/// A station and its past springs.
#[derive(Clone, Debug, PartialEq)]
pub struct StationSprings {
    pub station: StationId,
    pub name: String,
    pub elevation_m: f64,
    pub latitude: f64,
    /// By season.
    pub springs: BTreeMap<i32, Spring>,
}

/// The springs of past seasons up to so many days after the biofix, the biofix being day 0. A season that ends before is left
/// out.
pub fn springs(rule: &HeatRule, past: &[PastSeason], days: usize) -> BTreeMap<i32, Spring> {
    let of = |past: &PastSeason| {
        let so_far = past.days.get(..=days)?;
        let series = DailySeries { first: past.first, days: past.days.iter().copied().map(Some).collect() };
        let heat: Vec<f64> = rule.series(&series).into_iter().map(Option::unwrap_or_default).collect();
        let around = heat.get(days.saturating_sub(AROUND_DAYS)..=(days + AROUND_DAYS).min(heat.len() - 1))?;
        Some(Spring {
            heat: heat.get(..=days)?.iter().sum(),
            heat_a_day: mean(around.iter().copied()),
            min_c: mean(so_far.iter().map(|day| day.min_c)),
            max_c: mean(so_far.iter().map(|day| day.max_c)),
        })
    };
    past.iter().filter_map(|past| Some((past.season, of(past)?))).collect()
}

/// The station's part of each value, set to the mean of all seasons: what its spring is like in a usual year. A station
/// without a spring has none.
fn usual_springs(stations: &[StationSprings]) -> Vec<Option<Spring>> {
    let parts = [
        station_parts(stations, |spring| spring.heat),
        station_parts(stations, |spring| spring.heat_a_day),
        station_parts(stations, |spring| spring.min_c),
        station_parts(stations, |spring| spring.max_c),
    ];
    let [heat, heat_a_day, min_c, max_c] = parts;
    heat.into_iter()
        .zip(heat_a_day)
        .zip(min_c.into_iter().zip(max_c))
        .map(|((heat, heat_a_day), (min_c, max_c))| {
            Some(Spring { heat: heat?, heat_a_day: heat_a_day?, min_c: min_c?, max_c: max_c? })
        })
        .collect()
}

/// Alternating means come down to the least squares of `value = station + season`; this many times is far past where they
/// stand still (a record that shares no season with any other keeps its own mean).
const TURNS: usize = 200;

fn station_parts(stations: &[StationSprings], value: impl Fn(&Spring) -> f64) -> Vec<Option<f64>> {
    let values: Vec<BTreeMap<i32, f64>> = stations
        .iter()
        .map(|station| station.springs.iter().map(|(season, spring)| (*season, value(spring))).collect())
        .collect();
    let mut of_station = vec![0.0; values.len()];
    let mut of_season: BTreeMap<i32, f64> =
        values.iter().flat_map(BTreeMap::keys).map(|season| (*season, 0.0)).collect();
    for _ in 0..TURNS {
        for (season, part) in &mut of_season {
            let here = values.iter().zip(&of_station).filter_map(|(of, station)| Some(of.get(season)? - station));
            *part = mean(here);
        }
        for (part, of) in of_station.iter_mut().zip(&values).filter(|(_, of)| !of.is_empty()) {
            *part = mean(of.iter().map(|(season, value)| value - of_season.get(season).copied().unwrap_or(0.0)));
        }
    }
    let level = mean(of_season.values().copied());
    values.iter().zip(of_station).map(|(of, part)| (!of.is_empty()).then_some(part + level)).collect()
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0u32), |(sum, count), value| (sum + value, count + 1));
    sum / f64::from(count.max(1))
}

/// A value somewhere on the ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    pub elevation_m: f64,
    pub latitude: f64,
    pub value: f64,
}

/// A value beside what the plane through others says of its place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Against {
    pub value: f64,
    pub expected: f64,
    /// How far off a station like the others would come to lie, as a standard deviation: their own scatter about the plane, and
    /// what is not known of the plane at this place.
    pub error: f64,
    pub per_100_m: f64,
    /// `None` where the others' latitudes hardly differ, or go with their heights: then height stands for both.
    pub per_degree_north: Option<f64>,
    pub stations: u32,
}

impl Against {
    /// Above what the others suggest; below is negative.
    pub fn off(&self) -> f64 {
        self.value - self.expected
    }

    /// In standard errors.
    pub fn errors_off(&self) -> f64 {
        if self.error > 0.0 { self.off() / self.error } else { 0.0 }
    }
}

/// Why nothing is said.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "why")]
pub enum CannotTell {
    /// Past seasons of the station itself are missing.
    NoSeasons,
    /// Other stations with past seasons.
    TooFewStations { have: usize, need: usize },
    /// The others lie at nearly one height.
    TooAlike,
}

/// Standard deviations of the others' heights and latitudes below which nothing follows from them, in 100 m and in degrees; and
/// the share of latitude that height must leave untold (1 - r²) for the two to be told apart (own choice, no source).
const LEAST_SPREAD_100_M: f64 = 0.5;
const LEAST_SPREAD_DEGREES: f64 = 0.05;
const LEAST_APART: f64 = 0.02;

/// `of` against the plane through `others`.
///
/// # Errors
/// With fewer than [`STATIONS_NEEDED`] others, or others that lie at one height.
pub fn against(of: Spot, others: &[Spot]) -> Result<Against, CannotTell> {
    if others.len() < STATIONS_NEEDED {
        return Err(CannotTell::TooFewStations { have: others.len(), need: STATIONS_NEEDED });
    }
    // About the means the intercept is the mean itself, and two equations are left.
    let count = others.len() as f64;
    let [height, latitude, value] = [
        mean(others.iter().map(|spot| spot.elevation_m / 100.0)),
        mean(others.iter().map(|spot| spot.latitude)),
        mean(others.iter().map(|spot| spot.value)),
    ];
    let about = |spot: &Spot| (spot.elevation_m / 100.0 - height, spot.latitude - latitude, spot.value - value);
    let sum = |term: &dyn Fn((f64, f64, f64)) -> f64| others.iter().map(|spot| term(about(spot))).sum::<f64>();
    let (hh, hl, ll) = (sum(&|(h, _, _)| h * h), sum(&|(h, l, _)| h * l), sum(&|(_, l, _)| l * l));
    let (hv, lv) = (sum(&|(h, _, v)| h * v), sum(&|(_, l, v)| l * v));
    let determinant = hh * ll - hl * hl;
    if hh < count * LEAST_SPREAD_100_M.powi(2) {
        return Err(CannotTell::TooAlike);
    }
    let is_told_apart = ll >= count * LEAST_SPREAD_DEGREES.powi(2) && determinant >= LEAST_APART * hh * ll;
    let (per_100_m, per_degree) = if is_told_apart {
        ((hv * ll - lv * hl) / determinant, (lv * hh - hv * hl) / determinant)
    } else {
        (hv / hh, 0.0)
    };
    let expected = |(h, l): (f64, f64)| value + per_100_m * h + per_degree * l;
    let squares = sum(&|(h, l, v)| (v - per_100_m * h - per_degree * l).powi(2));
    let (h, l, _) = about(&of);
    let (numbers, leverage) = if is_told_apart {
        (3.0, (h * h * ll - 2.0 * h * l * hl + l * l * hh) / determinant)
    } else {
        (2.0, h * h / hh)
    };
    let (scatter, leverage) = (squares / (count - numbers), 1.0 / count + leverage);
    Ok(Against {
        value: of.value,
        expected: expected((h, l)),
        error: (scatter * (1.0 + leverage)).sqrt(),
        per_100_m,
        per_degree_north: is_told_apart.then_some(per_degree),
        stations: others.len() as u32,
    })
}

/// How a station's spring lies beside those of the others.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Warmth {
    pub station: StationId,
    pub name: String,
    pub elevation_m: f64,
    pub latitude: f64,
    /// Past seasons of its own.
    pub seasons: u32,
    /// °C·day.
    pub heat: Against,
    /// By how many days it is ahead of what the others suggest: its heat off over the heat of a day at that time of the year;
    /// negative behind. `None` where a day brings next to no heat.
    pub days_ahead: Option<f64>,
    /// Mean minimum, °C.
    pub nights: Against,
    /// Mean maximum less mean minimum, °C.
    pub range: Against,
    pub lie: Lie,
}

/// What minima and daily range say of how a station lies.
///
/// At night cold air gathers on valley floors, and above it a belt of the slope stays warm (Yoshino 1984, GeoJournal 8,
/// 235-250). That a station's means tell which of the two it has is common practice, no source.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lie {
    /// Colder minima and a wider range than the others suggest, by more than one standard error each.
    ColdAirValley,
    /// Warmer minima and a narrower range.
    WarmSlope,
    NotTold,
}

/// By how much one station is warmer than another on the day of comparison, °C·day, and what that is made of by the plane that
/// the one is set against.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HeatApart {
    /// The other one.
    pub station: StationId,
    pub elevation_m: f64,
    /// By so many degrees of latitude the one lies farther north.
    pub degrees_north: f64,
    pub more: f64,
    pub by_height: f64,
    pub by_latitude: f64,
    /// What neither height nor latitude tells.
    pub by_place: f64,
}

impl HeatApart {
    pub fn of(here: &Warmth, other: &Warmth) -> Self {
        let more = here.heat.value - other.heat.value;
        let by_height = here.heat.per_100_m * (here.elevation_m - other.elevation_m) / 100.0;
        let degrees_north = here.latitude - other.latitude;
        let by_latitude = here.heat.per_degree_north.unwrap_or(0.0) * degrees_north;
        Self {
            station: other.station.clone(),
            elevation_m: other.elevation_m,
            degrees_north,
            more,
            by_height,
            by_latitude,
            by_place: more - by_height - by_latitude,
        }
    }
}

/// A day that brings less heat than this, °C·day, tells nothing in days.
const LEAST_HEAT_A_DAY: f64 = 0.5;

/// A station against the others, all of the same day of the year and of the same past.
///
/// # Errors
/// See [`CannotTell`].
pub fn warmth(stations: &[StationSprings], of: &StationId) -> Result<Warmth, CannotTell> {
    let usual = usual_springs(stations);
    let known: Vec<(&StationSprings, Spring)> =
        stations.iter().zip(usual).filter_map(|(station, spring)| Some((station, spring?))).collect();
    let Some((station, spring)) = known.iter().copied().find(|(station, _)| station.station == *of) else {
        return Err(CannotTell::NoSeasons);
    };
    let compare = |value: &dyn Fn(&Spring) -> f64| {
        let spot = |(of, spring): &(&StationSprings, Spring)| Spot {
            elevation_m: of.elevation_m,
            latitude: of.latitude,
            value: value(spring),
        };
        let others: Vec<Spot> = known.iter().filter(|(other, _)| other.station != *of).map(spot).collect();
        against(spot(&(station, spring)), &others)
    };
    let heat = compare(&|spring| spring.heat)?;
    let nights = compare(&|spring| spring.min_c)?;
    let range = compare(&|spring| spring.max_c - spring.min_c)?;
    let lie = match (nights.errors_off(), range.errors_off()) {
        (nights, range) if nights < -1.0 && range > 1.0 => Lie::ColdAirValley,
        (nights, range) if nights > 1.0 && range < -1.0 => Lie::WarmSlope,
        _ => Lie::NotTold,
    };
    Ok(Warmth {
        station: station.station.clone(),
        name: station.name.clone(),
        elevation_m: station.elevation_m,
        latitude: station.latitude,
        seasons: station.springs.len() as u32,
        days_ahead: (spring.heat_a_day >= LEAST_HEAT_A_DAY).then(|| heat.off() / spring.heat_a_day),
        heat,
        nights,
        range,
        lie,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spot(elevation_m: f64, latitude: f64, value: f64) -> Spot {
        Spot { elevation_m, latitude, value }
    }

    /// 1000 at 1,000 m and 30 degrees; 40 less for 100 m and 20 less for a degree.
    fn on_plane(elevation_m: f64, latitude: f64) -> Spot {
        spot(elevation_m, latitude, 1000.0 - 0.4 * (elevation_m - 1000.0) - 20.0 * (latitude - 30.0))
    }

    #[test]
    fn a_plane_comes_back_and_what_lies_off_it_is_told() {
        let others = [(1000.0, 30.0), (1500.0, 34.0), (2000.0, 31.0), (1200.0, 33.0), (1800.0, 32.0), (2300.0, 35.0)];
        let others = others.map(|(height, latitude)| on_plane(height, latitude));
        let mut of = on_plane(1700.0, 33.0);
        of.value += 40.0;
        let got = against(of, &others).unwrap();
        assert!((got.per_100_m + 40.0).abs() < 1e-9 && (got.per_degree_north.unwrap() + 20.0).abs() < 1e-9, "{got:?}");
        assert!((got.off() - 40.0).abs() < 1e-9 && got.error < 1e-6, "{got:?}");
    }

    #[test]
    fn nothing_is_said_with_few_stations_or_at_one_height_and_latitude_is_left_out_where_it_tells_nothing() {
        let many: Vec<Spot> = (0..8).map(|nth| on_plane(1000.0 + 100.0 * f64::from(nth), 32.0)).collect();
        let of = on_plane(1500.0, 32.0);
        assert_eq!(against(of, &many[..5]), Err(CannotTell::TooFewStations { have: 5, need: 6 }));
        let at_one_height: Vec<Spot> = (0..8).map(|nth| on_plane(1500.0, 30.0 + f64::from(nth))).collect();
        assert_eq!(against(of, &at_one_height), Err(CannotTell::TooAlike));
        // At one latitude, or where latitude goes with height, height stands for both.
        let line: Vec<Spot> =
            (0..8).map(|nth| on_plane(1000.0 + 100.0 * f64::from(nth), 32.0 + 0.5 * f64::from(nth))).collect();
        for (of, others, per_100_m) in [(of, many, -40.0), (on_plane(1500.0, 34.5), line, -50.0)] {
            let got = against(of, &others).unwrap();
            assert_eq!(got.per_degree_north, None);
            assert!((got.per_100_m - per_100_m).abs() < 1e-9 && got.off().abs() < 1e-9, "{got:?}");
        }
    }

    #[test]
    fn a_station_that_only_has_warm_years_is_no_warm_place() {
        let spring = |heat: f64| Spring { heat, heat_a_day: 5.0, min_c: 0.0, max_c: 10.0 };
        let year = |season: i32| if season < 2010 { 0.0 } else { 80.0 };
        let station = |id: &str, heat: f64, from: i32| StationSprings {
            station: id.into(),
            name: id.into(),
            elevation_m: 1500.0,
            latitude: 33.0,
            springs: (from..2020).map(|season| (season, spring(heat + year(season)))).collect(),
        };
        let usual = usual_springs(&[station("long", 200.0, 2000), station("young", 200.0, 2010)]);
        let [long, young] = [usual[0].unwrap().heat, usual[1].unwrap().heat];
        assert!((long - young).abs() < 1e-6 && (long - 240.0).abs() < 1e-6, "{long} {young}");
        let none = StationSprings { springs: BTreeMap::new(), ..station("none", 0.0, 2010) };
        assert_eq!(usual_springs(&[none]), [None]);
    }
}
