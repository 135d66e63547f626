//! Invented states of any size, with the demo's weather: its stations and regions over and over, each with weather of its own.

use std::path::Path;

use chrono::{Datelike, NaiveDate};
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::randomness::Randomness;
use treebell::region::{Region, RegionId, Zip};
use treebell::store::{ServerTrust, Store};
use treebell::weather::{Element, FeedKind, SourceRef, Station, StationId, TenthsC, Version};

/// Nobody listens there: an invented station has no source.
const NO_SOURCE: &str = "http://127.0.0.1:9/logger.csv";

pub struct Country {
    pub stations: Vec<Station>,
    pub regions: Vec<Region>,
    state: State,
}

impl Country {
    /// Years of record end with the demo's; each region has one ZIP code.
    pub fn new(stations: usize, regions: usize, years: i32) -> Self {
        let mut state = State::built_in().unwrap();
        state.first_year = state.last_year - years + 1;
        let given = state.stations.len();
        let station = |at: usize| {
            let of = &state.stations[at % given].station;
            let mut station = of.clone();
            station.id = StationId(format!("inv-{at:05}"));
            station.name = format!("{} {}", of.name, at / given + 1);
            // Apart by more than a station is asked for what height makes.
            station.place.latitude += (at / given) as f64 * 0.9;
            station.sources = vec![SourceRef { feed: FeedKind::PlainCsv, id: NO_SOURCE.into() }];
            station
        };
        let stations: Vec<Station> = (0..stations).map(station).collect();
        let region = |at: usize| {
            let of = &state.regions[at % state.regions.len()].region;
            Region {
                id: RegionId(format!("region-{at:05}")),
                name: format!("{} {}", of.name, at + 1),
                zips: vec![Zip::parse(&format!("{:05}", 100 + at)).unwrap()],
                stations: vec![stations[at % stations.len()].id.clone()],
                ..of.clone()
            }
        };
        let regions = (0..regions).map(region).collect();
        Self { stations, regions, state }
    }

    /// What a station of the country reported.
    pub fn versions(&self, at: usize) -> Vec<Version> {
        let given = self.state.stations.len();
        // One state's weather a seed; stations of one seed share theirs, as neighbours do.
        let mut versions = weather::make(&self.state, (at / given) as u64 + 1).versions(at % given);
        versions.retain(|version| version.day.year() >= self.state.first_year);
        versions
    }

    /// A store with stations, records and regions.
    pub async fn store(&self, file: &Path) -> Store {
        let store = open(file).await;
        let now = "2025-01-01T12:00:00Z".parse().unwrap();
        let given = self.state.stations.len();
        for from in (0..self.stations.len()).step_by(given) {
            let made = weather::make(&self.state, (from / given) as u64 + 1);
            for (at, station) in self.stations.iter().enumerate().skip(from).take(given) {
                store.add_station(station).await.unwrap();
                let mut versions = made.versions(at - from);
                for version in &mut versions {
                    version.bulk = true;
                }
                store.add_versions(&station.id, &versions).await.unwrap();
            }
        }
        store.put_regions(&self.regions, now).await.unwrap();
        store
    }
}

/// The daily extremes of a station file of GHCN-Daily (its readme.txt, section III): values with a quality flag are refused.
pub fn dly_versions(text: &str) -> Vec<Version> {
    let received_at = "2025-01-01T12:00:00Z".parse().unwrap();
    let mut versions = Vec::new();
    for line in text.lines() {
        let element = match &line[17..21] {
            "TMAX" => Element::Max,
            "TMIN" => Element::Min,
            _ => continue,
        };
        let (year, month) = (line[11..15].parse().unwrap(), line[15..17].parse().unwrap());
        for (at, nth) in (1..=31).enumerate() {
            let field = &line[21 + 8 * at..29 + 8 * at];
            let value: i32 = field[..5].trim().parse().unwrap();
            let (true, Some(day)) = (value != -9999, NaiveDate::from_ymd_opt(year, month, nth)) else { continue };
            let flag = &field[6..7];
            versions.push(Version {
                day,
                element,
                value: TenthsC(value),
                feed: FeedKind::GhcnDaily,
                day_reported: day,
                sampled: false,
                rejected: (flag != " ").then(|| format!("quality flag {flag}")),
                received_at,
                bulk: true,
            });
        }
    }
    versions
}

pub async fn open(file: &Path) -> Store {
    let address = format!("sqlite:{}", file.display());
    Store::make(&address, &ServerTrust::default(), None, &Randomness::of_system()).await.unwrap()
}
