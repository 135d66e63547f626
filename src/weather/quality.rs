//! Checks on values before they are summed: a rejected value is kept, shown to staff with its reason, and never summed.
//!
//! The checks are those of NOAA's quality assurance of GHCN-Daily (Durre et al. 2010, J. Appl. Meteor. Climatol. 49,
//! 1615-1633) that need one station only, in the same order, each on what the earlier ones left.

use chrono::{Days, NaiveDate};

use super::normals::{Normals, OUTLIER_SDS};
use super::reading::{Element, TenthsC};
use super::record::{Known, RawDay, RawSeries, RecordIndex};
use super::rejection::Rejected;
use super::rejection::{HIGHEST, LOWEST, RANGE, Reason, Refused, SPIKE};
use super::station::SourceRef;

/// The same value on so many values in a row is a stuck instrument.
pub const STREAK_VALUES: usize = 20;
/// Samples without which the outlier check does not speak.
pub const OUTLIER_SAMPLES: u32 = 100;
/// A maximum may lie this much below the minimum of its day before both are held.
pub const CROSSED_TOLERANCE: TenthsC = TenthsC(10);

/// Days around a window that the checks look at, so that a run or a spike at its edge is seen.
pub(super) const CONTEXT_DAYS: u64 = 30;

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
    let mut checks = Checks { first: raw.first, left: raw.days.clone(), rejected: Vec::new() };
    checks.naught();
    checks.bounds();
    checks.streak();
    if let Some(normals) = normals {
        checks.outlier(normals);
    }
    checks.crossed();
    checks.spike();
    checks.wide_range();
    checks.rejected
}

const BOTH: [Element; 2] = [Element::Max, Element::Min];

/// What the checks work on: the values still standing, and those struck out.
struct Checks {
    first: NaiveDate,
    left: Vec<RawDay>,
    rejected: Vec<Rejected>,
}

impl Checks {
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
                if self.value(Some(at), element).is_some_and(|value| !(LOWEST..=HIGHEST).contains(&value)) {
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
            if max.0 < min.0 - CROSSED_TOLERANCE.0 {
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
                    let off = |other: TenthsC| (value.0 - other.0).abs() >= SPIKE.0;
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
                let (other, is_far): (_, fn(i32) -> bool) = match element {
                    // The nearest of the minima around is the highest, of the maxima the lowest.
                    Element::Max => (around.filter_map(|at| self.value(at, Element::Min)).max(), |gap| gap >= RANGE.0),
                    Element::Min => (around.filter_map(|at| self.value(at, Element::Max)).min(), |gap| gap <= -RANGE.0),
                };
                if let Some(nearest) = other.filter(|other| is_far(value.0 - other.0)) {
                    self.strike(at, element, Reason::RangeTooWide { nearest });
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::invented::{day, index, station, version, versions};
    use super::super::station::FeedKind;
    use super::*;
    use crate::weather::reading::Version;

    const FIRST: fn() -> NaiveDate = || day(2026, 3, 1);

    /// Which values of a short invented series are refused: (day's place, element, check).
    fn refused(days: &[(Option<i32>, Option<i32>)]) -> Vec<(i64, Element, &'static str)> {
        let last = FIRST() + Days::new(days.len() as u64);
        let raw = index(versions(FIRST(), days)).as_of(Known::Everything, &station("A", 0.0).sources, FIRST(), last);
        let mut found: Vec<_> = check(&raw, None)
            .iter()
            .map(|one| ((one.day - FIRST()).num_days(), one.element, one.reason.name()))
            .collect();
        found.sort();
        found
    }

    fn pair(max: i32, min: i32) -> (Option<i32>, Option<i32>) {
        (Some(max), Some(min))
    }

    #[test]
    fn an_ordinary_week_passes() {
        assert_eq!(refused(&[pair(150, 10), pair(162, 22), pair(90, -30), (None, Some(-61)), (Some(45), None)]), []);
    }

    #[test]
    fn false_zeros_of_either_scale_are_refused_but_one_zero_is_a_temperature() {
        let both = |check| [(0, Element::Max, check), (0, Element::Min, check)];
        assert_eq!(refused(&[pair(0, 0)]), both("false zero"));
        assert_eq!(refused(&[pair(-178, -178)]), both("false zero"));
        assert_eq!(refused(&[pair(0, -50), pair(100, 0), pair(50, 50)]), []);
    }

    #[test]
    fn values_out_of_the_worlds_bounds_are_refused_and_those_at_them_pass() {
        assert_eq!(refused(&[(Some(578), None)]), [(0, Element::Max, "out of bounds")]);
        assert_eq!(refused(&[(None, Some(-601))]), [(0, Element::Min, "out of bounds")]);
        assert_eq!(refused(&[(Some(577), None), (None, None), (None, Some(-600))]), []);
    }

    #[test]
    fn twenty_equal_values_are_a_stuck_instrument_also_across_a_missing_day_and_nineteen_are_not() {
        let mut days = vec![(Some(122), None); 20];
        assert_eq!(refused(&days).len(), 20);
        days.insert(7, (None, None));
        assert_eq!(
            refused(&days),
            (0..21).filter(|at| *at != 7).map(|at| (at, Element::Max, "stuck")).collect::<Vec<_>>()
        );
        assert_eq!(refused(&[(Some(122), None); 19]), []);
    }

    #[test]
    fn a_maximum_more_than_a_degree_below_the_minimum_holds_both() {
        let both = [(0, Element::Max, "maximum below minimum"), (0, Element::Min, "maximum below minimum")];
        assert_eq!(refused(&[pair(50, 61)]), both);
        assert_eq!(refused(&[pair(50, 60)]), []);
    }

    #[test]
    fn a_spike_needs_both_neighbours_and_waits_for_the_next_day() {
        let high = |value| [(Some(150), None), (Some(value), None), (Some(140), None)];
        assert_eq!(refused(&high(400)), [(1, Element::Max, "spike")]);
        assert_eq!(refused(&high(-110)), [(1, Element::Max, "spike")]);
        assert_eq!(refused(&high(399)), []);
        assert_eq!(refused(&[(Some(150), None), (Some(450), None)]), []);
        assert_eq!(refused(&[(Some(150), None), (Some(450), None), (Some(440), None)]), []);
    }

    #[test]
    fn a_maximum_forty_degrees_over_every_minimum_around_is_refused() {
        assert_eq!(
            refused(&[pair(200, 20), pair(421, 18), pair(200, 21)]),
            [(1, Element::Max, "range too wide")],
            "421 is 40.0 over the nearest minimum; the maxima next to it are too near for a spike"
        );
        assert_eq!(refused(&[pair(200, 20), pair(420, 18), pair(200, 22)]), []);
        assert_eq!(
            refused(&[pair(190, 50), pair(195, -210), pair(200, 50)]),
            [(1, Element::Min, "spike")],
            "a dip is found before the range"
        );
    }

    /// Thirty years of March days about 15.0/0.0 °C with a spread of a few degrees.
    fn history() -> Vec<Version> {
        (1995..2025)
            .flat_map(|year| (1..=31).map(move |d| (year, d)))
            .flat_map(|(year, d)| {
                let wobble = (year * 7 + d as i32 * 13) % 61 - 30;
                let on = day(year, 3, d);
                [version(on, Element::Max, 150 + wobble), version(on, Element::Min, wobble)]
            })
            .collect()
    }

    fn judge_with_history(value: i32, years: std::ops::Range<i32>) -> Judged {
        use chrono::Datelike;
        let mut all = history();
        all.retain(|version| years.contains(&version.day.year()));
        all.push(version(day(2026, 3, 15), Element::Max, value));
        let (index, sources) = (index(all), station("A", 0.0).sources);
        let normals = Normals::around(&index, Known::Everything, &sources, 2026);
        judge(&index, Known::Everything, &sources, Some(&normals), FIRST(), day(2026, 3, 31))
    }

    #[test]
    fn a_value_six_deviations_off_for_the_time_of_year_is_refused_if_the_record_can_tell() {
        let judged = judge_with_history(350, 1995..2025);
        assert_eq!(judged.rejected.len(), 1);
        let said = judged.rejected[0].reason.to_string();
        assert!(said.ends_with("standard deviations from the station's usual 15.0 °C for the time of year"), "{said}");
        assert_eq!(judged.accepted.value(day(2026, 3, 15), Element::Max), None);
        assert!(judge_with_history(200, 1995..2025).rejected.is_empty());
        // 6 years x 15 days are under 100 samples.
        assert!(judge_with_history(350, 1995..2001).rejected.is_empty());
    }

    #[test]
    fn the_next_feed_stands_in_for_a_value_that_fails_our_checks() {
        let days = [pair(150, 0), pair(450, 10), pair(140, 0)];
        let mut all = versions(FIRST(), &days);
        let spike = day(2026, 3, 2);
        all.push(Version { feed: FeedKind::GhcnDaily, ..version(spike, Element::Max, 145) });
        let judged = judge(&index(all), Known::Everything, &station("A", 0.0).sources, None, FIRST(), day(2026, 3, 3));
        assert_eq!(judged.accepted.value(spike, Element::Max).map(|raw| raw.value.0), Some(145));
        assert_eq!(
            judged.rejected.iter().map(|one| (one.value.0, one.feed)).collect::<Vec<_>>(),
            [(450, FeedKind::Acis)]
        );
    }

    #[test]
    fn a_run_that_began_before_the_window_is_seen() {
        let all = versions(FIRST(), &[(Some(122), None); 20]);
        let judged =
            judge(&index(all), Known::Everything, &station("A", 0.0).sources, None, day(2026, 3, 20), day(2026, 3, 20));
        assert_eq!(judged.rejected.len(), 1);
    }
}
