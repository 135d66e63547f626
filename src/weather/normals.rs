//! What is usual at a station on a calendar day: for judging a value, and for filling a gap when nothing else can.

use chrono::{Datelike, NaiveDate};

use super::reading::Element;
use super::record::{Known, RecordIndex};
use super::rejection::{HIGHEST, LOWEST};
use super::station::SourceRef;
use crate::heat::DayTemperatures;

/// Days on either side of a calendar day whose values count for it (a 15-day window, Durre et al. 2010).
const WINDOW_DAYS: usize = 7;
/// Years' worth of days that go into the normals; 30 is the World Meteorological Organization's normal period.
const NORMAL_YEARS: usize = 30;
/// Fewer values than this make no mean: not even one year's window.
const MEAN_SAMPLES: u32 = 10;
/// Robust standard deviations from the station's own record for the time of year.
pub const OUTLIER_SDS: f64 = 6.0;
/// Slots of the calendar: 29 February has its own.
const SLOTS: usize = 366;

/// Usual maximum and minimum for each calendar day of the year.
#[derive(Clone, Debug, PartialEq)]
pub struct Normals {
    /// By calendar slot: maximum, minimum.
    slots: Vec<[Option<Usual>; 2]>,
}

/// Centre and spread of one element on one calendar day, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Usual {
    /// Plain mean without values beyond six robust standard deviations.
    pub mean_c: f64,
    /// Biweight mean.
    pub centre_c: f64,
    /// Biweight standard deviation.
    pub spread_c: f64,
    pub samples: u32,
}

impl Normals {
    /// From the 30 years' worth of days closest to the year `of`, that year itself left out, as known at a moment. Values are the
    /// unflagged ones; a few wrong ones do no harm, since centre and spread are robust.
    pub fn around(index: &RecordIndex, known: Known, sources: &[SourceRef], of: i32) -> Self {
        let mut years = index.years();
        years.retain(|year| *year != of);
        years.sort_by_key(|year| ((year - of).abs(), *year));

        let mut values: [Vec<Vec<i32>>; 2] = [vec![Vec::new(); SLOTS], vec![Vec::new(); SLOTS]];
        let mut complete_days = 0;
        for year in years {
            if complete_days >= NORMAL_YEARS * 365 {
                break;
            }
            let (Some(first), Some(last)) =
                (NaiveDate::from_ymd_opt(year, 1, 1), NaiveDate::from_ymd_opt(year, 12, 31))
            else {
                continue;
            };
            for (day, raw) in index.as_of(known, sources, first, last).iter() {
                complete_days += usize::from(raw.is_complete());
                for (element, of_element) in [Element::Max, Element::Min].into_iter().zip(&mut values) {
                    let Some(value) = raw.get(element).map(|raw| raw.value) else { continue };
                    if let Some(slot) = of_element.get_mut(slot(day))
                        && (LOWEST..=HIGHEST).contains(&value)
                    {
                        slot.push(value.0);
                    }
                }
            }
        }

        let mut window = Vec::new();
        let slots = (0..SLOTS)
            .map(|at| {
                values.each_ref().map(|of_element| {
                    window.clear();
                    for near in at + SLOTS - WINDOW_DAYS..=at + SLOTS + WINDOW_DAYS {
                        window.extend(of_element.get(near % SLOTS).into_iter().flatten().copied());
                    }
                    Usual::of(&mut window)
                })
            })
            .collect();
        Self { slots }
    }

    /// By calendar slot, maximum and minimum of each, to be kept.
    pub fn slots(&self) -> &[[Option<Usual>; 2]] {
        &self.slots
    }

    /// What [`Normals::slots`] gave; `None` for another count of slots.
    pub fn from_slots(slots: Vec<[Option<Usual>; 2]>) -> Option<Self> {
        (slots.len() == SLOTS).then_some(Self { slots })
    }

    /// `None` where the record has next to nothing around that calendar day.
    pub fn usual(&self, day: NaiveDate, element: Element) -> Option<Usual> {
        let [max, min] = self.slots.get(slot(day))?;
        match element {
            Element::Max => *max,
            Element::Min => *min,
        }
    }

    /// Mean maximum and minimum of the calendar day.
    pub fn mean_day(&self, day: NaiveDate) -> Option<DayTemperatures> {
        let (max, min) = (self.usual(day, Element::Max)?, self.usual(day, Element::Min)?);
        Some(DayTemperatures { min_c: min.mean_c, max_c: max.mean_c })
    }
}

impl Usual {
    /// Of tenths of a degree; `None` under ten values. Reorders its input.
    fn of(tenths: &mut [i32]) -> Option<Self> {
        let samples = tenths.len() as u32;
        if samples < MEAN_SAMPLES {
            return None;
        }
        let (centre, spread) = biweight(tenths);
        let kept = tenths.iter().map(|t| f64::from(*t)).filter(|t| (t - centre).abs() <= OUTLIER_SDS * spread);
        let (sum, count) = kept.fold((0.0, 0u32), |(sum, count), value| (sum + value, count + 1));
        let mean = if count == 0 { centre } else { sum / f64::from(count) };
        Some(Self { mean_c: mean / 10.0, centre_c: centre / 10.0, spread_c: spread / 10.0, samples })
    }

    /// Distance in robust standard deviations; 0 where the record does not vary at all, which proves nothing.
    pub fn sds_off(&self, celsius: f64) -> f64 {
        if self.spread_c > 0.0 { (celsius - self.centre_c).abs() / self.spread_c } else { 0.0 }
    }
}

/// Slot of a calendar day, 0 to 365, the same in every year: 1 March is 60 also where there was no 29 February.
fn slot(day: NaiveDate) -> usize {
    let ordinal = day.ordinal0() as usize;
    if day.leap_year() || ordinal < 59 { ordinal } else { ordinal + 1 }
}

/// Biweight mean and standard deviation with c = 7.5 (Lanzante 1996, Int. J. Climatol. 16, 1197-1226).
fn biweight(values: &mut [i32]) -> (f64, f64) {
    let median = median(values);
    let mut distances: Vec<i32> =
        values.iter().map(|value| (f64::from(*value) - median).abs().round() as i32).collect();
    let mad = self::median(&mut distances);
    if mad <= 0.0 {
        // More than half of the values are the same: the weights are not defined.
        let count = values.len().max(1) as f64;
        let mean = values.iter().map(|value| f64::from(*value)).sum::<f64>() / count;
        let variance = values.iter().map(|value| (f64::from(*value) - mean).powi(2)).sum::<f64>() / count;
        return (mean, variance.sqrt());
    }
    let (mut weighted, mut weights, mut spread, mut shape) = (0.0, 0.0, 0.0, 0.0);
    for value in values.iter() {
        let off = f64::from(*value) - median;
        let u2 = (off / (7.5 * mad)).powi(2);
        if u2 < 1.0 {
            let w = (1.0 - u2).powi(2);
            weighted += off * w;
            weights += w;
            spread += off * off * w * w;
            shape += (1.0 - u2) * (1.0 - 5.0 * u2);
        }
    }
    let centre = median + weighted / weights;
    (centre, (values.len() as f64 * spread).sqrt() / shape.abs())
}

/// Median of at least one value; reorders its input.
fn median(values: &mut [i32]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let (middle, is_even) = (values.len() / 2, values.len().is_multiple_of(2));
    let (below, upper, _) = values.select_nth_unstable(middle);
    let upper = f64::from(*upper);
    match below.iter().max() {
        Some(lower) if is_even => (f64::from(*lower) + upper) / 2.0,
        _ => upper,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_calendar_day_has_one_slot_in_every_year() {
        let day = |y, m, d| NaiveDate::from_ymd_opt(y, m, d).unwrap();
        assert_eq!(slot(day(2023, 1, 1)), 0);
        assert_eq!(slot(day(2023, 2, 28)), 58);
        assert_eq!(slot(day(2024, 2, 29)), 59);
        assert_eq!(slot(day(2023, 3, 1)), 60);
        assert_eq!(slot(day(2024, 3, 1)), 60);
        assert_eq!(slot(day(2023, 12, 31)), 365);
    }

    #[test]
    fn the_biweight_of_a_symmetric_sample_is_its_middle_and_a_wild_value_hardly_moves_it() {
        let mut plain = vec![80, 90, 100, 110, 120];
        let (centre, spread) = biweight(&mut plain);
        assert!((centre - 100.0).abs() < 1e-9);
        // By hand: MAD 10, u = 0, ±10/75, ±20/75.
        assert!((spread - 15.4).abs() < 0.5, "{spread}");
        let (centre, spread) = biweight(&mut [80, 90, 100, 110, 120, 9000]);
        assert!((centre - 105.0).abs() < 6.0 && spread < 25.0, "{centre} {spread}");
    }

    #[test]
    fn a_record_that_does_not_vary_accuses_nobody() {
        let usual = Usual::of(&mut [50; 200]).unwrap();
        assert_eq!((usual.mean_c, usual.spread_c), (5.0, 0.0));
        assert_eq!(usual.sds_off(30.0), 0.0);
    }
}
