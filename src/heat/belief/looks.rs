//! What is believed beforehand, and what was looked for and seen.

use super::fault::BeliefError;
use super::sums::Sums;

/// What is believed of a stage's heat sum before any look, and how far it differs from season to season and from place to
/// place. °C·day, counted from where the stage counts from: the biofix, or the moment of its parent stage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StagePrior {
    mean: f64,
    belief_sd: f64,
    places_sd: f64,
    years_sd: f64,
}

impl StagePrior {
    /// `belief_sd` is how unsure the mean itself is; a season's sum differs from it by `years_sd`, and a place's from its
    /// season's by `places_sd`. Any of them may be 0.
    ///
    /// # Errors
    /// When the mean is not above 0, or an SD is neither 0 nor between a thousandth and ten times of it: beyond that
    /// nothing can be worked out, and no insect is like that.
    pub fn new(mean: f64, belief_sd: f64, places_sd: f64, years_sd: f64) -> Result<Self, BeliefError> {
        if !(mean.is_finite() && mean > 0.0) {
            return Err(BeliefError::Mean { mean });
        }
        for (what, sd) in [("belief", belief_sd), ("places", places_sd), ("years", years_sd)] {
            if sd != 0.0 && !(mean / 1000.0..=mean * 10.0).contains(&sd) {
                return Err(BeliefError::Sd { what, sd, mean });
            }
        }
        Ok(Self { mean, belief_sd, places_sd, years_sd })
    }

    pub fn mean(&self) -> f64 {
        self.mean
    }

    pub fn belief_sd(&self) -> f64 {
        self.belief_sd
    }

    pub fn places_sd(&self) -> f64 {
        self.places_sd
    }

    pub fn years_sd(&self) -> f64 {
        self.years_sd
    }
}

/// Somebody looked at a place on one day and saw the stage, or did not.
#[derive(Clone, Debug, PartialEq)]
pub struct Look {
    id: String,
    heat: f64,
    seen: bool,
    detection: f64,
}

impl Look {
    /// `id` names the report that it is from; looks of one report share it. `heat` is the sum at the end of the day,
    /// °C·day from the biofix. `detection` is the chance that such a look sees the stage when it is there, up to 1.
    ///
    /// # Errors
    /// When the heat is not finite or negative, or the chance not above 0 and up to 1.
    pub fn new(id: impl Into<String>, heat: f64, seen: bool, detection: f64) -> Result<Self, BeliefError> {
        let id = id.into();
        if !(heat.is_finite() && heat >= 0.0) {
            return Err(BeliefError::Heat { id, heat });
        }
        if !(detection > 0.0 && detection <= 1.0) {
            return Err(BeliefError::Detection { id, detection });
        }
        Ok(Self { id, heat, seen, detection })
    }

    pub fn id(&self) -> &str {
        &self.id
    }

    pub fn heat(&self) -> f64 {
        self.heat
    }

    pub fn seen(&self) -> bool {
        self.seen
    }

    pub fn detection(&self) -> f64 {
        self.detection
    }

    /// The same whatever order looks are given in.
    pub(super) fn order(&self, other: &Self) -> std::cmp::Ordering {
        let by_heat = self.heat.total_cmp(&other.heat).then(self.seen.cmp(&other.seen));
        by_heat.then(self.detection.total_cmp(&other.detection)).then_with(|| self.id.cmp(&other.id))
    }
}

/// All looks at one place in one season.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceLooks {
    pub place: String,
    /// The sum at which the parent stage came there, from the biofix, if the stage counts from that; `None` for a stage
    /// that counts from the biofix.
    pub parent: Option<Sums>,
    pub looks: Vec<Look>,
}

/// All looks of one season.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonLooks {
    pub season: i32,
    pub places: Vec<PlaceLooks>,
}
