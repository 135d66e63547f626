//! What an outlook says: heat so far, the stage, each stage still to come, and how far it can be trusted.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::wash::WashShare;
use crate::heat::DayOrigin;
use crate::id::StationId;
use crate::season::{SeasonKey, StageId};

/// For a region on a day: heat so far, the stage, and each stage still to come.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outlook {
    pub season: SeasonKey,
    /// The local day on which it was made; data run to `last_day` at most.
    pub today: NaiveDate,
    /// Last day with a summed (observed or filled) temperature.
    pub last_day: Option<NaiveDate>,
    pub newest_real_day: Option<NaiveDate>,
    /// °C·day from the biofix to `last_day`.
    pub heat_sum: f64,
    /// The part of `heat_sum` that observed days brought.
    pub observed_sum: f64,
    /// Last stage reached, if any.
    pub current_stage: Option<StageId>,
    /// In the profile's order.
    pub stages: Vec<StageOutlook>,
    /// Days from the biofix to `last_day` without an observed temperature.
    pub filled_days: u32,
    pub trust: RecordTrust,
    /// Past years used as traces.
    pub trace_years: Vec<i32>,
    pub forecast_days: u32,
    /// `None` without a forecast.
    #[serde(default)]
    pub forecast_fit: Option<ForecastFit>,
    /// Primary station.
    pub station: StationId,
    /// Past years that are not the station's own.
    #[serde(default)]
    pub borrowed: Option<Borrowed>,
    /// Of the profile it was made with.
    #[serde(default = "first_version")]
    pub profile_version: u32,
    /// What a wash would take, day by day; `None` for a profile that does not say how eggs spread over heat.
    #[serde(default)]
    pub wash: Option<WashShare>,
    /// What field reports of this season taught; `None` where none did.
    #[serde(default)]
    pub learned: Option<LearnedNote>,
}

/// What the field reports of a season, those of other regions among them, say of the stage that opens the window.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LearnedNote {
    /// Places at which it was seen.
    pub sightings: u32,
    /// Places where it was looked for in vain and has not been seen since.
    pub zeros: u32,
    /// By how many days they moved this region's most likely date of it; above 0 is later.
    pub moved_days: i64,
    /// Staff let learning from the season stand still: later reports change nothing.
    #[serde(default)]
    pub frozen: bool,
}

/// Profiles had no versions before beliefs could be adopted.
fn first_version() -> u32 {
    1
}

impl Outlook {
    pub fn stage(&self, id: &StageId) -> Option<&StageOutlook> {
        self.stages.iter().find(|stage| stage.stage == *id)
    }
}

/// For one stage: either it was reached, or when it is likely to be.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StageOutlook {
    pub stage: StageId,
    /// Sum from the biofix at which it comes, °C·day; `None` while that is not fixed yet (a stage so many days after
    /// one that is still to come).
    pub at_sum: Option<f64>,
    /// The day on which our heat number was reached, or by which a person had seen the stage.
    pub reached: Option<Reached>,
    pub spread: DateSpread,
    /// Sorted, equally likely dates; as many more as `not_reached` never come. Of a profile that says how sure its sums are,
    /// the mixture of the weather's futures and the belief, with days that are past; empty once the stage was seen. Else the
    /// crossing dates of all traces, empty once the sum was reached.
    pub dates: Vec<NaiveDate>,
    pub not_reached: u32,
    /// How projections of this stage from about as far did in the station's own past seasons; `None` once it was reached,
    /// with too few seasons to tell, or farther off than was looked at.
    #[serde(default)]
    pub past: Option<PastScore>,
    /// Whose doubt the spread is; `None` where the profile does not say how sure its sum is, and once it was seen.
    #[serde(default)]
    pub parts: Option<StageParts>,
}

/// Days from the 10 to the 90 % point if only one of the two were in doubt.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StageParts {
    /// When our number will be reached.
    pub weather_days: u32,
    /// At which number the insect does it.
    pub insect_days: u32,
}

impl StageOutlook {
    /// Whether a person saw it.
    pub fn seen(&self) -> bool {
        self.reached.is_some_and(|reached| reached.by == ReachedBy::FieldReport)
    }

    /// Chance (0-1) that the stage comes on or before `day`. 1 once it was seen; of a profile that does not say how sure its
    /// sums are, once the heat number was reached.
    pub fn chance_by(&self, day: NaiveDate) -> f64 {
        if let Some(reached) = self.reached
            && self.dates.is_empty()
        {
            return if reached.on <= day { 1.0 } else { 0.0 };
        }
        let all = self.dates.len() + self.not_reached as usize;
        if all == 0 {
            return 0.0;
        }
        self.dates.partition_point(|date| *date <= day) as f64 / all as f64
    }

    /// The first day by which the stage has come with at least this chance (0-1); `None` where it never is so likely.
    pub fn day_of_chance(&self, chance: f64) -> Option<NaiveDate> {
        let all = self.dates.len() + self.not_reached as usize;
        let place = (chance.clamp(0.0, 1.0) * all as f64 - 1e-9).ceil().max(1.0) as usize;
        self.dates.get(place - 1).copied()
    }
}

/// A date with its spread: the 10, 50 and 90 % points of the projected dates. `None` = that share of the past
/// years does not get there within the horizon.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DateSpread {
    pub early: Option<NaiveDate>,
    pub median: Option<NaiveDate>,
    pub late: Option<NaiveDate>,
}

/// The first day on which a stage had begun.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reached {
    pub on: NaiveDate,
    /// Observed temperatures carry it: an observed day (the crossing day or one after it) stands at or over the sum
    /// wanted, and by then filled days had brought no more of that sum than the policy's `filled_share_limit`. So a
    /// short gap in January does not hold up a notice in March, while a crossing inside a gap waits for the next real
    /// day. Always true for what a person saw.
    pub on_real_days: bool,
    pub by: ReachedBy,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReachedBy {
    Model,
    /// A confirmed field report came before the model: the stage had begun by that day.
    FieldReport,
}

/// How good projections made so many days before an event were, over past seasons that were each left out of their own.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PastScore {
    /// Days from the newest data to the event.
    pub lead_days: u32,
    /// How many projections.
    pub n: u32,
    /// Mean of the most likely date minus the event, days: above 0 late.
    pub bias_days: f64,
    /// Mean absolute error of the most likely date, days.
    pub mae_days: f64,
    pub crps_days: f64,
    /// CRPS against that of the calendar: 1 is perfect, 0 no better than a fixed date. `None` where dates never vary.
    pub skill: Option<f64>,
    /// Share (0-1) of events inside the 80 % interval.
    pub held: f64,
}

/// Whether the record behind an outlook is good enough to act on unasked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "trust")]
pub enum RecordTrust {
    Sound,
    /// Share of filled days since the biofix over the limit.
    TooMuchFilled {
        filled_days: u32,
        days: u32,
    },
    /// The newest observed day is older than the limit.
    TooOld {
        newest_real_day: Option<NaiveDate>,
        age_days: u32,
    },
    /// Too few past years to project from.
    TooFewYears {
        years: u32,
    },
    /// The past years are another station's and may not fit.
    BorrowedYears {
        /// The other station's name.
        from: String,
        own_years: u32,
    },
}

/// Past years that are another station's, made to fit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Borrowed {
    /// The other station.
    pub station: StationId,
    pub name: String,
    /// Whole past seasons of the region's own station.
    pub own_years: u32,
    pub borrowed_years: u32,
    /// Days on which both stations were observed, by which the other's temperatures were corrected; `None`: too few, so
    /// that only the difference in height was taken out.
    pub common_days: Option<u32>,
    pub low_confidence: bool,
}

/// What was added to a weather forecast to fit it to the station, °C.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ForecastFit {
    /// Days that past forecasts and the station both have; with too few of them the forecast is taken as it came.
    pub common_days: u32,
    pub added_min_c: f64,
    pub added_max_c: f64,
}

/// One day of summed heat. `degree_days` and `sum` in °C·day; `sum` counts from the biofix, this day included.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HeatDay {
    pub day: NaiveDate,
    pub degree_days: f64,
    pub sum: f64,
    pub origin: DayOrigin,
}
