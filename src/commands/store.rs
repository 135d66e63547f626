//! `treebell store`: makes the store.

use super::error::CommandError;
use super::format::print_out;
use crate::config::Config;
use crate::randomness::Randomness;
use crate::service::app::{self, AppError};
use crate::store::StoreError;

/// The store itself
#[derive(Debug, clap::Subcommand)]
pub enum StoreCommand {
    /// Make the store that the settings name; one that is there already stays as it is. No other command makes one
    Init,
}

/// # Errors
/// A folder that is not there, a server that does not answer, a file that is something else.
pub async fn run(command: StoreCommand, config: &Config) -> Result<(), CommandError> {
    let StoreCommand::Init = command;
    let randomness = Randomness::of_system();
    let (store, what) = match app::open_store(config, &randomness).await {
        Ok(store) => (store, "there already"),
        Err(AppError::Store(StoreError::NoStore { .. })) => (app::make_store(config, &randomness).await?, "made"),
        Err(why) => return Err(why.into()),
    };
    let said = print_out(&format!("{what}: {}\n", store.shown()));
    store.close().await;
    said
}
