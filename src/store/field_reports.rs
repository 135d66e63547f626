//! What people saw on their trees.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;

use crate::region::{RegionId, Zip};
use crate::season::{FieldReport, StageId};
use crate::store::error::{Conflict, StoreError};
use crate::store::regions::known_region;
use crate::store::rows::{day_number, get, get_day, get_instant, ms};
use crate::store::tx::Store;

/// A field report to be kept.
#[derive(Clone, Debug, PartialEq)]
pub struct NewFieldReport {
    pub region: RegionId,
    pub zip: Option<Zip>,
    pub observed_on: NaiveDate,
    /// `None`: looked and saw none.
    pub stage: Option<StageId>,
    pub confirmed: bool,
    pub source: ReportSource,
    pub note: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReportSource {
    Staff,
    Subscriber,
}

impl ReportSource {
    pub fn name(self) -> &'static str {
        match self {
            ReportSource::Staff => "staff",
            ReportSource::Subscriber => "subscriber",
        }
    }
}

/// Where a report stands with staff.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReportStanding {
    /// Nobody has judged it.
    New,
    /// Staff stand behind it.
    Confirmed,
    /// Staff set it aside.
    Refused,
}

impl ReportStanding {
    const ALL: [ReportStanding; 3] = [ReportStanding::New, ReportStanding::Confirmed, ReportStanding::Refused];

    /// As the store keeps it.
    pub fn as_str(self) -> &'static str {
        match self {
            ReportStanding::New => "new",
            ReportStanding::Confirmed => "confirmed",
            ReportStanding::Refused => "refused",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|standing| standing.as_str() == name)
    }
}

/// A field report as it is kept.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredReport {
    pub id: String,
    pub region: RegionId,
    pub observed_on: NaiveDate,
    /// `None`: looked and saw none.
    pub stage: Option<StageId>,
    pub standing: ReportStanding,
    pub zip: Option<Zip>,
    pub source: ReportSource,
    pub note: Option<String>,
    pub created_at: DateTime<Utc>,
}

impl StoredReport {
    pub fn refused(&self) -> bool {
        self.standing == ReportStanding::Refused
    }

    /// As the decision wants it; `None` when staff set it aside.
    pub fn for_decision(self) -> Option<FieldReport> {
        let confirmed = self.standing == ReportStanding::Confirmed;
        let report = |Self { id, region, observed_on, stage, .. }: Self| FieldReport {
            id,
            region,
            observed_on,
            stage,
            confirmed,
        };
        (!self.refused()).then(|| report(self))
    }
}

impl Serialize for StoredReport {
    /// For programs outside, which know the standing as two answers.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Outside<'a> {
            id: &'a str,
            region: &'a RegionId,
            observed_on: NaiveDate,
            stage: &'a Option<StageId>,
            confirmed: bool,
            zip: &'a Option<Zip>,
            refused: bool,
            source: ReportSource,
            note: &'a Option<String>,
            created_at: DateTime<Utc>,
        }
        let outside = Outside {
            id: &self.id,
            region: &self.region,
            observed_on: self.observed_on,
            stage: &self.stage,
            confirmed: self.standing == ReportStanding::Confirmed,
            zip: &self.zip,
            refused: self.refused(),
            source: self.source,
            note: &self.note,
            created_at: self.created_at,
        };
        outside.serialize(serializer)
    }
}

impl Store {
    /// Keeps a field report; gives its id. The same report again changes nothing, but a confirmed one confirms it.
    ///
    /// # Errors
    /// [`Conflict::UnknownRegion`].
    pub async fn add_field_report(&self, new: &NewFieldReport, now: DateTime<Utc>) -> Result<String, StoreError> {
        let mut tx = self.begin().await?;
        known_region(tx.conn(), &new.region).await?;
        let stage = new.stage.as_ref().map(|stage| stage.0.as_str());
        let zip = new.zip.as_ref().map(Zip::as_str);
        let told = format!(
            "{}\n{}\n{}\n{}\n{}\n{}",
            new.region,
            new.observed_on,
            stage.unwrap_or(""),
            zip.unwrap_or(""),
            new.source.name(),
            new.note.as_deref().unwrap_or("")
        );
        let id = format!("f-{}", hex::encode(&Sha256::digest(told)[..6]));
        sqlx::query(
            "INSERT INTO field_reports (id, region_id, zip, observed_on, stage, status, source, note, created_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)
             ON CONFLICT (id) DO UPDATE SET
                 status = CASE WHEN excluded.status = 'confirmed' THEN 'confirmed' ELSE field_reports.status END",
        )
        .bind(&id)
        .bind(new.region.as_str())
        .bind(zip)
        .bind(day_number(new.observed_on))
        .bind(stage)
        .bind(if new.confirmed { ReportStanding::Confirmed } else { ReportStanding::New }.as_str())
        .bind(new.source.name())
        .bind(new.note.as_deref())
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        tx.commit().await?;
        Ok(id)
    }

    /// Field reports observed from one day to another, both included, oldest first; with a region, those of it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn field_reports(
        &self,
        region: Option<&RegionId>,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Vec<StoredReport>, StoreError> {
        let rows = sqlx::query(
            "SELECT * FROM field_reports WHERE ($1 = '' OR region_id = $1) AND observed_on BETWEEN $2 AND $3
             ORDER BY observed_on, region_id, id",
        )
        .bind(region.map_or("", RegionId::as_str))
        .bind(day_number(from))
        .bind(day_number(to))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(report_of).collect()
    }

    /// Staff stand behind a report, or do not.
    ///
    /// # Errors
    /// [`Conflict::UnknownReport`].
    pub async fn judge_field_report(&self, id: &str, judgement: Judgement) -> Result<(), StoreError> {
        let standing = match judgement {
            Judgement::Confirmed => ReportStanding::Confirmed,
            Judgement::Refused => ReportStanding::Refused,
        };
        let mut tx = self.begin().await?;
        let done = sqlx::query("UPDATE field_reports SET status = $2 WHERE id = $1")
            .bind(id)
            .bind(standing.as_str())
            .execute(tx.conn())
            .await?
            .rows_affected();
        if done == 0 {
            return Err(Conflict::UnknownReport { id: id.to_owned() }.into());
        }
        tx.commit().await
    }
}

/// What staff say of a field report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Judgement {
    Confirmed,
    Refused,
}

fn report_of(row: &AnyRow) -> Result<StoredReport, StoreError> {
    let (status, source): (&str, &str) = (get(row, "status")?, get(row, "source")?);
    let zip: Option<&str> = get(row, "zip")?;
    Ok(StoredReport {
        id: get(row, "id")?,
        region: RegionId(get(row, "region_id")?),
        observed_on: get_day(row, "observed_on")?,
        stage: get::<Option<String>>(row, "stage")?.map(StageId),
        standing: ReportStanding::parse(status)
            .ok_or_else(|| StoreError::corrupt(format!("field_reports.status `{status}`")))?,
        zip: zip.map(Zip::parse).transpose().map_err(|why| StoreError::corrupt(why.to_string()))?,
        source: match source {
            "staff" => ReportSource::Staff,
            "subscriber" => ReportSource::Subscriber,
            other => return Err(StoreError::corrupt(format!("field_reports.source `{other}`"))),
        },
        note: get(row, "note")?,
        created_at: get_instant(row, "created_at")?,
    })
}
