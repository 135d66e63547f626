//! The days of a season one after the other: the cycle in the morning, then what leaves until the next one.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};

use super::end::Over;
use super::parts::Span;
use super::{RegionSeason, ReplayError, ReplayWorld};
use crate::clock::{Clock, ManualClock};
use crate::dispatch::channels::Channels;
use crate::dispatch::dispatcher::Dispatcher;
use crate::region::RegionId;
use crate::season::NoticeStatus;
use crate::service::app::App;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle::{self, CycleReport};
use crate::service::event::Event;
use crate::service::follow_up;
use crate::service::profile_shelf::ProfileShelf;
use crate::service::skill_cache::SkillCache;
use crate::service::subscribe::stop;
use crate::store::acts::Actor;
use crate::store::field_reports::StoredReport;
use crate::store::notices::Notice;
use crate::store::{Store, StoreError};
use crate::timetable::place;

/// A season is played to the end of the window of every region, and for at most so many days.
const LONGEST_PLAY_DAYS: usize = 270;

/// Who confirms where staff are played, as the store keeps it.
const PLAYED_STAFF: &str = "staff, played";

impl ReplayWorld {
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
    pub(super) async fn play_whole(
        &self,
        season: i32,
        span: Span,
        channels: Option<Channels>,
        watch: &mut (dyn FnMut(Event) + Send),
    ) -> Result<(Vec<RegionSeason>, Vec<Notice>), ReplayError> {
        let world = self.with_records().await?;
        if world.regions.iter().all(|region| world.last_record_day_of(region, season).is_none()) {
            return Ok((Vec::new(), Vec::new()));
        }
        let clock = Arc::new(ManualClock::at(world.cycle_time(span.first)));
        let app = world.played_app(&clock, channels.is_some()).await?;
        let dispatcher = channels.map(|channels| {
            let clock: Arc<dyn Clock> = clock.clone();
            // Links by the scratch store's own key: nobody is stopped by what a replay has written.
            let stop_link = stop::personaliser(&app.config.messages.public_url, app.store.address_hash().clone());
            Dispatcher::new(app.store.clone(), clock, channels, &app.config.delivery, Arc::new(stop_link))
        });
        let (mut records, mut models) = (world.records.clone(), SeasonCache::default());
        let mut reports = Vec::new();
        for day in span.first.iter_days().take(LONGEST_PLAY_DAYS).take_while(|day| *day <= span.last) {
            clock.set(world.cycle_time(day));
            let known: Vec<StoredReport> =
                world.reports.iter().filter_map(|history| history.as_of(clock.now())).collect();
            if known != reports {
                app.store.replace_field_reports(&known).await?;
                reports = known;
            }
            let over = world.play_day(&app, &mut records, &mut models, season, watch).await?;
            // Of thousands of regions a season of outlooks takes gigabytes, and only the day before is looked at again.
            if world.kept_in.is_none() {
                app.store.forget_outlooks_before(day).await?;
            }
            let until = world.cycle_time(day + Days::new(1));
            world.let_time_pass(&app, dispatcher.as_ref(), &clock, until, watch).await?;
            if dispatcher.is_none() {
                app.store.count_as_sent(until).await?;
            }
            let Some(over) = over else { continue };
            if world.kept_in.is_none() {
                // As the cycle saw it: what came later that day in some region says nothing of the others.
                clock.set(world.cycle_time(day));
            }
            if world.nothing_follows(&app, &over, season).await? {
                break;
            }
        }
        // The same however long the other regions were played.
        let now = if world.kept_in.is_none() { world.cycle_time(span.last) } else { clock.now() };
        let notices = world.notices_of(&app.store, season).await?;
        let mut of_region: HashMap<&RegionId, Vec<&Notice>> = HashMap::new();
        for notice in &notices {
            of_region.entry(&notice.season.region).or_default().push(notice);
        }
        let mut seasons = Vec::with_capacity(world.regions.len());
        for region in world.regions.iter().filter(|region| world.last_record_day_of(region, season).is_some()) {
            let told = of_region.get(&region.id).map_or(&[][..], Vec::as_slice);
            let sum = world.sum_up(&app, &mut records, &mut models, region, (season, now), told).await;
            seasons.push(sum.map_err(|source| ReplayError::Region { region: region.id.clone(), source })?);
        }
        Ok((seasons, notices))
    }

    /// The app as it would have been: with the clock of that day, and with the store in which the season is played.
    async fn played_app(&self, clock: &Arc<ManualClock>, writes_messages: bool) -> Result<App, ReplayError> {
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
        // Where no message is written nobody sees its chart, or reads how good projections were.
        config.messages.chart_in_email &= writes_messages;
        let skills = if writes_messages { Arc::clone(&self.app.skills) } else { Arc::new(SkillCache::to_decide()) };
        Ok(App {
            store,
            clock: clock.clone(),
            config: Arc::new(config),
            // The scratch store knows of no adopted belief: the profiles of now are played.
            profiles: ProfileShelf::held((*self.app.profiles.all()).clone()),
            templates: self.app.templates.held(),
            skills,
            ..self.app.clone()
        })
    }

    /// What the daemon does once a day, with the regions whose season is over if that is all of them.
    async fn play_day(
        &self,
        app: &App,
        records: &mut RecordCache,
        models: &mut SeasonCache,
        season: i32,
        watch: &mut (dyn FnMut(Event) + Send),
    ) -> Result<Option<Vec<Over>>, ReplayError> {
        let mut over = None;
        follow_up::ask_due(app).await?;
        let report = cycle::run(app, records, models, &mut |event| {
            if let Event::Day { outlooks: made, .. } = &event {
                over = self.all_over(made, season);
            }
            watch(event);
        })
        .await?;
        for fault in &report.faults {
            tracing::warn!("{fault}");
        }
        Ok(over)
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
}
