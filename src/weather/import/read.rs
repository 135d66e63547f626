//! Reads a found file part by part: once to count, once to hand out its readings.

use std::collections::{BTreeMap, HashSet};
use std::io::{self, BufRead};
use std::path::Path;

use chrono::NaiveDate;

use super::file::{ImportError, open, read_whole, unreadable};
use super::find::{Format, FoundFile};
use super::tally::{Summary, Tally};
use crate::weather::excerpt::excerpt;
use crate::weather::feeds::{
    DriveError, FeedError, LineParser, Lines, Parsed, Unit, access_csv, awdb, daily_summaries, drive_some, ghcn_csv,
    ghcn_dly, plain_csv,
};
use crate::weather::reading::Reading;
use crate::weather::station::{FeedKind, StationId, reads_at_midnight};

/// Lines between two looks at what has gathered.
const LINES_A_STEP: u64 = 4096;
/// Readings held at once; a file with more is read once for each group of its stations.
const MOST_READINGS: u64 = 500_000;

/// What the user says about files that do not say it themselves.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Of files that neither tell nor prove theirs.
    pub unit: Option<Unit>,
    /// Station of a plain CSV; without it the file's name up to its first dot.
    pub station: Option<StationId>,
    /// The last day that can have been measured; later ones are slips of the pen.
    pub latest: Option<NaiveDate>,
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
/// says `false`; those that read at midnight first, since others are held against them. `wanted` is [`Summary::stations`] or
/// a part of it.
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
    let mut ordered: Vec<(&StationId, &u64)> = wanted.iter().collect();
    ordered.sort_by_key(|(station, _)| !reads_at_midnight(station));
    let mut waiting = ordered.into_iter().peekable();
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
        let (midnight, others): (Vec<_>, Vec<_>) =
            group.into_iter().partition(|(station, _)| reads_at_midnight(station));
        for (station, readings) in midnight.into_iter().chain(others) {
            if !readings.is_empty() && !sink(station, readings) {
                return Ok(());
            }
        }
    }
    Ok(())
}

/// Reads a file part by part. `take` empties what it is given and says whether to go on.
fn read_parts(
    file: &FoundFile,
    options: &Options,
    progress: &(dyn Fn(u64) + Sync),
    take: &mut dyn FnMut(&mut Parsed) -> bool,
) -> Result<(), ImportError> {
    let path = &file.path;
    let mut take = |parsed: &mut Parsed| {
        if let Some(latest) = options.latest {
            parsed.keep_possible_days(latest);
        }
        take(parsed)
    };
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
    StationId(excerpt(stem, 40))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plain_file_names_its_station() {
        assert_eq!(station_of_name(Path::new("a/orchard-1.csv.gz")).0, "orchard-1");
    }
}
