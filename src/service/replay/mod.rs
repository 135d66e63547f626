//! Replay: the same cycle over a past season, with that season's clock and only what could be known each day.
//!
//! Nothing is sent: notices and deliveries live in a store in memory, and messages are written to a folder if one is
//! given. Regions, stations and subscribers are those of today; field reports of these regions stand each day as they stood
//! then. A season's past years are the years before it; where fewer than ten of those are on record, all other years stand
//! in and the season says so.

mod end;
mod parts;
mod played;
mod summary;

pub use played::{MessageCount, PlayedNotice, Unsent};
pub use summary::{RegionSummary, summarise};

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use serde::Serialize;

use super::caches::{RecordCache, SeasonCache};
use super::cycle::{self, CycleReport};
use super::event::Event;
use super::follow_up;
use super::region_fault::RegionFault;
use crate::assessment::past::PastFrom;
use crate::assessment::season_model::DayFacts;
use crate::clock::{Clock, ManualClock};
use crate::dispatch::channels::Channels;
use crate::dispatch::dispatcher::{DispatchError, Dispatcher};
use crate::id::StationId;
use crate::people::Channel;
use crate::people::{Consent, NewSubscriber};
use crate::region::{Region, RegionId};
use crate::season::belief::SeasonBelief;
use crate::season::learning::Learned;
use crate::season::{NoticeStatus, Profile, StageId, WindowDays};
use crate::service::app::App;
use crate::service::profile_shelf::ProfileShelf;
use crate::service::skill_cache::SkillCache;
use crate::service::subscribe::{SignUpError, stop};
use crate::store::acts::Actor;
use crate::store::addresses::AddressStatus;
use crate::store::field_reports::{ReportHistory, StoredReport};
use crate::store::learning::FreezeWord;
use crate::store::notices::Notice;
use crate::store::{Store, StoreError};
use crate::timetable::place;
use crate::weather::Station;
use parts::{Cut, Span};

/// A season is played to the end of the window of every region, and for at most so many days.
const LONGEST_PLAY_DAYS: usize = 270;

/// So long after our heat number was reached all that the days of a window hang on is on record.
const WINDOW_DAYS: u64 = 90;

/// One region's season as it would have gone.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RegionSeason {
    pub region: RegionId,
    pub name: String,
    pub elevation_m: f64,
    pub station: StationId,
    pub year: i32,
    /// Which other years the projection leant on.
    pub past: PastFrom,
    pub past_years: usize,
    /// When our heat numbers of the window's opening and close were reached by the complete record; `None` when the record
    /// does not get there. When eggs were there nobody knows.
    pub opened: Option<NaiveDate>,
    pub closed: Option<NaiveDate>,
    /// The days of the window by the complete record, with what the profile believes before any report; `None` when the
    /// record does not reach its opening.
    pub window: Option<WindowDays>,
    /// In the order in which they were decided.
    pub notices: Vec<PlayedNotice>,
    /// The question some days after "inspect now", which nobody answers in a replay.
    pub asked: Option<PlayedQuestion>,
    /// Days of the season to its close or its end …
    pub days: u32,
    /// … and how many of those had to be filled.
    pub filled_days: u32,
}

/// The question what people saw: one address a person.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlayedQuestion {
    /// The region's day.
    pub on: NaiveDate,
    pub emails: u64,
    pub texts: u64,
}

#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Dispatch(#[from] DispatchError),
    #[error("people could not be asked what they saw")]
    Question(#[from] SignUpError),
    #[error("region `{region}` cannot be replayed")]
    Region { region: RegionId, source: RegionFault },
    #[error("there is no region to replay: add one with `treebell region add`")]
    NoRegion,
    #[error("region `{0}` is not known; `treebell region list` shows the regions")]
    UnknownRegion(RegionId),
    #[error(
        "no station of these regions has any temperature of season {0}; `treebell weather status` shows what there is"
    )]
    NoSeason(i32),
}

/// The world in which a replay is played: a copy of regions, stations and people in memory, and the real records.
#[derive(Clone)]
pub struct ReplayWorld {
    app: App,
    records: RecordCache,
    regions: Vec<Region>,
    people: Vec<NewSubscriber>,
    /// Of these regions and all seasons.
    reports: Vec<ReportHistory>,
    /// What staff said of learning, when.
    freezes: Vec<FreezeWord>,
    /// How long after a decision somebody plays the staff and confirms it; `None`: nobody does.
    confirmed_after: Option<chrono::Duration>,
    /// Where the season is played, if it is to be kept.
    kept_in: Option<Store>,
    cut: Cut,
}

/// Who confirms where staff are played, as the store keeps it.
const PLAYED_STAFF: &str = "staff, played";

impl ReplayWorld {
    /// Reads regions (all, or those named) and the subscribers from the app's own store, and the stations' records unless there
    /// are so many that they are read part by part.
    ///
    /// # Errors
    /// No region, an unknown one, or a store that fails.
    pub async fn read(app: &App, only: &[RegionId]) -> Result<Self, ReplayError> {
        let all = app.store.regions().await?;
        if let Some(unknown) = only.iter().find(|id| all.iter().all(|region| region.id != **id)) {
            return Err(ReplayError::UnknownRegion(unknown.clone()));
        }
        let regions: Vec<Region> =
            all.into_iter().filter(|region| only.is_empty() || only.contains(&region.id)).collect();
        if regions.is_empty() {
            return Err(ReplayError::NoRegion);
        }
        let mut people = Vec::new();
        for subscriber in app.store.subscribers(None).await? {
            let confirmed = subscriber.addresses.into_iter().filter(|held| held.status == AddressStatus::Confirmed);
            let addresses: Vec<_> = confirmed.map(|held| held.address).collect();
            // Everybody stays where they live today, whether they have said so or not. Who lives at another height than that of
            // the regions played is not told of theirs.
            let (mut zips, mut heights) = (Vec::new(), Vec::new());
            for home in subscriber.homes {
                let lives = home.region.as_ref().and_then(|id| regions.iter().find(|region| region.id == *id));
                if lives.is_none() && regions.iter().any(|region| region.zips.contains(&home.zip)) {
                    continue;
                }
                heights.extend(lives.and_then(|region| region.band).map(|band| (home.zip.clone(), band)));
                zips.push(home.zip);
            }
            if !addresses.is_empty() && !zips.is_empty() {
                let consent = Consent::Given { evidence: "copied for a replay".into() };
                people.push(NewSubscriber { zips, heights, addresses, language: subscriber.language, consent });
            }
        }
        let mut reports = app.store.field_report_histories(None, NaiveDate::MIN, NaiveDate::MAX).await?;
        reports.retain(|history| regions.iter().any(|region| region.id == *history.region()));
        let freezes = app.store.freeze_words().await?;
        let (app, records, cut) = (app.clone(), RecordCache::new(app.store.clone()), Cut::default());
        let world = Self { app, records, regions, people, reports, freezes, confirmed_after: None, kept_in: None, cut };
        if world.parts().len() > 1 { Ok(world) } else { world.with_records().await }
    }

    /// The same, with staff who confirm every notice that waits for their word so long after it was decided.
    pub fn with_staff(self, confirmed_after: chrono::Duration) -> Self {
        Self { confirmed_after: Some(confirmed_after), ..self }
    }

    /// The same, played in a store that holds the regions, stations and people already, and that keeps the season.
    pub fn kept_in(self, store: Store) -> Self {
        Self { kept_in: Some(store), ..self }
    }

    pub fn regions(&self) -> &[Region] {
        &self.regions
    }

    /// Plays one season. Messages go through `channels` when there are any. Regions whose own station has nothing of that
    /// season are left out of the result.
    ///
    /// # Errors
    /// See [`ReplayError`].
    pub async fn play(
        &self,
        season: i32,
        channels: Option<Channels>,
        watch: &mut (dyn FnMut(Event) + Send),
    ) -> Result<Vec<RegionSeason>, ReplayError> {
        let span = self.span(season).await?;
        let parts = if channels.is_none() { self.parts() } else { Vec::new() };
        if parts.len() > 1 {
            return self.play_parts(&parts, season, span, watch).await;
        }
        self.play_whole(season, span, channels, watch).await.map(|(seasons, _)| seasons)
    }

    /// As [`ReplayWorld::play`], with every notice as it stood in the end.
    ///
    /// # Errors
    /// See [`ReplayError`].
    pub async fn play_through(
        &self,
        season: i32,
        channels: Option<Channels>,
        watch: &mut (dyn FnMut(Event) + Send),
    ) -> Result<(Vec<RegionSeason>, Vec<Notice>), ReplayError> {
        let span = self.span(season).await?;
        self.play_whole(season, span, channels, watch).await
    }

    /// All regions in one store, with all records in memory.
    async fn play_whole(
        &self,
        season: i32,
        span: Span,
        channels: Option<Channels>,
        watch: &mut (dyn FnMut(Event) + Send),
    ) -> Result<(Vec<RegionSeason>, Vec<Notice>), ReplayError> {
        self.with_records().await?.play_with_records(season, span, channels, watch).await
    }

    async fn play_with_records(
        &self,
        season: i32,
        span: Span,
        channels: Option<Channels>,
        watch: &mut (dyn FnMut(Event) + Send),
    ) -> Result<(Vec<RegionSeason>, Vec<Notice>), ReplayError> {
        if self.regions.iter().all(|region| self.last_record_day_of(region, season).is_none()) {
            return Ok((Vec::new(), Vec::new()));
        }
        let clock = Arc::new(ManualClock::at(self.cycle_time(span.first)));
        let store = match &self.kept_in {
            None => self.scratch(clock.now()).await?,
            Some(store) => {
                store.acting(Actor { user: PLAYED_STAFF.to_owned(), account: None, why: None, clock: clock.clone() })
            }
        };
        let mut config = (*self.app.config).clone();
        // What an address limit or a carrier's pace would have done is not part of the question.
        config.delivery.email = Default::default();
        config.delivery.sms = Default::default();
        // Where no message is written nobody sees its chart.
        config.messages.chart_in_email &= channels.is_some();
        // The scratch store knows of no adopted belief: the profiles of now are played.
        let profiles = ProfileShelf::held((*self.app.profiles.all()).clone());
        let templates = self.app.templates.held();
        let config = Arc::new(config);
        // Where no message is written nobody reads how good projections were.
        let skills = if channels.is_some() { Arc::clone(&self.app.skills) } else { Arc::new(SkillCache::to_decide()) };
        let app =
            App { store: store.clone(), clock: clock.clone(), config, profiles, templates, skills, ..self.app.clone() };
        let dispatcher = channels.map(|channels| {
            let clock: Arc<dyn Clock> = clock.clone();
            // Links by the scratch store's own key: nobody is stopped by what a replay has written.
            let stop_link = stop::personaliser(&app.config.messages.public_url, store.address_hash().clone());
            Dispatcher::new(store.clone(), clock, channels, &app.config.delivery, Arc::new(stop_link))
        });
        let mut records = self.records.clone();
        let mut models = SeasonCache::default();
        let mut reports = Vec::new();
        for day in span.first.iter_days().take(LONGEST_PLAY_DAYS).take_while(|day| *day <= span.last) {
            clock.set(self.cycle_time(day));
            let known: Vec<StoredReport> =
                self.reports.iter().filter_map(|history| history.as_of(clock.now())).collect();
            if known != reports {
                store.replace_field_reports(&known).await?;
                reports = known;
            }
            let mut over = None;
            follow_up::ask_due(&app).await?;
            let report = cycle::run(&app, &mut records, &mut models, &mut |event| {
                if let Event::Day { outlooks: made, .. } = &event {
                    over = self.all_over(made, season);
                }
                watch(event);
            })
            .await?;
            for fault in &report.faults {
                tracing::warn!("{fault}");
            }
            // Of thousands of regions a season of outlooks takes gigabytes, and only the day before is looked at again.
            if self.kept_in.is_none() {
                store.forget_outlooks_before(day).await?;
            }
            let until = self.cycle_time(day + Days::new(1));
            self.let_time_pass(&app, dispatcher.as_ref(), &clock, until, watch).await?;
            if dispatcher.is_none() {
                store.count_as_sent(until).await?;
            }
            let Some(over) = over else { continue };
            if self.kept_in.is_none() {
                // As the cycle saw it: what came later that day in some region says nothing of the others.
                clock.set(self.cycle_time(day));
            }
            if self.nothing_follows(&app, &over, season).await? {
                break;
            }
        }
        let notices = self.notices_of(&store, season).await?;
        let mut of_region: HashMap<&RegionId, Vec<&Notice>> = HashMap::new();
        for notice in &notices {
            of_region.entry(&notice.season.region).or_default().push(notice);
        }
        // The same however long the other regions were played.
        let now = if self.kept_in.is_none() { self.cycle_time(span.last) } else { clock.now() };
        let mut seasons = Vec::with_capacity(self.regions.len());
        for region in self.regions.iter().filter(|region| self.last_record_day_of(region, season).is_some()) {
            let told = of_region.get(&region.id).map_or(&[][..], Vec::as_slice);
            let sum = self.sum_up(&app, &mut records, &mut models, region, (season, now), told).await;
            seasons.push(sum.map_err(|source| ReplayError::Region { region: region.id.clone(), source })?);
        }
        Ok((seasons, notices))
    }

    /// Profile by profile, in the order in which they were decided.
    async fn notices_of(&self, store: &Store, season: i32) -> Result<Vec<Notice>, StoreError> {
        let mut notices = Vec::new();
        let profiles: BTreeSet<String> = self.profiles().map(|profile| profile.id.clone()).collect();
        for profile in profiles {
            notices.extend(store.notices_of_season(&profile, season).await?);
        }
        Ok(notices)
    }

    /// The first biofix of the season among the regions' profiles.
    fn first_day(&self, season: i32) -> NaiveDate {
        self.profiles().map(|profile| profile.first_day(season)).min().unwrap_or_default()
    }

    fn profiles(&self) -> impl Iterator<Item = Arc<Profile>> {
        self.regions.iter().filter_map(|region| self.app.profiles.get(&region.profile))
    }

    /// The first run of the day by the schedule, or 6 o'clock where the schedule names none for it.
    fn cycle_time(&self, day: NaiveDate) -> DateTime<Utc> {
        let schedule = &self.app.config.schedule;
        let midnight = place(day.and_time(NaiveTime::MIN), schedule.time_zone);
        let tick = schedule
            .timetable()
            .ok()
            .and_then(|timetable| timetable.next_after(midnight - chrono::Duration::seconds(1)))
            .filter(|tick| tick.at < midnight + chrono::Duration::hours(23));
        tick.map_or_else(|| midnight + chrono::Duration::hours(6), |tick| tick.at)
    }

    /// The last day of the season on which the region's own station has a value, of a record in memory.
    fn last_record_day_of(&self, region: &Region, season: i32) -> Option<NaiveDate> {
        let profile = self.app.profiles.get(&region.profile)?;
        let history = self.records.known(region.stations.first()?)?;
        history.record.last_day_between(profile.first_day(season), profile.last_day(season))
    }

    async fn scratch(&self, now: DateTime<Utc>) -> Result<Store, ReplayError> {
        let store = Store::in_memory().await?;
        let ids = self.regions.iter().flat_map(|region| &region.stations);
        let stations: BTreeMap<&StationId, &Station> =
            ids.filter_map(|id| Some((id, &self.records.known(id)?.station))).collect();
        let stations: Vec<Station> = stations.into_values().cloned().collect();
        store.put_regions_with(&self.regions, &stations, now).await?;
        for word in &self.freezes {
            store.freeze_learning(word).await?;
        }
        for person in &self.people {
            store.add_subscriber(person, now).await?;
        }
        Ok(store)
    }

    /// From one cycle to the next: notices leave when their hour comes, deliveries when they are due.
    async fn let_time_pass(
        &self,
        app: &App,
        dispatcher: Option<&Dispatcher>,
        clock: &ManualClock,
        until: DateTime<Utc>,
        watch: &mut (dyn FnMut(Event) + Send),
    ) -> Result<(), ReplayError> {
        loop {
            if let Some(dispatcher) = dispatcher {
                dispatcher.drain_due().await?;
                for (region, channel, count) in app.store.sent_at(clock.now()).await? {
                    for _ in 0..count {
                        watch(Event::Delivered { region: region.clone(), channel });
                    }
                }
            }
            let now = clock.now();
            let release = app.store.next_release().await?.filter(|at| *at > now);
            let due = match dispatcher {
                Some(dispatcher) => dispatcher.next_due().await?.filter(|at| *at > now),
                None => None,
            };
            let word = self.next_word(&app.store).await?;
            let word_at = word.as_ref().map(|(at, _)| (*at).max(now));
            let next = [release, due, word_at].into_iter().flatten().min();
            match (next, word) {
                (Some(at), _) if at >= until => return Ok(()),
                // What leaves by itself at that instant goes first: once it has passed nobody looks for it again that day.
                (Some(at), Some((_, notice))) if word_at == Some(at) && release != Some(at) => {
                    clock.set(at);
                    app.store.release_notice(&notice.id, PLAYED_STAFF, at).await?;
                    let step = cycle::goes_out(app, &notice.id).await?;
                    let zone = app.store.region(&notice.season.region).await?.time_zone;
                    let day = at.with_timezone(&zone).date_naive();
                    watch(Event::Notice { day, region: notice.season.region, kind: notice.kind, step });
                }
                (Some(at), _) => {
                    clock.set(at);
                    cycle::release_due(app, at, &mut CycleReport::default(), watch).await?;
                }
                (None, _) => return Ok(()),
            }
        }
    }

    /// The notice that the played staff confirm next, if there are any who do.
    async fn next_word(&self, store: &Store) -> Result<Option<(DateTime<Utc>, Notice)>, StoreError> {
        let Some(after) = self.confirmed_after else { return Ok(None) };
        let waiting = store.notices_waiting().await?.into_iter();
        let words = waiting
            .filter(|notice| notice.status() == NoticeStatus::Waiting && notice.release_at().is_none())
            .map(|notice| (notice.decided_at + after, notice))
            .filter(|(at, notice)| *at < notice.expires_at);
        Ok(words.min_by_key(|(at, _)| *at))
    }

    async fn sum_up(
        &self,
        app: &App,
        records: &mut RecordCache,
        models: &mut SeasonCache,
        region: &Region,
        (season, now): (i32, DateTime<Utc>),
        told: &[&Notice],
    ) -> Result<RegionSeason, RegionFault> {
        let profile =
            &*app.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
        let model = models.get(app, records, region, profile, season, now).await?;
        // On borrowed years it is made anew each week: the last one hangs on how long the others were played.
        let is_of_a_week = self.kept_in.is_none() && model.borrowed().is_some();
        let model = if is_of_a_week {
            SeasonCache::default().get(app, records, region, profile, season, now).await?
        } else {
            model
        };
        // The whole season with all that was ever received.
        let end = profile.last_day(season);
        // The day of our heat number, whatever was believed of the insect.
        let belief = SeasonBelief::certain(profile);
        let facts =
            DayFacts { today: end, now, forecast: &[], forecast_fit: None, told: &[], reports: &[], belief: &belief };
        let truth = model.look_back(&app.config.weather, &app.config.policy, region.release, &facts);
        let reached = |stage: &StageId| {
            truth.outlook.stage(stage).and_then(|stage| stage.reached).filter(|reached| reached.on_real_days)
        };
        let opened = reached(&profile.window.opens).map(|reached| reached.on);
        let closed = reached(&profile.window.closes).map(|reached| reached.on);
        let until = closed.unwrap_or(end);
        let season_days = || truth.heat.iter().filter(|day| day.day <= until);
        let filled = season_days().filter(|day| !day.origin.is_real()).count();
        let window = opened.map(|opened| {
            let belief = Learned::prior(profile, season).of_region(profile, &region.id);
            let today = end.min(opened + Days::new(WINDOW_DAYS));
            let facts = DayFacts { today, belief: &belief, ..facts };
            model.look_back(&app.config.weather, &app.config.policy, region.release, &facts).days
        });

        let (mut notices, mut asked) = (Vec::new(), None);
        for notice in told.iter().filter(|notice| notice.season.profile == profile.id) {
            if let Some((at, by_channel)) = app.store.asked_after(&notice.id).await? {
                let count = |channel| by_channel.get(&channel).copied().unwrap_or(0);
                asked = Some(PlayedQuestion {
                    on: at.with_timezone(&region.time_zone).date_naive(),
                    emails: count(Channel::Email),
                    texts: count(Channel::Sms),
                });
            }
            notices.push(PlayedNotice::of(app, profile, region, opened, notice).await?);
        }
        Ok(RegionSeason {
            region: region.id.clone(),
            name: region.name.clone(),
            elevation_m: region.elevation_m,
            station: model.station().id.clone(),
            year: season,
            past: model.past_from,
            past_years: model.past_years(),
            opened,
            closed,
            window,
            notices,
            asked,
            days: u32::try_from(season_days().count()).unwrap_or(u32::MAX),
            filled_days: u32::try_from(filled).unwrap_or(u32::MAX),
        })
    }
}
