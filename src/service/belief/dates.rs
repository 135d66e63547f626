//! Each region's dates by one belief or profile and by another.

use serde::Serialize;

use crate::assessment::season_model::Assessment;
use crate::region::{Region, RegionId};
use crate::season::{DateSpread, Profile, WindowDays};

/// A region's dates before and after a change.
#[derive(Clone, Debug, Serialize)]
pub struct RegionDates {
    pub region: RegionId,
    pub name: String,
    pub before: Dates,
    pub after: Dates,
}

#[derive(Clone, Debug, Serialize)]
pub struct Dates {
    /// Of the stage that opens the window.
    pub opens: Option<DateSpread>,
    pub days: WindowDays,
}

impl RegionDates {
    pub fn of(region: &Region, before: (&Profile, &Assessment), after: (&Profile, &Assessment)) -> Self {
        let dates = |(profile, assessment): (&Profile, &Assessment)| Dates {
            opens: assessment.outlook.stage(&profile.window.opens).map(|stage| stage.spread),
            days: assessment.days,
        };
        Self { region: region.id.clone(), name: region.name.clone(), before: dates(before), after: dates(after) }
    }

    /// Whether the change moves a day that people are told.
    pub fn moves(&self) -> bool {
        let told = |dates: &Dates| (dates.days.look_from, dates.days.best, dates.days.deadline);
        told(&self.before) != told(&self.after)
    }
}
