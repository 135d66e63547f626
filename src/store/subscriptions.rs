//! Subscribers, their addresses, their consent, and what is left of them after erasure.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use serde::Serialize;
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AnyPool, Row};

use crate::people::{Address, AddressHash, Channel, Language};
use crate::randomness::Randomness;
use crate::region::Zip;
use crate::store::{Conflict, Engine, Store, StoreError, Tx, get, get_instant, instant, ms, pending_sign_ups};

pub use crate::people::{Consent, NewSubscriber}; // moved

/// What is known beside the evidence: ids and hashes only.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ConsentDetail {
    /// Id of the words that were shown or sent: [`super::pending_sign_ups::put_words`].
    pub words: Option<String>,
    /// Keyed hash of the network.
    pub ip_hash: Option<String>,
}

/// What came of [`enrol`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Enrolled {
    Added {
        subscriber: String,
    },
    /// An address was known; this was new with it.
    Extended {
        subscriber: String,
        zips: u64,
        addresses: u64,
    },
    Unchanged {
        subscriber: String,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum AddressStatus {
    /// Never written to but to ask for confirmation.
    Unconfirmed,
    Confirmed,
    /// Said stop.
    Stopped,
    /// Bounced for good.
    Dead,
}

impl AddressStatus {
    const ALL: [AddressStatus; 4] =
        [AddressStatus::Unconfirmed, AddressStatus::Confirmed, AddressStatus::Stopped, AddressStatus::Dead];

    pub fn name(self) -> &'static str {
        match self {
            AddressStatus::Unconfirmed => "unconfirmed",
            AddressStatus::Confirmed => "confirmed",
            AddressStatus::Stopped => "stopped",
            AddressStatus::Dead => "dead",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|status| status.name() == name)
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct Subscriber {
    pub id: String,
    pub language: Language,
    pub zips: Vec<Zip>,
    pub addresses: Vec<SubscriberAddress>,
    pub created_at: DateTime<Utc>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct SubscriberAddress {
    pub id: String,
    pub address: Address,
    pub status: AddressStatus,
    pub status_at: DateTime<Utc>,
}

/// An address that a notice of its region goes to: confirmed, not suppressed, once however many of its owner's ZIP codes
/// lie in the region.
#[derive(Clone, Debug, PartialEq)]
pub struct Recipient {
    pub address_id: String,
    pub subscriber_id: String,
    pub channel: Channel,
    pub address: Address,
    pub language: Language,
}

/// What stopping or erasing did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stopped {
    /// Addresses that were subscribed; 0 when only the suppression was written.
    pub addresses: u64,
    /// Deliveries that had not gone out and now will not.
    pub cancelled: u64,
}

/// All that is kept about the owner of an address, for the owner.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Export {
    pub subscriber: String,
    pub language: Language,
    pub since: DateTime<Utc>,
    pub zips: Vec<Zip>,
    pub addresses: Vec<ExportedAddress>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExportedAddress {
    pub channel: Channel,
    /// In full: this is for its owner.
    pub address: String,
    pub status: AddressStatus,
    pub consents: Vec<ConsentRow>,
    pub deliveries: Vec<ExportedDelivery>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ConsentRow {
    pub at: DateTime<Utc>,
    /// asked, confirmed, stopped, erased or resumed.
    pub action: String,
    pub evidence: String,
    /// The words that were agreed to, and their language, where there were any.
    pub words: Option<String>,
    pub language: Option<Language>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExportedDelivery {
    /// Id of the notice; of a letter `letter/` and its kind.
    pub notice: String,
    pub state: String,
    pub queued_at: DateTime<Utc>,
}

impl Store {
    /// Subscribes somebody, or adds to what is known of them. The same call again changes nothing.
    ///
    /// # Errors
    /// [`Conflict::EmptySubscriber`], [`Conflict::Suppressed`], [`Conflict::AddressTaken`].
    pub async fn add_subscriber(&self, new: &NewSubscriber, now: DateTime<Utc>) -> Result<Enrolled, StoreError> {
        let mut tx = self.begin().await?;
        let enrolled = enrol(&mut tx, new, now).await?;
        tx.commit().await?;
        Ok(enrolled)
    }

    /// Subscribers that were not removed, the oldest first; with a region, those who have a ZIP code in it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn subscribers(&self, region: Option<&str>) -> Result<Vec<Subscriber>, StoreError> {
        let mut connection = self.read().await?;
        let rows = sqlx::query(
            "SELECT s.id, s.language, s.created_at FROM subscribers s
             WHERE s.removed_at IS NULL AND ($1 = '' OR EXISTS (
                 SELECT 1 FROM subscriber_zips z JOIN region_zips r ON r.zip = z.zip
                 WHERE z.subscriber_id = s.id AND r.region_id = $1))
             ORDER BY s.created_at, s.id",
        )
        .bind(region.unwrap_or(""))
        .fetch_all(&mut *connection)
        .await?;
        let mut subscribers = Vec::with_capacity(rows.len());
        let mut places: BTreeMap<String, usize> = BTreeMap::new();
        for row in &rows {
            let subscriber = subscriber_of(row)?;
            places.insert(subscriber.id.clone(), subscribers.len());
            subscribers.push(subscriber);
        }
        let rows = sqlx::query("SELECT subscriber_id, zip FROM subscriber_zips ORDER BY zip")
            .fetch_all(&mut *connection)
            .await?;
        for row in &rows {
            if let Some(at) = places.get(get::<&str>(row, "subscriber_id")?) {
                subscribers[*at].zips.push(zip_of(row)?);
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
        let key = self.address_hash().of(address);
        let mut connection = self.read().await?;
        let row = sqlx::query(
            "SELECT s.id, s.language, s.created_at FROM subscribers s JOIN addresses a ON a.subscriber_id = s.id
             WHERE a.id = $1",
        )
        .bind(key)
        .fetch_optional(&mut *connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let mut subscriber = subscriber_of(&row)?;
        subscriber.zips = sqlx::query("SELECT zip FROM subscriber_zips WHERE subscriber_id = $1 ORDER BY zip")
            .bind(&subscriber.id)
            .fetch_all(&mut *connection)
            .await?
            .iter()
            .map(zip_of)
            .collect::<Result<_, _>>()?;
        subscriber.addresses = addresses_of(&mut connection, &subscriber.id).await?;
        Ok(Some(subscriber))
    }

    /// Whom a notice of this region would go to now.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn recipients(&self, region: &str) -> Result<Vec<Recipient>, StoreError> {
        let rows = sqlx::query(SELECT_RECIPIENTS).bind(region).fetch_all(&mut *self.read().await?).await?;
        rows.iter().map(recipient_of).collect()
    }

    /// Marks an address as confirmed by its owner.
    ///
    /// # Errors
    /// [`Conflict::UnknownAddress`]; [`Conflict::Suppressed`] when it said stop since.
    pub async fn confirm_address(
        &self,
        address: &Address,
        evidence: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let key = tx.hash().of(address);
        refuse_suppressed(&mut tx, address, &key).await?;
        let done = sqlx::query(
            "UPDATE addresses SET status = 'confirmed', status_at = $2 WHERE id = $1 AND status <> 'confirmed'",
        )
        .bind(&key)
        .bind(ms(now))
        .execute(tx.conn())
        .await?
        .rows_affected();
        if done == 1 {
            add_consent(&mut tx, &key, "confirmed", evidence, now).await?;
        } else if status_of(&mut tx, &key).await?.is_none() {
            return Err(Conflict::UnknownAddress { masked: address.to_string() }.into());
        }
        tx.commit().await
    }

    /// Obeys a stop: see [`stop`].
    ///
    /// # Errors
    /// When the store fails.
    pub async fn stop_address(
        &self,
        address: &Address,
        evidence: &str,
        now: DateTime<Utc>,
    ) -> Result<Stopped, StoreError> {
        let mut tx = self.begin().await?;
        let stopped = stop(&mut tx, address, evidence, now).await?;
        tx.commit().await?;
        Ok(stopped)
    }

    /// Obeys a start: an address that had confirmed before it said stop, and was not erased, is written to again. Gives
    /// whether it is; an address that never confirmed is not subscribed by a single word.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn resume_address(
        &self,
        address: &Address,
        evidence: &str,
        now: DateTime<Utc>,
    ) -> Result<bool, StoreError> {
        let mut tx = self.begin().await?;
        let resumes = resume(&mut tx, address, evidence, now).await?;
        tx.commit().await?;
        Ok(resumes)
    }

    /// An address that does not exist any more: nothing is written to it until its owner gives it again.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn bury_address(&self, address_id: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        let cancelled = bury(&mut tx, address_id, now).await?;
        tx.commit().await?;
        Ok(cancelled.unwrap_or(0))
    }

    /// Removes the owner of an address with all addresses: deliveries that wait are cancelled, the addresses and every
    /// text that may repeat them are erased, and their keyed hashes stay suppressed. The subscriber's row stays, nameless,
    /// since past seasons count whom they told. Of somebody who never subscribed, what was asked for in their name and the
    /// letters to them are erased; `addresses` is 0 then.
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
        let key = tx.hash().of(address);
        let row = sqlx::query("SELECT subscriber_id FROM addresses WHERE id = $1")
            .bind(&key)
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
            let id: &str = get(row, "id")?;
            if get::<&str>(row, "status")? == AddressStatus::Stopped.name() {
                erase(&mut tx, id, "kept no longer after a stop", now).await?;
            } else {
                // It said no stop, so it may be given again.
                forget(&mut tx, id, now).await?;
                add_consent(&mut tx, id, "erased", "unused", now).await?;
            }
            close_if_empty(&mut tx, get(row, "subscriber_id")?, now).await?;
        }
        tx.commit().await?;
        Ok(rows.len() as u64)
    }

    /// What is kept about the owner of an address.
    ///
    /// # Errors
    /// [`Conflict::UnknownAddress`].
    pub async fn export_subscriber(&self, address: &Address) -> Result<Export, StoreError> {
        let subscriber = self
            .subscriber_of(address)
            .await?
            .ok_or_else(|| Conflict::UnknownAddress { masked: address.to_string() })?;
        let mut connection = self.read().await?;
        let mut addresses = Vec::new();
        for known in subscriber.addresses {
            let consents = sqlx::query(
                "SELECT c.at, c.action, c.evidence, w.words, w.language FROM consents c
                     LEFT JOIN consent_words w ON w.id = c.words WHERE c.address_key = $1 ORDER BY c.at, c.id",
            )
            .bind(&known.id)
            .fetch_all(&mut *connection)
            .await?;
            let deliveries = sqlx::query(
                "SELECT COALESCE(d.notice_id, 'letter/' || l.kind) AS notice, d.state, d.created_at \
                 FROM deliveries d LEFT JOIN letters l ON l.id = d.letter_id \
                 WHERE d.address_id = $1 ORDER BY d.created_at, d.id",
            )
            .bind(&known.id)
            .fetch_all(&mut *connection)
            .await?;
            addresses.push(ExportedAddress {
                channel: known.address.channel(),
                address: known.address.expose().to_owned(),
                status: known.status,
                consents: consents
                    .iter()
                    .map(|row| {
                        Ok(ConsentRow {
                            at: get_instant(row, "at")?,
                            action: get(row, "action")?,
                            evidence: get(row, "evidence")?,
                            words: get(row, "words")?,
                            language: get::<Option<String>>(row, "language")?.as_deref().and_then(Language::parse),
                        })
                    })
                    .collect::<Result<_, StoreError>>()?,
                deliveries: deliveries
                    .iter()
                    .map(|row| {
                        Ok(ExportedDelivery {
                            notice: get(row, "notice")?,
                            state: get(row, "state")?,
                            queued_at: get_instant(row, "created_at")?,
                        })
                    })
                    .collect::<Result<_, StoreError>>()?,
            });
        }
        Ok(Export {
            subscriber: subscriber.id,
            language: subscriber.language,
            since: subscriber.created_at,
            zips: subscriber.zips,
            addresses,
        })
    }

    /// Empties SQLite's log, in which what was erased may still stand: after each erasure, and once a cycle, since a reader
    /// may have been in the way.
    pub async fn forget_log(&self) {
        if self.engine() != Engine::Sqlite {
            return;
        }
        let emptied = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").fetch_one(&self.inner.writer).await;
        let busy = emptied.and_then(|row| row.try_get::<i64, _>("busy"));
        match busy {
            Ok(0) => {}
            Ok(_) => tracing::info!("the store's log is being read and could not be emptied; it will be later"),
            Err(why) => tracing::warn!(error = %why, "the store's log could not be emptied; it will be later"),
        }
    }
}

/// As [`Store::add_subscriber`], inside a transaction of the caller, so that an import is all or nothing.
///
/// # Errors
/// As [`Store::add_subscriber`]. After a conflict the transaction holds nothing of this one and may go on.
pub async fn enrol(tx: &mut Tx, new: &NewSubscriber, now: DateTime<Utc>) -> Result<Enrolled, StoreError> {
    enrol_with(tx, new, &ConsentDetail::default(), now).await
}

/// As [`enrol`], with what is known of the words that were agreed to.
///
/// # Errors
/// As [`enrol`].
pub async fn enrol_with(
    tx: &mut Tx,
    new: &NewSubscriber,
    detail: &ConsentDetail,
    now: DateTime<Utc>,
) -> Result<Enrolled, StoreError> {
    if new.zips.is_empty() || new.addresses.is_empty() {
        return Err(Conflict::EmptySubscriber.into());
    }
    // Everything that can be refused is looked at before anything is written.
    let keys: Vec<String> = new.addresses.iter().map(|address| tx.hash().of(address)).collect();
    let mut owner: Option<String> = None;
    let mut standing = Vec::new();
    for (address, key) in new.addresses.iter().zip(&keys) {
        if !matches!(new.consent, Consent::GivenAgain { .. }) {
            refuse_suppressed(tx, address, key).await?;
        }
        let row = sqlx::query("SELECT subscriber_id, status FROM addresses WHERE id = $1")
            .bind(key)
            .fetch_optional(tx.conn())
            .await?;
        let Some(row) = row else {
            standing.push(None);
            continue;
        };
        let subscriber: String = get(&row, "subscriber_id")?;
        if owner.as_ref().is_some_and(|owner| *owner != subscriber) {
            return Err(Conflict::AddressTaken { masked: address.to_string() }.into());
        }
        owner = Some(subscriber);
        standing.push(Some(address_status(&row)?));
    }

    let is_new = owner.is_none();
    let subscriber = match owner {
        Some(known) => {
            sqlx::query("UPDATE subscribers SET language = $2 WHERE id = $1 AND language <> $2")
                .bind(&known)
                .bind(new.language.code())
                .execute(tx.conn())
                .await?;
            known
        }
        None => {
            // Made of the first address and the time, so that a replay makes the same one.
            let first = keys.first().map_or("", String::as_str);
            let id = format!("s-{}", &tx.hash().of_text("subscriber", &format!("{first} {}", ms(now)))[..16]);
            sqlx::query(
                "INSERT INTO subscribers (id, language, created_at) VALUES ($1, $2, $3)
                 ON CONFLICT (id) DO UPDATE SET language = excluded.language, removed_at = NULL",
            )
            .bind(&id)
            .bind(new.language.code())
            .bind(ms(now))
            .execute(tx.conn())
            .await?;
            id
        }
    };

    let mut zips = 0;
    for zip in &new.zips {
        zips += sqlx::query("INSERT INTO subscriber_zips (subscriber_id, zip) VALUES ($1, $2) ON CONFLICT (subscriber_id, zip) DO NOTHING")
            .bind(&subscriber)
            .bind(zip.as_str())
            .execute(tx.conn())
            .await?
            .rows_affected();
    }
    let (status, action, evidence) = match &new.consent {
        Consent::Given { evidence } => (AddressStatus::Confirmed, "confirmed", evidence),
        Consent::GivenAgain { evidence } => (AddressStatus::Confirmed, "resumed", evidence),
        Consent::Asked { evidence } => (AddressStatus::Unconfirmed, "asked", evidence),
    };
    let mut addresses = 0;
    for ((address, key), standing) in new.addresses.iter().zip(&keys).zip(standing) {
        match standing {
            None => {
                let row = sqlx::query(
                    "INSERT INTO addresses (id, subscriber_id, channel, address, status, status_at)
                     VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT (id) DO NOTHING",
                );
                let inserted = row
                    .bind(key)
                    .bind(&subscriber)
                    .bind(address.channel().name())
                    .bind(address.expose())
                    .bind(status.name())
                    .bind(ms(now))
                    .execute(tx.conn())
                    .await?
                    .rows_affected();
                // Two spellings of one mailbox in one call.
                if inserted == 0 {
                    continue;
                }
            }
            // A confirmed address is not made less by somebody else's asking.
            Some(standing) if standing == status || status == AddressStatus::Unconfirmed => continue,
            Some(_) => set_status(tx, key, status, now).await?,
        }
        if matches!(new.consent, Consent::GivenAgain { .. }) {
            lift_suppression(tx, key).await?;
        }
        note_consent(tx, key, action, evidence, detail, now).await?;
        addresses += 1;
    }
    Ok(match (is_new, zips + addresses) {
        (true, _) => Enrolled::Added { subscriber },
        (false, 0) => Enrolled::Unchanged { subscriber },
        (false, _) => Enrolled::Extended { subscriber, zips, addresses },
    })
}

/// An address said stop: it is suppressed, also when nobody here knows it, and what has not gone out to it is cancelled.
/// A message that a worker has in hand is its worker's matter: it looks at the address once more before the first byte.
///
/// # Errors
/// When the store fails.
pub async fn stop(tx: &mut Tx, address: &Address, evidence: &str, now: DateTime<Utc>) -> Result<Stopped, StoreError> {
    let key = tx.hash().of(address);
    stop_by_id(tx, &key, evidence, now).await
}

/// As [`stop`], of an address known by its id only, which may be nobody's any more.
///
/// # Errors
/// When the store fails.
pub async fn stop_by_id(tx: &mut Tx, key: &str, evidence: &str, now: DateTime<Utc>) -> Result<Stopped, StoreError> {
    let was = status_of(tx, key).await?;
    // The status first: on PostgreSQL a release that runs beside this one waits here, or this waits for it and then sees
    // its deliveries.
    if was.is_some() {
        set_status(tx, key, AddressStatus::Stopped, now).await?;
    }
    let fresh = suppress(tx, key, "said stop", now).await?;
    if fresh || was.is_some_and(|was| was != AddressStatus::Stopped) {
        add_consent(tx, key, "stopped", evidence, now).await?;
    }
    let cancelled = cancel_deliveries(tx, key, "the address said stop", now).await?;
    pending_sign_ups::end_open(tx, key, pending_sign_ups::Outcome::Stopped, now).await?;
    let subscribed = was.is_some_and(|was| was != AddressStatus::Stopped);
    Ok(Stopped { addresses: u64::from(subscribed), cancelled })
}

/// As [`Store::resume_address`], inside a transaction of the caller.
///
/// # Errors
/// When the store fails.
pub async fn resume(tx: &mut Tx, address: &Address, evidence: &str, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let key = tx.hash().of(address);
    let confirmed_once =
        sqlx::query("SELECT COUNT(*) AS n FROM consents WHERE address_key = $1 AND action IN ('confirmed', 'resumed')")
            .bind(&key)
            .fetch_one(tx.conn())
            .await?;
    let resumes = match status_of(tx, &key).await? {
        Some(AddressStatus::Confirmed) => return Ok(true),
        Some(AddressStatus::Stopped) => get::<i64>(&confirmed_once, "n")? > 0,
        Some(AddressStatus::Unconfirmed | AddressStatus::Dead) | None => false,
    };
    if resumes {
        lift_suppression(tx, &key).await?;
        set_status(tx, &key, AddressStatus::Confirmed, now).await?;
        add_consent(tx, &key, "resumed", evidence, now).await?;
    }
    Ok(resumes)
}

/// Where an address stands and whether it is suppressed, and in which language its owner reads.
///
/// # Errors
/// When the store fails.
pub async fn standing(
    tx: &mut Tx,
    address_key: &str,
) -> Result<(Option<AddressStatus>, bool, Option<Language>), StoreError> {
    let row = sqlx::query(
        "SELECT a.status, s.language, (SELECT COUNT(*) FROM suppressions WHERE address_key = $1) AS suppressed \
         FROM (SELECT 1 AS one) AS x LEFT JOIN addresses a ON a.id = $1 LEFT JOIN subscribers s ON s.id = a.subscriber_id",
    )
    .bind(address_key)
    .fetch_one(tx.conn())
    .await?;
    let status = get::<Option<String>>(&row, "status")?.as_deref().and_then(AddressStatus::parse);
    let language = get::<Option<String>>(&row, "language")?.as_deref().and_then(Language::parse);
    Ok((status, get::<i64>(&row, "suppressed")? > 0, language))
}

/// Somebody who waited for their ZIP code to come into a region, and it did.
#[derive(Clone, Debug)]
pub struct CoveredWait {
    pub zip: Zip,
    pub region_name: String,
    /// Milliseconds since 1970: makes the letter's fact.
    pub since: i64,
    /// Confirmed ones.
    pub addresses: Vec<(Address, Language)>,
}

/// Notes which ZIP codes of an address's owner no region has yet.
///
/// # Errors
/// When the store fails.
pub async fn note_waits(tx: &mut Tx, address_key: &str, now: DateTime<Utc>) -> Result<(), StoreError> {
    sqlx::query(
        "INSERT INTO zip_waits (subscriber_id, zip, since)
         SELECT z.subscriber_id, z.zip, $2 FROM subscriber_zips z JOIN addresses a ON a.subscriber_id = z.subscriber_id
         WHERE a.id = $1 AND NOT EXISTS (SELECT 1 FROM region_zips r WHERE r.zip = z.zip)
         ON CONFLICT (subscriber_id, zip) DO NOTHING",
    )
    .bind(address_key)
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
        "SELECT w.subscriber_id, w.zip, w.since, g.name FROM zip_waits w JOIN region_zips r ON r.zip = w.zip
         JOIN regions g ON g.id = r.region_id ORDER BY w.since, w.subscriber_id, w.zip",
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
            zip: zip_of(row)?,
            region_name: get(row, "name")?,
            since: get(row, "since")?,
            addresses,
        });
    }
    Ok(waits)
}

/// The name of the region that has a ZIP code.
///
/// # Errors
/// When the store fails.
pub async fn region_name_of_zip(tx: &mut Tx, zip: &Zip) -> Result<Option<String>, StoreError> {
    sqlx::query("SELECT g.name FROM region_zips r JOIN regions g ON g.id = r.region_id WHERE r.zip = $1")
        .bind(zip.as_str())
        .fetch_optional(tx.conn())
        .await?
        .map(|row| get(&row, "name"))
        .transpose()
}

/// Whom a notice of this region goes to, held still until the end of the transaction: on PostgreSQL a stop that comes
/// meanwhile waits for it, on SQLite there is one writer anyway.
pub(super) async fn recipients_for_release(tx: &mut Tx, region: &str) -> Result<Vec<Recipient>, StoreError> {
    let query = match tx.engine() {
        Engine::Sqlite => sqlx::query(SELECT_RECIPIENTS),
        Engine::Postgres => sqlx::query(sqlx::AssertSqlSafe(format!("{SELECT_RECIPIENTS} FOR SHARE OF a"))),
    };
    let rows = query.bind(region).fetch_all(tx.conn()).await?;
    rows.iter().map(recipient_of).collect()
}

const SELECT_RECIPIENTS: &str = "SELECT a.id, a.subscriber_id, a.channel, a.address, s.language
     FROM addresses a JOIN subscribers s ON s.id = a.subscriber_id
     WHERE a.status = 'confirmed' AND s.removed_at IS NULL
       AND EXISTS (SELECT 1 FROM subscriber_zips z JOIN region_zips r ON r.zip = z.zip
                   WHERE z.subscriber_id = a.subscriber_id AND r.region_id = $1)
       AND NOT EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = a.id)
     ORDER BY a.id";

/// The store's own key, made when the store is.
pub(super) async fn load_or_make_key(
    pool: &AnyPool,
    engine: Engine,
    randomness: &Randomness,
) -> Result<AddressHash, StoreError> {
    const FIND: &str = "SELECT value FROM secrets WHERE name = 'address-hash'";
    let found = match sqlx::query(FIND).fetch_optional(pool).await? {
        Some(row) => row,
        None => {
            let mut tx = match engine {
                Engine::Sqlite => pool.begin_with("BEGIN IMMEDIATE").await?,
                Engine::Postgres => pool.begin().await?,
            };
            // Of two processes that open a new store together, one makes the key and both use it.
            sqlx::query("INSERT INTO secrets (name, value) VALUES ('address-hash', $1) ON CONFLICT (name) DO NOTHING")
                .bind(randomness.hex::<32>())
                .execute(&mut *tx)
                .await?;
            tx.commit().await?;
            sqlx::query(FIND).fetch_one(pool).await?
        }
    };
    let key = hex::decode(found.try_get::<String, _>("value")?)
        .map_err(|why| StoreError::corrupt(format!("secrets.value is not hexadecimal: {why}")))?;
    Ok(AddressHash::with_key(&key))
}

async fn refuse_suppressed(tx: &mut Tx, address: &Address, key: &str) -> Result<(), StoreError> {
    let row = sqlx::query("SELECT since FROM suppressions WHERE address_key = $1")
        .bind(key)
        .fetch_optional(tx.conn())
        .await?;
    match row {
        None => Ok(()),
        Some(row) => {
            let since = instant(get(&row, "since")?)?;
            Err(Conflict::Suppressed { masked: address.to_string(), since }.into())
        }
    }
}

/// Gives whether it is new.
async fn suppress(tx: &mut Tx, key: &str, reason: &str, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let done = sqlx::query("INSERT INTO suppressions (address_key, since, reason) VALUES ($1, $2, $3) ON CONFLICT (address_key) DO NOTHING")
        .bind(key)
        .bind(ms(now))
        .bind(reason)
        .execute(tx.conn())
        .await?;
    Ok(done.rows_affected() == 1)
}

async fn lift_suppression(tx: &mut Tx, key: &str) -> Result<(), StoreError> {
    sqlx::query("DELETE FROM suppressions WHERE address_key = $1").bind(key).execute(tx.conn()).await?;
    Ok(())
}

async fn status_of(tx: &mut Tx, key: &str) -> Result<Option<AddressStatus>, StoreError> {
    let row = sqlx::query("SELECT status FROM addresses WHERE id = $1").bind(key).fetch_optional(tx.conn()).await?;
    row.as_ref().map(address_status).transpose()
}

async fn set_status(tx: &mut Tx, key: &str, status: AddressStatus, now: DateTime<Utc>) -> Result<(), StoreError> {
    sqlx::query("UPDATE addresses SET status = $2, status_at = $3 WHERE id = $1 AND status <> $2")
        .bind(key)
        .bind(status.name())
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// As [`Store::bury_address`], in the caller's transaction; `None` when the address was dead, stopped or gone already.
pub(super) async fn bury(tx: &mut Tx, address_id: &str, now: DateTime<Utc>) -> Result<Option<u64>, StoreError> {
    let done = sqlx::query(
        "UPDATE addresses SET status = 'dead', status_at = $2 WHERE id = $1 AND status IN ('confirmed', 'unconfirmed')",
    )
    .bind(address_id)
    .bind(ms(now))
    .execute(tx.conn())
    .await?;
    let cancelled = cancel_deliveries(tx, address_id, "the address does not exist any more", now).await?;
    Ok((done.rows_affected() > 0).then_some(cancelled))
}

async fn cancel_deliveries(tx: &mut Tx, key: &str, why: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let done = sqlx::query(
        "UPDATE deliveries SET state = 'cancelled', lease_until = NULL, lease_owner = NULL, last_error = $2, updated_at = $3
         WHERE address_id = $1 AND state IN ('queued', 'uncertain')
           -- The one answer to a stop goes out, also when the stop is said twice.
           AND NOT EXISTS (SELECT 1 FROM letters WHERE letters.id = deliveries.letter_id AND letters.kind = 'stopped')",
    )
    .bind(key)
    .bind(why)
    .bind(ms(now))
    .execute(tx.conn())
    .await?;
    Ok(done.rows_affected())
}

/// Takes an address away for good and never lets it be written to again. Gives the deliveries cancelled.
async fn erase(tx: &mut Tx, key: &str, evidence: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
    set_status(tx, key, AddressStatus::Stopped, now).await?;
    suppress(tx, key, "erased", now).await?;
    let cancelled = forget(tx, key, now).await?;
    add_consent(tx, key, "erased", evidence, now).await?;
    Ok(cancelled)
}

/// Takes an address away with all that may repeat it: a server's answer often quotes the address it refuses.
async fn forget(tx: &mut Tx, key: &str, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let cancelled = cancel_deliveries(tx, key, "the address was removed", now).await?;
    // A provider may make its reference of the number it was for.
    for text in [
        "UPDATE deliveries SET last_error = NULL WHERE address_id = $1 AND state <> 'cancelled'",
        "UPDATE attempts SET detail = NULL WHERE delivery_id IN (SELECT id FROM deliveries WHERE address_id = $1)",
        "DELETE FROM delivery_reports WHERE delivery_id IN (SELECT id FROM deliveries WHERE address_id = $1)",
        "UPDATE deliveries SET provider_ref = NULL WHERE address_id = $1",
    ] {
        sqlx::query(text).bind(key).execute(tx.conn()).await?;
    }
    super::transactional::erase(tx, key, now).await?;
    pending_sign_ups::end_open(tx, key, pending_sign_ups::Outcome::Stopped, now).await?;
    sqlx::query("DELETE FROM addresses WHERE id = $1").bind(key).execute(tx.conn()).await?;
    Ok(cancelled)
}

/// Whether an address that is no subscriber's stands in full in a wish or a letter.
async fn is_written_down(tx: &mut Tx, key: &str) -> Result<bool, StoreError> {
    let row = sqlx::query(
        "SELECT (SELECT COUNT(*) FROM confirmations WHERE address_key = $1 AND address <> '') + \
                (SELECT COUNT(*) FROM letters WHERE address_key = $1 AND address <> '') AS n",
    )
    .bind(key)
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

async fn add_consent(
    tx: &mut Tx,
    key: &str,
    action: &str,
    evidence: &str,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    note_consent(tx, key, action, evidence, &ConsentDetail::default(), now).await
}

/// Adds a row to the record of who agreed to what; none is ever changed.
///
/// # Errors
/// When the store fails.
pub async fn note_consent(
    tx: &mut Tx,
    address_key: &str,
    action: &str,
    evidence: &str,
    detail: &ConsentDetail,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let digest = Sha256::digest(format!("{address_key}\n{}\n{action}\n{evidence}", ms(now)));
    sqlx::query(
        "INSERT INTO consents (id, address_key, at, action, evidence, words, ip_hash) VALUES ($1, $2, $3, $4, $5, $6, $7)
         ON CONFLICT (id) DO NOTHING",
    )
    .bind(hex::encode(&digest[..16]))
    .bind(address_key)
    .bind(ms(now))
    .bind(action)
    .bind(evidence)
    .bind(detail.words.as_deref())
    .bind(detail.ip_hash.as_deref())
    .execute(tx.conn())
    .await?;
    Ok(())
}

async fn addresses_of(connection: &mut AnyConnection, subscriber: &str) -> Result<Vec<SubscriberAddress>, StoreError> {
    let rows = sqlx::query("SELECT * FROM addresses WHERE subscriber_id = $1 ORDER BY channel, address")
        .bind(subscriber)
        .fetch_all(connection)
        .await?;
    rows.iter().map(address_of).collect()
}

fn subscriber_of(row: &AnyRow) -> Result<Subscriber, StoreError> {
    Ok(Subscriber {
        id: get(row, "id")?,
        language: language_of(row)?,
        zips: Vec::new(),
        addresses: Vec::new(),
        created_at: get_instant(row, "created_at")?,
    })
}

fn address_of(row: &AnyRow) -> Result<SubscriberAddress, StoreError> {
    Ok(SubscriberAddress {
        id: get(row, "id")?,
        address: Address::from_stored(channel_of(row)?, get(row, "address")?),
        status: address_status(row)?,
        status_at: get_instant(row, "status_at")?,
    })
}

fn recipient_of(row: &AnyRow) -> Result<Recipient, StoreError> {
    let channel = channel_of(row)?;
    Ok(Recipient {
        address_id: get(row, "id")?,
        subscriber_id: get(row, "subscriber_id")?,
        channel,
        address: Address::from_stored(channel, get(row, "address")?),
        language: language_of(row)?,
    })
}

fn address_status(row: &AnyRow) -> Result<AddressStatus, StoreError> {
    let name: &str = get(row, "status")?;
    AddressStatus::parse(name).ok_or_else(|| StoreError::corrupt(format!("addresses.status `{name}`")))
}

pub(super) fn channel_of(row: &AnyRow) -> Result<Channel, StoreError> {
    let name: &str = get(row, "channel")?;
    Channel::parse(name).ok_or_else(|| StoreError::corrupt(format!("`{name}` is no channel")))
}

pub(super) fn language_of(row: &AnyRow) -> Result<Language, StoreError> {
    let code: &str = get(row, "language")?;
    Language::parse(code).ok_or_else(|| StoreError::corrupt(format!("`{code}` is no language")))
}

fn zip_of(row: &AnyRow) -> Result<Zip, StoreError> {
    Zip::parse(get(row, "zip")?).map_err(|why| StoreError::corrupt(why.to_string()))
}
