//! Counts what a file gives while it goes by.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;

use crate::weather::feeds::{DescribedStation, Parsed, RejectedLine};
use crate::weather::reading::Element;
use crate::weather::station::StationId;

/// Rejected lines shown of one file.
const EXAMPLES: usize = 5;

/// What one file gave.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summary {
    /// Stations that have a place in the store, a list or the file itself, with their count of values.
    pub stations: BTreeMap<StationId, u64>,
    /// Where the file itself says its stations are.
    pub places: BTreeMap<StationId, DescribedStation>,
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

    /// Not one value, taken or kept with a reason against it.
    pub fn gives_nothing(&self) -> bool {
        self.values_taken == 0 && self.values_rejected.is_empty()
    }

    pub fn lines_rejected_total(&self) -> u64 {
        self.lines_rejected.values().sum()
    }
}

/// Counts while a file goes by.
pub(super) struct Tally<'a> {
    known: &'a HashSet<StationId>,
    /// Stations unknown so far may still be placed by the file itself.
    may_learn: bool,
    stations: HashMap<StationId, StationTally>,
    places: BTreeMap<StationId, DescribedStation>,
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
    pub(super) fn new(known: &'a HashSet<StationId>, may_learn: bool) -> Self {
        Self {
            known,
            may_learn,
            stations: HashMap::new(),
            places: BTreeMap::new(),
            unknown: BTreeMap::new(),
            summary: Summary::default(),
        }
    }

    pub(super) fn take(&mut self, parsed: &mut Parsed) {
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

    pub(super) fn finish(mut self) -> Summary {
        let placed = |seen: &DescribedStation| seen.place.is_some() && seen.elevation_m.is_some();
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
