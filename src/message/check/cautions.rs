//! The cautions beside what can hurt: washing with a strong jet, and insecticides.

use super::Findings;
use super::lacking::Typed;
use crate::people::Language;

/// The rules about cautions, that of the ground among them.
pub(super) const RULES: [&str; 3] = ["washing", "insecticides", "ground"];

/// What has to be said beside something.
struct Caution<'a> {
    rule: &'static str,
    /// What it is beside.
    subject: &'static str,
    /// Words that speak of that; an empty one: every text does.
    about: &'a [&'static str],
    /// What is needed: words of which one says it, and its name.
    needed: &'a [(&'a [&'static str], &'static str)],
    /// The part that says all of it.
    part: &'static str,
    /// What else mends a word that is not meant so.
    otherwise: &'static str,
}

impl Findings<'_> {
    /// `always`: whatever words it has for it.
    pub(super) fn check_washing(&mut self, file: &str, text: &str, language: Language, always: bool) {
        let (about, needed): (&[&str], &[(&[&str], &str)]) = match language {
            Language::En => (
                &["nozzle", "strong jet"],
                &[
                    (&["ladder"], "ladders"),
                    (&["power line"], "power lines"),
                    (&["eye protection", "goggles", "safety glasses"], "eye protection"),
                    (&["water rules", "water restriction", "watering rules"], "water rules"),
                    (&["pressure washer"], "no pressure washer"),
                    (&["freez", "frost"], "not when it freezes"),
                    (&["gloves"], "gloves"),
                ],
            ),
            Language::Es => (
                &["boquilla", "chorro"],
                &[
                    (&["escalera"], "ladders (escalera)"),
                    (&["cables de luz", "cables eléctricos", "líneas eléctricas"], "power lines (cables de luz)"),
                    (&["lentes de protección", "gafas", "proteja sus ojos"], "eye protection (lentes de protección)"),
                    (&["reglas del agua", "restricciones de agua"], "water rules (reglas del agua)"),
                    (&["hidrolavadora", "lavadora a presión"], "no pressure washer (hidrolavadora)"),
                    (&["hiela", "helada"], "not when it freezes (cuando hiela)"),
                    (&["guantes"], "gloves (guantes)"),
                ],
            ),
        };
        let about = if always { &[""] } else { about };
        let (part, otherwise) = ("care.part.txt", "leave it out");
        self.check_caution(
            file,
            text,
            &Caution { rule: "washing", subject: "washing with a strong jet", about, needed, part, otherwise },
        );
    }

    pub(super) fn check_insecticides(&mut self, file: &str, text: &str, language: Language) {
        let (about, needed): (&[&str], &[(&[&str], &str)]) = match language {
            Language::En => (
                &["insecticide", "pesticide", "horticultural oil", "dormant oil", "systemic", "spray"],
                &[
                    (&["follow the label"], "read and follow the label"),
                    (&["the law"], "the label is the law"),
                    (&["local codes", "local code"], "local codes first"),
                    (&["licensed"], "licensed applicators"),
                    (&["bees"], "bees"),
                    (&["out of water", "away from water", "from water"], "water"),
                    (&["nuts"], "not where nuts are gathered"),
                ],
            ),
            Language::Es => (
                &["insecticida", "pesticida", "plaguicida", "aceite hortícola", "sistémico", "rociar", "fumig"],
                &[
                    (&["siga la etiqueta"], "read and follow the label (lea y siga la etiqueta)"),
                    (&["la ley"], "the label is the law (la etiqueta es la ley)"),
                    (&["normas locales", "reglas locales", "códigos locales"], "local codes first (normas locales)"),
                    (&["con licencia"], "licensed applicators (con licencia)"),
                    (&["abejas"], "bees (abejas)"),
                    (&["en el agua", "lejos del agua"], "water (agua)"),
                    (&["piñones"], "not where nuts are gathered (piñones)"),
                ],
            ),
        };
        let otherwise = match language {
            Language::En => "where no insecticide is meant, write another one, such as “rinse” or “wash off”",
            Language::Es => "where no insecticide is meant, write another one, such as “enjuagar” or “lavar”",
        };
        let part = "insecticides.part.txt";
        self.check_caution(
            file,
            text,
            &Caution { rule: "insecticides", subject: "insecticides", about, needed, part, otherwise },
        );
    }

    fn check_caution(&mut self, file: &str, text: &str, caution: &Caution<'_>) {
        let lower = text.to_lowercase();
        let Some(word) = caution.about.iter().find_map(|word| whole_word(&lower, word)) else { return };
        let lacking: Vec<&str> = caution
            .needed
            .iter()
            .filter(|(words, _)| !words.iter().any(|word| lower.contains(word)))
            .map(|(_, name)| *name)
            .collect();
        if lacking.is_empty() {
            return;
        }
        let mut what = format!("speaks of {} without the caution: {}", caution.subject, lacking.join("; "));
        if !word.is_empty() {
            // A text message has no room for a part, and one notice's own words have none.
            let brings = match self.typed == Typed::Placeholders && !file.ends_with(".sms.txt") {
                true => format!(" ({{% include \"{}\" %}} brings it)", caution.part),
                false => String::new(),
            };
            what += &format!(". The word “{word}” says so: {}, or add what is missing{brings}", caution.otherwise);
        }
        self.fault(file, caution.rule, what);
    }
}

/// The whole word of a text in which these letters stand, or the words; `None`: they do not stand in it.
fn whole_word(lower: &str, letters: &str) -> Option<String> {
    if letters.is_empty() {
        return Some(String::new());
    }
    let (before, after) = lower.split_once(letters)?;
    let of_word = |c: &char| c.is_alphanumeric();
    let mut head: Vec<char> = before.chars().rev().take_while(of_word).collect();
    head.reverse();
    Some(head.into_iter().chain(letters.chars()).chain(after.chars().take_while(of_word)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_word_is_found_whole() {
        for (text, letters, word) in [
            ("or spray. it", "spray", Some("spray")),
            ("a backsprayer: off", "spray", Some("backsprayer")),
            ("use a strong jet here", "strong jet", Some("strong jet")),
            ("fumigación", "fumig", Some("fumigación")),
            ("nothing", "spray", None),
            ("whatever", "", Some("")),
        ] {
            assert_eq!(whole_word(text, letters).as_deref(), word, "{text}");
        }
    }
}
