//! Which stations stand for a region, and which others were looked at.

use chrono_tz::Tz;

use super::height::DISAGREE_M;
use super::no_station::NoStation;
use super::{Doubt, Fact, Ground, NewRegionError, Wish};
use crate::assessment::past::ENOUGH_YEARS;
use crate::geo::{Point, distance_km};
use crate::id::StationId;
use crate::service::station_choice::{Candidate, candidates, chosen, grid_point, lacks_a_past, new_station};
use crate::store::{Conflict, StoreError};
use crate::text::near_name;
use crate::weather::feeds::acis_grid;
use crate::weather::feeds::{chain, usual_sources};
use crate::weather::{FeedKind, Station};

/// So many that were not taken are shown with the reason.
const OTHERS_SHOWN: usize = 5;

/// The stations taken, and all that were looked at.
pub(super) struct Chosen {
    /// The region's own first.
    pub ids: Vec<StationId>,
    pub new: Vec<Station>,
    /// For comparing heights.
    pub seen: Vec<Station>,
    pub facts: Vec<Fact>,
    pub remarks: Vec<String>,
    pub doubts: Vec<Doubt>,
}

/// Those that were named, else the best that can be had. `zone` is the place's, which stations that are new get.
///
/// # Errors
/// When none is good enough to be taken unasked, or one that was named is unknown.
pub(super) async fn choose(
    wish: &Wish,
    place: Point,
    elevation_m: f64,
    zone: Tz,
    ground: &Ground,
) -> Result<Chosen, NewRegionError> {
    let stored = &ground.stations;
    if !wish.stations.is_empty() && wish.stations.iter().all(|id| is_among(id, stored)) {
        return Ok(named(wish, place, elevation_m, stored, stored, Vec::new()));
    }
    let directory = ground.look_ups.directory();
    let found = candidates(&ground.store, directory, place, Some(elevation_m), zone, ground.today).await?;
    let mut seen: Vec<Station> = found.rows.iter().map(|row| row.station.clone()).collect();
    if !wish.stations.is_empty() {
        seen.extend(
            ground
                .stations
                .iter()
                .filter(|station| !found.rows.iter().any(|row| row.station.id == station.id))
                .cloned(),
        );
        for stranger in &wish.stations {
            if is_among(stranger, &seen) {
                continue;
            }
            match ask_for(stranger, zone, ground).await? {
                Some(station) => seen.push(station),
                None => {
                    let known: Vec<&str> = seen.iter().map(|station| station.id.as_str()).collect();
                    let near = near_name(stranger.as_str(), &known);
                    return Err(StoreError::from(Conflict::UnknownStation { id: stranger.clone(), near }).into());
                }
            }
        }
        return Ok(named(wish, place, elevation_m, &seen, stored, found.remarks));
    }
    let taken = match (chosen(&found), wish.take_grid_point) {
        (stations, false) => stations,
        (stations, true) if stations.is_empty() => match grid_point(&found, place) {
            Some(point) => vec![point.clone()],
            None => {
                return Err(NewRegionError::refused(format!("no grid point can be had: {}", found.remarks.join("; "))));
            }
        },
        (stations, true) => {
            return Err(NewRegionError::refused(format!(
                "station {} is near, and what is measured is better than a grid's estimate: leave --grid-point out, or `grid` in a list",
                stations.first().map_or("", |station| station.id.as_str())
            )));
        }
    };
    if taken.is_empty() {
        let none = NoStation::of(&found.rows, &found.remarks, ground.today);
        return Err(NewRegionError::NoStation(Box::new(none)));
    }
    let mut facts: Vec<Fact> = Vec::new();
    let is_taken = |row: &Candidate| taken.iter().any(|station| station.id == row.station.id);
    // In the order in which they are taken, then as they were ranked.
    for station in &taken {
        if let Some(row) = found.rows.iter().find(|row| row.station.id == station.id) {
            facts.push(fact(station, format!("taken: {}", row.reasons.join(", "))));
        }
    }
    for row in found.rows.iter().filter(|row| !is_taken(row)).take(OTHERS_SHOWN) {
        let why = row.refused.clone().unwrap_or_else(|| row.reasons.join(", "));
        facts.push(Fact { what: "not taken", ..fact(&row.station, why) });
    }
    let own = found.rows.iter().find(|row| taken.first().is_some_and(|own| own.id == row.station.id));
    let doubts = own.filter(|row| !row.is_grid_point && lacks_a_past(row)).map(|row| Doubt {
        what: format!(
            "station {} has fewer than {ENOUGH_YEARS} past seasons, and no station near has more: its projections would lean on \
             other places or on years to come",
            row.station.id
        ),
        mend: "name one of a like place with --station, or as stations in a list, if you know one".into(),
    });
    let doubts = doubts.into_iter().chain(own.into_iter().flat_map(doubts_of));
    let is_new = |station: &&Station| found.rows.iter().any(|row| row.station.id == station.id && !row.in_store);
    Ok(Chosen {
        ids: taken.iter().map(|station| station.id.clone()).collect(),
        new: taken.iter().filter(is_new).cloned().collect(),
        // A grid's height is one more estimate, no station's.
        seen: seen.into_iter().filter(|station| !station.is_grid_point()).collect(),
        facts,
        remarks: found.remarks,
        doubts: doubts.collect(),
    })
}

/// A station that was named and is neither in the store nor among the best around: one request. `None` where nobody is asked,
/// or ACIS does not know it; also of one out of use, which `station add` brings back.
async fn ask_for(id: &StationId, zone: Tz, ground: &Ground) -> Result<Option<Station>, NewRegionError> {
    let Some(directory) = ground.look_ups.directory() else { return Ok(None) };
    if ground.store.all_stations().await?.iter().any(|stored| stored.station.id == *id) {
        return Ok(None);
    }
    let found = match acis_grid::grid_of_id(id) {
        Some((grid, place)) => {
            let cell = directory.cell(grid, place).await;
            cell.map(|cell| cell.map(|cell| acis_grid::station(grid, place, &cell, zone)))
        }
        None => {
            let Some(source) = usual_sources(id).into_iter().find(|source| source.feed == FeedKind::Acis) else {
                return Ok(None);
            };
            let listed = directory.find(&source.id).await;
            listed.map(|listed| listed.filter(|listed| listed.id == *id).and_then(|listed| new_station(&listed, zone)))
        }
    };
    found.map_err(|why| {
        NewRegionError::refused(format!(
            "station `{id}` is not in the store, and ACIS could not be asked: {}",
            chain(&why)
        ))
    })
}

fn is_among(id: &StationId, stations: &[Station]) -> bool {
    stations.iter().any(|station| station.id == *id)
}

/// The stations that were named, of those that are `known`.
fn named(
    wish: &Wish,
    place: Point,
    elevation_m: f64,
    known: &[Station],
    stored: &[Station],
    remarks: Vec<String>,
) -> Chosen {
    let named: Vec<&Station> =
        wish.stations.iter().filter_map(|id| known.iter().find(|station| station.id == *id)).collect();
    Chosen {
        ids: wish.stations.clone(),
        new: named.iter().filter(|one| !is_among(&one.id, stored)).map(|one| (*one).clone()).collect(),
        seen: known.to_vec(),
        facts: named.iter().map(|one| fact(one, format!("given: {}", away(one, place, elevation_m)))).collect(),
        remarks,
        doubts: Vec::new(),
    }
}

/// What is doubtful of a region's own station or grid point.
fn doubts_of(row: &Candidate) -> Vec<Doubt> {
    /// Holes are filled from neighbours, and a season with more of them is hardly its own. A rule of ours, no source.
    const MOST_MISSING: f64 = 0.2;
    let mut doubts = Vec::new();
    if let Some(higher_m) = row.higher_m.filter(|higher_m| row.is_grid_point && higher_m.abs() > DISAGREE_M) {
        doubts.push(Doubt {
            what: format!(
                "the grid's cell lies {:.0} m {} than the region, and all dates would be those of the cell",
                higher_m.abs(),
                if higher_m > 0.0 { "higher" } else { "lower" }
            ),
            mend:
                "see whether the region's height was given in metres or in feet; else name a station of a like height"
                    .into(),
        });
    }
    if let Some(missing) = row.missing_share.filter(|missing| !row.is_grid_point && *missing > MOST_MISSING) {
        doubts.push(Doubt {
            what: format!("station {} lacks {:.0} % of this season's days", row.station.id, missing * 100.0),
            mend: "name another with --station, or as stations in a list; neighbours fill its holes meanwhile".into(),
        });
    }
    doubts
}

fn fact(station: &Station, source: String) -> Fact {
    let kind = if station.is_grid_point() { ", a grid's estimate" } else { "" };
    Fact { what: "station", value: format!("{} ({}{kind})", station.id, station.name), source }
}

fn away(station: &Station, place: Point, elevation_m: f64) -> String {
    let higher_m = (station.elevation_m - elevation_m).round();
    let height = match () {
        () if higher_m == 0.0 => "at the same height".into(),
        () if higher_m > 0.0 => format!("{higher_m:.0} m higher"),
        () => format!("{:.0} m lower", -higher_m),
    };
    format!("{:.0} km away, {height}", distance_km(place, station.place))
}
