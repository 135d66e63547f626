//! What a notice may say. Kept as JSON beside the notice, so that its words can be made again at any time.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::settings::MessagesConfig;
use crate::region::{Region, RegionId};
use crate::season::decide::MovedBy;
use crate::season::window::DeadlineRule;
use crate::season::{Borrowed, NoticeKind, Outlook, RecordTrust, StageId, WashFigures, WindowDays, profile, window};

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

/// Days of a season whose temperatures were not measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EstimatedDays {
    pub estimated: u32,
    /// Since the biofix, the estimated ones among them.
    pub days: u32,
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
    /// The days of the window; `None` in notices from before they were told.
    #[serde(default)]
    pub days: Option<WindowDays>,
    /// What moved the deadline, in the notice that tells of it.
    #[serde(default)]
    pub moved_by: Option<MovedBy>,
    /// Of the profile that the dates were made with; `None` in notices from before it was kept.
    #[serde(default)]
    pub profile_version: Option<u32>,
    /// Where more than half of the season's days were estimated.
    #[serde(default)]
    pub estimated: Option<EstimatedDays>,
    /// The chance (0-1) that egg laying had begun by that day; `None` in notices from before it was kept.
    #[serde(default)]
    pub laying_chance: Option<f64>,
    /// By how many days this season's field reports had moved the region's dates; above 0 is later.
    #[serde(default)]
    pub learned_days: Option<i64>,
    /// Whose grid's estimates stand in for a station; `None` where one measures.
    #[serde(default)]
    pub grid: Option<String>,
    /// The chance (0-1) of what the notice tells, as it stood that day: that egg laying begins in the weeks it speaks of, has
    /// begun, or that the first eggs have hatched. `None` in notices from before it was kept.
    #[serde(default)]
    pub chance: Option<f64>,
    /// What washing takes, as the page had it that day; `None` without best days, or in notices from before it was kept.
    #[serde(default)]
    pub wash: Option<WashFigures>,
}

/// From this chance (0-1) on a stage has `probably` begun: in tenths 6 in 10.
pub const PROBABLY: f64 = 0.55;

/// Why a notice says what it says.
#[derive(Clone, Copy, Debug)]
pub struct Grounds {
    pub basis: Basis,
    pub moved_by: Option<MovedBy>,
    /// See [`NoticeFacts::chance`].
    pub chance: Option<f64>,
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
    /// Where the outlook has no likely day for a stage: see [`window`].
    pub fn from_outlook(
        sender: Sender,
        region: &Region,
        station_name: &str,
        outlook: &Outlook,
        days: WindowDays,
        window: WashingWindow<'_>,
        grounds: Grounds,
    ) -> Self {
        let today = outlook.today;
        let laying = stage_dates(outlook, &window.stages.opens, window::opening_day(outlook, window.stages));
        let hatch = stage_dates(outlook, &window.stages.closes, window::closing_day(outlook, window.stages));
        Self {
            sender,
            region_id: region.id.clone(),
            region_name: region.name.clone(),
            season: outlook.season.year,
            decided_on: today,
            basis: grounds.basis,
            laying,
            hatch,
            wash_by: days.deadline,
            station_name: station_name.to_owned(),
            heat_sum: outlook.heat_sum,
            heat_needed: window.heat_needed,
            provisional: window.provisional,
            borrowed: outlook.borrowed.clone(),
            days: Some(days),
            moved_by: grounds.moved_by,
            profile_version: Some(outlook.profile_version),
            estimated: mostly_estimated(&outlook.trust),
            laying_chance: outlook.stage(&window.stages.opens).map(|opens| opens.chance_by(today)),
            learned_days: outlook.learned.map(|note| note.moved_days),
            grid: None,
            chance: grounds.chance,
            wash: outlook.wash.as_ref().zip(days.best).and_then(|(wash, best)| wash.figures(best, days.deadline)),
        }
    }

    /// Whether egg laying has begun, as it is said: `seen`, `probably` or `maybe`.
    pub fn begun(&self) -> &'static str {
        match (self.basis, self.laying_chance) {
            (Basis::Seen, _) => "seen",
            (_, Some(chance)) if chance >= PROBABLY => "probably",
            (Basis::Heat, None) => "probably",
            _ => "maybe",
        }
    }

    /// Whether the first eggs have hatched, as the notice that tells of it says it: `seen`, `probably` or `maybe`.
    pub fn hatched(&self) -> &'static str {
        match self.chance {
            _ if self.hatch_was_seen() => "seen",
            Some(chance) if chance < PROBABLY => "maybe",
            _ => "probably",
        }
    }

    /// See [`NoticeFacts::chance`]; of older notices what is known of it.
    pub fn chance_of(&self, kind: NoticeKind) -> Option<f64> {
        self.chance.or(self.laying_chance.filter(|_| kind == NoticeKind::InspectNow))
    }

    /// Whether somebody saw the hatch.
    pub fn hatch_was_seen(&self) -> bool {
        self.days.is_some_and(|days| days.rule == DeadlineRule::HatchSeen)
    }
}

fn mostly_estimated(trust: &RecordTrust) -> Option<EstimatedDays> {
    match *trust {
        RecordTrust::TooMuchFilled { filled_days, days } if filled_days.saturating_mul(2) > days => {
            Some(EstimatedDays { estimated: filled_days, days })
        }
        _ => None,
    }
}

fn stage_dates(outlook: &Outlook, stage: &StageId, fallback: NaiveDate) -> StageDates {
    let unknown = StageDates { reached: None, early: None, likely: fallback, late: None, past_error_days: None };
    let Some(stage) = outlook.stage(stage) else { return unknown };
    // With a belief only what somebody saw has come for certain.
    match (stage.reached.filter(|_| stage.dates.is_empty()), stage.spread.median) {
        (Some(reached), _) => StageDates { reached: Some(reached.on), likely: reached.on, ..unknown },
        (None, Some(likely)) => {
            // No record where nothing was measured this season.
            let measured = outlook.newest_real_day.is_some();
            let past = stage.past.filter(|_| measured && likely >= outlook.today);
            let past_error_days = past.map(|past| past.mae_days.round() as u32);
            StageDates { early: stage.spread.early, likely, late: stage.spread.late, past_error_days, ..unknown }
        }
        (None, None) => unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::samples;
    use crate::season::{DateSpread, PastScore, Reached, ReachedBy, RecordTrust, SeasonKey, StageOutlook};

    fn date(month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, month, day).unwrap()
    }

    fn stage(id: &str, reached: Option<(NaiveDate, ReachedBy)>, spread: [Option<NaiveDate>; 3]) -> StageOutlook {
        let [early, median, late] = spread;
        let score =
            PastScore { lead_days: 14, n: 40, bias_days: 0.5, mae_days: 3.6, crps_days: 2.5, skill: None, held: 0.8 };
        StageOutlook {
            stage: id.into(),
            at_sum: None,
            reached: reached.map(|(on, by)| Reached { on, on_real_days: true, by }),
            spread: DateSpread { early, median, late },
            dates: Vec::new(),
            not_reached: 0,
            past: Some(score),
            parts: None,
        }
    }

    fn outlook(today: NaiveDate, laying: StageOutlook, hatch: StageOutlook) -> Outlook {
        Outlook {
            season: SeasonKey { profile: "pinyon-needle-scale".into(), region: "cedar-flat".into(), year: 2026 },
            today,
            last_day: Some(today),
            newest_real_day: Some(today),
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
            profile_version: 3,
            wash: None,
            learned: None,
        }
    }

    fn facts_of(outlook: &Outlook, grounds: Grounds) -> NoticeFacts {
        let region = Region { name: "Cedar Flat".into(), ..Region::bare("cedar-flat") };
        let stages = profile::Window { opens: "laying".into(), closes: "hatch".into(), settles: None };
        let window = WashingWindow { stages: &stages, heat_needed: 214.0, provisional: true };
        let days = samples::typical().facts.days.unwrap();
        let sender = Sender::from(&MessagesConfig::default());
        NoticeFacts::from_outlook(sender, &region, "Cedar Flat", outlook, days, window, grounds)
    }

    fn by_heat() -> Grounds {
        Grounds { basis: Basis::Heat, moved_by: None, chance: Some(0.6) }
    }

    fn hatch_ahead() -> StageOutlook {
        stage("hatch", None, [Some(date(4, 10)), Some(date(4, 16)), Some(date(4, 24))])
    }

    #[test]
    fn the_days_are_those_of_the_window() {
        let laying = stage("laying", Some((date(3, 12), ReachedBy::FieldReport)), [None; 3]);
        let grounds = Grounds { basis: Basis::Seen, moved_by: Some(MovedBy::Reports), chance: None };
        let facts = facts_of(&outlook(date(3, 14), laying, hatch_ahead()), grounds);
        assert_eq!(Some(facts.wash_by), facts.days.map(|days| days.deadline));
        assert_eq!((facts.basis, facts.moved_by), (Basis::Seen, Some(MovedBy::Reports)));
        assert_eq!((facts.laying.reached, facts.profile_version), (Some(date(3, 12)), Some(3)));
        assert!(!facts.hatch_was_seen());
    }

    #[test]
    fn a_number_that_was_reached_is_no_sight_while_its_doubt_is_carried() {
        let mut laying = stage(
            "laying",
            Some((date(3, 12), ReachedBy::Model)),
            [Some(date(3, 4)), Some(date(3, 13)), Some(date(3, 29))],
        );
        laying.dates = vec![date(3, 4), date(3, 13), date(3, 29)];
        let facts = facts_of(&outlook(date(3, 14), laying, hatch_ahead()), by_heat());
        assert_eq!((facts.laying.reached, facts.laying.early), (None, Some(date(3, 4))));
    }

    #[test]
    fn a_field_report_before_the_model_still_gives_every_date() {
        let none = |id| stage(id, None, [None; 3]);
        let facts = facts_of(&outlook(date(3, 2), none("laying"), none("hatch")), by_heat());
        assert_eq!((facts.laying.likely, facts.hatch.likely), (date(3, 2), date(4, 1)));
    }

    #[test]
    fn the_record_is_left_out_where_nothing_was_measured() {
        let laying = stage("laying", None, [Some(date(3, 20)), Some(date(3, 24)), None]);
        let mut outlook = outlook(date(3, 14), laying, hatch_ahead());
        assert_eq!(facts_of(&outlook, by_heat()).hatch.past_error_days, Some(4));
        outlook.newest_real_day = None;
        let facts = facts_of(&outlook, by_heat());
        assert_eq!((facts.laying.past_error_days, facts.hatch.past_error_days), (None, None));
    }

    #[test]
    fn estimated_days_are_named_when_they_are_most_of_the_season() {
        let laying = stage("laying", None, [Some(date(3, 20)), Some(date(3, 24)), None]);
        let mut outlook = outlook(date(3, 14), laying, hatch_ahead());
        for (filled_days, named) in [(37, true), (36, false)] {
            outlook.trust = RecordTrust::TooMuchFilled { filled_days, days: 73 };
            let wanted = named.then_some(EstimatedDays { estimated: filled_days, days: 73 });
            assert_eq!(facts_of(&outlook, by_heat()).estimated, wanted);
        }
    }

    #[test]
    fn facts_survive_the_way_through_json_and_old_ones_are_read() {
        let facts = samples::typical().facts;
        let mut json = serde_json::to_value(&facts).unwrap();
        assert_eq!(serde_json::from_value::<NoticeFacts>(json.clone()).unwrap(), facts);
        let object = json.as_object_mut().unwrap();
        for new in ["days", "moved_by", "profile_version", "estimated", "chance", "wash"] {
            assert!(object.remove(new).is_some(), "{new}");
        }
        let old = NoticeFacts { days: None, profile_version: None, chance: None, wash: None, ..facts };
        assert_eq!(serde_json::from_value::<NoticeFacts>(json).unwrap(), old);
    }
}
