//! What people wrote down: a list of dates on which an event was seen, or not yet.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;

use chrono::{Datelike, NaiveDate};

use crate::heat::fit::ObservedInterval;
use crate::season::Profile;
use crate::text::{first_few, is_slip};
use crate::weather::StationId;

/// One line of the list of reports.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    pub line: u64,
    pub station: StationId,
    pub season: i32,
    pub seen: DatesSeen,
}

/// When an event was, as dates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DatesSeen {
    On(NaiveDate),
    /// Not yet on the first, there on the second; one of them is known at least.
    Between(Option<NaiveDate>, Option<NaiveDate>),
}

impl DatesSeen {
    /// The last day that the report speaks of.
    pub fn last(self) -> Option<NaiveDate> {
        match self {
            DatesSeen::On(day) => Some(day),
            DatesSeen::Between(not_seen, seen) => seen.or(not_seen),
        }
    }

    /// In days from the biofix.
    pub(super) fn counted_from(self, first: NaiveDate) -> Option<ObservedInterval> {
        let day = |date: NaiveDate| i32::try_from((date - first).num_days()).ok();
        match self {
            DatesSeen::On(date) => Some(ObservedInterval::on(day(date)?)),
            // "Not yet" before the biofix says nothing: nothing is ever predicted there.
            DatesSeen::Between(not_seen, seen) => ObservedInterval::between(
                not_seen.and_then(day).filter(|day| *day >= 0),
                match seen {
                    Some(date) => Some(day(date)?),
                    None => None,
                },
            ),
        }
    }
}

/// What a list of reports held.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reports {
    pub rows: Vec<Report>,
    /// Columns that nobody asked for.
    pub columns_passed_over: Vec<String>,
    /// Records of other stages: count by stage.
    pub other_stages: BTreeMap<String, usize>,
}

/// The line on which a record stands: the reader's own count stops before blank lines that it passes over.
fn line_of(file: &[u8], at: &csv::Position) -> u64 {
    let from = usize::try_from(at.byte()).unwrap_or(usize::MAX).min(file.len());
    let blank = file.iter().skip(from).take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
    file.iter().take(from + blank).filter(|byte| **byte == b'\n').count() as u64 + 1
}

/// Reads a CSV with the columns station, year, date or not_seen and seen, and stage. `frame` tells which days belong to
/// which season; with `stage`, only its records are taken if the file names stages.
///
/// # Errors
/// Every fault as a sentence that names the line and the mend.
pub fn read_reports(
    mut source: impl Read,
    frame: &Profile,
    stage: Option<&str>,
    today: NaiveDate,
) -> Result<Reports, Vec<String>> {
    let mut file = Vec::new();
    source.read_to_end(&mut file).map_err(|why| vec![format!("it cannot be read: {why}")])?;
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(file.as_slice());
    let header = reader.headers().map_err(|why| vec![format!("line 1: {why}")])?.clone();
    let (columns, passed_over) = Columns::of(&header)?;
    let mut reports = Reports { columns_passed_over: passed_over, ..Reports::default() };
    let mut stages: BTreeSet<String> = BTreeSet::new();
    let mut faults = Vec::new();
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(why) => {
                faults.push(format!("{why}"));
                break;
            }
        };
        let line = record.position().map_or(0, |at| line_of(&file, at));
        if record.iter().all(str::is_empty) {
            continue;
        }
        let field = |at: Option<usize>| at.and_then(|at| record.get(at)).unwrap_or("");
        if columns.stage.is_some() {
            let name = field(columns.stage);
            if name.is_empty() {
                faults.push(format!("line {line}: no stage; name it, or leave the whole column out"));
                continue;
            }
            stages.insert(name.to_owned());
            match stage {
                Some(wanted) if wanted != name => {
                    if is_slip(name, wanted) {
                        faults.push(format!("line {line}: stage `{name}`, did you mean `{wanted}`?"));
                    }
                    *reports.other_stages.entry(name.to_owned()).or_default() += 1;
                    continue;
                }
                _ => {}
            }
        }
        match row(line, &columns, field, frame, today) {
            Ok(report) => reports.rows.push(report),
            Err(found) => faults.extend(found.into_iter().map(|what| format!("line {line}: {what}"))),
        }
    }
    let listed = |stages: &BTreeSet<String>| stages.iter().cloned().collect::<Vec<_>>().join(", ");
    if stage.is_none() && stages.len() > 1 {
        faults.push(format!("the file holds several stages ({}): say which one to fit with --stage", listed(&stages)));
    }
    if faults.is_empty() && reports.rows.is_empty() {
        faults.push(match stage {
            Some(stage) if !stages.is_empty() => format!("no record of stage `{stage}`; there are {}", listed(&stages)),
            _ => "no record below the line that names the columns".into(),
        });
    }
    if faults.is_empty() { Ok(reports) } else { Err(first_few(faults)) }
}

#[derive(Debug, Default)]
struct Columns {
    station: Option<usize>,
    year: Option<usize>,
    date: Option<usize>,
    not_seen: Option<usize>,
    seen: Option<usize>,
    stage: Option<usize>,
}

impl Columns {
    /// Also the names of columns that are passed over.
    fn of(header: &csv::StringRecord) -> Result<(Self, Vec<String>), Vec<String>> {
        const KNOWN: [&str; 6] = ["station", "year", "date", "not_seen", "seen", "stage"];
        let names: Vec<String> =
            header.iter().map(|name| name.trim_start_matches('\u{feff}').to_ascii_lowercase()).collect();
        let (mut columns, mut others, mut faults) = (Self::default(), Vec::new(), Vec::new());
        for (at, name) in names.iter().enumerate() {
            let place = match name.as_str() {
                "station" => &mut columns.station,
                "year" => &mut columns.year,
                "date" => &mut columns.date,
                "not_seen" => &mut columns.not_seen,
                "seen" => &mut columns.seen,
                "stage" => &mut columns.stage,
                _ => {
                    // A slip of the pen would otherwise silently take a column away.
                    let near = KNOWN.iter().find(|known| {
                        !names.iter().any(|name| name == *known)
                            && (is_slip(name, known) || name.replace([' ', '-'], "_") == **known)
                    });
                    match near {
                        Some(near) => faults.push(format!("line 1: column `{name}`, did you mean `{near}`?")),
                        None if name.is_empty() => {}
                        None => others.push(name.clone()),
                    }
                    continue;
                }
            };
            if place.replace(at).is_some() {
                faults.push(format!("line 1: column `{name}` is there twice"));
            }
        }
        let seen = || names.join(", ");
        if faults.is_empty() && columns.station.is_none() {
            faults.push(format!("line 1: no column `station` among `{}`", seen()));
        }
        if faults.is_empty() && columns.date.is_none() && columns.seen.is_none() && columns.not_seen.is_none() {
            faults.push(format!(
                "line 1: no column `date`, nor `not_seen` and `seen`, among `{}`: one of them must say when",
                seen()
            ));
        }
        if faults.is_empty() { Ok((columns, others)) } else { Err(faults) }
    }
}

fn row<'a>(
    line: u64,
    columns: &Columns,
    field: impl Fn(Option<usize>) -> &'a str,
    frame: &Profile,
    today: NaiveDate,
) -> Result<Report, Vec<String>> {
    let mut faults = Vec::new();
    let station = field(columns.station);
    if station.is_empty() {
        faults.push("no station".to_owned());
    }
    let year = match field(columns.year) {
        "" => None,
        text => match text.parse::<i32>() {
            Ok(year) if (1700..=2300).contains(&year) => Some(year),
            _ => {
                faults.push(format!("year `{text}` must be a year such as {}", today.year()));
                None
            }
        },
    };
    let mut date = |column: Option<usize>, name: &str| match field(column) {
        "" => None,
        text => match day_of(text, year, frame) {
            Some(day) if day > today => {
                faults.push(format!("{name} {day} is still to come"));
                None
            }
            Some(day) => Some(day),
            None => {
                faults.push(format!("{name} `{text}` must look like 2026-03-24, or 03-24 beside a year"));
                None
            }
        },
    };
    let (on, not_seen, seen) =
        (date(columns.date, "date"), date(columns.not_seen, "not_seen"), date(columns.seen, "seen"));
    if !faults.is_empty() {
        return Err(faults);
    }
    let seen = match (on, not_seen, seen) {
        (Some(day), None, None) => DatesSeen::On(day),
        (Some(_), _, _) => return Err(vec!["either date, or not_seen and seen; leave the other blank".into()]),
        (None, None, None) => return Err(vec!["no date: fill in date, or not_seen and seen".into()]),
        (None, Some(before), Some(after)) if before >= after => {
            return Err(vec![format!("not_seen {before} must be before seen {after}")]);
        }
        (None, before, after) => DatesSeen::Between(before, after),
    };
    let Some(last) = seen.last() else { return Err(vec!["no date".into()]) };
    let season = year.unwrap_or_else(|| frame.season_of(last));
    let (first_day, last_day) = (frame.first_day(season), frame.last_day(season));
    if !(first_day..=last_day).contains(&last) {
        return Err(vec![format!(
            "{last} does not lie in season {season}, {first_day} to {last_day}; correct the date or the year, or the biofix with --biofix and --biofix-year"
        )]);
    }
    Ok(Report { line, station: StationId(station.to_owned()), season, seen })
}

/// `2026-03-24`, or `03-24` in a season that is told.
fn day_of(text: &str, year: Option<i32>, frame: &Profile) -> Option<NaiveDate> {
    if let Ok(day) = NaiveDate::parse_from_str(text, "%Y-%m-%d") {
        return (1700..=2300).contains(&day.year()).then_some(day);
    }
    let (month, day) = text.split_once('-')?;
    let (month, day) = (month.parse().ok()?, day.parse().ok()?);
    let season = year?;
    // The one of the two calendar years a season can touch in which the day belongs to it.
    [season - 1, season, season + 1]
        .into_iter()
        .filter_map(|year| NaiveDate::from_ymd_opt(year, month, day))
        .find(|day| frame.season_of(*day) == season)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::profile::{Biofix, BiofixYear};

    fn today() -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 6, 1).unwrap()
    }

    fn read(text: &str, stage: Option<&str>) -> Result<Reports, Vec<String>> {
        read_reports(text.as_bytes(), &Profile::pinyon_needle_scale(), stage, today())
    }

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn dates_and_intervals_are_read_with_and_without_a_year() {
        let text = "\u{feff}Station, Year ,date,not_seen,seen,observer\nA,2014,2014-03-20,,,x\nA,2015,03-21,,,\n\nB,,,2016-03-01,2016-03-09,\nB,,,,2017-03-09,\nB,,,2018-03-01,,\n";
        let got = read(text, None).unwrap();
        assert_eq!(got.columns_passed_over, ["observer"]);
        let rows: Vec<(u64, &str, i32, DatesSeen)> =
            got.rows.iter().map(|row| (row.line, row.station.0.as_str(), row.season, row.seen)).collect();
        assert_eq!(
            rows,
            [
                (2, "A", 2014, DatesSeen::On(day("2014-03-20"))),
                (3, "A", 2015, DatesSeen::On(day("2015-03-21"))),
                (5, "B", 2016, DatesSeen::Between(Some(day("2016-03-01")), Some(day("2016-03-09")))),
                (6, "B", 2017, DatesSeen::Between(None, Some(day("2017-03-09")))),
                (7, "B", 2018, DatesSeen::Between(Some(day("2018-03-01")), None)),
            ]
        );
    }

    #[test]
    fn an_autumn_biofix_puts_winter_days_into_the_next_season() {
        let mut frame = Profile::pinyon_needle_scale();
        frame.biofix = Biofix { month: 10, day: 1, year: BiofixYear::Before, origin: "as told".into() };
        let text = "station,year,date\nA,2015,12-20\nA,2015,2015-03-01\nA,,2014-12-20\n";
        let got = read_reports(text.as_bytes(), &frame, None, today()).unwrap();
        let days: Vec<_> = got.rows.iter().map(|row| (row.season, row.seen.last().unwrap())).collect();
        assert_eq!(days, [(2015, day("2014-12-20")), (2015, day("2015-03-01")), (2015, day("2014-12-20"))]);
    }

    #[test]
    fn every_fault_is_named_with_its_line_and_mend() {
        let text = "station,year,date,not_seen,seen\n,2014,2014-03-20,,\nA,14,2014-03-20,,\nA,2014,20.3.2014,,\nA,2014,,,\nA,2014,2014-03-20,2014-03-01,\nA,2014,,2014-03-09,2014-03-09\nA,2015,2014-03-20,,\nA,2026,2026-06-02,,\nA,,03-20,,\nA,2014,02-29,,\n";
        let faults = read(text, None).unwrap_err();
        let wanted = [
            "line 2: no station",
            "line 3: year `14` must be a year such as 2026",
            "line 4: date `20.3.2014` must look like 2026-03-24",
            "line 5: no date",
            "line 6: either date, or not_seen and seen",
            "line 7: not_seen 2014-03-09 must be before seen 2014-03-09",
            "line 8: 2014-03-20 does not lie in season 2015, 2015-01-01 to 2015-12-31",
            "line 9: date 2026-06-02 is still to come",
            "line 10: date `03-20` must look like",
            "line 11: date `02-29` must look like",
        ];
        assert_eq!(faults.len(), wanted.len(), "{faults:#?}");
        for (fault, wanted) in faults.iter().zip(wanted) {
            assert!(fault.starts_with(wanted), "{fault}");
        }
    }

    #[test]
    fn columns_with_a_slip_are_asked_about_and_missing_ones_named() {
        let fault = |text: &str| read(text, None).unwrap_err().join("\n");
        assert!(fault("station,year,dat\n").contains("column `dat`, did you mean `date`?"));
        assert!(fault("station,year,not seen,seen\n").contains("column `not seen`, did you mean `not_seen`?"));
        assert!(fault("year,date\n").contains("no column `station` among `year, date`"));
        assert!(fault("station,year\n").contains("no column `date`, nor `not_seen` and `seen`"));
        assert!(fault("station,date,date\n").contains("there twice"));
        assert!(fault("station,date\n").contains("no record"));
    }

    #[test]
    fn one_stage_is_picked_and_a_slip_in_its_name_is_no_other_stage() {
        let text = "station,date,stage\nA,2014-03-20,eggs\nA,2014-05-02,hatch\nA,2015-03-25,eggs\n";
        let got = read(text, Some("eggs")).unwrap();
        assert_eq!((got.rows.len(), got.other_stages["hatch"]), (2, 1));
        assert!(read(text, None).unwrap_err()[0].contains("several stages (eggs, hatch)"));
        assert!(
            read(text, Some("laying")).unwrap_err()[0].contains("no record of stage `laying`; there are eggs, hatch")
        );
        let slip = "station,date,stage\nA,2014-03-20,eggs\nA,2014-05-02,egsg\n";
        assert!(read(slip, Some("eggs")).unwrap_err()[0].contains("line 3: stage `egsg`, did you mean `eggs`?"));
    }

    #[test]
    fn what_was_not_seen_before_the_biofix_bounds_nothing() {
        let between = DatesSeen::Between(Some(day("2013-12-20")), Some(day("2014-03-01")));
        assert_eq!(between.counted_from(day("2014-01-01")), ObservedInterval::between(None, Some(59)));
        assert_eq!(DatesSeen::Between(Some(day("2013-12-20")), None).counted_from(day("2014-01-01")), None);
    }
}
