//! What a station's past says of its present: its past seasons, or borrowed ones where it has few.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::{Days, NaiveDate};

use crate::assessment::skill::{self, SkillBasis};
use crate::heat::hindcast::event;
use crate::heat::projection::{BorrowedBy, PastSeason, Projector, SeasonProjector, StationFit};
use crate::heat::{DayOrigin, DayTemperatures, FilledDay};
use crate::season::outlook::{ForecastSkill, is_whole_past_season};
use crate::season::{Borrowed, Profile};
use crate::weather::Station;
use crate::weather::normals::Normals;
use crate::weather::prepare::{self, Member};
use crate::weather::record::{Known, RecordIndex};
use crate::weather::settings::WeatherConfig;

/// A season is followed for a year, counted with a 29 February.
pub const SEASON_DAYS: usize = 366;

/// What a station is known by: itself, and its record in memory.
#[derive(Clone, Debug)]
pub struct StationHistory {
    pub station: Station,
    pub record: RecordIndex,
}

/// A past year serves as a trace when at most this share of its days up to the last stage is the calendar mean.
const MOST_CLIMATOLOGY: f64 = 0.1;

/// With fewer own past seasons than this, a station's future needs help: of later years in a replay, else of a neighbour.
pub const ENOUGH_YEARS: usize = 10;

/// Which other years stand for what may still come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PastFrom {
    /// Years before the season: what could be known then.
    Earlier,
    /// All other years, since too few lie before it.
    AllOthers,
}

impl PastFrom {
    /// As known when the record of a season that leans on these years may be looked at.
    pub(crate) fn known_as(self, known: Known) -> Known {
        match self {
            PastFrom::Earlier => known,
            PastFrom::AllOthers => Known::Everything,
        }
    }
}

/// What is asked of a past: for which season, as known when.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    pub profile: &'a Profile,
    pub season: i32,
    pub rules: &'a WeatherConfig,
    pub known: Known,
}

/// A station's past seasons as one season sees them.
#[derive(Debug)]
pub struct StationPast {
    /// Whole seasons, borrowed ones included.
    pub seasons: Vec<PastSeason>,
    pub from: PastFrom,
    pub borrowed: Option<Borrowed>,
    pub(crate) projector: SeasonProjector,
    pub skill: Arc<ForecastSkill>,
}

/// The station's own seasons, before it is known whether they are enough.
#[derive(Debug, PartialEq)]
pub struct OwnPast {
    pub(super) seasons: Vec<PastSeason>,
    pub(super) made_up: BTreeSet<NaiveDate>,
    from: PastFrom,
}

impl OwnPast {
    /// The seasons before this one; where they are few, all others that are on record.
    pub fn of(history: &StationHistory, asked: &Asked<'_>) -> Self {
        let normals = Normals::around(&history.record, asked.known, &history.station.sources, asked.season);
        let earlier = Self::earlier(history, asked, &normals);
        if earlier.is_enough() || asked.known == Known::Everything {
            return earlier;
        }
        let asked = Asked { known: Known::Everything, ..*asked };
        let normals = Normals::around(&history.record, asked.known, &history.station.sources, asked.season);
        let others = Self { from: PastFrom::AllOthers, ..Self::earlier(history, &asked, &normals) };
        if others.seasons.len() > earlier.seasons.len() { others } else { earlier }
    }

    /// The seasons as known, however few. `normals`: around the season, as known.
    pub fn earlier(history: &StationHistory, asked: &Asked<'_>, normals: &Normals) -> Self {
        let member = Member { station: &history.station, record: &history.record, normals };
        let years = prepare::past_years(&member, asked.rules, asked.known, asked.season);
        Self::kept(past_seasons(asked.profile, asked.season, &years), made_up_days(&years))
    }

    /// What [`OwnPast::earlier`] had made.
    pub(super) fn kept(seasons: Vec<PastSeason>, made_up: BTreeSet<NaiveDate>) -> Self {
        Self { seasons, made_up, from: PastFrom::Earlier }
    }

    pub fn is_enough(&self) -> bool {
        self.seasons.len() >= ENOUGH_YEARS
    }

    pub fn years(&self) -> usize {
        self.seasons.len()
    }

    /// The same for the same skill of projections from these seasons.
    pub fn skill_digest(&self, profile: &Profile) -> [u8; 32] {
        skill::digest(profile, &self.seasons, &self.made_up)
    }

    /// By season, days from its start to the day on which the sum (°C·day) was reached; seasons that do not get there are
    /// missing.
    pub fn days_of(&self, profile: &Profile, sum: f64) -> BTreeMap<i32, f64> {
        let projector = Projector::new(profile.heat, SEASON_DAYS, &self.seasons);
        let reached = projector.seasons().filter_map(|season| Some((season, event(&projector, season, sum)?.0 as f64)));
        reached.collect()
    }

    pub fn into_seasons(self) -> Vec<PastSeason> {
        self.seasons
    }
}

impl StationPast {
    /// From the station's own seasons alone, however few. `skill`: how good their projections have been where that is
    /// known already, which `skill_of` works out where it is not.
    pub fn own(
        own: OwnPast,
        asked: &Asked<'_>,
        skill: Option<Arc<ForecastSkill>>,
        skill_of: impl FnOnce(&SkillBasis<'_>) -> Arc<ForecastSkill>,
    ) -> Self {
        let OwnPast { seasons, made_up, from } = own;
        let (rule, season) = (asked.profile.heat, asked.season);
        let (skill, projector) = match skill {
            Some(skill) => (skill, SeasonProjector::new(rule, SEASON_DAYS, &seasons, season)),
            None => {
                let projector = Projector::new(rule, SEASON_DAYS, &seasons);
                let basis =
                    SkillBasis { profile: asked.profile, projector: &projector, past: &seasons, made_up: &made_up };
                (skill_of(&basis), projector.for_season(season))
            }
        };
        Self { seasons, from, borrowed: None, projector, skill }
    }

    /// With the seasons of another station that this one does not have. `near`: the other may stand for this place
    /// without a person having looked. Nothing is known of how good projections from borrowed years have been.
    pub fn with_help(
        own: OwnPast,
        history: &StationHistory,
        helper: &StationHistory,
        near: bool,
        asked: &Asked<'_>,
    ) -> Self {
        let others = OwnPast::of(helper, asked).seasons;
        let known = own.from.known_as(asked.known);
        // Seasons that are not whole, this one's days so far among them, also tell how the stations differ.
        let with_pieces = |whole: &[PastSeason], history| {
            let pieces = pieces(history, asked, known).into_iter();
            let pieces = pieces.filter(|piece| whole.iter().all(|whole| whole.season != piece.season));
            whole.iter().cloned().chain(pieces).collect::<Vec<PastSeason>>()
        };
        let lapse_c = asked.rules.lapse_c_per_km * (helper.station.elevation_m - history.station.elevation_m) / 1000.0;
        let fit = StationFit::between(&with_pieces(&own.seasons, history), &with_pieces(&others, helper), lapse_c);
        let own_years = own.seasons.len() as u32;
        let mut seasons = own.seasons;
        let lent = others.iter().filter(|other| seasons.iter().all(|own| own.season != other.season));
        let lent: Vec<PastSeason> = lent.map(|season| fit.fitted(season)).collect();
        let borrowed_years = lent.len() as u32;
        seasons.extend(lent);
        seasons.sort_by_key(|season| season.season);
        let projector = SeasonProjector::new(asked.profile.heat, SEASON_DAYS, &seasons, asked.season);
        let common_days = match fit.by {
            BorrowedBy::CommonDays(days) => Some(days),
            BorrowedBy::Elevation => None,
        };
        let how = Borrowed {
            station: helper.station.id.clone(),
            name: helper.station.name.clone(),
            own_years,
            borrowed_years,
            common_days,
            low_confidence: own_years == 0 || common_days.is_none() || !near,
        };
        Self { seasons, from: own.from, borrowed: Some(how), projector, skill: Arc::default() }
    }
}

/// Every season on record, this one included, as far as it goes: days that were not observed are no numbers.
fn pieces(history: &StationHistory, asked: &Asked<'_>, known: Known) -> Vec<PastSeason> {
    let Asked { profile, rules, .. } = *asked;
    let normals = Normals::around(&history.record, known, &history.station.sources, asked.season);
    let member = Member { station: &history.station, record: &history.record, normals: &normals };
    let unknown = DayTemperatures { min_c: f64::NAN, max_c: f64::NAN };
    let years = history.record.years();
    years
        .into_iter()
        .map(|year| {
            let (first, last) = (profile.first_day(year), profile.last_day(year));
            let days = prepare::season_days(&member, &[], rules, known, first, last + Days::new(1)).days;
            let of_day = |day: &FilledDay| if day.origin.is_real() { day.temperatures } else { unknown };
            PastSeason { season: year, first, days: days.iter().map(of_day).collect() }
        })
        .collect()
}

/// Days that the calendar's mean stands in for.
pub fn made_up_days(years: &[prepare::PastYear]) -> BTreeSet<NaiveDate> {
    let days = years.iter().flat_map(|year| &year.days);
    days.filter(|day| day.origin == DayOrigin::Climatology).map(|day| day.day).collect()
}

/// Calendar years joined and cut into the profile's seasons, the season itself left out, and of the others those that
/// can serve as futures.
pub fn past_seasons(profile: &Profile, season: i32, years: &[prepare::PastYear]) -> Vec<PastSeason> {
    let days: Vec<FilledDay> = years.iter().flat_map(|year| year.days.iter().cloned()).collect();
    years
        .iter()
        .map(|year| year.year)
        .filter(|year| *year != season)
        .filter_map(|year| {
            let (first, last) = (profile.first_day(year), profile.last_day(year));
            let from = days.partition_point(|day| day.day < first);
            let to = days.partition_point(|day| day.day <= last);
            let of_season = days.get(from..to)?;
            is_whole_past_season(profile, year, of_season, MOST_CLIMATOLOGY).then_some(())?;
            let days = of_season.iter().map(|day| day.temperatures).collect();
            Some(PastSeason { season: year, first, days })
        })
        .collect()
}
