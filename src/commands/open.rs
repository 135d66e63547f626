//! The store and the app that the settings name, opened for one command.

use std::sync::Arc;

use crate::clock::SystemClock;
use crate::config::Config;
use crate::randomness::Randomness;
use crate::season::profile::{Holds, Profiles};
use crate::service::app;
use crate::service::app::{App, AppError, load_profiles};
use crate::service::profile_shelf::with_adopted;
use crate::store::Store;
use crate::store::learning::AdoptedProfile;

/// The whole app, on this machine's clock.
pub async fn open_app(config: &Config) -> Result<App, AppError> {
    App::open(config, Arc::new(SystemClock), &Randomness::of_system()).await
}

/// The store of the settings, with secrets from this machine.
pub async fn open_store(config: &Config) -> Result<Store, AppError> {
    app::open_store(config, &Randomness::of_system()).await
}

/// The profiles in use: those of the settings and over them what was adopted, and which of the two holds. A store that is not
/// there, or waits for this program's schema, is left as it is and has nothing adopted.
pub async fn profiles_in_use(config: &Config) -> Result<(Profiles, Vec<(AdoptedProfile, Holds)>), AppError> {
    let given = load_profiles(config)?;
    let randomness = Randomness::of_system();
    let store = match &config.store.address_secret {
        Some(secret) => {
            let address = secret.read().await.map_err(AppError::Secret)?;
            Store::open_if_current(address.expose(), &randomness).await?
        }
        None => Store::open_if_current(&config.store.address, &randomness).await?,
    };
    let Some(store) = store else { return Ok((given, Vec::new())) };
    let found = with_adopted(&given, &store).await;
    store.close().await;
    Ok(found?)
}
