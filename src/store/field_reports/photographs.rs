//! Photographs of field reports: what is kept of each beside its file.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use sqlx::any::AnyRow;

use super::rows::locked;
use super::subject;
use crate::region::RegionId;
use crate::store::acts::Act;
use crate::store::error::{Conflict, StoreError};
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::{Store, Tx};

/// A photograph whose file lies in the folder of photographs already.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewPhotograph {
    /// Name of the file.
    pub file: String,
    pub bytes: u64,
    /// Pixels, as it is shown.
    pub width: u32,
    pub height: u32,
}

/// The photograph of a report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Photograph {
    pub file: String,
    pub bytes: u64,
    pub width: u32,
    pub height: u32,
    pub added_at: DateTime<Utc>,
}

impl Store {
    /// # Errors
    /// When the store fails.
    pub async fn photograph_of(&self, report: &str) -> Result<Option<Photograph>, StoreError> {
        let row = sqlx::query("SELECT * FROM field_report_photographs WHERE report_id = $1")
            .bind(report)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.as_ref().map(photograph_of).transpose()
    }

    /// The files of all photographs.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn photograph_files(&self) -> Result<BTreeSet<String>, StoreError> {
        let rows = sqlx::query("SELECT file FROM field_report_photographs").fetch_all(&mut *self.read().await?).await?;
        rows.iter().map(|row| get(row, "file")).collect()
    }

    /// Puts a photograph to a report, in the place of the one that it had. Gives the file that is needed no more.
    ///
    /// # Errors
    /// [`Conflict::UnknownReport`].
    pub async fn put_photograph(
        &self,
        report: &str,
        photograph: &NewPhotograph,
        now: DateTime<Utc>,
    ) -> Result<Option<String>, StoreError> {
        let mut tx = self.begin().await?;
        locked(&mut tx, report).await?.ok_or_else(|| Conflict::UnknownReport { id: report.to_owned() })?;
        let replaced = put(&mut tx, report, photograph, now).await?;
        let detail = if replaced.is_some() { "another photograph" } else { "a photograph" };
        tx.note_act(Act::ReportChanged, &subject(report), detail).await?;
        tx.commit().await?;
        Ok(replaced)
    }

    /// Takes the photograph of a report away; gives its file, which is needed no more. `None`: it had none.
    ///
    /// # Errors
    /// [`Conflict::UnknownReport`].
    pub async fn drop_photograph(&self, report: &str) -> Result<Option<String>, StoreError> {
        let mut tx = self.begin().await?;
        locked(&mut tx, report).await?.ok_or_else(|| Conflict::UnknownReport { id: report.to_owned() })?;
        let file = drop_row(&mut tx, report).await?;
        if file.is_some() {
            tx.note_act(Act::ReportChanged, &subject(report), "the photograph was erased").await?;
        }
        tx.commit().await?;
        Ok(file)
    }

    /// The region of the last report that an account entered.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn last_region_of(&self, account: &str) -> Result<Option<RegionId>, StoreError> {
        let row = sqlx::query(
            "SELECT region_id FROM field_reports WHERE entered_by = $1 ORDER BY created_at DESC, id DESC LIMIT 1",
        )
        .bind(account)
        .fetch_optional(&mut *self.read().await?)
        .await?;
        row.map(|row| get(&row, "region_id").map(RegionId)).transpose()
    }
}

pub(super) async fn note_account(tx: &mut Tx, report: &str, account: &str) -> Result<(), StoreError> {
    sqlx::query("UPDATE field_reports SET entered_by = $2 WHERE id = $1")
        .bind(report)
        .bind(account)
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// The report is locked, or new.
pub(super) async fn put(
    tx: &mut Tx,
    report: &str,
    new: &NewPhotograph,
    now: DateTime<Utc>,
) -> Result<Option<String>, StoreError> {
    let replaced = drop_row(tx, report).await?;
    let whole = |number: u64| i64::try_from(number).unwrap_or(i64::MAX);
    sqlx::query(
        "INSERT INTO field_report_photographs (report_id, file, bytes, width, height, added_at)
         VALUES ($1, $2, $3, $4, $5, $6)",
    )
    .bind(report)
    .bind(&new.file)
    .bind(whole(new.bytes))
    .bind(i64::from(new.width))
    .bind(i64::from(new.height))
    .bind(ms(now))
    .execute(tx.conn())
    .await?;
    Ok(replaced)
}

async fn drop_row(tx: &mut Tx, report: &str) -> Result<Option<String>, StoreError> {
    let row = sqlx::query("SELECT file FROM field_report_photographs WHERE report_id = $1")
        .bind(report)
        .fetch_optional(tx.conn())
        .await?;
    let Some(row) = row else { return Ok(None) };
    sqlx::query("DELETE FROM field_report_photographs WHERE report_id = $1").bind(report).execute(tx.conn()).await?;
    get(&row, "file").map(Some)
}

fn photograph_of(row: &AnyRow) -> Result<Photograph, StoreError> {
    let pixels = |column: &str| {
        let number: i64 = get(row, column)?;
        u32::try_from(number).map_err(|_| StoreError::corrupt(format!("field_report_photographs.{column} {number}")))
    };
    Ok(Photograph {
        file: get(row, "file")?,
        bytes: get::<i64>(row, "bytes")?.unsigned_abs(),
        width: pixels("width")?,
        height: pixels("height")?,
        added_at: get_instant(row, "added_at")?,
    })
}
