//! GHCN-Daily station files (`.dly`): one line holds one element of one month, 269 characters wide.
//!
//! Layout: GHCN-Daily readme, section III. Also asks for the same record in its CSV layouts when the base address is
//! of a folder that holds those.

use async_trait::async_trait;
use chrono::{Datelike, Days, NaiveDate};
use url::Url;

use super::answer::{FeedError, Parsed, plain_reading};
use super::ask::{Feed, FeedQuery, below};
use super::lines::{LineParser, drive};
use super::unit::Unit;
use super::{access_csv, ghcn_csv, ghcn_flags, text};
use crate::weather::excerpt::excerpt;
use crate::weather::fetch::{Accept, Fetcher};
use crate::weather::reading::{Element, TenthsC};
use crate::weather::station::{FeedKind, StationId};

/// Characters before the first day's cell.
const HEAD: usize = 21;
/// Five for the value, one each for measurement, quality and source flag.
const CELL: usize = 8;
const FULL_LINE: usize = HEAD + 31 * CELL;

/// Reads a whole station file.
///
/// # Errors
/// When no line at all is a GHCN-Daily record.
pub fn parse(file: &[u8]) -> Result<Parsed, FeedError> {
    drive(DlyLines::default(), file)
}

/// Does this line look like a record of a `.dly` file?
pub(crate) fn looks_like(line: &[u8]) -> bool {
    Head::read(line).is_some()
        && line.len() <= FULL_LINE
        && line
            .get(HEAD..HEAD + 5)
            .is_some_and(|cell| std::str::from_utf8(cell).is_ok_and(|cell| text::whole(cell).is_some()))
}

/// Line by line; holds only the days from `from` to `to` if these are set.
#[derive(Debug, Default)]
pub struct DlyLines {
    pub from: Option<NaiveDate>,
    pub to: Option<NaiveDate>,
    good: u64,
}

impl LineParser for DlyLines {
    fn line(&mut self, number: u64, line: &[u8], out: &mut Parsed) -> Result<(), FeedError> {
        let seen = String::from_utf8_lossy(line.get(..40).unwrap_or(line));
        let Some(head) = Head::read(line) else {
            out.reject(format!("line {number}"), "does not begin with station, year, month and element", &seen);
            return Ok(());
        };
        if line.iter().rposition(|byte| !byte.is_ascii_whitespace()).is_some_and(|last| last >= FULL_LINE) {
            out.reject(format!("line {number}"), "longer than the 269 characters of a record", &seen);
            return Ok(());
        }
        self.good += 1;
        let Some(element) = head.element else { return Ok(()) };
        if self.from.is_some_and(|from| head.first + Days::new(31) < from) || self.to.is_some_and(|to| head.first > to)
        {
            return Ok(());
        }
        for day in 1..=31_u32 {
            let cell = Cell::read(line, day);
            let place = || format!("line {number} day {day}");
            match (cell, head.first.with_day(day)) {
                (Cell::Missing, Some(_)) => out.missing += 1,
                (Cell::Missing, None) => {}
                (Cell::Cut, _) => out.reject(place(), "cut off in the middle of a day's value", ""),
                (Cell::NotANumber(seen), _) => out.reject(place(), "not a whole number", &seen),
                (Cell::Value { .. }, None) => out.reject(place(), "a value on a day that the month does not have", ""),
                (Cell::Value { value, measurement, quality }, Some(date)) => {
                    let mut reading = plain_reading(&head.station, date, element, TenthsC(value), FeedKind::GhcnDaily);
                    ghcn_flags::apply(&mut reading, &measurement.to_string(), &quality.to_string());
                    out.readings.push(reading);
                }
            }
        }
        Ok(())
    }

    fn recognised(&self) -> (&'static str, u64) {
        ("a GHCN-Daily station file", self.good)
    }
}

struct Head {
    station: StationId,
    first: NaiveDate,
    /// `None` for an element other than daily maximum and minimum.
    element: Option<Element>,
}

impl Head {
    fn read(line: &[u8]) -> Option<Self> {
        let head = std::str::from_utf8(line.get(..HEAD)?).ok()?;
        let (station, element) = (head.get(..11)?, head.get(17..)?);
        // Ids may hold an underscore and a hyphen inside, never a blank.
        let id_char = |b: u8| b.is_ascii_alphanumeric() || b == b'_' || b == b'-';
        if !station.bytes().all(id_char) || !element.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit()) {
            return None;
        }
        let (year, month) = (head.get(11..15)?, head.get(15..17)?);
        if !year.bytes().chain(month.bytes()).all(|b| b.is_ascii_digit()) {
            return None;
        }
        Some(Self {
            station: StationId(station.to_owned()),
            first: NaiveDate::from_ymd_opt(year.parse().ok()?, month.parse().ok()?, 1)?,
            element: ghcn_flags::element_of(element),
        })
    }
}

enum Cell {
    Missing,
    Cut,
    NotANumber(String),
    Value { value: i32, measurement: char, quality: char },
}

impl Cell {
    fn read(line: &[u8], day: u32) -> Self {
        let start = HEAD + CELL * (day as usize - 1);
        let cell = line.get(start..(start + CELL).min(line.len())).unwrap_or_default();
        if cell.iter().all(u8::is_ascii_whitespace) {
            // Blanks at the end of a line are often lost on the way.
            return Cell::Missing;
        }
        let Some((value, flags)) = cell.split_at_checked(5) else { return Cell::Cut };
        let text = String::from_utf8_lossy(value);
        match text::whole(&text) {
            None => Cell::NotANumber(text.into_owned()),
            Some(-9999) => Cell::Missing,
            // A value always has a source flag, which stands last: without it the line was cut, and with it went
            // perhaps the flag that speaks against the value.
            Some(value) => match *flags {
                [measurement, quality, _] => {
                    Cell::Value { value, measurement: char::from(measurement), quality: char::from(quality) }
                }
                _ => Cell::Cut,
            },
        }
    }
}

/// Asks for a station's file under `all/`; under a base address that ends in `by_station/` or `access/` for its CSV.
pub struct GhcnDaily;

#[async_trait]
impl Feed for GhcnDaily {
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError> {
        let id = station_id(ask.source)?;
        let path = base_url.path().trim_end_matches('/');
        if path.ends_with("/by_station") {
            let answer = fetcher.get(&below(base_url, &format!("{id}.csv")), Accept::Text).await?;
            return ghcn_csv::parse(&answer.body);
        }
        if path.ends_with("/access") {
            let answer = fetcher.get(&below(base_url, &format!("{id}.csv")), Accept::Text).await?;
            return access_csv::parse(&answer.body, Some(Unit::TenthsC), FeedKind::GhcnDaily);
        }
        let answer = fetcher.get(&below(base_url, &format!("all/{id}.dly")), Accept::Text).await?;
        drive(DlyLines { from: Some(ask.from), to: Some(ask.to), ..DlyLines::default() }, &answer.body)
    }
}

/// A bare GHCN id such as `USC00290692`.
pub(super) fn station_id(source: &str) -> Result<&str, FeedError> {
    let id = source.trim();
    if id.len() == 11 && id.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-') {
        Ok(id)
    } else {
        Err(FeedError::SourceId {
            feed: "GHCN-Daily",
            id: excerpt(source, 60),
            wanted: "USC00290692 (eleven letters and digits)",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::weather::reading::Reading;

    /// The invented example of the layout: 18.3, 20.6, missing, 46.1 with flag I, 19.4 with measurement flag L.
    fn line(element: &str) -> String {
        let mut line = format!("USC00999001202606{element}  183  7  206  7-9999     461 I7  194L 7");
        for _ in 6..=31 {
            line.push_str("-9999   ");
        }
        line
    }

    fn read(text: &str) -> Parsed {
        parse(text.as_bytes()).unwrap()
    }

    #[test]
    fn a_record_gives_its_days_with_flags() {
        let parsed = read(&line("TMAX"));
        let values: Vec<i32> = parsed.readings.iter().map(|r| r.value.0).collect();
        assert_eq!(values, [183, 206, 461, 194]);
        assert_eq!(parsed.readings[0].day_reported, NaiveDate::from_ymd_opt(2026, 6, 1).unwrap());
        assert_eq!(parsed.readings[2].source_rejects.as_deref(), Some("GHCN quality flag I: internal consistency"));
        assert!(parsed.readings[3].lagged && parsed.readings[3].source_rejects.is_none());
        assert_eq!((parsed.missing, parsed.rejected_lines.len()), (26, 0));
    }

    #[test]
    fn other_elements_are_passed_by() {
        let parsed = read(&line("PRCP"));
        assert_eq!(parsed, Parsed::default());
    }

    #[test]
    fn a_stripped_line_is_read_and_a_cut_one_is_told() {
        let full = line("TMIN");
        let stripped = &full[..HEAD + 5 * CELL];
        assert_eq!(read(stripped).readings.len(), 4);
        assert_eq!(read(stripped).rejected_lines.len(), 0);
        for cut in 1..CELL {
            let parsed = read(&full[..HEAD + 5 * CELL - cut]);
            let short = parsed.rejected_lines.iter().map(|r| r.place.as_str()).collect::<Vec<_>>();
            // A cell without its first digits is blank; any later cut must not give a value.
            assert_eq!(parsed.readings.len(), 3, "cut by {cut}");
            assert!(short == ["line 1 day 5"] || CELL - cut <= 2, "cut by {cut}: {short:?}");
        }
    }

    #[test]
    fn nonsense_is_named_with_its_place() {
        let mut text = line("TMAX").replace("  206  7", "  2x6  7");
        text.push_str("\nhello\n");
        let mut february = line("TMAX").replace("202606", "202602");
        february.replace_range(HEAD + 30 * CELL..HEAD + 30 * CELL + CELL, "  100  7");
        text.push_str(&february);
        let told: Vec<String> = read(&text).rejected_lines.iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "line 1 day 2: not a whole number (`2x6`)",
                "line 2: does not begin with station, year, month and element (`hello`)",
                "line 3 day 31: a value on a day that the month does not have",
            ]
        );
    }

    #[test]
    fn a_file_without_a_single_record_is_an_error() {
        let why = parse(b"<!doctype html>\n<title>x</title>").unwrap_err().to_string();
        assert!(why.starts_with("the answer is not a GHCN-Daily station file: not one line is"), "{why}");
        assert_eq!(read(""), Parsed::default());
    }

    #[test]
    fn unknown_quality_letters_speak_against_the_value_too() {
        let parsed = read(&line("TMAX").replace("461 I7", "461 A7"));
        let rejected: Vec<&Reading> = parsed.readings.iter().filter(|r| r.source_rejects.is_some()).collect();
        assert_eq!(rejected.len(), 1);
        assert_eq!(
            rejected[0].source_rejects.as_deref(),
            Some("GHCN quality flag A: a check without a name in the readme")
        );
    }
}
