//! One region, one season, one day: record to outlook to decision.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, NaiveDate, Utc};

use crate::assessment::past::{Asked, PastFrom, StationHistory, StationPast};
use crate::heat::FilledDay;
use crate::heat::projection::PastSeason;
use crate::region::{Region, Release};
use crate::season::belief::SeasonBelief;
use crate::season::decide::{self, DecidedNotice, Decision, Facts};
use crate::season::outlook::{self, ForecastSkill, Insect, OutlookInput};
use crate::season::{Borrowed, FieldReport, ForecastFit, HeatDay, Outlook, Policy, Profile, SeasonKey, WindowDays};
use crate::weather::Station;
use crate::weather::normals::Normals;
use crate::weather::prepare::{self, Member, Prepared};
use crate::weather::record::Known;
use crate::weather::rejection::Rejected;
use crate::weather::settings::WeatherConfig;

/// What stays the same over a region's season: the usual weather and the past years.
pub struct SeasonModel {
    pub key: SeasonKey,
    profile: Profile,
    stations: Arc<StationsSeason>,
    past: Arc<StationPast>,
    pub past_from: PastFrom,
    recent: Arc<RecentWork>,
}

/// What was made of the beliefs asked for last, and the outlooks made last: regions that go by the same stations agree in
/// both until somebody reports from one of them. Models that are looked at one after the other share it.
#[derive(Default)]
pub struct RecentWork {
    insects: Mutex<VecDeque<(Profile, SeasonBelief, Arc<Insect>)>>,
    outlooks: Mutex<VecDeque<(MadeFrom, Arc<Made>)>>,
}

/// A look asks for two beliefs where something was learned: what holds now, and what held before.
const RECENT: usize = 2;

/// What an outlook hangs on, beside the region's own reports.
struct MadeFrom {
    profile: Profile,
    prepared: Arc<Prepared>,
    past: Arc<StationPast>,
    today: NaiveDate,
    forecast: Vec<FilledDay>,
    forecast_fit: Option<ForecastFit>,
    belief: SeasonBelief,
    policy: Policy,
}

/// A season's heat to date, and the outlook from it.
struct Made {
    heat: Vec<HeatDay>,
    outlook: Outlook,
}

impl MadeFrom {
    fn is(&self, of: &SeasonModel, prepared: &Arc<Prepared>, policy: &Policy, facts: &DayFacts<'_>) -> bool {
        Arc::ptr_eq(&self.prepared, prepared)
            && Arc::ptr_eq(&self.past, &of.past)
            && self.today == facts.today
            && self.forecast == facts.forecast
            && self.forecast_fit == facts.forecast_fit
            && self.belief == *facts.belief
            && self.policy == *policy
            && self.profile == of.profile
    }
}

/// The stations of one or more regions in a season: regions of one mountain that go by the same stations share their work.
pub struct StationsSeason {
    /// The regions' own station.
    primary: Arc<StationHistory>,
    /// In the regions' order, their own first.
    histories: Vec<Arc<StationHistory>>,
    normals: Vec<Arc<Normals>>,
    /// The season's days as they were prepared last, and by what.
    prepared: Mutex<Option<(PreparedBy, Arc<Prepared>)>>,
}

/// What the days of a season hang on, beside its stations.
#[derive(Clone, Debug, PartialEq)]
struct PreparedBy {
    rules: WeatherConfig,
    known: Known,
    first: NaiveDate,
    today: NaiveDate,
}

impl StationsSeason {
    /// `histories` in the regions' order, their own station first; `past` is that station's. `None` without a station.
    pub fn new(asked: &Asked<'_>, histories: Vec<Arc<StationHistory>>, past: &StationPast) -> Option<Self> {
        let known = past.from.known_as(asked.known);
        let normals_of =
            |of: &Arc<StationHistory>| Normals::around(&of.record, known, &of.station.sources, asked.season);
        let normals = histories.iter().map(normals_of).map(Arc::new).collect();
        Self::with_normals(histories, normals)
    }

    /// As [`StationsSeason::new`], with the normals of each station around the season, as known. Of the records only
    /// the days from [`prepare::season_reads_from`] the season's first on are looked at.
    pub fn with_normals(histories: Vec<Arc<StationHistory>>, normals: Vec<Arc<Normals>>) -> Option<Self> {
        let primary = Arc::clone(histories.first()?);
        Some(Self { primary, histories, normals, prepared: Mutex::default() })
    }

    /// The days from `first` as known, filled where need be: worked out once for all who ask the same.
    fn days(&self, rules: &WeatherConfig, known: Known, first: NaiveDate, today: NaiveDate) -> Arc<Prepared> {
        let by = PreparedBy { rules: rules.clone(), known, first, today };
        let mut last = self.prepared.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, prepared)) = last.as_ref().filter(|(of, _)| *of == by) {
            return Arc::clone(prepared);
        }
        #[cfg(test)]
        PREPARATIONS.set(PREPARATIONS.get() + 1);
        let prepared = Arc::new(days_from(first, &self.histories, &self.normals, rules, known, today));
        *last = Some((by, Arc::clone(&prepared)));
        prepared
    }
}

impl RecentWork {
    fn insect(&self, profile: &Profile, belief: &SeasonBelief) -> Arc<Insect> {
        let mut last = self.insects.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((.., insect)) = last.iter().find(|(of, believed, _)| believed == belief && of == profile) {
            return Arc::clone(insect);
        }
        let insect = Arc::new(Insect::of(profile, belief));
        last.truncate(RECENT - 1);
        last.push_front((profile.clone(), belief.clone(), Arc::clone(&insect)));
        insect
    }

    fn outlook(&self, is: impl Fn(&MadeFrom) -> bool) -> Option<Arc<Made>> {
        let last = self.outlooks.lock().unwrap_or_else(PoisonError::into_inner);
        last.iter().find(|(from, _)| is(from)).map(|(_, made)| Arc::clone(made))
    }

    fn keep(&self, from: MadeFrom, made: Made) {
        let mut last = self.outlooks.lock().unwrap_or_else(PoisonError::into_inner);
        last.truncate(RECENT - 1);
        last.push_front((from, Arc::new(made)));
    }
}

/// What one day's look at a region came to.
#[derive(Clone, Debug)]
pub struct Assessment {
    pub heat: Vec<HeatDay>,
    /// The forecast's days that follow it.
    pub forecast: Vec<HeatDay>,
    pub rejected: Vec<Rejected>,
    pub outlook: Outlook,
    /// The days of the window, as every surface shows them.
    pub days: WindowDays,
    pub decision: Decision,
}

/// The rest of what a day's assessment rests on.
#[derive(Clone, Copy, Debug)]
pub struct DayFacts<'a> {
    /// The region's local day.
    pub today: NaiveDate,
    pub now: DateTime<Utc>,
    /// The station's forecast, fitted to it, in order of days; may be empty.
    pub forecast: &'a [FilledDay],
    /// How it was fitted.
    pub forecast_fit: Option<ForecastFit>,
    pub told: &'a [DecidedNotice],
    pub reports: &'a [FieldReport],
    /// What is believed at the region of the heat that each stage needs.
    pub belief: &'a SeasonBelief,
}

impl SeasonModel {
    /// `past` is that of the stations' first.
    pub fn new(
        region: &Region,
        asked: &Asked<'_>,
        stations: Arc<StationsSeason>,
        past: Arc<StationPast>,
        recent: Arc<RecentWork>,
    ) -> Self {
        let key = SeasonKey { profile: asked.profile.id.clone(), region: region.id.clone(), year: asked.season };
        let past_from = past.from;
        Self { key, profile: asked.profile.clone(), stations, past, past_from, recent }
    }

    /// The region's own station. A model is only made with one.
    pub fn station(&self) -> &Station {
        &self.stations.primary.station
    }

    /// The station with its record, of which days long before the season may be missing.
    pub fn history(&self) -> &StationHistory {
        &self.stations.primary
    }

    /// The season's days as known, filled where need be.
    pub fn days(&self, rules: &WeatherConfig, known: Known, today: NaiveDate) -> Arc<Prepared> {
        self.stations.days(rules, known, self.profile.first_day(self.key.year), today)
    }

    /// The past years the projection leans on.
    pub fn past(&self) -> &[PastSeason] {
        &self.past.seasons
    }

    /// How good projections have been at the region's own station; empty where it has too few years to tell.
    pub fn skill(&self) -> &Arc<ForecastSkill> {
        &self.past.skill
    }

    /// Whose past years stand in, if not its own.
    pub fn borrowed(&self) -> Option<&Borrowed> {
        self.past.borrowed.as_ref()
    }

    /// How many past years the projection leans on.
    pub fn past_years(&self) -> usize {
        self.past.projector.seasons().len()
    }

    /// Record to decision for one day, with what was known at that moment.
    pub fn assess(&self, rules: &WeatherConfig, policy: &Policy, release: Release, facts: &DayFacts<'_>) -> Assessment {
        let known = Known::At { instant: facts.now, bulk_latency_days: rules.bulk_latency_days };
        self.look(known, rules, policy, release, facts)
    }

    /// The season's heat to date, with what was known at an instant.
    pub fn heat(&self, rules: &WeatherConfig, now: DateTime<Utc>, today: NaiveDate) -> Vec<HeatDay> {
        let known = Known::At { instant: now, bulk_latency_days: rules.bulk_latency_days };
        outlook::season_heat(&self.profile, self.key.year, &self.days(rules, known, today).days)
    }

    /// As [`SeasonModel::assess`], with all that was ever received.
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
        #[cfg(test)]
        ASSESSMENTS.set(ASSESSMENTS.get() + 1);
        let prepared = self.days(rules, known, facts.today);
        let Made { heat, outlook } = self.made(&prepared, policy, facts);
        let days = WindowDays::of(&self.profile, policy, &outlook, decide::told_days(facts.told));
        let decision = decide::decide(&Facts {
            profile: &self.profile,
            policy,
            release,
            outlook: &outlook,
            days,
            told: facts.told,
            reports: facts.reports,
            today: facts.today,
        });
        let forecast = self.forecast_heat(&prepared.days, facts.forecast);
        Assessment { heat, forecast, rejected: prepared.rejected.clone(), outlook, days, decision }
    }

    /// The season's heat and the outlook, taken over from a region of the same stations where that is the same.
    fn made(&self, prepared: &Arc<Prepared>, policy: &Policy, facts: &DayFacts<'_>) -> Made {
        let is_reported = facts.reports.iter().any(|report| report.region == self.key.region);
        if !is_reported
            && let Some(made) = self.recent.outlook(|from| from.is(self, prepared, policy, facts))
            && made.outlook.season.year == self.key.year
        {
            let Made { heat, outlook } = &*made;
            return Made { heat: heat.clone(), outlook: Outlook { season: self.key.clone(), ..outlook.clone() } };
        }
        let heat = outlook::season_heat(&self.profile, self.key.year, &prepared.days);
        let ensemble = outlook::projected_ensemble(
            &self.profile,
            self.key.year,
            &self.past.projector,
            &heat,
            &prepared.days,
            facts.forecast,
            &self.past.skill.dressing,
        );
        let input = OutlookInput {
            season: &self.key,
            profile: &self.profile,
            belief: facts.belief,
            policy,
            station: &self.stations.primary.station.id,
            today: facts.today,
            heat: &heat,
            ensemble: &ensemble,
            reports: facts.reports,
            borrowed: self.borrowed(),
            forecast_fit: facts.forecast_fit,
            skill: &self.past.skill,
        };
        let outlook = outlook::make_of(&input, &self.recent.insect(&self.profile, facts.belief));
        if !is_reported {
            let from = MadeFrom {
                profile: self.profile.clone(),
                prepared: Arc::clone(prepared),
                past: Arc::clone(&self.past),
                today: facts.today,
                forecast: facts.forecast.to_vec(),
                forecast_fit: facts.forecast_fit,
                belief: facts.belief.clone(),
                policy: policy.clone(),
            };
            self.recent.keep(from, Made { heat: heat.clone(), outlook: outlook.clone() });
        }
        Made { heat, outlook }
    }

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

/// The heat of a region's past season as known, without the past years that a model of it would need. `histories` in the
/// region's order, its own station first.
pub fn past_season_heat(asked: &Asked<'_>, histories: &[Arc<StationHistory>], today: NaiveDate) -> Vec<HeatDay> {
    let Asked { profile, season, rules, known } = *asked;
    let normals_of = |of: &Arc<StationHistory>| Normals::around(&of.record, known, &of.station.sources, season);
    let normals: Vec<Arc<Normals>> = histories.iter().map(normals_of).map(Arc::new).collect();
    let end = profile.first_day(season.saturating_add(1)).min(today);
    let days = days_from(profile.first_day(season), histories, &normals, rules, known, end).days;
    outlook::season_heat(profile, season, &days)
}

fn days_from(
    first: NaiveDate,
    histories: &[Arc<StationHistory>],
    normals: &[Arc<Normals>],
    rules: &WeatherConfig,
    known: Known,
    today: NaiveDate,
) -> Prepared {
    let members: Vec<Member<'_>> = histories
        .iter()
        .zip(normals)
        .map(|(of, normals)| Member { station: &of.station, record: &of.record, normals })
        .collect();
    match members.split_first() {
        Some((primary, neighbours)) => prepare::season_days(primary, neighbours, rules, known, first, today),
        None => Prepared { days: Vec::new(), rejected: Vec::new(), newest_real_day: None, filled_days: 0 },
    }
}

#[cfg(test)]
std::thread_local! {
    /// How many days this thread has assessed: an assessment is the costly part of whatever shows a region.
    pub(crate) static ASSESSMENTS: std::cell::Cell<u32> = const { std::cell::Cell::new(0) };
    /// How often this thread has prepared a season's days from records.
    pub(crate) static PREPARATIONS: std::cell::Cell<u32> = const { std::cell::Cell::new(0) };
}
