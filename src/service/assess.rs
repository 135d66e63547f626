//! One region, one season, one day: record to outlook to decision. Pure but for where its inputs come from.

use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};

use crate::config::WeatherConfig;
use crate::heat::FilledDay;
use crate::heat::projection::{Dressing, PastSeason, Projector, SeasonProjector};
use crate::region::{Region, Release};
use crate::season::decide::{self, Decision, Facts, Told};
use crate::season::outlook::{self, OutlookInput, PastYear};
use crate::season::{FieldReport, HeatDay, Outlook, Policy, Profile, SeasonKey};
use crate::weather::Station;
use crate::weather::normals::Normals;
use crate::weather::prepare::{self, Member, Prepared};
use crate::weather::quality::Rejected;
use crate::weather::record::{Known, RecordIndex};

/// A past year serves as a trace when at most this share of its days up to the last stage is the calendar mean.
const MOST_CLIMATOLOGY: f64 = 0.1;

/// A season is followed for a year, counted with a 29 February.
pub const SEASON_DAYS: usize = 366;

/// Fewer earlier years than this, and a replay borrows later ones, saying so.
const ENOUGH_EARLIER_YEARS: usize = 10;

/// A station with its record in memory.
#[derive(Clone, Debug)]
pub struct StationBook {
    pub station: Station,
    pub record: RecordIndex,
}

/// Which other years stand for what may still come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PastFrom {
    /// Years before the season: what could be known then.
    Earlier,
    /// All other years, since too few lie before it.
    AllOthers,
}

/// What stays the same over a region's season: the usual weather and the past years.
pub struct SeasonDesk {
    pub key: SeasonKey,
    profile: Profile,
    primary: Arc<StationBook>,
    books: Vec<Arc<StationBook>>,
    normals: Vec<Normals>,
    past: Vec<PastSeason>,
    projector: SeasonProjector,
    pub past_from: PastFrom,
}

/// What one day's look at a region came to.
#[derive(Clone, Debug)]
pub struct Assessment {
    pub heat: Vec<HeatDay>,
    /// The forecast's days that follow it.
    pub forecast: Vec<HeatDay>,
    pub rejected: Vec<Rejected>,
    pub outlook: Outlook,
    pub decision: Decision,
}

/// The rest of what a day's assessment rests on.
#[derive(Clone, Copy, Debug)]
pub struct DayFacts<'a> {
    /// The region's local day.
    pub today: NaiveDate,
    pub now: DateTime<Utc>,
    /// The station's forecast, in order of days; may be empty.
    pub forecast: &'a [FilledDay],
    pub told: &'a [Told],
    pub reports: &'a [FieldReport],
}

impl SeasonDesk {
    /// `books` in the region's order, its own station first. `as_known` decides what may be known of the past.
    /// `None` when the region has no station.
    pub fn open(
        region: &Region,
        profile: &Profile,
        season: i32,
        books: Vec<Arc<StationBook>>,
        rules: &WeatherConfig,
        as_known: Known,
    ) -> Option<Self> {
        let primary = Arc::clone(books.first()?);
        let normals_of =
            |book: &StationBook, known| Normals::around(&book.record, known, &book.station.sources, season);
        let past_of = |known| {
            let normals = normals_of(&primary, known);
            let member = Member { station: &primary.station, record: &primary.record, normals: &normals };
            past_seasons(profile, season, &prepare::past_years(&member, rules, known, season))
        };
        let mut past = past_of(as_known);
        let mut past_from = PastFrom::Earlier;
        let mut normals_known = as_known;
        if past.len() < ENOUGH_EARLIER_YEARS {
            let all = past_of(Known::Everything);
            if all.len() > past.len() {
                (past, past_from, normals_known) = (all, PastFrom::AllOthers, Known::Everything);
            }
        }
        let normals = books.iter().map(|book| normals_of(book, normals_known)).collect();
        let projector = Projector::new(profile.heat, SEASON_DAYS, &past).for_season(season);
        let key = SeasonKey { profile: profile.id.clone(), region: region.id.clone(), year: season };
        Some(Self { key, profile: profile.clone(), primary, books, normals, past, projector, past_from })
    }

    /// The region's own station. A desk is only opened with one.
    pub fn station(&self) -> &Station {
        &self.primary.station
    }

    /// The season's days as known, filled where need be.
    pub fn days(&self, rules: &WeatherConfig, known: Known, today: NaiveDate) -> Prepared {
        let members: Vec<Member<'_>> = self
            .books
            .iter()
            .zip(&self.normals)
            .map(|(book, normals)| Member { station: &book.station, record: &book.record, normals })
            .collect();
        match members.split_first() {
            Some((primary, neighbours)) => {
                prepare::season_days(primary, neighbours, rules, known, self.profile.first_day(self.key.year), today)
            }
            // A desk is only opened with a station.
            None => Prepared { days: Vec::new(), rejected: Vec::new(), newest_real_day: None, filled_days: 0 },
        }
    }

    /// The past years the projection leans on.
    pub fn past(&self) -> &[PastSeason] {
        &self.past
    }

    /// How many past years the projection leans on.
    pub fn past_years(&self) -> usize {
        self.projector.seasons().len()
    }

    /// Record to decision for one day, with what was known at that moment.
    pub fn assess(&self, rules: &WeatherConfig, policy: &Policy, release: Release, facts: &DayFacts<'_>) -> Assessment {
        let known = Known::At { instant: facts.now, bulk_latency_days: rules.bulk_latency_days };
        self.look(known, rules, policy, release, facts)
    }

    /// As [`SeasonDesk::assess`], with all that was ever received.
    pub fn look_back(
        &self,
        rules: &WeatherConfig,
        policy: &Policy,
        release: Release,
        facts: &DayFacts<'_>,
    ) -> Assessment {
        self.look(Known::Everything, rules, policy, release, facts)
    }

    fn look(
        &self,
        known: Known,
        rules: &WeatherConfig,
        policy: &Policy,
        release: Release,
        facts: &DayFacts<'_>,
    ) -> Assessment {
        let prepared = self.days(rules, known, facts.today);
        let heat = outlook::season_heat(&self.profile, self.key.year, &prepared.days);
        let ensemble = outlook::projected_ensemble(
            &self.profile,
            self.key.year,
            &self.projector,
            &heat,
            &prepared.days,
            facts.forecast,
            &Dressing::default(),
        );
        let outlook = outlook::make(&OutlookInput {
            season: &self.key,
            profile: &self.profile,
            policy,
            station: &self.primary.station.id.0,
            today: facts.today,
            heat: &heat,
            ensemble: &ensemble,
            reports: facts.reports,
        });
        let decision = decide::decide(&Facts {
            profile: &self.profile,
            policy,
            release,
            outlook: &outlook,
            told: facts.told,
            reports: facts.reports,
            today: facts.today,
        });
        let forecast = self.forecast_heat(&prepared.days, facts.forecast);
        Assessment { heat, forecast, rejected: prepared.rejected, outlook, decision }
    }
}

impl SeasonDesk {
    /// The forecast's own days that follow the record without a hole.
    fn forecast_heat(&self, days: &[FilledDay], forecast: &[FilledDay]) -> Vec<HeatDay> {
        let Some(last) = days.last().map(|day| day.day) else { return Vec::new() };
        let ahead = forecast.iter().filter(|day| day.day > last).zip(last.iter_days().skip(1));
        let ahead = ahead.map_while(|(forecast, day)| (forecast.day == day).then(|| forecast.clone()));
        let joined: Vec<FilledDay> = days.iter().cloned().chain(ahead).collect();
        let mut heat = outlook::season_heat(&self.profile, self.key.year, &joined);
        heat.retain(|day| day.day > last);
        heat
    }
}

/// Calendar years joined and cut into the profile's seasons, the season itself left out, and of the others those that
/// can serve as futures.
pub fn past_seasons(profile: &Profile, season: i32, years: &[prepare::PastYear]) -> Vec<PastSeason> {
    let days: Vec<FilledDay> = years.iter().flat_map(|year| year.days.iter().cloned()).collect();
    years
        .iter()
        .map(|year| year.year)
        .filter(|year| *year != season)
        .filter_map(|year| {
            let (first, last) = (profile.first_day(year), profile.last_day(year));
            let from = days.partition_point(|day| day.day < first);
            let to = days.partition_point(|day| day.day <= last);
            let of_season = days.get(from..to)?;
            PastYear::from_days(profile, year, of_season, MOST_CLIMATOLOGY)?;
            let days = of_season.iter().map(|day| day.temperatures).collect();
            Some(PastSeason { season: year, first, days })
        })
        .collect()
}
