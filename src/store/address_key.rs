//! The store's own key, by which an address is known after it was erased.

use sqlx::{AnyPool, Row};

use crate::people::AddressHash;
use crate::randomness::Randomness;
use crate::store::error::StoreError;
use crate::store::tx::Engine;

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
