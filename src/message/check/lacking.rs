//! What a text has to say and does not, in words for who writes it, and what they can type to say it.

use std::collections::{BTreeMap, BTreeSet};

use super::Findings;
use crate::message::templates::{Templates, typed, words_of};

/// How the words that are looked at are typed.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Typed {
    /// As templates are: with placeholders.
    Placeholders,
    /// As the readers of one notice get them.
    Words,
}

/// What says a thing that has to be said.
#[derive(Clone, Copy)]
pub(super) enum By {
    /// One of these placeholders.
    Names(&'static [&'static str]),
    /// A part that texts share.
    Part(&'static str),
    /// Words of one's own.
    Words,
}

impl<'a> Findings<'a> {
    pub(super) fn of(templates: &'a Templates, typed: Typed) -> Self {
        Self {
            templates,
            rows: BTreeMap::new(),
            faults: BTreeMap::new(),
            typed,
            lacking: BTreeMap::new(),
            measures: true,
        }
    }

    /// `what` is not said: `the last day to wash`.
    pub(super) fn lacks(&mut self, file: &str, rule: &'static str, what: &str, by: By) {
        let said = format!("does not say {what}");
        if self.typed == Typed::Words {
            self.lacking.entry((file.to_owned(), rule)).or_insert(by);
            return self.fault(file, rule, said);
        }
        let put = match by {
            By::Names(names) => {
                let names = names.iter().map(|name| typed(name)).collect::<Vec<_>>().join(" or ");
                match names.starts_with("{%") {
                    true => format!(": choose the words by {names}"),
                    false => format!(": put {names} where it belongs"),
                }
            }
            By::Part(part) => format!(": put {{% include \"{part}\" %}} where it belongs"),
            By::Words => String::new(),
        };
        self.fault(file, rule, said + &put);
    }
}

/// Names as they are typed, each with what it stands for.
pub(super) fn told(names: &BTreeSet<String>) -> String {
    let told = names.iter().map(|name| format!("{} ({})", typed(name), words_of(name)));
    told.collect::<Vec<_>>().join(", ")
}
