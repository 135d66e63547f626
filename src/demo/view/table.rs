//! The closing table: what the season came to, for a person who saw none of it.

use chrono::NaiveDate;

use crate::demo::view::board::{Board, Row};
use crate::demo::view::draw::{Glyphs, fit, short_date};
use crate::season::NoticeKind;

/// The season in one table of at most 80 columns, with a sentence before and the key after it.
pub fn lines(board: &Board, glyphs: Glyphs) -> Vec<String> {
    let mut lines = vec![format!("{}, season {}: the lowest region first", board.place, board.year), String::new()];
    lines.push(columns(["", "", "get", "look", "wash", "last", "wash", "% of eggs", "", ""]));
    lines.push(columns(["region", "height", "ready", "now", "now", "days", "by", "wash|last", "e-mail", "texts"]));
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
    let off = |kind| row.eggs_off(kind).map_or_else(|| "-".to_owned(), |share| format!("{:.0}", share * 100.0));
    columns([
        &row.name,
        &format!("{:.0} m", row.elevation_m),
        &date(row.sent(NoticeKind::GetReady)),
        &date(row.sent(NoticeKind::InspectNow)),
        &date(row.sent(NoticeKind::WashNow)),
        &date(row.sent(NoticeKind::LastDaysToWash)),
        &date(row.deadline),
        &format!("{}|{}", off(NoticeKind::WashNow), off(NoticeKind::LastDaysToWash)),
        &row.emails.to_string(),
        &row.texts.to_string(),
    ])
}

/// The first column to the left and cut if need be, the others to the right; 80 columns together.
fn columns(cells: [&str; 10]) -> String {
    const WIDTHS: [usize; 10] = [14, 7, 7, 7, 7, 7, 7, 10, 7, 7];
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
            "Our heat number for egg laying was reached on {} at {} and on {} at {}: {} days apart.",
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
        sentences.push(format!("Owners were told to get ready {span} days before that day where they live."));
    }
    sentences.extend(moved(board));
    let off = |kind| {
        let shares: Vec<f64> = board.rows.iter().filter_map(|row| row.eggs_off(kind)).collect();
        (!shares.is_empty()).then(|| (shares.iter().sum::<f64>() / shares.len() as f64 * 100.0).round())
    };
    if let (Some(wash), Some(last)) = (off(NoticeKind::WashNow), off(NoticeKind::LastDaysToWash)) {
        sentences.push(format!(
            "Who washes once within a week of \"wash now\" takes off {wash} % of the eggs on average; within a week of \"last \
             days\", {last} %."
        ));
    }
    sentences.push(
        "Wash by: the last day to wash, as told last. % of eggs: what one wash in the week after each of the two notices is \
         expected to take off a tree, by the season's temperatures and what is believed of the insect. Nobody has seen \
         these eggs."
            .to_owned(),
    );
    sentences.iter().flat_map(|sentence| wrapped(sentence, 80)).collect()
}

/// Where people were told that a told deadline had moved.
fn moved(board: &Board) -> Option<String> {
    let rows: Vec<&str> = board
        .rows
        .iter()
        .filter(|row| row.sent(NoticeKind::DeadlineMoved).is_some())
        .map(|row| row.name.as_str())
        .collect();
    (!rows.is_empty())
        .then(|| format!("The deadline moved after it was told, and people were told again: {}.", rows.join(", ")))
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
