//! What a text from a phone means, in English and Spanish.
//!
//! The rule: **who may want out is let out.** A word of the stop family opts out wherever it stands in a sentence, and so
//! does every usual way of saying "no more". Only three things are not taken for it: a question of time ("when does it
//! stop?"), a sentence about the insect or the tree alone ("the bugs won't stop"), and the plain opposite ("please don't
//! stop"). A text that begins with HELP or START and holds no stop word never opts out.
//!
//! The words themselves stand in `words.toml`. Case, accents, punctuation, pictures, letters in other widths and letters
//! held down too long make no difference.

mod answers;
mod compare;
mod height;
mod words;

use compare::{has_any, in_order, same, without};
use words::lists;

use super::{Language, Zip};
pub use answers::ScaleAnswer;
pub use height::{HeightAnswer, height_answer};

/// What somebody wants.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Meaning {
    Stop,
    /// To begin, or to come back.
    Start,
    Yes,
    No,
    Help,
    /// Where their trees are, which is how one joins.
    Zips(Vec<Zip>),
    /// Six digits.
    Code(String),
    /// The answer to "what did you see?", and how many days ago they looked where they say so.
    ScaleAnswer(ScaleAnswer, Option<u8>),
    /// Whether the tree of their answer has the insect: beans on its needles.
    Beans(bool),
    Other,
}

impl Meaning {
    /// For the log and the record: never the words themselves.
    pub fn name(&self) -> &'static str {
        match self {
            Meaning::Stop => "stop",
            Meaning::Start => "start",
            Meaning::Yes => "yes",
            Meaning::No => "no",
            Meaning::Help => "help",
            Meaning::Zips(_) => "zip",
            Meaning::Code(_) => "code",
            Meaning::ScaleAnswer(..) => "saw",
            Meaning::Beans(_) => "beans",
            Meaning::Other => "other",
        }
    }
}

/// A meaning and the language it was said in, where that shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Read {
    pub meaning: Meaning,
    pub language: Option<Language>,
}

/// Reads a text.
pub fn read(text: &str) -> Read {
    let words = compare::words(text);
    let meaning = meaning(text, &words);
    Read { language: language(&words), meaning }
}

fn meaning(text: &str, words: &[String]) -> Meaning {
    let lists = lists();
    let bare = without_courtesy(words);
    let whole = words.join(" ");
    // "Ya" is courtesy in "alto ya" and part of the word in "para ya".
    let with_ya = without(words, |word| word != "ya" && lists.courtesy.contains(&word)).join(" ");
    let less_ya = with_ya.strip_suffix(" ya").unwrap_or(&with_ya);
    let is_one_of = |table: &[&str]| {
        table.iter().any(|entry| {
            same(entry, &whole)
                || same(entry, &with_ya)
                || same(entry, less_ya)
                || (!bare.is_empty() && same(entry, &bare.join(" ")))
        })
    };
    if wants_out(words, &whole, text)
        || is_one_of(&lists.stop_alone) && !has_any(words, &lists.keep)
        || has_stop_as_sentence(text)
    {
        return Meaning::Stop;
    }
    if let Some(code) = lone_number(words, 6) {
        return Meaning::Code(code);
    }
    if let Some(zips) = zips(text, words) {
        return Meaning::Zips(zips);
    }
    for (table, has) in [(&lists.no_beans, false), (&lists.beans, true)] {
        if is_one_of(table) {
            return Meaning::Beans(has);
        }
    }
    if let Some((saw, days_ago)) = answers::read(words) {
        return Meaning::ScaleAnswer(saw, days_ago);
    }
    let begins = |table: &[&str]| {
        let rest = if bare.is_empty() { words } else { &bare };
        table.iter().any(|entry| {
            let entry: Vec<&str> = entry.split(' ').collect();
            rest.len() >= entry.len() && entry.iter().zip(rest).all(|(wanted, word)| same(wanted, word))
        })
    };
    // A question mark alone, in any alphabet, is a call for help.
    let question = whole.is_empty() && text.chars().any(|c| matches!(c, '?' | '¿' | '\u{FF1F}'));
    match () {
        () if question || begins(&lists.help) => Meaning::Help,
        () if begins(&lists.start) => Meaning::Start,
        () if is_one_of(&lists.yes_first)
            || is_one_of(&lists.yes_alone)
            || (words.len() <= 4 && begins(&lists.yes_first))
            || begins(&lists.yes_begins) =>
        {
            Meaning::Yes
        }
        () if is_one_of(&lists.no) => Meaning::No,
        () if has_any(words, &lists.help) && words.len() <= 8 => Meaning::Help,
        () => answers::at_the_head(words).map_or(Meaning::Other, |(saw, days)| Meaning::ScaleAnswer(saw, days)),
    }
}

/// See the rule at the top.
fn wants_out(words: &[String], whole: &str, text: &str) -> bool {
    let lists = lists();
    if words.is_empty() || has_any(words, &lists.keep) && !has_any(words, &lists.stop_despite_keep) {
        return false;
    }
    let said = has_any(words, &lists.stop_anywhere) || lists.stop_said.iter().any(|phrase| in_order(words, phrase));
    if !said {
        return false;
    }
    let about_us = has_any(words, &lists.ours) || words.iter().any(|word| same(word, "unsubscribe"));
    if has_any(words, &lists.nature) && !about_us && words.len() > 2 {
        return false;
    }
    let asks = text.contains(['?', '¿']) || words.len() > 2;
    let question = lists.question.iter().any(|start| whole == *start || whole.starts_with(&format!("{start} ")));
    // "Why don't you stop", "when will you stop texting me": not a question of time.
    !(asks && question && !has_any(words, &lists.stop_despite_question))
}

/// "We have no trees any more. Please stop." Whatever the other sentences are about, one that says nothing but a stop is one.
fn has_stop_as_sentence(text: &str) -> bool {
    let lists = lists();
    let sentences = text.split(['.', ',', ';', '!', '¡', '…', '\n']).filter(|sentence| sentence.len() < 60);
    sentences.map(compare::words).any(|sentence| {
        let bare = without_courtesy(&sentence).join(" ");
        !bare.is_empty() && lists.stop_anywhere.iter().chain(&lists.stop_sentence).any(|entry| same(entry, &bare))
    })
}

fn without_courtesy(words: &[String]) -> Vec<String> {
    without(words, |word| lists().courtesy.contains(&word))
}

fn lone_number(words: &[String], digits: usize) -> Option<String> {
    let lists = lists();
    let is_number = |word: &str| word.len() == digits && word.bytes().all(|b| b.is_ascii_digit());
    let bare: Vec<&str> = words.iter().map(String::as_str).filter(|word| !lists.around_a_code.contains(word)).collect();
    match bare.as_slice() {
        [one] if is_number(one) => Some((*one).to_owned()),
        [a, b] if a.len() == 3 && b.len() == 3 && is_number(&format!("{a}{b}")) => Some(format!("{a}{b}")),
        _ => None,
    }
}

/// Five digits that stand as a word, in a text that is not about much else.
fn zips(text: &str, words: &[String]) -> Option<Vec<Zip>> {
    let mut zips: Vec<Zip> = Vec::new();
    for word in words {
        if let Ok(zip) = Zip::parse(word)
            && !zips.contains(&zip)
        {
            zips.push(zip);
        }
    }
    let names_it = has_any(words, &lists().about_a_zip);
    let short = words.len() <= 6 || names_it;
    (!zips.is_empty() && zips.len() <= 5 && short && !text.contains('$')).then_some(zips)
}

/// Spanish if more of its everyday words are there than of ours; `None` when nothing shows.
fn language(words: &[String]) -> Option<Language> {
    let lists = lists();
    let count = |table: &[&str]| words.iter().filter(|word| table.contains(&word.as_str())).count();
    let tables = [&lists.stop_alone, &lists.start, &lists.yes_first, &lists.yes_alone, &lists.help, &lists.not_looked];
    let spanish_forms = ["ar", "ir", "ame", "eme", "enme"];
    let spanish_word = |word: &str| {
        word.len() > 3
            && spanish_forms.iter().any(|end| word.ends_with(end))
            && tables.iter().any(|t| t.contains(&word))
    };
    let spanish = count(&lists.spanish) + words.iter().filter(|word| spanish_word(word)).count();
    let english = count(&lists.english);
    match spanish.cmp(&english) {
        std::cmp::Ordering::Greater => Some(Language::Es),
        std::cmp::Ordering::Less => Some(Language::En),
        std::cmp::Ordering::Equal => None,
    }
}

/// The words that opt out by themselves, for checks.
pub fn stop_words() -> &'static [&'static str] {
    &lists().stop_alone
}

/// Those that ask for help and those that begin, which never opt out.
pub fn help_and_start_words() -> impl Iterator<Item = &'static str> {
    lists().help.iter().chain(&lists().start).copied()
}
