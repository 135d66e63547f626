//! How good projections have been: what this process knows of it, then what the store has kept, and only then the work.

use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, Utc};
use tracing::debug;

use crate::assessment::kept_skill;
use crate::assessment::skill::SkillBasis;
use crate::season::outlook::ForecastSkill;
use crate::store::Store;
use crate::text::Chain;
use crate::weather::StationId;

/// By a digest of the temperatures and the profile that each was worked out from: as long as a station's past stays the
/// same, its skill is worked out once and not once a cycle or a start.
#[derive(Default)]
pub struct SkillCache {
    known: Mutex<HashMap<[u8; 32], Arc<ForecastSkill>>>,
    /// Only what widens a spread: nobody reads how good projections were.
    to_decide: bool,
    made: AtomicU64,
    pasts_made: AtomicU64,
}

/// A service asks for as many as it has stations.
const MOST_SKILLS: usize = 2000;

impl SkillCache {
    /// For many seasons whose notices nobody reads: neither the scores of the stages nor a place in the store.
    pub fn to_decide() -> Self {
        Self { to_decide: true, ..Self::default() }
    }

    /// The skill under this digest, if this process or the store has it. What cannot be read is as good as none.
    pub async fn kept(&self, store: &Store, station: &StationId, digest: [u8; 32]) -> Option<Arc<ForecastSkill>> {
        if let Some(skill) = self.known().get(&digest) {
            return Some(Arc::clone(skill));
        }
        if self.to_decide {
            return None;
        }
        let content = match store.kept_skill(station, &hex::encode(digest)).await {
            Ok(content) => content?,
            Err(why) => {
                debug!(station.id = %station, "the kept skill cannot be read: {}", Chain(&why));
                return None;
            }
        };
        let skill = Arc::new(kept_skill::from_bytes(&content)?);
        self.know(digest, &skill);
        Some(skill)
    }

    /// Works it out.
    pub fn made(&self, basis: &SkillBasis<'_>) -> Arc<ForecastSkill> {
        self.made.fetch_add(1, Ordering::Relaxed);
        Arc::new(if self.to_decide { ForecastSkill::to_decide(basis) } else { ForecastSkill::of(basis) })
    }

    /// How often it was worked out.
    pub fn times_made(&self) -> u64 {
        self.made.load(Ordering::Relaxed)
    }

    /// How often a station's past was made of its whole record, where it could have been kept.
    pub fn pasts_made(&self) -> u64 {
        self.pasts_made.load(Ordering::Relaxed)
    }

    pub(super) fn note_past_made(&self) {
        self.pasts_made.fetch_add(1, Ordering::Relaxed);
    }

    /// Keeps what was worked out. A store that takes no write costs the work once more, and nothing else.
    pub async fn keep(
        &self,
        store: &Store,
        station: &StationId,
        digest: [u8; 32],
        skill: &Arc<ForecastSkill>,
        now: DateTime<Utc>,
    ) {
        self.know(digest, skill);
        if self.to_decide {
            return;
        }
        let content = kept_skill::to_bytes(skill);
        if let Err(why) = store.keep_skill(station, &hex::encode(digest), &content, now).await {
            debug!(station.id = %station, "the skill cannot be kept: {}", Chain(&why));
        }
    }

    fn know(&self, digest: [u8; 32], skill: &Arc<ForecastSkill>) {
        let mut known = self.known();
        if known.len() >= MOST_SKILLS {
            known.clear();
        }
        known.insert(digest, Arc::clone(skill));
    }

    fn known(&self) -> std::sync::MutexGuard<'_, HashMap<[u8; 32], Arc<ForecastSkill>>> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
