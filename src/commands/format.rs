//! How commands print: JSON and text on standard output, and the words and tables that several of them share.

use std::fmt::Display;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use comfy_table::{Cell, CellAlignment, ColumnConstraint, ContentArrangement, Row, Table, TableStyle, Width, presets};
use indicatif::{ProgressBar, ProgressStyle};

use super::error::CommandError;
use crate::service::past_cache::Watch;
use crate::units::m_to_feet;
use crate::weather::feeds::acis_grid::grid_of;
use crate::weather::feeds::{has_secret, without_secrets};
use crate::weather::{SourceRef, Station};

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

/// A [`ruled_table`] of words: so that it fits [`columns`], long cells go on in further lines, but for those of the first
/// column, since what something is called by is copied by hand or mouse. Not for cells that hold one long word each.
pub fn fitted_table(head: impl Into<Row>) -> Table {
    let mut table = ruled_table(head);
    table.set_content_arrangement(ContentArrangement::Dynamic).set_width(columns());
    let heads: Vec<String> = table.header().into_iter().flat_map(Row::cell_iter).map(Cell::content).collect();
    for (column, head) in table.column_iter_mut().zip(heads) {
        // No word of a head is cut in two.
        let longest = head.split_whitespace().map(|word| word.chars().count()).max().unwrap_or(0);
        let with_padding = u16::try_from(longest + 2).unwrap_or(u16::MAX);
        column.set_constraint(match column.index {
            0 => ColumnConstraint::ContentWidth,
            _ => ColumnConstraint::LowerBoundary(Width::Fixed(with_padding)),
        });
    }
    table
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

/// The same, moved by a piece of work.
pub fn watched_bar(template: &str) -> (ProgressBar, Watch) {
    let bar = progress_bar(0, template);
    let moved = bar.clone();
    let watch: Watch = Arc::new(move |done, of| {
        moved.set_length(of);
        moved.set_position(done);
    });
    (bar, watch)
}

/// Columns that text and tables for people take.
pub const WIDTH: u16 = 100;

/// Columns that a table may take: [`WIDTH`], or those of a narrower terminal. `COLUMNS` says so where there is none.
pub fn columns() -> u16 {
    let said = std::env::var("COLUMNS").ok().and_then(|columns| columns.parse().ok());
    Table::new().width().or(said).unwrap_or(WIDTH).clamp(60, WIDTH)
}

/// A paragraph in lines of at most [`WIDTH`] characters, each so far in from the left; a single word may be longer.
pub fn paragraph(indent: usize, text: &str) -> String {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= usize::from(WIDTH) => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(format!("{:indent$}{word}", "")),
        }
    }
    lines.into_iter().map(|line| line + "\n").collect()
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

/// A station's name, marked where nobody measured.
pub fn station_name(station: &Station) -> String {
    if station.is_grid_point() { format!("{} (a grid's estimate)", station.name) } else { station.name.clone() }
}

/// A station for programs: as it is kept, and of what kind it is.
pub fn station_json(station: &Station) -> serde_json::Value {
    let mut value = serde_json::to_value(without_secrets(station)).unwrap_or_default();
    if let Some(fields) = value.as_object_mut() {
        fields.insert("kind".into(), station.kind().name().into());
        if let Some(grid) = grid_of(station) {
            fields.insert("terms".into(), grid.terms().into());
        }
    }
    value
}

pub fn source_words(source: &SourceRef) -> String {
    let id = if has_secret(source) { "(an address that holds a password: change it)" } else { &source.id };
    format!("{}:{id}", source.feed.name())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paragraphs_keep_to_their_columns() {
        let text = paragraph(2, &"nine char ".repeat(30));
        assert!(
            text.lines().count() > 3
                && text.lines().all(|line| line.starts_with("  nine") || line.starts_with("  char"))
        );
        assert!(text.lines().all(|line| line.chars().count() <= usize::from(WIDTH)));
        assert_eq!(paragraph(0, ""), "");
    }
}
