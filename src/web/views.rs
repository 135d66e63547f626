//! What the public pages know of all regions: worked out once for everybody, in the background, and kept.
//!
//! A page never waits for arithmetic but in the first moments after the start, or when nobody has asked for a long time.

use std::collections::{BTreeMap, HashMap};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError, RwLock};

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use tokio::runtime::Handle;
use tracing::{error, warn};

use super::Fault;
use crate::assessment::season_model::{Assessment, SeasonModel};
use crate::chart::{HeatUnit, Look, season_heat};
use crate::language::Language;
use crate::region::{Region, RegionId, Zip};
use crate::season::NoticeId;
use crate::season::decide::DecidedNotice;
use crate::season::lapse::HeightEffect;
use crate::season::status::{SeasonStanding, Shown};
use crate::season::{NoticeKind, NoticeStatus, Outlook, PastScore, Profile, WindowDays};
use crate::service::app::App;
use crate::service::assess;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::height_effect;
use crate::service::region_fault::RegionFault;
use crate::service::season_chart;
use crate::store::StoreError;
use crate::store::notices::{Notice, NoticeState};
use crate::text::Chain;
use crate::weather::feeds::acis_grid::{Grid, grid_of};
use crate::web::cache::CachedAnswer;

/// How often the store is asked whether there is news.
const LOOK_EVERY: TimeDelta = TimeDelta::seconds(15);
/// So old, the views are made anew whatever the store says: a day may have begun, somebody may have seen something.
const RENEW_AFTER: TimeDelta = TimeDelta::minutes(10);
/// Older ones are not shown while new ones are made.
const TOO_OLD: TimeDelta = TimeDelta::minutes(25);

/// Widths of the season's chart, CSS pixels.
pub(super) const CHART_WIDTHS: [u32; 3] = [340, 620, 900];

/// The season's steps in their order.
pub(super) const STEPS: [SeasonStanding; 6] = [
    SeasonStanding::Quiet,
    SeasonStanding::Ready,
    SeasonStanding::Look,
    SeasonStanding::Wash,
    SeasonStanding::Last,
    SeasonStanding::Over,
];

/// All regions as they stand.
pub(super) struct Views {
    pub made_at: DateTime<Utc>,
    /// In the order of their windows, those of which nothing is known last.
    pub regions: Vec<Arc<RegionView>>,
    by_id: HashMap<RegionId, Arc<RegionView>>,
    by_zip: HashMap<Zip, Vec<RegionId>>,
    signs: Signs,
    /// Answers made from these views so far, by path and language.
    answers: Mutex<HashMap<(String, Language), Arc<CachedAnswer>>>,
}

/// One region as the public sees it.
pub(super) struct RegionView {
    pub region: Region,
    pub profile: Profile,
    /// Where its season stands, as far as people are told.
    pub shown: Shown,
    /// The region's day on which it was looked at.
    pub today: NaiveDate,
    /// `None` when the region could not be assessed; the log says why.
    pub known: Option<Known>,
    /// Notices of the season that went out, in the order of their going.
    pub notices: Vec<Notice>,
}

/// What is known of a region that could be assessed.
pub(super) struct Known {
    pub outlook: Outlook,
    pub station: String,
    /// The grid whose estimates stand in for a station.
    pub grid: Option<Grid>,
    /// See [`RegionView::days`] for what is shown of them.
    pub days: WindowDays,
    /// How good projections of the window's opening have been; empty where there are too few past seasons to tell.
    pub skill: Vec<PastScore>,
    /// What height makes in days around here, where that can be measured.
    pub height_effect: Option<HeightEffect>,
    pub charts: HashMap<(Language, u32), Arc<CachedAnswer>>,
    /// The chance that eggs have begun to hatch is still below that from which on it is too late.
    pub is_hatch_to_come: bool,
}

/// What views are made from.
struct Source {
    app: App,
    /// The notices of a season that was played elsewhere, in place of those in the store.
    played: Option<Vec<Notice>>,
}

/// What in the store shows that the views are old.
#[derive(PartialEq)]
struct Signs {
    cycle: Option<DateTime<Utc>>,
    pulls: Option<DateTime<Utc>>,
    regions: Vec<Region>,
    /// Staff may let one go or hold it at any hour.
    notices: Vec<(NoticeId, NoticeStatus)>,
}

impl Signs {
    async fn read(source: &Source) -> Result<Self, StoreError> {
        let app = &source.app;
        let regions = app.store.regions().await?;
        Ok(Self {
            cycle: app.store.last_run("cycle").await?.and_then(|run| run.ended_at),
            pulls: app.store.last_pulls().await?.iter().map(|pull| pull.started_at).max(),
            notices: notices(source, &regions)
                .await?
                .values()
                .flatten()
                .map(|one| (one.id.clone(), one.status()))
                .collect(),
            regions,
        })
    }
}

/// The notices of each region's season under way, as they stand now.
async fn notices(source: &Source, regions: &[Region]) -> Result<BTreeMap<RegionId, Vec<Notice>>, StoreError> {
    let app = &source.app;
    let now = app.clock.now();
    let profiles = app.profiles.all();
    let mut seasons: Vec<(&Profile, i32)> = Vec::new();
    for region in regions {
        let Some(profile) = profiles.get(&region.profile) else { continue };
        let season = (profile, profile.season_of(now.with_timezone(&region.time_zone).date_naive()));
        if !seasons.iter().any(|(known, year)| (&known.id, *year) == (&season.0.id, season.1)) {
            seasons.push(season);
        }
    }
    let mut by_region: BTreeMap<RegionId, Vec<Notice>> = BTreeMap::new();
    for (profile, year) in seasons {
        let all = match &source.played {
            Some(played) => as_of(played, &profile.id, year, now),
            None => app.store.notices_of_season(&profile.id, year).await?,
        };
        for notice in all {
            by_region.entry(notice.season.region.clone()).or_default().push(notice);
        }
    }
    Ok(by_region)
}

/// The notices of a season as they stood at an instant.
fn as_of(played: &[Notice], profile: &str, year: i32, now: DateTime<Utc>) -> Vec<Notice> {
    let known = |notice: &&Notice| {
        (notice.season.profile.as_str(), notice.season.year) == (profile, year) && notice.decided_at <= now
    };
    let mut then: Vec<Notice> = played.iter().filter(known).cloned().collect();
    for notice in then.iter_mut().filter(|notice| notice.released_at().is_some_and(|at| at > now)) {
        notice.state = NoticeState::Waiting;
    }
    then
}

impl Views {
    pub fn region(&self, id: &RegionId) -> Option<&Arc<RegionView>> {
        self.by_id.get(id)
    }

    /// The regions that cover a ZIP code, from the lowest up.
    pub fn covering(&self, zip: &Zip) -> &[RegionId] {
        self.by_zip.get(zip).map_or(&[], Vec::as_slice)
    }

    /// An answer that was made before, or is made now. `path` must be one of a page that exists: what is asked for by any
    /// other would pile up.
    pub fn answer(
        &self,
        path: &str,
        language: Language,
        make: impl FnOnce() -> Result<CachedAnswer, Fault>,
    ) -> Result<Arc<CachedAnswer>, Fault> {
        let key = (path.to_owned(), language);
        if let Some(answer) = self.answers.lock().unwrap_or_else(PoisonError::into_inner).get(&key) {
            return Ok(Arc::clone(answer));
        }
        let made = Arc::new(make()?);
        self.answers.lock().unwrap_or_else(PoisonError::into_inner).insert(key, Arc::clone(&made));
        Ok(made)
    }
}

/// The views of now, and who makes the next ones. Cheap to clone.
#[derive(Clone)]
pub(super) struct RegionViews(Arc<Inner>);

struct Inner {
    source: Source,
    current: RwLock<Option<Arc<Views>>>,
    looked_at: Mutex<Option<DateTime<Utc>>>,
    /// Held by whoever makes views while others wait for them.
    making: tokio::sync::Mutex<()>,
    renewing: AtomicBool,
}

impl RegionViews {
    /// With the notices of a season that was played elsewhere, if any, in place of those in the store.
    pub fn new(app: App, played: Option<Vec<Notice>>) -> Self {
        Self(Arc::new(Inner {
            source: Source { app, played },
            current: RwLock::default(),
            looked_at: Mutex::default(),
            making: tokio::sync::Mutex::default(),
            renewing: AtomicBool::default(),
        }))
    }

    /// # Errors
    /// When there are none yet and the store fails.
    pub async fn get(&self) -> Result<Arc<Views>, Fault> {
        let now = self.now();
        let current = self.peek();
        let age = |views: &Arc<Views>| (now - views.made_at).abs();
        if let Some(views) = current.filter(|views| age(views) < TOO_OLD) {
            if self.is_time_to_look(now) && !self.0.renewing.swap(true, Ordering::AcqRel) {
                let this = self.clone();
                tokio::spawn(async move {
                    if let Err(why) = this.renew_if_old().await {
                        why.log();
                    }
                    this.0.renewing.store(false, Ordering::Release);
                });
            }
            return Ok(views);
        }
        // Made by a task of its own: whoever asked first may hang up, and the others still get them.
        let this = self.clone();
        let task = tokio::spawn(async move {
            let _turn = this.0.making.lock().await;
            match this.peek().filter(|views| (this.now() - views.made_at).abs() < TOO_OLD) {
                Some(views) => Ok(views),
                None => this.make().await,
            }
        });
        task.await.unwrap_or_else(|why| Err(Fault::Inside(format!("the views were not finished: {why}"))))
    }

    fn now(&self) -> DateTime<Utc> {
        self.0.source.app.clock.now()
    }

    fn peek(&self) -> Option<Arc<Views>> {
        self.0.current.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn is_time_to_look(&self, now: DateTime<Utc>) -> bool {
        let mut looked_at = self.0.looked_at.lock().unwrap_or_else(PoisonError::into_inner);
        let due = looked_at.is_none_or(|last| (now - last).abs() >= LOOK_EVERY);
        if due {
            *looked_at = Some(now);
        }
        due
    }

    async fn renew_if_old(&self) -> Result<(), Fault> {
        let Some(views) = self.peek() else { return Ok(()) };
        let old = (self.now() - views.made_at).abs() >= RENEW_AFTER;
        if old || Signs::read(&self.0.source).await? != views.signs {
            self.make().await?;
        }
        Ok(())
    }

    async fn make(&self) -> Result<Arc<Views>, Fault> {
        let this = self.clone();
        // Whole seasons are worked out: nobody's answer should stand behind that on one of the server's threads.
        let runtime = Handle::current();
        let work = tokio::task::spawn_blocking(move || runtime.block_on(views(&this.0.source)));
        let made = work.await.map_err(|why| Fault::Inside(format!("the views were cut off: {why}")))??;
        let made = Arc::new(made);
        *self.0.current.write().unwrap_or_else(PoisonError::into_inner) = Some(Arc::clone(&made));
        Ok(made)
    }
}

async fn views(source: &Source) -> Result<Views, StoreError> {
    let app = &source.app;
    if let Err(why) = app.profiles.renew(&app.store).await {
        error!("the profiles in use stay as they were: {}", Chain(&why));
    }
    let profiles = app.profiles.all();
    let (now, signs) = (app.clock.now(), Signs::read(source).await?);
    // Read anew each time: what the store holds may have been revised.
    let mut caches = Caches::new(app);
    let mut regions = Vec::with_capacity(signs.regions.len());
    let mut notices = notices(source, &signs.regions).await?;
    for region in &signs.regions {
        let Some(profile) = profiles.get(&region.profile) else {
            warn!(region.id = %region.id, "region `{}` has no page: its profile `{}` is not known", region.id, region.profile);
            continue;
        };
        let today = now.with_timezone(&region.time_zone).date_naive();
        let known = match known(app, &mut caches, region, profile, now).await {
            Ok(known) => Some(known),
            Err(RegionFault::Store(why)) => return Err(why),
            Err(why) => {
                let why = Chain(&why);
                error!(region.id = %region.id, "the page of region `{}` says nothing of its season: {why}", region.id);
                None
            }
        };
        let mut notices = notices.remove(&region.id).unwrap_or_default();
        notices.retain(|notice| notice.season.profile == profile.id && notice.season.year == profile.season_of(today));
        let told: Vec<DecidedNotice> = notices.iter().map(|notice| notice.told(region.time_zone)).collect();
        let shown = known.as_ref().map_or(Shown::UNKNOWN, |known| {
            Shown::of(profile, &app.config.policy, &known.outlook, &known.days, region.release, &told)
        });
        notices.retain(|notice| notice.status() == NoticeStatus::Released);
        notices.sort_by_key(Notice::released_at);
        let view = RegionView { region: region.clone(), profile: profile.clone(), shown, today, known, notices };
        regions.push(Arc::new(view));
    }
    let first = |view: &RegionView| view.days().map(|days| days.look_from);
    regions.sort_by_key(|view| (first(view).is_none(), first(view), view.region.name.clone()));
    let by_id = regions.iter().map(|view| (view.region.id.clone(), Arc::clone(view))).collect();
    let mut upward: Vec<&Arc<RegionView>> = regions.iter().collect();
    let floor = |view: &RegionView| view.region.band.and_then(|band| band.from_m).unwrap_or(f64::NEG_INFINITY);
    upward.sort_by(|a, b| floor(a).total_cmp(&floor(b)));
    let mut by_zip: HashMap<Zip, Vec<RegionId>> = HashMap::new();
    for view in upward {
        for zip in &view.region.zips {
            by_zip.entry(zip.clone()).or_default().push(view.region.id.clone());
        }
    }
    Ok(Views { made_at: now, by_id, by_zip, regions, signs, answers: Mutex::default() })
}

/// What is read and worked out once for all regions of one making.
struct Caches {
    records: RecordCache,
    seasons: SeasonCache,
    stored: CycleCache,
}

impl Caches {
    fn new(app: &App) -> Self {
        let records = RecordCache::new(app.store.clone());
        Self { records, seasons: SeasonCache::default(), stored: CycleCache::default() }
    }
}

async fn known(
    app: &App,
    caches: &mut Caches,
    region: &Region,
    profile: &Profile,
    now: DateTime<Utc>,
) -> Result<Known, RegionFault> {
    let Caches { records, seasons, stored } = caches;
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let model = seasons.get(app, records, region, profile, season, now).await?;
    let assessment = assess::look_at(app, records, seasons, stored, region, profile, now).await?;
    let height_effect = height_effect::around(app, records, region, profile, now).await?;
    let known = Known::of(region, profile, &model, assessment, app.config.policy.too_late_chance);
    Ok(Known { height_effect, ..known })
}

impl Known {
    /// Everything that is shown of a region, in every language, comes from this one assessment.
    fn of(
        region: &Region,
        profile: &Profile,
        model: &SeasonModel,
        assessment: Assessment,
        too_late_chance: f64,
    ) -> Self {
        let today = assessment.outlook.today;
        let mut charts = HashMap::new();
        for language in Language::ALL {
            let chart = season_chart::drawn(region, profile, model, &assessment, today, language);
            for width in CHART_WIDTHS {
                let look =
                    Look { width, language, unit: HeatUnit::Fahrenheit, dark_too: true, id: region.id.to_string() };
                let picture = CachedAnswer::picture(season_heat(&chart, &look));
                charts.insert((language, width), Arc::new(picture));
            }
        }
        let outlook = assessment.outlook;
        let (station, grid) = (model.station().name.clone(), grid_of(model.station()));
        let days = assessment.days;
        let skill = model.skill().rows(&profile.window.opens).to_vec();
        let closes = outlook.stage(&profile.window.closes);
        let is_hatch_to_come = closes.is_some_and(|closes| closes.chance_by(today) < too_late_chance);
        Self { outlook, station, grid, days, skill, height_effect: None, charts, is_hatch_to_come }
    }
}

impl RegionView {
    /// The days of the window, from which everything shown takes its dates; `None` where nothing can be said of them.
    pub fn days(&self) -> Option<WindowDays> {
        let known = self.known.as_ref()?;
        season_chart::shown_days(&self.profile, &known.outlook, &known.days)
    }

    /// The name of the words that go with the standing.
    pub fn said(&self) -> &'static str {
        let days = self.days();
        match self.shown.standing {
            // Without best days looking and washing are one.
            SeasonStanding::Look if days.is_some_and(|days| days.best.is_none()) => "look_wash",
            SeasonStanding::Over if self.is_done() => "done",
            SeasonStanding::Over if self.is_late() => "late",
            standing => standing.name(),
        }
    }

    /// Whether eggs have long hatched.
    fn is_done(&self) -> bool {
        let end = self.days().and_then(|days| days.settled.max(days.hatch_late));
        end.is_some_and(|end| end < self.today)
    }

    /// The deadline is over, and most eggs are probably still there: a wash is of use to who sees them.
    fn is_late(&self) -> bool {
        let told = self
            .notices
            .iter()
            .any(|notice| notice.kind == NoticeKind::TooLateToWash && notice.status() == NoticeStatus::Released);
        !told && self.days().is_some() && self.known.as_ref().is_some_and(|known| known.is_hatch_to_come)
    }
}

#[cfg(test)]
mod tests {
    use chrono::Datelike;

    use super::*;
    use crate::assessment::season_model::{ASSESSMENTS, PREPARATIONS};
    use crate::clock::ManualClock;
    use crate::config::Config;
    use crate::demo::state::State;
    use crate::demo::weather;
    use crate::message::Templates;
    use crate::season::profile::Profiles;
    use crate::store::Store;

    /// Two regions of the demo that share a station with a dozen past years.
    async fn source() -> Source {
        let state = State::built_in().unwrap();
        let station = &state.stations[0].station;
        let store = Store::in_memory().await.unwrap();
        store.add_station(station).await.unwrap();
        let mut versions = weather::make(&state, 1).versions(0);
        versions.retain(|version| version.day.year() >= 2013);
        store.add_versions(&station.id, &versions).await.unwrap();
        let regions: Vec<Region> = state.regions[..2]
            .iter()
            .map(|of| Region { stations: vec![station.id.clone()], ..of.region.clone() })
            .collect();
        let now: DateTime<Utc> = "2025-03-10T16:00:00Z".parse().unwrap();
        store.put_regions(&regions, now).await.unwrap();
        let (clock, templates) = (Arc::new(ManualClock::at(now)), Templates::load(None).unwrap());
        let app = App::with_store(&Config::default(), clock, store, Profiles::default(), templates);
        Source { app, played: None }
    }

    #[tokio::test]
    async fn a_view_assesses_each_region_once_and_draws_it_in_every_language() {
        let source = source().await;
        let (before, prepared) = (ASSESSMENTS.get(), PREPARATIONS.get());
        let views = views(&source).await.unwrap();
        assert_eq!(views.regions.len(), 2);
        assert_eq!(ASSESSMENTS.get() - before, 2, "one assessment a region, whatever is drawn of it");
        assert_eq!(PREPARATIONS.get() - prepared, 1, "regions over one station share its season's days");
        assert_ne!(views.regions[0].region.elevation_m, views.regions[1].region.elevation_m);
        for view in &views.regions {
            let known = view.known.as_ref().expect("the region was assessed");
            assert_eq!(known.charts.len(), Language::ALL.len() * CHART_WIDTHS.len());
        }
    }
}
