//! The pace of sending, as the settings say it.

use chrono::NaiveTime;
use serde::{Deserialize, Serialize};

use crate::people::Channel;

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct DeliveryConfig {
    /// No message leaves before this local time of the region …
    pub quiet_until: NaiveTime,
    /// … nor at or after this one.
    pub quiet_from: NaiveTime,
    /// Seconds a claim holds.
    pub lease_s: u64,
    /// Deliveries claimed at a time.
    pub batch: u32,
    /// First wait before a second try, seconds; doubles each time, with jitter.
    pub retry_first_s: u64,
    pub retry_longest_s: u64,
    /// How long an uncertain SMS waits for its delivery report before it is sent once more, minutes.
    pub uncertain_wait_min: u64,
    pub email: PaceConfig,
    pub sms: PaceConfig,
}

impl Default for DeliveryConfig {
    fn default() -> Self {
        Self {
            quiet_until: NaiveTime::from_hms_opt(8, 0, 0).unwrap_or_default(),
            quiet_from: NaiveTime::from_hms_opt(20, 0, 0).unwrap_or_default(),
            lease_s: 60,
            batch: 50,
            retry_first_s: 60,
            retry_longest_s: 4 * 3600,
            uncertain_wait_min: 15,
            email: PaceConfig { in_flight: 8, per_second: Some(20.0), per_minute: None, per_day: None },
            sms: PaceConfig { in_flight: 4, per_second: Some(1.0), per_minute: Some(60), per_day: None },
        }
    }
}

impl DeliveryConfig {
    pub fn pace(&self, channel: Channel) -> &PaceConfig {
        match channel {
            Channel::Email => &self.email,
            Channel::Sms => &self.sms,
        }
    }
}

/// Limits of one channel, shared by all workers.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct PaceConfig {
    pub in_flight: usize,
    pub per_second: Option<f64>,
    pub per_minute: Option<u32>,
    pub per_day: Option<u32>,
}

impl Default for PaceConfig {
    fn default() -> Self {
        Self { in_flight: 4, per_second: None, per_minute: None, per_day: None }
    }
}
