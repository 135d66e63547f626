//! The keys by which addresses are known after they were erased, and by which links are sealed: given from outside, or, in a
//! store that has none, lying in the store itself, where a copy of the store holds them as well.

use sqlx::{AnyPool, Row};

use crate::people::{AddressHash, GivenKeys, Key};
use crate::randomness::Randomness;
use crate::store::acts::Act;
use crate::store::error::StoreError;
use crate::store::rows::get;
use crate::store::tx::{Engine, Store};

const INSIDE: &str = "SELECT value FROM secrets WHERE name = 'address-hash'";

/// A key that this store has been used with.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct KnownKey {
    /// `address` or `link`.
    pub purpose: String,
    pub number: u32,
    pub fingerprint: String,
    /// It lay in the store once.
    pub lay_inside: bool,
}

/// The keys of a store, and whether they lie in it. A new store that is given none makes one.
pub(super) async fn load_keys(
    pool: &AnyPool,
    engine: Engine,
    given: Option<&GivenKeys>,
    randomness: &Randomness,
) -> Result<(AddressHash, bool), StoreError> {
    let inside = sqlx::query(INSIDE).fetch_optional(pool).await?;
    let inside = inside.map(|row| key_of(row.try_get("value")?)).transpose()?;
    match (given, inside) {
        (None, Some(key)) => Ok((of_inside(&key)?, true)),
        (None, None) => {
            if let Some(known) = known_keys(pool).await?.first() {
                return Err(fault(format!(
                    "they do not lie in it: name them in keys.addresses and keys.links (the one that is missed first: {} key {}, \
                     fingerprint {})",
                    known.purpose, known.number, known.fingerprint
                )));
            }
            Ok((of_inside(&make_inside(pool, engine, randomness).await?)?, true))
        }
        (Some(_), Some(_)) => Err(fault(
            "its key lies in it, and the settings name others: run `treebell key move --to FILE` with keys.addresses and keys.links \
             left out, then put FILE last in keys.addresses"
                .into(),
        )),
        (Some(given), None) => Ok((of_given(pool, engine, given).await?, false)),
    }
}

fn fault(what: String) -> StoreError {
    StoreError::Keys { what }
}

fn key_of(text: String) -> Result<Key, StoreError> {
    Key::parse(&text).map_err(|why| StoreError::corrupt(format!("secrets.value: {why}")))
}

fn of_inside(key: &Key) -> Result<AddressHash, StoreError> {
    AddressHash::with_keys(&[(1, key.clone())], std::slice::from_ref(key))
        .ok_or_else(|| fault("one is wanted of each kind".into()))
}

async fn make_inside(pool: &AnyPool, engine: Engine, randomness: &Randomness) -> Result<Key, StoreError> {
    let mut tx = match engine {
        Engine::Sqlite => pool.begin_with("BEGIN IMMEDIATE").await?,
        Engine::Postgres => pool.begin().await?,
    };
    // Of two processes that open a new store together, one makes the key and both use it.
    sqlx::query("INSERT INTO secrets (name, value) VALUES ('address-hash', $1) ON CONFLICT (name) DO NOTHING")
        .bind(Key::draw(randomness).expose())
        .execute(&mut *tx)
        .await?;
    tx.commit().await?;
    key_of(sqlx::query(INSIDE).fetch_one(pool).await?.try_get("value")?)
}

async fn known_keys(pool: &AnyPool) -> Result<Vec<KnownKey>, StoreError> {
    let rows = sqlx::query("SELECT * FROM hash_keys ORDER BY purpose, number").fetch_all(pool).await?;
    rows.iter()
        .map(|row| {
            let number: i64 = get(row, "number")?;
            Ok(KnownKey {
                purpose: get(row, "purpose")?,
                number: u32::try_from(number).map_err(|_| StoreError::corrupt(format!("hash_keys.number {number}")))?,
                fingerprint: get(row, "fingerprint")?,
                lay_inside: get::<i64>(row, "lay_inside")? != 0,
            })
        })
        .collect()
}

/// Every key that the store has been used with must be there; those that are new come into use.
async fn of_given(pool: &AnyPool, engine: Engine, given: &GivenKeys) -> Result<AddressHash, StoreError> {
    let mut known = known_keys(pool).await?;
    let kinds = [("address", "keys.addresses", &given.addresses), ("link", "keys.links", &given.links)];
    for (purpose, setting, keys) in kinds {
        if keys.is_empty() {
            return Err(fault(format!("{setting} names none")));
        }
        let is_named = |lost: &KnownKey| keys.iter().any(|key| key.fingerprint() == lost.fingerprint);
        if let Some(lost) = known.iter().find(|key| key.purpose == purpose && !is_named(key)) {
            let then = match purpose {
                "address" => "addresses that said stop would not be known again",
                _ => "stop links in messages that were sent would not work",
            };
            return Err(fault(format!(
                "key {} of {setting} (fingerprint {}) is not among those named, and without it {then}: name it after the \
                 current one",
                lost.number, lost.fingerprint
            )));
        }
    }
    let is_new = |known: &[KnownKey], purpose: &str, key: &Key| {
        !known.iter().any(|of| of.purpose == purpose && of.fingerprint == key.fingerprint())
    };
    if kinds.iter().any(|(purpose, _, keys)| keys.iter().any(|key| is_new(&known, purpose, key))) {
        let mut tx = match engine {
            Engine::Sqlite => pool.begin_with("BEGIN IMMEDIATE").await?,
            Engine::Postgres => pool.begin().await?,
        };
        if engine == Engine::Postgres {
            // Two processes that are started together must not both give the same number.
            sqlx::query("LOCK TABLE hash_keys IN EXCLUSIVE MODE").execute(&mut *tx).await?;
        }
        // The oldest is named last and came into use first.
        for (purpose, _, keys) in kinds {
            for key in keys.iter().rev() {
                sqlx::query(
                    "INSERT INTO hash_keys (purpose, number, fingerprint, lay_inside) \
                     SELECT $1, COALESCE(MAX(number), 0) + 1, $2, 0 FROM hash_keys WHERE purpose = $1 \
                     ON CONFLICT (purpose, fingerprint) DO NOTHING",
                )
                .bind(purpose)
                .bind(key.fingerprint())
                .execute(&mut *tx)
                .await?;
            }
        }
        tx.commit().await?;
        known = known_keys(pool).await?;
    }
    let known_as = |key: &Key| known.iter().find(|of| of.purpose == "address" && of.fingerprint == key.fingerprint());
    let addresses: Vec<(u32, Key)> =
        given.addresses.iter().filter_map(|key| Some((known_as(key)?.number, key.clone()))).collect();
    // A key that lay in the store made the links of that time, which stop for ever.
    let lay_inside = given.addresses.iter().filter(|key| known_as(key).is_some_and(|of| of.lay_inside));
    let links: Vec<Key> = given.links.iter().chain(lay_inside).cloned().collect();
    AddressHash::with_keys(&addresses, &links).ok_or_else(|| fault("one is wanted of each kind".into()))
}

impl Store {
    /// The keys that this store has been used with; none of a store whose key lies in it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn known_keys(&self) -> Result<Vec<KnownKey>, StoreError> {
        known_keys(&self.inner.reader).await
    }

    /// The key that lies in the store.
    ///
    /// # Errors
    /// When the store fails, or none lies in it.
    pub async fn inside_key(&self) -> Result<Key, StoreError> {
        match sqlx::query(INSIDE).fetch_optional(&mut *self.read().await?).await? {
            Some(row) => key_of(row.try_get("value")?),
            None => Err(fault("none lies in it: it was moved out before, or was never inside".into())),
        }
    }

    /// Takes the key out of the store and notes by its fingerprint that it is needed, in one transaction. What processes that
    /// run have in hand stays good, since the key stays the same.
    ///
    /// # Errors
    /// When the store fails; then the key lies in it still.
    pub async fn take_key_out(&self, key: &Key) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO hash_keys (purpose, number, fingerprint, lay_inside) VALUES ('address', 1, $1, 1) \
             ON CONFLICT (purpose, fingerprint) DO NOTHING",
        )
        .bind(key.fingerprint())
        .execute(tx.conn())
        .await?;
        let done = sqlx::query("DELETE FROM secrets WHERE name = 'address-hash' AND value = $1")
            .bind(key.expose())
            .execute(tx.conn())
            .await?;
        if done.rows_affected() != 1 {
            return Err(fault("another process moved the key meanwhile".into()));
        }
        let detail = format!("out of the store; fingerprint {}", key.fingerprint());
        tx.note_act(Act::KeyMoved, "key/address/1", &detail).await?;
        tx.commit().await?;
        // What was deleted may stand in the files still.
        match self.engine() {
            Engine::Sqlite => {
                self.rewrite_file().await?;
            }
            Engine::Postgres => {
                if let Err(why) = sqlx::raw_sql("VACUUM FULL secrets").execute(&self.inner.writer).await {
                    tracing::warn!(error = %why, "the table of the key could not be vacuumed: run VACUUM FULL secrets");
                }
            }
        }
        Ok(())
    }

    /// Whether the key lies in the store, beside what it protects.
    pub fn key_lies_inside(&self) -> bool {
        self.inner.key_lies_inside
    }
}
