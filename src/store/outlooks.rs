//! What was said of each region on each day.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use sqlx::AssertSqlSafe;
use sqlx::any::AnyRow;

use crate::region::{Region, RegionId};
use crate::season::Outlook;
use crate::store::bulk::Insert;
use crate::store::error::StoreError;
use crate::store::rows::{day_number, get, get_day, get_instant, ms};
use crate::store::tx::{Store, Tx};

impl Store {
    /// Keeps what was said on a day; said again on the same day, the later word stands.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn put_outlook(&self, outlook: &Outlook, made_at: DateTime<Utc>) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        put_outlook(&mut tx, outlook, made_at).await?;
        tx.commit().await
    }

    /// As [`Store::put_outlook`], of many regions together: all of them are written, or none.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn put_outlooks(&self, outlooks: &[Outlook], made_at: DateTime<Utc>) -> Result<(), StoreError> {
        if outlooks.is_empty() {
            return Ok(());
        }
        let rows: Vec<(&Outlook, String)> =
            outlooks.iter().map(|outlook| Ok((outlook, body_of(outlook)?))).collect::<Result<_, StoreError>>()?;
        let mut tx = self.begin().await?;
        let insert = Insert { head: PUT, tail: PUT_AGAIN, columns: 5 };
        insert
            .run(&mut tx, &rows, |(outlook, body), values| {
                values.add(outlook.season.profile.as_str())?;
                values.add(outlook.season.region.as_str())?;
                values.add(day_number(outlook.today))?;
                values.add(ms(made_at))?;
                values.add(body.as_str())
            })
            .await?;
        tx.commit().await
    }

    /// What was said of a region on a day.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn outlook(
        &self,
        profile: &str,
        region: &RegionId,
        day: NaiveDate,
    ) -> Result<Option<Outlook>, StoreError> {
        let row = sqlx::query("SELECT body FROM outlooks WHERE profile = $1 AND region_id = $2 AND day = $3")
            .bind(profile)
            .bind(region.as_str())
            .bind(day_number(day))
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.as_ref().map(outlook_of).transpose()
    }

    /// As [`Store::outlook`], where it was made by the end of its day: one that was made up for later knew more than anybody was
    /// told.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn outlook_in_time(
        &self,
        profile: &str,
        region: &RegionId,
        day: NaiveDate,
        zone: Tz,
    ) -> Result<Option<Outlook>, StoreError> {
        let row = sqlx::query("SELECT body, made_at FROM outlooks WHERE profile = $1 AND region_id = $2 AND day = $3")
            .bind(profile)
            .bind(region.as_str())
            .bind(day_number(day))
            .fetch_optional(&mut *self.read().await?)
            .await?;
        let Some(row) = row else { return Ok(None) };
        let in_time = get_instant(&row, "made_at")?.with_timezone(&zone).date_naive() <= day;
        if in_time { outlook_of(&row).map(Some) } else { Ok(None) }
    }

    /// The newest outlook of a region within some days that no field report had moved yet.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn outlook_before_reports(
        &self,
        profile: &str,
        region: &RegionId,
        (from, to): (NaiveDate, NaiveDate),
    ) -> Result<Option<Outlook>, StoreError> {
        let row = sqlx::query(
            r#"SELECT body FROM outlooks WHERE profile = $1 AND region_id = $2 AND day BETWEEN $3 AND $4
               AND body NOT LIKE '%"learned":{%' AND body NOT LIKE '%"by":"field-report"%'
               ORDER BY day DESC LIMIT 1"#,
        )
        .bind(profile)
        .bind(region.as_str())
        .bind(day_number(from))
        .bind(day_number(to))
        .fetch_optional(&mut *self.read().await?)
        .await?;
        row.as_ref().map(outlook_of).transpose()
    }

    /// The newest outlook of each region of a profile, by region.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn newest_outlooks(&self, profile: &str) -> Result<Vec<Outlook>, StoreError> {
        let rows = sqlx::query(
            "SELECT o.body FROM outlooks o
             JOIN (SELECT region_id, MAX(day) AS newest FROM outlooks WHERE profile = $1 GROUP BY region_id) n
               ON n.region_id = o.region_id AND n.newest = o.day
             WHERE o.profile = $1 ORDER BY o.region_id",
        )
        .bind(profile)
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(outlook_of).collect()
    }

    /// The newest outlook of each region that is not retired, by its own profile, and when it was made.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn outlooks_in_use(&self) -> Result<Vec<(Outlook, DateTime<Utc>)>, StoreError> {
        // Asked region by region inside: each is one look into the key, however many years are kept.
        let rows = sqlx::query(
            "SELECT o.body, o.made_at FROM regions g JOIN outlooks o ON o.profile = g.profile AND o.region_id = g.id
             WHERE g.retired_at IS NULL AND o.day = (
                 SELECT MAX(m.day) FROM outlooks m WHERE m.profile = g.profile AND m.region_id = g.id)
             ORDER BY g.id",
        )
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(made_outlook_of).collect()
    }

    /// The newest outlook of a region by its own profile.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn newest_outlook(&self, region: &Region) -> Result<Option<Outlook>, StoreError> {
        Ok(self.newest_made_outlook(region).await?.map(|(outlook, _)| outlook))
    }

    /// As [`Store::newest_outlook`], with the moment at which it was made.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn newest_made_outlook(&self, region: &Region) -> Result<Option<(Outlook, DateTime<Utc>)>, StoreError> {
        let row = sqlx::query(
            "SELECT body, made_at FROM outlooks WHERE profile = $1 AND region_id = $2 ORDER BY day DESC LIMIT 1",
        )
        .bind(&region.profile)
        .bind(region.id.as_str())
        .fetch_optional(&mut *self.read().await?)
        .await?;
        row.as_ref().map(made_outlook_of).transpose()
    }

    /// Forgets what was said before a day, but for the days on which a notice was decided.
    ///
    /// # Errors
    /// When the store fails.
    pub(crate) async fn forget_outlooks_before(&self, day: NaiveDate) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "DELETE FROM outlooks WHERE day < $1 AND NOT EXISTS
                 (SELECT 1 FROM notices n WHERE n.profile = outlooks.profile AND n.region_id = outlooks.region_id
                  AND n.decided_on = outlooks.day)",
        )
        .bind(day_number(day))
        .execute(tx.conn())
        .await?;
        tx.commit().await
    }

    /// The last outlook of each region, as far as the next one asks for it.
    ///
    /// # Errors
    /// When the store fails.
    pub(crate) async fn last_outlooks(&self, profile: &str) -> Result<HashMap<RegionId, LastOutlook>, StoreError> {
        // Looked for in the text: to read hundreds of outlooks for one field takes longer than to make the next ones ready.
        let rows = sqlx::query(
            r#"SELECT o.region_id, o.day, CASE WHEN o.body LIKE '%"learned":{%' THEN 1 ELSE 0 END AS has_learned
             FROM outlooks o
             JOIN (SELECT region_id, MAX(day) AS newest FROM outlooks WHERE profile = $1 GROUP BY region_id) n
               ON n.region_id = o.region_id AND n.newest = o.day
             WHERE o.profile = $1"#,
        )
        .bind(profile)
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                let has_learned = get::<i64>(row, "has_learned")? != 0;
                Ok((get(row, "region_id").map(RegionId)?, LastOutlook { day: get_day(row, "day")?, has_learned }))
            })
            .collect()
    }
}

const PUT: &str = "INSERT INTO outlooks (profile, region_id, day, made_at, body) VALUES";
const PUT_AGAIN: &str =
    "ON CONFLICT (profile, region_id, day) DO UPDATE SET made_at = excluded.made_at, body = excluded.body";

/// The last outlook of a region.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct LastOutlook {
    pub day: NaiveDate,
    /// Whether field reports had moved its dates.
    pub has_learned: bool,
}

/// As [`Store::put_outlook`], inside a transaction of the caller.
///
/// # Errors
/// When the store fails.
pub async fn put_outlook(tx: &mut Tx, outlook: &Outlook, made_at: DateTime<Utc>) -> Result<(), StoreError> {
    let body = body_of(outlook)?;
    sqlx::query(AssertSqlSafe(format!("{PUT} ($1, $2, $3, $4, $5) {PUT_AGAIN}")))
        .bind(&outlook.season.profile)
        .bind(outlook.season.region.as_str())
        .bind(day_number(outlook.today))
        .bind(ms(made_at))
        .bind(body)
        .execute(tx.conn())
        .await?;
    Ok(())
}

fn body_of(outlook: &Outlook) -> Result<String, StoreError> {
    serde_json::to_string(outlook).map_err(|why| StoreError::corrupt(format!("an outlook: {why}")))
}

fn made_outlook_of(row: &AnyRow) -> Result<(Outlook, DateTime<Utc>), StoreError> {
    Ok((outlook_of(row)?, get_instant(row, "made_at")?))
}

fn outlook_of(row: &AnyRow) -> Result<Outlook, StoreError> {
    serde_json::from_str(get(row, "body")?).map_err(|why| StoreError::corrupt(format!("outlooks.body: {why}")))
}
