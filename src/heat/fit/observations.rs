//! What was seen at the sites, and whether it says enough to fit anything to it.

use super::sums::running_sums;
use super::{FitError, LEAST_RECORDS, NEVER_DAY};
use crate::heat::{DayTemperatures, HeatRule};

/// One season at one site: its weather and what was seen there.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteYear {
    pub site: String,
    pub year: i32,
    pub elevation_m: Option<f64>,
    /// From the biofix on, no day left out.
    pub days: Vec<DayTemperatures>,
    /// One entry a record; several trees seen on one day are several entries.
    pub seen: Vec<ObservedInterval>,
}

/// When an event was: after one day and not after another, days from the biofix.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ObservedInterval {
    after: Option<i32>,
    by: Option<i32>,
}

impl ObservedInterval {
    /// On this very day.
    pub fn on(day: i32) -> Self {
        Self { after: Some(day.saturating_sub(1)), by: Some(day) }
    }

    /// Not yet on the day `not_seen`, there on the day `seen`. Either may be unknown, not both.
    pub fn between(not_seen: Option<i32>, seen: Option<i32>) -> Option<Self> {
        let sound = match (not_seen, seen) {
            (Some(after), Some(by)) => after < by,
            (after, by) => after.is_some() || by.is_some(),
        };
        sound.then_some(Self { after: not_seen, by: seen })
    }

    /// The last day on which it had not come.
    pub fn after(self) -> Option<i32> {
        self.after
    }

    /// The first day on which it was there.
    pub fn by(self) -> Option<i32> {
        self.by
    }

    /// Days by which a prediction is too late (above 0) or too early; 0 inside the interval.
    pub fn error(self, predicted: i32) -> i64 {
        let predicted = i64::from(predicted);
        match (self.after.map(i64::from), self.by.map(i64::from)) {
            (Some(after), _) if predicted <= after => predicted - after - 1,
            (_, Some(by)) if predicted > by => predicted - by,
            _ => 0,
        }
    }

    /// The same for a day that need not be whole.
    pub(super) fn distance(self, predicted: f64) -> f64 {
        match (self.after, self.by) {
            (Some(after), _) if predicted < f64::from(after) + 1.0 => predicted - f64::from(after) - 1.0,
            (_, Some(by)) if predicted > f64::from(by) => predicted - f64::from(by),
            _ => 0.0,
        }
    }
}

/// The sums that no record contradicts at one rule: above the first, up to the second. What records that bound the event
/// on one side only have to say. Each is `None` where no record bounds that side; they may contradict each other.
pub fn bounds(site_years: &[SiteYear], rule: &HeatRule) -> (Option<f64>, Option<f64>) {
    let (mut above, mut up_to): (Option<f64>, Option<f64>) = (None, None);
    for site_year in site_years {
        let sums = running_sums(rule, &site_year.days);
        let on = |day: Option<i32>| usize::try_from(day?).ok().and_then(|day| sums.get(day)).copied();
        for seen in &site_year.seen {
            if let Some(sum) = on(seen.after) {
                above = Some(above.map_or(sum, |above| above.max(sum)));
            }
            if let Some(sum) = on(seen.by) {
                up_to = Some(up_to.map_or(sum, |up_to| up_to.min(sum)));
            }
        }
    }
    (above, up_to)
}

pub(super) fn check(site_years: &[SiteYear]) -> Result<(), FitError> {
    site_years.iter().try_for_each(check_days)?;
    let seen = || site_years.iter().flat_map(|site_year| &site_year.seen);
    let records = seen().count();
    if records < LEAST_RECORDS {
        return Err(FitError::TooFew { records });
    }
    let below = seen().filter(|seen| seen.after.is_some()).count();
    let above = seen().filter(|seen| seen.by.is_some()).count();
    if below < LEAST_RECORDS {
        return Err(FitError::NotBoundedBelow { bounding: below, records });
    }
    if above < LEAST_RECORDS {
        return Err(FitError::NotBoundedAbove { bounding: above, records });
    }
    Ok(())
}

/// Every day that was seen lies within the weather: what comes after its end cannot be told from what never comes.
pub(super) fn check_days(site_year: &SiteYear) -> Result<(), FitError> {
    let SiteYear { site, year, days, seen, .. } = site_year;
    if days.len() > NEVER_DAY as usize {
        return Err(FitError::TooLong { site: site.clone(), year: *year, days: days.len() });
    }
    let last = days.len() as i32 - 1;
    for seen in seen {
        // An exact day 0 is "not yet on the day before the biofix".
        for (day, first) in [(seen.after, -1), (seen.by, 0)] {
            if let Some(day) = day.filter(|day| !(first..=last).contains(day)) {
                return Err(FitError::OutsideWeather { site: site.clone(), year: *year, day, last });
            }
        }
    }
    Ok(())
}
