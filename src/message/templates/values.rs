//! The values that templates may use: their names, and the way from facts to values.

use std::collections::BTreeMap;

use minijinja::value::Value;

use super::files::{LAYOUT, transactional_file, transactional_messages};
use crate::links;
use crate::message::dates;
use crate::message::dates::DateStyle;
use crate::message::document::{Block, Document, Line, Run};
use crate::message::facts::{EstimatedDays, NoticeFacts, Sender, StageDates};
use crate::message::personal::{STOP_LINK_PLACE, one_line};
use crate::message::transactional::TransactionalFacts;
use crate::message::{CHART_ID, EmailChart, sms};
use crate::people::{Channel, Language};
use crate::region::HeightChoice;
use crate::season::{DateSpread, NoticeKind, phrases};
use crate::units;

/// The names that a notice's templates may use. Dates come in words, long in an e-mail and short in a text message.
pub(super) const NOTICE_NAMES: [&str; 44] = [
    "basis",
    "begun",
    "best_days",
    "best_first",
    "best_last",
    "borrowed",
    "deadline_rule",
    "estimated",
    "grid",
    "hatch_began",
    "hatch_early",
    "hatch_likely",
    "hatch_past_error",
    "hatch_seen",
    "hatch_spread",
    "hatch_words",
    "hatched",
    "heat_needed",
    "heat_sum",
    "help_contact",
    "kind",
    "laying_began",
    "laying_likely",
    "laying_past_error",
    "laying_spread",
    "laying_words",
    "moved",
    "moved_by",
    "postal_address",
    "provisional",
    "public_url",
    "region_name",
    "region_url",
    "season",
    "sender_name",
    "sender_short",
    "settled",
    "station_name",
    "stop_url",
    "wash_by",
    "wash_by_was",
    "wash_loss",
    "wash_second",
    "wash_takes",
];

/// The names that a transactional message's templates may use.
pub(super) const TRANSACTIONAL_NAMES: [&str; 19] = [
    "clean_tree",
    "code",
    "confirm_url",
    "heights",
    "help_contact",
    "lacks_beans",
    "lacks_day",
    "now_kind",
    "now_wash_by",
    "postal_address",
    "preferences_url",
    "public_url",
    "region_name",
    "region_url",
    "seen_url",
    "sender_name",
    "sender_short",
    "stop_url",
    "zip",
];

pub(super) const LAYOUT_NAMES: [&str; 6] = ["blocks", "chart", "language", "sender_name", "small_print", "subject"];

pub(super) fn allowed_names(file: &str) -> &'static [&'static str] {
    let is_transactional = file.ends_with("/letter-footer.part.txt")
        || transactional_messages()
            .any(|(kind, channel)| Language::ALL.iter().any(|lang| transactional_file(kind, *lang, channel) == file));
    if file == LAYOUT {
        &LAYOUT_NAMES
    } else if is_transactional {
        &TRANSACTIONAL_NAMES
    } else {
        &NOTICE_NAMES
    }
}

/// How names and addresses are put into a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Names {
    AsWritten,
    /// See [`sms::fold_accents`].
    WithoutAccents,
}

impl Names {
    pub(super) fn put(self, text: &str) -> Value {
        let text = one_line(text);
        Value::from(match self {
            Names::AsWritten => text,
            Names::WithoutAccents => sms::fold_accents(&text),
        })
    }
}

pub(super) fn sender_values(sender: &Sender, names: Names) -> BTreeMap<&'static str, Value> {
    BTreeMap::from([
        ("sender_name", names.put(&sender.name)),
        ("sender_short", names.put(&sender.short)),
        ("postal_address", names.put(&sender.postal_address)),
        ("help_contact", names.put(&sender.help_contact)),
        ("public_url", sender.public_url.as_deref().map(one_line).map_or(Value::from(()), Value::from)),
    ])
}

pub(super) fn transactional_values(
    facts: &TransactionalFacts,
    language: Language,
    channel: Channel,
    names: Names,
) -> BTreeMap<&'static str, Value> {
    let maybe = |text: &Option<String>| text.as_deref().map(one_line).map_or(Value::from(()), Value::from);
    let in_force = facts.in_force.as_ref();
    // A text message that is too long is tried without its links.
    let region_url = in_force.filter(|_| facts.sender.public_url.is_some()).and_then(|now| now.region_url.clone());
    let wash_by = in_force.and_then(|now| now.wash_by).map(|date| dates::day(date, language, style_of(channel)));
    let stop_url = facts.sender.public_url.as_ref().map_or(Value::from(()), |_| Value::from(STOP_LINK_PLACE));
    let mut values = sender_values(&facts.sender, names);
    values.extend([
        ("clean_tree", Value::from(facts.clean_tree)),
        ("code", maybe(&facts.code)),
        ("confirm_url", maybe(&facts.confirm_url)),
        ("heights", heights(facts, language, channel, names)),
        ("lacks_beans", Value::from(facts.lacks_beans)),
        ("lacks_day", facts.lacks_day.map_or(Value::from(()), Value::from)),
        ("now_kind", in_force.map_or(Value::from(()), |now| Value::from(now.kind.name()))),
        ("now_wash_by", wash_by.map_or(Value::from(()), Value::from)),
        ("preferences_url", maybe(&facts.preferences_url)),
        ("region_name", facts.region_name.as_deref().map_or(Value::from(()), |name| names.put(name))),
        ("region_url", maybe(&region_url)),
        ("seen_url", maybe(&facts.seen_url)),
        ("stop_url", stop_url),
        ("zip", Value::from(facts.zip_words(channel))),
    ]);
    values
}

/// What may be chosen of heights: in a text as short as it goes, with the best known landmark of each as long as there is room.
fn heights(facts: &TransactionalFacts, language: Language, channel: Channel, names: Names) -> Value {
    let words: Vec<String> = match channel {
        Channel::Email => facts.heights.iter().map(|choice| choice.words(language)).collect(),
        Channel::Sms => HeightChoice::short_words(&facts.heights, language, 1),
    };
    Value::from(words.iter().map(|words| names.put(words)).collect::<Vec<_>>())
}

pub(super) fn notice_values(
    kind: NoticeKind,
    facts: &NoticeFacts,
    language: Language,
    channel: Channel,
    names: Names,
) -> BTreeMap<&'static str, Value> {
    let style = style_of(channel);
    let none = || Value::from(());
    let day = |date| Value::from(dates::day(date, language, style));
    let maybe = |date: Option<_>| date.map_or_else(none, day);
    // A day that nobody can name for certain comes without its weekday.
    let about = |date| match channel {
        Channel::Email => Value::from(phrases::date(language, date)),
        Channel::Sms => day(date),
    };
    let spread = |stage: StageDates| Value::from(dates::spread(stage.early, stage.likely, stage.late, language, style));
    let words = |stage: StageDates| Value::from(range_words(stage, language));
    let past_error = |stage: StageDates| {
        let days = stage.past_error_days.filter(|_| stage.reached.is_none());
        days.map_or_else(none, |days| Value::from(phrases::past_error(language, f64::from(days))))
    };
    // Owners think in °F; rounding hides what the sum cannot promise.
    let heat = |degree_days: f64| Value::from(format!("{:.0}", units::dd_c_to_f(degree_days)));
    let stop_url = facts.sender.public_url.as_ref().map_or_else(none, |_| Value::from(STOP_LINK_PLACE));
    let days = facts.days;
    let best = days.and_then(|days| days.best);
    let best_days = best.map(|best| match channel {
        Channel::Email => phrases::span(language, best),
        Channel::Sms => dates::span(best.first, best.last, language),
    });
    let was = days.and_then(|days| days.was);
    let moved = was.map(|was| if was < facts.wash_by { "later" } else { "earlier" });
    let mut values = sender_values(&facts.sender, names);
    values.extend([
        ("basis", Value::from(facts.basis.name())),
        ("begun", Value::from(facts.begun())),
        ("best_days", best_days.map_or_else(none, Value::from)),
        ("best_first", best.map_or_else(none, |best| about(best.first))),
        // Where they end with the deadline, that one says it.
        ("best_last", best.filter(|best| best.last < facts.wash_by).map_or_else(none, |best| about(best.last))),
        ("deadline_rule", days.map_or_else(none, |days| Value::from(days.rule.name()))),
        (
            "borrowed",
            facts.borrowed.as_ref().map_or_else(none, |from| names.put(&phrases::borrowed_words(language, from))),
        ),
        (
            "estimated",
            facts.estimated.map_or_else(none, |of| Value::from(estimated_words(of, facts.grid.is_some(), language))),
        ),
        ("hatch_began", maybe(facts.hatch.reached)),
        ("hatch_early", days.and_then(|days| days.hatch_early).map_or_else(none, about)),
        ("grid", facts.grid.as_deref().map_or_else(none, |makers| names.put(makers))),
        ("hatch_likely", about(facts.hatch.likely)),
        ("hatch_past_error", past_error(facts.hatch)),
        ("hatch_seen", Value::from(facts.hatch_was_seen())),
        ("hatch_spread", spread(facts.hatch)),
        ("hatch_words", words(facts.hatch)),
        ("hatched", Value::from(facts.hatched())),
        ("heat_needed", heat(facts.heat_needed)),
        ("heat_sum", heat(facts.heat_sum)),
        ("kind", Value::from(kind.name())),
        ("laying_began", maybe(facts.laying.reached)),
        ("laying_likely", about(facts.laying.likely)),
        ("laying_past_error", past_error(facts.laying)),
        ("laying_spread", spread(facts.laying)),
        ("laying_words", words(facts.laying)),
        ("moved", moved.map_or_else(none, Value::from)),
        ("moved_by", facts.moved_by.map_or_else(none, |by| Value::from(by.name()))),
        ("provisional", Value::from(facts.provisional)),
        ("region_name", names.put(&facts.region_name)),
        ("region_url", region_url(facts, language).map_or_else(none, Value::from)),
        ("season", Value::from(facts.season)),
        ("settled", days.and_then(|days| days.settled).map_or_else(none, about)),
        ("station_name", names.put(&facts.station_name)),
        ("stop_url", stop_url),
        ("wash_by", day(facts.wash_by)),
        ("wash_by_was", maybe(was)),
        ("wash_loss", facts.wash.map_or_else(none, |wash| phrases::eggs_lost(language, wash.daily_loss).into())),
        ("wash_second", facts.wash.and_then(|wash| wash.second).map_or_else(none, Value::from)),
        ("wash_takes", facts.wash.map_or_else(none, |wash| Value::from(wash.takes))),
    ]);
    values
}

/// A range as a sentence takes it, its own "likely" inside; the day itself where the stage has come.
fn range_words(stage: StageDates, language: Language) -> String {
    match stage.reached {
        Some(reached) => phrases::date(language, reached),
        None => phrases::wide_range(
            language,
            DateSpread { early: stage.early, median: Some(stage.likely), late: stage.late },
        ),
    }
}

/// Of a grid every day is an estimate: there it is the days for which the grid has none.
fn estimated_words(estimated: EstimatedDays, is_grid: bool, language: Language) -> String {
    let EstimatedDays { estimated, days } = estimated;
    match language {
        Language::En if is_grid => format!("{estimated} of the season's {days} days had no value of the grid."),
        Language::Es if is_grid => {
            format!("{estimated} de los {days} días de la temporada no tienen valor de la cuadrícula.")
        }
        Language::En => format!("{estimated} of the season's {days} days were estimated, not measured."),
        Language::Es => format!("{estimated} de los {days} días de la temporada son estimados, no medidos."),
    }
}

/// The region's own page, where the days and the cautions stand.
fn region_url(facts: &NoticeFacts, language: Language) -> Option<String> {
    let base = one_line(facts.sender.public_url.as_deref()?);
    let page = links::region_path(&facts.region_id);
    Some(format!("{}{}{page}", base.trim_end_matches('/'), links::language_prefix(language)))
}

fn style_of(channel: Channel) -> DateStyle {
    match channel {
        Channel::Email => DateStyle::Full,
        Channel::Sms => DateStyle::Short,
    }
}

pub(super) fn layout_values(
    document: &Document,
    language: Language,
    subject: &str,
    sender_name: &str,
    chart: Option<&EmailChart>,
) -> Value {
    let chart = chart.map(|chart| {
        let values = [("id", CHART_ID.into()), ("alt", one_line(&chart.alt).into()), ("width", chart.width.into())];
        Value::from(BTreeMap::<&str, Value>::from(values))
    });
    Value::from(BTreeMap::from([
        ("language", Value::from(language.code())),
        ("subject", Value::from(subject)),
        ("sender_name", Value::from(sender_name)),
        ("blocks", blocks_value(&document.body)),
        ("small_print", blocks_value(&document.small_print)),
        ("chart", chart.unwrap_or_else(|| Value::from(()))),
    ]))
}

/// Blocks of an e-mail as a page or the frame shows them: each with its `kind` (heading, paragraph, points, steps, glance) and its
/// `content`.
pub fn blocks_value(blocks: &[Block]) -> Value {
    Value::from(blocks.iter().map(block_value).collect::<Vec<_>>())
}

fn block_value(block: &Block) -> Value {
    let lines = |lines: &[Line]| Value::from(lines.iter().map(line_value).collect::<Vec<_>>());
    let (kind, content) = match block {
        Block::Heading(line) => ("heading", line_value(line)),
        Block::Paragraph(line) => ("paragraph", line_value(line)),
        Block::Points(points) => ("points", lines(points)),
        Block::Steps(steps) => ("steps", lines(steps)),
        Block::Glance(rows) => {
            let row = |(name, value): &(String, Line)| {
                Value::from(BTreeMap::from([("name", Value::from(name)), ("value", line_value(value))]))
            };
            ("glance", Value::from(rows.iter().map(row).collect::<Vec<_>>()))
        }
    };
    Value::from(BTreeMap::from([("kind", Value::from(kind)), ("content", content)]))
}

fn line_value(line: &Line) -> Value {
    let run = |run: &Run| {
        let link = run.link.as_deref().map_or(Value::from(()), Value::from);
        Value::from(BTreeMap::from([("text", Value::from(&run.text)), ("link", link)]))
    };
    Value::from(line.iter().map(run).collect::<Vec<_>>())
}
