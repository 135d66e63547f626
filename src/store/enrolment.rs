//! How people come in: by a file, by a form, by a text.

use chrono::{DateTime, Utc};

use crate::people::{Address, AddressId, Consent, NewSubscriber};
use crate::region::{Band, Zip};
use crate::store::acts::Act;
use crate::store::addresses::{AddressStatus, address_status, owner_of, set_status, status_of};
use crate::store::audit::address_subject;
use crate::store::bands::said_of;
use crate::store::consents::{ConsentAction, ConsentDetail, add_consent, note_consent};
use crate::store::error::{Conflict, StoreError};
use crate::store::heights::{home_for, say};
use crate::store::notices::tell_joined;
use crate::store::rows::{get, ms};
use crate::store::suppression::{lift_suppression, refuse_suppressed};
use crate::store::tx::{Store, Tx};

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
        /// Words about the height of trees.
        heights: u64,
    },
    Unchanged {
        subscriber: String,
    },
}

impl Enrolled {
    /// Id of the subscriber.
    pub fn subscriber(&self) -> &str {
        let (Enrolled::Added { subscriber }
        | Enrolled::Extended { subscriber, .. }
        | Enrolled::Unchanged { subscriber }) = self;
        subscriber
    }
}

impl Store {
    /// Subscribes somebody, or adds to what is known of them; what is new of it gets the notices in force at once. The same
    /// call again changes nothing.
    ///
    /// # Errors
    /// [`Conflict::EmptySubscriber`], [`Conflict::Suppressed`], [`Conflict::AddressTaken`].
    pub async fn add_subscriber(&self, new: &NewSubscriber, now: DateTime<Utc>) -> Result<Enrolled, StoreError> {
        let mut tx = self.begin().await?;
        let enrolled = enrol(&mut tx, new, now).await?;
        if !matches!(enrolled, Enrolled::Unchanged { .. }) {
            let mut subjects = Vec::with_capacity(new.addresses.len());
            for address in &new.addresses {
                subjects.push(address_subject(&tx.address_id(address).await?));
            }
            let evidence = match &new.consent {
                Consent::Given { evidence } | Consent::GivenAgain { evidence } | Consent::Asked { evidence } => {
                    evidence
                }
            };
            tx.note_act(Act::SubscriberAdded, &subjects.join(" "), evidence).await?;
        }
        tx.commit().await?;
        Ok(enrolled)
    }

    /// Marks an address as confirmed by its owner; what is in force is queued for it.
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
        let key = tx.address_id(address).await?;
        refuse_suppressed(&mut tx, address, &key).await?;
        let done = sqlx::query(
            "UPDATE addresses SET status = 'confirmed', status_at = $2 WHERE id = $1 AND status <> 'confirmed'",
        )
        .bind(key.as_str())
        .bind(ms(now))
        .execute(tx.conn())
        .await?
        .rows_affected();
        if done == 1 {
            add_consent(&mut tx, &key, ConsentAction::Confirmed, evidence, now).await?;
            if let Some(subscriber) = owner_of(&mut tx, &key).await? {
                tell_joined(&mut tx, &subscriber, now).await?;
            }
        } else if status_of(&mut tx, &key).await?.is_none() {
            return Err(Conflict::UnknownAddress { masked: address.to_string() }.into());
        }
        tx.commit().await
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
    let mut keys = Vec::with_capacity(new.addresses.len());
    for address in &new.addresses {
        keys.push(tx.address_id(address).await?);
    }
    let mut owner: Option<String> = None;
    let mut standing = Vec::new();
    for (address, key) in new.addresses.iter().zip(&keys) {
        if !matches!(new.consent, Consent::GivenAgain { .. }) {
            refuse_suppressed(tx, address, key).await?;
        }
        let row = sqlx::query("SELECT subscriber_id, status FROM addresses WHERE id = $1")
            .bind(key.as_str())
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
    for (zip, said) in &new.heights {
        home_for(tx, zip, *said).await?;
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
            let id = keys.first().map_or_else(String::new, |first| subscriber_id(tx, first, now));
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
        Consent::Given { evidence } => (AddressStatus::Confirmed, ConsentAction::Confirmed, evidence),
        Consent::GivenAgain { evidence } => (AddressStatus::Confirmed, ConsentAction::Resumed, evidence),
        Consent::Asked { evidence } => (AddressStatus::Unconfirmed, ConsentAction::Asked, evidence),
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
                    .bind(key.as_str())
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
    // Before they are told what is in force: that is of the region they live in.
    let mut heights = 0;
    for (zip, said) in &new.heights {
        heights += u64::from(is_news(tx, &subscriber, zip, *said).await?);
        say(tx, &subscriber, zip, *said, now).await?;
    }
    if zips + addresses > 0 {
        tell_joined(tx, &subscriber, now).await?;
    }
    Ok(match (is_new, zips + addresses + heights) {
        (true, _) => Enrolled::Added { subscriber },
        (false, 0) => Enrolled::Unchanged { subscriber },
        (false, _) => Enrolled::Extended { subscriber, zips, addresses, heights },
    })
}

/// Made of the first address and the time, so that a replay makes the same one.
pub(super) fn subscriber_id(tx: &Tx, first: &AddressId, now: DateTime<Utc>) -> String {
    format!("s-{}", &tx.hash().of_text("subscriber", &format!("{first} {}", ms(now)))[..16])
}

/// Whether somebody had not said this of the height of their trees before.
async fn is_news(tx: &mut Tx, subscriber: &str, zip: &Zip, said: Band) -> Result<bool, StoreError> {
    let row = sqlx::query(
        "SELECT height_from_m, height_to_m, height_said_at FROM subscriber_zips WHERE subscriber_id = $1 AND zip = $2",
    )
    .bind(subscriber)
    .bind(zip.as_str())
    .fetch_optional(tx.conn())
    .await?;
    let Some(row) = row else { return Ok(false) };
    Ok(get::<Option<i64>>(&row, "height_said_at")?.is_none() || said_of(&row)? != said)
}
