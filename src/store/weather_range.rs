//! What a station's record holds in a run of days, without loading its history.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use sqlx::AssertSqlSafe;

use super::rows::{day_number, get_day, get_day_if_any};
use super::{Store, StoreError};
use crate::weather::{FeedKind, StationId};

impl Store {
    /// The complete days from `from` to the day before `before`, and the last complete one earlier than `from`, which
    /// tells that the record began before. A day is complete with a maximum and a minimum that no source speaks
    /// against, whatever feeds they came from.
    ///
    /// # Errors
    /// When the store fails. A station without a record, or unknown, has no such days.
    pub async fn complete_days(
        &self,
        id: &StationId,
        from: NaiveDate,
        before: NaiveDate,
    ) -> Result<BTreeSet<NaiveDate>, StoreError> {
        let rows = sqlx::query(
            "SELECT day FROM daily_values
             WHERE station_id = $1 AND rejected IS NULL AND day < $3 AND day >= COALESCE(
                 (SELECT day FROM daily_values WHERE station_id = $1 AND rejected IS NULL AND day < $2
                  GROUP BY day HAVING COUNT(DISTINCT element) = 2 ORDER BY day DESC LIMIT 1), $2)
             GROUP BY day HAVING COUNT(DISTINCT element) = 2",
        )
        .bind(&id.0)
        .bind(day_number(from))
        .bind(day_number(before))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(|row| get_day(row, "day")).collect()
    }

    /// The first day in `from..=to` that has any version, accepted or not.
    ///
    /// # Errors
    /// When the store fails. A station without a record, or unknown, has no such day.
    pub async fn first_record_day(
        &self,
        id: &StationId,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Option<NaiveDate>, StoreError> {
        self.record_day("MIN", id, from, to).await
    }

    /// As [`Store::first_record_day`], the last one.
    ///
    /// # Errors
    /// As [`Store::first_record_day`].
    pub async fn last_record_day(
        &self,
        id: &StationId,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Option<NaiveDate>, StoreError> {
        self.record_day("MAX", id, from, to).await
    }

    /// One look into a key, however long the record is.
    async fn record_day(
        &self,
        which: &'static str,
        id: &StationId,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Option<NaiveDate>, StoreError> {
        let find = format!(
            "SELECT {which}(day) AS day FROM daily_values
             WHERE station_id = $1 AND day >= $2 AND day <= $3 AND feed <> $4"
        );
        let row = sqlx::query(AssertSqlSafe(find))
            .bind(&id.0)
            .bind(day_number(from))
            .bind(day_number(to))
            .bind(FeedKind::NwsForecast.name())
            .fetch_one(&mut *self.read().await?)
            .await?;
        get_day_if_any(&row, "day")
    }
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;

    use super::*;
    use crate::geo::Point;
    use crate::weather::{Element, Station, TenthsC, Version};

    fn day(day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 6, day).unwrap()
    }

    fn value(on: u32, element: Element, feed: FeedKind) -> Version {
        Version {
            day: day(on),
            element,
            value: TenthsC(100),
            feed,
            day_reported: day(on),
            sampled: false,
            rejected: None,
            received_at: DateTime::UNIX_EPOCH,
            bulk: false,
        }
    }

    #[tokio::test]
    async fn the_complete_days_of_a_run_are_told_with_the_last_one_before_it() {
        let store = Store::in_memory().await.unwrap();
        let station = Station {
            id: "A".into(),
            name: "Example Mesa".into(),
            place: Point { latitude: 35.0, longitude: -135.0 },
            elevation_m: 2000.0,
            time_zone: chrono_tz::America::Denver,
            observation_hour: None,
            sources: Vec::new(),
        };
        store.add_station(&station).await.unwrap();
        let (max, min, acis, ghcn) = (Element::Max, Element::Min, FeedKind::Acis, FeedKind::GhcnDaily);
        let mut versions: Vec<Version> =
            [2, 3, 12, 20].into_iter().flat_map(|on| [value(on, max, acis), value(on, min, acis)]).collect();
        // Two maxima of two feeds are no pair; a maximum of one feed and a minimum of another are.
        versions.extend([value(4, max, acis), value(4, max, ghcn), value(11, max, acis), value(11, min, ghcn)]);
        versions.extend([value(13, max, acis), Version { rejected: Some("flag".into()), ..value(13, min, acis) }]);
        store.add_versions(&station.id, &versions).await.unwrap();

        let complete = async |from, before| {
            store.complete_days(&station.id, day(from), day(before)).await.unwrap().into_iter().collect::<Vec<_>>()
        };
        assert_eq!(complete(10, 20).await, [day(3), day(11), day(12)]);
        assert_eq!(complete(2, 21).await, [day(2), day(3), day(11), day(12), day(20)]);
        assert_eq!(complete(5, 10).await, [day(3)]);
        assert_eq!(complete(1, 2).await, []);
        assert!(store.complete_days(&"B".into(), day(1), day(30)).await.unwrap().is_empty());

        let first = async |from, to| store.first_record_day(&station.id, day(from), day(to)).await.unwrap();
        let last = async |from, to| store.last_record_day(&station.id, day(from), day(to)).await.unwrap();
        assert_eq!((first(1, 30).await, last(1, 30).await), (Some(day(2)), Some(day(20))));
        assert_eq!((first(13, 19).await, last(5, 13).await), (Some(day(13)), Some(day(13))), "accepted or not");
        assert_eq!((first(14, 19).await, last(14, 19).await), (None, None));
        assert_eq!(store.first_record_day(&"B".into(), NaiveDate::MIN, NaiveDate::MAX).await.unwrap(), None);
    }
}
