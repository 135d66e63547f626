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
mod tests;
