//! Subscribers, and whom a notice goes to.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe};

use crate::people::{Address, AddressId, Channel, Language};
use crate::region::{RegionId, Zip};
use crate::store::addresses::{self, address_of, addresses_of};
use crate::store::bands::{HOMES, Home, home_of};
use crate::store::error::StoreError;
use crate::store::rows::{channel_of, get, get_instant, language_of, zip_of};
use crate::store::tx::{Engine, Store, Tx};

pub use super::waiting_zips::{CoveredWait, note_waits, take_covered_waits};

#[derive(Clone, Debug, PartialEq)]
pub struct Subscriber {
    pub id: String,
    pub language: Language,
    pub zips: Vec<Zip>,
    /// Where those lie, in the same order.
    pub homes: Vec<Home>,
    pub addresses: Vec<addresses::SubscriberAddress>,
    pub created_at: DateTime<Utc>,
}

/// An address that a notice of its region goes to: confirmed, not suppressed, once however many of its owner's ZIP codes
/// lie in the region.
#[derive(Clone, Debug, PartialEq)]
pub struct Recipient {
    pub address_id: AddressId,
    pub subscriber_id: String,
    pub channel: Channel,
    pub address: Address,
    pub language: Language,
}

impl Store {
    /// Subscribers that were not removed, the oldest first; with a region, those who have a ZIP code in it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn subscribers(&self, region: Option<&RegionId>) -> Result<Vec<Subscriber>, StoreError> {
        let mut connection = self.read().await?;
        let rows = sqlx::query(
            "SELECT s.id, s.language, s.created_at FROM subscribers s
             WHERE s.removed_at IS NULL AND ($1 = '' OR EXISTS (
                 SELECT 1 FROM subscriber_regions v WHERE v.subscriber_id = s.id AND v.region_id = $1))
             ORDER BY s.created_at, s.id",
        )
        .bind(region.map_or("", RegionId::as_str))
        .fetch_all(&mut *connection)
        .await?;
        let mut subscribers = Vec::with_capacity(rows.len());
        let mut places: BTreeMap<String, usize> = BTreeMap::new();
        for row in &rows {
            let subscriber = subscriber_of(row)?;
            places.insert(subscriber.id.clone(), subscribers.len());
            subscribers.push(subscriber);
        }
        let rows = sqlx::query(AssertSqlSafe(format!("{HOMES} ORDER BY z.zip"))).fetch_all(&mut *connection).await?;
        for row in &rows {
            if let Some(at) = places.get(get::<&str>(row, "subscriber_id")?) {
                subscribers[*at].zips.push(zip_of(row)?);
                subscribers[*at].homes.push(home_of(row)?);
            }
        }
        let rows = sqlx::query("SELECT * FROM addresses ORDER BY channel, address").fetch_all(&mut *connection).await?;
        for row in &rows {
            if let Some(at) = places.get(get::<&str>(row, "subscriber_id")?) {
                subscribers[*at].addresses.push(address_of(row)?);
            }
        }
        Ok(subscribers)
    }

    /// The subscriber an address belongs to.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn subscriber_of(&self, address: &Address) -> Result<Option<Subscriber>, StoreError> {
        let key = self.address_id(address).await?;
        let mut connection = self.read().await?;
        let row = sqlx::query(
            "SELECT s.id, s.language, s.created_at FROM subscribers s JOIN addresses a ON a.subscriber_id = s.id
             WHERE a.id = $1",
        )
        .bind(key.as_str())
        .fetch_optional(&mut *connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let mut subscriber = subscriber_of(&row)?;
        let find = format!("{HOMES} WHERE z.subscriber_id = $1 ORDER BY z.zip");
        let rows = sqlx::query(AssertSqlSafe(find)).bind(&subscriber.id).fetch_all(&mut *connection).await?;
        subscriber.homes = rows.iter().map(home_of).collect::<Result<_, _>>()?;
        subscriber.zips = subscriber.homes.iter().map(|home| home.zip.clone()).collect();
        subscriber.addresses = addresses_of(&mut connection, &subscriber.id).await?;
        Ok(Some(subscriber))
    }

    /// Whom a notice of this region would go to now.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn recipients(&self, region: &RegionId) -> Result<Vec<Recipient>, StoreError> {
        let rows =
            sqlx::query(SELECT_RECIPIENTS).bind(region.as_str()).bind("").fetch_all(&mut *self.read().await?).await?;
        rows.iter().map(recipient_of).collect()
    }

    /// How many a notice of this region would go to now, by the words that they need.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn count_recipients_by_words(
        &self,
        region: &RegionId,
    ) -> Result<BTreeMap<(Channel, Language), u64>, StoreError> {
        let rows = sqlx::query(AssertSqlSafe(count_by_words()))
            .bind(region.as_str())
            .bind("")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter()
            .map(|row| Ok(((channel_of(row)?, language_of(row)?), get::<i64>(row, "n")?.unsigned_abs())))
            .collect()
    }

    /// How many each notice that has not left would go to now, by region and channel; regions that have none of them are
    /// missing.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn waiting_reach(&self) -> Result<BTreeMap<(RegionId, Channel), u64>, StoreError> {
        let rows = sqlx::query(
            "SELECT v.region_id, a.channel, COUNT(DISTINCT a.id) AS n
             FROM subscriber_regions v JOIN subscribers s ON s.id = v.subscriber_id
                  JOIN addresses a ON a.subscriber_id = s.id
             WHERE v.region_id IN (SELECT region_id FROM notices WHERE status IN ('waiting', 'held'))
               AND a.status = 'confirmed' AND s.removed_at IS NULL
               AND NOT EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = a.id)
             GROUP BY v.region_id, a.channel",
        )
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                let region = RegionId(get(row, "region_id")?);
                Ok(((region, channel_of(row)?), get::<i64>(row, "n")?.unsigned_abs()))
            })
            .collect()
    }

    /// How many confirmed addresses a notice of this region would go to now, by ZIP code and channel. Whoever has trees at several
    /// ZIP codes counts at each.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn count_recipients_by_zip(
        &self,
        region: &RegionId,
    ) -> Result<BTreeMap<(Zip, Channel), u64>, StoreError> {
        let rows = sqlx::query(
            "SELECT v.zip, a.channel, COUNT(DISTINCT a.id) AS n
             FROM subscriber_regions v JOIN subscribers s ON s.id = v.subscriber_id
                  JOIN addresses a ON a.subscriber_id = s.id
             WHERE v.region_id = $1 AND a.status = 'confirmed' AND s.removed_at IS NULL
               AND NOT EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = a.id)
             GROUP BY v.zip, a.channel",
        )
        .bind(region.as_str())
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(|row| Ok(((zip_of(row)?, channel_of(row)?), get::<i64>(row, "n")?.unsigned_abs()))).collect()
    }

    /// How many a notice of this region would go to now, by channel.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn count_recipients(&self, region: &RegionId) -> Result<BTreeMap<Channel, u64>, StoreError> {
        let count = format!("SELECT r.channel, COUNT(*) AS n FROM ({SELECT_RECIPIENTS}) r GROUP BY r.channel");
        let rows = sqlx::query(AssertSqlSafe(count))
            .bind(region.as_str())
            .bind("")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(|row| Ok((channel_of(row)?, get::<i64>(row, "n")?.unsigned_abs()))).collect()
    }
}

/// How many a notice of this region would go to, by the words that they need.
pub(super) async fn recipients_by_words(
    tx: &mut Tx,
    region: &RegionId,
) -> Result<BTreeMap<(Channel, Language), usize>, StoreError> {
    let rows = sqlx::query(AssertSqlSafe(count_by_words())).bind(region.as_str()).bind("").fetch_all(tx.conn()).await?;
    rows.iter()
        .map(|row| {
            let n = usize::try_from(get::<i64>(row, "n")?).unwrap_or(usize::MAX);
            Ok(((channel_of(row)?, language_of(row)?), n))
        })
        .collect()
}

fn count_by_words() -> String {
    format!("SELECT r.channel, r.language, COUNT(*) AS n FROM ({SELECT_RECIPIENTS}) r GROUP BY r.channel, r.language")
}

/// Of the next subscribers with a ZIP code, after one and in their order: how many, at most so many, and the last one.
pub(super) async fn next_subscribers(
    connection: &mut AnyConnection,
    zip: &str,
    after: &str,
    most: usize,
) -> Result<(usize, Option<String>), StoreError> {
    let row = sqlx::query(
        "SELECT COUNT(*) AS n, MAX(subscriber_id) AS last FROM (SELECT subscriber_id FROM subscriber_zips
             WHERE zip = $1 AND subscriber_id > $2 ORDER BY subscriber_id LIMIT $3) AS next",
    )
    .bind(zip)
    .bind(after)
    .bind(i64::try_from(most).unwrap_or(i64::MAX))
    .fetch_one(connection)
    .await?;
    Ok((usize::try_from(get::<i64>(&row, "n")?).unwrap_or(usize::MAX), get(&row, "last")?))
}

/// Ids of all addresses of the subscribers with a ZIP code who come after one and up to another, whether or not anything may
/// go there. They come as one text, since a row costs far more than its value.
pub(super) async fn addresses_between(
    connection: &mut AnyConnection,
    zip: &str,
    after: &str,
    last: &str,
) -> Result<Vec<AddressId>, StoreError> {
    let row = sqlx::query(
        "SELECT string_agg(a.id, ' ') AS ids FROM subscriber_zips z JOIN addresses a ON a.subscriber_id = z.subscriber_id
         WHERE z.zip = $1 AND z.subscriber_id > $2 AND z.subscriber_id <= $3",
    )
    .bind(zip)
    .bind(after)
    .bind(last)
    .fetch_one(connection)
    .await?;
    Ok(get::<Option<&str>>(&row, "ids")?
        .unwrap_or_default()
        .split_whitespace()
        .map(|id| AddressId(id.to_owned()))
        .collect())
}

/// Whom a notice of this region goes to, of those subscribers with a ZIP code who come after one and up to another; held still
/// until the end of the transaction: on PostgreSQL a stop that comes meanwhile waits for it, on SQLite there is one writer
/// anyway.
pub(super) async fn recipients_between(
    tx: &mut Tx,
    region: &RegionId,
    zip: &str,
    after: &str,
    last: &str,
) -> Result<Vec<Recipient>, StoreError> {
    let how = share(tx.engine());
    let find = format!(
        "SELECT a.id, a.subscriber_id, a.channel, a.address, s.language
         FROM subscriber_zips z JOIN subscribers s ON s.id = z.subscriber_id JOIN addresses a ON a.subscriber_id = s.id
         WHERE z.zip = $2 AND z.subscriber_id > $3 AND z.subscriber_id <= $4
           AND a.status = 'confirmed' AND s.removed_at IS NULL
           AND EXISTS (SELECT 1 FROM subscriber_regions v
                       WHERE v.subscriber_id = z.subscriber_id AND v.zip = z.zip AND v.region_id = $1)
           AND NOT EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = a.id)
         ORDER BY a.id {how}"
    );
    let rows = sqlx::query(AssertSqlSafe(find))
        .bind(region.as_str())
        .bind(zip)
        .bind(after)
        .bind(last)
        .fetch_all(tx.conn())
        .await?;
    rows.iter().map(recipient_of).collect()
}

/// As [`recipients_between`], those that one subscriber owns.
pub(super) async fn recipients_of(
    tx: &mut Tx,
    region: &RegionId,
    subscriber: &str,
) -> Result<Vec<Recipient>, StoreError> {
    let rows = sqlx::query(held(tx.engine())).bind(region.as_str()).bind(subscriber).fetch_all(tx.conn()).await?;
    rows.iter().map(recipient_of).collect()
}

fn held(engine: Engine) -> AssertSqlSafe<String> {
    AssertSqlSafe(format!("{SELECT_RECIPIENTS} {}", share(engine)))
}

fn share(engine: Engine) -> &'static str {
    match engine {
        Engine::Sqlite => "",
        Engine::Postgres => "FOR SHARE OF a",
    }
}

/// `$1`: the region; `$2`: a subscriber, or empty for all.
const SELECT_RECIPIENTS: &str = "SELECT a.id, a.subscriber_id, a.channel, a.address, s.language
     FROM addresses a JOIN subscribers s ON s.id = a.subscriber_id
     WHERE a.status = 'confirmed' AND s.removed_at IS NULL AND ($2 = '' OR a.subscriber_id = $2)
       AND EXISTS (SELECT 1 FROM subscriber_regions v
                   WHERE v.subscriber_id = a.subscriber_id AND v.region_id = $1)
       AND NOT EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = a.id)
     ORDER BY a.id";

pub(super) fn subscriber_of(row: &AnyRow) -> Result<Subscriber, StoreError> {
    Ok(Subscriber {
        id: get(row, "id")?,
        language: language_of(row)?,
        zips: Vec::new(),
        homes: Vec::new(),
        addresses: Vec::new(),
        created_at: get_instant(row, "created_at")?,
    })
}

fn recipient_of(row: &AnyRow) -> Result<Recipient, StoreError> {
    let channel = channel_of(row)?;
    Ok(Recipient {
        address_id: AddressId(get(row, "id")?),
        subscriber_id: get(row, "subscriber_id")?,
        channel,
        address: Address::from_stored(channel, get(row, "address")?),
        language: language_of(row)?,
    })
}
