//! When a notice left, in words: of that its messages tell, which wait for the end of quiet hours.

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use super::local;
use crate::delivery::quiet_hours::QuietHours;
use crate::store::field_reports::{SaidBy, StoredReport};
use crate::store::notices::{Notice, NoticeState};

/// Behind "left", of one that a report let out.
pub(super) const OF_REPORT: &str = "because of a confirmed report";

/// The same, once that report was set aside or is one of another season.
pub(super) const OF_REPORT_ASIDE: &str = "because of a report that was confirmed then";

/// When it left with nobody asked; `None`: it did not, or somebody sent it.
pub fn left_by_itself(notice: &Notice) -> Option<DateTime<Utc>> {
    match &notice.state {
        NoticeState::Released { at, by } if by == "policy" => Some(*at),
        _ => None,
    }
}

/// Of one that has left, when its first message might leave: whatever was queued in quiet hours waits for their end.
pub fn left_from(notice: &Notice, quiet: QuietHours, zone: Tz) -> Option<DateTime<Utc>> {
    notice.released_at().map(|at| quiet.next_allowed(at, zone))
}

/// `left by itself on Mon, Mar 16, 9:00 AM MDT`; while that hour is still to come: `leaves by itself from …`. `how` is what stands
/// between, with a space before it.
pub fn left_words(how: &str, from: DateTime<Utc>, zone: Tz, now: DateTime<Utc>) -> String {
    let hour = local(from, zone);
    if from > now { format!("leaves{how} from {hour}") } else { format!("left{how} on {hour}") }
}

/// How a notice left because of a report; `from` is what [`left_from`] gives.
pub(super) fn left_because_of(report: &StoredReport, from: DateTime<Utc>, zone: Tz, now: DateTime<Utc>) -> String {
    let how = match report.change.by {
        SaidBy::Staff => format!(" because of the report that {} confirmed,", report.change.by_words()),
        SaidBy::Rule | SaidBy::Teller => " because of the report, which counted at once,".to_owned(),
    };
    left_words(&how, from, zone, now)
}
