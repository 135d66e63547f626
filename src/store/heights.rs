//! How high the trees of a person stand: what they say, what follows for their notices, and whom to ask.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};

use crate::people::{Address, AddressId, Language};
use crate::region::{Band, HeightChoice, RegionId, Zip};
use crate::store::acts::Act;
use crate::store::addresses::owner_of;
use crate::store::audit::address_subject;
use crate::store::bands::{OPEN_M, choices};
use crate::store::error::{Conflict, StoreError};
use crate::store::notices::tell_joined;
use crate::store::queue::cancel::cancel_of_strangers;
use crate::store::rows::{channel_of, get, get_instant, get_zone, language_of, ms, zip_of};
use crate::store::tx::{Store, Tx};

/// So long a digit by text answers the question that was asked last.
const OPEN_FOR: TimeDelta = TimeDelta::days(60);

/// What came of a word about the height of somebody's trees.
#[derive(Clone, Debug, PartialEq)]
pub enum Said {
    /// They are told of this region from now on.
    Lives(HeightChoice),
    /// Kept; their ZIP code has one region or none, so that it makes no difference today.
    Kept,
    /// They do not have this ZIP code.
    NotTheirs,
}

/// Keeps what somebody said of the height of their trees. Where that makes another region theirs, what waits of their old
/// one is cancelled, and what is in force in the new one is queued.
///
/// # Errors
/// [`Conflict::NoSuchHeight`] when none of the ZIP code's regions is for that height.
pub async fn say(tx: &mut Tx, subscriber: &str, zip: &Zip, said: Band, now: DateTime<Utc>) -> Result<Said, StoreError> {
    let home = home_for(tx, zip, said).await?;
    let done = sqlx::query(
        "UPDATE subscriber_zips SET height_from_m = NULLIF($3, -1000000), height_to_m = NULLIF($4, -1000000),
                                    height_said_at = $5, region_id = COALESCE($6, region_id)
         WHERE subscriber_id = $1 AND zip = $2",
    )
    .bind(subscriber)
    .bind(zip.as_str())
    .bind(said.from_m.unwrap_or(OPEN_M))
    .bind(said.to_m.unwrap_or(OPEN_M))
    .bind(ms(now))
    .bind(home.as_ref().map(|home| home.region.as_str()))
    .execute(tx.conn())
    .await?;
    if done.rows_affected() == 0 {
        return Ok(Said::NotTheirs);
    }
    let Some(home) = home else { return Ok(Said::Kept) };
    cancel_of_strangers(tx, subscriber, "their trees stand in another region", now).await?;
    tell_joined(tx, subscriber, now).await?;
    Ok(Said::Lives(home))
}

/// The region that a height makes somebody's; `None` where the ZIP code has not several.
///
/// # Errors
/// As [`say`].
pub async fn home_for(tx: &mut Tx, zip: &Zip, said: Band) -> Result<Option<HeightChoice>, StoreError> {
    let choices = choices(tx, zip).await?;
    if choices.is_empty() {
        return Ok(None);
    }
    let bands = choices.iter().map(|choice| choice.band.to_string()).collect();
    match choices.into_iter().find(|choice| choice.band.encloses(&said)) {
        Some(home) => Ok(Some(home)),
        None => Err(Conflict::NoSuchHeight { zip: zip.clone(), said, bands }.into()),
    }
}

/// Somebody to be asked how high their trees stand: once for each set of bands.
#[derive(Clone, Debug)]
pub struct HeightAsk {
    pub subscriber: String,
    pub zip: Zip,
    pub address: Address,
    pub language: Language,
    pub zone: chrono_tz::Tz,
    pub choices: Vec<HeightChoice>,
}

/// Those who live at a ZIP code with several regions, have not said how high, and were not asked about these bands yet: one
/// address a person, a phone before a mailbox, and one ZIP code at a time.
///
/// # Errors
/// When the store fails.
pub async fn to_ask(tx: &mut Tx) -> Result<Vec<HeightAsk>, StoreError> {
    let zips = sqlx::query("SELECT zip FROM region_zips GROUP BY zip HAVING COUNT(*) > 1 ORDER BY zip")
        .fetch_all(tx.conn())
        .await?;
    let mut all: Vec<HeightAsk> = Vec::new();
    let mut asked = BTreeSet::new();
    for zip in &zips {
        let zip = zip_of(zip)?;
        let choices = choices(tx, &zip).await?;
        let rows = sqlx::query(
            "SELECT a.subscriber_id, a.channel, a.address, s.language, g.time_zone FROM subscriber_regions v
             JOIN subscriber_zips z ON z.subscriber_id = v.subscriber_id AND z.zip = v.zip
             JOIN regions g ON g.id = v.region_id
             JOIN subscribers s ON s.id = v.subscriber_id JOIN addresses a ON a.subscriber_id = s.id
             WHERE v.zip = $1 AND v.height_said_at IS NULL AND COALESCE(z.height_asked_of, '') <> $2
               AND s.removed_at IS NULL AND a.status = 'confirmed'
               AND NOT EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = a.id)
             ORDER BY a.subscriber_id, a.channel DESC, a.id",
        )
        .bind(zip.as_str())
        .bind(HeightChoice::layout(&choices))
        .fetch_all(tx.conn())
        .await?;
        for row in &rows {
            let subscriber: String = get(row, "subscriber_id")?;
            if !asked.insert(subscriber.clone()) {
                continue;
            }
            all.push(HeightAsk {
                subscriber,
                zip: zip.clone(),
                address: Address::from_stored(channel_of(row)?, get(row, "address")?),
                language: language_of(row)?,
                zone: get_zone(row, "time_zone")?,
                choices: choices.clone(),
            });
        }
    }
    Ok(all)
}

/// Notes that somebody is asked about these bands.
///
/// # Errors
/// When the store fails.
pub async fn note_asked(
    tx: &mut Tx,
    subscriber: &str,
    zip: &Zip,
    choices: &[HeightChoice],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    sqlx::query(
        "UPDATE subscriber_zips SET height_asked_at = $3, height_asked_of = $4 WHERE subscriber_id = $1 AND zip = $2",
    )
    .bind(subscriber)
    .bind(zip.as_str())
    .bind(ms(now))
    .bind(HeightChoice::layout(choices))
    .execute(tx.conn())
    .await?;
    Ok(())
}

/// The question that somebody was asked last.
#[derive(Clone, Debug, PartialEq)]
pub struct HeightQuestion {
    pub subscriber: String,
    pub zip: Zip,
    pub asked_at: DateTime<Utc>,
    /// The bands of now, from the lowest up.
    pub choices: Vec<HeightChoice>,
    /// Whether it named these bands: else a digit says nothing.
    pub is_current: bool,
}

/// The newest question to the owner of an address that still matters.
///
/// # Errors
/// When the store fails.
pub async fn open_question(
    tx: &mut Tx,
    address: &AddressId,
    now: DateTime<Utc>,
) -> Result<Option<HeightQuestion>, StoreError> {
    let row = sqlx::query(
        "SELECT z.subscriber_id, z.zip, z.height_asked_at, z.height_asked_of FROM subscriber_zips z
         JOIN addresses a ON a.subscriber_id = z.subscriber_id
         WHERE a.id = $1 AND z.height_asked_at > $2 ORDER BY z.height_asked_at DESC, z.zip LIMIT 1",
    )
    .bind(address.as_str())
    .bind(ms(now - OPEN_FOR))
    .fetch_optional(tx.conn())
    .await?;
    let Some(row) = row else { return Ok(None) };
    let zip = zip_of(&row)?;
    let choices = choices(tx, &zip).await?;
    if choices.is_empty() {
        return Ok(None);
    }
    let asked_of: Option<String> = get(&row, "height_asked_of")?;
    Ok(Some(HeightQuestion {
        subscriber: get(&row, "subscriber_id")?,
        zip,
        asked_at: get_instant(&row, "height_asked_at")?,
        is_current: asked_of.is_some_and(|of| of == HeightChoice::layout(&choices)),
        choices,
    }))
}

/// The first of these ZIP codes of an address's owner whose height matters, with its bands; with `again` also one of which it
/// was said before.
///
/// # Errors
/// When the store fails.
pub async fn first_open(
    tx: &mut Tx,
    subscriber: &str,
    zips: &[Zip],
    again: bool,
) -> Result<Option<(Zip, Vec<HeightChoice>)>, StoreError> {
    for zip in zips {
        let row = sqlx::query("SELECT height_said_at FROM subscriber_zips WHERE subscriber_id = $1 AND zip = $2")
            .bind(subscriber)
            .bind(zip.as_str())
            .fetch_optional(tx.conn())
            .await?;
        let Some(row) = row else { continue };
        if !again && get::<Option<i64>>(&row, "height_said_at")?.is_some() {
            continue;
        }
        let choices = choices(tx, zip).await?;
        if !choices.is_empty() {
            return Ok(Some((zip.clone(), choices)));
        }
    }
    Ok(None)
}

/// All ZIP codes of a person, in order.
///
/// # Errors
/// When the store fails.
pub async fn zips_of(tx: &mut Tx, subscriber: &str) -> Result<Vec<Zip>, StoreError> {
    let rows = sqlx::query("SELECT zip FROM subscriber_zips WHERE subscriber_id = $1 ORDER BY zip")
        .bind(subscriber)
        .fetch_all(tx.conn())
        .await?;
    rows.iter().map(zip_of).collect()
}

impl Store {
    /// As [`say`], by the owner of an address.
    ///
    /// # Errors
    /// As [`say`].
    pub async fn say_height(
        &self,
        address: &AddressId,
        zip: &Zip,
        said: Band,
        now: DateTime<Utc>,
    ) -> Result<Said, StoreError> {
        let mut tx = self.begin().await?;
        let Some(subscriber) = owner_of(&mut tx, address).await? else { return Ok(Said::NotTheirs) };
        let done = say(&mut tx, &subscriber, zip, said, now).await?;
        if done != Said::NotTheirs {
            // Of staff only: who changes their own is nobody that the audit names.
            let detail = format!("trees at ZIP code {zip}: {}", home_words(&done));
            tx.note_act(Act::SubscriberChanged, &address_subject(address), &detail).await?;
        }
        tx.commit().await?;
        Ok(done)
    }
}

fn home_words(said: &Said) -> String {
    match said {
        Said::Lives(HeightChoice { region: RegionId(id), band, .. }) => format!("region `{id}` ({band})"),
        Said::Kept | Said::NotTheirs => "a height that makes no difference there".into(),
    }
}
