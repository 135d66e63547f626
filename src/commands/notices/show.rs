//! One notice in depth, as the desk's page has it.

use std::fmt::Write as _;

use chrono::TimeDelta;
use serde_json::json;

use super::list::{json_of, profile_version};
use crate::commands::error::CommandError;
use crate::commands::format::{behind, paragraph, print_json, print_out};
use crate::delivery::pace::Estimate;
use crate::message::Message;
use crate::people::Channel;
use crate::service::app::App;
use crate::service::desk::notice::{NoticeInDepth, Reading, messages, notice_in_depth, standing_shown};
use crate::service::desk::{channel_words, kind_words, local};
use crate::store::notices::Notice;

pub(super) async fn run(app: &App, notice: &Notice, as_json: bool) -> Result<(), CommandError> {
    let seen = notice_in_depth(app, &notice.id, TimeDelta::zero()).await?;
    if as_json {
        return print_json(&whole(&seen));
    }
    print_out(&text(&seen))
}

fn text(seen: &NoticeInDepth) -> String {
    let NoticeInDepth { notice, region, .. } = seen;
    let zone = region.time_zone;
    let mut out = format!("{} for {} ({})\n{}\n", kind_words(notice.kind), region.name, notice.season.year, notice.id);
    if let Some(version) = profile_version(&notice.facts) {
        out += &format!("worked out with profile {}, version {version}\n", notice.season.profile);
    }
    let mut section = |title: &str, body: String| {
        // Writing to a string cannot fail.
        let _ = write!(out, "\n{}{body}", behind("", 2, title));
    };
    let stands = format!("{}: {}", standing_shown(notice), seen.stands);
    let stands: String = [stands].iter().chain(&seen.overtook).map(|said| paragraph(2, said)).collect();
    section("Where it stands", stands);
    let mut why = paragraph(2, &format!("{} {}", seen.why.sentence, seen.why.waits));
    for (name, value) in &seen.why.numbers {
        why += &paragraph(2, &format!("{name}: {value}"));
    }
    section("Why", why);
    let mut whom = String::new();
    for ((channel, language), count) in &seen.whom {
        whom += &format!("  {count} by {} in {}\n", channel_words(*channel), language.english_name());
    }
    if let Some(why) = seen.to_nobody() {
        let would = if whom.is_empty() { "" } else { "; it would have gone to these, as they are signed up now:" };
        whom = format!("{}{whom}", paragraph(2, &format!("nobody: {why}{would}")));
    } else if let Some(nobody) = seen.nobody() {
        whom = paragraph(2, &nobody);
    }
    section("Whom", whom);
    let mut when = String::new();
    if let Some(from) = seen.goes.from {
        when += &format!("  leaves from {}\n", local(from, zone));
    } else if let Some(now) = seen.goes.if_sent_now {
        when += &format!("  if it is sent now, the first leaves from {}\n", local(now, zone));
    }
    if let Some(left) = seen.left_from {
        when += &format!("  {} {}\n", if seen.is_to_come { "leaves from" } else { "left on" }, local(left, zone));
    }
    for (channel, estimate) in seen.all_sent_by() {
        when += &paragraph(2, &sent_by(channel, estimate, zone));
    }
    if let Some(at) = seen.useless_from() {
        when += &format!("  of no use from {}\n", local(at, zone));
    }
    for (state, count) in &seen.progress {
        when += &format!("  {count} {}\n", state.shown());
    }
    section("When", when);
    if let Some(own) = &notice.own_words {
        section("Words", format!("  changed by {} on {}\n", own.by, local(own.at, zone)));
    }
    for reading in &seen.reads {
        section(&title(reading), body(&reading.message));
    }
    out
}

/// `text messages: all sent by Sat, Mar 14, 9:12 AM MST, at the earliest`.
pub(super) fn sent_by(channel: Channel, estimate: &Estimate, zone: chrono_tz::Tz) -> String {
    let late = match estimate.too_late {
        0 => String::new(),
        n => format!("; {} would come too late at this pace", messages(n)),
    };
    match estimate.all_sent_by {
        Some(at) => format!("{}s: all sent by {}, at the earliest{late}", channel_words(channel), local(at, zone)),
        None => format!("{}s: none can be sent{late}", channel_words(channel)),
    }
}

fn title(reading: &Reading) -> String {
    let (channel, language) = (channel_words(reading.channel()), reading.language.english_name());
    let size = reading.segments.as_ref().map_or_else(String::new, |segments| {
        let parts = if segments.parts == 1 { "part" } else { "parts" };
        format!("{} {parts}, {} units {}; ", segments.parts, segments.units, segments.encoding.name())
    });
    format!("As {channel} in {language} ({size}{})", reading.ease)
}

fn body(message: &Message) -> String {
    let lines =
        |text: &str| text.lines().map(|line| format!("  | {line}").trim_end().to_owned() + "\n").collect::<String>();
    match message {
        Message::Sms { text } => paragraph(2, text),
        Message::Email { subject, text, .. } => format!("  Subject: {subject}\n\n{}", lines(text)),
    }
}

fn whole(seen: &NoticeInDepth) -> serde_json::Value {
    let mut value = json_of(&seen.notice, &seen.progress, false, true);
    let whom: Vec<serde_json::Value> = seen
        .whom
        .iter()
        .map(|((channel, language), count)| {
            json!({ "channel": channel.name(), "language": language.code(), "addresses": count })
        })
        .collect();
    let reads: Vec<serde_json::Value> = seen
        .reads
        .iter()
        .map(|reading| {
            let parts = reading.segments.as_ref().map(|segments| segments.parts);
            let (subject, text) = match &reading.message {
                Message::Sms { text } => (None, text),
                Message::Email { subject, text, .. } => (Some(subject), text),
            };
            json!({
                "channel": reading.channel().name(),
                "language": reading.language.code(),
                "subject": subject,
                "text": text,
                "parts": parts,
            })
        })
        .collect();
    let sent_by: serde_json::Map<String, serde_json::Value> = seen
        .all_sent_by()
        .map(|(channel, estimate)| {
            let value = json!({ "all_sent_by": estimate.all_sent_by, "too_late": estimate.too_late });
            (channel.name().to_owned(), value)
        })
        .collect();
    if let Some(fields) = value.as_object_mut() {
        fields.remove("all_ended");
        fields.remove("all_queued");
        fields.insert("why".into(), json!({ "sentence": seen.why.sentence, "waits": seen.why.waits,
            "numbers": seen.why.numbers.iter().map(|(name, value)| json!({ "name": name, "value": value })).collect::<Vec<_>>() }));
        fields.insert("stands".into(), seen.stands.clone().into());
        // What reads this must not take those for people who get it.
        let (get_it, would_have) = if seen.to_nobody().is_some() { (Vec::new(), whom) } else { (whom, Vec::new()) };
        fields.insert("whom".into(), get_it.into());
        fields.insert("would_have_gone_to".into(), would_have.into());
        fields.insert("recall_reason".into(), json!(seen.notice.recall_reason()));
        fields.insert("reads".into(), reads.into());
        fields.insert("leaves_from".into(), json!(seen.goes.from));
        fields.insert("sent_by".into(), sent_by.into());
    }
    value
}
