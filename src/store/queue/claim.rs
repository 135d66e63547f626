//! Taking deliveries in hand: the claim, its lease, and the last look before the first byte.

use std::collections::HashMap;
use std::collections::hash_map::Entry;

use chrono::{DateTime, Duration, Utc};
use chrono_tz::Tz;
use sqlx::AssertSqlSafe;
use sqlx::any::AnyRow;

use crate::delivery::attempt::Lease;
use crate::delivery::state::{DeliveryStanding, DeliveryState, Event};
use crate::message::{Message, TransactionalKind};
use crate::people::{Address, AddressId, Channel};
use crate::store::addresses::AddressStatus;
use crate::store::bulk::{places, rows_of};
use crate::store::error::StoreError;
use crate::store::queue::pace::{pace_lock, room};
use crate::store::queue::{ClaimRequest, Claimed, Leased, WAITS, WITHDRAWN, count, lease_of, zone_of};
use crate::store::rows::{get, get_instant, get_instant_if_any, ms};
use crate::store::suppression::{SUPPRESSED, may_go};
use crate::store::tx::{Engine, Store, Tx};

/// Those whose time has come, in the order of the index of turns, which is read only as far as is asked for (see [`WAITS`]).
const TURN: &str = "+not_before <= $3 ORDER BY priority, not_before, id";

impl Store {
    /// Takes the deliveries whose turn it is: repeats of uncertain ones first, then by priority and time. The lease and the
    /// attempt's row are committed before this returns, so before the first byte leaves. What lies in quiet hours is put
    /// off to their end on the way.
    ///
    /// # Errors
    /// When the store fails; then nothing was taken.
    pub async fn claim(&self, ask: &ClaimRequest<'_>) -> Result<Claimed, StoreError> {
        let mut tx = self.begin().await?;
        let claimed = claim(&mut tx, ask).await?;
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
    pub async fn in_hand(&self, address_key: &AddressId, now: DateTime<Utc>) -> Result<bool, StoreError> {
        let row = sqlx::query(
            "SELECT COUNT(*) AS n FROM deliveries WHERE address_id = $1 AND state = 'leased' AND lease_until > $2",
        )
        .bind(address_key.as_str())
        .bind(ms(now))
        .fetch_one(&mut *self.read().await?)
        .await?;
        Ok(count(&row)? > 0)
    }
}

async fn claim(tx: &mut Tx, ask: &ClaimRequest<'_>) -> Result<Claimed, StoreError> {
    let mut claimed = Claimed::default();
    let limited = ask.in_flight.is_some() || !ask.windows.is_empty();
    if limited && tx.engine() == Engine::Postgres {
        // Two workers that count at the same time would both see room for the last one.
        sqlx::query("SELECT pg_advisory_xact_lock($1)").bind(pace_lock(ask.channel)).execute(tx.conn()).await?;
    }
    let mut left = room(tx, ask).await?;
    for state in [DeliveryState::Uncertain, DeliveryState::Queued] {
        if left > 0 {
            let zones = open_zones(tx, ask, state, left).await?;
            let ids = lease(tx, ask, state, &zones, left).await?;
            left -= i64::try_from(ids.len()).unwrap_or(i64::MAX);
            load(tx, ask, &ids, &mut claimed).await?;
        }
    }
    write_attempts(tx, ask, &claimed.taken).await?;
    Ok(claimed)
}

/// The zones of the notices whose turn it is, as far as messages may leave there now. Where it is night, all that waits
/// is put off to the morning, so that the night is met once and not at every claim. A transactional message that
/// may leave at any hour knows no night.
async fn open_zones(
    tx: &mut Tx,
    ask: &ClaimRequest<'_>,
    state: DeliveryState,
    most: i64,
) -> Result<Vec<Tz>, StoreError> {
    let peek = peek_statement();
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
                     WHERE channel = $2 AND state = $3 AND time_zone = $4 AND any_hour = 0 AND not_before < $1 {}) \
                 UPDATE deliveries SET not_before = $1 WHERE id IN (SELECT id FROM sleeping)",
                tx.engine().skip_locked()
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

fn peek_statement() -> String {
    format!(
        "SELECT DISTINCT time_zone FROM \
         (SELECT time_zone FROM deliveries WHERE {WAITS} AND any_hour = 0 AND {TURN} LIMIT $4) AS next"
    )
}

/// With the names of so many zones from `$8` on.
fn lease_statement(engine: Engine, zones: usize) -> String {
    let places: Vec<String> = (0..zones).map(|index| format!("${}", index + 8)).collect();
    let awake = if places.is_empty() { String::new() } else { format!(" OR time_zone IN ({})", places.join(", ")) };
    format!(
        "WITH picked AS MATERIALIZED (\
             SELECT id FROM deliveries WHERE {WAITS} AND (any_hour = 1{awake}) AND {TURN} LIMIT $4 {}) \
         UPDATE deliveries SET state = $5, fence = fence + 1, attempts = attempts + 1, \
                lease_until = $6, lease_owner = $7, updated_at = $3 \
         WHERE id IN (SELECT id FROM picked) RETURNING id",
        engine.skip_locked(),
    )
}

/// The claim itself: one statement, which the two engines differ in by one line.
async fn lease(
    tx: &mut Tx,
    ask: &ClaimRequest<'_>,
    state: DeliveryState,
    zones: &[Tz],
    most: i64,
) -> Result<Vec<String>, StoreError> {
    let Some(to) = DeliveryStanding::new(state).after(Event::Claim) else { return Ok(Vec::new()) };
    let mut query = sqlx::query(AssertSqlSafe(lease_statement(tx.engine(), zones.len())))
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
async fn load(tx: &mut Tx, ask: &ClaimRequest<'_>, ids: &[String], claimed: &mut Claimed) -> Result<(), StoreError> {
    if ids.is_empty() {
        return Ok(());
    }
    let find = format!(
        "SELECT d.id, d.fence, d.state, d.uncertain_count, d.answers_lost, d.attempts, d.expires_at, d.address_id, d.language, \
                COALESCE(d.notice_id, 'letter/' || l.kind) AS notice, l.kind, l.address AS letter_address, \
                a.address, a.status, {SUPPRESSED} AS suppressed, d.notice_id, l.subject, l.body, l.html, \
                (SELECT MIN(started_at) FROM attempts \
                 WHERE delivery_id = d.id AND outcome = 'uncertain') AS first_copy_at \
         FROM deliveries d LEFT JOIN addresses a ON a.id = d.address_id \
         LEFT JOIN letters l ON l.id = d.letter_id \
         WHERE d.id IN ({}) ORDER BY d.priority, d.not_before, d.id",
        places(tx.engine(), ids.len())
    );
    let mut query = sqlx::query(AssertSqlSafe(find));
    for id in ids {
        query = query.bind(id);
    }
    // A notice's words and its chart are read once, and not once for each who gets them.
    let mut texts: HashMap<(String, String), Option<Message>> = HashMap::new();
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
        let language = get::<String>(&row, "language")?;
        let message = match get::<Option<String>>(&row, "notice_id")? {
            None => message_of(ask.channel, &row, None)?,
            Some(notice) => match texts.entry((notice, language.clone())) {
                Entry::Occupied(known) => known.get().clone(),
                Entry::Vacant(place) => {
                    let text = text_of(tx, ask.channel, &place.key().0, &language).await?;
                    place.insert(text).clone()
                }
            },
        };
        let Some(message) = message else {
            let why = format!("the notice has no text in language `{language}` for {}", ask.channel.name());
            end_unsent(tx, &lease, Event::Refused, &why, ask.now).await?;
            claimed.refused += 1;
            continue;
        };
        claimed.taken.push(Leased {
            lease,
            channel: ask.channel,
            notice: get(&row, "notice")?,
            address_id: AddressId(get(&row, "address_id")?),
            address: Address::from_stored(ask.channel, address),
            message,
            attempts: get(&row, "attempts")?,
            first_copy_at: get_instant_if_any(&row, "first_copy_at")?,
            expires_at: get_instant(&row, "expires_at")?,
        });
    }
    Ok(())
}

fn letter_kind_of(row: &AnyRow) -> Result<Option<TransactionalKind>, StoreError> {
    get::<Option<String>>(row, "kind")?
        .map(|name| {
            TransactionalKind::parse(&name).ok_or_else(|| StoreError::corrupt(format!("letters.kind holds `{name}`")))
        })
        .transpose()
}

/// Of a row with the kind of its transactional message, if it is one, the status of its address, and whether that is
/// suppressed.
fn may_be_written_to(letter: Option<TransactionalKind>, row: &AnyRow) -> Result<bool, StoreError> {
    let status = get::<Option<String>>(row, "status")?
        .map(|name| {
            AddressStatus::parse(&name).ok_or_else(|| StoreError::corrupt(format!("addresses.status holds `{name}`")))
        })
        .transpose()?;
    let suppressed = get::<i64>(row, "suppressed")? != 0;
    Ok(match letter {
        None => status == Some(AddressStatus::Confirmed) && !suppressed,
        Some(kind) => may_go(kind, status, suppressed),
    })
}

/// A notice in the words of a channel and language.
async fn text_of(tx: &mut Tx, channel: Channel, notice: &str, language: &str) -> Result<Option<Message>, StoreError> {
    let row = sqlx::query(
        "SELECT subject, body, html, calendar, chart_png FROM notice_texts \
         WHERE notice_id = $1 AND channel = $2 AND language = $3",
    )
    .bind(notice)
    .bind(channel.name())
    .bind(language)
    .fetch_optional(tx.conn())
    .await?;
    let Some(row) = row else { return Ok(None) };
    message_of(channel, &row, Some((get(&row, "calendar")?, get::<Option<Vec<u8>>>(&row, "chart_png")?)))
}

/// `more`: the calendar entry and the chart of a notice's e-mail.
fn message_of(
    channel: Channel,
    row: &AnyRow,
    more: Option<(Option<String>, Option<Vec<u8>>)>,
) -> Result<Option<Message>, StoreError> {
    let Some(text) = get::<Option<String>>(row, "body")? else { return Ok(None) };
    Ok(match channel {
        Channel::Sms => Some(Message::Sms { text }),
        Channel::Email => match (get::<Option<String>>(row, "subject")?, get::<Option<String>>(row, "html")?) {
            (Some(subject), Some(html)) => {
                let (calendar, chart) = more.unwrap_or_default();
                Some(Message::Email { subject, text, html, calendar, chart_png: chart.map(Into::into) })
            }
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
async fn write_attempts(tx: &mut Tx, ask: &ClaimRequest<'_>, taken: &[Leased]) -> Result<(), StoreError> {
    // SQLite takes 32,766 parameters in one statement and PostgreSQL 65,535.
    for part in taken.chunks(1000) {
        let write = format!(
            "WITH v (delivery_id, fence) AS (VALUES {}) INSERT INTO attempts (delivery_id, fence, channel, started_at) \
             SELECT delivery_id, fence, ${}, ${} FROM v",
            rows_of(tx.engine(), part.len(), 2),
            part.len() * 2 + 1,
            part.len() * 2 + 2
        );
        let mut query = sqlx::query(AssertSqlSafe(write));
        for one in part {
            query = query.bind(&one.lease.delivery).bind(one.lease.fence);
        }
        query = query.bind(ask.channel.name()).bind(ms(ask.now));
        query.execute(tx.conn()).await?;
    }
    Ok(())
}

/// Transactions that lock several rows all do so by id, so that two of them wait and never deadlock.
fn in_lock_order(leases: &[Lease]) -> Vec<&Lease> {
    let mut order: Vec<&Lease> = leases.iter().collect();
    order.sort_by(|a, b| a.delivery.cmp(&b.delivery));
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sorted at each claim, a queue of a hundred thousand takes hours.
    #[tokio::test]
    async fn a_claim_reads_the_queue_in_its_order_and_sorts_nothing() {
        let store = Store::in_memory().await.unwrap();
        let wakes = format!("SELECT not_before FROM deliveries WHERE {WAITS} ORDER BY not_before LIMIT 1");
        for (statement, index) in [
            (peek_statement(), "deliveries_turn"),
            (lease_statement(Engine::Sqlite, 0), "deliveries_turn"),
            (lease_statement(Engine::Sqlite, 2), "deliveries_turn"),
            (wakes, "deliveries_wake"),
        ] {
            let explain = AssertSqlSafe(format!("EXPLAIN QUERY PLAN {statement}"));
            let rows = sqlx::query(explain).fetch_all(&mut *store.read().await.unwrap()).await.unwrap();
            let plan: Vec<String> = rows.iter().map(|row| get(row, "detail").unwrap()).collect();
            let of_queue: Vec<&String> =
                plan.iter().filter(|step| step.contains(" deliveries USING") && !step.contains("(id=?)")).collect();
            assert!(matches!(of_queue[..], [step] if step.contains(&format!("INDEX {index} "))), "{plan:#?}");
            assert!(!plan.iter().any(|step| step.contains("ORDER BY")), "{plan:#?}");
        }
    }
}
