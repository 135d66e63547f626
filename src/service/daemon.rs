//! The daemon: one process that keeps the schedule and works the queue, for months.

mod outcome;
mod work;

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, Utc};
use futures::FutureExt;
use futures::future::BoxFuture;
use tokio::time::Instant;
use tracing::{error, info, warn};

use self::outcome::{is_well, note_failed, outcome_of, result_of, served_of};
use self::work::one_cycle;
pub use self::work::run_of_practice;
use super::cycle::{self, CycleReport};
use super::cycle_pause::Pause;
use super::loaded::note_loaded;
use super::pull::PullReport;
use super::watchdog;
use crate::delivery::inbound::Intake;
use crate::dispatch::channels::Channels;
use crate::dispatch::dispatcher::{DispatchError, Dispatcher, Drained};
use crate::dispatch::personalise::Personaliser;
use crate::metrics::CycleResult;
use crate::progress::Part;
use crate::service::alarms::ping::Pinger;
use crate::service::alarms::{AlarmKeeper, AlarmParts, Process};
use crate::service::app::App;
use crate::service::texts::reassembly::Reassembly;
use crate::store::acts::Actor;
use crate::store::runs::{CYCLE, ONCE, RunResult, Start};
use crate::store::{Engine, ServiceLock, Store, StoreError};
use crate::timetable::{ScheduleError, Tick, Timetable};
use crate::weather::fetch::Fetcher;

/// Longest sleep: after it the clock is read again, so that a clock that was set or a machine that slept is noticed.
const LONGEST_SLEEP: Duration = Duration::from_secs(20);

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

impl Role {
    /// What a process of this role is called in the store, and says of itself in the log.
    fn said(only: Option<Role>) -> (&'static str, &'static str) {
        match only {
            None => ("all", "it keeps the schedule, delivers, and serves pages where web.listen is set"),
            Some(Role::Schedule) => ("schedule", "it keeps the schedule and delivers nothing: another process must"),
            Some(Role::Deliver) => ("deliver", "it only delivers: another process must keep the schedule"),
            Some(Role::Web) => {
                ("web", "it only serves pages and webhooks: other processes must keep the schedule and deliver")
            }
        }
    }
}

#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Dispatch(#[from] DispatchError),
    #[error("schedule.cycle")]
    Schedule(#[from] ScheduleError),
    #[error(
        "{shown} is a practice store with invented people: no service runs on it. Name the real one in store.address, or practise \
         on with `treebell demo --desk`"
    )]
    Practice { shown: String },
}

/// Real channels are never used with a practice store.
///
/// # Errors
/// [`DaemonError::Practice`] of one, or when the store fails.
pub async fn refuse_practice(store: &Store) -> Result<(), DaemonError> {
    match store.practice().await? {
        None => Ok(()),
        Some(_) => Err(DaemonError::Practice { shown: store.shown().to_owned() }),
    }
}

/// What a daemon is made of beside the parts.
pub struct Outside {
    pub fetcher: Fetcher,
    pub channels: Channels,
    pub personaliser: Arc<dyn Personaliser>,
    pub alarms: AlarmParts,
    /// Who started the service, for the line of the audit that says with what; `None` leaves none.
    pub starter: Option<Actor>,
    /// Serve the pages, and those who watch, until they are told to stop; made by the rooms above this one.
    pub servers: Vec<Server>,
}

/// See [`Outside::servers`].
pub type Server = Box<dyn FnOnce(BoxFuture<'static, ()>) -> BoxFuture<'static, ()> + Send>;

/// Whoever started the service and looks after it.
pub struct Manager {
    /// Comes true when all is there to serve people; then `ready` is called.
    pub until_ready: BoxFuture<'static, ()>,
    pub ready: Box<dyn FnOnce() + Send>,
    /// A sign of life that is wanted every so often, and how it is given.
    pub alive_every: Duration,
    pub alive: Box<dyn FnMut() + Send>,
}

/// Runs until `shutdown`, then stops within ten seconds with nothing lost.
///
/// # Errors
/// When another service holds the store, or the store fails at the start. Later faults are logged and tried again.
pub async fn run(
    app: &App,
    outside: Outside,
    only: Option<Role>,
    manager: Manager,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<Drained, DaemonError> {
    refuse_practice(&app.store).await?;
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
    if let Some(starter) = outside.starter {
        note_loaded(app, starter, true).await?;
    }
    let shutdown = shutdown.shared();
    let channels = outside.channels;
    let dispatcher = Dispatcher::new(
        app.store.clone(),
        app.clock.clone(),
        channels.clone(),
        &app.config.delivery,
        outside.personaliser,
    )
    .woken_by(app.queued.clone())
    .watched_by(app.metrics.clone(), app.progress.clone());
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
    let (role, said) = Role::said(only);
    info!("treebell is at work on {}: {said}", app.store.shown());
    let AlarmParts { disks, pinger } = outside.alarms;
    let keeper = AlarmKeeper::new(app.clone(), channels.clone(), disks, Process::here(role, delivers));
    let waker = dispatcher.waker();
    let keep_schedule = async {
        if only.is_none_or(|role| role == Role::Schedule) {
            let schedule = Schedule { app, fetcher: &outside.fetcher, timetable: &timetable, keeper: &keeper, pinger };
            schedule.keep(lock, || waker.notify_one(), shutdown.clone()).await;
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
    let serve = futures::future::join_all(outside.servers.into_iter().map(|server| server(shutdown.clone().boxed())));
    let Manager { until_ready, ready, alive_every, alive } = manager;
    let tell_ready = async {
        tokio::select! {
            () = until_ready => ready(),
            () = shutdown.clone() => {}
        }
    };
    let patience = Duration::from_secs(app.config.watch.stalled_after_s);
    let watch = watchdog::watch(&app.progress, patience, alive_every, alive, shutdown.clone());
    let keep_alarms = keeper.run(shutdown.clone());
    let ((), drained, (), _, (), (), ()) =
        tokio::join!(keep_schedule, deliver, mind_parts, serve, tell_ready, watch, keep_alarms);
    info!("treebell has stopped");
    Ok(drained)
}

/// What [`once`] came to.
#[derive(Debug)]
pub struct OnceReport {
    pub cycle: CycleReport,
    pub pulled: PullReport,
    pub result: RunResult,
    pub drained: Drained,
}

/// One cycle now, whatever the schedule says, then the queue until nothing more is due soon. Alarms are looked for after both.
///
/// # Errors
/// When another service holds the store, or the store fails.
pub async fn once(
    app: &App,
    outside: Outside,
    patience: Duration,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<OnceReport, DaemonError> {
    refuse_practice(&app.store).await?;
    let _lock = app.store.lock_service().await?;
    if let Some(starter) = outside.starter {
        note_loaded(app, starter, false).await?;
    }
    let AlarmParts { disks, pinger } = outside.alarms;
    let keeper = AlarmKeeper::new(app.clone(), outside.channels.clone(), disks, Process::after_work(ONCE));
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
    let civil = app.clock.now().with_timezone(&app.config.schedule.time_zone).naive_local();
    app.store.start_run(ONCE, civil, app.clock.now()).await?;
    let (report, pulled) = match one_cycle(app, &outside.fetcher).await {
        Ok(done) => done,
        Err(why) => {
            // A cron that nobody watches tells people all the same.
            note_failed(app, ONCE, civil, &why).await;
            keeper.look().await;
            dispatcher.run_until_idle(shutdown, Duration::ZERO).await;
            return Err(why.into());
        }
    };
    let result = result_of(&report, &pulled);
    let (outcome, served) = (outcome_of(result, &report, &pulled), served_of(&report));
    app.store.finish_cycle(ONCE, civil, result, &outcome, served, app.clock.now()).await?;
    keeper.look().await;
    let shutdown = shutdown.shared();
    let mut drained = dispatcher.run_until_idle(shutdown.clone(), patience).await;
    // What sending showed to be wrong is told, too: refusals as well, which only a full look sees.
    keeper.look_at_all();
    keeper.look().await;
    drained += dispatcher.run_until_idle(shutdown, Duration::ZERO).await;
    if let Some(pinger) = pinger.filter(|_| is_well(result, &report, &pulled)) {
        pinger.call().await;
    }
    Ok(OnceReport { cycle: report, pulled, result, drained })
}

/// What keeps the schedule.
struct Schedule<'a> {
    app: &'a App,
    fetcher: &'a Fetcher,
    timetable: &'a Timetable,
    keeper: &'a AlarmKeeper,
    pinger: Option<Pinger>,
}

impl Schedule<'_> {
    async fn keep(&self, mut lock: Option<ServiceLock>, queued: impl Fn(), shutdown: impl Future<Output = ()> + Clone) {
        let app = self.app;
        let mut stands_by = false;
        let mut told_pause = None;
        loop {
            app.progress.made(Part::Schedule);
            match hold(app, &mut lock).await {
                Ok(true) => {
                    if stands_by {
                        info!("this process takes over: whoever kept the schedule is gone");
                        stands_by = false;
                    }
                    match self.turn(&queued, shutdown.clone()).await {
                        Turn::Done => {}
                        Turn::Pausing(pause) if told_pause == Some(pause) => {}
                        Turn::Pausing(pause) => {
                            error!("{pause}");
                            told_pause = Some(pause);
                        }
                        Turn::ShuttingDown => break,
                    }
                }
                Ok(false) => {
                    if !stands_by {
                        info!(
                            "another process keeps the schedule: this one stands by and takes over when that one goes"
                        );
                        stands_by = true;
                    }
                }
                Err(why) => error!("the schedule's lock cannot be had: {why}"),
            }
            let sleep = nap(self.timetable, app.clock.now());
            tokio::select! {
                () = tokio::time::sleep(sleep) => {}
                () = shutdown.clone() => break,
            }
        }
        app.progress.ended(Part::Schedule);
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
    Pausing(Pause),
    ShuttingDown,
}

impl Schedule<'_> {
    /// What is due now: a run of the cycle; between two, regions whose open notices rest on reports that have changed, and notices
    /// whose hour has come.
    async fn turn(&self, queued: &impl Fn(), shutdown: impl Future<Output = ()> + Clone) -> Turn {
        let Self { app, fetcher, timetable, keeper, pinger } = self;
        let reach = chrono::Duration::days(i64::from(app.config.schedule.catch_up_days).max(1));
        // However many runs were missed, one is made: it assesses every missed data day.
        let mut turn = Turn::Done;
        if let Some(due) = timetable.last_due(app.clock.now(), reach) {
            match run_tick(app, fetcher, &due, shutdown.clone()).await {
                Ok(Outcome::Done { well }) => {
                    queued();
                    keeper.look_at_all();
                    if let Some(pinger) = pinger.as_ref().filter(|_| well) {
                        pinger.call().await;
                    }
                }
                Ok(Outcome::NotDue) => {}
                Ok(Outcome::Pausing(pause)) => turn = Turn::Pausing(pause),
                Ok(Outcome::ShuttingDown) => return Turn::ShuttingDown,
                Err(why) => {
                    // A store that takes no write counts no tries, and then there is no pause.
                    let tries = app.store.unfinished_tries(CYCLE).await.unwrap_or_default();
                    let next = match Pause::after(tries, app.clock.now()) {
                        Some(pause) => format!("not before {}", pause.until()),
                        None => format!("within {} seconds", LONGEST_SLEEP.as_secs()),
                    };
                    error!("the cycle failed and is tried again, {next}: {why}");
                }
            }
        }
        // Regions may have to be decided anew first. Cut short, it goes on from there at the next start.
        tokio::select! {
            () = release_now(app, queued) => turn,
            () = shutdown => Turn::ShuttingDown,
        }
    }
}

/// What a release left to be queued, and what is due between two runs.
async fn release_now(app: &App, queued: &impl Fn()) {
    match app.store.queue_rest(app.clock.now()).await {
        Ok(rest) if rest.queued.is_empty() => {}
        Ok(_) => queued(),
        Err(why) => error!("the store cannot be asked for notices that are still being queued: {why}"),
    }
    let mut report = CycleReport::default();
    match cycle::minute(app, &mut report, &mut |_| {}).await {
        Ok(()) if report.released.is_empty() => {}
        Ok(()) => queued(),
        Err(why) => error!("notices whose hour has come could not be released: {why}"),
    }
}

fn measured(result: RunResult) -> CycleResult {
    match result {
        RunResult::Good => CycleResult::Succeeded,
        RunResult::Partly => CycleResult::Partly,
        RunResult::Failed => CycleResult::Failed,
    }
}

enum Outcome {
    Done { well: bool },
    NotDue,
    Pausing(Pause),
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
    if let Some(pause) = Pause::after(app.store.unfinished_tries(CYCLE).await?, now) {
        return Ok(Outcome::Pausing(pause));
    }
    match app.store.start_run(CYCLE, tick.civil, now).await? {
        Start::Done => return Ok(Outcome::NotDue),
        Start::CutOff { started_at } => {
            warn!("the run of {} began at {started_at} and never ended: it is made again", tick.civil);
        }
        Start::Fresh => {}
    }
    let since = Instant::now();
    let made = tokio::select! {
        made = one_cycle(app, fetcher) => made,
        () = shutdown => {
            app.store.forgive_try(CYCLE).await?;
            return Ok(Outcome::ShuttingDown);
        }
    };
    let result = made.as_ref().map_or(RunResult::Failed, |(report, pulled)| result_of(report, pulled));
    app.metrics.cycle_ended(measured(result), since.elapsed());
    let (report, pulled) = match made {
        Ok(done) => done,
        Err(why) => {
            note_failed(app, CYCLE, tick.civil, &why).await;
            return Err(why);
        }
    };
    let outcome = outcome_of(result, &report, &pulled);
    app.store.finish_cycle(CYCLE, tick.civil, result, &outcome, served_of(&report), app.clock.now()).await?;
    match result {
        RunResult::Good => info!(run = %tick.civil, "cycle of {} done: {outcome}", tick.civil),
        RunResult::Partly | RunResult::Failed => warn!(run = %tick.civil, "cycle of {} {outcome}", tick.civil),
    }
    Ok(Outcome::Done { well: is_well(result, &report, &pulled) })
}

#[cfg(test)]
mod tests;
