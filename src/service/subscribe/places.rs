//! Which regions have a ZIP code: for the pages and for what is told to those who sign up.

use crate::people::{Address, Zip};
use crate::region::{HeightChoice, Region, RegionId};
use crate::store::bands::home_of_address;
use crate::store::regions::region_of_zip_in;
use crate::store::{Store, StoreError, Tx};

/// A ZIP code that somebody named.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    pub zip: Zip,
    /// The region in use that has it, if one has; of several, that of the lowest heights.
    pub region: Option<Region>,
    /// Where it has several: what there is to choose from by height, from the lowest up.
    pub choices: Vec<HeightChoice>,
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
        let choices = store.height_choices(zip).await?;
        places.push(Place { zip: zip.clone(), region, choices });
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

/// As [`covered`], the region in which the owner of an address lives there.
pub(super) async fn home(
    tx: &mut Tx,
    address: &Address,
    zips: &[Zip],
) -> Result<Option<(RegionId, String)>, StoreError> {
    let key = tx.address_id(address).await?;
    for zip in zips {
        if let Some(region) = home_of_address(tx, &key, zip).await? {
            return Ok(Some(region));
        }
    }
    Ok(None)
}
