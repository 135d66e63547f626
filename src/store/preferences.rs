//! What a subscriber changes by themselves.

use chrono::{DateTime, Utc};

use crate::people::{AddressId, Language};
use crate::region::Zip;
use crate::store::addresses::owner_of;
use crate::store::error::StoreError;
use crate::store::notices::tell_joined;
use crate::store::rows::{get, ms};
use crate::store::tx::{Store, Tx};
use crate::store::waiting_zips::note_waits;

/// Places that one person may have: far more than anybody needs, and few enough to read through.
pub const MOST_PLACES: i64 = 20;

/// What came of [`Store::add_place`] and [`Store::drop_place`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlaceChange {
    Done,
    /// It was so before.
    Same,
    /// There are [`MOST_PLACES`] already.
    TooMany,
    /// It is the last one: who wants none stops.
    Last,
}

impl Store {
    /// One more place for the owner of an address, who is told what is in force there.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn add_place(
        &self,
        address_id: &AddressId,
        zip: &Zip,
        now: DateTime<Utc>,
    ) -> Result<PlaceChange, StoreError> {
        let mut tx = self.begin().await?;
        let Some(subscriber) = owner(&mut tx, address_id).await? else { return Ok(PlaceChange::Same) };
        if places(&mut tx, &subscriber).await? >= MOST_PLACES {
            return Ok(PlaceChange::TooMany);
        }
        let added = sqlx::query("INSERT INTO subscriber_zips (subscriber_id, zip) VALUES ($1, $2) ON CONFLICT (subscriber_id, zip) DO NOTHING")
            .bind(&subscriber)
            .bind(zip.as_str())
            .execute(tx.conn())
            .await?
            .rows_affected();
        note_waits(&mut tx, address_id, now).await?;
        if added == 1 {
            tell_joined(&mut tx, &subscriber, now).await?;
        }
        tx.commit().await?;
        Ok(if added == 1 { PlaceChange::Done } else { PlaceChange::Same })
    }

    /// One place less.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn drop_place(&self, address_id: &AddressId, zip: &Zip) -> Result<PlaceChange, StoreError> {
        let mut tx = self.begin().await?;
        let Some(subscriber) = owner(&mut tx, address_id).await? else { return Ok(PlaceChange::Same) };
        for table in ["zip_waits", "subscriber_zips"] {
            let done =
                sqlx::query(sqlx::AssertSqlSafe(format!("DELETE FROM {table} WHERE subscriber_id = $1 AND zip = $2")))
                    .bind(&subscriber)
                    .bind(zip.as_str())
                    .execute(tx.conn())
                    .await?;
            if table == "subscriber_zips" && done.rows_affected() == 0 {
                return Ok(PlaceChange::Same);
            }
        }
        if places(&mut tx, &subscriber).await? == 0 {
            tx.rollback().await?;
            return Ok(PlaceChange::Last);
        }
        tx.commit().await?;
        Ok(PlaceChange::Done)
    }

    /// The language of everything from now on.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn set_language(&self, address_id: &AddressId, language: Language) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "UPDATE subscribers SET language = $2 WHERE id = (SELECT subscriber_id FROM addresses WHERE id = $1)",
        )
        .bind(address_id.as_str())
        .bind(language.code())
        .execute(tx.conn())
        .await?;
        tx.commit().await
    }
}

/// Held still until the end of the transaction, so that two changes at once are counted one after the other.
async fn owner(tx: &mut Tx, address_id: &AddressId) -> Result<Option<String>, StoreError> {
    // Writing the row to itself locks it on both engines.
    sqlx::query(
        "UPDATE subscribers SET language = language WHERE id = (SELECT subscriber_id FROM addresses WHERE id = $1)",
    )
    .bind(address_id.as_str())
    .execute(tx.conn())
    .await?;
    owner_of(tx, address_id).await
}

async fn places(tx: &mut Tx, subscriber: &str) -> Result<i64, StoreError> {
    let row = sqlx::query("SELECT COUNT(*) AS n FROM subscriber_zips WHERE subscriber_id = $1")
        .bind(subscriber)
        .fetch_one(tx.conn())
        .await?;
    get(&row, "n")
}

/// The start of the hour of an instant: what is asked for twice in it is one transactional message.
pub fn hour(now: DateTime<Utc>) -> i64 {
    ms(now) / 3_600_000
}
