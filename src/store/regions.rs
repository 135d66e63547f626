//! Regions, their ZIP codes and their stations.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use sqlx::AnyConnection;
use sqlx::any::AnyRow;

use crate::geo::Point;
use crate::region::{Band, MOST_BANDS, OwnerReports, Region, RegionId, Release, Zip};
use crate::store::acts::Act;
use crate::store::audit::changes;
use crate::store::bands::{OPEN_M, band_of, landmarks_of, parted_by, pin, settle};
use crate::store::error::{Conflict, StoreError, TakenZip};
use crate::store::rows::{get, get_instant, get_zone, ms, zip_of};
use crate::store::stations::{add_missing_stations, in_use_station};
use crate::store::tx::{Store, Tx};
use crate::text::near_name;
use crate::weather::{Station, StationId};

/// Id and name of the region that has a ZIP code.
///
/// # Errors
/// When the store fails.
pub async fn region_of_zip_in(tx: &mut Tx, zip: &Zip) -> Result<Option<(RegionId, String)>, StoreError> {
    region_with(tx.conn(), zip).await
}

/// When a region was added; of one that was retired and came back, the first time.
///
/// # Errors
/// When the store fails or does not have it.
pub async fn added_at(tx: &mut Tx, id: &RegionId) -> Result<DateTime<Utc>, StoreError> {
    let row =
        sqlx::query("SELECT created_at FROM regions WHERE id = $1").bind(id.as_str()).fetch_one(tx.conn()).await?;
    get_instant(&row, "created_at")
}

/// What became of one region of a list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RegionPut {
    Added,
    Changed,
    Unchanged,
}

impl Store {
    /// Adds a region. One that was retired comes back, with what is given now and the seasons it had.
    ///
    /// # Errors
    /// [`Conflict::UnfitRegion`], [`Conflict::Exists`], [`Conflict::ZipsTaken`] naming the other regions,
    /// [`Conflict::UnknownStation`], [`Conflict::RetiredStation`].
    pub async fn add_region(&self, region: &Region, now: DateTime<Utc>) -> Result<(), StoreError> {
        self.add_region_with(region, &[], now).await
    }

    /// As [`Store::add_region`], with stations that the store does not have yet: all or nothing.
    ///
    /// # Errors
    /// As [`Store::add_region`].
    pub async fn add_region_with(
        &self,
        region: &Region,
        stations: &[Station],
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        add_region_with(&mut tx, region, stations, now).await?;
        tx.commit().await
    }

    /// Whether [`Store::add_region_with`] would do it; keeps nothing.
    ///
    /// # Errors
    /// As [`Store::add_region`].
    pub async fn try_region(
        &self,
        region: &Region,
        stations: &[Station],
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        add_region_with(&mut tx, region, stations, now).await?;
        tx.rollback().await
    }

    /// Whether ZIP codes and stations of a region that is not whole yet could be its own.
    ///
    /// # Errors
    /// [`Conflict::ZipsTaken`], [`Conflict::UnknownStation`], [`Conflict::RetiredStation`].
    pub async fn check_beside_others(&self, region: &Region) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        check_beside_others(&mut tx, region).await?;
        tx.rollback().await
    }

    /// Whether [`Store::change_region`] would take the region; keeps nothing.
    ///
    /// # Errors
    /// As [`Store::change_region`].
    pub async fn try_changing_region(&self, region: &Region) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        in_use_region(&mut tx, &region.id).await?;
        check(&mut tx, region).await?;
        tx.rollback().await
    }

    /// Adds those that are new and changes those that differ, all or none. A ZIP code may move between regions of the
    /// list.
    ///
    /// # Errors
    /// As [`Store::add_region`], for the first that cannot be kept.
    pub async fn put_regions(&self, regions: &[Region], now: DateTime<Utc>) -> Result<Vec<RegionPut>, StoreError> {
        self.put_regions_with(regions, &[], now).await
    }

    /// As [`Store::put_regions`], with stations that the store does not have yet.
    ///
    /// # Errors
    /// As [`Store::add_region`], for the first that cannot be kept.
    pub async fn put_regions_with(
        &self,
        regions: &[Region],
        stations: &[Station],
        now: DateTime<Utc>,
    ) -> Result<Vec<RegionPut>, StoreError> {
        let mut tx = self.begin().await?;
        let done = put_regions(&mut tx, regions, stations, now).await?;
        tx.commit().await?;
        Ok(done)
    }

    /// What [`Store::put_regions_with`] would do; keeps nothing.
    ///
    /// # Errors
    /// As [`Store::add_region`], for the first that cannot be kept.
    pub async fn try_regions(
        &self,
        regions: &[Region],
        stations: &[Station],
        now: DateTime<Utc>,
    ) -> Result<Vec<RegionPut>, StoreError> {
        let mut tx = self.begin().await?;
        let done = put_regions(&mut tx, regions, stations, now).await?;
        tx.rollback().await?;
        Ok(done)
    }

    /// A region, also a retired one.
    ///
    /// # Errors
    /// [`Conflict::UnknownRegion`] with a near name.
    pub async fn region(&self, id: &RegionId) -> Result<Region, StoreError> {
        let mut connection = self.read().await?;
        match find_region(&mut connection, id).await? {
            Some(region) => Ok(region),
            None => Err(unknown_region(&mut connection, id).await?),
        }
    }

    /// Regions in use, by id.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn regions(&self) -> Result<Vec<Region>, StoreError> {
        Ok(self.all_regions().await?.into_iter().filter(|region| !region.retired).collect())
    }

    /// Regions in use and retired, by id.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn all_regions(&self) -> Result<Vec<Region>, StoreError> {
        let mut connection = self.read().await?;
        let rows = sqlx::query("SELECT * FROM regions ORDER BY id").fetch_all(&mut *connection).await?;
        let mut regions = rows.iter().map(region_of).collect::<Result<Vec<_>, _>>()?;
        let at = |regions: &[Region], id: &str| regions.binary_search_by(|region| region.id.as_str().cmp(id)).ok();
        // PostgreSQL may sort by the rules of a language; the search below needs the order of bytes.
        regions.sort_by(|a, b| a.id.cmp(&b.id));
        for row in
            sqlx::query("SELECT zip, region_id FROM region_zips ORDER BY zip").fetch_all(&mut *connection).await?
        {
            if let Some(at) = at(&regions, get(&row, "region_id")?) {
                regions[at].zips.push(zip_of(&row)?);
            }
        }
        let rows = sqlx::query("SELECT region_id, station_id FROM region_stations ORDER BY region_id, rank")
            .fetch_all(&mut *connection)
            .await?;
        for row in rows {
            if let Some(at) = at(&regions, get(&row, "region_id")?) {
                regions[at].stations.push(StationId(get(&row, "station_id")?));
            }
        }
        Ok(regions)
    }

    /// Replaces all that is known of a region in use but its seasons and subscribers.
    ///
    /// # Errors
    /// As [`Store::add_region`]; [`Conflict::UnknownRegion`], [`Conflict::RetiredRegion`].
    pub async fn change_region(&self, region: &Region) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let before = in_use_region(&mut tx, &region.id).await?;
        check(&mut tx, region).await?;
        let parted = parted_by(Some(&before), Some(region));
        pin(&mut tx, &parted).await?;
        update_region(&mut tx, region).await?;
        settle(&mut tx, &parted).await?;
        tx.note_act(Act::RegionChanged, &subject(&region.id), &changes(&before, region)).await?;
        tx.commit().await
    }

    /// How many subscribers each region in use has, by region; a region with none is missing.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn subscriber_counts(&self) -> Result<BTreeMap<RegionId, u64>, StoreError> {
        let rows = sqlx::query(
            "SELECT v.region_id, COUNT(DISTINCT s.id) AS n FROM subscriber_regions v
             JOIN subscribers s ON s.id = v.subscriber_id
             WHERE s.removed_at IS NULL GROUP BY v.region_id",
        )
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter()
            .map(|row| Ok((get(row, "region_id").map(RegionId)?, get::<i64>(row, "n")?.unsigned_abs())))
            .collect()
    }

    /// The region in use that has this ZIP code, if one has; of several, that of the lowest heights.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn region_of_zip(&self, zip: &Zip) -> Result<Option<RegionId>, StoreError> {
        Ok(region_with(&mut *self.read().await?, zip).await?.map(|(id, _)| id))
    }
}

/// Id and name of the region in use that has this ZIP code, if one has; of several, that of the lowest heights.
async fn region_with(connection: &mut AnyConnection, zip: &Zip) -> Result<Option<(RegionId, String)>, StoreError> {
    let row =
        sqlx::query("SELECT g.id, g.name FROM region_zips r JOIN regions g ON g.id = r.region_id WHERE r.zip = $1 ORDER BY r.floor_m LIMIT 1")
            .bind(zip.as_str())
            .fetch_optional(connection)
            .await?;
    row.as_ref().map(|row| Ok((get(row, "id").map(RegionId)?, get(row, "name")?))).transpose()
}

/// Known, retired or not, or the conflict that says so.
pub(super) async fn known_region(connection: &mut AnyConnection, id: &RegionId) -> Result<Region, StoreError> {
    match find_region(connection, id).await? {
        Some(region) => Ok(region),
        None => Err(unknown_region(connection, id).await?),
    }
}

/// The subject of an act on a region.
pub(super) fn subject(id: &RegionId) -> String {
    format!("region/{id}")
}

fn in_words(region: &Region) -> String {
    serde_json::to_string(region).unwrap_or_else(|_| region.name.clone())
}

async fn put_regions(
    tx: &mut Tx,
    regions: &[Region],
    stations: &[Station],
    now: DateTime<Utc>,
) -> Result<Vec<RegionPut>, StoreError> {
    add_missing_stations(tx, stations).await?;
    let mut before = Vec::with_capacity(regions.len());
    let mut parted = BTreeSet::new();
    for region in regions {
        let there = find_region(tx.conn(), &region.id).await?;
        parted.extend(parted_by(there.as_ref(), Some(region)));
        before.push(there);
    }
    pin(tx, &parted).await?;
    for region in regions {
        sqlx::query("DELETE FROM region_zips WHERE region_id = $1").bind(region.id.as_str()).execute(tx.conn()).await?;
    }
    let mut done = Vec::with_capacity(regions.len());
    for (region, before) in regions.iter().zip(before) {
        check(tx, region).await?;
        match before {
            None => insert_region(tx, region, now).await?,
            Some(_) => update_region(tx, region).await?,
        }
        let of = subject(&region.id);
        done.push(match before {
            None => {
                tx.note_act(Act::RegionAdded, &of, &in_words(region)).await?;
                RegionPut::Added
            }
            Some(before) if same(&before, region) => RegionPut::Unchanged,
            Some(before) => {
                tx.note_act(Act::RegionChanged, &of, &changes(&before, region)).await?;
                RegionPut::Changed
            }
        });
    }
    settle(tx, &parted).await?;
    Ok(done)
}

async fn add_region_with(
    tx: &mut Tx,
    region: &Region,
    stations: &[Station],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    add_missing_stations(tx, stations).await?;
    let there = find_region(tx.conn(), &region.id).await?;
    if there.as_ref().is_some_and(|there| !there.retired) {
        return Err(Conflict::Exists { what: "region", id: region.id.to_string() }.into());
    }
    check(tx, region).await?;
    let parted = parted_by(None, Some(region));
    pin(tx, &parted).await?;
    if there.is_none() {
        insert_region(tx, region, now).await?
    } else {
        update_region(tx, region).await?
    }
    settle(tx, &parted).await?;
    tx.note_act(Act::RegionAdded, &subject(&region.id), &in_words(region)).await
}

pub(super) async fn in_use_region(tx: &mut Tx, id: &RegionId) -> Result<Region, StoreError> {
    let region = known_region(tx.conn(), id).await?;
    if region.retired { Err(Conflict::RetiredRegion { id: id.clone() }.into()) } else { Ok(region) }
}

/// Whether the region can stand beside the others.
async fn check(tx: &mut Tx, region: &Region) -> Result<(), StoreError> {
    let faults = region.faults();
    if !faults.is_empty() {
        return Err(Conflict::UnfitRegion { id: region.id.clone(), faults }.into());
    }
    check_beside_others(tx, region).await
}

async fn check_beside_others(tx: &mut Tx, region: &Region) -> Result<(), StoreError> {
    for station in &region.stations {
        in_use_station(tx, station).await?;
    }
    let mut taken = Vec::new();
    for zip in &region.zips {
        let others = sqlx::query(
            "SELECT g.id, g.band_from_m, g.band_to_m FROM region_zips r JOIN regions g ON g.id = r.region_id
             WHERE r.zip = $1 AND g.id <> $2 ORDER BY r.floor_m, g.id",
        )
        .bind(zip.as_str())
        .bind(region.id.as_str())
        .fetch_all(tx.conn())
        .await?;
        if others.len() >= MOST_BANDS {
            let faults = vec![format!("ZIP code {zip} has {MOST_BANDS} regions already, which is the most")];
            return Err(Conflict::UnfitRegion { id: region.id.clone(), faults }.into());
        }
        for other in &others {
            let band = band_of(other)?;
            if Band::meet(region.band.as_ref(), band.as_ref()) {
                taken.push(TakenZip { zip: zip.clone(), by: RegionId(get(other, "id")?), band });
            }
        }
    }
    if taken.is_empty() { Ok(()) } else { Err(Conflict::ZipsTaken { taken }.into()) }
}

async fn insert_region(tx: &mut Tx, region: &Region, now: DateTime<Utc>) -> Result<(), StoreError> {
    sqlx::query(
        "INSERT INTO regions (id, created_at, name, latitude, longitude, elevation_m, time_zone, profile,
                              release_policy, hold_hours)
         VALUES ($1, $2, '', 0, 0, 0, '', '', '', 0)",
    )
    .bind(region.id.as_str())
    .bind(ms(now))
    .execute(tx.conn())
    .await?;
    update_region(tx, region).await
}

async fn update_region(tx: &mut Tx, region: &Region) -> Result<(), StoreError> {
    let (release, hours) = release_columns(region.release);
    sqlx::query(
        "UPDATE regions SET name = $2, latitude = $3, longitude = $4, elevation_m = $5, time_zone = $6, profile = $7,
                            release_policy = $8, hold_hours = $9, reports_teach = $10, county = $11, state = $12,
                            band_from_m = NULLIF($13, -1000000), band_to_m = NULLIF($14, -1000000), landmarks = $15,
                            retired_at = NULL
         WHERE id = $1",
    )
    .bind(region.id.as_str())
    .bind(&region.name)
    .bind(region.place.latitude)
    .bind(region.place.longitude)
    .bind(region.elevation_m)
    .bind(region.time_zone.name())
    .bind(&region.profile)
    .bind(release)
    .bind(hours)
    .bind(region.owner_reports.name())
    .bind(region.county.as_deref())
    .bind(region.state.as_deref())
    .bind(region.band.and_then(|band| band.from_m).unwrap_or(OPEN_M))
    .bind(region.band.and_then(|band| band.to_m).unwrap_or(OPEN_M))
    .bind(serde_json::to_string(&region.landmarks).map_err(|why| StoreError::corrupt(format!("landmarks: {why}")))?)
    .execute(tx.conn())
    .await?;
    sqlx::query("DELETE FROM region_zips WHERE region_id = $1").bind(region.id.as_str()).execute(tx.conn()).await?;
    for zip in &region.zips {
        sqlx::query("INSERT INTO region_zips (zip, region_id, floor_m) VALUES ($1, $2, $3)")
            .bind(zip.as_str())
            .bind(region.id.as_str())
            .bind(region.band.and_then(|band| band.from_m).unwrap_or(OPEN_M))
            .execute(tx.conn())
            .await?;
    }
    sqlx::query("DELETE FROM region_stations WHERE region_id = $1").bind(region.id.as_str()).execute(tx.conn()).await?;
    for (rank, station) in (0_i64..).zip(&region.stations) {
        sqlx::query("INSERT INTO region_stations (region_id, rank, station_id) VALUES ($1, $2, $3)")
            .bind(region.id.as_str())
            .bind(rank)
            .bind(station.as_str())
            .execute(tx.conn())
            .await?;
    }
    Ok(())
}

/// Equal but for the order of ZIP codes, which means nothing.
fn same(a: &Region, b: &Region) -> bool {
    let sorted = |region: &Region| {
        let mut region = region.clone();
        region.zips.sort();
        region
    };
    sorted(a) == sorted(b)
}

async fn find_region(connection: &mut AnyConnection, id: &RegionId) -> Result<Option<Region>, StoreError> {
    let Some(row) =
        sqlx::query("SELECT * FROM regions WHERE id = $1").bind(id.as_str()).fetch_optional(&mut *connection).await?
    else {
        return Ok(None);
    };
    let mut region = region_of(&row)?;
    region.zips = sqlx::query("SELECT zip FROM region_zips WHERE region_id = $1 ORDER BY zip")
        .bind(id.as_str())
        .fetch_all(&mut *connection)
        .await?
        .iter()
        .map(zip_of)
        .collect::<Result<_, _>>()?;
    region.stations = sqlx::query("SELECT station_id FROM region_stations WHERE region_id = $1 ORDER BY rank")
        .bind(id.as_str())
        .fetch_all(connection)
        .await?
        .iter()
        .map(|row| get(row, "station_id").map(StationId))
        .collect::<Result<_, _>>()?;
    Ok(Some(region))
}

async fn unknown_region(connection: &mut AnyConnection, id: &RegionId) -> Result<StoreError, StoreError> {
    let rows = sqlx::query("SELECT id FROM regions WHERE retired_at IS NULL").fetch_all(connection).await?;
    let names = rows.iter().map(|row| get(row, "id")).collect::<Result<Vec<String>, _>>()?;
    Ok(Conflict::UnknownRegion { id: id.clone(), near: near_name(id.as_str(), &names) }.into())
}

/// Without its ZIP codes and stations.
fn region_of(row: &AnyRow) -> Result<Region, StoreError> {
    let hours: i64 = get(row, "hold_hours")?;
    let release = match get::<&str>(row, "release_policy")? {
        "at-once" => Release::AtOnce,
        "unless-held" => Release::UnlessHeld {
            hours: u32::try_from(hours).map_err(|_| StoreError::corrupt(format!("regions.hold_hours {hours}")))?,
        },
        "when-confirmed" => Release::WhenConfirmed,
        other => return Err(StoreError::corrupt(format!("regions.release_policy `{other}`"))),
    };
    Ok(Region {
        id: RegionId(get(row, "id")?),
        name: get(row, "name")?,
        place: Point { latitude: get(row, "latitude")?, longitude: get(row, "longitude")? },
        elevation_m: get(row, "elevation_m")?,
        time_zone: get_zone(row, "time_zone")?,
        profile: get(row, "profile")?,
        zips: Vec::new(),
        stations: Vec::new(),
        release,
        owner_reports: owner_reports_of(row)?,
        county: get(row, "county")?,
        state: get(row, "state")?,
        band: band_of(row)?,
        landmarks: landmarks_of(row)?,
        retired: get::<Option<i64>>(row, "retired_at")?.is_some(),
    })
}

/// Of a row that has `regions.reports_teach`.
pub(super) fn owner_reports_of(row: &AnyRow) -> Result<OwnerReports, StoreError> {
    let name: &str = get(row, "reports_teach")?;
    name.parse().map_err(|_| StoreError::corrupt(format!("regions.reports_teach `{name}`")))
}

fn release_columns(release: Release) -> (&'static str, i64) {
    match release {
        Release::AtOnce => ("at-once", 0),
        Release::UnlessHeld { hours } => ("unless-held", i64::from(hours)),
        Release::WhenConfirmed => ("when-confirmed", 0),
    }
}
