//! Many regions from a file, TOML or CSV: a name and ZIP codes suffice. All are found, or every fault is told.

use std::collections::BTreeMap;
use std::fmt::Display;

use chrono_tz::Tz;
use futures::StreamExt;
use serde::Deserialize;

use super::moved::doubts_of_a_move;
use super::{Doubt, Fact, Found, Ground, NewRegionError, Wish, complete, place};
use crate::id::StationId;
use crate::region::{Band, OwnerReports, Region, RegionId, Release, elevation_ft_fault, id_of};
use crate::store::StoreError;
use crate::text::{did_you_mean, first_few, near_key, near_name};
use crate::units::height_of_feet;

/// The insect, where nothing else is said.
pub const USUAL_PROFILE: &str = "pinyon-needle-scale";

/// How a notice leaves, where nothing else is said.
pub const USUAL_RELEASE: Release = Release::UnlessHeld { hours: 24 };

/// Regions under way at once; the fetcher limits each host besides.
const AT_ONCE: usize = 4;

/// A region as the file has it: what is missing is left as it is, or looked up.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    pub id: Option<RegionId>,
    pub name: String,
    pub zips: Vec<String>,
    pub latitude: Option<f64>,
    pub longitude: Option<f64>,
    pub elevation_m: Option<f64>,
    pub elevation_ft: Option<f64>,
    pub time_zone: Option<String>,
    pub county: Option<String>,
    pub state: Option<String>,
    pub band_ft: Option<String>,
    pub band_m: Option<String>,
    #[serde(default)]
    pub landmarks: Vec<String>,
    #[serde(default)]
    pub stations: Vec<StationId>,
    pub profile: Option<String>,
    pub release: Option<String>,
    pub owner_reports: Option<String>,
}

/// Columns of CSV, in the order in which they are written.
pub(super) const COLUMNS: [&str; 17] = [
    "id",
    "name",
    "zips",
    "latitude",
    "longitude",
    "elevation_m",
    "elevation_ft",
    "time_zone",
    "county",
    "state",
    "band_ft",
    "band_m",
    "landmarks",
    "stations",
    "profile",
    "release",
    "owner_reports",
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    region: Vec<Entry>,
}

/// Reads one `[[region]]` each.
///
/// # Errors
/// What is wrong with the file, with its line.
pub fn read_toml(text: &str) -> Result<Vec<Entry>, Vec<String>> {
    let file: File = toml::from_str(text).map_err(|why| vec![why.to_string().trim_end().to_owned()])?;
    if file.region.is_empty() { Err(vec!["there is no [[region]] in it".into()]) } else { Ok(file.region) }
}

/// Reads a line a region. The first line names the columns, in any order: `name` and `zips` (or `zip`) at least. ZIP codes
/// and stations have blanks between them, landmarks semicolons; `-` takes a county, a state or landmarks away.
///
/// # Errors
/// Every fault with its line.
pub fn read_csv(text: &str) -> Result<Vec<Entry>, Vec<String>> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let head = text.lines().next().unwrap_or_default();
    for (sign, name) in [(';', "semicolons"), ('\t', "tabs")] {
        if head.contains(sign) && !head.contains(',') {
            return Err(vec![format!("its columns are set apart by {name}: save it with commas")]);
        }
    }
    let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let header = reader.headers().map_err(|why| vec![why.to_string()])?.clone();
    let columns = columns_of(&header)?;
    let (mut entries, mut faults) = (Vec::new(), Vec::new());
    for record in reader.records() {
        let record = record.map_err(|why| vec![format!("cannot be read as CSV: {why}")])?;
        let line = record.position().map_or(0, csv::Position::line);
        if record.iter().all(str::is_empty) {
            continue;
        }
        if record.len() != header.len() {
            faults.push(format!("line {line}: {} columns where the first line has {}", record.len(), header.len()));
            continue;
        }
        let cell = |name: &str| columns.get(name).and_then(|at| record.get(*at)).filter(|text| !text.is_empty());
        match entry_of(&cell) {
            Ok(entry) => entries.push(entry),
            Err(why) => faults.extend(why.into_iter().map(|why| format!("line {line}: {why}"))),
        }
    }
    match () {
        () if !faults.is_empty() => Err(first_few(faults)),
        () if entries.is_empty() => Err(vec!["there is no region in it".into()]),
        () => Ok(entries),
    }
}

fn columns_of(header: &csv::StringRecord) -> Result<BTreeMap<&'static str, usize>, Vec<String>> {
    let mut columns = BTreeMap::new();
    for (at, name) in header.iter().enumerate() {
        let plain = match name.to_lowercase() {
            plain if plain == "zip" => "zips".to_owned(),
            plain => plain,
        };
        let Some(column) = COLUMNS.into_iter().find(|column| *column == plain) else {
            let near = did_you_mean(near_key(&plain, COLUMNS));
            return Err(vec![format!("line 1: column `{name}` is unknown{near} (known: {})", COLUMNS.join(", "))]);
        };
        if columns.insert(column, at).is_some() {
            return Err(vec![format!("line 1: column `{column}` is there twice")]);
        }
    }
    let missing = ["name", "zips"].into_iter().filter(|column| !columns.contains_key(column));
    let missing: Vec<String> = missing.map(|column| format!("line 1: column `{column}` is missing")).collect();
    if missing.is_empty() { Ok(columns) } else { Err(missing) }
}

fn entry_of<'a>(cell: &impl Fn(&str) -> Option<&'a str>) -> Result<Entry, Vec<String>> {
    let mut faults = Vec::new();
    let mut number = |name: &str| -> Option<f64> {
        let text = cell(name)?;
        let number = text.parse().ok();
        if number.is_none() {
            faults.push(format!("{name}: `{text}` is not a number"));
        }
        number
    };
    let (latitude, longitude) = (number("latitude"), number("longitude"));
    let (elevation_m, elevation_ft) = (number("elevation_m"), number("elevation_ft"));
    let text = |name: &str| cell(name).map(str::to_owned);
    let split = |name: &str, signs: &[char]| -> Vec<String> {
        let parts = cell(name).unwrap_or_default().split(|c: char| signs.contains(&c));
        parts.map(str::trim).filter(|part| !part.is_empty()).map(str::to_owned).collect()
    };
    if !faults.is_empty() {
        return Err(faults);
    }
    Ok(Entry {
        id: text("id").map(RegionId),
        name: text("name").unwrap_or_default(),
        zips: split("zips", &[' ', ',', ';']),
        latitude,
        longitude,
        elevation_m,
        elevation_ft,
        time_zone: text("time_zone"),
        county: text("county"),
        state: text("state"),
        band_ft: text("band_ft"),
        band_m: text("band_m"),
        landmarks: split("landmarks", &[';']),
        stations: split("stations", &[' ', ',', ';']).into_iter().map(StationId).collect(),
        profile: text("profile"),
        release: text("release"),
        owner_reports: text("owner_reports"),
    })
}

/// An entry whose texts were read.
struct Row {
    wish: Wish,
    /// The region in use that it changes.
    before: Option<Region>,
}

fn row_of(entry: &Entry, ground: &Ground, profiles: &[String]) -> Result<Row, Vec<String>> {
    let id = entry.id.clone().unwrap_or_else(|| RegionId(id_of(&entry.name)));
    let of_region = |what: String| if id.as_str().is_empty() { what } else { format!("region `{id}`: {what}") };
    let mut faults: Vec<String> = Vec::new();
    if entry.id.is_none() && id.as_str().is_empty() {
        faults.push(format!("of the name `{}` no id can be made: give one as `id`", entry.name));
    }
    let before = ground.regions.iter().find(|region| region.id == id).cloned();
    let time_zone = parsed(entry.time_zone.as_deref(), zone, &mut faults);
    let release = parsed(entry.release.as_deref(), str::parse::<Release>, &mut faults);
    let owner_reports = parsed(entry.owner_reports.as_deref(), str::parse::<OwnerReports>, &mut faults);
    if entry.band_ft.is_some() && entry.band_m.is_some() {
        faults.push("band_ft and band_m say the same: leave one out".into());
    }
    let band = parsed(entry.band_ft.as_deref(), |text| heights(text, Band::parse_feet), &mut faults);
    let band = band.or(parsed(entry.band_m.as_deref(), |text| heights(text, Band::parse_metres), &mut faults));
    if entry.elevation_m.is_some() && entry.elevation_ft.is_some() {
        faults.push("elevation_m and elevation_ft say the same: leave one out".into());
    }
    faults.extend(entry.elevation_ft.and_then(elevation_ft_fault));
    let profile = entry.profile.clone().or(before.as_ref().map(|region| region.profile.clone()));
    let profile = profile.unwrap_or_else(|| USUAL_PROFILE.into());
    if !profiles.contains(&profile) {
        let near = did_you_mean(near_name(&profile, profiles).as_deref());
        faults.push(format!("profile `{profile}` is unknown{near} (known: {})", profiles.join(", ")));
    }
    if !faults.is_empty() {
        return Err(faults.into_iter().map(of_region).collect());
    }
    let known = before.as_ref();
    let wants_grid_point = matches!(entry.stations.as_slice(), [one] if one.as_str().eq_ignore_ascii_case(GRID));
    let feet = entry.elevation_ft.map(height_of_feet);
    let wish = Wish {
        name: entry.name.clone(),
        zips: entry.zips.clone(),
        latitude: entry.latitude.or(known.map(|region| region.place.latitude)),
        longitude: entry.longitude.or(known.map(|region| region.place.longitude)),
        elevation_m: entry.elevation_m.or(feet).or(known.map(|region| region.elevation_m)),
        time_zone: time_zone.or(known.map(|region| region.time_zone)),
        county: kept_or(entry.county.as_deref(), known.and_then(|region| region.county.as_deref())),
        state: kept_or(entry.state.as_deref(), known.and_then(|region| region.state.as_deref())),
        band: band.unwrap_or(known.and_then(|region| region.band)),
        landmarks: match entry.landmarks.as_slice() {
            [] => known.map(|region| region.landmarks.clone()).unwrap_or_default(),
            [one] if is_taken_away(one) => Vec::new(),
            given => given.to_vec(),
        },
        stations: match known {
            Some(region) if entry.stations.is_empty() || wants_grid_point => region.stations.clone(),
            _ if wants_grid_point => Vec::new(),
            _ => entry.stations.clone(),
        },
        take_grid_point: wants_grid_point,
        profile,
        release: release.or(known.map(|region| region.release)).unwrap_or(USUAL_RELEASE),
        owner_reports: owner_reports.or(known.map(|region| region.owner_reports)).unwrap_or_default(),
        id,
    };
    Ok(Row { wish, before })
}

/// In the place of stations: a grid's estimate, where no station is near.
const GRID: &str = "grid";

/// Whether a county, a state or landmarks are taken away: a cell that is empty leaves them as they are.
pub fn is_taken_away(text: &str) -> bool {
    let text = text.trim();
    text == "-" || text.eq_ignore_ascii_case("none")
}

fn kept_or(given: Option<&str>, known: Option<&str>) -> Option<String> {
    given.or(known).filter(|text| !is_taken_away(text)).map(str::to_owned)
}

/// A band, or `all` for none.
fn heights<E>(text: &str, read: impl Fn(&str) -> Result<Band, E>) -> Result<Option<Band>, E> {
    if text.trim() == "all" { Ok(None) } else { read(text).map(Some) }
}

fn parsed<T, E: Display>(
    text: Option<&str>,
    read: impl Fn(&str) -> Result<T, E>,
    faults: &mut Vec<String>,
) -> Option<T> {
    match read(text?) {
        Ok(value) => Some(value),
        Err(why) => {
            faults.push(why.to_string());
            None
        }
    }
}

/// As an IANA name.
///
/// # Errors
/// A sentence with the nearest name that there is.
pub fn zone(text: &str) -> Result<Tz, String> {
    text.parse().map_err(|_| {
        let known: Vec<String> = chrono_tz::TZ_VARIANTS.iter().map(|zone| zone.name().to_owned()).collect();
        format!("`{text}` is no IANA time zone{}", did_you_mean(near_name(text, &known).as_deref()))
    })
}

/// Finds every region of a list; `progress` is told how many are done, and of how many. A region in use keeps what the list
/// does not say, and nobody is asked about it.
///
/// # Errors
/// Every fault of every entry; a store that fails.
pub async fn find_all(
    entries: &[Entry],
    ground: &Ground,
    profiles: &[String],
    progress: impl Fn(usize, usize),
) -> Result<Vec<Found>, NewRegionError> {
    let (mut rows, mut faults) = (Vec::new(), Vec::new());
    for entry in entries {
        match row_of(entry, ground, profiles) {
            Ok(row) => rows.push(row),
            Err(why) => faults.extend(why),
        }
    }
    faults.extend(twice(&rows));
    if !faults.is_empty() {
        return Err(NewRegionError::Refused(first_few(faults)));
    }
    // Looked at before anybody is asked: a slip in the last line should cost no minute of requests.
    for row in &rows {
        if let Err(NewRegionError::Refused(why)) = super::sketch(&row.wish) {
            faults.extend(why.into_iter().map(|why| format!("region `{}`: {why}", row.wish.id)));
        }
    }
    if !faults.is_empty() {
        return Err(NewRegionError::Refused(first_few(faults)));
    }
    let all = rows.len();
    let mut results = futures::stream::iter(&rows)
        .map(|row| async move { (&row.wish.id, find_one(row, ground).await) })
        .buffered(AT_ONCE)
        .enumerate();
    let mut found = Vec::with_capacity(all);
    while let Some((done, (id, result))) = results.next().await {
        match result {
            Ok(one) => found.push(one),
            Err(NewRegionError::Refused(why)) => {
                faults.extend(why.into_iter().map(|why| format!("region `{id}`: {why}")));
            }
            Err(NewRegionError::NoStation(why)) => faults.push(format!("region `{id}`: {why}")),
            Err(NewRegionError::Store(StoreError::Conflict(why))) => faults.push(format!("region `{id}`: {why}")),
            Err(store) => return Err(store),
        }
        progress(done + 1, all);
    }
    if !faults.is_empty() {
        return Err(NewRegionError::Refused(first_few(faults)));
    }
    doubt_strays(&mut found, ground);
    Ok(found)
}

/// With regions in use each was held against them; the first regions of a store are held against one another.
fn doubt_strays(found: &mut [Found], ground: &Ground) {
    if !ground.regions.is_empty() {
        return;
    }
    let all: Vec<Region> = found.iter().map(|one| one.region.clone()).collect();
    for one in found {
        if let Some(what) = place::far_from_all(one.region.place, one.region.id.as_str(), &all) {
            one.doubts.push(Doubt { what, mend: super::MEND_DIGITS.into() });
        }
    }
}

async fn find_one(row: &Row, ground: &Ground) -> Result<Found, NewRegionError> {
    match &row.before {
        Some(before) => changed(&row.wish, before, ground).await,
        None => complete(&row.wish, super::sketch(&row.wish)?, ground).await,
    }
}

/// A region in use with what the list says.
async fn changed(wish: &Wish, before: &Region, ground: &Ground) -> Result<Found, NewRegionError> {
    let sketch = super::sketch(wish)?;
    let place = super::coordinates(wish)?.unwrap_or(before.place);
    let region = Region { place, time_zone: wish.time_zone.unwrap_or(before.time_zone), ..sketch };
    let same_zips = region.zips.iter().all(|zip| before.zips.contains(zip));
    let (mut remarks, mut doubts) = (Vec::new(), Vec::new());
    if place != before.place || !same_zips {
        let known = place::Known { table: &ground.table, stations: &ground.stations, regions: &ground.regions };
        let placed = place::find(&region.zips, Some(place), &known).map_err(NewRegionError::Refused)?;
        (remarks, doubts) = (placed.remarks, placed.doubts);
        let (more_remarks, more_doubts) = doubts_of_a_move(before, &region, ground).await?;
        remarks.extend(more_remarks);
        doubts.extend(more_doubts);
    }
    let faults = region.faults();
    if !faults.is_empty() {
        return Err(NewRegionError::Refused(faults));
    }
    let facts = vec![
        Fact { what: "place", value: place::words(region.place), source: "kept or given".into() },
        super::height::Height::given(region.elevation_m).fact(),
        Fact { what: "time zone", value: region.time_zone.to_string(), source: "kept or given".into() },
    ];
    Ok(Found { region, new_stations: Vec::new(), facts, remarks, doubts })
}

/// Ids and ZIP codes that stand in the list twice.
fn twice(rows: &[Row]) -> Vec<String> {
    let mut faults = Vec::new();
    for (at, row) in rows.iter().enumerate() {
        for other in &rows[..at] {
            let id = &row.wish.id;
            if other.wish.id == *id {
                faults.push(format!("region `{id}`: it stands in the file twice"));
                continue;
            }
            if !Band::meet(row.wish.band.as_ref(), other.wish.band.as_ref()) {
                continue;
            }
            let shared = row.wish.zips.iter().filter(|zip| other.wish.zips.contains(zip));
            faults.extend(shared.map(|zip| {
                let heights = other.wish.band.map_or("all heights".into(), |band| band.to_string());
                format!(
                    "region `{id}`: ZIP code {zip} belongs to region `{}` ({heights}) of the same file",
                    other.wish.id
                )
            }));
        }
    }
    faults
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_makes_an_id() {
        for (name, id) in [
            ("Dos Vientos", "dos-vientos"),
            ("San José del Río", "san-jose-del-rio"),
            ("Peña  Blanca (north)", "pena-blanca-north"),
            ("St. Mary's", "st-marys"),
            ("--", ""),
            ("東", ""),
        ] {
            assert_eq!(id_of(name), id, "{name}");
        }
        assert_eq!(id_of(&"a ".repeat(60)).len(), 39);
    }

    #[test]
    fn both_kinds_of_files_say_the_same() {
        let toml = "[[region]]\nname = \"Dos Vientos\"\nzips = [\"00201\", \"00202\"]\nelevation_ft = 5135\nlandmarks = [\"Red Rock\", \"Mill\"]\n";
        let csv = "\u{feff}Name, ZIP ,elevation_ft,landmarks,county\nDos Vientos,00201 00202,5135,Red Rock; Mill,\n\n";
        assert_eq!(read_csv(csv).unwrap(), read_toml(toml).unwrap());
    }

    #[test]
    fn faults_of_a_file_are_told_with_their_line() {
        let csv = |text: &str| read_csv(text).unwrap_err().join("\n");
        assert!(csv("name;zips\nA;00101\n").contains("set apart by semicolons: save it with commas"));
        assert!(
            csv("name,zips,lattitude\n").contains("line 1: column `lattitude` is unknown, did you mean `latitude`?")
        );
        assert_eq!(csv("id\nx\n"), "line 1: column `name` is missing\nline 1: column `zips` is missing");
        assert!(csv("name,zip,zips\n").contains("column `zips` is there twice"));
        assert_eq!(csv("name,zips\n"), "there is no region in it");
        let said = csv("name,zips,latitude,elevation_m\nA,00101,north,high\nB,00102\n");
        assert_eq!(
            said,
            "line 2: latitude: `north` is not a number\nline 2: elevation_m: `high` is not a number\n\
             line 3: 2 columns where the first line has 4"
        );
        let toml = |text: &str| read_toml(text).unwrap_err().join("\n");
        assert!(toml("").contains("no [[region]]"));
        assert!(toml("[[regions]]\n").contains("unknown field `regions`"));
        assert!(toml("[[region]]\nname = \"A\"\nzip = [\"00101\"]\n").contains("unknown field `zip`"));
    }
}
