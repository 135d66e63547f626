//! How good projections have been at a station, stage by stage: what stands beside each date still to come.

use serde::Serialize;

use crate::heat::projection::Dressing;
use crate::season::{PastScore, StageId};

/// A date farther off than this is beyond what was verified.
const FARTHEST_DAYS: i64 = 84;

/// How good a station's own projections have been. Empty where fewer than ten past seasons can be judged: then nothing is said of it,
/// and nothing is widened.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct ForecastSkill {
    /// Past seasons that were projected, each left out of its own projection.
    pub seasons: u32,
    pub first_season: Option<i32>,
    pub last_season: Option<i32>,
    /// For a season that is not among them.
    #[serde(skip)]
    pub dressing: Dressing,
    /// The spread fell short of the errors and is widened.
    pub widened: bool,
    /// Stages that count heat, in the profile's order.
    pub stages: Vec<StageSkill>,
}

/// How projections of one stage did, the farthest first.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StageSkill {
    pub stage: StageId,
    pub rows: Vec<PastScore>,
}

impl ForecastSkill {
    /// The rows of one stage; none of a stage that counts days, or with too few seasons.
    pub fn rows(&self, stage: &StageId) -> &[PastScore] {
        self.stages.iter().find(|of| of.stage == *stage).map_or(&[], |of| &of.rows)
    }

    /// How projections of `stage` from about as many days ahead did.
    pub fn nearest(&self, stage: &StageId, days_ahead: i64) -> Option<PastScore> {
        let rows = self.rows(stage).iter();
        let away = |row: &&PastScore| (i64::from(row.lead_days) - days_ahead).abs();
        rows.min_by_key(away).copied().filter(|_| (0..=FARTHEST_DAYS).contains(&days_ahead))
    }
}
