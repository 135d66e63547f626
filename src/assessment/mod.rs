//! Where a season stands, from weather, season and heat: pure, no store, no settings file, no clock.
//!
//! [`past`] says what a station's past seasons are worth, [`skill`] how good projections from them have been,
//! [`season_model`] what a region's season looks like on a day; [`verify`] and [`rehearsal`] live through past seasons,
//! [`policy_loss`] lets owners act in them; [`sightings`] sets what was said beside what people saw. [`past_dates`] has the
//! dates of past seasons, [`place_past`] all that they tell of a place before it is trusted, and [`warmth`] says what makes a
//! place early or late for its height.

pub mod season_model;

mod bytes;
pub mod kept_past;
pub mod kept_skill;
pub mod past;
pub mod skill;

pub mod past_dates;
pub mod place_past;
pub mod warmth;

mod lived_season;
pub mod policy_loss;
pub mod rehearsal;
pub mod sightings;
pub mod verify;
