//! Bands of heights: the regions that one ZIP code has from its foot up, and who lives in which while staff part them anew.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use serde::Serialize;
use sqlx::AnyConnection;
use sqlx::any::AnyRow;

use crate::people::AddressId;
use crate::region::{Band, HeightChoice, Region, RegionId, Zip};
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant_if_any, zip_of};
use crate::store::tx::{Store, Tx};

impl Store {
    /// The regions of a ZIP code that has several, from the lowest up; empty where the height makes no difference.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn height_choices(&self, zip: &Zip) -> Result<Vec<HeightChoice>, StoreError> {
        choices_in(&mut *self.read().await?, zip).await
    }

    /// ZIP codes that have several regions.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn parted_zips(&self) -> Result<BTreeSet<Zip>, StoreError> {
        let rows = sqlx::query("SELECT zip FROM region_zips GROUP BY zip HAVING COUNT(*) > 1")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(zip_of).collect()
    }

    /// The region in which the owner of an address lives at a ZIP code.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn home_region(&self, address: &AddressId, zip: &Zip) -> Result<Option<RegionId>, StoreError> {
        Ok(home_in(&mut *self.read().await?, address, zip).await?.map(|(id, _)| id))
    }

    /// How many subscribers of each region live in it without having said so: their ZIP code has several regions, and they
    /// have not told how high their trees stand. A region with none is missing.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn unanswered_heights(&self) -> Result<BTreeMap<RegionId, u64>, StoreError> {
        let rows = sqlx::query(
            "SELECT v.region_id, COUNT(DISTINCT s.id) AS n FROM subscriber_regions v
             JOIN subscribers s ON s.id = v.subscriber_id
             WHERE s.removed_at IS NULL AND v.height_said_at IS NULL
               AND EXISTS (SELECT 1 FROM region_zips o WHERE o.zip = v.zip AND o.region_id <> v.region_id)
             GROUP BY v.region_id",
        )
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| Ok((get(row, "region_id").map(RegionId)?, get::<i64>(row, "n")?.unsigned_abs())))
            .collect()
    }
}

/// As [`Store::height_choices`], inside a transaction of the caller.
///
/// # Errors
/// When the store fails.
pub async fn choices(tx: &mut Tx, zip: &Zip) -> Result<Vec<HeightChoice>, StoreError> {
    choices_in(tx.conn(), zip).await
}

async fn choices_in(connection: &mut AnyConnection, zip: &Zip) -> Result<Vec<HeightChoice>, StoreError> {
    let rows = sqlx::query(
        "SELECT g.id, g.name, g.band_from_m, g.band_to_m, g.landmarks FROM region_zips r
         JOIN regions g ON g.id = r.region_id WHERE r.zip = $1 ORDER BY r.floor_m, g.id",
    )
    .bind(zip.as_str())
    .fetch_all(connection)
    .await?;
    if rows.len() < 2 {
        return Ok(Vec::new());
    }
    rows.iter()
        .map(|row| {
            let region = RegionId(get(row, "id")?);
            // Two regions of a ZIP code without a band would meet: the store never keeps such.
            let band = band_of(row)?.ok_or_else(|| StoreError::corrupt(format!("region `{region}` has no band")))?;
            Ok(HeightChoice { region, name: get(row, "name")?, band, landmarks: landmarks_of(row)? })
        })
        .collect()
}

/// Id and name of the region in which the owner of an address lives at a ZIP code.
///
/// # Errors
/// When the store fails.
pub async fn home_of_address(
    tx: &mut Tx,
    address: &AddressId,
    zip: &Zip,
) -> Result<Option<(RegionId, String)>, StoreError> {
    home_in(tx.conn(), address, zip).await
}

async fn home_in(
    connection: &mut AnyConnection,
    address: &AddressId,
    zip: &Zip,
) -> Result<Option<(RegionId, String)>, StoreError> {
    let row = sqlx::query(
        "SELECT g.id, g.name FROM subscriber_regions v JOIN addresses a ON a.subscriber_id = v.subscriber_id
         JOIN regions g ON g.id = v.region_id WHERE a.id = $1 AND v.zip = $2",
    )
    .bind(address.as_str())
    .bind(zip.as_str())
    .fetch_optional(connection)
    .await?;
    row.as_ref().map(|row| Ok((RegionId(get(row, "id")?), get(row, "name")?))).transpose()
}

/// The ZIP codes of which a change of a region alters who may live where.
pub(super) fn parted_by(before: Option<&Region>, after: Option<&Region>) -> BTreeSet<Zip> {
    let zips = |region: Option<&Region>| -> BTreeSet<Zip> {
        region.into_iter().flat_map(|region| region.zips.iter().cloned()).collect()
    };
    let (old, new) = (zips(before), zips(after));
    if before.and_then(|region| region.band) == after.and_then(|region| region.band) {
        old.symmetric_difference(&new).cloned().collect()
    } else {
        old.union(&new).cloned().collect()
    }
}

/// Writes down where everybody of these ZIP codes lives, so that they stay there while the regions around them change.
pub(super) async fn pin(tx: &mut Tx, zips: &BTreeSet<Zip>) -> Result<(), StoreError> {
    for zip in zips {
        sqlx::query(
            "UPDATE subscriber_zips SET region_id = (
                 SELECT v.region_id FROM subscriber_regions v
                 WHERE v.subscriber_id = subscriber_zips.subscriber_id AND v.zip = subscriber_zips.zip)
             WHERE zip = $1",
        )
        .bind(zip.as_str())
        .execute(tx.conn())
        .await?;
    }
    Ok(())
}

/// Gives everybody who said how high their trees stand the region of that height. Whose word does not tell which of the new
/// bands it is counts as not asked: they stay where they are until they answer.
pub(super) async fn settle(tx: &mut Tx, zips: &BTreeSet<Zip>) -> Result<(), StoreError> {
    for zip in zips {
        let choices = choices(tx, zip).await?;
        if choices.is_empty() {
            continue;
        }
        let rows = sqlx::query(
            "SELECT DISTINCT height_from_m, height_to_m FROM subscriber_zips
             WHERE zip = $1 AND height_said_at IS NOT NULL",
        )
        .bind(zip.as_str())
        .fetch_all(tx.conn())
        .await?;
        for row in &rows {
            let said = said_of(row)?;
            let home = choices.iter().find(|choice| choice.band.encloses(&said));
            let text = match home {
                Some(_) => "UPDATE subscriber_zips SET region_id = $4",
                None => "UPDATE subscriber_zips SET height_said_at = NULL, height_from_m = NULL, height_to_m = NULL",
            };
            let same = "height_said_at IS NOT NULL AND COALESCE(height_from_m, -1000000) = $2 \
                        AND COALESCE(height_to_m, -1000000) = $3";
            let update = sqlx::query(sqlx::AssertSqlSafe(format!("{text} WHERE zip = $1 AND {same}")))
                .bind(zip.as_str())
                .bind(said.from_m.unwrap_or(OPEN_M))
                .bind(said.to_m.unwrap_or(OPEN_M));
            let update = match home {
                Some(home) => update.bind(home.region.as_str()),
                None => update,
            };
            update.execute(tx.conn()).await?;
        }
    }
    Ok(())
}

/// Far below all land: stands for an open end where ends are compared, sorted or bound, also in `region_zips.floor_m`. The driver
/// tells PostgreSQL that a number that is not there is a REAL, and later refuses the DOUBLE of the same statement.
pub(super) const OPEN_M: f64 = -1_000_000.0;

/// Of a row that has `band_from_m` and `band_to_m`.
pub(super) fn band_of(row: &AnyRow) -> Result<Option<Band>, StoreError> {
    let band = Band { from_m: get(row, "band_from_m")?, to_m: get(row, "band_to_m")? };
    Ok((band.from_m.is_some() || band.to_m.is_some()).then_some(band))
}

/// Of a row that has `landmarks`.
pub(super) fn landmarks_of(row: &AnyRow) -> Result<Vec<String>, StoreError> {
    serde_json::from_str(get(row, "landmarks")?).map_err(|why| StoreError::corrupt(format!("regions.landmarks: {why}")))
}

/// Where people's trees stand, by ZIP code, with what they said of their height.
pub(super) const HOMES: &str = "SELECT z.subscriber_id, z.zip, z.height_from_m, z.height_to_m, z.height_said_at, \
     (SELECT v.region_id FROM subscriber_regions v WHERE v.subscriber_id = z.subscriber_id AND v.zip = z.zip) AS region_id \
     FROM subscriber_zips z";

/// A place of a person.
#[derive(Clone, Debug, PartialEq)]
pub struct Home {
    pub zip: Zip,
    /// The region they are told of; `None`: no region has their ZIP code.
    pub region: Option<RegionId>,
    /// What they said of the height of their trees there, and when.
    pub said: Option<SaidHeight>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SaidHeight {
    #[serde(flatten)]
    pub height: Band,
    pub at: DateTime<Utc>,
}

/// Of a row of [`HOMES`].
pub(super) fn home_of(row: &AnyRow) -> Result<Home, StoreError> {
    let said = match get_instant_if_any(row, "height_said_at")? {
        Some(at) => Some(SaidHeight { height: said_of(row)?, at }),
        None => None,
    };
    Ok(Home { zip: zip_of(row)?, region: get::<Option<String>>(row, "region_id")?.map(RegionId), said })
}

/// Of a row that has `height_from_m` and `height_to_m`.
pub(super) fn said_of(row: &AnyRow) -> Result<Band, StoreError> {
    Ok(Band { from_m: get(row, "height_from_m")?, to_m: get(row, "height_to_m")? })
}
