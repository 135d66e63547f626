//! From a region's record to its season's chart: for the command, the pages and the e-mail alike.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use tracing::warn;

use crate::assessment::season_model::{Assessment, DayFacts, SeasonModel};
use crate::chart::{self, ChartDays, ChartStage, HeatUnit, Look, PastSeason, SeasonChart, StageDate};
use crate::heat::{HeatRule, projection};
use crate::language::Language;
use crate::message::EmailChart;
use crate::region::Region;
use crate::season::profile::Profile;
use crate::season::{Outlook, ReachedBy, StageOutlook, WindowDays, phrases};
use crate::service::app::App;
use crate::service::assess;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::region_fault::RegionFault;
use crate::store::field_reports::StoredReport;

/// From when a season is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChartScope {
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
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    region: &Region,
    seen: ChartScope,
    language: Language,
) -> Result<SeasonChart, RegionFault> {
    let profile = &*app.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
    let local_day = |now: DateTime<Utc>| now.with_timezone(&region.time_zone).date_naive();
    let now = match seen {
        ChartScope::At(now) => now,
        ChartScope::Whole(_) => app.clock.now(),
    };
    let season = match seen {
        ChartScope::At(now) => profile.season_of(local_day(now)),
        ChartScope::Whole(season) => season,
    };
    let model = seasons.get(app, records, region, profile, season, now).await?;
    let (assessment, today) = match seen {
        ChartScope::At(now) => {
            let cache = &mut CycleCache::default();
            (assess::look_at(app, records, seasons, cache, region, profile, now).await?, local_day(now))
        }
        ChartScope::Whole(_) => {
            let today = profile.last_day(season).min(local_day(now));
            let (first, last) = (profile.first_day(season), profile.last_day(season));
            let stored = app.store.field_reports(Some(&region.id), first, last).await?;
            let reports: Vec<_> = stored.into_iter().filter_map(StoredReport::for_decision).collect();
            let cache = &mut CycleCache::default();
            let lessons = cache.lessons(app, records, seasons, profile, season, now).await?;
            let belief = lessons.learned.of_region(profile, &region.id);
            let reports = &reports;
            let facts = DayFacts { today, now, forecast: &[], forecast_fit: None, told: &[], reports, belief: &belief };
            (model.look_back(&app.config.weather, &app.config.policy, region.release, &facts), today)
        }
    };
    Ok(drawn(region, profile, &model, &assessment, today, language))
}

/// The chart of an assessment, in one language.
pub fn drawn(
    region: &Region,
    profile: &Profile,
    model: &SeasonModel,
    assessment: &Assessment,
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
                said: standing.map(|standing| phrases::when(language, standing, today)).unwrap_or_default(),
            }
        })
        .collect();
    let station = model.station();
    let care = if station.is_grid_point() {
        phrases::with_care_of_grid(language, &outlook.trust)
    } else {
        phrases::with_care(language, &outlook.trust)
    };
    SeasonChart {
        place: region.name.clone(),
        insect: profile.names.get(language).to_owned(),
        year: model.key.year,
        biofix: profile.first_day(model.key.year),
        until: None,
        lower_threshold_c: profile.heat.lower_c(),
        heat: heat.iter().chain(forecast).cloned().collect(),
        past: model.past().iter().map(|season| past_season(&profile.heat, season)).collect(),
        stages,
        days: shown_days(profile, outlook, &assessment.days).map(|days| chart_days(&days, language)),
        today,
        source: format!("{} ({})", station.name, station.id),
        note: note(profile, outlook, care, language),
    }
}

/// The days of a window as they may be shown: none where nothing can be said of it, and no best days that begin after the
/// last day to wash.
pub fn shown_days(profile: &Profile, outlook: &Outlook, days: &WindowDays) -> Option<WindowDays> {
    let opens = outlook.stage(&profile.window.opens)?;
    // Where egg laying is not likely this season, the days lie after it.
    let in_season = days.look_from <= profile.last_day(outlook.season.year);
    // Without one day of this season they are the calendar's and nothing else.
    let projected = outlook.last_day.is_some() && !opens.dates.is_empty();
    let known = in_season && (opens.reached.is_some() || projected);
    known.then(|| WindowDays { best: days.best.filter(|best| best.first <= days.deadline), ..*days })
}

fn chart_days(days: &WindowDays, language: Language) -> ChartDays {
    let date = |day| phrases::date(language, day);
    let (look_from, deadline) = (date(days.look_from), date(days.deadline));
    let best = days.best.map(|best| phrases::span(language, best));
    let said = match (language, best) {
        (Language::En, Some(best)) => {
            format!("Look from {look_from}. Best days to wash: {best}. Last day to wash: {deadline}.")
        }
        (Language::En, None) => format!("Look and wash from {look_from}. Last day to wash: {deadline}."),
        (Language::Es, Some(best)) => {
            format!("Revise desde el {look_from}. Mejores días para lavar: {best}. Último día para lavar: {deadline}.")
        }
        (Language::Es, None) => format!("Revise y lave desde el {look_from}. Último día para lavar: {deadline}."),
    };
    ChartDays { look_from: days.look_from, best: days.best, deadline: days.deadline, ends: days.hatch_late, said }
}

/// A dot only for what somebody saw, or where the profile does not say how sure its number is.
fn stage_date(standing: &StageOutlook) -> StageDate {
    match standing.reached {
        Some(reached) if reached.by == ReachedBy::FieldReport => StageDate::Seen(reached.on),
        Some(reached) if standing.dates.is_empty() => StageDate::Reached(reached.on),
        _ if standing.dates.is_empty() => StageDate::Unknown,
        _ => StageDate::Projected(standing.spread),
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

/// What has to stand on the picture: a record that is not sound, past years that are another station's, how such dates
/// did before, thresholds that are not proven.
fn note(profile: &Profile, outlook: &Outlook, care: Option<String>, language: Language) -> Option<String> {
    let window = [&profile.window.opens, &profile.window.closes].into_iter();
    let next = window.filter_map(|stage| outlook.stage(stage)).find(|stage| stage.reached.is_none());
    let provisional = profile.provisional.then(|| {
        match language {
            Language::En => "Nobody has measured these heat numbers: your bark decides.",
            Language::Es => "Nadie ha medido estos números de calor: su corteza manda.",
        }
        .to_owned()
    });
    let past_error = next.and_then(|stage| {
        let name = profile.stage(&stage.stage)?.names.get(language);
        let past = phrases::past_error_of(language, stage, outlook.today)?;
        Some(format!("{}: {past}", phrases::capitalised(name)))
    });
    let sentences: Vec<String> =
        [care, phrases::borrowed_years(language, outlook), past_error, provisional].into_iter().flatten().collect();
    (!sentences.is_empty()).then(|| sentences.join(" "))
}

/// CSS pixels: as wide as the column of our e-mails.
const EMAIL_WIDTH: u32 = 584;
/// Twice as many pixels a side would be sharper on some screens and take more than twice the bytes, most of them for words.
const EMAIL_SCALE: f32 = 1.0;
/// Letters stay smooth with so many, and each colour that means something has its own.
const EMAIL_COLOURS: usize = 8;
/// Bytes: with it a mail stays far below what a server takes for bulk.
const EMAIL_MOST_BYTES: usize = 40_000;

/// The chart as the e-mails of a notice show it, by language. One that cannot be drawn is missing, with a line in the log:
/// no notice waits for its picture.
pub async fn for_email(
    region: &Region,
    profile: &Profile,
    model: &SeasonModel,
    assessment: &Assessment,
) -> HashMap<Language, EmailChart> {
    let today = assessment.outlook.today;
    let charts = Language::ALL.map(|language| (language, drawn(region, profile, model, assessment, today, language)));
    let work =
        tokio::task::spawn_blocking(move || charts.map(|(language, chart)| (language, painted(&chart, language))));
    let painted = match work.await {
        Ok(painted) => painted,
        Err(why) => {
            warn!(region.id = %region.id, "the chart for its e-mails was cut off: {why}");
            return HashMap::new();
        }
    };
    let good = painted.into_iter().filter_map(|(language, picture)| match picture {
        Ok(picture) => Some((language, picture)),
        Err(why) => {
            warn!(region.id = %region.id, "an e-mail goes out without its chart: {why}");
            None
        }
    });
    good.collect()
}

fn painted(chart: &SeasonChart, language: Language) -> Result<EmailChart, String> {
    let unit = HeatUnit::Fahrenheit;
    let look = Look { width: EMAIL_WIDTH, language, unit, dark_too: false, id: "season".into() };
    let svg = chart::season_heat(chart, &look);
    let png =
        chart::png::draw_small(&svg, EMAIL_SCALE, EMAIL_COLOURS).map_err(|why| crate::weather::feeds::chain(&why))?;
    if png.len() <= EMAIL_MOST_BYTES {
        return Ok(EmailChart { png: png.into(), alt: in_words(chart, language), width: EMAIL_WIDTH });
    }
    Err(format!("it takes more than {EMAIL_MOST_BYTES} bytes"))
}

/// What the chart shows, for those who cannot see it.
fn in_words(chart: &SeasonChart, language: Language) -> String {
    let mut text = match language {
        Language::En => format!("Chart of the heat of the {} season in {}.", chart.year, chart.place),
        Language::Es => format!("Gráfica del calor de la temporada {} en {}.", chart.year, chart.place),
    };
    if let Some(days) = &chart.days {
        text.push_str(&format!(" {}", days.said));
    }
    for stage in chart.stages.iter().filter(|stage| !stage.said.is_empty()) {
        text.push_str(&format!(" {}: {}.", phrases::capitalised(&stage.name), stage.said));
    }
    text
}
