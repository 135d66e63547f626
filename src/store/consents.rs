//! Who agreed to what: the words that were shown, and a record to which rows are only ever added.

use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};

use crate::people::Language;
use crate::store::error::StoreError;
use crate::store::rows::ms;
use crate::store::tx::Tx;

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
