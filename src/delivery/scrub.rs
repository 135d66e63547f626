//! What is kept and logged of the words of other programs: short, and with nobody's address in it.

/// Longest cause or reference that is kept, in characters.
const LONGEST_CAUSE: usize = 300;

/// Servers like to repeat the address they refuse. What is kept and logged must not hold it: words with an `@` and long
/// runs of digits are blanked, also when blanks part them as in a written telephone number.
pub(crate) fn scrubbed(cause: &str) -> String {
    let words: Vec<&str> = cause.split_whitespace().collect();
    let mut kept = Vec::with_capacity(words.len());
    for run in words.chunk_by(|a, b| is_of_a_number(a) && is_of_a_number(b)) {
        // A reply code before the number stays.
        let number = (0..run.len()).rev().find(|at| run[*at..].iter().copied().map(digits).sum::<usize>() >= 10);
        match number.filter(|_| run.len() > 1) {
            Some(at) => {
                kept.extend(run[..at].iter().copied().map(scrubbed_word));
                kept.push("(number)");
            }
            None => kept.extend(run.iter().copied().map(scrubbed_word)),
        }
    }
    shortened(&kept.join(" "))
}

fn scrubbed_word(word: &str) -> &str {
    if word.contains('@') {
        "(address)"
    } else if digits(word) >= 7 && !word.contains("://") {
        "(number)"
    } else {
        word
    }
}

fn digits(word: &str) -> usize {
    word.bytes().filter(u8::is_ascii_digit).count()
}

fn is_of_a_number(word: &str) -> bool {
    word.bytes().all(|byte| byte.is_ascii_digit() || b"+-.()/,;:'\"<>".contains(&byte))
}

/// The text at its longest, without control characters.
pub(crate) fn shortened(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(LONGEST_CAUSE).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_address_or_number_stays_in_a_cause() {
        let refused = "550 5.1.1 <Owner.Person@Example.ORG>: Recipient address rejected";
        assert_eq!(scrubbed(refused), "550 5.1.1 (address) Recipient address rejected");
        assert_eq!(
            scrubbed("The 'To' number +1-505-555-0100 is not valid (21211)"),
            "The 'To' number (number) is not valid (21211)"
        );
        assert_eq!(scrubbed(r#"{"to":"+15055550100","code":40300}"#), "(number)");
        assert_eq!(scrubbed("550 5.1.1 +1 505 555 0100 is not known"), "550 5.1.1 +1 (number) is not known");
        assert_eq!(scrubbed("(505) 555-0100: no such subscriber"), "(number) no such subscriber");
        assert_eq!(scrubbed("421 4.7.0 try again in 300 s"), "421 4.7.0 try again in 300 s");
        assert_eq!(scrubbed("a\u{0}b\r\nc"), "ab c");
        assert!(scrubbed(&"x".repeat(1000)).len() == LONGEST_CAUSE);
    }
}
