//! From a station's record to days that can be summed: the one call that the cycle makes.

use chrono::{Datelike, Days, NaiveDate};

use super::gaps::{self, Neighbour, Primary};
use super::normals::Normals;
use super::quality::{self, CONTEXT_DAYS};
use super::record::{Known, RecordIndex};
use super::rejection::Rejected;
use super::station::Station;
use crate::heat::FilledDay;
use crate::weather::settings::WeatherConfig;

/// Days before the season that are looked at: anchors of lines, and the days by which a neighbour's bias is known.
const LEAD_DAYS: u64 = 120;
/// Gaps of a past year up to this long are drawn over; longer ones take the calendar day's mean.
const PAST_LINE_DAYS: u32 = 10;
/// The days beyond either end of a past year that it is prepared from: what its lines hang on, what judges a value
/// there, and the day beside the last one, to which a reading may have been moved.
pub(super) const PAST_MARGIN_DAYS: u64 = PAST_LINE_DAYS as u64 + 1 + CONTEXT_DAYS + 1;
/// A past year with more days than this to fill from January to July is no witness (15 % of 212 days).
const PAST_GAP_DAYS: u32 = 31;

/// A station as the calculation sees it.
#[derive(Clone, Copy, Debug)]
pub struct Member<'a> {
    pub station: &'a Station,
    pub record: &'a RecordIndex,
    /// [`Normals::around`] the season's year: made once a season, used on each of its days.
    pub normals: &'a Normals,
}

/// A season's days up to the last that can be summed.
#[derive(Clone, Debug, PartialEq)]
pub struct Prepared {
    /// Every day from the season's start to the last with real values, none left out.
    pub days: Vec<FilledDay>,
    /// The primary's values of the season that are not summed, each with its reason.
    pub rejected: Vec<Rejected>,
    /// The newest day on which the primary itself has both values; may lie before the season's start.
    pub newest_real_day: Option<NaiveDate>,
    /// Of `days`, those that are not the primary's own.
    pub filled_days: u32,
}

/// One past year of a station's own record, 1 January to 31 December without a hole.
#[derive(Clone, Debug, PartialEq)]
pub struct PastYear {
    pub year: i32,
    pub days: Vec<FilledDay>,
    /// Days from January to July that had to be filled.
    pub filled_days: u32,
}

/// The days of a season from `start` on, as known at a moment. Only days before `today` count: a running day's extremes
/// are not its extremes yet.
pub fn season_days(
    primary: &Member<'_>,
    neighbours: &[Member<'_>],
    rules: &WeatherConfig,
    known: Known,
    start: NaiveDate,
    today: NaiveDate,
) -> Prepared {
    let nothing = Prepared { days: Vec::new(), rejected: Vec::new(), newest_real_day: None, filled_days: 0 };
    let (Some(lead), Some(to)) = (start.checked_sub_days(Days::new(LEAD_DAYS)), today.pred_opt()) else {
        return nothing;
    };
    let own = primary.judged(known, lead, to);
    let newest_real_day = own.accepted.iter().filter(|(_, day)| day.is_complete()).last().map(|(day, _)| day);

    let has_gap = own.accepted.iter().any(|(day, values)| day >= start && !values.is_complete());
    let stand_ins: Vec<Neighbour> = neighbours
        .iter()
        .filter(|_| has_gap)
        .map(|neighbour| Neighbour {
            station: neighbour.station.id.clone(),
            elevation_m: neighbour.station.elevation_m,
            accepted: neighbour.judged(known, lead, to).accepted,
        })
        .collect();
    let this = Primary { elevation_m: primary.station.elevation_m, accepted: &own.accepted, normals: primary.normals };
    let days = gaps::fill(&this, &stand_ins, rules, start, to);

    let mut rejected = own.rejected;
    rejected.retain(|one| one.day >= start);
    let filled_days = days.iter().filter(|day| !day.origin.is_real()).count() as u32;
    Prepared { days, rejected, newest_real_day, filled_days }
}

/// The first day of a record that the days of a season from `start` on can hang on.
pub fn season_reads_from(start: NaiveDate) -> NaiveDate {
    // The day before tells of a reading that was moved to it.
    start.checked_sub_days(Days::new(LEAD_DAYS + CONTEXT_DAYS + 1)).unwrap_or(NaiveDate::MIN)
}

/// The station's other years as witnesses of what may still come. A year counts if at most 31 of its 212 days from
/// January to July are missing; gaps up to 10 days are drawn over, longer ones and the months after the record's end
/// take the calendar day's mean.
pub fn past_years(member: &Member<'_>, rules: &WeatherConfig, known: Known, without: i32) -> Vec<PastYear> {
    let rules = WeatherConfig { interpolate_days: PAST_LINE_DAYS, ..rules.clone() };
    let years = member.record.years().into_iter().filter(|year| *year != without);
    years.filter_map(|year| past_year(member, &rules, known, year)).collect()
}

fn past_year(member: &Member<'_>, rules: &WeatherConfig, known: Known, year: i32) -> Option<PastYear> {
    let (first, last) = (NaiveDate::from_ymd_opt(year, 1, 1)?, NaiveDate::from_ymd_opt(year, 12, 31)?);
    // Some days beyond the year's end anchor a line over it.
    let margin = Days::new(u64::from(rules.interpolate_days) + 1);
    let (from, to) = (first.checked_sub_days(margin)?, last.checked_add_days(margin)?);
    let own = member.judged(known, from, to).accepted;
    let missing = own.iter().filter(|(day, values)| day.year() == year && day.month() <= 7 && !values.is_complete());
    let filled_days = missing.count() as u32;
    if filled_days > PAST_GAP_DAYS {
        return None;
    }
    let primary = Primary { elevation_m: member.station.elevation_m, accepted: &own, normals: member.normals };
    let mut days = gaps::fill(&primary, &[], rules, first, to);
    days.retain(|day| day.day <= last);
    // The record may end within the year: its rest is the usual weather.
    let mut next = days.last().map_or(first, |day| day.day + Days::new(1));
    while next <= last {
        let temperatures = member.normals.mean_day(next)?;
        days.push(FilledDay { day: next, temperatures, origin: super::DayOrigin::Climatology });
        next = next.succ_opt()?;
    }
    Some(PastYear { year, days, filled_days })
}

impl Member<'_> {
    fn judged(&self, known: Known, from: NaiveDate, to: NaiveDate) -> quality::Judged {
        quality::judge(self.record, known, &self.station.sources, Some(self.normals), from, to)
    }
}

#[cfg(test)]
mod tests {
    use super::super::invented::{at, day, index, station, version, versions};
    use super::*;
    use crate::heat::DayOrigin;
    use crate::weather::reading::Element;

    fn wave(days: u64, shift: i32) -> Vec<(Option<i32>, Option<i32>)> {
        (0..days).map(|nth| 100 + (nth as i32 * 37 % 60) + shift).map(|max| (Some(max), Some(max - 120))).collect()
    }

    #[test]
    fn a_season_ends_yesterday_and_says_what_it_filled_and_refused() {
        let mut days = wave(90, 0);
        days[10] = (None, None);
        days[70].0 = Some(900);
        let index = index(versions(day(2026, 1, 1), &days));
        let station = station("A", 2000.0);
        let known = Known::At { instant: at("2026-03-20T12:00:00Z"), bulk_latency_days: 2 };
        let normals = Normals::around(&index, known, &station.sources, 2026);
        let member = Member { station: &station, record: &index, normals: &normals };
        let got = season_days(&member, &[], &WeatherConfig::default(), known, day(2026, 1, 1), day(2026, 3, 20));
        assert_eq!(got.days.len(), 78);
        assert_eq!(got.days.last().map(|d| d.day), Some(day(2026, 3, 19)));
        assert_eq!(got.newest_real_day, Some(day(2026, 3, 19)));
        assert_eq!(got.filled_days, 2);
        assert_eq!(got.rejected.len(), 1);
        assert_eq!((got.rejected[0].day, got.rejected[0].element), (day(2026, 3, 12), Element::Max));
    }

    #[test]
    fn a_silent_station_lives_on_its_neighbour_but_its_newest_real_day_stays() {
        let (own, other) = (wave(40, 0), wave(60, 30));
        let (primary, neighbour) = (index(versions(day(2026, 1, 1), &own)), index(versions(day(2026, 1, 1), &other)));
        let (a, b) = (station("A", 2000.0), station("B", 1600.0));
        let none = Normals::around(&index(Vec::new()), Known::Everything, &[], 2026);
        let primary = Member { station: &a, record: &primary, normals: &none };
        let neighbour = Member { station: &b, record: &neighbour, normals: &none };
        let rules = WeatherConfig::default();
        let got = season_days(&primary, &[neighbour], &rules, Known::Everything, day(2026, 1, 1), day(2026, 3, 10));
        assert_eq!(got.newest_real_day, Some(day(2026, 2, 9)));
        assert_eq!((got.days.len(), got.filled_days), (60, 20));
        assert_eq!(got.days[59].origin, DayOrigin::Neighbour { station: "B".into() });
        assert!((got.days[59].temperatures.max_c - f64::from(wave(60, 0)[59].0.unwrap()) / 10.0).abs() < 1e-9);
    }

    #[test]
    fn a_past_year_is_whole_and_one_with_too_many_gaps_is_left_out() {
        let mut all = Vec::new();
        for year in 2010..=2014 {
            all.extend(versions(day(year, 1, 1), &wave(365, year - 2010)));
        }
        // 2011 misses 31 days before August, 2012 misses 32, 2013 misses its autumn.
        all.retain(|version| {
            let (first, last) = match version.day.year() {
                2011 => (day(2011, 3, 1), day(2011, 3, 31)),
                2012 => (day(2012, 3, 1), day(2012, 4, 1)),
                2013 => (day(2013, 9, 1), day(2013, 12, 31)),
                _ => return true,
            };
            !(first..=last).contains(&version.day)
        });
        let (index, station) = (index(all), station("A", 2000.0));
        let normals = Normals::around(&index, Known::Everything, &station.sources, 2014);
        let member = Member { station: &station, record: &index, normals: &normals };
        let years = past_years(&member, &WeatherConfig::default(), Known::Everything, 2014);
        assert_eq!(
            years.iter().map(|past| (past.year, past.filled_days)).collect::<Vec<_>>(),
            [(2010, 0), (2011, 31), (2013, 0)]
        );
        for past in &years {
            assert_eq!(past.days.len(), 365);
            assert!(past.days.windows(2).all(|pair| pair[0].day.succ_opt() == Some(pair[1].day)));
        }
        assert_eq!(years[2].days[364].origin, DayOrigin::Climatology);
        assert_eq!(years[1].days[60].origin, DayOrigin::Climatology);
    }

    #[test]
    fn an_empty_record_has_no_season_and_no_past() {
        let (index, station) = (index(Vec::new()), station("A", 2000.0));
        let normals = Normals::around(&index, Known::Everything, &station.sources, 2026);
        let member = Member { station: &station, record: &index, normals: &normals };
        let rules = WeatherConfig::default();
        let got = season_days(&member, &[member], &rules, Known::Everything, day(2026, 1, 1), day(2026, 3, 1));
        assert!(got.days.is_empty() && got.newest_real_day.is_none());
        assert!(past_years(&member, &rules, Known::Everything, 2026).is_empty());
    }

    #[test]
    fn a_running_day_is_not_summed() {
        let today = day(2026, 3, 1);
        let index = index(vec![version(today, Element::Max, 100), version(today, Element::Min, 0)]);
        let station = station("A", 2000.0);
        let normals = Normals::around(&index, Known::Everything, &station.sources, 2026);
        let member = Member { station: &station, record: &index, normals: &normals };
        let got = season_days(&member, &[], &WeatherConfig::default(), Known::Everything, today, today);
        assert!(got.days.is_empty());
    }
}
