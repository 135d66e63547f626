//! The messages that a dispatcher has in flight: how their answers are taken in and booked.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::time::{Duration, Instant};

use tokio::task::{Id, JoinError, JoinSet};
use tracing::{debug, info, warn};

use crate::delivery::attempt::{AttemptOutcome, Lease};
use crate::delivery::backoff::later;
use crate::delivery::scrub::{scrubbed, shortened};
use crate::dispatch::channels::{LeaseGuard, Receipt, SendFailure};
use crate::dispatch::dispatcher::{CrashPoint, DispatchError, Dispatcher, Drained, SHORT_PAUSE};
use crate::metrics::SendResult;
use crate::people::Channel;
use crate::store::queue::{Booked, Leased};
use crate::text::{counted, error_chain};

/// What the channel said, or why it was not asked.
pub(super) type Landing = Result<Result<Receipt, SendFailure>, Unsent>;

/// Why a claimed message was not handed to its channel.
pub(super) enum Unsent {
    Withdrawn,
    /// The store could not say whether the addressee still wants it.
    Unknown(String),
}

/// What a worker has in hand. Dropping it stops every send where it is.
#[derive(Default)]
pub(super) struct Flight {
    pub(super) sends: JoinSet<Landing>,
    pub(super) in_hand: HashMap<Id, InHand>,
    pub(super) unbooked: Vec<(Lease, AttemptOutcome)>,
    pub(super) done: Drained,
    /// Of what delivery what notice is, until its answer is booked.
    notices: HashMap<String, String>,
    tally: Tally,
}

/// What was booked since it was last told, by notice.
#[derive(Default)]
struct Tally {
    since: Option<Instant>,
    by_notice: BTreeMap<String, Drained>,
}

/// A long sending says this often how far it is.
const TALLY_EVERY: Duration = Duration::from_secs(60);

pub(super) struct InHand {
    pub(super) leased: Leased,
    pub(super) guard: LeaseGuard,
    pub(super) since: Instant,
}

impl Flight {
    pub(super) fn is_empty(&self) -> bool {
        self.in_hand.is_empty() && self.unbooked.is_empty()
    }

    pub(super) fn count(&self, channel: Channel) -> u32 {
        let count = self.in_hand.values().filter(|one| one.leased.channel == channel).count();
        u32::try_from(count).unwrap_or(u32::MAX)
    }

    /// Says in the log what went out of which notice: when all that was taken has ended, and in between once a minute.
    pub(super) fn tell_tally(&mut self) {
        let long = self.tally.since.is_some_and(|since| since.elapsed() >= TALLY_EVERY);
        if !(long || self.is_empty()) {
            return;
        }
        self.tally.since = None;
        for (notice, done) in std::mem::take(&mut self.tally.by_notice) {
            let Drained { sent, later, failed, uncertain, withdrawn, .. } = done;
            let messages = counted(sent, "message", "messages");
            info!(notice.id = notice, sent, later, failed, uncertain, withdrawn, "sent {messages} of `{notice}`");
        }
    }
}

/// How long the booking of what is known may take on shutdown. With the grace for what is in flight it stays under the ten
/// seconds a service manager is told to allow, also when the store hangs.
pub(super) const LAST_BOOKING: Duration = Duration::from_secs(2);

impl Dispatcher {
    /// Waits until at least one message has landed, and takes in all that have.
    pub(super) async fn land(&self, flight: &mut Flight, dry: &mut BTreeSet<Channel>) {
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
    pub(super) async fn renew(&self, flight: &Flight) {
        let leases: Vec<Lease> = flight.in_hand.values().map(|one| one.leased.lease.clone()).collect();
        if leases.is_empty() {
            return;
        }
        let now = self.clock.now();
        match self.store.renew_leases(&leases, now, self.lease()).await {
            Ok(held) => {
                for one in flight.in_hand.values().filter(|one| held.contains(&one.leased.lease)) {
                    one.guard.lengthen(now + self.lease());
                }
                if held.len() < leases.len() {
                    warn!(lost = leases.len() - held.len(), "leases ran out while messages were still under way");
                }
            }
            Err(why) => warn!(error = %error_chain(&why), "leases could not be lengthened"),
        }
    }

    /// Turns a channel's answer into what is to be booked.
    /// Its channel has room again, so it is taken out of `dry`.
    pub(super) fn note(
        &self,
        flight: &mut Flight,
        dry: &mut BTreeSet<Channel>,
        landed: Result<(Id, Landing), JoinError>,
    ) {
        let (id, answer) = match landed {
            Ok((id, answer)) => (id, Some(answer)),
            // A transport that panicked may have sent everything.
            Err(why) if why.is_panic() => {
                (why.id(), Some(Ok(Err(SendFailure::Uncertain { cause: "the channel failed in itself".into() }))))
            }
            // Stopped by us.
            Err(why) => (why.id(), None),
        };
        let Some(InHand { leased, since, .. }) = flight.in_hand.remove(&id) else { return };
        let now = self.clock.now();
        let channel = leased.channel;
        dry.remove(&channel);
        let wait = |asked| later(now, self.backoff.wait(&leased.lease.delivery, leased.attempts, asked));
        let ending = match answer {
            Some(Err(Unsent::Withdrawn)) => AttemptOutcome::Withdrawn,
            Some(Err(Unsent::Unknown(cause))) => {
                AttemptOutcome::NotNow { not_before: wait(None), cause: scrubbed(&cause) }
            }
            Some(Ok(Ok(receipt))) => {
                self.breaker.works(channel);
                let provider_ref = receipt.provider_ref.map(|text| shortened(&text));
                AttemptOutcome::Accepted { provider_ref }
            }
            Some(Ok(Err(SendFailure::TryLater { after, cause }))) => {
                self.breaker.works(channel);
                AttemptOutcome::NotNow { not_before: wait(after), cause: scrubbed(&cause) }
            }
            Some(Ok(Err(SendFailure::ChannelDown { after, cause }))) => {
                self.breaker.trip(channel, after, &cause, now);
                AttemptOutcome::NotNow { not_before: wait(after), cause: scrubbed(&cause) }
            }
            Some(Ok(Err(SendFailure::GiveUp { cause }))) => {
                self.breaker.works(channel);
                AttemptOutcome::Refused { cause: scrubbed(&cause) }
            }
            Some(Ok(Err(SendFailure::AddressRefused { fault, cause }))) => {
                self.breaker.works(channel);
                AttemptOutcome::AddressRefused { fault, cause: scrubbed(&cause) }
            }
            Some(Ok(Err(SendFailure::Uncertain { cause }))) => {
                self.breaker.lost_an_answer(channel, &cause, now);
                let not_before = match channel {
                    Channel::Email => wait(None),
                    Channel::Sms => later(now, self.uncertain_wait()),
                };
                AttemptOutcome::AnswerLost { not_before, cause: scrubbed(&cause) }
            }
            None => {
                let not_before = now + self.uncertain_rest().of(channel);
                AttemptOutcome::LetGo { not_before, cause: "stopped before the answer came".into() }
            }
        };
        let (result, took) = match &ending {
            AttemptOutcome::Accepted { .. } => (SendResult::Accepted, Some(since.elapsed())),
            AttemptOutcome::NotNow { .. } => (SendResult::NotNow, Some(since.elapsed())),
            AttemptOutcome::Refused { .. } | AttemptOutcome::AddressRefused { .. } => {
                (SendResult::Refused, Some(since.elapsed()))
            }
            AttemptOutcome::AnswerLost { .. } => (SendResult::Uncertain, Some(since.elapsed())),
            AttemptOutcome::LetGo { .. } => (SendResult::Uncertain, None),
            AttemptOutcome::Withdrawn => (SendResult::Withdrawn, None),
        };
        self.metrics.sent(channel.name(), result, took);
        let (delivery, attempt) = (&leased.lease.delivery, leased.attempts);
        match &ending {
            AttemptOutcome::Accepted { .. } => {
                debug!(delivery.id = delivery, channel = channel.name(), attempt, "sent")
            }
            AttemptOutcome::NotNow { cause, .. } => {
                info!(delivery.id = delivery, channel = channel.name(), attempt, cause, "not accepted for now");
            }
            AttemptOutcome::Refused { cause } | AttemptOutcome::AddressRefused { cause, .. } => {
                warn!(delivery.id = delivery, channel = channel.name(), attempt, cause, "refused for good");
            }
            AttemptOutcome::Withdrawn => {
                info!(delivery.id = delivery, channel = channel.name(), "withdrawn before it was sent")
            }
            AttemptOutcome::AnswerLost { cause, .. } | AttemptOutcome::LetGo { cause, .. } => {
                warn!(
                    delivery.id = delivery,
                    channel = channel.name(),
                    attempt,
                    cause,
                    "answer lost: marked uncertain"
                );
            }
        }
        flight.notices.insert(leased.lease.delivery.clone(), leased.notice);
        flight.unbooked.push((leased.lease, ending));
    }

    /// Books all that is known, in one transaction. What cannot be booked is kept for the next call.
    pub(super) async fn book(&self, flight: &mut Flight) -> Result<(), DispatchError> {
        if flight.unbooked.is_empty() {
            return Ok(());
        }
        self.crash_if_asked(CrashPoint::AfterSend)?;
        let booked = self.store.finish(&flight.unbooked, self.clock.now()).await?;
        for ((lease, ending), booked) in flight.unbooked.drain(..).zip(booked) {
            let mut one = Drained::default();
            match booked {
                Booked::Stale => {
                    one.stale += 1;
                    warn!(delivery.id = lease.delivery, lease.fence, "an answer came too late to count");
                }
                Booked::Done(_) | Booked::Overtaken(_) => match ending {
                    AttemptOutcome::Accepted { .. } => one.sent += 1,
                    AttemptOutcome::NotNow { .. } => one.later += 1,
                    AttemptOutcome::Refused { .. } | AttemptOutcome::AddressRefused { .. } => one.failed += 1,
                    AttemptOutcome::Withdrawn => one.withdrawn += 1,
                    AttemptOutcome::AnswerLost { .. } | AttemptOutcome::LetGo { .. } => one.uncertain += 1,
                },
            }
            flight.done += one;
            if let Some(notice) = flight.notices.remove(&lease.delivery) {
                flight.tally.since.get_or_insert_with(Instant::now);
                *flight.tally.by_notice.entry(notice).or_default() += one;
            }
        }
        self.crash_if_asked(CrashPoint::AfterBooking)
    }

    /// The orderly end: answers that still come are booked, the rest is marked.
    pub(super) async fn finish_up(&self, flight: &mut Flight) {
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
                warn!(error = %error_chain(&why), "the last answers cannot be booked yet");
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
}
