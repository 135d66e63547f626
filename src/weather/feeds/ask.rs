//! One question to one source, and what every feed can do with it.

use async_trait::async_trait;
use chrono::{DateTime, NaiveDate, Timelike, Utc};
use chrono_tz::Tz;
use url::Url;

use super::answer::{FeedError, Parsed, RejectedLine};
use crate::weather::fetch::Fetcher;
use crate::weather::station::{FeedKind, StationId};

/// One question to one source of one station.
#[derive(Clone, Copy, Debug)]
pub struct FeedQuery<'a> {
    /// Our name of the station: stands in the readings.
    pub station: &'a StationId,
    /// The source's name of the station; forms see [`crate::weather::SourceRef::id`].
    pub source: &'a str,
    /// The station's zone.
    pub time_zone: Tz,
    /// First and last day wanted, both included, as the source files them.
    pub from: NaiveDate,
    pub to: NaiveDate,
    pub now: DateTime<Utc>,
}

/// A service that can be asked for one station's days.
#[async_trait]
pub trait Feed: Send + Sync {
    /// Readings of the days asked for (others may be among them; [`super::pull`] leaves them out).
    ///
    /// # Errors
    /// When no usable answer came; see [`FeedError`].
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError>;
}

/// Leaves out days that were not asked for, and holds back what cannot be final yet: a maximum of a day that still
/// runs may still rise. A value read by an observer today, at an hour that has passed, is final.
pub(crate) fn keep_asked_days(parsed: &mut Parsed, kind: FeedKind, ask: &FeedQuery<'_>) {
    let local = ask.now.with_timezone(&ask.time_zone);
    let today = local.date_naive();
    let Parsed { readings, rejected_lines, .. } = parsed;
    readings.retain_mut(|reading| {
        if reading.day_reported < ask.from || reading.day_reported > ask.to {
            return false;
        }
        let reason = if kind.is_forecast() {
            (reading.day_reported < today).then_some("forecast for a day that is past")
        } else if reading.day_reported > today {
            Some("the day has not come yet")
        } else if reading.day_reported == today
            && !reading.observation_hour.is_some_and(|hour| (1..=local.hour()).contains(&u32::from(hour)))
        {
            Some("the day is not over yet")
        } else {
            None
        };
        if let Some(reason) = reason {
            let place = format!("{} {}", reading.day_reported, reading.element.name());
            rejected_lines.push(RejectedLine { place, reason, seen: String::new() });
            return false;
        }
        if reading.station != *ask.station {
            reading.station = ask.station.clone();
        }
        true
    });
}

/// An address below a base, whether or not the base ends with a slash.
pub(super) fn below(base_url: &Url, relative: &str) -> Url {
    let mut url = base_url.clone();
    url.set_path(&format!("{}/{relative}", base_url.path().trim_end_matches('/')));
    url
}
