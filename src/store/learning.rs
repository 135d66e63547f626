//! What staff decide about learning: seasons whose reports teach no more, and beliefs adopted as a profile's numbers.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use serde::Serialize;
use sqlx::any::AnyRow;

use crate::store::acts::Act;
use crate::store::error::{Conflict, StoreError};
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::Store;

/// From when on a season's reports teach nothing new.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Freeze {
    pub at: DateTime<Utc>,
    pub by: String,
    pub why: String,
}

/// What staff said of a season's learning.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FreezeWord {
    pub profile: String,
    pub season: i32,
    /// From then on its reports teach nothing new; `false`: they teach again.
    pub is_frozen: bool,
    pub freeze: Freeze,
}

/// A profile as staff adopted it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AdoptedProfile {
    pub profile: String,
    pub version: u32,
    /// The whole profile, TOML.
    pub text: String,
    pub adopted_at: DateTime<Utc>,
    pub adopted_by: String,
    pub why: String,
}

impl Store {
    /// Ends learning from a season, or lets it go on. Gives whether that changed anything.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn freeze_learning(&self, word: &FreezeWord) -> Result<bool, StoreError> {
        let FreezeWord { profile, season, is_frozen, freeze } = word;
        if self.learning_freezes(profile, freeze.at).await?.contains_key(season) == *is_frozen {
            return Ok(false);
        }
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO learning_freezes (profile, season, changed_at, frozen, changed_by, why)
             VALUES ($1, $2, $3, $4, $5, $6)
             ON CONFLICT (profile, season, changed_at) DO UPDATE SET
                 frozen = excluded.frozen, changed_by = excluded.changed_by, why = excluded.why",
        )
        .bind(profile)
        .bind(i64::from(*season))
        .bind(ms(freeze.at))
        .bind(i64::from(*is_frozen))
        .bind(&freeze.by)
        .bind(&freeze.why)
        .execute(tx.conn())
        .await?;
        let act = if *is_frozen { Act::LearningFrozen } else { Act::LearningThawed };
        let detail = format!("said by {}: {}", freeze.by, freeze.why);
        tx.note_act(act, &format!("profile/{profile}/{season}"), &detail).await?;
        tx.commit().await?;
        Ok(true)
    }

    /// The seasons of a profile whose learning stood still at an instant.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn learning_freezes(
        &self,
        profile: &str,
        at: DateTime<Utc>,
    ) -> Result<BTreeMap<i32, Freeze>, StoreError> {
        let rows =
            sqlx::query("SELECT * FROM learning_freezes WHERE profile = $1 AND changed_at <= $2 ORDER BY changed_at")
                .bind(profile)
                .bind(ms(at))
                .fetch_all(&mut *self.read().await?)
                .await?;
        let mut frozen = BTreeMap::new();
        for row in &rows {
            let FreezeWord { season, is_frozen, freeze, .. } = word_of(row)?;
            if is_frozen {
                frozen.insert(season, freeze);
            } else {
                frozen.remove(&season);
            }
        }
        Ok(frozen)
    }

    /// Every such word of every profile, in order: what a replay has to know.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn freeze_words(&self) -> Result<Vec<FreezeWord>, StoreError> {
        let rows = sqlx::query("SELECT * FROM learning_freezes ORDER BY changed_at, profile, season")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(word_of).collect()
    }

    /// Keeps a belief as the profile's next version.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when somebody adopted that version before.
    pub async fn adopt_profile(&self, adopted: &AdoptedProfile) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let done = sqlx::query(
            "INSERT INTO profile_versions (profile, version, text, adopted_at, adopted_by, why)
             VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT (profile, version) DO NOTHING",
        )
        .bind(&adopted.profile)
        .bind(i64::from(adopted.version))
        .bind(&adopted.text)
        .bind(ms(adopted.adopted_at))
        .bind(&adopted.adopted_by)
        .bind(&adopted.why)
        .execute(tx.conn())
        .await?
        .rows_affected();
        if done == 0 {
            let id = format!("{} {}", adopted.profile, adopted.version);
            return Err(Conflict::Exists { what: "profile version", id }.into());
        }
        let detail = format!("version {}, said by {}: {}", adopted.version, adopted.adopted_by, adopted.why);
        tx.note_act(Act::ProfileAdopted, &format!("profile/{}", adopted.profile), &detail).await?;
        tx.commit().await
    }

    /// Every version that was adopted, by profile and version.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn adopted_profiles(&self) -> Result<Vec<AdoptedProfile>, StoreError> {
        let rows = sqlx::query("SELECT * FROM profile_versions ORDER BY profile, version")
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(adopted_of).collect()
    }
}

fn word_of(row: &AnyRow) -> Result<FreezeWord, StoreError> {
    let season: i64 = get(row, "season")?;
    let freeze = Freeze { at: get_instant(row, "changed_at")?, by: get(row, "changed_by")?, why: get(row, "why")? };
    Ok(FreezeWord {
        profile: get(row, "profile")?,
        season: i32::try_from(season)
            .map_err(|_| StoreError::corrupt(format!("learning_freezes.season holds {season}")))?,
        is_frozen: get::<i64>(row, "frozen")? != 0,
        freeze,
    })
}

fn adopted_of(row: &AnyRow) -> Result<AdoptedProfile, StoreError> {
    let version: i64 = get(row, "version")?;
    Ok(AdoptedProfile {
        profile: get(row, "profile")?,
        version: u32::try_from(version)
            .map_err(|_| StoreError::corrupt(format!("profile_versions.version holds {version}")))?,
        text: get(row, "text")?,
        adopted_at: get_instant(row, "adopted_at")?,
        adopted_by: get(row, "adopted_by")?,
        why: get(row, "why")?,
    })
}
