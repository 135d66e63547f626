//! What happens while the service works, for whoever wants to watch: the demo's view, replay, tests.

use chrono::NaiveDate;

use crate::people::Channel;
use crate::region::RegionId;
use crate::season::{NoticeKind, Outlook};

/// What happens while a season is lived or played.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A day was assessed: one outlook a region.
    Day { day: NaiveDate, outlooks: Vec<Outlook> },
    /// A notice was decided, or a decided one went on its way.
    Notice { day: NaiveDate, region: RegionId, kind: NoticeKind, step: Step },
    /// A channel took one message.
    Delivered { region: RegionId, channel: Channel },
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Decided; goes out later unless staff hold it.
    WaitsUnlessHeld,
    /// Decided; goes out when staff confirm it.
    WaitsForStaff,
    /// Released: so many messages by each channel, and the last day to wash that they tell, if they tell one.
    GoesOut { emails: u32, texts: u32, deadline: Option<NaiveDate> },
    /// No longer of use, or called off.
    Skipped { reason: String },
}
