//! What staff are told once (`store/staff_log.rs`): some of it is an alarm, the rest is gathered by day.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use super::season::{day_words, sentence};
use crate::alarms::{AlarmKind, Condition};
use crate::people::limits::Refusal;
use crate::region::RegionId;
use crate::service::texts::ANSWERS_USED_UP;
use crate::store::staff_log::{StaffEntry, StaffKind};

/// How far back the log is looked at, so that what fell into a standstill of days is told, too. Less than an event is known for
/// ([`crate::store::alarms::KNOWN_FOR`]), so that each entry is told once.
pub(super) const LOG_REACH: TimeDelta = TimeDelta::days(6);

/// So many remarks of a day are told; of the rest there is a number.
const REMARKS: usize = 40;

/// Of what is told to staff once, what cannot wait for the day's end.
pub(super) fn of_log(entry: &StaffEntry) -> Option<Condition> {
    let happened = |kind, subject: &str, mend: &str| Condition {
        kind,
        subject: subject.to_owned(),
        region: entry.region.clone(),
        what: sentence(&entry.text),
        mend: mend.to_owned(),
    };
    let id = entry.id.as_str();
    let is_of = |refusal: Refusal| id.contains(&format!("/{}/", refusal.name()));
    Some(match entry.kind {
        StaffKind::Missed => happened(
            AlarmKind::NoticeMissed,
            id.strip_prefix("missed/").unwrap_or(id),
            "It does not go out this season any more. `treebell outlook --region ID` shows why; where people must hear of it, tell \
             them by other means.",
        ),
        StaffKind::SignUp if is_of(Refusal::TextsToday) => happened(
            AlarmKind::Texts,
            id,
            "Those who ask now are asked back tomorrow if they ask again. If the wish is honest, raise \
             limits.confirmation_texts_per_day; else see who asks in the log of the proxy.",
        ),
        // One network that asks again and again is no flood.
        StaffKind::SignUp if is_of(Refusal::Network) => return None,
        StaffKind::SignUp => happened(
            AlarmKind::SignUps,
            id,
            "See in the log of the proxy whether it is a flood. After a newspaper's article it is not: then raise the section \
             [limits] for some days.",
        ),
        StaffKind::SignIn => happened(AlarmKind::SignIns, id, &sign_in_mend(id)),
        StaffKind::Text if id.starts_with(ANSWERS_USED_UP) => happened(
            AlarmKind::Texts,
            id,
            "Stops are obeyed all the same. If so many people write honestly, raise limits.answers_per_day; else ask the gateway \
             to block the senders.",
        ),
        _ => return None,
    })
}

/// The entry's id holds the account before its last part: `recovery-code/maria/1775793600000`, `sign-in/spent/maria/2026-04-10`.
fn sign_in_mend(id: &str) -> String {
    let name = id.rsplit('/').nth(1).unwrap_or("NAME");
    format!(
        "Ask the holder whether it was they. If it was not, `treebell account lock {name}` ends it at once, and `treebell account \
         reset {name}` invites the holder anew; `treebell audit list --about account/{name}` shows what was done meanwhile."
    )
}

/// What was told to staff and is no alarm of its own, gathered by day and told when the day is over: many of them can come
/// in a day, and none is worth a message each.
pub(super) fn bundled(log: &[StaffEntry], zone: Tz, now: DateTime<Utc>) -> Vec<Condition> {
    let today = now.with_timezone(&zone).date_naive();
    let mut days: BTreeMap<(NaiveDate, AlarmKind), Vec<&StaffEntry>> = BTreeMap::new();
    // The first day of the log may be cut off.
    let first = (now - LOG_REACH).with_timezone(&zone).date_naive();
    let missed: BTreeSet<&str> = log.iter().filter_map(|entry| entry.id.strip_prefix("missed/")).collect();
    for entry in log {
        let day = entry.at.with_timezone(&zone).date_naive();
        let was_missed = entry.id.strip_prefix("skipped/").is_some_and(|notice| missed.contains(notice));
        if was_missed || of_log(entry).is_some() {
            continue;
        }
        let kind = match entry.kind {
            StaffKind::AddressUndeliverable => AlarmKind::Addresses,
            _ => AlarmKind::Remarks,
        };
        if day < today && day > first {
            days.entry((day, kind)).or_default().push(entry);
        }
    }
    let of_day = |((day, kind), entries): ((NaiveDate, AlarmKind), Vec<&StaffEntry>)| {
        let mut lines: Vec<String> = entries
            .iter()
            .rev()
            .take(REMARKS)
            .map(|entry| {
                let region = entry.region.as_ref().map_or_else(String::new, |region| format!("{region}: "));
                format!("- {region}{}", sentence(&entry.text))
            })
            .collect();
        if entries.len() > REMARKS {
            lines.push(format!("and {} more.", entries.len() - REMARKS));
        }
        let on = day_words(day);
        let (head, mend) = match kind {
            AlarmKind::Addresses => (
                match entries.len() {
                    1 => format!("On {on}, an address was given up since mail to it comes back."),
                    many => format!("On {on}, {many} addresses were given up since mail to them comes back."),
                },
                "nothing, where these are people who moved. If there are many at once, see `treebell deliveries --state bounced` for \
                 the reason: it may be us.",
            ),
            _ => (format!("Of {on}:"), "read it; nothing of it is lost if nobody answers."),
        };
        Condition {
            kind,
            subject: day.to_string(),
            // One region's remarks are its own; those of several are told to all.
            region: one_region(&entries),
            what: format!("{head}\n{}", lines.join("\n")),
            mend: mend.to_owned(),
        }
    };
    days.into_iter().map(of_day).collect()
}

fn one_region(entries: &[&StaffEntry]) -> Option<RegionId> {
    let first = entries.first()?.region.clone();
    entries.iter().all(|entry| entry.region == first).then_some(first).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn remarks_of_a_day_are_told_together_when_it_is_over() {
        let entry = |id: &str, kind, at: &str, region: Option<&str>| StaffEntry {
            id: id.into(),
            at: at.parse().unwrap(),
            region: region.map(RegionId::from),
            kind,
            text: format!("text {id}"),
            seen_at: None,
        };
        let log = [
            entry("a", StaffKind::Text, "2026-03-02T12:00:00Z", None),
            entry("b", StaffKind::Learned, "2026-03-02T13:00:00Z", Some("north")),
            entry("c", StaffKind::AddressUndeliverable, "2026-03-02T13:00:00Z", None),
            entry("d", StaffKind::Text, "2026-03-03T12:00:00Z", None),
            // What is an alarm of its own is not told again, nor the notice that is told as missed.
            entry("missed/n", StaffKind::Missed, "2026-03-02T12:00:00Z", None),
            entry("skipped/n", StaffKind::Skipped, "2026-03-02T12:00:00Z", None),
            entry("answers-used-up/2026-03-02", StaffKind::Text, "2026-03-02T12:00:00Z", None),
            entry("sign-up/flood/2026-03-02", StaffKind::SignUp, "2026-03-02T12:00:00Z", None),
            entry("sign-up/network/2026-03-02", StaffKind::SignUp, "2026-03-02T12:00:00Z", None),
            entry("sign-in/spent/olga/2026-03-02", StaffKind::SignIn, "2026-03-02T12:00:00Z", None),
        ];
        let told = bundled(&log, chrono_tz::America::Denver, "2026-03-03T20:00:00Z".parse().unwrap());
        let told: Vec<_> = told.iter().map(|one| (one.kind, one.subject.as_str(), one.what.as_str())).collect();
        assert_eq!(
            told,
            [
                (
                    AlarmKind::Addresses,
                    "2026-03-02",
                    "On Mon, Mar 2, 2026, an address was given up since mail to it comes back.\n- Text c."
                ),
                (
                    AlarmKind::Remarks,
                    "2026-03-02",
                    "Of Mon, Mar 2, 2026:\n- Text sign-up/network/2026-03-02.\n- north: Text b.\n- Text a."
                ),
            ]
        );
    }
}
