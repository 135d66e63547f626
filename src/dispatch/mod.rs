//! The machine that sends: the dispatcher, the channels, what comes back.
//!
//! The promise, in the same words everywhere: nothing is lost; a repeat is possible only for messages in flight at a
//! crash, and each is marked.

pub mod settings;

mod breaker;
pub mod channels;
pub mod dispatcher;
pub mod estimate;
mod flight;
pub mod personalise;
mod work;

pub mod bounces;

pub use channels::Channels;
pub use dispatcher::{DispatchError, Dispatcher, Drained};
