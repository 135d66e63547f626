//! This season's heat to date laid out on the calendar, and how far it can be trusted.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::OutlookInput;
use super::course::Begin;
use super::heat_sum::{at_least, sane};
use crate::heat::DayOrigin;
use crate::season::profile::Need;
use crate::season::{HeatDay, RecordTrust, days_before, days_between};

/// This season's heat laid out on the calendar: index 0 is the biofix, a missing day brings nothing.
pub(super) struct HeatToDate {
    pub(super) first: NaiveDate,
    pub(super) last_day: Option<NaiveDate>,
    pub(super) newest_real_day: Option<NaiveDate>,
    pub(super) sums: Vec<f64>,
    pub(super) observed_sums: Vec<f64>,
    /// By index: an observed day.
    pub(super) observed: Vec<bool>,
    pub(super) filled_days: u32,
}

impl HeatToDate {
    pub(super) fn of(input: &OutlookInput<'_>) -> Self {
        let first = input.profile.first_day(input.season.year);
        let last = input.profile.last_day(input.season.year).min(input.today);
        let heat: BTreeMap<NaiveDate, &HeatDay> = input
            .heat
            .iter()
            .filter(|day| (first..=last).contains(&day.day) && day.origin != DayOrigin::Forecast)
            .map(|day| (day.day, day))
            .collect();
        let last_day = heat.keys().next_back().copied();
        let newest_real_day = heat.values().rev().find(|day| day.origin.is_real()).map(|day| day.day);
        let mut to_date = Self {
            first,
            last_day,
            newest_real_day,
            sums: Vec::new(),
            observed_sums: Vec::new(),
            observed: Vec::new(),
            filled_days: 0,
        };
        let (mut sum, mut observed_sum) = (0.0, 0.0);
        for day in first.iter_days().take_while(|day| last_day.is_some_and(|last| *day <= last)) {
            let heat = heat.get(&day);
            let real = heat.is_some_and(|heat| heat.origin.is_real());
            let degree_days = heat.map_or(0.0, |heat| sane(heat.degree_days));
            sum += degree_days;
            if real {
                observed_sum += degree_days;
            } else {
                to_date.filled_days += 1;
            }
            to_date.sums.push(sum);
            to_date.observed_sums.push(observed_sum);
            to_date.observed.push(real);
        }
        to_date
    }

    /// The sum at the end of a day, or of the newest day where it is later; `None` before the season or without any day.
    pub(super) fn sum_on(&self, day: NaiveDate) -> Option<f64> {
        let at = usize::try_from(days_between(self.first, day)).ok()?;
        self.sums.get(at).or(self.sums.last()).copied()
    }

    /// See [`on_real_days`](crate::season::Reached::on_real_days).
    pub(super) fn is_real(&self, input: &OutlookInput<'_>, begins: &[Begin], rank: usize) -> bool {
        let (Some(begin), Some(stage)) = (begins.get(rank), input.profile.stages.get(rank)) else { return false };
        let Some(on) = begin.day else { return false };
        match (stage.need, begin.at_sum) {
            _ if begin.seen.is_some() => true,
            (Need::Days(_), _) => match stage.after.as_ref().and_then(|after| input.profile.rank(after)) {
                // A stage counts from an earlier one, so this ends.
                Some(parent) if parent < rank => self.is_real(input, begins, parent),
                _ => true,
            },
            (Need::DegreeDays(_), Some(at_sum)) => {
                let wanted = (1.0 - input.policy.filled_share_limit.clamp(0.0, 1.0)) * at_sum;
                let from = usize::try_from(days_between(self.first, on)).unwrap_or(0);
                let later = self.observed.iter().zip(&self.observed_sums).skip(from);
                later.into_iter().any(|(real, sum)| *real && at_least(*sum, wanted))
            }
            (Need::DegreeDays(_), None) => false,
        }
    }

    /// `years`: past years that the projection leans on. A record that is sound but for borrowed ones is not to be trusted
    /// where they may not fit.
    pub(super) fn trust(&self, input: &OutlookInput<'_>, years: u32) -> RecordTrust {
        let OutlookInput { policy, today, .. } = *input;
        // Before the first day of the season nothing can be missing.
        let age = days_between(self.newest_real_day.unwrap_or(days_before(self.first, 1)), today);
        let age = u32::try_from(age).unwrap_or(0);
        let days = self.sums.len() as u32;
        if age > policy.real_day_age_limit_days {
            RecordTrust::TooOld { newest_real_day: self.newest_real_day, age_days: age }
        } else if f64::from(self.filled_days) > policy.filled_share_limit * f64::from(days) {
            RecordTrust::TooMuchFilled { filled_days: self.filled_days, days }
        } else if years < policy.past_years_needed {
            RecordTrust::TooFewYears { years }
        } else if let Some(borrowed) = input.borrowed.filter(|borrowed| borrowed.low_confidence) {
            RecordTrust::BorrowedYears { from: borrowed.name.clone(), own_years: borrowed.own_years }
        } else {
            RecordTrust::Sound
        }
    }
}
