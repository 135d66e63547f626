//! Practice at the desk: an invented season in a store of its own, lived by the code of the service, with a clock that staff move.
//! Messages go into a folder and nowhere else.

pub mod account;

mod arrivals;
mod living;
mod outbox;
mod owners;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, RwLock};
use std::time::Duration;

use async_trait::async_trait;
use axum::Router;
use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use futures::future::BoxFuture;
use tokio::runtime::Handle;
use tokio::sync::OwnedMutexGuard;
use tracing::warn;

use self::account::PracticeAccount;
use self::living::{LivingFault, World};
use super::ground::{self, DESK_KEY, DemoError, MESSAGES, SETTINGS, STORE};
use super::state::State;
use super::weather;
use crate::clock::SystemClock;
use crate::config::Config;
use crate::people::Key;
use crate::randomness::Randomness;
use crate::region::{Region, Release};
use crate::service::app::{App, make_store};
use crate::service::desk::Credentials;
use crate::service::practice::{Goal, Lived, Message, Practice, PracticeFault, Standing, Step, Went};
use crate::store::accounts::StoredAccount;
use crate::store::practice::Practice as Mark;
use crate::store::{ServiceLock, Store};
use crate::text::Chain;
use crate::timetable::place;

/// What puts the pages of one season together: made by the room above this one.
pub type MakePages = Box<dyn Fn(App, Arc<dyn Practice>) -> Result<Pages, String> + Send + Sync>;

/// The pages of one season.
pub struct Pages {
    pub router: Router,
    /// Lets no more work begin behind them, and ends when none is under way: then their store can be closed.
    pub rest: Box<dyn Fn() -> BoxFuture<'static, ()> + Send + Sync>,
}

/// What is due is looked for this often while nobody moves the clock.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// A season without a further notice is not searched longer.
const LONGEST_SEARCH_DAYS: u32 = 150;

/// While a new store is filled.
const NEXT_STORE: &str = "treebell.sqlite.next";

/// What is wanted of a practice.
#[derive(Clone, Debug)]
pub struct Wanted {
    pub folder: PathBuf,
    /// `None`: the state's own. Of no account where a practice is taken up again.
    pub season: Option<i32>,
    pub seed: u64,
    /// Where the pages are served: on this machine alone.
    pub address: SocketAddr,
}

/// A practice and what serves it. Cheap to clone.
#[derive(Clone)]
pub struct PracticeDesk(Arc<Inner>);

struct Inner {
    folder: PathBuf,
    config: Config,
    state: State,
    randomness: Randomness,
    account: OnceLock<PracticeAccount>,
    make_pages: MakePages,
    world: RwLock<Arc<World>>,
    /// The pages of the world, held by each answer; whoever puts another world there keeps them shut meanwhile.
    pages: tokio::sync::RwLock<Option<Pages>>,
    /// The clock moves no more.
    ends: AtomicBool,
    standing: Mutex<Standing>,
    /// Held by whoever moves the clock or makes a new season.
    turn: Arc<tokio::sync::Mutex<()>>,
    /// A second desk on the same store would move the same clock.
    _lock: Mutex<ServiceLock>,
}

impl PracticeDesk {
    /// Takes up the practice that lies in the folder, or makes one where the folder is new or empty.
    ///
    /// # Errors
    /// See [`DemoError`]: what is no practice is left as it is.
    pub async fn open(
        wanted: &Wanted,
        make_pages: MakePages,
        progress: impl Fn(&str, usize, usize),
    ) -> Result<Self, DemoError> {
        let state = State::built_in()?;
        let randomness = Randomness::of_system();
        let folder = std::path::absolute(&wanted.folder)
            .map_err(|source| DemoError::Folder { path: wanted.folder.clone(), source })?;
        let is_there = folder.join(STORE).exists();
        let season = wanted.season.unwrap_or(state.season);
        if !is_there && !state.seasons().contains(&season) {
            let (first, last) = (*state.seasons().start(), *state.seasons().end());
            return Err(DemoError::Season { season, first, last });
        }
        if is_there && !ground::is_ours(&folder) {
            return Err(DemoError::NotForPractice(folder));
        }
        if !is_there {
            ground::make_room(&folder)?;
        }
        let config = ground::settings(&folder, &state, Some(wanted.address))?;
        make_key(&folder.join(DESK_KEY), &randomness)?;
        if !is_there {
            make_season(&config, &folder, &state, (season, wanted.seed), &randomness, None, progress).await?;
        }
        let world = Arc::new(World::open(&config, &folder, &state, &randomness).await?);
        let lock = world.app.store.lock_service().await?;
        let inner = Inner {
            folder,
            config,
            state,
            randomness,
            account: OnceLock::new(),
            make_pages,
            world: RwLock::new(world),
            pages: tokio::sync::RwLock::default(),
            ends: AtomicBool::new(false),
            standing: Mutex::new(Standing::Still(None)),
            turn: Arc::default(),
            _lock: Mutex::new(lock),
        };
        let desk = Self(Arc::new(inner));
        desk.make_account().await?;
        desk.begin_world().await?;
        *desk.0.pages.write().await = Some(desk.pages_of(&desk.world())?);
        Ok(desk)
    }

    /// The account that was made for practice.
    pub fn account(&self) -> Option<&PracticeAccount> {
        self.0.account.get()
    }

    /// The settings by which the other commands work on this practice.
    pub fn settings(&self) -> PathBuf {
        self.0.folder.join(SETTINGS)
    }

    pub fn store_file(&self) -> PathBuf {
        self.0.folder.join(STORE)
    }

    /// All pages, of whichever season is there when they are asked for.
    pub fn router(&self) -> Router {
        let desk = self.clone();
        Router::new().fallback(move |request: axum::extract::Request| {
            let desk = desk.clone();
            async move {
                // Held until the answer is there: its store is not closed meanwhile.
                let pages = desk.0.pages.read().await;
                let router = pages.as_ref().map(|pages| pages.router.clone()).unwrap_or_default();
                tower::ServiceExt::oneshot(router, request).await.unwrap_or_else(|never| match never {})
            }
        })
    }

    /// Lets happen what is due while nobody moves the clock, until it is told to stop.
    pub async fn run(&self, shutdown: impl Future<Output = ()>) {
        let mut look = tokio::time::interval(LOOK_EVERY);
        look.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        tokio::pin!(shutdown);
        loop {
            tokio::select! {
                _ = look.tick() => {}
                () = &mut shutdown => break,
            }
            // Whoever moves the clock does it along the way.
            if !matches!(self.standing(), Standing::Still(_)) {
                continue;
            }
            if let Err(why) = self.world().catch_up().await {
                warn!("what is due in practice could not be done: {}", Chain(&why));
            }
        }
        self.0.ends.store(true, Ordering::Relaxed);
    }

    /// Ends what is under way and closes the store, once the pages are served no more: first the clock stands, then the work
    /// behind the pages ends, then the store is closed.
    pub async fn close(&self) {
        self.0.ends.store(true, Ordering::Relaxed);
        let _turn = self.0.turn.lock().await;
        if let Some(pages) = self.0.pages.write().await.take() {
            (pages.rest)().await;
        }
        let world = self.world();
        let _stopped = world.stopped().await;
        if let Err(why) = world.app.store.set_practice_clock(world.now()).await {
            warn!("where the clock of the practice stands could not be kept: {}", Chain(&why));
        }
        world.app.store.close().await;
    }

    fn world(&self) -> Arc<World> {
        self.0.world.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn stand(&self, standing: Standing) {
        *self.0.standing.lock().unwrap_or_else(PoisonError::into_inner) = standing;
    }

    async fn make_account(&self) -> Result<(), DemoError> {
        let world = self.world();
        let app = App { clock: Arc::new(SystemClock), ..world.app.clone() };
        let credentials = Credentials::of(&self.0.config, &self.0.randomness);
        let credentials = credentials.map_err(|faults| {
            DemoError::Pages(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
        })?;
        if let Some(credentials) = credentials {
            // There is none before.
            let _ = self.0.account.set(PracticeAccount::make(&app, &credentials).await?);
        }
        Ok(())
    }

    /// The first cycle of a new season, so that there is something to look at.
    async fn begin_world(&self) -> Result<(), DemoError> {
        let world = self.world();
        let mut lived = world.begun();
        world.live_to(world.now(), &mut lived).await.map_err(|why| match why {
            LivingFault::Store(why) => DemoError::Store(why),
            LivingFault::Dispatch(why) => DemoError::Pages(Chain(&why).to_string()),
        })
    }

    fn pages_of(&self, world: &World) -> Result<Pages, DemoError> {
        (self.0.make_pages)(world.app.clone(), Arc::new(self.clone())).map_err(DemoError::Pages)
    }

    /// Works on a thread of its own, since whole seasons are worked out, and waits for it at most so long.
    async fn behind<F: Future<Output = Standing>>(
        &self,
        turn: OwnedMutexGuard<()>,
        patience: Duration,
        work: impl FnOnce(Self) -> F + Send + 'static,
    ) {
        let (desk, runtime) = (self.clone(), Handle::current());
        let done = tokio::task::spawn_blocking(move || {
            let _turn = turn;
            let standing = runtime.block_on(work(desk.clone()));
            desk.stand(standing);
        });
        match tokio::time::timeout(patience, done).await {
            Ok(Ok(())) | Err(_) => {}
            Ok(Err(why)) => {
                warn!("the work of a practice was cut off: {why}");
                self.stand(Standing::Still(None));
            }
        }
    }

    /// Moves the clock of the world that is there.
    async fn moved(self, step: Step) -> Standing {
        let world = self.world();
        let mut lived = world.begun();
        if let Err(why) = self.step_on(&world, step, &mut lived).await {
            warn!("the clock of the practice stopped: {}", Chain(&why));
            lived.faults.push(Chain(&why).to_string());
        }
        lived.season_over = world.today() >= world.last_day;
        Standing::Still(Some(lived))
    }

    async fn step_on(&self, world: &World, step: Step, lived: &mut Lived) -> Result<(), LivingFault> {
        let days = match step {
            Step::Quarter => return world.live_to(world.now() + TimeDelta::minutes(15), lived).await,
            Step::Hour => return world.live_to(world.now() + TimeDelta::hours(1), lived).await,
            Step::Day => 1,
            Step::Week => 7,
            Step::NextNotice => LONGEST_SEARCH_DAYS,
        };
        for _ in 0..days {
            if self.0.ends.load(Ordering::Relaxed) {
                break;
            }
            let Some(next) = world.today().succ_opt().filter(|day| *day <= world.last_day) else { break };
            world.live_to(world.morning(next), lived).await?;
            if step == Step::NextNotice && !lived.decided.is_empty() {
                break;
            }
        }
        Ok(())
    }

    /// Another season in the place of the one that is there.
    async fn made_anew(self) -> Standing {
        if let Err(why) = self.make_anew().await {
            warn!("a new season for practice could not be made: {}", Chain(&why));
            let mut lived = self.world().begun();
            lived.faults.push(Chain(&why).to_string());
            return Standing::Still(Some(lived));
        }
        Standing::Still(None)
    }

    async fn make_anew(&self) -> Result<(), DemoError> {
        let Inner { folder, config, state, randomness, .. } = &*self.0;
        let Mark { season, seed, .. } = self.world().mark;
        let of_season = (season, seed.wrapping_add(1));
        make_season(config, folder, state, of_season, randomness, Some(&self.store_file()), |_, _, _| {}).await?;
        {
            // Nobody meets a store that is being put in the place of another.
            let mut pages = self.0.pages.write().await;
            if let Some(before) = pages.take() {
                (before.rest)().await;
            }
            let before = self.world();
            let _stopped = before.stopped().await;
            before.app.store.close().await;
            put_in_place(folder)?;
            let world = Arc::new(World::open(config, folder, state, randomness).await?);
            *self.0.world.write().unwrap_or_else(PoisonError::into_inner) = world;
            *pages = Some(self.pages_of(&self.world())?);
        }
        self.begin_world().await
    }
}

#[async_trait]
impl Practice for PracticeDesk {
    fn now(&self) -> DateTime<Utc> {
        self.world().now()
    }

    fn season(&self) -> i32 {
        self.world().mark.season
    }

    fn last_day(&self) -> NaiveDate {
        self.world().last_day
    }

    fn standing(&self) -> Standing {
        self.0.standing.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    async fn step(&self, step: Step, patience: Duration) -> Result<(), PracticeFault> {
        let turn = Arc::clone(&self.0.turn).try_lock_owned().map_err(|_| PracticeFault::Busy)?;
        let world = self.world();
        if world.today() >= world.last_day {
            return Err(PracticeFault::SeasonOver);
        }
        self.stand(Standing::Moving(goal_of(&world, step)));
        self.behind(turn, patience, move |desk| desk.moved(step)).await;
        Ok(())
    }

    async fn begin_again(&self) -> Result<(), PracticeFault> {
        let turn = Arc::clone(&self.0.turn).try_lock_owned().map_err(|_| PracticeFault::Busy)?;
        self.stand(Standing::Making);
        // Whoever asked holds the old pages until they have their answer.
        self.behind(turn, Duration::ZERO, Self::made_anew).await;
        Ok(())
    }

    async fn messages(&self, limit: usize) -> std::io::Result<Vec<Went>> {
        outbox::groups(&self.0.folder.join(MESSAGES), limit).await
    }

    async fn message(&self, file: &str) -> std::io::Result<Option<Message>> {
        outbox::message(&self.0.folder.join(MESSAGES), file).await
    }

    fn code(&self, account: &StoredAccount) -> Option<String> {
        self.account()?.code(account, &SystemClock)
    }
}

fn goal_of(world: &World, step: Step) -> Goal {
    let days = match step {
        Step::Quarter => return Goal::At(world.now() + TimeDelta::minutes(15)),
        Step::Hour => return Goal::At(world.now() + TimeDelta::hours(1)),
        Step::NextNotice => return Goal::NextNotice,
        Step::Day => 1,
        Step::Week => 7,
    };
    Goal::At(world.morning((world.today() + Days::new(days)).min(world.last_day)))
}

/// By which secrets of second factors are sealed, as `key new` makes one.
fn make_key(file: &Path, randomness: &Randomness) -> Result<(), DemoError> {
    use std::io::Write as _;
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let fault = |source| DemoError::Folder { path: file.to_owned(), source };
    match options.open(file) {
        Ok(mut open) => writeln!(open, "{}", Key::draw(randomness).expose()).map_err(fault),
        // Of an earlier sitting: what it sealed is opened by it.
        Err(why) if why.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        Err(why) => Err(fault(why)),
    }
}

/// Makes a store with a season that has not begun: in its place, or beside the one whose accounts it takes over.
async fn make_season(
    config: &Config,
    folder: &Path,
    state: &State,
    (season, seed): (i32, u64),
    randomness: &Randomness,
    before: Option<&Path>,
    progress: impl Fn(&str, usize, usize),
) -> Result<(), DemoError> {
    let mut config = config.clone();
    if before.is_some() {
        // Left of one that was cut off.
        forget(&folder.join(NEXT_STORE), &[""])?;
        forget(&folder.join(NEXT_STORE), &BESIDE)?;
        config.store.address = ground::store_address(folder, NEXT_STORE);
    }
    let store = make_store(&config, randomness).await?;
    let made = fill(&store, state, (season, seed), before, progress).await;
    store.close().await;
    made
}

async fn fill(
    store: &Store,
    state: &State,
    (season, seed): (i32, u64),
    before: Option<&Path>,
    progress: impl Fn(&str, usize, usize),
) -> Result<(), DemoError> {
    let begins = NaiveDate::from_ymd_opt(season, 2, 1).unwrap_or_default();
    let now = place(begins.and_hms_opt(9, 0, 0).unwrap_or_default(), state.time_zone);
    store.mark_as_practice(&Mark { season, seed, now }).await?;
    store.hurry().await?;
    let made = weather::make(state, seed);
    ground::fill(store, state, &regions(state), &made, (season, seed), Some(now), progress).await?;
    if let Some(before) = before {
        store.take_accounts_from(before).await?;
    }
    Ok(())
}

/// Those of the state. Every third, and the lowest first, waits for a word of staff, so that there is something to confirm.
fn regions(state: &State) -> Vec<Region> {
    let release =
        |at: usize, region: &Region| if at.is_multiple_of(3) { Release::WhenConfirmed } else { region.release };
    let regions = state.regions.iter().enumerate();
    regions.map(|(at, of)| Region { release: release(at, &of.region), ..of.region.clone() }).collect()
}

/// Puts the store that was filled into the place of the one that was closed, and takes the messages of that one away.
#[expect(clippy::disallowed_methods, reason = "the pages are shut meanwhile")]
fn put_in_place(folder: &Path) -> Result<(), DemoError> {
    let (next, store, messages) = (folder.join(NEXT_STORE), folder.join(STORE), folder.join(MESSAGES));
    let fault = |path: &Path| {
        let path = path.to_owned();
        move |source| DemoError::Folder { path, source }
    };
    // First what an earlier store left beside its file: its log would be taken for the new one's.
    forget(&store, &BESIDE)?;
    std::fs::rename(&next, &store).map_err(fault(&store))?;
    forget(&next, &BESIDE)?;
    match std::fs::remove_dir_all(&messages) {
        Err(why) if why.kind() != std::io::ErrorKind::NotFound => Err(fault(&messages)(why)),
        _ => Ok(()),
    }
}

/// What may lie beside a store's file, by what its name ends with.
const BESIDE: [&str; 7] = ["-wal", "-shm", "-journal", ".answers", ".answers-wal", ".answers-shm", ".answers-journal"];

/// Takes files away whose names are that of a store with an ending.
#[expect(clippy::disallowed_methods, reason = "nobody is served from them")]
fn forget(store: &Path, endings: &[&str]) -> Result<(), DemoError> {
    for ending in endings {
        let mut path = store.as_os_str().to_owned();
        path.push(ending);
        match std::fs::remove_file(&path) {
            Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
                return Err(DemoError::Folder { path: path.into(), source });
            }
            _ => {}
        }
    }
    Ok(())
}
