//! Lists of stations in the layout of `ghcnd-stations.txt`.

use std::path::Path;

use super::file::{ImportError, open, unreadable};
use crate::geo::Point;
use crate::weather::excerpt::excerpt;
use crate::weather::feeds::{DescribedStation, Lines};
use crate::weather::station::StationId;

/// Reads a list in the layout of `ghcnd-stations.txt`, also gzipped.
///
/// # Errors
/// When it cannot be read, or its first line is not such a line.
pub fn read_station_list(path: &Path) -> Result<Vec<DescribedStation>, ImportError> {
    let mut lines = Lines::new(open(path, &|_| {}).map_err(|source| unreadable(path, source))?);
    let mut stations = Vec::new();
    while lines.advance().map_err(|source| unreadable(path, source))?.is_some() {
        match station_of_list(lines.line()) {
            Some(station) => stations.push(station),
            None if stations.is_empty() => return Err(ImportError::NotAStationList { path: path.to_owned() }),
            None => {}
        }
    }
    if stations.is_empty() {
        return Err(ImportError::NotAStationList { path: path.to_owned() });
    }
    Ok(stations)
}

/// One line: id in columns 1-11, latitude 13-20, longitude 22-30, elevation 32-37 in metres, state 39-40, name 42-71.
pub(super) fn station_of_list(line: &[u8]) -> Option<DescribedStation> {
    // Names may hold more than ASCII, so only what stands before them is cut by position.
    let head = std::str::from_utf8(line.get(..37)?).ok()?;
    let id = head.get(..11)?;
    let number =
        |from: usize, to: usize| head.get(from..to)?.trim().parse::<f64>().ok().filter(|value| value.is_finite());
    let (latitude, longitude, elevation) = (number(12, 20)?, number(21, 30)?, number(31, 37)?);
    let blanks = [11, 20, 30].iter().all(|at| head.as_bytes().get(*at) == Some(&b' '));
    let fits = blanks
        && id.bytes().all(|b| b.is_ascii_graphic())
        && (-90.0..=90.0).contains(&latitude)
        && (-180.0..=180.0).contains(&longitude);
    let name = String::from_utf8_lossy(line.get(41..).unwrap_or_default());
    fits.then(|| DescribedStation {
        id: StationId(id.to_owned()),
        state: state_of(line),
        name: excerpt(&name.chars().take(30).collect::<String>(), 40),
        place: Some(Point { latitude, longitude }),
        elevation_m: (elevation > -900.0).then_some(elevation),
    })
}

/// Columns 39-40, before the name.
fn state_of(line: &[u8]) -> String {
    let state = line.get(38..40).and_then(|bytes| std::str::from_utf8(bytes).ok()).unwrap_or("");
    if state.bytes().all(|byte| byte.is_ascii_uppercase()) { state.to_owned() } else { String::new() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_station_list_is_read_by_position() {
        // The layout's invented example.
        let line = "USC00999001  35.6123 -135.0456 2103.1 XA EXAMPLE MESA 2 NW                  HCN      ";
        let station = station_of_list(line.as_bytes()).unwrap();
        assert_eq!((station.id.0.as_str(), station.name.as_str()), ("USC00999001", "EXAMPLE MESA 2 NW"));
        assert_eq!((station.place.unwrap().latitude, station.place.unwrap().longitude), (35.6123, -135.0456));
        assert_eq!(station.elevation_m, Some(2103.1));
        let unknown_height = line.replace("2103.1", "-999.9");
        assert_eq!(station_of_list(unknown_height.as_bytes()).unwrap().elevation_m, None);
        let umlaut = line.replace("MESA", "MÉSÄ");
        assert_eq!(station_of_list(umlaut.as_bytes()).unwrap().name, "EXAMPLE MÉSÄ 2 NW");
        let inventory = "USC00999001  35.6123 -135.0456 TMAX 1948 2026";
        assert_eq!(station_of_list(inventory.as_bytes()), None);
        assert_eq!(station_of_list("é".repeat(40).as_bytes()), None);
    }
}
