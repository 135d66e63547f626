//! Booking how attempts ended.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use sqlx::AssertSqlSafe;
use tracing::debug;

use crate::delivery::attempt::{AttemptOutcome, Lease};
use crate::delivery::state::{DeliveryStanding, DeliveryState, Report};
use crate::store::bulk::{self, rows_of};
use crate::store::error::StoreError;
use crate::store::given_up::{Refused, note_refused};
use crate::store::queue::reports::{apply_early_reports, move_by_report};
use crate::store::queue::{Booked, Reported, WITHDRAWN, state_of};
use crate::store::rows::{get, ms};
use crate::store::tx::{Engine, Store, Tx};

impl Store {
    /// Books how attempts ended, all in one transaction. A booking counts only under its own fence.
    ///
    /// # Errors
    /// When the store fails; then none was booked and the same call may be made again.
    pub async fn finish(
        &self,
        endings: &[(Lease, AttemptOutcome)],
        now: DateTime<Utc>,
    ) -> Result<Vec<Booked>, StoreError> {
        let mut tx = self.begin().await?;
        let booked = finish_all(&mut tx, endings, now).await?;
        tx.commit().await?;
        self.forget_booked(endings).await;
        Ok(booked)
    }

    /// What stands booked needs no note; one that is left over does no harm.
    async fn forget_booked(&self, endings: &[(Lease, AttemptOutcome)]) {
        let noted: Vec<&Lease> = endings
            .iter()
            .filter(|(_, ending)| matches!(ending, AttemptOutcome::Accepted { .. }))
            .map(|(lease, _)| lease)
            .collect();
        if let Err(why) = self.forget_answers(&noted).await {
            debug!(error = %why, "notes of booked answers were left over");
        }
    }
}

async fn finish_all(
    tx: &mut Tx,
    endings: &[(Lease, AttemptOutcome)],
    now: DateTime<Utc>,
) -> Result<Vec<Booked>, StoreError> {
    let mut order: Vec<usize> = (0..endings.len()).collect();
    order.sort_by(|a, b| endings[*a].0.delivery.cmp(&endings[*b].0.delivery)); // both are positions in `endings`
    let mut booked = vec![Booked::Stale; endings.len()];
    for part in order.chunks(FINISHED_AT_ONCE) {
        finish_part(tx, endings, part, now, &mut booked).await?;
    }
    // Last, since addresses are locked after deliveries. What was overtaken is left to the answer to its repeat.
    let refused: Vec<Refused<'_>> = endings
        .iter()
        .zip(&booked)
        .filter_map(|((lease, ending), booked)| match (ending, booked) {
            (AttemptOutcome::AddressRefused { fault, cause }, Booked::Done(_)) => {
                Some(Refused { delivery: &lease.delivery, fault: *fault, cause })
            }
            _ => None,
        })
        .collect();
    note_refused(tx, &refused, now).await?;
    Ok(booked)
}

/// SQLite takes 32,766 parameters in one statement; a row of a booking has eight.
const FINISHED_AT_ONCE: usize = 500;

/// Books the endings at these places, which are in the order of their deliveries. Nearly all answers come under the lease that
/// they were asked under: those are booked by one statement. What that leaves is looked at one by one.
async fn finish_part(
    tx: &mut Tx,
    endings: &[(Lease, AttemptOutcome)],
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

pub(super) async fn finish_one(
    tx: &mut Tx,
    lease: &Lease,
    ending: &AttemptOutcome,
    now: DateTime<Utc>,
) -> Result<Booked, StoreError> {
    if let Some(mut state) = book(tx, lease, ending, now).await? {
        if let AttemptOutcome::Accepted { provider_ref: Some(reference) } = ending {
            state = apply_early_reports(tx, lease, reference, now).await?.unwrap_or(state);
        }
        return Ok(Booked::Done(state));
    }

    let find = format!("SELECT state FROM deliveries WHERE id = $1 AND fence = $2 {}", tx.engine().for_update());
    let row =
        sqlx::query(AssertSqlSafe(find)).bind(&lease.delivery).bind(lease.fence).fetch_optional(tx.conn()).await?;
    let Some(row) = row else { return Ok(Booked::Stale) };
    // Nobody has taken it since, so the answer is about the bytes of the last attempt. It no longer ends the lease, but
    // "accepted" is news like a report, and it saves the repeat.
    close_attempt(tx, lease, ending, now).await?;
    let mut state = state_of(&row)?;
    if let AttemptOutcome::Accepted { provider_ref } = ending {
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
fn written(ending: &AttemptOutcome) -> (Option<&str>, Option<i64>, Option<&str>) {
    match ending {
        AttemptOutcome::Accepted { provider_ref } => (provider_ref.as_deref(), None, None),
        AttemptOutcome::Refused { cause } | AttemptOutcome::AddressRefused { cause, .. } => (None, None, Some(cause)),
        AttemptOutcome::Withdrawn => (None, None, Some(WITHDRAWN)),
        AttemptOutcome::NotNow { not_before, cause }
        | AttemptOutcome::AnswerLost { not_before, cause }
        | AttemptOutcome::LetGo { not_before, cause } => (None, Some(ms(*not_before)), Some(cause)),
    }
}

/// Ends a lease if it is still held under its fence. `None` = it is not.
pub(super) async fn book(
    tx: &mut Tx,
    lease: &Lease,
    ending: &AttemptOutcome,
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
    endings: &'a [(Lease, AttemptOutcome)],
    places: &[usize],
    now: DateTime<Utc>,
) -> Result<BTreeMap<&'a str, DeliveryState>, StoreError> {
    let moves: Vec<(&Lease, &AttemptOutcome, DeliveryStanding)> = places
        .iter()
        .map(|place| &endings[*place])
        .filter_map(|(lease, ending)| Some((lease, ending, lease.standing.after(ending.event())?)))
        .collect();
    if moves.is_empty() {
        return Ok(BTreeMap::new());
    }
    if tx.engine() == Engine::Postgres {
        // One statement takes its locks in any order; see `in_lock_order`.
        let lock = format!(
            "SELECT id FROM deliveries WHERE id IN ({}) ORDER BY id FOR UPDATE",
            bulk::places(tx.engine(), moves.len())
        );
        let mut query = sqlx::query(AssertSqlSafe(lock));
        for (lease, ..) in &moves {
            query = query.bind(&lease.delivery);
        }
        query.fetch_all(tx.conn()).await?;
    }
    // Values that all rows share come last: see `rows_of`.
    let book = format!(
        "WITH v (id, fence, state, uncertain_count, answers_lost, not_before, provider_ref, last_error) AS (VALUES {}) \
         UPDATE deliveries SET state = v.state, uncertain_count = v.uncertain_count, answers_lost = v.answers_lost, \
                not_before = COALESCE(v.not_before, deliveries.not_before), \
                provider_ref = COALESCE(v.provider_ref, deliveries.provider_ref), last_error = v.last_error, \
                lease_until = NULL, lease_owner = NULL, updated_at = ${} FROM v \
         WHERE deliveries.id = v.id AND deliveries.fence = v.fence AND deliveries.state = 'leased' RETURNING deliveries.id AS id",
        rows_of(tx.engine(), moves.len(), 8),
        moves.len() * 8 + 1
    );
    let mut query = sqlx::query(AssertSqlSafe(book));
    for (lease, ending, to) in &moves {
        let (provider_ref, not_before, cause) = written(ending);
        query = query.bind(&lease.delivery).bind(lease.fence).bind(to.state.name()).bind(to.uncertain_count);
        query = query.bind(to.answers_lost).bind(not_before).bind(provider_ref).bind(cause);
    }
    query = query.bind(ms(now));
    let done: BTreeSet<String> =
        query.fetch_all(tx.conn()).await?.iter().map(|row| get(row, "id")).collect::<Result<_, _>>()?;
    let done: Vec<&(&Lease, &AttemptOutcome, DeliveryStanding)> =
        moves.iter().filter(|(lease, ..)| done.contains(&lease.delivery)).collect();
    if done.is_empty() {
        return Ok(BTreeMap::new());
    }
    let close = format!(
        "WITH v (delivery_id, fence, outcome, detail) AS (VALUES {}) \
         UPDATE attempts SET ended_at = ${}, outcome = v.outcome, detail = v.detail FROM v \
         WHERE attempts.delivery_id = v.delivery_id AND attempts.fence = v.fence",
        rows_of(tx.engine(), done.len(), 4),
        done.len() * 4 + 1
    );
    let mut query = sqlx::query(AssertSqlSafe(close));
    for (lease, ending, _) in &done {
        let (outcome, detail) = outcome_of(ending);
        query = query.bind(&lease.delivery).bind(lease.fence).bind(outcome).bind(detail);
    }
    query = query.bind(ms(now));
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
        bulk::places(tx.engine(), references.len())
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

/// How an attempt ended, as its row says it.
fn outcome_of(ending: &AttemptOutcome) -> (&'static str, Option<&str>) {
    match ending {
        AttemptOutcome::Accepted { provider_ref } => ("accepted", provider_ref.as_deref()),
        AttemptOutcome::NotNow { cause, .. } => ("not-now", Some(cause)),
        AttemptOutcome::Refused { cause } | AttemptOutcome::AddressRefused { cause, .. } => ("refused", Some(cause)),
        AttemptOutcome::Withdrawn => ("withdrawn", Some(WITHDRAWN)),
        AttemptOutcome::AnswerLost { cause, .. } | AttemptOutcome::LetGo { cause, .. } => ("uncertain", Some(cause)),
    }
}

async fn close_attempt(
    tx: &mut Tx,
    lease: &Lease,
    ending: &AttemptOutcome,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
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
