//! How alarms read. In English, as all that staff read; what went wrong inside never stands in them, since texts and e-mails
//! travel in the clear.

use std::fmt::Write as _;

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

use super::kind::AlarmKind;
use super::lifecycle::{Alarm, Change, What};
use crate::text::{escape, one_line};

/// Several changes in words for one recipient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Words {
    pub subject: String,
    pub text: String,
    pub html: String,
    /// The whole in one text message.
    pub sms: String,
}

/// Of a text message there is one segment for most, two at most.
const SMS_ROOM: usize = 300;

/// So many are told in full; of the rest there is a number.
const MOST: usize = 25;

/// What a recipient is told. `changes` are theirs, at least one; `also` are the names of the others who are told of any of
/// them; `sender` is the short name of the service.
pub fn words(changes: &[&Change], also: &[&str], sender: &str, zone: Tz, now: DateTime<Utc>) -> Words {
    let subject = match changes {
        [one] => headline(one),
        _ => {
            let ended = changes.iter().filter(|change| change.what == What::Resolved).count();
            let alarms = |n: usize| if n == 1 { "1 alarm".to_owned() } else { format!("{n} alarms") };
            match (changes.len() - ended, ended) {
                (0, ended) => format!("RESOLVED: {}", alarms(ended)),
                (there, 0) => format!("ALARM: {}", alarms(there)),
                (there, ended) => format!("ALARM: {}, {ended} resolved", alarms(there)),
            }
        }
    };
    let subject = format!("[{}] {}", one_line(sender), one_line(&subject));
    let mut text = String::new();
    for change in changes.iter().take(MOST) {
        let _ = writeln!(text, "{}\n", section(change, zone, now));
    }
    if changes.len() > MOST {
        let _ = writeln!(text, "and {} more: `treebell alarms` lists all.\n", changes.len() - MOST);
    }
    if also.is_empty() {
        text += "Nobody else is told of this.\n";
    } else {
        let _ = writeln!(text, "Also told: {}.", also.join(", "));
    }
    text += "`treebell alarms` lists what is open. Who is told of what stands in the settings under [alarms].\n";
    let html = format!("<pre style=\"white-space: pre-wrap; font: inherit\">{}</pre>", escape(&text));
    Words { subject, sms: sms(changes, sender), text, html }
}

fn headline(change: &Change) -> String {
    let alarm = &change.alarm;
    let title = alarm.kind.title();
    let about = match alarm.kind {
        AlarmKind::Station | AlarmKind::Answers | AlarmKind::Channel | AlarmKind::NoticeWaits => {
            format!(" ({})", alarm.subject)
        }
        AlarmKind::NoticeLeaves | AlarmKind::NoticeRunsOut | AlarmKind::NoticeMissed | AlarmKind::Date => {
            format!(" ({})", alarm.subject)
        }
        _ => String::new(),
    };
    match change.what {
        What::Resolved => format!("RESOLVED: {title}{about}"),
        What::Repeated => format!("STILL: {title}{about}"),
        What::Raised | What::Again | What::Noted if alarm.kind == AlarmKind::Test => "TEST: alarms arrive".to_owned(),
        What::Raised | What::Again | What::Noted => format!("ALARM: {title}{about}"),
    }
}

fn section(change: &Change, zone: Tz, now: DateTime<Utc>) -> String {
    let Alarm { what, mend, raised_at, .. } = &change.alarm;
    let since = raised_at.with_timezone(&zone).format("%a, %b %-d, %Y, %-I:%M %p %Z");
    let head = headline(change);
    match change.what {
        What::Resolved => {
            let was = if change.alarm.kind.tells_its_end() { "" } else { "It was: " };
            format!("{head}\nIt had stood since {since}, for {}. {was}{what}", lasted(now - *raised_at))
        }
        What::Repeated => {
            format!("{head}\nSince {since}, for {}.\n{what}\nWhat to do: {mend}", lasted(now - *raised_at))
        }
        What::Raised | What::Again | What::Noted => format!("{head}\n{what}\nWhat to do: {mend}"),
    }
}

fn sms(changes: &[&Change], sender: &str) -> String {
    let first = changes.iter().find(|change| change.what != What::Resolved).or(changes.first());
    let Some(first) = first else { return String::new() };
    let more = match changes.len() {
        1 => String::new(),
        many => format!(" And {} more.", many - 1),
    };
    let is_over = first.what == What::Resolved && !first.alarm.kind.tells_its_end();
    let what = if is_over { "" } else { first.alarm.what.as_str() };
    let what = if what.is_empty() { String::new() } else { format!(". {}", one_line(what)) };
    let head = format!("{}: {}{what}", one_line(sender), headline(first));
    let room = SMS_ROOM - more.chars().count();
    let mut text: String = head.chars().take(room).collect();
    if head.chars().count() > room {
        text.truncate(text.trim_end().len().min(text.char_indices().nth(room - 3).map_or(text.len(), |(at, _)| at)));
        text += "...";
    }
    text + &more
}

/// A span of time as people say it.
pub fn lasted(span: TimeDelta) -> String {
    let minutes = span.num_minutes().max(0);
    let counted = |n: i64, one: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") };
    match minutes {
        0..=119 => counted(minutes, "minute"),
        120..=2879 => counted(minutes / 60, "hour"),
        _ => counted(minutes / 1440, "day"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn change(kind: AlarmKind, what: What, said: &str) -> Change {
        let at = DateTime::UNIX_EPOCH;
        let alarm = Alarm {
            id: "x".into(),
            kind,
            subject: "ZZ-RIDGE".into(),
            machine: String::new(),
            region: None,
            urgent: false,
            what: said.into(),
            mend: "look at <it>".into(),
            raised_at: at,
            told_at: Some(at),
            times_told: 1,
            believed: true,
            seen_at: at,
            ended_at: None,
        };
        Change { what, alarm, tell: true }
    }

    #[test]
    fn one_alarm_reads_as_what_it_is_and_what_to_do() {
        let now = DateTime::UNIX_EPOCH + TimeDelta::hours(5);
        let one = change(AlarmKind::Station, What::Repeated, "No source of it answered.");
        let words = words(&[&one], &["Agent"], "Treebell", chrono_tz::UTC, now);
        assert_eq!(words.subject, "[Treebell] STILL: a station gives no temperatures (ZZ-RIDGE)");
        assert!(words.text.starts_with(
            "STILL: a station gives no temperatures (ZZ-RIDGE)\nSince Thu, Jan 1, 1970, 12:00 AM UTC, for 5 hours.\nNo source \
             of it answered.\nWhat to do: look at <it>\n"
        ));
        assert!(words.text.contains("Also told: Agent.") && words.html.contains("look at &lt;it&gt;"));
    }

    #[test]
    fn many_are_told_in_one_message_and_a_text_never_grows_long() {
        let long = "The relay says no. ".repeat(40);
        let many: Vec<Change> = (0..30).map(|_| change(AlarmKind::Channel, What::Raised, &long)).collect();
        let refs: Vec<&Change> = many.iter().collect();
        let words = words(&refs, &[], "Treebell", chrono_tz::UTC, DateTime::UNIX_EPOCH);
        assert_eq!(words.subject, "[Treebell] ALARM: 30 alarms");
        assert!(words.text.contains("and 5 more: `treebell alarms` lists all."));
        assert!(words.sms.chars().count() <= SMS_ROOM && words.sms.ends_with("... And 29 more."), "{}", words.sms);
    }
}
