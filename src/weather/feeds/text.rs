//! Lines, fields, numbers and dates as public weather files write them.

use std::borrow::Cow;
use std::io::{self, BufRead};

use chrono::NaiveDate;

use super::answer::FeedError;
use super::unit::Unit;

/// No line of any format read here comes near this; a longer one is not kept in memory.
const LONGEST_LINE: usize = 64 * 1024;

/// Lines of a reader in bounded memory: a line longer than [`LONGEST_LINE`] is cut and marked.
pub(crate) struct Lines<R> {
    reader: R,
    line: Vec<u8>,
    number: u64,
    too_long: bool,
}

impl<R: BufRead> Lines<R> {
    pub(crate) fn new(reader: R) -> Self {
        Self { reader, line: Vec::new(), number: 0, too_long: false }
    }

    /// Goes to the next line and tells its number, counted from 1; `None` at the end.
    pub(crate) fn advance(&mut self) -> io::Result<Option<u64>> {
        self.line.clear();
        self.too_long = false;
        let mut any = false;
        loop {
            let (used, ended) = {
                let buffer = match self.reader.fill_buf() {
                    Err(why) if why.kind() == io::ErrorKind::Interrupted => continue,
                    other => other?,
                };
                if buffer.is_empty() {
                    break;
                }
                any = true;
                let (piece, used, ended) = match buffer.iter().position(|byte| *byte == b'\n') {
                    Some(at) => (buffer.split_at(at).0, at + 1, true),
                    None => (buffer, buffer.len(), false),
                };
                let room = LONGEST_LINE.saturating_sub(self.line.len());
                self.too_long |= piece.len() > room;
                self.line.extend(piece.iter().take(room));
                (used, ended)
            };
            self.reader.consume(used);
            if ended {
                break;
            }
        }
        if !any {
            return Ok(None);
        }
        if self.line.last() == Some(&b'\r') {
            self.line.pop();
        }
        self.number += 1;
        if self.number == 1 && self.line.starts_with(b"\xEF\xBB\xBF") {
            self.line.drain(..3);
        }
        Ok(Some(self.number))
    }

    pub(crate) fn line(&self) -> &[u8] {
        &self.line
    }

    pub(crate) fn too_long(&self) -> bool {
        self.too_long
    }
}

/// Splits one line of CSV by RFC 4180: quoted fields may hold the separator, a doubled quote is a quote.
/// `None` when a quoted field is not closed (a line cut short) or something follows its closing quote.
pub(crate) fn split_csv(line: &str, separator: char) -> Option<Vec<Cow<'_, str>>> {
    let mut fields = Vec::new();
    let mut rest = line;
    loop {
        let after = match rest.strip_prefix('"') {
            None => {
                let end = rest.find(separator).unwrap_or(rest.len());
                let (field, after) = rest.split_at(end);
                fields.push(Cow::Borrowed(field));
                after
            }
            Some(quoted) => {
                let mut field = Cow::Borrowed("");
                let mut open = quoted;
                loop {
                    let end = open.find('"')?;
                    let (piece, after) = open.split_at(end);
                    if field.is_empty() {
                        field = Cow::Borrowed(piece)
                    } else {
                        field.to_mut().push_str(piece)
                    }
                    let after = after.strip_prefix('"')?;
                    match after.strip_prefix('"') {
                        Some(more) => {
                            field.to_mut().push('"');
                            open = more;
                        }
                        None => {
                            fields.push(field);
                            break after;
                        }
                    }
                }
            }
        };
        if after.is_empty() {
            return Some(fields);
        }
        rest = after.strip_prefix(separator)?;
    }
}

/// A whole number, trimmed: an optional minus and one to six digits.
pub(super) fn whole(text: &str) -> Option<i32> {
    let text = text.trim();
    let digits = text.strip_prefix('-').unwrap_or(text);
    ((1..=6).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit())).then(|| text.parse().ok()).flatten()
}

/// A decimal number, trimmed, in plain notation: no exponent, no names such as `inf`; within ±100000.
pub(super) fn decimal(text: &str) -> Option<f64> {
    let text = text.trim();
    let digits = text.strip_prefix(['-', '+']).unwrap_or(text);
    let plain = digits.bytes().all(|b| b.is_ascii_digit() || b == b'.') && digits.bytes().any(|b| b.is_ascii_digit());
    if !plain {
        return None;
    }
    text.parse::<f64>().ok().filter(|value| value.abs() <= 100_000.0)
}

/// `YYYYMMDD`.
pub(super) fn compact_date(text: &str) -> Option<NaiveDate> {
    if text.len() != 8 || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    NaiveDate::from_ymd_opt(text.get(..4)?.parse().ok()?, text.get(4..6)?.parse().ok()?, text.get(6..)?.parse().ok()?)
}

/// A calendar day in one of the forms the files use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Date {
    Day(NaiveDate),
    /// `14/6/2026`: can only be day first.
    DayFirst,
    No,
}

/// `YYYY-MM-DD`, `YYYYMMDD` or, as spreadsheets of the United States write it, `M/D/YYYY`.
pub(super) fn date(text: &str) -> Date {
    let text = text.trim();
    if let Some(day) = compact_date(text) {
        return Date::Day(day);
    }
    let (separator, count) = if text.contains('/') { ('/', 3) } else { ('-', 3) };
    let parts: Vec<&str> = text.split(separator).collect();
    let numbers: Option<Vec<u32>> = parts
        .iter()
        .map(|part| {
            ((1..=4).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit())).then(|| part.parse().ok())?
        })
        .collect();
    let (Some(numbers), true) = (numbers, parts.len() == count) else { return Date::No };
    let [a, b, c] = numbers[..] else { return Date::No };
    let found =
        |year: u32, month, day| i32::try_from(year).ok().and_then(|year| NaiveDate::from_ymd_opt(year, month, day));
    let four = |index: usize| parts.get(index).is_some_and(|part| part.len() == 4);
    let day = match (separator, four(0), four(2)) {
        ('-', true, _) | ('/', true, false) => found(a, b, c),
        ('/', false, true) if a > 12 && found(c, b, a).is_some() => return Date::DayFirst,
        ('/', false, true) => found(c, a, b),
        _ => None,
    };
    day.map_or(Date::No, Date::Day)
}

/// `HHMM` to the hour 0-24; the last half hour of the day is its end. `None` when it is not such a time.
pub(super) fn hour_of_hhmm(text: &str) -> Option<u8> {
    if text.len() != 4 || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let (hour, minute): (u8, u8) = (text.get(..2)?.parse().ok()?, text.get(2..)?.parse().ok()?);
    match (hour, minute) {
        (24, 0) | (23, 30..=59) => Some(24),
        (0..=23, 0..=59) => Some(hour),
        _ => None,
    }
}

/// The name of a temperature column without its unit, in lower case, and the unit if the header tells it:
/// `TMAX`, `tmax_c`, `tmin (°F)`, `TMAX (Degrees Fahrenheit)`, `max [C]`.
pub(super) fn column(header: &str) -> (String, Option<Unit>) {
    let header = header.trim().to_lowercase();
    let (name, unit) = match header.find(['(', '[']) {
        Some(at) => header.split_at(at),
        None => match header.rfind(['_', ' ']) {
            Some(at) => header.split_at(at),
            None => (header.as_str(), ""),
        },
    };
    let unit_name = unit.trim_matches(|c: char| c.is_whitespace() || "()[]_°".contains(c));
    let unit_name = unit_name.strip_prefix("degrees").or(unit_name.strip_prefix("deg")).unwrap_or(unit_name).trim();
    match unit_name.trim_start_matches('°') {
        "c" | "celsius" => (name.trim().to_owned(), Some(Unit::Celsius)),
        "f" | "fahrenheit" => (name.trim().to_owned(), Some(Unit::Fahrenheit)),
        "tenths" | "0.1 c" | "0.1°c" => (name.trim().to_owned(), Some(Unit::TenthsC)),
        _ => (header, None),
    }
}

/// The first two columns, as the header writes them, whose name is among those wanted.
pub(super) fn twice(
    written: &[std::borrow::Cow<'_, str>],
    names: &[&str],
    wanted: &[&str],
) -> Option<(String, String)> {
    let same = names.iter().zip(written).filter(|(name, _)| wanted.contains(*name));
    let mut same = same.map(|(_, written)| written.trim().trim_start_matches('\u{feff}').to_owned());
    Some((same.next()?, same.next()?))
}

/// What values themselves prove of their unit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Evidence {
    Tenths(&'static str),
    /// More than a few values stand above what °C can be on Earth, none proves tenths.
    NotCelsius,
    Nothing,
    /// There is not one value to judge by, nor to convert.
    NoValues,
}

/// As many values as a file's unit is judged by.
pub(super) const SAMPLE: usize = 2000;

/// The unit to read a file with, from what its user and its header say and what its values prove.
///
/// # Errors
/// When nothing tells the unit, or the values show that what was said cannot be.
pub(super) fn decide_unit(given: Option<Unit>, header: Option<Unit>, evidence: &Evidence) -> Result<Unit, FeedError> {
    if let (Some(given), Some(header)) = (given, header)
        && given != header
    {
        return Err(FeedError::UnitContradicted { said: given, why: format!("the header says {header}") });
    }
    match (given.or(header), evidence) {
        (Some(said @ (Unit::Celsius | Unit::Fahrenheit)), Evidence::Tenths(why)) => {
            Err(FeedError::UnitContradicted { said, why: (*why).to_owned() })
        }
        (Some(said @ Unit::Celsius), Evidence::NotCelsius) => Err(FeedError::UnitContradicted {
            said,
            why: "many values lie beyond the world's records in °C".to_owned(),
        }),
        (Some(said), _) => Ok(said),
        (None, Evidence::Tenths(_) | Evidence::NoValues) => Ok(Unit::TenthsC),
        (None, _) => Err(FeedError::UnitUnknown),
    }
}

/// Looks at maxima and minima as written. Tenths are proven by the blank padding to five characters that the NCEI
/// services print their own integers with, or by a fifth of the values lying beyond any temperature on Earth in °F.
pub(super) fn evidence<'a>(values: impl Iterator<Item = &'a str>) -> Evidence {
    let (mut count, mut padded, mut beyond_f, mut beyond_c, mut whole_numbers) = (0_u32, 0_u32, 0_u32, 0_u32, 0_u32);
    for raw in values {
        let Some(value) = decimal(raw) else { continue };
        if matches!(value as i32, -9999 | 9999) {
            continue;
        }
        count += 1;
        let is_whole = whole(raw).is_some();
        whole_numbers += u32::from(is_whole);
        padded += u32::from(is_whole && raw.len() == 5 && raw.starts_with(' '));
        // World records are 56.7 °C = 134 °F and -89.2 °C = -128.6 °F (WMO archive of extremes).
        beyond_f += u32::from(!(-130.0..=140.0).contains(&value));
        beyond_c += u32::from(!(-90.0..=60.0).contains(&value));
    }
    if count == 0 {
        return Evidence::NoValues;
    }
    if whole_numbers < count {
        return if beyond_c * 20 > count { Evidence::NotCelsius } else { Evidence::Nothing };
    }
    if padded == count || padded * 2 > count {
        Evidence::Tenths("its values are blank-padded whole numbers, as NCEI prints tenths of °C")
    } else if beyond_f * 5 >= count {
        Evidence::Tenths("many of its values are beyond any temperature on Earth unless they are tenths of °C")
    } else if beyond_c * 20 > count {
        Evidence::NotCelsius
    } else {
        Evidence::Nothing
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn dates_are_read_in_their_three_forms_and_day_first_is_seen() {
        let day = |y, m, d| Date::Day(NaiveDate::from_ymd_opt(y, m, d).unwrap());
        for (text, wanted) in [
            ("2026-06-14", day(2026, 6, 14)),
            (" 20260614 ", day(2026, 6, 14)),
            ("6/14/2026", day(2026, 6, 14)),
            ("06/04/2026", day(2026, 6, 4)),
            ("2026/6/14", day(2026, 6, 14)),
            ("14/6/2026", Date::DayFirst),
            ("31/2/2026", Date::No),
            ("2026-02-29", Date::No),
            ("2024-02-29", day(2024, 2, 29)),
            ("6/14/26", Date::No),
            ("2026-06-14T00:00", Date::No),
            ("", Date::No),
            ("--", Date::No),
        ] {
            assert_eq!(date(text), wanted, "{text}");
        }
    }

    #[test]
    fn observation_times_become_hours() {
        for (text, hour) in [
            ("0700", Some(7)),
            ("0730", Some(7)),
            ("2400", Some(24)),
            ("2359", Some(24)),
            ("0000", Some(0)),
            ("2460", None),
            ("7", None),
            ("0x00", None),
        ] {
            assert_eq!(hour_of_hhmm(text), hour, "{text}");
        }
    }

    #[test]
    fn headers_tell_name_and_unit() {
        for (header, name, unit) in [
            ("TMAX", "tmax", None),
            ("tmax_c", "tmax", Some(Unit::Celsius)),
            (" Tmin (°F) ", "tmin", Some(Unit::Fahrenheit)),
            ("TMAX (Degrees Fahrenheit)", "tmax", Some(Unit::Fahrenheit)),
            ("max [C]", "max", Some(Unit::Celsius)),
            ("tmin degF", "tmin", Some(Unit::Fahrenheit)),
            ("TMAX_ATTRIBUTES", "tmax_attributes", None),
        ] {
            assert_eq!(column(header), (name.to_owned(), unit), "{header}");
        }
    }

    #[test]
    fn units_are_proven_only_by_structure() {
        assert!(matches!(evidence(["  289", "   72", "  -50"].into_iter()), Evidence::Tenths(_)));
        assert!(matches!(evidence(["289", "72", "301", "305"].into_iter()), Evidence::Tenths(_)));
        // Whole Fahrenheit, whole Celsius in winter, and a single misprint prove nothing.
        assert_eq!(evidence(["71", "51", "67", "42"].into_iter()), Evidence::NotCelsius);
        assert_eq!(evidence(["12", "5", "14", "6"].into_iter()), Evidence::Nothing);
        assert_eq!(evidence(["12", "5", "14", "6", "31", "20", "21", "311"].into_iter()), Evidence::NotCelsius);
        assert_eq!(evidence(["12.5", "-6.5"].into_iter()), Evidence::Nothing);
        assert_eq!(evidence([].into_iter()), Evidence::NoValues);
    }

    #[test]
    fn a_unit_is_taken_only_when_nothing_speaks_against_it() {
        let tenths = evidence(["  289"].into_iter());
        let warm = evidence(["71", "51"].into_iter());
        let ok = |given, header, seen: &Evidence| decide_unit(given, header, seen).ok();
        assert_eq!(ok(None, None, &tenths), Some(Unit::TenthsC));
        assert_eq!(ok(None, None, &warm), None);
        assert_eq!(ok(Some(Unit::Fahrenheit), None, &warm), Some(Unit::Fahrenheit));
        assert_eq!(ok(Some(Unit::Celsius), None, &warm), None);
        assert_eq!(ok(Some(Unit::Fahrenheit), None, &tenths), None);
        assert_eq!(ok(None, Some(Unit::Fahrenheit), &warm), Some(Unit::Fahrenheit));
        assert_eq!(ok(Some(Unit::Celsius), Some(Unit::Fahrenheit), &Evidence::Nothing), None);
        assert_eq!(ok(None, None, &Evidence::NoValues), Some(Unit::TenthsC));
    }

    #[test]
    fn numbers_are_plain() {
        assert_eq!(whole(" -172"), Some(-172));
        for bad in ["", "-", "1.5", "0x1", "1234567", "+5", "1 2"] {
            assert_eq!(whole(bad), None, "{bad}");
        }
        assert_eq!(decimal("-3.2999999999999545"), Some(-3.2999999999999545));
        for bad in ["", ".", "-", "nan", "inf", "1e5", "1.2.3", "999999999"] {
            assert_eq!(decimal(bad), None, "{bad}");
        }
    }

    #[test]
    fn long_lines_are_cut_and_counted() {
        let mut text = vec![b'x'; LONGEST_LINE + 5];
        text.extend(b"\r\nshort\n\nlast");
        let mut lines = Lines::new(std::io::BufReader::with_capacity(7, &text[..]));
        assert_eq!(lines.advance().unwrap(), Some(1));
        assert!(lines.too_long() && lines.line().len() == LONGEST_LINE);
        assert_eq!((lines.advance().unwrap(), lines.line().to_vec()), (Some(2), b"short".to_vec()));
        assert_eq!((lines.advance().unwrap(), lines.line().to_vec()), (Some(3), vec![]));
        assert_eq!((lines.advance().unwrap(), lines.line().to_vec()), (Some(4), b"last".to_vec()));
        assert_eq!(lines.advance().unwrap(), None);
    }

    proptest! {
        // The csv crate is the counterpart: what it writes, we split into the same fields.
        #[test]
        fn splitting_undoes_what_the_csv_crate_writes(fields in proptest::collection::vec("[ -~é]{0,12}", 1..8)) {
            let mut writer = csv::WriterBuilder::new().from_writer(Vec::new());
            writer.write_record(&fields).unwrap();
            let line = String::from_utf8(writer.into_inner().unwrap()).unwrap();
            let split = split_csv(line.trim_end_matches('\n'), ',').unwrap();
            prop_assert_eq!(split, fields);
        }

        #[test]
        fn no_text_makes_the_helpers_panic(text in any::<String>()) {
            let _ = (split_csv(&text, ','), whole(&text), decimal(&text), date(&text), hour_of_hhmm(&text), column(&text));
        }
    }
}
