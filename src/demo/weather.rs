//! Invented weather: daily maxima and minima of every station of the [`State`], made by seed.
//!
//! The recipe is ours and stands for no real climate. A day's temperature is the sum of
//!
//! * the month's normal at a reference height, joined to a smooth yearly curve,
//! * the station's height (days cool faster with height than nights) and its own lie,
//! * slow warming over the record,
//! * weather shared by the whole state: a day's departure, spells of weeks and of most of a year, each a first-order
//!   autoregression, and cloud, which takes from the day and gives to the night,
//! * weather the station has to itself, a weaker autoregression.
//!
//! Onto the true values come the faults of a real network: values that never arrive or arrive late, a few corrected some
//! days after, and each season one wild value that quality control has to find. Forecasts lose skill with
//! each day ahead, as honest ones do. See `Dice` for why a seed gives the same weather on every machine.

use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveTime, Utc};

use crate::demo::dice;
use crate::demo::dice::Dice;
use crate::demo::state::{Climate, State, StateStation};
use crate::weather::{Element, FeedKind, StationId, TenthsC, Version};

/// One state's weather, as it was and as it was reported.
#[derive(Clone, Debug)]
pub struct StateWeather {
    pub first: NaiveDate,
    /// In the state file's order.
    pub stations: Vec<StationWeather>,
    seed: u64,
}

#[derive(Clone, Debug)]
pub struct StationWeather {
    pub id: StationId,
    /// What a faultless thermometer saw: `truth[i]` belongs to `first + i`.
    pub truth: Vec<Extremes>,
    /// Long-term expectation of the same days, the warming left out, °C: (maximum, minimum).
    normal: Vec<(f64, f64)>,
    faults: Vec<Fault>,
    time_zone: chrono_tz::Tz,
    /// Minutes after 05:30 local at which its report comes in.
    minutes: u64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Extremes {
    pub max: TenthsC,
    pub min: TenthsC,
}

/// One forecast value as it was known at `received_at`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ForecastValue {
    pub day: NaiveDate,
    pub element: Element,
    pub value: TenthsC,
    pub received_at: DateTime<Utc>,
}

/// Days a forecast reaches, the day of issue included.
pub const FORECAST_DAYS: usize = 7;

/// How much of a day's departure from normal a forecast still sees, and the standard error of what it says, °C,
/// by days after the last observed one.
const FORECAST_SKILL: [(f64, f64); FORECAST_DAYS] =
    [(0.98, 1.1), (0.95, 1.4), (0.90, 1.7), (0.83, 2.0), (0.74, 2.3), (0.64, 2.6), (0.54, 2.9)];

/// Makes all stations' weather for all years of the state. The same seed gives the same weather, to the last tenth.
pub fn make(state: &State, seed: u64) -> StateWeather {
    let (first, last) = state.days();
    let shared = shared_weather(&state.climate, first, last, &mut Dice::new(seed, dice::STATE_WEATHER));
    let wild = wild_values(state, seed);
    let stations = state
        .stations
        .iter()
        .enumerate()
        .map(|(at, station)| {
            let normal: Vec<(f64, f64)> = days(first, last).map(|day| normal(&state.climate, station, day)).collect();
            let own = &mut Dice::new(seed, dice::STATION_WEATHER + at as u64);
            let truth = true_values(&state.climate, &normal, &shared, own);
            let mut faults = draw_faults(truth.len(), &mut Dice::new(seed, dice::STATION_FAULTS + at as u64));
            for day in wild.iter().filter(|wild| wild.station == at).map(|wild| wild.day) {
                if let Some(fault) = usize::try_from((day - first).num_days()).ok().and_then(|at| faults.get_mut(at)) {
                    *fault = Fault::Wild;
                }
            }
            StationWeather {
                id: station.station.id.clone(),
                truth,
                normal,
                faults,
                time_zone: station.station.time_zone,
                minutes: 2 * at as u64,
            }
        })
        .collect();
    StateWeather { first, stations, seed }
}

impl StateWeather {
    /// Everything a station ever reported, sorted by (day, element, time of receipt).
    pub fn versions(&self, station: usize) -> Vec<Version> {
        let Some(station) = self.stations.get(station) else { return Vec::new() };
        let mut versions = Vec::with_capacity(station.truth.len() * 2);
        for (at, (truth, fault)) in station.truth.iter().zip(&station.faults).enumerate() {
            let day = self.first + Days::new(at as u64);
            for element in [Element::Max, Element::Min] {
                station.report(day, element, *truth, fault, &mut versions);
            }
        }
        versions
    }

    /// The forecasts issued each morning from `from` to `to`, both included: for the day of issue and the six after it.
    /// What was said on a day does not depend on how many days are asked for.
    pub fn forecasts(&self, station: usize, from: NaiveDate, to: NaiveDate) -> Vec<ForecastValue> {
        let Some(weather) = self.stations.get(station) else { return Vec::new() };
        let mut values = Vec::new();
        for year in from.year()..=to.year() {
            let stream = dice::FORECAST + u64::from(year.unsigned_abs()) * 1000 + station as u64;
            let mut dice = Dice::new(self.seed, stream);
            let Some(new_year) = NaiveDate::from_ymd_opt(year, 1, 1) else { continue };
            for issued in new_year.iter_days().take_while(|day| day.year() == year && *day <= to) {
                let spoken = weather.forecast(issued, self.first, &mut dice);
                if issued >= from {
                    values.extend(spoken);
                }
            }
        }
        values
    }
}

impl StationWeather {
    fn report(&self, day: NaiveDate, element: Element, truth: Extremes, fault: &Fault, to: &mut Vec<Version>) {
        let value = match element {
            Element::Max => truth.max,
            Element::Min => truth.min,
        };
        let mut push = |value: TenthsC, days_late: u64| {
            to.push(Version {
                day,
                element,
                value,
                feed: FeedKind::PlainCsv,
                day_reported: day,
                sampled: false,
                rejected: None,
                received_at: self.morning(day + Days::new(1 + days_late), 30 + self.minutes),
                bulk: false,
            });
        };
        match *fault {
            Fault::None => push(value, 0),
            Fault::Lost => {}
            Fault::LostOnly(lost) if lost == element => {}
            Fault::LostOnly(_) => push(value, 0),
            Fault::Late(days) => push(value, days),
            Fault::Revised { element: revised, by, after } if revised == element => {
                push(TenthsC(value.0 + by), 0);
                push(value, after);
            }
            Fault::Revised { .. } => push(value, 0),
            Fault::Wild if element == Element::Max => push(TenthsC(value.0 + WILD_TENTHS), 0),
            Fault::Wild => push(value, 0),
        }
    }

    fn forecast(&self, issued: NaiveDate, first: NaiveDate, dice: &mut Dice) -> Vec<ForecastValue> {
        let received_at = self.morning(issued, 0);
        let mut errors = [0.0; 2];
        let mut values = Vec::with_capacity(2 * FORECAST_DAYS);
        for (ahead, (skill, error_c)) in FORECAST_SKILL.into_iter().enumerate() {
            // Neighbouring days of one forecast err alike, and so do a day and its night. Drawn even past the end of
            // the record, so that what later forecasts say does not hang on it.
            let shared = dice.bell();
            for error in &mut errors {
                *error = 0.6 * *error + 0.8 * (0.8 * shared + 0.6 * dice.bell());
            }
            let day = issued + Days::new(ahead as u64);
            let at = usize::try_from((day - first).num_days()).unwrap_or(usize::MAX);
            let (Some(truth), Some(normal)) = (self.truth.get(at), self.normal.get(at)) else { continue };
            let say = |truth: TenthsC, normal: f64, error: f64| normal + skill * (truth.c() - normal) + error_c * error;
            let min_c = say(truth.min, normal.1, errors[1]);
            let max_c = say(truth.max, normal.0, errors[0]).max(min_c + SMALLEST_RANGE_C);
            for (element, value) in [(Element::Max, max_c), (Element::Min, min_c)] {
                values.push(ForecastValue { day, element, value: TenthsC::from_c(value), received_at });
            }
        }
        values
    }

    /// An instant in the early morning of a local day: half past five and some minutes.
    fn morning(&self, day: NaiveDate, minutes: u64) -> DateTime<Utc> {
        let local = day.and_time(NaiveTime::MIN) + chrono::Duration::minutes(5 * 60 + minutes as i64);
        // No zone changes its clocks between five and seven; if one ever does, UTC is as good.
        local.and_local_timezone(self.time_zone).earliest().map_or_else(|| local.and_utc(), |at| at.with_timezone(&Utc))
    }
}

/// No day is closer together than this, °C.
const SMALLEST_RANGE_C: f64 = 1.0;

/// A wild maximum is this much too warm, tenths of a °C: far from anything the season allows, yet no impossible number.
const WILD_TENTHS: i32 = 320;

/// What went wrong on one day at one station.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fault {
    None,
    Lost,
    LostOnly(Element),
    /// Came so many days after it was due.
    Late(u64),
    /// First reported `by` tenths off, put right `after` days later.
    Revised {
        element: Element,
        by: i32,
        after: u64,
    },
    Wild,
}

/// Faults of one station, day by day.
fn draw_faults(count: usize, dice: &mut Dice) -> Vec<Fault> {
    let mut faults = Vec::with_capacity(count);
    while faults.len() < count {
        if dice.happens(0.004) {
            // The line is down for some days, now and then for weeks. A quarter of the short outages is only the line:
            // the values come all at once when it is up again.
            let long = dice.happens(0.04);
            let days = if long { 12 + dice.below(20) } else { 1 + dice.below(5) };
            let comes_later = !long && dice.happens(0.25);
            faults
                .extend((0..days).map(|at| if comes_later { Fault::Late(u64::from(days - at)) } else { Fault::Lost }));
        } else if dice.happens(0.006) {
            faults.push(Fault::LostOnly(if dice.happens(0.5) { Element::Max } else { Element::Min }));
        } else if dice.happens(0.012) {
            faults.push(Fault::Late(1 + u64::from(dice.below(4))));
        } else if dice.happens(0.01) {
            let by = (3 + dice.below(13)) as i32;
            // A maximum is first reported too high and a minimum too low, so that the first report is never an
            // impossible day.
            let (element, by) = if dice.happens(0.5) { (Element::Max, by) } else { (Element::Min, -by) };
            faults.push(Fault::Revised { element, by, after: 3 + u64::from(dice.below(6)) });
        } else {
            faults.push(Fault::None);
        }
    }
    faults.truncate(count);
    faults
}

struct Wild {
    station: usize,
    day: NaiveDate,
}

/// One wild value a season, between late January and the end of April.
fn wild_values(state: &State, seed: u64) -> Vec<Wild> {
    (state.first_year..=state.last_year)
        .filter_map(|year| {
            let mut dice = Dice::new(seed, dice::WILD_VALUE + u64::from(year.unsigned_abs()));
            let station = dice.below(state.stations.len() as u32) as usize;
            let day = NaiveDate::from_yo_opt(year, 25 + dice.below(95))?;
            Some(Wild { station, day })
        })
        .collect()
}

/// The weather all stations share, one value a day.
struct SharedDay {
    /// Departure of the day that the night follows in part, °C.
    day_c: f64,
    /// Departure of spells, years and warming, which day and night share, °C.
    slow_c: f64,
    /// In standard deviations.
    cloud: f64,
}

fn shared_weather(climate: &Climate, first: NaiveDate, last: NaiveDate, dice: &mut Dice) -> Vec<SharedDay> {
    let middle = f64::from(first.year() + last.year() + 1) / 2.0;
    let mut day_walk = Walk::start(climate.day_persistence, dice);
    // A month and a half, and seven months, until a spell has lost two thirds of itself.
    let mut spell_walk = Walk::start(0.978, dice);
    let mut year_walk = Walk::start(0.9953, dice);
    let mut cloud_walk = Walk::start(0.5, dice);
    days(first, last)
        .map(|day| {
            let year = f64::from(day.year()) + f64::from(day.ordinal0()) / 365.25;
            SharedDay {
                day_c: day_walk.step(dice) * through_the_year(&climate.day_spread_c, day),
                slow_c: spell_walk.step(dice) * climate.spell_spread_c
                    + year_walk.step(dice) * climate.year_spread_c
                    + (year - middle) / 10.0 * climate.warming_c_per_decade,
                cloud: cloud_walk.step(dice),
            }
        })
        .collect()
}

fn true_values(climate: &Climate, normal: &[(f64, f64)], shared: &[SharedDay], dice: &mut Dice) -> Vec<Extremes> {
    let mut max_walk = Walk::start(0.6, dice);
    let mut min_walk = Walk::start(0.6, dice);
    normal
        .iter()
        .zip(shared)
        .map(|((max, min), shared)| {
            let min_c = min
                + shared.slow_c
                + 0.75 * shared.day_c
                + shared.cloud * climate.cloud_night_c
                + min_walk.step(dice) * climate.local_spread_c;
            let max_c = max + shared.slow_c + shared.day_c - shared.cloud * climate.cloud_day_c
                + max_walk.step(dice) * climate.local_spread_c;
            Extremes { max: TenthsC::from_c(max_c.max(min_c + SMALLEST_RANGE_C)), min: TenthsC::from_c(min_c) }
        })
        .collect()
}

/// The long-term (maximum, minimum) of a station on a day of the year, °C.
fn normal(climate: &Climate, station: &StateStation, day: NaiveDate) -> (f64, f64) {
    let km_up = (station.station.elevation_m - climate.height_m) / 1000.0;
    let max = through_the_year(&climate.max_c, day) - km_up * climate.max_colder_per_km + station.days_c;
    let min = through_the_year(&climate.min_c, day) - km_up * climate.min_colder_per_km + station.nights_c;
    (max, min.min(max - SMALLEST_RANGE_C))
}

/// Monthly values, each standing for the middle of its month, joined by a smooth closed curve through them (Catmull-Rom).
fn through_the_year(months: &[f64; 12], day: NaiveDate) -> f64 {
    let share_of_month = (f64::from(day.day()) - 0.5) / f64::from(day.num_days_in_month());
    let place = f64::from(day.month0()) + share_of_month + 11.5;
    let from = place as usize;
    let t = place - from as f64;
    let [before, a, b, after] = [11, 0, 1, 2].map(|step| months[(from + step) % 12]);
    let (t2, t3) = (t * t, t * t * t);
    0.5 * (2.0 * a
        + (b - before) * t
        + (2.0 * before - 5.0 * a + 4.0 * b - after) * t2
        + (3.0 * (a - b) + after - before) * t3)
}

/// A first-order autoregression of mean 0 and standard deviation 1.
struct Walk {
    keeps: f64,
    value: f64,
}

impl Walk {
    fn start(keeps: f64, dice: &mut Dice) -> Self {
        Self { keeps, value: dice.bell() }
    }

    fn step(&mut self, dice: &mut Dice) -> f64 {
        self.value = self.keeps * self.value + (1.0 - self.keeps * self.keeps).sqrt() * dice.bell();
        self.value
    }
}

fn days(first: NaiveDate, last: NaiveDate) -> impl Iterator<Item = NaiveDate> {
    first.iter_days().take_while(move |day| *day <= last)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heat::{Cutoff, DayTemperatures, HeatRule, Method};
    use crate::weather::StationRecord;
    use crate::weather::normals::Normals;
    use crate::weather::quality::judge;
    use crate::weather::record::Known;

    fn built_in() -> (State, StateWeather) {
        let state = State::built_in().unwrap();
        let weather = make(&state, SEED);
        (state, weather)
    }

    const SEED: u64 = 1;

    fn mean(values: impl IntoIterator<Item = f64>) -> f64 {
        let (count, sum) = values.into_iter().fold((0.0, 0.0), |(count, sum), value| (count + 1.0, sum + value));
        sum / count
    }

    fn correlation(a: &[f64], b: &[f64]) -> f64 {
        let (mean_a, mean_b) = (mean(a.iter().copied()), mean(b.iter().copied()));
        let product = mean(a.iter().zip(b).map(|(a, b)| (a - mean_a) * (b - mean_b)));
        let spread = |values: &[f64], middle: f64| mean(values.iter().map(|v| (v - middle) * (v - middle))).sqrt();
        product / (spread(a, mean_a) * spread(b, mean_b))
    }

    fn departures(station: &StationWeather) -> Vec<f64> {
        station.truth.iter().zip(&station.normal).map(|(truth, normal)| truth.max.c() - normal.0).collect()
    }

    /// FNV-1a, 64 bits (published: Fowler, Noll, Vo; offset basis and prime from memory).
    fn checksum(numbers: impl Iterator<Item = i64>) -> u64 {
        numbers
            .flat_map(i64::to_le_bytes)
            .fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3))
    }

    #[test]
    fn a_seed_gives_the_same_weather_reports_and_forecasts_on_every_machine() {
        let (state, weather) = built_in();
        let truth = weather.stations.iter().flat_map(|s| &s.truth).flat_map(|day| [day.max.0, day.min.0]);
        let truth = checksum(truth.map(i64::from));
        let reports = checksum((0..state.stations.len()).flat_map(|at| weather.versions(at)).flat_map(|version| {
            [i64::from(version.value.0), version.received_at.timestamp(), i64::from(version.day.num_days_from_ce())]
        }));
        let (from, to) = (season_day(2025, 1), season_day(2025, 212));
        let forecasts = checksum(
            (0..state.stations.len())
                .flat_map(|at| weather.forecasts(at, from, to))
                .flat_map(|value| [i64::from(value.value.0), value.received_at.timestamp()]),
        );
        let said = (truth, reports, forecasts);
        assert_eq!(said, (80299608314579919, 4633743214016921112, 18023825851084036428));
        assert_ne!(make(&state, SEED + 1).stations[0].truth, weather.stations[0].truth);
    }

    fn season_day(year: i32, of_year: u32) -> NaiveDate {
        NaiveDate::from_yo_opt(year, of_year).unwrap()
    }

    #[test]
    fn a_longer_record_or_another_span_of_forecasts_changes_nothing_already_said() {
        let (mut state, weather) = built_in();
        state.last_year -= 1;
        let shorter = make(&state, SEED);
        let days = shorter.stations[3].truth.len();
        // The warming turns about the record's middle, which half a year's shift moves by hundredths of a degree: all else is equal.
        for (a, b) in shorter.stations[3].truth.iter().zip(&weather.stations[3].truth) {
            assert!((a.max.0 - b.max.0).abs() <= 1, "{a:?} {b:?}");
        }
        assert_eq!(shorter.stations[3].faults[..days - 366], weather.stations[3].faults[..days - 366]);
        let whole = weather.forecasts(2, season_day(2024, 1), season_day(2025, 120));
        let part = weather.forecasts(2, season_day(2025, 60), season_day(2025, 120));
        assert_eq!(part[..], whole[whole.len() - part.len()..]);
    }

    #[test]
    fn the_yearly_curve_goes_through_the_months_and_closes() {
        let months = State::built_in().unwrap().climate.max_c;
        for (at, value) in months.iter().enumerate().filter(|(at, _)| [0, 2, 6, 11].contains(at)) {
            // The middle of a month with 31 days is noon of its 16th.
            let middle = NaiveDate::from_ymd_opt(2021, at as u32 + 1, 16).unwrap();
            assert!((through_the_year(&months, middle) - value).abs() < 1e-9);
        }
        let jump = through_the_year(&months, season_day(2021, 1)) - through_the_year(&months, season_day(2020, 366));
        assert!(jump.abs() < 0.1, "{jump}");
    }

    #[test]
    fn the_weather_looks_like_a_dry_mountain_state() {
        let (state, weather) = built_in();
        let by_height: Vec<usize> = state
            .regions
            .iter()
            .map(|r| weather.stations.iter().position(|s| s.id.0 == r.region.stations[0]).unwrap())
            .collect();
        let mean_max = |at: usize| mean(weather.stations[at].truth.iter().map(|day| day.max.c()));
        assert!(by_height.windows(2).all(|pair| mean_max(pair[0]) > mean_max(pair[1])), "days cool with height");

        for station in &weather.stations {
            let departures = departures(station);
            let lag_one = correlation(&departures[1..], &departures[..departures.len() - 1]);
            assert!((0.6..0.9).contains(&lag_one), "{} day to day {lag_one}", station.id);
            let spread = mean(departures.iter().map(|d| d * d)).sqrt();
            assert!((3.0..6.0).contains(&spread), "{} spread {spread}", station.id);
            let range = mean(station.truth.iter().map(|day| day.max.c() - day.min.c()));
            assert!((11.0..19.0).contains(&range), "{} daily range {range}", station.id);
            assert!(station.truth.iter().all(|day| day.max > day.min));
            let hottest = station.truth.iter().map(|day| day.max.0).max().unwrap();
            let coldest = station.truth.iter().map(|day| day.min.0).min().unwrap();
            assert!(hottest < 500 && coldest > -400, "{} {hottest} {coldest}", station.id);
        }
        let (low, high) = (by_height[0], by_height[by_height.len() - 1]);
        let shared = correlation(&departures(&weather.stations[low]), &departures(&weather.stations[high]));
        assert!((0.75..0.98).contains(&shared), "the state shares its weather: {shared}");

        let third = weather.stations[low].truth.len() / 3;
        let early = mean(departures(&weather.stations[low])[..third].iter().copied());
        let late = mean(departures(&weather.stations[low])[2 * third..].iter().copied());
        assert!((0.2..1.6).contains(&(late - early)), "24 years at 0.3 °C in ten years: {}", late - early);
    }

    /// With the shipped profile's figures (reference: the table of real stations in the profile's record): the window
    /// opens in mid-February at the lowest station and in early May at the highest, in order, and eggs hatch about a month later.
    #[test]
    fn windows_open_from_february_in_the_lows_to_may_in_the_heights() {
        let (state, weather) = built_in();
        let rule = HeatRule::new(Method::SingleSine, 4.0, Some(30.0), Cutoff::Horizontal).unwrap();
        let mut medians = Vec::new();
        for region in &state.regions {
            let station = weather.stations.iter().find(|s| s.id.0 == region.region.stations[0]).unwrap();
            let mut laying = Vec::new();
            let mut hatch_after = Vec::new();
            for year in state.first_year..=state.last_year {
                let start = (season_day(year, 1) - weather.first).num_days() as usize;
                let mut sum = 0.0;
                let sums: Vec<f64> = station.truth[start..start + 300]
                    .iter()
                    .map(|day| {
                        sum += rule.degree_days(DayTemperatures { min_c: day.min.c(), max_c: day.max.c() }, None);
                        sum
                    })
                    .collect();
                let crossing = |target: f64| sums.partition_point(|sum| *sum < target) as i32 + 1;
                laying.push(crossing(214.0));
                hatch_after.push(crossing(464.0) - crossing(214.0));
            }
            laying.sort_unstable();
            hatch_after.sort_unstable();
            let at = |sorted: &[i32], share: usize| sorted[(sorted.len() - 1) * share / 100];
            println!(
                "{:16} {:5.0} m  laying {} {} {} ({}..{})  hatch after {} {} {}",
                region.region.name,
                region.region.elevation_m,
                at(&laying, 10),
                at(&laying, 50),
                at(&laying, 90),
                laying[0],
                laying[laying.len() - 1],
                at(&hatch_after, 10),
                at(&hatch_after, 50),
                at(&hatch_after, 90),
            );
            assert!((27..=42).contains(&at(&hatch_after, 50)), "{}: {hatch_after:?}", region.region.id);
            let spread = at(&laying, 90) - at(&laying, 10);
            assert!((12..=32).contains(&spread), "{}: {laying:?}", region.region.id);
            medians.push(at(&laying, 50));
        }
        assert!(medians.windows(2).all(|pair| pair[0] < pair[1]), "{medians:?}");
        // Day 40 is 9 February, day 55 is 24 February; day 120 is 30 April, day 136 is 16 May.
        assert!((40..=55).contains(&medians[0]) && (120..=136).contains(&medians[medians.len() - 1]), "{medians:?}");
    }

    #[test]
    fn reports_have_the_faults_of_a_real_network_and_no_more() {
        let (state, weather) = built_in();
        let mut wild_values = Vec::new();
        for at in 0..state.stations.len() {
            let versions = weather.versions(at);
            let days = weather.stations[at].truth.len();
            assert!(versions.is_sorted_by_key(|v| (v.day, v.element, v.received_at)));
            let mut seen: Vec<_> = versions.iter().map(|v| (v.day, v.element)).collect();
            seen.dedup();
            let missing = 1.0 - seen.len() as f64 / (2 * days) as f64;
            assert!((0.005..0.04).contains(&missing), "{missing} missing");
            let revised = versions.len() - seen.len();
            assert!((40..=400).contains(&revised), "{revised} revised");
            let age = |v: &Version| (v.received_at.date_naive() - v.day).num_days();
            assert!(versions.iter().all(|v| (1..=10).contains(&age(v))));
            let late = versions.iter().filter(|v| age(v) > 1).count() - revised;
            assert!((50..=600).contains(&late), "{late} late");
            for version in &versions {
                let truth = weather.stations[at].truth[(version.day - weather.first).num_days() as usize];
                let truth = if version.element == Element::Max { truth.max } else { truth.min };
                if (version.value.0 - truth.0).abs() > 20 {
                    wild_values.push((version.day.year(), version.element, version.value.0 - truth.0));
                }
            }
            for pair in versions.windows(2).filter(|p| p[0].day == p[1].day && p[0].element != p[1].element) {
                assert!(pair[0].value > pair[1].value, "{pair:?}");
            }
        }
        wild_values.sort_unstable_by_key(|wild| wild.0);
        let years: Vec<i32> = (state.first_year..=state.last_year).collect();
        assert_eq!(wild_values, years.iter().map(|year| (*year, Element::Max, WILD_TENTHS)).collect::<Vec<_>>());
    }

    /// The whole road a value takes: judged with what was known in the summer after it, the wild values of thirty seasons are
    /// found, and of the true ones next to none is refused.
    #[test]
    fn quality_control_finds_the_wild_values_and_little_else() {
        let (state, weather) = built_in();
        let (mut wild_found, mut true_refused) = (0, 0);
        for wild in wild_values(&state, SEED).iter().filter(|wild| wild.day.year() >= 1996) {
            let (station, year) = (&state.stations[wild.station].station, wild.day.year());
            let index = StationRecord { versions: weather.versions(wild.station) }.index(station.time_zone);
            let instant = season_day(year, 200).and_time(NaiveTime::MIN).and_utc();
            let known = Known::At { instant, bulk_latency_days: 2 };
            let normals = Normals::around(&index, known, &station.sources, year);
            let (from, to) = (season_day(year, 1), season_day(year, 181));
            for rejected in judge(&index, known, &station.sources, Some(&normals), from, to).rejected {
                if rejected.day == wild.day && rejected.element == Element::Max {
                    wild_found += 1;
                } else {
                    true_refused += 1;
                }
            }
        }
        assert_eq!(wild_found, 30);
        assert!(true_refused <= 5, "{true_refused} of 10,860");
    }

    #[test]
    fn forecasts_reach_seven_days_and_err_more_the_further_they_look() {
        let (_, weather) = built_in();
        let (from, to) = (season_day(2016, 1), season_day(2025, 150));
        let values = weather.forecasts(4, from, to);
        let mut squares = [(0.0, 0.0); FORECAST_DAYS];
        for value in values.iter().filter(|value| value.element == Element::Max) {
            let issued = value.received_at.with_timezone(&chrono_tz::America::Denver).date_naive();
            let ahead = (value.day - issued).num_days() as usize;
            let truth = weather.stations[4].truth[(value.day - weather.first).num_days() as usize].max.c();
            squares[ahead].0 += (value.value.c() - truth) * (value.value.c() - truth);
            squares[ahead].1 += 1.0;
        }
        let errors: Vec<f64> = squares.iter().map(|(sum, count)| (sum / count).sqrt()).collect();
        assert!(errors.is_sorted(), "{errors:?}");
        assert!((0.9..1.8).contains(&errors[0]) && (2.5..4.5).contains(&errors[6]), "{errors:?}");
        let spread = mean(departures(&weather.stations[4]).iter().map(|d| d * d)).sqrt();
        assert!(errors[6] < spread, "never worse than saying the normal: {} {spread}", errors[6]);
        let days: std::collections::BTreeSet<_> =
            values.iter().filter(|v| v.received_at == values[0].received_at).map(|v| v.day).collect();
        assert_eq!(days.len(), FORECAST_DAYS);
    }
}
