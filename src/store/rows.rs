//! Values as columns hold them: instants as milliseconds, civil days as day numbers, names as text.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use sqlx::any::AnyRow;
use sqlx::{Any, Row};

use crate::people::{Channel, Language};
use crate::region::Zip;
use crate::store::error::StoreError;

/// An instant as the store keeps it.
pub fn ms(at: DateTime<Utc>) -> i64 {
    at.timestamp_millis()
}

/// # Errors
/// When the number lies outside of the calendar.
pub fn instant(ms: i64) -> Result<DateTime<Utc>, StoreError> {
    DateTime::from_timestamp_millis(ms).ok_or_else(|| StoreError::corrupt(format!("{ms} is not an instant")))
}

/// A civil day as the store keeps it: days since 1970-01-01.
pub fn day_number(day: NaiveDate) -> i64 {
    day.signed_duration_since(NaiveDate::default()).num_days()
}

/// # Errors
/// When the number lies outside of the calendar.
pub fn civil_day(number: i64) -> Result<NaiveDate, StoreError> {
    TimeDelta::try_days(number)
        .and_then(|days| NaiveDate::default().checked_add_signed(days))
        .ok_or_else(|| StoreError::corrupt(format!("{number} is not a day")))
}

/// One column of a row, in the type the caller wants.
///
/// # Errors
/// [`StoreError::Corrupt`] naming the column when it holds something else.
pub(crate) fn get<'r, T>(row: &'r AnyRow, column: &str) -> Result<T, StoreError>
where
    T: sqlx::Decode<'r, Any> + sqlx::Type<Any>,
{
    row.try_get(column).map_err(|why| StoreError::corrupt(format!("column `{column}`: {why}")))
}

pub(crate) fn get_instant(row: &AnyRow, column: &str) -> Result<DateTime<Utc>, StoreError> {
    instant(get(row, column)?)
}

pub(crate) fn get_instant_if_any(row: &AnyRow, column: &str) -> Result<Option<DateTime<Utc>>, StoreError> {
    get::<Option<i64>>(row, column)?.map(instant).transpose()
}

pub(crate) fn get_day(row: &AnyRow, column: &str) -> Result<NaiveDate, StoreError> {
    civil_day(get(row, column)?)
}

pub(crate) fn get_day_if_any(row: &AnyRow, column: &str) -> Result<Option<NaiveDate>, StoreError> {
    get::<Option<i64>>(row, column)?.map(civil_day).transpose()
}

pub(crate) fn get_flag_if_any(row: &AnyRow, column: &str) -> Result<Option<bool>, StoreError> {
    Ok(get::<Option<i64>>(row, column)?.map(|flag| flag != 0))
}

pub(crate) fn get_zone(row: &AnyRow, column: &str) -> Result<chrono_tz::Tz, StoreError> {
    let name: &str = get(row, column)?;
    name.parse().map_err(|_| StoreError::corrupt(format!("column `{column}`: `{name}` is no time zone")))
}

pub(super) fn channel_of(row: &AnyRow) -> Result<Channel, StoreError> {
    let name: &str = get(row, "channel")?;
    Channel::parse(name).ok_or_else(|| StoreError::corrupt(format!("`{name}` is no channel")))
}

pub(super) fn language_of(row: &AnyRow) -> Result<Language, StoreError> {
    let code: &str = get(row, "language")?;
    Language::parse(code).ok_or_else(|| StoreError::corrupt(format!("`{code}` is no language")))
}

pub(super) fn zip_of(row: &AnyRow) -> Result<Zip, StoreError> {
    Zip::parse(get(row, "zip")?).map_err(|why| StoreError::corrupt(why.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_instants_go_both_ways() {
        for day in ["1763-01-01", "1969-12-31", "1970-01-01", "2024-02-29"] {
            let day: NaiveDate = day.parse().unwrap();
            assert_eq!(civil_day(day_number(day)).unwrap(), day);
        }
        assert_eq!(day_number("1970-01-02".parse().unwrap()), 1);
        assert!(civil_day(i64::MAX).is_err());
        assert!(instant(i64::MAX).is_err());
    }
}
