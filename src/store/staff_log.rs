//! What staff should know, each fact once.

use chrono::{DateTime, Utc};
use serde::Serialize;
use sqlx::any::AnyRow;

use crate::region::RegionId;
use crate::season::decide::Remark;
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, get_instant_if_any, ms};
use crate::store::tx::{Store, Tx};

/// What an entry is about. The last six are the remarks of a decision.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StaffKind {
    /// A notice that was decided not to go out.
    Skipped,
    /// A notice that people should have had.
    Missed,
    /// Sign-ups came so thick that they are held back.
    SignUp,
    /// A text that somebody should look at.
    Text,
    /// An address to which mail comes back for good.
    #[serde(rename = "address-dead")]
    AddressUndeliverable,
    /// Field reports moved the dates of a season.
    Learned,
    /// A sign-in to the desk that its holder should know of.
    SignIn,
    WasEarly,
    ReportUnconfirmed,
    SeenBeforeModel,
    SawNone,
    ReportOfFuture,
    ReportOfUnknownStage,
}

impl StaffKind {
    const ALL: [StaffKind; 13] = [
        StaffKind::Skipped,
        StaffKind::Missed,
        StaffKind::SignUp,
        StaffKind::Text,
        StaffKind::AddressUndeliverable,
        StaffKind::Learned,
        StaffKind::SignIn,
        StaffKind::WasEarly,
        StaffKind::ReportUnconfirmed,
        StaffKind::SeenBeforeModel,
        StaffKind::SawNone,
        StaffKind::ReportOfFuture,
        StaffKind::ReportOfUnknownStage,
    ];

    /// As the store keeps it.
    pub fn as_str(self) -> &'static str {
        match self {
            StaffKind::Skipped => "skipped",
            StaffKind::Missed => "missed",
            StaffKind::SignUp => "sign-up",
            StaffKind::Text => "text",
            StaffKind::AddressUndeliverable => "address-dead",
            StaffKind::Learned => "learned",
            StaffKind::SignIn => "sign-in",
            StaffKind::WasEarly => "was-early",
            StaffKind::ReportUnconfirmed => "report-unconfirmed",
            StaffKind::SeenBeforeModel => "seen-before-model",
            StaffKind::SawNone => "saw-none",
            StaffKind::ReportOfFuture => "report-of-future",
            StaffKind::ReportOfUnknownStage => "report-of-unknown-stage",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }
}

impl From<&Remark> for StaffKind {
    fn from(remark: &Remark) -> Self {
        match remark {
            Remark::WasEarly { .. } => StaffKind::WasEarly,
            Remark::ReportUnconfirmed { .. } => StaffKind::ReportUnconfirmed,
            Remark::SeenBeforeModel { .. } => StaffKind::SeenBeforeModel,
            Remark::SawNone { .. } => StaffKind::SawNone,
            Remark::ReportOfFuture { .. } => StaffKind::ReportOfFuture,
            Remark::ReportOfUnknownStage { .. } => StaffKind::ReportOfUnknownStage,
        }
    }
}

/// Something staff should know.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StaffEntry {
    pub id: String,
    pub at: DateTime<Utc>,
    pub region: Option<RegionId>,
    pub kind: StaffKind,
    pub text: String,
    pub seen_at: Option<DateTime<Utc>>,
}

/// Tells staff something once: the key names the fact. Gives whether it was new.
///
/// # Errors
/// When the store fails.
pub async fn tell_staff(
    tx: &mut Tx,
    key: &str,
    region: Option<&RegionId>,
    kind: StaffKind,
    text: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let done = sqlx::query(
        "INSERT INTO staff_log (id, at, region_id, kind, text) VALUES ($1, $2, $3, $4, $5) ON CONFLICT (id) DO NOTHING",
    )
    .bind(key)
    .bind(ms(now))
    .bind(region.map(RegionId::as_str))
    .bind(kind.as_str())
    .bind(text)
    .execute(tx.conn())
    .await?;
    Ok(done.rows_affected() == 1)
}

impl Store {
    /// As [`tell_staff`], in a transaction of its own.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn tell_staff(
        &self,
        key: &str,
        region: Option<&RegionId>,
        kind: StaffKind,
        text: &str,
        now: DateTime<Utc>,
    ) -> Result<bool, StoreError> {
        let mut tx = self.begin().await?;
        let new = tell_staff(&mut tx, key, region, kind, text, now).await?;
        tx.commit().await?;
        Ok(new)
    }

    /// When staff were told something, by its key.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn told_staff_at(&self, key: &str) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query("SELECT at FROM staff_log WHERE id = $1")
            .bind(key)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.map(|row| get_instant(&row, "at")).transpose()
    }

    /// What staff were told since an instant, the newest first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn staff_log(&self, since: DateTime<Utc>) -> Result<Vec<StaffEntry>, StoreError> {
        let rows = sqlx::query("SELECT * FROM staff_log WHERE at >= $1 ORDER BY at DESC, id")
            .bind(ms(since))
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter()
            .map(|row| {
                Ok(StaffEntry {
                    id: get(row, "id")?,
                    at: get_instant(row, "at")?,
                    region: get::<Option<String>>(row, "region_id")?.map(RegionId),
                    kind: kind_of(row)?,
                    text: get(row, "text")?,
                    seen_at: get_instant_if_any(row, "seen_at")?,
                })
            })
            .collect()
    }
}

fn kind_of(row: &AnyRow) -> Result<StaffKind, StoreError> {
    let name: &str = get(row, "kind")?;
    StaffKind::parse(name).ok_or_else(|| StoreError::corrupt(format!("staff_log.kind `{name}`")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_are_kept_under_names_that_read_back() {
        for kind in StaffKind::ALL {
            assert_eq!(StaffKind::parse(kind.as_str()), Some(kind));
            assert_eq!(serde_json::to_value(kind).unwrap(), kind.as_str());
        }
        assert_eq!(StaffKind::parse("rumour"), None);
    }
}
