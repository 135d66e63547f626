//! Pure rules of the queue: how a delivery may move, when a message may leave, how long it waits, what reports and texts
//! say. No store, no clock, no network.
//!
//! The promise, in the same words everywhere: nothing is lost; a repeat is possible only for messages in flight at a
//! crash, and each is marked.

pub mod settings;
pub mod state;

pub mod attempt;
pub mod backoff;
pub mod pace;
pub mod quiet_hours;

pub mod bounce_report;
pub mod inbound;
pub mod scrub;
