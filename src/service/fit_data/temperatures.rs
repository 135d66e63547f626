//! Temperatures of the stations that reports name, from the store or from files.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::path::PathBuf;

use chrono::{DateTime, NaiveDate, Utc};

use crate::config::WeatherConfig;
use crate::geo::Point;
use crate::store::{Store, StoreError};
use crate::text::near_name;
use crate::weather::feeds::{DescribedStation, Unit};
use crate::weather::import::{self, ImportError};
use crate::weather::normals::Normals;
use crate::weather::prepare::{Member, season_days};
use crate::weather::record::{Known, RecordIndex};
use crate::weather::{FeedKind, FilledDay, SourceRef, Station, StationId, StationRecord, observation_time};

/// Gaps of a past season up to this long are drawn over, as those of an outlook's past years are.
const LINE_DAYS: u32 = 10;

/// Temperatures of the stations that reports name.
pub struct Temperatures {
    stations: BTreeMap<StationId, Loaded>,
    /// By station: those that fill its gaps, in order.
    neighbours: BTreeMap<StationId, Vec<StationId>>,
    rules: WeatherConfig,
}

struct Loaded {
    station: Station,
    elevation_m: Option<f64>,
    record: RecordIndex,
}

/// Stations of reports that nothing is known of: each with what it may have been meant to be.
pub type UnknownStations = BTreeMap<StationId, Option<String>>;

#[derive(Debug, thiserror::Error)]
pub enum TemperaturesError {
    #[error("the weather record cannot be read")]
    Store(#[from] StoreError),
    #[error("the weather file cannot be used")]
    File(#[from] ImportError),
}

impl Temperatures {
    /// From the store: the station's own record, and for its gaps those of the stations beside it in its region.
    ///
    /// # Errors
    /// When the store fails. Unknown stations come back beside what is known.
    pub async fn from_store(
        store: &Store,
        wanted: &BTreeSet<StationId>,
        rules: &WeatherConfig,
    ) -> Result<(Self, UnknownStations), StoreError> {
        let known: BTreeMap<StationId, Station> =
            store.all_stations().await?.into_iter().map(|stored| (stored.station.id.clone(), stored.station)).collect();
        let ids: Vec<String> = known.keys().map(|id| id.0.clone()).collect();
        let regions = store.regions().await?;
        let mut found = Self::empty(rules);
        let mut unknown = UnknownStations::new();
        let mut to_load: BTreeSet<StationId> = BTreeSet::new();
        for id in wanted {
            if !known.contains_key(id) {
                unknown.insert(id.clone(), near_name(&id.0, &ids));
                continue;
            }
            to_load.insert(id.clone());
            let beside = regions.iter().find(|region| region.stations.contains(id));
            let beside: Vec<StationId> = beside
                .into_iter()
                .flat_map(|region| &region.stations)
                .filter(|other| *other != id && known.contains_key(*other))
                .cloned()
                .collect();
            to_load.extend(beside.iter().cloned());
            found.neighbours.insert(id.clone(), beside);
        }
        for id in to_load {
            if let Some(station) = known.get(&id) {
                let record = RecordIndex::new(store.record(&id).await?, station.time_zone);
                let loaded = Loaded { station: station.clone(), elevation_m: Some(station.elevation_m), record };
                found.stations.insert(id, loaded);
            }
        }
        Ok((found, unknown))
    }

    /// From files or folders of files, in any format that can be imported; nothing is stored. `told` hears what of them
    /// could not be used.
    ///
    /// # Errors
    /// Files that cannot be read, or that are no weather record.
    pub fn from_files(
        paths: &[PathBuf],
        unit: Option<Unit>,
        wanted: &BTreeSet<StationId>,
        rules: &WeatherConfig,
        now: DateTime<Utc>,
        told: &mut dyn FnMut(String),
    ) -> Result<(Self, UnknownStations), ImportError> {
        let options = import::Options { unit, ..import::Options::default() };
        let mut files = import::find(paths)?;
        for (path, why) in &files.left_alone {
            told(format!("{} is passed over: {why}", path.display()));
        }
        let known: HashSet<StationId> = wanted.iter().cloned().collect();
        let mut readings: BTreeMap<StationId, Vec<crate::weather::Reading>> = BTreeMap::new();
        let mut seen: BTreeSet<StationId> = BTreeSet::new();
        let quiet = |_| ();
        for file in &files.records {
            let summary = import::survey(file, &options, &known, &quiet)?;
            if summary.lines_rejected_total() > 0 {
                let first = summary.examples.first();
                let first = first.map_or(String::new(), |line| format!(", the first: {}: {}", line.place, line.reason));
                told(format!(
                    "{}: {} places could not be read{first}",
                    file.path.display(),
                    summary.lines_rejected_total()
                ));
            }
            seen.extend(summary.stations.keys().chain(summary.unknown_stations.keys()).cloned());
            let of_use: BTreeMap<StationId, u64> =
                summary.stations.into_iter().filter(|(id, _)| wanted.contains(id)).collect();
            import::read(file, &options, &of_use, &quiet, &mut |station, batch| {
                readings.entry(station).or_default().extend(batch);
                true
            })?;
            files.stations.extend(summary.places);
        }
        let ids: Vec<String> = seen.into_iter().map(|id| id.0).collect();
        let mut found = Self::empty(rules);
        let mut unknown = UnknownStations::new();
        for id in wanted {
            let Some(readings) = readings.remove(id) else {
                unknown.insert(id.clone(), near_name(&id.0, &ids));
                continue;
            };
            let about = files.stations.get(id);
            let feeds: BTreeSet<FeedKind> = readings.iter().map(|reading| reading.feed).collect();
            let station = stand_in(id, about, feeds);
            let versions = observation_time::to_versions(&readings, &station, now, true).versions;
            let record = RecordIndex::new(StationRecord { versions }, station.time_zone);
            let elevation_m = about.and_then(|about| about.elevation_m);
            found.stations.insert(id.clone(), Loaded { station, elevation_m, record });
        }
        Ok((found, unknown))
    }

    fn empty(rules: &WeatherConfig) -> Self {
        let interpolate_days = rules.interpolate_days.max(LINE_DAYS);
        let rules = WeatherConfig { interpolate_days, ..rules.clone() };
        Self { stations: BTreeMap::new(), neighbours: BTreeMap::new(), rules }
    }

    /// First and last day of a station's record.
    pub fn span(&self, id: &StationId) -> Option<(NaiveDate, NaiveDate)> {
        self.stations.get(id)?.record.span()
    }

    pub(super) fn elevation_m(&self, id: &StationId) -> Option<f64> {
        self.stations.get(id)?.elevation_m
    }

    /// Checked and filled days from one to another, ending sooner where the record does.
    pub(super) fn days(&self, id: &StationId, season: i32, from: NaiveDate, to: NaiveDate) -> Vec<FilledDay> {
        let Some(own) = self.stations.get(id) else { return Vec::new() };
        let normals =
            |loaded: &Loaded| Normals::around(&loaded.record, Known::Everything, &loaded.station.sources, season);
        let beside: Vec<(&Loaded, Normals)> = self
            .neighbours
            .get(id)
            .into_iter()
            .flatten()
            .filter_map(|other| self.stations.get(other))
            .map(|other| (other, normals(other)))
            .collect();
        let neighbours: Vec<Member<'_>> = beside
            .iter()
            .map(|(other, normals)| Member { station: &other.station, record: &other.record, normals })
            .collect();
        let own_normals = normals(own);
        let primary = Member { station: &own.station, record: &own.record, normals: &own_normals };
        let end = to.succ_opt().unwrap_or(to);
        season_days(&primary, &neighbours, &self.rules, Known::Everything, from, end).days
    }
}

/// A station of which a file says little. Its zone has no part in what is known to everybody.
fn stand_in(id: &StationId, about: Option<&DescribedStation>, feeds: BTreeSet<FeedKind>) -> Station {
    Station {
        id: id.clone(),
        name: about.map_or_else(|| id.0.clone(), |about| about.name.clone()),
        place: about.and_then(|about| about.place).unwrap_or(Point { latitude: 0.0, longitude: 0.0 }),
        elevation_m: about.and_then(|about| about.elevation_m).unwrap_or(0.0),
        time_zone: chrono_tz::UTC,
        observation_hour: None,
        sources: feeds.into_iter().map(|feed| SourceRef { feed, id: id.0.clone() }).collect(),
    }
}
