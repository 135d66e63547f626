//! A value that is not summed, and why.

use std::collections::BTreeSet;
use std::fmt;

use chrono::NaiveDate;

use super::reading::{Element, TenthsC};
use super::station::FeedKind;

/// World record high: a maximum over it is not a temperature (Durre et al. 2010).
pub const HIGHEST: TenthsC = TenthsC(577);
/// Colder than anything measured in the contiguous United States (-56.7 °C, Rogers Pass 1954); tighter than the world's.
pub const LOWEST: TenthsC = TenthsC(-600);
/// Difference from both the day before and the day after.
pub const SPIKE: TenthsC = TenthsC(250);
/// Distance between a maximum and every minimum around it, and the other way round.
pub const RANGE: TenthsC = TenthsC(400);

/// A value that is kept but never summed.
#[derive(Clone, Debug, PartialEq)]
pub struct Rejected {
    pub day: NaiveDate,
    pub element: Element,
    pub value: TenthsC,
    pub feed: FeedKind,
    pub reason: Reason,
}

/// Why a value is not summed. `Display` is the sentence for staff.
#[derive(Clone, Debug, PartialEq)]
pub enum Reason {
    /// The source's own flag, or refused when it came in.
    AtReceipt(String),
    /// Maximum and minimum both 0 °C, or both 0 °F: the usual disguise of a missing value.
    Naught,
    OutOfBounds,
    Stuck {
        values: u32,
    },
    Outlier {
        usual_c: f64,
        sds: f64,
    },
    /// Both values of the day are held, since either may be the wrong one.
    MaxBelowMin {
        other: TenthsC,
    },
    Spike {
        before: TenthsC,
        after: TenthsC,
    },
    RangeTooWide {
        nearest: TenthsC,
    },
    /// Another reading of the same feed holds this day's maximum.
    OtherReadingKept {
        filed_under: NaiveDate,
        kept_filed_under: NaiveDate,
    },
}

/// One feed's value for one day and element, to be passed over.
pub(super) type Refused = BTreeSet<(NaiveDate, Element, FeedKind)>;

impl Reason {
    /// Short name for counts, one a check.
    pub fn name(&self) -> &'static str {
        match self {
            Reason::AtReceipt(_) => "flagged by its source",
            Reason::Naught => "false zero",
            Reason::OutOfBounds => "out of bounds",
            Reason::Stuck { .. } => "stuck",
            Reason::Outlier { .. } => "unusual for the time of year",
            Reason::MaxBelowMin { .. } => "maximum below minimum",
            Reason::Spike { .. } => "spike",
            Reason::RangeTooWide { .. } => "range too wide",
            Reason::OtherReadingKept { .. } => "another reading kept",
        }
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Reason::AtReceipt(why) => f.write_str(why),
            Reason::Naught => f.write_str("maximum and minimum are the same false zero"),
            Reason::OutOfBounds => write!(f, "not between {:.1} and {:.1} °C", LOWEST.c(), HIGHEST.c()),
            Reason::Stuck { values } => write!(f, "the same value {values} times in a row"),
            Reason::Outlier { usual_c, sds } => {
                write!(f, "{sds:.1} standard deviations from the station's usual {usual_c:.1} °C for the time of year")
            }
            Reason::MaxBelowMin { other } => {
                write!(f, "the day's maximum lies below its minimum (the other value is {:.1} °C)", other.c())
            }
            Reason::Spike { before, after } => write!(
                f,
                "{} °C or more from the day before ({:.1} °C) and after ({:.1} °C)",
                SPIKE.c(),
                before.c(),
                after.c()
            ),
            Reason::RangeTooWide { nearest } => write!(
                f,
                "{} °C or more from the nearest other extreme of the days around ({:.1} °C)",
                RANGE.c(),
                nearest.c()
            ),
            Reason::OtherReadingKept { filed_under, kept_filed_under } => write!(
                f,
                "filed under {filed_under}, but the reading filed under {kept_filed_under} holds this day's maximum"
            ),
        }
    }
}
