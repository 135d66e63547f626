//! Which stations may stand for a place.

use crate::geo::{Point, distance_km};
use crate::weather::station::Station;

/// A station seen from a place.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    pub station: Station,
    pub distance_km: f64,
    /// Station above the place, metres; below is negative.
    pub higher_m: f64,
}

/// A hundred metres of height count like ten kilometres of distance: temperature changes with height by about 0.65 °C
/// over that (ICAO standard atmosphere), and far less over ten level kilometres. A rule of ours, no source.
const KM_PER_100_M: f64 = 10.0;

/// Farther than this a station is not chosen unasked.
const FARTHEST_KM: f64 = 80.0;
const FARTHEST_M: f64 = 400.0;

impl Candidate {
    /// Lower is better.
    fn distance_with_height(&self) -> f64 {
        self.distance_km + self.higher_m.abs() / 100.0 * KM_PER_100_M
    }

    /// Whether it may be taken without a person having looked. A grid's estimate never is.
    pub fn is_near(&self) -> bool {
        self.distance_km <= FARTHEST_KM && self.higher_m.abs() <= FARTHEST_M && !self.station.is_grid_point()
    }
}

/// All stations, the best first. Without an elevation of the place only the distance counts.
pub fn by_nearness(place: Point, elevation_m: Option<f64>, stations: Vec<Station>) -> Vec<Candidate> {
    let mut candidates: Vec<Candidate> = stations
        .into_iter()
        .map(|station| Candidate {
            distance_km: distance_km(place, station.place),
            higher_m: elevation_m.map_or(0.0, |place_m| station.elevation_m - place_m),
            station,
        })
        .collect();
    candidates.sort_by(|a, b| {
        a.distance_with_height().total_cmp(&b.distance_with_height()).then_with(|| a.station.id.cmp(&b.station.id))
    });
    candidates
}

/// On which side of the earth a place lies, for whoever gave its longitude a wrong sign: `106.72 degrees east, in or beside Asia`.
pub fn side_words(place: Point) -> String {
    let degrees = place.longitude.abs();
    let (side, continent) = if place.longitude > 0.0 { ("east", "Asia") } else { ("west", "America") };
    // North of the Tropic of Cancer and away from Europe and Africa: the other side of America.
    let is_told = place.latitude >= 23.5 && degrees >= 60.0;
    let continent = if is_told { format!(", in or beside {continent}") } else { String::new() };
    format!("{degrees} degrees {side}{continent}")
}

/// That a place lies beside a station only with the other sign of its longitude; `what` and `id` name it.
pub fn wrong_sign_words(what: &str, id: &str, place: Point, station: &Station) -> String {
    format!(
        "{what} `{id}`: its longitude {} has another sign than that of station `{}` ({}), beside which it would lie with the \
         same; as given, it lies at {}; one of the two is wrong; degrees count to the east, so in America they are negative",
        place.longitude,
        station.id,
        station.place.longitude,
        side_words(place)
    )
}

/// The nearest of these stations, if the place lies beside it only with the other sign of its longitude, as when a minus was
/// forgotten. One with its own sign wrong looks the same from here.
pub fn mirrored(place: Point, stations: &[Station]) -> Option<&Station> {
    /// Beside: a state is not larger. Far: no state's stations are so far away.
    const BESIDE_KM: f64 = 500.0;
    const FAR_KM: f64 = 1500.0;
    let other_side = Point { longitude: -place.longitude, ..place };
    let nearest = |from: Point| {
        let with_distance = stations.iter().map(|station| (distance_km(from, station.place), station));
        with_distance.min_by(|a, b| a.0.total_cmp(&b.0))
    };
    let (as_given, _) = nearest(place)?;
    let (km, station) = nearest(other_side)?;
    (as_given > FAR_KM && km < BESIDE_KM).then_some(station)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn station(id: &str, latitude: f64, elevation_m: f64) -> Station {
        Station {
            id: id.into(),
            name: id.into(),
            place: Point { latitude, longitude: -135.0 },
            elevation_m,
            time_zone: chrono_tz::America::Denver,
            observation_hour: None,
            sources: Vec::new(),
        }
    }

    #[test]
    fn a_forgotten_minus_is_seen_beside_stations_and_a_far_place_is_no_slip() {
        let stations = [station("valley", 33.2, 1650.0)];
        let place = |longitude| Point { latitude: 33.0, longitude };
        assert_eq!(mirrored(place(135.2), &stations).map(|station| station.id.0.as_str()), Some("valley"));
        for longitude in [-135.2, -60.0, 60.0] {
            assert_eq!(mirrored(place(longitude), &stations), None, "{longitude}");
        }
        assert_eq!(mirrored(place(135.2), &[]), None);
        let said = wrong_sign_words("region", "mesa", place(135.2), &stations[0]);
        assert!(
            said.contains("with the same; as given, it lies at 135.2 degrees east, in or beside Asia; one of the two"),
            "{said}"
        );
        assert_eq!(side_words(place(-106.72)), "106.72 degrees west, in or beside America");
        assert_eq!(side_words(Point { latitude: -20.0, longitude: 140.0 }), "140 degrees east");
    }

    #[test]
    fn a_station_at_the_right_height_beats_a_nearer_one_on_the_mountain() {
        let place = Point { latitude: 33.0, longitude: -135.0 };
        let stations =
            vec![station("mountain", 33.05, 2600.0), station("valley", 33.2, 1650.0), station("far", 34.0, 1600.0)];
        let order = |elevation_m| -> Vec<String> {
            by_nearness(place, elevation_m, stations.clone()).into_iter().map(|c| c.station.id.0).collect()
        };
        assert_eq!(order(Some(1600.0)), ["valley", "mountain", "far"]);
        assert_eq!(order(None), ["mountain", "valley", "far"]);
        let near: Vec<bool> = by_nearness(place, Some(1600.0), stations).iter().map(Candidate::is_near).collect();
        assert_eq!(near, [true, false, false]);
    }
}
