//! How far a region's dates can be trusted, for staff: whose doubt they carry, how likely the window has opened, and what one wash is
//! expected to take by day.

use chrono::NaiveDate;

use crate::season::outlook::WashShare;
use crate::season::{Outlook, Profile, StageId, StageParts, days_after};

/// Days ahead for which the chance is told.
const CHANCES_AHEAD: [u32; 2] = [7, 14];

/// What staff see of a region's dates beside the dates themselves.
#[derive(Clone, Debug, PartialEq)]
pub struct DateDoubts {
    /// Whose doubt the dates of the window's opening and close are; those of a stage that was seen carry none.
    pub parts: Vec<(StageId, StageParts)>,
    pub chance: Option<OpeningChance>,
    /// The profile does not say how sure its sums are, so that dates carry the weather's doubt alone.
    pub weather_only: bool,
    /// Expected shares of a tree's eggs; `None` where the profile does not say how they spread over heat.
    pub wash: Option<WashShare>,
}

/// The chance (0-1) that the stage that opens the window has begun. None of one that was seen.
#[derive(Clone, Debug, PartialEq)]
pub struct OpeningChance {
    pub stage: StageId,
    pub by_today: f64,
    /// So many days from today.
    pub within: [(u32, f64); 2],
}

impl DateDoubts {
    /// `today` is the region's own day.
    pub(super) fn of(profile: &Profile, outlook: &Outlook, today: NaiveDate) -> Self {
        let window = [&profile.window.opens, &profile.window.closes];
        let parts = |id: &&StageId| Some(((*id).clone(), outlook.stage(id)?.parts?));
        let opens = outlook.stage(&profile.window.opens);
        // Without dates it was seen, or our number alone counts: then there is no chance to tell.
        let chance = opens.filter(|opens| !opens.dates.is_empty()).map(|opens| OpeningChance {
            stage: opens.stage.clone(),
            by_today: opens.chance_by(today),
            within: CHANCES_AHEAD.map(|days| (days, opens.chance_by(days_after(today, days)))),
        });
        Self {
            parts: window.iter().filter_map(parts).collect(),
            chance,
            weather_only: profile.stage(&profile.window.opens).is_some_and(|stage| stage.spread.is_none()),
            wash: outlook.wash.clone(),
        }
    }
}
