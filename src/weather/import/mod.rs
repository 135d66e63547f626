//! Bulk history from files: finds out what a file is by its content, reads it in bounded memory, and says what it took.
//!
//! A file is read twice. The first reading counts, and meets every fault that speaks against the whole file (damaged
//! packing, unknown unit, day-first dates) before anything of it is stored; the second hands out its readings station
//! by station. So a broken file leaves nothing behind, and an import cut off between two stations is simply run again:
//! what is there already changes nothing.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::fmt;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use flate2::read::MultiGzDecoder;
use serde_json::Value;

use super::feeds::{
    DriveError, FeedError, LineParser, Lines, Parsed, RejectedLine, StationSeen, Unit, access_csv, awdb, clean,
    daily_summaries, drive_some, ghcn_csv, ghcn_dly, plain_csv,
};
use super::{Element, FeedKind, Reading, StationId};
use crate::geo::Point;

/// As much of a file as its format is told from.
const HEAD: u64 = 64 * 1024;
/// JSON is read whole.
const LARGEST_JSON: u64 = 256 << 20;
/// Lines between two looks at what has gathered.
const LINES_A_STEP: u64 = 4096;
/// Readings held at once; a file with more is read once for each group of its stations.
const MOST_READINGS: u64 = 500_000;
/// Rejected lines shown of one file.
const EXAMPLES: usize = 5;

/// What the user says about files that do not say it themselves.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Of files that neither tell nor prove theirs.
    pub unit: Option<Unit>,
    /// Station of a plain CSV; without it the file's name up to its first dot.
    pub station: Option<StationId>,
}

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

/// Why a file could not be imported.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    #[error("`{}` cannot be read to its end; nothing of it was taken", .path.display())]
    Unreadable {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    #[error("`{}` is not a record that can be imported: {why}", .path.display())]
    NotARecord { path: PathBuf, why: String },
    #[error("`{}` was not taken", .path.display())]
    Refused {
        path: PathBuf,
        #[source]
        source: FeedError,
    },
    #[error("`{}` is not a station list: lines as in ghcnd-stations.txt are wanted", .path.display())]
    NotAStationList { path: PathBuf },
}

/// What was found under the paths given.
#[derive(Debug, Default)]
pub struct Found {
    pub records: Vec<FoundFile>,
    /// All stations of all lists, the first mention of each.
    pub stations: BTreeMap<StationId, StationSeen>,
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

/// Walks the paths (folders to their depth, hidden files and linked folders left out) and recognises every file.
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

    pub fn add_stations(&mut self, stations: Vec<StationSeen>) {
        for station in stations {
            self.stations.entry(station.id.clone()).or_insert(station);
        }
    }
}

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
        Err(no(&format!("its first line is none of the formats read here (`{}`)", clean(&text, 60))))
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

/// What one file gave.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summary {
    /// Stations that have a place in the store, a list or the file itself, with their count of values.
    pub stations: BTreeMap<StationId, u64>,
    /// Where the file itself says its stations are.
    pub places: BTreeMap<StationId, StationSeen>,
    pub first_day: Option<NaiveDate>,
    pub last_day: Option<NaiveDate>,
    /// Days of a station with at least one value that its source does not speak against.
    pub station_days_taken: u64,
    /// Days of a station on which every value is spoken against by its source.
    pub station_days_rejected: u64,
    /// Values the source does not speak against.
    pub values_taken: u64,
    /// Values kept with their reason, never summed: count by reason.
    pub values_rejected: BTreeMap<String, u64>,
    /// Places where the source says that it has no value.
    pub missing: u64,
    /// Places that could not be read: count by reason, and the first few.
    pub lines_rejected: BTreeMap<&'static str, u64>,
    pub examples: Vec<RejectedLine>,
    /// Values of stations that nobody says anything about: left out.
    pub unknown_stations: BTreeMap<StationId, u64>,
}

impl Summary {
    pub fn values_rejected_total(&self) -> u64 {
        self.values_rejected.values().sum()
    }

    pub fn lines_rejected_total(&self) -> u64 {
        self.lines_rejected.values().sum()
    }
}

/// Reads a file to its end and counts; stores nothing. `known` are the stations of the store and of station lists;
/// a station with coordinates and elevation in the file itself is known too. `progress` hears the bytes read so far.
///
/// # Errors
/// Whatever speaks against the whole file.
pub fn survey(
    file: &FoundFile,
    options: &Options,
    known: &HashSet<StationId>,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<Summary, ImportError> {
    let mut tally =
        Tally::new(known, matches!(file.format, Format::AccessCsv | Format::OrderedCsv | Format::SummariesJson));
    read_parts(file, options, progress, &mut |parsed| {
        tally.take(parsed);
        true
    })?;
    Ok(tally.finish())
}

/// Reads a file again and hands out the readings of the wanted stations, all of one station at a time, until `sink`
/// says `false`. `wanted` is [`Summary::stations`] or a part of it.
///
/// # Errors
/// As [`survey`], if the file changed in between.
pub fn read(
    file: &FoundFile,
    options: &Options,
    wanted: &BTreeMap<StationId, u64>,
    progress: &(dyn Fn(u64) + Sync),
    sink: &mut dyn FnMut(StationId, Vec<Reading>) -> bool,
) -> Result<(), ImportError> {
    let mut waiting = wanted.iter().peekable();
    while waiting.peek().is_some() {
        let mut group: BTreeMap<StationId, Vec<Reading>> = BTreeMap::new();
        let mut values = 0;
        while let Some((station, count)) =
            waiting.next_if(|(_, count)| values == 0 || values + **count <= MOST_READINGS)
        {
            values += count;
            group.insert(station.clone(), Vec::new());
        }
        read_parts(file, options, progress, &mut |parsed| {
            for reading in parsed.readings.drain(..) {
                if let Some(readings) = group.get_mut(&reading.station) {
                    readings.push(reading);
                }
            }
            true
        })?;
        for (station, readings) in group {
            if !readings.is_empty() && !sink(station, readings) {
                return Ok(());
            }
        }
    }
    Ok(())
}

/// Reads a list in the layout of `ghcnd-stations.txt`, also gzipped.
///
/// # Errors
/// When it cannot be read, or its first line is not such a line.
pub fn read_station_list(path: &Path) -> Result<Vec<StationSeen>, ImportError> {
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
fn station_of_list(line: &[u8]) -> Option<StationSeen> {
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
    fits.then(|| StationSeen {
        id: StationId(id.to_owned()),
        name: clean(&name.chars().take(30).collect::<String>(), 40),
        place: Some(Point { latitude, longitude }),
        elevation_m: (elevation > -900.0).then_some(elevation),
    })
}

/// Counts while a file goes by.
struct Tally<'a> {
    known: &'a HashSet<StationId>,
    /// Stations unknown so far may still be placed by the file itself.
    may_learn: bool,
    stations: HashMap<StationId, StationTally>,
    places: BTreeMap<StationId, StationSeen>,
    unknown: BTreeMap<StationId, u64>,
    summary: Summary,
}

#[derive(Default)]
struct StationTally {
    /// Bits of a day: 1 maximum taken, 2 minimum taken, 4 something rejected.
    days: HashMap<NaiveDate, u8>,
    taken: u64,
    rejected: BTreeMap<String, u64>,
}

impl<'a> Tally<'a> {
    fn new(known: &'a HashSet<StationId>, may_learn: bool) -> Self {
        Self {
            known,
            may_learn,
            stations: HashMap::new(),
            places: BTreeMap::new(),
            unknown: BTreeMap::new(),
            summary: Summary::default(),
        }
    }

    fn take(&mut self, parsed: &mut Parsed) {
        self.summary.missing += std::mem::take(&mut parsed.missing);
        for line in parsed.rejected_lines.drain(..) {
            *self.summary.lines_rejected.entry(line.reason).or_default() += 1;
            if self.summary.examples.len() < EXAMPLES {
                self.summary.examples.push(line);
            }
        }
        for seen in parsed.stations.drain(..) {
            match self.places.get_mut(&seen.id) {
                Some(place) => {
                    place.place = place.place.or(seen.place);
                    place.elevation_m = place.elevation_m.or(seen.elevation_m);
                }
                None => {
                    self.places.insert(seen.id.clone(), seen);
                }
            }
        }
        for reading in parsed.readings.drain(..) {
            if !self.may_learn && !self.known.contains(&reading.station) {
                *self.unknown.entry(reading.station).or_default() += 1;
                continue;
            }
            let station = match self.stations.get_mut(&reading.station) {
                Some(station) => station,
                None => self.stations.entry(reading.station.clone()).or_default(),
            };
            let day = station.days.entry(reading.day_reported).or_default();
            match reading.source_rejects {
                Some(reason) => {
                    *day |= 4;
                    *station.rejected.entry(reason).or_default() += 1;
                }
                None => {
                    *day |= if reading.element == Element::Max { 1 } else { 2 };
                    station.taken += 1;
                }
            }
        }
    }

    fn finish(mut self) -> Summary {
        let placed = |seen: &StationSeen| seen.place.is_some() && seen.elevation_m.is_some();
        for (id, station) in self.stations {
            if !self.known.contains(&id) && !self.places.get(&id).is_some_and(placed) {
                *self.unknown.entry(id).or_default() += station.taken + station.rejected.values().sum::<u64>();
                continue;
            }
            let values = station.taken + station.rejected.values().sum::<u64>();
            let summary = &mut self.summary;
            summary.values_taken += station.taken;
            for (reason, count) in station.rejected {
                *summary.values_rejected.entry(reason).or_default() += count;
            }
            for (day, bits) in station.days {
                if bits & 3 != 0 {
                    summary.station_days_taken += 1
                } else {
                    summary.station_days_rejected += 1
                }
                summary.first_day = Some(summary.first_day.map_or(day, |first| first.min(day)));
                summary.last_day = Some(summary.last_day.map_or(day, |last| last.max(day)));
            }
            summary.stations.insert(id, values);
        }
        self.summary.places = self.places;
        self.summary.unknown_stations = self.unknown;
        self.summary
    }
}

/// Reads a file part by part. `take` empties what it is given and says whether to go on.
fn read_parts(
    file: &FoundFile,
    options: &Options,
    progress: &(dyn Fn(u64) + Sync),
    take: &mut dyn FnMut(&mut Parsed) -> bool,
) -> Result<(), ImportError> {
    let path = &file.path;
    let refused = |source| ImportError::Refused { path: path.clone(), source };
    // What a file tells or proves counts; what the user says is for files that are silent.
    type Look = fn(&mut Lines<Box<dyn BufRead>>, Option<Unit>) -> io::Result<Result<Unit, FeedError>>;
    let unit = |look: Look| {
        let look = |given| look(&mut open_silently(path)?, given).map_err(|source| unreadable(path, source));
        match look(None)? {
            Err(FeedError::UnitUnknown) if options.unit.is_some() => look(options.unit)?.map_err(refused),
            told => told.map_err(refused),
        }
    };
    let mut parser: Box<dyn LineParser> = match file.format {
        Format::GhcnDly => Box::new(ghcn_dly::DlyLines::default()),
        Format::GhcnCsv => Box::new(ghcn_csv::GhcnRows::default()),
        Format::AccessCsv | Format::OrderedCsv => {
            let feed = if file.format == Format::AccessCsv { FeedKind::GhcnDaily } else { FeedKind::DailySummaries };
            let unit = unit(access_csv::survey)?;
            Box::new(access_csv::WideRows::new(unit, feed))
        }
        Format::PlainCsv => {
            let unit = unit(plain_csv::survey)?;
            let station = options.station.clone().unwrap_or_else(|| station_of_name(path));
            Box::new(plain_csv::PlainRows::new(station, unit))
        }
        Format::SummariesJson | Format::AwdbJson => {
            let whole = read_whole(path)?;
            progress(file.size);
            let mut parsed = if file.format == Format::AwdbJson {
                awdb::parse(&whole)
            } else {
                match daily_summaries::parse_json(&whole, None) {
                    Err(FeedError::UnitUnknown) if options.unit.is_some() => {
                        daily_summaries::parse_json(&whole, options.unit)
                    }
                    told => told,
                }
            }
            .map_err(refused)?;
            take(&mut parsed);
            return Ok(());
        }
        Format::StationList => {
            return Err(ImportError::NotARecord { path: path.clone(), why: "it is a station list".into() });
        }
    };
    let mut lines = open(path, progress).map(Lines::new).map_err(|source| unreadable(path, source))?;
    let mut parsed = Parsed::default();
    loop {
        let more = drive_some(parser.as_mut(), &mut lines, LINES_A_STEP, &mut parsed).map_err(|why| match why {
            DriveError::Feed(source) => refused(source),
            DriveError::Read(source) => unreadable(path, source),
        })?;
        let go_on = take(&mut parsed);
        parsed.readings.clear();
        parsed.stations.clear();
        parsed.rejected_lines.clear();
        parsed.missing = 0;
        if !more || !go_on {
            return Ok(());
        }
    }
}

/// For a look ahead that is no progress.
fn open_silently(path: &Path) -> Result<Lines<Box<dyn BufRead>>, ImportError> {
    open(path, &|_| {}).map(Lines::new).map_err(|source| unreadable(path, source))
}

/// `orchard-1` for `orchard-1.csv.gz`.
fn station_of_name(path: &Path) -> StationId {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let stem = name.split('.').next().unwrap_or("");
    StationId(clean(stem, 40))
}

fn read_whole(path: &Path) -> Result<Vec<u8>, ImportError> {
    let mut whole = Vec::new();
    let opened = open(path, &|_| {}).map_err(|source| unreadable(path, source))?;
    opened.take(LARGEST_JSON + 1).read_to_end(&mut whole).map_err(|source| unreadable(path, source))?;
    if whole.len() as u64 > LARGEST_JSON {
        let why = format!("it is JSON of more than {} MiB", LARGEST_JSON >> 20);
        return Err(ImportError::NotARecord { path: path.to_owned(), why });
    }
    Ok(whole)
}

/// Opens a file, unpacked if its first bytes are those of gzip.
fn open<'a>(path: &Path, progress: &'a (dyn Fn(u64) + Sync)) -> io::Result<Box<dyn BufRead + 'a>> {
    let counted = Counted { file: File::open(path)?, read: 0, progress };
    let mut reader = BufReader::with_capacity(64 * 1024, counted);
    if reader.fill_buf()?.starts_with(&[0x1f, 0x8b]) {
        Ok(Box::new(BufReader::with_capacity(64 * 1024, MultiGzDecoder::new(reader))))
    } else {
        Ok(Box::new(reader))
    }
}

struct Counted<'a> {
    file: File,
    read: u64,
    progress: &'a (dyn Fn(u64) + Sync),
}

impl Read for Counted<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(buffer)?;
        self.read += count as u64;
        (self.progress)(self.read);
        Ok(count)
    }
}

fn unreadable(path: &Path, source: io::Error) -> ImportError {
    ImportError::Unreadable { path: path.to_owned(), source }
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

    #[test]
    fn a_plain_file_names_its_station() {
        assert_eq!(station_of_name(Path::new("a/orchard-1.csv.gz")).0, "orchard-1");
    }
}
