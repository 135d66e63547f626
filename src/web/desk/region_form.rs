//! The form of a region: of a new one, and of one that is changed.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use minijinja::context;
use minijinja::value::Value;
use sha2::{Digest, Sha256};

use super::caller::Desk;
use super::upload::FieldFault;
use crate::geo::distance_km;
use crate::id::StationId;
use crate::people::account::Deed;
use crate::places::PlaceTable;
use crate::region::{Band, OwnerReports, Region, Release, Zip};
use crate::season::phrases::capitalised;
use crate::service::desk::region_words::{desk_words, quoted};
use crate::service::new_region::list::{USUAL_PROFILE, USUAL_RELEASE, zone};
use crate::service::new_region::{NewRegionError, place_table, read_zips};
use crate::store::{Conflict, StoreError, TakenZip};
use crate::units::{height_of_words, m_to_feet};
use crate::web::Fault;
use crate::web::forms::Typed;

/// The field with the id of the draft that is tried again.
pub(super) const AGAIN: &str = "again";

/// Longest text of one field, characters: the ZIP codes of a large county fit.
const LONGEST: usize = 1200;

/// A ZIP code farther off is no neighbour of one that is taken.
const BESIDE_KM: f64 = 40.0;

const FIELDS: [&str; 19] = [
    "id",
    "name",
    "zips",
    "from_ft",
    "to_ft",
    "landmarks",
    "elevation_ft",
    "latitude",
    "longitude",
    "time_zone",
    "county",
    "state",
    "stations",
    "grid",
    "profile",
    "release",
    "hours",
    "owner_reports",
    "why",
];

/// What is seldom wanted, folded away group by group.
const GROUPS: [(&str, &[&str]); 5] = [
    ("place", &["elevation_ft", "latitude", "longitude", "county", "state", "time_zone"]),
    ("heights", &["from_ft", "to_ft", "landmarks"]),
    ("stations", &["stations", "grid"]),
    ("leaving", &["release", "hours", "owner_reports", "profile"]),
    ("short", &["id"]),
];

/// What a form says of a region. What was left empty is `None`, or empty.
pub(super) struct Given {
    pub name: String,
    /// As they were typed.
    pub zips: Vec<String>,
    pub band: Option<Band>,
    pub landmarks: Vec<String>,
    pub elevation_m: Option<f64>,
    pub latitude: Option<f64>,
    pub longitude: Option<f64>,
    pub time_zone: Option<Tz>,
    pub county: Option<String>,
    pub state: Option<String>,
    pub stations: Vec<StationId>,
    pub take_grid_point: bool,
    pub profile: String,
    pub release: Release,
    pub owner_reports: OwnerReports,
}

/// What stands in a field, trimmed.
pub(super) fn text<'a>(typed: &'a Typed, name: &str) -> &'a str {
    let text = typed.get(name).map_or("", |text| text.trim());
    text.char_indices().nth(LONGEST).map_or(text, |(at, _)| &text[..at])
}

/// Reads the form. Where a region is and in which county, which decides who may act on it, counts only from an administrator.
///
/// # Errors
/// Every fault, with its field.
pub(super) fn read(desk: &Desk, typed: &Typed) -> Result<Given, Vec<FieldFault>> {
    let mut faults: Vec<FieldFault> = Vec::new();
    let administers = desk.account().may(Deed::Administer);
    let words = |name: &str| Some(text(typed, name)).filter(|text| !text.is_empty()).map(str::to_owned);
    let of_administrators = |name: &str| words(name).filter(|_| administers);
    let name = text(typed, "name").to_owned();
    if name.is_empty() {
        faults.push(("name", "Give the name by which people know the place.".to_owned()));
    }
    let zips = zip_texts(typed);
    match read_zips(&zips) {
        Ok(_) => {}
        Err(wrong) => faults.push(("zips", sentences(&wrong))),
    }
    let mut height = |name: &'static str| match text(typed, name) {
        "" => None,
        typed => height_of_words(typed).or_else(|| {
            let what = format!("This is no height: “{typed}”. Give feet, such as 5,600, or meters, such as 1,700 m.");
            faults.push((name, what));
            None
        }),
    };
    let (elevation_m, from_m, to_m) = (height("elevation_ft"), height("from_ft"), height("to_ft"));
    let band = Some(Band { from_m, to_m }).filter(|_| from_m.is_some() || to_m.is_some());
    if let Some(fault) = band.as_ref().and_then(Band::fault) {
        faults.push(("from_ft", sentence(&fault)));
    }
    let mut number = |name: &'static str, what: &str| match text(typed, name).replace(',', "").as_str() {
        "" => None,
        typed => match typed.parse::<f64>().ok().filter(|number| number.is_finite()) {
            Some(number) => Some(number),
            None => {
                faults.push((name, format!("{what} is not a number: “{typed}”.")));
                None
            }
        },
    };
    let (latitude, longitude) = (number("latitude", "The latitude"), number("longitude", "The longitude"));
    let (latitude, longitude) = (latitude.filter(|_| administers), longitude.filter(|_| administers));
    if latitude.is_some() != longitude.is_some() {
        faults.push(("latitude", "Give latitude and longitude, or neither.".to_owned()));
    }
    let time_zone = words("time_zone").and_then(|text| match zone(&text) {
        Ok(zone) => Some(zone),
        Err(why) => {
            faults.push(("time_zone", sentence(&why)));
            None
        }
    });
    let profile = words("profile").unwrap_or_else(|| USUAL_PROFILE.to_owned());
    if desk.site().app().profiles.get(&profile).is_none() {
        faults.push(("profile", "Choose one of the profiles that are there.".to_owned()));
    }
    let release = match text(typed, "release") {
        "unless-held" => format!("unless-held:{}", text(typed, "hours")).parse::<Release>().map_err(|_| ()),
        other => other.parse::<Release>().map_err(|_| ()),
    };
    let release = release.unwrap_or_else(|()| {
        let what = "Choose how notices leave; where staff may hold them, for 1 to 720 hours.";
        faults.push(("release", what.to_owned()));
        Release::WhenConfirmed
    });
    let owner_reports = text(typed, "owner_reports").parse::<OwnerReports>().unwrap_or_else(|_| {
        faults.push(("owner_reports", "Choose when reports of owners count.".to_owned()));
        OwnerReports::WhenConfirmed
    });
    let given = Given {
        name,
        zips,
        band,
        landmarks: parts(typed, "landmarks", &[',', ';', '\n', '\r']),
        elevation_m,
        latitude,
        longitude,
        time_zone,
        county: of_administrators("county"),
        state: of_administrators("state"),
        stations: parts(typed, "stations", &[' ', ',', ';', '\n', '\r']).into_iter().map(StationId).collect(),
        take_grid_point: text(typed, "grid") == "yes",
        profile,
        release,
        owner_reports,
    };
    if faults.is_empty() { Ok(given) } else { Err(faults) }
}

fn zip_texts(typed: &Typed) -> Vec<String> {
    parts(typed, "zips", &[' ', ',', ';', '\n', '\r', '\t'])
}

fn parts(typed: &Typed, name: &str, signs: &[char]) -> Vec<String> {
    let parts = text(typed, name).split(|c: char| signs.contains(&c));
    parts.map(str::trim).filter(|part| !part.is_empty()).map(str::to_owned).collect()
}

fn sentence(text: &str) -> String {
    capitalised(&quoted(text.trim_end_matches('.'))) + "."
}

fn sentences(faults: &[String]) -> String {
    faults.iter().map(|fault| sentence(fault)).collect::<Vec<_>>().join(" ")
}

/// What stands against a region, each with the field that mends it.
///
/// # Errors
/// What no field mends: a store that fails.
pub(super) async fn faults_of(desk: &Desk, why: NewRegionError) -> Result<Vec<FieldFault>, Fault> {
    match why {
        NewRegionError::Refused(faults) => {
            Ok(faults.iter().map(|fault| (field_of(fault), desk_words(fault))).collect())
        }
        NewRegionError::NoStation(none) => Ok(vec![("stations", desk_words(&none.to_string()))]),
        NewRegionError::Store(StoreError::Conflict(conflict)) => Ok(vec![conflict_of(desk, &conflict).await?]),
        NewRegionError::Store(why) => Err(why.into()),
    }
}

/// As [`faults_of`], of what the store has against it.
pub(super) async fn conflict_of(desk: &Desk, conflict: &Conflict) -> Result<FieldFault, Fault> {
    Ok(match conflict {
        Conflict::ZipsTaken { taken } => {
            let regions = desk.site().app().store.regions().await?;
            let name = |of: &crate::region::RegionId| {
                regions.iter().find(|region| region.id == *of).map_or(of.to_string(), |region| region.name.clone())
            };
            let each = taken.iter().map(|one| match one.band {
                Some(band) => format!("ZIP code {} belongs to {} ({})", one.zip, name(&one.by), band),
                None => format!("ZIP code {} belongs to {}", one.zip, name(&one.by)),
            });
            let each: Vec<String> = each.collect();
            let mend = "Leave it out here, take it out there first, or give each region heights that do not meet.";
            let table = place_table(&desk.site().app().store).await?;
            let is_free = |zip: &Zip| regions.iter().all(|region| !region.zips.contains(zip));
            let free = taken.first().and_then(|one| free_beside(&one.zip, &table, is_free));
            let free = free.map_or_else(String::new, |zip| format!(" ZIP code {zip} beside it is in no region yet."));
            ("zips", format!("{}. {mend}{free}", each.join("; ")))
        }
        Conflict::Exists { id, .. } => {
            ("id", format!("There is a region “{id}” already: give this one another short name, or another name."))
        }
        Conflict::UnknownStation { .. } | Conflict::RetiredStation { .. } => {
            ("stations", sentence(&conflict.to_string()))
        }
        Conflict::UnfitRegion { faults, .. } => {
            let field = faults.first().map_or("zips", |fault| field_of(fault));
            (field, faults.iter().map(|fault| desk_words(fault)).collect::<Vec<_>>().join(" "))
        }
        other => ("zips", desk_words(&other.to_string())),
    })
}

/// The nearest ZIP code to one that is taken, of those that are free.
fn free_beside(taken: &Zip, table: &PlaceTable, is_free: impl Fn(&Zip) -> bool) -> Option<Zip> {
    let place = table.place_of(taken)?;
    let others = table.relatives(taken).into_iter().filter(|one| one.zip != *taken && is_free(&one.zip));
    let near = others.map(|one| (distance_km(place, one.place), one.zip)).filter(|(km, _)| *km <= BESIDE_KM);
    near.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, zip)| zip)
}

/// Beside ZIP codes that cannot be read, those that others have. Where heights part them that waits for all to be read.
pub(super) async fn taken_beside(
    desk: &Desk,
    typed: &Typed,
    faults: &[FieldFault],
) -> Result<Option<FieldFault>, Fault> {
    let has_heights = ["from_ft", "to_ft"].iter().any(|name| !text(typed, name).is_empty());
    if has_heights || faults.iter().all(|(field, _)| *field != "zips") {
        return Ok(None);
    }
    let regions = desk.site().app().store.regions().await?;
    let mut taken: Vec<TakenZip> = Vec::new();
    for zip in zip_texts(typed).iter().filter_map(|text| Zip::parse(text).ok()) {
        let others = regions.iter().filter(|region| region.zips.contains(&zip));
        taken.extend(others.map(|region| TakenZip { zip: zip.clone(), by: region.id.clone(), band: region.band }));
    }
    if taken.is_empty() { Ok(None) } else { conflict_of(desk, &Conflict::ZipsTaken { taken }).await.map(Some) }
}

/// Where what is wrong is mended; the words are those of [`Region::faults`] and of finding a place.
fn field_of(fault: &str) -> &'static str {
    let is = |words: &[&str]| words.iter().any(|word| fault.contains(word));
    match () {
        () if fault.starts_with("ZIP code") || fault.contains("ZIP+4") => "zips",
        () if is(&["the id ", "as `id`"]) => "id",
        () if is(&["the name "]) => "name",
        () if is(&["latitude", "longitude", "coordinates"]) => "latitude",
        () if is(&["elevation", "--elevation"]) => "elevation_ft",
        () if is(&["landmark"]) => "landmarks",
        () if is(&["county `"]) => "county",
        () if is(&["state `"]) => "state",
        () if is(&["heights"]) => "from_ft",
        () if is(&["station", "grid"]) => "stations",
        () => "zips",
    }
}

/// The form filled in as a region is.
pub(super) fn typed_of(region: &Region) -> Typed {
    let feet = |metres: f64| format!("{:.0}", m_to_feet(metres));
    let (release, hours) = match region.release {
        Release::AtOnce => ("at-once", None),
        Release::UnlessHeld { hours } => ("unless-held", Some(hours)),
        Release::WhenConfirmed => ("when-confirmed", None),
    };
    let band = |end: Option<f64>| end.map(feet).unwrap_or_default();
    let fields = [
        ("id", region.id.to_string()),
        ("name", region.name.clone()),
        ("zips", region.zips.iter().map(Zip::as_str).collect::<Vec<_>>().join(" ")),
        ("from_ft", band(region.band.and_then(|band| band.from_m))),
        ("to_ft", band(region.band.and_then(|band| band.to_m))),
        ("landmarks", region.landmarks.join(", ")),
        ("elevation_ft", feet(region.elevation_m)),
        ("latitude", region.place.latitude.to_string()),
        ("longitude", region.place.longitude.to_string()),
        ("time_zone", region.time_zone.name().to_owned()),
        ("county", region.county.clone().unwrap_or_default()),
        ("state", region.state.clone().unwrap_or_default()),
        ("stations", region.stations.iter().map(|id| id.as_str()).collect::<Vec<_>>().join(" ")),
        ("profile", region.profile.clone()),
        ("release", release.to_owned()),
        ("hours", hours.map_or_else(|| "24".to_owned(), |hours| hours.to_string())),
        ("owner_reports", region.owner_reports.name().to_owned()),
    ];
    fields.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()
}

/// By this a form tells whether the region is still as it was shown.
pub(super) fn fingerprint(region: &Region) -> String {
    let text = serde_json::to_string(region).unwrap_or_default();
    hex::encode(Sha256::digest(text.as_bytes()))[..16].to_owned()
}

/// What the form of a new region begins with.
pub(super) fn usual() -> Typed {
    let hours = match USUAL_RELEASE {
        Release::UnlessHeld { hours } => hours,
        _ => 24,
    };
    let fields = [
        ("release", "unless-held".to_owned()),
        ("hours", hours.to_string()),
        ("owner_reports", "when-confirmed".to_owned()),
        ("profile", USUAL_PROFILE.to_owned()),
    ];
    fields.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()
}

/// What the fields of the form show.
pub(super) fn fields(desk: &Desk, typed: &Typed, faults: &[FieldFault]) -> Value {
    let value: BTreeMap<&str, String> = FIELDS.iter().map(|name| (*name, text(typed, name).to_owned())).collect();
    let mut wrong: BTreeMap<&str, Option<String>> = FIELDS.iter().map(|name| (*name, None)).collect();
    for (field, what) in faults {
        let words = wrong.entry(field).or_default();
        *words = Some(words.take().map_or_else(|| what.clone(), |before| format!("{before} {what}")));
    }
    let profiles: Vec<String> = desk.site().app().profiles.all().iter().map(|profile| profile.id.clone()).collect();
    let (usual, looks_up) = (usual(), desk.site().app().config.feeds.look_up);
    let differs = |name: &&str| text(typed, name) != text(&usual, name);
    let open: BTreeMap<&str, bool> =
        GROUPS.iter().map(|(group, names)| (*group, faults.iter().any(|(field, _)| names.contains(field)))).collect();
    // Where nobody looks a place up, it has to be given; what is tried again may lack its height.
    let is_again = !text(typed, AGAIN).is_empty();
    let given: BTreeMap<&str, bool> = GROUPS
        .iter()
        .map(|(group, names)| (*group, names.iter().any(differs) || *group == "place" && (!looks_up || is_again)))
        .collect();
    context! {
        value,
        administers => desk.account().may(Deed::Administer),
        profiles,
        // A group stands open where something in it is wrong; of a new region also where something in it is given.
        open,
        given,
        looks_up,
        faults => faults.iter().map(|(field, what)| context! { field => *field, what }).collect::<Vec<_>>(),
        wrong,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geo::Point;

    #[test]
    fn the_nearest_free_zip_code_is_named_beside_one_that_is_taken() {
        let zip = |text: &str| Zip::parse(text).unwrap();
        let areas = [("00101", 35.0), ("00102", 35.1), ("00103", 35.2), ("00104", 37.0), ("00201", 35.01)];
        let place = |latitude| Point { latitude, longitude: -135.0 };
        let table = PlaceTable::of("test".into(), areas.map(|(text, latitude)| (zip(text), place(latitude))));
        let free = |taken: &[&str]| free_beside(&zip("00101"), &table, |one| !taken.contains(&one.as_str()));
        assert_eq!(free(&["00101"]), Some(zip("00102")));
        assert_eq!(free(&["00101", "00102"]), Some(zip("00103")));
        assert_eq!(free(&["00101", "00102", "00103"]), None, "the last one lies far off");
        assert_eq!(free_beside(&zip("00399"), &table, |_| true), None, "it has no area");
    }
}
