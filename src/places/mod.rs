//! Where ZIP codes are: the areas that the Census draws around them, which are not the postal ZIP codes themselves.
//!
//! One table stands inside the program; `treebell place import` puts a newer one in its place.

mod gazetteer;
mod zones;

use std::io::{self, Write};
use std::sync::LazyLock;

use flate2::Compression;
use flate2::read::GzDecoder;
use flate2::write::GzEncoder;

use crate::geo::{Point, distance_km};
use crate::region::Zip;

pub use gazetteer::{PlaceFileError, read};
pub use zones::zone_of_state;

/// Source and layout: `config/places/README.md` and [`PlaceTable::packed`].
const BUILT_IN: &[u8] = include_bytes!("../../config/places/census-2021.bin.gz");

/// First line of a packed table.
const MARK: &[u8] = b"treebell places 1\n";

/// Bytes of a packed table once it is unpacked; the built-in one has 175 thousand.
const LARGEST: u64 = 16 << 20;

/// Parts of a degree in which places are kept: 0.0001° is 11 m, and the weather service takes no more decimals.
const PARTS: f64 = 10_000.0;

/// Areas by ZIP code.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PlaceTable {
    /// Who says so, as people are told.
    source: String,
    /// By ZIP code, each once.
    areas: Vec<Area>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Area {
    zip: u32,
    /// In [`PARTS`] of a degree.
    latitude: i32,
    longitude: i32,
}

impl Area {
    fn place(self) -> Point {
        Point { latitude: f64::from(self.latitude) / PARTS, longitude: f64::from(self.longitude) / PARTS }
    }
}

/// A ZIP code of the table with its place.
#[derive(Clone, Debug, PartialEq)]
pub struct ZipPlace {
    pub zip: Zip,
    /// Internal point of its area.
    pub place: Point,
}

impl PlaceTable {
    /// The table inside the program, unpacked once.
    pub fn built_in() -> &'static PlaceTable {
        static TABLE: LazyLock<PlaceTable> = LazyLock::new(|| PlaceTable::unpack(BUILT_IN).unwrap_or_default());
        &TABLE
    }

    /// `areas` may come in any order; of a ZIP code that is given twice the first place counts.
    pub(crate) fn of(source: String, areas: impl IntoIterator<Item = (Zip, Point)>) -> Self {
        let parts = |degrees: f64| (degrees * PARTS).round() as i32;
        let mut areas: Vec<Area> = areas
            .into_iter()
            .filter_map(|(zip, place)| {
                let zip = number(&zip)?;
                Some(Area { zip, latitude: parts(place.latitude), longitude: parts(place.longitude) })
            })
            .collect();
        areas.sort_by_key(|area| area.zip);
        areas.dedup_by_key(|area| area.zip);
        // The source is a line of the packed table.
        Self { source: crate::text::one_line(&source), areas }
    }

    pub fn source(&self) -> &str {
        &self.source
    }

    pub fn len(&self) -> usize {
        self.areas.len()
    }

    pub fn is_empty(&self) -> bool {
        self.areas.is_empty()
    }

    /// Where a ZIP code is, if it has an area.
    pub fn place_of(&self, zip: &Zip) -> Option<Point> {
        let at = self.areas.binary_search_by_key(&number(zip)?, |area| area.zip).ok()?;
        self.areas.get(at).map(|area| area.place())
    }

    /// The area whose internal point is nearest, and its distance in km.
    pub fn nearest(&self, place: Point) -> Option<(ZipPlace, f64)> {
        let with_distance = self.areas.iter().map(|area| (distance_km(place, area.place()), area));
        let (km, area) = with_distance.min_by(|a, b| a.0.total_cmp(&b.0))?;
        Some((zip_place(area)?, km))
    }

    /// The areas whose ZIP codes begin with the same three digits: of one sorting centre, so of one neighbourhood.
    pub fn relatives(&self, zip: &Zip) -> Vec<ZipPlace> {
        let Some(first) = number(zip).map(|number| number / 100 * 100) else { return Vec::new() };
        let from = self.areas.partition_point(|area| area.zip < first);
        self.areas[from..].iter().take_while(|area| area.zip < first + 100).filter_map(zip_place).collect()
    }

    /// Of [`Self::relatives`], the last number before a ZIP code and the first after it: the ZIP codes of a town are numbered one
    /// after the other.
    pub fn beside(&self, zip: &Zip) -> Vec<ZipPlace> {
        let (before, after): (Vec<ZipPlace>, Vec<ZipPlace>) =
            self.relatives(zip).into_iter().filter(|area| area.zip != *zip).partition(|area| area.zip < *zip);
        before.into_iter().next_back().into_iter().chain(after.into_iter().next()).collect()
    }

    /// The table as one piece, for a file or a row: gzipped; a mark and the source, a line each; the count; then three
    /// columns, each as differences from the row above: ZIP codes, latitudes, longitudes. Numbers are LEB128, signed ones
    /// zigzag.
    pub fn packed(&self) -> io::Result<Vec<u8>> {
        let mut plain = Vec::with_capacity(16 + self.areas.len() * 6);
        plain.extend_from_slice(MARK);
        plain.extend_from_slice(self.source.as_bytes());
        plain.push(b'\n');
        put(&mut plain, self.areas.len() as u64);
        let columns: [fn(&Area) -> i64; 3] =
            [|area| i64::from(area.zip), |area| i64::from(area.latitude), |area| i64::from(area.longitude)];
        for column in columns {
            let mut before = 0;
            for area in &self.areas {
                let now = column(area);
                put(&mut plain, zigzag(now - before));
                before = now;
            }
        }
        let mut packed = GzEncoder::new(Vec::new(), Compression::best());
        packed.write_all(&plain)?;
        packed.finish()
    }

    /// What [`PlaceTable::packed`] gave.
    ///
    /// # Errors
    /// When it is something else, or was cut off.
    pub fn unpack(packed: &[u8]) -> io::Result<Self> {
        let other = || io::Error::new(io::ErrorKind::InvalidData, "it is not a table of places");
        let plain = crate::files::read_capped(GzDecoder::new(packed), LARGEST)?;
        let rest = plain.strip_prefix(MARK).ok_or_else(other)?;
        let end = rest.iter().position(|byte| *byte == b'\n').ok_or_else(other)?;
        let source = String::from_utf8(rest[..end].to_vec()).map_err(|_| other())?;
        let mut bytes = rest[end + 1..].iter().copied();
        let count = usize::try_from(take(&mut bytes).ok_or_else(other)?).map_err(|_| other())?;
        if count > plain.len() {
            return Err(other());
        }
        let mut column = || -> Option<Vec<i64>> {
            let mut before = 0_i64;
            (0..count)
                .map(|_| {
                    before = before.checked_add(unzigzag(take(&mut bytes)?))?;
                    Some(before)
                })
                .collect()
        };
        let (zips, latitudes, longitudes) =
            (column().ok_or_else(other)?, column().ok_or_else(other)?, column().ok_or_else(other)?);
        let area = |((zip, latitude), longitude): ((i64, i64), i64)| {
            let on_earth = (0..100_000).contains(&zip)
                && latitude.abs() <= 90 * PARTS as i64
                && longitude.abs() <= 180 * PARTS as i64;
            on_earth.then_some(Area { zip: zip as u32, latitude: latitude as i32, longitude: longitude as i32 })
        };
        let areas: Option<Vec<Area>> = zips.into_iter().zip(latitudes).zip(longitudes).map(area).collect();
        let areas = areas.filter(|areas| areas.windows(2).all(|pair| pair[0].zip < pair[1].zip)).ok_or_else(other)?;
        Ok(Self { source, areas })
    }
}

fn number(zip: &Zip) -> Option<u32> {
    zip.as_str().parse().ok()
}

fn zip_place(area: &Area) -> Option<ZipPlace> {
    Zip::parse(&format!("{:05}", area.zip)).ok().map(|zip| ZipPlace { zip, place: area.place() })
}

fn put(into: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        into.push(value as u8 & 0x7f | 0x80);
        value >>= 7;
    }
    into.push(value as u8);
}

fn take(from: &mut impl Iterator<Item = u8>) -> Option<u64> {
    let mut value = 0_u64;
    for shift in (0..64).step_by(7) {
        let byte = from.next()?;
        value |= u64::from(byte & 0x7f) << shift;
        if byte < 0x80 {
            return Some(value);
        }
    }
    None
}

/// Small numbers of either sign become small numbers.
fn zigzag(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

fn unzigzag(value: u64) -> i64 {
    (value >> 1) as i64 ^ -((value & 1) as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zip(text: &str) -> Zip {
        Zip::parse(text).unwrap()
    }

    fn invented() -> PlaceTable {
        let areas = [("00301", 34.05, -134.6), ("00101", 31.2, -135.4), ("00102", 31.3, -135.3)];
        PlaceTable::of(
            "invented".into(),
            areas.map(|(code, latitude, longitude)| (zip(code), Point { latitude, longitude })),
        )
    }

    #[test]
    fn the_built_in_table_is_whole() {
        let table = PlaceTable::built_in();
        assert_eq!((table.len(), table.source()), (33_791, "U.S. Census Bureau, ZCTA gazetteer of 2021"));
        // First and last row of the gazetteer, rounded.
        assert_eq!(table.place_of(&zip("00601")), Some(Point { latitude: 18.1806, longitude: -66.75 }));
        assert_eq!(table.place_of(&zip("99929")), Some(Point { latitude: 56.2215, longitude: -131.9236 }));
        assert_eq!(table.place_of(&zip("00123")), None, "no area has an invented ZIP code");
    }

    #[test]
    fn a_table_is_found_by_code_and_by_place_and_comes_back_from_its_packed_form() {
        let table = invented();
        assert_eq!(table.place_of(&zip("00102")), Some(Point { latitude: 31.3, longitude: -135.3 }));
        let (nearest, km) = table.nearest(Point { latitude: 34.0, longitude: -134.6 }).unwrap();
        assert_eq!(nearest.zip.as_str(), "00301");
        assert!((5.0..6.0).contains(&km), "{km}");
        let relatives: Vec<String> =
            table.relatives(&zip("00199")).into_iter().map(|area| area.zip.to_string()).collect();
        assert_eq!(relatives, ["00101", "00102"]);
        assert_eq!(PlaceTable::unpack(&table.packed().unwrap()).unwrap(), table);
        assert_eq!(PlaceTable::unpack(&PlaceTable::default().packed().unwrap()).unwrap(), PlaceTable::default());
    }

    #[test]
    fn what_is_no_table_is_refused() {
        let packed = invented().packed().unwrap();
        for cut in 0..packed.len() {
            assert!(PlaceTable::unpack(&packed[..cut]).is_err(), "{cut}");
        }
        assert!(PlaceTable::unpack(b"zip,latitude,longitude\n").is_err());
        let gz = |plain: &[u8]| {
            let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
            encoder.write_all(plain).unwrap();
            encoder.finish().unwrap()
        };
        for plain in [
            &b"hello"[..],
            b"treebell places 1\n",
            b"treebell places 1\nx\n\xff\xff\xff\xff\x0f",
            b"treebell places 1\nx\n\x01\x02",
        ] {
            assert!(PlaceTable::unpack(&gz(plain)).is_err(), "{plain:?}");
        }
    }

    #[test]
    fn numbers_of_either_sign_come_back() {
        for value in [0, 1, -1, 63, 64, -64, -65, i64::from(i32::MAX), i64::from(i32::MIN)] {
            let mut bytes = Vec::new();
            put(&mut bytes, zigzag(value));
            assert_eq!(take(&mut bytes.into_iter()).map(unzigzag), Some(value));
        }
        assert_eq!(take(&mut [0x80; 20].into_iter()), None);
    }
}
