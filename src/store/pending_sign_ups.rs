//! Pending sign-ups: requests that wait for their owner's confirmation, and the count of requests that keeps them few.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::any::AnyRow;

use crate::people::limits::{Refusal, RequestCounts, RequestedBy, SHARE_OF, TRIES};
use crate::people::{Address, AddressId, Channel, Language};
use crate::region::{Band, Zip};
use crate::store::error::StoreError;
use crate::store::rows::{channel_of, get, get_instant, get_instant_if_any, language_of, ms};
use crate::store::tx::{Engine, Store, Tx};

/// A sign-up request to be kept until it is confirmed.
#[derive(Clone, Debug)]
pub struct NewPendingSignUp {
    pub address: Address,
    pub language: Language,
    pub zips: Vec<Zip>,
    /// How high the trees stand, where that was asked and said.
    pub heights: Vec<(Zip, Band)>,
    /// Id of the words that were shown or sent: [`put_words`](crate::store::consents::put_words).
    pub words: String,
    pub evidence: String,
    /// Keyed hash of the network that asked.
    pub ip_hash: Option<String>,
    /// Six digits, for a text message.
    pub code: Option<String>,
    /// At least 128 bits, for a link.
    pub token: Option<String>,
    /// Last instant at which code or token is taken.
    pub proof_until: DateTime<Utc>,
}

/// A pending sign-up as it is kept. The address prints as a mask.
#[derive(Clone, Debug)]
pub struct PendingSignUp {
    pub id: String,
    pub address_key: AddressId,
    pub state: SignUpState,
    pub language: Language,
    pub zips: Vec<Zip>,
    pub heights: Vec<(Zip, Band)>,
    pub words: String,
    pub evidence: String,
    pub ip_hash: Option<String>,
    /// Asked by a text from the phone: there is neither code nor link, only that phone can confirm it.
    pub by_phone: bool,
    pub asked_at: DateTime<Utc>,
    pub proof_until: DateTime<Utc>,
    pub tries: i64,
}

/// Whether a pending sign-up still waits for its owner. Its address is forgotten with its end.
#[derive(Clone, Debug, PartialEq)]
pub enum SignUpState {
    Open { address: Address },
    Ended { at: DateTime<Utc>, outcome: Outcome },
}

impl PendingSignUp {
    pub fn is_open(&self) -> bool {
        matches!(self.state, SignUpState::Open { .. })
    }
}

/// How a pending sign-up ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    Confirmed,
    /// A newer one of the same address took its place.
    Replaced,
    Stopped,
    Expired,
}

impl Outcome {
    const ALL: [Outcome; 4] = [Outcome::Confirmed, Outcome::Replaced, Outcome::Stopped, Outcome::Expired];

    fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|outcome| outcome.name() == name)
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Outcome::Confirmed => "confirmed",
            Outcome::Replaced => "replaced",
            Outcome::Stopped => "stopped",
            Outcome::Expired => "expired",
        }
    }
}

/// What typing a code came to.
#[derive(Clone, Debug)]
pub enum Typed {
    Right(Box<PendingSignUp>),
    Wrong {
        tries_left: i64,
    },
    /// Nothing is open for this address, or its code is too old or was tried too often.
    Closed,
}

/// So long a pending sign-up waits for its owner.
pub const KEPT: TimeDelta = TimeDelta::days(7);

/// Holds back everybody else who counts requests until the end of the transaction: two that count at the same time
/// would both see room for the last one.
///
/// # Errors
/// When the store fails.
pub async fn lock_counts(tx: &mut Tx) -> Result<(), StoreError> {
    if tx.engine() == Engine::Postgres {
        sqlx::query("SELECT pg_advisory_xact_lock($1)").bind(0x7472_6565_0003_i64).execute(tx.conn()).await?;
    }
    Ok(())
}

/// What was asked for before `now`.
///
/// # Errors
/// When the store fails.
pub async fn counts(
    tx: &mut Tx,
    address_key: &AddressId,
    ip_hash: Option<&str>,
    now: DateTime<Utc>,
) -> Result<RequestCounts, StoreError> {
    let (hour, day, month) = (now - TimeDelta::hours(1), now - TimeDelta::days(1), now - TimeDelta::days(30));
    let row = sqlx::query(
        "SELECT (SELECT COUNT(*) FROM asks WHERE address_key = $1 AND at > $4 AND held IS NULL) AS address_day, \
                (SELECT COUNT(*) FROM asks WHERE address_key = $1 AND at > $5 AND held IS NULL) AS address_month, \
                (SELECT COUNT(*) FROM asks WHERE ip_hash = $2 AND at > $3) AS network_hour, \
                (SELECT COUNT(*) FROM asks WHERE by_phone = 0 AND at > $3) AS forms_hour, \
                (SELECT COUNT(*) FROM asks WHERE channel = 'sms' AND at > $4 AND held IS NULL) AS texts_day, \
                (SELECT COUNT(*) FROM asks WHERE ip_hash = $2 AND channel = 'sms' AND at > $4 AND held IS NULL) \
                    AS network_texts_day, \
                (SELECT COUNT(*) FROM (SELECT id FROM asks WHERE channel = 'sms' AND by_phone = 0 AND at > $4 \
                     AND held IS NULL ORDER BY at DESC LIMIT $6) AS n) AS form_texts, \
                (SELECT COUNT(*) FROM (SELECT a.id, a.address_key, a.at FROM asks a WHERE a.channel = 'sms' \
                     AND a.by_phone = 0 AND a.at > $4 AND a.held IS NULL ORDER BY a.at DESC LIMIT $6) AS n \
                 WHERE EXISTS (SELECT 1 FROM confirmations c WHERE c.address_key = n.address_key \
                     AND c.outcome = 'confirmed' AND c.ended_at >= n.at)) AS form_texts_confirmed",
    )
    .bind(address_key.as_str())
    .bind(ip_hash.unwrap_or(""))
    .bind(ms(hour))
    .bind(ms(day))
    .bind(ms(month))
    .bind(i64::try_from(SHARE_OF).unwrap_or(i64::MAX))
    .fetch_one(tx.conn())
    .await?;
    let count = |column| get::<i64>(&row, column).map(i64::unsigned_abs);
    Ok(RequestCounts {
        address_day: count("address_day")?,
        address_month: count("address_month")?,
        network_hour: count("network_hour")?,
        forms_hour: count("forms_hour")?,
        texts_day: count("texts_day")?,
        network_texts_day: count("network_texts_day")?,
        form_texts: count("form_texts")?,
        form_texts_confirmed: count("form_texts_confirmed")?,
    })
}

/// Writes down that somebody asked.
///
/// # Errors
/// When the store fails.
pub async fn note_ask(
    tx: &mut Tx,
    by: RequestedBy,
    channel: Channel,
    address_key: &AddressId,
    ip_hash: Option<&str>,
    held: Option<Refusal>,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let id = tx.randomness().hex::<16>();
    sqlx::query(
        "INSERT INTO asks (id, at, by_phone, channel, address_key, ip_hash, held) VALUES ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(id)
    .bind(ms(now))
    .bind(i64::from(by == RequestedBy::Phone))
    .bind(channel.name())
    .bind(address_key.as_str())
    .bind(ip_hash)
    .bind(held.map(Refusal::name))
    .execute(tx.conn())
    .await?;
    Ok(())
}

/// Keeps a sign-up request; it takes the place of one that is open for the same address. Gives its id.
///
/// # Errors
/// When the store fails.
pub async fn put(tx: &mut Tx, new: &NewPendingSignUp, now: DateTime<Utc>) -> Result<String, StoreError> {
    let key = tx.address_id(&new.address).await?;
    end_open(tx, &key, Outcome::Replaced, now).await?;
    let id = tx.randomness().hex::<16>();
    let zips = serde_json::to_string(&new.zips).map_err(|why| StoreError::corrupt(format!("ZIP codes: {why}")))?;
    let heights: BTreeMap<&Zip, &Band> = new.heights.iter().map(|(zip, band)| (zip, band)).collect();
    let heights = serde_json::to_string(&heights).map_err(|why| StoreError::corrupt(format!("heights: {why}")))?;
    let code_hash = new.code.as_ref().map(|code| code_hash(tx, &key, code));
    let token_hash = new.token.as_ref().map(|token| token_hash(tx, token));
    sqlx::query(
        "INSERT INTO confirmations (id, address_key, channel, address, language, zips, words, evidence, ip_hash, asked_at, \
                                    code_hash, token_hash, proof_until, heights, tries) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, 0)",
    )
    .bind(&id)
    .bind(key.as_str())
    .bind(new.address.channel().name())
    .bind(new.address.expose())
    .bind(new.language.code())
    .bind(zips)
    .bind(&new.words)
    .bind(&new.evidence)
    .bind(new.ip_hash.as_deref())
    .bind(ms(now))
    .bind(code_hash)
    .bind(token_hash)
    .bind(ms(new.proof_until))
    .bind(heights)
    .execute(tx.conn())
    .await?;
    Ok(id)
}

/// The pending sign-up of an address, if it is not too old.
///
/// # Errors
/// When the store fails.
pub async fn open_of(
    tx: &mut Tx,
    address_key: &AddressId,
    now: DateTime<Utc>,
) -> Result<Option<PendingSignUp>, StoreError> {
    let find = format!(
        "SELECT * FROM confirmations WHERE address_key = $1 AND ended_at IS NULL AND asked_at > $2 \
         ORDER BY asked_at DESC, id LIMIT 1 {}",
        tx.engine().for_update()
    );
    let row = sqlx::query(sqlx::AssertSqlSafe(find))
        .bind(address_key.as_str())
        .bind(ms(now - KEPT))
        .fetch_optional(tx.conn())
        .await?;
    row.as_ref().map(confirmation_of).transpose()
}

/// The sign-up request that a link's token belongs to, whether or not it is still open; the caller looks at its end and
/// its age.
///
/// # Errors
/// When the store fails.
pub async fn of_token(tx: &mut Tx, token: &str) -> Result<Option<PendingSignUp>, StoreError> {
    let find = format!("SELECT * FROM confirmations WHERE token_hash = $1 {}", tx.engine().for_update());
    // Under whichever key it was made.
    for hash in tx.hash().all_of_text(LINK, token) {
        let row = sqlx::query(sqlx::AssertSqlSafe(find.clone())).bind(hash).fetch_optional(tx.conn()).await?;
        if let Some(row) = row {
            return confirmation_of(&row).map(Some);
        }
    }
    Ok(None)
}

/// Holds a typed code against the pending sign-up of an address. A wrong one is counted; after five the code is
/// worthless, and only the phone itself or a newer code can confirm.
///
/// # Errors
/// When the store fails.
pub async fn type_code(
    tx: &mut Tx,
    address_key: &AddressId,
    code: &str,
    now: DateTime<Utc>,
) -> Result<Typed, StoreError> {
    let Some(wish) = open_of(tx, address_key, now).await? else { return Ok(Typed::Closed) };
    if wish.tries >= TRIES || wish.proof_until < now {
        return Ok(Typed::Closed);
    }
    let given = code_hash(tx, address_key, code);
    // Counted in one statement, so that guesses side by side cannot share a try.
    let right = sqlx::query("SELECT id FROM confirmations WHERE id = $1 AND code_hash = $2")
        .bind(&wish.id)
        .bind(given)
        .fetch_optional(tx.conn())
        .await?;
    if right.is_some() {
        return Ok(Typed::Right(Box::new(wish)));
    }
    sqlx::query("UPDATE confirmations SET tries = tries + 1 WHERE id = $1").bind(&wish.id).execute(tx.conn()).await?;
    Ok(Typed::Wrong { tries_left: TRIES - wish.tries - 1 })
}

/// Ends a pending sign-up and forgets its address; its places stay for a while where it was confirmed, since whoever follows
/// the link again is shown them.
///
/// # Errors
/// When the store fails.
pub async fn end(tx: &mut Tx, id: &str, outcome: Outcome, now: DateTime<Utc>) -> Result<(), StoreError> {
    sqlx::query(
        "UPDATE confirmations SET ended_at = $2, outcome = $3, address = '', heights = '{}', \
             zips = CASE WHEN $3 = 'confirmed' THEN zips ELSE '[]' END WHERE id = $1 AND ended_at IS NULL",
    )
    .bind(id)
    .bind(ms(now))
    .bind(outcome.name())
    .execute(tx.conn())
    .await?;
    Ok(())
}

/// Ends what is open for an address.
///
/// # Errors
/// When the store fails.
pub async fn end_open(
    tx: &mut Tx,
    address_key: &AddressId,
    outcome: Outcome,
    now: DateTime<Utc>,
) -> Result<u64, StoreError> {
    let done = sqlx::query(
        "UPDATE confirmations SET ended_at = $2, outcome = $3, address = '', zips = '[]', heights = '{}' \
         WHERE address_key = $1 AND ended_at IS NULL",
    )
    .bind(address_key.as_str())
    .bind(ms(now))
    .bind(outcome.name())
    .execute(tx.conn())
    .await?;
    Ok(done.rows_affected())
}

impl Store {
    /// Ends pending sign-ups that nobody confirmed since an instant. Gives how many.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn end_old_sign_ups(&self, asked_before: DateTime<Utc>, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        let done = sqlx::query(
            "UPDATE confirmations SET ended_at = $2, outcome = $3, address = '', zips = '[]', heights = '{}' \
             WHERE ended_at IS NULL AND asked_at <= $1",
        )
        .bind(ms(asked_before))
        .bind(ms(now))
        .bind(Outcome::Expired.name())
        .execute(tx.conn())
        .await?;
        tx.commit().await?;
        Ok(done.rows_affected())
    }
}

const LINK: &str = "confirmation link";

fn code_hash(tx: &Tx, address_key: &AddressId, code: &str) -> String {
    tx.hash().of_text("confirmation code", &format!("{address_key} {code}"))
}

fn token_hash(tx: &Tx, token: &str) -> String {
    tx.hash().of_text(LINK, token)
}

fn confirmation_of(row: &AnyRow) -> Result<PendingSignUp, StoreError> {
    Ok(PendingSignUp {
        id: get(row, "id")?,
        address_key: AddressId(get(row, "address_key")?),
        state: state_of(row)?,
        language: language_of(row)?,
        zips: serde_json::from_str(get(row, "zips")?)
            .map_err(|why| StoreError::corrupt(format!("confirmations.zips: {why}")))?,
        heights: serde_json::from_str::<BTreeMap<Zip, Band>>(get(row, "heights")?)
            .map_err(|why| StoreError::corrupt(format!("confirmations.heights: {why}")))?
            .into_iter()
            .collect(),
        words: get(row, "words")?,
        evidence: get(row, "evidence")?,
        ip_hash: get(row, "ip_hash")?,
        by_phone: get::<Option<String>>(row, "code_hash")?.is_none()
            && get::<Option<String>>(row, "token_hash")?.is_none(),
        asked_at: get_instant(row, "asked_at")?,
        proof_until: get_instant(row, "proof_until")?,
        tries: get(row, "tries")?,
    })
}

fn state_of(row: &AnyRow) -> Result<SignUpState, StoreError> {
    let Some(at) = get_instant_if_any(row, "ended_at")? else {
        return Ok(SignUpState::Open { address: Address::from_stored(channel_of(row)?, get(row, "address")?) });
    };
    let name: &str = get(row, "outcome")?;
    let outcome = Outcome::parse(name).ok_or_else(|| StoreError::corrupt(format!("confirmations.outcome `{name}`")))?;
    Ok(SignUpState::Ended { at, outcome })
}
