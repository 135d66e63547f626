//! Where a region is: from its ZIP codes, or as it was given and then judged by them.

use super::Doubt;
use crate::geo::{Point, distance_km};
use crate::people::csv::zeros_lost;
use crate::places::PlaceTable;
use crate::region::{Region, Zip};
use crate::weather::Station;
use crate::weather::nearby::{mirrored, side_words};

/// ZIP areas of one region lie no farther apart from its middle: a rule of ours, no source. Counties of the West are 100 to
/// 250 km wide; what lies farther has other weather, and may be in another state.
const TOGETHER_KM: f64 = 150.0;

/// A reference point so far from the middles of its own ZIP areas, and nearer to another, is asked about: twice the width of most
/// areas of the West. Common practice, no source.
const ASIDE_KM: f64 = 30.0;

/// Farther from every region in use, a new one is asked about: few states are wider.
const STATE_KM: f64 = 800.0;

/// A place and who says so.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Placed {
    pub place: Point,
    pub source: String,
    pub remarks: Vec<String>,
    pub doubts: Vec<Doubt>,
}

/// What the judgement rests on.
pub(super) struct Known<'a> {
    pub table: &'a PlaceTable,
    /// In use.
    pub stations: &'a [Station],
    /// In use.
    pub regions: &'a [Region],
}

/// ZIP codes as they were typed: whole ones, each once.
///
/// # Errors
/// A sentence for each that cannot be, with the mend.
pub fn read_zips(texts: &[String]) -> Result<Vec<Zip>, Vec<String>> {
    let (mut zips, mut faults): (Vec<Zip>, Vec<String>) = (Vec::new(), Vec::new());
    for text in texts {
        match Zip::parse(text) {
            Err(why) => faults.push(match zeros_lost(text) {
                Some(hint) => format!("{why}; {hint}"),
                None => why.to_string(),
            }),
            Ok(zip) if text.trim().len() > 5 => faults.push(format!(
                "`{}` is a ZIP+4, which is a few addresses of ZIP code {zip}: a region has whole ZIP codes, so give {zip}",
                text.trim()
            )),
            Ok(zip) if zips.contains(&zip) => faults.push(format!("ZIP code {zip} is named twice: leave one out")),
            Ok(zip) => zips.push(zip),
        }
    }
    if texts.is_empty() {
        faults.push("at least one ZIP code is wanted".into());
    }
    if faults.is_empty() { Ok(zips) } else { Err(faults) }
}

/// Where ZIP codes, and coordinates if they are given, say that the region is.
///
/// # Errors
/// A sentence for each thing that cannot be, with the mend.
pub(super) fn find(zips: &[Zip], given: Option<Point>, known: &Known<'_>) -> Result<Placed, Vec<String>> {
    let with_place = |zip: &Zip| known.table.place_of(zip).map(|place| (zip.clone(), place));
    let areas: Vec<(Zip, Point)> = zips.iter().filter_map(with_place).collect();
    let strangers: Vec<&Zip> = zips.iter().filter(|zip| known.table.place_of(zip).is_none()).collect();
    match given {
        Some(given) => by_hand(given, &areas, &strangers, known),
        None => by_zips(&areas, &strangers, known),
    }
}

fn by_zips(areas: &[(Zip, Point)], strangers: &[&Zip], known: &Known<'_>) -> Result<Placed, Vec<String>> {
    let Some((zip, place)) = middle(areas) else {
        return Err(strangers.iter().map(|zip| no_area(zip, known.table)).collect());
    };
    let mut faults = strays(areas, place, &format!("ZIP code {zip} ({})", words(place)));
    let mut remarks = Vec::new();
    for stranger in strangers {
        match relatives_km(stranger, place, known.table) {
            Some(km) if km <= TOGETHER_KM => remarks.push(format!(
                "ZIP code {stranger} has no area (a post-office box, perhaps); it is taken to be among the others, as ZIP codes \
                 that begin with {} are",
                &stranger.as_str()[..3]
            )),
            Some(km) => faults.push(format!(
                "ZIP code {stranger} has no area, and those that begin with {} lie {km:.0} km from ZIP code {zip}: look at its \
                 digits again, or leave it out",
                &stranger.as_str()[..3]
            )),
            None => faults.push(no_area(stranger, known.table)),
        }
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let source = match areas.len() {
        1 => format!("middle of ZIP area {zip} ({})", known.table.source()),
        count => format!("ZIP area {zip}, the middle one of {count} ({})", known.table.source()),
    };
    Ok(Placed { place, source, remarks, doubts: Vec::new() })
}

fn by_hand(given: Point, areas: &[(Zip, Point)], strangers: &[&Zip], known: &Known<'_>) -> Result<Placed, Vec<String>> {
    let Point { latitude, longitude } = given;
    let changed_places = Point { latitude: longitude, longitude: latitude };
    let would_be_beside = |other: Point| nearest_of(areas, other).is_some_and(|(.., km)| km <= TOGETHER_KM);
    for (what, value, most) in [("latitude", latitude, 90.0), ("longitude", longitude, 180.0)] {
        if value.abs() <= most {
            continue;
        }
        let mend = if would_be_beside(changed_places) { ": latitude and longitude have changed places" } else { "" };
        return Err(vec![format!("{what} {value} must lie between -{most} and {most}{mend}")]);
    }
    if let Some(station) = mirrored(given, known.stations) {
        return Err(vec![format!(
            "its longitude {} has another sign than that of station `{}` ({}), beside which it would lie with the same; as \
             given, it lies at {}; one of the two is wrong; degrees count to the east, so in America they are negative",
            given.longitude,
            station.id,
            station.place.longitude,
            side_words(given)
        )]);
    }
    let placed = Placed { place: given, source: "given".into(), remarks: Vec::new(), doubts: Vec::new() };
    let Some((zip, of_zip, km)) = nearest_of(areas, given) else {
        return if is_beside_something(given, known) {
            let words =
                |zip: &&Zip| format!("ZIP code {zip} has no area, so nothing says whether it is at the place given");
            Ok(Placed { remarks: strangers.iter().map(words).collect(), ..placed })
        } else {
            Err(vec![nowhere(given, known.table)])
        };
    };
    if km > TOGETHER_KM {
        let what = format!("the coordinates {} lie {km:.0} km from ZIP code {zip} ({})", words(given), words(of_zip));
        let why = if would_be_beside(Point { latitude, longitude: -longitude }) {
            format!(
                "as given, they lie at {}; with the other sign, {}, the longitude would be beside it; degrees count to the \
                 east, so in America they are negative",
                side_words(given),
                -longitude
            )
        } else if would_be_beside(changed_places) {
            "latitude and longitude have changed places".to_owned()
        } else {
            format!(
                "{}; mend them, or leave them out: the region is then where its ZIP codes are",
                there(given, known.table)
            )
        };
        return Err(vec![format!("{what}: {why}")]);
    }
    let faults = strays(areas, given, &format!("the coordinates {}", words(given)));
    if !faults.is_empty() {
        return Err(faults);
    }
    // What is near is judged by the middle of an area, so the region may well be nearer to that of a small one beside it.
    let other = known.table.nearest(given).filter(|(area, _)| areas.iter().all(|(own, _)| *own != area.zip));
    let doubt = other.filter(|(_, other_km)| km > ASIDE_KM && *other_km < km).map(|_| Doubt {
        what: format!(
            "the coordinates {} lie {km:.0} km from the nearest of its ZIP areas, {zip}; {}",
            words(given),
            there(given, known.table)
        ),
        mend: "mend them, or leave them out: the region is then where its ZIP codes are".into(),
    });
    Ok(Placed { doubts: doubt.into_iter().collect(), ..placed })
}

/// A place so far from every region in use that it may be in another state: the doubt as a sentence.
pub(super) fn far_from_all(place: Point, own: &str, regions: &[Region]) -> Option<String> {
    let others = regions.iter().filter(|region| region.id.as_str() != own);
    let nearest = others.map(|region| (distance_km(place, region.place), region)).min_by(|a, b| a.0.total_cmp(&b.0));
    nearest.filter(|(km, _)| *km > STATE_KM).map(|(km, region)| {
        format!(
            "{} lies {km:.0} km from the nearest region, `{}`: it may be in another state, so look at the digits of its ZIP codes",
            words(place),
            region.id
        )
    })
}

/// The area with the least way to all others: a real place, where a mean may lie on a ridge between two valleys.
fn middle(areas: &[(Zip, Point)]) -> Option<(&Zip, Point)> {
    let way = |place: Point| areas.iter().map(|(_, other)| distance_km(place, *other)).sum::<f64>();
    let nearest = areas.iter().min_by(|a, b| way(a.1).total_cmp(&way(b.1)));
    nearest.map(|(zip, place)| (zip, *place))
}

fn nearest_of(areas: &[(Zip, Point)], place: Point) -> Option<(&Zip, Point, f64)> {
    let with_distance = areas.iter().map(|(zip, other)| (zip, *other, distance_km(place, *other)));
    with_distance.min_by(|a, b| a.2.total_cmp(&b.2))
}

fn strays(areas: &[(Zip, Point)], place: Point, from: &str) -> Vec<String> {
    let far = areas.iter().filter(|(_, other)| distance_km(place, *other) > TOGETHER_KM);
    far.map(|(zip, other)| {
        format!(
            "ZIP code {zip} ({}) lies {:.0} km from {from}: it is of another place, perhaps of another state; leave it out, or \
             give it a region of its own",
            words(*other),
            distance_km(place, *other)
        )
    })
    .collect()
}

/// How far the nearest area with the same first three digits is from a place, if there is one.
fn relatives_km(zip: &Zip, place: Point, table: &PlaceTable) -> Option<f64> {
    let distances = table.relatives(zip).into_iter().map(|area| distance_km(place, area.place));
    distances.min_by(f64::total_cmp)
}

/// What is said of a ZIP code that the table does not have.
pub fn no_area(zip: &Zip, table: &PlaceTable) -> String {
    let near = table.beside(zip).into_iter().map(|area| area.zip.to_string()).collect::<Vec<_>>();
    format!(
        "ZIP code {zip} is not among the {} areas of the table ({}), as those of post-office boxes and single large receivers \
         are not{}. Give a ZIP code beside it, or its coordinates with --lat and --lon",
        table.len(),
        table.source(),
        match near.as_slice() {
            [] => String::new(),
            near => format!("; the nearest numbers that have one: {}", near.join(" and ")),
        }
    )
}

fn is_beside_something(place: Point, known: &Known<'_>) -> bool {
    let near = |other: Point| distance_km(place, other) <= TOGETHER_KM;
    known.stations.iter().any(|station| near(station.place))
        || known.regions.iter().any(|region| near(region.place))
        || known.table.nearest(place).is_some_and(|(_, km)| km <= TOGETHER_KM)
}

/// Where coordinates are, as the middle of a sentence.
fn there(place: Point, table: &PlaceTable) -> String {
    match table.nearest(place) {
        Some((area, km)) if km <= TOGETHER_KM => format!("there, ZIP code {} is near ({km:.0} km)", area.zip),
        _ => format!("there, no ZIP code is within {TOGETHER_KM:.0} km: it is the sea, or another country"),
    }
}

fn nowhere(place: Point, table: &PlaceTable) -> String {
    format!(
        "the coordinates {} cannot be those of a region: {}, and no station or region is near; mend them, or add the station \
         that stands there first",
        words(place),
        there(place, table)
    )
}

pub(super) fn words(place: Point) -> String {
    format!("{:.4}, {:.4}", place.latitude, place.longitude)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zip(text: &str) -> Zip {
        Zip::parse(text).unwrap()
    }

    fn table() -> PlaceTable {
        let areas = [
            ("00101", 31.2, -135.4),
            ("00102", 31.3, -135.3),
            ("00103", 31.25, -135.5),
            ("00301", 34.05, -134.6),
            ("00911", 45.0, -120.0),
        ];
        PlaceTable::of(
            "invented".into(),
            areas.map(|(code, latitude, longitude)| (zip(code), Point { latitude, longitude })),
        )
    }

    fn found(zips: &[&str], given: Option<(f64, f64)>) -> Result<Placed, String> {
        let zips: Vec<Zip> = zips.iter().map(|text| zip(text)).collect();
        let given = given.map(|(latitude, longitude)| Point { latitude, longitude });
        find(&zips, given, &Known { table: &table(), stations: &[], regions: &[] }).map_err(|faults| faults.join("\n"))
    }

    fn fault(zips: &[&str], given: Option<(f64, f64)>) -> String {
        found(zips, given).unwrap_err()
    }

    #[test]
    fn zip_codes_are_whole_and_named_once() {
        let read = |texts: &[&str]| read_zips(&texts.iter().map(|text| (*text).to_owned()).collect::<Vec<_>>());
        assert_eq!(read(&["00101", " 00102 "]).unwrap(), [zip("00101"), zip("00102")]);
        for (texts, wanted) in [
            (&["00101-4567"][..], "`00101-4567` is a ZIP+4, which is a few addresses of ZIP code 00101"),
            (&["0010a"], "`0010a` is not a ZIP code: five digits are wanted"),
            (&["101"], "`101` is not a ZIP code"),
            (&["00101", "00101"], "ZIP code 00101 is named twice: leave one out"),
            (&[], "at least one ZIP code is wanted"),
        ] {
            assert!(read(texts).unwrap_err().join("\n").contains(wanted), "{wanted}");
        }
        let lost = read(&["209"]).unwrap_err().join("");
        assert!(lost.ends_with("; a spreadsheet may have dropped its zeros"), "{lost}");
        assert!(!read(&["0010a"]).unwrap_err().join("").contains("spreadsheet"));
        assert_eq!(read(&["1", "2"]).unwrap_err().len(), 2, "every fault at once");
    }

    #[test]
    fn the_middle_one_of_several_areas_is_the_place() {
        let one = found(&["00301"], None).unwrap();
        assert_eq!(
            (one.place, one.source.as_str()),
            (Point { latitude: 34.05, longitude: -134.6 }, "middle of ZIP area 00301 (invented)")
        );
        let three = found(&["00103", "00102", "00101"], None).unwrap();
        assert_eq!(three.source, "ZIP area 00101, the middle one of 3 (invented)");
        assert!(three.remarks.is_empty());
    }

    #[test]
    fn a_zip_code_of_another_state_is_refused_with_its_place() {
        let said = fault(&["00101", "00102", "00911"], None);
        assert!(
            said.contains("ZIP code 00911 (45.0000, -120.0000) lies 2") && said.contains("another state"),
            "{said}"
        );
        assert_eq!(said.lines().count(), 1, "the others are where they should be: {said}");
        // The others are near the coordinates, so the stranger is the one that is named.
        assert!(
            fault(&["00101", "00301"], Some((31.2, -135.4))).contains("ZIP code 00301 (34.0500, -134.6000) lies 32")
        );
    }

    #[test]
    fn a_zip_code_without_an_area_asks_for_a_neighbour_or_coordinates() {
        let said = fault(&["00109"], None);
        for word in ["ZIP code 00109 is not among the 5 areas", "numbers that have one: 00103. Give", "--lat and --lon"]
        {
            assert!(said.contains(word), "{word}: {said}");
        }
        // Its digits are no slip: those of a post-office box lie among those of the town.
        assert!(no_area(&zip("00150"), &table()).contains("numbers that have one: 00103. Give"));
        assert!(!no_area(&zip("00550"), &table()).contains("numbers that have one"));
        let between = PlaceTable::of(
            "invented".into(),
            ["00111", "00140", "00104", "00105"].map(|code| (zip(code), Point { latitude: 31.0, longitude: -135.0 })),
        );
        assert!(no_area(&zip("00110"), &between).contains("numbers that have one: 00105 and 00111. Give"));
        let beside = found(&["00101", "00109"], None).unwrap();
        assert!(beside.remarks[0].contains("00109 has no area"), "{:?}", beside.remarks);
        assert!(fault(&["00101", "00999"], None).contains("those that begin with 009 lie 2"));
        assert!(fault(&["00101", "00599"], None).contains("00599 is not among"));
        let by_hand = found(&["00109"], Some((31.2, -135.0))).unwrap();
        assert!(by_hand.remarks[0].contains("nothing says whether it is at the place given"));
    }

    #[test]
    fn coordinates_that_cannot_be_are_refused_with_the_place_they_would_be() {
        assert_eq!(found(&["00101"], Some((31.25, -135.45))).unwrap().source, "given");
        assert_eq!(found(&["00103"], Some((31.25, -136.0))).unwrap().doubts, [], "48 km, but no other area is nearer");
        let doubts = found(&["00103"], Some((31.3, -135.15))).unwrap().doubts;
        assert!(
            doubts[0]
                .what
                .contains("34 km from the nearest of its ZIP areas, 00103; there, ZIP code 00102 is near (14 km)"),
            "{doubts:?}"
        );
        for (given, wanted) in [
            ((31.2, 135.4), "with the other sign, -135.4, the longitude would be beside it"),
            ((31.2, 135.4), "as given, they lie at 135.4 degrees east, in or beside Asia; with"),
            ((45.1, -120.1), "there, ZIP code 00911 is near (14 km)"),
            ((10.0, -150.0), "there, no ZIP code is within 150 km: it is the sea, or another country"),
        ] {
            let said = fault(&["00101"], Some(given));
            assert!(
                said.contains(wanted) && said.contains("km from ZIP code 00101 (31.2000, -135.4000)"),
                "{wanted}: {said}"
            );
        }
        let said = fault(&["00101"], Some((-135.4, 31.2)));
        assert_eq!(said, "latitude -135.4 must lie between -90 and 90: latitude and longitude have changed places");
        assert_eq!(fault(&["00101"], Some((31.0, f64::NAN))), "longitude NaN must lie between -180 and 180");
        let said = fault(&["00599"], Some((10.0, -150.0)));
        assert!(said.contains("no station or region is near") && said.contains("the sea"), "{said}");
    }
}
