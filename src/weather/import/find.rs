//! Finds the files under a path and tells by its first lines what each of them is.

use std::collections::{BTreeMap, HashSet};
use std::fmt;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::file::{ImportError, open, read_whole, unreadable};
use super::station_list::{read_station_list, station_of_list};
use crate::weather::excerpt::excerpt;
use crate::weather::feeds::{DescribedStation, Lines, access_csv, ghcn_csv, ghcn_dly, plain_csv};
use crate::weather::station::{StationId, reads_at_midnight};

/// As much of a file as its format is told from.
const HEAD: u64 = 64 * 1024;

/// A format that holds a temperature record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    GhcnDly,
    GhcnCsv,
    /// Wide CSV with attribute columns, as the archive keeps it.
    AccessCsv,
    /// Wide CSV without them, as ordered by hand.
    OrderedCsv,
    PlainCsv,
    /// An answer of the daily-summaries service.
    SummariesJson,
    /// An answer of the AWDB service.
    AwdbJson,
    /// Not a record: where stations are, in the layout of `ghcnd-stations.txt`.
    StationList,
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Format::GhcnDly => "GHCN-Daily station file",
            Format::GhcnCsv => "GHCN-Daily CSV",
            Format::AccessCsv => "station CSV with attributes",
            Format::OrderedCsv => "ordered CSV",
            Format::PlainCsv => "plain CSV",
            Format::SummariesJson => "daily-summaries JSON",
            Format::AwdbJson => "AWDB JSON",
            Format::StationList => "station list",
        })
    }
}

/// What was found under the paths given.
#[derive(Debug, Default)]
pub struct Found {
    pub records: Vec<FoundFile>,
    /// All stations of all lists, the first mention of each.
    pub stations: BTreeMap<StationId, DescribedStation>,
    /// Files inside folders that hold nothing for us, each with the reason.
    pub left_alone: Vec<(PathBuf, String)>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FoundFile {
    pub path: PathBuf,
    pub format: Format,
    /// Bytes on disk: the whole of a progress bar.
    pub size: u64,
}

/// Walks the paths (folders to their depth, hidden files and linked folders left out) and recognises every file. Files named
/// after stations that read at midnight come first: the hours of others are found beside them.
///
/// # Errors
/// When a path does not exist, a file cannot be read, or a file named by itself is nothing that can be imported.
pub fn find(paths: &[PathBuf]) -> Result<Found, ImportError> {
    let mut found = Found::default();
    let mut met = HashSet::new();
    for path in paths {
        let about = std::fs::metadata(path).map_err(|source| unreadable(path, source))?;
        if about.is_dir() {
            let mut files = Vec::new();
            walk(path, &mut files)?;
            for file in files {
                if !met.insert(file.clone()) {
                    continue;
                }
                match recognise(&file) {
                    Ok(format) => found.add(file, format)?,
                    Err(ImportError::NotARecord { path, why }) => found.left_alone.push((path, why)),
                    Err(why) => return Err(why),
                }
            }
        } else if met.insert(path.clone()) {
            let format = recognise(path)?;
            found.add(path.clone(), format)?;
        }
    }
    let name = |file: &FoundFile| file.path.file_name().map(|name| StationId(name.to_string_lossy().into_owned()));
    found.records.sort_by_key(|file| !name(file).is_some_and(|name| reads_at_midnight(&name)));
    Ok(found)
}

impl Found {
    fn add(&mut self, path: PathBuf, format: Format) -> Result<(), ImportError> {
        if format == Format::StationList {
            self.add_stations(read_station_list(&path)?);
        } else {
            let size = std::fs::metadata(&path).map_err(|source| unreadable(&path, source))?.len();
            self.records.push(FoundFile { path, format, size });
        }
        Ok(())
    }

    pub fn add_stations(&mut self, stations: Vec<DescribedStation>) {
        for station in stations {
            self.stations.entry(station.id.clone()).or_insert(station);
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "only a command looks for files")]
fn walk(folder: &Path, files: &mut Vec<PathBuf>) -> Result<(), ImportError> {
    let mut entries = std::fs::read_dir(folder)
        .and_then(|entries| entries.collect::<io::Result<Vec<_>>>())
        .map_err(|source| unreadable(folder, source))?;
    entries.sort_by_key(std::fs::DirEntry::file_name);
    for entry in entries {
        let path = entry.path();
        if entry.file_name().to_string_lossy().starts_with('.') {
            continue;
        }
        let kind = entry.file_type().map_err(|source| unreadable(&path, source))?;
        if kind.is_dir() {
            walk(&path, files)?;
        } else if kind.is_file() || (kind.is_symlink() && path.is_file()) {
            files.push(path);
        }
    }
    Ok(())
}

/// Tells by its first lines what a file holds.
///
/// # Errors
/// [`ImportError::NotARecord`] with what it seems to be instead, or that it cannot be read.
pub fn recognise(path: &Path) -> Result<Format, ImportError> {
    let no = |why: &str| ImportError::NotARecord { path: path.to_owned(), why: why.to_owned() };
    let about = std::fs::metadata(path).map_err(|source| unreadable(path, source))?;
    if !about.is_file() {
        return Err(no("it is not a regular file"));
    }
    let mut head = Vec::new();
    // A damaged tail of the first block is met again, and told, when the file is read.
    let opened = open(path, &|_| {}).map_err(|source| unreadable(path, source))?;
    let read = opened.take(HEAD).read_to_end(&mut head);
    if head.is_empty() {
        return Err(match read {
            Ok(_) => no("it is empty"),
            Err(source) => unreadable(path, source),
        });
    }
    if head.starts_with(b"PK\x03\x04") {
        return Err(no("it is a zip archive: unpack it first"));
    }
    if head.get(257..262) == Some(b"ustar") {
        return Err(no("it is a tar archive: unpack it first"));
    }
    if head.starts_with(b"\xFF\xFE") || head.starts_with(b"\xFE\xFF") {
        return Err(no("it is UTF-16 text: save it as UTF-8"));
    }

    let mut lines = Lines::new(&head[..]);
    let mut first = Vec::new();
    while let Ok(Some(_)) = lines.advance() {
        let line = lines.line();
        let blank = line.iter().all(u8::is_ascii_whitespace);
        if !blank && !line.starts_with(b"#") {
            first = line.to_vec();
            break;
        }
    }
    let text = String::from_utf8_lossy(&first);
    if first.trim_ascii_start().starts_with(b"[") || first.trim_ascii_start().starts_with(b"{") {
        return recognise_json(path);
    }
    if first.trim_ascii_start().starts_with(b"<") {
        return Err(no("it is a web page or XML, perhaps the error page of a failed download"));
    }
    if ghcn_dly::looks_like(&first) {
        Ok(Format::GhcnDly)
    } else if ghcn_csv::looks_like(&text) {
        Ok(Format::GhcnCsv)
    } else if access_csv::looks_like(&text) {
        Ok(if access_csv::has_attributes(&text) { Format::AccessCsv } else { Format::OrderedCsv })
    } else if plain_csv::looks_like(&text) {
        Ok(Format::PlainCsv)
    } else if station_of_list(&first).is_some() {
        Ok(Format::StationList)
    } else {
        Err(no(&format!("its first line is none of the formats read here (`{}`)", excerpt(&text, 60))))
    }
}

fn recognise_json(path: &Path) -> Result<Format, ImportError> {
    let no = |why: &str| Err(ImportError::NotARecord { path: path.to_owned(), why: why.to_owned() });
    let whole = read_whole(path)?;
    let Ok(value) = serde_json::from_slice::<Value>(&whole) else {
        return no("it begins like JSON but is not (cut short?)");
    };
    if let Some(rows) = value.as_array() {
        return match rows.first() {
            None => no("it is an empty list"),
            Some(row) if row.get("stationTriplet").is_some() => Ok(Format::AwdbJson),
            Some(row) if row.get("STATION").is_some() && row.get("DATE").is_some() => Ok(Format::SummariesJson),
            Some(_) => no("it is a JSON list of something else"),
        };
    }
    if value.pointer("/properties/maxTemperature").is_some() {
        return no("it is a forecast, and no forecast becomes part of the record");
    }
    if value.pointer("/features/0/properties/timestamp").is_some() {
        return no("it holds hourly observations of a few days: `weather pull` asks for those");
    }
    if value.get("data").is_some() || value.get("meta").is_some() {
        return no("it looks like an ACIS answer, which does not say what was asked: `weather pull` asks for those");
    }
    no("it is JSON of another kind")
}
