//! What looks for alarms, once a minute, in every process.

use std::future::Future;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use futures::FutureExt;
use tokio::time::Instant;
use tracing::{error, info, warn};

use super::disk::{DiskLooks, DiskProbe};
use super::observe::{self, Depth, broken_channels};
use super::{season, tell};
use crate::alarms::settings::Recipient;
use crate::alarms::words::lasted;
use crate::alarms::{Alarm, AlarmKind, Change, Condition, Look, Pauses, What, plan};
use crate::delivery::quiet_hours::QuietHours;
use crate::dispatch::channels::Channels;
use crate::people::Address;
use crate::progress::Part;
use crate::service::app::App;
use crate::store::StoreError;
use crate::store::alarms::{keep, known_for_change};
use crate::text::Chain;

/// From one look to the next.
const EVERY: Duration = Duration::from_secs(60);

/// From one full look to the next, where no cycle asks for one.
const FULL_EVERY: TimeDelta = TimeDelta::minutes(10);

/// A clock that moves by more than this beyond the time that passed raises an alarm.
const CLOCK_STEP: Duration = Duration::from_secs(300);

/// A store that cannot be written for this long is no passing fault.
const STORE_PATIENCE: TimeDelta = TimeDelta::minutes(2);

/// A service that stood still for a while makes up for it at its start: so long it may take before what is late is a fault.
const CATCHES_UP: TimeDelta = TimeDelta::minutes(15);

/// An alarm that was never tried for this long waits for a process that is not there, if none has said of late that it is.
const STUCK: TimeDelta = TimeDelta::minutes(15);

/// Each process says once a minute that it is at work; one that was silent for this long is not.
const AT_WORK: TimeDelta = TimeDelta::minutes(5);

/// From one try past the queue that reached nobody to the next.
const TRY_AGAIN: TimeDelta = TimeDelta::minutes(5);

/// Which process this is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Process {
    /// The machine's name: what each sees for itself is told apart by it.
    pub machine: String,
    /// Its part: all, schedule, deliver, web, once.
    pub role: String,
    /// Whether it sends messages: then it can tell people directly when the store cannot take them.
    pub delivers: bool,
    /// Whether it makes up for what was missed before it began; `once` has done so when it looks.
    pub catches_up: bool,
}

impl Process {
    /// This machine's.
    pub fn here(role: &str, delivers: bool) -> Self {
        Self { machine: machine_name(), role: role.to_owned(), delivers, catches_up: true }
    }

    /// One that looks when its work is done.
    pub fn after_work(role: &str) -> Self {
        Self { catches_up: false, ..Self::here(role, true) }
    }
}

#[cfg(unix)]
fn machine_name() -> String {
    rustix::system::uname().nodename().to_string_lossy().into_owned()
}

#[cfg(not(unix))]
fn machine_name() -> String {
    std::env::var("COMPUTERNAME").unwrap_or_else(|_| "this machine".to_owned())
}

/// Looks for alarms and has them told.
pub struct AlarmKeeper {
    app: App,
    channels: Channels,
    disks: DiskLooks,
    process: Process,
    id: String,
    started_at: DateTime<Utc>,
    recipients: Vec<Recipient>,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    /// Clock steps and what else this process saw itself, until it is written.
    happened: Vec<Condition>,
    full_at: Option<DateTime<Utc>>,
    store: Option<StoreFault>,
    /// That alarms wait in the queue and nobody sends them.
    stuck: Option<Alarm>,
    /// When people were last told past the queue and nobody was reached.
    in_vain_at: Option<DateTime<Utc>>,
    /// Recipients who have said stop, as the store last knew them: past the queue nothing goes to them, either.
    stopped: Vec<Address>,
}

/// The store cannot be written.
#[derive(Clone)]
struct StoreFault {
    since: DateTime<Utc>,
    alarm: Option<Alarm>,
}

impl AlarmKeeper {
    pub fn new(app: App, channels: Channels, disks: Arc<dyn DiskProbe>, process: Process) -> Self {
        // The settings were checked: what is wrong with one recipient stops the service at its start.
        let recipients = app.config.alarms.recipients(app.config.sms.reach).unwrap_or_default();
        let id = format!("{}-{}-{}", process.machine, std::process::id(), app.store.randomness().hex::<4>());
        let started_at = app.clock.now();
        let disks = DiskLooks::new(disks);
        Self { app, channels, disks, process, id, started_at, recipients, state: Mutex::default() }
    }

    /// Looks once a minute until `shutdown`.
    pub async fn run(&self, shutdown: impl Future<Output = ()>) {
        if self.recipients.is_empty() {
            warn!("nobody is told of alarms: name somebody in [alarms], or watch this log and `treebell alarms`");
        }
        self.warn_of_unknown_regions().await;
        let shutdown = shutdown.shared();
        let mut watch = ClockWatch::start(self.app.clock.now());
        loop {
            tokio::select! {
                () = self.look() => self.app.progress.made(Part::Alarms),
                () = shutdown.clone() => break,
            }
            tokio::select! {
                () = tokio::time::sleep(EVERY) => {}
                () = shutdown.clone() => break,
            }
            if let Some(step) = watch.step(self.app.clock.now()) {
                self.clock_jumped(step, self.app.clock.now());
            }
        }
        self.app.progress.ended(Part::Alarms);
    }

    /// A recipient of a region that is misspelled would hear of none.
    async fn warn_of_unknown_regions(&self) {
        let known = match self.app.store.all_regions().await {
            Ok(regions) => regions,
            // The first look says so.
            Err(_) => return,
        };
        for recipient in &self.recipients {
            for region in recipient.regions().iter().filter(|id| !known.iter().any(|one| one.id == **id)) {
                warn!(
                    recipient = recipient.name,
                    region.id = %region,
                    "alarms.recipients: there is no region `{region}`, so `{}` is told of nothing about it: see `treebell region list`",
                    recipient.name
                );
            }
        }
    }

    /// The next look is a full one: a cycle has ended.
    pub fn look_at_all(&self) {
        self.state().full_at = None;
    }

    fn clock_jumped(&self, step: TimeDelta, now: DateTime<Utc>) {
        let (by, way) = (lasted(step.abs()), if step > TimeDelta::zero() { "ahead" } else { "back" });
        warn!(clock.step_s = step.num_seconds(), "the clock jumped {way} by {by}");
        self.state().happened.push(Condition {
            kind: AlarmKind::Clock,
            // All processes of the machine see it within a minute.
            subject: format!("{}/{}", self.process.machine, now.timestamp().div_euclid(600)),
            region: None,
            what: format!("The clock of {} jumped {way} by {by}.", self.process.machine),
            mend: "If the machine slept, nothing. Else see whether it keeps its time (chrony, systemd-timesyncd): no run of the \
                   schedule is made twice, but messages carry its time."
                .to_owned(),
        });
    }

    /// One look now.
    pub async fn look(&self) {
        let now = self.app.clock.now();
        match self.look_in_store(now).await {
            Ok(()) => self.store_works(now),
            Err(why) => self.store_fails(&why, now).await,
        }
    }

    /// Where another process should send and none does, alarms would wait with all else: then this one tells people itself.
    async fn see_that_alarms_leave(&self, now: DateTime<Utc>) -> Result<(), StoreError> {
        if self.process.delivers {
            return Ok(());
        }
        // Once told it lasts until somebody delivers: alarms that waited in vain expire meanwhile.
        let is_told = self.state().stuck.as_ref().is_some_and(|alarm| alarm.ended_at.is_none());
        let waiting = match self.app.store.somebody_delivers(now - AT_WORK).await? {
            true => false,
            false => is_told || self.app.store.alarms_untried_since(now - STUCK, now).await? > 0,
        };
        let mut look = Look { kinds: [AlarmKind::Queue].into(), ..Look::default() };
        if waiting {
            look.conditions.push(Condition {
                kind: AlarmKind::Queue,
                subject: "alarms".to_owned(),
                region: None,
                what: format!(
                    "No process delivers: alarms wait in the queue like all other messages, so this message comes from {} directly. \
                     `treebell alarms` lists them.",
                    self.process.machine
                ),
                mend: "start a process that delivers: `treebell run`, or on a server also `treebell run --only deliver`.".to_owned(),
            });
        }
        let known: Vec<Alarm> = self.state().stuck.clone().into_iter().collect();
        for change in plan(&look, &known, &self.pauses(now), now) {
            let alarm = self.tell_past_queue(change, known.first(), now).await;
            self.state().stuck = Some(alarm).filter(|alarm| alarm.ended_at.is_none() || alarm.believed);
        }
        Ok(())
    }

    /// Tells a change past the queue, if it is to be told. Gives the alarm as it stands afterwards: what reached nobody is as
    /// untold as `before`, and is tried again after a while.
    async fn tell_past_queue(&self, change: Change, before: Option<&Alarm>, now: DateTime<Utc>) -> Alarm {
        if !change.tell {
            return change.alarm;
        }
        let untold = Alarm {
            told_at: before.and_then(|alarm| alarm.told_at),
            times_told: before.map_or(0, |alarm| alarm.times_told),
            believed: before.is_some_and(|alarm| alarm.believed),
            ..change.alarm.clone()
        };
        if self.state().in_vain_at.is_some_and(|at| now >= at && now - at < TRY_AGAIN) {
            return untold;
        }
        log(&change);
        let stopped = self.state().stopped.clone();
        let taken = tell::directly(&self.app, &self.channels, &self.recipients, &stopped, &change, now).await;
        self.state().in_vain_at = (taken == 0).then_some(now);
        if taken == 0 {
            error!(alarm = %change.alarm.kind, "the alarm reached nobody: only this log tells it; it is tried again");
            return untold;
        }
        change.alarm
    }

    /// Who of the recipients has said stop.
    async fn stopped_recipients(&self) -> Result<Vec<Address>, StoreError> {
        let mut stopped = Vec::new();
        for address in self.recipients.iter().flat_map(|one| one.email.iter().chain(&one.phone)) {
            if self.app.store.is_suppressed(address).await? {
                stopped.push(address.clone());
            }
        }
        Ok(stopped)
    }

    async fn look_in_store(&self, now: DateTime<Utc>) -> Result<(), StoreError> {
        let Self { app, process, .. } = self;
        app.store.note_watcher(&self.id, &process.role, self.started_at, now).await?;
        let depth = match self.state().full_at {
            Some(at) if now - at < FULL_EVERY && now >= at => Depth::Quick,
            _ => Depth::Full,
        };
        let mut look = observe::look(app, &self.disks, &process.machine, depth, now).await?;
        if process.catches_up && now - self.started_at < CATCHES_UP && self.stood_still(now).await? {
            let late = [AlarmKind::Cycle, AlarmKind::Queue, AlarmKind::NoticeRunsOut];
            look.kinds.retain(|kind| !late.contains(kind));
            look.conditions.retain(|condition| !late.contains(&condition.kind));
        }
        if depth == Depth::Full {
            let stopped = self.stopped_recipients().await?;
            self.state().stopped = stopped;
        }
        let happened = self.state().happened.clone();
        let written = happened.len();
        look.conditions.extend(happened);
        let ended = self.state().store.clone().and_then(|fault| fault.alarm);
        self.write(&look, ended, now).await?;
        self.see_that_alarms_leave(now).await?;
        let mut state = self.state();
        state.happened.drain(..written);
        if depth == Depth::Full {
            state.full_at = Some(now);
        }
        Ok(())
    }

    /// Whether the service began a moment ago after it had stood still. One that ends and begins again and again makes up for
    /// nothing, and must not put off for ever what it would tell.
    async fn stood_still(&self, now: DateTime<Utc>) -> Result<bool, StoreError> {
        let since = self.app.store.at_work_since(&self.process.role, self.started_at, CATCHES_UP).await?;
        Ok(now - since < CATCHES_UP)
    }

    /// Writes what follows from a look, with the messages that tell it. `ended` is an alarm that could not be written while
    /// it stood.
    async fn write(&self, look: &Look, ended: Option<Alarm>, now: DateTime<Utc>) -> Result<(), StoreError> {
        let Self { app, recipients, .. } = self;
        let pauses = self.pauses(now);
        let mut known = app.store.known_alarms(now).await?;
        known.extend(ended.clone());
        let look = &Look { endings: season::endings(app, look, &known, now).await?, ..look.clone() };
        if plan(look, &known, &pauses, now).is_empty() {
            return Ok(());
        }
        // Once more under the lock: another process may have seen the same.
        let mut tx = app.store.begin().await?;
        let mut known = known_for_change(&mut tx, now).await?;
        known.extend(ended);
        let changes = plan(look, &known, &pauses, now);
        for change in &changes {
            keep(&mut tx, change).await?;
        }
        let broken = broken_channels(&look.conditions);
        let sent = tell::queue(&mut tx, app, recipients, &changes, &pauses, &broken, now).await?;
        tx.commit().await?;
        let messages = sent.iter().filter(|one| one.delivery.is_some()).count();
        changes.iter().for_each(log);
        if messages > 0 {
            info!(messages, "alarms are queued for those whom the settings name");
            app.queued.notify_one();
        }
        Ok(())
    }

    async fn store_fails(&self, why: &StoreError, now: DateTime<Utc>) {
        let mut fault = self.state().store.get_or_insert(StoreFault { since: now, alarm: None }).clone();
        if fault.since == now {
            match why {
                StoreError::CannotWrite { .. } => error!("{}", Chain(why)),
                _ => error!("the store cannot be written: {}", Chain(why)),
            }
        }
        if now - fault.since < STORE_PATIENCE {
            return;
        }
        let condition = Condition {
            kind: AlarmKind::Store,
            subject: "store".to_owned(),
            region: None,
            what: format!(
                "{}: the store has not taken a write for {}. Nothing is sent, decided or signed up, and gateways that bring a STOP \
                 are asked to bring it again.",
                self.process.machine,
                lasted(now - fault.since)
            ),
            mend: "see the log of the service for the fault and whether the disk is full, the database server answers and its \
                   password still holds. The service goes on by itself once the store does."
                .to_owned(),
        };
        let look = Look { conditions: vec![condition], machine: self.process.machine.clone(), ..Look::default() };
        let known: Vec<Alarm> = fault.alarm.clone().into_iter().collect();
        // Only what is to be told is kept in mind here: there is no store to write it to. Who told nobody tells nobody of the end.
        for change in plan(&look, &known, &self.pauses(now), now) {
            fault.alarm = Some(if self.process.delivers {
                self.tell_past_queue(change, known.first(), now).await
            } else {
                if change.tell {
                    error!(alarm = %change.alarm.kind, "ALARM: {}: {}", change.alarm.what, Chain(why));
                }
                Alarm { believed: false, ..change.alarm }
            });
        }
        self.app.metrics.set_store_alarm(fault.alarm.is_some());
        self.state().store = Some(fault);
    }

    fn store_works(&self, now: DateTime<Utc>) {
        self.app.metrics.set_store_alarm(false);
        let Some(fault) = self.state().store.take() else { return };
        info!("the store takes writes again after {}", lasted(now - fault.since));
    }

    fn pauses(&self, now: DateTime<Utc>) -> Pauses {
        let quiet = QuietHours::from(&self.app.config.delivery);
        self.app.config.alarms.pauses(quiet.open_at(now, self.app.config.schedule.time_zone))
    }

    fn state(&self) -> std::sync::MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn log(change: &Change) {
    let Alarm { kind, subject, what, mend, .. } = &change.alarm;
    match change.what {
        What::Raised | What::Again => warn!(alarm = %kind, alarm.subject = subject, "ALARM: {what} What to do: {mend}"),
        What::Repeated => warn!(alarm = %kind, alarm.subject = subject, "STILL: {what} What to do: {mend}"),
        What::Resolved if kind.is_event() => {}
        What::Resolved if kind.tells_its_end() => {
            warn!(alarm = %kind, alarm.subject = subject, "RESOLVED: {}: {what}", kind.title());
        }
        What::Resolved => warn!(alarm = %kind, alarm.subject = subject, "RESOLVED: {}", kind.title()),
        What::Noted => {}
    }
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
    fn step(&mut self, now: DateTime<Utc>) -> Option<TimeDelta> {
        let passed = TimeDelta::from_std(self.at.elapsed()).unwrap_or_default();
        let step = beside(self.clock, now, passed);
        *self = Self::start(now);
        step
    }
}

/// How far a clock moved beside the time that passed, when that is worth an alarm.
fn beside(then: DateTime<Utc>, now: DateTime<Utc>, passed: TimeDelta) -> Option<TimeDelta> {
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
    use crate::service::alarms::disk::MachineDisks;
    use crate::store::Store;

    #[tokio::test]
    async fn a_jump_of_the_clock_is_kept_as_an_alarm_with_its_size() {
        let clock = Arc::new(ManualClock::at("2026-03-03T13:16:00Z".parse().expect("a literal instant")));
        let store = Store::in_memory().await.expect("a store in memory");
        let templates = Templates::load(None).expect("the built-in templates");
        let app = App::with_store(&Config::default(), clock.clone(), store, Profiles::default(), templates);
        let keeper =
            AlarmKeeper::new(app.clone(), Channels::default(), Arc::new(MachineDisks), Process::here("all", true));
        keeper.clock_jumped(TimeDelta::hours(-2), clock.now());
        keeper.look().await;
        keeper.look().await;
        let kept = app.store.alarms(None).await.expect("a store");
        let jumps: Vec<&str> =
            kept.iter().filter(|alarm| alarm.kind == AlarmKind::Clock).map(|alarm| alarm.what.as_str()).collect();
        assert!(jumps.len() == 1 && jumps[0].contains("jumped back by 2 hours"), "{jumps:?}");
    }

    #[test]
    fn a_step_of_more_than_five_minutes_raises_an_alarm_and_time_that_passes_does_not() {
        let then: DateTime<Utc> = "2026-03-03T13:16:00Z".parse().expect("a literal instant");
        let step = |moved_s: i64, passed_s: i64| {
            let moved = TimeDelta::seconds(moved_s);
            beside(then, then + moved, TimeDelta::seconds(passed_s)).map(|step| step.num_seconds())
        };
        assert_eq!(step(3600, 3600), None, "an hour that passed");
        assert_eq!(step(21, 20), None, "a second gained");
        assert_eq!(step(260, 20), None, "slewed by four minutes");
        assert_eq!(step(20 - 7200, 20), Some(-7200));
        assert_eq!(step(20 + 31_536_000, 20), Some(31_536_000));
        assert_eq!(step(3620, 20), Some(3600), "the machine slept");
    }
}
