//! Comparing words however they were typed.

use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

/// The longest text that a phone can send has 255 parts of 153 characters; what stands further back is not looked at.
const LONGEST: usize = 255 * 153;

/// Lower case, no accents, no signs, letters of other widths as usual ones: the words that are left.
pub(super) fn words(text: &str) -> Vec<String> {
    let mut plain = String::new();
    for c in text.chars().take(LONGEST).nfkd().filter(|c| !is_combining_mark(*c)) {
        match c {
            // Zero-width characters part nothing; an apostrophe neither ("don't", "don’t").
            '\u{200B}'..='\u{200F}' | '\u{2060}' | '\u{FEFF}' | '\u{AD}' | '\u{FE00}'..='\u{FE0F}' => {}
            '\'' | '\u{2018}' | '\u{2019}' | '`' | '\u{B4}' => {}
            c if c.is_alphanumeric() => plain.extend(c.to_lowercase()),
            _ => plain.push(' '),
        }
    }
    let words: Vec<String> = plain.split_whitespace().map(str::to_owned).collect();
    // "S T O P", "S.T.O.P."
    if words.len() > 2
        && words.iter().all(|word| word.chars().count() == 1 && !word.chars().all(|c| c.is_ascii_digit()))
    {
        return vec![words.concat()];
    }
    words
}

/// Equal but for letters held down: "stoppp" is "stop". Digits count as they are.
pub(super) fn same(entry: &str, word: &str) -> bool {
    if entry == word {
        return true;
    }
    // Nearly all end here, which a long text feels.
    if entry.chars().next() != word.chars().next() {
        return false;
    }
    let squeezed = |text: &str| {
        let mut out = String::with_capacity(text.len());
        for c in text.chars() {
            if !out.ends_with(c) || c.is_ascii_digit() {
                out.push(c);
            }
        }
        out
    };
    // Short words are left as they are: "no" and "noo" are, "of" and "off" are not.
    entry.chars().count() > 2 && entry != "off" && squeezed(entry) == squeezed(word)
}

/// The words without such ones at the beginning and the end.
pub(super) fn without(words: &[String], is_idle: impl Fn(&str) -> bool) -> Vec<String> {
    let first = words.iter().position(|word| !is_idle(word)).unwrap_or(words.len());
    let last = words.iter().rposition(|word| !is_idle(word)).map_or(first, |last| last + 1);
    words[first..last.max(first)].to_vec()
}

/// Whether any entry stands in the words, whole and in one piece.
pub(super) fn has_any(words: &[String], table: &[&str]) -> bool {
    table.iter().any(|entry| {
        let entry: Vec<&str> = entry.split(' ').collect();
        words.windows(entry.len()).any(|part| part.iter().zip(&entry).all(|(word, wanted)| same(wanted, word)))
    })
}

/// Whether the words of a phrase stand in this order, at most two others between one and the next.
pub(super) fn in_order(words: &[String], phrase: &str) -> bool {
    let phrase: Vec<&str> = phrase.split(' ').collect();
    let Some((head, rest)) = phrase.split_first() else { return false };
    words.iter().enumerate().filter(|(_, word)| same(head, word)).any(|(start, _)| {
        let mut at = start;
        rest.iter().all(|wanted| {
            let next = words.iter().enumerate().skip(at + 1).take(3).find(|(_, word)| same(wanted, word));
            next.inspect(|(place, _)| at = *place).is_some()
        })
    })
}
