//! A region seen before it is saved: how its past seasons would have gone, between which others it would stand, whom it would
//! reach, and which of its ZIP codes others have. Nothing is written.

use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

use super::app::App;
use super::caches::{RecordCache, SeasonCache};
use super::past_cache::{PastCache, Watch};
use super::region_fault::RegionFault;
use crate::assessment::past::{Asked, StationHistory, StationPast};
use crate::assessment::past_dates::{Opening, Usual, usual};
use crate::assessment::place_past::{PastRow, PlacePast, notice_scores};
use crate::assessment::rehearsal::NoticeScores;
use crate::band::Band;
use crate::geo::distance_km;
use crate::region::{Region, RegionId, Zip};
use crate::season::outlook::ForecastSkill;
use crate::season::{Borrowed, PastScore, Policy, Profile, days_between};
use crate::store::Store;
use crate::store::waiting_zips::Waiting;
use crate::weather::normals::Normals;
use crate::weather::prepare::{self, Member};
use crate::weather::record::Known;
use crate::weather::settings::WeatherConfig;
use crate::weather::{Station, StationId};

/// Regions are compared with so many of the nearest.
const NEAREST: usize = 12;

/// All that is shown of a region before it is saved.
#[derive(Clone, Debug, Serialize)]
pub struct Preview {
    pub region: Region,
    /// The one that has the shown seasons before it.
    pub season: i32,
    pub station: Station,
    /// From the region to its station.
    pub station_km: f64,
    /// Whose past years stand in, if not the station's own alone.
    pub borrowed: Option<Borrowed>,
    /// The past thirty seasons, as far as they are on record.
    pub seasons: Vec<PastRow>,
    /// Those among them, from the first on, that are not on record or of which too much is missing.
    pub left_out: Vec<i32>,
    pub notices: Option<NoticeScores>,
    /// How far off projections of the day on which the window opens were, by days before it, over all seasons on record.
    pub off: Vec<PastScore>,
    /// When the window opens in a usual year.
    pub usual: Option<Usual>,
    /// The nearest others of the same profile, in the order of their usual days; those without one last.
    pub others: Vec<OtherRegion>,
    pub waiting: Waiting,
    /// ZIP codes that other regions have: such a region is not saved.
    pub conflicts: Vec<TakenZip>,
}

/// Another region beside the new one.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OtherRegion {
    pub region: RegionId,
    pub name: String,
    pub elevation_m: f64,
    pub km: f64,
    pub usual: Option<Usual>,
    /// By so many days its window usually opens after the new one's; negative before.
    pub days_after: Option<i64>,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TakenZip {
    pub zip: Zip,
    pub region: RegionId,
    pub name: String,
}

/// Looks at regions one after another; what several of them need is read and worked out once.
pub struct Previews<'a> {
    app: &'a App,
    /// With the store that holds the stations of the region looked at and their records.
    own: App,
    records: RecordCache,
    seasons: SeasonCache,
    past: PastCache,
    /// By profile and station.
    lived: HashMap<(String, StationId), Arc<Lived>>,
    /// Regions that are saved together with the one looked at: a ZIP code may move between them.
    together: Vec<RegionId>,
}

/// A station's past, lived through.
struct Lived {
    borrowed: Option<Borrowed>,
    rows: Vec<PastRow>,
    left_out: Vec<i32>,
    openings: Vec<Opening>,
    skill: Arc<ForecastSkill>,
}

impl<'a> Previews<'a> {
    pub fn new(app: &'a App, together: &[Region]) -> Self {
        Self {
            app,
            own: app.clone(),
            records: RecordCache::new(app.store.clone()),
            seasons: SeasonCache::default(),
            past: PastCache::default(),
            lived: HashMap::new(),
            together: together.iter().map(|region| region.id.clone()).collect(),
        }
    }

    /// Of a region that is tried out: its stations and their records lie in a store of their own.
    pub fn in_trial(app: &'a App, trial: &Store) -> Self {
        let own = App { store: trial.clone(), templates: app.templates.held(), ..app.clone() };
        Self { own, records: RecordCache::new(trial.clone()), ..Self::new(app, &[]) }
    }

    /// With the store that holds the stations of the region looked at.
    pub fn own(&self) -> &App {
        &self.own
    }

    /// One region, saved or not. Its stations must be in the store.
    ///
    /// # Errors
    /// An unknown profile or station, no station at all, or a store that cannot be read.
    pub async fn of(&mut self, region: &Region, watch: &Watch) -> Result<Preview, RegionFault> {
        let app = self.app;
        let profile =
            app.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
        let now = app.clock.now();
        let today = now.with_timezone(&region.time_zone).date_naive();
        let season = profile.season_of(today);
        let own = region.stations.first().ok_or(RegionFault::NoStation)?;
        for id in &region.stations {
            self.own.store.station(id).await?;
        }
        let conflicts = self.conflicts(region).await?;
        let waiting = app.store.waiting(&region.zips).await?;
        let lived = self.lived(&profile, own, season, (now, today), watch).await?;
        let usual = usual(&profile, season, &lived.openings);
        let others = self.others(region, &profile, season, usual, now).await?;
        let station = self.own.store.station(own).await?;
        Ok(Preview {
            region: region.clone(),
            season,
            station_km: distance_km(region.place, station.place),
            station,
            borrowed: lived.borrowed.clone(),
            seasons: lived.rows.clone(),
            left_out: lived.left_out.clone(),
            notices: notice_scores(&lived.rows),
            off: lived.skill.rows(&profile.window.opens).to_vec(),
            usual,
            others,
            waiting,
            conflicts,
        })
    }

    async fn conflicts(&self, region: &Region) -> Result<Vec<TakenZip>, RegionFault> {
        let mut taken = Vec::new();
        for other in self.app.store.regions().await? {
            let apart = !Band::meet(region.band.as_ref(), other.band.as_ref());
            if other.id == region.id || self.together.contains(&other.id) || apart {
                continue;
            }
            for zip in other.zips.iter().filter(|zip| region.zips.contains(zip)) {
                taken.push(TakenZip { zip: zip.clone(), region: other.id.clone(), name: other.name.clone() });
            }
        }
        taken.sort_by(|a, b| a.zip.cmp(&b.zip));
        Ok(taken)
    }

    async fn lived(
        &mut self,
        profile: &Arc<Profile>,
        station: &StationId,
        season: i32,
        (now, today): (DateTime<Utc>, NaiveDate),
        watch: &Watch,
    ) -> Result<Arc<Lived>, RegionFault> {
        let key = (profile.id.clone(), station.clone());
        if let Some(lived) = self.lived.get(&key) {
            return Ok(Arc::clone(lived));
        }
        let history = self.records.get(station).await?;
        let rules = &self.app.config.weather;
        let known = Known::At { instant: now, bulk_latency_days: rules.bulk_latency_days };
        let asked = Asked { profile, season, rules, known };
        let past = self.seasons.past(&self.own, &mut self.records, &history, &asked, today).await?;
        let (profile, rules, watch) = (Arc::clone(profile), rules.clone(), Arc::clone(watch));
        let policy = self.app.config.policy.clone();
        // Nobody waits any more when a draft is given up: then the work ends, too.
        let wanted = Arc::new(());
        let is_wanted = Arc::downgrade(&wanted);
        let work = move || {
            let is_wanted = || is_wanted.strong_count() > 0;
            live(&profile, &policy, &rules, season, known, &history, &past, &watch, &is_wanted)
        };
        let lived = Arc::new(tokio::task::spawn_blocking(work).await?);
        drop(wanted);
        self.lived.insert(key, Arc::clone(&lived));
        Ok(lived)
    }

    async fn others(
        &mut self,
        region: &Region,
        profile: &Arc<Profile>,
        season: i32,
        here: Option<Usual>,
        now: DateTime<Utc>,
    ) -> Result<Vec<OtherRegion>, RegionFault> {
        let all = self.app.store.regions().await?.into_iter();
        let mut near: Vec<(f64, Region)> = all
            .filter(|other| other.id != region.id && other.profile == region.profile)
            .map(|other| (distance_km(region.place, other.place), other))
            .collect();
        near.sort_by(|a, b| a.0.total_cmp(&b.0));
        near.truncate(NEAREST);
        let mut others = Vec::with_capacity(near.len());
        for (km, other) in near {
            let usual = match other.stations.first() {
                Some(id) => self.past.get(self.app, profile, id, season, now).await?.usual,
                None => None,
            };
            others.push(OtherRegion {
                days_after: here.zip(usual).map(|(here, there)| days_between(here.opens, there.opens)),
                region: other.id,
                name: other.name,
                elevation_m: other.elevation_m,
                km,
                usual,
            });
        }
        others.sort_by(|a, b| {
            let day = |of: &OtherRegion| of.usual.map_or(NaiveDate::MAX, |usual| usual.opens);
            day(a).cmp(&day(b)).then(a.elevation_m.total_cmp(&b.elevation_m))
        });
        Ok(others)
    }
}

/// Every past season of a station, as many at once as the machine has processors; no more of them when nobody wants them.
#[expect(clippy::too_many_arguments, reason = "what a thread of its own works on")]
fn live(
    profile: &Profile,
    policy: &Policy,
    rules: &WeatherConfig,
    season: i32,
    known: Known,
    history: &StationHistory,
    past: &StationPast,
    watch: &Watch,
    is_wanted: &(dyn Fn() -> bool + Sync),
) -> Lived {
    let normals = Normals::around(&history.record, known, &history.station.sources, season);
    let member = Member { station: &history.station, record: &history.record, normals: &normals };
    let years = prepare::past_years(&member, rules, known, season);
    // Later years than the season itself stand in where few lie before it; they are no past of the place.
    let place = PlacePast::new(profile, policy, season, &past.seasons, &years);
    let wanted: Vec<i32> = place.seasons().collect();
    let (next, done, rows) = (AtomicUsize::new(0), AtomicU64::new(0), Mutex::new(Vec::with_capacity(wanted.len())));
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(wanted.len());
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                while let Some(season) = wanted.get(next.fetch_add(1, Ordering::Relaxed)).filter(|_| is_wanted()) {
                    let row = place.row(*season);
                    rows.lock().unwrap_or_else(PoisonError::into_inner).extend(row);
                    watch(done.fetch_add(1, Ordering::Relaxed) + 1, wanted.len() as u64);
                }
            });
        }
    });
    let mut rows = rows.into_inner().unwrap_or_else(PoisonError::into_inner);
    rows.sort_by_key(|row| row.season);
    Lived {
        borrowed: past.borrowed.clone(),
        rows,
        left_out: place.left_out(),
        openings: place.openings().to_vec(),
        skill: Arc::clone(&past.skill),
    }
}
