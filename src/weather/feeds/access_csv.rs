//! NCEI's wide CSV: one row a station and day, a column an element, with or without `…_ATTRIBUTES` columns.
//!
//! The per-station "access" files hold tenths of °C; orders made by hand hold whatever unit was asked for and do not
//! say which. So the unit is taken from the header, from the user, or from what the values prove, else demanded.

use std::io::{self, BufRead};

use chrono::NaiveDate;

use super::answer::{DescribedStation, FeedError, Parsed, plain_reading};
use super::ghcn_flags;
use super::lines::{LineParser, drive};
use super::text::{self, Date};
use super::text::{Lines, split_csv};
use super::unit::Unit;
use crate::geo::Point;
use crate::weather::excerpt::excerpt;
use crate::weather::reading::Element;
use crate::weather::station::{FeedKind, StationId};

/// Reads a whole file, already unpacked.
///
/// # Errors
/// When there is no such header, no row fits it, or the unit is unknown or contradicted.
pub fn parse(file: &[u8], unit: Option<Unit>, feed: FeedKind) -> Result<Parsed, FeedError> {
    let unit =
        survey(&mut Lines::new(file), unit).map_err(|source| FeedError::File { path: "answer".into(), source })??;
    drive(WideRows::new(unit, feed), file)
}

/// Finds the unit of a file from its header and its first values.
pub(crate) fn survey<R: BufRead>(lines: &mut Lines<R>, given: Option<Unit>) -> io::Result<Result<Unit, FeedError>> {
    let mut columns: Option<Columns> = None;
    let mut values: Vec<String> = Vec::new();
    while values.len() < text::SAMPLE && lines.advance()?.is_some() {
        let line = String::from_utf8_lossy(lines.line());
        let Some(fields) = split_csv(&line, ',') else { continue };
        match &columns {
            None => columns = Columns::read(&fields),
            Some(columns) => {
                let found = columns.elements.iter().filter_map(|element| fields.get(element.value));
                values.extend(found.map(|value| value.clone().into_owned()));
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
    split_csv(line, ',').is_some_and(|fields| Columns::read(&fields).is_some())
}

/// Are there attribute columns beside the temperatures? Then it is an access file, not an order.
pub(crate) fn has_attributes(header: &str) -> bool {
    split_csv(header, ',')
        .and_then(|fields| Columns::read(&fields))
        .is_some_and(|columns| columns.elements.iter().any(|element| element.attributes.is_some()))
}

struct ElementColumn {
    element: Element,
    value: usize,
    attributes: Option<usize>,
}

/// Columns by name: their set and order differ from station to station.
struct Columns {
    count: usize,
    station: usize,
    date: usize,
    name: Option<usize>,
    latitude: Option<usize>,
    longitude: Option<usize>,
    elevation: Option<usize>,
    elements: Vec<ElementColumn>,
    unit: Option<Unit>,
    /// Two columns, as the header writes them, that mean the same.
    twice: Option<(String, String)>,
}

impl Columns {
    fn read(header: &[std::borrow::Cow<'_, str>]) -> Option<Self> {
        // NCEI writes its names in capitals; a private file with a column `station` is a plain CSV.
        if !header.iter().any(|name| name.trim() == "STATION") {
            return None;
        }
        let columns: Vec<(String, Option<Unit>)> = header.iter().map(|name| text::column(name)).collect();
        let at = |wanted: &str| columns.iter().position(|(name, _)| name == wanted);
        let elements: Vec<ElementColumn> = [(Element::Max, "tmax"), (Element::Min, "tmin")]
            .into_iter()
            .filter_map(|(element, name)| {
                Some(ElementColumn { element, value: at(name)?, attributes: at(&format!("{name}_attributes")) })
            })
            .collect();
        let unit = elements.iter().find_map(|element| columns.get(element.value).and_then(|(_, unit)| *unit));
        Some(Self {
            count: header.len(),
            station: at("station")?,
            date: at("date")?,
            name: at("name").or(at("station_name")),
            latitude: at("latitude"),
            longitude: at("longitude"),
            elevation: at("elevation"),
            elements,
            unit,
            twice: ["station", "date", "tmax", "tmin"].into_iter().find_map(|wanted| {
                let names: Vec<&str> = columns.iter().map(|(name, _)| name.as_str()).collect();
                text::twice(header, &names, &[wanted])
            }),
        })
    }
}

/// Line by line, once the unit is known.
pub struct WideRows {
    unit: Unit,
    feed: FeedKind,
    columns: Option<Columns>,
    good: u64,
}

impl WideRows {
    pub fn new(unit: Unit, feed: FeedKind) -> Self {
        Self { unit, feed, columns: None, good: 0 }
    }
}

impl LineParser for WideRows {
    fn line(&mut self, number: u64, line: &[u8], out: &mut Parsed) -> Result<(), FeedError> {
        let line = String::from_utf8_lossy(line);
        let place = format!("line {number}");
        let Some(fields) = split_csv(&line, ',') else {
            out.reject(place, "a quoted field does not end", &line);
            return Ok(());
        };
        let Some(columns) = &self.columns else {
            match Columns::read(&fields) {
                Some(columns) => {
                    self.columns = Some(columns);
                    self.good += 1;
                }
                None => out.reject(place, "not a header with the columns STATION and DATE", &line),
            }
            return Ok(());
        };
        if fields.len() != columns.count {
            out.reject(place, "not as many fields as the header has", &line);
            return Ok(());
        }
        let field = |index: usize| fields.get(index).map_or("", |field| field.as_ref());
        let Some(station) = station_id(field(columns.station)) else {
            out.reject(place, "not a station's id", field(columns.station));
            return Ok(());
        };
        let day = match text::date(field(columns.date)) {
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
        let optional = |index: Option<usize>| index.and_then(|index| text::decimal(field(index)));
        if let (Some(latitude), Some(longitude)) = (optional(columns.latitude), optional(columns.longitude))
            && out.stations.last().is_none_or(|last| last.id != station)
        {
            out.saw_station(seen(
                &station,
                columns.name.map_or("", field),
                latitude,
                longitude,
                optional(columns.elevation),
            ));
        }
        for column in &columns.elements {
            let cell = Cell { station: &station, day, element: column.element, feed: self.feed, unit: self.unit };
            cell.take(&place, field(column.value), column.attributes.map_or("", field), out);
        }
        Ok(())
    }

    fn recognised(&self) -> (&'static str, u64) {
        ("a CSV with the columns STATION and DATE", self.good)
    }
}

/// A station with coordinates that can be; others are left out, as if the row had none.
pub(super) fn seen(
    id: &StationId,
    name: &str,
    latitude: f64,
    longitude: f64,
    elevation_m: Option<f64>,
) -> DescribedStation {
    let on_earth = (-90.0..=90.0).contains(&latitude) && (-180.0..=180.0).contains(&longitude);
    DescribedStation {
        id: id.clone(),
        name: excerpt(name, 80),
        state: state_of(name),
        place: on_earth.then_some(Point { latitude, longitude }),
        // -999.9 stands for unknown.
        elevation_m: elevation_m.filter(|metres| (-500.0..9000.0).contains(metres)),
    }
}

/// Names of United States stations end with the state: `EXAMPLE MESA 2 NW, XA US`.
fn state_of(name: &str) -> String {
    let state = name.trim().strip_suffix(" US").and_then(|name| name.rsplit_once(", ")).map(|(_, state)| state);
    state.filter(|state| state.len() == 2 && state.bytes().all(|b| b.is_ascii_uppercase())).unwrap_or("").to_owned()
}

/// A GHCN id, without the `GHCND:` that older orders write before it.
pub(super) fn station_id(text: &str) -> Option<StationId> {
    let id = text.trim();
    let id = id.strip_prefix("GHCND:").unwrap_or(id);
    ((1..=40).contains(&id.len()) && id.bytes().all(|b| b.is_ascii_graphic())).then(|| StationId(id.to_owned()))
}

/// One element of one station's day, as text with its attributes.
pub(super) struct Cell<'a> {
    pub station: &'a StationId,
    pub day: NaiveDate,
    pub element: Element,
    pub feed: FeedKind,
    pub unit: Unit,
}

impl Cell<'_> {
    /// `attributes` is `M,Q,S` or `M,Q,S,HHMM`: measurement, quality and source flag, observation time.
    pub(super) fn take(&self, place: &str, raw: &str, attributes: &str, out: &mut Parsed) {
        let place = || format!("{place} {}", self.element.name());
        let number = match self.unit {
            Unit::TenthsC => text::whole(raw).map(f64::from),
            Unit::Celsius | Unit::Fahrenheit => text::decimal(raw),
        };
        let value = match number {
            None if raw.trim().is_empty() => {
                out.missing += 1;
                return;
            }
            // Some writers put these where a value is missing; no temperature is like them in any of the units.
            Some(value) if [-9999.0, 999.0, 9999.0].contains(&value) => {
                out.missing += 1;
                return;
            }
            None if self.unit == Unit::TenthsC => {
                return out.reject(place(), "not a whole number, as tenths of °C are", raw);
            }
            None => return out.reject(place(), "not a number", raw),
            Some(value) => value,
        };
        let mut reading = plain_reading(self.station, self.day, self.element, self.unit.to_tenths(value), self.feed);
        let attributes = attributes.trim();
        let parts: Vec<&str> = attributes.split(',').collect();
        match parts[..] {
            _ if attributes.is_empty() => {}
            [measurement, quality, _] => ghcn_flags::apply(&mut reading, measurement, quality),
            [measurement, quality, _, time] => {
                ghcn_flags::apply(&mut reading, measurement, quality);
                let time = time.trim();
                reading.observation_hour = text::hour_of_hhmm(time);
                if !time.is_empty() && reading.observation_hour.is_none() {
                    out.reject(place(), "observation time is not HHMM (value taken without it)", time);
                }
            }
            // Without its quality flag nobody knows what the value is worth.
            _ => return out.reject(place(), "attributes are not of the form M,Q,S or M,Q,S,HHMM", attributes),
        }
        out.readings.push(reading);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ACCESS: &str = concat!(
        "\"STATION\",\"DATE\",\"LATITUDE\",\"LONGITUDE\",\"ELEVATION\",\"NAME\",\"TMAX\",\"TMAX_ATTRIBUTES\",\"TMIN\",\"TMIN_ATTRIBUTES\"\n",
        "\"USC00999001\",\"2026-06-14\",\"35.6123\",\"-135.0456\",\"2103.1\",\"EXAMPLE MESA 2 NW, XA US\",\"  289\",\",,7\",\"   72\",\",,7,0700\"\n",
        "\"USC00999001\",\"2026-06-15\",\"35.6123\",\"-135.0456\",\"2103.1\",\"EXAMPLE MESA 2 NW, XA US\",\"  461\",\",I,7\",\"\",\"\"\n",
        "\"USC00999001\",\"2026-06-16\",\"35.6123\",\"-135.0456\",\"2103.1\",\"EXAMPLE MESA 2 NW, XA US\",\"  2\n",
        "\"USC00999001\",\"2026-06-17\",,,,\"EXAMPLE MESA 2 NW, XA US\",\"  250\",\",7\",\"  -50\",\"L,,7\"\n",
    );

    #[test]
    fn padded_values_with_attributes_are_tenths() {
        let parsed = parse(ACCESS.as_bytes(), None, FeedKind::GhcnDaily).unwrap();
        let values: Vec<(u32, i32, Option<u8>)> = parsed
            .readings
            .iter()
            .map(|r| (chrono::Datelike::day(&r.day_reported), r.value.0, r.observation_hour))
            .collect();
        assert_eq!(values, [(14, 289, None), (14, 72, Some(7)), (15, 461, None), (17, -50, None)]);
        assert_eq!(parsed.readings[2].source_rejects.as_deref(), Some("GHCN quality flag I: internal consistency"));
        assert!(parsed.readings[3].lagged);
        assert_eq!(parsed.missing, 1);
        let told: Vec<String> = parsed.rejected_lines.iter().map(|r| format!("{}: {}", r.place, r.reason)).collect();
        assert_eq!(
            told,
            [
                "line 4: a quoted field does not end",
                "line 5 maximum: attributes are not of the form M,Q,S or M,Q,S,HHMM"
            ]
        );
        assert_eq!(parsed.stations.len(), 1);
        assert_eq!(parsed.stations[0].elevation_m, Some(2103.1));
        assert_eq!(parsed.stations[0].name, "EXAMPLE MESA 2 NW, XA US");
    }

    #[test]
    fn an_order_without_a_unit_must_be_told_and_is_checked() {
        let order =
            "STATION,NAME,DATE,TMAX,TMIN\nUSC00999001,\"A, B\",6/14/2026,84,45\nUSC00999002,C,6/15/2026,79.5,-9999\n";
        let read = |unit| parse(order.as_bytes(), unit, FeedKind::DailySummaries);
        assert!(matches!(read(None), Err(FeedError::UnitUnknown)));
        assert!(matches!(read(Some(Unit::Celsius)), Err(FeedError::UnitContradicted { .. })));
        let parsed = read(Some(Unit::Fahrenheit)).unwrap();
        // 84 °F = 28.9 °C, 45 °F = 7.2 °C, 79.5 °F = 26.4 °C.
        assert_eq!(parsed.readings.iter().map(|r| r.value.0).collect::<Vec<_>>(), [289, 72, 264]);
        assert_eq!(parsed.readings[2].station.0, "USC00999002");
        let padded = ACCESS.as_bytes();
        let why = parse(padded, Some(Unit::Fahrenheit), FeedKind::GhcnDaily).unwrap_err().to_string();
        assert_eq!(why, "°F was said, but its values are blank-padded whole numbers, as NCEI prints tenths of °C");
    }

    #[test]
    fn a_header_may_name_the_unit() {
        let order = "STATION,DATE,TMAX (Degrees Fahrenheit),TMIN (Degrees Fahrenheit)\nUSC00999001,2026-06-14,84,45\n";
        assert_eq!(parse(order.as_bytes(), None, FeedKind::DailySummaries).unwrap().readings[0].value.0, 289);
    }

    #[test]
    fn day_first_dates_stop_the_file() {
        let order = "STATION,DATE,TMAX,TMIN\nUSC00999001,1/6/2026,84,45\nUSC00999001,14/6/2026,84,45\n";
        assert!(matches!(
            parse(order.as_bytes(), Some(Unit::Fahrenheit), FeedKind::DailySummaries),
            Err(FeedError::DayFirst { line: 3, .. })
        ));
    }

    #[test]
    fn a_file_without_temperatures_is_empty_not_wrong() {
        let rain = "STATION,DATE,PRCP\nUSC00999001,2026-06-14,0.10\n";
        assert_eq!(parse(rain.as_bytes(), None, FeedKind::GhcnDaily).unwrap().readings.len(), 0);
    }
}
