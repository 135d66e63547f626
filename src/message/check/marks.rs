//! Marks that no message has and that people would read as they stand: braces of a placeholder, and tags.

use super::Findings;
use super::lacking::Typed;

/// Longest piece that is named whole, bytes: of a longer one the first word is.
const LONGEST_PIECE: usize = 60;

impl Findings<'_> {
    /// `text` in one line, as it is sent; `subject` of an e-mail.
    pub(super) fn check_marks(&mut self, file: &str, subject: Option<&str>, text: &str) {
        let of_braces = match self.typed {
            Typed::Words => "write the words that are meant, or leave it out",
            Typed::Placeholders => {
                "a placeholder has two braces on each side and is one of those that this text can have; type one, or \
                 leave it out"
            }
        };
        let of_tags = "messages have no tags; leave it out";
        let checks = [
            (braces(text), subject.map(braces), of_braces, ["braces", "subject-braces"]),
            (tags(text), subject.map(tags), of_tags, ["tags", "subject-tags"]),
        ];
        for (of_text, of_subject, mend, [rule, subject_rule]) in checks {
            if let Some(pieces) = named(of_text) {
                self.fault(file, rule, format!("has {pieces}, which people would read as it stands: {mend}"));
            }
            if let Some(pieces) = of_subject.and_then(named) {
                let what = format!("has a subject with {pieces}, which people would read as it stands: {mend}");
                self.fault(file, subject_rule, what);
            }
        }
    }
}

/// Each once, in the order in which they stand; `None`: there are none.
fn named(pieces: Vec<String>) -> Option<String> {
    let mut once: Vec<String> = Vec::new();
    for piece in pieces {
        let piece = format!("`{}`", piece.replace('`', "'"));
        if !once.contains(&piece) {
            once.push(piece);
        }
    }
    (!once.is_empty()).then(|| once.join(", "))
}

/// `{region}`, `{{ wash_by }}`, `{% endif %}`; of a brace alone the word it stands in.
fn braces(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut rest = text;
    while let Some((before, from)) = rest.find(['{', '}']).and_then(|at| rest.split_at_checked(at)) {
        let closed = from.find('}').filter(|end| from.starts_with('{') && *end <= LONGEST_PIECE);
        let length = match closed {
            Some(end) => {
                let behind = from.get(end..).unwrap_or_default();
                end + behind.chars().take_while(|c| *c == '}').count()
            }
            None => first_word(from).len(),
        };
        let (piece, after) = from.split_at_checked(length).unwrap_or((from, ""));
        let head = if closed.is_some() { "" } else { before.rsplit(char::is_whitespace).next().unwrap_or_default() };
        found.push(format!("{head}{piece}"));
        rest = after;
    }
    found
}

/// `<b>`, `</p>`, `<a href="…">`; not what only is less than something.
fn tags(text: &str) -> Vec<String> {
    text.split('<').skip(1).filter_map(tag).map(|tag| format!("<{tag}")).collect()
}

/// The tag that begins here, without its first sign.
fn tag(from: &str) -> Option<&str> {
    let name = from.strip_prefix('/').unwrap_or(from);
    let behind = name.trim_start_matches(|c: char| c.is_ascii_alphanumeric());
    let is_named = name.starts_with(|c: char| c.is_ascii_alphabetic());
    let is_tag = is_named && behind.starts_with(|c: char| matches!(c, '>' | '/') || c.is_whitespace());
    if !is_tag && !from.starts_with("!--") {
        return None;
    }
    let end = from.find('>').filter(|end| *end <= LONGEST_PIECE);
    end.and_then(|end| from.get(..=end)).or_else(|| Some(first_word(from)))
}

fn first_word(text: &str) -> &str {
    text.split(char::is_whitespace).next().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(text: &str, wanted: &[&str]) {
        let found: Vec<String> = braces(text).into_iter().chain(tags(text)).collect();
        assert_eq!(found, wanted, "{text}");
    }

    #[test]
    fn a_mark_is_named_as_it_stands() {
        check(
            "In {region}: look. {{ wash_by }}, {% if x %}y{% endif %}",
            &["{region}", "{{ wash_by }}", "{% if x %}", "{% endif %}"],
        );
        check("a {region b} c", &["{region b}"]);
        check("a {region and ñ region} c {", &["{region and ñ region}", "{"]);
        check("a regi{on b", &["regi{on"]);
        check("a region} b", &["region}"]);
        check(
            "<b>Wash</b> <br/> <a href=\"https://example.org\">now</a> <!-- x -->",
            &["<b>", "</b>", "<br/>", "<a href=\"https://example.org\">", "</a>", "<!-- x -->"],
        );
    }

    #[test]
    fn what_is_no_mark_is_none() {
        check("Ask <help@example.org> or <https://example.org/a>, if 3 < 5 and a <- b; 2 > 1", &[]);
    }
}
