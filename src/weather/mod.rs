//! The weather record: feeds behind one trait, versions of every value, quality, observation time, gaps.
//!
//! ```text
//! feed answer ─> [Reading] ─observation time─> store (every version kept) ─> [StationRecord] ─as_of─> quality ─> gaps filled
//! ```
//!
//! [`prepare`] walks the second half in one call: it is what the cycle uses.

pub mod reading;
pub mod station;

pub mod feeds;
pub mod fetch;
pub mod import;

pub mod compare;
pub mod nearby;
pub mod observation_time;
pub mod reading_hour;
pub mod record;
pub mod rejection;

pub mod normals;
pub mod quality;

pub mod gaps;
pub mod prepare;
pub mod settled;
pub mod status;

mod excerpt;
pub mod settings;

#[cfg(test)]
pub(crate) mod invented;

pub use reading::{Element, Reading, StationRecord, TenthsC, Version};
pub use station::{FeedKind, SourceRef, Station, StationId, StationKind};

pub use crate::heat::{DailySeries, DayOrigin, DayTemperatures, FilledDay};
