//! The washing window as an entry for the reader's own calendar: an iCalendar object (RFC 5545) with one event of whole
//! days.

use chrono::{Days, NaiveDate, NaiveTime};
use icalendar::{Calendar, Component, Event, EventLike, Property};

use super::facts::NoticeFacts;
use super::personal::one_line;
use crate::season::NoticeKind;

/// Writes the entry; `None` for a notice that has no washing window ahead.
///
/// All notices of a season and region share one UID and count up its SEQUENCE, so that a later notice moves the entry of
/// an earlier one and adds no second.
pub(super) fn entry(kind: NoticeKind, facts: &NoticeFacts, summary: &str, description: &str) -> Option<String> {
    let best = facts.days.and_then(|days| days.best);
    let (sequence, first) = match (kind, best) {
        // Too early to name a last day: it would move.
        (NoticeKind::GetReady, _) | (NoticeKind::InspectNow, Some(_)) => return None,
        (NoticeKind::InspectNow, None) => (1, facts.decided_on),
        (NoticeKind::WashNow, _) => (2, facts.decided_on),
        (NoticeKind::DeadlineMoved, best) => {
            (3, best.map_or(facts.decided_on, |best| best.first.max(facts.decided_on)))
        }
        (NoticeKind::LastDaysToWash, _) => (4, facts.decided_on),
        (NoticeKind::TooLateToWash, _) => return None,
    };
    let last = facts.wash_by.max(first);
    let mut event =
        Event::with_uid(&format!("wash-{}-{}@treebell.invalid", one_line(facts.region_id.as_str()), facts.season));
    event
        .timestamp(facts.decided_on.and_time(NaiveTime::MIN).and_utc())
        .sequence(sequence)
        .starts(first)
        // An end that is a date is exclusive (RFC 5545, section 3.6.1): the day after the last one.
        .ends(day_after(last))
        .summary(summary)
        .description(description)
        .location(&one_line(&facts.region_name))
        // The window leaves the reader's days free.
        .add_property("TRANSP", "TRANSPARENT");
    let mut calendar = Calendar::empty();
    for property in
        [("VERSION", "2.0"), ("PRODID", "-//Treebell//Notices//EN"), ("CALSCALE", "GREGORIAN"), ("METHOD", "PUBLISH")]
    {
        calendar.append_property(Property::from(property));
    }
    calendar.push(event.done());
    Some(calendar.to_string())
}

fn day_after(day: NaiveDate) -> NaiveDate {
    day.checked_add_days(Days::new(1)).unwrap_or(day)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::samples;

    /// RFC 5545, section 3.1: a line break followed by a blank joins two lines.
    fn unfolded(text: &str) -> Vec<String> {
        text.replace("\r\n ", "").split_terminator("\r\n").map(str::to_owned).collect()
    }

    #[test]
    fn an_entry_says_what_rfc_5545_asks_for() {
        let facts = samples::typical().facts;
        let text = entry(NoticeKind::WashNow, &facts, "Wash; now, \\ please", "One\nTwo").unwrap();
        assert_eq!(
            unfolded(&text),
            [
                "BEGIN:VCALENDAR",
                "VERSION:2.0",
                "PRODID:-//Treebell//Notices//EN",
                "CALSCALE:GREGORIAN",
                "METHOD:PUBLISH",
                "BEGIN:VEVENT",
                "DESCRIPTION:One\\nTwo",
                "DTEND;VALUE=DATE:20260413",
                "DTSTAMP:20260314T000000Z",
                "DTSTART;VALUE=DATE:20260314",
                "LOCATION:Cedar Flat",
                "SEQUENCE:2",
                "SUMMARY:Wash\\; now\\, \\\\ please",
                "TRANSP:TRANSPARENT",
                "UID:wash-cedar-flat-2026@treebell.invalid",
                "END:VEVENT",
                "END:VCALENDAR",
            ]
        );
    }

    #[test]
    fn long_lines_are_folded_at_75_octets_and_never_inside_a_character() {
        let long = "ñandú árbol ".repeat(30);
        let text = entry(NoticeKind::WashNow, &samples::typical().facts, "Wash", long.trim()).unwrap();
        assert!(text.ends_with("\r\n") && !text.replace("\r\n", "").contains(['\r', '\n']));
        assert!(text.split("\r\n").all(|line| line.len() <= 75));
        assert!(unfolded(&text).contains(&format!("DESCRIPTION:{}", long.trim())));
    }

    fn line(facts: &NoticeFacts, kind: NoticeKind, start: &str) -> Option<String> {
        let lines = unfolded(&entry(kind, facts, "Wash", "x").unwrap());
        lines.into_iter().find(|line| line.starts_with(start))
    }

    #[test]
    fn a_later_notice_moves_the_same_entry() {
        let facts = samples::typical().facts;
        let line = |kind, start| line(&facts, kind, start);
        assert_eq!(line(NoticeKind::WashNow, "UID:"), line(NoticeKind::LastDaysToWash, "UID:"));
        assert_eq!(line(NoticeKind::WashNow, "SEQUENCE:").as_deref(), Some("SEQUENCE:2"));
        assert_eq!(line(NoticeKind::DeadlineMoved, "SEQUENCE:").as_deref(), Some("SEQUENCE:3"));
        assert_eq!(line(NoticeKind::LastDaysToWash, "SEQUENCE:").as_deref(), Some("SEQUENCE:4"));
        // The best days lie ahead.
        assert_eq!(line(NoticeKind::DeadlineMoved, "DTSTART").as_deref(), Some("DTSTART;VALUE=DATE:20260330"));
    }

    #[test]
    fn there_is_no_entry_before_the_deadline_is_told_and_none_after_it() {
        let mut facts = samples::typical().facts;
        for kind in [NoticeKind::GetReady, NoticeKind::InspectNow, NoticeKind::TooLateToWash] {
            assert_eq!(entry(kind, &facts, "Wash", "x"), None, "{}", kind.name());
        }
        // A profile that tells no best days has the deadline told with "look now".
        facts.days = facts.days.map(|days| crate::season::WindowDays { best: None, ..days });
        assert_eq!(line(&facts, NoticeKind::InspectNow, "SEQUENCE:").as_deref(), Some("SEQUENCE:1"));
        assert_eq!(line(&facts, NoticeKind::InspectNow, "DTEND").as_deref(), Some("DTEND;VALUE=DATE:20260413"));
        assert_eq!(entry(NoticeKind::GetReady, &facts, "Wash", "x"), None);
    }
}
