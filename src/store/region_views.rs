//! What the pages show of each region, kept as it was last worked out, and what shows that it is old.

use std::collections::HashMap;

use chrono::{DateTime, Utc};

use crate::id::StationId;
use crate::region::RegionId;
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, get_instant_if_any, ms};
use crate::store::tx::{Store, Tx};

/// How often a station's record and forecasts were written to, and when its newest forecast came.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StationMark {
    pub writes: i64,
    pub forecast_at: Option<DateTime<Utc>>,
}

/// How old a kept view is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ViewSign {
    /// Digest of all that it comes from.
    pub sign: String,
    /// The station whose years were borrowed.
    pub helper: Option<StationId>,
}

/// A view as it is kept; its body is the caller's affair.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredView {
    pub made_at: DateTime<Utc>,
    pub sign: ViewSign,
    pub body: Vec<u8>,
}

impl Store {
    /// The marks of all stations that were ever written to.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn station_marks(&self) -> Result<HashMap<StationId, StationMark>, StoreError> {
        let rows = sqlx::query("SELECT station_id, writes, forecast_at FROM station_marks")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter()
            .map(|row| {
                let forecast_at = get_instant_if_any(row, "forecast_at")?;
                Ok((StationId(get(row, "station_id")?), StationMark { writes: get(row, "writes")?, forecast_at }))
            })
            .collect()
    }

    /// A text that changes whenever a field report, what is said of one, or a freeze of learning does.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn reports_mark(&self) -> Result<String, StoreError> {
        let row = sqlx::query(
            "SELECT (SELECT COUNT(*) FROM field_reports) AS reports,
                    (SELECT MAX(changed_at) FROM field_reports) AS changed,
                    (SELECT COUNT(*) FROM field_report_standings) AS standings,
                    (SELECT MAX(at) FROM field_report_standings) AS said,
                    (SELECT COUNT(*) FROM learning_freezes) AS freezes",
        )
        .fetch_one(&mut *self.read().await?)
        .await?;
        let (changed, said): (Option<i64>, Option<i64>) = (get(&row, "changed")?, get(&row, "said")?);
        let count = |column| get::<i64>(&row, column);
        Ok(format!("{} {changed:?} {} {said:?} {}", count("reports")?, count("standings")?, count("freezes")?))
    }

    /// How old the kept view of each region is.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn view_signs(&self) -> Result<HashMap<RegionId, ViewSign>, StoreError> {
        let rows =
            sqlx::query("SELECT region_id, sign, helper FROM region_views").fetch_all(&mut *self.read().await?).await?;
        rows.iter()
            .map(|row| {
                let helper = get::<Option<String>>(row, "helper")?.map(StationId);
                Ok((RegionId(get(row, "region_id")?), ViewSign { sign: get(row, "sign")?, helper }))
            })
            .collect()
    }

    /// The kept view of a region.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn view(&self, region: &RegionId) -> Result<Option<StoredView>, StoreError> {
        let row = sqlx::query("SELECT made_at, sign, helper, body FROM region_views WHERE region_id = $1")
            .bind(region.as_str())
            .fetch_optional(&mut *self.read().await?)
            .await?;
        let Some(row) = row else { return Ok(None) };
        let helper = get::<Option<String>>(&row, "helper")?.map(StationId);
        let sign = ViewSign { sign: get(&row, "sign")?, helper };
        Ok(Some(StoredView { made_at: get_instant(&row, "made_at")?, sign, body: get(&row, "body")? }))
    }

    /// Keeps a view in the place of the one before.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn put_view(&self, region: &RegionId, view: &StoredView) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO region_views (region_id, made_at, sign, helper, body) VALUES ($1, $2, $3, $4, $5)
             ON CONFLICT (region_id) DO UPDATE
             SET made_at = excluded.made_at, sign = excluded.sign, helper = excluded.helper, body = excluded.body",
        )
        .bind(region.as_str())
        .bind(ms(view.made_at))
        .bind(view.sign.sign.as_str())
        .bind(view.sign.helper.as_ref().map(|helper| helper.0.as_str()))
        .bind(view.body.as_slice())
        .execute(tx.conn())
        .await?;
        tx.commit().await
    }
}

/// Raises a station's mark: so many rows of its record or its forecasts were written.
pub(super) async fn mark(
    tx: &mut Tx,
    station: &StationId,
    forecast_at: Option<DateTime<Utc>>,
    rows: usize,
) -> Result<(), StoreError> {
    if rows == 0 {
        return Ok(());
    }
    sqlx::query(
        "INSERT INTO station_marks (station_id, writes, forecast_at) VALUES ($1, 1, $2)
         ON CONFLICT (station_id) DO UPDATE
         SET writes = station_marks.writes + 1,
             forecast_at = CASE WHEN station_marks.forecast_at > excluded.forecast_at OR excluded.forecast_at IS NULL
                           THEN station_marks.forecast_at ELSE excluded.forecast_at END",
    )
    .bind(&station.0)
    .bind(forecast_at.map(ms))
    .execute(tx.conn())
    .await?;
    Ok(())
}
