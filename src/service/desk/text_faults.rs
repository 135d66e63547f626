//! What is wrong with the draft of a text, one complaint a fault.

use crate::language::Language;
use crate::message::templates::TextName;

/// One thing wrong with a draft.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TextFault {
    /// In whose words it shows; `None`: in neither alone.
    pub language: Option<Language>,
    pub at: FaultAt,
    /// Of a rule what the text does: `does not say …`, `speaks of …`; else what is wrong in the notation.
    pub what: String,
}

/// Where a fault of a draft shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FaultAt {
    /// It breaks a rule.
    Text,
    /// It cannot be put together, on this line if that is known.
    Notation(Option<usize>),
    /// Another text, of which it is part, breaks a rule with it.
    Within(TextName),
    /// So many texts of which it is part break a rule with it.
    Throughout(usize),
}

impl TextFault {
    /// `line 3: …`, ``in `wash-now.email`: …``.
    pub fn words(&self) -> String {
        match &self.at {
            FaultAt::Notation(Some(line)) => format!("line {line}: {}", self.what),
            FaultAt::Within(text) => format!("in `{text}`: {}", self.what),
            FaultAt::Throughout(texts) => format!("in {texts} texts that it is part of: {}", self.what),
            FaultAt::Text | FaultAt::Notation(None) => self.what.clone(),
        }
    }
}

/// Whether what mends an earlier fault at the same place mends this one too: who left out a day is told so once.
pub(super) fn is_asked_for(before: &[(&'static str, TextFault)], new: &TextFault, rule: &str) -> bool {
    let here = || before.iter().filter(|(_, old)| old.language == new.language && old.at == new.at);
    let breaks = |rule: &str| here().any(|(broken, _)| *broken == rule);
    let earlier: Vec<&str> = here().flat_map(|(_, old)| names_in(&old.what)).collect();
    let mut names = names_in(&new.what);
    // What the other language tells is wanted whole; else one of several will do.
    match rule {
        // Whoever left out that nobody has measured the number left out with it what asks whether it is provisional.
        "languages" => {
            let asks = new.what.matches("{% if ").count();
            let of_measured = new.what.matches("{% if provisional %}").count();
            asks == of_measured && (asks == 0 || breaks("measured")) && names.all(|name| earlier.contains(&name))
        }
        // Any day would do; the one that is missing is asked for.
        "when" if breaks("best-first") => true,
        _ => names.any(|name| earlier.contains(&name)),
    }
}

/// The names of the placeholders that a fault speaks of.
fn names_in(what: &str) -> impl Iterator<Item = &str> {
    what.split("{{ ").skip(1).filter_map(|rest| Some(rest.split_once(" }}")?.0))
}

/// Faults of a part, each once: it shows in every text that includes the part. Advice that cannot be followed in the part itself is
/// left out.
pub(super) fn of_part(name: &TextName, found: Vec<(&'static str, TextFault)>) -> Vec<(&'static str, TextFault)> {
    let mut faults: Vec<(&'static str, TextFault)> = Vec::new();
    let mut counts: Vec<usize> = Vec::new();
    for (rule, fault) in found {
        if !matches!(fault.at, FaultAt::Within(_)) {
            faults.push((rule, fault));
            counts.push(0);
            continue;
        }
        let same = |(of, old): &(&'static str, TextFault)| {
            *of == rule && old.language == fault.language && matches!(old.at, FaultAt::Within(_))
        };
        match faults.iter().position(same).and_then(|at| counts.get_mut(at)) {
            Some(count) => *count += 1,
            None => {
                faults.push((rule, TextFault { what: without_advice(name, &fault.what), ..fault }));
                counts.push(1);
            }
        }
    }
    for ((_, fault), count) in faults.iter_mut().zip(counts).filter(|(_, count)| *count > 1) {
        fault.at = FaultAt::Throughout(count);
    }
    faults
}

/// Without the word of another text that wants a caution, and without the part that is to be put into itself.
fn without_advice(name: &TextName, what: &str) -> String {
    let what = match what.split_once(". The word “") {
        Some((what, advice)) if advice.contains(&format!("\"{}.txt\"", name.as_str())) => what,
        _ => what,
    };
    let own = format!(": put {{% include \"{}.txt\" %}} where it belongs", name.as_str());
    what.strip_suffix(own.as_str()).unwrap_or(what).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(name: &str) -> TextName {
        TextName::parse(name).unwrap()
    }

    fn within(text: &str, language: Language, what: &str) -> TextFault {
        TextFault { language: Some(language), at: FaultAt::Within(named(text)), what: what.to_owned() }
    }

    #[test]
    fn a_fault_of_a_part_is_told_once_with_the_number_of_its_texts() {
        let lacks = "speaks of washing with a strong jet without the caution: power lines";
        let advice = ". The word “nozzle” says so: leave it out, or add what is missing ({% include \"care.part.txt\" %} brings it)";
        let one = |text: &str, language| ("washing", within(text, language, &format!("{lacks}{advice}")));
        let found = of_part(
            &named("care.part"),
            vec![
                one("wash-now.email", Language::En),
                one("inspect-now.email", Language::En),
                one("wash-now.email", Language::Es),
            ],
        );
        let said: Vec<String> = found.iter().map(|(_, fault)| fault.words()).collect();
        assert_eq!(said, [format!("in 2 texts that it is part of: {lacks}"), format!("in `wash-now.email`: {lacks}")]);
        // Of a word that stands in the part itself it can be followed.
        let spray = (
            "insecticides",
            within("wash-now.email", Language::En, &format!("x{}", advice.replace("care", "insecticides"))),
        );
        assert!(of_part(&named("look.part"), vec![spray])[0].1.what.contains("The word"));
    }

    #[test]
    fn what_one_mend_mends_is_asked_for_once() {
        let at = |what: &str| TextFault { language: Some(Language::En), at: FaultAt::Text, what: what.to_owned() };
        let measured = [("measured", at("does not say that nobody has measured the number"))];
        let other = at("leaves out what the Spanish words tell: {% if provisional %} (whether it is provisional)");
        assert!(is_asked_for(&measured, &other, "languages") && !is_asked_for(&[], &other, "languages"));
        let more = at("leaves out what the Spanish words tell: {% if provisional %} (a), {{ wash_by }} (b)");
        assert!(!is_asked_for(&measured, &more, "languages"));
        let best = [("best-first", at("does not say when the best days begin: put {{ best_first }} where it belongs"))];
        let when = at("does not say when it is time: put {{ wash_by }} or {{ laying_spread }} where it belongs");
        assert!(is_asked_for(&best, &when, "when") && !is_asked_for(&measured, &when, "when"));
    }
}
