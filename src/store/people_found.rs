//! People as staff look for them: by a ZIP code, a page at a time, or by the id of one.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, AssertSqlSafe};

use crate::people::AddressId;
use crate::region::Zip;
use crate::store::addresses::address_of;
use crate::store::bands::{HOMES, home_of};
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, zip_of};
use crate::store::subscriptions::{Subscriber, subscriber_of};
use crate::store::tx::Store;

/// What an owner agreed to, or took back, and how that is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConsentNote {
    pub address: AddressId,
    pub at: DateTime<Utc>,
    /// Name of a [`ConsentAction`](crate::store::consents::ConsentAction).
    pub action: String,
    pub evidence: String,
}

impl Store {
    /// Subscribers with a ZIP code, in the order of their ids, those after `after` and at most `most`.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn subscribers_at(&self, zip: &Zip, after: &str, most: u32) -> Result<Vec<Subscriber>, StoreError> {
        let mut connection = self.read().await?;
        let rows = sqlx::query(
            "SELECT s.id, s.language, s.created_at FROM subscriber_zips z JOIN subscribers s ON s.id = z.subscriber_id
             WHERE z.zip = $1 AND z.subscriber_id > $2 AND s.removed_at IS NULL
             ORDER BY z.subscriber_id LIMIT $3",
        )
        .bind(zip.as_str())
        .bind(after)
        .bind(i64::from(most))
        .fetch_all(&mut *connection)
        .await?;
        let mut found = rows.iter().map(subscriber_of).collect::<Result<Vec<_>, _>>()?;
        fill(&mut connection, &mut found).await?;
        Ok(found)
    }

    /// A subscriber by their id; `None` when there is none, or not any more.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn subscriber(&self, id: &str) -> Result<Option<Subscriber>, StoreError> {
        let mut connection = self.read().await?;
        let row = sqlx::query("SELECT id, language, created_at FROM subscribers WHERE id = $1 AND removed_at IS NULL")
            .bind(id)
            .fetch_optional(&mut *connection)
            .await?;
        let mut found = row.iter().map(subscriber_of).collect::<Result<Vec<_>, _>>()?;
        fill(&mut connection, &mut found).await?;
        Ok(found.pop())
    }

    /// What the owner of a subscriber's addresses agreed to, the newest first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn consents_of_subscriber(&self, id: &str) -> Result<Vec<ConsentNote>, StoreError> {
        let rows = sqlx::query(
            "SELECT c.address_key, c.at, c.action, c.evidence FROM consents c JOIN addresses a ON a.id = c.address_key
             WHERE a.subscriber_id = $1 ORDER BY c.at DESC, c.id",
        )
        .bind(id)
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(ConsentNote {
                    address: AddressId(get(row, "address_key")?),
                    at: get_instant(row, "at")?,
                    action: get(row, "action")?,
                    evidence: get(row, "evidence")?,
                })
            })
            .collect()
    }
}

/// Puts ZIP codes and addresses to subscribers, however many there are by two questions each.
async fn fill(connection: &mut AnyConnection, found: &mut [Subscriber]) -> Result<(), StoreError> {
    /// Keys of one question.
    const ASKED: usize = 200;
    for some in found.chunks_mut(ASKED) {
        let keys: Vec<String> = (1..=some.len()).map(|nth| format!("${nth}")).collect();
        let keys = keys.join(", ");
        let ids: Vec<String> = some.iter().map(|one| one.id.clone()).collect();
        let places: BTreeMap<&str, usize> = ids.iter().enumerate().map(|(at, id)| (id.as_str(), at)).collect();
        let homes = format!("{HOMES} WHERE z.subscriber_id IN ({keys}) ORDER BY z.zip");
        let mut query = sqlx::query(AssertSqlSafe(homes));
        for id in &ids {
            query = query.bind(id);
        }
        for row in &query.fetch_all(&mut *connection).await? {
            if let Some(one) = places.get(get::<&str>(row, "subscriber_id")?).and_then(|at| some.get_mut(*at)) {
                one.zips.push(zip_of(row)?);
                one.homes.push(home_of(row)?);
            }
        }
        let addresses = format!("SELECT * FROM addresses WHERE subscriber_id IN ({keys}) ORDER BY channel, address");
        let mut query = sqlx::query(AssertSqlSafe(addresses));
        for id in &ids {
            query = query.bind(id);
        }
        for row in &query.fetch_all(&mut *connection).await? {
            if let Some(one) = places.get(get::<&str>(row, "subscriber_id")?).and_then(|at| some.get_mut(*at)) {
                one.addresses.push(address_of(row)?);
            }
        }
    }
    Ok(())
}
