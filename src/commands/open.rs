//! The store and the app that the settings name, opened for one command.

use std::sync::Arc;

use chrono::{DateTime, Utc};

use super::args::Why;
use super::error::CommandError;
use crate::clock::{Clock, SetClock, SystemClock};
use crate::config::{Config, FeedsConfig};
use crate::randomness::Randomness;
use crate::season::profile::{Holds, Profiles};
use crate::service::app;
use crate::service::app::{App, AppError, load_profiles};
use crate::service::profile_shelf::with_adopted;
use crate::store::acts::Actor;
use crate::store::learning::AdoptedProfile;
use crate::store::{Store, StoreError};
use crate::system_user;
use crate::weather::feeds::acis_directory::AcisDirectory;
use crate::weather::feeds::chain;
use crate::weather::fetch::{Fetcher, Limits, RealSleeper};

/// The whole app, on the clock of its store. Acts on its store are those of whoever runs the command.
pub async fn open_app(config: &Config) -> Result<App, AppError> {
    app_opened(config, &Why::default()).await
}

/// As [`open_app`], for acts with a reason.
pub async fn open_app_for(config: &Config, why: &Why) -> Result<App, AppError> {
    let app = app_opened(config, why).await?;
    tell_practice(&app.store).await?;
    Ok(app)
}

async fn app_opened(config: &Config, why: &Why) -> Result<App, AppError> {
    let mut app = App::open(config, Arc::new(SystemClock), &Randomness::of_system()).await?;
    app.clock = clock_of(&app.store).await?;
    app.store = app.store.acting(Actor { clock: app.clock.clone(), ..actor(why) });
    Ok(app)
}

/// The store of the settings, with secrets from this machine. Acts on it are those of whoever runs the command.
pub async fn open_store(config: &Config) -> Result<Store, AppError> {
    store_opened(config, &Why::default()).await
}

/// As [`open_store`], for acts with a reason.
pub async fn open_store_for(config: &Config, why: &Why) -> Result<Store, AppError> {
    let store = store_opened(config, why).await?;
    tell_practice(&store).await?;
    Ok(store)
}

/// Whoever writes to a practice store and takes it for the real one would wait in vain for what follows.
async fn tell_practice(store: &Store) -> Result<(), StoreError> {
    if store.practice().await?.is_some() {
        eprintln!(
            "warning: {} is a practice store with invented people: what is done here holds in practice alone, and `treebell run` \
             refuses it. Name the real store in store.address if you meant that",
            store.shown()
        );
    }
    Ok(())
}

async fn store_opened(config: &Config, why: &Why) -> Result<Store, AppError> {
    let store = app::open_store(config, &Randomness::of_system()).await?;
    let clock = clock_of(&store).await?;
    Ok(store.acting(Actor { clock, ..actor(why) }))
}

/// What a store goes by: this machine's clock, or in practice the one that is moved at the desk.
pub async fn clock_of(store: &Store) -> Result<Arc<dyn Clock>, StoreError> {
    Ok(match store.practice().await? {
        None => Arc::new(SystemClock),
        Some(practice) => Arc::new(SetClock::at(practice.now)),
    })
}

/// Now, by the clock of a store.
pub async fn now_of(store: &Store) -> Result<DateTime<Utc>, StoreError> {
    Ok(clock_of(store).await?.now())
}

/// What asks services outside, on the settings' limits. Says so where no contact is set.
pub fn fetcher(config: &Config, store: &Store) -> Result<Fetcher, CommandError> {
    name_yourself(config);
    Fetcher::new(&config.feeds, Arc::new(SystemClock), store.randomness().clone())
        .map_err(|why| CommandError::Failed(chain(&why)))
}

/// For whole records: as [`fetcher`], and nothing that answers sends it elsewhere.
pub fn record_fetcher(config: &Config, store: &Store) -> Result<Fetcher, CommandError> {
    let limits = Limits { redirects: false, ..Limits::of(&config.feeds) };
    let (clock, waiting) = (Arc::new(SystemClock), Arc::new(RealSleeper));
    name_yourself(config);
    Fetcher::with(&config.feeds, limits, clock, store.randomness().clone(), waiting)
        .map_err(|why| CommandError::Failed(chain(&why)))
}

fn name_yourself(config: &Config) {
    if config.feeds.contact == FeedsConfig::default().contact {
        eprintln!("feeds.contact is not set: public services ask who calls, and may refuse a caller without a name");
    }
}

/// ACIS as a directory of stations and grids.
pub fn directory(config: &Config, store: &Store) -> Result<AcisDirectory, CommandError> {
    AcisDirectory::new(Arc::new(fetcher(config, store)?), &config.feeds).map_err(|why| CommandError::Usage(chain(&why)))
}

/// Whoever runs this program.
pub fn actor(why: &Why) -> Actor {
    Actor { user: system_user::current(), account: None, why: why.why.clone(), clock: Arc::new(SystemClock) }
}

/// The profiles in use: those of the settings and over them what was adopted, and which of the two holds. A store that is not
/// there, or waits for this program's schema, is left as it is and has nothing adopted.
pub async fn profiles_in_use(config: &Config) -> Result<(Profiles, Vec<(AdoptedProfile, Holds)>), AppError> {
    let given = load_profiles(config)?;
    let store = app::open_store_if_current(config, &Randomness::of_system()).await?;
    let Some(store) = store else { return Ok((given, Vec::new())) };
    let found = with_adopted(&given, &store).await;
    store.close().await;
    Ok(found?)
}
