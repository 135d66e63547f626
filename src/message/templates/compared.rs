//! The values that the conditions of a text compare with: each must be one that the name can have.

use super::values::allowed_names;
use crate::season::NoticeKind;
use crate::text::near_spelling;

/// What every name that chooses by its value can be.
const VALUES: [(&str, &[&str]); 6] = [
    ("basis", &["seen", "heat", "chance"]),
    ("begun", &["seen", "probably", "maybe"]),
    ("deadline_rule", &["hatch-early", "least-days", "hatch-seen", "month"]),
    ("hatched", &["seen", "probably", "maybe"]),
    ("moved", &["earlier", "later"]),
    ("moved_by", &["cool-weather", "warm-weather", "reports"]),
];

/// Those that only hold or do not.
const HOLDS: [&str; 4] = ["clean_tree", "hatch_seen", "lacks_beans", "provisional"];

fn values_of(name: &str) -> Option<Vec<&'static str>> {
    if ["kind", "now_kind"].contains(&name) {
        return Some(NoticeKind::ALL.into_iter().map(NoticeKind::name).collect());
    }
    VALUES.iter().find(|(of, _)| *of == name).map(|(_, values)| values.to_vec())
}

/// What is compared in a file with something that it never is, each with its line.
pub(super) fn never_so(file: &str, source: &str) -> Vec<(usize, String)> {
    let allowed = allowed_names(file);
    let mut found = Vec::new();
    for (line, tag) in tags(source) {
        for (line, name, value) in compared(&tokens(tag, line)) {
            let why = if allowed.contains(&name) { why_not(name, value) } else { None };
            found.extend(why.map(|why| (line, why)));
        }
    }
    found
}

fn why_not(name: &str, value: &str) -> Option<String> {
    if HOLDS.contains(&name) {
        return Some(format!("`{name}` holds or does not, and is never `{value}`: write `{{% if {name} %}}`"));
    }
    let values = values_of(name)?;
    if values.contains(&value) {
        return None;
    }
    let (last, others) = values.split_last()?;
    let can_be = format!("`{name}` is {} or {last}", others.join(", "));
    Some(match near_spelling(value, values.iter().copied()) {
        Some(near) => format!("{can_be}; did you mean `{near}`?"),
        None => format!("{can_be}, never `{value}`"),
    })
}

/// What stands between the braces of each tag, with the line on which it begins; remarks are left out.
fn tags(source: &str) -> Vec<(usize, &str)> {
    let (mut found, mut rest, mut line) = (Vec::new(), source, 1);
    while let Some((words, after)) = rest.split_once('{') {
        line += newlines(words);
        rest = after;
        let end = match after.chars().next() {
            Some('%') => "%}",
            Some('{') => "}}",
            Some('#') => "#}",
            _ => continue,
        };
        let Some((tag, after)) = after.split_once(end) else { break };
        if end != "#}" {
            found.push((line, tag));
        }
        line += newlines(tag);
        rest = after;
    }
    found
}

fn newlines(text: &str) -> usize {
    text.matches('\n').count()
}

#[derive(Clone, Copy)]
enum Token<'a> {
    Name(&'a str),
    /// Between quotes.
    Text(&'a str),
    Mark(&'a str),
}

fn tokens(tag: &str, mut line: usize) -> Vec<(usize, Token<'_>)> {
    let in_name = |c: char| c.is_alphanumeric() || c == '_';
    let (mut found, mut rest) = (Vec::new(), tag);
    while let Some(first) = rest.chars().next() {
        let (_, behind) = rest.split_at(first.len_utf8());
        if matches!(first, '"' | '\'') {
            let (text, after) = behind.split_once(first).unwrap_or((behind, ""));
            found.push((line, Token::Text(text)));
            line += newlines(text);
            rest = after;
            continue;
        }
        let length = match first {
            c if in_name(c) => rest.find(|c: char| !in_name(c)).unwrap_or(rest.len()),
            '=' | '!' if behind.starts_with('=') => 2,
            c => c.len_utf8(),
        };
        let (token, after) = rest.split_at(length);
        match first {
            '\n' => line += 1,
            c if c.is_whitespace() => {}
            c if in_name(c) => found.push((line, Token::Name(token))),
            _ => found.push((line, Token::Mark(token))),
        }
        rest = after;
    }
    found
}

/// The names that are compared with words in quotes, and these words.
fn compared<'a>(tokens: &[(usize, Token<'a>)]) -> Vec<(usize, &'a str, &'a str)> {
    let mut found = Vec::new();
    for at in 0..tokens.len() {
        let ahead = tokens.get(at..).unwrap_or_default();
        // Behind a dot, or as what a loop goes through, it is a name of something else.
        let before = at.checked_sub(1).and_then(|before| tokens.get(before));
        if matches!(before, Some((_, Token::Mark(".") | Token::Name("for")))) {
            continue;
        }
        match ahead {
            [(line, Token::Name(name)), (_, Token::Mark("==" | "!=")), (_, Token::Text(value)), ..]
            | [(line, Token::Text(value)), (_, Token::Mark("==" | "!=")), (_, Token::Name(name)), ..] => {
                found.push((*line, *name, *value));
            }
            [(_, Token::Name(name)), (_, Token::Name("not")), (_, Token::Name("in")), list @ ..]
            | [(_, Token::Name(name)), (_, Token::Name("in")), list @ ..] => {
                found.extend(listed(list).into_iter().map(|(line, value)| (line, *name, value)));
            }
            _ => {}
        }
    }
    found
}

/// The words of the list that stands first.
fn listed<'a>(tokens: &[(usize, Token<'a>)]) -> Vec<(usize, &'a str)> {
    let [(_, Token::Mark("[" | "(")), inside @ ..] = tokens else { return Vec::new() };
    let inside = inside.iter().take_while(|(_, token)| !matches!(token, Token::Mark("]" | ")")));
    let text = |(line, token): &(usize, Token<'a>)| match token {
        Token::Text(text) => Some((*line, *text)),
        _ => None,
    };
    inside.filter_map(text).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::templates::placeholders;
    use crate::message::templates::values::{NOTICE_NAMES, TRANSACTIONAL_NAMES};
    use crate::season::decide::MovedBy;
    use crate::season::window::DeadlineRule;

    fn told(source: &str) -> Vec<String> {
        never_so("en/inspect-now.sms.txt", source).into_iter().map(|(line, what)| format!("{line}: {what}")).collect()
    }

    #[test]
    fn a_value_that_a_name_never_has_is_told_with_its_line() {
        let right = "{% if begun == \"seen\" and kind != 'wash-now' %}a{% elif moved_by in ['reports', \"cool-weather\"] %}b\
                     {% elif x.begun == 'sen' %}{% endif %}{% for kind in ['a'] %}{% endfor %}\
                     {# {% if begun == 'sen' %} #} begun == 'sen'";
        assert_eq!(told(right), Vec::<String>::new());
        let wrong = "{x\n{% if provisional or\n  begun == \"sen\" %}a{% elif 'wash-nwo' != kind %}\n\
                     {{ 'a' if basis not in ['seen', 'rumour'] else 'b' }}{% elif provisional == \"yes\" %}{% endif %}";
        assert_eq!(
            told(wrong),
            [
                "3: `begun` is seen, probably or maybe; did you mean `seen`?",
                "3: `kind` is get-ready, inspect-now, wash-now, deadline-moved, last-days-to-wash or too-late-to-wash; did you mean `wash-now`?",
                "4: `basis` is seen, heat or chance, never `rumour`",
                "4: `provisional` holds or does not, and is never `yes`: write `{% if provisional %}`",
            ]
        );
    }

    #[test]
    fn the_values_are_those_that_the_names_have() {
        use DeadlineRule::{HatchEarly, HatchSeen, LeastDays, Month};
        let rules = [HatchEarly, LeastDays, HatchSeen, Month].map(DeadlineRule::name);
        let movers = [MovedBy::CoolWeather, MovedBy::WarmWeather, MovedBy::Reports].map(MovedBy::name);
        assert_eq!(values_of("deadline_rule").unwrap(), rules);
        assert_eq!(values_of("moved_by").unwrap(), movers);
        for name in NOTICE_NAMES.iter().chain(&TRANSACTIONAL_NAMES) {
            let is_known = values_of(name).is_some() || HOLDS.contains(name);
            assert_eq!(is_known, placeholders::typed(name).starts_with("{%"), "{name}");
        }
    }
}
