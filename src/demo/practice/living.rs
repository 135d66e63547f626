//! How time passes in a practice: cycles, releases, deliveries and what invented people write, each at its hour, by the code of
//! the service.

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Utc};

use super::arrivals::Arrivals;
use super::owners::Owners;
use crate::clock::{Clock, PracticeClock};
use crate::config::Config;
use crate::demo::ground::{DemoError, MESSAGES};
use crate::demo::state::State;
use crate::demo::weather;
use crate::dispatch::Dispatcher;
use crate::dispatch::channels::Channels;
use crate::dispatch::channels::folder::FolderTransport;
use crate::dispatch::channels::mail::MailWriter;
use crate::dispatch::dispatcher::DispatchError;
use crate::randomness::Randomness;
use crate::service::app::App;
use crate::service::cycle::{self, CycleReport};
use crate::service::daemon;
use crate::service::practice::Lived;
use crate::service::subscribe::stop;
use crate::store::StoreError;
use crate::store::practice::Practice;
use crate::text::Chain;
use crate::timetable::{Timetable, place};

/// The clock runs on by itself for so long: a sitting, and never over night.
const RUNS_FOR: Duration = Duration::from_secs(3 * 3600);

/// A practice that was closed goes on so much later than its clock was last written down: nothing happens twice at one instant.
const BETWEEN_SITTINGS: TimeDelta = TimeDelta::seconds(30);

/// A run of the cycle that was due longer ago is not made up for.
const REACH: TimeDelta = TimeDelta::days(2);

/// One invented season that is being lived.
pub(super) struct World {
    pub app: App,
    pub mark: Practice,
    pub last_day: NaiveDate,
    clock: Arc<PracticeClock>,
    timetable: Timetable,
    dispatcher: Dispatcher,
    arrivals: Arrivals,
    owners: Owners,
    /// The run of the cycle that was made last.
    ran: Mutex<Option<NaiveDateTime>>,
    /// Held by whoever lets time pass.
    living: tokio::sync::Mutex<()>,
}

/// What keeps time from passing.
#[derive(Debug, thiserror::Error)]
pub(super) enum LivingFault {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Dispatch(#[from] DispatchError),
}

impl World {
    /// Opens the practice that lies in a folder, where its clock stands.
    ///
    /// # Errors
    /// A store that is none for practice, is in use, or cannot be opened.
    pub async fn open(
        config: &Config,
        folder: &Path,
        state: &State,
        randomness: &Randomness,
    ) -> Result<Self, DemoError> {
        let clock = Arc::new(PracticeClock::at(DateTime::UNIX_EPOCH, RUNS_FOR));
        let app = App::open(config, clock.clone(), randomness).await?;
        let Some(mark) = app.store.practice().await? else {
            app.store.close().await;
            return Err(DemoError::NotForPractice(folder.to_owned()));
        };
        app.store.hurry().await?;
        clock.move_to(mark.now + BETWEEN_SITTINGS);
        let profile = app.profiles.get(&state.profile).ok_or(DemoError::NoProfile)?;
        let made = weather::make(state, mark.seed);
        // Forecasts were made up to the end of September.
        let last_day = NaiveDate::from_ymd_opt(mark.season, 9, 30).unwrap_or_default();
        let arrivals = Arrivals::of(state, &made, mark.now, last_day);
        let owners = Owners::of(state, &made, &profile, (mark.season, mark.seed), mark.now);
        let messages = folder.join(MESSAGES);
        let mail = MailWriter::new(&config.email).map_err(DemoError::Setting)?;
        let outbox = FolderTransport::open(&messages, mail)
            .map_err(|source| DemoError::Folder { path: messages.clone(), source })?;
        let personaliser = Arc::new(stop::personaliser(&config.messages.public_url, app.store.address_hash().clone()));
        let channels = Channels::both(Arc::new(outbox));
        let ticking: Arc<dyn Clock> = clock.clone();
        let dispatcher = Dispatcher::new(app.store.clone(), ticking, channels, &config.delivery, personaliser);
        dispatcher.take_over().await.map_err(|why| match why {
            DispatchError::Store(why) => DemoError::Store(why),
            other => DemoError::Pages(other.to_string()),
        })?;
        let timetable = config.schedule.timetable().map_err(|why| DemoError::Pages(why.to_string()))?;
        let (ran, living) = (Mutex::default(), tokio::sync::Mutex::default());
        Ok(Self { app, mark, last_day, clock, timetable, dispatcher, arrivals, owners, ran, living })
    }

    pub fn now(&self) -> DateTime<Utc> {
        self.clock.now()
    }

    pub fn today(&self) -> NaiveDate {
        self.now().with_timezone(&self.app.config.schedule.time_zone).date_naive()
    }

    /// Nine in the morning of a day: the cycle has run and staff come to the office.
    pub fn morning(&self, day: NaiveDate) -> DateTime<Utc> {
        let nine = NaiveTime::from_hms_opt(9, 0, 0).unwrap_or_default();
        place(day.and_time(nine), self.app.config.schedule.time_zone)
    }

    /// Does what is due now, unless somebody lets time pass already.
    pub async fn catch_up(&self) -> Result<(), LivingFault> {
        let Ok(_turn) = self.living.try_lock() else { return Ok(()) };
        self.due(&mut self.begun()).await
    }

    /// Nothing happens any more while this is held.
    pub async fn stopped(&self) -> tokio::sync::MutexGuard<'_, ()> {
        self.living.lock().await
    }

    /// Lets time pass up to an instant.
    ///
    /// # Errors
    /// When the store fails: the clock stands where it came to.
    pub async fn live_to(&self, until: DateTime<Utc>, lived: &mut Lived) -> Result<(), LivingFault> {
        let _turn = self.living.lock().await;
        loop {
            self.due(lived).await?;
            let now = self.now();
            lived.to = now;
            if now >= until {
                self.app.store.set_practice_clock(now).await?;
                return Ok(());
            }
            let next = [
                self.timetable.next_after(now).map(|tick| tick.at),
                self.app.store.next_release().await?,
                self.dispatcher.next_due().await?,
                self.owners.next_after(now),
            ];
            let next = next.into_iter().flatten().filter(|at| *at > now).min();
            self.clock.move_to(next.map_or(until, |at| at.min(until)));
        }
    }

    /// All that is due at this instant, in the order of the service.
    async fn due(&self, lived: &mut Lived) -> Result<(), LivingFault> {
        let (app, now) = (&self.app, self.now());
        self.arrivals.take_in(&app.store, now).await?;
        if let Some(tick) = self.timetable.last_due(now, REACH)
            && *self.ran.lock().unwrap_or_else(PoisonError::into_inner) != Some(tick.civil)
        {
            if let Some(report) = daemon::run_of_practice(app, &tick).await? {
                lived.cycles += 1;
                lived.decided.extend(report.decided);
                lived.decided.extend(report.ended);
                lived.released.extend(report.released);
                lived.faults.extend(report.faults);
                lived.faults.extend(report.failed_work);
            }
            *self.ran.lock().unwrap_or_else(PoisonError::into_inner) = Some(tick.civil);
        }
        let rest = app.store.queue_rest(now).await?;
        lived.faults.extend(rest.faults.iter().map(|(_, why)| Chain(why).to_string()));
        // As the service does between two runs: what a report moved elsewhere is seen here within seconds, too.
        let mut report = CycleReport::default();
        cycle::minute(app, &mut report, &mut |_| {}).await?;
        lived.decided.extend(report.decided);
        lived.decided.extend(report.ended);
        lived.released.extend(report.released);
        lived.faults.extend(report.faults);
        lived.faults.extend(report.failed_work);
        lived.messages += self.dispatcher.drain_due().await?.sent;
        lived.reports += self.owners.write(app).await?;
        Ok(())
    }

    pub fn begun(&self) -> Lived {
        let now = self.now();
        Lived {
            from: now,
            to: now,
            cycles: 0,
            decided: Vec::new(),
            released: Vec::new(),
            messages: 0,
            reports: 0,
            faults: Vec::new(),
            season_over: false,
        }
    }
}
