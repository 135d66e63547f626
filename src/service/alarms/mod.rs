//! Alarms: what is wrong is looked for in the store and on the machine, and told to those whom the settings name.
//!
//! Every process looks, whatever its role, so that no single one that stands still takes the alarms with it. What is looked
//! for stands in the store wherever it can, so that it is the same for all; a change is written under a lock together with
//! the messages that tell it, so that it is told once.

pub mod disk;
mod keeper;
mod observe;
pub mod ping;
mod season;
mod staff_log;
mod tell;

use std::sync::Arc;

use crate::config_fault::ConfigFault;
use crate::secret::Secret;
use disk::{DiskProbe, MachineDisks};
use ping::Pinger;

/// What alarms need of the outside.
#[derive(Clone)]
pub struct AlarmParts {
    pub disks: Arc<dyn DiskProbe>,
    /// Called after each good cycle.
    pub pinger: Option<Pinger>,
}

impl Default for AlarmParts {
    fn default() -> Self {
        Self { disks: Arc::new(MachineDisks), pinger: None }
    }
}

impl AlarmParts {
    /// Those of this machine, with the URL of the setting `alarms.ping`.
    ///
    /// # Errors
    /// When that cannot be read or called.
    pub fn of(ping: Option<&Secret>) -> Result<Self, ConfigFault> {
        Ok(Self { pinger: Pinger::of(ping)?, ..Self::default() })
    }
}

pub use keeper::{AlarmKeeper, Process};
pub use tell::{Sent, put_test};
