//! The closing table: what the season came to, for a person who saw none of it.

use chrono::NaiveDate;

use crate::demo::view::board::{Board, Row};
use crate::demo::view::draw::{Glyphs, fit, short_date};
use crate::season::NoticeKind;

/// The season in one table of at most 80 columns, with a sentence before and the key after it.
pub fn lines(board: &Board, glyphs: Glyphs) -> Vec<String> {
    let mut lines = vec![format!("{}, season {}: the lowest region first", board.place, board.year), String::new()];
    lines.push(columns(["", "", "get", "eggs", "eggs", "inspect", "last", "days", "", ""]));
    lines.push(columns(["region", "height", "ready", "expected", "laid", "now", "days", "ahead", "e-mail", "texts"]));
    let rule = if glyphs == Glyphs::ASCII { "-" } else { "─" };
    lines.push(rule.repeat(80));
    lines.extend(board.rows.iter().map(row_line));
    lines.push(rule.repeat(80));
    lines.push(columns(["all", "", "", "", "", "", "", "", &board.emails.to_string(), &board.texts.to_string()]));
    lines.push(String::new());
    lines.extend(sentences(board));
    lines
}

fn row_line(row: &Row) -> String {
    let date = |day: Option<NaiveDate>| day.map_or_else(|| "none".to_owned(), short_date);
    let expected = match (row.sent(NoticeKind::GetReady), row.said_opens.and_then(|said| said.median)) {
        (Some(_), Some(median)) => short_date(median),
        _ => "none".to_owned(),
    };
    columns([
        &row.name,
        &format!("{:.0} m", row.elevation_m),
        &date(row.sent(NoticeKind::GetReady)),
        &expected,
        &date(row.opens.reached),
        &date(row.sent(NoticeKind::InspectNow)),
        &date(row.sent(NoticeKind::LastDaysToWash)),
        &row.days_ahead().map_or_else(|| "none".to_owned(), |days| days.to_string()),
        &row.emails.to_string(),
        &row.texts.to_string(),
    ])
}

/// The first column to the left and cut if need be, the others to the right; 80 columns together.
fn columns(cells: [&str; 10]) -> String {
    const WIDTHS: [usize; 10] = [14, 7, 7, 9, 7, 8, 7, 8, 7, 6];
    let mut line = String::new();
    for (at, (cell, width)) in cells.into_iter().zip(WIDTHS).enumerate() {
        if at == 0 { line.push_str(&fit(cell, width)) } else { line.push_str(&format!("{cell:>width$}")) }
    }
    line.trim_end().to_owned()
}

fn sentences(board: &Board) -> Vec<String> {
    let mut sentences = Vec::new();
    let mut opened: Vec<(NaiveDate, &Row)> =
        board.rows.iter().filter_map(|row| Some((row.opens.reached?, row))).collect();
    opened.sort_by_key(|(day, _)| *day);
    if let [(first, low), .., (last, high)] = opened[..] {
        sentences.push(format!(
            "Egg laying began on {} at {} and on {} at {}: {} days apart.",
            short_date(first),
            low.name,
            short_date(last),
            high.name,
            (last - first).num_days()
        ));
    }
    let ahead: Vec<i64> = board.rows.iter().filter_map(Row::days_ahead).collect();
    if let (Some(shortest), Some(longest)) = (ahead.iter().min(), ahead.iter().max()) {
        let span = if shortest == longest { shortest.to_string() } else { format!("{shortest} to {longest}") };
        sentences.push(format!("Owners were told {span} days before eggs were laid where they live."));
    }
    sentences.push(
        "Eggs expected: the likeliest day, as known when \"get ready\" went out. Eggs laid: the day the heat sum was \
         reached. Days ahead: from \"get ready\" to that day."
            .to_owned(),
    );
    sentences.iter().flat_map(|sentence| wrapped(sentence, 80)).collect()
}

/// Broken between words so that no line is longer than `columns`, unless a single word is.
fn wrapped(text: &str, columns: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= columns => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}
