//! Answers to the question what people saw: what, and how many days ago they looked. `1`, `10`, `1 0`, `1-3`, `eggs
//! yesterday`, `hace 3 dias vi huevos`.

use super::compare::{same, without};
use super::words::lists;

/// Answers to the question that follows a notice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ScaleAnswer {
    Eggs,
    None,
    NotLooked,
    Crawlers,
    /// This and the rest are asked on the page alone: a text has room for four.
    Females,
    Eyespots,
    OldLint,
}

impl ScaleAnswer {
    /// Those of a text, by the digits that stand for them: 1, 2, 3, 4.
    const BY_DIGIT: [ScaleAnswer; 4] =
        [ScaleAnswer::Eggs, ScaleAnswer::None, ScaleAnswer::NotLooked, ScaleAnswer::Crawlers];

    /// As the page lists them.
    pub const ALL: [ScaleAnswer; 7] = [
        ScaleAnswer::None,
        ScaleAnswer::OldLint,
        ScaleAnswer::Females,
        ScaleAnswer::Eggs,
        ScaleAnswer::Eyespots,
        ScaleAnswer::Crawlers,
        ScaleAnswer::NotLooked,
    ];

    pub fn name(self) -> &'static str {
        match self {
            ScaleAnswer::Eggs => "eggs",
            ScaleAnswer::None => "none",
            ScaleAnswer::NotLooked => "not-looked",
            ScaleAnswer::Crawlers => "crawlers",
            ScaleAnswer::Females => "females",
            ScaleAnswer::Eyespots => "eyespots",
            ScaleAnswer::OldLint => "old-lint",
        }
    }

    /// The digit of a text that stands for it; `None`: it is asked on the page alone.
    pub fn digit(self) -> Option<u8> {
        let nth = Self::BY_DIGIT.iter().position(|one| *one == self)?;
        u8::try_from(nth + 1).ok()
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|saw| saw.name() == name)
    }
}

/// An answer that is all the text says, and how many days ago they looked where that is told.
pub(super) fn read(words: &[String]) -> Option<(ScaleAnswer, Option<u8>)> {
    if let Some(both) = two_digits(words) {
        return Some(both);
    }
    if let Some((rest, days)) = day_told(words)
        && let Some(saw) = named(&rest)
    {
        return Some((saw, days_of(saw, Some(days))));
    }
    named(words).map(|saw| (saw, None))
}

/// An answer before other words: "1 lots of eggs", "2, none so far". "2 days ago we looked" is none.
pub(super) fn at_the_head(words: &[String]) -> Option<(ScaleAnswer, Option<u8>)> {
    // "10 = eggs today", as our question has it; "10 trees have it" is none.
    if let Some((saw, days)) = two_digits(words.get(..1)?) {
        let rest = day_told(&words[1..]).map_or_else(|| words[1..].to_vec(), |(rest, _)| rest);
        return (named(&rest) == Some(saw)).then_some((saw, days));
    }
    let saw = by_digit(words.first()?)?;
    let is_day_word = |word: &String| lists().about_days.contains(&word.as_str());
    if words.get(1).is_some_and(is_day_word) {
        return None;
    }
    // Nobody counts trees from 0, so it is the day; another number may be of anything.
    let today = words.get(1).is_some_and(|word| word == "0");
    let days = if today { Some(0) } else { day_told(&words[1..]).map(|(_, days)| days) };
    Some((saw, days_of(saw, days)))
}

/// Who has not looked has no day.
fn days_of(saw: ScaleAnswer, days: Option<u8>) -> Option<u8> {
    days.filter(|_| saw != ScaleAnswer::NotLooked)
}

/// The digit that a person types, 1 for the first.
fn by_digit(word: &str) -> Option<ScaleAnswer> {
    let nth = usize::from(digit(word)?);
    ScaleAnswer::BY_DIGIT.get(nth.checked_sub(1)?).copied()
}

fn digit(word: &str) -> Option<u8> {
    match word.as_bytes() {
        [digit @ b'0'..=b'9'] => Some(digit - b'0'),
        _ => None,
    }
}

/// "13": the first digit says what, the second how many days ago.
fn two_digits(words: &[String]) -> Option<(ScaleAnswer, Option<u8>)> {
    let bare = without(words, |word| lists().courtesy.contains(&word));
    let [word] = bare.as_slice() else { return None };
    let (what, days) = word.split_at_checked(1)?;
    let saw = by_digit(what)?;
    Some((saw, days_of(saw, Some(digit(days)?))))
}

/// The words without the day at their beginning or end, and how many days ago that was: `0`, `3 days ago`, `hace 3 dias`,
/// `yesterday`.
fn day_told(words: &[String]) -> Option<(Vec<String>, u8)> {
    let lists = lists();
    let words = without(words, |word| lists.courtesy.contains(&word) && !lists.today.contains(&word));
    let words = words.as_slice();
    let idle = |word: &str| lists.about_days.contains(&word);
    let named_day = |word: &String| match word.as_str() {
        word if lists.today.contains(&word) => Some(0),
        word if lists.yesterday.contains(&word) => Some(1),
        word if lists.two_days_ago.contains(&word) => Some(2),
        _ => None,
    };
    if let [rest @ .., last] = words
        && let Some(days) = named_day(last)
    {
        return Some((without(rest, idle), days));
    }
    if let [first, rest @ ..] = words
        && let Some(days) = named_day(first)
    {
        return Some((rest.to_vec(), days));
    }
    // From the end: words about days around one digit.
    let trimmed = without(words, idle);
    if let [rest @ .., last] = trimmed.as_slice()
        && !rest.is_empty()
        && let Some(days) = digit(last)
    {
        return Some((without(rest, idle), days));
    }
    // From the beginning only with such a word after it: "3 days ago I saw eggs".
    if let [first, second, ..] = trimmed.as_slice()
        && idle(second)
        && let Some(days) = digit(first)
    {
        return Some((without(&trimmed[1..], idle), days));
    }
    None
}

fn named(words: &[String]) -> Option<ScaleAnswer> {
    let lists = lists();
    let whole = words.join(" ");
    let bare = without(words, |word| lists.courtesy.contains(&word)).join(" ");
    let is_one_of =
        |table: &[&str]| table.iter().any(|entry| same(entry, &whole) || !bare.is_empty() && same(entry, &bare));
    let tables = [
        (&lists.saw_eggs, ScaleAnswer::Eggs),
        (&lists.saw_none, ScaleAnswer::None),
        (&lists.not_looked, ScaleAnswer::NotLooked),
        (&lists.saw_crawlers, ScaleAnswer::Crawlers),
    ];
    tables.into_iter().find(|(table, _)| is_one_of(table)).map(|(_, saw)| saw)
}
