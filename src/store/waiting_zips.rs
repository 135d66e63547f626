//! People who wait for a region to cover their ZIP code.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};

use crate::people::{Address, AddressId, Channel, Language};
use crate::region::Zip;
use crate::store::error::StoreError;
use crate::store::rows::{channel_of, get, language_of, ms, zip_of};
use crate::store::tx::{Store, Tx};

/// Somebody who waited for their ZIP code to come into a region, and it did.
#[derive(Clone, Debug)]
pub struct CoveredWait {
    pub subscriber: String,
    pub zip: Zip,
    pub region_name: String,
    /// Milliseconds since 1970: makes the fact of the transactional message.
    pub since: i64,
    /// Confirmed ones.
    pub addresses: Vec<(Address, Language)>,
}

/// Notes which ZIP codes of an address's owner no region has yet.
///
/// # Errors
/// When the store fails.
pub async fn note_waits(tx: &mut Tx, address_key: &AddressId, now: DateTime<Utc>) -> Result<(), StoreError> {
    sqlx::query(
        "INSERT INTO zip_waits (subscriber_id, zip, since)
         SELECT z.subscriber_id, z.zip, $2 FROM subscriber_zips z JOIN addresses a ON a.subscriber_id = z.subscriber_id
         WHERE a.id = $1 AND NOT EXISTS (SELECT 1 FROM region_zips r WHERE r.zip = z.zip)
         ON CONFLICT (subscriber_id, zip) DO NOTHING",
    )
    .bind(address_key.as_str())
    .bind(ms(now))
    .execute(tx.conn())
    .await?;
    Ok(())
}

/// Those who waited and need wait no more; they are taken off the list.
///
/// # Errors
/// When the store fails.
pub async fn take_covered_waits(tx: &mut Tx) -> Result<Vec<CoveredWait>, StoreError> {
    let rows = sqlx::query(
        "SELECT w.subscriber_id, w.zip, w.since, g.name FROM zip_waits w
         JOIN subscriber_regions v ON v.subscriber_id = w.subscriber_id AND v.zip = w.zip
         JOIN regions g ON g.id = v.region_id ORDER BY w.since, w.subscriber_id, w.zip",
    )
    .fetch_all(tx.conn())
    .await?;
    let mut waits = Vec::with_capacity(rows.len());
    for row in &rows {
        let (subscriber, zip): (String, String) = (get(row, "subscriber_id")?, get(row, "zip")?);
        let found = sqlx::query(
            "SELECT a.channel, a.address, s.language FROM addresses a JOIN subscribers s ON s.id = a.subscriber_id
             WHERE a.subscriber_id = $1 AND a.status = 'confirmed' ORDER BY a.id",
        )
        .bind(&subscriber)
        .fetch_all(tx.conn())
        .await?;
        let addresses = found
            .iter()
            .map(|row| Ok((Address::from_stored(channel_of(row)?, get(row, "address")?), language_of(row)?)))
            .collect::<Result<_, StoreError>>()?;
        sqlx::query("DELETE FROM zip_waits WHERE subscriber_id = $1 AND zip = $2")
            .bind(&subscriber)
            .bind(&zip)
            .execute(tx.conn())
            .await?;
        waits.push(CoveredWait {
            subscriber,
            zip: zip_of(row)?,
            region_name: get(row, "name")?,
            since: get(row, "since")?,
            addresses,
        });
    }
    Ok(waits)
}

/// A ZIP code that no region has and that people wait for.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Demand {
    pub zip: Zip,
    /// Subscribers with a confirmed address who named it.
    pub people: u64,
}

/// Who waits for ZIP codes that no region has.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Waiting {
    /// Subscribers with a confirmed address, each once.
    pub people: u64,
    /// Their confirmed addresses.
    pub emails: u64,
    pub phones: u64,
    /// Of the ZIP codes asked for, those that anybody waits for.
    pub zips: Vec<Demand>,
}

impl Store {
    /// Whom a region with these ZIP codes would newly reach: those who named one of them while no region has it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn waiting(&self, zips: &[Zip]) -> Result<Waiting, StoreError> {
        let mut connection = self.read().await?;
        let (mut people, mut addresses) = (BTreeSet::new(), BTreeSet::new());
        let mut wanted = Vec::new();
        for zip in zips {
            let rows = sqlx::query(
                "SELECT z.subscriber_id, a.id, a.channel FROM subscriber_zips z
                 JOIN addresses a ON a.subscriber_id = z.subscriber_id AND a.status = 'confirmed'
                 WHERE z.zip = $1 AND NOT EXISTS (SELECT 1 FROM region_zips r WHERE r.zip = z.zip)",
            )
            .bind(zip.as_str())
            .fetch_all(&mut *connection)
            .await?;
            let mut here = BTreeSet::new();
            for row in &rows {
                let id: String = get(row, "subscriber_id")?;
                addresses.insert((get::<String>(row, "id")?, channel_of(row)? == Channel::Email));
                here.insert(id);
            }
            if !here.is_empty() {
                wanted.push(Demand { zip: zip.clone(), people: here.len() as u64 });
            }
            people.extend(here);
        }
        wanted.sort_by(|a, b| b.people.cmp(&a.people).then_with(|| a.zip.cmp(&b.zip)));
        let emails = addresses.iter().filter(|(_, is_email)| *is_email).count() as u64;
        let phones = addresses.len() as u64 - emails;
        Ok(Waiting { people: people.len() as u64, emails, phones, zips: wanted })
    }

    /// ZIP codes that people wait for and no region has, the most wanted first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn demand(&self) -> Result<Vec<Demand>, StoreError> {
        let rows = sqlx::query(
            "SELECT z.zip, COUNT(*) AS people FROM subscriber_zips z
             WHERE NOT EXISTS (SELECT 1 FROM region_zips r WHERE r.zip = z.zip)
               AND EXISTS (SELECT 1 FROM addresses a WHERE a.subscriber_id = z.subscriber_id AND a.status = 'confirmed')
             GROUP BY z.zip ORDER BY people DESC, z.zip",
        )
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| {
                let zip = Zip::parse(get(row, "zip")?).map_err(|why| StoreError::corrupt(why.to_string()))?;
                Ok(Demand { zip, people: get::<i64>(row, "people")?.unsigned_abs() })
            })
            .collect()
    }
}
