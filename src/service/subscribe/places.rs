//! Which region has a ZIP code: for the pages and for what is told to those who sign up.

use crate::people::Zip;
use crate::region::{Region, RegionId};
use crate::store::regions::region_of_zip_in;
use crate::store::{Store, StoreError, Tx};

/// A ZIP code that somebody named.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    pub zip: Zip,
    /// The region in use that has it, if one has.
    pub region: Option<Region>,
}

/// These ZIP codes, in their order, each with its region.
///
/// # Errors
/// When the store fails.
pub async fn places<'a>(store: &Store, zips: impl IntoIterator<Item = &'a Zip>) -> Result<Vec<Place>, StoreError> {
    let mut places = Vec::new();
    for zip in zips {
        let region = match store.region_of_zip(zip).await? {
            Some(id) => Some(store.region(&id).await?),
            None => None,
        };
        places.push(Place { zip: zip.clone(), region });
    }
    Ok(places)
}

/// Id and name of the region that has the first covered of these ZIP codes, inside a transaction of the caller.
pub(super) async fn covered(tx: &mut Tx, zips: &[Zip]) -> Result<Option<(RegionId, String)>, StoreError> {
    for zip in zips {
        if let Some(region) = region_of_zip_in(tx, zip).await? {
            return Ok(Some(region));
        }
    }
    Ok(None)
}
