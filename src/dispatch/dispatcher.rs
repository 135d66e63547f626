//! Drains the queue: claims what may go, hands it to the channels, books how it ended.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use futures::FutureExt;
use tokio::sync::Notify;
use tokio::time::MissedTickBehavior;
use tracing::{info, warn};

use super::personalise::{Addressee, Personalised, Personaliser};
use crate::clock::Clock;
use crate::delivery::attempt::{Ending, Lost, UncertainRest};
use crate::delivery::backoff::Backoff;
use crate::delivery::pace;
use crate::delivery::pace::Window;
use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::scrub::shortened;
use crate::delivery::settings::{DeliveryConfig, PaceConfig};
use crate::dispatch::breaker::Breaker;
use crate::dispatch::channels::{Channels, LeaseGuard, Outgoing};
use crate::dispatch::estimate::pace_of;
use crate::dispatch::flight::{Flight, InHand, LAST_BOOKING, Unsent};
use crate::people::Channel;
use crate::store::queue::{Ask, Leased, Recovered};
use crate::store::{Store, StoreError};
use crate::text::error_chain;

/// What one pass or run came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Drained {
    /// Accepted by a channel.
    pub sent: u64,
    /// Not accepted for now, waiting for another try.
    pub later: u64,
    /// Refused for good.
    pub failed: u64,
    /// Answer lost, with those left by workers that vanished.
    pub uncertain: u64,
    /// Ended because their notice was of no use any more.
    pub expired: u64,
    /// Ended because the addressee is gone or said stop.
    pub withdrawn: u64,
    /// Answers that came when another worker had the delivery already: they changed nothing.
    pub stale: u64,
}

impl std::ops::AddAssign for Drained {
    fn add_assign(&mut self, other: Self) {
        self.sent += other.sent;
        self.later += other.later;
        self.failed += other.failed;
        self.uncertain += other.uncertain;
        self.expired += other.expired;
        self.withdrawn += other.withdrawn;
        self.stale += other.stale;
    }
}

#[derive(Debug, thiserror::Error)]
pub enum DispatchError {
    #[error("the queue could not be worked on")]
    Store(#[from] StoreError),
    /// Only in tests: the hook said that the process dies here.
    #[error("stopped on purpose at {0:?}")]
    Stopped(CrashPoint),
}

/// Where tests let the process die. Everything in hand is dropped there as a kill would drop it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CrashPoint {
    /// Lease and attempt rows are committed, no byte has left.
    AfterClaim,
    /// The channel has answered, nothing of it is on record.
    AfterAnswer,
    /// Channels have answered; what they took is noted, nothing is booked.
    AfterSend,
    /// The answers are booked.
    AfterBooking,
}

type CrashHook = Arc<dyn Fn(CrashPoint) -> bool + Send + Sync>;

/// Works the queue of one store. Any number may work on one PostgreSQL store; SQLite stores have one.
pub struct Dispatcher {
    pub(super) store: Store,
    pub(super) clock: Arc<dyn Clock>,
    channels: Channels,
    pub(super) config: DeliveryConfig,
    quiet: QuietHours,
    pub(super) backoff: Backoff,
    personaliser: Arc<dyn Personaliser>,
    worker: String,
    wake: Arc<Notify>,
    pub(super) breaker: Breaker,
    told_missing: Mutex<BTreeSet<Channel>>,
    pub(super) grace: Duration,
    crash: Option<CrashHook>,
}

/// Longest time between two looks at the queue: other processes (staff, another worker) write to it too.
const LOOK_AGAIN: Duration = Duration::from_secs(5);

/// Pause when something was due and could not be had: another worker has it in hand.
pub(super) const SHORT_PAUSE: Duration = Duration::from_millis(250);

/// Expired deliveries and lost leases are looked for this often.
const KEEP_HOUSE: Duration = Duration::from_secs(1);

/// On shutdown, messages in flight get this long to be answered; [`LAST_BOOKING`] is what comes on top.
const GRACE: Duration = Duration::from_secs(5);

impl Dispatcher {
    pub fn new(
        store: Store,
        clock: Arc<dyn Clock>,
        channels: Channels,
        config: &DeliveryConfig,
        personaliser: Arc<dyn Personaliser>,
    ) -> Self {
        let worker = format!("{}-{}", std::process::id(), store.randomness().hex::<4>());
        Self {
            store,
            clock,
            channels,
            config: config.clone(),
            quiet: QuietHours::from(config),
            backoff: Backoff::from(config),
            personaliser,
            worker,
            wake: Arc::new(Notify::new()),
            breaker: Breaker::default(),
            told_missing: Mutex::default(),
            grace: GRACE,
            crash: None,
        }
    }

    /// How long messages in flight may be waited for on shutdown; five seconds if not said.
    pub fn with_grace(mut self, grace: Duration) -> Self {
        self.grace = grace;
        self
    }

    /// Ask it at every [`CrashPoint`]; where it says yes, the work stops as if the process died.
    #[doc(hidden)]
    pub fn dying_when(mut self, hook: impl Fn(CrashPoint) -> bool + Send + Sync + 'static) -> Self {
        self.crash = Some(Arc::new(hook));
        self
    }

    /// Has this signal wake it, too: for those who put something into the queue.
    pub fn woken_by(mut self, signal: Arc<Notify>) -> Self {
        self.wake = signal;
        self
    }

    /// `notify_one` on it after queueing makes [`Dispatcher::run`] look at once.
    pub fn waker(&self) -> Arc<Notify> {
        self.wake.clone()
    }

    /// Ends everything an earlier process had in hand, without waiting for its leases to run out. Only for a service that
    /// holds the store alone ([`Store::lock_service`] on SQLite), at its start.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn take_over(&self) -> Result<Recovered, DispatchError> {
        self.store.mend_answers().await;
        let found = self.store.recover_leases(Lost::All, self.uncertain_rest(), self.clock.now()).await?;
        if found != Recovered::default() {
            warn!(
                deliveries = found.in_doubt,
                known_as_sent = found.taken,
                "an earlier run ended with messages in flight: those whose answer is not known are marked uncertain"
            );
        }
        Ok(found)
    }

    /// Sends all that may go out at this instant of the clock and returns when nothing more is due and nothing in flight.
    ///
    /// # Errors
    /// When the store fails. What was in flight then is uncertain.
    pub async fn drain_due(&self) -> Result<Drained, DispatchError> {
        let mut flight = Flight::default();
        let mut dry = BTreeSet::new();
        flight.done += self.housekeeping().await?;
        loop {
            if self.begin_more(&mut flight, &mut dry).await? == 0 && flight.is_empty() {
                return Ok(flight.done);
            }
            // Empty when all that was taken was withdrawn.
            if !flight.is_empty() {
                self.land(&mut flight, &mut dry).await;
                self.book(&mut flight).await?;
            }
            if flight.is_empty() {
                dry.clear(); // one more look at everything before the end
            }
        }
    }

    /// The next instant at which [`Dispatcher::drain_due`] will find something to do; in the past if it would now.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn next_due(&self) -> Result<Option<DateTime<Utc>>, DispatchError> {
        let now = self.clock.now();
        let mut next = self.store.next_end().await?;
        for channel in Channel::ALL {
            if self.channels.of(channel).is_none() {
                continue;
            }
            let Some(turn) = self.store.next_turn(channel, now).await? else { continue };
            let Some(slot) = self.store.next_slot(channel, &self.windows(channel), now).await? else { continue };
            // A turn in the past stays there unless something keeps it back, so that a caller sees work at once.
            let mut at = if slot > now { turn.max(slot) } else { turn };
            if let Some(until) = self.breaker.paused_until(channel) {
                at = at.max(until);
            }
            next = [next, Some(at)].into_iter().flatten().min();
        }
        Ok(next)
    }

    /// Works the queue until `shutdown` completes: wakes when something is due or [`Dispatcher::waker`] is told. Then takes
    /// nothing more, lets what is in flight be answered for a few seconds and marks the rest uncertain. A store that fails
    /// is tried again until it works; while something cannot be booked, nothing is sent.
    pub async fn run(&self, shutdown: impl Future<Output = ()>) -> Drained {
        self.work(shutdown, None).await
    }

    /// Works the queue as [`Dispatcher::run`] does, until nothing is in flight and nothing will be due within `patience`.
    pub async fn run_until_idle(&self, shutdown: impl Future<Output = ()>, patience: Duration) -> Drained {
        self.work(shutdown, Some(patience)).await
    }

    async fn work(&self, shutdown: impl Future<Output = ()>, patience: Option<Duration>) -> Drained {
        let shutdown = shutdown.shared();
        let mut flight = Flight::default();
        let mut dry = BTreeSet::new();
        let mut kept_house = None;
        let mut faults: u32 = 0;
        let mut renewal = tokio::time::interval(self.renew_every());
        renewal.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            let step = tokio::select! {
                step = self.step(&mut flight, &mut dry, &mut kept_house) => step,
                // A store that does not answer must not hold up the end.
                () = async { shutdown.clone().await; tokio::time::sleep(LAST_BOOKING).await } => break,
            };
            let pause = match step {
                Ok(due_in) => {
                    if faults > 0 {
                        info!("the store works again, sending goes on");
                        faults = 0;
                    }
                    let idle = flight.is_empty() && dry.len() == Channel::ALL.len();
                    if idle && patience.is_some_and(|patience| due_in.is_none_or(|due_in| due_in > patience)) {
                        break;
                    }
                    due_in.unwrap_or(LOOK_AGAIN).clamp(SHORT_PAUSE, LOOK_AGAIN)
                }
                Err(DispatchError::Stopped(_)) => return flight.done,
                Err(DispatchError::Store(why)) => {
                    if faults == 0 {
                        warn!(error = %error_chain(&why), "nothing is sent while the store does not work");
                    }
                    faults = faults.saturating_add(1);
                    Duration::from_secs(1 << faults.min(4)) // up to 16: sending goes on within half a minute of its return
                }
            };
            tokio::select! {
                biased;
                () = shutdown.clone() => break,
                Some(landed) = flight.sends.join_next_with_id(), if !flight.sends.is_empty() => {
                    self.note(&mut flight, &mut dry, landed);
                }
                _ = renewal.tick() => self.renew(&flight).await,
                () = self.wake.notified() => dry.clear(),
                () = tokio::time::sleep(pause) => dry.clear(),
            }
        }
        self.finish_up(&mut flight).await;
        flight.done
    }

    /// One look at the queue. Returns how long nothing will be due; `None` = as far as is known, ever.
    async fn step(
        &self,
        flight: &mut Flight,
        dry: &mut BTreeSet<Channel>,
        kept_house: &mut Option<Instant>,
    ) -> Result<Option<Duration>, DispatchError> {
        while let Some(landed) = flight.sends.try_join_next_with_id() {
            self.note(flight, dry, landed);
        }
        self.book(flight).await?;
        if kept_house.is_none_or(|at| at.elapsed() >= KEEP_HOUSE) {
            *kept_house = Some(Instant::now());
            flight.done += self.housekeeping().await?;
        }
        self.begin_more(flight, dry).await?;
        if dry.len() < Channel::ALL.len() {
            // The next landing is waited for anyway.
            return Ok(Some(LOOK_AGAIN));
        }
        let now = self.clock.now();
        Ok(self.next_due().await?.map(|at| (at - now).to_std().unwrap_or(Duration::ZERO)))
    }

    /// Ends what is of no use any more and marks what vanished workers left.
    async fn housekeeping(&self) -> Result<Drained, DispatchError> {
        let now = self.clock.now();
        let expired = self.store.expire_deliveries(now).await?;
        let lost = self.store.recover_leases(Lost::Expired, self.uncertain_rest(), now).await?;
        if expired > 0 {
            warn!(deliveries = expired, "deliveries expired unsent");
        }
        if lost != Recovered::default() {
            warn!(
                deliveries = lost.in_doubt,
                known_as_sent = lost.taken,
                "leases ran out: messages whose answer is not known are marked uncertain"
            );
        }
        for channel in Channel::ALL {
            if self.channels.of(channel).is_none()
                && !locked(&self.told_missing).contains(&channel)
                && self.store.anything_queued(channel).await?
            {
                locked(&self.told_missing).insert(channel);
                warn!(
                    channel = channel.name(),
                    "deliveries wait for a channel that is not configured, and will expire"
                );
            }
        }
        Ok(Drained { expired, uncertain: lost.in_doubt, sent: lost.taken, ..Drained::default() })
    }

    /// Takes as much as limits allow and starts sending it. A channel that gave nothing is put into `dry`.
    async fn begin_more(&self, flight: &mut Flight, dry: &mut BTreeSet<Channel>) -> Result<u64, DispatchError> {
        let mut begun = 0;
        for channel in Channel::ALL {
            if dry.contains(&channel) {
                continue;
            }
            let (taken, more) = self.begin_on(flight, channel).await?;
            begun += taken;
            if !more {
                dry.insert(channel);
            }
        }
        Ok(begun)
    }

    /// How many were taken, and whether to ask again as soon as one of them has landed.
    async fn begin_on(&self, flight: &mut Flight, channel: Channel) -> Result<(u64, bool), DispatchError> {
        let Some(transport) = self.channels.of(channel) else { return Ok((0, false)) };
        let pace = self.pace(channel);
        let mut in_flight = u32::try_from(pace.in_flight).unwrap_or(u32::MAX).max(1);
        let now = self.clock.now();
        if let Some(until) = self.breaker.paused_until(channel) {
            if now < until {
                return Ok((0, false));
            }
            in_flight = 1;
        }
        let own = flight.count(channel);
        let most = in_flight.saturating_sub(own).min(self.config.batch.max(1));
        if most == 0 {
            return Ok((0, true));
        }
        let claimed = self
            .store
            .claim(&Ask {
                channel,
                now,
                lease: self.lease(),
                worker: &self.worker,
                most,
                in_flight: Some(in_flight),
                windows: &self.windows(channel),
                quiet: self.quiet,
            })
            .await?;
        flight.done.withdrawn += claimed.withdrawn;
        flight.done.failed += claimed.refused;
        let taken = claimed.withdrawn + claimed.refused + claimed.taken.len() as u64;
        if !claimed.taken.is_empty() {
            self.crash_if_asked(CrashPoint::AfterClaim)?;
        }
        for leased in claimed.taken {
            match self.outgoing(&leased, now) {
                Ok(outgoing) => {
                    let transport = transport.clone();
                    let guard = LeaseGuard::until(now + self.lease(), self.clock.clone());
                    let (store, lease, still) = (self.store.clone(), leased.lease.clone(), guard.clone());
                    let (clock, crash) = (self.clock.clone(), self.crash.clone());
                    let task = flight.sends.spawn(async move {
                        // Who said stop since the claim gets nothing: this is looked at as late as can be.
                        let answer = match store.may_still_go(&lease).await {
                            Ok(true) => transport.send_while(&outgoing, &still).await,
                            Ok(false) => return Err(Unsent::Withdrawn),
                            Err(why) => return Err(Unsent::Unknown(error_chain(&why))),
                        };
                        if crash.is_some_and(|hook| hook(CrashPoint::AfterAnswer)) {
                            std::future::pending::<()>().await;
                        }
                        if let Ok(receipt) = &answer {
                            // Here and not in the booking, which waits for its turn and for the disk: what a kill meets
                            // after this is not repeated.
                            let provider_ref = receipt.provider_ref.as_deref().map(shortened);
                            if let Err(why) = store.note_accepted(&lease, provider_ref.as_deref(), clock.now()).await {
                                warn!(error = %error_chain(&why), "an answer could not be noted before its booking");
                            }
                        }
                        Ok(answer)
                    });
                    flight.in_hand.insert(task.id(), InHand { leased, guard });
                }
                Err(cause) => {
                    warn!(delivery.id = leased.lease.delivery, cause, "the message could not be made personal");
                    let not_before = later(now, self.backoff.wait(&leased.lease.delivery, leased.attempts, None));
                    flight.unbooked.push((leased.lease, Ending::NotNow { not_before, cause }));
                }
            }
        }
        Ok((taken, taken > 0 || own > 0))
    }

    fn outgoing(&self, leased: &Leased, now: DateTime<Utc>) -> Result<Outgoing, String> {
        let to = Addressee { address_id: &leased.address_id, notice: &leased.notice, channel: leased.channel };
        let Personalised { message, stop_url } = self.personaliser.personalise(&leased.message, &to)?;
        Ok(Outgoing {
            key: leased.lease.delivery.clone(),
            to: leased.address.expose().to_owned(),
            message,
            stop_url,
            at: now,
            dated: leased.first_copy_at.unwrap_or(now),
        })
    }

    fn pace(&self, channel: Channel) -> &PaceConfig {
        pace_of(&self.config, channel)
    }

    fn windows(&self, channel: Channel) -> Vec<Window> {
        pace::windows(self.pace(channel))
    }

    pub(super) fn lease(&self) -> TimeDelta {
        TimeDelta::seconds(i64::try_from(self.config.lease_s.max(1)).unwrap_or(i64::MAX / 2000))
    }

    pub(super) fn renew_every(&self) -> Duration {
        Duration::from_secs(self.config.lease_s.max(1)) / 3
    }

    pub(super) fn uncertain_wait(&self) -> Duration {
        Duration::from_secs(self.config.uncertain_wait_min.saturating_mul(60))
    }

    pub(super) fn uncertain_rest(&self) -> UncertainRest {
        let sms = TimeDelta::from_std(self.uncertain_wait()).unwrap_or(TimeDelta::MAX);
        UncertainRest { email: TimeDelta::zero(), sms }
    }

    pub(super) fn crash_if_asked(&self, point: CrashPoint) -> Result<(), DispatchError> {
        match &self.crash {
            Some(hook) if hook(point) => Err(DispatchError::Stopped(point)),
            _ => Ok(()),
        }
    }
}

pub(super) fn later(now: DateTime<Utc>, wait: Duration) -> DateTime<Utc> {
    TimeDelta::from_std(wait).ok().and_then(|wait| now.checked_add_signed(wait)).unwrap_or(DateTime::<Utc>::MAX_UTC)
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
