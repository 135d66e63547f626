//! What is taken away for good, and what is left of it.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::Row;

use crate::people::{Address, AddressId};
use crate::store::acts::Act;
use crate::store::addresses::{AddressStatus, addresses_of, set_status};
use crate::store::audit::address_subject;
use crate::store::consents::{ConsentAction, add_consent};
use crate::store::error::{Conflict, StoreError};
use crate::store::pending_sign_ups::{Outcome, end_open};
use crate::store::pseudonyms::rename_all;
use crate::store::queue::cancel::cancel_of_address;
use crate::store::rows::{get, get_instant_if_any, ms};
use crate::store::runs::{REWRITE, RunResult, Start};
use crate::store::stops::Stopped;
use crate::store::suppression::{ERASED, suppress};
use crate::store::transactional;
use crate::store::tx::{Engine, Store, Tx};

/// A little less than a day, since cycles do not begin to the minute.
const ONCE_A_DAY: TimeDelta = TimeDelta::hours(20);

impl Store {
    /// Removes the owner of an address with all addresses: deliveries that wait are cancelled, the addresses and every
    /// text that may repeat them are erased, and their keyed hashes stay suppressed. The subscriber's row stays, nameless,
    /// since past seasons count whom they told. Of somebody who never subscribed, what was asked for in their name and the
    /// transactional messages to them are erased; `addresses` is 0 then.
    ///
    /// # Errors
    /// [`Conflict::UnknownAddress`] when nothing is kept of it in full; then nothing is written.
    pub async fn remove_subscriber(
        &self,
        address: &Address,
        evidence: &str,
        now: DateTime<Utc>,
    ) -> Result<Stopped, StoreError> {
        let mut tx = self.begin().await?;
        let key = tx.address_id(address).await?;
        let row = sqlx::query("SELECT subscriber_id FROM addresses WHERE id = $1")
            .bind(key.as_str())
            .fetch_optional(tx.conn())
            .await?;
        let mut stopped = Stopped::default();
        match row {
            Some(row) => {
                let subscriber: String = get(&row, "subscriber_id")?;
                for known in addresses_of(tx.conn(), &subscriber).await? {
                    stopped.cancelled += erase(&mut tx, &known.id, evidence, now).await?;
                    stopped.addresses += 1;
                }
                close_if_empty(&mut tx, &subscriber, now).await?;
            }
            None if is_written_down(&mut tx, &key).await? => {
                stopped.cancelled = erase(&mut tx, &key, evidence, now).await?;
            }
            None => return Err(Conflict::UnknownAddress { masked: address.to_string() }.into()),
        }
        let detail = format!("{}: {evidence}", stopped.said());
        tx.note_act(Act::SubscriberErased, &address_subject(&key), &detail).await?;
        tx.commit().await?;
        self.forget_log().await;
        Ok(stopped)
    }

    /// Erases the addresses that stopped or died before `stopped_before`, and those that were never confirmed since
    /// `asked_before`. Gives how many.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn erase_old_addresses(
        &self,
        stopped_before: DateTime<Utc>,
        asked_before: DateTime<Utc>,
        now: DateTime<Utc>,
    ) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        let rows = sqlx::query(
            "SELECT id, subscriber_id, status FROM addresses
             WHERE (status IN ('stopped', 'dead') AND status_at < $1) OR (status = 'unconfirmed' AND status_at < $2)",
        )
        .bind(ms(stopped_before))
        .bind(ms(asked_before))
        .fetch_all(tx.conn())
        .await?;
        for row in &rows {
            let id = AddressId(get(row, "id")?);
            if get::<&str>(row, "status")? == AddressStatus::Stopped.name() {
                erase(&mut tx, &id, "kept no longer after a stop", now).await?;
            } else {
                // It said no stop, so it may be given again.
                forget(&mut tx, &id, now).await?;
                add_consent(&mut tx, &id, ConsentAction::Erased, "unused", now).await?;
            }
            close_if_empty(&mut tx, get(row, "subscriber_id")?, now).await?;
        }
        tx.commit().await?;
        Ok(rows.len() as u64)
    }

    /// Empties SQLite's log, in which what was erased may still stand: after each erasure, and once a cycle, since a reader
    /// may have been in the way.
    pub async fn forget_log(&self) {
        self.log_is_forgotten().await;
    }

    /// As [`Store::forget_log`]; gives whether it is empty.
    async fn log_is_forgotten(&self) -> bool {
        if self.engine() != Engine::Sqlite {
            return true;
        }
        let emptied = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").fetch_one(&self.inner.writer).await;
        let busy = emptied.and_then(|row| row.try_get::<i64, _>("busy"));
        match busy {
            Ok(0) => return true,
            Ok(_) => tracing::info!("the store's log is being read and could not be emptied; it will be later"),
            Err(why) => tracing::warn!(error = %why, "the store's log could not be emptied; it will be later"),
        }
        false
    }

    /// Writes SQLite's file anew when somebody was erased, or a request ended unconfirmed, since it last was, at most once a day:
    /// `secure_delete` writes over what is deleted, but not over the copies that stay in the unused bytes of a page whose rows were
    /// moved to another. SQLite makes a whole copy in the folder for temporary files and then writes all pages to the log, so both
    /// disks need room for it; others who write wait meanwhile. Gives whether it was written. A server keeps its own files.
    ///
    /// # Errors
    /// When the store fails or a disk has no room; the next call tries again.
    pub async fn rewrite_after_erasures(&self, now: DateTime<Utc>) -> Result<bool, StoreError> {
        if self.inner.file.is_none() {
            return Ok(false);
        }
        let row = sqlx::query(
            "SELECT MAX(at) AS at FROM (SELECT MAX(at) AS at FROM consents WHERE action = $1 \
             UNION ALL SELECT MAX(ended_at) FROM confirmations WHERE outcome = $2) gone",
        )
        .bind(ConsentAction::Erased.as_str())
        .bind(Outcome::Expired.name())
        .fetch_one(&mut *self.read().await?)
        .await?;
        let Some(erased) = get_instant_if_any(&row, "at")? else { return Ok(false) };
        let last = self.last_run(REWRITE).await?.filter(|last| last.ended_at.is_some());
        if last.is_some_and(|last| last.started_at > erased || now - last.started_at < ONCE_A_DAY) {
            return Ok(false);
        }
        let civil_time = now.naive_utc();
        if self.start_run(REWRITE, civil_time, now).await? == Start::Done {
            return Ok(false);
        }
        // While somebody reads, the old bytes stand in the file still.
        if !self.rewrite_file().await? {
            return Ok(false);
        }
        self.finish_run(REWRITE, civil_time, RunResult::Good, "the store's file was written anew", now).await?;
        Ok(true)
    }

    /// Writes SQLite's file anew, so that nothing stands in it but what its tables hold. Gives whether it is done: a reader may keep
    /// the old pages in the file until the log is emptied.
    ///
    /// # Errors
    /// As [`Store::rewrite_after_erasures`].
    pub async fn rewrite_file(&self) -> Result<bool, StoreError> {
        if self.inner.file.is_none() {
            return Ok(true);
        }
        sqlx::raw_sql("VACUUM").execute(&self.inner.writer).await?;
        Ok(self.log_is_forgotten().await)
    }
}

/// Takes an address away for good and never lets it be written to again. Gives the deliveries cancelled.
async fn erase(tx: &mut Tx, key: &AddressId, evidence: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
    set_status(tx, key, AddressStatus::Stopped, now).await?;
    suppress(tx, key, ERASED, now).await?;
    let cancelled = forget(tx, key, now).await?;
    add_consent(tx, key, ConsentAction::Erased, evidence, now).await?;
    Ok(cancelled)
}

/// Takes an address away with all that may repeat it (a server's answer often quotes the address it refuses); what is counted
/// goes on under a pseudonym.
async fn forget(tx: &mut Tx, key: &AddressId, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let cancelled = cancel_of_address(tx, key, "the address was removed", now).await?;
    // A provider may make its reference of the number it was for.
    for text in [
        "UPDATE deliveries SET last_error = NULL WHERE address_id = $1 AND state <> 'cancelled'",
        "UPDATE attempts SET detail = NULL WHERE delivery_id IN (SELECT id FROM deliveries WHERE address_id = $1)",
        "DELETE FROM delivery_reports WHERE delivery_id IN (SELECT id FROM deliveries WHERE address_id = $1)",
        "UPDATE deliveries SET provider_ref = NULL WHERE address_id = $1",
    ] {
        sqlx::query(text).bind(key.as_str()).execute(tx.conn()).await?;
    }
    transactional::erase(tx, key, now).await?;
    end_open(tx, key, Outcome::Stopped, now).await?;
    sqlx::query("DELETE FROM addresses WHERE id = $1").bind(key.as_str()).execute(tx.conn()).await?;
    rename_all(tx, key).await?;
    Ok(cancelled)
}

/// Whether an address that is no subscriber's stands in full in a sign-up request or a transactional message.
async fn is_written_down(tx: &mut Tx, key: &AddressId) -> Result<bool, StoreError> {
    let row = sqlx::query(
        "SELECT (SELECT COUNT(*) FROM confirmations WHERE address_key = $1 AND address <> '') + \
                (SELECT COUNT(*) FROM letters WHERE address_key = $1 AND address <> '') AS n",
    )
    .bind(key.as_str())
    .fetch_one(tx.conn())
    .await?;
    Ok(get::<i64>(&row, "n")? > 0)
}

/// A subscriber without an address is nobody any more: where their trees stood goes, too.
async fn close_if_empty(tx: &mut Tx, subscriber: &str, now: DateTime<Utc>) -> Result<(), StoreError> {
    let closed = sqlx::query(
        "UPDATE subscribers SET removed_at = $2 WHERE id = $1 AND removed_at IS NULL
           AND NOT EXISTS (SELECT 1 FROM addresses WHERE subscriber_id = $1)",
    )
    .bind(subscriber)
    .bind(ms(now))
    .execute(tx.conn())
    .await?;
    if closed.rows_affected() > 0 {
        for text in
            ["DELETE FROM zip_waits WHERE subscriber_id = $1", "DELETE FROM subscriber_zips WHERE subscriber_id = $1"]
        {
            sqlx::query(text).bind(subscriber).execute(tx.conn()).await?;
        }
    }
    Ok(())
}
