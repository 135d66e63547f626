//! How good projections have been, kept for as long as this process lives.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use crate::assessment::skill::SkillBasis;
use crate::season::outlook::ForecastSkill;

/// By the temperatures and the profile each was worked out from: as long as a station's
/// past stays the same, its skill is worked out once and not once a cycle.
#[derive(Default)]
pub struct SkillCache(Mutex<HashMap<[u8; 32], Arc<ForecastSkill>>>);

/// A replay of many seasons asks for many pasts; a service for as many as it has stations.
const MOST_SKILLS: usize = 2000;

impl SkillCache {
    /// The skill on this basis, known already or worked out now.
    pub fn of(&self, basis: &SkillBasis<'_>) -> Arc<ForecastSkill> {
        let key = basis.digest();
        let known = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(skill) = known().get(&key) {
            return Arc::clone(skill);
        }
        // Not under the lock: two at once may do the same work, and neither waits for another station's.
        let skill = Arc::new(ForecastSkill::of(basis));
        let mut known = known();
        if known.len() >= MOST_SKILLS {
            known.clear();
        }
        known.insert(key, Arc::clone(&skill));
        skill
    }
}
