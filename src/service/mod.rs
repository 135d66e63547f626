//! Where pure and impure meet: the cycle, the schedule, catch-up, replay, the daemon.

pub mod assess;
pub mod cycle;
pub mod daemon;
pub mod enrolment;
pub mod event;
pub mod fitting;
pub mod follow_up;
pub mod import;
pub mod inbound;
pub mod parts;
pub mod past;
pub mod picture;
pub mod preferences;
pub mod pull;
pub mod record;
pub mod replay;
pub mod stop_links;
pub mod tokens;
pub mod verify;

pub mod demo;

pub use cycle::record_of_forecast;
