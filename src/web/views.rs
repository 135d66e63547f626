//! What the public pages know of all regions: kept in the store, made anew in the background, shown at once.
//!
//! A page never waits for arithmetic but where nothing was ever worked out.

use std::collections::{BTreeMap, HashMap};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError, RwLock};

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use tokio::runtime::Handle;

use super::Fault;
use crate::language::Language;
use crate::region::{Region, RegionId, Zip};
use crate::season::decide::DecidedNotice;
use crate::season::status::{SeasonStanding, Shown};
use crate::season::{NoticeKind, NoticeStatus, Profile, WindowDays};
use crate::service::app::App;
use crate::service::region_views::{self, Maker, Seen, Source, Stand, by_station};
pub(super) use crate::service::region_views::{CHART_WIDTHS, Known};
use crate::service::season_chart;
use crate::store::StoreError;
use crate::store::notices::Notice;
use crate::store::region_views::ViewSign;
use crate::web::cache::CachedAnswer;

/// How often the store is asked whether there is news.
const LOOK_EVERY: TimeDelta = TimeDelta::seconds(15);
/// When nobody has looked for so long, whoever asks first waits for the look: a day may have begun.
const TOO_OLD: TimeDelta = TimeDelta::minutes(25);
/// After so many regions, what was made is shown while the others are worked out.
const SHOW_AFTER: usize = 25;
/// Answers of one region that are kept: its pages, feeds and pictures, and some of its ZIP codes.
const MOST_ANSWERS: usize = 24;

/// The season's steps in their order.
pub(super) const STEPS: [SeasonStanding; 6] = [
    SeasonStanding::Quiet,
    SeasonStanding::Ready,
    SeasonStanding::Look,
    SeasonStanding::Wash,
    SeasonStanding::Last,
    SeasonStanding::Over,
];

/// Answers made so far, by path and language.
#[derive(Default)]
struct Answers(Mutex<HashMap<(String, Language), Arc<CachedAnswer>>>);

impl Answers {
    /// An answer that was made before, or is made now. `path` must be one of a page that exists.
    fn get(
        &self,
        path: &str,
        language: Language,
        make: impl FnOnce() -> Result<CachedAnswer, Fault>,
    ) -> Result<Arc<CachedAnswer>, Fault> {
        let key = (path.to_owned(), language);
        if let Some(answer) = self.0.lock().unwrap_or_else(PoisonError::into_inner).get(&key) {
            return Ok(Arc::clone(answer));
        }
        let made = Arc::new(make()?);
        let mut answers = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if answers.len() < MOST_ANSWERS {
            answers.insert(key, Arc::clone(&made));
        }
        Ok(made)
    }
}

/// All regions as they stand.
pub(super) struct Views {
    /// In the order of their windows, those of which nothing is known last.
    pub regions: Vec<Arc<RegionView>>,
    by_id: HashMap<RegionId, Arc<RegionView>>,
    by_zip: HashMap<Zip, Vec<RegionId>>,
    answers: Answers,
}

/// One region as the public sees it.
pub(super) struct RegionView {
    pub region: Region,
    pub profile: Profile,
    /// Where its season stands, as far as people are told.
    pub shown: Shown,
    pub made_at: DateTime<Utc>,
    /// The region's day on which it was looked at.
    pub today: NaiveDate,
    /// `None` when the region could not be assessed, or was not yet.
    pub known: Option<Known>,
    /// Notices of the season that went out, in the order of their going.
    pub notices: Vec<Notice>,
    sign: ViewSign,
    answers: Answers,
}

impl Views {
    fn of(mut regions: Vec<Arc<RegionView>>) -> Self {
        let first = |view: &RegionView| view.days().map(|days| days.look_from);
        regions.sort_by_cached_key(|view| (first(view).is_none(), first(view), view.region.name.clone()));
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
        Self { by_id, by_zip, regions, answers: Answers::default() }
    }

    pub fn region(&self, id: &RegionId) -> Option<&Arc<RegionView>> {
        self.by_id.get(id)
    }

    /// The regions that cover a ZIP code, from the lowest up.
    pub fn covering(&self, zip: &Zip) -> &[RegionId] {
        self.by_zip.get(zip).map_or(&[], Vec::as_slice)
    }

    /// The answer at a path that speaks of all regions or of none.
    pub fn answer(
        &self,
        path: &str,
        language: Language,
        make: impl FnOnce() -> Result<CachedAnswer, Fault>,
    ) -> Result<Arc<CachedAnswer>, Fault> {
        self.answers.get(path, language, make)
    }
}

/// The views of now, and who makes the next ones. Cheap to clone.
#[derive(Clone)]
pub(super) struct RegionViews(Arc<Inner>);

struct Inner {
    source: Source,
    current: RwLock<Option<Arc<Views>>>,
    /// When the last look at the store began.
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
        if let Some(views) = self.shown_at(now) {
            if self.is_older(now, LOOK_EVERY) && !self.0.renewing.swap(true, Ordering::AcqRel) {
                let this = self.clone();
                tokio::spawn(async move {
                    if let Err(why) = this.renew().await {
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
            {
                let _turn = this.0.making.lock().await;
                if this.peek().is_none() {
                    this.show_kept().await?;
                }
            }
            if this.shown_at(this.now()).is_none() {
                this.renew().await?;
            }
            this.peek().ok_or_else(|| Fault::Inside("there are no views".to_owned()))
        });
        task.await.unwrap_or_else(|why| Err(Fault::Inside(format!("the views were not finished: {why}"))))
    }

    /// Waits until all that is old has been made anew.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn renewed(&self) -> Result<(), Fault> {
        self.renew().await
    }

    fn now(&self) -> DateTime<Utc> {
        self.0.source.app.clock.now()
    }

    fn peek(&self) -> Option<Arc<Views>> {
        self.0.current.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// What may be shown without a look at the store before: what was looked at lately, or came from the store at the start.
    fn shown_at(&self, now: DateTime<Utc>) -> Option<Arc<Views>> {
        let looked_at = *self.0.looked_at.lock().unwrap_or_else(PoisonError::into_inner);
        let lately = looked_at.is_none_or(|at| (now - at).abs() < TOO_OLD) || self.0.renewing.load(Ordering::Acquire);
        self.peek().filter(|_| lately)
    }

    fn is_older(&self, now: DateTime<Utc>, age: TimeDelta) -> bool {
        let looked_at = *self.0.looked_at.lock().unwrap_or_else(PoisonError::into_inner);
        looked_at.is_none_or(|last| (now - last).abs() >= age)
    }

    fn show(&self, regions: Vec<Arc<RegionView>>) {
        let views = Some(Arc::new(Views::of(regions)));
        *self.0.current.write().unwrap_or_else(PoisonError::into_inner) = views;
    }

    /// Shows what is kept, however old, if anything is.
    async fn show_kept(&self) -> Result<(), Fault> {
        let source = &self.0.source;
        if source.played.is_some() {
            return Ok(());
        }
        let kept = source.app.store.view_signs().await?;
        if kept.is_empty() {
            return Ok(());
        }
        let stand = source.stand().await?;
        let mut regions = Vec::with_capacity(stand.regions.len());
        for region in &stand.regions {
            let seen = region_views::kept(&source.app, &region.id).await?;
            regions.extend(view_of(&source.app, &stand, region, seen).map(Arc::new));
        }
        self.show(regions);
        Ok(())
    }

    /// Looks at the store, and makes anew what is old there.
    async fn renew(&self) -> Result<(), Fault> {
        let this = self.clone();
        // Whole seasons are worked out: nobody's answer should stand behind that on one of the server's threads.
        let runtime = Handle::current();
        let work = tokio::task::spawn_blocking(move || runtime.block_on(this.renew_here()));
        Ok(work.await.map_err(|why| Fault::Inside(format!("the views were cut off: {why}")))??)
    }

    async fn renew_here(&self) -> Result<(), StoreError> {
        let _turn = self.0.making.lock().await;
        let source = &self.0.source;
        *self.0.looked_at.lock().unwrap_or_else(PoisonError::into_inner) = Some(self.now());
        let app = &source.app;
        let keeps = source.played.is_none();
        let stand = source.stand().await?;
        let shown = self.peek();
        let mut views: BTreeMap<RegionId, Arc<RegionView>> = BTreeMap::new();
        let mut old: Vec<Region> = Vec::new();
        for region in stand.regions.iter().filter(|region| stand.profile(region).is_some()) {
            let Some(view) = shown.as_ref().and_then(|shown| shown.region(&region.id)) else {
                old.push(region.clone());
                continue;
            };
            if !stand.holds(region, &view.sign) {
                old.push(region.clone());
            }
            views.insert(region.id.clone(), Arc::clone(view));
        }
        let is_gone = shown.as_ref().is_some_and(|shown| shown.regions.len() != views.len());
        if old.is_empty() && !is_gone && shown.is_some() {
            return Ok(());
        }
        // A cycle that works out the same is waited for; what it has kept is taken from there.
        let _work = app.views_turn.lock().await;
        let signs = if keeps { app.store.view_signs().await? } else { HashMap::new() };
        let mut maker = Maker::new(app, &stand);
        for (at, region) in by_station(&old).into_iter().flatten().enumerate() {
            let is_kept = signs.get(&region.id).is_some_and(|sign| stand.holds(region, sign));
            let mut seen = if is_kept { region_views::kept(app, &region.id).await? } else { None };
            if seen.is_none() {
                seen = maker.make(region).await?;
                if let Some(seen) = seen.as_ref().filter(|_| keeps) {
                    region_views::keep(app, &region.id, seen).await?;
                }
            }
            match seen.and_then(|seen| view_of(app, &stand, region, Some(seen))) {
                Some(view) => views.insert(region.id.clone(), Arc::new(view)),
                None => views.remove(&region.id),
            };
            if at % SHOW_AFTER == SHOW_AFTER - 1 && shown.is_some() {
                self.show(views.values().cloned().collect());
            }
        }
        self.show(views.into_values().collect());
        Ok(())
    }
}

/// A region with what was worked out of it, however long ago; `None` when its profile is not known.
fn view_of(app: &App, stand: &Stand, region: &Region, seen: Option<Seen>) -> Option<RegionView> {
    let profile = stand.profile(region)?;
    let seen = seen.unwrap_or_else(|| Seen {
        made_at: stand.now,
        today: stand.today(region),
        known: None,
        sign: ViewSign { sign: String::new(), helper: None },
    });
    let Seen { made_at, today, known, sign } = seen;
    let notices: Vec<&Notice> = stand.notices(region, profile, today).collect();
    let told: Vec<DecidedNotice> = notices.iter().map(|notice| notice.told(region.time_zone)).collect();
    let shown = known.as_ref().map_or(Shown::UNKNOWN, |known| {
        Shown::of(profile, &app.config.policy, &known.outlook, &known.days, region.release, &told)
    });
    let out = notices.into_iter().filter(|notice| notice.status() == NoticeStatus::Released);
    let mut notices: Vec<Notice> = out.cloned().collect();
    notices.sort_by_key(Notice::released_at);
    let (region, profile, answers) = (region.clone(), profile.clone(), Answers::default());
    Some(RegionView { region, profile, shown, made_at, today, known, notices, sign, answers })
}

impl RegionView {
    /// The answer at a path that speaks of this region.
    pub fn answer(
        &self,
        path: &str,
        language: Language,
        make: impl FnOnce() -> Result<CachedAnswer, Fault>,
    ) -> Result<Arc<CachedAnswer>, Fault> {
        self.answers.get(path, language, make)
    }

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
        let stand = source.stand().await.unwrap();
        let mut maker = Maker::new(&source.app, &stand);
        let mut regions = Vec::new();
        for region in by_station(&stand.regions).into_iter().flatten() {
            let seen = maker.make(region).await.unwrap();
            regions.push(Arc::new(view_of(&source.app, &stand, region, seen).unwrap()));
        }
        let views = Views::of(regions);
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
