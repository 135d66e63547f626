//! Whole records of stations, fetched in a handful of requests each.
//!
//! A station's record is fetched, checked and stored in one transaction with the note that it was: a run that is killed goes on
//! with the station it was at, and one that is run again asks nobody twice. Stations are fetched one after another.

use std::ops::RangeInclusive;
use std::sync::Arc;

use chrono::{DateTime, Datelike, Days, NaiveDate};

use crate::clock::Clock;
use crate::config::FeedsConfig;
use crate::service::import::news_of;
use crate::service::station_choice::{is_fixed, midnight_stations};
use crate::store::backfills::BackfillDone;
use crate::store::weather::Added;
use crate::store::{Store, StoreError};
use crate::weather::feeds::acis_directory::AcisDirectory;
use crate::weather::feeds::{self, FeedError, FeedQuery, Parsed, Rejections, chain};
use crate::weather::fetch::{FetchError, Fetcher};
use crate::weather::observation_time::to_versions;
use crate::weather::reading_hour::{Era, ReadingHour, eras, filed_maxima, maxima_of, put_hours, told_hour};
use crate::weather::{Element, FeedKind, Reading, SourceRef, Station, StationId};

/// Fetches whole records. Cheap to make; one for a run.
#[derive(Clone)]
pub struct Backfiller {
    pub store: Store,
    pub fetcher: Arc<Fetcher>,
    /// One that listed the stations already, if there is one.
    pub directory: Option<AcisDirectory>,
    pub feeds: FeedsConfig,
    pub clock: Arc<dyn Clock>,
    /// Also what was fetched before: sources complete and revise their records.
    pub again: bool,
    /// Only from this feed.
    pub only: Option<FeedKind>,
}

/// What came of one station.
#[derive(Debug)]
pub struct StationBackfill {
    pub station: StationId,
    pub outcome: Outcome,
    /// Requests that it took, repeats included.
    pub requests: u64,
    /// Sources that failed before.
    pub failed: Vec<(SourceRef, FeedError)>,
    /// What staff should know.
    pub remarks: Vec<String>,
}

#[derive(Debug)]
pub enum Outcome {
    Fetched(Fetched),
    /// At that time; nothing was asked.
    Before {
        feed: FeedKind,
        at: DateTime<chrono::Utc>,
    },
    /// None of its sources has a record that can be fetched whole.
    NoSource,
    /// All its sources failed; see [`StationBackfill::failed`].
    Failed,
}

/// A record as it came.
#[derive(Debug)]
pub struct Fetched {
    pub source: SourceRef,
    pub first_day: Option<NaiveDate>,
    pub last_day: Option<NaiveDate>,
    /// Values that their source does not speak against.
    pub taken: usize,
    /// Values kept with the reason why they are never summed.
    pub rejected: usize,
    /// Places in the answer that gave no value, or one that cannot be.
    pub refused: Rejections,
    /// Places where the source says that it has no value.
    pub missing: u64,
    /// Readings that lost their day to another.
    pub set_aside: usize,
    pub added: Added,
    /// How the hour of reading is known.
    pub hour: ReadingHour,
}

/// Feeds whose whole record comes in one answer.
const WHOLE: [FeedKind; 5] =
    [FeedKind::Acis, FeedKind::AcisGrid, FeedKind::Awdb, FeedKind::GhcnDaily, FeedKind::PlainCsv];
/// A record that does not come whole is asked for in pieces of so many years.
const PIECE_YEARS: i32 = 30;
/// No United States record that ACIS serves is older (from memory): where pieces begin if the station's first day is not known.
const FIRST_YEAR: i32 = 1850;
/// A listed end this near to today is that of a station which reports still: it may have sent more since.
const STILL_REPORTS_DAYS: u64 = 60;
/// An hour found in the record is made the station's own when its era reaches so near to this year.
const ERA_IS_CURRENT_YEARS: i32 = 2;

impl Backfiller {
    /// Fetches the records of stations, midnight stations first: others are held against them. `heard` is told each station
    /// before it is fetched, and with `None` at the end.
    ///
    /// # Errors
    /// When the store fails; what was fetched before stays.
    pub async fn fetch_all(
        &self,
        stations: &[Station],
        heard: &(dyn Fn(usize, Option<&Station>) + Sync),
    ) -> Result<Vec<StationBackfill>, StoreError> {
        let mut order: Vec<&Station> = stations.iter().collect();
        order.sort_by_key(|station| !station.id.as_str().starts_with("USW"));
        let mut done = Vec::new();
        for (nth, station) in order.into_iter().enumerate() {
            heard(nth, Some(station));
            done.push(self.fetch(station).await?);
        }
        heard(done.len(), None);
        done.sort_by_key(|one| stations.iter().position(|station| station.id == one.station));
        Ok(done)
    }

    /// Fetches one station's whole record from the first of its sources that gives it, unless it was fetched before.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn fetch(&self, station: &Station) -> Result<StationBackfill, StoreError> {
        let before = self.fetcher.requests();
        let mut done = StationBackfill {
            station: station.id.clone(),
            outcome: Outcome::NoSource,
            requests: 0,
            failed: Vec::new(),
            remarks: Vec::new(),
        };
        let is_wanted =
            |source: &&SourceRef| WHOLE.contains(&source.feed) && self.only.is_none_or(|only| only == source.feed);
        let sources: Vec<&SourceRef> = station.sources.iter().filter(is_wanted).collect();
        if !self.again
            && let Some(earlier) = self.store.backfills().await?.into_iter().find(|earlier| {
                earlier.station == station.id && sources.iter().any(|source| source.feed == earlier.feed)
            })
        {
            done.outcome = Outcome::Before { feed: earlier.feed, at: earlier.done_at };
            return Ok(done);
        }
        for source in sources {
            done.outcome = Outcome::Failed;
            match self.ask(station, source, &mut done.remarks).await {
                Ok(parsed) => {
                    let requests = self.fetcher.requests() - before;
                    done.outcome =
                        Outcome::Fetched(self.keep(station, source, parsed, requests, &mut done.remarks).await?);
                    break;
                }
                Err(why) => done.failed.push((source.clone(), why)),
            }
        }
        done.requests = self.fetcher.requests() - before;
        Ok(done)
    }

    /// The whole record, and nothing that cannot be. One without a single value is a failure: another source may know more.
    async fn ask(&self, station: &Station, source: &SourceRef, remarks: &mut Vec<String>) -> Result<Parsed, FeedError> {
        let now = self.clock.now();
        let today = now.with_timezone(&station.time_zone).date_naive();
        let ask = FeedQuery {
            station: &station.id,
            source: &source.id,
            time_zone: station.time_zone,
            from: NaiveDate::from_ymd_opt(FIRST_YEAR, 1, 1).unwrap_or_default(),
            to: today,
            now,
        };
        let parsed = if source.feed == FeedKind::Acis {
            self.ask_acis(&ask, remarks).await?
        } else {
            feeds::pull_whole_record(source.feed, &self.fetcher, &self.feeds, &ask).await?
        };
        if parsed.readings.is_empty() {
            let (missing, rejected) = (parsed.missing, parsed.rejected_lines.len() as u64);
            let why = Rejections::of(parsed.rejected_lines).to_string();
            return Err(FeedError::NothingTaken { from: ask.from, to: today, missing, rejected, why });
        }
        Ok(parsed)
    }

    /// In one answer where that can be had, else in pieces; within the days that ACIS lists for the station.
    async fn ask_acis(&self, ask: &FeedQuery<'_>, remarks: &mut Vec<String>) -> Result<Parsed, FeedError> {
        let directory = match &self.directory {
            Some(directory) => directory.clone(),
            None => AcisDirectory::new(Arc::clone(&self.fetcher), &self.feeds)?,
        };
        let listed = match directory.find(ask.source).await {
            Ok(Some(listed)) => Some(listed),
            Ok(None) => {
                remarks.push(format!(
                    "ACIS does not list `{}`: its days could not be held against its own range",
                    ask.source
                ));
                None
            }
            Err(why) => {
                remarks.push(format!(
                    "ACIS did not tell from when to when `{}` has values: {}",
                    ask.source,
                    chain(&why)
                ));
                None
            }
        };
        let valid = |element: Element| {
            let listed = listed.as_ref()?;
            let range = if element == Element::Max { &listed.maxima } else { &listed.minima };
            range.as_ref().map(|range| open_end(range, ask.to))
        };
        let mut parsed = match feeds::pull_whole_record(FeedKind::Acis, &self.fetcher, &self.feeds, ask).await {
            Ok(parsed) => parsed,
            Err(FeedError::Fetch(why @ (FetchError::TooLarge { .. } | FetchError::TooSlow { .. }))) => {
                let why = if matches!(why, FetchError::TooSlow { .. }) { "took too long" } else { "is too large" };
                remarks.push(format!("the record was asked for in pieces, since one answer with all of it {why}"));
                let first =
                    [Element::Max, Element::Min].into_iter().filter_map(valid).map(|range| range.start().year()).min();
                self.in_pieces(ask, first.unwrap_or(FIRST_YEAR)).await?
            }
            Err(why) => return Err(why),
        };
        parsed.keep_valid_days(valid);
        Ok(parsed)
    }

    async fn in_pieces(&self, ask: &FeedQuery<'_>, first_year: i32) -> Result<Parsed, FeedError> {
        let mut all = Parsed::default();
        let mut year = first_year.max(FIRST_YEAR);
        while year <= ask.to.year() {
            let (Some(from), Some(to)) =
                (NaiveDate::from_ymd_opt(year, 1, 1), NaiveDate::from_ymd_opt(year + PIECE_YEARS - 1, 12, 31))
            else {
                break;
            };
            let piece = FeedQuery { from, to: to.min(ask.to), ..*ask };
            let parsed = feeds::pull(FeedKind::Acis, &self.fetcher, &self.feeds, &piece).await?;
            all.readings.extend(parsed.readings);
            all.rejected_lines.extend(parsed.rejected_lines);
            all.missing += parsed.missing;
            year += PIECE_YEARS;
        }
        Ok(all)
    }

    async fn keep(
        &self,
        station: &Station,
        source: &SourceRef,
        mut parsed: Parsed,
        requests: u64,
        remarks: &mut Vec<String>,
    ) -> Result<Fetched, StoreError> {
        let mut station = station.clone();
        let before = station.observation_hour;
        let hour = self.find_hour(&mut station, &mut parsed.readings, remarks).await?;
        let found = station.observation_hour.filter(|_| before.is_none());
        let received_at = self.clock.now();
        let attributed = to_versions(&parsed.readings, &station, received_at, true);
        let rejected = attributed.versions.iter().filter(|version| version.rejected.is_some()).count();
        let days = || attributed.versions.iter().map(|version| version.day);
        let (first_day, last_day) = (days().min(), days().max());
        let taken = attributed.versions.len() - rejected;
        let done = BackfillDone {
            station: station.id.clone(),
            feed: source.feed,
            done_at: received_at,
            first_day,
            last_day,
            taken: taken as u64,
            requests,
        };
        let (news, known) = news_of(&self.store, &station.id, attributed.versions).await?;
        let mut added = self.store.put_backfill(&news, &done, found).await?;
        added.unchanged += known;
        Ok(Fetched {
            source: source.clone(),
            first_day,
            last_day,
            taken,
            rejected,
            refused: Rejections::of(parsed.rejected_lines),
            missing: parsed.missing,
            set_aside: attributed.set_aside.len(),
            added,
            hour,
        })
    }

    /// Told by the source, or set by staff, or found beside a midnight station of the store. What was found is put on each
    /// reading of its era that no source told the hour of, and made the station's own where it holds today: observers told
    /// their hours from the 1980s on, if at all, and what they wrote down before needs its day too. A record that is fetched
    /// again is looked at again, since the station's own hour says nothing of earlier eras; an hour that staff set to what the
    /// record does not show of today holds for all of it.
    async fn find_hour(
        &self,
        station: &mut Station,
        readings: &mut [Reading],
        remarks: &mut Vec<String>,
    ) -> Result<ReadingHour, StoreError> {
        let told = told_hour(readings).map(|hour| ReadingHour::Told { hour });
        let known = told.clone().or(station.observation_hour.map(|hour| ReadingHour::Set { hour }));
        let untold = readings.iter().filter(|reading| reading.observation_hour.is_none_or(|hour| hour == 0)).count();
        if untold == 0 || is_fixed(station) {
            return Ok(known.unwrap_or(ReadingHour::ByConstruction));
        }
        let stored = self.store.stations().await?;
        let maxima = maxima_of(readings);
        for (distance_km, midnight) in midnight_stations(station, &stored.iter().collect::<Vec<_>>()) {
            let eras = eras(&maxima, &filed_maxima(&self.store.record(&midnight.id).await?));
            if eras.is_empty() {
                continue;
            }
            let words = eras.iter().map(Era::words).collect::<Vec<_>>().join("; ");
            let found = ReadingHour::Found { neighbour: midnight.id.clone(), distance_km, eras };
            if station.observation_hour.is_some() && station.observation_hour != found.setting() {
                break;
            }
            let ReadingHour::Found { eras, neighbour, .. } = &found else { break };
            let put = put_hours(readings, eras);
            remarks.push(format!(
                "no source tells the hour of {untold} of its readings; beside midnight station {neighbour} ({distance_km:.0} km \
                 away) its record shows {words}: {put} readings were put on their day by that"
            ));
            if let Some(told) = told {
                return Ok(told);
            }
            self.adopt(station, &found, remarks);
            return Ok(found);
        }
        Ok(known.unwrap_or(ReadingHour::Unknown))
    }

    /// Makes what was found the station's own; it is kept with the record.
    fn adopt(&self, station: &mut Station, found: &ReadingHour, remarks: &mut Vec<String>) {
        let this_year = self.clock.now().with_timezone(&station.time_zone).year();
        let ReadingHour::Found { eras, .. } = found else { return };
        let is_current = eras.last().is_some_and(|era| era.last >= this_year - ERA_IS_CURRENT_YEARS);
        if let (Some(hour), true, None) = (found.setting(), is_current, station.observation_hour) {
            station.observation_hour = Some(hour);
            remarks.push(format!("its hour of reading is set to {hour}: `treebell station change` sets another"));
        }
    }
}

/// The days listed, without their end for a station that reports still.
fn open_end(range: &RangeInclusive<NaiveDate>, today: NaiveDate) -> RangeInclusive<NaiveDate> {
    let recent = today.checked_sub_days(Days::new(STILL_REPORTS_DAYS)).unwrap_or(today);
    *range.start()..=if *range.end() >= recent { today.max(*range.end()) } else { *range.end() }
}
