//! `treebell weather`: record files in, feeds asked, stations at a glance.

mod backfill;
mod import;
mod pull;
mod status;

use super::error::CommandError;
use crate::config::Config;

/// Daily temperatures: import files, fetch whole records, ask the feeds, look at each station
#[derive(Debug, clap::Args)]
pub struct Weather {
    #[command(subcommand)]
    command: WeatherCommand,
}

#[derive(Debug, clap::Subcommand)]
enum WeatherCommand {
    Import(import::Import),
    Backfill(backfill::Backfill),
    Pull(pull::Pull),
    Status(status::Status),
}

/// # Errors
/// Usage, store, and in the end exit code 2 where a file could not be used, 5 where a station gave nothing, while others were done.
pub async fn run(args: &Weather, config: &Config) -> Result<(), CommandError> {
    match &args.command {
        WeatherCommand::Import(args) => import::run(args, config).await,
        WeatherCommand::Backfill(args) => backfill::run(args, config).await,
        WeatherCommand::Pull(args) => pull::run(args, config).await,
        WeatherCommand::Status(args) => status::run(args, config).await,
    }
}
