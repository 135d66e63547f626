//! Many replayed seasons of a region in one line.

use chrono::{Datelike, NaiveDate};
use serde::Serialize;

use super::{PlayedNotice, RegionSeason};
use crate::id::StationId;
use crate::region::RegionId;
use crate::season::{NoticeKind, NoticeStatus, days_between};

/// Of many seasons: the earliest, the median and the latest day of the year on which each notice was decided.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RegionSummary {
    pub region: RegionId,
    pub name: String,
    pub elevation_m: f64,
    pub station: StationId,
    pub seasons: usize,
    /// Seasons in which inspect now went out unasked.
    pub inspected: usize,
    /// … in which it waited for a word of staff.
    pub waited: usize,
    /// … in which people were asked some days later what they saw.
    pub asked: usize,
    pub earliest: Option<NaiveDate>,
    pub median: Option<NaiveDate>,
    pub latest: Option<NaiveDate>,
    /// Median days from get ready to the day from which to look, by the complete record.
    pub warning_days: Option<i64>,
    /// Seasons whose days are estimated for the greater part; their dates are ours, not a station's.
    pub mostly_estimated: usize,
    /// Largest difference between inspect now and the day from which to look by the complete record, days.
    pub worst_inspect_error_days: Option<i64>,
}

impl RegionSeason {
    /// Whether most of its days were not measured.
    pub fn is_mostly_estimated(&self) -> bool {
        self.filled_days > self.days / 2
    }
}

/// Sums up a region's seasons. Dates are given in the year of the season nearest to each rank.
pub fn summarise(seasons: &[RegionSeason]) -> Vec<RegionSummary> {
    let mut regions: Vec<&RegionId> = Vec::new();
    for season in seasons {
        if !regions.contains(&&season.region) {
            regions.push(&season.region);
        }
    }
    let mut summaries: Vec<RegionSummary> = regions
        .into_iter()
        .filter_map(|region| {
            let own: Vec<&RegionSeason> = seasons.iter().filter(|season| season.region == *region).collect();
            let first = *own.first()?;
            let inspect = |season: &RegionSeason| {
                season.notices.iter().find(|notice| notice.kind == NoticeKind::InspectNow).cloned()
            };
            let decided: Vec<PlayedNotice> = own.iter().filter_map(|season| inspect(season)).collect();
            let mut days: Vec<NaiveDate> = decided
                .iter()
                .filter(|notice| notice.status == NoticeStatus::Released)
                .map(|notice| notice.decided_on)
                .collect();
            days.sort_by_key(|day| (day.ordinal(), *day));
            // Days from a notice to the day from which to look.
            let ahead = |season: &RegionSeason, kind: NoticeKind| {
                let notice = season.notices.iter().find(|notice| notice.kind == kind)?;
                let look_from = season.window.as_ref()?.look_from;
                (notice.status == NoticeStatus::Released).then(|| days_between(notice.decided_on, look_from))
            };
            let mut warnings: Vec<i64> = own.iter().filter_map(|season| ahead(season, NoticeKind::GetReady)).collect();
            warnings.sort_unstable();
            Some(RegionSummary {
                region: first.region.clone(),
                name: first.name.clone(),
                elevation_m: first.elevation_m,
                station: first.station.clone(),
                seasons: own.len(),
                inspected: days.len(),
                waited: decided
                    .iter()
                    .filter(|notice| notice.status != NoticeStatus::Released && notice.emails + notice.texts == 0)
                    .count(),
                asked: own.iter().filter(|season| season.asked.is_some()).count(),
                earliest: days.first().copied(),
                median: days.get(days.len() / 2).copied(),
                latest: days.last().copied(),
                mostly_estimated: own.iter().filter(|season| season.is_mostly_estimated()).count(),
                warning_days: warnings.get(warnings.len() / 2).copied(),
                worst_inspect_error_days: own
                    .iter()
                    .filter_map(|season| ahead(season, NoticeKind::InspectNow))
                    .max_by_key(|days| days.abs()),
            })
        })
        .collect();
    summaries.sort_by(|a, b| a.elevation_m.total_cmp(&b.elevation_m));
    summaries
}
