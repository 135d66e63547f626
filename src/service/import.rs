//! Record files into the store.
//!
//! A file is read to its end before anything of it is stored ([`crate::weather::import`]); then it is stored station
//! by station, each in one transaction. What any file told before changes nothing, in whatever order files come; but the hours
//! of a station's readings can be found only once a midnight station near it is there.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use tokio::sync::mpsc;

use super::found_hours::find_hour;
use crate::places::zone_of_state;
use crate::store::{Store, StoreError, weather::Added};
use crate::weather::feeds::{DescribedStation, usual_sources};
use crate::weather::import::{self, FoundFile, ImportError, Options, Summary};
use crate::weather::observation_time::to_versions;
use crate::weather::reading_hour::{ReadingHour, is_long_enough, maxima_of};
use crate::weather::{Element, FeedKind, Reading, Station, StationId, StationRecord, Version};

/// What the user says beside the files.
#[derive(Clone, Debug)]
pub struct Terms {
    pub options: Options,
    /// Of stations that are new to the store; `None`: that of their state.
    pub time_zone: Option<Tz>,
    /// Where no state is told, or it has several clocks.
    pub usual_zone: Tz,
}

/// What one file came to.
#[derive(Clone, Debug, PartialEq)]
pub struct Imported {
    pub summary: Summary,
    pub new_stations: Vec<StationId>,
    pub added: Added,
    /// Readings that lost their day to another of the same file.
    pub set_aside: usize,
    /// What was found of the hours at which stations were read, in words.
    pub hours: Vec<(StationId, String)>,
    /// Stations with years of readings whose hour nobody tells and no midnight station shows.
    pub hours_unknown: Vec<StationId>,
}

#[derive(Debug, thiserror::Error)]
pub enum ImportFault {
    #[error(transparent)]
    File(#[from] ImportError),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("reading the file ended in a fault of our own")]
    Reader(#[source] tokio::task::JoinError),
}

/// How far the work on one file is: called often, from another thread.
pub type Progress = Arc<dyn Fn(Step, u64) + Send + Sync>;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// First reading: counting. The number is bytes of the file.
    Looking,
    /// Second reading: storing.
    Storing,
}

/// Imports one file. `lists` are the stations of all station lists at hand.
///
/// # Errors
/// When the file cannot be taken as a whole, or the store fails.
pub async fn import_file(
    store: &Store,
    file: &FoundFile,
    terms: &Terms,
    lists: &BTreeMap<StationId, DescribedStation>,
    now: DateTime<Utc>,
    progress: Progress,
) -> Result<Imported, ImportFault> {
    let (mut stations, mut retired) = (HashMap::<StationId, Station>::new(), HashSet::new());
    for stored in store.all_stations().await? {
        if stored.retired_at.is_some() {
            retired.insert(stored.station.id.clone());
        }
        stations.insert(stored.station.id.clone(), stored.station);
    }
    let placed = lists.values().filter(|seen| seen.place.is_some() && seen.elevation_m.is_some());
    let known: HashSet<StationId> = stations.keys().cloned().chain(placed.map(|seen| seen.id.clone())).collect();

    // Today where the day begins first.
    let latest = (now + TimeDelta::hours(14)).date_naive();
    let options = Options { latest: Some(latest), ..terms.options.clone() };
    let summary = {
        let (file, options, progress) = (file.clone(), options.clone(), Arc::clone(&progress));
        let look = move || import::survey(&file, &options, &known, &|bytes| progress(Step::Looking, bytes));
        tokio::task::spawn_blocking(look).await.map_err(ImportFault::Reader)??
    };

    let new: Vec<Station> = summary
        .stations
        .keys()
        .filter(|id| !stations.contains_key(*id))
        .filter_map(|id| {
            let seen = lists.get(id).or(summary.places.get(id))?;
            let of_state = || zone_of_state(&seen.state).unwrap_or(terms.usual_zone);
            new_station(seen, terms.time_zone.unwrap_or_else(of_state))
        })
        .collect();
    store.add_missing_stations(&new).await?;
    let new_stations = new.iter().map(|station| station.id.clone()).collect();
    stations.extend(new.into_iter().map(|station| (station.id.clone(), station)));

    // One station's readings wait while another's are stored: memory stays bounded.
    let (sender, mut receiver) = mpsc::channel::<(StationId, Vec<Reading>)>(1);
    let reader = {
        let (file, wanted) = (file.clone(), summary.stations.clone());
        tokio::task::spawn_blocking(move || {
            import::read(&file, &options, &wanted, &|bytes| progress(Step::Storing, bytes), &mut |station, readings| {
                sender.blocking_send((station, readings)).is_ok()
            })
        })
    };
    let (mut added, mut set_aside) = (Added::default(), 0);
    let (mut hours, mut hours_unknown) = (Vec::new(), Vec::new());
    while let Some((id, mut readings)) = receiver.recv().await {
        let Some(station) = stations.get_mut(&id) else { continue };
        let (before, mut remarks) = (station.observation_hour, Vec::new());
        let hour = find_hour(store, station, &mut readings, now, &mut remarks).await?;
        if hour == ReadingHour::Unknown && is_long_enough(&maxima_of(&readings)) {
            hours_unknown.push(id.clone());
        }
        hours.extend(remarks.into_iter().map(|remark| (id.clone(), remark)));
        // One out of use is not changed.
        let found = station.observation_hour.filter(|_| before.is_none() && !retired.contains(&id));
        let attributed = to_versions(&readings, station, now, true);
        set_aside += attributed.set_aside.len();
        let (news, known) = news_of(store, &id, attributed.versions).await?;
        added.unchanged += known;
        added += store.put_import(&id, &news, found).await?;
    }
    reader.await.map_err(ImportFault::Reader)??;
    Ok(Imported { summary, new_stations, added, set_aside, hours, hours_unknown })
}

/// A station as a list or a file describes it; `None` where it lacks coordinates or height.
pub fn new_station(seen: &DescribedStation, time_zone: Tz) -> Option<Station> {
    Some(Station {
        id: seen.id.clone(),
        name: if seen.name.is_empty() { seen.id.0.clone() } else { seen.name.clone() },
        place: seen.place?,
        elevation_m: seen.elevation_m?,
        time_zone,
        observation_hour: None,
        sources: usual_sources(&seen.id),
    })
}

/// Of a bulk import's versions those that no earlier one told, and how many others there are.
///
/// # Errors
/// When the store cannot be read.
pub(super) async fn news_of(
    store: &Store,
    id: &StationId,
    versions: Vec<Version>,
) -> Result<(Vec<Version>, usize), StoreError> {
    let record = store.record(id).await?;
    let earlier = EarlierImports::before(&record);
    let (known, news): (Vec<Version>, Vec<Version>) = versions.into_iter().partition(|version| earlier.holds(version));
    Ok((news, known.len()))
}

/// What earlier files told. Two files that disagree would else overwrite each other at every repeat.
struct EarlierImports<'a>(HashSet<Fact<'a>>);

/// Day, element, feed, tenths of °C, reason against it.
type Fact<'a> = (NaiveDate, Element, FeedKind, i32, Option<&'a str>);

impl<'a> EarlierImports<'a> {
    fn before(record: &'a StationRecord) -> Self {
        Self(record.versions.iter().filter(|version| version.bulk).map(Self::key).collect())
    }

    fn holds(&self, version: &Version) -> bool {
        self.0.contains(&Self::key(version))
    }

    fn key(version: &Version) -> Fact<'_> {
        (version.day, version.element, version.feed, version.value.0, version.rejected.as_deref())
    }
}
