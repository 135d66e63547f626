//! Confirmed sightings beside the dates that the profile's number gave, and the number fitted again to them.
//!
//! One sighting a tree and season: the first look that found the stage, with the last before it that did not. A region's
//! temperatures are those of its first station, for gaps those of the others, as `treebell fit` takes them.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, Utc};
use sha2::{Digest, Sha256};

use super::dates::RegionDates;
use super::version::{Believed, dates_now, newest_version};
use super::{Chosen, regions_of};
use crate::chart::error_profile::{ErrorProfile, ErrorProfilePoint};
use crate::heat::HeatRule;
use crate::heat::fit::{self as fitting, Fit, FitError, Flat, Search, predicted_by};
use crate::region::{Region, RegionId};
use crate::season::profile::{HeatOrigins, Need, Stage};
use crate::season::refit::{Carried, FITTED, Fitted, RefitError, refit};
use crate::season::{Profile, StageId};
use crate::service::app::App;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::fit_data::{DatesSeen, FILLED_SHARE, Gathered, Report, Temperatures, gather, season_weather};
use crate::service::learning::lessons;
use crate::service::past_cache::Watch;
use crate::service::region_fault::RegionFault;
use crate::store::StoreError;
use crate::store::field_reports::StoredReport;
use crate::weather::StationId;

/// Thresholds whose error is within this share of the least count as alike: what `treebell fit` takes.
const ALIKE: f64 = 0.05;

/// Lower thresholds tried, °C: those of `treebell fit`.
const LOWEST_C: f64 = -5.0;
const HIGHEST_C: f64 = 14.0;
const STEP_C: f64 = 0.01;

/// A record that ends so many days before today still comes in.
const COMES_IN_DAYS: i64 = 7;

/// What one tree showed in one season.
#[derive(Clone, Debug, PartialEq)]
pub struct Sighting {
    pub region: RegionId,
    pub name: String,
    pub season: i32,
    /// The report of the first look that found it.
    pub report: String,
    /// The tree's name, where the report gives one.
    pub tree: Option<String>,
    /// The day of that report's look.
    pub told_on: NaiveDate,
    /// `None`: it was only looked for in vain.
    pub seen: Option<NaiveDate>,
    /// The last look before, in vain.
    pub not_seen: Option<NaiveDate>,
    /// The day on which the profile's sum was reached there; `None`: it was not, or temperatures are missing.
    pub by_number: Option<NaiveDate>,
    /// The day that the sum fitted again gives.
    pub by_fit: Option<NaiveDate>,
    /// Its temperatures cannot be used.
    pub left_out: bool,
    /// They come in with the next days.
    pub waits: bool,
}

impl Sighting {
    /// Days from a date to the sighting, 0 inside of what was not looked at: without a look in vain that is all before the
    /// sighting. Above 0: seen later than that date.
    pub fn off(&self, by: Option<NaiveDate>) -> Option<i64> {
        let (by, seen) = (by?, self.seen?);
        let after = self.not_seen.filter(|not_seen| *not_seen < seen);
        Some(match after {
            _ if by > seen => (seen - by).num_days(),
            Some(after) if by > after => 0,
            Some(after) => (after - by).num_days() + 1,
            // Nobody looked before: it may have begun on any day up to then.
            None => 0,
        })
    }
}

/// Sightings over the years, and what a fit to them says.
pub struct Again {
    pub stage: StageId,
    /// The newest season first.
    pub sightings: Vec<Sighting>,
    /// Sightings without usable temperatures, in words.
    pub unusable: Vec<String>,
    pub fitted: Result<FitAgain, String>,
}

/// The number fitted again, as the profile's next version.
pub struct FitAgain {
    pub fit: Fit,
    pub flat: Flat,
    pub picture: ErrorProfile,
    pub profile: Profile,
    pub carried: Vec<Carried>,
    /// Of the whole profile as it would be kept.
    pub fingerprint: String,
    pub dates: Vec<RegionDates>,
    /// Regions that cannot be looked at, and why.
    pub faults: Vec<String>,
}

/// What keeps sightings from being looked at.
#[derive(Debug, thiserror::Error)]
pub enum AgainFault {
    #[error("stage `{0}`, which opens the window, counts days and no heat from the biofix: there is no sum to fit")]
    NoSum(StageId),
    #[error(transparent)]
    Region(#[from] RegionFault),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("the work was cut off")]
    CutOff(#[from] tokio::task::JoinError),
}

/// Every confirmed sighting of the stage that opens the window, beside the profile's dates; and the fit.
///
/// # Errors
/// See [`AgainFault`]; that there are too few sightings for a fit is no error.
pub async fn again(app: &App, chosen: &Chosen, watch: &Watch) -> Result<Again, AgainFault> {
    let profile = Arc::clone(&chosen.profile);
    let stage = profile.window.opens.clone();
    let sum = match profile.stage(&stage) {
        Some(Stage { after: None, need: Need::DegreeDays(sum), .. }) => *sum,
        _ => return Err(AgainFault::NoSum(stage)),
    };
    let mut sightings = gathered_reports(app, &profile, &stage, chosen.now).await?;
    let rows = rows_of(app, &sightings).await?;
    let wanted: BTreeSet<StationId> = rows.iter().map(|row| row.station.clone()).collect();
    let (temperatures, unknown) = Temperatures::from_store(&app.store, &wanted, &app.config.weather).await?;
    let today = chosen.now.with_timezone(&app.config.schedule.time_zone).date_naive();
    let waits = |row: &Report| match (row.seen.last(), temperatures.span(&row.station)) {
        (Some(look), Some((_, end))) => end < look && (today - end).num_days() <= COMES_IN_DAYS,
        _ => false,
    };
    let (waiting, rows): (Vec<Report>, Vec<Report>) = rows.into_iter().partition(waits);
    for row in &waiting {
        if let Some(sighting) = of_row(&mut sightings, row) {
            (sighting.left_out, sighting.waits) = (false, true);
        }
    }
    let (frame, told) = (Arc::clone(&profile), Arc::clone(watch));
    let version = newest_version(app, &profile.id).await?.max(profile.version).saturating_add(1);
    // Thousands of thresholds over all seasons: seconds of arithmetic.
    let work = move || {
        let gathered = gather(&rows, &temperatures, &unknown, &frame, FILLED_SHARE);
        let by_number = predicted_by(&gathered.site_years, &frame.heat, sum);
        let fitted = fitted(&frame, &gathered, &temperatures, (version, today), &told);
        (gathered, by_number, fitted)
    };
    let (gathered, by_number, fitted) = tokio::task::spawn_blocking(work).await?;
    put_dates(&mut sightings, &gathered, &by_number, fitted.as_ref().ok().map(|found| &found.0));
    let fitted = match fitted {
        Ok((fit, flat, made, carried)) => {
            Ok(with_dates(app, chosen, FitParts { fit, flat, made, carried }, &gathered, watch).await?)
        }
        Err(why) => Err(why),
    };
    sightings.sort_by(|a, b| (b.season, &a.name, a.seen).cmp(&(a.season, &b.name, b.seen)));
    Ok(Again { stage, sightings, unusable: gathered.unusable, fitted })
}

/// One sighting a tree and season, of confirmed reports whose day is known.
async fn gathered_reports(
    app: &App,
    profile: &Profile,
    stage: &StageId,
    now: DateTime<Utc>,
) -> Result<Vec<Sighting>, StoreError> {
    let regions: BTreeMap<RegionId, Region> = app
        .store
        .all_regions()
        .await?
        .into_iter()
        .filter(|region| region.profile == profile.id)
        .map(|region| (region.id.clone(), region))
        .collect();
    let today = now.with_timezone(&app.config.schedule.time_zone).date_naive();
    let reports = app.store.field_reports_as_of(NaiveDate::MIN, today, now).await?;
    let mut trees: BTreeMap<(RegionId, i32, String), Vec<StoredReport>> = BTreeMap::new();
    for report in reports.into_iter().filter(|report| report.counts() && regions.contains_key(&report.region)) {
        let tree = report.tree.as_ref().or(report.person.as_ref()).unwrap_or(&report.id).clone();
        let season = profile.season_of(report.observed_on);
        trees.entry((report.region.clone(), season, tree)).or_default().push(report);
    }
    let of_tree = |((region, season, _), reports): ((RegionId, i32, String), Vec<StoredReport>)| {
        let found = reports.iter().filter(|report| report.stage.as_ref() == Some(stage));
        let first = found.min_by_key(|report| (report.observed_on, report.id.clone()));
        let seen = first.map(|report| report.observed_on);
        let empty = reports.iter().filter(|report| {
            report.stage.is_none() && report.infested == Some(true) && report.not_yet.as_ref() == Some(stage)
        });
        let empty = empty.map(|report| report.observed_on).chain(first.and_then(|report| report.nothing_on));
        let not_seen = empty.filter(|day| seen.is_none_or(|seen| *day < seen)).max();
        let report = first.or(reports.first())?;
        (seen.is_some() || not_seen.is_some()).then(|| Sighting {
            name: regions.get(&region).map_or_else(String::new, |region| region.name.clone()),
            region,
            season,
            report: report.id.clone(),
            tree: report.tree.clone(),
            told_on: report.observed_on,
            seen,
            not_seen,
            by_number: None,
            by_fit: None,
            left_out: true,
            waits: false,
        })
    };
    Ok(trees.into_iter().filter_map(of_tree).collect())
}

/// As `treebell fit` reads them from a file; the line is the place in the list, from 1.
async fn rows_of(app: &App, sightings: &[Sighting]) -> Result<Vec<Report>, StoreError> {
    let regions = app.store.all_regions().await?;
    let station = |id: &RegionId| regions.iter().find(|region| region.id == *id)?.stations.first().cloned();
    let row = |(line, sighting): (u64, &Sighting)| {
        let seen = DatesSeen::Between(sighting.not_seen, sighting.seen);
        Some(Report { line, station: station(&sighting.region)?, season: sighting.season, seen })
    };
    Ok((1..).zip(sightings).filter_map(row).collect())
}

type Found = (Fit, Flat, Profile, Vec<Carried>);

/// The fit and the profile that it makes, or why there is none, in words.
fn fitted(
    base: &Profile,
    gathered: &Gathered,
    temperatures: &Temperatures,
    (version, today): (u32, NaiveDate),
    watch: &Watch,
) -> Result<Found, String> {
    let (heat, highest) = (base.heat, base.heat.upper_c().map_or(HIGHEST_C, |upper| (upper - 1.0).min(HIGHEST_C)));
    let lowers_c = fitting::grid(LOWEST_C, highest, STEP_C).map_err(|why| why.to_string())?;
    let steps = lowers_c.len() as u64;
    let search = Search {
        method: heat.method(),
        cutoff: heat.cutoff(),
        upper_c: heat.upper_c(),
        lowers_c,
        prefer_c: heat.lower_c(),
    };
    let fit = fitting::fit(&gathered.site_years, &search, &mut |done| watch(done as u64, steps)).map_err(|why| match why {
        FitError::NotBoundedBelow { .. } => format!(
            "{why}, and any small sum would fit. What helps: reports that say when a tree was last looked at in vain"
        ),
        FitError::NotBoundedAbove { .. } => format!("{why}, and any large sum would fit"),
        FitError::TooFew { .. } => format!("{why}; more seasons or places are needed"),
        why => why.to_string(),
    })?;
    let flat = fit.flat(ALIKE);
    let rule =
        HeatRule::new(heat.method(), fit.best.lower_c, heat.upper_c(), heat.cutoff()).map_err(|why| why.to_string())?;
    let mut origin = format!(
        "{FITTED} {} confirmed field reports, on {today} at the desk: RMSE {:.2} days",
        fit.best.scores.records, fit.best.scores.rmse_days
    );
    match &fit.without_year {
        Some(out) => {
            origin += &format!(
                ", leave-one-year-out {:.2} days (calendar date alone {:.2})",
                out.scores.rmse_days, out.calendar.rmse_days
            );
        }
        None => origin += ", one year only: not tried on another",
    }
    let new = Fitted {
        stage: base.window.opens.clone(),
        biofix: base.biofix.clone(),
        heat: rule,
        heat_origins: HeatOrigins {
            method: base.heat_origins.method.clone(),
            lower: format!("{origin}; {} to {} °C do nearly as well", flat.from_c, flat.to_c),
            upper: base.heat_origins.upper.clone(),
        },
        sum: fit.best.sum.plain(),
        origin,
    };
    let seasons = season_weather(&gathered.about, temperatures, base, base);
    let made = refit(base, &new, &seasons).map_err(|why: RefitError| why.to_string())?;
    let profile = Profile { version, ..made.profile };
    // What we write we must be able to read.
    Profile::parse(&profile.to_toml()).map_err(|faults| {
        let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
        format!("this makes no profile: {}", faults.join("; "))
    })?;
    Ok((fit, flat, profile, made.carried))
}

/// Gives each sighting the days of its site and season.
fn put_dates(sightings: &mut [Sighting], gathered: &Gathered, by_number: &[Option<i32>], fit: Option<&Fit>) {
    let day = |first: NaiveDate, day: Option<i32>| first.checked_add_days(Days::new(u64::try_from(day?).ok()?));
    for (nth, about) in gathered.about.iter().enumerate() {
        let number = by_number.get(nth).copied().flatten();
        let again = fit.and_then(|fit| fit.predicted.get(nth).copied().flatten());
        for report in &about.reports {
            let Some(sighting) = of_row(sightings, report) else { continue };
            sighting.by_number = day(about.first, number);
            sighting.by_fit = day(about.first, again);
            sighting.left_out = false;
        }
    }
}

/// The sighting that a row was made from.
fn of_row<'a>(sightings: &'a mut [Sighting], row: &Report) -> Option<&'a mut Sighting> {
    let at = usize::try_from(row.line).ok()?.checked_sub(1)?;
    sightings.get_mut(at)
}

struct FitParts {
    fit: Fit,
    flat: Flat,
    made: Profile,
    carried: Vec<Carried>,
}

async fn with_dates(
    app: &App,
    chosen: &Chosen,
    parts: FitParts,
    gathered: &Gathered,
    watch: &Watch,
) -> Result<FitAgain, AgainFault> {
    let FitParts { fit, flat, made, carried } = parts;
    let base = &*chosen.profile;
    // Caches of its own each: a model belongs to one version.
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let was = lessons(app, &mut records, &mut seasons, base, chosen.season, chosen.now).await?.learned;
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let is = lessons(app, &mut records, &mut seasons, &made, chosen.season, chosen.now).await?.learned;
    let regions = regions_of(app, base).await?;
    let (before, after) = (Believed { profile: base, learned: &was }, Believed { profile: &made, learned: &is });
    let (dates, faults) = dates_now(app, chosen.seen, before, after, &regions, watch).await;
    let stations: BTreeSet<&StationId> = gathered.about.iter().map(|about| &about.station).collect();
    let point = |point: &fitting::ErrorPoint| ErrorProfilePoint {
        lower_c: point.lower_c,
        rmse_days: point.scores.rmse_days,
        sum: point.sum.plain(),
    };
    let name = base.stage(&base.window.opens).map_or("the event", |stage| stage.names.en.as_str());
    let picture = ErrorProfile {
        title: format!("{}: error over the lower threshold", crate::season::phrases::capitalised(name)),
        subtitle: format!("{} confirmed field reports of {} stations", fit.best.scores.records, stations.len()),
        points: fit.valley.iter().map(point).collect(),
        best: point(&fit.best),
        alike_c: (flat.from_c, flat.to_c),
        calendar_days: fit.calendar.scores.rmse_days,
        source: "Confirmed field reports of this service; temperatures of the regions’ stations.".to_owned(),
    };
    let fingerprint = hex::encode(&Sha256::digest(made.to_toml())[..8]);
    Ok(FitAgain { fit, flat, picture, profile: made, carried, fingerprint, dates, faults })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_date_inside_what_nobody_looked_at_is_not_off() {
        let day = |day: u32| NaiveDate::from_ymd_opt(2025, 3, day).unwrap();
        let of = |not_seen: Option<u32>, seen: Option<u32>| Sighting {
            tree: None,
            told_on: day(10),
            region: "north".into(),
            name: String::new(),
            season: 2025,
            report: String::new(),
            seen: seen.map(day),
            not_seen: not_seen.map(day),
            by_number: None,
            by_fit: None,
            left_out: false,
            waits: false,
        };
        for (not_seen, seen, by, off) in [
            (Some(5), Some(10), 8, Some(0)),
            (Some(5), Some(10), 10, Some(0)),
            (Some(5), Some(10), 6, Some(0)),
            (Some(5), Some(10), 5, Some(1)),
            (Some(5), Some(10), 2, Some(4)),
            (Some(5), Some(10), 14, Some(-4)),
            (None, Some(10), 8, Some(0)),
            (None, Some(10), 14, Some(-4)),
            (Some(5), None, 8, None),
        ] {
            assert_eq!(of(not_seen, seen).off(Some(day(by))), off, "{not_seen:?} {seen:?} {by}");
        }
        assert_eq!(of(Some(5), Some(10)).off(None), None);
    }
}
