//! What the texts of messages are called and what each is for, in words for who looks for one.

use crate::language::Language;
use crate::message::TransactionalKind;
use crate::message::samples;
use crate::message::templates::{Origin, TextKind, TextName, words_of};
use crate::season::NoticeKind;
use crate::season::phrases::capitalised;
use crate::service::desk::messages::{FaultAt, TextFault};
use crate::service::desk::region_words::quoted;
use crate::service::desk::{channel_words, kind_words};

/// `Wash now: text message`.
pub(super) fn title(name: &TextName) -> String {
    match name.kind() {
        TextKind::Notice(kind, channel) => format!("{}: {}", kind_words(kind), channel_words(channel)),
        TextKind::Letter(kind, channel) => {
            format!("{}: {}", capitalised(&kind.name().replace('-', " ").replace("zip", "ZIP")), channel_words(channel))
        }
        TextKind::Calendar => "Days to wash: calendar entry".to_owned(),
        TextKind::Part => {
            let name = name.as_str().strip_suffix(".part").unwrap_or(name.as_str());
            format!("Part: {}", name.replace('-', " "))
        }
    }
}

/// The parts of the list of texts, in their order: notices as a season brings them, letters by what they are about. Id and title.
pub(super) fn groups() -> Vec<(&'static str, String)> {
    let others = [
        ("calendar", "Calendar entry of notices"),
        ("joining", "Joining, and where the trees stand"),
        ("seen", "What people saw"),
        ("stopping", "Stopping, and starting again"),
        ("help", "Help and settings"),
        ("staff", "Alarms to staff"),
        ("parts", "Parts that several e-mails share"),
    ];
    let notices = NoticeKind::ALL.into_iter().map(|kind| (kind.name(), kind_words(kind)));
    notices.chain(others.into_iter().map(|(id, title)| (id, title.to_owned()))).collect()
}

/// In which of [`groups`] a text stands.
pub(super) fn group_of(name: &TextName) -> &'static str {
    match name.kind() {
        TextKind::Notice(kind, _) => kind.name(),
        TextKind::Letter(kind, _) => group_of_letter(kind),
        TextKind::Calendar => "calendar",
        TextKind::Part => "parts",
    }
}

fn group_of_letter(kind: TransactionalKind) -> &'static str {
    match kind {
        TransactionalKind::Confirm
        | TransactionalKind::NotCovered
        | TransactionalKind::Welcome
        | TransactionalKind::WhichZip
        | TransactionalKind::CoveredNow
        | TransactionalKind::KeptZip
        | TransactionalKind::HowHigh
        | TransactionalKind::HeightKept => "joining",
        TransactionalKind::FollowUp | TransactionalKind::Thanks => "seen",
        TransactionalKind::Stopped | TransactionalKind::Resumed => "stopping",
        TransactionalKind::Help | TransactionalKind::NotUnderstood | TransactionalKind::Preferences => "help",
        TransactionalKind::Alarm => "staff",
    }
}

/// What it is for, in a sentence.
pub(super) fn purpose(name: &TextName) -> &'static str {
    match name.kind() {
        TextKind::Notice(kind, _) => purpose_of_notice(kind),
        TextKind::Letter(kind, _) => purpose_of_letter(kind),
        TextKind::Calendar => "The days to wash, for the reader’s own calendar; comes with the e-mails of notices.",
        TextKind::Part => purpose_of_part(name.as_str()),
    }
}

fn purpose_of_notice(kind: NoticeKind) -> &'static str {
    match kind {
        NoticeKind::GetReady => "Tells owners that egg laying comes soon.",
        NoticeKind::InspectNow => "Asks owners to look for eggs on their trees.",
        NoticeKind::WashNow => "Tells owners that the best days to wash have come.",
        NoticeKind::DeadlineMoved => "Tells owners of a new last day to wash.",
        NoticeKind::LastDaysToWash => "Tells owners that the last day to wash is near.",
        NoticeKind::TooLateToWash => "Tells owners that eggs hatch, and what still helps.",
    }
}

fn purpose_of_letter(kind: TransactionalKind) -> &'static str {
    match kind {
        TransactionalKind::Confirm => "Asks whoever signed up to say that it was them.",
        TransactionalKind::NotCovered => "As “Confirm”, for a ZIP code that no region has yet.",
        TransactionalKind::Welcome => "Comes once somebody has confirmed.",
        TransactionalKind::Stopped => "Answers somebody who stopped.",
        TransactionalKind::Resumed => "Answers somebody who had stopped and starts again.",
        TransactionalKind::Help => "Answers HELP.",
        TransactionalKind::WhichZip => "Asks somebody who wants to join for their ZIP code.",
        TransactionalKind::NotUnderstood => "Answers a text that nobody can make sense of.",
        TransactionalKind::CoveredNow => "Tells somebody who waited that their ZIP code has a region now.",
        TransactionalKind::Thanks => "Answers somebody who told what they saw.",
        TransactionalKind::FollowUp => "Asks what people saw, some days after “Inspect now”.",
        TransactionalKind::KeptZip => "Tells somebody that no region has their ZIP code yet, and that it is kept.",
        TransactionalKind::Preferences => "Brings the link to change what one gets.",
        TransactionalKind::HowHigh => "Asks how high up the trees stand, where a ZIP code climbs a mountain.",
        TransactionalKind::HeightKept => "Answers somebody who told how high up their trees stand.",
        TransactionalKind::Alarm => "Tells staff that something is wrong.",
    }
}

fn purpose_of_part(name: &str) -> &'static str {
    match name {
        "basis.part" => "What the dates rest on, and how sure they are.",
        "beans.part" => "How to see whether a tree has the insect at all.",
        "call.part" => "When to call about bark beetles.",
        "care.part" => "How to stay safe while washing.",
        "deadline.part" => "What the last day to wash means.",
        "footer.part" => "The small print of notices: why it came, how to stop, your address.",
        "insecticides.part" => "Insecticides, with their cautions.",
        "letter-footer.part" => "The small print of letters: where to ask, how to stop, your address.",
        "look.part" => "What eggs look like and where to find them.",
        "takes.part" => "How many eggs a wash takes.",
        "wash.part" => "How to wash, step by step.",
        _ => "Stands in several e-mails.",
    }
}

/// Whose words they are: `as it came with the program`.
pub(super) fn whose(origin: &Origin) -> String {
    match origin {
        Origin::Shipped => "as it came with the program".to_owned(),
        Origin::Folder(path) => format!("from the settings’ file {}", path.display()),
        Origin::Staff => "your own words".to_owned(),
    }
}

/// Of both languages, in one where they agree.
pub(super) fn whose_of_all(origins: &[(Language, Origin)]) -> String {
    match origins {
        [(_, first), rest @ ..] if rest.iter().all(|(_, origin)| origin == first) => whose(first),
        all => {
            let each = all.iter().map(|(of, origin)| format!("{}: {}", of.english_name(), whose(origin)));
            each.collect::<Vec<_>>().join("; ")
        }
    }
}

/// What is wrong with a draft, as a sentence.
pub(super) fn told(fault: &TextFault) -> String {
    // The table of placeholders stands on the page.
    let what = with_examples(fault.what.split("; names to use here").next().unwrap_or_default());
    let what = quoted(&with_meanings(&what));
    let said = match &fault.at {
        FaultAt::Text => format!("The text {what}"),
        FaultAt::Notation(None) => capitalised(&what),
        FaultAt::Notation(Some(line)) => format!("Line {line}: {what}"),
        FaultAt::Within(text) => format!("“{}”, which it is part of, {what}", title(text)),
        FaultAt::Throughout(texts) => format!("Each of {texts} texts that it is part of {what}"),
    };
    if said.ends_with(['.', '!', '?']) { said } else { said + "." }
}

/// Placeholders that are to be put somewhere, each with what it stands for.
fn with_meanings(what: &str) -> String {
    let mut parts = what.split("}}");
    let mut said = parts.next().unwrap_or_default().to_owned();
    for rest in parts {
        let name = said.rsplit_once("{{ ").map_or("", |(_, name)| name.trim());
        let meaning = words_of(name);
        let is_put = rest.starts_with(" where it belongs") || rest.starts_with(" or {{");
        said += "}}";
        if is_put && !meaning.is_empty() {
            said += &format!(" ({meaning})");
        }
        said += rest;
    }
    said
}

/// The samples as the page calls them, where it lets one choose between them.
fn with_examples(what: &str) -> String {
    samples::all().iter().fold(what.to_owned(), |said, of| {
        said.replace(&format!("sample `{}`", of.name), &format!("the example “{}”", sample_words(of.name)))
    })
}

/// What an invented notice is like.
pub(super) fn sample_words(name: &str) -> &str {
    match name {
        "typical" => "a usual year",
        "plain" => "the heat sum is reached, no public page",
        "seen" => "eggs were seen",
        "cooler" => "cool weather moved the last day",
        "warmer" => "warm weather moved the last day",
        "reported" => "reports moved the last day",
        "hatching" => "the hatch was seen",
        "open-ended" => "few years, another station helps",
        "unmeasured" => "hardly anything was measured",
        "longest" => "the longest names",
        "accented" => "the longest names, with accents",
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_text_says_what_it_is_for() {
        for name in TextName::all() {
            let said = purpose(&name);
            assert!(said.ends_with('.') && said != purpose_of_part("none"), "{name}: {said}");
        }
    }

    #[test]
    fn a_fault_is_told_with_what_placeholders_stand_for_and_without_marks_of_programs() {
        let told_of = |at: FaultAt, what: &str| told(&TextFault { language: None, at, what: what.to_owned() });
        assert_eq!(
            told_of(FaultAt::Text, "does not say who: put {{ sender_short }} or {{ wash_by }} where it belongs"),
            format!(
                "The text does not say who: put {{{{ sender_short }}}} ({}) or {{{{ wash_by }}}} (the last day to wash) where \
                 it belongs.",
                words_of("sender_short")
            )
        );
        assert_eq!(
            told_of(FaultAt::Throughout(5), "says `eggs now` where nobody has seen eggs"),
            "Each of 5 texts that it is part of says “eggs now” where nobody has seen eggs."
        );
    }

    #[test]
    fn every_text_stands_in_one_part_of_the_list() {
        let groups = groups();
        for name in TextName::all() {
            assert_eq!(groups.iter().filter(|(id, _)| *id == group_of(&name)).count(), 1, "{name}");
        }
    }
}
