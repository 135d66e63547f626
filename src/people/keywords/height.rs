//! Answers to the question how high up somebody's trees stand: `2`, `7,100 ft`, `2100 m`, `7100 pies`.

use super::compare::{without, words};
use super::words::lists;
use crate::units::height_of_feet;

/// Where on the mountain the trees stand, as a text says it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HeightAnswer {
    /// The choice of this number, 1 for the lowest.
    Choice(usize),
    /// A height above the sea.
    Metres(f64),
}

/// Reads an answer that is all the text says.
pub fn height_answer(text: &str) -> Option<HeightAnswer> {
    // "7,100 ft" is one number: a comma or point between a digit and three more parts thousands.
    let joined = join_thousands(text);
    let all = words(&joined);
    let bare = without(&all, |word| lists().courtesy.contains(&word));
    let bare: Vec<&str> = bare.iter().map(String::as_str).collect();
    match bare.as_slice() {
        [one] => match one.parse::<u32>() {
            Ok(digit @ 1..=9) if one.len() == 1 => Some(HeightAnswer::Choice(digit as usize)),
            // Four digits are feet: nobody's pinyons stand at 1,000 m and no ZIP code has four.
            Ok(feet @ 1000..=9999) => Some(HeightAnswer::Metres(height_of_feet(f64::from(feet)))),
            _ => {
                let split = one.find(|c: char| !c.is_ascii_digit())?;
                measured(&one[..split], &one[split..])
            }
        },
        [number, unit] => measured(number, unit),
        _ => None,
    }
}

fn measured(number: &str, unit: &str) -> Option<HeightAnswer> {
    if !(3..=5).contains(&number.len()) {
        return None;
    }
    let number = f64::from(number.parse::<u32>().ok()?);
    match unit {
        "ft" | "feet" | "foot" | "pies" | "pie" => Some(HeightAnswer::Metres(height_of_feet(number))),
        "m" | "meters" | "metres" | "metros" => Some(HeightAnswer::Metres(number)),
        _ => None,
    }
}

fn join_thousands(text: &str) -> String {
    let all: Vec<char> = text.chars().take(200).collect();
    let digit = |at: usize| all.get(at).is_some_and(char::is_ascii_digit);
    let parts = |at: usize| {
        matches!(all[at], ',' | '.')
            && at > 0
            && digit(at - 1)
            && (1..=3).all(|next| digit(at + next))
            && !digit(at + 4)
    };
    (0..all.len()).filter(|at| !parts(*at)).map(|at| all[at]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_digit_or_a_height_is_read_and_nothing_else() {
        for (text, wanted) in [
            ("2", Some(HeightAnswer::Choice(2))),
            (" 1. ", Some(HeightAnswer::Choice(1))),
            ("2 please", Some(HeightAnswer::Choice(2))),
            ("7000", Some(HeightAnswer::Metres(2133.6))),
            ("7,000 ft", Some(HeightAnswer::Metres(2133.6))),
            ("7000ft", Some(HeightAnswer::Metres(2133.6))),
            ("7.000 pies", Some(HeightAnswer::Metres(2133.6))),
            ("2100 m", Some(HeightAnswer::Metres(2100.0))),
            ("0", None),
            ("10", None),
            ("12", None),
            ("00101", None),
            ("123456", None),
            ("2 trees", None),
            ("at the top", None),
            ("", None),
        ] {
            let read = height_answer(text);
            match (read, wanted) {
                (Some(HeightAnswer::Metres(a)), Some(HeightAnswer::Metres(b))) => {
                    assert!((a - b).abs() < 1e-6, "{text}")
                }
                _ => assert_eq!(read, wanted, "{text}"),
            }
        }
    }
}
