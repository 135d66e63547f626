//! What differs between two versions of a text, word by word.

/// A run of words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece<'a> {
    Same(&'a str),
    /// Only in the former.
    Gone(&'a str),
    /// Only in the latter.
    New(&'a str),
}

/// More pairs of words than these are not compared: then all between what is the same at both ends has gone and come.
const MOST_PAIRS: usize = 4_000_000;

/// The pieces in order: those that are [`Piece::Same`] and [`Piece::Gone`] make the former, those that are same and new the
/// latter. As many words as can be are the same.
pub fn difference<'a>(former: &'a str, latter: &'a str) -> Vec<Piece<'a>> {
    let (before, after) = (words(former), words(latter));
    let head = before.iter().zip(&after).take_while(|(was, is)| was == is).count();
    let rest = before.len().min(after.len()) - head;
    let tail = before.iter().rev().zip(after.iter().rev()).take(rest).take_while(|(was, is)| was == is).count();
    let middle = |words: &[&'a str]| words.get(head..words.len() - tail).map_or_else(Vec::new, <[&str]>::to_vec);
    let mut steps: Vec<Piece<'a>> = before.iter().take(head).map(|word| Piece::Same(word)).collect();
    steps.extend(compared(&middle(&before), &middle(&after)));
    steps.extend(before.iter().skip(before.len() - tail).map(|word| Piece::Same(word)));
    joined(former, latter, &steps)
}

/// Each with the blanks and line ends behind it.
fn words(text: &str) -> Vec<&str> {
    let mut words = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let word = rest.find(char::is_whitespace).unwrap_or(rest.len());
        let (_, behind) = rest.split_at(word);
        let blanks = behind.find(|c: char| !c.is_whitespace()).unwrap_or(behind.len());
        let (whole, next) = rest.split_at(word + blanks);
        words.push(whole);
        rest = next;
    }
    words
}

/// By the longest common subsequence.
fn compared<'a>(before: &[&'a str], after: &[&'a str]) -> Vec<Piece<'a>> {
    let gone = |words: &[&'a str]| words.iter().map(|word| Piece::Gone(word)).collect::<Vec<_>>();
    let new = |words: &[&'a str]| words.iter().map(|word| Piece::New(word)).collect::<Vec<_>>();
    let width = after.len() + 1;
    if before.len().saturating_mul(after.len()) > MOST_PAIRS {
        return [gone(before), new(after)].concat();
    }
    // Row by row from the end: how many words the two rests share.
    let mut shared = vec![0_u32; (before.len() + 1) * width];
    let at = |shared: &[u32], was: usize, is: usize| shared.get(was * width + is).copied().unwrap_or(0);
    for (was, word) in before.iter().enumerate().rev() {
        for (is, other) in after.iter().enumerate().rev() {
            let most = if word == other {
                at(&shared, was + 1, is + 1) + 1
            } else {
                at(&shared, was + 1, is).max(at(&shared, was, is + 1))
            };
            if let Some(cell) = shared.get_mut(was * width + is) {
                *cell = most;
            }
        }
    }
    let (mut was, mut is) = (0, 0);
    let mut steps = Vec::with_capacity(before.len() + after.len());
    while let (Some(word), Some(other)) = (before.get(was), after.get(is)) {
        if word == other {
            steps.push(Piece::Same(word));
            (was, is) = (was + 1, is + 1);
        } else if at(&shared, was + 1, is) >= at(&shared, was, is + 1) {
            steps.push(Piece::Gone(word));
            was += 1;
        } else {
            steps.push(Piece::New(other));
            is += 1;
        }
    }
    steps.extend(gone(before.get(was..).unwrap_or_default()));
    steps.extend(new(after.get(is..).unwrap_or_default()));
    steps
}

/// Neighbours of one kind as one piece.
fn joined<'a>(former: &'a str, latter: &'a str, steps: &[Piece<'a>]) -> Vec<Piece<'a>> {
    let (mut was, mut is) = (former, latter);
    let mut pieces: Vec<Piece<'a>> = Vec::new();
    let mut rest = steps;
    while let Some(first) = rest.first() {
        let alike = |step: &&Piece<'a>| std::mem::discriminant(*step) == std::mem::discriminant(first);
        let run: Vec<&Piece<'a>> = rest.iter().take_while(alike).collect();
        let length: usize = run.iter().map(|step| step.text().len()).sum();
        rest = rest.get(run.len()..).unwrap_or_default();
        let take = |from: &mut &'a str| -> &'a str {
            let (piece, behind) = from.split_at_checked(length).unwrap_or((*from, ""));
            *from = behind;
            piece
        };
        pieces.push(match first {
            Piece::Same(_) => {
                take(&mut is);
                Piece::Same(take(&mut was))
            }
            Piece::Gone(_) => Piece::Gone(take(&mut was)),
            Piece::New(_) => Piece::New(take(&mut is)),
        });
    }
    pieces
}

impl<'a> Piece<'a> {
    pub fn text(self) -> &'a str {
        match self {
            Piece::Same(text) | Piece::Gone(text) | Piece::New(text) => text,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_that_stay_are_the_same_and_both_texts_can_be_put_together_again() {
        use Piece::{Gone, New, Same};
        for (former, latter, wanted) in [
            ("", "", vec![]),
            ("a b c", "a b c", vec![Same("a b c")]),
            ("", "a b", vec![New("a b")]),
            ("a b", "", vec![Gone("a b")]),
            (
                "wash it now.\nRake",
                "wash it today.\nRake",
                vec![Same("wash it "), Gone("now.\n"), New("today.\n"), Same("Rake")],
            ),
            ("a b c d", "a x c d e", vec![Same("a "), Gone("b "), New("x "), Same("c "), Gone("d"), New("d e")]),
            ("ñandú á", "ñandú é á", vec![Same("ñandú "), New("é "), Same("á")]),
        ] {
            let pieces = difference(former, latter);
            assert_eq!(pieces, wanted, "{former:?} {latter:?}");
        }
        let long = |word: &str| (0..3000).map(|n| format!("{word}{n} ")).collect::<String>();
        for (former, latter) in [(long("a"), long("b")), ("a b a b b a ".repeat(9), "b a a ".repeat(20))] {
            let pieces = difference(&former, &latter);
            let of = |not: fn(&Piece) -> bool| -> String {
                pieces.iter().filter(|piece| !not(piece)).map(|piece| piece.text()).collect()
            };
            assert_eq!(of(|piece| matches!(piece, New(_))), former);
            assert_eq!(of(|piece| matches!(piece, Gone(_))), latter);
        }
    }
}
