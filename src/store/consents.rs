//! Who agreed to what: the words that were shown, and a record to which rows are only ever added.

use chrono::{DateTime, Utc};
use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::people::{AddressId, Language};
use crate::store::error::StoreError;
use crate::store::rows::{get_instant_if_any, ms};
use crate::store::tx::{Store, Tx};

/// What an owner, or somebody in their name, did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ConsentAction {
    /// Somebody asked for it; the owner has yet to confirm.
    Asked,
    Confirmed,
    Stopped,
    Erased,
    /// Came back after a stop.
    Resumed,
}

impl ConsentAction {
    const ALL: [ConsentAction; 5] = [
        ConsentAction::Asked,
        ConsentAction::Confirmed,
        ConsentAction::Stopped,
        ConsentAction::Erased,
        ConsentAction::Resumed,
    ];

    /// As the store keeps it.
    pub fn as_str(self) -> &'static str {
        match self {
            ConsentAction::Asked => "asked",
            ConsentAction::Confirmed => "confirmed",
            ConsentAction::Stopped => "stopped",
            ConsentAction::Erased => "erased",
            ConsentAction::Resumed => "resumed",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|action| action.as_str() == name)
    }
}

/// What is known beside the evidence: ids and hashes only.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ConsentDetail {
    /// Id of the words that were shown or sent: [`put_words`].
    pub words: Option<String>,
    /// Keyed hash of the network.
    pub ip_hash: Option<String>,
}

pub(super) async fn add_consent(
    tx: &mut Tx,
    key: &AddressId,
    action: ConsentAction,
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
    address_key: &AddressId,
    action: ConsentAction,
    evidence: &str,
    detail: &ConsentDetail,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    sqlx::query(
        "INSERT INTO consents (id, address_key, at, action, evidence, words, ip_hash) VALUES ($1, $2, $3, $4, $5, $6, $7)
         ON CONFLICT (id) DO NOTHING",
    )
    .bind(consent_id(address_key, action, evidence, now))
    .bind(address_key.as_str())
    .bind(ms(now))
    .bind(action.as_str())
    .bind(evidence)
    .bind(detail.words.as_deref())
    .bind(detail.ip_hash.as_deref())
    .execute(tx.conn())
    .await?;
    Ok(())
}

/// The id of a row, by what it says.
pub(super) fn consent_id(address_key: &AddressId, action: ConsentAction, evidence: &str, now: DateTime<Utc>) -> String {
    let digest = Sha256::digest(format!("{address_key}\n{}\n{}\n{evidence}", ms(now), action.as_str()));
    hex::encode(&digest[..16])
}

/// Keeps words that people agree to; gives their id.
///
/// # Errors
/// When the store fails.
pub async fn put_words(tx: &mut Tx, language: Language, words: &str) -> Result<String, StoreError> {
    let id = hex::encode(&Sha256::digest(format!("{}\n{words}", language.code()))[..8]);
    sqlx::query("INSERT INTO consent_words (id, language, words) VALUES ($1, $2, $3) ON CONFLICT (id) DO NOTHING")
        .bind(&id)
        .bind(language.code())
        .bind(words)
        .execute(tx.conn())
        .await?;
    Ok(id)
}

impl Store {
    /// When what was known of the owner of an address was last erased; `None` when it never was.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn last_erased_at(&self, address_key: &AddressId) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query("SELECT MAX(at) AS at FROM consents WHERE address_key = $1 AND action = $2")
            .bind(address_key.as_str())
            .bind(ConsentAction::Erased.as_str())
            .fetch_one(&mut *self.read().await?)
            .await?;
        get_instant_if_any(&row, "at")
    }
}
