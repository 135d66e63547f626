//! A past season as it was known on each of its days: every day's temperatures as observed, and known on the next morning.
//! The season itself is left out of its own projection whole.

use std::borrow::Cow;

use chrono::NaiveDate;

use crate::heat::hindcast::{AssumedForecast, assumed_forecast};
use crate::heat::projection::{Dressing, FORECAST_ERRORS_C, Now, Projector, SeasonProjector};
use crate::heat::{DayOrigin, DayTemperatures, FilledDay};
use crate::season::belief::SeasonBelief;
use crate::season::learning::Learned;
use crate::season::outlook::{
    Ensemble, ForecastSkill, HeatDay, Insect, OutlookInput, make_to_decide, projected_ensemble, season_heat,
};
use crate::season::window::ToldDays;
use crate::season::{Outlook, Policy, Profile, SeasonKey, WindowDays, days_after, days_before, days_between};
use crate::weather::StationId;

/// So long after our heat number is reached the eggs have hatched whatever the insect needs: all that the days of the window
/// hang on is on record.
const WHOLE_DAYS: u32 = 90;

pub(super) struct LivedSeason<'a> {
    season: i32,
    pub(super) first: NaiveDate,
    /// From `first` on, all of them as they came.
    pub(super) days: Vec<FilledDay>,
    /// Of the whole season.
    heat: Vec<HeatDay>,
    temperatures: &'a [DayTemperatures],
    projected: SeasonProjector,
    dressing: Dressing,
    station: StationId,
}

/// The heat of one morning, and what may come of it.
pub(super) struct Morning<'a> {
    heat: Cow<'a, [HeatDay]>,
    ensemble: Ensemble,
}

impl<'a> LivedSeason<'a> {
    /// `None` when the projector does not know the season.
    pub(super) fn of(
        profile: &Profile,
        projector: &'a Projector,
        season: i32,
        dressing: &Dressing,
        station: &StationId,
    ) -> Option<Self> {
        let (first, temperatures) = projector.season(season)?;
        let days = filled(first, temperatures, DayOrigin::Observed);
        Some(Self {
            season,
            first,
            heat: season_heat(profile, season, &days),
            days,
            temperatures,
            projected: projector.for_season(season),
            dressing: dressing.clone(),
            station: station.clone(),
        })
    }

    /// What the profile believes of the insect before any report.
    pub(super) fn belief(&self, profile: &Profile) -> SeasonBelief {
        Learned::prior(profile, self.season).of_region(profile, &"past".into())
    }

    /// The days of the window by the season's whole record, in which our heat number was reached on `opened`.
    pub(super) fn days_by_record(
        &self,
        profile: &Profile,
        belief: &SeasonBelief,
        policy: &Policy,
        opened: NaiveDate,
    ) -> Option<WindowDays> {
        let end = days_after(self.first, u32::try_from(self.days.len()).unwrap_or(u32::MAX).saturating_sub(1));
        let today = days_after(opened, WHOLE_DAYS).min(end);
        let morning = self.morning(profile, today, AssumedForecast::None)?;
        let outlook = self.outlook(&morning, profile, belief, &Insect::of(profile, belief), policy, today);
        Some(WindowDays::of(profile, policy, &outlook, ToldDays::default()))
    }

    /// `None` for a day before the season's first.
    pub(super) fn morning(
        &self,
        profile: &Profile,
        today: NaiveDate,
        forecast: AssumedForecast,
    ) -> Option<Morning<'_>> {
        let known = usize::try_from(days_between(self.first, today)).ok()?.min(self.days.len());
        let (so_far, recent) = (self.days.get(..known)?, self.temperatures.get(..known)?);
        let heat = if profile.heat.method().looks_at_next_day() {
            // The newest day's heat does not know of the next one yet.
            Cow::Owned(season_heat(profile, self.season, so_far))
        } else {
            let known = self.heat.partition_point(|day| day.day < today);
            Cow::Borrowed(self.heat.get(..known)?)
        };
        let now = Now {
            last_day: days_before(today, 1),
            sum: heat.last().map_or(0.0, |day| day.sum),
            recent,
            forecast: &[],
            forecast_errors_c: &FORECAST_ERRORS_C,
        };
        let came = self.temperatures.get(known..).unwrap_or_default();
        let said = assumed_forecast(&self.projected, &now, came, forecast, self.season);
        let said = filled(today, &said, DayOrigin::Forecast);
        let ensemble = projected_ensemble(profile, self.season, &self.projected, &heat, so_far, &said, &self.dressing);
        Some(Morning { heat, ensemble })
    }

    /// Without reports, and without what stands beside dates and changes no decision.
    pub(super) fn outlook(
        &self,
        morning: &Morning<'_>,
        profile: &Profile,
        belief: &SeasonBelief,
        insect: &Insect,
        policy: &Policy,
        today: NaiveDate,
    ) -> Outlook {
        let input = OutlookInput {
            season: &SeasonKey { profile: profile.id.clone(), region: "past".into(), year: self.season },
            profile,
            belief,
            policy,
            station: &self.station,
            today,
            heat: &morning.heat,
            ensemble: &morning.ensemble,
            reports: &[],
            borrowed: None,
            forecast_fit: None,
            skill: &ForecastSkill::default(),
        };
        make_to_decide(&input, insect)
    }
}

fn filled(first: NaiveDate, temperatures: &[DayTemperatures], origin: DayOrigin) -> Vec<FilledDay> {
    let days = first.iter_days().zip(temperatures);
    days.map(|(day, temperatures)| FilledDay { day, temperatures: *temperatures, origin: origin.clone() }).collect()
}
