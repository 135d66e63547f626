//! Plain CSV of a private logger or a spreadsheet: a header with date, tmin, tmax, and the unit in it or told.
//!
//! Commas, semicolons or tabs; with semicolons or tabs a decimal comma is understood. A column `station` is allowed.

use std::borrow::Cow;
use std::io::{self, BufRead};
use std::path::Path;

use async_trait::async_trait;
use chrono::NaiveDate;
use url::Url;

use super::access_csv;
use super::answer::{FeedError, Parsed, plain_reading};
use super::ask::{Feed, FeedQuery};
use super::lines::{LineParser, drive};
use super::text::{self, Date};
use super::text::{Lines, split_csv};
use super::unit::Unit;
use crate::weather::excerpt::excerpt;
use crate::weather::fetch::{Accept, FetchError, Fetcher};
use crate::weather::reading::Element;
use crate::weather::station::{FeedKind, StationId};

/// Reads a whole file. Rows belong to `station` unless a column says otherwise.
///
/// # Errors
/// When there is no such header, no row fits it, or the unit is unknown or contradicted.
pub fn parse(file: &[u8], station: &StationId, unit: Option<Unit>) -> Result<Parsed, FeedError> {
    let unit =
        survey(&mut Lines::new(file), unit).map_err(|source| FeedError::File { path: "answer".into(), source })??;
    drive(PlainRows::new(station.clone(), unit), file)
}

/// Finds the unit of a file from its header and its first values.
pub(crate) fn survey<R: BufRead>(lines: &mut Lines<R>, given: Option<Unit>) -> io::Result<Result<Unit, FeedError>> {
    let mut columns: Option<Columns> = None;
    let mut values: Vec<String> = Vec::new();
    while values.len() < text::SAMPLE && lines.advance()?.is_some() {
        let line = String::from_utf8_lossy(lines.line());
        match &columns {
            None => columns = Columns::read(&line),
            Some(columns) => {
                let Some(fields) = split_csv(&line, columns.separator) else { continue };
                let found = columns.elements.iter().filter_map(|(_, at)| fields.get(*at));
                values.extend(found.map(|value| columns.number(value).into_owned()));
            }
        }
    }
    if let Some((first, second)) = columns.as_mut().and_then(|columns| columns.twice.take()) {
        return Ok(Err(FeedError::ColumnTwice { first, second }));
    }
    let header = columns.as_ref().and_then(|columns| columns.unit);
    Ok(text::decide_unit(given, header, &text::evidence(values.iter().map(String::as_str))))
}

/// Is this line the header of such a file?
pub(crate) fn looks_like(line: &str) -> bool {
    Columns::read(line).is_some()
}

struct Columns {
    separator: char,
    count: usize,
    date: usize,
    station: Option<usize>,
    elements: Vec<(Element, usize)>,
    unit: Option<Unit>,
    /// Two columns, as the header writes them, that mean the same.
    twice: Option<(String, String)>,
}

const MAXIMA: [&str; 3] = ["tmax", "max", "maximum"];
const MINIMA: [&str; 3] = ["tmin", "min", "minimum"];
const DATES: [&str; 2] = ["date", "day"];
const STATIONS: [&str; 2] = ["station", "station id"];

impl Columns {
    fn read(header: &str) -> Option<Self> {
        let separator = [',', ';', '\t'].into_iter().max_by_key(|c| header.matches(*c).count())?;
        let written = split_csv(header, separator)?;
        let names: Vec<(String, Option<Unit>)> = written.iter().map(|name| text::column(name)).collect();
        let at = |wanted: &[&str]| names.iter().position(|(name, _)| wanted.contains(&name.as_str()));
        let max = at(&MAXIMA)?;
        let min = at(&MINIMA)?;
        let units = [names.get(max)?.1, names.get(min)?.1];
        Some(Self {
            separator,
            count: names.len(),
            date: at(&DATES)?,
            station: at(&STATIONS),
            elements: vec![(Element::Max, max), (Element::Min, min)],
            // A unit counts only when both columns agree on it.
            unit: units[0].filter(|_| units[0] == units[1]),
            twice: [&MAXIMA[..], &MINIMA, &DATES, &STATIONS].into_iter().find_map(|wanted| {
                let names: Vec<&str> = names.iter().map(|(name, _)| name.as_str()).collect();
                text::twice(&written, &names, wanted)
            }),
        })
    }

    fn number<'a>(&self, field: &'a str) -> Cow<'a, str> {
        if self.separator != ',' && field.contains(',') {
            Cow::Owned(field.replace(',', "."))
        } else {
            Cow::Borrowed(field)
        }
    }
}

/// Line by line, once the unit is known.
pub struct PlainRows {
    station: StationId,
    unit: Unit,
    columns: Option<Columns>,
    good: u64,
}

impl PlainRows {
    pub fn new(station: StationId, unit: Unit) -> Self {
        Self { station, unit, columns: None, good: 0 }
    }
}

impl LineParser for PlainRows {
    fn line(&mut self, number: u64, line: &[u8], out: &mut Parsed) -> Result<(), FeedError> {
        let line = String::from_utf8_lossy(line);
        let place = format!("line {number}");
        if line.trim_start().starts_with('#') {
            return Ok(());
        }
        let Some(columns) = &self.columns else {
            match Columns::read(&line) {
                Some(columns) => {
                    self.columns = Some(columns);
                    self.good += 1;
                }
                None => out.reject(place, "not a header with the columns date, tmin and tmax", &line),
            }
            return Ok(());
        };
        let Some(fields) = split_csv(&line, columns.separator).filter(|fields| fields.len() == columns.count) else {
            out.reject(place, "not as many fields as the header has", &line);
            return Ok(());
        };
        let field = |index: usize| fields.get(index).map_or("", |field| field.as_ref());
        let station = match columns.station {
            None => self.station.clone(),
            Some(at) => match access_csv::station_id(field(at)) {
                Some(station) => station,
                None => {
                    out.reject(place, "not a station's id", field(at));
                    return Ok(());
                }
            },
        };
        let day: NaiveDate = match text::date(field(columns.date)) {
            Date::Day(day) => day,
            Date::DayFirst => {
                return Err(FeedError::DayFirst { line: number, date: field(columns.date).trim().to_owned() });
            }
            Date::No => {
                out.reject(place, "not a date", field(columns.date));
                return Ok(());
            }
        };
        self.good += 1;
        for (element, at) in &columns.elements {
            let raw = field(*at);
            match text::decimal(&columns.number(raw)) {
                Some(-9999.0 | 999.0 | 9999.0) => out.missing += 1,
                Some(value) => {
                    out.readings.push(plain_reading(
                        &station,
                        day,
                        *element,
                        self.unit.to_tenths(value),
                        FeedKind::PlainCsv,
                    ));
                }
                None if matches!(raw.trim().to_ascii_lowercase().as_str(), "" | "na" | "nan" | "null" | "m" | "-") => {
                    out.missing += 1
                }
                None => out.reject(format!("{place} {}", element.name()), "not a number", raw),
            }
        }
        Ok(())
    }

    fn recognised(&self) -> (&'static str, u64) {
        ("a CSV with the columns date, tmin and tmax", self.good)
    }
}

/// Reads a file of this machine or asks an http(s) address. The source may end with `#fahrenheit`, `#celsius` or
/// `#tenths` where its header does not name the unit.
pub struct PlainCsv;

#[async_trait]
impl Feed for PlainCsv {
    async fn pull(&self, fetcher: &Fetcher, _base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError> {
        let (address, unit) = address_and_unit(ask.source)?;
        if has_secret(address) {
            return Err(FeedError::SecretInSource);
        }
        let body = if address.starts_with("http://") || address.starts_with("https://") {
            let url = Url::parse(address).map_err(|why| FetchError::bad_address(address, why))?;
            fetcher.get(&url, Accept::Text).await?.body.to_vec()
        } else {
            read_file(Path::new(address), fetcher.largest_body()).await?
        };
        let mut parsed = parse(&body, ask.station, unit)?;
        super::daily_summaries::keep_station(&mut parsed, &ask.station.0);
        Ok(parsed)
    }
}

pub(super) fn address_and_unit(source: &str) -> Result<(&str, Option<Unit>), FeedError> {
    let (address, unit) = match source.trim().rsplit_once('#') {
        None => (source.trim(), None),
        Some((address, "fahrenheit")) => (address, Some(Unit::Fahrenheit)),
        Some((address, "celsius")) => (address, Some(Unit::Celsius)),
        Some((address, "tenths")) => (address, Some(Unit::TenthsC)),
        Some(_) => ("", None),
    };
    if address.is_empty() {
        let wanted = "a path or http(s) address, at its end perhaps #fahrenheit, #celsius or #tenths";
        return Err(FeedError::SourceId { feed: "plain CSV", id: excerpt(source, 60), wanted });
    }
    Ok((address, unit))
}

/// Whether an address on the web names a user or a password; also one that cannot be read as an address.
pub(super) fn has_secret(address: &str) -> bool {
    let Some((scheme, rest)) = address.split_once("://") else { return false };
    let host = rest.split(['/', '?', '#', '\\']).next().unwrap_or_default();
    scheme.to_ascii_lowercase().starts_with("http") && host.contains('@')
}

/// The address with a mask where user and password stand.
pub(super) fn masked(address: &str) -> String {
    let Some((scheme, rest)) = address.split_once("://") else { return address.to_owned() };
    let (host, path) = rest.split_at(rest.find(['/', '?', '#', '\\']).unwrap_or(rest.len()));
    let host = host.rsplit_once('@').map_or_else(|| host.to_owned(), |(_, host)| format!("***@{host}"));
    format!("{scheme}://{host}{path}")
}

async fn read_file(path: &Path, largest: u64) -> Result<Vec<u8>, FeedError> {
    use tokio::io::AsyncReadExt;
    let fail = |source| FeedError::File { path: path.display().to_string(), source };
    let file = tokio::fs::File::open(path).await.map_err(fail)?;
    // A pipe or a device would never end.
    let about = file.metadata().await.map_err(fail)?;
    if !about.is_file() {
        return Err(fail(io::Error::other("it is not a regular file")));
    }
    if about.len() > largest {
        return Err(fail(io::Error::other(format!("it is larger than {largest} bytes (feeds.largest_body_mib)"))));
    }
    let mut body = Vec::new();
    file.take(largest).read_to_end(&mut body).await.map_err(fail)?;
    Ok(body)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, unit: Option<Unit>) -> Result<Vec<(String, i32)>, FeedError> {
        let parsed = parse(text.as_bytes(), &"LOGGER".into(), unit)?;
        Ok(parsed.readings.iter().map(|r| (format!("{} {:?}", r.day_reported, r.element), r.value.0)).collect())
    }

    #[test]
    fn the_header_names_columns_and_unit() {
        let wanted = vec![("2026-06-14 Max".to_owned(), 289), ("2026-06-14 Min".to_owned(), 72)];
        for text in [
            "date,tmin_c,tmax_c\n2026-06-14,7.2,28.9\n",
            "Date;Tmax (°C);Tmin (°C)\n2026-06-14;28,9;7,2\n",
            "\u{feff}tmax_f\ttmin_f\tdate\r\n84\t45\t6/14/2026\r\n",
            "# my orchard\ndate,max [F],min [F]\n20260614,84.0,45.0",
        ] {
            assert_eq!(read(text, None).unwrap(), wanted, "{text}");
        }
    }

    #[test]
    fn without_a_unit_it_must_be_told() {
        let text = "date,tmin,tmax\n2026-06-14,7.2,28.9\n";
        assert!(matches!(read(text, None), Err(FeedError::UnitUnknown)));
        assert_eq!(read(text, Some(Unit::Celsius)).unwrap()[0].1, 289);
        let mixed = "date,tmin_c,tmax_f\n2026-06-14,7.2,84\n";
        assert!(matches!(read(mixed, None), Err(FeedError::UnitUnknown)));
    }

    #[test]
    fn odd_rows_are_told_and_gaps_are_gaps() {
        let text = "date,tmin_c,tmax_c\n2026-06-14,,28.9\n2026-06-15,NA,x\nsoon,1,2\n2026-06-16,1\n";
        let parsed = parse(text.as_bytes(), &"L".into(), None).unwrap();
        assert_eq!((parsed.readings.len(), parsed.missing), (1, 2));
        let told: Vec<String> = parsed.rejected_lines.iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "line 3 maximum: not a number (`x`)",
                "line 4: not a date (`soon`)",
                "line 5: not as many fields as the header has (`2026-06-16,1`)"
            ]
        );
    }

    #[test]
    fn sources_may_name_their_unit() {
        assert_eq!(address_and_unit("logger.csv#fahrenheit").unwrap(), ("logger.csv", Some(Unit::Fahrenheit)));
        assert_eq!(address_and_unit(" https://example.org/l.csv ").unwrap(), ("https://example.org/l.csv", None));
        assert!(address_and_unit("logger.csv#kelvin").is_err());
    }
}
