//! What the public pages know of all regions: kept in the store, made anew in the background, shown at once.
//!
//! No page waits for arithmetic: a region of which nothing was worked out yet says so.

use std::collections::{BTreeMap, HashMap};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use tokio::runtime::Handle;
use tokio::sync::{OwnedMutexGuard, watch};
use tracing::error;

use super::Fault;
use crate::language::Language;
use crate::region::{Region, RegionId, Zip};
use crate::season::decide::DecidedNotice;
use crate::season::status::{SeasonStanding, Shown};
use crate::season::{NoticeKind, NoticeStatus, Outlook, Profile, WindowDays};
use crate::service::app::App;
use crate::service::region_views::{self, Facts, Maker, Seen, Source, by_station};
pub(super) use crate::service::region_views::{CHART_WIDTHS, Known};
use crate::service::season_chart;
use crate::store::notices::Notice;
use crate::store::region_views::MadeFrom;
use crate::text::Chain;
use crate::web::cache::CachedAnswer;

/// How often the store is asked whether there is news.
const LOOK_EVERY: TimeDelta = TimeDelta::seconds(15);
/// So many days back a kept view may have been made to be shown at a start.
const OLDEST_SHOWN: i64 = 2;
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

/// All regions as they facts.
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
    /// `false` until its season was looked at for the first time: then nothing is known of it.
    pub is_made: bool,
    pub made_at: DateTime<Utc>,
    /// The region's day on which it was looked at.
    pub today: NaiveDate,
    /// `None` when the region could not be assessed.
    pub known: Option<Known>,
    /// Notices of the season that went out, in the order of their going.
    pub notices: Vec<Notice>,
    made_from: MadeFrom,
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

    /// What a region's page says of its season, and when that was made.
    pub fn on_page(&self, id: &RegionId) -> Option<(&Outlook, DateTime<Utc>)> {
        let view = self.region(id)?;
        Some((&view.known.as_ref()?.outlook, view.made_at))
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
        let is_whole = self.regions.iter().all(|view| view.is_made);
        self.answers.get(path, language, || Ok(make()?.lasting(is_whole)))
    }
}

/// The views of now, and who makes the next ones. Cheap to clone.
#[derive(Clone)]
pub(super) struct RegionViews(Arc<Inner>);

struct Inner {
    source: Source,
    current: watch::Sender<Option<Arc<Views>>>,
    /// When the last look at the store began.
    tried_at: Mutex<Option<DateTime<Utc>>>,
    /// Held by whoever shows the first views.
    showing: tokio::sync::Mutex<()>,
    /// Held by whoever makes views. Taken before the work goes to a thread of its own: those that wait for it must not use
    /// up the threads that it needs.
    making: Arc<tokio::sync::Mutex<()>>,
    /// No more are made.
    resting: AtomicBool,
}

impl RegionViews {
    /// With the notices of a season that was played elsewhere, if any, in place of those in the store.
    pub fn new(app: App, played: Option<Vec<Notice>>) -> Self {
        Self(Arc::new(Inner {
            source: Source { app, played },
            current: watch::Sender::new(None),
            tried_at: Mutex::default(),
            showing: tokio::sync::Mutex::default(),
            making: Arc::default(),
            resting: AtomicBool::new(false),
        }))
    }

    /// What is shown now; what is old of it is made anew behind the answer.
    ///
    /// # Errors
    /// When there are none yet and the store fails.
    pub async fn get(&self) -> Result<Arc<Views>, Fault> {
        if let Some(views) = self.peek() {
            self.renew_behind();
            return Ok(views);
        }
        // By a task of its own: whoever asked first may hang up, and the others still get them.
        let this = self.clone();
        let task = tokio::spawn(async move { this.first(None).await });
        let views = task.await.unwrap_or_else(|why| Err(Fault::Inside(format!("the views were not finished: {why}"))));
        self.renew_behind();
        views
    }

    /// What is shown now, for who does not wait where there is nothing yet; what is old of it is made anew behind the answer.
    pub fn shown_now(&self) -> Option<Arc<Views>> {
        self.renew_behind();
        self.peek()
    }

    /// Waits until all that is old has been made anew.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn renewed(&self) -> Result<(), Fault> {
        let turn = Arc::clone(&self.0.making).lock_owned().await;
        self.renew(turn).await
    }

    /// Lets no more be made, and waits until none is being made.
    pub async fn rest(&self) {
        self.0.resting.store(true, Ordering::Relaxed);
        drop(self.0.showing.lock().await);
        drop(self.0.making.lock().await);
    }

    fn is_resting(&self) -> bool {
        self.0.resting.load(Ordering::Relaxed)
    }

    fn now(&self) -> DateTime<Utc> {
        self.0.source.app.clock.now()
    }

    /// What is shown now, without a look at the store.
    pub fn peek(&self) -> Option<Arc<Views>> {
        self.0.current.borrow().clone()
    }

    /// Renews in the background when it is time to and nobody does it yet. A look that failed is made again like any other.
    fn renew_behind(&self) {
        let now = self.now();
        let tried_at = *self.0.tried_at.lock().unwrap_or_else(PoisonError::into_inner);
        if tried_at.is_some_and(|at| (now - at).abs() < LOOK_EVERY) {
            return;
        }
        let Ok(turn) = Arc::clone(&self.0.making).try_lock_owned() else { return };
        let this = self.clone();
        tokio::spawn(async move {
            if let Err(why) = this.renew(turn).await {
                why.log();
            }
        });
    }

    /// Shows these, and of all other regions that they are being worked out.
    fn show(&self, facts: &Facts, made: &BTreeMap<RegionId, Arc<RegionView>>) {
        let app = &self.0.source.app;
        let view = |region: &Region| {
            let made = made.get(&region.id).cloned();
            made.or_else(|| Some(Arc::new(RegionView { is_made: false, ..view_of(app, facts, region, None)? })))
        };
        self.0.current.send_replace(Some(Arc::new(Views::of(facts.regions.iter().filter_map(view).collect()))));
    }

    /// Shows what is kept and not too old, where nothing is shown yet.
    async fn first(&self, facts: Option<&Facts>) -> Result<Arc<Views>, Fault> {
        let _turn = self.0.showing.lock().await;
        if self.peek().is_none() {
            let source = &self.0.source;
            let read = if facts.is_none() { Some(source.facts().await?) } else { None };
            if let Some(facts) = facts.or(read.as_ref()) {
                let made = if source.played.is_some() { BTreeMap::new() } else { self.kept(facts).await };
                self.show(facts, &made);
            }
        }
        self.peek().ok_or_else(|| Fault::Inside("there are no views".to_owned()))
    }

    /// What is kept of regions and not too old to be shown.
    async fn kept(&self, facts: &Facts) -> BTreeMap<RegionId, Arc<RegionView>> {
        let app = &self.0.source.app;
        let mut made = BTreeMap::new();
        for region in &facts.regions {
            let Some(profile) = facts.profile(region) else { continue };
            let kept = kept_of(app, region).await.filter(|seen| is_of_use(seen, profile, facts.today(region)));
            if let Some(view) = kept.and_then(|seen| view_of(app, facts, region, Some(seen))) {
                made.insert(region.id.clone(), Arc::new(view));
            }
        }
        made
    }

    /// Looks at the store, and makes anew what is old there.
    async fn renew(&self, turn: OwnedMutexGuard<()>) -> Result<(), Fault> {
        let this = self.clone();
        let runtime = Handle::current();
        // Nobody waits any more when the server ends: then the work ends, too.
        let wanted = Arc::new(());
        let is_wanted = Arc::downgrade(&wanted);
        // Whole seasons are worked out: nobody's answer should stand behind that on one of the server's threads.
        let work = tokio::task::spawn_blocking(move || {
            let _turn = turn;
            runtime.block_on(this.renew_here(&|| is_wanted.strong_count() > 0 && !this.is_resting()))
        });
        work.await.map_err(|why| Fault::Inside(format!("the views were cut off: {why}")))?
    }

    async fn renew_here(&self, is_wanted: &(dyn Fn() -> bool + Sync)) -> Result<(), Fault> {
        if !is_wanted() {
            return Ok(());
        }
        let source = &self.0.source;
        *self.0.tried_at.lock().unwrap_or_else(PoisonError::into_inner) = Some(self.now());
        let app = &source.app;
        let keeps = source.played.is_none();
        let facts = source.facts().await?;
        let shown = self.first(Some(&facts)).await?;
        let mut views: BTreeMap<RegionId, Arc<RegionView>> = BTreeMap::new();
        let (mut unmade, mut old): (Vec<Region>, Vec<Region>) = (Vec::new(), Vec::new());
        for region in facts.regions.iter().filter(|region| facts.profile(region).is_some()) {
            let Some(view) = shown.region(&region.id).filter(|view| view.is_made) else {
                unmade.push(region.clone());
                continue;
            };
            if !facts.hold(region, &view.made_from) {
                old.push(region.clone());
            }
            views.insert(region.id.clone(), Arc::clone(view));
        }
        let is_gone = shown.regions.len() != views.len() + unmade.len();
        if is_gone || unmade.iter().any(|region| shown.region(&region.id).is_none()) {
            self.show(&facts, &views);
        }
        if old.is_empty() && unmade.is_empty() {
            return Ok(());
        }
        // A cycle that works out the same is waited for; what it has kept is taken from there.
        let _work = app.views_turn.lock().await;
        let kept = if keeps { app.store.views_made_from().await? } else { HashMap::new() };
        let mut maker = Maker::new(app, &facts);
        // Those that somebody may wait for come first.
        let (first, second) = (by_station(&unmade), by_station(&old));
        for (at, region) in first.into_iter().chain(second).flatten().enumerate() {
            if !is_wanted() {
                return Ok(());
            }
            let is_kept = kept.get(&region.id).is_some_and(|from| facts.hold(region, from));
            let mut seen = if is_kept { kept_of(app, region).await } else { None };
            if seen.is_none() {
                seen = match maker.make(region).await {
                    Ok(seen) => seen,
                    Err(why) => {
                        error!(region.id = %region.id, "the page of region `{}` is not renewed: {}", region.id, Chain(&why));
                        // What was shown is shown on; what never was, as not known.
                        if views.contains_key(&region.id) {
                            continue;
                        }
                        None
                    }
                };
                if let Some(seen) = seen.as_ref().filter(|_| keeps)
                    && let Err(why) = region_views::keep(app, &region.id, seen).await
                {
                    error!(region.id = %region.id, "the page of region `{}` is not kept: {}", region.id, Chain(&why));
                }
            }
            match view_of(app, &facts, region, seen) {
                Some(view) => views.insert(region.id.clone(), Arc::new(view)),
                None => views.remove(&region.id),
            };
            let is_last_unmade = at + 1 == unmade.len();
            if is_last_unmade || at % SHOW_AFTER == SHOW_AFTER - 1 {
                self.show(&facts, &views);
            }
        }
        self.show(&facts, &views);
        Ok(())
    }
}

/// What is kept of a region; `None`, too, when it cannot be read.
async fn kept_of(app: &App, region: &Region) -> Option<Seen> {
    region_views::kept(app, &region.id).await.unwrap_or_else(|why| {
        error!(region.id = %region.id, "what is kept of region `{}` cannot be read: {}", region.id, Chain(&why));
        None
    })
}

/// Whether what was kept may be shown before it is made anew: nobody is misled by it.
fn is_of_use(seen: &Seen, profile: &Profile, today: NaiveDate) -> bool {
    let age = (today - seen.today).num_days();
    (0..=OLDEST_SHOWN).contains(&age) && profile.season_of(seen.today) == profile.season_of(today)
}

/// A region with what was worked out of it, however long ago; `None` when its profile is not known.
fn view_of(app: &App, facts: &Facts, region: &Region, seen: Option<Seen>) -> Option<RegionView> {
    let profile = facts.profile(region)?;
    let seen = seen.unwrap_or_else(|| Seen {
        made_at: facts.now,
        today: facts.today(region),
        known: None,
        made_from: MadeFrom::default(),
    });
    let Seen { made_at, today, known, made_from } = seen;
    let notices: Vec<&Notice> = facts.notices(region, profile, today).collect();
    let told: Vec<DecidedNotice> = notices.iter().map(|notice| notice.told(region.time_zone)).collect();
    let shown = known.as_ref().map_or(Shown::UNKNOWN, |known| {
        Shown::of(profile, &app.config.policy, &known.outlook, &known.days, region.release, &told)
    });
    let out = notices.into_iter().filter(|notice| notice.status() == NoticeStatus::Released);
    let mut notices: Vec<Notice> = out.cloned().collect();
    notices.sort_by_key(Notice::released_at);
    let (region, profile, answers) = (region.clone(), profile.clone(), Answers::default());
    Some(RegionView { region, profile, shown, is_made: true, made_at, today, known, notices, made_from, answers })
}

impl RegionView {
    /// The answer at a path that speaks of this region.
    pub fn answer(
        &self,
        path: &str,
        language: Language,
        make: impl FnOnce() -> Result<CachedAnswer, Fault>,
    ) -> Result<Arc<CachedAnswer>, Fault> {
        self.answers.get(path, language, || Ok(make()?.lasting(self.is_made)))
    }

    /// Itself, for answers that would say something wrong before its season was looked at.
    ///
    /// # Errors
    /// [`Fault::NotYet`] while it is being worked out.
    pub fn made(&self) -> Result<&Self, Fault> {
        if self.is_made { Ok(self) } else { Err(Fault::NotYet) }
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
            _ if !self.is_made => "making",
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
    use crate::assessment::season_model::{ASSESSMENTS, OUTLOOKS, PREPARATIONS};
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
        let (before, prepared, made) = (ASSESSMENTS.get(), PREPARATIONS.get(), OUTLOOKS.get());
        let facts = source.facts().await.unwrap();
        let mut maker = Maker::new(&source.app, &facts);
        let mut regions = Vec::new();
        for region in by_station(&facts.regions).into_iter().flatten() {
            let seen = maker.make(region).await.unwrap();
            regions.push(Arc::new(view_of(&source.app, &facts, region, seen).unwrap()));
        }
        let views = Views::of(regions);
        assert_eq!(views.regions.len(), 2);
        assert_eq!(ASSESSMENTS.get() - before, 2, "one assessment a region, whatever is drawn of it");
        assert_eq!(PREPARATIONS.get() - prepared, 1, "regions over one station share its season's days");
        assert_eq!(OUTLOOKS.get() - made, 1, "and its outlook");
        assert_ne!(views.regions[0].region.elevation_m, views.regions[1].region.elevation_m);
        for view in &views.regions {
            let known = view.known.as_ref().expect("the region was assessed");
            assert_eq!(known.charts.len(), Language::ALL.len() * CHART_WIDTHS.len());
        }
    }
}
