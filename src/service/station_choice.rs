//! Which stations may stand for a place, the best first, each with the reasons of its rank.
//!
//! Candidates come from the store and, with the network, from ACIS's directory: one request for the list, one for the season's
//! days of the best of them, one for a grid point where no station is near. Nothing is saved here.

mod facts;
mod hours;
pub(super) mod rank;

use std::collections::BTreeMap;

use chrono::NaiveDate;
use chrono_tz::Tz;
use serde::Serialize;

pub use self::facts::recent_whole_seasons;
use self::hours::find_hours;
pub(super) use self::hours::{is_fixed, midnight_stations};
pub use self::hours::{is_of_midnight, unset_hour};
use self::rank::{Facts, rank};
pub use self::rank::{Seasons, is_far_in_height, still_reports};
use crate::assessment::past::ENOUGH_YEARS;
use crate::geo::{Point, distance_km};
use crate::store::{Store, StoreError};
use crate::weather::feeds::acis_directory::{AcisDirectory, ListedStation};
use crate::weather::feeds::acis_grid::{self, Grid};
use crate::weather::feeds::{Parsed, chain};
use crate::weather::reading_hour::{ReadingHour, filed_maxima, told_hour};
use crate::weather::record::RawSeries;
use crate::weather::{FeedKind, Station, StationId};

/// What there is to choose from.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Candidates {
    /// The best first; those that are refused after all others, and a grid point at last.
    pub rows: Vec<Candidate>,
    /// What could not be asked, what was left out and what staff should know, in whole sentences.
    pub remarks: Vec<String>,
}

/// One station, seen from the place.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Candidate {
    /// Ready to be saved where it is not in the store.
    pub station: Station,
    pub in_store: bool,
    pub is_grid_point: bool,
    pub distance_km: f64,
    /// Above the place, metres; `None` where the place's height is not known.
    pub higher_m: Option<f64>,
    /// The last day with both values, as far as is known.
    pub last_day: Option<NaiveDate>,
    pub past_seasons: Seasons,
    /// Of the season's days up to the station's last, from 0 to 1.
    pub missing_share: Option<f64>,
    pub reading_hour: ReadingHour,
    /// What made its rank.
    pub reasons: Vec<String>,
    /// Why it is not taken unless a person says so.
    pub refused: Option<String>,
    /// What all that weighs, km: the lower, the better.
    pub counts_as_km: f64,
}

/// Stations farther away are not looked at, unless there is none nearer.
pub(super) const REACH_KM: f64 = 120.0;
/// Looked at in depth; more would only be farther.
const LOOKED_AT: usize = 12;
/// A station of its own and two to fill its gaps.
const CHOSEN: usize = 3;

/// The stations to take for the place: its own first, then two that fill its gaps. Never a grid point, never one that is
/// refused; empty where none is near enough. Its own has past seasons enough to be projected from, unless none of them has.
pub fn chosen(candidates: &Candidates) -> Vec<Station> {
    let fit = candidates.rows.iter().filter(|row| row.refused.is_none() && !row.is_grid_point);
    fit.take(CHOSEN).map(|row| row.station.clone()).collect()
}

/// Whether fewer past seasons are on record, or can be, than a projection stands on.
pub fn lacks_a_past(row: &Candidate) -> bool {
    match row.past_seasons {
        Seasons::Counted(count) | Seasons::AtMost(count) => (count as usize) < ENOUGH_YEARS,
        Seasons::Unknown => true,
    }
}

/// The grid point that may be taken where no station is near, by a person's own word only: one that is new, or the place's own
/// that another region stands on already.
pub fn grid_point(candidates: &Candidates, place: Point) -> Option<&Station> {
    let own = Grid::ALL.map(|grid| acis_grid::id_of(grid, place));
    let may_be_taken = |row: &&Candidate| row.is_grid_point && (!row.in_store || own.contains(&row.station.id));
    candidates.rows.iter().find(may_be_taken).map(|row| &row.station)
}

/// Looks for stations around a place. `time_zone` is the place's, which stations that are new get; without `directory` only
/// the store is asked. What the network does not tell is a remark, never an error.
///
/// # Errors
/// When the store cannot be read.
pub async fn candidates(
    store: &Store,
    directory: Option<&AcisDirectory>,
    place: Point,
    elevation_m: Option<f64>,
    time_zone: Tz,
    today: NaiveDate,
) -> Result<Candidates, StoreError> {
    let seen_from = SeenFrom { place, elevation_m, today };
    let mut remarks = Vec::new();
    if elevation_m.is_none() {
        remarks.push("the height of the place is not known, so heights are not compared".to_owned());
    }
    let stored = store.all_stations().await?;
    let retired: Vec<&StationId> =
        stored.iter().filter(|stored| stored.retired_at.is_some()).map(|stored| &stored.station.id).collect();
    let mut drafts: BTreeMap<StationId, Draft> = stored
        .iter()
        .filter(|stored| stored.retired_at.is_none())
        .map(|stored| (stored.station.id.clone(), Draft::stored(stored.station.clone())))
        .collect();
    let list = match directory {
        Some(directory) => directory.around(place, REACH_KM).await,
        None => {
            remarks.push("nobody was asked over the network: only stations of the store are compared".into());
            Ok(Default::default())
        }
    };
    let was_asked = directory.is_some() && list.is_ok();
    match list {
        Ok(list) => {
            if !list.left_out.is_empty() {
                remarks.push(format!("of ACIS's list was left out: {}", list.left_out));
            }
            let (mut without_record, mut without_height) = (0, 0);
            for listed in list.stations {
                match drafts.get_mut(&listed.id) {
                    Some(draft) => draft.listed = Some(listed),
                    None if listed.both().is_none() => without_record += 1,
                    None if retired.contains(&&listed.id) => {}
                    None => match new_station(&listed, time_zone) {
                        Some(station) => {
                            let draft = Draft { station, in_store: false, listed: Some(listed) };
                            drafts.insert(draft.station.id.clone(), draft);
                        }
                        None => without_height += 1,
                    },
                }
            }
            if without_record > 0 {
                remarks.push(format!("{without_record} of ACIS's stations around never had both values: left out"));
            }
            if without_height > 0 {
                remarks.push(format!("{without_height} of ACIS's stations around have no height: left out"));
            }
        }
        Err(why) => remarks.push(format!("ACIS could not be asked for stations: {}", chain(&why))),
    }

    let drafts = seen_from.best_at_hand(drafts.into_values().collect());
    let fetched: Vec<StationId> = store.backfills().await?.into_iter().map(|done| done.station).collect();
    let mut looks = Vec::new();
    for draft in drafts {
        looks.push(Look::at(store, draft, &fetched, today).await?);
    }
    if let Some(directory) = directory.filter(|_| was_asked) {
        ask_for_the_season(directory, &mut looks, today, &mut remarks).await;
    }
    find_hours(store, &stored.iter().map(|stored| &stored.station).collect::<Vec<_>>(), &mut looks).await?;

    let mut rows: Vec<Candidate> = looks.into_iter().map(|look| seen_from.row(look)).collect();
    rows.sort_by(|a, b| {
        let key = |row: &Candidate| (row.is_grid_point, row.refused.is_some());
        key(a)
            .cmp(&key(b))
            .then(a.counts_as_km.total_cmp(&b.counts_as_km))
            .then_with(|| a.station.id.cmp(&b.station.id))
    });
    put_one_with_a_past_first(&mut rows);
    for row in rows.iter().filter(|row| row.in_store) {
        if let (Some(hour), None) = (row.reading_hour.setting(), row.station.observation_hour) {
            remarks.push(format!(
                "{id} files yesterday's maximum, as its record shows beside that of a midnight station: \
                 `treebell station change {id} --observation-hour {hour}` puts what is to come on its day",
                id = row.station.id
            ));
        }
    }
    let mut candidates = Candidates { rows, remarks };
    if chosen(&candidates).is_empty() {
        offer_grid_point(&mut candidates, directory, &seen_from, time_zone).await;
    }
    Ok(candidates)
}

/// A projection stands on the past of a region's own station: the nearest that has one is before those that have none.
fn put_one_with_a_past_first(rows: &mut [Candidate]) {
    let is_fit = |row: &Candidate| row.refused.is_none() && !row.is_grid_point;
    if rows.first().is_none_or(|first| !is_fit(first) || !lacks_a_past(first)) {
        return;
    }
    let Some(at) = rows.iter().position(|row| is_fit(row) && !lacks_a_past(row)) else { return };
    rows[at].reasons.push(format!("first, since those before it have fewer than {ENOUGH_YEARS} past seasons"));
    rows[..=at].rotate_right(1);
}

/// The place that stations are held against.
struct SeenFrom {
    place: Point,
    elevation_m: Option<f64>,
    today: NaiveDate,
}

/// A station before its record was looked at.
struct Draft {
    station: Station,
    in_store: bool,
    listed: Option<ListedStation>,
}

impl Draft {
    fn stored(station: Station) -> Self {
        Self { station, in_store: true, listed: None }
    }
}

/// A station with what is known of its record.
struct Look {
    station: Station,
    in_store: bool,
    last_day: Option<NaiveDate>,
    seasons: Seasons,
    missing_share: Option<f64>,
    hour: ReadingHour,
    /// A directory said from when to when it has values.
    is_listed: bool,
    /// The last day with both values in the store.
    stored_until: Option<NaiveDate>,
    /// It was asked for the season's days, and none came.
    is_silent: bool,
    /// Maxima on the days they were filed under, of a station in the store.
    maxima: Option<RawSeries>,
}

/// A listed station as it would be saved; `None` where its height is not told.
pub(super) fn new_station(listed: &ListedStation, time_zone: Tz) -> Option<Station> {
    Some(Station {
        id: listed.id.clone(),
        name: if listed.name.is_empty() { listed.id.0.clone() } else { listed.name.clone() },
        place: listed.place,
        elevation_m: listed.elevation_m?,
        time_zone,
        observation_hour: None,
        sources: listed.sources.clone(),
    })
}

impl SeenFrom {
    /// The stations that are worth a look at their record: by distance and height, those that stopped long ago behind.
    fn best_at_hand(&self, mut drafts: Vec<Draft>) -> Vec<Draft> {
        let key = |draft: &Draft| {
            let facts = Facts {
                // Not told yet; a listed station's range tells whether it stopped.
                last_day: draft
                    .listed
                    .as_ref()
                    .map_or(Some(self.today), |listed| listed.both().map(|both| *both.end())),
                seasons: Seasons::Unknown,
                missing_share: None,
                hour_is_known: true,
                is_listed: true,
                is_silent: false,
                distance_km: distance_km(self.place, draft.station.place),
                higher_m: self.higher(&draft.station),
            };
            let rank = rank(&facts, self.today);
            (rank.refused.is_some(), rank.km)
        };
        drafts.sort_by(|a, b| {
            let (a_key, b_key) = (key(a), key(b));
            a_key.0.cmp(&b_key.0).then(a_key.1.total_cmp(&b_key.1)).then_with(|| a.station.id.cmp(&b.station.id))
        });
        let is_near = |draft: &Draft| distance_km(self.place, draft.station.place) <= REACH_KM;
        if drafts.iter().any(is_near) {
            drafts.retain(is_near);
        } else {
            // So that a person sees what the best at hand would be.
            drafts.truncate(CHOSEN);
        }
        drafts.truncate(LOOKED_AT);
        drafts
    }

    fn higher(&self, station: &Station) -> Option<f64> {
        self.elevation_m.map(|place_m| station.elevation_m - place_m)
    }

    fn row(&self, look: Look) -> Candidate {
        let distance_km = distance_km(self.place, look.station.place);
        let facts = Facts {
            distance_km,
            higher_m: self.higher(&look.station),
            last_day: look.last_day,
            seasons: look.seasons,
            missing_share: look.missing_share,
            hour_is_known: look.hour.is_known(),
            is_listed: look.is_listed,
            is_silent: look.is_silent,
        };
        let mut rank = rank(&facts, self.today);
        let is_grid_point = look.station.is_grid_point();
        if is_grid_point {
            rank.refused = Some(GRID_REFUSED.into());
        }
        Candidate {
            station: look.station,
            in_store: look.in_store,
            is_grid_point,
            distance_km,
            higher_m: facts.higher_m,
            last_day: facts.last_day,
            past_seasons: facts.seasons,
            missing_share: facts.missing_share,
            reading_hour: look.hour,
            reasons: rank.reasons,
            refused: rank.refused,
            counts_as_km: rank.km,
        }
    }
}

const GRID_REFUSED: &str = "a grid's estimate, which nobody measured: taken only when you ask for it";

impl Look {
    /// `fetched` are those whose whole record is in the store.
    async fn at(store: &Store, draft: Draft, fetched: &[StationId], today: NaiveDate) -> Result<Self, StoreError> {
        let Draft { station, in_store, listed } = draft;
        let is_listed = listed.is_some();
        let record = if in_store { store.record(&station.id).await? } else { Default::default() };
        let complete = facts::complete_days(&record);
        let of_days = facts::of_days(&complete, today);
        let listed = listed.and_then(|listed| listed.both());
        let listed_end = listed.as_ref().map(|both| (*both.end()).min(today));
        let seasons = match (&listed, of_days.last_day) {
            // Of a record that is yet to be fetched, the days that are there say nothing.
            (Some(both), Some(_)) if !fetched.contains(&station.id) => match facts::seasons_between(both, today) {
                Seasons::AtMost(most) if most > of_days.whole_seasons => Seasons::AtMost(most),
                _ => Seasons::Counted(of_days.whole_seasons),
            },
            (_, Some(_)) => Seasons::Counted(of_days.whole_seasons),
            (Some(both), None) => facts::seasons_between(both, today),
            (None, None) => Seasons::Unknown,
        };
        let hour = match station.observation_hour {
            _ if is_fixed(&station) => ReadingHour::ByConstruction,
            Some(hour) => ReadingHour::Set { hour },
            None if of_days.last_day.is_some_and(|last| facts::mostly_shifted(&record, last)) => {
                ReadingHour::ToldMorning
            }
            None => ReadingHour::Unknown,
        };
        let maxima = of_days.last_day.is_some().then(|| filed_maxima(&record));
        Ok(Self {
            station,
            in_store,
            last_day: of_days.last_day.max(listed_end),
            seasons,
            missing_share: of_days.missing_share,
            hour,
            is_listed,
            stored_until: of_days.last_day,
            is_silent: false,
            maxima,
        })
    }

    fn acis(&self) -> Option<(StationId, String)> {
        let source = self.station.sources.iter().find(|source| source.feed == FeedKind::Acis)?;
        Some((self.station.id.clone(), source.id.clone()))
    }

    /// The season's days as ACIS has them.
    fn take_season(&mut self, parsed: &Parsed, today: NaiveDate) {
        let of_days = facts::of_days(&facts::complete_days_of(&parsed.readings), today);
        // The days it is listed for can lie ahead of the last one that came, and can be open.
        self.last_day = self.stored_until.max(of_days.last_day);
        self.is_silent = of_days.last_day.is_none();
        // What the store has and what ACIS has fill each other's holes.
        self.missing_share = match (of_days.missing_share, self.missing_share) {
            (Some(theirs), Some(ours)) => Some(theirs.min(ours)),
            (theirs, ours) => theirs.or(ours),
        };
        if let (ReadingHour::Unknown | ReadingHour::ToldMorning, Some(hour)) = (&self.hour, told_hour(&parsed.readings))
        {
            self.hour = ReadingHour::Told { hour };
        }
    }
}

/// One question for the season's days of all that ACIS knows.
async fn ask_for_the_season(
    directory: &AcisDirectory,
    looks: &mut [Look],
    today: NaiveDate,
    remarks: &mut Vec<String>,
) {
    let from = *facts::season_days(today).start();
    // Who stopped before the season needs no question.
    let reporting = |look: &&Look| look.last_day.is_some_and(|last| last >= from);
    let asked: Vec<_> = looks.iter().filter(reporting).filter_map(Look::acis).collect();
    if asked.is_empty() {
        return;
    }
    match directory.days_of(&asked, from, today).await {
        Ok(found) => {
            // Who does not come back has no day.
            let none = Parsed::default();
            for (id, _) in &asked {
                let parsed = found.iter().find(|(of, _)| of == id).map_or(&none, |(_, parsed)| parsed);
                if let Some(look) = looks.iter_mut().find(|look| look.station.id == *id) {
                    look.take_season(parsed, today);
                }
            }
        }
        Err(why) => remarks.push(format!("ACIS gave no days of this season: {}", chain(&why))),
    }
}

/// At last, where no station is near: a grid point.
async fn offer_grid_point(
    candidates: &mut Candidates,
    directory: Option<&AcisDirectory>,
    seen_from: &SeenFrom,
    time_zone: Tz,
) {
    let Some(directory) = directory else {
        candidates.remarks.push("a grid point can be offered with the network only".into());
        return;
    };
    let place = seen_from.place;
    let own = Grid::ALL.map(|grid| acis_grid::id_of(grid, place));
    if candidates.rows.iter().any(|row| own.contains(&row.station.id)) {
        return;
    }
    match directory.cell(Grid::Prism, place).await {
        Ok(Some(cell)) => {
            let station = acis_grid::station(Grid::Prism, place, &cell, time_zone);
            let look = Look {
                station,
                in_store: false,
                last_day: seen_from.today.pred_opt(),
                seasons: facts::seasons_between(&(Grid::first_day()..=seen_from.today), seen_from.today),
                missing_share: None,
                hour: ReadingHour::ByConstruction,
                is_listed: true,
                stored_until: None,
                is_silent: false,
                maxima: None,
            };
            candidates.rows.push(seen_from.row(look));
            candidates.remarks.push(format!(
                "no station is near: a grid point stands last. Nobody has measured how well it agrees with stations here: \
                 `treebell station compare` does. Its terms: {}",
                Grid::Prism.terms()
            ));
        }
        Ok(None) => candidates.remarks.push(format!(
            "no station is near, and the {} grid has no values there: is it the sea or another country?",
            Grid::Prism.title()
        )),
        Err(why) => {
            candidates.remarks.push(format!("no station is near, and no grid point could be had: {}", chain(&why)))
        }
    }
}
