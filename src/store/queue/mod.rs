//! The queue of deliveries: claim, book, expire, recover.
//!
//! Every step is one short transaction; none stays open while a channel is spoken to. How a delivery may move is said in
//! [`Standing::after`] alone: the queries here only carry it out, each under a condition that holds it to the fence and
//! state it was decided for.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Duration, Utc};
use chrono_tz::Tz;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe};
use tracing::{debug, warn};

use crate::delivery::pace::Window;
use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::state::{ANSWERS_LOST_AT_MOST, DeliveryState, Event, MARKS_AT_MOST, Report, Standing};
use crate::message::{LetterKind, Message};
use crate::people::{Address, Channel};
use crate::store::subscriptions::AddressStatus;
use crate::store::{Engine, Store, StoreError, Tx, get, get_instant, get_instant_if_any, ms, transactional};

/// What a worker asks for.
#[derive(Clone, Debug)]
pub struct Ask<'a> {
    pub channel: Channel,
    pub now: DateTime<Utc>,
    pub lease: Duration,
    /// For the log only: nothing is decided by the worker's name.
    pub worker: &'a str,
    /// Deliveries at most.
    pub most: u32,
    /// Attempts under way at once over all workers; `None` = as many as asked for.
    pub in_flight: Option<u32>,
    pub windows: &'a [Window],
    pub quiet: QuietHours,
}

/// What a worker was given.
#[derive(Debug, Default)]
pub struct Claimed {
    /// In the order in which they should go.
    pub taken: Vec<Leased>,
    /// Ended on the spot: the addressee is gone or there is no text. Nothing of them went out.
    pub withdrawn: u64,
    pub refused: u64,
}

/// The right to send one delivery, until the lease runs out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lease {
    pub delivery: String,
    pub fence: i64,
    /// As it stands while it is held.
    pub standing: Standing,
}

/// A delivery in hand with all that is needed to send it.
#[derive(Clone, Debug)]
pub struct Leased {
    pub lease: Lease,
    pub channel: Channel,
    /// Id of the notice it is of; of a letter `letter/` and its kind.
    pub notice: String,
    pub address_id: String,
    pub address: Address,
    pub message: Message,
    /// This one included.
    pub attempts: i64,
    /// When the first attempt began whose answer nobody knows; `None` = no copy can have gone out yet.
    pub first_copy_at: Option<DateTime<Utc>>,
    pub expires_at: DateTime<Utc>,
}

/// How an attempt ended. `cause` must hold no address or number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ending {
    Accepted {
        provider_ref: Option<String>,
    },
    NotNow {
        not_before: DateTime<Utc>,
        cause: String,
    },
    Refused {
        cause: String,
    },
    /// Its addressee said stop since the claim: no byte went out.
    Withdrawn,
    AnswerLost {
        not_before: DateTime<Utc>,
        cause: String,
    },
    /// We let go of it ourselves, with bytes perhaps gone.
    LetGo {
        not_before: DateTime<Utc>,
        cause: String,
    },
}

impl Ending {
    fn event(&self) -> Event {
        match self {
            Ending::Accepted { .. } => Event::Accepted,
            Ending::NotNow { .. } => Event::NotNow,
            Ending::Refused { .. } => Event::Refused,
            Ending::Withdrawn => Event::Withdraw,
            Ending::AnswerLost { .. } => Event::AnswerLost,
            Ending::LetGo { .. } => Event::LeaseLost,
        }
    }
}

/// What became of a booking.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Booked {
    /// It counted.
    Done(DeliveryState),
    /// Somebody else has or had it since: nothing was changed.
    Stale,
    /// A report or the lease's end was quicker under the same fence; this is where it stands now.
    Overtaken(DeliveryState),
}

/// Whose word a report is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference<'a> {
    /// Our own key, which travelled with the message.
    Key(&'a str),
    /// The provider's.
    Provider(&'a str),
}

/// What a report changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reported {
    Moved {
        delivery: String,
        to: DeliveryState,
    },
    /// It said nothing new.
    Unchanged {
        delivery: String,
        at: DeliveryState,
    },
    /// Nobody is known by that reference yet; kept, since a report can be quicker than our own booking.
    Unknown,
}

/// How long an uncertain delivery rests before its repeat after its worker vanished.
#[derive(Clone, Copy, Debug)]
pub struct UncertainRest {
    pub email: Duration,
    pub sms: Duration,
}

impl UncertainRest {
    pub fn of(&self, channel: Channel) -> Duration {
        match channel {
            Channel::Email => self.email,
            Channel::Sms => self.sms,
        }
    }
}

/// Whose leases are taken to be lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lost {
    /// Those that ran out.
    Expired,
    /// All: for the start of a service that holds the store alone.
    All,
}

/// What vanished workers had in hand.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Marked as uncertain.
    pub in_doubt: u64,
    /// The channel had taken them: booked as sent.
    pub taken: u64,
}

/// A delivery as staff see it; the address prints as a mask.
#[derive(Clone, Debug)]
pub struct DeliveryRow {
    pub id: String,
    /// Id of the notice it is of; of a letter `letter/` and its kind.
    pub notice: String,
    pub channel: Channel,
    /// `None` when its owner was erased.
    pub address: Option<Address>,
    pub standing: Standing,
    pub attempts: i64,
    pub not_before: DateTime<Utc>,
    pub expires_at: DateTime<Utc>,
    pub provider_ref: Option<String>,
    pub last_error: Option<String>,
    pub updated_at: DateTime<Utc>,
}

/// Which deliveries to list; empty = all.
#[derive(Clone, Debug, Default)]
pub struct DeliveryFilter {
    pub state: Option<DeliveryState>,
    pub notice: Option<String>,
    pub limit: Option<u32>,
}

/// What waits on one channel in one zone, for the estimate of when all will be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Backlog {
    pub zone: Tz,
    pub messages: u64,
    pub not_before: DateTime<Utc>,
    pub expires_at: DateTime<Utc>,
}

/// A wish of staff that was or was not carried out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByHand {
    Done(DeliveryState),
    NotFrom(DeliveryState),
    PastItsEnd(DateTime<Utc>),
    Unknown,
}

/// The rows that wait for their turn, as [`Standing::may_repeat`] and the notice allow.
const WAITS: &str = "channel = $1 AND state = $2 AND expires_at > $3 \
     AND (state <> 'uncertain' OR (answers_lost < 2 AND uncertain_count < 5)) \
     AND (letter_id IS NOT NULL OR EXISTS (\
         SELECT 1 FROM notices WHERE notices.id = deliveries.notice_id AND notices.status = 'released'))";
const _: () = assert!(ANSWERS_LOST_AT_MOST == 2 && MARKS_AT_MOST == 5, "`WAITS` says the same in SQL");

impl Store {
    /// Takes the deliveries whose turn it is: repeats of uncertain ones first, then by priority and time. The lease and the
    /// attempt's row are committed before this returns, so before the first byte leaves. What lies in quiet hours is put
    /// off to their end on the way.
    ///
    /// # Errors
    /// When the store fails; then nothing was taken.
    pub async fn claim(&self, ask: &Ask<'_>) -> Result<Claimed, StoreError> {
        let mut claimed = Claimed::default();
        let mut tx = self.begin().await?;
        let limited = ask.in_flight.is_some() || !ask.windows.is_empty();
        if limited && tx.engine() == Engine::Postgres {
            // Two workers that count at the same time would both see room for the last one.
            sqlx::query("SELECT pg_advisory_xact_lock($1)").bind(pace_lock(ask.channel)).execute(tx.conn()).await?;
        }
        let mut left = room(&mut tx, ask).await?;
        for state in [DeliveryState::Uncertain, DeliveryState::Queued] {
            if left > 0 {
                let zones = open_zones(&mut tx, ask, state, left).await?;
                let ids = lease(&mut tx, ask, state, &zones, left).await?;
                left -= i64::try_from(ids.len()).unwrap_or(i64::MAX);
                load(&mut tx, ask, &ids, &mut claimed).await?;
            }
        }
        write_attempts(&mut tx, ask, &claimed.taken).await?;
        tx.commit().await?;
        Ok(claimed)
    }

    /// Lengthens leases that have not run out yet. Returns those that are still held; the others were lost and may be in
    /// other hands.
    ///
    /// # Errors
    /// When the store fails; then none was lengthened.
    pub async fn renew_leases(
        &self,
        leases: &[Lease],
        now: DateTime<Utc>,
        lease: Duration,
    ) -> Result<Vec<Lease>, StoreError> {
        let mut held = Vec::new();
        let mut tx = self.begin().await?;
        for one in in_lock_order(leases) {
            let renewed = sqlx::query(
                "UPDATE deliveries SET lease_until = $1 \
                 WHERE id = $2 AND fence = $3 AND state = 'leased' AND lease_until > $4",
            )
            .bind(ms(now + lease))
            .bind(&one.delivery)
            .bind(one.fence)
            .bind(ms(now))
            .execute(tx.conn())
            .await?;
            if renewed.rows_affected() == 1 {
                held.push(one.clone());
            }
        }
        tx.commit().await?;
        Ok(held)
    }

    /// Whether a delivery in hand may still go out: it is held under its own fence, and its addressee has not said stop
    /// since the claim. Asked right before the first byte.
    ///
    /// # Errors
    /// When the store fails; then nothing is known and nothing may go out.
    pub async fn may_still_go(&self, lease: &Lease) -> Result<bool, StoreError> {
        let find = format!(
            "SELECT l.kind, a.status, {SUPPRESSED} AS suppressed \
             FROM deliveries d LEFT JOIN addresses a ON a.id = d.address_id LEFT JOIN letters l ON l.id = d.letter_id \
             WHERE d.id = $1 AND d.fence = $2 AND d.state = 'leased'"
        );
        let row = sqlx::query(AssertSqlSafe(find))
            .bind(&lease.delivery)
            .bind(lease.fence)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.map_or(Ok(false), |row| may_be_written_to(letter_kind_of(&row)?, &row))
    }

    /// Whether a worker has a message to this address in hand at `now`.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn in_hand(&self, address_key: &str, now: DateTime<Utc>) -> Result<bool, StoreError> {
        let row = sqlx::query(
            "SELECT COUNT(*) AS n FROM deliveries WHERE address_id = $1 AND state = 'leased' AND lease_until > $2",
        )
        .bind(address_key)
        .bind(ms(now))
        .fetch_one(&mut *self.read().await?)
        .await?;
        Ok(count(&row)? > 0)
    }

    /// Books how attempts ended, all in one transaction. A booking counts only under its own fence.
    ///
    /// # Errors
    /// When the store fails; then none was booked and the same call may be made again.
    pub async fn finish(&self, endings: &[(Lease, Ending)], now: DateTime<Utc>) -> Result<Vec<Booked>, StoreError> {
        let mut order: Vec<usize> = (0..endings.len()).collect();
        order.sort_by(|a, b| endings[*a].0.delivery.cmp(&endings[*b].0.delivery)); // both are positions in `endings`
        let mut booked = vec![Booked::Stale; endings.len()];
        let mut tx = self.begin().await?;
        for part in order.chunks(FINISHED_AT_ONCE) {
            finish_part(&mut tx, endings, part, now, &mut booked).await?;
        }
        tx.commit().await?;
        let noted: Vec<&Lease> = endings
            .iter()
            .filter(|(_, ending)| matches!(ending, Ending::Accepted { .. }))
            .map(|(lease, _)| lease)
            .collect();
        // What stands booked needs no note; one that is left over does no harm.
        if let Err(why) = self.forget_answers(&noted).await {
            debug!(error = %why, "notes of booked answers were left over");
        }
        Ok(booked)
    }

    /// Ends what is of no use any more. Returns how many.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn expire_deliveries(&self, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let due: Option<AnyRow> =
            sqlx::query("SELECT id FROM deliveries WHERE state = 'queued' AND expires_at <= $1 LIMIT 1")
                .bind(ms(now))
                .fetch_optional(&mut *self.read().await?)
                .await?;
        if due.is_none() {
            return Ok(0);
        }
        let Some(to) = Standing::new(DeliveryState::Queued).after(Event::Expire) else { return Ok(0) };
        let mut tx = self.begin().await?;
        let done = sqlx::query(
            "UPDATE deliveries SET state = $1, updated_at = $2, last_error = COALESCE(last_error, 'its time ran out') \
             WHERE state = 'queued' AND expires_at <= $2",
        )
        .bind(to.state.name())
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        tx.commit().await?;
        Ok(done.rows_affected())
    }

    /// Ends what vanished workers had in hand: what is noted as taken is booked so, all else is marked as uncertain, since
    /// its bytes may have gone out.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn recover_leases(
        &self,
        lost: Lost,
        rest: UncertainRest,
        now: DateTime<Utc>,
    ) -> Result<Recovered, StoreError> {
        let until = match lost {
            Lost::Expired => ms(now),
            Lost::All => i64::MAX,
        };
        const FIND: &str = "SELECT id, channel, fence, state, uncertain_count, answers_lost FROM deliveries \
             WHERE state = 'leased' AND lease_until <= $1";
        let mut recovered = Recovered::default();
        if sqlx::query(FIND).bind(until).fetch_optional(&mut *self.read().await?).await?.is_none() {
            return Ok(recovered);
        }
        let mut taken = Vec::new();
        let mut tx = self.begin().await?;
        let find = format!("{FIND} ORDER BY id {}", skip_locked(tx.engine()));
        let rows = sqlx::query(AssertSqlSafe(find)).bind(until).fetch_all(tx.conn()).await?;
        for row in &rows {
            let lease = lease_of(row)?;
            let noted = self.noted(&lease).await.unwrap_or_else(|why| {
                warn!(error = %why, "it cannot be looked up whether an answer was noted");
                None
            });
            if let Some(provider_ref) = noted {
                finish_one(&mut tx, &lease, &Ending::Accepted { provider_ref }, now).await?;
                taken.push(lease);
                continue;
            }
            let cause = "the worker vanished: it is not known whether the message went out".to_owned();
            let not_before = now + rest.of(channel_of(row)?);
            book(&mut tx, &lease, &Ending::LetGo { not_before, cause }, now).await?;
            recovered.in_doubt += 1;
        }
        tx.commit().await?;
        recovered.taken = taken.len() as u64;
        let forgotten = match self.forget_answers(&taken.iter().collect::<Vec<_>>()).await {
            Ok(()) => self.forget_old_answers(now).await,
            failed => failed,
        };
        if let Err(why) = forgotten {
            debug!(error = %why, "notes of booked answers were left over");
        }
        Ok(recovered)
    }

    /// Takes in a delivery report or bounce. The state only moves forward, whatever order they come in.
    ///
    /// # Errors
    /// When the store fails; then the report was not taken in and should be asked for again.
    pub async fn apply_report(
        &self,
        channel: Channel,
        reference: Reference<'_>,
        report: Report,
        now: DateTime<Utc>,
    ) -> Result<Reported, StoreError> {
        let mut tx = self.begin().await?;
        let (column, text) = match reference {
            Reference::Key(key) => ("id", key),
            Reference::Provider(reference) => ("provider_ref", reference),
        };
        let find = format!(
            "SELECT id FROM deliveries WHERE {column} = $1 AND channel = $2 ORDER BY created_at DESC, id LIMIT 1"
        );
        let row = sqlx::query(AssertSqlSafe(find)).bind(text).bind(channel.name()).fetch_optional(tx.conn()).await?;
        let delivery = row.as_ref().map(|row| get::<String>(row, "id")).transpose()?;
        if delivery.is_some() || matches!(reference, Reference::Provider(_)) {
            sqlx::query(
                "INSERT INTO delivery_reports (channel, reference, outcome, received_at, delivery_id) \
                 VALUES ($1, $2, $3, $4, $5) ON CONFLICT (channel, reference, outcome) DO NOTHING",
            )
            .bind(channel.name())
            .bind(text)
            .bind(report.name())
            .bind(ms(now))
            .bind(delivery.clone())
            .execute(tx.conn())
            .await?;
        }
        let reported = match delivery {
            None => Reported::Unknown,
            Some(delivery) => move_by_report(&mut tx, delivery, report, now).await?,
        };
        tx.commit().await?;
        Ok(reported)
    }

    /// The instant from which a delivery of this channel may go out, by its own time alone: it may lie in the past.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn next_turn(&self, channel: Channel, now: DateTime<Utc>) -> Result<Option<DateTime<Utc>>, StoreError> {
        let mut conn = self.read().await?;
        let find = format!("SELECT not_before FROM deliveries WHERE {WAITS} ORDER BY not_before LIMIT 1");
        let mut next = None;
        for state in [DeliveryState::Uncertain, DeliveryState::Queued] {
            let row = sqlx::query(AssertSqlSafe(find.as_str()))
                .bind(channel.name())
                .bind(state.name())
                .bind(ms(now))
                .fetch_optional(&mut *conn)
                .await?;
            let at = row.as_ref().map(|row| get_instant(row, "not_before")).transpose()?;
            next = [next, at].into_iter().flatten().min();
        }
        Ok(next)
    }

    /// The next instant at which a delivery expires or a lease runs out.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn next_end(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let mut conn = self.read().await?;
        let mut next = Vec::new();
        for find in [
            "SELECT MIN(expires_at) AS at FROM deliveries WHERE state = 'queued'",
            "SELECT MIN(lease_until) AS at FROM deliveries WHERE state = 'leased'",
        ] {
            next.extend(get_instant_if_any(&sqlx::query(find).fetch_one(&mut *conn).await?, "at")?);
        }
        Ok(next.into_iter().min())
    }

    /// The first instant, from `now` on, at which these limits let one more attempt begin; `None` = never.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn next_slot(
        &self,
        channel: Channel,
        windows: &[Window],
        now: DateTime<Utc>,
    ) -> Result<Option<DateTime<Utc>>, StoreError> {
        let mut conn = self.read().await?;
        let mut slot = now;
        for window in windows {
            let begun = begun_within(&mut conn, channel, *window, now).await?;
            if window.limit == 0 {
                return Ok(None);
            }
            if begun.len() >= window.limit as usize
                && let Some(oldest) = begun.last()
            {
                slot = slot.max(*oldest + window.length);
            }
        }
        Ok(Some(slot))
    }

    /// Whether anything waits on this channel.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn anything_queued(&self, channel: Channel) -> Result<bool, StoreError> {
        let row = sqlx::query("SELECT id FROM deliveries WHERE channel = $1 AND state = 'queued' LIMIT 1")
            .bind(channel.name())
            .fetch_optional(&mut *self.read().await?)
            .await?;
        Ok(row.is_some())
    }

    /// Mean time from the start to the end of the newest attempts of a channel; `None` before the first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn mean_send_time(&self, channel: Channel) -> Result<Option<Duration>, StoreError> {
        let row = sqlx::query(
            "SELECT CAST(AVG(ended_at - started_at) AS BIGINT) AS mean FROM \
             (SELECT started_at, ended_at FROM attempts WHERE channel = $1 AND ended_at IS NOT NULL AND outcome <> 'uncertain' \
              ORDER BY started_at DESC LIMIT 200) AS newest",
        )
        .bind(channel.name())
        .fetch_one(&mut *self.read().await?)
        .await?;
        Ok(get::<Option<i64>>(&row, "mean")?.map(Duration::milliseconds))
    }

    /// How many deliveries stand where, by channel.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn queue_counts(&self) -> Result<BTreeMap<(Channel, DeliveryState), u64>, StoreError> {
        let rows = sqlx::query("SELECT channel, state, COUNT(*) AS n FROM deliveries GROUP BY channel, state")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok(((channel_of(row)?, state_of(row)?), count(row)?))).collect()
    }

    /// How often, over all deliveries, bytes may have gone out with no answer booked: the number of possible repeats that
    /// were or will be marked.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn uncertain_total(&self) -> Result<u64, StoreError> {
        let row = sqlx::query("SELECT CAST(COALESCE(SUM(uncertain_count), 0) AS BIGINT) AS n FROM deliveries")
            .fetch_one(&mut *self.read().await?)
            .await?;
        count(&row)
    }

    /// Where the deliveries of one notice stand, and whether all have ended.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notice_progress(
        &self,
        notice: &str,
        now: DateTime<Utc>,
    ) -> Result<(BTreeMap<DeliveryState, u64>, bool), StoreError> {
        let rows = sqlx::query(
            "SELECT state, uncertain_count, answers_lost, COUNT(*) AS n, MAX(expires_at) AS expires_at \
             FROM deliveries WHERE notice_id = $1 GROUP BY state, uncertain_count, answers_lost",
        )
        .bind(notice)
        .fetch_all(&mut *self.read().await?)
        .await?;
        let (mut counts, mut ended) = (BTreeMap::new(), true);
        for row in &rows {
            let standing = standing_of(row)?;
            *counts.entry(standing.state).or_insert(0) += count(row)?;
            ended &= standing.ended(get_instant(row, "expires_at")? <= now);
        }
        Ok((counts, ended))
    }

    /// What still waits on a channel, by zone, for an estimate of when all will be told. Letters that leave at
    /// once are not in it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn backlog(&self, channel: Channel) -> Result<Vec<Backlog>, StoreError> {
        let rows = sqlx::query(
            "SELECT time_zone, COUNT(*) AS n, MIN(not_before) AS not_before, MIN(expires_at) AS expires_at \
             FROM deliveries WHERE channel = $1 AND priority >= 0 AND (state IN ('queued', 'leased') \
                 OR (state = 'uncertain' AND answers_lost < 2 AND uncertain_count < 5)) \
             GROUP BY time_zone, notice_id ORDER BY time_zone, notice_id",
        )
        .bind(channel.name())
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(Backlog {
                    zone: zone_of(row)?,
                    messages: count(row)?,
                    not_before: get_instant(row, "not_before")?,
                    expires_at: get_instant(row, "expires_at")?,
                })
            })
            .collect()
    }

    /// Instants at which attempts on this channel began since `since`, in order.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn attempts_since(
        &self,
        channel: Channel,
        since: DateTime<Utc>,
    ) -> Result<Vec<DateTime<Utc>>, StoreError> {
        let rows =
            sqlx::query("SELECT started_at FROM attempts WHERE channel = $1 AND started_at > $2 ORDER BY started_at")
                .bind(channel.name())
                .bind(ms(since))
                .fetch_all(&mut *self.read().await?)
                .await?;
        rows.iter().map(|row| get_instant(row, "started_at")).collect()
    }

    /// # Errors
    /// When the store fails.
    pub async fn deliveries(&self, filter: &DeliveryFilter) -> Result<Vec<DeliveryRow>, StoreError> {
        let rows = sqlx::query(
            "SELECT d.id, COALESCE(d.notice_id, 'letter/' || l.kind) AS notice, d.channel, \
                    COALESCE(a.address, NULLIF(l.address, '')) AS address, d.state, d.uncertain_count, d.answers_lost, d.attempts, d.not_before, \
                    d.expires_at, d.provider_ref, d.last_error, d.updated_at \
             FROM deliveries d LEFT JOIN addresses a ON a.id = d.address_id LEFT JOIN letters l ON l.id = d.letter_id \
             WHERE ($1 = '' OR d.state = $1) AND ($2 = '' OR d.notice_id = $2) \
             ORDER BY d.created_at, d.notice_id, d.priority, d.id LIMIT $3",
        )
        .bind(filter.state.map_or("", DeliveryState::name))
        .bind(filter.notice.as_deref().unwrap_or(""))
        .bind(filter.limit.map_or(i64::MAX, i64::from))
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                let channel = channel_of(row)?;
                Ok(DeliveryRow {
                    id: get(row, "id")?,
                    notice: get(row, "notice")?,
                    channel,
                    address: get::<Option<String>>(row, "address")?.map(|text| Address::from_stored(channel, text)),
                    standing: standing_of(row)?,
                    attempts: get(row, "attempts")?,
                    not_before: get_instant(row, "not_before")?,
                    expires_at: get_instant(row, "expires_at")?,
                    provider_ref: get(row, "provider_ref")?,
                    last_error: get(row, "last_error")?,
                    updated_at: get_instant(row, "updated_at")?,
                })
            })
            .collect()
    }

    /// One more try, asked for by staff.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn retry_delivery(&self, id: &str, now: DateTime<Utc>) -> Result<ByHand, StoreError> {
        self.by_hand(id, Event::RetryByHand, "one more try was asked for", now).await
    }

    /// Ends a delivery that has not gone out. Staff and a word of stop use it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn cancel_delivery(&self, id: &str, why: &str, now: DateTime<Utc>) -> Result<ByHand, StoreError> {
        self.by_hand(id, Event::Cancel, why, now).await
    }

    async fn by_hand(&self, id: &str, event: Event, why: &str, now: DateTime<Utc>) -> Result<ByHand, StoreError> {
        let mut tx = self.begin().await?;
        let find = format!(
            "SELECT state, uncertain_count, answers_lost, expires_at FROM deliveries WHERE id = $1 {}",
            for_update(tx.engine())
        );
        let Some(row) = sqlx::query(AssertSqlSafe(find)).bind(id).fetch_optional(tx.conn()).await? else {
            return Ok(ByHand::Unknown);
        };
        let at = standing_of(&row)?;
        let Some(to) = at.after(event) else { return Ok(ByHand::NotFrom(at.state)) };
        let expires_at = get_instant(&row, "expires_at")?;
        if event == Event::RetryByHand && expires_at <= now {
            return Ok(ByHand::PastItsEnd(expires_at));
        }
        sqlx::query(
            "UPDATE deliveries SET state = $1, not_before = $2, last_error = $3, updated_at = $2 WHERE id = $4",
        )
        .bind(to.state.name())
        .bind(ms(now))
        .bind(why)
        .bind(id)
        .execute(tx.conn())
        .await?;
        tx.commit().await?;
        Ok(ByHand::Done(to.state))
    }
}

/// How many more may begin now.
async fn room(tx: &mut Tx, ask: &Ask<'_>) -> Result<i64, StoreError> {
    let mut room = i64::from(ask.most);
    if let Some(in_flight) = ask.in_flight {
        let row = sqlx::query(
            "SELECT COUNT(*) AS n FROM deliveries WHERE channel = $1 AND state = 'leased' AND lease_until > $2",
        )
        .bind(ask.channel.name())
        .bind(ms(ask.now))
        .fetch_one(tx.conn())
        .await?;
        room = room.min(i64::from(in_flight) - get::<i64>(&row, "n")?);
    }
    for window in ask.windows {
        let begun = begun_within(tx.conn(), ask.channel, *window, ask.now).await?;
        room = room.min(i64::from(window.limit) - i64::try_from(begun.len()).unwrap_or(i64::MAX));
    }
    Ok(room.max(0))
}

/// The newest attempts inside a window that ends now, newest first; never more than its limit, so a long log costs nothing.
async fn begun_within(
    conn: &mut AnyConnection,
    channel: Channel,
    window: Window,
    now: DateTime<Utc>,
) -> Result<Vec<DateTime<Utc>>, StoreError> {
    let rows = sqlx::query(
        "SELECT started_at FROM attempts WHERE channel = $1 AND started_at > $2 ORDER BY started_at DESC LIMIT $3",
    )
    .bind(channel.name())
    .bind(ms(now - window.length))
    .bind(i64::from(window.limit))
    .fetch_all(conn)
    .await?;
    rows.iter().map(|row| get_instant(row, "started_at")).collect()
}

/// The zones of the notices whose turn it is, as far as messages may leave there now. Where it is night, all that waits
/// is put off to the morning, so that the night is met once and not at every claim. A letter that
/// answers what somebody did this minute (priority below 0) knows no night.
async fn open_zones(tx: &mut Tx, ask: &Ask<'_>, state: DeliveryState, most: i64) -> Result<Vec<Tz>, StoreError> {
    let peek = format!(
        "SELECT DISTINCT time_zone FROM \
         (SELECT time_zone FROM deliveries WHERE {WAITS} AND priority >= 0 AND not_before <= $3 ORDER BY priority, not_before, id LIMIT $4) AS next"
    );
    loop {
        let rows = sqlx::query(AssertSqlSafe(peek.as_str()))
            .bind(ask.channel.name())
            .bind(state.name())
            .bind(ms(ask.now))
            .bind(most)
            .fetch_all(tx.conn())
            .await?;
        let zones = rows.iter().map(zone_of).collect::<Result<Vec<Tz>, _>>()?;
        let (open, quiet): (Vec<Tz>, Vec<Tz>) = zones.into_iter().partition(|zone| ask.quiet.open_at(ask.now, *zone));
        if quiet.is_empty() {
            return Ok(open);
        }
        let mut put_off = 0;
        for zone in quiet {
            let until = ask.quiet.next_allowed(ask.now, zone);
            let put = format!(
                "WITH sleeping AS MATERIALIZED (SELECT id FROM deliveries \
                     WHERE channel = $2 AND state = $3 AND time_zone = $4 AND priority >= 0 AND not_before < $1 {}) \
                 UPDATE deliveries SET not_before = $1 WHERE id IN (SELECT id FROM sleeping)",
                skip_locked(tx.engine())
            );
            put_off += sqlx::query(AssertSqlSafe(put))
                .bind(ms(until))
                .bind(ask.channel.name())
                .bind(state.name())
                .bind(zone.name())
                .execute(tx.conn())
                .await?
                .rows_affected();
        }
        // Rows that another worker has locked are left to it.
        if put_off == 0 {
            return Ok(open);
        }
    }
}

/// The claim itself: one statement, which the two engines differ in by one line.
async fn lease(
    tx: &mut Tx,
    ask: &Ask<'_>,
    state: DeliveryState,
    zones: &[Tz],
    most: i64,
) -> Result<Vec<String>, StoreError> {
    let Some(to) = Standing::new(state).after(Event::Claim) else { return Ok(Vec::new()) };
    let places: Vec<String> = (0..zones.len()).map(|index| format!("${}", index + 8)).collect();
    let awake = if places.is_empty() { String::new() } else { format!(" OR time_zone IN ({})", places.join(", ")) };
    let claim = format!(
        "WITH picked AS MATERIALIZED (\
             SELECT id FROM deliveries WHERE {WAITS} AND not_before <= $3 AND (priority < 0{awake}) \
             ORDER BY priority, not_before, id LIMIT $4 {}) \
         UPDATE deliveries SET state = $5, fence = fence + 1, attempts = attempts + 1, \
                lease_until = $6, lease_owner = $7, updated_at = $3 \
         WHERE id IN (SELECT id FROM picked) RETURNING id",
        skip_locked(tx.engine()),
    );
    let mut query = sqlx::query(AssertSqlSafe(claim))
        .bind(ask.channel.name())
        .bind(state.name())
        .bind(ms(ask.now))
        .bind(most)
        .bind(to.state.name())
        .bind(ms(ask.now + ask.lease))
        .bind(ask.worker);
    for zone in zones {
        query = query.bind(zone.name());
    }
    query.fetch_all(tx.conn()).await?.iter().map(|row| get(row, "id")).collect()
}

/// Adds what is needed for sending. Whose address is gone or stopped, or who has no text, is ended here.
async fn load(tx: &mut Tx, ask: &Ask<'_>, ids: &[String], claimed: &mut Claimed) -> Result<(), StoreError> {
    if ids.is_empty() {
        return Ok(());
    }
    let places: Vec<String> = (1..=ids.len()).map(|index| format!("${index}")).collect();
    let find = format!(
        "SELECT d.id, d.fence, d.state, d.uncertain_count, d.answers_lost, d.attempts, d.expires_at, d.address_id, d.language, \
                COALESCE(d.notice_id, 'letter/' || l.kind) AS notice, l.kind, l.address AS letter_address, \
                a.address, a.status, {SUPPRESSED} AS suppressed, COALESCE(t.subject, l.subject) AS subject, \
                COALESCE(t.body, l.body) AS body, COALESCE(t.html, l.html) AS html, t.calendar, t.chart_png, \
                (SELECT MIN(started_at) FROM attempts \
                 WHERE delivery_id = d.id AND outcome = 'uncertain') AS first_copy_at \
         FROM deliveries d LEFT JOIN addresses a ON a.id = d.address_id \
         LEFT JOIN notice_texts t ON t.notice_id = d.notice_id AND t.language = d.language AND t.channel = d.channel \
         LEFT JOIN letters l ON l.id = d.letter_id \
         WHERE d.id IN ({}) ORDER BY d.priority, d.not_before, d.id",
        places.join(", ")
    );
    let mut query = sqlx::query(AssertSqlSafe(find));
    for id in ids {
        query = query.bind(id);
    }
    for row in query.fetch_all(tx.conn()).await? {
        let lease = lease_of(&row)?;
        let letter = letter_kind_of(&row)?;
        let address = match letter {
            _ if !may_be_written_to(letter, &row)? => None,
            None => get::<Option<String>>(&row, "address")?,
            Some(_) => get::<Option<String>>(&row, "letter_address")?.filter(|address| !address.is_empty()),
        };
        let Some(address) = address else {
            end_unsent(tx, &lease, Event::Withdraw, WITHDRAWN, ask.now).await?;
            claimed.withdrawn += 1;
            continue;
        };
        let Some(message) = message_of(ask.channel, &row)? else {
            let language = get::<String>(&row, "language")?;
            let why = format!("the notice has no text in language `{language}` for {}", ask.channel.name());
            end_unsent(tx, &lease, Event::Refused, &why, ask.now).await?;
            claimed.refused += 1;
            continue;
        };
        claimed.taken.push(Leased {
            lease,
            channel: ask.channel,
            notice: get(&row, "notice")?,
            address_id: get(&row, "address_id")?,
            address: Address::from_stored(ask.channel, address),
            message,
            attempts: get(&row, "attempts")?,
            first_copy_at: get_instant_if_any(&row, "first_copy_at")?,
            expires_at: get_instant(&row, "expires_at")?,
        });
    }
    Ok(())
}

/// Why a delivery ends that was claimed for somebody who is not to be written to.
const WITHDRAWN: &str = "the address was stopped or removed";

/// Whether the address of a delivery `d` is on the list of those never to be written to; `l` is its letter, if it is of one.
/// A wish that neither code nor link can confirm came from the phone itself: its question goes out.
pub(super) const SUPPRESSED: &str = "CASE WHEN EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = d.address_id AND \
     NOT EXISTS (SELECT 1 FROM confirmations c WHERE c.address_key = x.address_key AND c.ended_at IS NULL \
         AND c.asked_at >= x.since AND c.code_hash IS NULL AND c.token_hash IS NULL \
         AND l.kind IN ('confirm', 'not-covered'))) THEN 1 ELSE 0 END";

fn letter_kind_of(row: &AnyRow) -> Result<Option<LetterKind>, StoreError> {
    get::<Option<String>>(row, "kind")?
        .map(|name| LetterKind::parse(&name).ok_or_else(|| StoreError::corrupt(format!("letters.kind holds `{name}`"))))
        .transpose()
}

/// Of a row with the kind of its letter, if it is one, the status of its address, and whether that is suppressed.
fn may_be_written_to(letter: Option<LetterKind>, row: &AnyRow) -> Result<bool, StoreError> {
    let status = get::<Option<String>>(row, "status")?
        .map(|name| {
            AddressStatus::parse(&name).ok_or_else(|| StoreError::corrupt(format!("addresses.status holds `{name}`")))
        })
        .transpose()?;
    let suppressed = get::<i64>(row, "suppressed")? != 0;
    Ok(match letter {
        None => status == Some(AddressStatus::Confirmed) && !suppressed,
        Some(kind) => transactional::may_go(kind, status, suppressed),
    })
}

fn message_of(channel: Channel, row: &AnyRow) -> Result<Option<Message>, StoreError> {
    let Some(text) = get::<Option<String>>(row, "body")? else { return Ok(None) };
    Ok(match channel {
        Channel::Sms => Some(Message::Sms { text }),
        Channel::Email => match (get::<Option<String>>(row, "subject")?, get::<Option<String>>(row, "html")?) {
            (Some(subject), Some(html)) => Some(Message::Email {
                subject,
                text,
                html,
                calendar: get(row, "calendar")?,
                chart_png: get(row, "chart_png")?,
            }),
            _ => None,
        },
    })
}

async fn end_unsent(tx: &mut Tx, lease: &Lease, event: Event, why: &str, now: DateTime<Utc>) -> Result<(), StoreError> {
    let Some(to) = lease.standing.after(event) else { return Ok(()) };
    sqlx::query(
        "UPDATE deliveries SET state = $1, last_error = $2, lease_until = NULL, lease_owner = NULL, updated_at = $3 \
         WHERE id = $4 AND fence = $5 AND state = 'leased'",
    )
    .bind(to.state.name())
    .bind(why)
    .bind(ms(now))
    .bind(&lease.delivery)
    .bind(lease.fence)
    .execute(tx.conn())
    .await?;
    Ok(())
}

/// One statement for all: the rows that say "something may have gone out".
async fn write_attempts(tx: &mut Tx, ask: &Ask<'_>, taken: &[Leased]) -> Result<(), StoreError> {
    // SQLite takes 32,766 parameters in one statement and PostgreSQL 65,535.
    for part in taken.chunks(1000) {
        let places: Vec<String> =
            (0..part.len()).map(|index| format!("(${}, ${}, $1, $2)", index * 2 + 3, index * 2 + 4)).collect();
        let write =
            format!("INSERT INTO attempts (delivery_id, fence, channel, started_at) VALUES {}", places.join(", "));
        let mut query = sqlx::query(AssertSqlSafe(write)).bind(ask.channel.name()).bind(ms(ask.now));
        for one in part {
            query = query.bind(&one.lease.delivery).bind(one.lease.fence);
        }
        query.execute(tx.conn()).await?;
    }
    Ok(())
}

/// SQLite takes 32,766 parameters in one statement; a row of a booking has eight.
const FINISHED_AT_ONCE: usize = 500;

/// Books the endings at these places, which are in the order of their deliveries. Nearly all answers come under the lease that
/// they were asked under: those are booked by one statement. What that leaves is looked at one by one.
async fn finish_part(
    tx: &mut Tx,
    endings: &[(Lease, Ending)],
    places: &[usize],
    now: DateTime<Utc>,
    booked: &mut [Booked],
) -> Result<(), StoreError> {
    let twice = places.windows(2).any(|two| endings[two[0]].0.delivery == endings[two[1]].0.delivery);
    let many = if places.len() > 1 && !twice { book_many(tx, endings, places, now).await? } else { BTreeMap::new() };
    for place in places {
        let (lease, ending) = &endings[*place];
        booked[*place] = match many.get(lease.delivery.as_str()) {
            Some(state) => Booked::Done(*state),
            None => finish_one(tx, lease, ending, now).await?,
        };
    }
    Ok(())
}

async fn finish_one(tx: &mut Tx, lease: &Lease, ending: &Ending, now: DateTime<Utc>) -> Result<Booked, StoreError> {
    if let Some(mut state) = book(tx, lease, ending, now).await? {
        if let Ending::Accepted { provider_ref: Some(reference) } = ending {
            state = apply_early_reports(tx, lease, reference, now).await?.unwrap_or(state);
        }
        return Ok(Booked::Done(state));
    }

    let find = format!("SELECT state FROM deliveries WHERE id = $1 AND fence = $2 {}", for_update(tx.engine()));
    let row =
        sqlx::query(AssertSqlSafe(find)).bind(&lease.delivery).bind(lease.fence).fetch_optional(tx.conn()).await?;
    let Some(row) = row else { return Ok(Booked::Stale) };
    // Nobody has taken it since, so the answer is about the bytes of the last attempt. It no longer ends the lease, but
    // "accepted" is news like a report, and it saves the repeat.
    close_attempt(tx, lease, ending, now).await?;
    let mut state = state_of(&row)?;
    if let Ending::Accepted { provider_ref } = ending {
        if let Some(reference) = provider_ref {
            sqlx::query("UPDATE deliveries SET provider_ref = COALESCE(provider_ref, $1) WHERE id = $2")
                .bind(reference)
                .bind(&lease.delivery)
                .execute(tx.conn())
                .await?;
        }
        if let Reported::Moved { to, .. } = move_by_report(tx, lease.delivery.clone(), Report::Accepted, now).await? {
            state = to;
        }
        if let Some(reference) = provider_ref {
            state = apply_early_reports(tx, lease, reference, now).await?.unwrap_or(state);
        }
    }
    Ok(Booked::Overtaken(state))
}

/// What a booking writes beside the state: the provider's reference, the time of the next try, the cause.
fn written(ending: &Ending) -> (Option<&str>, Option<i64>, Option<&str>) {
    match ending {
        Ending::Accepted { provider_ref } => (provider_ref.as_deref(), None, None),
        Ending::Refused { cause } => (None, None, Some(cause)),
        Ending::Withdrawn => (None, None, Some(WITHDRAWN)),
        Ending::NotNow { not_before, cause }
        | Ending::AnswerLost { not_before, cause }
        | Ending::LetGo { not_before, cause } => (None, Some(ms(*not_before)), Some(cause)),
    }
}

/// Ends a lease if it is still held under its fence. `None` = it is not.
async fn book(
    tx: &mut Tx,
    lease: &Lease,
    ending: &Ending,
    now: DateTime<Utc>,
) -> Result<Option<DeliveryState>, StoreError> {
    let Some(to) = lease.standing.after(ending.event()) else { return Ok(None) };
    let (provider_ref, not_before, cause) = written(ending);
    // Without `fence = …` a late answer would end the lease of a successor; without `state = 'leased'` it would take back
    // what a report has already told.
    let done = sqlx::query(
        "UPDATE deliveries SET state = $1, uncertain_count = $2, answers_lost = $9, not_before = COALESCE($3, not_before), \
                provider_ref = COALESCE($4, provider_ref), last_error = $5, lease_until = NULL, lease_owner = NULL, \
                updated_at = $6 \
         WHERE id = $7 AND fence = $8 AND state = 'leased'",
    )
    .bind(to.state.name())
    .bind(to.uncertain_count)
    .bind(not_before)
    .bind(provider_ref)
    .bind(cause)
    .bind(ms(now))
    .bind(&lease.delivery)
    .bind(lease.fence)
    .bind(to.answers_lost)
    .execute(tx.conn())
    .await?;
    if done.rows_affected() == 0 {
        return Ok(None);
    }
    close_attempt(tx, lease, ending, now).await?;
    Ok(Some(to.state))
}

/// As [`book`] for many, which are in the order of their deliveries and none of them twice. Gives where those stand now whose
/// lease was still held.
async fn book_many<'a>(
    tx: &mut Tx,
    endings: &'a [(Lease, Ending)],
    places: &[usize],
    now: DateTime<Utc>,
) -> Result<BTreeMap<&'a str, DeliveryState>, StoreError> {
    let moves: Vec<(&Lease, &Ending, Standing)> = places
        .iter()
        .map(|place| &endings[*place])
        .filter_map(|(lease, ending)| Some((lease, ending, lease.standing.after(ending.event())?)))
        .collect();
    if moves.is_empty() {
        return Ok(BTreeMap::new());
    }
    if tx.engine() == Engine::Postgres {
        // One statement takes its locks in any order; see `in_lock_order`.
        let lock =
            format!("SELECT id FROM deliveries WHERE id IN ({}) ORDER BY id FOR UPDATE", places_of(1, moves.len()));
        let mut query = sqlx::query(AssertSqlSafe(lock));
        for (lease, ..) in &moves {
            query = query.bind(&lease.delivery);
        }
        query.fetch_all(tx.conn()).await?;
    }
    let book = format!(
        "UPDATE deliveries SET state = v.column3, uncertain_count = v.column4, answers_lost = v.column5, \
                not_before = COALESCE(v.column6, not_before), provider_ref = COALESCE(v.column7, provider_ref), \
                last_error = v.column8, lease_until = NULL, lease_owner = NULL, updated_at = $1 FROM (VALUES {}) AS v \
         WHERE deliveries.id = v.column1 AND deliveries.fence = v.column2 AND deliveries.state = 'leased' RETURNING id",
        rows_of(2, moves.len(), 8)
    );
    let mut query = sqlx::query(AssertSqlSafe(book)).bind(ms(now));
    for (lease, ending, to) in &moves {
        let (provider_ref, not_before, cause) = written(ending);
        query = query.bind(&lease.delivery).bind(lease.fence).bind(to.state.name()).bind(to.uncertain_count);
        query = query.bind(to.answers_lost).bind(not_before).bind(provider_ref).bind(cause);
    }
    let done: BTreeSet<String> =
        query.fetch_all(tx.conn()).await?.iter().map(|row| get(row, "id")).collect::<Result<_, _>>()?;
    let done: Vec<&(&Lease, &Ending, Standing)> =
        moves.iter().filter(|(lease, ..)| done.contains(&lease.delivery)).collect();
    if done.is_empty() {
        return Ok(BTreeMap::new());
    }
    let close = format!(
        "UPDATE attempts SET ended_at = $1, outcome = v.column3, detail = v.column4 FROM (VALUES {}) AS v \
         WHERE attempts.delivery_id = v.column1 AND attempts.fence = v.column2",
        rows_of(2, done.len(), 4)
    );
    let mut query = sqlx::query(AssertSqlSafe(close)).bind(ms(now));
    for (lease, ending, _) in &done {
        let (outcome, detail) = outcome_of(ending);
        query = query.bind(&lease.delivery).bind(lease.fence).bind(outcome).bind(detail);
    }
    query.execute(tx.conn()).await?;

    let mut states: BTreeMap<&str, DeliveryState> =
        done.iter().map(|(lease, _, to)| (lease.delivery.as_str(), to.state)).collect();
    let references: Vec<(&Lease, &str)> =
        done.iter().filter_map(|(lease, ending, _)| Some((*lease, written(ending).0?))).collect();
    if references.is_empty() {
        return Ok(states);
    }
    let early = format!(
        "SELECT DISTINCT reference FROM delivery_reports \
         WHERE channel IN ('email', 'sms') AND reference IN ({}) AND delivery_id IS NULL",
        places_of(1, references.len())
    );
    let mut query = sqlx::query(AssertSqlSafe(early));
    for (_, reference) in &references {
        query = query.bind(*reference);
    }
    let early: BTreeSet<String> =
        query.fetch_all(tx.conn()).await?.iter().map(|row| get(row, "reference")).collect::<Result<_, _>>()?;
    for (lease, reference) in references {
        if early.contains(reference)
            && let Some(state) = apply_early_reports(tx, lease, reference, now).await?
        {
            states.insert(lease.delivery.as_str(), state);
        }
    }
    Ok(states)
}

/// `$first, $next, …`
fn places_of(first: usize, count: usize) -> String {
    (first..first + count).map(|index| format!("${index}")).collect::<Vec<_>>().join(", ")
}

/// `($first, …), (…), …`
fn rows_of(first: usize, rows: usize, columns: usize) -> String {
    (0..rows).map(|row| format!("({})", places_of(first + row * columns, columns))).collect::<Vec<_>>().join(", ")
}

/// How an attempt ended, as its row says it.
fn outcome_of(ending: &Ending) -> (&'static str, Option<&str>) {
    match ending {
        Ending::Accepted { provider_ref } => ("accepted", provider_ref.as_deref()),
        Ending::NotNow { cause, .. } => ("not-now", Some(cause)),
        Ending::Refused { cause } => ("refused", Some(cause)),
        Ending::Withdrawn => ("withdrawn", Some(WITHDRAWN)),
        Ending::AnswerLost { cause, .. } | Ending::LetGo { cause, .. } => ("uncertain", Some(cause)),
    }
}

async fn close_attempt(tx: &mut Tx, lease: &Lease, ending: &Ending, now: DateTime<Utc>) -> Result<(), StoreError> {
    let (outcome, detail) = outcome_of(ending);
    sqlx::query("UPDATE attempts SET ended_at = $1, outcome = $2, detail = $3 WHERE delivery_id = $4 AND fence = $5")
        .bind(ms(now))
        .bind(outcome)
        .bind(detail)
        .bind(&lease.delivery)
        .bind(lease.fence)
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// Reports that came before we knew the provider's reference.
async fn apply_early_reports(
    tx: &mut Tx,
    lease: &Lease,
    reference: &str,
    now: DateTime<Utc>,
) -> Result<Option<DeliveryState>, StoreError> {
    let rows = sqlx::query(
        "SELECT outcome FROM delivery_reports WHERE reference = $1 AND delivery_id IS NULL \
         AND channel = (SELECT channel FROM deliveries WHERE id = $2)",
    )
    .bind(reference)
    .bind(&lease.delivery)
    .fetch_all(tx.conn())
    .await?;
    let mut state = None;
    for row in &rows {
        let outcome: String = get(row, "outcome")?;
        let report = Report::parse(&outcome)
            .ok_or_else(|| StoreError::corrupt(format!("delivery_reports.outcome holds `{outcome}`")))?;
        if let Reported::Moved { to, .. } = move_by_report(tx, lease.delivery.clone(), report, now).await? {
            state = Some(to);
        }
    }
    if !rows.is_empty() {
        sqlx::query(
            "UPDATE delivery_reports SET delivery_id = $1 WHERE reference = $2 AND delivery_id IS NULL \
             AND channel = (SELECT channel FROM deliveries WHERE id = $1)",
        )
        .bind(&lease.delivery)
        .bind(reference)
        .execute(tx.conn())
        .await?;
    }
    Ok(state)
}

pub(super) async fn move_by_report(
    tx: &mut Tx,
    delivery: String,
    report: Report,
    now: DateTime<Utc>,
) -> Result<Reported, StoreError> {
    let find = format!(
        "SELECT state, uncertain_count, answers_lost FROM deliveries WHERE id = $1 {}",
        for_update(tx.engine())
    );
    let row = sqlx::query(AssertSqlSafe(find)).bind(&delivery).fetch_one(tx.conn()).await?;
    let at = standing_of(&row)?;
    let Some(to) = at.after(Event::Report(report)) else {
        return Ok(Reported::Unchanged { delivery, at: at.state });
    };
    sqlx::query(
        "UPDATE deliveries SET state = $1, updated_at = $2, lease_until = NULL, lease_owner = NULL WHERE id = $3",
    )
    .bind(to.state.name())
    .bind(ms(now))
    .bind(&delivery)
    .execute(tx.conn())
    .await?;
    Ok(Reported::Moved { delivery, to: to.state })
}

/// SQLite has a single writer and rejects the clause.
fn skip_locked(engine: Engine) -> &'static str {
    match engine {
        Engine::Postgres => "FOR UPDATE SKIP LOCKED",
        Engine::Sqlite => "",
    }
}

fn for_update(engine: Engine) -> &'static str {
    match engine {
        Engine::Postgres => "FOR UPDATE",
        Engine::Sqlite => "",
    }
}

/// Any numbers that nothing else locks.
fn pace_lock(channel: Channel) -> i64 {
    match channel {
        Channel::Email => 0x7472_6565_0001,
        Channel::Sms => 0x7472_6565_0002,
    }
}

/// Transactions that lock several rows all do so by id, so that two of them wait and never deadlock.
fn in_lock_order(leases: &[Lease]) -> Vec<&Lease> {
    let mut order: Vec<&Lease> = leases.iter().collect();
    order.sort_by(|a, b| a.delivery.cmp(&b.delivery));
    order
}

fn channel_of(row: &AnyRow) -> Result<Channel, StoreError> {
    let name: String = get(row, "channel")?;
    Channel::parse(&name).ok_or_else(|| StoreError::corrupt(format!("deliveries.channel holds `{name}`")))
}

fn state_of(row: &AnyRow) -> Result<DeliveryState, StoreError> {
    let name: String = get(row, "state")?;
    DeliveryState::parse(&name).ok_or_else(|| StoreError::corrupt(format!("deliveries.state holds `{name}`")))
}

fn standing_of(row: &AnyRow) -> Result<Standing, StoreError> {
    Ok(Standing {
        state: state_of(row)?,
        uncertain_count: get(row, "uncertain_count")?,
        answers_lost: get(row, "answers_lost")?,
    })
}

/// A row that is leased.
fn lease_of(row: &AnyRow) -> Result<Lease, StoreError> {
    Ok(Lease { delivery: get(row, "id")?, fence: get(row, "fence")?, standing: standing_of(row)? })
}

fn zone_of(row: &AnyRow) -> Result<Tz, StoreError> {
    let name: String = get(row, "time_zone")?;
    name.parse().map_err(|_| StoreError::corrupt(format!("deliveries.time_zone holds `{name}`")))
}

fn count(row: &AnyRow) -> Result<u64, StoreError> {
    let n: i64 = get(row, "n")?;
    u64::try_from(n).map_err(|_| StoreError::corrupt(format!("a count is {n}")))
}
