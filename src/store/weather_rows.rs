//! A station's record as it lies in the store, read whole.

use chrono::{DateTime, Days, NaiveDate, Utc};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe};

use crate::store::error::StoreError;
use crate::store::rows::{civil_day, get, get_day, get_instant, instant, ms};
use crate::weather::{Element, FeedKind, StationId, TenthsC, Version};

/// Rows whose numbers go into one (see [`unpack`]): all but rejected ones, which are few and hold free text, and what no
/// source gives.
const PACKABLE: &str =
    "(rejected IS NULL AND value_tenths BETWEEN -32768 AND 32767 AND day_reported - day BETWEEN -16 AND 15
     AND element BETWEEN 0 AND 1 AND sampled BETWEEN 0 AND 1 AND bulk BETWEEN 0 AND 1)";

/// A station's versions over a run of days, in no order to rely on.
///
/// A record has tens of thousands of rows, and a row costs far more than its values: so they come as one text, a number a row.
/// Feed and time of receipt, which thousands of rows share, follow where they are not those of the record's first row.
pub(super) async fn read_versions(
    connection: &mut AnyConnection,
    id: &StationId,
    first: i64,
    last: i64,
) -> Result<Vec<Version>, StoreError> {
    let common = sqlx::query(
        "SELECT feed, received_at FROM daily_values WHERE station_id = $1 AND day BETWEEN $2 AND $3 LIMIT 1",
    )
    .bind(&id.0)
    .bind(first)
    .bind(last)
    .fetch_optional(&mut *connection)
    .await?;
    let Some(common) = common else { return Ok(Vec::new()) };
    let common = (feed_of(&common)?, get_instant(&common, "received_at")?);
    let packed = format!(
        "SELECT string_agg(CAST((((day * 32 + day_reported - day + 16) * 65536 + value_tenths + 32768) * 8
                        + element * 4 + sampled * 2 + bulk) AS TEXT)
                    || CASE WHEN received_at = $4 AND feed = $5 THEN '' ELSE ',' || CAST(received_at AS TEXT) || ',' || feed END,
                    ';') AS pack
         FROM daily_values WHERE station_id = $1 AND day BETWEEN $2 AND $3 AND {PACKABLE}"
    );
    let packed = sqlx::query(AssertSqlSafe(packed))
        .bind(&id.0)
        .bind(first)
        .bind(last)
        .bind(ms(common.1))
        .bind(common.0.name())
        .fetch_one(&mut *connection)
        .await?;
    let mut versions = Vec::new();
    for entry in get::<Option<&str>>(&packed, "pack")?.into_iter().flat_map(|pack| pack.split(';')) {
        versions.push(unpack(entry, common).ok_or_else(|| StoreError::corrupt(format!("daily_values: `{entry}`")))?);
    }
    let others = format!(
        "SELECT day, element, feed, received_at, value_tenths, day_reported, sampled, bulk, rejected
         FROM daily_values WHERE station_id = $1 AND day BETWEEN $2 AND $3 AND NOT {PACKABLE}"
    );
    let others = sqlx::query(AssertSqlSafe(others)).bind(&id.0).bind(first).bind(last).fetch_all(connection).await?;
    for row in &others {
        versions.push(Version {
            day: get_day(row, "day")?,
            element: element_of(row)?,
            feed: feed_of(row)?,
            received_at: get_instant(row, "received_at")?,
            value: tenths_of(row)?,
            day_reported: get_day(row, "day_reported")?,
            sampled: get::<i64>(row, "sampled")? != 0,
            bulk: get::<i64>(row, "bulk")? != 0,
            rejected: get(row, "rejected")?,
        });
    }
    Ok(versions)
}

/// From the highest bits down: the day, the days by which it was filed under another one, plus 16 (5 bits), tenths of a degree
/// plus 32768 (16 bits), element, sampled, bulk.
fn unpack(entry: &str, common: (FeedKind, DateTime<Utc>)) -> Option<Version> {
    let mut fields = entry.split(',');
    let packed: i64 = fields.next()?.parse().ok()?;
    let (feed, received_at) = match fields.next() {
        None => common,
        Some(received_at) => (FeedKind::parse(fields.next()?)?, instant(received_at.parse().ok()?).ok()?),
    };
    let day = civil_day(packed >> 24).ok()?;
    let off = u64::try_from((packed >> 19) & 31).ok()?;
    Some(Version {
        day,
        element: element_from((packed >> 2) & 1).ok()?,
        feed,
        received_at,
        value: tenths_from(((packed >> 3) & 0xffff) - 32768).ok()?,
        day_reported: moved(day, off)?,
        sampled: packed & 2 != 0,
        bulk: packed & 1 != 0,
        rejected: None,
    })
}

fn moved(day: NaiveDate, off: u64) -> Option<NaiveDate> {
    match off {
        16 => Some(day),
        off => day.checked_sub_days(Days::new(16))?.checked_add_days(Days::new(off)),
    }
}

fn element_from(number: i64) -> Result<Element, StoreError> {
    match number {
        0 => Ok(Element::Max),
        1 => Ok(Element::Min),
        other => Err(StoreError::corrupt(format!("{other} is no element"))),
    }
}

pub(super) fn element_of(row: &AnyRow) -> Result<Element, StoreError> {
    element_from(get(row, "element")?)
}

fn feed_from(name: &str) -> Result<FeedKind, StoreError> {
    FeedKind::parse(name).ok_or_else(|| StoreError::corrupt(format!("`{name}` is no feed")))
}

pub(super) fn feed_of(row: &AnyRow) -> Result<FeedKind, StoreError> {
    feed_from(get(row, "feed")?)
}

fn tenths_from(number: i64) -> Result<TenthsC, StoreError> {
    i32::try_from(number).map(TenthsC).map_err(|_| StoreError::corrupt(format!("{number} tenths of a degree")))
}

pub(super) fn tenths_of(row: &AnyRow) -> Result<TenthsC, StoreError> {
    tenths_from(get(row, "value_tenths")?)
}
