//! A season of very many stations is played in parts, several side by side: each is a world of its own with whole stations,
//! whose records are in memory only while it is played.
//!
//! Regions of different parts must not hang on each other. Those that share their own station share their work, so that they
//! stay together, and so do those in which one person lives. A field report anywhere moves what is believed everywhere, and
//! messages go through one queue: then, and where the season is kept, there is one part.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use chrono::{Datelike, Days, NaiveDate};
use tokio::sync::{Semaphore, mpsc};
use tokio::task::JoinSet;

use super::{RegionSeason, ReplayError, ReplayWorld};
use crate::id::StationId;
use crate::people::NewSubscriber;
use crate::region::{Region, RegionId, Zip};
use crate::service::caches::RecordCache;
use crate::service::event::Event;
use crate::store::StoreError;

/// A station's record takes some megabytes, and its past a few more.
const PART_STATIONS: usize = 64;

/// With more parts at a time they would wait for the real store, and memory would not be spared.
const MOST_AT_ONCE: usize = 4;

/// After the record of all stations ends, so many days are still played: enough for an outlook to lose trust.
const DAYS_PAST_RECORD: u64 = 10;

/// How a world is cut into parts.
#[derive(Clone)]
pub(super) struct Cut {
    /// Of one part, unless regions that belong together have more.
    stations: usize,
    /// For all copies of the world: of several seasons no more parts are under way than of one.
    turns: Arc<Semaphore>,
}

impl Default for Cut {
    fn default() -> Self {
        let at_once = std::thread::available_parallelism().map_or(2, usize::from).min(MOST_AT_ONCE);
        Self { stations: PART_STATIONS, turns: Arc::new(Semaphore::new(at_once)) }
    }
}

/// The first day of a play, and the last one, whether or not it ends before. The same for all parts.
#[derive(Clone, Copy)]
pub(super) struct Span {
    pub first: NaiveDate,
    pub last: NaiveDate,
}

impl ReplayWorld {
    /// The same in parts of so many stations, and without records in memory: for checks of what a small world comes to.
    #[doc(hidden)]
    pub fn in_parts_of(self, stations: usize) -> Self {
        let records = RecordCache::new(self.app.store.clone());
        Self { records, cut: Cut { stations, ..self.cut }, ..self }
    }

    /// In how many parts a season without messages is played.
    #[doc(hidden)]
    pub fn part_count(&self) -> usize {
        self.parts().len()
    }

    /// Seasons of which the regions' own stations have anything at all, ascending.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn seasons(&self) -> Result<Vec<i32>, ReplayError> {
        let mut years = BTreeSet::new();
        let stations: BTreeSet<&StationId> = self.regions.iter().filter_map(|region| region.stations.first()).collect();
        for station in stations {
            if let Some(history) = self.records.known(station) {
                years.extend(history.record.years());
                continue;
            }
            let mut from = NaiveDate::MIN;
            while let Some(day) = self.records.from.first_record_day(station, from, NaiveDate::MAX).await? {
                years.insert(day.year());
                // Of a year that another station has, nothing more need be known.
                let next = (day.year() + 1..=NaiveDate::MAX.year()).find(|year| !years.contains(year));
                let Some(next) = next.and_then(|year| NaiveDate::from_ymd_opt(year, 1, 1)) else { break };
                from = next;
            }
        }
        Ok(years.into_iter().collect())
    }

    /// From the first biofix to some days after the last day on which any of the regions' own stations has a value.
    ///
    /// # Errors
    /// [`ReplayError::NoSeason`], or a store that fails.
    pub(super) async fn span(&self, season: i32) -> Result<Span, ReplayError> {
        let (mut last, mut asked) = (None, BTreeSet::new());
        for region in &self.regions {
            if asked.insert((region.stations.first(), &region.profile)) {
                last = last.max(self.last_day_on_record(region, season).await?);
            }
        }
        let last = last.ok_or(ReplayError::NoSeason(season))? + Days::new(DAYS_PAST_RECORD);
        Ok(Span { first: self.first_day(season), last })
    }

    /// As `last_record_day_of`, also of a record that is not in memory.
    async fn last_day_on_record(&self, region: &Region, season: i32) -> Result<Option<NaiveDate>, StoreError> {
        let Some(station) = region.stations.first() else { return Ok(None) };
        if self.records.known(station).is_some() {
            return Ok(self.last_record_day_of(region, season));
        }
        let Some(profile) = self.app.profiles.get(&region.profile) else { return Ok(None) };
        self.records.from.last_record_day(station, profile.first_day(season), profile.last_day(season)).await
    }

    /// The same with the records of all stations in memory.
    ///
    /// # Errors
    /// When a station is not in use or the store fails.
    pub(super) async fn with_records(&self) -> Result<Self, ReplayError> {
        let mut world = self.clone();
        for station in self.regions.iter().flat_map(|region| &region.stations) {
            world.records.get(station).await?;
        }
        Ok(world)
    }

    /// The parts in which a season without messages is played, each by the places of its regions.
    pub(super) fn parts(&self) -> Vec<Vec<usize>> {
        let all = || (0..self.regions.len()).collect();
        let is_small = self.count_stations(all()) <= self.cut.stations;
        if is_small || !self.reports.is_empty() || self.kept_in.is_some() {
            return vec![all()];
        }
        let mut sets = self.sets();
        // Neighbours share stations that fill gaps or lend years: in one part those are read once.
        sets.sort_by_key(|set| {
            let first = set.first().and_then(|at| self.regions.get(*at));
            first.map(|region| (region.place.latitude.floor() as i64, region.place.longitude.floor() as i64))
        });
        let (mut parts, mut part, mut stations) = (Vec::new(), Vec::new(), 0);
        for set in sets {
            let more = self.count_stations(set.clone());
            if !part.is_empty() && stations + more > self.cut.stations {
                parts.push(std::mem::take(&mut part));
                stations = 0;
            }
            stations += more;
            part.extend(set);
        }
        parts.push(part);
        for part in &mut parts {
            part.sort_unstable();
        }
        parts
    }

    /// How many stations are the own one of any of these regions.
    fn count_stations(&self, regions: Vec<usize>) -> usize {
        let regions = regions.into_iter().filter_map(|at| self.regions.get(at));
        regions.map(|region| region.stations.first()).collect::<BTreeSet<_>>().len()
    }

    /// The regions that hang on each other, set by set.
    fn sets(&self) -> Vec<Vec<usize>> {
        let mut joined = Joined((0..self.regions.len()).collect());
        let mut of_station: HashMap<&StationId, usize> = HashMap::new();
        for (at, region) in self.regions.iter().enumerate() {
            if let Some(station) = region.stations.first() {
                joined.join(*of_station.entry(station).or_insert(at), at);
            }
        }
        let of_zip = self.regions_of_zips();
        for person in &self.people {
            let mut homes = homes(&of_zip, person);
            if let Some(first) = homes.next() {
                homes.for_each(|other| joined.join(first, other));
            }
        }
        let mut sets: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for at in 0..self.regions.len() {
            sets.entry(joined.root(at)).or_default().push(at);
        }
        sets.into_values().collect()
    }

    fn regions_of_zips(&self) -> HashMap<&Zip, Vec<usize>> {
        let mut of_zip: HashMap<&Zip, Vec<usize>> = HashMap::new();
        for (at, region) in self.regions.iter().enumerate() {
            for zip in &region.zips {
                of_zip.entry(zip).or_default().push(at);
            }
        }
        of_zip
    }

    /// Each part as a world of its own. Who lives in none of the regions is told nothing, and left out.
    fn worlds(&self, parts: &[Vec<usize>]) -> Vec<Self> {
        let mut part_of = vec![0; self.regions.len()];
        for (part, regions) in parts.iter().enumerate() {
            for at in regions {
                part_of[*at] = part;
            }
        }
        let mut people: Vec<Vec<NewSubscriber>> = vec![Vec::new(); parts.len()];
        let of_zip = self.regions_of_zips();
        for person in &self.people {
            if let Some(at) = homes(&of_zip, person).next() {
                people[part_of[at]].push(person.clone());
            }
        }
        let world = |(regions, people): (&Vec<usize>, Vec<NewSubscriber>)| Self {
            app: self.app.clone(),
            records: self.records.clone(),
            regions: regions.iter().filter_map(|at| self.regions.get(*at)).cloned().collect(),
            people,
            reports: Vec::new(),
            freezes: self.freezes.clone(),
            confirmed_after: self.confirmed_after,
            kept_in: None,
            cut: self.cut.clone(),
        };
        parts.iter().zip(people).map(world).collect()
    }

    /// Plays these parts, as many at a time as there are turns, and puts what they come to into the order of regions.
    ///
    /// # Errors
    /// Those of the first part that fails; the others are ended.
    pub(super) async fn play_parts(
        &self,
        parts: &[Vec<usize>],
        season: i32,
        span: Span,
        watch: &mut (dyn FnMut(Event) + Send),
    ) -> Result<Vec<RegionSeason>, ReplayError> {
        let (tell, mut told) = mpsc::unbounded_channel::<Event>();
        let mut playing = JoinSet::new();
        for part in self.worlds(parts) {
            let (tell, turns) = (tell.clone(), Arc::clone(&self.cut.turns));
            playing.spawn(async move {
                // Nobody closes them.
                let _turn = turns.acquire_owned().await;
                let mut watch = move |event: Event| {
                    // Who does not listen any more has ended this.
                    tell.send(event).ok();
                };
                part.play_whole(season, span, None, &mut watch).await.map(|(seasons, _)| seasons)
            });
        }
        drop(tell);
        let mut seasons: Vec<RegionSeason> = Vec::with_capacity(self.regions.len());
        loop {
            tokio::select! {
                Some(event) = told.recv() => watch(event),
                done = playing.join_next() => match done {
                    Some(Ok(played)) => seasons.extend(played?),
                    Some(Err(why)) => std::panic::resume_unwind(why.into_panic()),
                    None => break,
                },
            }
        }
        while let Ok(event) = told.try_recv() {
            watch(event);
        }
        let places: HashMap<&RegionId, usize> =
            self.regions.iter().enumerate().map(|(at, region)| (&region.id, at)).collect();
        seasons.sort_by_key(|season| places.get(&season.region).copied());
        Ok(seasons)
    }
}

/// The regions that have a ZIP code of somebody's.
fn homes(of_zip: &HashMap<&Zip, Vec<usize>>, person: &NewSubscriber) -> impl Iterator<Item = usize> {
    person.zips.iter().filter_map(move |zip| of_zip.get(zip)).flatten().copied()
}

/// What is joined has one root: each names another one of its set, or itself.
struct Joined(Vec<usize>);

impl Joined {
    fn root(&mut self, mut at: usize) -> usize {
        while self.0[at] != at {
            // Half of the way is taken out for whoever comes next.
            self.0[at] = self.0[self.0[at]];
            at = self.0[at];
        }
        at
    }

    fn join(&mut self, one: usize, other: usize) {
        let (one, other) = (self.root(one), self.root(other));
        self.0[one.max(other)] = one.min(other);
    }
}
