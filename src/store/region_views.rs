//! What the pages show of each region, kept as it was last worked out, and what shows that it is old.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use sqlx::any::AnyRow;

use crate::id::StationId;
use crate::region::RegionId;
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, get_instant_if_any, ms};
use crate::store::tx::{Store, Tx};

/// How often a station's record and forecasts were written to, and when its newest forecast came.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StationMark {
    pub writes: i64,
    /// Of those, how often days long past were among them.
    pub past_writes: i64,
    pub forecast_at: Option<DateTime<Utc>>,
}

/// What a view comes from: by that it shows whether it is old.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MadeFrom {
    /// Of all of it.
    pub digest: String,
    /// The station whose years were borrowed.
    pub helper: Option<StationId>,
    /// The stations beside the region's own whose past seasons were looked at.
    pub others: Vec<StationId>,
}

/// A view as it is kept; its body is the caller's affair.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredView {
    pub made_at: DateTime<Utc>,
    pub made_from: MadeFrom,
    pub body: Vec<u8>,
}

impl Store {
    /// The marks of all stations that were ever written to.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn station_marks(&self) -> Result<HashMap<StationId, StationMark>, StoreError> {
        let rows = sqlx::query("SELECT station_id, writes, past_writes, forecast_at FROM station_marks")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter()
            .map(|row| {
                let forecast_at = get_instant_if_any(row, "forecast_at")?;
                let (writes, past_writes) = (get(row, "writes")?, get(row, "past_writes")?);
                Ok((StationId(get(row, "station_id")?), StationMark { writes, past_writes, forecast_at }))
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

    /// What the kept view of each region comes from.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn views_made_from(&self) -> Result<HashMap<RegionId, MadeFrom>, StoreError> {
        let rows = sqlx::query("SELECT region_id, sign, helper, others FROM region_views")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok((RegionId(get(row, "region_id")?), made_from(row)?))).collect()
    }

    /// The kept view of a region.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn view(&self, region: &RegionId) -> Result<Option<StoredView>, StoreError> {
        let row = sqlx::query("SELECT made_at, sign, helper, others, body FROM region_views WHERE region_id = $1")
            .bind(region.as_str())
            .fetch_optional(&mut *self.read().await?)
            .await?;
        let Some(row) = row else { return Ok(None) };
        let (made_at, made_from) = (get_instant(&row, "made_at")?, made_from(&row)?);
        Ok(Some(StoredView { made_at, made_from, body: get(&row, "body")? }))
    }

    /// Keeps a view in the place of the one before.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn put_view(&self, region: &RegionId, view: &StoredView) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO region_views (region_id, made_at, sign, helper, others, body) VALUES ($1, $2, $3, $4, $5, $6)
             ON CONFLICT (region_id) DO UPDATE
             SET made_at = excluded.made_at, sign = excluded.sign, helper = excluded.helper, others = excluded.others,
                 body = excluded.body",
        )
        .bind(region.as_str())
        .bind(ms(view.made_at))
        .bind(view.made_from.digest.as_str())
        .bind(view.made_from.helper.as_ref().map(|helper| helper.0.as_str()))
        .bind(serde_json::Value::from_iter(view.made_from.others.iter().map(|id| id.0.as_str())).to_string())
        .bind(view.body.as_slice())
        .execute(tx.conn())
        .await?;
        tx.commit().await
    }
}

fn made_from(row: &AnyRow) -> Result<MadeFrom, StoreError> {
    let others: Vec<String> = serde_json::from_str(get(row, "others")?)
        .map_err(|why| StoreError::corrupt(format!("region_views.others: {why}")))?;
    Ok(MadeFrom {
        digest: get(row, "sign")?,
        helper: get::<Option<String>>(row, "helper")?.map(StationId),
        others: others.into_iter().map(StationId).collect(),
    })
}

/// Raises a station's mark: so many rows of its record or its forecasts were written, `past` of them of days long past.
pub(super) async fn mark(
    tx: &mut Tx,
    station: &StationId,
    forecast_at: Option<DateTime<Utc>>,
    rows: usize,
    past: usize,
) -> Result<(), StoreError> {
    if rows == 0 {
        return Ok(());
    }
    sqlx::query(
        "INSERT INTO station_marks (station_id, writes, past_writes, forecast_at) VALUES ($1, 1, $3, $2)
         ON CONFLICT (station_id) DO UPDATE
         SET writes = station_marks.writes + 1,
             past_writes = station_marks.past_writes + excluded.past_writes,
             forecast_at = CASE WHEN station_marks.forecast_at > excluded.forecast_at OR excluded.forecast_at IS NULL
                           THEN station_marks.forecast_at ELSE excluded.forecast_at END",
    )
    .bind(&station.0)
    .bind(forecast_at.map(ms))
    .bind(i64::from(past > 0))
    .execute(tx.conn())
    .await?;
    Ok(())
}
