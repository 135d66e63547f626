//! A station's record at a glance: what `weather status` prints and staff pages show.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use chrono::NaiveDate;

use super::prepare::Member;
use super::quality;
use super::reading::Element;
use super::record::Known;
use super::rejection::Rejected;
use super::station::FeedKind;

/// What a station's record looks like from a moment.
#[derive(Clone, Debug, PartialEq)]
pub struct StationStatus {
    /// First and last day with any value, accepted or not, of the whole record.
    pub span: Option<(NaiveDate, NaiveDate)>,
    /// Days of the season before its newest real one that lack an accepted maximum or minimum, as runs.
    pub gaps: Vec<RangeInclusive<NaiveDate>>,
    pub gap_days: u32,
    /// Days before today that are not complete yet: late is not missing.
    pub awaited_days: u32,
    /// Days of the season before today.
    pub season_days: u32,
    /// Newest day of the season with both values accepted.
    pub newest_real_day: Option<NaiveDate>,
    /// Values of the season that are not summed.
    pub rejected: Vec<Rejected>,
    /// Accepted values of the season by the feed they came from.
    pub feeds: BTreeMap<FeedKind, u32>,
    /// Accepted values of the season made of hourly samples.
    pub sampled: u32,
}

impl StationStatus {
    /// Rejected values by the check that refused them.
    pub fn rejected_by_reason(&self) -> BTreeMap<&'static str, u32> {
        let mut counts = BTreeMap::new();
        for one in &self.rejected {
            *counts.entry(one.reason.name()).or_default() += 1;
        }
        counts
    }
}

/// Sums up a station's season from `start` to the day before `today`.
pub fn status(member: &Member<'_>, known: Known, start: NaiveDate, today: NaiveDate) -> StationStatus {
    let to = today.pred_opt().unwrap_or(today);
    let judged = quality::judge(member.record, known, &member.station.sources, Some(member.normals), start, to);
    let mut status = StationStatus {
        span: member.record.span(),
        gaps: Vec::new(),
        gap_days: 0,
        awaited_days: 0,
        season_days: judged.accepted.days.len() as u32,
        newest_real_day: None,
        rejected: judged.rejected,
        feeds: BTreeMap::new(),
        sampled: 0,
    };
    for (day, values) in judged.accepted.iter() {
        if values.is_complete() {
            status.newest_real_day = Some(day);
        } else {
            match status.gaps.last_mut() {
                Some(run) if run.end().succ_opt() == Some(day) => *run = *run.start()..=day,
                _ => status.gaps.push(day..=day),
            }
        }
        for value in [Element::Max, Element::Min].into_iter().filter_map(|element| values.get(element)) {
            *status.feeds.entry(value.feed).or_default() += 1;
            status.sampled += u32::from(value.sampled);
        }
    }
    let length = |run: &RangeInclusive<NaiveDate>| (*run.end() - *run.start()).num_days() as u32 + 1;
    if let Some(run) = status.gaps.pop_if(|run| *run.end() == to) {
        status.awaited_days = length(&run);
    }
    status.gap_days = status.gaps.iter().map(length).sum();
    status
}

#[cfg(test)]
mod tests {
    use super::super::invented::{day, index, station, version, versions};
    use super::super::normals::Normals;
    use super::*;
    use crate::weather::reading::Version;

    #[test]
    fn a_station_is_summed_up_with_its_gaps_its_refusals_and_what_is_still_awaited() {
        let mut days: Vec<_> = (0..20).map(|nth| (Some(100 + nth * 3), Some(-20 - nth))).collect();
        days[4] = (None, None);
        days[5] = (Some(110), None);
        days[9] = (Some(600), Some(-50));
        let mut all = versions(day(2026, 1, 1), &days);
        all.push(Version { sampled: true, feed: FeedKind::GhcnDaily, ..version(day(2026, 1, 5), Element::Max, 100) });
        all.push(Version { rejected: Some("quality flag S".into()), ..version(day(2026, 1, 5), Element::Min, 990) });
        all.push(version(day(2025, 12, 1), Element::Min, -30));
        let (index, station) = (index(all), station("A", 2000.0));
        let normals = Normals::around(&index, Known::Everything, &station.sources, 2026);
        let member = Member { station: &station, record: &index, normals: &normals };
        let got = status(&member, Known::Everything, day(2026, 1, 1), day(2026, 1, 24));
        assert_eq!(got.span, Some((day(2025, 12, 1), day(2026, 1, 20))));
        assert_eq!(got.gaps, [day(2026, 1, 5)..=day(2026, 1, 6), day(2026, 1, 10)..=day(2026, 1, 10)]);
        assert_eq!((got.gap_days, got.awaited_days, got.season_days), (3, 3, 23));
        assert_eq!(got.newest_real_day, Some(day(2026, 1, 20)));
        assert_eq!(
            got.rejected_by_reason().into_iter().collect::<Vec<_>>(),
            [("flagged by its source", 1), ("out of bounds", 1)]
        );
        assert_eq!(got.feeds.get(&FeedKind::GhcnDaily), Some(&1));
        assert_eq!(got.feeds.get(&FeedKind::Acis), Some(&36));
        assert_eq!(got.sampled, 1);
    }
}
