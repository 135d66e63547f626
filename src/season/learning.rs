//! What field reports teach of the heat that each stage needs.
//!
//! A report says of a stage that it had begun by a day, or had not; with the heat summed by then it is a look of
//! [`heat::belief`](crate::heat::belief). Only confirmed reports teach, only those of trees that have the insect count as
//! zeros, and one person counts once a season and stage.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::belief::{DRAWS, SeasonBelief};
use super::outlook::heat_sum_of;
use super::profile::{Need, Profile};
use super::{FieldReport, Observer, StageId};
use crate::heat::belief::{Look, PlaceLooks, Posterior, SeasonLooks, StagePrior, Sums, posterior};
use crate::region::RegionId;

/// How often a look at a tree finds a stage that is there, by who looks. Own judgement, no source: egg masses hide in bark
/// cracks and litter, and people who know the insect miss less.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize, Serialize)]
#[serde(default)]
pub struct Detection {
    /// Chance (0-1).
    pub staff: f64,
    pub owner: f64,
}

impl Default for Detection {
    fn default() -> Self {
        Self { staff: 0.9, owner: 0.7 }
    }
}

impl Detection {
    pub fn of(&self, observer: Observer) -> f64 {
        match observer {
            Observer::Staff => self.staff,
            Observer::Owner => self.owner,
        }
    }
}

/// A field report with the heat of its days, °C·day from the biofix to the end of the day, at its region.
#[derive(Clone, Debug, PartialEq)]
pub struct HeatedReport {
    pub report: FieldReport,
    pub season: i32,
    pub heat: f64,
    /// Of the look before on which nothing was there.
    pub nothing_heat: Option<f64>,
}

/// Why a report teaches nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Untaught {
    /// Nobody has confirmed it.
    Unconfirmed,
    SetAside,
    /// Learning from its season was frozen before it was confirmed.
    Frozen,
    /// The day of the look was not told.
    DayUnknown,
    /// The heat of its day is not known yet.
    HeatUnknown,
    /// It saw nothing at a tree of which nobody knows that it has the insect.
    NotInfested,
    /// The same person's other report of the season says more.
    SamePerson,
    /// What was learned from its season is in the profile's numbers already, with it or without it.
    InNumbers,
    /// It says nothing of a stage whose sum is in doubt.
    NoStage,
}

impl Untaught {
    /// In words, for staff.
    pub fn words(self) -> &'static str {
        match self {
            Untaught::Unconfirmed => "nobody has confirmed it",
            Untaught::SetAside => "staff set it aside",
            Untaught::Frozen => "learning from its season was frozen before it was confirmed",
            Untaught::DayUnknown => "the day of the look was not told",
            Untaught::HeatUnknown => "the heat of its day is not known yet",
            Untaught::NotInfested => "nobody knows that this tree has the insect",
            Untaught::SamePerson => "the same person's other report says more",
            Untaught::InNumbers => "what was learned from its season is in the profile's numbers already",
            Untaught::NoStage => "it says nothing of a stage whose sum is in doubt",
        }
    }
}

/// What a profile believes, stage by stage, given the reports.
#[derive(Clone)]
pub struct Learned {
    season: i32,
    stages: Vec<Option<LearnedStage>>,
    /// Of the stage that opens the window, this season.
    places: Places,
}

/// Places at which a stage was looked for in a season.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Places {
    /// It was seen there.
    pub sightings: u32,
    /// It was looked for in vain and not seen since.
    pub zeros: u32,
}

/// One stage of which the profile says how sure it is.
#[derive(Clone)]
pub struct LearnedStage {
    pub prior: StagePrior,
    /// What was seen of it, with the parent's sums where it counts from another stage.
    pub looks: Vec<SeasonLooks>,
    pub posterior: Posterior,
}

impl Learned {
    /// From the reports of this season and of those before that are not in the profile's numbers yet. The order of reports
    /// does not matter.
    pub fn from(profile: &Profile, season: i32, reports: &[HeatedReport], detection: &Detection) -> Self {
        let mut reports: Vec<&HeatedReport> =
            reports.iter().filter(|heated| teaches_in(profile, season, heated)).collect();
        reports.sort_by(|a, b| a.report.id.cmp(&b.report.id));
        let mut stages: Vec<Option<LearnedStage>> = Vec::with_capacity(profile.stages.len());
        for stage in &profile.stages {
            let prior = match (&stage.spread, stage.need) {
                (Some(spread), Need::DegreeDays(mean)) => {
                    StagePrior::new(mean, spread.belief_c, spread.places_c, spread.years_c).ok()
                }
                _ => None,
            };
            let learned = prior.map(|prior| {
                let looks = looks_of(profile, &stage.id, &reports, &stages, detection);
                let posterior = posterior(&prior, &looks);
                LearnedStage { prior, looks, posterior }
            });
            stages.push(learned);
        }
        let places = places(&counted(profile, &profile.window.opens, &reports), season);
        Self { season, stages, places }
    }

    /// What the profile alone says.
    pub fn prior(profile: &Profile, season: i32) -> Self {
        Self::from(profile, season, &[], &Detection::default())
    }

    pub fn season(&self) -> i32 {
        self.season
    }

    /// By the stage's place in the profile.
    pub fn stage(&self, rank: usize) -> Option<&LearnedStage> {
        self.stages.get(rank)?.as_ref()
    }

    /// Where the stage that opens the window was looked for this season.
    pub fn places(&self) -> Places {
        self.places
    }

    /// The ids of the reports of some seasons that say something of any stage.
    pub fn teachers(&self, seasons: impl Fn(i32) -> bool) -> BTreeSet<&str> {
        let looks = self.stages.iter().flatten().flat_map(|stage| &stage.looks);
        let places = looks.filter(|of| seasons(of.season)).flat_map(|of| &of.places);
        places.flat_map(|place| &place.looks).map(Look::id).collect()
    }

    /// Why a report, whatever its standing, teaches nothing; `None` of one that does.
    pub fn untaught(&self, profile: &Profile, heated: &HeatedReport) -> Option<Untaught> {
        let report = &heated.report;
        let known = |id: &Option<StageId>| id.as_ref().is_some_and(|id| profile.stage(id).is_some());
        if self.teachers(|season| season == heated.season).contains(report.id.as_str()) {
            return None;
        }
        Some(if !report.confirmed {
            Untaught::Unconfirmed
        } else if profile.is_learned_from(heated.season) {
            Untaught::InNumbers
        } else if !known(&report.stage) && known(&report.not_yet) && report.infested != Some(true) {
            Untaught::NotInfested
        } else if profile.stages.iter().any(|stage| !looks_at(profile, &stage.id, heated).is_empty()) {
            Untaught::SamePerson
        } else {
            Untaught::NoStage
        })
    }

    /// What is believed at one region.
    pub fn of_region(&self, profile: &Profile, region: &RegionId) -> SeasonBelief {
        let values = self.stages.iter().map(|stage| {
            let stage = stage.as_ref()?;
            Some(stage.posterior.of_place(self.season, region.as_str()).quantiles(DRAWS))
        });
        SeasonBelief::of(profile, values.collect())
    }
}

fn teaches_in(profile: &Profile, season: i32, heated: &HeatedReport) -> bool {
    heated.report.confirmed && heated.season <= season && !profile.is_learned_from(heated.season)
}

/// The looks that say something of a stage, by season and region.
fn looks_of(
    profile: &Profile,
    stage: &StageId,
    reports: &[&HeatedReport],
    before: &[Option<LearnedStage>],
    detection: &Detection,
) -> Vec<SeasonLooks> {
    let mut places: BTreeMap<(i32, &RegionId), Vec<Look>> = BTreeMap::new();
    for Counted { heated, seen, heat } in counted(profile, stage, reports) {
        let chance = detection.of(heated.report.observer);
        // A heat or a chance that is no number says nothing.
        let Ok(look) = Look::new(heated.report.id.clone(), heat, seen, chance) else { continue };
        places.entry((heated.season, &heated.report.region)).or_default().push(look);
    }
    let mut seasons: BTreeMap<i32, Vec<PlaceLooks>> = BTreeMap::new();
    for ((season, region), looks) in places {
        let parent = parent_sums(profile, stage, before, season, region);
        let place = PlaceLooks { place: region.to_string(), parent, looks };
        seasons.entry(season).or_default().push(place);
    }
    seasons.into_iter().map(|(season, places)| SeasonLooks { season, places }).collect()
}

/// What one report says of a stage at one heat.
#[derive(Clone, Copy)]
struct Counted<'a> {
    heated: &'a HeatedReport,
    seen: bool,
    heat: f64,
}

/// What a report says of a stage, whoever else says something: none, one or two looks.
fn looks_at<'a>(profile: &Profile, stage: &StageId, heated: &'a HeatedReport) -> Vec<Counted<'a>> {
    let report = &heated.report;
    let look = |seen, heat| Counted { heated, seen, heat };
    // A later stage shows this one too, if the profile has them in one line.
    if follows(profile, report.stage.as_ref(), stage) {
        // A tree that shows the stage has the insect, so the empty look before counts: of what was seen now, and of nothing
        // that came before it.
        let empty = heated.nothing_heat.filter(|_| report.stage.as_ref() == Some(stage));
        let seen = Some(look(true, heated.heat));
        return seen.into_iter().chain(empty.map(|heat| look(false, heat))).collect();
    }
    if report.not_yet.as_ref() == Some(stage) && report.infested == Some(true) {
        return vec![look(false, heated.heat)];
    }
    Vec::new()
}

/// The looks that count. Of one person's, the first sighting and the last zero of a season.
fn counted<'a>(profile: &Profile, stage: &StageId, reports: &[&'a HeatedReport]) -> Vec<Counted<'a>> {
    let mut kept: BTreeMap<(i32, &str, bool), Counted<'a>> = BTreeMap::new();
    let mut all = Vec::new();
    for look in reports.iter().flat_map(|heated| looks_at(profile, stage, heated)) {
        let Counted { heated, seen, heat } = look;
        let Some(person) = heated.report.person.as_deref() else {
            all.push(look);
            continue;
        };
        let better = |old: &Counted<'_>| {
            let more = if seen { heat < old.heat } else { heat > old.heat };
            more || (heat == old.heat && heated.report.id < old.heated.report.id)
        };
        let key = (heated.season, person, seen);
        if kept.get(&key).is_none_or(better) {
            kept.insert(key, look);
        }
    }
    all.extend(kept.into_values());
    all
}

fn places(looks: &[Counted<'_>], season: i32) -> Places {
    let mut seen: BTreeMap<(&RegionId, &str), bool> = BTreeMap::new();
    for look in looks.iter().filter(|look| look.heated.season == season) {
        let report = &look.heated.report;
        *seen.entry((&report.region, report.tree_key())).or_default() |= look.seen;
    }
    let count = |wanted: bool| seen.values().filter(|seen| **seen == wanted).count() as u32;
    Places { sightings: count(true), zeros: count(false) }
}

/// Whether `stage` is `other` or counts from it, directly or over others.
fn follows(profile: &Profile, stage: Option<&StageId>, other: &StageId) -> bool {
    let mut stage = stage.and_then(|id| profile.stage(id));
    // A stage counts from an earlier one, so the chain ends; the bound is for a profile made by hand.
    for _ in 0..profile.stages.len() {
        let Some(this) = stage else { return false };
        if this.id == *other {
            return true;
        }
        stage = this.after.as_ref().and_then(|after| profile.stage(after));
    }
    false
}

/// Sums from the biofix at which the stage before came at a place; `None` for a stage that counts from the biofix.
fn parent_sums(
    profile: &Profile,
    stage: &StageId,
    before: &[Option<LearnedStage>],
    season: i32,
    region: &RegionId,
) -> Option<Sums> {
    let parent = profile.stage(stage)?.after.as_ref()?;
    let from_biofix = heat_sum_of(profile, parent)?;
    let learned = profile.rank(parent).and_then(|rank| before.get(rank)).and_then(Option::as_ref);
    match learned {
        // Only a parent that counts from the biofix itself is looked at with its doubt.
        Some(learned) if profile.stage(parent).is_some_and(|parent| parent.after.is_none()) => {
            Some(learned.posterior.of_place(season, region.as_str()))
        }
        _ => Sums::exactly(from_biofix),
    }
}

#[cfg(test)]
mod tests;
