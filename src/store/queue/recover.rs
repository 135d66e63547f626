//! What time ends: deliveries past their use, and leases of workers that vanished.

use chrono::{DateTime, Utc};
use sqlx::AssertSqlSafe;
use sqlx::any::AnyRow;
use tracing::{debug, warn};

use crate::delivery::attempt::{AttemptOutcome, LostLeases, UncertainRest};
use crate::delivery::state::{DeliveryState, Event};
use crate::store::error::StoreError;
use crate::store::queue::finish::{book, finish_one};
use crate::store::queue::{Recovered, channel_of, lease_of, states_before};
use crate::store::rows::ms;
use crate::store::tx::Store;

impl Store {
    /// Ends what is of no use any more. Returns how many.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn expire_deliveries(&self, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let to = DeliveryState::Expired;
        let waits = states_before(to, Event::Expire);
        let find = format!("SELECT id FROM deliveries WHERE state IN ({waits}) AND expires_at <= $1 LIMIT 1");
        let due: Option<AnyRow> =
            sqlx::query(AssertSqlSafe(find)).bind(ms(now)).fetch_optional(&mut *self.read().await?).await?;
        if due.is_none() {
            return Ok(0);
        }
        let mut tx = self.begin().await?;
        let expire = format!(
            "UPDATE deliveries SET state = $1, updated_at = $2, last_error = COALESCE(last_error, 'its time ran out') \
             WHERE state IN ({waits}) AND expires_at <= $2"
        );
        let done = sqlx::query(AssertSqlSafe(expire)).bind(to.name()).bind(ms(now)).execute(tx.conn()).await?;
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
        lost: LostLeases,
        rest: UncertainRest,
        now: DateTime<Utc>,
    ) -> Result<Recovered, StoreError> {
        let until = match lost {
            LostLeases::Expired => ms(now),
            LostLeases::All => i64::MAX,
        };
        const FIND: &str = "SELECT id, channel, fence, state, uncertain_count, answers_lost FROM deliveries \
             WHERE state = 'leased' AND lease_until <= $1";
        let mut recovered = Recovered::default();
        if sqlx::query(FIND).bind(until).fetch_optional(&mut *self.read().await?).await?.is_none() {
            return Ok(recovered);
        }
        let mut taken = Vec::new();
        let mut tx = self.begin().await?;
        let find = format!("{FIND} ORDER BY id {}", tx.engine().skip_locked());
        let rows = sqlx::query(AssertSqlSafe(find)).bind(until).fetch_all(tx.conn()).await?;
        for row in &rows {
            let lease = lease_of(row)?;
            let noted = self.noted(&lease).await.unwrap_or_else(|why| {
                warn!(error = %why, "it cannot be looked up whether an answer was noted");
                None
            });
            if let Some(provider_ref) = noted {
                finish_one(&mut tx, &lease, &AttemptOutcome::Accepted { provider_ref }, now).await?;
                taken.push(lease);
                continue;
            }
            let cause = "the worker vanished: it is not known whether the message went out".to_owned();
            let not_before = now + rest.of(channel_of(row)?);
            book(&mut tx, &lease, &AttemptOutcome::LetGo { not_before, cause }, now).await?;
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
}
