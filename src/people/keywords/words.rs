//! The word lists of `words.toml`.

use std::sync::OnceLock;

use serde::Deserialize;

type List = Vec<&'static str>;

/// What each list is for stands beside it in the file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WordLists {
    #[serde(borrow)]
    pub stop_alone: List,
    #[serde(borrow)]
    pub stop_anywhere: List,
    #[serde(borrow)]
    pub stop_sentence: List,
    #[serde(borrow)]
    pub stop_said: List,
    #[serde(borrow)]
    pub keep: List,
    #[serde(borrow)]
    pub stop_despite_keep: List,
    #[serde(borrow)]
    pub question: List,
    #[serde(borrow)]
    pub stop_despite_question: List,
    #[serde(borrow)]
    pub nature: List,
    #[serde(borrow)]
    pub ours: List,
    #[serde(borrow)]
    pub start: List,
    #[serde(borrow)]
    pub yes_first: List,
    #[serde(borrow)]
    pub yes_alone: List,
    #[serde(borrow)]
    pub yes_begins: List,
    #[serde(borrow)]
    pub no: List,
    #[serde(borrow)]
    pub help: List,
    #[serde(borrow)]
    pub saw_eggs: List,
    #[serde(borrow)]
    pub saw_none: List,
    #[serde(borrow)]
    pub not_looked: List,
    #[serde(borrow)]
    pub courtesy: List,
    #[serde(borrow)]
    pub around_a_code: List,
    #[serde(borrow)]
    pub about_a_zip: List,
    #[serde(borrow)]
    pub english: List,
    #[serde(borrow)]
    pub spanish: List,
}

const FILE: &str = include_str!("words.toml");

/// The lists, read at the first call.
pub(super) fn lists() -> &'static WordLists {
    static LISTS: OnceLock<WordLists> = OnceLock::new();
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
