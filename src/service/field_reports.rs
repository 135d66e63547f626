//! What a field report must be like before it is kept, and how it reads: for the desk and the command alike.

use chrono::{DateTime, Datelike, NaiveDate, Utc};

use crate::language::Language;
use crate::people::csv::fault_of_note;
use crate::region::Region;
use crate::season::Profile;
use crate::season::phrases::date;
use crate::season::profile::Sight;
use crate::store::field_reports::StoredReport;
use crate::text::is_hidden;

/// The longest name of a tree or a person, in characters.
pub const LONGEST_NAME: usize = 60;

/// The longest note or reason, in characters.
const LONGEST_NOTE: usize = 500;

/// No field notes of the insect are older: an earlier year is a slip of the hand.
const FIRST_YEAR: i32 = 1900;

/// What is wrong with a report that somebody tells.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TellingFault {
    #[error("{day}: that day is yet to come (today is {today})")]
    YetToCome { day: NaiveDate, today: NaiveDate },
    #[error("{day}: a year from {FIRST_YEAR} on is wanted")]
    TooLongAgo { day: NaiveDate },
    #[error("{day}: a day before {seen}, on which it was seen, is wanted")]
    NotBefore { day: NaiveDate, seen: NaiveDate },
    #[error("`{sight}` is seen only on a tree that has the insect; leave it out, or say yes")]
    Contradiction { sight: String },
    #[error("1 to {longest} plain characters are wanted")]
    Words { longest: usize },
    #[error("{why}")]
    Address { why: String },
}

impl TellingFault {
    /// As pages say it, with days as people write them.
    pub fn in_prose(&self) -> String {
        match self {
            Self::YetToCome { day, today } => {
                format!("{} is yet to come; today is {}", long(*day), long(*today))
            }
            Self::TooLongAgo { day } => format!("{}: a year from {FIRST_YEAR} on is wanted", long(*day)),
            Self::NotBefore { day, seen } => {
                format!("{}: a day before {}, on which it was seen, is wanted", long(*day), long(*seen))
            }
            Self::Contradiction { .. } | Self::Words { .. } | Self::Address { .. } => self.to_string(),
        }
    }
}

/// `March 14, 2026`.
pub fn long(day: NaiveDate) -> String {
    format!("{}, {}", date(Language::En, day), day.year())
}

/// A day to come, or one that nobody can remember, is a slip of the hand.
///
/// # Errors
/// [`TellingFault::YetToCome`], [`TellingFault::TooLongAgo`].
pub fn can_be_seen(day: NaiveDate, region: &Region, now: DateTime<Utc>) -> Result<(), TellingFault> {
    let today = now.with_timezone(&region.time_zone).date_naive();
    match () {
        () if day > today => Err(TellingFault::YetToCome { day, today }),
        () if day.year() < FIRST_YEAR => Err(TellingFault::TooLongAgo { day }),
        () => Ok(()),
    }
}

/// The day of the look before, on which nothing of it was there.
///
/// # Errors
/// [`TellingFault::NotBefore`], [`TellingFault::TooLongAgo`].
pub fn before(day: Option<NaiveDate>, seen: NaiveDate) -> Result<(), TellingFault> {
    match day {
        Some(day) if day >= seen => Err(TellingFault::NotBefore { day, seen }),
        Some(day) if day.year() < FIRST_YEAR => Err(TellingFault::TooLongAgo { day }),
        _ => Ok(()),
    }
}

/// `infested`: what is said of the tree; `None` when nothing is.
///
/// # Errors
/// [`TellingFault::Contradiction`].
pub fn no_contradiction(sight: &Sight, infested: Option<Option<bool>>) -> Result<(), TellingFault> {
    match infested {
        Some(Some(false) | None) if sight.infested => Err(TellingFault::Contradiction { sight: sight.id.clone() }),
        _ => Ok(()),
    }
}

/// Words that are kept as they were typed: no control characters, and none that turn the direction of others.
///
/// # Errors
/// [`TellingFault::Words`].
pub fn plain(text: &str, longest: usize) -> Result<String, TellingFault> {
    let odd = text.chars().any(is_hidden);
    if odd || text.trim().is_empty() || text.chars().count() > longest {
        return Err(TellingFault::Words { longest });
    }
    Ok(text.trim().to_owned())
}

/// A note or a reason, which stays when the addresses of whoever it may be about are erased.
///
/// # Errors
/// [`TellingFault::Words`], [`TellingFault::Address`].
pub fn note(text: &str) -> Result<String, TellingFault> {
    let text = plain(text, LONGEST_NOTE)?;
    match fault_of_note(&text) {
        Some(why) => Err(TellingFault::Address { why }),
        None => Ok(text),
    }
}

/// `fresh white cotton with eggs, nothing on March 1`.
pub fn seen_words(profile: Option<&Profile>, report: &StoredReport) -> String {
    let sight = report
        .sight
        .as_deref()
        .map(|id| profile.and_then(|profile| profile.sight(id)).map_or(id, |sight| sight.names.get(Language::En)));
    let stage = || report.stage.as_ref().map_or("saw none", |stage| stage.0.as_str());
    let mut words = sight.unwrap_or_else(stage).to_owned();
    // What was seen says it where a stage was seen.
    match report.infested.filter(|_| report.stage.is_none()) {
        Some(true) => words += ", tree has it",
        Some(false) => words += ", tree has it not",
        // Then it is no zero.
        None if report.not_yet.is_some() => words += ", not known whether tree has it",
        None => {}
    }
    if let Some(day) = report.nothing_on {
        words += &format!(", nothing on {}", date(Language::En, day));
    }
    words
}
