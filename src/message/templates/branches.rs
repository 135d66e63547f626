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
    /// When they are said, in words: `when what the notice rests on is “seen”`.
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
        for part in parts(source) {
            match part {
                Part::Words(words) => found.say(&open, words),
                Part::Filled(tag) => found.say(&open, &format!("{{{tag}}}}}")),
                Part::Tag(tag) => found.tag(&mut open, tag),
            }
        }
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
        let when = when(asked, &last.asked);
        if !asked.is_empty() {
            last.asked.push(asked.to_owned());
        }
        last.branch = Some(self.all.len());
        self.tags += &format!("{{% {tag} %}} {} ", self.all.len());
        self.all.push(Branch { when, words: String::new(), within });
    }
}

/// What a text is made of, in its order; remarks are left out.
enum Part<'a> {
    Words(&'a str),
    /// What stands between the first brace and the last two: `{ wash_by `.
    Filled(&'a str),
    Tag(&'a str),
}

fn parts(source: &str) -> Vec<Part<'_>> {
    let (mut found, mut rest) = (Vec::new(), source);
    while let Some((words, after)) = rest.split_once('{') {
        let end = match after.chars().next() {
            Some('%') => "%}",
            Some('{') => "}}",
            Some('#') => "#}",
            _ => {
                found.extend([Part::Words(words), Part::Words("{")]);
                rest = after;
                continue;
            }
        };
        let Some((tag, after)) = after.split_once(end) else { break };
        found.push(Part::Words(words));
        match end {
            "%}" => found.push(Part::Tag(tag.trim_matches(['%', '-', '+']).trim())),
            "}}" => found.push(Part::Filled(tag)),
            _ => {}
        }
        rest = after;
    }
    found.push(Part::Words(rest));
    found
}

/// A text for who reads it and does not write it: when words are said stands before them as a sentence in brackets, and what is
/// filled in is named in braces.
pub fn in_sentences(source: &str) -> String {
    let (mut text, mut open) = (String::new(), Vec::new());
    for part in parts(source) {
        match part {
            Part::Words(words) => text.push_str(words),
            Part::Filled(tag) => match words_of(tag.trim_matches(['{', '-', '+', ' '])) {
                "" => text.push_str(&format!("{{{tag}}}}}")),
                words => text.push_str(&format!("{{{words}}}")),
            },
            Part::Tag(tag) => text.push_str(&sentence(&mut open, tag)),
        }
    }
    text
}

/// What stands in the place of a tag; `open`: what was asked for so far in each that is to be ended.
fn sentence(open: &mut Vec<Vec<String>>, tag: &str) -> String {
    let (name, asked) = tag.split_once(char::is_whitespace).unwrap_or((tag, ""));
    let asked = asked.trim();
    match name {
        "if" => {
            open.push(vec![asked.to_owned()]);
            format!("[only {}: ", when(asked, &[]))
        }
        "elif" | "else" => {
            let Some(before) = open.last_mut() else { return String::new() };
            let or = if asked.is_empty() { "" } else { "otherwise, " };
            let said = format!("] [{or}{}: ", when(asked, before));
            if !asked.is_empty() {
                before.push(asked.to_owned());
            }
            said
        }
        "for" => {
            open.push(Vec::new());
            "[for each one: ".to_owned()
        }
        "endif" | "endfor" => {
            open.pop();
            "]".to_owned()
        }
        "include" => {
            let part = asked.trim_matches(['"', '\'']).trim_end_matches(".part.txt").replace('-', " ");
            format!("[the part “{part}”]")
        }
        _ => String::new(),
    }
}

/// When the words behind a tag are said; `asked` is empty in any other case, `before` is what the tags before it asked for.
fn when(asked: &str, before: &[String]) -> String {
    match (asked, before) {
        ("", [one]) => not(one),
        ("", _) => "in any other case".to_owned(),
        (asked, _) => format!("when {}", in_words(asked)),
    }
}

/// `basis == "seen" and borrowed` as `what the notice rests on is “seen”, and there is a sentence on …`.
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
    match is_one && in_words(condition) != condition {
        true => format!("when {}", asked(condition, true)),
        false => "in any other case".to_owned(),
    }
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
    match (value, words.strip_prefix("whether ")) {
        _ if words.is_empty() => one.to_owned(),
        (Some(value), _) => {
            let value = value.trim().trim_matches(['"', '\'']).replace('-', " ");
            let no = if is_not { "not " } else { "" };
            format!("{} {no}“{value}”", subject(name, words))
        }
        (None, Some(holds)) if is_not => format!("it is not so that {holds}"),
        (None, Some(holds)) => holds.to_owned(),
        (None, None) => known(words, is_not),
    }
}

/// `what the notice rests on is`, of a name that chooses by its value.
fn subject(name: &str, words: &str) -> String {
    match name {
        "begun" => "the word on whether egg laying has begun is".to_owned(),
        "hatched" => "the word on whether eggs have hatched is".to_owned(),
        "kind" => "the notice is".to_owned(),
        "moved" => "the last day to wash is now".to_owned(),
        "now_kind" => "the notice in force where the reader lives is".to_owned(),
        _ => format!("{} is", words.split(':').next().unwrap_or(words)),
    }
}

/// `the best days to wash are known`; what stands behind a comma follows in brackets.
fn known(words: &str, is_not: bool) -> String {
    if let Some(sentence) = words.strip_prefix("a sentence ") {
        let article = if is_not { "no" } else { "a" };
        return format!("there is {article} sentence {sentence}");
    }
    let (what, more) =
        words.split_once(", ").map_or((words, String::new()), |(what, more)| (what, format!(" ({more})")));
    let are_many =
        ["the best days ", "the days ", "the heights ", "the ZIP codes "].iter().any(|many| what.starts_with(many));
    let verb = if are_many { "are" } else { "is" };
    let no = if is_not { "not " } else { "" };
    format!("{what} {verb} {no}known{more}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::samples;

    #[test]
    fn who_only_reads_a_text_reads_when_its_words_are_said() {
        let source = "Wash by {{ wash_by }}.{# note #}{% if basis == \"seen\" %} Eggs were seen.{% elif borrowed %} B\
                      {% else %} C{% endif %}{% if provisional %}P{% else %}Q{% endif %} {% include \"care.part.txt\" %} {x";
        let read = in_sentences(source);
        assert!(
            read.starts_with(
                "Wash by {the last day to wash}.[only when what the notice rests on is “seen”:  Eggs were seen.] [otherwise, when "
            ),
            "{read}"
        );
        assert!(read.contains(": Q] [the part “care”] {x") && read.contains("] [in any other case:  C]"), "{read}");
        let templates = crate::message::Templates::load(None).expect("the program's own");
        for name in TextName::all() {
            for language in Language::ALL {
                let read = in_sentences(templates.source(&name.file(language)));
                assert!(!read.contains("{%") && !read.contains("%}"), "{name}: {read}");
                assert_eq!(read.matches('[').count(), read.matches(']').count(), "{name}: {read}");
            }
        }
    }

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
                ("when what the notice rests on is “seen”", "Eggs were { seen on {{ wash_by }}.", None),
                (
                    "when there is a sentence on the station whose past years help out, and what the notice rests on is “chance”",
                    "B",
                    None
                ),
                ("in any other case", "In {% include \"care.part.txt\" %}", None),
                ("when it is not so that nobody has measured the heat number yet", "In", Some(2)),
            ]
        );
        assert_eq!(
            whens("{% if hatch_seen %}a{% else %}b{% endif %}{% if kind != 'wash-now' %}c{% endif %}"),
            [
                "when somebody has seen the hatch",
                "when it is not so that somebody has seen the hatch",
                "when the notice is not “wash now”"
            ]
        );
        assert_eq!(
            whens("{% if best_last %}a{% else %}b{% endif %}{% if not best_days or borrowed %}c{% endif %}"),
            [
                "when the last of the best days is known (if the last day to wash comes later)",
                "when the last of the best days is not known (if the last day to wash comes later)",
                "when the best days to wash are not known, or there is a sentence on the station whose past years help out",
            ]
        );
        assert_eq!(
            whens("{% for one in heights %}{% if not loop.last %}, {% endif %}{% endfor %}"),
            ["when not loop.last"]
        );
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
