//! GHCN-Daily by-year and by-station CSV: eight fields, one row an element and day, with or without a header.
//!
//! `ID,DATE,ELEMENT,DATA_VALUE,M_FLAG,Q_FLAG,S_FLAG,OBS_TIME`; days without a value are simply absent.

use super::answer::{FeedError, Parsed, plain_reading};
use super::lines::{LineParser, drive};
use super::text::split_csv;
use super::{ghcn_flags, text};
use crate::weather::reading::TenthsC;
use crate::weather::station::{FeedKind, StationId};

/// Reads a whole file, already unpacked.
///
/// # Errors
/// When no line at all is such a row.
pub fn parse(file: &[u8]) -> Result<Parsed, FeedError> {
    drive(GhcnRows::default(), file)
}

/// Does this line look like a row or the header of such a file?
pub(crate) fn looks_like(line: &str) -> bool {
    let Some(fields) = split_csv(line, ',') else { return false };
    if is_header(fields.first().map_or("", |f| f)) && fields.len() == 8 {
        return true;
    }
    fields.len() == 8
        && fields.first().is_some_and(|id| id.len() == 11 && id.bytes().all(|b| b.is_ascii_graphic()))
        && fields.get(1).is_some_and(|day| text::compact_date(day).is_some())
        && fields.get(2).is_some_and(|element| element.len() == 4)
}

fn is_header(first: &str) -> bool {
    first.trim().eq_ignore_ascii_case("ID")
}

/// Line by line.
#[derive(Debug, Default)]
pub struct GhcnRows {
    good: u64,
}

impl LineParser for GhcnRows {
    fn line(&mut self, number: u64, line: &[u8], out: &mut Parsed) -> Result<(), FeedError> {
        let line = String::from_utf8_lossy(line);
        let place = || format!("line {number}");
        let Some(fields) = split_csv(&line, ',') else {
            out.reject(place(), "a quoted field does not end", &line);
            return Ok(());
        };
        let [id, day, element, value, measurement, quality, _source, time] = &fields[..] else {
            out.reject(place(), "not the eight fields of a GHCN-Daily row", &line);
            return Ok(());
        };
        if number == 1 && is_header(id) {
            self.good += 1;
            return Ok(());
        }
        let id = id.trim();
        if id.is_empty() || id.len() > 40 || !id.bytes().all(|b| b.is_ascii_graphic()) {
            out.reject(place(), "not a station's id", id);
            return Ok(());
        }
        let Some(element) = ghcn_flags::element_of(element.trim()) else {
            if element.trim().len() == 4 && text::compact_date(day.trim()).is_some() {
                self.good += 1;
            } else {
                out.reject(place(), "not a row of element and day", &line);
            }
            return Ok(());
        };
        let Some(day) = text::compact_date(day.trim()) else {
            out.reject(place(), "not a date of the form YYYYMMDD", day);
            return Ok(());
        };
        match text::whole(value) {
            None if value.trim().is_empty() => out.missing += 1,
            None => {
                out.reject(place(), "not a whole number", value);
                return Ok(());
            }
            Some(-9999) => out.missing += 1,
            Some(value) => {
                let mut reading =
                    plain_reading(&StationId(id.to_owned()), day, element, TenthsC(value), FeedKind::GhcnDaily);
                ghcn_flags::apply(&mut reading, measurement, quality);
                let time = time.trim();
                reading.observation_hour = text::hour_of_hhmm(time);
                if !time.is_empty() && reading.observation_hour.is_none() {
                    out.reject(place(), "observation time is not HHMM (value taken without it)", time);
                }
                out.readings.push(reading);
            }
        }
        self.good += 1;
        Ok(())
    }

    fn recognised(&self) -> (&'static str, u64) {
        ("a GHCN-Daily CSV of eight fields", self.good)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::weather::reading::Element;

    const ROWS: &str = "USC00999001,20260614,TMAX,289,,,7,0700\nUSC00999001,20260614,TMIN,72,,,7,0700\n\
                        USW00099902,20260614,TMAX,301,H,X,W,2400\nUSW00099902,20260614,PRCP,0,,,W,2400\n";

    #[test]
    fn rows_are_read_with_and_without_header() {
        let bare = parse(ROWS.as_bytes()).unwrap();
        let headed =
            parse(format!("ID,DATE,ELEMENT,DATA_VALUE,M_FLAG,Q_FLAG,S_FLAG,OBS_TIME\r\n{ROWS}").as_bytes()).unwrap();
        assert_eq!(bare, headed);
        assert_eq!(bare.readings.len(), 3);
        let [first, second, third] = &bare.readings[..] else { panic!() };
        assert_eq!((first.element, first.value.0, first.observation_hour), (Element::Max, 289, Some(7)));
        assert_eq!((second.element, second.value.0), (Element::Min, 72));
        assert!(third.sampled && third.source_rejects.as_deref() == Some("GHCN quality flag X: bounds"));
        assert_eq!(third.observation_hour, Some(24));
    }

    #[test]
    fn cut_and_strange_rows_are_named() {
        let text = "USC00999001,20260614,TMAX,289,,,7,0700\nUSC00999001,20260615,TMAX,2\nUSC00999001,20260631,TMAX,289,,,7,\n\
                    USC00999001,20260616,TMAX,28.9,,,7,\nUSC00999001,20260617,TMAX,289,,,7,07\nUSC00999001,20260618,TMAX,-9999,,,7,";
        let parsed = parse(text.as_bytes()).unwrap();
        assert_eq!(parsed.readings.len(), 2);
        assert_eq!(parsed.missing, 1);
        let told: Vec<String> = parsed.rejected_lines.iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "line 2: not the eight fields of a GHCN-Daily row (`USC00999001,20260615,TMAX,2`)",
                "line 3: not a date of the form YYYYMMDD (`20260631`)",
                "line 4: not a whole number (`28.9`)",
                "line 5: observation time is not HHMM (value taken without it) (`07`)",
            ]
        );
    }
}
