//! Reports and temperatures put together.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};

use super::reports::Report;
use super::temperatures::{Temperatures, UnknownStations};
use crate::heat::fit::{ObservedInterval, SiteYear};
use crate::season::Profile;
use crate::season::refit::SeasonWeather;
use crate::text::first_few;
use crate::weather::{DayOrigin, FilledDay, StationId};

/// A season is left out of a fit when more of its days up to the event are filled than this share, unless told
/// otherwise: the same share that the past years of an outlook may miss.
pub const FILLED_SHARE: f64 = 0.15;

/// A record that ends sooner after an event than this makes later predictions look like "never".
const MARGIN_DAYS: u64 = 21;

/// Site-years ready for the fit, and what had to be said about them.
#[derive(Debug, Default)]
pub struct Gathered {
    pub site_years: Vec<SiteYear>,
    /// Beside each site-year: its station, its biofix day, and the reports in the order of its records.
    pub about: Vec<About>,
    /// Reports that cannot be used, as sentences that name the line.
    pub unusable: Vec<String>,
    /// Days up to the events, and how many of them were filled.
    pub days: usize,
    pub filled: usize,
    /// Site-years whose temperatures end soon after the event.
    pub ends_soon: Vec<String>,
}

#[derive(Clone, Debug)]
pub struct About {
    pub station: StationId,
    pub season: i32,
    pub first: NaiveDate,
    pub reports: Vec<Report>,
}

/// Puts reports and temperatures together. A report is unusable where its station is unknown, its season has no
/// temperatures up to the event, or more than `filled_share` of those days had to be filled.
pub fn gather(
    reports: &[Report],
    temperatures: &Temperatures,
    unknown: &UnknownStations,
    frame: &Profile,
    filled_share: f64,
) -> Gathered {
    let mut groups: BTreeMap<(&StationId, i32), Vec<&Report>> = BTreeMap::new();
    for report in reports {
        groups.entry((&report.station, report.season)).or_default().push(report);
    }
    let mut gathered = Gathered::default();
    for ((id, season), reports) in groups {
        let first = frame.first_day(season);
        let mut refuse = |report: &Report, what: String| {
            gathered.unusable.push(format!("line {}: {what}", report.line));
        };
        if let Some(near) = unknown.get(id) {
            let near = near.as_ref().map(|near| format!(", did you mean `{near}`?")).unwrap_or_default();
            reports.iter().for_each(|report| refuse(report, format!("station `{id}` is unknown{near}")));
            continue;
        }
        let days = temperatures.days(id, season, first, frame.last_day(season));
        let mut kept: Vec<(Report, ObservedInterval)> = Vec::new();
        for report in reports {
            let (Some(last), Some(seen)) = (report.seen.last(), report.seen.counted_from(first)) else {
                refuse(report, "says nothing about this season".into());
                continue;
            };
            let until = usize::try_from((last - first).num_days() + 1).unwrap_or(0);
            let Some(before) = days.get(..until) else {
                refuse(report, no_weather(temperatures, id, season, last, days.last()));
                continue;
            };
            let filled = before.iter().filter(|day| is_filled(day)).count();
            if filled as f64 > filled_share * until as f64 {
                refuse(
                    report,
                    format!(
                        "of the {until} days from {first} to {last} at {id}, {filled} have no temperatures of their own and had to be filled, at most {:.0} % may be (--filled): bring in more of its record",
                        filled_share * 100.0
                    ),
                );
                continue;
            }
            kept.push((report.clone(), seen));
        }
        let Some(last) = kept.iter().filter_map(|(report, _)| report.seen.last()).max() else { continue };
        let wanted = last.checked_add_days(Days::new(MARGIN_DAYS)).unwrap_or(last).min(frame.last_day(season));
        let before = days.iter().take_while(|day| day.day <= last);
        gathered.days += before.clone().count();
        gathered.filled += before.filter(|day| is_filled(day)).count();
        if let Some(end) = days.last().map(|day| day.day).filter(|end| *end < wanted) {
            gathered.ends_soon.push(format!("{id} {season} ends on {end}"));
        }
        gathered.site_years.push(SiteYear {
            site: id.0.clone(),
            year: season,
            elevation_m: temperatures.elevation_m(id),
            days: days.iter().map(|day| day.temperatures).collect(),
            seen: kept.iter().map(|(_, seen)| *seen).collect(),
        });
        let reports = kept.into_iter().map(|(report, _)| report).collect();
        gathered.about.push(About { station: id.clone(), season, first, reports });
    }
    gathered.unusable = first_few(gathered.unusable);
    gathered
}

/// Days of the fitted seasons from `biofix_of`'s biofix on, or from the fit's own where that is earlier.
pub fn season_weather(
    about: &[About],
    temperatures: &Temperatures,
    frame: &Profile,
    biofix_of: &Profile,
) -> Vec<SeasonWeather> {
    about
        .iter()
        .filter_map(|about| {
            let first = about.first.min(biofix_of.first_day(about.season));
            let days = temperatures.days(&about.station, about.season, first, frame.last_day(about.season));
            let whole = days.first().is_some_and(|day| day.day == first);
            whole.then(|| SeasonWeather {
                season: about.season,
                first,
                days: days.iter().map(|day| day.temperatures).collect(),
            })
        })
        .collect()
}

/// Neither measured at the station nor at a neighbour.
fn is_filled(day: &FilledDay) -> bool {
    matches!(day.origin, DayOrigin::Interpolated | DayOrigin::Climatology | DayOrigin::Forecast)
}

fn no_weather(
    temperatures: &Temperatures,
    id: &StationId,
    season: i32,
    wanted: NaiveDate,
    last: Option<&FilledDay>,
) -> String {
    match (last, temperatures.span(id)) {
        (Some(last), _) => format!(
            "the temperatures of {id} for season {season} end on {}, before {wanted}: bring in more of its record",
            last.day
        ),
        (None, Some((from, to))) => {
            format!("{id} has no temperatures for season {season}; its record has {from} to {to}: bring in more of it")
        }
        (None, None) => format!("{id} has no temperatures at all: bring in its record with `treebell weather import`"),
    }
}
