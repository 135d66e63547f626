//! The names that may stand in a text, for who writes it: how each is typed, what it stands for, what it is with some facts.

use std::collections::BTreeMap;

use minijinja::value::{Value, ValueKind};

use super::faults::line_of;
use super::own::STOP_LINK;
use super::texts::{TextKind, TextName};
use super::values::{Names, TRANSACTIONAL_NAMES, notice_values, transactional_values};
use crate::message::facts::NoticeFacts;
use crate::message::personal::STOP_LINK_PLACE;
use crate::message::transactional::{TransactionalFacts, TransactionalKind};
use crate::people::{Channel, Language};
use crate::season::NoticeKind;

/// A name that may stand in a text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Placeholder {
    pub name: &'static str,
    /// What it stands for.
    pub words: &'static str,
    /// What it is in the example; `None` where it is not known there.
    pub example: Option<String>,
    /// It only chooses between words.
    pub asked: bool,
}

impl Placeholder {
    /// As it is typed: `{{ wash_by }}`, or `{% if provisional %}` of what only chooses between words.
    pub fn typed(&self) -> String {
        typed(self.name)
    }

    /// Whether it stands in words as somebody writes them, be they in order or not.
    pub fn stands_in(&self, words: &str) -> bool {
        line_of(words, self.name).is_some()
    }
}

impl TextName {
    /// What may stand in it, each with what it is in English with these facts, or in a letter from the same sender.
    pub fn placeholders(&self, facts: &NoticeFacts) -> Vec<Placeholder> {
        let values = values_of(self, Language::En, facts);
        let placeholder = |&name: &&'static str| Placeholder {
            name,
            words: words_of(name),
            example: values.get(name).and_then(shown),
            asked: is_asked(name),
        };
        self.values().iter().map(placeholder).collect()
    }
}

/// What a text is filled in with: the values of a notice with these facts, or of a letter from the same sender.
pub(super) fn values_of(text: &TextName, language: Language, facts: &NoticeFacts) -> BTreeMap<&'static str, Value> {
    let notice = |kind, channel| notice_values(kind, facts, language, channel, Names::AsWritten);
    let letter = |kind, channel| {
        let letter = TransactionalFacts::sample_for(kind, &facts.sender, &facts.region_name);
        transactional_values(&letter, language, channel, Names::AsWritten)
    };
    match text.kind() {
        TextKind::Notice(kind, channel) => notice(kind, channel),
        TextKind::Letter(kind, channel) => letter(kind, channel),
        TextKind::Part if text.values() == TRANSACTIONAL_NAMES.as_slice() => {
            letter(TransactionalKind::Welcome, Channel::Email)
        }
        TextKind::Part | TextKind::Calendar => notice(NoticeKind::WashNow, Channel::Email),
    }
}

/// `{{ wash_by }}`.
pub(in crate::message) fn typed(name: &str) -> String {
    if is_asked(name) { format!("{{% if {name} %}}") } else { format!("{{{{ {name} }}}}") }
}

/// What a name stands for; empty if there is none of it.
pub fn words_of(name: &str) -> &'static str {
    found(name).map_or("", |(_, _, words)| *words)
}

/// What a name stands for in a notice, as its readers are told it; `None` where it tells nothing by itself.
pub(in crate::message) fn said(
    name: &str,
    kind: NoticeKind,
    (language, channel): (Language, Channel),
    facts: &NoticeFacts,
) -> Option<String> {
    let values = notice_values(kind, facts, language, channel, Names::AsWritten);
    let value = values.get(name).filter(|_| !is_asked(name))?;
    match value.as_str() {
        Some(STOP_LINK_PLACE) => Some(STOP_LINK.to_owned()),
        _ => shown(value),
    }
}

fn is_asked(name: &str) -> bool {
    found(name).is_some_and(|(_, how, _)| *how == How::Asked)
}

fn found(name: &str) -> Option<&'static (&'static str, How, &'static str)> {
    WORDS.iter().find(|(of, ..)| *of == name)
}

fn shown(value: &Value) -> Option<String> {
    match value.kind() {
        ValueKind::None | ValueKind::Undefined => None,
        ValueKind::Bool => Some(if value.is_true() { "yes" } else { "no" }.to_owned()),
        ValueKind::Seq => {
            let all: Vec<String> = value.try_iter().ok()?.map(|one| one.to_string()).collect();
            (!all.is_empty()).then(|| all.join(", "))
        }
        _ => Some(value.to_string().replace(STOP_LINK_PLACE, "each reader’s own")),
    }
}

/// What a name is for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum How {
    /// Its value is put into the text.
    Put,
    /// It chooses between words.
    Asked,
}

use How::{Asked, Put};

/// Every name in words: first those of notices, then those that only letters have.
const WORDS: &[(&str, How, &str)] = &[
    ("basis", Asked, "what the notice rests on: seen, heat or chance"),
    ("begun", Asked, "how sure it is that egg laying has begun: seen, probably or maybe"),
    ("best_days", Put, "the best days to wash"),
    ("best_first", Put, "the first of the best days to wash"),
    ("best_last", Put, "the last of the best days, if the last day to wash comes later"),
    ("borrowed", Put, "a sentence on the station whose past years help out"),
    ("deadline_rule", Asked, "the rule that sets the last day to wash"),
    ("estimated", Put, "a sentence on how many days were estimated"),
    ("grid", Put, "who makes the grid of estimates, where no station is near"),
    ("hatch_began", Put, "the day on which the first eggs may have hatched"),
    ("hatch_early", Put, "the earliest day of the hatch"),
    ("hatch_likely", Put, "the likely day of the hatch"),
    ("hatch_past_error", Put, "a sentence on how far off the day of the hatch was in past years"),
    ("hatch_seen", Asked, "whether somebody has seen the hatch"),
    ("hatch_spread", Put, "the days between which eggs begin to hatch"),
    ("hatch_words", Put, "the days of the first hatch, in words for a sentence"),
    ("hatched", Asked, "how sure it is that eggs have hatched: seen, probably or maybe"),
    ("heat_needed", Put, "the heat at which egg laying begins, in °F degree-days"),
    ("heat_sum", Put, "the heat so far, in °F degree-days"),
    ("help_contact", Put, "where people can ask"),
    ("kind", Asked, "which notice it is"),
    ("laying_began", Put, "the day on which egg laying began"),
    ("laying_likely", Put, "the likely first day of egg laying"),
    ("laying_past_error", Put, "a sentence on how far off the first day of egg laying was in past years"),
    ("laying_spread", Put, "the days between which egg laying begins"),
    ("laying_words", Put, "the days of the first eggs, in words for a sentence"),
    ("moved", Asked, "whether the last day to wash is now earlier or later"),
    ("moved_by", Asked, "what moved the last day to wash: cool weather, warm weather or reports"),
    ("postal_address", Put, "your postal address"),
    ("provisional", Asked, "whether nobody has measured the heat number yet"),
    ("public_url", Put, "the address of your pages"),
    ("region_name", Put, "the name of the region"),
    ("region_url", Put, "the address of the region’s own page"),
    ("season", Put, "the year of the season"),
    ("sender_name", Put, "your name in full"),
    ("sender_short", Put, "your name as texts have it"),
    ("settled", Put, "the day by which most young scales have settled"),
    ("station_name", Put, "the name of the weather station"),
    ("stop_url", Put, "the reader’s own link to stop"),
    ("wash_by", Put, "the last day to wash"),
    ("wash_by_was", Put, "what the last day to wash was before"),
    ("wash_loss", Put, "how many of 100 eggs each later day costs"),
    ("wash_second", Put, "how many more of 100 eggs a second wash takes"),
    ("wash_takes", Put, "how many of 100 eggs one wash in the best days takes"),
    ("clean_tree", Asked, "whether the answer says that the tree does not have the insect"),
    ("code", Put, "the code that confirms the address"),
    ("confirm_url", Put, "the link that confirms the address"),
    ("heights", Put, "the heights that the reader can choose from"),
    ("lacks_beans", Asked, "whether the answer left out if the tree has the insect"),
    ("lacks_day", Put, "the digit of an answer that left out the day"),
    ("now_kind", Asked, "which notice is in force where the reader lives"),
    ("now_wash_by", Put, "the last day to wash where the reader lives"),
    ("preferences_url", Put, "the reader’s own link to change what they get"),
    ("seen_url", Put, "the reader’s own link to tell what they saw"),
    ("zip", Put, "the ZIP codes of the reader’s trees"),
];

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::super::values::NOTICE_NAMES;
    use super::*;
    use crate::message::samples;

    #[test]
    fn every_name_that_may_stand_in_a_text_has_words_of_its_own() {
        let told: BTreeSet<&str> = WORDS.iter().map(|(name, ..)| *name).collect();
        let may: BTreeSet<&str> = NOTICE_NAMES.iter().chain(&TRANSACTIONAL_NAMES).copied().collect();
        assert_eq!(told, may);
        let words: BTreeSet<&str> = WORDS.iter().map(|(.., words)| *words).collect();
        assert_eq!((told.len(), words.len()), (WORDS.len(), WORDS.len()), "each stands once");
        assert!(words.iter().all(|words| !words.is_empty() && !words.contains('_')), "{words:?}");
    }

    #[test]
    fn a_placeholder_is_told_as_it_is_typed_with_its_words_and_an_example() {
        let facts = samples::typical().facts;
        let of = |text: &str, name: &str| {
            let text = TextName::parse(text).unwrap();
            let all = text.placeholders(&facts);
            assert_eq!(all.len(), text.values().len());
            all.into_iter().find(|one| one.name == name).unwrap()
        };
        let day = of("wash-now.sms", "wash_by");
        assert_eq!((day.typed().as_str(), day.words), ("{{ wash_by }}", "the last day to wash"));
        assert_eq!(day.example.as_deref(), Some("Apr 12"));
        assert_eq!(of("wash-now.email", "wash_by").example.as_deref(), Some("Sunday, April 12"));
        assert!(day.stands_in("x {{ wash_by") && !day.stands_in("x wash_by {{ wash_by_was }}"));
        let number = of("care.part", "provisional");
        assert_eq!((number.typed().as_str(), number.example.as_deref()), ("{% if provisional %}", Some("yes")));
        assert_eq!(of("wash-now.sms", "wash_by_was").example, None);
        assert_eq!(of("footer.part", "stop_url").example.as_deref(), Some("each reader’s own"));
        assert_eq!(of("confirm.sms", "code").example.as_deref(), Some("123456"));
        assert_eq!(of("letter-footer.part", "zip").example.as_deref(), Some("00123, 00124, 00201"));
        assert!(of("how-high.sms", "heights").example.unwrap().starts_with("below 6,500 ft"));
    }
}
