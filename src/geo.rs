//! Places on the ground.

use serde::{Deserialize, Serialize};

/// Decimal degrees, north and east positive.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    pub latitude: f64,
    pub longitude: f64,
}

/// Mean Earth radius, km (IUGG).
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
    fn a_degree_of_latitude_is_about_111_km() {
        let a = Point { latitude: 35.0, longitude: -106.0 };
        let b = Point { latitude: 36.0, longitude: -106.0 };
        assert!((distance_km(a, b) - 111.195).abs() < 0.01);
        assert_eq!(distance_km(a, a), 0.0);
    }
}
