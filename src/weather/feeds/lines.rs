//! Drives a reader of lines over a text of any size.

use std::io::{self, BufRead};

use super::answer::{FeedError, Parsed};
use super::text::Lines;

/// A reader of one line at a time, so that files of any size are read in bounded memory.
pub trait LineParser {
    /// Takes one line without its end. `number` counts from 1.
    ///
    /// # Errors
    /// When the line proves that the whole file must not be taken.
    fn line(&mut self, number: u64, line: &[u8], out: &mut Parsed) -> Result<(), FeedError>;

    /// What the lines should have been, and how many were.
    fn recognised(&self) -> (&'static str, u64);
}

/// Lines between two looks at how much has gathered.
const LINES_A_STEP: u64 = 1024;

/// Feeds all lines of a text in memory to a parser; stops at the first that is too many.
pub(super) fn drive(mut parser: impl LineParser, text: &[u8]) -> Result<Parsed, FeedError> {
    let mut parsed = Parsed::default();
    let mut lines = Lines::new(text);
    let read_error = |source| FeedError::File { path: "answer".into(), source };
    while drive_some(&mut parser, &mut lines, LINES_A_STEP, &mut parsed).map_err(|why| match why {
        DriveError::Feed(why) => why,
        DriveError::Read(source) => read_error(source),
    })? {
        parsed.check_size()?;
    }
    let (wanted, good) = parser.recognised();
    if good == 0 && !parsed.rejected_lines.is_empty() {
        let first = parsed.rejected_lines.first().map(ToString::to_string).unwrap_or_default();
        return Err(FeedError::shape(wanted, format!("not one line is ({first})"), text));
    }
    Ok(parsed)
}

pub(crate) enum DriveError {
    Feed(FeedError),
    Read(io::Error),
}

/// Feeds at most `count` lines to a parser; `false` at the end of the text.
pub(crate) fn drive_some<R: BufRead>(
    parser: &mut (impl LineParser + ?Sized),
    lines: &mut Lines<R>,
    count: u64,
    out: &mut Parsed,
) -> Result<bool, DriveError> {
    for _ in 0..count {
        match lines.advance().map_err(DriveError::Read)? {
            None => return Ok(false),
            Some(number) if lines.too_long() => {
                out.reject(
                    format!("line {number}"),
                    "longer than any line of such a file",
                    &String::from_utf8_lossy(lines.line()),
                );
            }
            Some(number) => {
                let line = lines.line();
                if !line.iter().all(u8::is_ascii_whitespace) {
                    parser.line(number, line, out).map_err(DriveError::Feed)?;
                }
            }
        }
    }
    Ok(true)
}
