//! Whose hour of reading is known by what the station is, and whose is found in its record.

use std::collections::BTreeMap;

use super::Look;
use crate::geo::distance_km;
use crate::store::{Store, StoreError};
use crate::weather::feeds::acis_grid::{Grid, grid_of};
use crate::weather::reading_hour::{ReadingHour, eras, filed_maxima};
use crate::weather::record::RawSeries;
use crate::weather::station::reads_at_midnight;
use crate::weather::{FeedKind, Station, StationId};

/// A midnight station farther away has its weather at another time (our reference of feeds, section 7).
const MIDNIGHT_KM: f64 = 75.0;

/// Days that are what they are: of automatic stations, of a grid that tells when its days end, and of those that read at
/// midnight.
pub(in crate::service) fn is_fixed(station: &Station) -> bool {
    let automatic = |kind| match kind {
        FeedKind::Awdb | FeedKind::NwsObservations => true,
        FeedKind::AcisGrid => grid_of(station) == Some(Grid::Prism),
        _ => false,
    };
    let mut measured = station.sources.iter().filter(|source| !source.feed.is_forecast()).peekable();
    (measured.peek().is_some() && measured.all(|source| automatic(source.feed))) || reads_at_midnight(&station.id)
}

/// Whether a station's days run from midnight to midnight by what it is.
pub fn is_of_midnight(station: &Station) -> bool {
    is_fixed(station) && !station.is_grid_point()
}

/// At what hour a station is read whose own hour is not set, in words for staff.
pub fn unset_hour(station: &Station) -> &'static str {
    // Whole files of GHCN-Daily by station, and loggers, tell no hour.
    let may_tell = |kind| matches!(kind, FeedKind::Acis | FeedKind::DailySummaries);
    match () {
        () if station.is_grid_point() => "as the grid has it",
        () if is_of_midnight(station) => "midnight",
        () if station.sources.iter().any(|source| may_tell(source.feed)) => "as its source tells, else unknown",
        () => "unknown",
    }
}

/// Looks into the records of those whose hour nobody told.
pub(super) async fn find_hours(store: &Store, stored: &[&Station], looks: &mut [Look]) -> Result<(), StoreError> {
    let mut midnight: BTreeMap<StationId, RawSeries> = BTreeMap::new();
    for look in looks.iter_mut().filter(|look| look.hour == ReadingHour::Unknown) {
        let Some(maxima) = &look.maxima else { continue };
        for (km, other) in midnight_stations(&look.station, stored) {
            let series = match midnight.remove(&other.id) {
                Some(series) => series,
                None => filed_maxima(&store.record(&other.id).await?),
            };
            let eras = eras(maxima, &series);
            midnight.insert(other.id.clone(), series);
            if !eras.is_empty() {
                look.hour = ReadingHour::Found { neighbour: other.id.clone(), distance_km: km, eras };
                break;
            }
        }
    }
    Ok(())
}

/// The two nearest stations whose days run from midnight to midnight.
pub(in crate::service) fn midnight_stations<'a>(station: &Station, all: &[&'a Station]) -> Vec<(f64, &'a Station)> {
    let mut near: Vec<(f64, &Station)> = all
        .iter()
        .filter(|other| reads_at_midnight(&other.id) && other.id != station.id)
        .map(|other| (distance_km(station.place, other.place), *other))
        .filter(|(km, _)| *km <= MIDNIGHT_KM)
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    near.truncate(2);
    near
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geo::Point;
    use crate::weather::SourceRef;
    use crate::weather::feeds::acis_grid::source_of;
    use crate::weather::feeds::usual_sources;

    #[test]
    fn an_hour_that_is_not_set_is_called_midnight_only_where_it_is() {
        let place = Point { latitude: 35.0, longitude: -135.0 };
        let of = |id: &str, sources: Vec<SourceRef>| {
            unset_hour(&Station {
                id: id.into(),
                name: id.into(),
                place,
                elevation_m: 2000.0,
                time_zone: chrono_tz::America::Denver,
                observation_hour: None,
                sources,
            })
        };
        let logger = vec![SourceRef { feed: FeedKind::PlainCsv, id: "/data/logger.csv".into() }];
        assert_eq!(of("USC00299001", usual_sources(&"USC00299001".into())), "as its source tells, else unknown");
        assert_eq!(of("logger", logger), "unknown");
        assert_eq!(of("USW00099902", usual_sources(&"USW00099902".into())), "midnight");
        assert_eq!(of("9901:XA:SNTL", usual_sources(&"9901:XA:SNTL".into())), "midnight");
        assert_eq!(of("GRID", vec![source_of(Grid::Prism, place)]), "as the grid has it");
    }
}
