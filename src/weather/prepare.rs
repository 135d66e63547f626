//! From a station's record to days that can be summed: the one call that the cycle makes.

use chrono::{Datelike, Days, NaiveDate};

use super::gaps::{self, Neighbour, Primary};
use super::normals::Normals;
use super::quality::{self, Rejected};
use super::record::{Known, RecordIndex};
use super::{FilledDay, Station};
use crate::config::WeatherConfig;

/// Days before the season that are looked at: anchors of lines, and the days by which a neighbour's bias is known.
const LEAD_DAYS: u64 = 120;
/// Gaps of a past year up to this long are drawn over; longer ones take the calendar day's mean.
const PAST_LINE_DAYS: u32 = 10;
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
