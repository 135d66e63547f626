//! What one field report changes: the dates of every region without it and with it.

use std::time::Duration;

use chrono::DateTime;
use chrono::Utc;
use tokio::sync::Semaphore;
use tokio::time::{Instant, timeout};

use super::DeskError;
use super::comes_up::{ComesUp, comes_up, not_leaving_yet, only_with};
use crate::assessment::season_model::Assessment;
use crate::geo::distance_km;
use crate::region::Region;
use crate::season::learning::{HeatedReport, Learned, Untaught};
use crate::season::{FieldReport, HeatDay, Profile, WindowDays, days_between};
use crate::service::app::App;
use crate::service::assess::{At, Given, Untold, moved_days, with_reports};
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::learning::{Lessons, lessons_if, with_heat};
use crate::service::region_fault::RegionFault;
use crate::service::season_chart::shown_days;
use crate::store::field_reports::{ReportStanding, StoredReport};

/// One at a time: whole seasons of many regions are worked out.
static TURN: Semaphore = Semaphore::const_new(1);

/// So many days without temperatures are guessed at; after them something is wrong.
const MOST_GUESSED: i64 = 4;

/// From so many days before. Own judgement, no source.
const GUESSED_FROM: usize = 5;

/// What a report changes if it is confirmed, or has changed since it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Effect {
    /// The season whose dates are told: that of now.
    pub season: i32,
    /// The report's own region first, the others from near to far.
    pub regions: Vec<RegionEffect>,
    /// How many regions there are, and how many of them could not be worked out.
    pub of_regions: usize,
    pub failed: usize,
    /// Why it teaches nothing about other regions; `None`: it does.
    pub untaught: Option<Untaught>,
    /// The temperatures of its day are not in yet. What it will teach the other regions is shown by a guess at them.
    pub is_guessed: bool,
    /// What confirming it brings up in its own region; nothing of one that is confirmed.
    pub comes_up: Vec<ComesUp>,
}

/// A region's days without the report and with it; `None` where nothing can be said.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionEffect {
    pub region: Region,
    pub without: Option<WindowDays>,
    pub with: Option<WindowDays>,
    /// By so many days the opening of the window moves; above 0 is later.
    pub moved_days: Option<i64>,
    /// What the next cycle brings up there because of the report; nothing of its own region, in which it acts at once.
    pub comes_up: Vec<ComesUp>,
}

impl Effect {
    /// How many regions were not looked at.
    pub fn left(&self) -> usize {
        self.of_regions.saturating_sub(self.regions.len() + self.failed)
    }

    /// Whether nothing is left to be worked out, so that what it does not name does not come.
    pub fn is_whole(&self) -> bool {
        self.left() == 0 && self.failed == 0
    }
}

/// Works out what a report changes, region by region, until `within` has passed; its own region is always there.
///
/// # Errors
/// When the store fails, or the report's own region cannot be worked out.
pub async fn effect(app: &App, report: &StoredReport, within: Duration) -> Result<Effect, DeskError> {
    let begun = Instant::now();
    let now = app.clock.now();
    let own = app.store.region(&report.region).await?;
    let unknown = || DeskError::NoDates { region: own.name.clone() };
    let profile = app.profiles.get(&own.profile).ok_or_else(unknown)?;
    let season = profile.season_of(now.with_timezone(&own.time_zone).date_naive());
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let known = lessons_if(app, &mut records, &mut seasons, &profile, season, now, Some(report)).await;
    let Lessons { learned: with, taught, untaught, .. } = known.map_err(not_worked_out(&own))?;
    let detection = &app.config.reports.detection;
    let others: Vec<HeatedReport> = taught.iter().filter(|of| of.report.id != report.id).cloned().collect();
    let without = Learned::from(&profile, season, &others, detection);
    let idle = untaught.iter().find(|(of, _)| of.id == report.id);
    let mut why_untaught = idle.map(|(_, why)| *why);
    let mut by_guess = None;
    if let Some((of, Untaught::HeatUnknown)) = idle {
        let guessed = guessed(app, &mut records, &mut seasons, At { region: &own, profile: &profile, now }, of).await;
        if let Some(heated) = guessed.map_err(not_worked_out(&own))? {
            // By then the others that wait teach, too.
            let waiting = untaught.iter().filter(|(other, why)| {
                *why == Untaught::HeatUnknown && other.id != of.id && other.observed_on <= of.observed_on
            });
            let mut others = others;
            for (other, _) in waiting {
                // Of its own region alone nothing is guessed at.
                if begun.elapsed() >= within {
                    break;
                }
                let region = app.store.region(&other.region).await?;
                let at = At { region: &region, profile: &profile, now };
                // A region whose heat cannot be had teaches nothing.
                if let Ok(Some(heated)) = self::guessed(app, &mut records, &mut seasons, at, other).await {
                    others.push(heated);
                }
            }
            let without = Learned::from(&profile, season, &others, detection);
            others.push(heated.clone());
            let learned = Learned::from(&profile, season, &others, detection);
            match learned.untaught(&profile, &heated) {
                None => by_guess = Some((without, learned)),
                // Nor will it teach when they are in.
                Some(why) => why_untaught = Some(why),
            }
        }
    }

    let (mut regions, retired): (Vec<Region>, Vec<Region>) = app
        .store
        .all_regions()
        .await?
        .into_iter()
        .filter(|region| region.profile == profile.id)
        .partition(|region| !region.retired);
    drop(retired);
    let far = |region: &Region| (region.id != own.id, distance_km(region.place, own.place));
    regions.sort_by(|a, b| {
        let ((a_other, a_far), (b_other, b_far)) = (far(a), far(b));
        a_other.cmp(&b_other).then(a_far.total_cmp(&b_far)).then_with(|| a.id.cmp(&b.id))
    });
    // Once it is confirmed, a notice may have come of it: who has none of the one has none of the other.
    let untold = match report.counts() && profile.season_of(report.observed_on) == season {
        true => {
            let history = app.store.field_report_history(&report.id).await?;
            let since = history.first_confirmed(now).unwrap_or(report.change.at);
            vec![Untold { report, since, teaches: why_untaught.is_none() }]
        }
        false => Vec::new(),
    };
    let mut looked = Looked { profile: &profile, season, now, with: &with, without: &without, report, untold: &untold };
    let mut found = Effect {
        season,
        regions: Vec::new(),
        of_regions: regions.len(),
        failed: 0,
        untaught: why_untaught,
        is_guessed: by_guess.is_some(),
        comes_up: Vec::new(),
    };
    let mut turn = None;
    for region in regions {
        if region.id != own.id {
            // Its own region alone is worked out without waiting for others.
            if turn.is_none() {
                let Ok(got) = timeout(within.saturating_sub(begun.elapsed()), TURN.acquire()).await else { break };
                turn = Some(got);
            }
            if begun.elapsed() >= within {
                break;
            }
            // Records of a whole state would fill the memory.
            (records, seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
            // Its own region goes by what is known now.
            if let Some((without, with)) = &by_guess {
                (looked.without, looked.with) = (without, with);
            }
        }
        match looked.at(app, &mut records, &mut seasons, region.clone()).await {
            Ok((effect, with)) => {
                if region.id == own.id && report.standing != ReportStanding::Confirmed {
                    found.comes_up = comes_up(app, &own, &with, now, app.config.desk.undo_min).await?;
                }
                found.regions.push(effect);
            }
            Err(why) if region.id == own.id => return Err(not_worked_out(&own)(why)),
            Err(_) => found.failed += 1,
        }
    }
    Ok(found)
}

pub(super) fn not_worked_out(region: &Region) -> impl Fn(RegionFault) -> DeskError + '_ {
    |why| match why {
        RegionFault::Store(why) => DeskError::Store(why),
        _ => DeskError::NoDates { region: region.name.clone() },
    }
}

struct Looked<'a> {
    profile: &'a Profile,
    season: i32,
    now: DateTime<Utc>,
    with: &'a Learned,
    without: &'a Learned,
    report: &'a StoredReport,
    untold: &'a [Untold<'a>],
}

impl Looked<'_> {
    async fn at(
        &self,
        app: &App,
        records: &mut RecordCache,
        seasons: &mut SeasonCache,
        region: Region,
    ) -> Result<(RegionEffect, Assessment), RegionFault> {
        let Looked { profile, season, now, report, untold, .. } = *self;
        let mut cache = CycleCache::default();
        let all = cache.reports(&app.store, profile, season).await?;
        let others: Vec<FieldReport> = all.iter().filter(|of| of.id != report.id).cloned().collect();
        let mut counted = others.clone();
        let is_of_season = profile.season_of(report.observed_on) == season;
        let confirmed = StoredReport { standing: ReportStanding::Confirmed, ..report.clone() };
        counted.extend(confirmed.for_decision().filter(|_| is_of_season));
        let at = At { region: &region, profile, now };
        let here = |learned: &Learned| learned.of_region(profile, &region.id);
        let (by_others, by_all) = (here(self.without), here(self.with));
        let without = Given { untold, ..Given::of(&by_others, &others) };
        let given = [without, Given::of(&by_all, &counted)];
        let [without, with] = with_reports(app, records, seasons, &mut cache, at, given).await?;
        let moved_days = moved_days(&without.outlook, &with.outlook, &profile.window.opens);
        let comes_up = if region.id == report.region {
            Vec::new()
        } else {
            // The cycle gives no time to undo.
            let without = comes_up(app, &region, &without, now, 0).await?;
            let found = only_with(comes_up(app, &region, &with, now, 0).await?, &without);
            if found.is_empty() {
                found
            } else {
                not_leaving_yet(found, &app.store.notices_of_region(&with.outlook.season).await?)
            }
        };
        let effect = RegionEffect {
            without: shown_days(profile, &without.outlook, &without.days),
            with: shown_days(profile, &with.outlook, &with.days),
            moved_days,
            comes_up,
            region,
        };
        Ok((effect, with))
    }
}

/// A report as if each day since the newest one had been as warm as the last ones; `None` where too many days are missing, or
/// those that are missing are none of the season under way.
async fn guessed(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    at: At<'_>,
    report: &FieldReport,
) -> Result<Option<HeatedReport>, RegionFault> {
    let At { region, profile, now } = at;
    let today = now.with_timezone(&region.time_zone).date_naive();
    let season = profile.season_of(today);
    let model = seasons.get(app, records, region, profile, season, now).await?;
    let mut line = model.heat(&app.config.weather, now, today);
    let Some(newest) = line.last().cloned() else { return Ok(None) };
    let missing = days_between(newest.day, report.observed_on);
    if profile.season_of(report.observed_on) != season || !(1..=MOST_GUESSED).contains(&missing) {
        return Ok(None);
    }
    let last = &line[line.len().saturating_sub(GUESSED_FROM)..];
    let degree_days = last.iter().map(|of| of.degree_days).sum::<f64>() / last.len() as f64;
    let mut sum = newest.sum;
    for day in newest.day.iter_days().skip(1).take_while(|day| *day <= report.observed_on) {
        sum += degree_days;
        line.push(HeatDay { day, degree_days, sum, ..newest.clone() });
    }
    Ok(with_heat(profile, season, &line, report.clone()).ok())
}
