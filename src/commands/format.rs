//! How commands print: JSON and text on standard output, and the words and tables that several of them share.

use std::path::Path;

use super::error::CommandError;
use crate::units::m_to_feet;
use crate::weather::SourceRef;

/// JSON on standard output, for programs.
pub fn print_json<T: serde::Serialize + ?Sized>(value: &T) -> Result<(), CommandError> {
    let text = serde_json::to_string_pretty(value).map_err(|why| CommandError::Failed(format!("no JSON: {why}")))?;
    print_out(&format!("{text}\n"))
}

/// Text on standard output. A reader that has seen enough, as `head` has, is no fault.
pub fn print_out(text: &str) -> Result<(), CommandError> {
    use std::io::{ErrorKind, Write};
    match std::io::stdout().write_all(text.as_bytes()) {
        Err(why) if why.kind() != ErrorKind::BrokenPipe => {
            Err(CommandError::Failed(format!("standard output cannot be written: {why}")))
        }
        _ => Ok(()),
    }
}

pub fn elevation_words(metres: f64) -> String {
    format!("{metres:.0} m ({:.0} ft)", m_to_feet(metres))
}

pub fn height_words(higher_m: f64) -> String {
    let metres = higher_m.abs().round();
    match () {
        () if metres == 0.0 => "at the same height".into(),
        () if higher_m > 0.0 => format!("{metres:.0} m higher"),
        () => format!("{metres:.0} m lower"),
    }
}

pub fn source_words(source: &SourceRef) -> String {
    format!("{}:{}", source.feed.name(), source.id)
}

pub fn in_file(file: &Path, faults: &[String]) -> String {
    faults.iter().map(|fault| format!("{}: {fault}", file.display())).collect::<Vec<_>>().join("\n")
}

pub fn counted(count: usize, thing: &str) -> String {
    if count == 1 { format!("1 {thing}") } else { format!("{count} {thing}s") }
}
