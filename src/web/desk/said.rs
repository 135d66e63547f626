//! What a page says of the form that led to it.

use minijinja::context;
use minijinja::value::Value;

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

/// A field's name in the form, and on the page.
type Place = (String, String);

/// What is wrong at a field.
pub(super) struct Told {
    /// `None`: it shows at no field.
    pub place: Option<Place>,
    pub what: String,
}

/// The list above a form: each fault once with all the fields in which it shows, and the fields once with all their faults.
pub(super) fn told_once(found: impl IntoIterator<Item = Told>) -> Vec<Value> {
    let mut faults: Vec<(String, Vec<Place>)> = Vec::new();
    for Told { place, what } in found {
        match faults.iter_mut().find(|(told, _)| *told == what) {
            Some((_, places)) => places.extend(place),
            None => faults.push((what, place.into_iter().collect())),
        }
    }
    let mut lines: Vec<(Vec<Place>, Vec<String>)> = Vec::new();
    for (what, places) in faults {
        match lines.iter_mut().find(|(of, _)| *of == places) {
            Some((_, all)) => all.push(what),
            None => lines.push((places, vec![what])),
        }
    }
    let place = |(id, label): Place| context! { id, label };
    let line = |(places, faults): (Vec<_>, Vec<String>)| {
        context! { places => places.into_iter().map(place).collect::<Vec<_>>(), faults }
    };
    lines.into_iter().map(line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_is_told_once_with_its_fields_and_a_field_once_with_its_faults() {
        let told = |field: &str, what: &str| Told {
            place: Some((field.to_owned(), field.to_uppercase())).filter(|_| !field.is_empty()),
            what: what.to_owned(),
        };
        let lines = told_once([told("en", "a"), told("en", "b"), told("es", "a"), told("en", "c"), told("", "d")]);
        let said: Vec<String> = lines
            .iter()
            .map(|line| format!("{} {}", line.get_attr("places").unwrap(), line.get_attr("faults").unwrap()))
            .collect();
        let ids = |line: &str| line.matches("'id'").count();
        assert_eq!(said.iter().map(|line| ids(line)).collect::<Vec<_>>(), [2, 1, 0], "{said:?}");
        assert!(said.iter().zip(["['a']", "['b', 'c']", "['d']"]).all(|(line, end)| line.ends_with(end)), "{said:?}");
    }
}
