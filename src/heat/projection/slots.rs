//! The days of a season, numbered alike in every year.

use chrono::{Datelike, NaiveDate};

/// One value for minimum and one for maximum, °C, by slot. A slot is a calendar day counted from the biofix in a year with
/// a 29 February; other years have none there.
pub(super) type Line = Vec<[f64; 2]>;

/// Calendar days from the biofix in a year with a 29 February.
pub(super) fn slot(start: (u32, u32), day: NaiveDate) -> usize {
    let ordinal = |month, day| NaiveDate::from_ymd_opt(2000, month, day).map_or(0, |day| day.ordinal0() as usize);
    (366 + ordinal(day.month(), day.day()) - ordinal(start.0, start.1)) % 366
}
