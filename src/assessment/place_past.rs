//! What the past tells of a place before it is trusted: every past season lived through, and how far off the projection was.
//!
//! Each season is left out of its own projection whole, its days are known on the next morning, and its spread is widened by
//! what all other seasons showed, as `verify` has it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use serde::Serialize;

use super::past::{SEASON_DAYS, made_up_days, past_seasons};
use super::past_dates::{Opening, normal_period, openings};
use super::rehearsal::{self, NoticeScores, Rehearsal};
use super::skill::{Judged, Residuals, SEASONS_NEEDED};
use crate::heat::DayOrigin;
use crate::heat::hindcast::{self, AssumedForecast};
use crate::heat::projection::{Dressing, PastSeason, Projector};
use crate::season::outlook::heat_sum_of;
use crate::season::{Policy, Profile};
use crate::weather::prepare::PastYear;

/// Days before our heat number was reached at which a season's projection is compared with what came: when a notice to get
/// ready goes out.
pub const OFF_LEAD_DAYS: u32 = 28;

/// A place's past, ready to be lived through season by season.
pub struct PlacePast<'a> {
    profile: &'a Profile,
    policy: &'a Policy,
    projector: Projector,
    openings: Vec<Opening>,
    /// None where too few seasons can be judged, or some are borrowed: then nothing is said of how far off they were.
    residuals: Option<(Residuals, BTreeSet<i32>)>,
    target: f64,
    /// The station's own seasons.
    own: BTreeMap<i32, OwnDays>,
    season: i32,
}

/// The days of a season of the station's own record, each with whether it was filled.
type OwnDays = Vec<(NaiveDate, bool)>;

/// One past season at the place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PastRow {
    pub season: i32,
    /// The day of our heat number; `None`: never.
    pub opened: Option<NaiveDate>,
    /// The notices as they would have gone out, and what they would have told.
    pub told: Option<Rehearsal>,
    /// By how many days the likely date was late [`OFF_LEAD_DAYS`] days before; below 0 early. `None` where that cannot be
    /// judged.
    pub off_days: Option<f64>,
    /// Days from the biofix to the last day to wash (where there is none to that of our number, else to the season's end) …
    pub days: u32,
    /// … and how many of them are not the station's own observations; all of them in a season borrowed from another station.
    pub filled_days: u32,
    pub borrowed: bool,
}

impl<'a> PlacePast<'a> {
    /// `past`: the station's seasons before `season`, borrowed ones included; `years`: its own, with what was filled.
    pub fn new(profile: &'a Profile, policy: &'a Policy, season: i32, past: &[PastSeason], years: &[PastYear]) -> Self {
        let projector = Projector::new(profile.heat, SEASON_DAYS, past);
        let target = heat_sum_of(profile, &profile.window.opens).unwrap_or(f64::INFINITY);
        let openings = openings(profile, past, normal_period(season));
        let own: BTreeMap<i32, OwnDays> = past_seasons(profile, season, years)
            .into_iter()
            .map(|own| {
                let (first, last) = (profile.first_day(own.season), profile.last_day(own.season));
                let of_season =
                    years.iter().flat_map(|year| &year.days).filter(|day| (first..=last).contains(&day.day));
                (own.season, of_season.map(|day| (day.day, day.origin != DayOrigin::Observed)).collect())
            })
            .collect();
        let is_own = past.iter().all(|past| own.contains_key(&past.season));
        let judged = Judged::of(profile, &projector, target, &made_up_days(years)).seasons();
        let residuals = (is_own && judged.len() >= SEASONS_NEEDED)
            .then(|| (Residuals::of(&projector, &judged, target), judged.into_iter().collect()));
        Self { profile, policy, projector, openings, residuals, target, own, season }
    }

    /// Those of the last thirty that are on record, ascending.
    pub fn seasons(&self) -> impl ExactSizeIterator<Item = i32> + '_ {
        self.openings.iter().map(|(season, _)| *season)
    }

    pub fn openings(&self) -> &[Opening] {
        &self.openings
    }

    /// Those of the last thirty since the place's first that cannot be told: not on record, or too much of them is missing.
    pub fn left_out(&self) -> Vec<i32> {
        let known: BTreeSet<i32> = self.seasons().collect();
        let Some(first) = known.first() else { return Vec::new() };
        (*first..self.season).filter(|season| !known.contains(season)).collect()
    }

    /// Lives through one of the [`PlacePast::seasons`].
    pub fn row(&self, season: i32) -> Option<PastRow> {
        let (_, opened) = self.openings.iter().find(|(of, _)| *of == season)?;
        let dressing = self.residuals.as_ref().map_or_else(Dressing::default, |(of, _)| of.dressing_for(season));
        let told = opened.and_then(|opened| {
            let (none, dressing) = (AssumedForecast::None, &dressing);
            rehearsal::rehearse(self.profile, self.policy, &self.projector, season, opened, none, dressing)
        });
        let is_judged = self.residuals.as_ref().is_some_and(|(_, judged)| judged.contains(&season));
        let off = || {
            let none = AssumedForecast::None;
            hindcast::hindcast(&self.projector, &[season], self.target, &[OFF_LEAD_DAYS], none, &dressing)
        };
        let off_days = if is_judged { off().first().map(|one| one.error_days) } else { None };
        let to = told.and_then(|told| told.wash_by).or(*opened).unwrap_or(self.profile.last_day(season));
        let first = self.profile.first_day(season);
        let own = self.own.get(&season);
        let filled = |own: &OwnDays| own.iter().filter(|(day, filled)| *day <= to && *filled).count() as u32;
        let days = u32::try_from((to - first).num_days() + 1).unwrap_or(0);
        let filled_days = own.map_or(days, filled);
        Some(PastRow { season, opened: *opened, told, off_days, days, filled_days, borrowed: own.is_none() })
    }
}

/// How the notices of these seasons came out; `None` where there were none.
pub fn notice_scores(rows: &[PastRow]) -> Option<NoticeScores> {
    let told: Vec<Rehearsal> = rows.iter().filter_map(|row| row.told).collect();
    (!told.is_empty()).then(|| rehearsal::score(&told))
}
