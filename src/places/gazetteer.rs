//! Files that say where ZIP codes are: the Census Bureau's gazetteer in both of its layouts, and plain CSV.

use std::collections::HashMap;
use std::io;

use flate2::read::MultiGzDecoder;

use super::PlaceTable;
use crate::geo::Point;
use crate::region::Zip;
use crate::text::first_few;

/// Bytes of an unpacked file; that of 2021 has two million.
const LARGEST: u64 = 64 << 20;

/// More ZIP codes than five digits can have.
const MOST_LINES: usize = 100_000;

/// Why a file is no table of places.
#[derive(Debug, thiserror::Error)]
pub enum PlaceFileError {
    #[error("it cannot be unpacked")]
    Unpack(#[source] io::Error),
    #[error("it is a ZIP archive: unpack it, and name the .txt file that is inside")]
    Archive,
    #[error("it is not text in UTF-8")]
    NotText,
    #[error("it is empty")]
    Empty,
    #[error(
        "line 1 does not name the columns of a gazetteer of ZIP areas: GEOID, INTPTLAT and INTPTLONG are wanted (or zip, \
         latitude and longitude in CSV); it begins `{begins}`"
    )]
    Header { begins: String },
    #[error(
        "it is the Census gazetteer of something else (it has a column {column}): the one of ZIP code tabulation areas is wanted"
    )]
    OtherGazetteer { column: &'static str },
    #[error("{}", .0.join("\n"))]
    Lines(Vec<String>),
}

/// Reads the Census gazetteer of ZIP code tabulation areas, set apart by tabs (to 2024) or by `|` (from 2025 on), or CSV
/// with the columns zip, latitude and longitude; plain or gzipped. Columns are found by their names. `source` is who says
/// so, as people are told.
///
/// # Errors
/// See [`PlaceFileError`]; a single bad line spoils the file, so that no half of it is used.
pub fn read(bytes: &[u8], source: &str) -> Result<PlaceTable, PlaceFileError> {
    let unpacked;
    let bytes = match bytes {
        [0x1f, 0x8b, ..] => {
            unpacked =
                crate::files::read_capped(MultiGzDecoder::new(bytes), LARGEST).map_err(PlaceFileError::Unpack)?;
            &unpacked[..]
        }
        [b'P', b'K', 3, 4, ..] => return Err(PlaceFileError::Archive),
        plain => plain,
    };
    let text = std::str::from_utf8(bytes).map_err(|_| PlaceFileError::NotText)?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = (1..).zip(text.lines()).filter(|(_, line)| !line.trim().is_empty());
    let (_, head) = lines.next().ok_or(PlaceFileError::Empty)?;
    let columns = Columns::of(head)?;

    let mut seen: HashMap<Zip, usize> = HashMap::new();
    let (mut areas, mut faults) = (Vec::new(), Vec::new());
    for (number, line) in lines {
        match columns.read(line) {
            Ok((zip, place)) => match seen.insert(zip.clone(), number) {
                Some(before) => faults.push(format!("line {number}: ZIP code {zip} stands in line {before} already")),
                None => areas.push((zip, place)),
            },
            Err(why) => faults.push(format!("line {number}: {why}")),
        }
        if areas.len() > MOST_LINES {
            faults.push(format!("it holds more than {MOST_LINES} lines: there are not so many ZIP codes"));
            break;
        }
    }
    if faults.is_empty() && areas.is_empty() {
        return Err(PlaceFileError::Empty);
    }
    if faults.is_empty() {
        Ok(PlaceTable::of(source.to_owned(), areas))
    } else {
        Err(PlaceFileError::Lines(first_few(faults)))
    }
}

/// Where a line has what is wanted, counted from 0.
struct Columns {
    separator: char,
    zip: usize,
    latitude: usize,
    longitude: usize,
    count: usize,
}

impl Columns {
    fn of(head: &str) -> Result<Self, PlaceFileError> {
        let separator = ['\t', '|', ','].into_iter().find(|sign| head.contains(*sign)).unwrap_or(',');
        let names: Vec<String> = head.split(separator).map(|name| name.trim().to_lowercase()).collect();
        let at = |wanted: [&str; 2]| names.iter().position(|name| wanted.contains(&name.as_str()));
        // Gazetteers of counties, towns and the like have codes of five digits and more too.
        for column in ["USPS", "NAME", "ANSICODE"] {
            if at(["geoid", "geoid"]).is_some() && names.contains(&column.to_lowercase()) {
                return Err(PlaceFileError::OtherGazetteer { column });
            }
        }
        match (at(["geoid", "zip"]), at(["intptlat", "latitude"]), at(["intptlong", "longitude"])) {
            (Some(zip), Some(latitude), Some(longitude)) => {
                Ok(Self { separator, zip, latitude, longitude, count: names.len() })
            }
            _ => Err(PlaceFileError::Header { begins: crate::text::one_line(head).chars().take(60).collect() }),
        }
    }

    fn read(&self, line: &str) -> Result<(Zip, Point), String> {
        let cells: Vec<&str> = line.split(self.separator).map(|cell| cell.trim().trim_matches('"')).collect();
        if cells.len() != self.count {
            return Err(format!("{} columns where the first line has {}", cells.len(), self.count));
        }
        let cell = |at: usize| cells.get(at).copied().unwrap_or_default();
        let zip = Zip::parse(cell(self.zip)).map_err(|why| why.to_string())?;
        let degrees = |text: &str, most: f64, what: &str| {
            let number = text.parse::<f64>().ok().filter(|number| number.abs() <= most);
            number.ok_or_else(|| format!("`{text}` is no {what}: degrees from -{most} to {most} are wanted"))
        };
        let latitude = degrees(cell(self.latitude), 90.0, "latitude")?;
        let longitude = degrees(cell(self.longitude), 180.0, "longitude")?;
        Ok((zip, Point { latitude, longitude }))
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    // Headers as the Census Bureau writes them, the last name padded; the areas are invented.
    const TABS: &str = "GEOID\tALAND\tAWATER\tALAND_SQMI\tAWATER_SQMI\tINTPTLAT\tINTPTLONG                \n\
        00101\t120000000\t350000\t46.332\t0.135\t31.200000\t-135.400000                \n\
        00301\t1\t0\t0.\t0.\t34.050000\t-134.600000                \n";
    const PIPES: &str = "\u{feff}GEOID|GEOIDFQ|ALAND|AWATER|ALAND_SQMI|AWATER_SQMI|INTPTLAT|INTPTLONG\r\n\
        00101|860Z200US00101|120000000|350000|46.332|0.135|31.200000|-135.400000\r\n\
        00301|860Z200US00301|1|0|0.|0.|34.050000|-134.600000\r\n";
    const CSV: &str = "zip,latitude,longitude\n00301,34.05,-134.6\n\n00101,31.2,-135.4\n";

    fn fault(text: &str) -> String {
        read(text.as_bytes(), "test").unwrap_err().to_string()
    }

    #[test]
    fn both_layouts_of_the_census_and_plain_csv_say_the_same() {
        let table = read(TABS.as_bytes(), "test").unwrap();
        assert_eq!((table.len(), table.source()), (2, "test"));
        let zip = Zip::parse("00101").unwrap();
        assert_eq!(table.place_of(&zip), Some(Point { latitude: 31.2, longitude: -135.4 }));
        assert_eq!(read(PIPES.as_bytes(), "test").unwrap(), table);
        assert_eq!(read(CSV.as_bytes(), "test").unwrap(), table);
        let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        packed.write_all(PIPES.as_bytes()).unwrap();
        let mut packed = packed.finish().unwrap();
        assert_eq!(read(&packed, "test").unwrap(), table);
        packed.truncate(packed.len() / 2);
        assert!(matches!(read(&packed, "test"), Err(PlaceFileError::Unpack(_))));
    }

    #[test]
    fn what_is_no_such_file_is_refused_with_its_line() {
        assert_eq!(fault("  \n"), "it is empty");
        assert_eq!(fault("zip,latitude,longitude\n"), "it is empty");
        assert!(fault("<!doctype html><title>503</title>").contains("line 1 does not name the columns"));
        assert!(
            fault("USPS\tGEOID\tANSICODE\tNAME\tINTPTLAT\tINTPTLONG\n")
                .contains("of something else (it has a column USPS)")
        );
        assert!(matches!(read(b"PK\x03\x04rest", "test"), Err(PlaceFileError::Archive)));
        assert!(matches!(read(b"\xff\xfe\x00", "test"), Err(PlaceFileError::NotText)));
        for (from, to, wanted) in [
            ("00301", "0301", "line 3: `0301` is not a ZIP code"),
            ("00301", "00101", "line 3: ZIP code 00101 stands in line 2 already"),
            ("34.050000", "94.05", "line 3: `94.05` is no latitude"),
            ("-134.600000", "west", "line 3: `west` is no longitude"),
            ("34.050000", "NaN", "line 3: `NaN` is no latitude"),
            ("\t34.050000", "", "line 3: 6 columns where the first line has 7"),
        ] {
            assert!(
                fault(&TABS.replacen(from, to, 1)).contains(wanted),
                "{wanted}: {}",
                fault(&TABS.replacen(from, to, 1))
            );
        }
    }
}
