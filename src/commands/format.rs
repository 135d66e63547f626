//! How commands print: JSON and text on standard output, and the words and tables that several of them share.

use std::sync::Arc;

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use comfy_table::{Cell, CellAlignment, ColumnConstraint, ContentArrangement, Row, Table, TableStyle, Width, presets};
use indicatif::{ProgressBar, ProgressStyle};

use super::args::DegreeUnit;
use super::error::CommandError;
use crate::service::past_cache::Watch;
pub use crate::text::counted;
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

/// Stands for a blank at which no line ends.
pub const NO_BREAK: char = '\u{a0}';

/// Dates such as `Mar 4` in a cell stay in one piece.
pub fn whole_dates(text: &str) -> String {
    let mut whole = String::with_capacity(text.len());
    let mut words = text.split(' ').peekable();
    while let Some(word) = words.next() {
        whole.push_str(word);
        let Some(next) = words.peek() else { break };
        let is_month = word.trim_start_matches('(').len() == 3 && word.ends_with(char::is_alphabetic);
        let is_day = next.starts_with(|c: char| c.is_ascii_digit());
        whole.push(if is_month && is_day { NO_BREAK } else { ' ' });
    }
    whole
}

/// Prints a table whose rows are there so that it fits [`columns`]. Cells go on in further lines between words, and none is cut
/// inside of a word: ids, zones and addresses are copied by hand or mouse. Where that is too wide, `spare` columns (counted from
/// 0, the first to go first) are left out, which is said.
///
/// # Errors
/// When standard output cannot be written.
pub fn print_fitted(mut table: Table, spare: &[usize]) -> Result<(), CommandError> {
    let left_out = fit(&mut table, spare, columns());
    print_out(&in_lines(&table))?;
    eprint!("{}", left_out_words(&left_out));
    Ok(())
}

/// The same in lines, for a table among other words: what is left out is told below it.
pub fn fitted(mut table: Table, spare: &[usize]) -> String {
    let left_out = fit(&mut table, spare, columns());
    in_lines(&table) + &left_out_words(&left_out)
}

/// Programs that search in it look for the plain blank.
fn in_lines(table: &Table) -> String {
    format!("{table}\n").replace(NO_BREAK, " ")
}

fn left_out_words(left_out: &[String]) -> String {
    if left_out.is_empty() {
        return String::new();
    }
    let left_out = left_out.join(", ");
    paragraph(0, &format!("left out for want of room: {left_out}; a wider terminal or --json shows all"))
}

/// See [`print_fitted`]. Gives the heads of what is left out. A table whose words have no room even so is wider.
pub fn fit(table: &mut Table, spare: &[usize], width: u16) -> Vec<String> {
    // What a no-break space holds together is one word.
    let longest = |cell: &Cell| {
        let cell = cell.content();
        cell.split([' ', '\n']).map(|word| word.chars().count()).max().unwrap_or(0)
    };
    let heads: Vec<String> = table.header().into_iter().flat_map(Row::cell_iter).map(Cell::content).collect();
    let mut least: Vec<usize> = table.header().into_iter().flat_map(Row::cell_iter).map(longest).collect();
    for row in table.row_iter() {
        for (least, cell) in least.iter_mut().zip(row.cell_iter()) {
            *least = (*least).max(longest(cell));
        }
    }
    let mut left_out = Vec::new();
    let needed = |left_out: &[usize]| {
        let shown = least.iter().enumerate().filter(|(at, _)| !left_out.contains(at));
        // A blank on either side, and one between two columns.
        shown.map(|(_, least)| least + 3).sum::<usize>().saturating_sub(1)
    };
    for column in spare {
        if needed(&left_out) <= usize::from(width) {
            break;
        }
        left_out.push(*column);
    }
    // What has no room gets it nevertheless.
    let width = usize::from(width).max(needed(&left_out));
    table.set_content_arrangement(ContentArrangement::Dynamic).set_width(u16::try_from(width).unwrap_or(u16::MAX));
    for (column, least) in table.column_iter_mut().zip(&least) {
        let with_blanks = u16::try_from(least + 2).unwrap_or(u16::MAX);
        column.set_constraint(match left_out.contains(&column.index) {
            true => ColumnConstraint::Hidden,
            false => ColumnConstraint::LowerBoundary(Width::Fixed(with_blanks)),
        });
    }
    left_out.sort_unstable();
    left_out.into_iter().filter_map(|column| heads.get(column).cloned()).collect()
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

/// A paragraph in lines of at most [`columns`] characters, each so far in from the left; a single word may be longer.
pub fn paragraph(indent: usize, text: &str) -> String {
    behind(&" ".repeat(indent), indent, text)
}

/// The same behind what its first line begins with, such as a label and its blanks; the other lines stand `indent` columns in.
pub fn behind(head: &str, indent: usize, text: &str) -> String {
    let width = usize::from(columns());
    let (mut lines, mut line, mut has_word) = (String::new(), head.to_owned(), false);
    for word in text.split_whitespace() {
        if has_word && line.chars().count() + 1 + word.chars().count() > width {
            lines.push_str(&line);
            lines.push('\n');
            line = " ".repeat(indent);
        } else if has_word {
            line.push(' ');
        }
        line.push_str(word);
        has_word = true;
    }
    if has_word { lines + &line + "\n" } else { lines }
}

/// A text in lines of at most [`columns`] characters: what is wider goes on below, two blanks farther in than it began. What
/// fits stays as it is. Not for tables.
pub fn wrapped(text: &str) -> String {
    let width = usize::from(columns());
    let one = |line: &str| {
        if line.chars().count() <= width {
            return format!("{line}\n");
        }
        let indent = line.len() - line.trim_start_matches(' ').len();
        behind(&" ".repeat(indent), indent + 2, line)
    };
    text.lines().map(one).collect()
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

/// `2000 m (6562 ft)`, or `6,562 ft`.
pub fn elevation_words(metres: f64, unit: DegreeUnit) -> String {
    match unit {
        DegreeUnit::Celsius => format!("{metres:.0} m ({:.0} ft)", m_to_feet(metres)),
        DegreeUnit::Fahrenheit => height_in(metres, unit),
    }
}

/// `2000 m`, or `6,562 ft`.
pub fn height_in(metres: f64, unit: DegreeUnit) -> String {
    format!("{} {}", unit.height(metres), unit.height_symbol())
}

/// How much higher a place lies than another.
pub fn height_words(higher_m: f64, unit: DegreeUnit) -> String {
    let size = height_in(higher_m.abs(), unit);
    match () {
        () if unit.height(higher_m.abs()) == "0" => "at the same height".into(),
        () if higher_m > 0.0 => format!("{size} higher"),
        () => format!("{size} lower"),
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
    fn a_fitted_table_cuts_no_word_and_leaves_out_what_it_can_spare() {
        let table = || {
            let mut table = ruled_table(["station", "name", "place", "time zone", "sources"]);
            table.add_row([
                "GRID-35.6123N-135.0456W",
                "EXAMPLE MESA TWO MILES NORTH-WEST OF THE SPRINGS",
                "35.6123, -135.0456",
                "America/Argentina/ComodRivadavia",
                "daily-summaries:USC00999001\nacis:USC00999001",
            ]);
            table
        };
        let words: Vec<String> = table().row_iter().flat_map(Row::cell_iter).map(Cell::content).collect();
        for (width, spare, gone) in [
            (140, vec![3, 2], vec![]),
            (100, vec![2, 3], vec!["place", "time zone"]),
            (80, vec![2, 3], vec!["place", "time zone"]),
        ] {
            let mut fitted = table();
            assert_eq!(fit(&mut fitted, &spare, width), gone, "{width}");
            let text = fitted.to_string();
            assert!(text.lines().all(|line| line.chars().count() <= usize::from(width)), "{width}\n{text}");
            let whole = |at: usize| words[at].split_whitespace().all(|word| text.contains(word));
            assert!(whole(0) && whole(1) && whole(4), "{width}\n{text}");
            assert_eq!((whole(2), whole(3)), (gone.is_empty(), gone.is_empty()), "{width}\n{text}");
        }
        // As wide as the longest words need: in even shares the id and the zone would be cut.
        let mut tight = ruled_table(["station", "name", "time zone"]);
        tight.add_row([&words[0], &words[1], &words[3]]);
        assert!(fit(&mut tight, &[], 73).is_empty());
        let text = tight.to_string();
        assert!(text.lines().all(|line| line.chars().count() <= 73), "{text}");
        assert!(text.contains(&words[0]) && text.contains(&words[3]), "{text}");
        // Nothing to spare: wider than asked for, and whole.
        let mut wide = table();
        assert!(fit(&mut wide, &[], 60).is_empty());
        assert!(wide.to_string().contains("America/Argentina/ComodRivadavia"));
    }

    #[test]
    fn dates_stay_in_one_piece() {
        assert_eq!(whole_dates("Mar 12 (Mar 4 - Mar 20)"), "Mar\u{a0}12 (Mar\u{a0}4 - Mar\u{a0}20)");
        assert_eq!(whole_dates("heat since Mar 2 (by estimates)"), "heat since Mar\u{a0}2 (by estimates)");
        assert_eq!(whole_dates(""), "");
    }

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

    /// Before: the outlook of one region had a line of 236 columns.
    #[test]
    fn what_is_too_wide_goes_on_below_and_what_fits_stays() {
        let words = "nine char ".repeat(30);
        let text = wrapped(&format!("a  b\n  {words}\n\n"));
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!((lines[0], lines.last()), ("a  b", Some(&"")));
        assert!(lines[1].starts_with("  nine") && lines[2].starts_with("    "), "{text}");
        assert!(lines.iter().all(|line| line.chars().count() <= usize::from(WIDTH)), "{text}");
        let labelled = behind("name         ", 13, &words);
        assert!(labelled.starts_with("name         nine"), "{labelled}");
        assert!(labelled.lines().skip(1).all(|line| line.starts_with(&" ".repeat(13))), "{labelled}");
        assert!(labelled.lines().all(|line| line.chars().count() <= usize::from(WIDTH)), "{labelled}");
    }

    #[test]
    fn heights_are_in_feet_for_who_reads_fahrenheit() {
        let (c, f) = (DegreeUnit::Celsius, DegreeUnit::Fahrenheit);
        assert_eq!(
            (elevation_words(2000.0, c), elevation_words(2000.0, f)),
            ("2000 m (6562 ft)".into(), "6,562 ft".into())
        );
        assert_eq!((height_words(-152.0, c), height_words(-152.0, f)), ("152 m lower".into(), "499 ft lower".into()));
        assert_eq!(
            (height_words(0.4, c), height_words(0.1, f)),
            ("at the same height".into(), "at the same height".into())
        );
    }
}
