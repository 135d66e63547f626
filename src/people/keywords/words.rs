//! The word lists of `words.toml`.

use std::sync::OnceLock;

use serde::Deserialize;

/// What each list is for stands beside it in the file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WordLists<'a> {
    #[serde(borrow)]
    pub stop_alone: Vec<&'a str>,
    #[serde(borrow)]
    pub stop_anywhere: Vec<&'a str>,
    #[serde(borrow)]
    pub stop_sentence: Vec<&'a str>,
    #[serde(borrow)]
    pub stop_said: Vec<&'a str>,
    #[serde(borrow)]
    pub keep: Vec<&'a str>,
    #[serde(borrow)]
    pub stop_despite_keep: Vec<&'a str>,
    #[serde(borrow)]
    pub question: Vec<&'a str>,
    #[serde(borrow)]
    pub stop_despite_question: Vec<&'a str>,
    #[serde(borrow)]
    pub nature: Vec<&'a str>,
    #[serde(borrow)]
    pub ours: Vec<&'a str>,
    #[serde(borrow)]
    pub start: Vec<&'a str>,
    #[serde(borrow)]
    pub yes_first: Vec<&'a str>,
    #[serde(borrow)]
    pub yes_alone: Vec<&'a str>,
    #[serde(borrow)]
    pub yes_begins: Vec<&'a str>,
    #[serde(borrow)]
    pub no: Vec<&'a str>,
    #[serde(borrow)]
    pub help: Vec<&'a str>,
    #[serde(borrow)]
    pub saw_eggs: Vec<&'a str>,
    #[serde(borrow)]
    pub saw_none: Vec<&'a str>,
    #[serde(borrow)]
    pub not_looked: Vec<&'a str>,
    #[serde(borrow)]
    pub saw_crawlers: Vec<&'a str>,
    #[serde(borrow)]
    pub beans: Vec<&'a str>,
    #[serde(borrow)]
    pub no_beans: Vec<&'a str>,
    #[serde(borrow)]
    pub today: Vec<&'a str>,
    #[serde(borrow)]
    pub yesterday: Vec<&'a str>,
    pub two_days_ago: Vec<&'a str>,
    #[serde(borrow)]
    pub about_days: Vec<&'a str>,
    #[serde(borrow)]
    pub courtesy: Vec<&'a str>,
    #[serde(borrow)]
    pub around_a_code: Vec<&'a str>,
    #[serde(borrow)]
    pub about_a_zip: Vec<&'a str>,
    #[serde(borrow)]
    pub english: Vec<&'a str>,
    #[serde(borrow)]
    pub spanish: Vec<&'a str>,
}

const FILE: &str = include_str!("words.toml");

/// The lists, read at the first call.
pub(super) fn lists() -> &'static WordLists<'static> {
    static LISTS: OnceLock<WordLists<'static>> = OnceLock::new();
    LISTS.get_or_init(|| toml::from_str(FILE).expect("the built-in word lists are sound: a test reads them"))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::people::keywords::compare::words;

    #[test]
    fn the_file_is_read_and_every_entry_stands_as_it_is_compared() {
        assert!(lists().stop_alone.contains(&"stop"));
        let all: BTreeMap<String, Vec<String>> = toml::from_str(FILE).unwrap();
        for (list, entries) in all {
            assert!(!entries.is_empty(), "{list}");
            for entry in &entries {
                assert_eq!(words(entry).join(" "), *entry, "{list}");
                assert_eq!(entries.iter().filter(|other| *other == entry).count(), 1, "`{entry}` in {list}");
            }
        }
    }
}
