//! What decisions ask of a season's notices: where each stands and which days it told, without all that it rests on.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use serde::Deserialize;
use serde::de::IgnoredAny;

use super::notice::{early_deadline, kind_of, plan_of, standing, state_of};
use crate::region::RegionId;
use crate::season::decide::{DecidedNotice, Terms};
use crate::store::error::StoreError;
use crate::store::rows::{get, get_day, get_instant, get_zone};
use crate::store::tx::Store;

/// A notice as decisions ask for it.
#[derive(Clone, Debug, PartialEq)]
pub struct ToldNotice {
    pub decided_at: DateTime<Utc>,
    pub told: DecidedNotice,
}

/// What the facts of a notice tell of its days.
#[derive(Default, Deserialize)]
struct ToldFacts {
    learned_days: Option<i64>,
    days: Option<IgnoredAny>,
    wash_by: Option<String>,
}

impl Store {
    /// The notices of a season by region, each region's in the order in which they were decided.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn told_of_season(
        &self,
        profile: &str,
        year: i32,
    ) -> Result<HashMap<RegionId, Vec<ToldNotice>>, StoreError> {
        let rows = sqlx::query(
            "SELECT n.region_id, n.kind, n.status, n.sent_by, n.held_until, n.released_at, n.released_by, n.release_at,
                 n.word_needed, n.reason, n.facts, n.decided_on, n.decided_at, r.time_zone
             FROM notices n JOIN regions r ON r.id = n.region_id
             WHERE n.profile = $1 AND n.season = $2 ORDER BY n.decided_at, n.id",
        )
        .bind(profile)
        .bind(i64::from(year))
        .fetch_all(&mut *self.read().await?)
        .await?;
        let mut by_region: HashMap<RegionId, Vec<ToldNotice>> = HashMap::new();
        for row in &rows {
            let (kind, state, plan, zone) = (kind_of(row)?, state_of(row)?, plan_of(row)?, get_zone(row, "time_zone")?);
            let (decided_on, decided_at) = (get_day(row, "decided_on")?, get_instant(row, "decided_at")?);
            let facts: Option<ToldFacts> = serde_json::from_str(get(row, "facts")?)
                .map_err(|why| StoreError::corrupt(format!("notices.facts: {why}")))?;
            let ToldFacts { learned_days, days, wash_by } = facts.unwrap_or_default();
            // The terms of one that was skipped are none.
            let terms: Option<Terms> = serde_json::from_str(get(row, "reason")?).ok();
            let report = terms.as_ref().and_then(|terms| terms.reason.report()).map(str::to_owned);
            let expires_on = terms.as_ref().map(|terms| terms.expires_on);
            let deadline = terms.and_then(|terms| terms.deadline);
            let deadline = deadline.or_else(|| early_deadline(kind, days.is_none(), wash_by.as_deref()));
            let standing = standing(&state, &plan, decided_at, zone);
            let told = DecidedNotice { kind, decided_on, standing, deadline, learned_days, report, expires_on };
            let told = ToldNotice { decided_at, told };
            by_region.entry(RegionId(get(row, "region_id")?)).or_default().push(told);
        }
        Ok(by_region)
    }
}
