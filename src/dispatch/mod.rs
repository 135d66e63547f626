//! The machine that sends: the dispatcher, the channels, what comes back.

pub mod bounces;
pub mod channels;
pub mod dispatcher;

pub use channels::Channels;
pub use dispatcher::{DispatchError, Dispatcher, Drained};
