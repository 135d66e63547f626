//! Addresses and where they stand.

use chrono::{DateTime, Utc};
use serde::Serialize;
use sqlx::AnyConnection;
use sqlx::any::AnyRow;

use crate::people::{Address, AddressId, Language};
use crate::store::error::StoreError;
use crate::store::rows::{channel_of, get, get_instant, ms};
use crate::store::tx::{Store, Tx};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum AddressStatus {
    /// Never written to but to ask for confirmation.
    Unconfirmed,
    Confirmed,
    /// Said stop.
    Stopped,
    /// Bounced for good.
    #[serde(rename = "dead")]
    Undeliverable,
}

impl AddressStatus {
    const ALL: [AddressStatus; 4] =
        [AddressStatus::Unconfirmed, AddressStatus::Confirmed, AddressStatus::Stopped, AddressStatus::Undeliverable];

    pub fn name(self) -> &'static str {
        match self {
            AddressStatus::Unconfirmed => "unconfirmed",
            AddressStatus::Confirmed => "confirmed",
            AddressStatus::Stopped => "stopped",
            AddressStatus::Undeliverable => "dead",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|status| status.name() == name)
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct SubscriberAddress {
    pub id: AddressId,
    pub address: Address,
    pub status: AddressStatus,
    pub status_at: DateTime<Utc>,
}

/// Where an address stands and whether it is suppressed, and in which language its owner reads.
///
/// # Errors
/// When the store fails.
pub async fn standing(
    tx: &mut Tx,
    address_key: &AddressId,
) -> Result<(Option<AddressStatus>, bool, Option<Language>), StoreError> {
    let row = sqlx::query(
        "SELECT a.status, s.language, (SELECT COUNT(*) FROM suppressions WHERE address_key = $1) AS suppressed \
         FROM (SELECT 1 AS one) AS x LEFT JOIN addresses a ON a.id = $1 LEFT JOIN subscribers s ON s.id = a.subscriber_id",
    )
    .bind(address_key.as_str())
    .fetch_one(tx.conn())
    .await?;
    let status = get::<Option<String>>(&row, "status")?.as_deref().and_then(AddressStatus::parse);
    let language = get::<Option<String>>(&row, "language")?.as_deref().and_then(Language::parse);
    Ok((status, get::<i64>(&row, "suppressed")? > 0, language))
}

pub(super) async fn status_of(tx: &mut Tx, key: &AddressId) -> Result<Option<AddressStatus>, StoreError> {
    let row =
        sqlx::query("SELECT status FROM addresses WHERE id = $1").bind(key.as_str()).fetch_optional(tx.conn()).await?;
    row.as_ref().map(address_status).transpose()
}

/// Id of the subscriber who has an address.
pub(super) async fn owner_of(tx: &mut Tx, key: &AddressId) -> Result<Option<String>, StoreError> {
    let row = sqlx::query("SELECT subscriber_id FROM addresses WHERE id = $1")
        .bind(key.as_str())
        .fetch_optional(tx.conn())
        .await?;
    row.as_ref().map(|row| get(row, "subscriber_id")).transpose()
}

pub(super) async fn set_status(
    tx: &mut Tx,
    key: &AddressId,
    status: AddressStatus,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    sqlx::query("UPDATE addresses SET status = $2, status_at = $3 WHERE id = $1 AND status <> $2")
        .bind(key.as_str())
        .bind(status.name())
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
    Ok(())
}

pub(super) async fn addresses_of(
    connection: &mut AnyConnection,
    subscriber: &str,
) -> Result<Vec<SubscriberAddress>, StoreError> {
    let rows = sqlx::query("SELECT * FROM addresses WHERE subscriber_id = $1 ORDER BY channel, address")
        .bind(subscriber)
        .fetch_all(connection)
        .await?;
    rows.iter().map(address_of).collect()
}

pub(super) fn address_of(row: &AnyRow) -> Result<SubscriberAddress, StoreError> {
    Ok(SubscriberAddress {
        id: AddressId(get(row, "id")?),
        address: Address::from_stored(channel_of(row)?, get(row, "address")?),
        status: address_status(row)?,
        status_at: get_instant(row, "status_at")?,
    })
}

pub(super) fn address_status(row: &AnyRow) -> Result<AddressStatus, StoreError> {
    let name: &str = get(row, "status")?;
    AddressStatus::parse(name).ok_or_else(|| StoreError::corrupt(format!("addresses.status `{name}`")))
}

impl Store {
    /// The address of an id; `None` when nobody has it, or not any more.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn address_by_id(&self, id: &AddressId) -> Result<Option<Address>, StoreError> {
        let row = sqlx::query("SELECT channel, address FROM addresses WHERE id = $1")
            .bind(id.as_str())
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.map(|row| Ok(Address::from_stored(channel_of(&row)?, get(&row, "address")?))).transpose()
    }
}
