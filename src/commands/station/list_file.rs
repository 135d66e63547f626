//! The list of stations that GHCN-Daily publishes, ghcnd-stations.txt.

use std::path::Path;

use chrono_tz::Tz;

use crate::commands::error::CommandError;
use crate::commands::files::in_file;
use crate::geo::Point;
use crate::weather::feeds::usual_sources;
use crate::weather::{Station, StationId};

/// A station of GHCN-Daily's list.
pub(super) struct Listed {
    pub station: Station,
    pub state: String,
    pub has_elevation: bool,
}

/// Format of `ghcnd-stations.txt`, by columns counted from 1 (GHCN-Daily readme, section IV): id 1-11, latitude 13-20,
/// longitude 22-30, elevation 32-37 in metres with -999.9 for missing, state 39-40, name 42-71.
pub(super) fn read_list(file: &Path, text: &str, zone: Tz) -> Result<Vec<Listed>, CommandError> {
    let mut listed = Vec::new();
    let mut faults = Vec::new();
    for (number, line) in (1..).zip(text.lines()).filter(|(_, line)| !line.trim().is_empty()) {
        match read_line(line, zone) {
            Some(one) => listed.push(one),
            None => faults.push(format!("line {number}: not a line of ghcnd-stations.txt: `{}`", line.trim_end())),
        }
        if faults.len() == 5 {
            faults.push("and so on".into());
            break;
        }
    }
    if faults.is_empty() { Ok(listed) } else { Err(CommandError::Usage(in_file(file, &faults))) }
}

fn read_line(line: &str, zone: Tz) -> Option<Listed> {
    let columns: Vec<char> = line.chars().collect();
    let field = |from: usize, to: usize| -> String {
        let part = columns.get(from - 1..to.min(columns.len())).unwrap_or_default();
        part.iter().collect::<String>().trim().to_owned()
    };
    let id = field(1, 11);
    let (latitude, longitude) = (field(13, 20).parse().ok()?, field(22, 30).parse().ok()?);
    let elevation_m: f64 = field(32, 37).parse().ok()?;
    let id = StationId(id);
    let sources = usual_sources(&id);
    if sources.is_empty() {
        return None;
    }
    let station = Station {
        name: field(42, 71),
        id,
        place: Point { latitude, longitude },
        elevation_m,
        time_zone: zone,
        observation_hour: None,
        sources,
    };
    Some(Listed { station, state: field(39, 40), has_elevation: elevation_m > -999.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::commands::format::source_words;

    // The layout is GHCN-Daily's; the stations are invented.
    const LIST: &str = "\
USC00999001  35.6123 -135.0456 2103.1 XA EXAMPLE MESA 2 NW                  HCN
USC00999002  35.7000 -135.1000 -999.9 XA EXAMPLE WELLS
USW00099903 -12.5000  106.1000    3.0 XB EJEMPLO CAÑÓN                  GSN     99999
";

    #[test]
    fn the_published_layout_of_the_list_is_read() {
        let listed = read_list(Path::new("list"), LIST, Tz::America__Denver).unwrap();
        let first = &listed[0].station;
        assert_eq!((first.id.0.as_str(), first.name.as_str()), ("USC00999001", "EXAMPLE MESA 2 NW"));
        assert_eq!((first.place.latitude, first.place.longitude, first.elevation_m), (35.6123, -135.0456, 2103.1));
        assert_eq!((listed[0].state.as_str(), listed[0].has_elevation), ("XA", true));
        assert!(!listed[1].has_elevation);
        assert_eq!(listed[2].station.name, "EJEMPLO CAÑÓN");
        assert_eq!(listed[2].station.place.latitude, -12.5);
        assert!(first.sources.iter().any(|source| source_words(source) == "acis:USC00999001 6"), "{:?}", first.sources);
    }

    #[test]
    fn another_file_is_refused_with_its_lines() {
        let said = read_list(Path::new("list"), "date,tmin,tmax\n2026-01-01,1,2\n", Tz::UTC).err().unwrap().to_string();
        assert!(said.contains("list: line 1: not a line of ghcnd-stations.txt") && said.contains("line 2"), "{said}");
    }
}
