//! Checks on values before they are summed: a rejected value is kept, shown to staff with its reason, and never summed.
//!
//! The checks are those of NOAA's quality assurance of GHCN-Daily (Durre et al. 2010, J. Appl. Meteor. Climatol. 49,
//! 1615-1633) that need one station only, in the same order, each on what the earlier ones left.

use std::fmt;

use chrono::{Days, NaiveDate};

use super::normals::Normals;
use super::record::{Known, RawDay, RawSeries, RecordIndex, Refused};
use super::{Element, FeedKind, SourceRef, TenthsC};

/// World record high, °C: a maximum over it is not a temperature (Durre et al. 2010).
pub const HIGHEST_C: f64 = 57.7;
/// Colder than anything measured in the contiguous United States (-56.7 °C, Rogers Pass 1954); tighter than the world's.
pub const LOWEST_C: f64 = -60.0;
/// The same value on so many values in a row is a stuck instrument.
pub const STREAK_VALUES: usize = 20;
/// Robust standard deviations from the station's own record for the time of year.
pub const OUTLIER_SDS: f64 = 6.0;
/// Samples without which the outlier check does not speak.
pub const OUTLIER_SAMPLES: u32 = 100;
/// A maximum may lie this much below the minimum of its day before both are held.
pub const CROSSED_TOLERANCE_C: f64 = 1.0;
/// Difference from both the day before and the day after.
pub const SPIKE_C: f64 = 25.0;
/// Distance between a maximum and every minimum around it, and the other way round.
pub const RANGE_C: f64 = 40.0;

/// Days around a window that the checks look at, so that a run or a spike at its edge is seen.
const CONTEXT_DAYS: u64 = 30;

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

/// The values of a window that passed, and those that did not.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// Accepted values; its own `rejected` is empty.
    pub accepted: RawSeries,
    /// Sorted by day and element.
    pub rejected: Vec<Rejected>,
}

/// The accepted values of `from..=to` as known at a moment. Where our checks refuse a feed's value, the next feed's
/// stands in if it passes them. Without `normals` (a new station) the outlier check is silent.
pub fn judge(
    index: &RecordIndex,
    known: Known,
    sources: &[SourceRef],
    normals: Option<&Normals>,
    from: NaiveDate,
    to: NaiveDate,
) -> Judged {
    let wide_from = from.checked_sub_days(Days::new(CONTEXT_DAYS)).unwrap_or(from);
    let wide_to = to.checked_add_days(Days::new(CONTEXT_DAYS)).unwrap_or(to);
    let mut refused = Refused::new();
    let mut rejected = Vec::new();
    // Every round refuses values not refused before, so the rounds end; nearly always there is one, or two.
    let raw = loop {
        let raw = index.as_of_without(known, sources, wide_from, wide_to, &refused);
        let found = check(&raw, normals);
        if found.is_empty() {
            break raw;
        }
        refused.extend(found.iter().map(|one| (one.day, one.element, one.feed)));
        rejected.extend(found);
    };
    rejected.extend(raw.rejected.iter().cloned());
    rejected.retain(|one| one.day >= from && one.day <= to);
    rejected.sort_by_key(|one| (one.day, one.element));
    let days = raw.iter().skip_while(|(day, _)| *day < from).take_while(|(day, _)| *day <= to);
    let accepted = RawSeries { first: from, days: days.map(|(_, day)| day).collect(), rejected: Vec::new() };
    Judged { accepted, rejected }
}

/// The values of a series that fail a check, in the order of the checks.
pub fn check(raw: &RawSeries, normals: Option<&Normals>) -> Vec<Rejected> {
    let mut bench = Bench { first: raw.first, left: raw.days.clone(), rejected: Vec::new() };
    bench.naught();
    bench.bounds();
    bench.streak();
    if let Some(normals) = normals {
        bench.outlier(normals);
    }
    bench.crossed();
    bench.spike();
    bench.wide_range();
    bench.rejected
}

const BOTH: [Element; 2] = [Element::Max, Element::Min];

/// What the checks work on: the values still standing, and those struck out.
struct Bench {
    first: NaiveDate,
    left: Vec<RawDay>,
    rejected: Vec<Rejected>,
}

impl Bench {
    fn value(&self, at: Option<usize>, element: Element) -> Option<TenthsC> {
        Some(self.left.get(at?)?.get(element)?.value)
    }

    fn strike(&mut self, at: usize, element: Element, reason: Reason) {
        let day = self.first + Days::new(at as u64);
        if let Some(value) = self.left.get_mut(at).and_then(|day| day.slot(element).take()) {
            self.rejected.push(Rejected { day, element, value: value.value, feed: value.feed, reason });
        }
    }

    fn naught(&mut self) {
        // 0 °F is -17.8 °C in tenths.
        const FALSE_ZEROS: [TenthsC; 2] = [TenthsC(0), TenthsC(-178)];
        for at in 0..self.left.len() {
            let (max, min) = (self.value(Some(at), Element::Max), self.value(Some(at), Element::Min));
            if max == min && max.is_some_and(|value| FALSE_ZEROS.contains(&value)) {
                BOTH.into_iter().for_each(|element| self.strike(at, element, Reason::Naught));
            }
        }
    }

    fn bounds(&mut self) {
        for at in 0..self.left.len() {
            for element in BOTH {
                if self.value(Some(at), element).is_some_and(|value| !(LOWEST_C..=HIGHEST_C).contains(&value.c())) {
                    self.strike(at, element, Reason::OutOfBounds);
                }
            }
        }
    }

    fn streak(&mut self) {
        for element in BOTH {
            // Values in a row, whatever days lie between them: a stuck instrument may also miss a day.
            let values: Vec<(usize, TenthsC)> =
                (0..self.left.len()).filter_map(|at| Some((at, self.value(Some(at), element)?))).collect();
            for run in values.chunk_by(|a, b| a.1 == b.1).filter(|run| run.len() >= STREAK_VALUES) {
                for (at, _) in run {
                    self.strike(*at, element, Reason::Stuck { values: run.len() as u32 });
                }
            }
        }
    }

    fn outlier(&mut self, normals: &Normals) {
        for at in 0..self.left.len() {
            let day = self.first + Days::new(at as u64);
            for element in BOTH {
                let Some(value) = self.value(Some(at), element) else { continue };
                let Some(usual) = normals.usual(day, element) else { continue };
                let sds = usual.sds_off(value.c());
                if usual.samples >= OUTLIER_SAMPLES && sds >= OUTLIER_SDS {
                    self.strike(at, element, Reason::Outlier { usual_c: usual.centre_c, sds });
                }
            }
        }
    }

    fn crossed(&mut self) {
        for at in 0..self.left.len() {
            let (Some(max), Some(min)) = (self.value(Some(at), Element::Max), self.value(Some(at), Element::Min))
            else {
                continue;
            };
            if max.c() < min.c() - CROSSED_TOLERANCE_C {
                self.strike(at, Element::Max, Reason::MaxBelowMin { other: min });
                self.strike(at, Element::Min, Reason::MaxBelowMin { other: max });
            }
        }
    }

    fn spike(&mut self) {
        for element in BOTH {
            let spikes: Vec<_> = (0..self.left.len())
                .filter_map(|at| {
                    let value = self.value(Some(at), element)?;
                    let before = self.value(at.checked_sub(1), element)?;
                    let after = self.value(Some(at + 1), element)?;
                    let off = |other: TenthsC| (value.c() - other.c()).abs() >= SPIKE_C;
                    (off(before) && off(after)).then_some((at, before, after))
                })
                .collect();
            for (at, before, after) in spikes {
                self.strike(at, element, Reason::Spike { before, after });
            }
        }
    }

    fn wide_range(&mut self) {
        for at in 0..self.left.len() {
            for element in BOTH {
                let Some(value) = self.value(Some(at), element) else { continue };
                let around = [at.checked_sub(1), Some(at), Some(at + 1)].into_iter();
                let (other, is_far): (_, fn(f64) -> bool) = match element {
                    // The nearest of the minima around is the highest, of the maxima the lowest.
                    Element::Max => (around.filter_map(|at| self.value(at, Element::Min)).max(), |gap| gap >= RANGE_C),
                    Element::Min => (around.filter_map(|at| self.value(at, Element::Max)).min(), |gap| gap <= -RANGE_C),
                };
                if let Some(nearest) = other.filter(|other| is_far(value.c() - other.c())) {
                    self.strike(at, element, Reason::RangeTooWide { nearest });
                }
            }
        }
    }
}

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
            Reason::OutOfBounds => write!(f, "not between {LOWEST_C} and {HIGHEST_C} °C"),
            Reason::Stuck { values } => write!(f, "the same value {values} times in a row"),
            Reason::Outlier { usual_c, sds } => {
                write!(f, "{sds:.1} standard deviations from the station's usual {usual_c:.1} °C for the time of year")
            }
            Reason::MaxBelowMin { other } => {
                write!(f, "the day's maximum lies below its minimum (the other value is {:.1} °C)", other.c())
            }
            Reason::Spike { before, after } => {
                write!(
                    f,
                    "{SPIKE_C} °C or more from the day before ({:.1} °C) and after ({:.1} °C)",
                    before.c(),
                    after.c()
                )
            }
            Reason::RangeTooWide { nearest } => {
                write!(
                    f,
                    "{RANGE_C} °C or more from the nearest other extreme of the days around ({:.1} °C)",
                    nearest.c()
                )
            }
            Reason::OtherReadingKept { filed_under, kept_filed_under } => write!(
                f,
                "filed under {filed_under}, but the reading filed under {kept_filed_under} holds this day's maximum"
            ),
        }
    }
}
