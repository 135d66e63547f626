//! Drains the queue: claims what may go, hands it to the channels, books how it ended.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use futures::FutureExt;
use tokio::sync::Notify;
use tokio::task::{Id, JoinError, JoinSet};
use tokio::time::MissedTickBehavior;
use tracing::{debug, info, warn};
use url::Url;

use crate::clock::Clock;
use crate::config::{DeliveryConfig, PaceConfig};
use crate::delivery::backoff::Backoff;
use crate::delivery::pace;
use crate::delivery::pace::{Estimate, Waiting, Window};
use crate::delivery::quiet_hours::QuietHours;
use crate::dispatch::channels::{Channels, Held, Outgoing, Receipt, SendFailure};
use crate::message::{self, Message, Personal};
use crate::people::Channel;
use crate::store::queue::{Ask, Booked, Ending, Lease, Leased, Lost, Recovered, UncertainRest};
use crate::store::{Store, StoreError};

/// Fills in what differs from person to person.
pub trait Personaliser: Send + Sync {
    /// The message as this addressee gets it.
    ///
    /// # Errors
    /// With the reason when it cannot be made: then the delivery waits for another try, since the fault is ours.
    fn personalise(&self, message: &Message, to: &Addressee<'_>) -> Result<Personalised, String>;
}

/// Whom a message is for.
#[derive(Clone, Copy, Debug)]
pub struct Addressee<'a> {
    pub address_id: &'a str,
    pub notice: &'a str,
    pub channel: Channel,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Personalised {
    pub message: Message,
    pub stop_url: Option<Url>,
}

/// Sends every message as it was written: for stores whose texts have no place for a stop link.
pub struct AsWritten;

impl Personaliser for AsWritten {
    fn personalise(&self, message: &Message, to: &Addressee<'_>) -> Result<Personalised, String> {
        (|_: &Addressee<'_>| None).personalise(message, to)
    }
}

/// A function that makes the addressee's stop link.
impl<F> Personaliser for F
where
    F: Fn(&Addressee<'_>) -> Option<Url> + Send + Sync,
{
    fn personalise(&self, message: &Message, to: &Addressee<'_>) -> Result<Personalised, String> {
        let personal = Personal { stop_url: self(to) };
        let message = message::personalise(message.clone(), &personal).map_err(|why| why.to_string())?;
        Ok(Personalised { message, stop_url: personal.stop_url })
    }
}

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
    store: Store,
    clock: Arc<dyn Clock>,
    channels: Channels,
    config: DeliveryConfig,
    quiet: QuietHours,
    backoff: Backoff,
    personaliser: Arc<dyn Personaliser>,
    worker: String,
    wake: Arc<Notify>,
    holds: Mutex<BTreeMap<Channel, Hold>>,
    told_missing: Mutex<BTreeSet<Channel>>,
    grace: Duration,
    crash: Option<CrashHook>,
}

/// A channel that does not work is left alone, then tried with one message.
#[derive(Clone, Copy, Debug)]
struct Hold {
    until: DateTime<Utc>,
    /// Pauses in a row; 0 = none yet.
    failures: i64,
    lost_in_row: u32,
}

/// So many lost answers in a row mean that the channel itself does not work.
const LOST_IN_ROW: u32 = 3;

const HOLD: Backoff = Backoff { first: Duration::from_secs(15), longest: Duration::from_secs(300) };

/// Longest time between two looks at the queue: other processes (staff, another worker) write to it too.
const LOOK_AGAIN: Duration = Duration::from_secs(5);

/// Pause when something was due and could not be had: another worker has it in hand.
const SHORT_PAUSE: Duration = Duration::from_millis(250);

/// Expired deliveries and lost leases are looked for this often.
const KEEP_HOUSE: Duration = Duration::from_secs(1);

/// On shutdown, messages in flight get this long to be answered, and the booking of what is known this long: together
/// under the ten seconds a service manager is told to allow, also when the store hangs.
const GRACE: Duration = Duration::from_secs(5);
const LAST_BOOKING: Duration = Duration::from_secs(2);

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
            holds: Mutex::default(),
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
            if let Some(hold) = self.hold_of(channel) {
                at = at.max(hold.until);
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
                        warn!(error = %chain(&why), "nothing is sent while the store does not work");
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

    /// When all that waits on a channel will have left, honestly: with limits, quiet hours and what is known of the time
    /// one message takes.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn all_sent_by(&self, channel: Channel) -> Result<Estimate, DispatchError> {
        all_sent_by(&self.store, &self.config, channel, self.clock.now()).await
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
        if let Some(hold) = self.hold_of(channel) {
            if now < hold.until {
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
                    let held = Held::until(now + self.lease(), self.clock.clone());
                    let (store, lease, still) = (self.store.clone(), leased.lease.clone(), held.clone());
                    let (clock, crash) = (self.clock.clone(), self.crash.clone());
                    let task = flight.sends.spawn(async move {
                        // Who said stop since the claim gets nothing: this is looked at as late as can be.
                        let answer = match store.may_still_go(&lease).await {
                            Ok(true) => transport.send_while(&outgoing, &still).await,
                            Ok(false) => return Err(Unsent::Withdrawn),
                            Err(why) => return Err(Unsent::Unknown(chain(&why))),
                        };
                        if crash.is_some_and(|hook| hook(CrashPoint::AfterAnswer)) {
                            std::future::pending::<()>().await;
                        }
                        if let Ok(receipt) = &answer {
                            // Here and not in the booking, which waits for its turn and for the disk: what a kill meets
                            // after this is not repeated.
                            let provider_ref = receipt.provider_ref.as_deref().map(shortened);
                            if let Err(why) = store.note_accepted(&lease, provider_ref.as_deref(), clock.now()).await {
                                warn!(error = %chain(&why), "an answer could not be noted before its booking");
                            }
                        }
                        Ok(answer)
                    });
                    flight.in_hand.insert(task.id(), InHand { leased, held });
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

    /// Waits until at least one message has landed, and takes in all that have.
    async fn land(&self, flight: &mut Flight, dry: &mut BTreeSet<Channel>) {
        let mut renewal = tokio::time::interval(self.renew_every());
        renewal.tick().await;
        while flight.unbooked.is_empty() {
            tokio::select! {
                landed = flight.sends.join_next_with_id() => match landed {
                    Some(landed) => self.note(flight, dry, landed),
                    None => break,
                },
                _ = renewal.tick() => self.renew(flight).await,
            }
        }
        while let Some(landed) = flight.sends.try_join_next_with_id() {
            self.note(flight, dry, landed);
        }
    }

    /// Keeps the leases of what is still under way. A lease that could not be kept is not an error here: the booking will
    /// find out.
    async fn renew(&self, flight: &Flight) {
        let leases: Vec<Lease> = flight.in_hand.values().map(|one| one.leased.lease.clone()).collect();
        if leases.is_empty() {
            return;
        }
        let now = self.clock.now();
        match self.store.renew_leases(&leases, now, self.lease()).await {
            Ok(held) => {
                for one in flight.in_hand.values().filter(|one| held.contains(&one.leased.lease)) {
                    one.held.lengthen(now + self.lease());
                }
                if held.len() < leases.len() {
                    warn!(lost = leases.len() - held.len(), "leases ran out while messages were still under way");
                }
            }
            Err(why) => warn!(error = %chain(&why), "leases could not be lengthened"),
        }
    }

    /// Turns a channel's answer into what is to be booked.
    /// Its channel has room again, so it is taken out of `dry`.
    fn note(&self, flight: &mut Flight, dry: &mut BTreeSet<Channel>, landed: Result<(Id, Landing), JoinError>) {
        let (id, answer) = match landed {
            Ok((id, answer)) => (id, Some(answer)),
            // A transport that panicked may have sent everything.
            Err(why) if why.is_panic() => {
                (why.id(), Some(Ok(Err(SendFailure::Uncertain { cause: "the channel failed in itself".into() }))))
            }
            // Stopped by us.
            Err(why) => (why.id(), None),
        };
        let Some(InHand { leased, .. }) = flight.in_hand.remove(&id) else { return };
        let now = self.clock.now();
        let channel = leased.channel;
        dry.remove(&channel);
        let wait = |asked| later(now, self.backoff.wait(&leased.lease.delivery, leased.attempts, asked));
        let ending = match answer {
            Some(Err(Unsent::Withdrawn)) => Ending::Withdrawn,
            Some(Err(Unsent::Unknown(cause))) => Ending::NotNow { not_before: wait(None), cause: scrubbed(&cause) },
            Some(Ok(Ok(receipt))) => {
                self.works(channel);
                let provider_ref = receipt.provider_ref.map(|text| shortened(&text));
                Ending::Accepted { provider_ref }
            }
            Some(Ok(Err(SendFailure::TryLater { after, cause }))) => {
                self.works(channel);
                Ending::NotNow { not_before: wait(after), cause: scrubbed(&cause) }
            }
            Some(Ok(Err(SendFailure::ChannelDown { after, cause }))) => {
                self.hold(channel, after, &cause, now);
                Ending::NotNow { not_before: wait(after), cause: scrubbed(&cause) }
            }
            Some(Ok(Err(SendFailure::GiveUp { cause }))) => {
                self.works(channel);
                Ending::Refused { cause: scrubbed(&cause) }
            }
            Some(Ok(Err(SendFailure::Uncertain { cause }))) => {
                self.lost_an_answer(channel, &cause, now);
                let not_before = match channel {
                    Channel::Email => wait(None),
                    Channel::Sms => later(now, self.uncertain_wait()),
                };
                Ending::AnswerLost { not_before, cause: scrubbed(&cause) }
            }
            None => {
                let not_before = now + self.uncertain_rest().of(channel);
                Ending::LetGo { not_before, cause: "stopped before the answer came".into() }
            }
        };
        let (delivery, attempt) = (&leased.lease.delivery, leased.attempts);
        match &ending {
            Ending::Accepted { .. } => debug!(delivery.id = delivery, channel = channel.name(), attempt, "sent"),
            Ending::NotNow { cause, .. } => {
                info!(delivery.id = delivery, channel = channel.name(), attempt, cause, "not accepted for now");
            }
            Ending::Refused { cause } => {
                warn!(delivery.id = delivery, channel = channel.name(), attempt, cause, "refused for good");
            }
            Ending::Withdrawn => {
                info!(delivery.id = delivery, channel = channel.name(), "withdrawn before it was sent")
            }
            Ending::AnswerLost { cause, .. } | Ending::LetGo { cause, .. } => {
                warn!(
                    delivery.id = delivery,
                    channel = channel.name(),
                    attempt,
                    cause,
                    "answer lost: marked uncertain"
                );
            }
        }
        flight.unbooked.push((leased.lease, ending));
    }

    /// Books all that is known, in one transaction. What cannot be booked is kept for the next call.
    async fn book(&self, flight: &mut Flight) -> Result<(), DispatchError> {
        if flight.unbooked.is_empty() {
            return Ok(());
        }
        self.crash_if_asked(CrashPoint::AfterSend)?;
        let booked = self.store.finish(&flight.unbooked, self.clock.now()).await?;
        for ((lease, ending), booked) in flight.unbooked.drain(..).zip(booked) {
            match booked {
                Booked::Stale => {
                    flight.done.stale += 1;
                    warn!(delivery.id = lease.delivery, lease.fence, "an answer came too late to count");
                }
                Booked::Done(_) | Booked::Overtaken(_) => match ending {
                    Ending::Accepted { .. } => flight.done.sent += 1,
                    Ending::NotNow { .. } => flight.done.later += 1,
                    Ending::Refused { .. } => flight.done.failed += 1,
                    Ending::Withdrawn => flight.done.withdrawn += 1,
                    Ending::AnswerLost { .. } | Ending::LetGo { .. } => flight.done.uncertain += 1,
                },
            }
        }
        self.crash_if_asked(CrashPoint::AfterBooking)
    }

    /// The orderly end: answers that still come are booked, the rest is marked.
    async fn finish_up(&self, flight: &mut Flight) {
        let land = async {
            while let Some(landed) = flight.sends.join_next_with_id().await {
                self.note(flight, &mut BTreeSet::new(), landed);
                // Booked one by one: a kill in the middle of the grace leaves as little as possible in doubt.
                let _ = self.book(flight).await;
            }
        };
        if tokio::time::timeout(self.grace, land).await.is_err() {
            warn!(messages = flight.in_hand.len(), "stopping with messages unanswered: each is marked uncertain");
            flight.sends.abort_all();
            while let Some(landed) = flight.sends.join_next_with_id().await {
                self.note(flight, &mut BTreeSet::new(), landed);
            }
        }
        let last = async {
            while let Err(why) = self.book(flight).await {
                if matches!(why, DispatchError::Stopped(_)) {
                    return;
                }
                warn!(error = %chain(&why), "the last answers cannot be booked yet");
                tokio::time::sleep(SHORT_PAUSE).await;
            }
        };
        if tokio::time::timeout(LAST_BOOKING, last).await.is_err() {
            warn!(
                messages = flight.unbooked.len(),
                "the last answers were not booked: the next start marks them uncertain"
            );
        }
    }

    /// The other side spoke to us about one message.
    fn works(&self, channel: Channel) {
        let mut holds = locked(&self.holds);
        if holds.remove(&channel).is_some_and(|hold| hold.failures > 0) {
            info!(channel = channel.name(), "the channel works again");
        }
    }

    /// Each lost answer uses up one of the two copies a message may have, so after a few in a row the channel is left alone.
    fn lost_an_answer(&self, channel: Channel, cause: &str, now: DateTime<Utc>) {
        let in_row = {
            let mut holds = locked(&self.holds);
            let hold =
                holds.entry(channel).or_insert(Hold { until: DateTime::<Utc>::MIN_UTC, failures: 0, lost_in_row: 0 });
            hold.lost_in_row += 1;
            hold.lost_in_row
        };
        if in_row >= LOST_IN_ROW {
            self.hold(channel, None, cause, now);
        }
    }

    fn hold(&self, channel: Channel, asked: Option<Duration>, cause: &str, now: DateTime<Utc>) {
        let mut holds = locked(&self.holds);
        let before = holds.get(&channel).copied();
        let failures = match before {
            // Those that were in flight together fail together: they count once.
            Some(hold) if now < hold.until => hold.failures,
            Some(hold) => hold.failures + 1,
            None => 1,
        };
        if failures == 1 && before.is_none_or(|hold| hold.failures == 0) {
            warn!(channel = channel.name(), cause = scrubbed(cause), "the channel does not work, sending pauses");
        }
        let until = later(now, HOLD.wait(channel.name(), failures, asked));
        let until = before.map_or(until, |hold| hold.until.max(until));
        holds.insert(channel, Hold { until, failures, lost_in_row: before.map_or(0, |hold| hold.lost_in_row) });
    }

    fn hold_of(&self, channel: Channel) -> Option<Hold> {
        locked(&self.holds).get(&channel).copied().filter(|hold| hold.failures > 0)
    }

    fn pace(&self, channel: Channel) -> &PaceConfig {
        pace_of(&self.config, channel)
    }

    fn windows(&self, channel: Channel) -> Vec<Window> {
        pace::windows(self.pace(channel))
    }

    fn lease(&self) -> TimeDelta {
        TimeDelta::seconds(i64::try_from(self.config.lease_s.max(1)).unwrap_or(i64::MAX / 2000))
    }

    fn renew_every(&self) -> Duration {
        Duration::from_secs(self.config.lease_s.max(1)) / 3
    }

    fn uncertain_wait(&self) -> Duration {
        Duration::from_secs(self.config.uncertain_wait_min.saturating_mul(60))
    }

    fn uncertain_rest(&self) -> UncertainRest {
        let sms = TimeDelta::from_std(self.uncertain_wait()).unwrap_or(TimeDelta::MAX);
        UncertainRest { email: TimeDelta::zero(), sms }
    }

    fn crash_if_asked(&self, point: CrashPoint) -> Result<(), DispatchError> {
        match &self.crash {
            Some(hook) if hook(point) => Err(DispatchError::Stopped(point)),
            _ => Ok(()),
        }
    }
}

/// As [`Dispatcher::all_sent_by`], for a process that does not send.
///
/// # Errors
/// When the store fails.
pub async fn all_sent_by(
    store: &Store,
    config: &DeliveryConfig,
    channel: Channel,
    now: DateTime<Utc>,
) -> Result<Estimate, DispatchError> {
    let waiting: Vec<Waiting> = store
        .backlog(channel)
        .await?
        .into_iter()
        .map(|part| Waiting {
            zone: part.zone,
            messages: part.messages,
            not_before: part.not_before,
            expires_at: part.expires_at,
        })
        .collect();
    let recent = store.attempts_since(channel, now - TimeDelta::days(1)).await?;
    let send_time = store.mean_send_time(channel).await?.unwrap_or(TimeDelta::seconds(1));
    Ok(pace::all_sent_by(now, &waiting, pace_of(config, channel), &QuietHours::from(config), send_time, &recent))
}

/// What the channel said, or why it was not asked.
type Landing = Result<Result<Receipt, SendFailure>, Unsent>;

/// Why a claimed message was not handed to its channel.
enum Unsent {
    Withdrawn,
    /// The store could not say whether the addressee still wants it.
    Unknown(String),
}

/// What a worker has in hand. Dropping it stops every send where it is.
#[derive(Default)]
struct Flight {
    sends: JoinSet<Landing>,
    in_hand: HashMap<Id, InHand>,
    unbooked: Vec<(Lease, Ending)>,
    done: Drained,
}

struct InHand {
    leased: Leased,
    held: Held,
}

impl Flight {
    fn is_empty(&self) -> bool {
        self.in_hand.is_empty() && self.unbooked.is_empty()
    }

    fn count(&self, channel: Channel) -> u32 {
        let count = self.in_hand.values().filter(|one| one.leased.channel == channel).count();
        u32::try_from(count).unwrap_or(u32::MAX)
    }
}

fn pace_of(config: &DeliveryConfig, channel: Channel) -> &PaceConfig {
    match channel {
        Channel::Email => &config.email,
        Channel::Sms => &config.sms,
    }
}

fn later(now: DateTime<Utc>, wait: Duration) -> DateTime<Utc> {
    TimeDelta::from_std(wait).ok().and_then(|wait| now.checked_add_signed(wait)).unwrap_or(DateTime::<Utc>::MAX_UTC)
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn chain(why: &dyn std::error::Error) -> String {
    let mut text = why.to_string();
    let mut at = why.source();
    while let Some(cause) = at {
        text = format!("{text}: {cause}");
        at = cause.source();
    }
    text
}

/// Longest cause or reference that is kept, in characters.
const LONGEST_CAUSE: usize = 300;

/// Servers like to repeat the address they refuse. What is kept and logged must not hold it: words with an `@` and long
/// runs of digits are blanked, also when blanks part them as in a written telephone number.
pub(super) fn scrubbed(cause: &str) -> String {
    let words: Vec<&str> = cause.split_whitespace().collect();
    let mut kept = Vec::with_capacity(words.len());
    for run in words.chunk_by(|a, b| is_of_a_number(a) && is_of_a_number(b)) {
        // A reply code before the number stays.
        let number = (0..run.len()).rev().find(|at| run[*at..].iter().copied().map(digits).sum::<usize>() >= 10);
        match number.filter(|_| run.len() > 1) {
            Some(at) => {
                kept.extend(run[..at].iter().copied().map(scrubbed_word));
                kept.push("(number)");
            }
            None => kept.extend(run.iter().copied().map(scrubbed_word)),
        }
    }
    shortened(&kept.join(" "))
}

fn scrubbed_word(word: &str) -> &str {
    if word.contains('@') {
        "(address)"
    } else if digits(word) >= 7 && !word.contains("://") {
        "(number)"
    } else {
        word
    }
}

fn digits(word: &str) -> usize {
    word.bytes().filter(u8::is_ascii_digit).count()
}

fn is_of_a_number(word: &str) -> bool {
    word.bytes().all(|byte| byte.is_ascii_digit() || b"+-.()/,;:'\"<>".contains(&byte))
}

fn shortened(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(LONGEST_CAUSE).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_address_or_number_stays_in_a_cause() {
        let refused = "550 5.1.1 <Owner.Person@Example.ORG>: Recipient address rejected";
        assert_eq!(scrubbed(refused), "550 5.1.1 (address) Recipient address rejected");
        assert_eq!(
            scrubbed("The 'To' number +1-505-555-0100 is not valid (21211)"),
            "The 'To' number (number) is not valid (21211)"
        );
        assert_eq!(scrubbed(r#"{"to":"+15055550100","code":40300}"#), "(number)");
        assert_eq!(scrubbed("550 5.1.1 +1 505 555 0100 is not known"), "550 5.1.1 +1 (number) is not known");
        assert_eq!(scrubbed("(505) 555-0100: no such subscriber"), "(number) no such subscriber");
        assert_eq!(scrubbed("421 4.7.0 try again in 300 s"), "421 4.7.0 try again in 300 s");
        assert_eq!(scrubbed("a\u{0}b\r\nc"), "ab c");
        assert!(scrubbed(&"x".repeat(1000)).len() == LONGEST_CAUSE);
    }
}
