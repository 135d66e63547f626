//! `treebell belief`: how sure we are of the heat that the insect needs, what field reports make of it, and the word of staff
//! on it.

mod adopt;
mod ask;
mod freeze;
mod picture;
mod show;

use super::error::CommandError;
use crate::config::Config;

/// What is believed of the heat that each stage needs, and what field reports teach.
///
/// A report that should not teach is set aside where reports are judged: `treebell field-report`.
#[derive(Debug, clap::Subcommand)]
pub enum BeliefCommand {
    /// Prior and posterior, the reports that move them and those that do not, and each region's dates before and after
    Show(show::Show),
    /// Let a season's reports teach no more: those confirmed from now on change nothing
    Freeze(freeze::Word),
    /// Let a frozen season's reports teach again
    Thaw(freeze::Word),
    /// Make what was learned the profile's own numbers, as its next version
    Adopt(adopt::Adopt),
}

/// # Errors
/// A profile, region or season that is not there, a file that cannot be written, a store that fails.
pub async fn run(command: BeliefCommand, config: &Config) -> Result<(), CommandError> {
    match command {
        BeliefCommand::Show(args) => show::run(&args, config).await,
        BeliefCommand::Freeze(args) => freeze::run(&args, true, config).await,
        BeliefCommand::Thaw(args) => freeze::run(&args, false, config).await,
        BeliefCommand::Adopt(args) => adopt::run(&args, config).await,
    }
}
