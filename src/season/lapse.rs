//! What height makes in days: how much later the heat of a stage comes higher up, measured at the stations around a place.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::language::Language;
use crate::units::{feet_to_m, grouped_feet};

/// One station's past seasons.
#[derive(Clone, Debug, PartialEq)]
pub struct StationDays {
    pub elevation_m: f64,
    /// By season, days from its start to the day on which the heat sum was reached.
    pub reached: BTreeMap<i32, f64>,
}

/// Days per height, by the regression of stations' mean days on their height.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HeightEffect {
    /// Positive: later higher up.
    pub days_per_100_m: f64,
    /// Its standard error, from how far the stations lie off the line.
    pub standard_error: f64,
    pub stations: usize,
    pub seasons: usize,
    pub lowest_m: f64,
    pub highest_m: f64,
}

/// 300 m are about two weeks (a degree Celsius is about a week of the season in spring, and 300 m are two): common practice, no source.
const USUAL_DAYS_PER_M: f64 = 14.0 / 300.0;

/// Days by which the season comes later so many metres higher up, by the rule of the trade: where nothing was measured.
pub fn usual_days_for(metres: f64) -> f64 {
    metres * USUAL_DAYS_PER_M
}

/// Fewer stations make no line with a doubt of its own.
pub const FEWEST_STATIONS: usize = 3;

/// A station counts with at least so many seasons that others have too. A rule of ours, no source.
const FEWEST_SEASONS: usize = 5;

/// Stations within less height than this say nothing of height. A rule of ours, no source.
const LEAST_SPREAD_M: f64 = 100.0;

impl HeightEffect {
    /// Measured at these stations. Each season's own earliness is taken out before (the mean over the stations that have the
    /// season), so that stations with other years can stand beside each other; then each station is one point. `None` with
    /// fewer than three stations, or too little height between them.
    pub fn measured(stations: &[StationDays]) -> Option<Self> {
        let mut counted: Vec<&StationDays> = stations.iter().filter(|one| one.elevation_m.is_finite()).collect();
        // A station that drops out takes its seasons from others.
        let shared = loop {
            let shared = seasons_shared(&counted);
            let before = counted.len();
            counted
                .retain(|one| one.reached.keys().filter(|year| shared.contains_key(*year)).count() >= FEWEST_SEASONS);
            if counted.len() < FEWEST_STATIONS {
                return None;
            }
            if counted.len() == before {
                break shared;
            }
        };
        let points: Vec<(f64, f64)> = counted.iter().map(|one| deviation(one, &shared)).collect();
        let heights = || counted.iter().map(|one| one.elevation_m);
        let (lowest_m, highest_m) =
            (heights().fold(f64::INFINITY, f64::min), heights().fold(f64::NEG_INFINITY, f64::max));
        if highest_m - lowest_m < LEAST_SPREAD_M {
            return None;
        }
        let (slope, standard_error) = line(&points)?;
        Some(Self {
            days_per_100_m: slope * 100.0,
            standard_error: standard_error * 100.0,
            stations: counted.len(),
            seasons: shared.len(),
            lowest_m,
            highest_m,
        })
    }

    /// Days for so many metres, and half the width of the range that holds the true number nine times in ten (Student's t with
    /// two degrees of freedom less than stations).
    pub fn days_for(&self, metres: f64) -> (f64, f64) {
        let per_m = self.days_per_100_m / 100.0;
        (per_m * metres, student_90(self.stations - 2) * self.standard_error / 100.0 * metres)
    }

    /// Said in place of [`Self::words`] where [`Self::measured`] gives nothing.
    pub fn not_measured(language: Language) -> String {
        match language {
            Language::En => {
                "What 500 ft of height make in days cannot be told here: fewer than three weather stations around, at \
                             different heights, have enough past seasons."
                    .into()
            }
            Language::Es => {
                "Aquí no se puede decir cuántos días hacen 500 pies de altura: menos de tres estaciones del tiempo \
                             alrededor, a distintas alturas, tienen suficientes temporadas pasadas."
                    .into()
            }
        }
    }

    /// What 500 ft higher or lower mean, with the doubt, as a page says it.
    pub fn words(&self, language: Language) -> String {
        let (days, doubt) = self.days_for(feet_to_m(500.0));
        let (stations, seasons) = (self.stations, self.seasons);
        let (low, high) = (grouped_feet(self.lowest_m), grouped_feet(self.highest_m));
        let (whole, doubt_days) = (days.abs().round(), doubt.ceil().max(1.0));
        if days.abs() <= doubt || whole < 1.0 {
            return match language {
                Language::En => format!(
                    "What 500 ft of height make in days cannot be told here: the {stations} weather stations around, between {low} and {high} ft, do not agree well enough."
                ),
                Language::Es => format!(
                    "Aquí no se puede decir cuántos días hacen 500 pies de altura: las {stations} estaciones del tiempo alrededor, entre {low} y {high} pies, no coinciden lo suficiente."
                ),
            };
        }
        let plural = |n: f64, one: &'static str, many: &'static str| if n == 1.0 { one } else { many };
        match language {
            Language::En => {
                let (up, down) = if days > 0.0 { ("later", "earlier") } else { ("earlier", "later") };
                format!(
                    "500 ft higher up, the days come about {whole:.0} {} {up}; 500 ft lower, as much {down}. Give or take {doubt_days:.0} {}. Measured at {stations} weather stations around, between {low} and {high} ft, over {seasons} past seasons.",
                    plural(whole, "day", "days"),
                    plural(doubt_days, "day", "days"),
                )
            }
            Language::Es => {
                let (up, down) = if days > 0.0 { ("después", "antes") } else { ("antes", "después") };
                format!(
                    "500 pies más arriba, las fechas llegan {whole:.0} {} {up}, más o menos; 500 pies más abajo, otro tanto {down}. El margen es de {doubt_days:.0} {}. Medido en {stations} estaciones del tiempo alrededor, entre {low} y {high} pies, en {seasons} temporadas pasadas.",
                    plural(whole, "día", "días"),
                    plural(doubt_days, "día", "días"),
                )
            }
        }
    }
}

/// Mean day and height of each season that at least two of the stations have.
fn seasons_shared(stations: &[&StationDays]) -> BTreeMap<i32, (f64, f64)> {
    let mut sums: BTreeMap<i32, (f64, f64, f64)> = BTreeMap::new();
    for station in stations {
        for (year, days) in &station.reached {
            let sum = sums.entry(*year).or_default();
            *sum = (sum.0 + days, sum.1 + station.elevation_m, sum.2 + 1.0);
        }
    }
    sums.retain(|_, (_, _, n)| *n >= 2.0);
    sums.into_iter().map(|(year, (days, height, n))| (year, (days / n, height / n))).collect()
}

/// How much higher a station lies, metres, and how much later its seasons are, days, than those beside it.
fn deviation(station: &StationDays, shared: &BTreeMap<i32, (f64, f64)>) -> (f64, f64) {
    let (mut height, mut days, mut n) = (0.0, 0.0, 0.0);
    for (year, own) in &station.reached {
        if let Some((mean_days, mean_height)) = shared.get(year) {
            height += station.elevation_m - mean_height;
            days += own - mean_days;
            n += 1.0;
        }
    }
    (height / n, days / n)
}

/// Slope and its standard error of the least-squares line through at least three points.
fn line(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let n = points.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
    let (mean_x, mean_y) = (mean(|point| point.0), mean(|point| point.1));
    let sxx: f64 = points.iter().map(|(x, _)| (x - mean_x).powi(2)).sum();
    let sxy: f64 = points.iter().map(|(x, y)| (x - mean_x) * (y - mean_y)).sum();
    let slope = sxy / sxx;
    let left: f64 = points.iter().map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2)).sum();
    let standard_error = (left / (n - 2.0) / sxx).sqrt();
    (slope.is_finite() && standard_error.is_finite()).then_some((slope, standard_error))
}

/// 95 % point of Student's t: nine times in ten the value lies within it on both sides. NIST/SEMATECH e-Handbook of
/// Statistical Methods, table 1.3.6.7.2.
fn student_90(freedom: usize) -> f64 {
    const T: [f64; 10] = [6.314, 2.920, 2.353, 2.132, 2.015, 1.943, 1.895, 1.860, 1.833, 1.812];
    match freedom {
        0 => f64::INFINITY,
        n => T.get(n - 1).copied().unwrap_or(1.812),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn station(elevation_m: f64, years: std::ops::Range<i32>, day: impl Fn(i32) -> f64) -> StationDays {
        StationDays { elevation_m, reached: years.map(|year| (year, day(year))).collect() }
    }

    /// Warm and cold years alternate by ten days.
    fn season(year: i32) -> f64 {
        if year % 2 == 0 { 5.0 } else { -5.0 }
    }

    #[test]
    fn a_line_through_stations_is_found_whatever_years_each_has() {
        let at = |height: f64, years| station(height, years, move |year| 70.0 + season(year) + height / 100.0 * 4.0);
        let stations = [at(1500.0, 2000..2020), at(1800.0, 2010..2020), at(2100.0, 2005..2016)];
        let effect = HeightEffect::measured(&stations).unwrap();
        assert!((effect.days_per_100_m - 4.0).abs() < 1e-9, "{effect:?}");
        assert!(effect.standard_error < 1e-9, "{effect:?}");
        assert_eq!((effect.stations, effect.lowest_m, effect.highest_m), (3, 1500.0, 2100.0));
        assert_eq!(effect.seasons, 15, "2005 to 2019: the years before one station has alone");
        let words = effect.words(Language::En);
        assert!(
            words.starts_with("500 ft higher up, the days come about 6 days later; 500 ft lower, as much earlier."),
            "{words}"
        );
        assert!(
            words.contains("3 weather stations around, between 4,921 and 6,890 ft, over 15 past seasons"),
            "{words}"
        );
        let words = effect.words(Language::Es);
        assert!(words.starts_with("500 pies más arriba, las fechas llegan 6 días después"), "{words}");
    }

    #[test]
    fn the_standard_error_is_that_of_simple_regression() {
        // Anscombe's first data set (The American Statistician 27, 1973): slope 0.5001, standard error 0.1179.
        let x = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
        let y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68];
        let stations: Vec<StationDays> = x.iter().zip(y).map(|(x, y)| station(x * 100.0, 2000..2010, |_| y)).collect();
        let effect = HeightEffect::measured(&stations).unwrap();
        assert!((effect.days_per_100_m - 0.5001).abs() < 5e-5, "{effect:?}");
        assert!((effect.standard_error - 0.1179).abs() < 5e-5, "{effect:?}");
        let (days, doubt) = effect.days_for(100.0);
        assert!((days - 0.5001).abs() < 5e-5 && (doubt - 1.833 * 0.1179).abs() < 5e-4);
    }

    #[test]
    fn nothing_is_said_where_the_stations_are_few_level_or_short() {
        let at = |height, years| station(height, years, |year| 70.0 + season(year) + height / 25.0);
        assert_eq!(HeightEffect::measured(&[]), None);
        assert!(HeightEffect::not_measured(Language::En).contains("fewer than three weather stations around"));
        assert_eq!(HeightEffect::measured(&[at(1500.0, 2000..2020), at(2000.0, 2000..2020)]), None);
        let level = [at(1500.0, 2000..2020), at(1540.0, 2000..2020), at(1580.0, 2000..2020)];
        assert_eq!(HeightEffect::measured(&level), None);
        let short = [at(1500.0, 2000..2020), at(1800.0, 2000..2020), at(2000.0, 2016..2020)];
        assert_eq!(HeightEffect::measured(&short), None, "one has four seasons");
        let apart = [at(1500.0, 2000..2010), at(1800.0, 2000..2010), at(2000.0, 2010..2020)];
        assert_eq!(HeightEffect::measured(&apart), None, "one shares no season");
    }

    #[test]
    fn stations_that_do_not_agree_are_said_not_to() {
        let stations = [(1500.0, 80.0), (1700.0, 95.0), (1900.0, 78.0), (2100.0, 92.0)]
            .map(|(height, day)| station(height, 2000..2020, move |year| day + season(year)));
        let words = HeightEffect::measured(&stations).unwrap().words(Language::En);
        assert!(words.contains("cannot be told here: the 4 weather stations around"), "{words}");
    }
}
