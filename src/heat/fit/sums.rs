//! Running heat sums, and the days on which they reach a required one.

use super::SAME_SUM;
use crate::heat::{DayTemperatures, HeatRule};

/// Heat sum at the end of each day, °C·day.
pub(super) fn running_sums(rule: &HeatRule, days: &[DayTemperatures]) -> Vec<f64> {
    let next_minima = days.iter().skip(1).map(|day| Some(day.min_c)).chain([None]);
    let mut sum = 0.0;
    days.iter()
        .zip(next_minima)
        .map(|(day, next)| {
            // Most days of a winter are too cold for any heat, and need no more than this.
            let lower_c = rule.lower_c();
            if day.max_c > lower_c || day.min_c > lower_c || next.is_some_and(|min_c| min_c > lower_c) {
                sum += rule.degree_days(*day, next);
            }
            sum
        })
        .collect()
}

/// The first day with at least the sum.
pub(super) fn predictions(sums: &[Vec<f64>], required: f64) -> impl Iterator<Item = Option<i32>> {
    sums.iter().map(move |sums| {
        let at = sums.partition_point(|sum| *sum < required - SAME_SUM);
        (at < sums.len()).then_some(at as i32)
    })
}
