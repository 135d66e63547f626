//! A region in depth: its season, its stations, what was seen there, whom it reaches, who waits beside it, what was changed.
//!
//! A fixed number of reads of the store, however many regions, people and years there are; a hold that ended adds its own.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike, NaiveDate};

use super::DeskError;
use super::date_doubts::DateDoubts;
use super::held::said_of_ended;
use super::nobody::left_to_nobody;
use super::regions::{self, OnPage, RegionRow};
use crate::geo::distance_km;
use crate::language::Language;
use crate::people::Channel;
use crate::places::PlaceTable;
use crate::region::{RegionId, Zip};
use crate::season::{NoticeId, phrases};
use crate::service::app::App;
use crate::store::audit::AuditEntry;
use crate::store::field_reports::{ReportStanding, StoredReport};
use crate::store::notices::Notice;
use crate::store::stations::RegionStation;

/// So far around the region's place people who wait count as beside it. A rule of ours, no source.
const BESIDE_KM: f64 = 60.0;

/// So many ZIP codes that wait, and so many changes, are shown.
const DEMAND_SHOWN: usize = 12;
const CHANGES_SHOWN: u32 = 30;

/// Everything that the desk shows of a region.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionInDepth {
    pub row: RegionRow,
    pub stages: Vec<StageDates>,
    /// Sentences on how far the dates can be trusted.
    pub doubts: Vec<String>,
    /// `None` while there is no outlook.
    pub date_doubts: Option<DateDoubts>,
    pub heat_sum_c: Option<f64>,
    pub stations: Vec<StationHealth>,
    /// By calendar year, the newest first.
    pub reports: Vec<ReportYear>,
    pub notices: Vec<Notice>,
    /// Those of them that left and had nobody to go to.
    pub to_nobody: BTreeSet<NoticeId>,
    /// Of those whose hold ended by its time, or that were skipped in it: by whom they were held, until when and why.
    pub held: BTreeMap<NoticeId, String>,
    /// Addresses that a notice would go to, by ZIP code.
    pub people: BTreeMap<Zip, BTreeMap<Channel, u64>>,
    /// ZIP codes beside it that people wait for and no region has, the nearest first.
    pub demand: Vec<WaitingZip>,
    pub changes: Vec<AuditEntry>,
}

/// A stage of the insect, and when it comes.
#[derive(Clone, Debug, PartialEq)]
pub struct StageDates {
    pub name: String,
    pub when: String,
}

/// A station of the region.
#[derive(Clone, Debug, PartialEq)]
pub struct StationHealth {
    pub of: RegionStation,
    /// The first is the region's own, the others fill its gaps.
    pub is_own: bool,
    pub km: f64,
    /// Above the region; below it is less than 0.
    pub above_m: f64,
}

/// The reports of one year.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ReportYear {
    pub year: i32,
    pub confirmed: u32,
    pub waiting: u32,
    pub set_aside: u32,
    /// First day on which a stage was seen and confirmed.
    pub first_seen: Option<NaiveDate>,
}

/// People who wait for a region.
#[derive(Clone, Debug, PartialEq)]
pub struct WaitingZip {
    pub zip: Zip,
    pub people: u64,
    pub km: f64,
}

/// As the last cycle left it.
///
/// # Errors
/// [`Conflict::UnknownRegion`](crate::store::Conflict::UnknownRegion).
pub async fn region_in_depth(app: &App, id: &RegionId) -> Result<RegionInDepth, DeskError> {
    region_beside(app, id, &|_| None).await
}

/// As [`region_in_depth`], with the days that its public page shows where these are newer.
///
/// # Errors
/// As [`region_in_depth`].
pub async fn region_beside(app: &App, id: &RegionId, on_page: OnPage<'_>) -> Result<RegionInDepth, DeskError> {
    let store = &app.store;
    let now = app.clock.now();
    let region = store.region(id).await?;
    let profile = app.profiles.get(&region.profile);
    let kept = store.newest_made_outlook(&region).await?;
    let kept = kept.as_ref().map(|(outlook, made_at)| (outlook, *made_at));
    let outlook = regions::later_word(&region, kept, on_page(id));
    let notices = match outlook {
        Some(outlook) => store.notices_of_region(&outlook.season).await?,
        None => Vec::new(),
    };
    let to_nobody = match notices.iter().any(|notice| notice.released_at().is_some()) {
        true => left_to_nobody(app).await?,
        false => BTreeSet::new(),
    };
    let mut held = BTreeMap::new();
    for notice in &notices {
        if let Some(said) = said_of_ended(app, notice, region.time_zone).await? {
            held.insert(notice.id.clone(), said);
        }
    }
    let reports = store.field_reports(Some(id), FIRST_DAY, LAST_DAY).await?;
    let stations = store.stations_of_region(id, now).await?;
    let counted = store.count_recipients_by_zip(id).await?;
    let waiting = store.demand().await?;
    let table = store.imported_places().await?.map_or_else(|| Cow::Borrowed(PlaceTable::built_in()), Cow::Owned);
    let changes = store.audit_of(&format!("region/{id}"), CHANGES_SHOWN).await?;

    let known = outlook.zip(profile.as_deref());
    let of_season: Vec<StoredReport> = match known {
        Some((outlook, profile)) => {
            let (first, last) = (profile.first_day(outlook.season.year), profile.last_day(outlook.season.year));
            reports.iter().filter(|report| (first..=last).contains(&report.observed_on)).cloned().collect()
        }
        None => Vec::new(),
    };
    let row = regions::row(app, &region, now, known, &notices.iter().collect::<Vec<_>>(), &of_season);
    let language = Language::En;
    let stages = known.map_or_else(Vec::new, |(outlook, profile)| {
        let dates = outlook.stages.iter().filter_map(|stage| {
            let name = phrases::capitalised(profile.stage(&stage.stage)?.names.get(language));
            Some(StageDates { name, when: phrases::capitalised(&phrases::when(language, stage, row.today)) })
        });
        dates.collect()
    });
    let doubts = known.map_or_else(Vec::new, |(outlook, profile)| {
        let opens = outlook.stage(&profile.window.opens);
        [
            phrases::with_care(language, &outlook.trust),
            opens.and_then(|stage| phrases::past_error_of(language, stage, row.today)),
            phrases::borrowed_years(language, outlook),
        ]
        .into_iter()
        .flatten()
        .collect()
    });
    let date_doubts = known.map(|(outlook, profile)| DateDoubts::of(profile, outlook, row.today));
    let mut people: BTreeMap<Zip, BTreeMap<Channel, u64>> = BTreeMap::new();
    for ((zip, channel), count) in counted {
        people.entry(zip).or_default().insert(channel, count);
    }
    let mut demand: Vec<WaitingZip> = waiting
        .into_iter()
        .filter_map(|wait| {
            let km = distance_km(table.place_of(&wait.zip)?, region.place);
            (km <= BESIDE_KM).then_some(WaitingZip { zip: wait.zip, people: wait.people, km })
        })
        .collect();
    demand.sort_by(|a, b| a.km.total_cmp(&b.km).then_with(|| a.zip.cmp(&b.zip)));
    demand.truncate(DEMAND_SHOWN);
    let health = |(rank, of): (usize, RegionStation)| StationHealth {
        is_own: rank == 0,
        km: distance_km(of.station.place, region.place),
        above_m: of.station.elevation_m - region.elevation_m,
        of,
    };
    Ok(RegionInDepth {
        stages,
        doubts,
        date_doubts,
        heat_sum_c: outlook.map(|outlook| outlook.heat_sum),
        stations: stations.into_iter().enumerate().map(health).collect(),
        reports: by_year(&reports),
        notices,
        to_nobody,
        held,
        people,
        demand,
        changes,
        row,
    })
}

/// Field notes of the insect are not older, and nobody looks ahead so far.
const FIRST_DAY: NaiveDate = NaiveDate::from_ymd_opt(1900, 1, 1).expect("a day of the calendar");
const LAST_DAY: NaiveDate = NaiveDate::from_ymd_opt(9999, 12, 31).expect("a day of the calendar");

fn by_year(reports: &[StoredReport]) -> Vec<ReportYear> {
    let mut years: BTreeMap<i32, ReportYear> = BTreeMap::new();
    for report in reports {
        let year = report.observed_on.year();
        let counts = years.entry(year).or_insert(ReportYear { year, ..ReportYear::default() });
        match report.standing {
            ReportStanding::New => counts.waiting += 1,
            ReportStanding::Confirmed => counts.confirmed += 1,
            ReportStanding::Refused => counts.set_aside += 1,
        }
        if report.counts() && report.stage.is_some() && counts.first_seen.is_none_or(|seen| report.observed_on < seen) {
            counts.first_seen = Some(report.observed_on);
        }
    }
    years.into_values().rev().collect()
}
