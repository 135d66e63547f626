//! Plain work on text that many rooms need: one line, escaping, near names, days, base64, errors with their causes.

use std::error::Error;
use std::fmt;

use base64::Engine as _;
use base64::engine::DecodePaddingMode;
use base64::engine::general_purpose::{GeneralPurpose, GeneralPurposeConfig, STANDARD};
use chrono::{Datelike, NaiveDate};

/// Text on one line: control characters, line ends and runs of blanks become one blank, none at either end.
pub fn one_line(text: &str) -> String {
    let mut line = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || matches!(c, ' ' | '\u{2028}' | '\u{2029}') {
            if !line.is_empty() && !line.ends_with(' ') {
                line.push(' ');
            }
        } else {
            line.push(c);
        }
    }
    line.truncate(line.trim_end().len());
    line
}

/// Whether a character is not seen and changes how others are: a control character, a line or paragraph separator, or one
/// that turns the direction of writing, behind which a name could pass for another (Unicode Technical Report 36).
pub fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{2028}' | '\u{2029}')
        || matches!(c, '\u{61C}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

/// Text as it may stand in HTML and XML, between tags and inside an attribute in quotes of either kind.
pub fn escape(text: &str) -> String {
    escape_with(text, "&#39;")
}

/// As [`escape`], an apostrophe written as `apostrophe`: left as it is, the text may stand only in double quotes.
pub fn escape_with(text: &str, apostrophe: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str(apostrophe),
            c => safe.push(c),
        }
    }
    safe
}

/// `1 station` or `2 stations`.
pub fn counted<N: Copy + fmt::Display + PartialEq + From<u8>>(count: N, one: &str, many: &str) -> String {
    format!("{count} {}", if count == N::from(1) { one } else { many })
}

/// The first of many faults, and how many more there are: nobody reads more than a screen of them.
pub fn first_few(mut faults: Vec<String>) -> Vec<String> {
    const SHOWN: usize = 20;
    let more = faults.len().saturating_sub(SHOWN);
    faults.truncate(SHOWN);
    if more > 0 {
        faults.push(format!("and {more} more"));
    }
    faults
}

/// The known id most like the one that was given, if any is like it; capitals make no difference.
pub fn near_name<S: AsRef<str>>(given: &str, known: &[S]) -> Option<String> {
    let given = given.to_lowercase();
    let likeness = |name: &str| strsim::jaro_winkler(&given, &name.to_lowercase());
    most_like(known.iter().map(AsRef::as_ref), 0.85, likeness).map(str::to_owned)
}

/// The known key most like the one that was given. Few keys stand at one place, so less likeness is asked than of
/// [`near_name`].
pub fn near_key<'a>(given: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    most_like(known, 0.75, |key| strsim::jaro_winkler(key, given))
}

fn most_like<'a>(
    known: impl IntoIterator<Item = &'a str>,
    above: f64,
    likeness: impl Fn(&str) -> f64,
) -> Option<&'a str> {
    known
        .into_iter()
        .map(|name| (likeness(name), name))
        .filter(|(likeness, _)| *likeness > above)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

/// The known name that the fewest slips of the pen lead to from the one that was given: at most two, or one in three of
/// its characters.
pub fn near_spelling<'a>(given: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    known
        .into_iter()
        .map(|known| (strsim::damerau_levenshtein(given, known), known))
        .filter(|(slips, known)| *slips <= (known.chars().count() / 3).max(2))
        .min()
        .map(|(_, known)| known)
}

/// Whether at most two slips of the pen lead from one to the other: a character too many, too few, another, or two that
/// changed places.
pub fn is_slip(given: &str, known: &str) -> bool {
    strsim::damerau_levenshtein(given, known) <= 2
}

/// What follows the name of something unknown: a question, or nothing when nothing is near.
pub fn did_you_mean(near: Option<&str>) -> String {
    near.map_or_else(String::new, |near| format!(", did you mean `{near}`?"))
}

/// RFC 4648, section 4, with padding.
pub fn base64(bytes: &[u8]) -> String {
    STANDARD.encode(bytes)
}

/// As [`base64()`] writes it, with or without its padding.
pub fn from_base64(text: &str) -> Option<Vec<u8>> {
    const EITHER: GeneralPurpose = GeneralPurpose::new(
        &base64::alphabet::STANDARD,
        GeneralPurposeConfig::new().with_decode_padding_mode(DecodePaddingMode::Indifferent),
    );
    EITHER.decode(text).ok()
}

/// An error and all its causes in one line.
pub fn error_chain(why: &dyn Error) -> String {
    error_chain_without(why, |_, _| false)
}

/// As [`error_chain`], without the causes of which `is_said` finds that what is said so far (its first argument) has
/// their words already: some errors repeat their cause.
pub fn error_chain_without(why: &dyn Error, is_said: impl Fn(&str, &str) -> bool) -> String {
    let mut said = why.to_string();
    let mut cause = why.source();
    while let Some(deeper) = cause {
        let words = deeper.to_string();
        if !is_said(&said, &words) {
            said.push_str(": ");
            said.push_str(&words);
        }
        cause = deeper.source();
    }
    said
}

/// An error as it is shown to people, in logs and in JSON: one line with all its causes. Errors do not print what they
/// link; one of a library that does is not repeated.
pub struct Chain<'a>(pub &'a dyn Error);

impl fmt::Display for Chain<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&error_chain_without(self.0, |said, cause| said.contains(cause)))
    }
}

/// A day as ISO 8601 writes it. Of one with slashes both readings are told, and none is taken for granted.
///
/// # Errors
/// How a day is written.
pub fn written_day(text: &str) -> Result<NaiveDate, String> {
    let text = text.trim();
    if let Ok(day) = text.parse() {
        return Ok(day);
    }
    let right = |day: &NaiveDate| (1000..=9999).contains(&day.year());
    let read = |order| NaiveDate::parse_from_str(text, order).ok().filter(right);
    Err(match (read("%m/%d/%Y"), read("%d/%m/%Y")) {
        (Some(american), Some(other)) if american != other => format!(
            "a day is written year-month-day: {american} for {}, {other} for {}",
            american.format("%B %-d"),
            other.format("%B %-d")
        ),
        (Some(day), _) | (None, Some(day)) => format!("a day is written year-month-day: {day}"),
        (None, None) => "no day of the calendar: year-month-day is wanted, such as 2026-04-18".into(),
    })
}

/// The innermost cause alone.
pub fn root_cause(why: &dyn Error) -> String {
    let mut cause = why;
    while let Some(deeper) = cause.source() {
        cause = deeper;
    }
    cause.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, thiserror::Error)]
    #[error("outer")]
    struct Outer(#[source] Middle);

    #[derive(Debug, thiserror::Error)]
    #[error("middle: inner")]
    struct Middle(#[source] Inner);

    #[derive(Debug, thiserror::Error)]
    #[error("inner")]
    struct Inner;

    #[test]
    fn text_becomes_one_line() {
        assert_eq!(one_line(" \ta\r\n b\u{2028}\u{2029}c\0 "), "a b c");
        assert_eq!(one_line(" \n"), "");
    }

    #[test]
    fn text_cannot_leave_its_element_or_its_quotes() {
        assert_eq!(escape("<a b=\"c\" d='e'> &amp;"), "&lt;a b=&quot;c&quot; d=&#39;e&#39;&gt; &amp;amp;");
        assert_eq!(escape_with("it's <", "&apos;"), "it&apos;s &lt;");
    }

    #[test]
    fn near_names_are_found_and_far_ones_are_not() {
        assert_eq!(near_name("Cedar-Falt", &["oak-hill", "cedar-flat"]).as_deref(), Some("cedar-flat"));
        assert_eq!(near_name("x", &["oak-hill", "cedar-flat"]), None);
        assert_eq!(near_key("leese_ms", ["batch", "lease_ms"]), Some("lease_ms"));
        assert_eq!(near_key("colour", ["batch", "lease_ms"]), None);
        assert_eq!(near_spelling("regoin_name", ["region_name", "season"]), Some("region_name"));
        assert_eq!(near_spelling("weather", ["region_name", "season"]), None);
        assert!(is_slip("sattion", "station") && !is_slip("stage", "station"));
        assert_eq!(did_you_mean(Some("a")) + &did_you_mean(None), ", did you mean `a`?");
    }

    #[test]
    fn base64_gives_the_published_vectors() {
        // RFC 4648, section 10.
        for (plain, coded) in
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")]
        {
            assert_eq!(base64(plain.as_bytes()), coded);
            for written in [coded, coded.trim_end_matches('=')] {
                assert_eq!(from_base64(written).as_deref(), Some(plain.as_bytes()), "{written}");
            }
        }
        assert_eq!(from_base64("Zm9v\n"), None);
    }

    #[test]
    fn an_error_is_told_with_its_causes() {
        let why = Outer(Middle(Inner));
        assert_eq!(error_chain(&why), "outer: middle: inner: inner");
        assert_eq!(error_chain_without(&why, |said, cause| said.ends_with(cause)), "outer: middle: inner");
        assert_eq!(Chain(&why).to_string(), "outer: middle: inner");
        assert_eq!(root_cause(&why), "inner");
        assert_eq!(root_cause(&Inner), "inner");
    }
}
