//! That no station is good enough to be chosen unasked, and which one a person may take all the same.

use std::fmt;

use chrono::NaiveDate;

use crate::service::station_choice::{Candidate, still_reports};
use crate::weather::Station;

/// No station was chosen; what a person may take by their own word.
#[derive(Clone, Debug, PartialEq)]
pub struct NoStation {
    /// The best at hand, one that reports before others. `None` where there is no station at all.
    pub offer: Option<Offer>,
    /// Whether a grid's estimate can be had in its place.
    pub has_grid: bool,
    words: String,
}

/// A station that is not chosen unasked.
#[derive(Clone, Debug, PartialEq)]
pub struct Offer {
    pub station: Station,
    pub km: f64,
    /// Above the place, metres; `None` where the place's height is not known.
    pub higher_m: Option<f64>,
    /// Why it was not chosen, as a sentence without its full stop.
    pub refused: Option<String>,
}

impl NoStation {
    /// `rows`: the best first, as they were ranked. `remarks`: what could not be asked.
    pub(super) fn of(rows: &[Candidate], remarks: &[String], today: NaiveDate) -> Self {
        let stations = || rows.iter().filter(|row| !row.is_grid_point);
        let best = stations().find(|row| still_reports(row.last_day, today)).or_else(|| stations().next());
        let offer = best.map(|row| Offer {
            station: row.station.clone(),
            km: row.distance_km,
            higher_m: row.higher_m,
            refused: row.refused.clone(),
        });
        let has_grid = rows.iter().any(|row| row.is_grid_point);
        Self { offer, has_grid, words: words(best.or(rows.first()), has_grid, remarks) }
    }
}

fn words(best: Option<&Candidate>, has_grid: bool, remarks: &[String]) -> String {
    let best = match best {
        None => "there are no stations yet: `treebell station add` or `station import` brings some".to_owned(),
        Some(best) => format!(
            "the best at hand is {} ({}; {}{}); take it with --station if you know it to be like the place{}",
            best.station.id,
            best.station.name,
            best.reasons.join(", "),
            best.refused.as_ref().map(|why| format!("; {why}")).unwrap_or_default(),
            if has_grid { ", or a grid's estimate with --grid-point (in a list: `grid` as its stations)" } else { "" }
        ),
    };
    let why = if remarks.is_empty() { String::new() } else { format!(" ({})", remarks.join("; ")) };
    format!("no station is near enough to be chosen unasked; {best}{why}")
}

/// One sentence, with all that was weighed and how a command takes a station.
impl fmt::Display for NoStation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words)
    }
}
