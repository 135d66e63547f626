//! What is believed of the insect, made ready for the futures of the weather.

use super::wash::EggCurve;
use crate::season::belief::SeasonBelief;
use crate::season::profile::{Need, Profile};

/// The draws of a belief and what follows from them alone: the same for every day and every line of heat.
#[derive(Clone, Debug)]
pub struct Insect {
    draws: Vec<Vec<Need>>,
    /// `None` for a profile that does not say how eggs spread over heat, or with a wait in days on the way to the hatch.
    eggs: Option<EggCurve>,
}

impl Insect {
    pub fn of(profile: &Profile, belief: &SeasonBelief) -> Self {
        let draws = belief.draws();
        let eggs = profile.eggs.as_ref().and_then(|eggs| EggCurve::of(profile, eggs, &draws, &[]));
        Self { draws, eggs }
    }

    pub(super) fn draws(&self) -> &[Vec<Need>] {
        &self.draws
    }

    /// As long as nothing was seen.
    pub(super) fn eggs(&self) -> Option<&EggCurve> {
        self.eggs.as_ref()
    }
}
