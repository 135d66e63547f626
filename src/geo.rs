//! Places on the ground.

use serde::{Deserialize, Serialize};

/// Decimal degrees, north and east positive.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    pub latitude: f64,
    pub longitude: f64,
}

/// Mean Earth radius (2a + b) / 3 of the GRS 80 ellipsoid, km: Moritz 2000, J. Geod. 74:128-133, as the IUGG adopted it.
const EARTH_RADIUS_KM: f64 = 6371.0088;

/// Great-circle distance in km (haversine; error against the ellipsoid under 0.6 %).
pub fn distance_km(a: Point, b: Point) -> f64 {
    let (lat_a, lat_b) = (a.latitude.to_radians(), b.latitude.to_radians());
    let half_lat = ((lat_b - lat_a) / 2.0).sin();
    let half_lon = ((b.longitude - a.longitude).to_radians() / 2.0).sin();
    let h = half_lat * half_lat + lat_a.cos() * lat_b.cos() * half_lon * half_lon;
    2.0 * EARTH_RADIUS_KM * h.sqrt().clamp(0.0, 1.0).asin()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_distances_come_out() {
        // Rosetta Code, task "Haversine formula": 2886.444443 km between two airports on a sphere of 6371.0 km.
        let (a, b) = (Point { latitude: 36.12, longitude: -86.67 }, Point { latitude: 33.94, longitude: -118.40 });
        let on_their_sphere = distance_km(a, b) * 6371.0 / EARTH_RADIUS_KM;
        assert!((on_their_sphere - 2_886.444_443).abs() < 1e-6, "{on_their_sphere}");
        // The line of the Geocentric Datum of Australia Technical Manual's worked example, 54,972.271 m on the ellipsoid
        // (from memory): the sphere is off by less than the 0.6 % that `distance_km` promises.
        let degrees = |whole: f64, minutes: f64, seconds: f64| whole + minutes / 60.0 + seconds / 3600.0;
        let a = Point { latitude: -degrees(37.0, 57.0, 3.720_30), longitude: degrees(144.0, 25.0, 29.524_40) };
        let b = Point { latitude: -degrees(37.0, 39.0, 10.156_10), longitude: degrees(143.0, 55.0, 35.383_90) };
        let off = distance_km(a, b) / 54.972_271 - 1.0;
        assert!(off.abs() < 0.006, "{off}");
        assert_eq!(distance_km(a, a), 0.0);
    }

    #[test]
    fn a_nautical_mile_is_a_minute_of_arc_but_for_the_size_of_the_earth() {
        // 1,852 m by definition (First International Extraordinary Hydrographic Conference 1929, from memory); a minute of
        // our sphere is 0.07 % longer.
        let (a, b) = (Point { latitude: 10.0, longitude: -30.0 }, Point { latitude: 11.0, longitude: -30.0 });
        assert!((distance_km(a, b) / (60.0 * 1.852) - 1.000_676).abs() < 0.000_001);
        assert!((distance_km(a, b) - 111.195).abs() < 0.01);
    }
}
