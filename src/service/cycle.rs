//! The cycle: assess every region, decide, and write what follows in one transaction a region.
//!
//! A second run over the same facts changes nothing. The daemon, `once` and replay run this same code; they differ in
//! the clock, in where station records come from, and in what stands at the end of the queue.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use serde::Serialize;
use tracing::{error, info, warn};

use super::assess::{Assessment, DayFacts, PastFrom, SeasonDesk, StationBook};
use super::event::{Event, Step};
use crate::assessment::past::{Asked, ENOUGH_YEARS, OwnPast, StationPast};
use crate::assessment::skill::ForecastRecord;
use crate::config::WeatherConfig;
use crate::heat::projection::forecast_bias;
use crate::language::Language;
use crate::message::facts::Window;
use crate::message::{Basis, NoticeFacts, Picture, RenderError, Sender};
use crate::people::Channel;
use crate::region::{Region, Release};
use crate::season::decide::{Answer, Ground, SkipReason, Terms, Told, WordNeeded};
use crate::season::{FieldReport, ForecastFit, NoticeKind, Outlook, Profile, phrases};
use crate::service::app::Parts;
use crate::service::season_chart;
use crate::store::field_reports::StoredReport;
use crate::store::notices::{self, Fate, NewNotice, Notice, NoticeText, Put};
use crate::store::staff_log::StaffKind;
use crate::store::{Store, StoreError};
use crate::timetable::place;
use crate::weather::nearby::by_nearness;
use crate::weather::record::Known;
use crate::weather::{DayOrigin, DayTemperatures, Element, FilledDay, Station, StationId};

/// Station records in memory, read once from wherever they are kept.
#[derive(Clone)]
pub struct Books {
    from: Store,
    known: HashMap<String, Arc<StationBook>>,
}

/// A forecast older than this says too little of the days ahead (common practice, no source).
const FORECAST_GOOD_HOURS: i64 = 36;

/// Days back over which past forecasts are held against what came: so long that chance evens out, and short enough to
/// stay within the time of year (common practice, no source).
const FORECAST_FIT_DAYS: u64 = 30;
/// With fewer days to go by a forecast is taken as it came: a mean of four is mostly chance.
const FORECAST_FIT_NEEDS: usize = 5;

/// Desks of the seasons under way.
#[derive(Default)]
pub struct Desks {
    /// By region and year, with the day on which each was opened.
    desks: HashMap<(String, i32), (Arc<SeasonDesk>, NaiveDate)>,
    /// By profile, station and year: regions that share a station share its past.
    pasts: HashMap<(String, String, i32), Arc<StationPast>>,
}

/// A desk that stands on borrowed years is opened anew after so many days, since every day that both stations have tells
/// more of how they differ.
const BORROWED_GOOD_DAYS: u64 = 7;

/// What the store holds of the seasons under way, read once a cycle and not once a region.
#[derive(Default)]
struct Ledger {
    notices: HashMap<(String, i32), Vec<Notice>>,
    reports: HashMap<(String, i32), Vec<FieldReport>>,
    last_outlooks: HashMap<String, HashMap<String, NaiveDate>>,
}

impl Ledger {
    async fn notices(
        &mut self,
        store: &Store,
        region: &Region,
        profile: &Profile,
        season: i32,
    ) -> Result<Vec<&Notice>, StoreError> {
        let key = (profile.id.clone(), season);
        if !self.notices.contains_key(&key) {
            self.notices.insert(key.clone(), store.notices_of_season(&profile.id, season).await?);
        }
        let all = self.notices.get(&key).map_or(&[][..], Vec::as_slice);
        Ok(all.iter().filter(|notice| notice.season.region == region.id).collect())
    }

    /// Of all regions, without those that staff refused.
    async fn reports(&mut self, store: &Store, profile: &Profile, season: i32) -> Result<&[FieldReport], StoreError> {
        let key = (profile.id.clone(), season);
        if !self.reports.contains_key(&key) {
            let stored = store.field_reports(None, profile.first_day(season), profile.last_day(season)).await?;
            let kept = stored.into_iter().filter_map(StoredReport::for_decision).collect();
            self.reports.insert(key.clone(), kept);
        }
        Ok(self.reports.get(&key).map_or(&[][..], Vec::as_slice))
    }

    async fn last_outlook(
        &mut self,
        store: &Store,
        region: &Region,
        profile: &Profile,
    ) -> Result<Option<NaiveDate>, StoreError> {
        if !self.last_outlooks.contains_key(&profile.id) {
            self.last_outlooks.insert(profile.id.clone(), store.last_outlook_days(&profile.id).await?);
        }
        Ok(self.last_outlooks.get(&profile.id).and_then(|days| days.get(&region.id)).copied())
    }
}

/// One cycle under way.
struct Round {
    now: DateTime<Utc>,
    ledger: Ledger,
    report: CycleReport,
}

/// What one cycle came to.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CycleReport {
    pub regions: u32,
    /// Days looked at again or for the first time, missed ones included.
    pub days_assessed: u32,
    pub decided: Vec<String>,
    pub released: Vec<String>,
    pub deliveries: u64,
    /// What went wrong, by region; the others were done.
    pub faults: Vec<String>,
}

/// Why one region could not be served; the rest of the cycle goes on.
#[derive(Debug, thiserror::Error)]
pub enum RegionFault {
    #[error("its profile `{0}` is not known: put its file into the folder that profiles.folder names")]
    NoProfile(String),
    #[error("it has no station: give it one with `treebell region change`")]
    NoStation,
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("the work on its past years was cut off: {0}")]
    CutOff(String),
    #[error("its notice could not be worded: {0}")]
    Words(#[from] RenderError),
    #[error("what stands in the store cannot be read: {0}")]
    Stored(#[from] serde_json::Error),
}

impl Books {
    pub fn new(from: Store) -> Self {
        Self { from, known: HashMap::new() }
    }

    /// A book that was read before.
    pub fn known(&self, id: &str) -> Option<&Arc<StationBook>> {
        self.known.get(id)
    }

    /// # Errors
    /// When the station is unknown or the store fails.
    pub async fn get(&mut self, id: &str) -> Result<Arc<StationBook>, StoreError> {
        if let Some(book) = self.known.get(id) {
            return Ok(Arc::clone(book));
        }
        let id = StationId::from(id);
        let station = self.from.station(&id).await?;
        let record = self.from.record(&id).await?.index(station.time_zone);
        let book = Arc::new(StationBook { station, record });
        self.known.insert(id.0, Arc::clone(&book));
        Ok(book)
    }

    /// The newest forecast of a station as it stood then, whole days only, fitted to the station, and how; empty when
    /// there is none or it is stale.
    async fn forecast(
        &self,
        station: &Station,
        now: DateTime<Utc>,
        rules: &WeatherConfig,
    ) -> Result<(Vec<FilledDay>, Option<ForecastFit>), StoreError> {
        let nothing = || Ok((Vec::new(), None));
        let Some(forecast) = self.from.forecast(&station.id, now).await? else { return nothing() };
        if now - forecast.received_at > chrono::Duration::hours(FORECAST_GOOD_HOURS) {
            return nothing();
        }
        let today = now.with_timezone(&station.time_zone).date_naive();
        let from = today - Days::new(FORECAST_FIT_DAYS);
        let past = whole_days(self.from.past_forecasts(station, from, today, now).await?);
        let fit = self.forecast_fit(station, &past, now, rules);
        // The days that the record does not have yet, before the newest forecast begins, were forecast before.
        let mut days = past;
        days.extend(whole_days(forecast.values.iter().map(|value| (value.day, value.element, value.value.c()))));
        let fitted = days.into_iter().map(|(day, said)| {
            let (a, b) = (said.min_c + fit.added_min_c, said.max_c + fit.added_max_c);
            let temperatures = DayTemperatures { min_c: a.min(b), max_c: a.max(b) };
            FilledDay { day, temperatures, origin: DayOrigin::Forecast }
        });
        Ok((fitted.collect(), Some(fit)))
    }

    /// What past forecasts of the station were off by, on the days that both they and the record have.
    fn forecast_fit(
        &self,
        station: &Station,
        said: &BTreeMap<NaiveDate, DayTemperatures>,
        now: DateTime<Utc>,
        rules: &WeatherConfig,
    ) -> ForecastFit {
        let known = Known::At { instant: now, bulk_latency_days: rules.bulk_latency_days };
        let (first, last) = (said.keys().next().copied(), said.keys().next_back().copied());
        let came = self
            .known(&station.id.0)
            .zip(first.zip(last))
            .map(|(book, (first, last))| book.record.as_of(known, &station.sources, first, last));
        let pairs: Vec<_> = said
            .iter()
            .filter_map(|(day, said)| {
                let of_day = came.as_ref()?.get(*day);
                let (max_c, min_c) = (of_day.max?.value.c(), of_day.min?.value.c());
                Some((*said, DayTemperatures { min_c, max_c }))
            })
            .collect();
        let [added_min_c, added_max_c] =
            if pairs.len() < FORECAST_FIT_NEEDS { [0.0; 2] } else { forecast_bias(&pairs) };
        ForecastFit { common_days: pairs.len() as u32, added_min_c, added_max_c }
    }
}

/// The days of which both extremes are there, °C.
fn whole_days(values: impl IntoIterator<Item = (NaiveDate, Element, f64)>) -> BTreeMap<NaiveDate, DayTemperatures> {
    let mut by_day: BTreeMap<NaiveDate, (Option<f64>, Option<f64>)> = BTreeMap::new();
    for (day, element, value_c) in values {
        let (max, min) = by_day.entry(day).or_default();
        *(if element == Element::Max { max } else { min }) = Some(value_c);
    }
    let whole = by_day.into_iter().filter_map(|(day, values)| {
        let (Some(max_c), Some(min_c)) = values else { return None };
        Some((day, DayTemperatures { min_c: min_c.min(max_c), max_c }))
    });
    whole.collect()
}

impl Desks {
    /// The desk of a region's season, opened with what is known at `now` if it is not yet.
    ///
    /// # Errors
    /// When a station cannot be read.
    pub async fn get(
        &mut self,
        parts: &Parts,
        books: &mut Books,
        region: &Region,
        profile: &Profile,
        season: i32,
        now: DateTime<Utc>,
    ) -> Result<Arc<SeasonDesk>, RegionFault> {
        let key = (region.id.clone(), season);
        let today = now.with_timezone(&region.time_zone).date_naive();
        if let Some((desk, opened)) = self.desks.get(&key)
            && (desk.borrowed().is_none() || today < *opened + Days::new(BORROWED_GOOD_DAYS))
        {
            return Ok(Arc::clone(desk));
        }
        let mut own = Vec::with_capacity(region.stations.len());
        for id in &region.stations {
            own.push(books.get(id).await?);
        }
        let primary = own.first().ok_or(RegionFault::NoStation)?;
        let rules = &parts.config.weather;
        let known = Known::At { instant: now, bulk_latency_days: rules.bulk_latency_days };
        let asked = Asked { profile, season, rules, known };
        let past = self.past(parts, books, primary, &asked, today).await?;
        let desk = SeasonDesk::open(region, &asked, own, past).ok_or(RegionFault::NoStation).map(Arc::new)?;
        if desk.past_from == PastFrom::AllOthers {
            info!(region.id = %region.id, season, "few earlier years on record: the projection leans on all other years");
        }
        if let Some(borrowed) = desk.borrowed() {
            info!(region.id = %region.id, season, "{}", phrases::borrowed_words(Language::En, borrowed));
        }
        self.desks.insert(key, (Arc::clone(&desk), today));
        Ok(desk)
    }

    /// A station's past as a season sees it, with a neighbour's help where it has few years.
    async fn past(
        &mut self,
        parts: &Parts,
        books: &mut Books,
        primary: &Arc<StationBook>,
        asked: &Asked<'_>,
        today: NaiveDate,
    ) -> Result<Arc<StationPast>, RegionFault> {
        let key = (asked.profile.id.clone(), primary.station.id.0.clone(), asked.season);
        if let Some(past) = self.pasts.get(&key).filter(|past| past.borrowed.is_none()) {
            return Ok(Arc::clone(past));
        }
        let own = OwnPast::of(primary, asked);
        let helper = if own.is_enough() { None } else { helper(books, primary, asked, today).await? };
        let (profile, rules, records) = (asked.profile.clone(), asked.rules.clone(), Arc::clone(&parts.records));
        let (primary, season, known) = (Arc::clone(primary), asked.season, asked.known);
        // About a second of arithmetic for a long record: other work of this process goes on meanwhile.
        let work = tokio::task::spawn_blocking(move || {
            let asked = Asked { profile: &profile, season, rules: &rules, known };
            match helper {
                Some((helper, near)) => StationPast::with_help(own, &primary, &helper, near, &asked),
                None => StationPast::own(own, &asked, &records),
            }
        });
        let past = Arc::new(work.await.map_err(|why| RegionFault::CutOff(why.to_string()))?);
        self.pasts.insert(key, Arc::clone(&past));
        Ok(past)
    }

    /// Forgets the seasons of other years.
    pub fn keep_only(&mut self, season: i32) {
        self.desks.retain(|(_, year), _| *year == season);
        self.pasts.retain(|(_, _, year), _| *year == season);
    }
}

/// The best station that has years to lend, by distance and height, and whether it is near enough to be taken unasked.
async fn helper(
    books: &mut Books,
    primary: &StationBook,
    asked: &Asked<'_>,
    today: NaiveDate,
) -> Result<Option<(Arc<StationBook>, bool)>, StoreError> {
    let Station { place, elevation_m, .. } = primary.station;
    for candidate in by_nearness(place, Some(elevation_m), books.from.stations().await?) {
        let id = &candidate.station.id;
        if *id == primary.station.id {
            continue;
        }
        // What no record of that length can give need not be read.
        let extents = books.from.record_extents(id).await?;
        let first = extents.iter().map(|extent| extent.first_day).min();
        let last = extents.iter().map(|extent| extent.last_day).max();
        let years = first.zip(last).map_or(0, |(first, last)| (last.min(today) - first).num_days() / 365);
        if years + 1 < ENOUGH_YEARS as i64 {
            continue;
        }
        let book = books.get(&id.0).await?;
        if OwnPast::of(&book, asked).is_enough() {
            return Ok(Some((book, candidate.is_near())));
        }
    }
    Ok(None)
}

/// One cycle over all regions that are not retired: missed days first, then today; then notices whose hour has come
/// are let out.
///
/// # Errors
/// When the store cannot be read at all. What fails for one region is in the report.
pub async fn run(
    parts: &Parts,
    books: &mut Books,
    desks: &mut Desks,
    watch: &mut (dyn FnMut(Event) + Send),
) -> Result<CycleReport, StoreError> {
    let now = parts.clock.now();
    let mut round = Round { now, ledger: Ledger::default(), report: CycleReport::default() };
    let mut outlooks = Vec::new();
    let mut day = None;
    let mut notices = Vec::new();
    for region in parts.store.regions().await? {
        round.report.regions += 1;
        match serve(parts, books, desks, &mut round, &region, &mut |event| notices.push(event)).await {
            Ok(outlook) => {
                day = day.max(Some(outlook.today));
                outlooks.push(outlook);
            }
            Err(why) => {
                error!(region.id = %region.id, "region `{}` could not be served: {why}", region.id);
                round.report.faults.push(format!("region `{}`: {why}", region.id));
            }
        }
    }
    if let Some(day) = day {
        watch(Event::Day { day, outlooks });
    }
    notices.into_iter().for_each(&mut *watch);
    release_due(parts, now, &mut round.report, watch).await?;
    Ok(round.report)
}

/// Lets out the notices whose hour has come.
///
/// # Errors
/// When the store fails.
pub async fn release_due(
    parts: &Parts,
    now: DateTime<Utc>,
    report: &mut CycleReport,
    watch: &mut (dyn FnMut(Event) + Send),
) -> Result<(), StoreError> {
    for due in parts.store.release_due(now).await? {
        let notice = parts.store.notice(&due.notice).await?;
        let step = match due.deliveries {
            Some(deliveries) => {
                info!(notice.id = %due.notice, deliveries, "released notice `{}`", due.notice);
                report.released.push(due.notice.clone());
                report.deliveries += deliveries;
                goes_out(parts, &due.notice).await?
            }
            None => {
                warn!(notice.id = %due.notice, "notice `{}` was not confirmed while it was of use", due.notice);
                Step::Skipped { reason: "nobody confirmed it while it was of use".into() }
            }
        };
        watch(Event::Notice { day: now.date_naive(), region: notice.season.region, kind: notice.kind, step });
    }
    Ok(())
}

/// One region: the days missed since its last outlook, then today.
async fn serve(
    parts: &Parts,
    books: &mut Books,
    desks: &mut Desks,
    round: &mut Round,
    region: &Region,
    watch: &mut (dyn FnMut(Event) + Send),
) -> Result<Outlook, RegionFault> {
    let Round { now, ledger, report } = round;
    let now = *now;
    let profile =
        parts.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?.clone();
    let today = now.with_timezone(&region.time_zone).date_naive();
    let season = profile.season_of(today);
    let desk = desks.get(parts, books, region, &profile, season, now).await?;

    let last = ledger.last_outlook(&parts.store, region, &profile).await?;
    for day in missed_days(parts, last, &profile, season, today) {
        let reports = ledger.reports(&parts.store, &profile, season).await?;
        // A missed day is assessed for the record with what is known now; it announces nothing. What it would have
        // announced is decided today, while it is of use.
        let facts = DayFacts { today: day, now, forecast: &[], forecast_fit: None, told: &[], reports };
        let missed = desk.assess(&parts.config.weather, &parts.config.policy, region.release, &facts);
        parts.store.put_outlook(&missed.outlook, now).await?;
        report.days_assessed += 1;
    }

    let assessment = look_at(parts, books, &desk, ledger, region, &profile, now).await?;
    report.days_assessed += 1;
    let says_something = assessment
        .decision
        .verdicts
        .iter()
        .any(|verdict| matches!(verdict.answer, Answer::Announce(_) | Answer::Free(_)));
    let charts = if says_something && parts.config.messages.chart_in_email {
        season_chart::for_email(region, &profile, &desk, &assessment).await
    } else {
        HashMap::new()
    };
    let written = Writing { region, profile: &profile, station_name: &desk.station().name, charts: &charts };
    let done = commit(parts, written, &assessment, now).await?;
    report.deliveries += done.deliveries;
    for (kind, mut step) in done.steps {
        let id = notices::notice_id(&assessment.outlook.season, kind);
        report.decided.push(id.clone());
        if matches!(step, Step::GoesOut { .. }) {
            step = goes_out(parts, &id).await?;
            report.released.push(id);
        }
        watch(Event::Notice { day: today, region: region.id.clone(), kind, step });
    }
    Ok(assessment.outlook)
}

/// A region's outlook and what would be decided now, with nothing written.
///
/// # Errors
/// See [`RegionFault`].
pub async fn look(
    parts: &Parts,
    books: &mut Books,
    desks: &mut Desks,
    region: &Region,
    now: DateTime<Utc>,
) -> Result<Assessment, RegionFault> {
    let profile = parts.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let desk = desks.get(parts, books, region, profile, season, now).await?;
    look_at(parts, books, &desk, &mut Ledger::default(), region, profile, now).await
}

/// How good projections have been at a region's own station, as known at `now`: rows by days ahead for each stage that
/// heat brings. Empty where it has fewer than ten past seasons to tell.
///
/// # Errors
/// See [`RegionFault`].
pub async fn record_of_forecast(
    parts: &Parts,
    books: &mut Books,
    desks: &mut Desks,
    region: &Region,
    now: DateTime<Utc>,
) -> Result<Arc<ForecastRecord>, RegionFault> {
    let profile = parts.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let desk = desks.get(parts, books, region, profile, season, now).await?;
    Ok(Arc::clone(desk.record()))
}

async fn look_at(
    parts: &Parts,
    books: &Books,
    desk: &SeasonDesk,
    ledger: &mut Ledger,
    region: &Region,
    profile: &Profile,
    now: DateTime<Utc>,
) -> Result<Assessment, RegionFault> {
    let today = now.with_timezone(&region.time_zone).date_naive();
    let stored = ledger.notices(&parts.store, region, profile, desk.key.year).await?;
    let told: Vec<Told> = stored.iter().map(|notice| notice.told(region.time_zone)).collect();
    let (forecast, forecast_fit) = books.forecast(desk.station(), now, &parts.config.weather).await?;
    let facts = DayFacts {
        today,
        now,
        forecast: &forecast,
        forecast_fit,
        told: &told,
        reports: ledger.reports(&parts.store, profile, desk.key.year).await?,
    };
    Ok(desk.assess(&parts.config.weather, &parts.config.policy, region.release, &facts))
}

/// The days between the last outlook and today, as far back as is worth it and the season goes.
fn missed_days(
    parts: &Parts,
    last: Option<NaiveDate>,
    profile: &Profile,
    season: i32,
    today: NaiveDate,
) -> impl Iterator<Item = NaiveDate> + use<> {
    let reach = today.checked_sub_days(Days::new(u64::from(parts.config.schedule.catch_up_days))).unwrap_or(today);
    let from = last.map_or(today, |last| last.succ_opt().unwrap_or(last)).max(reach).max(profile.first_day(season));
    from.iter_days().take_while(move |day| *day < today)
}

/// Writes the outlook, the notices and the remarks of one assessment together.
async fn commit(
    parts: &Parts,
    writing: Writing<'_>,
    assessment: &Assessment,
    now: DateTime<Utc>,
) -> Result<Committed, RegionFault> {
    let outlook = &assessment.outlook;
    let Writing { region, profile, .. } = writing;
    let desk = WritingDesk { parts, writing, outlook, now };
    let mut done = Committed::default();
    let mut tx = parts.store.begin().await?;
    notices::put_outlook(&mut tx, outlook, now).await?;
    for verdict in &assessment.decision.verdicts {
        let kind = verdict.kind;
        let id = notices::notice_id(&outlook.season, kind);
        let step = match &verdict.answer {
            Answer::Quiet { .. } => continue,
            Answer::Announce(terms) => {
                let (new, texts) = desk.word(kind, terms)?;
                match notices::put_notice(&mut tx, &new, &texts).await? {
                    Put::AlreadyThere => continue,
                    Put::Written { deliveries } => done.deliveries += deliveries,
                }
                first_step(&new.fate)
            }
            Answer::Free(terms) => {
                let (new, texts) = desk.word(kind, terms)?;
                done.deliveries += notices::renew(&mut tx, &new, &texts).await?;
                first_step(&new.fate)
            }
            Answer::AskFirst { word_needed } => {
                notices::ask_first(&mut tx, &id, word_needed).await?;
                Step::WaitsForStaff
            }
            Answer::Skip { reason } => {
                let new = desk.skipped(kind, reason)?;
                if notices::put_notice(&mut tx, &new, &[]).await? == Put::AlreadyThere {
                    notices::skip(&mut tx, &id, &new.reason).await?;
                }
                let text = format!("{} in {} was skipped: {reason}", kind.name(), region.name);
                let key = format!("skipped/{id}");
                notices::tell_staff(&mut tx, &key, Some(&region.id), StaffKind::Skipped, &text, now).await?;
                Step::Skipped { reason: reason.to_string() }
            }
        };
        info!(region.id = %region.id, notice.id = %id, "decided for region `{}`: {verdict}", region.id);
        done.steps.push((kind, step));
    }
    for remark in &assessment.decision.remarks {
        let key = format!("{}/{}/{}/{}", profile.id, region.id, outlook.season.year, remark.key());
        notices::tell_staff(&mut tx, &key, Some(&region.id), remark.into(), &remark.to_string(), now).await?;
    }
    tx.commit().await?;
    Ok(done)
}

/// What a commit changed.
#[derive(Default)]
struct Committed {
    steps: Vec<(NoticeKind, Step)>,
    deliveries: u64,
}

fn first_step(fate: &Fate) -> Step {
    match fate {
        // The counts are read after the transaction.
        Fate::Release => Step::GoesOut { emails: 0, texts: 0 },
        Fate::Wait { .. } => Step::WaitsUnlessHeld,
        Fate::WaitForWord { .. } | Fate::Skip => Step::WaitsForStaff,
    }
}

/// How many messages of a notice are on their way by each channel.
pub(super) async fn goes_out(parts: &Parts, notice: &str) -> Result<Step, StoreError> {
    let by_channel = parts.store.delivery_channels(notice).await?;
    let count = |channel| by_channel.get(&channel).map_or(0, |count| u32::try_from(*count).unwrap_or(u32::MAX));
    Ok(Step::GoesOut { emails: count(Channel::Email), texts: count(Channel::Sms) })
}

/// What notices of a region are written from beside its outlook.
#[derive(Clone, Copy)]
struct Writing<'a> {
    region: &'a Region,
    profile: &'a Profile,
    station_name: &'a str,
    /// For e-mails, by language; those that could not be drawn are missing.
    charts: &'a HashMap<Language, Picture>,
}

/// Turns verdicts into notices with their words.
struct WritingDesk<'a> {
    parts: &'a Parts,
    writing: Writing<'a>,
    outlook: &'a Outlook,
    now: DateTime<Utc>,
}

impl WritingDesk<'_> {
    /// The notice on these terms, with its words in every language for every channel.
    fn word(&self, kind: NoticeKind, terms: &Terms) -> Result<(NewNotice, Vec<NoticeText>), RegionFault> {
        let Writing { region, profile, station_name, charts } = self.writing;
        let window = &profile.window;
        let at_sum = self.outlook.stage(&window.opens).and_then(|stage| stage.at_sum);
        let facts = NoticeFacts::from_outlook(
            Sender::from(&self.parts.config.messages),
            region,
            station_name,
            self.outlook,
            Window {
                opens: &window.opens,
                closes: &window.closes,
                heat_needed: at_sum.unwrap_or(self.outlook.heat_sum),
                provisional: profile.provisional,
            },
            basis(&terms.reason),
        );
        let mut texts = Vec::with_capacity(Language::ALL.len() * Channel::ALL.len());
        for language in Language::ALL {
            for channel in Channel::ALL {
                let chart = charts.get(&language);
                let message = self.parts.templates.render_with_chart(kind, language, channel, &facts, chart)?;
                texts.push(NoticeText { language, message });
            }
        }
        let fate = match (terms.release, &terms.word_needed) {
            (_, Some(word_needed)) => Fate::WaitForWord { word_needed: word_needed.clone() },
            (Release::AtOnce, None) => Fate::Release,
            (Release::UnlessHeld { hours }, None) => {
                Fate::Wait { release_at: self.now + chrono::Duration::hours(i64::from(hours)) }
            }
            (Release::WhenConfirmed, None) => Fate::WaitForWord { word_needed: WordNeeded::ByPolicy },
        };
        let new = NewNotice {
            fate,
            reason: serde_json::to_value(terms)?,
            facts: serde_json::to_value(&facts)?,
            expires_at: end_of_day(terms.expires_on, region.time_zone),
            ..self.blank(kind)
        };
        Ok((new, texts))
    }

    fn skipped(&self, kind: NoticeKind, reason: &SkipReason) -> Result<NewNotice, RegionFault> {
        Ok(NewNotice { reason: serde_json::to_value(reason)?, ..self.blank(kind) })
    }

    fn blank(&self, kind: NoticeKind) -> NewNotice {
        NewNotice {
            season: self.outlook.season.clone(),
            kind,
            fate: Fate::Skip,
            reason: serde_json::Value::Null,
            facts: serde_json::Value::Null,
            decided_on: self.outlook.today,
            decided_at: self.now,
            expires_at: self.now,
            priority: priority(kind),
        }
    }
}

/// Why a stored notice is as it is, in words.
pub fn reason_words(notice: &Notice) -> String {
    if let Ok(terms) = serde_json::from_value::<Terms>(notice.reason.clone()) {
        return terms.reason.to_string();
    }
    match serde_json::from_value::<SkipReason>(notice.reason.clone()) {
        Ok(skipped) => skipped.to_string(),
        Err(_) => notice.reason.to_string(),
    }
}

/// What cannot wait goes first.
fn priority(kind: NoticeKind) -> i64 {
    match kind {
        NoticeKind::LastDaysToWash => 0,
        NoticeKind::InspectNow => 1,
        NoticeKind::GetReady => 2,
        NoticeKind::TooLateToWash => 3,
    }
}

fn basis(ground: &Ground) -> Basis {
    match ground {
        Ground::Seen { .. } => Basis::Seen,
        Ground::Crossed { .. } | Ground::Closed { .. } => Basis::Heat,
        Ground::OpeningNear { .. }
        | Ground::OpeningLikely { .. }
        | Ground::BegunLikely { .. }
        | Ground::CloseNear { .. } => Basis::Chance,
    }
}

/// The last instant of a local day, as the first of the next.
fn end_of_day(day: NaiveDate, zone: Tz) -> DateTime<Utc> {
    place(day.succ_opt().unwrap_or(day).and_time(NaiveTime::MIN), zone)
}
