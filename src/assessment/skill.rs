//! How good projections have been at a station: what widens the intervals of the outlook, and what stands beside them.
//!
//! `verify` and the outlook share this file, so that the intervals people see are made as the ones that were scored: a
//! season's spread is widened by what the projections of *all other* judged seasons lacked. To a season that is under way
//! all past ones are other seasons.

use std::collections::{BTreeSet, HashMap};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::NaiveDate;
use sha2::{Digest, Sha256};

use crate::heat::hindcast::{self, AssumedForecast, DRESSING_LEADS, LEADS, Verified};
use crate::heat::projection::{Dressing, PastSeason, Projector};
use crate::season::outlook::heat_sum_of;
pub use crate::season::outlook::{ForecastRecord, StageRecord}; // moved
use crate::season::profile::Need;
use crate::season::{PastScore, Profile, StageId};

/// Fewer judged seasons than this say nothing of how good a projection is.
pub const SEASONS_NEEDED: usize = 10;

/// Days before an event at which the record that stands beside an outlook is kept: those of `verify` and two farther ones.
pub const RECORD_LEADS: [u32; 9] = {
    let [a, b, c, d, e, f, g] = LEADS;
    [70, 56, a, b, c, d, e, f, g]
};

/// The past seasons that can be judged: whole to the profile's last heat without the calendar's mean, which says nothing
/// of what a year's weather did, and in which the window opened.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Judged {
    /// Season and the day on which the window opened.
    pub openings: Vec<(i32, NaiveDate)>,
    /// Seasons as whole in which it never did.
    pub never_opened: u32,
}

impl Judged {
    /// `target`: °C·day that open the window; `made_up`: days filled with the calendar's mean.
    pub fn of(profile: &Profile, projector: &Projector, target: f64, made_up: &BTreeSet<NaiveDate>) -> Self {
        let last_heat = heat_stages(profile).map(|(_, sum)| sum).fold(target, f64::max);
        let mut judged = Self::default();
        for season in projector.seasons() {
            let (first, last) = (profile.first_day(season), profile.last_day(season));
            let judged_to = hindcast::event(projector, season, last_heat).map_or(last, |(_, day)| day);
            match hindcast::event(projector, season, target) {
                _ if made_up.range(first..=judged_to).next().is_some() => {}
                Some((_, day)) => judged.openings.push((season, day)),
                None => judged.never_opened += 1,
            }
        }
        judged
    }

    pub fn seasons(&self) -> Vec<i32> {
        self.openings.iter().map(|(season, _)| *season).collect()
    }
}

/// What projections without widening did in the judged seasons, near and far.
pub struct Residuals(Vec<Verified>);

impl Residuals {
    pub fn of(projector: &Projector, seasons: &[i32], target: f64) -> Self {
        let (none, plain) = (AssumedForecast::None, Dressing::default());
        Self(hindcast::hindcast(projector, seasons, target, &DRESSING_LEADS, none, &plain))
    }

    /// What a season's spread is widened by: made of all other seasons.
    pub fn dressing_for(&self, season: i32) -> Dressing {
        let others: Vec<Verified> = self.0.iter().filter(|one| one.season != season).cloned().collect();
        hindcast::dressing(&others)
    }
}

impl ForecastRecord {
    /// Takes about a second for a station of a hundred years; see [`RecordShelf`].
    pub fn of(profile: &Profile, projector: &Projector, made_up: &BTreeSet<NaiveDate>) -> Self {
        let Some(target) = heat_sum_of(profile, &profile.window.opens) else { return Self::default() };
        let seasons = Judged::of(profile, projector, target, made_up).seasons();
        if seasons.len() < SEASONS_NEEDED {
            return Self::default();
        }
        let residuals = Residuals::of(projector, &seasons, target);
        let stages = heat_stages(profile).map(|(stage, sum)| {
            let (none, dressing) = (AssumedForecast::None, |season| residuals.dressing_for(season));
            let scored = hindcast::hindcast_dressed(projector, &seasons, sum, &RECORD_LEADS, none, dressing);
            let rows = hindcast::by_lead(&scored, &RECORD_LEADS);
            let enough = rows.into_iter().filter(|row| row.projections as usize >= SEASONS_NEEDED);
            let rows = enough.map(|row| PastScore {
                lead_days: row.lead,
                n: row.projections,
                bias_days: row.bias_days,
                mae_days: row.mae_days,
                crps_days: row.crps_days,
                skill: row.skill,
                held: row.held,
            });
            StageRecord { stage, rows: rows.collect() }
        });
        let stages = stages.collect();
        let dressing = hindcast::dressing(&residuals.0);
        Self {
            seasons: seasons.len() as u32,
            first_season: seasons.iter().min().copied(),
            last_season: seasons.iter().max().copied(),
            widened: !dressing.0.is_empty(),
            dressing,
            stages,
        }
    }
}

/// Stages that heat alone brings, with their sums from the biofix.
fn heat_stages(profile: &Profile) -> impl Iterator<Item = (StageId, f64)> {
    profile
        .stages
        .iter()
        .filter(|stage| matches!(stage.need, Need::DegreeDays(_)))
        .filter_map(|stage| Some((stage.id.clone(), heat_sum_of(profile, &stage.id)?)))
}

/// Records worked out by this process, by the temperatures and the profile they were worked out from: as long as a
/// station's past stays the same, its record is worked out once and not once a cycle.
#[derive(Default)]
pub struct RecordShelf(Mutex<HashMap<[u8; 32], Arc<ForecastRecord>>>);

/// A replay of many seasons asks for many pasts; a service for as many as it has stations.
const SHELF_HOLDS: usize = 2000;

impl RecordShelf {
    /// The record of these past seasons, from the shelf or worked out now.
    pub fn of(
        &self,
        profile: &Profile,
        projector: &Projector,
        past: &[PastSeason],
        made_up: &BTreeSet<NaiveDate>,
    ) -> Arc<ForecastRecord> {
        let key = key(profile, past, made_up);
        let shelf = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = shelf().get(&key) {
            return Arc::clone(known);
        }
        // Not under the lock: two at once may do the same work, and neither waits for another station's.
        let record = Arc::new(ForecastRecord::of(profile, projector, made_up));
        let mut shelf = shelf();
        if shelf.len() >= SHELF_HOLDS {
            shelf.clear();
        }
        shelf.insert(key, Arc::clone(&record));
        record
    }
}

/// All that a record rests on.
fn key(profile: &Profile, past: &[PastSeason], made_up: &BTreeSet<NaiveDate>) -> [u8; 32] {
    let mut digest = Sha256::new();
    digest.update(format!("{:?} {:?} {:?} {:?}", profile.biofix, profile.heat, profile.stages, profile.window));
    for season in past {
        digest.update(format!("{} {}", season.season, season.first));
        for day in &season.days {
            digest.update(day.min_c.to_bits().to_le_bytes());
            digest.update(day.max_c.to_bits().to_le_bytes());
        }
    }
    for day in made_up {
        digest.update(day.to_string());
    }
    digest.finalize().into()
}
