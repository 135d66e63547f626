//! Every version of every value of a station, forecasts, and what each pull came to.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::{DateTime, NaiveDate, Offset as _, TimeDelta, Utc};
use sqlx::any::AnyRow;

use crate::store::bulk::{Insert, InsertAlike, RowValues};
use crate::store::error::StoreError;
use crate::store::kept_pasts::count_years;
use crate::store::region_views::mark;
use crate::store::rows::{day_number, get, get_day, get_instant, ms};
use crate::store::stations::known_station;
use crate::store::tx::{Store, Tx};
use crate::store::weather_rows::{element_of, feed_of, read_versions, tenths_of};
use crate::weather::{Element, FeedKind, Station, StationId, StationRecord, TenthsC, Version};

/// What came of writing versions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Added {
    /// Rows written: value, verdict or attribution differ from the newest known of the reading.
    pub new: usize,
    /// Known before.
    pub unchanged: usize,
    /// Given more than once in one call with the same time of receipt; the last one counted.
    pub repeated: usize,
}

impl std::ops::AddAssign for Added {
    fn add_assign(&mut self, more: Self) {
        self.new += more.new;
        self.unchanged += more.unchanged;
        self.repeated += more.repeated;
    }
}

/// One value of a forecast, for a day of the station's own calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ForecastValue {
    pub day: NaiveDate,
    pub element: Element,
    pub value: TenthsC,
}

/// The newest forecast received by some instant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Forecast {
    pub received_at: DateTime<Utc>,
    /// Sorted by day, maximum before minimum.
    pub values: Vec<ForecastValue>,
}

/// What one pull of one source of one station came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pull {
    pub station: StationId,
    pub feed: FeedKind,
    pub started_at: DateTime<Utc>,
    pub taken: u32,
    pub rejected: u32,
    pub error: Option<String>,
}

/// The record of one station in figures, for `weather status`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RecordExtent {
    pub feed: FeedKind,
    pub first_day: NaiveDate,
    pub last_day: NaiveDate,
    /// Values with all their versions.
    pub versions: u64,
    /// Versions that are never summed.
    pub rejected: u64,
}

impl Store {
    /// Keeps what is new: a version is written only when its value, its verdict or the day it is attributed to differs
    /// from the newest one of the same reading (feed, element and day as the source filed it) that was received before
    /// it. Writing the same versions again changes nothing.
    ///
    /// # Errors
    /// `Conflict::UnknownStation`.
    pub async fn add_versions(&self, id: &StationId, versions: &[Version]) -> Result<Added, StoreError> {
        let mut tx = self.begin().await?;
        let added = add_versions(&mut tx, id, versions).await?;
        tx.commit().await?;
        Ok(added)
    }

    /// All that is known of a station, sorted by day, element and time of receipt.
    ///
    /// # Errors
    /// When the store fails. A station without a record, or unknown, has an empty one.
    pub async fn record(&self, id: &StationId) -> Result<StationRecord, StoreError> {
        self.record_from(id, i64::MIN).await
    }

    /// As [`Store::record`], from one day on.
    ///
    /// # Errors
    /// As [`Store::record`].
    pub async fn record_since(&self, id: &StationId, first: NaiveDate) -> Result<StationRecord, StoreError> {
        self.record_from(id, day_number(first)).await
    }

    async fn record_from(&self, id: &StationId, first: i64) -> Result<StationRecord, StoreError> {
        let mut versions = read_versions(&mut *self.read().await?, id, first, i64::MAX).await?;
        // They come nearly in order, as they lie.
        versions.sort_by_key(|v| (v.day, v.element, v.received_at, feed_rank(v.feed), v.day_reported));
        Ok(StationRecord { versions })
    }

    /// What a station's record holds of each feed.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn record_extents(&self, id: &StationId) -> Result<Vec<RecordExtent>, StoreError> {
        let rows = sqlx::query(
            "SELECT feed, MIN(day) AS first_day, MAX(day) AS last_day, COUNT(*) AS versions, COUNT(rejected) AS rejected
             FROM daily_values WHERE station_id = $1 GROUP BY feed ORDER BY feed",
        )
        .bind(&id.0)
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(RecordExtent {
                    feed: feed_of(row)?,
                    first_day: get_day(row, "first_day")?,
                    last_day: get_day(row, "last_day")?,
                    versions: get::<i64>(row, "versions")?.unsigned_abs(),
                    rejected: get::<i64>(row, "rejected")?.unsigned_abs(),
                })
            })
            .collect()
    }

    /// Keeps a forecast beside the record. Received twice at the same instant, the later values win.
    ///
    /// # Errors
    /// `Conflict::UnknownStation`.
    pub async fn add_forecast(
        &self,
        id: &StationId,
        values: &[ForecastValue],
        received_at: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        add_forecast(&mut tx, id, values, received_at).await?;
        tx.commit().await
    }

    /// The newest forecast that had been received by `as_of`, whole: values of older ones are never mixed in.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn forecast(&self, id: &StationId, as_of: DateTime<Utc>) -> Result<Option<Forecast>, StoreError> {
        let rows = sqlx::query(
            "SELECT day, element, received_at, value_tenths FROM forecast_values
             WHERE station_id = $1 AND received_at =
                 (SELECT MAX(received_at) FROM forecast_values WHERE station_id = $1 AND received_at <= $2)
             ORDER BY day, element",
        )
        .bind(&id.0)
        .bind(ms(as_of))
        .fetch_all(&mut *self.read().await?)
        .await?;
        let Some(first) = rows.first() else { return Ok(None) };
        let received_at = get_instant(first, "received_at")?;
        let values = rows
            .iter()
            .map(|row| {
                Ok(ForecastValue { day: get_day(row, "day")?, element: element_of(row)?, value: tenths_of(row)? })
            })
            .collect::<Result<_, StoreError>>()?;
        Ok(Some(Forecast { received_at, values }))
    }

    /// Whether any forecast of a station is kept.
    ///
    /// # Errors
    /// When the store fails.
    pub(crate) async fn has_forecast(&self, id: &StationId) -> Result<bool, StoreError> {
        let row = sqlx::query("SELECT day FROM forecast_values WHERE station_id = $1 LIMIT 1")
            .bind(&id.0)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        Ok(row.is_some())
    }

    /// Extremes, °C, that forecasts received by `as_of` said of the days from `from` to the day before `to`: of each the
    /// mean of all that were received in the seven days before it began.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn past_forecasts(
        &self,
        station: &Station,
        from: NaiveDate,
        to: NaiveDate,
        as_of: DateTime<Utc>,
    ) -> Result<Vec<(NaiveDate, Element, f64)>, StoreError> {
        // The beginning of the station's day, without the changes of its clocks: an hour says nothing here.
        let ahead_of_utc = as_of.with_timezone(&station.time_zone).offset().fix().local_minus_utc();
        let rows = sqlx::query(
            "SELECT day, element, CAST(AVG(value_tenths) AS DOUBLE PRECISION) AS mean_tenths FROM forecast_values
             WHERE station_id = $1 AND day >= $2 AND day < $3 AND received_at <= $4
               AND received_at < day * 86400000 - $5 AND received_at >= (day - 7) * 86400000 - $5
             GROUP BY day, element ORDER BY day, element",
        )
        .bind(&station.id.0)
        .bind(day_number(from))
        .bind(day_number(to))
        .bind(ms(as_of))
        .bind(i64::from(ahead_of_utc) * 1000)
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| Ok((get_day(row, "day")?, element_of(row)?, get::<f64>(row, "mean_tenths")? / 10.0)))
            .collect()
    }

    /// Notes what a pull came to.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn add_pull(&self, pull: &Pull) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO pulls (station_id, feed, started_at, taken, rejected, error) VALUES ($1, $2, $3, $4, $5, $6)
             ON CONFLICT (station_id, feed, started_at)
             DO UPDATE SET taken = excluded.taken, rejected = excluded.rejected, error = excluded.error",
        )
        .bind(&pull.station.0)
        .bind(pull.feed.name())
        .bind(ms(pull.started_at))
        .bind(i64::from(pull.taken))
        .bind(i64::from(pull.rejected))
        // PostgreSQL keeps no NUL, and an error may quote whatever a server sent.
        .bind(pull.error.as_ref().map(|error| error.replace('\0', "")))
        .execute(tx.conn())
        .await?;
        tx.commit().await
    }

    /// The newest pull of each station and feed.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn last_pulls(&self) -> Result<Vec<Pull>, StoreError> {
        let rows = sqlx::query(
            "SELECT p.* FROM pulls p
             JOIN (SELECT station_id, feed, MAX(started_at) AS newest FROM pulls GROUP BY station_id, feed) n
               ON n.station_id = p.station_id AND n.feed = p.feed AND n.newest = p.started_at
             ORDER BY p.station_id, p.feed",
        )
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(Pull {
                    station: StationId(get(row, "station_id")?),
                    feed: feed_of(row)?,
                    started_at: get_instant(row, "started_at")?,
                    taken: count_of(row, "taken")?,
                    rejected: count_of(row, "rejected")?,
                    error: get(row, "error")?,
                })
            })
            .collect()
    }
}

/// As [`Store::add_forecast`], in a transaction of the caller's: many forecasts of one station go in together.
///
/// # Errors
/// `Conflict::UnknownStation`.
pub async fn add_forecast(
    tx: &mut Tx,
    id: &StationId,
    values: &[ForecastValue],
    received_at: DateTime<Utc>,
) -> Result<(), StoreError> {
    const INSERT: Insert = Insert {
        head: "INSERT INTO forecast_values (station_id, day, element, received_at, value_tenths) VALUES",
        tail: "ON CONFLICT (station_id, day, element, received_at) DO UPDATE SET value_tenths = excluded.value_tenths",
        columns: 5,
    };
    known_station(tx, id).await?;
    let values: BTreeMap<(NaiveDate, Element), TenthsC> =
        values.iter().map(|value| ((value.day, value.element), value.value)).collect();
    let rows: Vec<_> = values.into_iter().collect();
    INSERT
        .run(tx, &rows, |((day, element), value), to| {
            to.add(id.0.clone())?;
            to.add(day_number(*day))?;
            to.add(element_number(*element))?;
            to.add(ms(received_at))?;
            to.add(i64::from(value.0))
        })
        .await?;
    mark(tx, id, Some(received_at), rows.len(), 0).await
}

/// As [`Store::add_versions`], inside a transaction of the caller.
pub async fn add_versions(tx: &mut Tx, id: &StationId, versions: &[Version]) -> Result<Added, StoreError> {
    known_station(tx, id).await?;
    let (Some(first), Some(last)) = (versions.iter().map(|v| v.day).min(), versions.iter().map(|v| v.day).max()) else {
        return Ok(Added::default());
    };
    let mut known = KnownReadings::read(tx, id, first, last).await?;

    // Last one first, so that of two with the same key and time of receipt the last is met and the other is passed over.
    let mut order: Vec<usize> = (0..versions.len()).collect();
    order.sort_by_key(|at| (versions[*at].received_at, std::cmp::Reverse(*at)));
    let mut added = Added::default();
    let mut rows: Vec<(usize, DateTime<Utc>)> = Vec::new();
    let mut seen: HashSet<(DateTime<Utc>, Key)> = HashSet::new();
    for at in order {
        let version = &versions[at];
        let key = (version.day_reported, version.element, version.feed);
        if !seen.insert((version.received_at, key)) {
            added.repeated += 1;
            continue;
        }
        match known.place_for(key, version) {
            Some(received_at) => {
                rows.push((at, received_at));
                added.new += 1;
            }
            None => added.unchanged += 1,
        }
    }
    // In the order of the table's key, so that the rows are appended and not scattered.
    rows.sort_by_key(|(at, received_at)| {
        let version = &versions[*at];
        (version.day, version.element, version.feed.name(), version.day_reported, *received_at)
    });
    write_versions(tx, id, versions, &rows).await?;
    let is_past = |(at, received_at): &&(usize, DateTime<Utc>)| {
        (received_at.date_naive() - versions[*at].day).num_days() > PAST_AFTER_DAYS
    };
    count_years(tx, id, rows.iter().map(|(at, _)| versions[*at].day)).await?;
    mark(tx, id, None, added.new, rows.iter().filter(is_past).count()).await?;
    Ok(added)
}

/// Writes versions by their place in the list, each under an instant of receipt. Those of a file share all but day and value.
async fn write_versions(
    tx: &mut Tx,
    id: &StationId,
    versions: &[Version],
    rows: &[(usize, DateTime<Utc>)],
) -> Result<(), StoreError> {
    const ALIKE: InsertAlike = InsertAlike {
        into: "daily_values (station_id, feed, received_at, sampled, bulk, day, element, value_tenths, day_reported, rejected)",
        shared: 5,
        own: 5,
    };
    const INSERT: Insert = Insert {
        head: "INSERT INTO daily_values (station_id, day, element, feed, received_at, value_tenths, day_reported,
                                         sampled, bulk, rejected) VALUES",
        tail: "",
        columns: 10,
    };
    let shared = |(at, received_at): &(usize, DateTime<Utc>)| {
        let Version { feed, sampled, bulk, .. } = versions[*at];
        (feed, sampled, bulk, *received_at)
    };
    let Some((feed, sampled, bulk, received_at)) = rows.first().map(shared) else { return Ok(()) };
    if rows.iter().all(|row| shared(row) == (feed, sampled, bulk, received_at)) {
        let share = |to: &mut RowValues<'_>| {
            to.add(id.0.clone())?;
            to.add(feed.name())?;
            to.add(ms(received_at))?;
            to.add(i64::from(sampled))?;
            to.add(i64::from(bulk))
        };
        let bind = |(at, _): &(usize, DateTime<Utc>), to: &mut RowValues<'_>| {
            let version = &versions[*at];
            to.add(day_number(version.day))?;
            to.add(element_number(version.element))?;
            to.add(i64::from(version.value.0))?;
            to.add(day_number(version.day_reported))?;
            to.add(version.rejected.clone())
        };
        return ALIKE.run(tx, rows, share, bind).await.map(drop);
    }
    let bind = |(at, received_at): &(usize, DateTime<Utc>), to: &mut RowValues<'_>| {
        let version = &versions[*at];
        to.add(id.0.clone())?;
        to.add(day_number(version.day))?;
        to.add(element_number(version.element))?;
        to.add(version.feed.name())?;
        to.add(ms(*received_at))?;
        to.add(i64::from(version.value.0))?;
        to.add(day_number(version.day_reported))?;
        to.add(i64::from(version.sampled))?;
        to.add(i64::from(version.bulk))?;
        to.add(version.rejected.clone())
    };
    INSERT.run(tx, rows, bind).await.map(drop)
}

/// One reading of a source: the day it filed the value under, the element, the feed.
type Key = (NaiveDate, Element, FeedKind);

/// A day is long past when no pull asks for it again: what is written of it then changes seasons that are over.
const PAST_AFTER_DAYS: i64 = 30;

/// A value is attributed to the day it was filed under or to a neighbour of it.
const ATTRIBUTION_DAYS: i64 = 2;

/// What the record holds over the days in question: per reading the versions in order of receipt.
struct KnownReadings(HashMap<Key, Vec<Stand>>);

struct Stand {
    received_at: DateTime<Utc>,
    day: NaiveDate,
    value: TenthsC,
    rejected: Option<String>,
}

impl KnownReadings {
    async fn read(tx: &mut Tx, id: &StationId, first: NaiveDate, last: NaiveDate) -> Result<Self, StoreError> {
        let (first, last) = (day_number(first) - ATTRIBUTION_DAYS, day_number(last) + ATTRIBUTION_DAYS);
        let versions = read_versions(tx.conn(), id, first, last).await?;
        let mut known: HashMap<Key, Vec<Stand>> = HashMap::with_capacity(versions.len());
        for Version { day, element, feed, day_reported, received_at, value, rejected, .. } in versions {
            known.entry((day_reported, element, feed)).or_default().push(Stand { received_at, day, value, rejected });
        }
        for stands in known.values_mut() {
            stands.sort_by_key(|stand| stand.received_at);
        }
        Ok(Self(known))
    }

    /// The instant under which a version is to be written; `None` when it says nothing new. That is the time of receipt,
    /// unless another version of the reading came in the same millisecond: then the next free one, since nothing is
    /// overwritten.
    fn place_for(&mut self, key: Key, version: &Version) -> Option<DateTime<Utc>> {
        let stands = self.0.entry(key).or_default();
        let after = stands.partition_point(|stand| stand.received_at <= version.received_at);
        if let Some(before) = after.checked_sub(1).and_then(|at| stands.get(at))
            && before.day == version.day
            && before.value == version.value
            && before.rejected == version.rejected
        {
            return None;
        }
        // The store keeps milliseconds.
        let mut received_at = DateTime::from_timestamp_millis(ms(version.received_at)).unwrap_or(version.received_at);
        while stands.binary_search_by_key(&received_at, |stand| stand.received_at).is_ok() {
            received_at += TimeDelta::milliseconds(1);
        }
        let at = stands.partition_point(|stand| stand.received_at < received_at);
        let (day, value, rejected) = (version.day, version.value, version.rejected.clone());
        stands.insert(at, Stand { received_at, day, value, rejected });
        Some(received_at)
    }
}

fn element_number(element: Element) -> i64 {
    match element {
        Element::Max => 0,
        Element::Min => 1,
    }
}

fn feed_rank(feed: FeedKind) -> usize {
    FeedKind::ALL.iter().position(|kind| *kind == feed).unwrap_or(usize::MAX)
}

fn count_of(row: &AnyRow, column: &str) -> Result<u32, StoreError> {
    let number: i64 = get(row, column)?;
    u32::try_from(number).map_err(|_| StoreError::corrupt(format!("{column} {number}")))
}
