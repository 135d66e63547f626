//! Where a season stands, from weather, season and heat: pure, no I/O.

pub mod past;
pub mod skill;

pub mod rehearsal;
pub mod verify;
