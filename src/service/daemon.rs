//! The daemon: one process that keeps the schedule and works the queue, for months.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, Utc};
use futures::FutureExt;
use futures::future::BoxFuture;
use tokio::time::Instant;
use tracing::{error, info, warn};

use super::caches::{RecordCache, SeasonCache};
use super::cycle::{self, CycleReport};
use super::pull::{self, PullReport};
use crate::delivery::inbound::Intake;
use crate::dispatch::channels::Channels;
use crate::dispatch::dispatcher::{DispatchError, Dispatcher, Drained};
use crate::dispatch::personalise::Personaliser;
use crate::service::app::App;
use crate::service::follow_up;
use crate::service::subscribe::messages;
use crate::service::texts::reassembly::Reassembly;
use crate::store::runs::Start;
use crate::store::{Engine, ServiceLock, StoreError};
use crate::text::Chain;
use crate::timetable::{ScheduleError, Tick, Timetable};
use crate::weather::fetch::Fetcher;

/// The one job on the schedule, as the store names its runs.
const CYCLE: &str = "cycle";

/// Longest sleep: after it the clock is read again, so that a clock that was set or a machine that slept is noticed.
const LONGEST_SLEEP: Duration = Duration::from_secs(20);

/// A clock that moves by more than this beyond the time that passed raises an alarm.
const CLOCK_STEP: Duration = Duration::from_secs(300);

/// So long an address is kept in full after its owner said stop; then its keyed hash is all that is left.
pub const STOPPED_KEPT_DAYS: i64 = 30;

/// So long an address waits for its owner to confirm it.
pub const ASKED_KEPT_DAYS: i64 = 7;

/// Which parts of the service this process is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Role {
    /// Keep the schedule: pull, assess, decide, queue.
    Schedule,
    /// Work the queue.
    Deliver,
    /// Serve the pages and the webhooks for other programs.
    Web,
}

#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Dispatch(#[from] DispatchError),
    #[error("schedule.cycle")]
    Schedule(#[from] ScheduleError),
}

/// What a daemon is made of beside the parts.
pub struct Outside {
    pub fetcher: Fetcher,
    pub channels: Channels,
    pub personaliser: Arc<dyn Personaliser>,
    /// Serves the pages until it is told to stop; made by the room above this one.
    pub pages: Option<Pages>,
}

/// See [`Outside::pages`].
pub type Pages = Box<dyn FnOnce(BoxFuture<'static, ()>) -> BoxFuture<'static, ()> + Send>;

/// Runs until `shutdown`, then stops within ten seconds with nothing lost.
///
/// # Errors
/// When another service holds the store, or the store fails at the start. Later faults are logged and tried again.
pub async fn run(
    app: &App,
    outside: Outside,
    only: Option<Role>,
    ready: impl FnOnce(),
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<Drained, DaemonError> {
    let schedule = &app.config.schedule;
    let timetable = schedule.timetable()?;
    for warning in schedule.cycle.warnings() {
        warn!("schedule.cycle: {}", warning.0);
    }
    let lock = match (only, app.store.engine()) {
        (Some(Role::Deliver | Role::Web), _) => None,
        // A second service on one file is a mistake; on a server it stands by until the first one goes.
        (_, Engine::Sqlite) => Some(app.store.lock_service().await?),
        (_, Engine::Postgres) => None,
    };
    let shutdown = shutdown.shared();
    let channels = outside.channels;
    let dispatcher = Dispatcher::new(
        app.store.clone(),
        app.clock.clone(),
        channels.clone(),
        &app.config.delivery,
        outside.personaliser,
    )
    .woken_by(app.queued.clone());
    if only.is_none() && app.store.engine() == Engine::Sqlite {
        // Alone on this file: what an earlier run had in hand is nobody's now.
        dispatcher.take_over().await?;
    }
    let delivers = only.is_none_or(|role| role == Role::Deliver);
    let texts = Arc::new(super::texts::Texts::new(app.clone()));
    let intake = Arc::new(Reassembly { store: app.store.clone(), clock: app.clock.clone(), inbound: texts });
    if delivers {
        channels.listen(&(intake.clone() as Arc<dyn Intake>));
    }
    ready();
    info!("treebell is at work on {}", app.store.shown());
    let waker = dispatcher.waker();
    let keep_schedule = async {
        if only.is_none_or(|role| role == Role::Schedule) {
            keep_schedule(app, &outside.fetcher, &timetable, lock, || waker.notify_one(), shutdown.clone()).await;
        }
    };
    let deliver = async {
        match only {
            None | Some(Role::Deliver) => dispatcher.run(shutdown.clone()).await,
            Some(Role::Schedule | Role::Web) => Drained::default(),
        }
    };
    let mind_parts = async {
        if delivers {
            intake.mind_parts(shutdown.clone()).await;
        }
    };
    let serve = async {
        if let Some(pages) = outside.pages {
            pages(shutdown.clone().boxed()).await;
        }
    };
    let ((), drained, (), ()) = tokio::join!(keep_schedule, deliver, mind_parts, serve);
    info!("treebell has stopped");
    Ok(drained)
}

/// One cycle now, whatever the schedule says, then the queue until nothing more is due soon.
///
/// # Errors
/// When another service holds the store, or the store fails.
pub async fn once(
    app: &App,
    outside: Outside,
    patience: Duration,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<(CycleReport, PullReport, Drained), DaemonError> {
    let _lock = app.store.lock_service().await?;
    let dispatcher = Dispatcher::new(
        app.store.clone(),
        app.clock.clone(),
        outside.channels,
        &app.config.delivery,
        outside.personaliser,
    );
    if app.store.engine() == Engine::Sqlite {
        dispatcher.take_over().await?;
    }
    let (report, pulled) = one_cycle(app, &outside.fetcher).await?;
    let drained = dispatcher.run_until_idle(shutdown, patience).await;
    Ok((report, pulled, drained))
}

/// Pull, assess, decide, queue.
async fn one_cycle(app: &App, fetcher: &Fetcher) -> Result<(CycleReport, PullReport), StoreError> {
    let stations = app.store.stations().await?;
    let pulled = pull::pull_all(&app.store, fetcher, &app.config, &app.clock, &stations).await;
    for station in pulled.silent_stations() {
        warn!(station.id = %station, "no source of station `{station}` answered");
    }
    let now = app.clock.now();
    let erased = app
        .store
        .erase_old_addresses(
            now - chrono::Duration::days(STOPPED_KEPT_DAYS),
            now - chrono::Duration::days(ASKED_KEPT_DAYS),
            now,
        )
        .await?;
    if erased > 0 {
        info!(addresses = erased, "erased addresses that are not needed any more");
    }
    let unconfirmed = app.store.end_old_sign_ups(now).await?;
    if unconfirmed > 0 {
        info!(unconfirmed, "forgot wishes that nobody confirmed");
    }
    let letters = app.store.erase_ended_transactional(now).await?;
    if letters > 0 {
        info!(letters, "erased the words of letters that have ended");
    }
    app.store.forget_log().await;
    match messages::tell_newly_covered(app).await {
        Ok(0) => {}
        Ok(told) => info!(told, "told those whose ZIP code has a region now"),
        Err(why) => error!("those whose ZIP code has a region now could not be told: {}", Chain(&why)),
    }
    match follow_up::ask_due(app).await {
        Ok(0) => {}
        Ok(people) => info!(people, "asked people what they saw"),
        Err(why) => error!("those who were told to inspect could not be asked what they saw: {}", Chain(&why)),
    }
    // Records are read afresh each time: what was pulled may have changed any day.
    let mut records = RecordCache::new(app.store.clone());
    let report = cycle::run(app, &mut records, &mut SeasonCache::default(), &mut |_| {}).await?;
    Ok((report, pulled))
}

async fn keep_schedule(
    app: &App,
    fetcher: &Fetcher,
    timetable: &Timetable,
    mut lock: Option<ServiceLock>,
    queued: impl Fn(),
    shutdown: impl Future<Output = ()> + Clone,
) {
    let reach = chrono::Duration::days(i64::from(app.config.schedule.catch_up_days).max(1));
    let mut watch = ClockWatch::start(app.clock.now());
    loop {
        match hold(app, &mut lock).await {
            Ok(true) => {
                if turn(app, fetcher, timetable, reach, &queued, shutdown.clone()).await == Turn::ShuttingDown {
                    return;
                }
            }
            Ok(false) => {}
            Err(why) => error!("the schedule's lock cannot be had: {why}"),
        }
        let sleep = nap(timetable, app.clock.now());
        tokio::select! {
            () = tokio::time::sleep(sleep) => {}
            () = shutdown.clone() => return,
        }
        if let Some(step) = watch.step(app.clock.now()) {
            warn!(
                clock.step_s = step.num_seconds(),
                "the clock moved by {} s beside the time that passed",
                step.num_seconds()
            );
        }
    }
}

/// How long to sleep before the clock is read again: never so short that a wrong clock makes the loop spin.
fn nap(timetable: &Timetable, now: DateTime<Utc>) -> Duration {
    let next = timetable.next_after(now).and_then(|tick| (tick.at - now).to_std().ok());
    next.unwrap_or(LONGEST_SLEEP).clamp(Duration::from_millis(100), LONGEST_SLEEP)
}

/// Whether this process keeps the schedule now; it tries to when nobody does.
async fn hold(app: &App, lock: &mut Option<ServiceLock>) -> Result<bool, StoreError> {
    if let Some(held) = lock {
        if held.still_held().await {
            return Ok(true);
        }
        warn!("the schedule's lock was lost with its connection: another process may keep the schedule now");
        *lock = None;
    }
    match app.store.lock_service().await {
        Ok(taken) => {
            info!("this process keeps the schedule");
            *lock = Some(taken);
            Ok(true)
        }
        Err(StoreError::InUse { .. }) => Ok(false),
        Err(why) => Err(why),
    }
}

#[derive(PartialEq, Eq)]
enum Turn {
    Done,
    ShuttingDown,
}

/// What is due now: a run of the cycle, notices whose hour has come.
async fn turn(
    app: &App,
    fetcher: &Fetcher,
    timetable: &Timetable,
    reach: chrono::Duration,
    queued: &impl Fn(),
    shutdown: impl Future<Output = ()>,
) -> Turn {
    // However many runs were missed, one is made: it assesses every missed data day.
    if let Some(due) = timetable.last_due(app.clock.now(), reach) {
        match run_tick(app, fetcher, &due, shutdown).await {
            Ok(Outcome::Done) => queued(),
            Ok(Outcome::NotDue) => {}
            Ok(Outcome::ShuttingDown) => return Turn::ShuttingDown,
            Err(why) => error!("the cycle failed and is tried again within a minute: {why}"),
        }
    }
    match app.store.next_release().await {
        Ok(Some(at)) if at <= app.clock.now() => {
            let mut report = CycleReport::default();
            match cycle::release_due(app, app.clock.now(), &mut report, &mut |_| {}).await {
                Ok(()) => queued(),
                Err(why) => error!("notices whose hour has come could not be released: {why}"),
            }
        }
        Ok(_) => {}
        Err(why) => error!("the store cannot be asked for notices: {why}"),
    }
    Turn::Done
}

enum Outcome {
    Done,
    NotDue,
    ShuttingDown,
}

/// One scheduled run, unless it was made before. Cut short by a shutdown it counts as not made; whatever a region had
/// committed by then stays, and the next run goes on from there.
async fn run_tick(
    app: &App,
    fetcher: &Fetcher,
    tick: &Tick,
    shutdown: impl Future<Output = ()>,
) -> Result<Outcome, StoreError> {
    let now = app.clock.now();
    match app.store.start_run(CYCLE, tick.civil, now).await? {
        Start::Done => return Ok(Outcome::NotDue),
        Start::CutOff { started_at } => {
            warn!("the run of {} began at {started_at} and never ended: it is made again", tick.civil);
        }
        Start::Fresh => {}
    }
    let (report, pulled) = tokio::select! {
        made = one_cycle(app, fetcher) => made?,
        () = shutdown => return Ok(Outcome::ShuttingDown),
    };
    let outcome = format!(
        "{} regions, {} days, {} new values, {} decided, {} deliveries, {} faults",
        report.regions,
        report.days_assessed,
        pulled.new_values(),
        report.decided.len(),
        report.deliveries,
        report.faults.len()
    );
    app.store.finish_run(CYCLE, tick.civil, &outcome, app.clock.now()).await?;
    info!(run = %tick.civil, "cycle of {} done: {outcome}", tick.civil);
    Ok(Outcome::Done)
}

/// Holds the clock against the time that really passed.
struct ClockWatch {
    clock: DateTime<Utc>,
    at: Instant,
}

impl ClockWatch {
    fn start(now: DateTime<Utc>) -> Self {
        Self { clock: now, at: Instant::now() }
    }

    /// By how much the clock ran ahead (or back) since the last look, when that is worth an alarm.
    fn step(&mut self, now: DateTime<Utc>) -> Option<chrono::Duration> {
        let passed = chrono::Duration::from_std(self.at.elapsed()).unwrap_or_default();
        let step = beside(self.clock, now, passed);
        *self = Self::start(now);
        step
    }
}

/// How far a clock moved beside the time that passed, when that is worth an alarm.
fn beside(then: DateTime<Utc>, now: DateTime<Utc>, passed: chrono::Duration) -> Option<chrono::Duration> {
    let step = (now - then) - passed;
    (step.abs().to_std().unwrap_or_default() > CLOCK_STEP).then_some(step)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::{Clock, ManualClock};
    use crate::config::Config;
    use crate::message::Templates;
    use crate::season::profile::Profiles;
    use crate::store::Store;

    struct World {
        clock: Arc<ManualClock>,
        app: App,
        fetcher: Fetcher,
        timetable: Timetable,
    }

    /// A service with nothing to look after, at a quarter past six.
    async fn world() -> World {
        let clock = Arc::new(ManualClock::at("2026-03-03T13:16:00Z".parse().expect("a literal instant")));
        let config = Config::default();
        let store = Store::in_memory().await.expect("a store in memory");
        let templates = Templates::load(None).expect("the built-in templates");
        let fetcher =
            Fetcher::new(&config.feeds, clock.clone(), store.randomness().clone()).expect("the default settings");
        let app = App::with_store(&config, clock.clone(), store, Profiles::default(), templates);
        let timetable = Timetable::parse("0 15 6,11,17 * * *", chrono_tz::America::Denver).expect("sound").0;
        World { clock, app, fetcher, timetable }
    }

    impl World {
        /// Whether anything was due and run.
        async fn look(&self) -> bool {
            let due =
                self.timetable.last_due(self.clock.now(), chrono::Duration::days(400)).expect("something was due");
            let outcome = run_tick(&self.app, &self.fetcher, &due, std::future::pending()).await;
            matches!(outcome, Ok(Outcome::Done))
        }
    }

    #[tokio::test]
    async fn whatever_the_clock_does_no_run_is_made_twice() {
        let world = world().await;
        // The runs of yesterday evening and of this morning.
        world.clock.advance(chrono::Duration::hours(-7));
        assert!(world.look().await);
        world.clock.advance(chrono::Duration::hours(7));
        assert!(world.look().await);
        for step_s in [1, -1, 2 * 3600 - 60, -2 * 3600, 3600] {
            world.clock.advance(chrono::Duration::seconds(step_s));
            assert!(!world.look().await, "after a step of {step_s} s");
        }
        // A year ahead there is something due: one run, not one for each that was missed; and none on the way back.
        world.clock.advance(chrono::Duration::days(365));
        assert!(world.look().await && !world.look().await);
        world.clock.advance(chrono::Duration::days(-365));
        assert!(!world.look().await);
    }

    #[tokio::test]
    async fn the_loop_never_spins_and_never_oversleeps() {
        let world = world().await;
        let mut now = world.clock.now();
        for step_s in [0, 1, -1, 7200, -7200, 86_399, -31_536_000, 31_536_000, 59, 898] {
            now += chrono::Duration::seconds(step_s);
            let nap = nap(&world.timetable, now);
            assert!(nap >= Duration::from_millis(100) && nap <= LONGEST_SLEEP, "{nap:?} at {now}");
        }
    }

    #[test]
    fn a_step_of_more_than_five_minutes_raises_an_alarm_and_time_that_passes_does_not() {
        let then: DateTime<Utc> = "2026-03-03T13:16:00Z".parse().expect("a literal instant");
        let step = |moved_s: i64, passed_s: i64| {
            let moved = chrono::Duration::seconds(moved_s);
            beside(then, then + moved, chrono::Duration::seconds(passed_s)).map(|step| step.num_seconds())
        };
        assert_eq!(step(3600, 3600), None, "an hour that passed");
        assert_eq!(step(21, 20), None, "a second gained");
        assert_eq!(step(260, 20), None, "slewed by four minutes");
        assert_eq!(step(20 - 7200, 20), Some(-7200));
        assert_eq!(step(20 + 31_536_000, 20), Some(31_536_000));
        assert_eq!(step(3620, 20), Some(3600), "the machine slept");
    }
}
