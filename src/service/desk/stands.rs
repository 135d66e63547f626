//! Where a notice stands, in sentences with local times: when it leaves or left, how many of its messages are sent, and until when
//! it can be stopped.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

use super::held::hold_end;
use super::left::{OF_REPORT, OF_REPORT_ASIDE, left_by_itself};
use super::rests_on::report_of;
use super::{local, overtaken};
use crate::delivery::pace::Estimate;
use crate::delivery::state::DeliveryState;
use crate::people::Channel;
use crate::region::Region;
use crate::season::phrases::capitalised;
use crate::store::notices::{Notice, NoticeState, Recall, ReleasePlan};

/// When it goes.
#[derive(Clone, Debug, PartialEq)]
pub struct Goes {
    /// When the first message may leave; `None` while nobody has said so, or when nothing leaves any more.
    pub from: Option<DateTime<Utc>>,
    /// If it were sent now, when the first message might leave.
    pub if_sent_now: Option<DateTime<Utc>>,
    /// When all have it, by channel: of one that waits, if it leaves `from`, or else now.
    pub all_sent_by: BTreeMap<Channel, Estimate>,
    /// It is of no use from then on.
    pub useless_from: DateTime<Utc>,
}

/// The instant at which it leaves with nobody saying more.
pub fn leaves_by_itself(notice: &Notice) -> Option<DateTime<Utc>> {
    match (&notice.state, &notice.plan) {
        (NoticeState::Waiting | NoticeState::Leaving { .. }, ReleasePlan::At(at)) => Some(*at),
        (NoticeState::Held { until: Some(until) }, ReleasePlan::At(at)) => Some(*until.max(at)),
        _ => None,
    }
}

/// How far one is that has left.
#[derive(Clone, Copy)]
pub(super) struct HowFar<'a> {
    pub all_out: bool,
    pub had_nobody: bool,
    /// The report that it rests on was set aside.
    pub is_aside: bool,
    /// Where its deliveries stand; of one that is out and had somebody to go to none is left once they are kept no longer.
    pub progress: &'a BTreeMap<DeliveryState, u64>,
    /// For how many days deliveries are kept.
    pub kept_days: u32,
}

/// Of one that has left and was not recalled; its messages leave `from` an hour on.
pub(super) fn stands_left(
    notice: &Notice,
    region: &Region,
    goes: &Goes,
    how_far: HowFar<'_>,
    (from, now): (DateTime<Utc>, DateTime<Utc>),
) -> String {
    let hour = local(from, region.time_zone);
    let by = match notice.released_by() {
        Some(_) if left_by_itself(notice).is_some() && report_of(notice).is_some() => {
            format!(", {}", if how_far.is_aside { OF_REPORT_ASIDE } else { OF_REPORT })
        }
        Some(by) if left_by_itself(notice).is_none() => format!(", sent by {by}"),
        _ => ", by itself".to_owned(),
    };
    let out = all_out_by(goes, region, now);
    match how_far {
        HowFar { had_nobody: true, .. } if from > now => format!("It left{by}, and had nobody to go to."),
        HowFar { had_nobody: true, .. } => format!("It left on {hour}{by}, and had nobody to go to."),
        HowFar { all_out: true, progress, kept_days, .. } if progress.is_empty() => {
            format!(
                "Sent: it left on {hour}{by}. How many messages were sent is no longer kept: {}.",
                deleted(kept_days)
            )
        }
        HowFar { all_out: true, .. } => format!("Sent: it left on {hour}{by}."),
        HowFar { all_out: false, .. } if from > now => {
            let out = out.map_or_else(String::new, |by| format!(" {}.", capitalised(&by)));
            format!("Its messages leave from {hour} on; until then it can be recalled.{out}")
        }
        HowFar { all_out: false, progress, .. } => {
            let out = out.map_or_else(String::new, |by| format!("; {by}"));
            // Messages that only wait are not being sent.
            let begins = if gone(progress) == 0 { "It left on" } else { "Being sent since" };
            format!("{begins} {hour}{by}: {}{out}.", sent_and_waiting(progress))
        }
    }
}

/// Messages that have gone out.
pub(super) fn gone(progress: &BTreeMap<DeliveryState, u64>) -> u64 {
    let of = |state| progress.get(&state).copied().unwrap_or(0);
    of(DeliveryState::Sent) + of(DeliveryState::Delivered) + of(DeliveryState::Bounced)
}

/// `12 messages are sent and 22 wait`; of one that nothing is queued of yet, that it is being queued.
fn sent_and_waiting(progress: &BTreeMap<DeliveryState, u64>) -> String {
    let of = |state| progress.get(&state).copied().unwrap_or(0);
    let waiting = of(DeliveryState::Queued) + of(DeliveryState::Leased);
    let known = match (gone(progress), waiting) {
        (0, 0) => None,
        (0, 1) => Some("1 message waits, and is not sent yet".to_owned()),
        (0, waiting) => Some(format!("{waiting} messages wait, and none is sent yet")),
        (sent, 0) => Some(format!("{} sent so far", are(sent))),
        (sent, 1) => Some(format!("{} sent and 1 waits", are(sent))),
        (sent, waiting) => Some(format!("{} sent and {waiting} wait", are(sent))),
    };
    let doubtful = match of(DeliveryState::Uncertain) {
        0 => None,
        1 => Some("of 1 message it is not known yet whether it is sent".to_owned()),
        n => Some(format!("of {n} messages it is not known yet whether they are sent")),
    };
    let said: Vec<String> = known.into_iter().chain(doubtful).collect();
    if said.is_empty() { "its messages are being queued".to_owned() } else { said.join("; ") }
}

/// `1 message is`, `12 messages are`.
fn are(count: u64) -> String {
    format!("{} {}", messages(count), if count == 1 { "is" } else { "are" })
}

/// What the settings say of single messages, after a colon.
pub(super) fn deleted(days: u32) -> String {
    format!("single messages are deleted after {days} days")
}

/// What staff can do for people who have the message of a recalled notice.
const AFTER_RECALL: &str = "Who has its message gets none about the recall. The region's public page says that it was \
     recalled, and what stands now. The next notice of the season tells its own days.";

pub(super) fn stands(notice: &Notice, region: &Region, goes: &Goes, now: DateTime<Utc>) -> String {
    let at = |instant| local(instant, region.time_zone);
    let end = at(notice.expires_at);
    if let Some(recall) = &notice.recall {
        let said = capitalised(&recalled(recall, region.time_zone));
        return match recall.gone + recall.maybe {
            0 => format!("{said}."),
            _ => format!("{said}. {AFTER_RECALL}"),
        };
    }
    match &notice.state {
        NoticeState::Leaving { by } => {
            let out = all_out_by(goes, region, now).map_or_else(String::new, |by| format!("; {by}"));
            match goes.from.map(at) {
                Some(from) => format!(
                    "It leaves on the word of {by}: the first message on {from}{out}. It can be taken back until {from}."
                ),
                None => format!("It leaves on the word of {by}{out}."),
            }
        }
        NoticeState::Held { until: Some(until) } if leaves_by_itself(notice).is_some() => {
            let from = goes.from.map_or_else(String::new, |from| format!(" and leaves on {}", at(from)));
            format!(
                "Held until {}; then it waits no longer{from}. It is of use until {end}.",
                hold_end(*until, region.time_zone)
            )
        }
        NoticeState::Held { until: Some(until) } => {
            format!(
                "Held until {}; then it asks for a word again. It is of use until {end}.",
                hold_end(*until, region.time_zone)
            )
        }
        NoticeState::Held { until: None } => {
            format!("Held until somebody sends it or calls it off. It is of use until {end}; then it is skipped.")
        }
        NoticeState::Waiting if notice.expires_at <= now => format!("It was of use until {end}, and nobody sent it."),
        NoticeState::Waiting => match goes.from {
            Some(from) => format!("It leaves by itself on {} unless it is held.", at(from)),
            None => format!("It waits for a word. Without one it is skipped on {end}."),
        },
        // Said by whoever knows the hour from which its messages leave.
        NoticeState::Released { .. } => String::new(),
        NoticeState::Skipped if overtaken::ran_out_held(notice) => {
            format!("It ended unsent: it was of use until {}.", overtaken::of_use_until(notice, region.time_zone))
        }
        NoticeState::Skipped => "It was skipped: it goes out no more.".to_owned(),
        NoticeState::Cancelled => "It was called off: it goes out no more this season.".to_owned(),
    }
}

/// `recalled by M. Reyes on Mon, Mar 16, 10:30 AM MDT: 12 messages had gone out`.
pub(super) fn recalled(recall: &Recall, zone: Tz) -> String {
    let by = if recall.by.is_empty() { "staff" } else { &recall.by };
    let maybe = match recall.maybe {
        0 => String::new(),
        n => format!("; of {n} more it was not known"),
    };
    format!("recalled by {by} on {}: {} had gone out{maybe}", local(recall.at, zone), messages(recall.gone))
}

/// `all are out by about 10:05 AM`, with the day where that is not today's; `None` where nobody can say, or some come too late.
fn all_out_by(goes: &Goes, region: &Region, now: DateTime<Utc>) -> Option<String> {
    let zone = region.time_zone;
    let estimates: Vec<&Estimate> = goes.all_sent_by.values().collect();
    if estimates.iter().any(|estimate| estimate.too_late > 0) {
        return None;
    }
    let last = estimates.iter().filter_map(|estimate| estimate.all_sent_by).max()?;
    // To the minute after it: by then they are.
    let last = (last + TimeDelta::seconds(59)).with_timezone(&zone);
    let is_today = last.date_naive() == now.with_timezone(&zone).date_naive();
    let by = if is_today { last.format("%-I:%M %p").to_string() } else { local(last.with_timezone(&Utc), zone) };
    Some(format!("all are out by about {by}"))
}

/// `1 message`, `12 messages`.
pub fn messages(count: u64) -> String {
    if count == 1 { "1 message".to_owned() } else { format!("{count} messages") }
}
