//! One polite way to ask public services: named, limited, patient and suspicious of what comes back.
//!
//! Every request carries our name and a contact. A host is asked a few questions at a time. Passing faults are tried
//! again after a growing wait, or the one the host names. Nothing is read beyond a size limit, no redirect leads to
//! another host, and no address of a private network is asked unless the configuration names its host.

mod answer;
mod cache;
mod client;
mod error;
mod guard;
mod sleeper;

pub use answer::{Accept, Answer};
pub use client::{Fetcher, Limits};
pub use error::FetchError;
pub use sleeper::{NotedSleeper, RealSleeper, Sleeper};
