//! The store and the app that the settings name, opened for one command.

use crate::config::Config;
use crate::randomness::Randomness;
use crate::service::app;
use crate::service::app::AppError;
use crate::store::Store;

/// The store of the settings, with secrets from this machine.
pub(super) async fn open_store(config: &Config) -> Result<Store, AppError> {
    app::open_store(config, &Randomness::of_system()).await
}
