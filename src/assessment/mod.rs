//! Where a season stands, from weather, season and heat: pure, no store, no settings file, no clock.
//!
//! [`past`] says what a station's past seasons are worth, [`skill`] how good projections from them have been,
//! [`season_model`] what a region's season looks like on a day; [`verify`] and [`rehearsal`] live through past seasons,
//! [`policy_loss`] lets owners act in them; [`sightings`] sets what was said beside what people saw.

pub mod season_model;

pub mod past;
pub mod skill;

mod lived_season;
pub mod policy_loss;
pub mod rehearsal;
pub mod sightings;
pub mod verify;
