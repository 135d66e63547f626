//! How commands print: JSON and text on standard output, and the words and tables that several of them share.

use std::fmt::Display;

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use comfy_table::{CellAlignment, Row, Table, TableStyle, presets};
use indicatif::{ProgressBar, ProgressStyle};

use super::error::CommandError;
use crate::units::m_to_feet;
use crate::weather::SourceRef;
use crate::weather::feeds::has_secret;

/// JSON on standard output, for programs.
pub fn print_json<T: serde::Serialize + ?Sized>(value: &T) -> Result<(), CommandError> {
    let text = serde_json::to_string_pretty(value).map_err(|why| CommandError::Failed(format!("no JSON: {why}")))?;
    print_out(&format!("{text}\n"))
}

/// Text on standard output. A reader that has seen enough, as `head` has, is no fault.
pub fn print_out(text: &str) -> Result<(), CommandError> {
    use std::io::{ErrorKind, Write};
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(why) if why.kind() != ErrorKind::BrokenPipe => {
            Err(CommandError::Failed(format!("standard output cannot be written: {why}")))
        }
        _ => Ok(()),
    }
}

/// A table with its head, and a line between the head and the rows.
pub fn ruled_table(head: impl Into<Row>) -> Table {
    table(presets::UTF8_HORIZONTAL_ONLY, head)
}

/// A table with its head and no lines.
pub fn bare_table(head: impl Into<Row>) -> Table {
    table(presets::NOTHING, head)
}

fn table(style: TableStyle, head: impl Into<Row>) -> Table {
    let mut table = Table::new();
    table.load_style(style).set_header(head);
    table
}

/// Sets columns to the right, as numbers stand; columns are counted from 0 and the head must be there.
pub fn align_right(table: &mut Table, columns: impl IntoIterator<Item = usize>) {
    for column in columns {
        let Some(column) = table.column_mut(column) else { break };
        column.set_cell_alignment(CellAlignment::Right);
    }
}

/// A bar on standard error; it hides itself where nobody looks.
pub fn progress_bar(length: u64, template: &str) -> ProgressBar {
    let style = ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(length).with_style(style)
}

/// `2026-03-01T14:05:00Z`.
pub fn instant(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// `2026-03-01`, or what stands for a day that is not there.
pub fn date_or(day: Option<NaiveDate>, missing: &str) -> String {
    day.map_or_else(|| missing.to_owned(), |day| day.to_string())
}

/// `Mar 1`, or what stands for a day that is not there.
pub fn short_date_or(day: Option<NaiveDate>, missing: &str) -> String {
    day.map_or_else(|| missing.to_owned(), |day| day.format("%b %-d").to_string())
}

/// `1 station` or `2 stations`.
pub fn counted<N: Copy + Display + PartialEq + From<u8>>(count: N, one: &str, many: &str) -> String {
    format!("{count} {}", if count == N::from(1) { one } else { many })
}

pub fn elevation_words(metres: f64) -> String {
    format!("{metres:.0} m ({:.0} ft)", m_to_feet(metres))
}

/// How much higher a place lies than another.
pub fn height_words(higher_m: f64) -> String {
    let metres = higher_m.abs().round();
    match () {
        () if metres == 0.0 => "at the same height".into(),
        () if higher_m > 0.0 => format!("{metres:.0} m higher"),
        () => format!("{metres:.0} m lower"),
    }
}

pub fn source_words(source: &SourceRef) -> String {
    let id = if has_secret(source) { "(an address that holds a password: change it)" } else { &source.id };
    format!("{}:{id}", source.feed.name())
}
