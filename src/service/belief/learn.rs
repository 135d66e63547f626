//! What is shown of a belief, gathered: stages, reports, regions.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use serde::Serialize;

use super::dates::RegionDates;
use super::{Chosen, regions_of};
use crate::heat::belief::{Against, Contradiction, Pull, Sums};
use crate::language::Language;
use crate::region::{Region, RegionId};
use crate::season::learning::{HeatedReport, Learned, LearnedStage, Places, Untaught};
use crate::season::phrases::date;
use crate::season::{FieldReport, Observer, Profile, StageId};
use crate::service::app::App;
use crate::service::assess::{At, Given, Untold, moved_days, with_reports};
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::learning::{Lessons, lessons};
use crate::service::past_cache::Watch;
use crate::service::region_fault::RegionFault;
use crate::store::field_reports::StoredReport;
use crate::store::learning::Freeze;
use crate::text::Chain;

/// Everything that is shown.
#[derive(Clone, Serialize)]
pub struct Belief {
    pub profile: String,
    pub version: u32,
    pub learned_through: Option<i32>,
    pub season: i32,
    pub as_of: DateTime<Utc>,
    pub frozen: Vec<FrozenSeason>,
    pub stages: Vec<StageBelief>,
    pub untaught: Vec<Idle>,
    pub places: PlacesShown,
    /// Before any report, so without what was seen in the region itself and without the notices that this brought up there, and
    /// with all of them.
    pub regions: Vec<RegionDates>,
    /// Regions that could not be looked at, and why.
    pub faults: Vec<String>,
    #[serde(skip)]
    pub learned: Learned,
}

impl Belief {
    /// In place of counts that are all 0 because what was seen lies in the numbers of a version that was adopted; for staff.
    pub fn since_adopted(&self) -> Option<String> {
        let through = self.learned_through?;
        let is_taught = self.stages.iter().any(|stage| !stage.reports.is_empty());
        (!is_taught).then(|| {
            format!(
                "Reports up to season {through} are in the numbers of version {}; since it was adopted nothing that teaches \
                 has been reported.",
                self.version
            )
        })
    }
}

#[derive(Clone, Serialize)]
pub struct FrozenSeason {
    pub season: i32,
    #[serde(flatten)]
    pub freeze: Freeze,
}

impl FrozenSeason {
    /// For people who read of the belief, in a sentence.
    pub fn in_words(&self, language: Language) -> String {
        let (season, at) = (self.season, self.freeze.at.date_naive());
        let (on, year) = (date(language, at), at.year());
        match language {
            Language::En => {
                format!("Learning from season {season} is frozen since {on}, {year}: later reports change nothing.")
            }
            Language::Es => format!(
                "El aprendizaje de la temporada {season} está congelado desde el {on} de {year}: las observaciones \
                 posteriores no cambian nada."
            ),
        }
    }
}

/// The seasons that stood still, up to the one that is shown.
pub fn frozen_seasons(frozen: &BTreeMap<i32, Freeze>, season: i32) -> Vec<FrozenSeason> {
    let shown = frozen.range(..=season);
    shown.map(|(season, freeze)| FrozenSeason { season: *season, freeze: freeze.clone() }).collect()
}

#[derive(Clone, Serialize)]
pub struct PlacesShown {
    pub sightings: u32,
    pub zeros: u32,
}

/// One stage of which the profile says how sure it is; °C·day.
#[derive(Clone, Serialize)]
pub struct StageBelief {
    pub stage: StageId,
    /// What the heat counts from; none: the biofix.
    pub after: Option<StageId>,
    pub places_c: f64,
    pub years_c: f64,
    pub before: Range,
    pub now: Range,
    pub reports: Vec<Teacher>,
    pub contradictions: Vec<Doubt>,
}

#[derive(Clone, Copy, Serialize)]
pub struct Range {
    pub mean: f64,
    pub sd: f64,
    pub early: f64,
    pub median: f64,
    pub late: f64,
}

impl From<&Sums> for Range {
    fn from(sums: &Sums) -> Self {
        let [early, median, late] = [0.1, 0.5, 0.9].map(|share| sums.quantile(share));
        Self { mean: sums.mean(), sd: sums.sd(), early, median, late }
    }
}

/// A report that says something of a stage. Heat is °C·day from the biofix.
#[derive(Clone, Serialize)]
pub struct Teacher {
    pub id: String,
    pub region: RegionId,
    pub season: i32,
    pub observed_on: NaiveDate,
    pub observer: Observer,
    /// The heat at which it was seen.
    pub seen_at: Option<f64>,
    /// The heat at which it was looked for in vain.
    pub not_yet_at: Option<f64>,
    /// By how much it moves the mean of our number, °C·day; above 0 is later.
    pub moves_number: f64,
    /// The same of its region's median in its season.
    pub moves_region: f64,
    /// By how many days it moves the region's likely date of this season.
    pub moves_days: Option<i64>,
}

#[derive(Clone, Serialize)]
pub struct Doubt {
    pub id: String,
    pub region: String,
    pub season: i32,
    pub seen: bool,
    pub heat: f64,
    /// The chance of it, given all others.
    pub chance: f64,
    /// The earlier sighting that it speaks against; none: all others together.
    pub against: Option<String>,
}

/// A report that teaches nothing.
#[derive(Clone, Serialize)]
pub struct Idle {
    #[serde(flatten)]
    pub report: FieldReport,
    pub why: Untaught,
}

/// A belief with the regions whose dates it tells.
pub struct Shown {
    pub belief: Belief,
    pub regions: Vec<Region>,
}

/// Gathers it for all regions of the profile.
///
/// # Errors
/// As [`gather`].
pub async fn shown_of(app: &App, chosen: &Chosen, watch: &Watch) -> Result<Shown, RegionFault> {
    let regions = regions_of(app, &chosen.profile).await?;
    let belief = gather(app, chosen, &regions, watch).await?;
    Ok(Shown { belief, regions })
}

/// Gathers it for some regions.
///
/// # Errors
/// When the reports cannot be brought to their heat; a region that cannot be looked at is named among the faults.
pub async fn gather(app: &App, chosen: &Chosen, regions: &[Region], watch: &Watch) -> Result<Belief, RegionFault> {
    let Chosen { profile, season, now, seen, .. } = chosen;
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let known = lessons(app, &mut records, &mut seasons, profile, *season, *now).await?;
    let Lessons { learned, taught, untaught, frozen, .. } = known;
    let prior = Learned::prior(profile, *season);

    let mut cache = CycleCache::default();
    let all = cache.reports(&app.store, profile, *season).await?;
    let none: &[FieldReport] = &[];
    let histories =
        app.store.field_report_histories(None, profile.first_day(*season), profile.last_day(*season)).await?;
    let of_then = histories.iter().filter_map(|history| {
        let report = history.as_of(*now).filter(StoredReport::counts)?;
        Some((report, history.first_confirmed(*now)?))
    });
    let counted: Vec<(StoredReport, DateTime<Utc>)> = of_then.collect();
    let teaches = |report: &StoredReport| taught.iter().any(|heated| heated.report.id == report.id);
    let untold: Vec<Untold<'_>> =
        counted.iter().map(|(report, since)| Untold { report, since: *since, teaches: teaches(report) }).collect();
    let (mut dates, mut faults) = (Vec::new(), Vec::new());
    let mut moved: Vec<(String, Vec<Option<i64>>)> = Vec::new();
    for (done, region) in (0..).zip(regions) {
        watch(done, regions.len() as u64);
        let at = At { region, profile, now: *seen };
        let here = |learned: &Learned| learned.of_region(profile, &region.id);
        // What was seen in a region fixes its dates, whatever is believed: before the reports, nothing was seen there.
        let (before, after) = (here(&prior), here(&learned));
        // Nor had anybody been told what they brought up.
        let before = Given { untold: &untold, ..Given::of(&before, none) };
        let known = [before, Given::of(&after, &all)];
        match with_reports(app, &mut records, &mut seasons, &mut cache, at, known).await {
            Ok([before, after]) => dates.push(RegionDates::of(region, (profile, &before), (profile, &after))),
            Err(why) => {
                faults.push(format!("region `{}`: {}", region.id, Chain(&why)));
                continue;
            }
        }
        for heated in taught.iter().filter(|heated| heated.report.region == region.id) {
            let others: Vec<HeatedReport> = taught.iter().filter(|other| *other != heated).cloned().collect();
            let without = Learned::from(profile, *season, &others, &app.config.reports.detection);
            let others: Vec<FieldReport> = all.iter().filter(|of| of.id != heated.report.id).cloned().collect();
            let without = here(&without);
            let known = [Given::of(&without, &others), Given::of(&after, &all)];
            // The region was just looked at.
            let Ok([without, with]) = with_reports(app, &mut records, &mut seasons, &mut cache, at, known).await else {
                continue;
            };
            let days = profile.stages.iter().map(|stage| moved_days(&without.outlook, &with.outlook, &stage.id));
            moved.push((heated.report.id.clone(), days.collect()));
        }
    }
    let days = |id: &str, rank: usize| {
        moved.iter().find(|(of, _)| of == id).and_then(|(_, days)| days.get(rank).copied().flatten())
    };
    let stages = (0..profile.stages.len())
        .filter_map(|rank| Some(stage_belief(profile, rank, learned.stage(rank)?, &taught, |id| days(id, rank))))
        .collect();
    let Places { sightings, zeros } = learned.places();
    Ok(Belief {
        profile: profile.id.clone(),
        version: profile.version,
        learned_through: profile.learned_through,
        season: *season,
        as_of: *now,
        frozen: frozen_seasons(&frozen, *season),
        stages,
        untaught: untaught.into_iter().map(|(report, why)| Idle { report, why }).collect(),
        places: PlacesShown { sightings, zeros },
        regions: dates,
        faults,
        learned,
    })
}

fn stage_belief(
    profile: &Profile,
    rank: usize,
    of: &LearnedStage,
    taught: &[HeatedReport],
    days: impl Fn(&str) -> Option<i64>,
) -> StageBelief {
    let stage = profile.stages.get(rank);
    let posterior = &of.posterior;
    let mut reports = Vec::new();
    for heated in taught {
        let (id, region) = (heated.report.id.as_str(), heated.report.region.as_str());
        let looks = || {
            let seasons = of.looks.iter().filter(|looks| looks.season == heated.season);
            seasons.flat_map(|looks| &looks.places).flat_map(|place| &place.looks).filter(|look| look.id() == id)
        };
        if looks().next().is_none() {
            continue;
        }
        let heat = |seen: bool| looks().find(|look| look.seen() == seen).map(|look| look.heat());
        let Pull { belief_mean, place_median } = posterior.pull(id, heated.season, region);
        reports.push(Teacher {
            id: id.to_owned(),
            region: heated.report.region.clone(),
            season: heated.season,
            observed_on: heated.report.observed_on,
            observer: heated.report.observer,
            seen_at: heat(true),
            not_yet_at: heat(false),
            moves_number: belief_mean,
            moves_region: place_median,
            moves_days: days(id),
        });
    }
    StageBelief {
        stage: stage.map_or_else(|| StageId(String::new()), |stage| stage.id.clone()),
        after: stage.and_then(|stage| stage.after.clone()),
        places_c: of.prior.places_sd(),
        years_c: of.prior.years_sd(),
        before: Range {
            mean: of.prior.mean(),
            sd: of.prior.belief_sd(),
            ..Range::from(posterior_of_nothing(of).belief())
        },
        now: posterior.belief().into(),
        reports,
        contradictions: posterior.contradictions().into_iter().map(doubt).collect(),
    }
}

/// The belief before any report.
pub fn posterior_of_nothing(of: &LearnedStage) -> crate::heat::belief::Posterior {
    crate::heat::belief::posterior(&of.prior, &[])
}

fn doubt(found: Contradiction) -> Doubt {
    let Contradiction { season, place, look, against, chance } = found;
    Doubt {
        id: look.id().to_owned(),
        region: place,
        season,
        seen: look.seen(),
        heat: look.heat(),
        chance,
        against: match against {
            Against::Sighting(first) => Some(first.id().to_owned()),
            Against::Others => None,
        },
    }
}
