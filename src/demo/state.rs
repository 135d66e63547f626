//! The invented state: read from `demo-data/state.toml`, which stands inside the program.

use chrono::NaiveDate;
use serde::Deserialize;

use crate::geo::Point;
use crate::places::{self, PlaceFileError, PlaceTable};
use crate::region::{OwnerReports, Region, RegionId, Release, Zip, ZipError};
use crate::weather::{FeedKind, SourceRef, Station, StationId};

const BUILT_IN: &str = include_str!("../../demo-data/state.toml");
const PLACES: &[u8] = include_bytes!("../../demo-data/places.csv");

/// An invented state: its places, its climate, and how many people live with trees in it.
#[derive(Clone, Debug)]
pub struct State {
    pub name: String,
    pub time_zone: chrono_tz::Tz,
    pub profile: String,
    /// Calendar years with daily temperatures, both included.
    pub first_year: i32,
    pub last_year: i32,
    /// The season played unless another is asked for.
    pub season: i32,
    pub climate: Climate,
    pub people: People,
    /// From the lowest to the highest.
    pub regions: Vec<StateRegion>,
    pub stations: Vec<StateStation>,
}

#[derive(Clone, Debug)]
pub struct StateRegion {
    pub region: Region,
    /// Share of the state's people, as a weight.
    pub people: u32,
    /// Share (0-1) of them who chose Spanish.
    pub spanish: f64,
}

#[derive(Clone, Debug)]
pub struct StateStation {
    pub station: Station,
    /// How much warmer its days and nights are than its height alone tells, °C.
    pub days_c: f64,
    pub nights_c: f64,
}

/// The figures from which the weather is made. Months run from January; see the comments in the file.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Climate {
    pub height_m: f64,
    pub max_c: [f64; 12],
    pub min_c: [f64; 12],
    pub max_colder_per_km: f64,
    pub min_colder_per_km: f64,
    pub day_spread_c: [f64; 12],
    pub day_persistence: f64,
    pub spell_spread_c: f64,
    pub year_spread_c: f64,
    pub warming_c_per_decade: f64,
    pub cloud_day_c: f64,
    pub cloud_night_c: f64,
    pub local_spread_c: f64,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct People {
    pub count: u32,
    pub by_text: u32,
    pub by_both: u32,
    pub second_home: u32,
}

/// A state file that cannot be played.
#[derive(Debug, thiserror::Error)]
pub enum StateError {
    #[error("the state file cannot be read")]
    Toml(#[from] toml::de::Error),
    #[error("the file of places cannot be read")]
    Places(#[from] PlaceFileError),
    #[error("region `{region}`")]
    Zip { region: RegionId, source: ZipError },
    #[error("region `{region}`: ZIP code {zip} lies outside 000xx-003xx, which an invented state must keep to")]
    RealZip { region: RegionId, zip: Zip },
    #[error("ZIP code {zip} stands in region `{first}` and in region `{second}`: a ZIP code belongs to one region")]
    ZipTwice { zip: Zip, first: RegionId, second: RegionId },
    #[error("region `{region}` names station `{station}`, which the file does not have")]
    UnknownStation { region: RegionId, station: StationId },
    #[error("{what} `{id}` stands twice in the file")]
    Twice { what: &'static str, id: String },
    #[error("region `{region}` needs at least one {what}")]
    Empty { region: RegionId, what: &'static str },
    #[error(
        "region `{region}`: release `{seen}` is none of \"at once\", \"unless held N h\" (N from 1 to 240), \"when confirmed\""
    )]
    Release { region: RegionId, seen: String },
    #[error("{path}: {seen} must be {wanted}")]
    OutOfBounds { path: String, seen: String, wanted: &'static str },
}

impl State {
    /// The state that ships with the program.
    ///
    /// # Errors
    /// Never for an unchanged file: a test reads it.
    pub fn built_in() -> Result<Self, StateError> {
        Self::parse(BUILT_IN)
    }

    /// Where the state's ZIP codes are, those of no region too.
    ///
    /// # Errors
    /// Never for an unchanged file: a test reads it.
    pub fn places() -> Result<PlaceTable, StateError> {
        Ok(places::read(PLACES, "invented by the demo")?)
    }

    /// # Errors
    /// When the text is not TOML of this shape, or what it says cannot be played.
    pub fn parse(text: &str) -> Result<Self, StateError> {
        let file: File = toml::from_str(text)?;
        file.check()
    }

    /// The seasons that can be played: those with at least ten past years behind them.
    pub fn seasons(&self) -> std::ops::RangeInclusive<i32> {
        self.first_year + 10..=self.last_year
    }

    /// First and last day with weather.
    pub fn days(&self) -> (NaiveDate, NaiveDate) {
        let day = |year, month, day| NaiveDate::from_ymd_opt(year, month, day).unwrap_or_default();
        (day(self.first_year, 1, 1), day(self.last_year, 12, 31))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    state: Head,
    climate: Climate,
    people: People,
    #[serde(rename = "region", default)]
    regions: Vec<FileRegion>,
    #[serde(rename = "station", default)]
    stations: Vec<FileStation>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    name: String,
    time_zone: chrono_tz::Tz,
    profile: String,
    first_year: i32,
    last_year: i32,
    season: i32,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileRegion {
    id: RegionId,
    name: String,
    height_m: f64,
    place: [f64; 2],
    zips: Vec<String>,
    stations: Vec<StationId>,
    release: String,
    people: u32,
    spanish: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileStation {
    id: StationId,
    name: String,
    height_m: f64,
    place: [f64; 2],
    days_c: f64,
    nights_c: f64,
}

impl File {
    fn check(self) -> Result<State, StateError> {
        let head = self.state;
        within("state.first_year", head.first_year, 1900..=2200, "a year from 1900 to 2200")?;
        within("state.last_year", head.last_year, head.first_year + 10..=2200, "at least ten years after first_year")?;
        within("state.season", head.season, head.first_year + 10..=head.last_year, "a season with ten past years")?;
        self.climate.check()?;
        self.people.check()?;

        let mut stations: Vec<StateStation> = Vec::with_capacity(self.stations.len());
        for station in self.stations {
            if stations.iter().any(|known| known.station.id == station.id) {
                return Err(StateError::Twice { what: "station", id: station.id.0 });
            }
            stations.push(station.check(head.time_zone)?);
        }

        let mut regions: Vec<StateRegion> = Vec::with_capacity(self.regions.len());
        for region in self.regions {
            let region = region.check(&head.profile, head.time_zone)?;
            let of = |wanted: &StationId| stations.iter().any(|known| known.station.id == *wanted);
            if let Some(station) = region.region.stations.iter().find(|wanted| !of(wanted)) {
                return Err(StateError::UnknownStation { region: region.region.id, station: station.clone() });
            }
            for earlier in &regions {
                if earlier.region.id == region.region.id {
                    return Err(StateError::Twice { what: "region", id: region.region.id.0 });
                }
                if let Some(zip) = earlier.region.zips.iter().find(|zip| region.region.zips.contains(zip)) {
                    return Err(StateError::ZipTwice {
                        zip: zip.clone(),
                        first: earlier.region.id.clone(),
                        second: region.region.id,
                    });
                }
            }
            regions.push(region);
        }
        within("region", regions.len(), 1..=100, "1 to 100 regions")?;
        within("region.people", regions.iter().map(|region| region.people).sum(), 1..=1_000_000, "above 0 in sum")?;
        regions.sort_by(|a, b| a.region.elevation_m.total_cmp(&b.region.elevation_m));

        Ok(State {
            name: head.name,
            time_zone: head.time_zone,
            profile: head.profile,
            first_year: head.first_year,
            last_year: head.last_year,
            season: head.season,
            climate: self.climate,
            people: self.people,
            regions,
            stations,
        })
    }
}

impl FileRegion {
    fn check(self, profile: &str, time_zone: chrono_tz::Tz) -> Result<StateRegion, StateError> {
        let mut zips = Vec::with_capacity(self.zips.len());
        for text in &self.zips {
            let zip = Zip::parse(text).map_err(|source| StateError::Zip { region: self.id.clone(), source })?;
            if !zip.as_str().starts_with("00") || zip.as_str() > "00399" {
                return Err(StateError::RealZip { region: self.id, zip });
            }
            zips.push(zip);
        }
        if zips.is_empty() {
            return Err(StateError::Empty { region: self.id, what: "ZIP code" });
        }
        if self.stations.is_empty() {
            return Err(StateError::Empty { region: self.id, what: "station" });
        }
        let release = match parse_release(&self.release) {
            Some(release) => release,
            None => return Err(StateError::Release { region: self.id, seen: self.release }),
        };
        within(&format!("region `{}`: height_m", self.id), self.height_m, 0.0..=4500.0, "metres from 0 to 4,500")?;
        within(&format!("region `{}`: spanish", self.id), self.spanish, 0.0..=1.0, "a share from 0 to 1")?;
        let region = Region {
            name: self.name,
            place: point(self.id.as_str(), self.place)?,
            id: self.id,
            elevation_m: self.height_m,
            time_zone,
            profile: profile.to_owned(),
            zips,
            stations: self.stations,
            release,
            owner_reports: OwnerReports::WhenConfirmed,
            county: None,
            state: None,
            band: None,
            landmarks: Vec::new(),
            retired: false,
        };
        Ok(StateRegion { region, people: self.people, spanish: self.spanish })
    }
}

impl FileStation {
    fn check(self, time_zone: chrono_tz::Tz) -> Result<StateStation, StateError> {
        let path = |field: &str| format!("station `{}`: {field}", self.id);
        within(&path("height_m"), self.height_m, 0.0..=4500.0, "metres from 0 to 4,500")?;
        within(&path("days_c"), self.days_c, -10.0..=10.0, "°C from -10 to 10")?;
        within(&path("nights_c"), self.nights_c, -10.0..=10.0, "°C from -10 to 10")?;
        let station = Station {
            place: point(self.id.as_str(), self.place)?,
            id: self.id,
            name: self.name,
            elevation_m: self.height_m,
            time_zone,
            observation_hour: None,
            sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: "invented by the demo".to_owned() }],
        };
        Ok(StateStation { station, days_c: self.days_c, nights_c: self.nights_c })
    }
}

impl Climate {
    fn check(&self) -> Result<(), StateError> {
        within("climate.height_m", self.height_m, 0.0..=4500.0, "metres from 0 to 4,500")?;
        within("climate.day_persistence", self.day_persistence, 0.0..=0.99, "a share from 0 to 0.99")?;
        for month in 0..12 {
            let path = |field: &str| format!("climate.{field}[{month}]");
            within(&path("max_c"), self.max_c[month], -40.0..=50.0, "°C from -40 to 50")?;
            within(&path("min_c"), self.min_c[month], -50.0..=self.max_c[month], "°C from -50 to that month's max_c")?;
            within(&path("day_spread_c"), self.day_spread_c[month], 0.0..=10.0, "°C from 0 to 10")?;
        }
        let small = [
            ("max_colder_per_km", self.max_colder_per_km),
            ("min_colder_per_km", self.min_colder_per_km),
            ("spell_spread_c", self.spell_spread_c),
            ("year_spread_c", self.year_spread_c),
            ("cloud_day_c", self.cloud_day_c),
            ("cloud_night_c", self.cloud_night_c),
            ("local_spread_c", self.local_spread_c),
        ];
        for (field, value) in small {
            within(&format!("climate.{field}"), value, 0.0..=12.0, "from 0 to 12")?;
        }
        within("climate.warming_c_per_decade", self.warming_c_per_decade, -2.0..=2.0, "°C from -2 to 2")
    }
}

impl People {
    /// Invented telephone numbers end in 0100 to 0199, and every number belongs to one person.
    fn check(&self) -> Result<(), StateError> {
        within("people.count", self.count, 1..=9999, "from 1 to 9999")?;
        within("people.by_text", self.by_text, 0..=self.count.min(100), "at most `count` and at most 100")?;
        within("people.by_both", self.by_both, 0..=self.by_text, "at most `by_text`")?;
        within("people.second_home", self.second_home, 0..=self.count, "at most `count`")
    }
}

fn parse_release(text: &str) -> Option<Release> {
    match text {
        "at once" => Some(Release::AtOnce),
        "when confirmed" => Some(Release::WhenConfirmed),
        _ => {
            let hours = text.strip_prefix("unless held ")?.strip_suffix(" h")?.parse().ok()?;
            (1..=240).contains(&hours).then_some(Release::UnlessHeld { hours })
        }
    }
}

fn point(id: &str, [latitude, longitude]: [f64; 2]) -> Result<Point, StateError> {
    within(&format!("`{id}`: latitude"), latitude, -90.0..=90.0, "from -90 to 90")?;
    within(&format!("`{id}`: longitude"), longitude, -180.0..=180.0, "from -180 to 180")?;
    Ok(Point { latitude, longitude })
}

fn within<T: PartialOrd + std::fmt::Display>(
    path: &str,
    seen: T,
    bounds: std::ops::RangeInclusive<T>,
    wanted: &'static str,
) -> Result<(), StateError> {
    // `contains` is false for a number that is not one, which is what is wanted here.
    if bounds.contains(&seen) {
        Ok(())
    } else {
        Err(StateError::OutOfBounds { path: path.to_owned(), seen: seen.to_string(), wanted })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text::Chain;

    fn changed(from: &str, to: &str) -> String {
        assert!(BUILT_IN.contains(from), "the file no longer says `{from}`");
        State::parse(&BUILT_IN.replacen(from, to, 1))
            .map(|_| "accepted".to_owned())
            .unwrap_or_else(|why| Chain(&why).to_string())
    }

    #[test]
    fn the_built_in_state_is_what_the_demo_promises() {
        let state = State::built_in().expect("the shipped file is sound");
        assert!(state.regions.len() >= 8);
        let heights: Vec<f64> = state.regions.iter().map(|region| region.region.elevation_m).collect();
        assert!(heights.is_sorted());
        assert!(heights[0] <= 1150.0 && heights[heights.len() - 1] >= 2250.0, "{heights:?}");
        assert!(state.last_year - state.first_year + 1 >= 32);
        assert!(state.people.count >= 300 && state.people.by_text <= 100);
        for kind in ["AtOnce", "UnlessHeld", "WhenConfirmed"] {
            assert!(
                state.regions.iter().any(|region| format!("{:?}", region.region.release).starts_with(kind)),
                "{kind}"
            );
        }
    }

    #[test]
    fn every_zip_code_of_the_state_has_a_place_beside_its_region_and_some_have_no_region() {
        let (state, places) = (State::built_in().unwrap(), State::places().unwrap());
        let mut used = 0;
        for StateRegion { region, .. } in &state.regions {
            for zip in &region.zips {
                let place = places.place_of(zip).unwrap_or_else(|| panic!("{zip}"));
                assert!(crate::geo::distance_km(place, region.place) < 15.0, "{zip}");
                used += 1;
            }
        }
        assert!(places.len() >= used + 15, "areas for new regions");
    }

    #[test]
    fn a_wrong_state_file_is_refused_with_the_place_and_the_mend() {
        assert_eq!(
            changed("\"00110\"", "\"00102\""),
            "ZIP code 00102 stands in region `cobre-bend` and in region `sotol-wells`: a ZIP code belongs to one region"
        );
        assert!(changed("\"00110\"", "\"00999\"").contains("00999 lies outside 000xx-003xx"));
        assert!(changed("\"00110\"", "\"00400\"").contains("00400 lies outside 000xx-003xx"));
        assert!(changed("\"00110\"", "\"0011\"").contains("`0011` is not a ZIP code"));
        assert!(changed("[\"ALT-COB\", \"ALT-SOT\"]", "[\"ALT-NONE\"]").contains("names station `ALT-NONE`"));
        assert!(changed("id = \"ALT-SOT\"", "id = \"ALT-COB\"").contains("station `ALT-COB` stands twice"));
        assert!(changed("id = \"sotol-wells\"", "id = \"cobre-bend\"").contains("region `cobre-bend` stands twice"));
        assert!(
            changed("= \"unless held 6 h\"", "= \"unless held six h\"")
                .contains("release `unless held six h` is none of")
        );
        assert!(changed("by_text = 98", "by_text = 101").contains("people.by_text: 101 must be"));
        assert!(changed("day_persistence = 0.72", "day_persistence = 1.0").contains("climate.day_persistence: 1 must"));
        assert!(changed("warming_c_per_decade = 0.3", "warming_c_per_decade = nan").contains("NaN must be"));
        assert!(changed("season = 2025", "season = 1991").contains("state.season: 1991 must be"));
        assert!(changed("[people]", "[folk]").contains("cannot be read"));
        assert!(changed("zips = [\"00110\", \"00111\"]", "zips = []").contains("needs at least one ZIP code"));
    }
}
