//! The same season as plain lines, for a file, a pipe or a screen reader: one line a notice and one a month.

use chrono::Datelike;

use crate::demo::view::board::{Board, kind_words};
use crate::demo::view::draw::step_words;
use crate::demo::view::{Event, Step};

/// What an event is worth saying, before the board has taken it in.
pub fn lines(board: &Board, event: &Event) -> Vec<String> {
    match event {
        Event::Day { day, outlooks } if day.day() == 1 => {
            let sums = outlooks.iter().filter_map(|outlook| {
                let row = board.row(&outlook.season.region)?;
                Some((row.elevation_m, format!("{:.0} at {} ({:.0} m)", outlook.heat_sum, row.name, row.elevation_m)))
            });
            let mut sums: Vec<_> = sums.collect();
            sums.sort_by(|a, b| a.0.total_cmp(&b.0));
            match &sums[..] {
                [] => Vec::new(),
                [(_, only)] => vec![format!("{day}  heat so far, °C·day: {only}")],
                [(_, low), .., (_, high)] => vec![format!("{day}  heat so far, °C·day: {low}, {high}")],
            }
        }
        Event::Notice { day, region, kind, step } => {
            let Some(row) = board.row(region) else { return Vec::new() };
            let outcome = match step {
                Step::Skipped { reason } => format!("skipped: {reason}"),
                step => step_words(step),
            };
            vec![format!("{day}  {} ({:.0} m), {}: {outcome}", row.name, row.elevation_m, kind_words(*kind))]
        }
        Event::Day { .. } | Event::Delivered { .. } => Vec::new(),
    }
}
