//! What a page says of the form that led to it.

use crate::language::Language;
use crate::web::forms::{Typed, field};

/// A form that was not taken.
pub(super) struct Refused<'a> {
    pub form: &'a str,
    pub why: String,
    pub typed: &'a Typed,
}

/// What `?done=` says, of what it may say.
pub(super) fn done_of(may_say: &[&'static str], query: &Typed) -> Option<&'static str> {
    may_say.iter().copied().find(|done| *done == field(query, "done"))
}

/// The language whose words alone differ; `None` where none or both do.
pub(super) fn changed_alone(differ: impl Fn(Language) -> bool) -> Option<Language> {
    let mut changed = Language::ALL.into_iter().filter(|language| differ(*language));
    changed.next().filter(|_| changed.next().is_none())
}

/// Told after the words of this language alone were changed.
pub(super) fn alone_words(language: Language) -> String {
    let others: Vec<&str> =
        Language::ALL.into_iter().filter(|of| *of != language).map(Language::english_name).collect();
    format!(
        "Only the {} words were changed; the {} ones stand as they were. Both should say the same.",
        language.english_name(),
        others.join(", ")
    )
}
