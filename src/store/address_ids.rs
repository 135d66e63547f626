//! Under which key an address is known. Where there is one key there is nothing to ask; where there are older ones, an address
//! that the store knows keeps the id that it has, since nothing that is erased can be hashed anew.

use sqlx::AnyConnection;

use crate::people::{Address, AddressId};
use crate::store::error::StoreError;
use crate::store::rows::get;
use crate::store::tx::{Store, Tx};

impl Tx {
    /// The id of an address: the one it is known by, or of an unknown one that of the current key.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn address_id(&mut self, address: &Address) -> Result<AddressId, StoreError> {
        let (current, older) = (self.hash().of(address), self.hash().older_of(address));
        known_as(self.conn(), current, older).await
    }

    /// As [`Tx::address_id`], of whoever sent a text; `None` when the sender holds neither letter nor digit.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn sender_id(&mut self, sender: &str) -> Result<Option<AddressId>, StoreError> {
        let older = self.hash().older_of_sender(sender);
        match self.hash().of_sender(sender) {
            Some(current) => known_as(self.conn(), current, older).await.map(Some),
            None => Ok(None),
        }
    }
}

impl Store {
    /// As [`Tx::address_id`].
    ///
    /// # Errors
    /// When the store fails.
    pub async fn address_id(&self, address: &Address) -> Result<AddressId, StoreError> {
        let (current, older) = (self.address_hash().of(address), self.address_hash().older_of(address));
        if older.is_empty() {
            return Ok(current);
        }
        known_as(&mut *self.read().await?, current, older).await
    }
}

/// The oldest that is known. All are asked for, so that the time taken does not tell whom the store knows.
async fn known_as(
    connection: &mut AnyConnection,
    current: AddressId,
    older: Vec<AddressId>,
) -> Result<AddressId, StoreError> {
    let mut known = current;
    for id in older {
        let row = sqlx::query(
            "SELECT (SELECT COUNT(*) FROM addresses WHERE id = $1) + (SELECT COUNT(*) FROM suppressions WHERE address_key = $1) \
                  + (SELECT COUNT(*) FROM consents WHERE address_key = $1) + (SELECT COUNT(*) FROM asks WHERE address_key = $1) \
                  + (SELECT COUNT(*) FROM confirmations WHERE address_key = $1) \
                  + (SELECT COUNT(*) FROM letters WHERE address_key = $1) AS n",
        )
        .bind(id.as_str())
        .fetch_one(&mut *connection)
        .await?;
        if get::<i64>(&row, "n")? > 0 {
            known = id;
        }
    }
    Ok(known)
}
