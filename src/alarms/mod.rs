//! Alarms: what staff and administrators must hear of, to whom it goes, and how long it is repeated. Pure: what is observed
//! comes from [`crate::service::alarms`], what is open from the store.

mod kind;
mod lifecycle;
pub mod settings;
pub mod words;

pub use kind::{AlarmGroup, AlarmKind};
pub use lifecycle::{Alarm, Change, Condition, Look, Pauses, What, pause_after, plan};
