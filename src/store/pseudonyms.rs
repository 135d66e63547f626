//! Names in place of an address's keyed hash, for rows that are kept without whose they were: whoever still knows the address
//! and the key must not find them.

use sqlx::AssertSqlSafe;

use crate::people::AddressId;
use crate::store::error::StoreError;
use crate::store::rows::get;
use crate::store::tx::Tx;

/// A new one; it says nothing.
pub(super) fn pseudonym(tx: &Tx) -> String {
    format!("erased-{}", tx.randomness().hex::<12>())
}

/// Puts ended deliveries of an address under a pseudonym. Those of notices get new keys as well, since theirs are made of the
/// hash and the notice, so that anybody who has the hash could find them; attempts follow. Gives how many.
pub(super) async fn rename_deliveries(tx: &mut Tx, key: &AddressId, name: &str) -> Result<u64, StoreError> {
    const ENDED: &str = "state NOT IN ('queued', 'leased', 'uncertain')";
    let find =
        format!("SELECT id FROM deliveries WHERE address_id = $1 AND notice_id IS NOT NULL AND {ENDED} ORDER BY id");
    let rows = sqlx::query(AssertSqlSafe(find)).bind(key.as_str()).fetch_all(tx.conn()).await?;
    let ids = rows.iter().map(|row| get(row, "id")).collect::<Result<Vec<String>, _>>()?;
    for id in &ids {
        let new = tx.randomness().hex::<16>();
        sqlx::query(
            "INSERT INTO deliveries (id, notice_id, address_id, channel, language, state, priority, not_before, expires_at, \
                 time_zone, attempts, fence, lease_until, lease_owner, uncertain_count, answers_lost, provider_ref, last_error, \
                 created_at, updated_at, letter_id) \
             SELECT $2, notice_id, $3, channel, language, state, priority, not_before, expires_at, time_zone, attempts, fence, \
                 lease_until, lease_owner, uncertain_count, answers_lost, NULL, \
                 CASE WHEN state = 'cancelled' THEN last_error END, created_at, updated_at, letter_id \
             FROM deliveries WHERE id = $1",
        )
        .bind(id)
        .bind(&new)
        .bind(name)
        .execute(tx.conn())
        .await?;
        for text in [
            "UPDATE attempts SET delivery_id = $2, detail = NULL WHERE delivery_id = $1",
            "DELETE FROM delivery_reports WHERE delivery_id = $1 AND $2 = $2",
            "DELETE FROM deliveries WHERE id = $1 AND $2 = $2",
        ] {
            sqlx::query(text).bind(id).bind(&new).execute(tx.conn()).await?;
        }
        rename_in_words(tx, id, &new).await?;
    }
    let letters =
        format!("UPDATE deliveries SET address_id = $2 WHERE address_id = $1 AND letter_id IS NOT NULL AND {ENDED}");
    let done = sqlx::query(AssertSqlSafe(letters)).bind(key.as_str()).bind(name).execute(tx.conn()).await?;
    Ok(ids.len() as u64 + done.rows_affected())
}

/// Puts a person's field reports under a pseudonym, all or those of before an instant (ms), without the words in which they
/// named their trees and without their photographs. Gives how many.
pub(super) async fn rename_person(
    tx: &mut Tx,
    key: &AddressId,
    name: &str,
    before: Option<i64>,
) -> Result<u64, StoreError> {
    // A picture of somebody's tree tells whose it is; the file goes when nothing names it any more.
    sqlx::query(
        "DELETE FROM field_report_photographs WHERE report_id IN \
         (SELECT id FROM field_reports WHERE person = $1 AND source = 'subscriber' AND created_at <= $2)",
    )
    .bind(key.as_str())
    .bind(before.unwrap_or(i64::MAX))
    .execute(tx.conn())
    .await?;
    let done = sqlx::query(
        "UPDATE field_reports SET person = $2, owner_tree = NULL \
         WHERE person = $1 AND source = 'subscriber' AND created_at <= $3",
    )
    .bind(key.as_str())
    .bind(name)
    .bind(before.unwrap_or(i64::MAX))
    .execute(tx.conn())
    .await?;
    Ok(done.rows_affected())
}

/// What staff were told names addresses and deliveries by their keys, and alarms repeat it.
async fn rename_in_words(tx: &mut Tx, old: &str, new: &str) -> Result<(), StoreError> {
    for text in [
        "UPDATE staff_log SET id = REPLACE(id, $1, $2), text = REPLACE(text, $1, $2) \
         WHERE id LIKE '%' || $1 || '%' OR text LIKE '%' || $1 || '%'",
        "UPDATE alarms SET id = REPLACE(id, $1, $2), subject = REPLACE(subject, $1, $2), what = REPLACE(what, $1, $2) \
         WHERE id LIKE '%' || $1 || '%' OR subject LIKE '%' || $1 || '%' OR what LIKE '%' || $1 || '%'",
    ] {
        sqlx::query(text).bind(old).bind(new).execute(tx.conn()).await?;
    }
    Ok(())
}

/// All that is kept of an address that is erased, but what says that it is never to be written to and why that is so.
pub(super) async fn rename_all(tx: &mut Tx, key: &AddressId) -> Result<(), StoreError> {
    let name = pseudonym(tx);
    rename_deliveries(tx, key, &name).await?;
    rename_person(tx, key, &name, None).await?;
    rename_in_words(tx, key.as_str(), &name).await?;
    for text in [
        "UPDATE letters SET address_key = $2 WHERE address_key = $1 AND NOT EXISTS (SELECT 1 FROM deliveries d \
             WHERE d.letter_id = letters.id AND d.state IN ('queued', 'leased', 'uncertain'))",
        "UPDATE follow_ups SET address_key = $2, tree = NULL WHERE address_key = $1",
        "UPDATE asks SET address_key = $2 WHERE address_key = $1",
        "UPDATE confirmations SET address_key = $2, zips = '[]', evidence = '', ip_hash = NULL, code_hash = NULL, \
             token_hash = NULL WHERE address_key = $1 AND ended_at IS NOT NULL",
        "UPDATE consents SET ip_hash = NULL WHERE address_key = $1 AND $2 = $2",
    ] {
        sqlx::query(text).bind(key.as_str()).bind(&name).execute(tx.conn()).await?;
    }
    Ok(())
}
