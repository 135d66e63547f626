//! The words of a text that are said only where something holds, and which of them some facts have it say.

use std::collections::BTreeSet;

use minijinja::value::Value;

use super::engine::bare;
use super::placeholders::{values_of, words_of};
use super::texts::TextName;
use crate::language::Language;
use crate::message::facts::NoticeFacts;

/// Words between `{% if … %}` and what ends them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Branch {
    /// When they are said, in words: `what the notice rests on: seen`.
    pub when: String,
    /// As they are written, in one line; tags that only choose are left out.
    pub words: String,
    /// The branch that these words stand in.
    pub within: Option<usize>,
}

/// Every branch of a text.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Branches {
    /// In the order of the text.
    all: Vec<Branch>,
    /// Its tags alone, with the number of each branch as its only word.
    tags: String,
}

/// A tag that is to be ended.
struct Open {
    /// The branch that is being read; of a loop none.
    branch: Option<usize>,
    /// What was asked for so far.
    asked: Vec<String>,
}

impl Branches {
    /// Of words as somebody writes them, be they in order or not.
    pub fn of(source: &str) -> Self {
        let mut found = Self::default();
        let mut open: Vec<Open> = Vec::new();
        let mut rest = source;
        while let Some((words, after)) = rest.split_once('{') {
            found.say(&open, words);
            let end = match after.chars().next() {
                Some('%') => "%}",
                Some('{') => "}}",
                Some('#') => "#}",
                _ => {
                    found.say(&open, "{");
                    rest = after;
                    continue;
                }
            };
            let Some((tag, after)) = after.split_once(end) else { break };
            match end {
                "%}" => found.tag(&mut open, tag.trim_matches(['%', '-', '+']).trim()),
                "}}" => found.say(&open, &format!("{{{tag}}}}}")),
                _ => {}
            }
            rest = after;
        }
        found.say(&open, rest);
        for branch in &mut found.all {
            branch.words = branch.words.split_whitespace().collect::<Vec<_>>().join(" ");
        }
        found
    }

    pub fn all(&self) -> &[Branch] {
        &self.all
    }

    /// The branches that these facts lead through, by their place; `whole` is the text that the words are read in. `None`: that
    /// cannot be told, since the words are not in order.
    pub fn said(&self, whole: &TextName, language: Language, facts: &NoticeFacts) -> Option<BTreeSet<usize>> {
        let numbers = bare().render_str(&self.tags, Value::from(values_of(whole, language, facts))).ok()?;
        numbers.split_whitespace().map(|number| number.parse().ok()).collect()
    }

    fn say(&mut self, open: &[Open], words: &str) {
        for at in open.iter().filter_map(|open| open.branch) {
            if let Some(branch) = self.all.get_mut(at) {
                branch.words.push_str(words);
            }
        }
    }

    fn tag(&mut self, open: &mut Vec<Open>, tag: &str) {
        let (name, asked) = tag.split_once(char::is_whitespace).unwrap_or((tag, ""));
        let asked = asked.trim();
        match name {
            "if" => {
                open.push(Open { branch: None, asked: Vec::new() });
                self.begin(open, tag, asked);
            }
            "elif" | "else" => self.begin(open, tag, asked),
            "for" => {
                open.push(Open { branch: None, asked: Vec::new() });
                self.tags += &format!("{{% {tag} %}}");
            }
            "endif" | "endfor" => {
                open.pop();
                self.tags += &format!("{{% {tag} %}}");
            }
            "set" => self.tags += &format!("{{% {tag} %}}"),
            "include" => self.say(open, &format!("{{% {tag} %}}")),
            _ => {}
        }
    }

    /// The next branch of the tag that was opened last; `asked` is empty in any other case.
    fn begin(&mut self, open: &mut [Open], tag: &str, asked: &str) {
        let within = open.iter().rev().skip(1).find_map(|open| open.branch);
        let Some(last) = open.last_mut() else { return };
        let when = match (asked, last.asked.as_slice()) {
            ("", [one]) => not(one),
            ("", _) => "in any other case".to_owned(),
            (asked, _) => in_words(asked),
        };
        if !asked.is_empty() {
            last.asked.push(asked.to_owned());
        }
        last.branch = Some(self.all.len());
        self.tags += &format!("{{% {tag} %}} {} ", self.all.len());
        self.all.push(Branch { when, words: String::new(), within });
    }
}

/// `basis == "seen" and borrowed` as `what the notice rests on: seen, and known: a sentence on …`.
fn in_words(condition: &str) -> String {
    // What is asked in another way stands as it is written.
    if condition.contains(['(', '[', '.', '|', '<', '>']) {
        return condition.to_owned();
    }
    let either = condition.split(" or ").map(|all| all.split(" and ").map(|one| asked(one, false)).collect::<Vec<_>>());
    either.map(|all| all.join(", and ")).collect::<Vec<_>>().join(", or ")
}

/// Where the condition does not hold.
fn not(condition: &str) -> String {
    let is_one = ![" or ", " and "].iter().any(|word| condition.contains(word));
    if is_one && in_words(condition) != condition { asked(condition, true) } else { "in any other case".to_owned() }
}

fn asked(one: &str, turned: bool) -> String {
    let one = one.trim();
    let (bare, is_not) = one.strip_prefix("not ").map_or((one, turned), |rest| (rest.trim(), !turned));
    let (name, value, is_not) = match (bare.split_once("=="), bare.split_once("!=")) {
        (Some((name, value)), _) => (name.trim(), Some(value), is_not),
        (None, Some((name, value))) => (name.trim(), Some(value), !is_not),
        (None, None) => (bare, None, is_not),
    };
    let words = words_of(name);
    let no = if is_not { "not " } else { "" };
    match (value, words.strip_prefix("whether ")) {
        _ if words.is_empty() => one.to_owned(),
        (Some(value), _) => {
            let value = value.trim().trim_matches(['"', '\'']).replace('-', " ");
            format!("{}: {no}{value}", words.split(':').next().unwrap_or(words))
        }
        (None, Some(holds)) if is_not => format!("not so: {holds}"),
        (None, Some(holds)) => holds.to_owned(),
        (None, None) => format!("{no}known: {words}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::samples;

    fn whens(source: &str) -> Vec<String> {
        Branches::of(source).all.into_iter().map(|branch| branch.when).collect()
    }

    #[test]
    fn branches_have_their_words_and_conditions_in_words() {
        let source = "Always. {# note {% if x %} #}{% if basis == \"seen\" %}\nEggs\nwere { seen on {{ wash_by }}.{% elif \
                      borrowed and basis == \"chance\" %}B{%- else -%}{% if not provisional %}In{% endif %} \
                      {% include \"care.part.txt\" %}{% endif %} Always.";
        let found = Branches::of(source);
        let told: Vec<(&str, &str, Option<usize>)> =
            found.all().iter().map(|of| (of.when.as_str(), of.words.as_str(), of.within)).collect();
        assert_eq!(
            told,
            [
                ("what the notice rests on: seen", "Eggs were { seen on {{ wash_by }}.", None),
                (
                    "known: a sentence on the station whose past years help out, and what the notice rests on: chance",
                    "B",
                    None
                ),
                ("in any other case", "In {% include \"care.part.txt\" %}", None),
                ("not so: nobody has measured the heat number yet", "In", Some(2)),
            ]
        );
        assert_eq!(
            whens("{% if hatch_seen %}a{% else %}b{% endif %}{% if kind != 'wash-now' %}c{% endif %}"),
            ["somebody has seen the hatch", "not so: somebody has seen the hatch", "which notice it is: not wash now"]
        );
        assert_eq!(whens("{% for one in heights %}{% if not loop.last %}, {% endif %}{% endfor %}"), ["not loop.last"]);
    }

    #[test]
    fn facts_lead_through_some_of_them() {
        let whole = TextName::parse("wash-now.email").unwrap();
        let said = |source: &str, facts: &NoticeFacts| Branches::of(source).said(&whole, Language::En, facts);
        let source = "{% if basis == \"seen\" %}a{% else %}b{% if best_days %}c{% endif %}{% endif %}";
        let typical = samples::typical().facts;
        assert_eq!(said(source, &typical), Some(BTreeSet::from([1, 2])));
        let seen = samples::all().into_iter().find(|of| of.name == "seen").unwrap().facts;
        assert_eq!(said(source, &seen), Some(BTreeSet::from([0])));
        assert_eq!(said("{% if basis %}", &typical), None);
        assert_eq!(said("{% if no_such_name %}a{% endif %}", &typical), None);
    }
}
