//! From queue to channel: lease, send, record; retry, expiry, quiet hours.
//!
//! The promise, in the same words everywhere: nothing is lost; a repeat is possible only for messages in flight at a
//! crash, and each is marked.

pub mod state;

pub mod backoff;
pub mod pace;
pub mod quiet_hours;

pub mod inbound;
