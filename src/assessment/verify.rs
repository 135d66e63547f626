//! How good the projection and the notices have been at a station: every past season of its record, each left out of its
//! own projection whole.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rayon::prelude::*;
use serde::Serialize;

use crate::assessment::past::{SEASON_DAYS, StationHistory, made_up_days, past_seasons};
use crate::assessment::rehearsal;
use crate::assessment::rehearsal::{NoticeScores, Rehearsal};
pub use crate::assessment::skill::SEASONS_NEEDED;
use crate::assessment::skill::{Judged, Residuals};
use crate::heat::hindcast::{self, AssumedForecast, LEADS, LeadScore};
use crate::heat::projection::{Dressing, Projector};
use crate::id::StationId;
use crate::season::outlook::heat_sum_of;
use crate::season::{Policy, Profile, StageId};
use crate::weather::normals::Normals;
use crate::weather::prepare::{self, Member};
use crate::weather::record::Known;
use crate::weather::settings::WeatherConfig;

/// What is verified, and with which help.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    pub profile: &'a Profile,
    pub policy: &'a Policy,
    pub rules: &'a WeatherConfig,
    pub forecast: AssumedForecast,
}

/// One station's answer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StationReport {
    pub station: StationId,
    pub name: String,
    pub elevation_m: f64,
    /// Seasons that were projected: whole to the profile's last heat, and the window opened.
    pub seasons: u32,
    pub first_season: i32,
    pub last_season: i32,
    /// Whole seasons in which the window never opened.
    pub never_opened: u32,
    /// The spread fell short of the errors and was widened, each season by what all others showed.
    pub widened: bool,
    pub leads: Vec<LeadScore>,
    pub notices: NoticeScores,
    #[serde(skip)]
    pub rehearsals: Vec<Rehearsal>,
}

#[derive(Debug, thiserror::Error, PartialEq)]
pub enum VerifyError {
    #[error(
        "stage `{0}` of the profile opens the window after a wait by the calendar: there is no heat sum to project"
    )]
    NoHeatSum(StageId),
    #[error("station `{station}` has {seasons} whole past seasons, at least {SEASONS_NEEDED} are needed")]
    TooFewSeasons { station: StationId, seasons: usize },
}

/// A station's past seasons, ready to be verified.
pub struct Prepared<'a> {
    history: &'a StationHistory,
    question: Question<'a>,
    target: f64,
    pub(super) projector: Projector,
    /// Season and the day on which the window opened.
    pub(super) openings: Vec<(i32, NaiveDate)>,
    never_opened: u32,
}

impl<'a> Prepared<'a> {
    /// # Errors
    /// See [`VerifyError`].
    pub fn new(history: &'a StationHistory, question: Question<'a>) -> Result<Self, VerifyError> {
        let Question { profile, rules, .. } = question;
        let opens = &profile.window.opens;
        let target = heat_sum_of(profile, opens).ok_or_else(|| VerifyError::NoHeatSum(opens.clone()))?;

        let last_year = history.record.years().last().copied().unwrap_or(0);
        let sources = &history.station.sources;
        let normals = Normals::around(&history.record, Known::Everything, sources, last_year + 1);
        let member = Member { station: &history.station, record: &history.record, normals: &normals };
        let years = prepare::past_years(&member, rules, Known::Everything, last_year + 1);
        let made_up = made_up_days(&years);
        let past = past_seasons(profile, last_year + 1, &years);
        let projector = Projector::new(profile.heat, SEASON_DAYS, &past);

        let Judged { openings, never_opened } = Judged::of(profile, &projector, target, &made_up);
        if openings.len() < SEASONS_NEEDED {
            let station = history.station.id.clone();
            return Err(VerifyError::TooFewSeasons { station, seasons: openings.len() });
        }
        Ok(Self { history, question, target, projector, openings, never_opened })
    }

    /// How many seasons will be lived through.
    pub fn seasons(&self) -> usize {
        self.openings.len()
    }

    /// What each season's spread is widened by: made of all other seasons.
    pub(super) fn dressings(&self) -> BTreeMap<i32, Dressing> {
        let judged: Vec<i32> = self.openings.iter().map(|(season, _)| *season).collect();
        let residuals = Residuals::of(&self.projector, &judged, self.target);
        judged.into_iter().map(|season| (season, residuals.dressing_for(season))).collect()
    }

    /// Does the work, on all processors; `season_done` is called once a season.
    pub fn report(&self, season_done: &(dyn Fn() + Sync)) -> StationReport {
        let Question { profile, policy, forecast, .. } = self.question;
        let judged: Vec<i32> = self.openings.iter().map(|(season, _)| *season).collect();
        let dressings = self.dressings();
        let dressing_for = |season: i32| dressings.get(&season).cloned().unwrap_or_default();
        let verified =
            hindcast::hindcast_dressed(&self.projector, &judged, self.target, &LEADS, forecast, dressing_for);
        let live = |(season, opened): &(i32, NaiveDate)| {
            let dressing = dressing_for(*season);
            let lived = rehearsal::rehearse(profile, policy, &self.projector, *season, *opened, forecast, &dressing);
            season_done();
            lived
        };
        let rehearsals: Vec<Option<Rehearsal>> = self.openings.par_iter().map(live).collect();
        let rehearsals: Vec<Rehearsal> = rehearsals.into_iter().flatten().collect();
        let seasons = || self.openings.iter().map(|(season, _)| *season);
        StationReport {
            station: self.history.station.id.clone(),
            name: self.history.station.name.clone(),
            elevation_m: self.history.station.elevation_m,
            seasons: self.openings.len() as u32,
            first_season: seasons().min().unwrap_or_default(),
            last_season: seasons().max().unwrap_or_default(),
            never_opened: self.never_opened,
            widened: dressings.values().any(|dressing| !dressing.0.is_empty()),
            leads: hindcast::by_lead(&verified, &LEADS),
            notices: rehearsal::score(&rehearsals),
            rehearsals,
        }
    }
}

/// All stations together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Together {
    pub stations: u32,
    /// Plain means over stations; skill is the mean of the stations' own.
    pub leads: Vec<LeadScore>,
    /// Over all seasons of all stations.
    pub notices: NoticeScores,
}

/// What the stations come to together.
pub fn together(reports: &[StationReport]) -> Together {
    let leads: Vec<Vec<LeadScore>> = reports.iter().map(|report| report.leads.clone()).collect();
    let seasons: Vec<Rehearsal> = reports.iter().flat_map(|report| report.rehearsals.iter().copied()).collect();
    Together {
        stations: reports.len() as u32,
        leads: hindcast::mean_over_stations(&leads, &LEADS),
        notices: rehearsal::score(&seasons),
    }
}
