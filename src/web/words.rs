//! The words of the pages, one file a page and language, built in.

use std::collections::BTreeMap;

use minijinja::value::{Serde, Value};

use crate::language::Language;

macro_rules! words {
    ($($page:literal),+ $(,)?) => {
        [$(($page, include_str!(concat!("words/en/", $page, ".toml")), include_str!(concat!("words/es/", $page, ".toml")))),+]
    };
}

/// Page, English, Spanish. `common` is there on every page.
const FILES: &[(&str, &str, &str)] = &words![
    "common",
    "fault",
    "home",
    "find",
    "region",
    "guide",
    "sign_up",
    "sign_up_sent",
    "confirm_code",
    "confirm_link",
    "confirm_done",
    "stop",
    "preferences_ask",
    "preferences_sent",
    "preferences_useless",
    "preferences_erased",
    "preferences",
    "privacy",
    "seen",
];

/// All words, by language and page.
#[derive(Debug)]
pub struct Words(BTreeMap<(Language, &'static str), Value>);

impl Words {
    /// # Errors
    /// A file that is not TOML: a fault of the program.
    pub fn load() -> Result<Self, String> {
        let mut all = BTreeMap::new();
        for (page, en, es) in FILES {
            for (language, text) in [(Language::En, en), (Language::Es, es)] {
                let table: toml::Table =
                    text.parse().map_err(|why| format!("words/{}/{page}.toml: {why}", language.code()))?;
                all.insert((language, *page), Value::from(Serde(table)));
            }
        }
        Ok(Self(all))
    }

    /// One sentence; empty when there is none.
    pub fn line(&self, language: Language, page: &str, name: &str) -> String {
        let found = self.of(language, page).get_attr(name).unwrap_or_default();
        found.as_str().unwrap_or_default().to_owned()
    }

    pub fn of(&self, language: Language, page: &str) -> Value {
        let found = self.0.iter().find(|((spoken, name), _)| *spoken == language && *name == page);
        found.map_or_else(|| Value::from(()), |(_, words)| words.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::readability::{Ease, HARDEST_GRADE, LEAST_SCORE};

    fn keys(value: &toml::Value, path: &str, into: &mut Vec<String>) {
        match value {
            toml::Value::Table(table) => {
                for (key, value) in table {
                    keys(value, &format!("{path}.{key}"), into);
                }
            }
            toml::Value::Array(items) => into.push(format!("{path} ({} items)", items.len())),
            toml::Value::String(text) => {
                // A place that only one language fills would be seen by half of the visitors.
                let mut places: Vec<&str> =
                    text.split('{').skip(1).filter_map(|rest| rest.split_once('}').map(|(name, _)| name)).collect();
                places.sort_unstable();
                places.dedup();
                into.push(format!("{path} {places:?}"));
            }
            other => into.push(format!("{path} {other}")),
        }
    }

    /// Sentences as they are read: markup and places taken out, names of publications left out.
    fn sentences(value: &toml::Value, into: &mut Vec<String>) {
        match value {
            toml::Value::Table(table) => {
                for (_, value) in table.iter().filter(|(key, _)| *key != "source_list") {
                    sentences(value, into);
                }
            }
            toml::Value::Array(items) => items.iter().for_each(|item| sentences(item, into)),
            toml::Value::String(text) => {
                let bare = text.replace("<b>", "").replace("</b>", "").replace(['{', '}'], "");
                into.push(bare);
            }
            _ => {}
        }
    }

    #[test]
    fn every_page_reads_easily_in_both_languages() {
        let mut hard = Vec::new();
        for (page, en, es) in FILES {
            for (language, text) in [(Language::En, en), (Language::Es, es)] {
                let table: toml::Table = text.parse().unwrap_or_else(|why| panic!("{page}: {why}"));
                let mut said = Vec::new();
                sentences(&toml::Value::Table(table), &mut said);
                // Labels of a word or two would make any page look easy.
                said.retain(|one| one.split_whitespace().count() >= 5);
                let ease = Ease::of(said.iter().map(String::as_str), language);
                if !ease.is_easy_enough() {
                    hard.push(format!("{page}: {ease}"));
                }
                for one in said.iter().filter(|one| one.split_whitespace().count() >= 12) {
                    let alone = Ease::of([one.as_str()], language);
                    // The formulas are made for whole texts: a paragraph may stand out a little.
                    let too_hard = match language {
                        Language::En => alone.value > HARDEST_GRADE + 1.0,
                        Language::Es => alone.value < LEAST_SCORE,
                    };
                    if too_hard {
                        hard.push(format!("{page}: {alone}: {one}"));
                    }
                }
            }
        }
        assert!(hard.is_empty(), "{hard:#?}");
    }

    #[test]
    fn both_languages_say_the_same_things() {
        for (page, en, es) in FILES {
            let listed = |text: &str| {
                let table: toml::Table = text.parse().unwrap_or_else(|why| panic!("{page}: {why}"));
                let mut found = Vec::new();
                keys(&toml::Value::Table(table), "", &mut found);
                found.sort();
                found
            };
            assert_eq!(listed(en), listed(es), "page {page}");
        }
    }
}
