//! What a notice may say. Kept as JSON beside the notice, so that its words can be made again at any time.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::settings::MessagesConfig;
use crate::region::{Region, RegionId};
use crate::season::{Borrowed, Outlook, StageId, deadline, profile};

/// Who speaks, and where to turn.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sender {
    pub name: String,
    /// For text messages; see [`LONGEST_SENDER_SHORT`](super::settings::LONGEST_SENDER_SHORT).
    pub short: String,
    pub postal_address: String,
    /// A telephone number, an address or a page.
    pub help_contact: String,
    /// Public address of the service; `None` = no links are shown.
    pub public_url: Option<String>,
}

impl From<&MessagesConfig> for Sender {
    fn from(config: &MessagesConfig) -> Self {
        let public_url = config.public_url.text().trim();
        Self {
            name: config.sender_name.clone(),
            short: config.sender_short.clone(),
            postal_address: config.postal_address.clone(),
            help_contact: config.help_contact.clone(),
            public_url: (!public_url.is_empty()).then(|| public_url.to_owned()),
        }
    }
}

/// When a stage is likely to come, or when it came.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StageDates {
    pub reached: Option<NaiveDate>,
    pub early: Option<NaiveDate>,
    pub likely: NaiveDate,
    /// `None` beside an early date: open, since in more than one past year in ten it does not come in time to tell.
    pub late: Option<NaiveDate>,
    /// By how many days such a date was off on average in past years, while it is still to come.
    #[serde(default)]
    pub past_error_days: Option<u32>,
}

/// On what a notice rests.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Somebody saw it in the region and staff confirmed it.
    Seen,
    /// The heat sum of observed days has reached the threshold.
    Heat,
    /// Past years, started from this year's heat, make it likely.
    Chance,
}

impl Basis {
    pub fn name(self) -> &'static str {
        match self {
            Basis::Seen => "seen",
            Basis::Heat => "heat",
            Basis::Chance => "chance",
        }
    }
}

/// All that the templates of a notice may say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoticeFacts {
    pub sender: Sender,
    pub region_id: RegionId,
    /// See [`LONGEST_REGION_NAME`](crate::region::LONGEST_REGION_NAME).
    pub region_name: String,
    /// Calendar year of the season.
    pub season: i32,
    /// The local day of the outlook behind the notice.
    pub decided_on: NaiveDate,
    pub basis: Basis,
    pub laying: StageDates,
    pub hatch: StageDates,
    /// Last day on which washing is advised.
    pub wash_by: NaiveDate,
    pub station_name: String,
    /// °C·day from the biofix.
    pub heat_sum: f64,
    /// °C·day at which egg laying is held to begin.
    pub heat_needed: f64,
    /// The profile's thresholds are provisional.
    pub provisional: bool,
    /// Whose past years the dates lean on, if not the station's own.
    #[serde(default)]
    pub borrowed: Option<Borrowed>,
}

/// The part of a profile that the facts need.
#[derive(Clone, Copy, Debug)]
pub struct WashingWindow<'a> {
    /// Stages that open and close the washing window.
    pub stages: &'a profile::Window,
    /// °C·day from the biofix to its opening.
    pub heat_needed: f64,
    pub provisional: bool,
}

impl NoticeFacts {
    /// Takes the facts from an outlook; every date a notice needs is there afterwards.
    ///
    /// Where the outlook has no likely day for a stage, and for the last day to wash: see [`deadline`].
    pub fn from_outlook(
        sender: Sender,
        region: &Region,
        station_name: &str,
        outlook: &Outlook,
        window: WashingWindow<'_>,
        basis: Basis,
    ) -> Self {
        let today = outlook.today;
        let laying = stage_dates(outlook, &window.stages.opens, deadline::opening_day(outlook, window.stages));
        let hatch = stage_dates(outlook, &window.stages.closes, deadline::closing_day(outlook, window.stages));
        Self {
            sender,
            region_id: region.id.clone(),
            region_name: region.name.clone(),
            season: outlook.season.year,
            decided_on: today,
            basis,
            laying,
            hatch,
            wash_by: deadline::wash_by(outlook, window.stages),
            station_name: station_name.to_owned(),
            heat_sum: outlook.heat_sum,
            heat_needed: window.heat_needed,
            provisional: window.provisional,
            borrowed: outlook.borrowed.clone(),
        }
    }
}

fn stage_dates(outlook: &Outlook, stage: &StageId, fallback: NaiveDate) -> StageDates {
    let unknown = StageDates { reached: None, early: None, likely: fallback, late: None, past_error_days: None };
    let Some(stage) = outlook.stage(stage) else { return unknown };
    match (stage.reached, stage.spread.median) {
        (Some(reached), _) => StageDates { reached: Some(reached.on), likely: reached.on, ..unknown },
        (None, Some(likely)) => {
            let past = stage.past.filter(|_| likely >= outlook.today);
            let past_error_days = past.map(|past| past.mae_days.round() as u32);
            StageDates { early: stage.spread.early, likely, late: stage.spread.late, past_error_days, ..unknown }
        }
        (None, None) => unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geo::Point;
    use crate::region::Release;
    use crate::season::{DateSpread, Reached, ReachedBy, RecordTrust, SeasonKey, StageOutlook};

    fn date(month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, month, day).unwrap()
    }

    fn stage(id: &str, reached: Option<NaiveDate>, spread: [Option<NaiveDate>; 3]) -> StageOutlook {
        let [early, median, late] = spread;
        StageOutlook {
            stage: id.into(),
            at_sum: None,
            reached: reached.map(|on| Reached { on, on_real_days: true, by: ReachedBy::Model }),
            spread: DateSpread { early, median, late },
            dates: Vec::new(),
            not_reached: 0,
            past: None,
        }
    }

    fn facts(today: NaiveDate, laying: StageOutlook, hatch: StageOutlook) -> NoticeFacts {
        let region = Region {
            id: "cedar-flat".into(),
            name: "Cedar Flat".into(),
            place: Point { latitude: 35.0, longitude: -135.0 },
            elevation_m: 1600.0,
            time_zone: chrono_tz::America::Denver,
            profile: "pinyon-needle-scale".into(),
            zips: Vec::new(),
            stations: Vec::new(),
            release: Release::AtOnce,
            retired: false,
        };
        let outlook = Outlook {
            season: SeasonKey { profile: "pinyon-needle-scale".into(), region: "cedar-flat".into(), year: 2026 },
            today,
            last_day: None,
            newest_real_day: None,
            heat_sum: 200.0,
            observed_sum: 200.0,
            current_stage: None,
            stages: vec![laying, hatch],
            filled_days: 0,
            trust: RecordTrust::Sound,
            trace_years: Vec::new(),
            forecast_days: 0,
            forecast_fit: None,
            station: "demo".into(),
            borrowed: None,
        };
        let stages = profile::Window { opens: "laying".into(), closes: "hatch".into() };
        let window = WashingWindow { stages: &stages, heat_needed: 214.0, provisional: true };
        let sender = Sender::from(&MessagesConfig::default());
        NoticeFacts::from_outlook(sender, &region, "Cedar Flat", &outlook, window, Basis::Heat)
    }

    #[test]
    fn the_last_day_to_wash_is_the_early_date_of_the_hatch_while_there_is_time() {
        let hatch = || stage("hatch", None, [Some(date(4, 10)), Some(date(4, 16)), Some(date(4, 24))]);
        let laying = || stage("laying", Some(date(3, 12)), [None; 3]);
        assert_eq!(facts(date(3, 14), laying(), hatch()).wash_by, date(4, 10));
        assert_eq!(facts(date(4, 7), laying(), hatch()).wash_by, date(4, 10));
        assert_eq!(facts(date(4, 8), laying(), hatch()).wash_by, date(4, 16));
        assert_eq!(facts(date(4, 20), laying(), hatch()).wash_by, date(4, 20));
    }

    #[test]
    fn a_field_report_before_the_model_still_gives_every_date() {
        let facts = facts(date(3, 2), stage("laying", None, [None; 3]), stage("hatch", None, [None; 3]));
        assert_eq!(facts.laying.likely, date(3, 2));
        assert_eq!(facts.hatch.likely, date(4, 1));
        assert_eq!(facts.wash_by, date(4, 1));
    }

    #[test]
    fn facts_survive_the_way_through_json() {
        let hatch = stage("hatch", None, [Some(date(4, 10)), Some(date(4, 16)), None]);
        let facts = facts(date(3, 14), stage("laying", Some(date(3, 12)), [None; 3]), hatch);
        let json = serde_json::to_string(&facts).unwrap();
        assert_eq!(serde_json::from_str::<NoticeFacts>(&json).unwrap(), facts);
    }
}
