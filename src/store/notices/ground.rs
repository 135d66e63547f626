//! Whether what notices rest on has changed since they were decided. A report that counts in one region moves the dates of all
//! regions of its profile; one that was confirmed, mended or set aside since may have taken a notice's ground away.
//!
//! It follows from times that are kept anyway, so that no restart loses it: a region was last decided when its newest outlook
//! was made.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use sqlx::AssertSqlSafe;

use crate::region::RegionId;
use crate::season::NoticeId;
use crate::store::error::StoreError;
use crate::store::rows::{get, ms};
use crate::store::tx::{Store, Tx};

/// Regions with a notice that waits or is held and which were last decided before the newest change of their profile's ground
/// by the instant `$1`: a report that counts from then on or no longer, other words of one that counts or did, learning that goes
/// on again. What nobody has confirmed changes nothing, nor does a freeze.
const ON_NEW_GROUND: &str = "WITH changes AS (
         SELECT g.profile AS profile, MAX(s.at) AS changed_at
         FROM field_report_standings s JOIN field_reports r ON r.id = s.report_id JOIN regions g ON g.id = r.region_id
         WHERE s.at <= $1 AND (s.standing = 'confirmed' OR EXISTS (
             SELECT 1 FROM field_report_standings b
             WHERE b.report_id = s.report_id AND b.number = s.number - 1 AND b.standing = 'confirmed'))
         GROUP BY g.profile
         UNION ALL
         SELECT g.profile AS profile, MAX(r.changed_at) AS changed_at
         FROM field_reports r JOIN regions g ON g.id = r.region_id
         WHERE r.changed_at <= $1 AND EXISTS (
             SELECT 1 FROM field_report_standings s WHERE s.report_id = r.id AND s.standing = 'confirmed')
         GROUP BY g.profile
         UNION ALL
         SELECT f.profile AS profile, MAX(f.changed_at) AS changed_at
         FROM learning_freezes f WHERE f.frozen = 0 AND f.changed_at <= $1 GROUP BY f.profile)
     SELECT DISTINCT n.region_id AS region_id
     FROM notices n JOIN changes c ON c.profile = n.profile
         JOIN regions h ON h.id = n.region_id AND h.profile = n.profile AND h.retired_at IS NULL
         JOIN outlooks o ON o.profile = n.profile AND o.region_id = n.region_id
     WHERE n.status IN ('waiting', 'held') AND o.made_at < c.changed_at AND o.day = (
         SELECT MAX(m.day) FROM outlooks m WHERE m.profile = n.profile AND m.region_id = n.region_id)";

impl Store {
    /// Regions with a notice that waits or is held and which were last decided before a change of what that rests on.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn regions_on_new_ground(&self, now: DateTime<Utc>) -> Result<BTreeSet<RegionId>, StoreError> {
        let rows = sqlx::query(ON_NEW_GROUND).bind(ms(now)).fetch_all(&mut *self.read().await?).await?;
        rows.iter().map(|row| get(row, "region_id").map(RegionId)).collect()
    }
}

/// As [`Store::regions_on_new_ground`], of one notice that waits or is held.
pub(super) async fn is_on_new_ground(tx: &mut Tx, id: &NoticeId, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let find = format!("{ON_NEW_GROUND} AND n.id = $2");
    let row = sqlx::query(AssertSqlSafe(find)).bind(ms(now)).bind(id.as_str()).fetch_optional(tx.conn()).await?;
    Ok(row.is_some())
}
