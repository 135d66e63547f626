//! The words that staff give one notice: the same rules as for templates, asked of the very messages that will be sent.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;

use super::kinds::Text;
use super::lacking::{By, Typed};
use super::{Findings, flat};
use crate::message::Message;
use crate::message::document::{Block, Document};
use crate::message::facts::NoticeFacts;
use crate::message::samples::Sample;
use crate::message::templates::{Templates, notation_of, notice_file, said};
use crate::people::{Channel, Language};
use crate::season::NoticeKind;

/// One thing wrong with one of the messages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnFault {
    pub language: Language,
    pub channel: Channel,
    pub what: String,
}

/// What is wrong with a notice's messages, each given with its language; empty when nothing is. A name that makes the
/// templates' own words hard to read is no fault of these. `today` may be told beside the days of the notice.
pub fn own(
    templates: &Templates,
    kind: NoticeKind,
    (facts, today): (&NoticeFacts, NaiveDate),
    messages: &[(Language, &Message)],
) -> Vec<OwnFault> {
    let sample = Sample { name: "this notice", natural: true, facts: facts.clone() };
    let empty = |typed| Findings::of(templates, typed);
    let (mut found, mut usual) = (empty(Typed::Words), empty(Typed::Placeholders));
    for (language, message) in messages {
        let channel = channel_of(message);
        found.check_written(kind, *language, message, &sample);
        found.check_days(&notice_file(kind, *language, channel), *language, message, (facts, today));
        usual.check_notice(kind, *language, channel, &sample);
    }
    found.faults.retain(|key, _| key.1 != "ease" || !usual.faults.contains_key(key));
    let places: BTreeMap<String, (Language, Channel)> = messages
        .iter()
        .map(|(language, message)| {
            let channel = channel_of(message);
            (notice_file(kind, *language, channel), (*language, channel))
        })
        .collect();
    // A day that is missing is asked for by its name, once: it is what says when it is time.
    let (mut dated, mut asked) = (BTreeSet::new(), BTreeSet::new());
    for (file, (language, channel)) in &places {
        for (rule, day) in DAYS {
            if found.faults.contains_key(&(file.clone(), *rule)) {
                dated.insert(file.clone());
                asked.insert((*language, *channel, *day));
            }
        }
    }
    found.faults.retain(|(file, rule), _| *rule != "when" || !dated.contains(file));
    let mut gone = lines_gone(templates, kind, facts, messages);
    let mut faults: Vec<OwnFault> = found
        .faults
        .into_iter()
        .filter_map(|(key, fault)| {
            let (language, channel) = *places.get(&key.0)?;
            let told = |name: &&'static str| said(name, kind, (language, channel), facts);
            let told: Vec<String> = match found.lacking.get(&key) {
                Some(By::Names(names)) => names.iter().filter_map(told).collect(),
                _ => Vec::new(),
            };
            let mut what = if told.is_empty() { fault.what } else { format!("{}: {}", fault.what, told.join(" or ")) };
            if what.starts_with("does not say")
                && let Some(lines) = gone.remove(&(language, channel))
            {
                what += &format!("; at its head, {lines} is gone");
            }
            Some(OwnFault { language, channel, what })
        })
        .collect();
    faults.extend(
        Channel::ALL.into_iter().flat_map(|channel| languages_differ(kind, facts, (messages, &asked), channel)),
    );
    faults
}

fn channel_of(message: &Message) -> Channel {
    match message {
        Message::Sms { .. } => Channel::Sms,
        Message::Email { .. } => Channel::Email,
    }
}

/// Rules that ask for a day, and the day as [`things_said`] names it.
const DAYS: &[(&str, &str)] = &[
    ("best-first", "the first of the best days"),
    ("deadline", "the last day to wash"),
    ("was", "what the last day was before"),
];

/// The lines at the head of an e-mail, such as `“When”`, that the templates' words have and these have not.
fn lines_gone(
    templates: &Templates,
    kind: NoticeKind,
    facts: &NoticeFacts,
    messages: &[(Language, &Message)],
) -> BTreeMap<(Language, Channel), String> {
    let mut gone = BTreeMap::new();
    for (language, message) in messages {
        let channel = channel_of(message);
        let Ok(usual) = templates.render_notice(kind, *language, channel, facts) else { continue };
        let own = head_lines(message);
        let lacking: Vec<String> =
            head_lines(&usual).iter().filter(|name| !own.contains(name)).map(|name| format!("“{name}”")).collect();
        if !lacking.is_empty() {
            gone.insert((*language, channel), format!("the line {}", lacking.join(", ")));
        }
    }
    gone
}

/// The names of what an e-mail says at a glance.
fn head_lines(message: &Message) -> Vec<String> {
    let Message::Email { text, .. } = message else { return Vec::new() };
    let blocks = Document::parse(&notation_of(text)).body;
    let rows = blocks.into_iter().flat_map(|block| match block {
        Block::Glance(rows) => rows,
        _ => Vec::new(),
    });
    rows.map(|(name, _)| name).collect()
}

/// What a text must say itself and is asked for already.
type AskedFor = BTreeSet<(Language, Channel, &'static str)>;

/// A day, or the way to more, that one half of the people is told and the other is not.
fn languages_differ(
    kind: NoticeKind,
    facts: &NoticeFacts,
    (messages, asked): (&[(Language, &Message)], &AskedFor),
    channel: Channel,
) -> Vec<OwnFault> {
    let said: Vec<(Language, BTreeSet<&'static str>)> = messages
        .iter()
        .filter(|(_, message)| channel_of(message) == channel)
        .map(|(language, message)| (*language, things_said(kind, facts, *language, message)))
        .collect();
    let mut faults = Vec::new();
    for (language, own) in &said {
        let is_new = |name: &&'static str| !asked.contains(&(*language, channel, *name));
        let lacking: BTreeSet<&'static str> =
            said.iter().flat_map(|(_, other)| other.difference(own)).copied().filter(is_new).collect();
        if !lacking.is_empty() {
            let names = lacking.into_iter().collect::<Vec<_>>().join(", ");
            let what = format!("does not say {names}, which the other language says");
            faults.push(OwnFault { language: *language, channel, what });
        }
    }
    faults
}

fn things_said(kind: NoticeKind, facts: &NoticeFacts, language: Language, message: &Message) -> BTreeSet<&'static str> {
    let (text, channel) = match message {
        Message::Sms { text } => (text.clone(), Channel::Sms),
        Message::Email { subject, text, .. } => (format!("{subject} {}", flat(text)), Channel::Email),
    };
    let read = Text { file: "", text: &text, kind, language, channel, facts, sample: "" };
    let best = facts.days.and_then(|days| days.best);
    let days: [(&str, Option<NaiveDate>); 4] = [
        ("the last day to wash", Some(facts.wash_by)),
        ("the first of the best days", best.map(|best| best.first)),
        ("the last of the best days", best.map(|best| best.last)),
        ("what the last day was before", facts.days.and_then(|days| days.was)),
    ];
    let mut said: BTreeSet<&'static str> =
        days.into_iter().filter(|(_, day)| day.is_some_and(|day| read.says_day(day))).map(|(name, _)| name).collect();
    if facts.sender.public_url.as_ref().is_some_and(|url| text.contains(url)) && channel == Channel::Email {
        said.insert("the address of the page");
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::samples;

    #[track_caller]
    fn faults(facts: &NoticeFacts, kind: NoticeKind, language: Language, message: &Message) -> Vec<String> {
        let templates = Templates::load(None).unwrap();
        let found = own(&templates, kind, (facts, facts.decided_on), &[(language, message)]);
        found.into_iter().map(|fault| fault.what).collect()
    }

    #[test]
    fn the_words_of_the_templates_have_no_strange_day_and_no_mark() {
        let templates = Templates::load(None).unwrap();
        for sample in samples::all() {
            let facts = &sample.facts;
            for kind in NoticeKind::ALL {
                for language in Language::ALL {
                    let messages =
                        Channel::ALL.map(|channel| templates.render_notice(kind, language, channel, facts).unwrap());
                    let messages: Vec<_> = messages.iter().map(|message| (language, message)).collect();
                    let found = own(&templates, kind, (facts, facts.decided_on), &messages);
                    let strange = found.iter().find(|fault| {
                        ["none of the days", "as it stands"].iter().any(|what| fault.what.contains(what))
                    });
                    assert_eq!(strange, None, "{kind:?}, sample {}", sample.name);
                }
            }
        }
    }

    #[test]
    fn a_day_that_the_notice_does_not_have_is_named_with_those_it_has() {
        let facts = samples::typical().facts;
        for (language, text, piece, known) in [
            (Language::En, "Wash May 20.", "`May 20`", "Apr 12"),
            (Language::En, "Wash by 5/20.", "`5/20`", "Apr 12"),
            (Language::Es, "Lave el 20 de mayo.", "`20 de mayo`", "12 abr"),
        ] {
            let message = Message::Sms { text: text.to_owned() };
            let found = faults(&facts, NoticeKind::GetReady, language, &message);
            let of_day =
                found.iter().find(|what| what.starts_with(&format!("says {piece}, which is none of the days")));
            assert!(of_day.is_some_and(|what| what.contains(known)), "{text}: {found:?}");
        }
        // 14 March is the day on which it was decided, 8 March one of its days.
        for text in ["Written Mar 14: Mar 8", "3/14, 3/8/2026"] {
            let message = Message::Sms { text: text.to_owned() };
            let found = faults(&facts, NoticeKind::GetReady, Language::En, &message);
            assert!(!found.iter().any(|what| what.contains("none of the days")), "{text}: {found:?}");
        }
    }

    #[test]
    fn a_mark_that_people_would_read_is_a_fault_at_its_place() {
        let facts = samples::typical().facts;
        let templates = Templates::load(None).unwrap();
        let (subject, body) = templates.email_source(NoticeKind::GetReady, Language::En, &facts).unwrap();
        let former = Message::Sms { text: String::new() };
        let body = format!("{body}\n\nIn {{region}} <b>now</b>, {{{{ wash_by }}}}.\n");
        let subject = format!("{subject} {{x}}");
        let message = templates.own_email(Language::En, &facts, (&subject, &body), &former).unwrap();
        let found = faults(&facts, NoticeKind::GetReady, Language::En, &message);
        for begins in ["has `{region}`, `{{ wash_by }}`, which", "has `<b>`, `</b>`, which", "has a subject with `{x}`"]
        {
            assert!(found.iter().any(|what| what.starts_with(begins)), "{begins}: {found:?}");
        }
    }
}
