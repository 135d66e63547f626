//! What the store's field reports teach, brought to the pure learning.

use std::collections::{BTreeMap, HashSet};

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use tracing::warn;

use super::app::App;
use super::caches::{RecordCache, SeasonCache};
use super::region_fault::RegionFault;
use crate::assessment::past::Asked;
use crate::assessment::season_model::past_season_heat;
use crate::language::Language;
use crate::region::{Region, RegionId};
use crate::season::learning::{HeatedReport, Learned, Untaught};
use crate::season::phrases::date;
use crate::season::profile::Profile;
use crate::season::{FieldReport, HeatDay};
use crate::store::field_reports::{ReportStanding, StoredReport};
use crate::store::learning::Freeze;
use crate::store::{Store, StoreError};
use crate::text::Chain;
use crate::weather::record::Known;

/// What is believed of a profile in a season, and from which reports.
pub struct Lessons {
    pub learned: Learned,
    /// Without the reports of the season itself.
    pub earlier: Learned,
    /// Those that teach, with their heat.
    pub taught: Vec<HeatedReport>,
    /// Those that do not.
    pub untaught: Vec<(FieldReport, Untaught)>,
    /// The seasons that stood still.
    pub frozen: BTreeMap<i32, Freeze>,
}

impl Lessons {
    fn none(profile: &Profile, season: i32) -> Self {
        let learned = Learned::prior(profile, season);
        let (taught, untaught, frozen) = (Vec::new(), Vec::new(), BTreeMap::new());
        Self { earlier: learned.clone(), learned, taught, untaught, frozen }
    }

    /// Whether reports of the season itself teach.
    pub fn has_news(&self) -> bool {
        !self.learned.teachers(|season| season == self.learned.season()).is_empty()
    }
}

/// What is believed of a profile in a season at an instant, given the reports known and confirmed then. A region whose heat
/// cannot be had is left out with a line in the log.
///
/// # Errors
/// When the store fails.
pub async fn lessons(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    profile: &Profile,
    season: i32,
    now: DateTime<Utc>,
) -> Result<Lessons, RegionFault> {
    lessons_if(app, records, seasons, profile, season, now, None).await
}

/// As [`lessons`], if a report, kept or not, were confirmed now.
///
/// # Errors
/// As [`lessons`].
pub async fn lessons_if(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    profile: &Profile,
    season: i32,
    now: DateTime<Utc>,
    confirmed: Option<&StoredReport>,
) -> Result<Lessons, RegionFault> {
    if profile.stages.iter().all(|stage| stage.spread.is_none()) {
        return Ok(Lessons::none(profile, season));
    }
    let Gathered { reports, mut untaught, frozen } = gather(&app.store, profile, season, now, confirmed).await?;
    if reports.is_empty() && untaught.is_empty() {
        return Ok(Lessons { frozen, ..Lessons::none(profile, season) });
    }
    let regions: BTreeMap<RegionId, Region> =
        app.store.all_regions().await?.into_iter().map(|region| (region.id.clone(), region)).collect();
    let mut by_season: BTreeMap<(RegionId, i32), Vec<FieldReport>> = BTreeMap::new();
    for report in reports {
        let of = profile.season_of(report.observed_on);
        by_season.entry((report.region.clone(), of)).or_default().push(report);
    }
    let mut heated = Vec::new();
    for ((region, year), reports) in by_season {
        let line = match regions.get(&region) {
            Some(region) => heat_of(app, records, seasons, region, profile, (year, season), now).await,
            None => Ok(Vec::new()),
        };
        let line = line.unwrap_or_else(|why| {
            let why = Chain(&why);
            warn!(region.id = %region, season = year, "field reports of region `{region}` teach nothing now: {why}");
            Vec::new()
        });
        for report in reports {
            match with_heat(profile, year, &line, report) {
                Ok(report) => heated.push(report),
                Err(waits) => untaught.push((*waits, Untaught::HeatUnknown)),
            }
        }
    }
    let detection = &app.config.reports.detection;
    let learned = Learned::from(profile, season, &heated, detection);
    let earlier: Vec<HeatedReport> = heated.iter().filter(|heated| heated.season < season).cloned().collect();
    let earlier = Learned::from(profile, season, &earlier, detection);
    let mut taught = Vec::with_capacity(heated.len());
    for heated in heated {
        match learned.untaught(profile, &heated) {
            None => taught.push(heated),
            Some(why) => untaught.push((heated.report, why)),
        }
    }
    let key = |report: &FieldReport| (report.observed_on, report.region.clone(), report.id.clone());
    taught.sort_by_key(|heated| key(&heated.report));
    untaught.sort_by_key(|(report, _)| key(report));
    Ok(Lessons { learned, earlier, taught, untaught, frozen })
}

/// That a report which counts teaches nothing, since learning from its season stood still before; `None`: it may teach.
///
/// # Errors
/// When the store fails.
pub async fn frozen_words(app: &App, profile: &Profile, report: &StoredReport) -> Result<Option<String>, StoreError> {
    let season = profile.season_of(report.observed_on);
    let frozen = app.store.learning_freezes(&profile.id, app.clock.now()).await?;
    let freeze = frozen.get(&season).filter(|freeze| report.counts() && report.change.at > freeze.at);
    Ok(freeze.map(|freeze| {
        let at = freeze.at.date_naive();
        let (on, year) = (date(Language::En, at), at.year());
        format!("It teaches nothing about other regions: learning from season {season} is frozen since {on}, {year}.")
    }))
}

/// The reports that may teach, and those whose standing forbids it.
struct Gathered {
    reports: Vec<FieldReport>,
    untaught: Vec<(FieldReport, Untaught)>,
    frozen: BTreeMap<i32, Freeze>,
}

async fn gather(
    store: &Store,
    profile: &Profile,
    season: i32,
    now: DateTime<Utc>,
    confirmed: Option<&StoredReport>,
) -> Result<Gathered, StoreError> {
    let frozen = store.learning_freezes(&profile.id, now).await?;
    let fresh = profile.learned_through.map_or(NaiveDate::MIN, |through| profile.first_day(through.saturating_add(1)));
    let (from, to) = (fresh.min(profile.first_day(season)), profile.last_day(season));
    let mut known = store.field_reports_as_of(from, to, now).await?;
    if let Some(confirmed) = confirmed {
        // Its day may be another one than that which is kept.
        known.retain(|report| report.id != confirmed.id);
        if (from..=to).contains(&confirmed.observed_on) {
            known.push(StoredReport { standing: ReportStanding::Confirmed, ..confirmed.clone() });
        }
    }
    if known.is_empty() {
        return Ok(Gathered { reports: Vec::new(), untaught: Vec::new(), frozen });
    }
    let regions = store.all_regions().await?;
    let ours: HashSet<&RegionId> =
        regions.iter().filter(|region| region.profile == profile.id).map(|region| &region.id).collect();
    let (mut reports, mut untaught) = (Vec::new(), Vec::new());
    let mut then: BTreeMap<i32, Vec<StoredReport>> = BTreeMap::new();
    for (year, freeze) in &frozen {
        let (first, last) = (profile.first_day(*year), profile.last_day(*year));
        then.insert(*year, store.field_reports_as_of(first, last, freeze.at).await?);
    }
    for stored in known.into_iter().filter(|stored| ours.contains(&stored.region)) {
        let before = then.get(&profile.season_of(stored.observed_on));
        let standing = |stored: &StoredReport| match stored.standing {
            ReportStanding::Refused => Some(Untaught::SetAside),
            ReportStanding::New => Some(Untaught::Unconfirmed),
            ReportStanding::Confirmed if !stored.day_known => Some(Untaught::DayUnknown),
            ReportStanding::Confirmed => None,
        };
        let now = standing(&stored);
        match before.map(|all| all.iter().find(|of| of.id == stored.id).filter(|of| standing(of).is_none())) {
            // Frozen: as it stood then.
            Some(Some(then)) => reports.push(then.clone()),
            Some(None) => untaught.push((stored, now.unwrap_or(Untaught::Frozen))),
            None => match now {
                None => reports.push(stored),
                Some(why) => untaught.push((stored, why)),
            },
        }
    }
    let plain = |stored: StoredReport| {
        let counts = stored.counts();
        // Of one set aside the decision wants nothing; here it is shown.
        let report = StoredReport { standing: ReportStanding::New, ..stored }.for_decision()?;
        Some(FieldReport { confirmed: counts, ..report })
    };
    Ok(Gathered {
        reports: reports.into_iter().filter_map(plain).collect(),
        untaught: untaught.into_iter().filter_map(|(stored, why)| Some((plain(stored)?, why))).collect(),
        frozen,
    })
}

/// The heat of a region's season; `of` and the season under way.
async fn heat_of(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    region: &Region,
    profile: &Profile,
    (of, season): (i32, i32),
    now: DateTime<Utc>,
) -> Result<Vec<HeatDay>, RegionFault> {
    let rules = &app.config.weather;
    let today = now.with_timezone(&region.time_zone).date_naive();
    if of == season {
        let model = seasons.get(app, records, region, profile, season, now).await?;
        return Ok(model.heat(rules, now, today));
    }
    let mut histories = Vec::with_capacity(region.stations.len());
    for id in &region.stations {
        histories.push(records.get(id).await?);
    }
    let known = Known::At { instant: now, bulk_latency_days: rules.bulk_latency_days };
    Ok(past_season_heat(&Asked { profile, season: of, rules, known }, &histories, today))
}

/// The report again when the heat of its day is not known.
pub(super) fn with_heat(
    profile: &Profile,
    season: i32,
    line: &[HeatDay],
    report: FieldReport,
) -> Result<HeatedReport, Box<FieldReport>> {
    let on = |day: NaiveDate| line.iter().find(|of| of.day == day).map(|of| of.sum);
    let Some(heat) = on(report.observed_on) else { return Err(Box::new(report)) };
    // An empty look before the biofix says nothing.
    let nothing = report.nothing_on.filter(|day| *day >= profile.first_day(season) && *day < report.observed_on);
    let nothing_heat = nothing.and_then(on);
    Ok(HeatedReport { report, season, heat, nothing_heat })
}
