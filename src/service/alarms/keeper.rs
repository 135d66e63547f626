//! What looks for alarms, once a minute, in every process.

use std::future::Future;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use futures::FutureExt;
use tokio::time::Instant;
use tracing::{error, info, warn};

use super::disk::DiskProbe;
use super::observe::{self, Depth, broken_channels};
use super::tell;
use crate::alarms::settings::Recipient;
use crate::alarms::words::lasted;
use crate::alarms::{Alarm, AlarmKind, Change, Condition, Look, Pauses, What, plan};
use crate::delivery::quiet_hours::QuietHours;
use crate::dispatch::channels::Channels;
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

/// An alarm that was never tried for this long waits for a process that is not there.
const STUCK: TimeDelta = TimeDelta::minutes(15);

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
    disks: Arc<dyn DiskProbe>,
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
        Self { app, channels, disks, process, id, started_at, recipients, state: Mutex::default() }
    }

    /// Looks once a minute until `shutdown`.
    pub async fn run(&self, shutdown: impl Future<Output = ()>) {
        if self.recipients.is_empty() {
            warn!("nobody is told of alarms: name somebody in [alarms], or watch this log and `treebell alarms`");
        }
        let shutdown = shutdown.shared();
        let mut watch = ClockWatch::start(self.app.clock.now());
        loop {
            tokio::select! {
                () = self.look() => {}
                () = shutdown.clone() => return,
            }
            tokio::select! {
                () = tokio::time::sleep(EVERY) => {}
                () = shutdown.clone() => return,
            }
            if let Some(step) = watch.step(self.app.clock.now()) {
                self.clock_jumped(step, self.app.clock.now());
            }
        }
    }

    /// The next look is a full one: a cycle has ended.
    pub fn look_at_all(&self) {
        self.state().full_at = None;
    }

    fn clock_jumped(&self, step: TimeDelta, now: DateTime<Utc>) {
        let (by, way) = (lasted(step.abs()), if step > TimeDelta::zero() { "ahead" } else { "back" });
        warn!(clock.step_s = step.num_seconds(), "the clock moved {way} by {by} beside the time that passed");
        self.state().happened.push(Condition {
            kind: AlarmKind::Clock,
            subject: format!("{}/{}", self.process.machine, now.timestamp()),
            region: None,
            what: format!("The clock of {} moved {way} by {by} beside the time that passed.", self.process.machine),
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
        let waiting = self.app.store.alarms_untried_since(now - STUCK, now).await?;
        let mut look = Look { kinds: [AlarmKind::Queue].into(), ..Look::default() };
        if waiting > 0 {
            look.conditions.push(Condition {
                kind: AlarmKind::Queue,
                subject: "alarms".to_owned(),
                region: None,
                what: format!(
                    "No process delivers: alarms wait in the queue like all other messages. `treebell alarms` lists them; {} tells \
                     you this itself.",
                    self.process.machine
                ),
                mend: "start a process that delivers: `treebell run`, or on a server also `treebell run --only deliver`.".to_owned(),
            });
        }
        let known: Vec<Alarm> = self.state().stuck.clone().into_iter().collect();
        for change in plan(&look, &known, &self.pauses(now), now) {
            log(&change);
            if change.tell {
                tell::directly(&self.app, &self.channels, &self.recipients, &change, now).await;
            }
            self.state().stuck = Some(change.alarm).filter(|alarm| alarm.ended_at.is_none());
        }
        Ok(())
    }

    async fn look_in_store(&self, now: DateTime<Utc>) -> Result<(), StoreError> {
        let Self { app, process, .. } = self;
        app.store.note_watcher(&self.id, &process.role, self.started_at, now).await?;
        let depth = match self.state().full_at {
            Some(at) if now - at < FULL_EVERY && now >= at => Depth::Quick,
            _ => Depth::Full,
        };
        let mut look = observe::look(app, &self.disks, &process.machine, depth, now).await?;
        if process.catches_up && now - self.started_at < CATCHES_UP {
            let late = [AlarmKind::Cycle, AlarmKind::Queue];
            look.kinds.retain(|kind| !late.contains(kind));
            look.conditions.retain(|condition| !late.contains(&condition.kind));
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

    /// Writes what follows from a look, with the messages that tell it. `ended` is an alarm that could not be written while
    /// it stood.
    async fn write(&self, look: &Look, ended: Option<Alarm>, now: DateTime<Utc>) -> Result<(), StoreError> {
        let Self { app, recipients, .. } = self;
        let pauses = self.pauses(now);
        let mut known = app.store.known_alarms(now).await?;
        known.extend(ended.clone());
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
        let sent = tell::queue(&mut tx, app, recipients, &changes, &broken, now).await?;
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
            error!("the store cannot be written: {}", Chain(why));
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
        // Only what is to be told is kept in mind here: there is no store to write it to.
        for change in plan(&look, &known, &self.pauses(now), now) {
            fault.alarm = Some(change.alarm.clone());
            if change.tell {
                error!(alarm = %change.alarm.kind, "ALARM: {}: {}", change.alarm.what, Chain(why));
                let taken = match self.process.delivers {
                    true => tell::directly(&self.app, &self.channels, &self.recipients, &change, now).await,
                    false => 0,
                };
                if taken == 0 {
                    error!("the alarm that the store cannot be written reached nobody: only this log tells it");
                }
            }
        }
        self.state().store = Some(fault);
    }

    fn store_works(&self, now: DateTime<Utc>) {
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
