//! The store and the app that the settings name, opened for one command.

use std::sync::Arc;

use crate::clock::SystemClock;
use crate::config::Config;
use crate::randomness::Randomness;
use crate::service::app;
use crate::service::app::{App, AppError};
use crate::store::Store;

/// The whole app, on this machine's clock.
pub async fn open_app(config: &Config) -> Result<App, AppError> {
    App::open(config, Arc::new(SystemClock), &Randomness::of_system()).await
}

/// The store of the settings, with secrets from this machine.
pub async fn open_store(config: &Config) -> Result<Store, AppError> {
    app::open_store(config, &Randomness::of_system()).await
}
