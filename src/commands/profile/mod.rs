//! `treebell profile`: look at profiles, check their files, put one in use.

mod add;
mod show;

use std::path::PathBuf;

use super::error::CommandError;
use crate::config::Config;

/// Look at an insect's profile, check a profile's file, or put one in use.
#[derive(Debug, clap::Args)]
pub struct ProfileCommand {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Check profile files: every fault with its place and the mend.
    Check {
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
    },
    /// Show a profile with the origin of each number; without an id all that are known.
    Show {
        id: Option<String>,
        /// Print as a profile file: the start of a new one.
        #[arg(long)]
        toml: bool,
    },
    /// Put a profile's file in use: what it would change in every region's past and present dates is shown first
    ///
    /// Its version must be above the one in use. A profile of a new id is added beside the others, and no region changes
    /// until it is given it.
    Add(add::Add),
}

/// # Errors
/// When a file has faults (a check said no) or cannot be read, no profile has the id, or the store fails.
pub async fn run(args: &ProfileCommand, config: &Config) -> Result<(), CommandError> {
    match &args.what {
        What::Check { files } => show::check(files),
        What::Show { id, toml } => show::show(id.as_deref(), *toml, config).await,
        What::Add(args) => add::run(args, config).await,
    }
}
