//! Asks the feeds for every station and keeps what is new.
//!
//! A station's sources are asked in order. The next one is asked when one fails or leaves recent days open that nobody
//! has filled yet. Stations do not wait for each other, and one that fails holds up none.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, Utc};
use futures::StreamExt;
use tracing::{info, warn};

use crate::clock::Clock;
use crate::config::Config;
use crate::progress::{Part, Progress};
use crate::store::weather::{ForecastValue, Pull};
use crate::store::{Store, StoreError};
use crate::weather::feeds::{self, FeedError, FeedQuery, Parsed, RejectedLine, Rejections, acis, chain};
use crate::weather::fetch::Fetcher;
use crate::weather::observation_time::to_versions;
use crate::weather::{Element, FeedKind, SourceRef, Station, StationId, Version};

/// Stations under way at once; the fetcher limits each host besides.
const STATIONS_AT_ONCE: usize = 8;
/// Days in which a hole is asked for again: sources replace and complete values for weeks.
const HOLE_DAYS: u64 = 60;
/// Days of forecast asked for; the service gives about seven.
const FORECAST_DAYS: u64 = 10;

/// What a pull came to, station by station in the order asked for.
#[derive(Debug, Default)]
pub struct PullReport {
    pub stations: Vec<StationPull>,
}

#[derive(Debug)]
pub struct StationPull {
    pub station: StationId,
    /// The sources that were asked, in order.
    pub sources: Vec<SourcePull>,
    /// The store failed: nothing more was done for this station.
    pub store_fault: Option<StoreError>,
}

#[derive(Debug)]
pub struct SourcePull {
    pub source: SourceRef,
    pub outcome: Result<Taken, FeedError>,
}

/// What one source gave.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Taken {
    /// Values its source does not speak against.
    pub accepted: usize,
    /// Values kept with the reason why they are never summed.
    pub rejected: usize,
    /// Rows written: news or revisions.
    pub new: usize,
    /// Readings that lost their day to another.
    pub set_aside: usize,
    /// Places in the answer that gave no reading.
    pub rejected_lines: Rejections,
    /// Places where the source says that it has no value.
    pub missing: u64,
}

impl StationPull {
    /// It has no source of observations: its record comes from files.
    fn is_unasked(&self) -> bool {
        self.observing().next().is_none() && self.store_fault.is_none()
    }

    /// No temperature that was measured came; a forecast is none.
    fn is_silent(&self) -> bool {
        let mut observing = self.observing().peekable();
        self.store_fault.is_some() || (observing.peek().is_some() && observing.all(|source| source.outcome.is_err()))
    }

    /// The sources asked that give what was measured.
    fn observing(&self) -> impl Iterator<Item = &SourcePull> {
        self.sources.iter().filter(|source| !source.source.feed.is_forecast())
    }
}

impl PullReport {
    /// Whether stations were asked and none of them gave anything.
    pub fn all_silent(&self) -> bool {
        let silent = self.silent_stations().len();
        silent > 0 && silent == self.stations.iter().filter(|pull| !pull.is_unasked()).count()
    }

    /// Stations that have sources of observations, but none that gave a value.
    pub fn silent_stations(&self) -> Vec<&StationId> {
        self.stations.iter().filter(|pull| pull.is_silent()).map(|pull| &pull.station).collect()
    }

    /// As [`PullReport::silent_stations`], each with what is true of all its sources: some may have answered.
    pub fn silent_words(&self) -> Vec<(&StationId, String)> {
        let words = |StationPull { station, store_fault, .. }: &StationPull| match store_fault {
            Some(_) => format!("what the sources of station `{station}` gave could not be kept"),
            None => format!("no source of station `{station}` gave a temperature that can be used"),
        };
        let silent = self.stations.iter().filter(|pull| pull.is_silent());
        silent.map(|pull| (&pull.station, words(pull))).collect()
    }

    pub fn new_values(&self) -> usize {
        let taken = |source: &SourcePull| source.outcome.as_ref().map_or(0, |taken| taken.new);
        self.stations.iter().flat_map(|station| &station.sources).map(taken).sum()
    }
}

/// Pulls the stations given. Never fails as a whole: the report says what came of each.
pub async fn pull_all(
    store: &Store,
    fetcher: &Fetcher,
    config: &Config,
    clock: &Arc<dyn Clock>,
    stations: &[Station],
) -> PullReport {
    pull_all_watched(store, fetcher, config, clock, stations, &Progress::default()).await
}

/// As [`pull_all`], telling after each source that the schedule goes on.
pub async fn pull_all_watched(
    store: &Store,
    fetcher: &Fetcher,
    config: &Config,
    clock: &Arc<dyn Clock>,
    stations: &[Station],
    progress: &Progress,
) -> PullReport {
    let puller = Puller { store, fetcher, config, clock, progress };
    let looks = futures::stream::iter(stations)
        .map(|station| async move { (station.id.clone(), puller.look(station).await) })
        .buffered(STATIONS_AT_ONCE)
        .collect::<Vec<_>>()
        .await;
    let many = puller.ask_acis_for_many(stations, &looks).await;
    let mut looks: HashMap<StationId, Result<Look, StoreError>> = looks.into_iter().collect();
    let mut work = Vec::new();
    for station in stations {
        let pull = StationPull { station: station.id.clone(), sources: Vec::new(), store_fault: None };
        match looks.remove(&station.id) {
            Some(Ok(look)) => work.push((station, look, pull)),
            Some(Err(fault)) => work.push((station, Look::nothing(), StationPull { store_fault: Some(fault), ..pull })),
            // A station named twice is pulled once.
            None => {}
        }
    }
    progress.made(Part::Schedule);
    let many = &many;
    let pulled = futures::stream::iter(work)
        .map(|(station, look, pull)| puller.pull(station, look, pull, many))
        .buffered(STATIONS_AT_ONCE)
        .collect::<Vec<_>>()
        .await;
    PullReport { stations: pulled }
}

#[derive(Clone, Copy)]
struct Puller<'a> {
    store: &'a Store,
    fetcher: &'a Fetcher,
    config: &'a Config,
    clock: &'a Arc<dyn Clock>,
    progress: &'a Progress,
}

/// What there is to ask for.
#[derive(Clone, Debug, PartialEq)]
struct Look {
    from: NaiveDate,
    today: NaiveDate,
    /// Recent days without both values.
    open: BTreeSet<NaiveDate>,
}

impl Look {
    fn nothing() -> Self {
        Self { from: NaiveDate::MIN, today: NaiveDate::MIN, open: BTreeSet::new() }
    }

    /// From the first day that is to be asked for: the last days, since values are revised; holes of the last weeks;
    /// everything since the newest known day, after downtime; for a station without a record all that may be caught up.
    /// `complete` as [`Store::complete_days`] gives it from [`Reach::first`] to today.
    fn at(complete: &BTreeSet<NaiveDate>, reach: &Reach) -> Self {
        let Reach { today, again, oldest, holes } = *reach;
        let missing =
            |from: NaiveDate| from.iter_days().take_while(|day| *day < today).filter(|day| !complete.contains(day));
        let from = match complete.range(..today).next_back() {
            None => oldest,
            Some(newest) => {
                // Days before the record began are no holes.
                let began = complete.first().copied().unwrap_or(again);
                let hole = missing(holes.max(began)).next().unwrap_or(again);
                again.min(hole).min(*newest).max(oldest)
            }
        };
        let open = missing(again).collect();
        Self { from, today, open }
    }
}

/// How far back a station is asked, by its own calendar.
#[derive(Clone, Copy, Debug)]
struct Reach {
    today: NaiveDate,
    /// The first of the days that are asked for in any case.
    again: NaiveDate,
    /// The first day that may be asked for at all.
    oldest: NaiveDate,
    /// The first day whose hole is still asked for.
    holes: NaiveDate,
}

impl Reach {
    /// `again` and `most`: see `feeds.again_days` and `schedule.catch_up_days`.
    fn of(station: &Station, now: DateTime<Utc>, again: u32, most: u32) -> Self {
        let today = now.with_timezone(&station.time_zone).date_naive();
        let ago = |days: u64| today.checked_sub_days(Days::new(days)).unwrap_or(today);
        let again = ago(again.max(1).into());
        Self { today, again, oldest: ago(most.into()).min(again), holes: ago(HOLE_DAYS) }
    }

    /// Before this day only the newest complete day matters.
    fn first(&self) -> NaiveDate {
        self.oldest.min(self.holes)
    }
}

/// Days with both values that no source speaks against.
fn complete_days(versions: &[Version]) -> BTreeSet<NaiveDate> {
    let mut elements: HashMap<NaiveDate, u8> = HashMap::new();
    for version in versions.iter().filter(|version| version.rejected.is_none()) {
        *elements.entry(version.day).or_default() |= if version.element == Element::Max { 1 } else { 2 };
    }
    elements.into_iter().filter(|(_, bits)| *bits == 3).map(|(day, _)| day).collect()
}

impl Puller<'_> {
    async fn look(&self, station: &Station) -> Result<Look, StoreError> {
        let (again, most) = (self.config.feeds.again_days, self.config.schedule.catch_up_days);
        let reach = Reach::of(station, self.clock.now(), again, most);
        let complete = self.store.complete_days(&station.id, reach.first(), reach.today).await?;
        Ok(Look::at(&complete, &reach))
    }

    /// One question for all stations that ACIS knows, instead of one each. A failure is no harm: then each is asked for.
    async fn ask_acis_for_many(
        &self,
        stations: &[Station],
        looks: &[(StationId, Result<Look, StoreError>)],
    ) -> HashMap<StationId, Parsed> {
        let mut asked: Vec<(StationId, String)> = Vec::new();
        let mut span: Option<(NaiveDate, NaiveDate)> = None;
        for (station, (_, look)) in stations.iter().zip(looks) {
            let (Ok(look), Some(source)) = (look, station.sources.iter().find(|source| source.feed == FeedKind::Acis))
            else {
                continue;
            };
            // A long span of one station would be asked of all.
            if (look.today - look.from).num_days() <= HOLE_DAYS as i64 && feeds::check_source(source).is_ok() {
                asked.push((station.id.clone(), source.id.clone()));
                let (from, to) = span.unwrap_or((look.from, look.today));
                span = Some((from.min(look.from), to.max(look.today)));
            }
        }
        let (Some((from, to)), true) = (span, asked.len() > 1) else { return HashMap::new() };
        let Ok(base_url) = self.config.feeds.acis.base_url.url() else { return HashMap::new() };
        match acis::pull_many(self.fetcher, base_url, &asked, from, to).await {
            // Rows that do not fit are asked for again, one station at a time.
            Ok(found) => {
                found.into_iter().filter(|(_, parsed)| parsed.rejected_lines.iter().all(is_about_a_value)).collect()
            }
            Err(why) => {
                warn!(stations = asked.len(), "ACIS gave no common answer, asking for each station: {}", chain(&why));
                HashMap::new()
            }
        }
    }

    async fn pull(
        &self,
        station: &Station,
        mut look: Look,
        mut pull: StationPull,
        many: &HashMap<StationId, Parsed>,
    ) -> StationPull {
        if pull.store_fault.is_some() {
            return pull;
        }
        let mut forecast_came = false;
        let mut asked_once = false;
        for source in &station.sources {
            let needed = if source.feed.is_forecast() { !forecast_came } else { !asked_once || !look.open.is_empty() };
            if !needed {
                continue;
            }
            let started_at = self.clock.now();
            let outcome = self.ask(station, source, &mut look, many).await;
            if outcome.as_ref().is_ok_and(Result::is_ok) {
                if source.feed.is_forecast() { forecast_came = true } else { asked_once = true }
            }
            let outcome = match outcome {
                Ok(outcome) => outcome,
                Err(fault) => {
                    pull.store_fault = Some(fault);
                    return pull;
                }
            };
            self.progress.made(Part::Schedule);
            if let Err(fault) = self.note(station, source, started_at, &outcome).await {
                pull.store_fault = Some(fault);
                return pull;
            }
            pull.sources.push(SourcePull { source: source.clone(), outcome });
        }
        pull
    }

    /// Outer error: the store. Inner error: the source.
    async fn ask(
        &self,
        station: &Station,
        source: &SourceRef,
        look: &mut Look,
        many: &HashMap<StationId, Parsed>,
    ) -> Result<Result<Taken, FeedError>, StoreError> {
        let now = self.clock.now();
        let (from, to) = if source.feed.is_forecast() {
            (look.today, look.today.checked_add_days(Days::new(FORECAST_DAYS)).unwrap_or(look.today))
        } else {
            (look.from, look.today)
        };
        let ask = FeedQuery { station: &station.id, source: &source.id, time_zone: station.time_zone, from, to, now };
        let common = many.get(&station.id).filter(|_| source.feed == FeedKind::Acis);
        let parsed = match common {
            Some(parsed) => {
                let mut parsed = parsed.clone();
                feeds::keep_asked_days(&mut parsed, source.feed, &ask);
                Ok(parsed)
            }
            None => feeds::pull(source.feed, self.fetcher, &self.config.feeds, &ask).await,
        };
        let parsed = match parsed {
            Ok(parsed) => parsed,
            Err(why) => return Ok(Err(why)),
        };
        if parsed.readings.is_empty() && parsed.missing == 0 && parsed.rejected_lines.is_empty() {
            return Ok(Err(FeedError::Nothing { from, to }));
        }
        // The moment of receipt is after the answer, not before the question.
        let received_at = self.clock.now();
        let mut taken = Taken { missing: parsed.missing, ..Taken::default() };
        if source.feed.is_forecast() {
            let values: Vec<ForecastValue> = parsed
                .readings
                .iter()
                .map(|reading| ForecastValue {
                    day: reading.day_reported,
                    element: reading.element,
                    value: reading.value,
                })
                .collect();
            taken.accepted = values.len();
            taken.new = values.len();
            if !values.is_empty() {
                self.store.add_forecast(&station.id, &values, received_at).await?;
            }
        } else {
            let attributed = to_versions(&parsed.readings, station, received_at, false);
            taken.rejected = attributed.versions.iter().filter(|version| version.rejected.is_some()).count();
            taken.accepted = attributed.versions.len() - taken.rejected;
            taken.set_aside = attributed.set_aside.len();
            // Also what its source speaks against is kept, with the reason.
            taken.new = self.store.add_versions(&station.id, &attributed.versions).await?.new;
            for day in complete_days(&attributed.versions) {
                look.open.remove(&day);
            }
        }
        taken.rejected_lines = Rejections::of(parsed.rejected_lines);
        if taken.accepted == 0 {
            let rejected = taken.rejected as u64 + taken.rejected_lines.total();
            let why = taken.rejected_lines.to_string();
            return Ok(Err(FeedError::NothingTaken { from, to, missing: taken.missing, rejected, why }));
        }
        Ok(Ok(taken))
    }

    async fn note(
        &self,
        station: &Station,
        source: &SourceRef,
        started_at: DateTime<Utc>,
        outcome: &Result<Taken, FeedError>,
    ) -> Result<(), StoreError> {
        let count = |number: usize| u32::try_from(number).unwrap_or(u32::MAX);
        let (taken, rejected, error) = match outcome {
            Ok(taken) => {
                info!(station.id = %station.id, feed = source.feed.name(), taken = taken.accepted, new = taken.new,
                    rejected = taken.rejected, "pulled `{}`", station.id);
                let lines = &taken.rejected_lines;
                if !lines.is_empty() {
                    warn!(station.id = %station.id, feed = source.feed.name(), "not all of the answer for `{}` could be read: {lines}",
                        station.id);
                }
                let rejected = taken.rejected.saturating_add(usize::try_from(lines.total()).unwrap_or(usize::MAX));
                (count(taken.accepted), count(rejected), None)
            }
            Err(why) => {
                let rejected = match why {
                    FeedError::NothingTaken { rejected, .. } => u32::try_from(*rejected).unwrap_or(u32::MAX),
                    _ => 0,
                };
                let why = chain(why);
                warn!(station.id = %station.id, feed = source.feed.name(), "source of `{}` failed: {why}", station.id);
                (0, rejected, Some(why))
            }
        };
        let pull = Pull { station: station.id.clone(), feed: source.feed, started_at, taken, rejected, error };
        self.store.add_pull(&pull).await
    }
}

/// A line told about one value, not about the rows as a whole.
fn is_about_a_value(line: &RejectedLine) -> bool {
    line.place.ends_with("maximum") || line.place.ends_with("minimum")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geo::Point;
    use crate::weather::{StationRecord, TenthsC};

    fn day(month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, month, day).unwrap()
    }

    fn station() -> Station {
        Station {
            id: "A".into(),
            name: "Example Mesa".into(),
            place: Point { latitude: 35.0, longitude: -135.0 },
            elevation_m: 2000.0,
            time_zone: chrono_tz::America::Denver,
            observation_hour: None,
            sources: Vec::new(),
        }
    }

    fn record(days: impl Iterator<Item = NaiveDate>) -> StationRecord {
        let version = |day, element| Version {
            day,
            element,
            value: TenthsC(100),
            feed: FeedKind::Acis,
            day_reported: day,
            sampled: false,
            rejected: None,
            received_at: DateTime::UNIX_EPOCH,
            bulk: false,
        };
        StationRecord {
            versions: days.flat_map(|day| [version(day, Element::Max), version(day, Element::Min)]).collect(),
        }
    }

    fn look(record: &StationRecord) -> Look {
        // 23:00 of 15 June in Denver, already the 16th in Greenwich.
        let now = DateTime::parse_from_rfc3339("2026-06-16T05:00:00Z").unwrap().to_utc();
        Look::at(&complete_days(&record.versions), &Reach::of(&station(), now, 10, 400))
    }

    fn days_until(last: NaiveDate) -> impl Iterator<Item = NaiveDate> {
        day(1, 1).iter_days().take_while(move |day| *day <= last)
    }

    #[test]
    fn a_full_record_is_asked_for_its_last_ten_days_again() {
        let look = look(&record(days_until(day(6, 14))));
        assert_eq!((look.from, look.today, look.open.len()), (day(6, 5), day(6, 15), 0));
    }

    #[test]
    fn after_downtime_everything_since_the_newest_day_is_asked_for() {
        let look = look(&record(days_until(day(3, 20))));
        assert_eq!((look.from, look.open.len()), (day(3, 20), 10));
    }

    #[test]
    fn a_hole_of_the_last_weeks_is_asked_for_again_and_an_old_one_is_not() {
        let holed = |hole: NaiveDate| record(days_until(day(6, 14)).filter(move |day| *day != hole));
        assert_eq!(look(&holed(day(5, 3))).from, day(5, 3));
        assert_eq!(look(&holed(day(3, 3))).from, day(6, 5));
        let recent = look(&holed(day(6, 10)));
        assert_eq!((recent.from, recent.open.into_iter().collect::<Vec<_>>()), (day(6, 5), vec![day(6, 10)]));
    }

    #[test]
    fn a_station_without_a_record_is_asked_for_all_that_may_be_caught_up() {
        let look = look(&record(std::iter::empty()));
        assert_eq!((look.from, look.open.len()), (NaiveDate::from_ymd_opt(2025, 5, 11).unwrap(), 10));
    }

    #[test]
    fn a_day_whose_only_value_was_refused_stays_open() {
        let mut record = record(days_until(day(6, 14)));
        for version in record.versions.iter_mut().filter(|v| v.day == day(6, 12) && v.element == Element::Min) {
            version.rejected = Some("GHCN quality flag X: bounds".into());
        }
        assert_eq!(look(&record).open.into_iter().collect::<Vec<_>>(), [day(6, 12)]);
    }
}
