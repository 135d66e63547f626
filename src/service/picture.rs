//! From a region's record to its season's chart: for the command, the pages and the e-mail alike.

use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};

use super::assess::{Assessment, DayFacts, SeasonDesk};
use super::cycle::{self, Books, Desks, RegionFault};
use super::parts::Parts;
use crate::chart::{ChartStage, PastSeason, SeasonChart, StageDate};
use crate::heat::{HeatRule, projection};
use crate::language::Language;
use crate::region::Region;
use crate::season::profile::Profile;
use crate::season::{StageOutlook, words};

/// From when a season is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// The season of that instant, with what was known then, forecast included.
    At(DateTime<Utc>),
    /// A whole season, with all that was ever received.
    Whole(i32),
}

/// The season's chart of one region. In a season with no temperatures it is empty of them, and says so.
///
/// # Errors
/// See [`RegionFault`].
pub async fn season_chart(
    parts: &Parts,
    books: &mut Books,
    desks: &mut Desks,
    region: &Region,
    seen: Seen,
    language: Language,
) -> Result<SeasonChart, RegionFault> {
    let profile = parts.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
    let local_day = |now: DateTime<Utc>| now.with_timezone(&region.time_zone).date_naive();
    let now = match seen {
        Seen::At(now) => now,
        Seen::Whole(_) => parts.clock.now(),
    };
    let season = match seen {
        Seen::At(now) => profile.season_of(local_day(now)),
        Seen::Whole(season) => season,
    };
    let desk = desks.get(parts, books, region, profile, season, now).await?;
    let (assessment, today) = match seen {
        Seen::At(now) => (cycle::look(parts, books, desks, region, now).await?, local_day(now)),
        Seen::Whole(_) => {
            let today = profile.last_day(season).min(local_day(now));
            let (first, last) = (profile.first_day(season), profile.last_day(season));
            let stored = parts.store.field_reports(Some(&region.id), first, last).await?;
            let reports: Vec<_> =
                stored.into_iter().filter(|stored| !stored.refused).map(|stored| stored.report).collect();
            let facts = DayFacts { today, now, forecast: &[], told: &[], reports: &reports };
            (desk.look_back(&parts.config.weather, &parts.config.policy, region.release, &facts), today)
        }
    };
    Ok(drawn(region, profile, &desk, assessment, today, language))
}

fn drawn(
    region: &Region,
    profile: &Profile,
    desk: &Arc<SeasonDesk>,
    assessment: Assessment,
    today: NaiveDate,
    language: Language,
) -> SeasonChart {
    let Assessment { heat, forecast, outlook, .. } = assessment;
    let marks = profile.heat_marks();
    let stages = profile
        .stages
        .iter()
        .map(|stage| {
            let standing = outlook.stage(&stage.id);
            ChartStage {
                name: stage.names.get(language).to_owned(),
                threshold: marks.iter().find(|(id, _)| *id == stage.id).map(|(_, sum)| *sum),
                date: standing.map_or(StageDate::Unknown, stage_date),
                said: standing.map(|standing| words::when(language, standing, today)).unwrap_or_default(),
            }
        })
        .collect();
    let station = desk.station();
    SeasonChart {
        place: region.name.clone(),
        insect: profile.names.get(language).to_owned(),
        year: desk.key.year,
        biofix: profile.first_day(desk.key.year),
        until: None,
        lower_threshold_c: profile.heat.lower_c(),
        days: heat.into_iter().chain(forecast).collect(),
        past: desk.past().iter().map(|season| past_season(&profile.heat, season)).collect(),
        stages,
        window: profile.rank(&profile.window.opens).zip(profile.rank(&profile.window.closes)),
        today,
        source: format!("{} ({})", station.name, station.id),
        note: note(profile, words::with_care(language, &outlook.trust), language),
    }
}

fn stage_date(standing: &StageOutlook) -> StageDate {
    match standing.reached {
        Some(reached) => StageDate::Reached(reached.on),
        None if standing.dates.is_empty() => StageDate::Unknown,
        None => StageDate::Projected(standing.spread),
    }
}

/// A past year's sums by the profile's own rule.
fn past_season(rule: &HeatRule, season: &projection::PastSeason) -> PastSeason {
    let next_min = |at: usize| season.days.get(at + 1).map(|day| day.min_c);
    let sums = season.days.iter().enumerate().scan(0.0, |sum, (at, day)| {
        *sum += rule.degree_days(*day, next_min(at));
        Some(*sum)
    });
    PastSeason { year: season.season, sums: sums.collect() }
}

/// What has to stand on the picture: a record that is not sound, thresholds that are not proven.
fn note(profile: &Profile, care: Option<String>, language: Language) -> Option<String> {
    let provisional = profile.provisional.then(|| {
        match language {
            Language::En => "The heat thresholds are provisional: no published heat sum exists for this insect.",
            Language::Es => {
                "Los umbrales de calor son provisionales: no hay una suma de calor publicada para este insecto."
            }
        }
        .to_owned()
    });
    let sentences: Vec<String> = care.into_iter().chain(provisional).collect();
    (!sentences.is_empty()).then(|| sentences.join(" "))
}
