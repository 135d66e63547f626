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
        .map(|r| weather.stations.iter().position(|s| s.id == r.region.stations[0]).unwrap())
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
        let station = weather.stations.iter().find(|s| s.id == region.region.stations[0]).unwrap();
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
