//! Works the queue: claims what may go, hands it to the channels, has the answers booked.

use std::collections::BTreeSet;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use futures::FutureExt;
use tokio::time::MissedTickBehavior;
use tracing::{info, warn};

use crate::delivery::attempt::{AttemptOutcome, LostLeases};
use crate::delivery::backoff::later;
use crate::delivery::pace;
use crate::delivery::pace::RateWindow;
use crate::delivery::scrub::shortened;
use crate::delivery::settings::PaceConfig;
use crate::dispatch::channels::{LeaseGuard, Outgoing};
use crate::dispatch::dispatcher::{CrashPoint, DispatchError, Dispatcher, Drained, SHORT_PAUSE};
use crate::dispatch::flight::{Flight, InHand, LAST_BOOKING, Unsent};
use crate::dispatch::personalise::{Addressee, Personalised};
use crate::people::Channel;
use crate::progress::Part;
use crate::store::queue::{ClaimRequest, Leased, Recovered};
use crate::text::error_chain;

/// Longest time between two looks at the queue: other processes (staff, another worker) write to it too.
const LOOK_AGAIN: Duration = Duration::from_secs(5);

/// Expired deliveries and lost leases are looked for this often.
const KEEP_HOUSE: Duration = Duration::from_secs(1);

impl Dispatcher {
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
            // Once a look at the queue, not beside it: a look that never ends must be seen.
            self.progress.made(Part::Dispatcher);
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
                Err(DispatchError::Stopped(_)) => {
                    self.progress.ended(Part::Dispatcher);
                    return flight.done;
                }
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
        self.progress.ended(Part::Dispatcher);
        self.finish_up(&mut flight).await;
        flight.tell_tally();
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
        flight.tell_tally();
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
        let lost = self.store.recover_leases(LostLeases::Expired, self.uncertain_rest(), now).await?;
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
            .claim(&ClaimRequest {
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
                    flight.in_hand.insert(task.id(), InHand { leased, guard, since: Instant::now() });
                }
                Err(cause) => {
                    warn!(delivery.id = leased.lease.delivery, cause, "the message could not be made personal");
                    let not_before = later(now, self.backoff.wait(&leased.lease.delivery, leased.attempts, None));
                    flight.unbooked.push((leased.lease, AttemptOutcome::NotNow { not_before, cause }));
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
        self.config.pace(channel)
    }

    fn windows(&self, channel: Channel) -> Vec<RateWindow> {
        pace::windows(self.pace(channel))
    }
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
