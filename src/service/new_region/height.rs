//! How high a region lies: as it was given, as services say of the cell around it, or as the stations around stand.

use super::look_up::{LookUps, Service};
use super::{Doubt, Fact};
use crate::geo::{Point, distance_km};
use crate::region::Band;
use crate::store::StoreError;
use crate::units::grouped_feet;
use crate::weather::Station;
use crate::weather::feeds::nws::Gridpoint;

/// Stations around a place: no farther, and so many of the nearest.
const AROUND_KM: f64 = 50.0;
const AROUND: usize = 5;

/// 300 m are about two weeks of the season (a degree Celsius is about a week of it in spring, and 300 m are two).
pub(super) const DISAGREE_M: f64 = 300.0;

/// Less makes a few days.
const SAME_HEIGHT_M: f64 = 100.0;

/// What a person says when a height is in doubt.
const MEND: &str = "give the height of its trees with --elevation-m or --elevation-ft";

/// A height and who says so.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Height {
    pub metres: f64,
    pub source: String,
    /// It comes from somebody who knows the trees.
    pub is_given: bool,
    pub remarks: Vec<String>,
    pub doubts: Vec<Doubt>,
}

/// The stations around a place, the nearest first, and how far each is.
pub(super) fn around(place: Point, stations: &[Station]) -> Vec<(f64, &Station)> {
    let mut near: Vec<(f64, &Station)> = stations
        .iter()
        .map(|station| (distance_km(place, station.place), station))
        .filter(|(km, station)| *km <= AROUND_KM && !station.is_grid_point())
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    near.truncate(AROUND);
    near
}

/// Of services; `grid` is the forecast's cell, or why it is not known.
///
/// # Errors
/// When the store fails. The inner error is why they gave nothing, as the middle of a sentence: see [`of_stations`].
pub(super) async fn look_up(
    place: Point,
    grid: Result<&Gridpoint, String>,
    look_ups: &LookUps,
) -> Result<Result<Height, String>, StoreError> {
    let mut silent = Vec::new();
    match grid {
        Ok(grid) => match look_ups.forecast_cell_m(grid).await? {
            Ok(metres) => {
                let source =
                    format!("the National Weather Service: forecast cell {}/{},{}", grid.office, grid.x, grid.y);
                return Ok(Ok(Height::found(metres, source)));
            }
            Err(silence) => silent.push(silence.words(Service::Nws)),
        },
        Err(why) => silent.push(why),
    }
    match look_ups.climate_cell_m(place).await? {
        Ok(metres) => {
            let mut height = Height::found(metres, "ACIS: cell of the PRISM grid".into());
            height.remarks.push(format!("its height is from ACIS, since {}", silent.join("; ")));
            return Ok(Ok(height));
        }
        Err(silence) => silent.push(silence.words(Service::Acis)),
    }
    silent.dedup();
    Ok(Err(silent.join("; ")))
}

/// The middle height of the stations around, doubted where they do not agree.
///
/// # Errors
/// The sentence for a place of which nobody knows the height.
pub(super) fn of_stations(around: &[(f64, &Station)], why: &str) -> Result<Height, String> {
    let Some(metres) = median(around) else {
        return Err(format!("its elevation could not be looked up ({why}), and no station is around: {MEND}"));
    };
    let mut height = Height::found(metres, format!("{}, since {why}", stations_words(around)));
    let heights = around.iter().map(|(_, station)| station.elevation_m);
    let (low, high) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), m| (low.min(m), high.max(m)));
    if around.len() < 2 || high - low > DISAGREE_M {
        let what = if around.len() < 2 { "one station alone says little" } else { "they do not agree" };
        height.doubts.push(Doubt {
            what: format!(
                "its elevation could not be looked up ({why}), and of the stations around, {what}: {}",
                list(around)
            ),
            mend: MEND.into(),
        });
    } else {
        height.remarks.push(format!(
            "its elevation is the middle one of the stations around, since {why}: {}; give a better one if you know it",
            list(around)
        ));
    }
    Ok(height)
}

impl Height {
    fn found(metres: f64, source: String) -> Self {
        // To the decimetre: no cell is known better.
        let metres = (metres * 10.0).round() / 10.0;
        Self { metres, source, is_given: false, remarks: Vec::new(), doubts: Vec::new() }
    }

    pub(super) fn given(metres: f64) -> Self {
        Self { metres, source: "given".into(), is_given: true, remarks: Vec::new(), doubts: Vec::new() }
    }

    /// Looks at it beside the stations around: the middle of a ZIP area can lie a thousand metres above its town.
    pub(super) fn against(mut self, around: &[(f64, &Station)]) -> Self {
        // A station near that stands as high bears it out, wherever the others stand.
        if around.first().is_some_and(|(_, nearest)| (self.metres - nearest.elevation_m).abs() <= SAME_HEIGHT_M) {
            return self;
        }
        let Some(middle) = median(around) else { return self };
        if (self.metres - middle).abs() <= DISAGREE_M || !self.doubts.is_empty() {
            return self;
        }
        let above = if self.metres > middle { "above" } else { "below" };
        let what = format!(
            "{} is {:.0} m {above} the middle of the stations around: {}",
            words(self.metres),
            (self.metres - middle).abs(),
            list(around)
        );
        if self.is_given {
            self.remarks.push(what);
        } else {
            let cause = "the middle of a ZIP area or of a cell can lie high above a town";
            self.doubts.push(Doubt { what: format!("{what} ({cause})"), mend: MEND.into() });
        }
        self
    }

    /// A height that was looked up and lies outside of the band that was given stands for other trees: the sentence.
    pub(super) fn outside(&self, band: Option<&Band>) -> Option<String> {
        let band = band.filter(|band| !self.is_given && !band.holds(self.metres))?;
        Some(format!("{} (by {}) lies outside its heights, {band}: {MEND}", words(self.metres), self.source))
    }

    pub(super) fn fact(&self) -> Fact {
        Fact { what: "elevation", value: words(self.metres), source: self.source.clone() }
    }
}

fn median(around: &[(f64, &Station)]) -> Option<f64> {
    let mut heights: Vec<f64> = around.iter().map(|(_, station)| station.elevation_m).collect();
    heights.sort_by(f64::total_cmp);
    let (upper, lower) = (heights.get(heights.len() / 2)?, heights.get((heights.len() - 1) / 2)?);
    Some((upper + lower) / 2.0)
}

fn stations_words(around: &[(f64, &Station)]) -> String {
    match around {
        [(_, one)] => format!("station {}", one.id),
        several => format!("middle of {} stations around", several.len()),
    }
}

fn list(around: &[(f64, &Station)]) -> String {
    let one = |(km, station): &(f64, &Station)| format!("{} {} at {km:.0} km", station.id, words(station.elevation_m));
    around.iter().map(one).collect::<Vec<_>>().join(", ")
}

pub(super) fn words(metres: f64) -> String {
    format!("{metres:.0} m ({} ft)", grouped_feet(metres))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn station(id: &str, north: f64, elevation_m: f64) -> Station {
        Station {
            id: id.into(),
            name: id.into(),
            place: Point { latitude: 33.0 + north, longitude: -135.0 },
            elevation_m,
            time_zone: chrono_tz::America::Denver,
            observation_hour: None,
            sources: Vec::new(),
        }
    }

    const PLACE: Point = Point { latitude: 33.0, longitude: -135.0 };

    #[test]
    fn the_five_nearest_stations_within_fifty_kilometres_are_around() {
        let stations: Vec<Station> =
            (0..8).map(|n| station(&format!("S{n}"), 0.1 * f64::from(7 - n), 1000.0)).collect();
        let ids: Vec<&str> = around(PLACE, &stations).iter().map(|(_, station)| station.id.as_str()).collect();
        assert_eq!(ids, ["S7", "S6", "S5", "S4", "S3"]);
        assert!(around(Point { latitude: 40.0, ..PLACE }, &stations).is_empty());
    }

    #[test]
    fn stations_stand_for_a_height_only_where_they_agree() {
        let stations = [station("A", 0.1, 1500.0), station("B", 0.2, 1600.0), station("C", 0.3, 1790.0)];
        let near = around(PLACE, &stations);
        let height = of_stations(&near, "nobody was asked").unwrap();
        assert_eq!((height.metres, height.doubts.len(), height.remarks.len()), (1600.0, 0, 1));
        assert!(height.remarks[0].contains("A 1500 m (4,921 ft) at 11 km, B 1600 m"), "{:?}", height.remarks);
        let one = of_stations(&near[..1], "nobody was asked").unwrap();
        assert!(
            one.doubts[0].what.contains("one station alone says little")
                && one.doubts[0].mend.contains("--elevation-ft")
        );
        let apart = [station("A", 0.1, 1500.0), station("B", 0.2, 1801.0)];
        assert!(of_stations(&around(PLACE, &apart), "x").unwrap().doubts[0].what.contains("they do not agree"));
        assert!(of_stations(&[], "nobody was asked").unwrap_err().contains("--elevation-m or --elevation-ft"));
    }

    #[test]
    fn a_cell_far_above_the_stations_is_doubted_and_a_given_height_is_only_told() {
        let stations = [station("A", 0.1, 1500.0), station("B", 0.2, 1600.0)];
        let near = around(PLACE, &stations);
        let cell = |metres| Height::found(metres, "cell".into()).against(&near);
        assert_eq!(cell(1850.0).doubts.len(), 0);
        assert!(
            cell(2600.0).doubts[0].what.contains("2600 m (8,530 ft) is 1050 m above the middle of the stations around")
        );
        assert!(cell(1200.0).doubts[0].what.contains("350 m below"));
        let given = Height::given(2600.0).against(&near);
        assert_eq!((given.metres, given.doubts.len(), given.remarks.len()), (2600.0, 0, 1));
        assert_eq!(Height::found(2600.0, "cell".into()).against(&[]).doubts.len(), 0);
    }

    #[test]
    fn a_height_at_which_the_nearest_station_stands_is_not_doubted_for_others() {
        let at = |nearest_m| {
            let stations = [station("A", 0.1, nearest_m), station("B", 0.2, 2000.0), station("C", 0.3, 2100.0)];
            Height::found(1640.0, "cell".into()).against(&around(PLACE, &stations)).doubts.len()
        };
        assert_eq!((at(1636.0), at(1500.0)), (0, 1));
    }

    #[test]
    fn a_height_outside_of_its_band_is_told() {
        let band = Band { from_m: None, to_m: Some(1981.2) };
        let found = Height::found(2100.04, "cell".into());
        assert_eq!(found.metres, 2100.0);
        let said = found.outside(Some(&band)).unwrap();
        assert!(said.contains("2100 m (6,890 ft) (by cell) lies outside its heights, below 6,500 ft"), "{said}");
        assert_eq!(Height::found(1900.0, "cell".into()).outside(Some(&band)), None);
        // The region itself says it of a given one.
        assert_eq!(Height::given(2100.0).outside(Some(&band)), None);
    }
}
