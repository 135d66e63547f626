//! Whole records of stations, fetched in a handful of requests each.
//!
//! A station's record is fetched, checked and stored in one transaction with the note that it was: a run that is killed goes on
//! with the station it was at, and one that is run again asks nobody twice. Stations are fetched one after another.

use std::ops::RangeInclusive;
use std::sync::Arc;

use chrono::{DateTime, Datelike, Days, NaiveDate};

use crate::clock::Clock;
use crate::config::FeedsConfig;
use crate::service::found_hours::find_hour;
use crate::service::import::news_of;
use crate::store::backfills::BackfillDone;
use crate::store::weather::Added;
use crate::store::{Store, StoreError};
use crate::weather::feeds::acis_directory::AcisDirectory;
use crate::weather::feeds::{self, FeedError, FeedQuery, Parsed, Rejections, chain};
use crate::weather::fetch::{FetchError, Fetcher};
use crate::weather::observation_time::to_versions;
use crate::weather::reading_hour::ReadingHour;
use crate::weather::station::reads_at_midnight;
use crate::weather::{Element, FeedKind, SourceRef, Station, StationId};

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
        order.sort_by_key(|station| !reads_at_midnight(&station.id));
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
        let received_at = self.clock.now();
        let hour = find_hour(&self.store, &mut station, &mut parsed.readings, received_at, remarks).await?;
        let found = station.observation_hour.filter(|_| before.is_none());
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
}

/// The days listed, without their end for a station that reports still.
fn open_end(range: &RangeInclusive<NaiveDate>, today: NaiveDate) -> RangeInclusive<NaiveDate> {
    let recent = today.checked_sub_days(Days::new(STILL_REPORTS_DAYS)).unwrap_or(today);
    *range.start()..=if *range.end() >= recent { today.max(*range.end()) } else { *range.end() }
}
