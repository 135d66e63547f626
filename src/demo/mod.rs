//! The demo: an invented state with invented weather and invented people, and the view of a season played at speed.
//!
//! Everything here is for plumbing and for showing; no check of the model against the world rests on it.

pub mod ground;
pub mod play;
pub mod practice;
pub mod state;

pub mod eggs;
pub mod reports;
pub mod truth;

pub mod people;
pub mod view;
pub mod weather;

mod dice;
