//! The store, regions, subscribers and notices: the same behaviour on both engines; and the commands that keep them.

mod audit;
mod bands;
mod commands;
mod erasure;
pub mod field_reports;
pub mod inbound;
pub mod joining;
mod keys;
mod keywords;
mod letters;
pub mod notices;
mod regions;
mod retention;
mod store;
mod subscribers;
mod weather;

use chrono::{DateTime, NaiveDate, Utc};
use treebell::clock::ManualClock;
use treebell::geo::Point;
use treebell::people::{Address, Language, Reach};
use treebell::people::{Consent, NewSubscriber};
use treebell::region::{OwnerReports, Region, Release, Zip};
use treebell::service::subscribe::stop::{StopRequest, stop};
use treebell::store::Store;
use treebell::store::enrolment::Enrolled;
use treebell::store::stops::Stopped;
use treebell::weather::{FeedKind, SourceRef, Station};

pub fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

pub fn zip(text: &str) -> Zip {
    Zip::parse(text).unwrap()
}

pub fn address(text: &str) -> Address {
    Address::parse(text, Reach::NorthAmerica).unwrap()
}

fn station(id: &str) -> Station {
    Station {
        id: id.into(),
        name: format!("Station {id}"),
        place: Point { latitude: 32.75, longitude: -134.95 },
        elevation_m: 1565.0,
        time_zone: chrono_tz::America::Denver,
        observation_hour: Some(7),
        sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: "logger.csv".into() }],
    }
}

fn region(id: &str, zips: &[&str], station: &str) -> Region {
    Region {
        id: id.into(),
        name: format!("Region {id}"),
        place: Point { latitude: 32.75, longitude: -134.95 },
        elevation_m: 1565.0,
        time_zone: chrono_tz::America::Denver,
        profile: "pinyon-needle-scale".into(),
        zips: zips.iter().map(|text| zip(text)).collect(),
        stations: vec![station.into()],
        release: Release::AtOnce,
        owner_reports: OwnerReports::WhenConfirmed,
        county: None,
        state: None,
        band: None,
        landmarks: Vec::new(),
        retired: false,
    }
}

/// Station A with regions `north` (00101, 00102) and `south` (00201).
pub async fn two_regions(store: &Store) {
    store.add_station(&station("A")).await.unwrap();
    store.add_region(&region("north", &["00101", "00102"], "A"), at("2026-01-01T00:00:00Z")).await.unwrap();
    store.add_region(&region("south", &["00201"], "A"), at("2026-01-01T00:00:00Z")).await.unwrap();
}

fn subscriber(zips: &[&str], addresses: &[&str], language: Language) -> NewSubscriber {
    NewSubscriber {
        zips: zips.iter().map(|text| zip(text)).collect(),
        heights: Vec::new(),
        addresses: addresses.iter().map(|text| address(text)).collect(),
        language,
        consent: Consent::Given { evidence: "signed form, county fair".into() },
    }
}

pub async fn subscribe(store: &Store, zips: &[&str], addresses: &[&str]) -> Enrolled {
    store.add_subscriber(&subscriber(zips, addresses, Language::En), at("2026-02-01T12:00:00Z")).await.unwrap()
}

/// The owner of an address says stop; `evidence`: how.
pub async fn say_stop(store: &Store, address: &Address, evidence: &str, now: DateTime<Utc>) -> Stopped {
    let key = store.address_hash().of(address);
    stop(store, &ManualClock::at(now), StopRequest::Address(&key), evidence).await.unwrap()
}
