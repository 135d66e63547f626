//! What several of these commands take: a profile and a season.

use crate::commands::args::season;
use crate::commands::error::CommandError;
use crate::service::app::App;
use crate::service::belief::{ChoiceFault, Chosen, choose};

/// Whose belief is meant.
#[derive(Debug, clap::Args)]
pub struct Which {
    /// Profile; may be left out while all regions have the same
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
    /// Year of the season; the one under way if left out
    #[arg(long, value_name = "YEAR", value_parser = season)]
    season: Option<i32>,
}

impl Which {
    pub async fn choose(&self, app: &App) -> Result<Chosen, CommandError> {
        choose(app, self.profile.as_deref(), self.season).await.map_err(|why| match why {
            ChoiceFault::NotBegun { season, .. } => CommandError::Usage(format!("--season {season}: {why}")),
            ChoiceFault::Wanted { .. } => CommandError::Usage(format!("--profile is wanted: {why}")),
            ChoiceFault::Unknown { .. } => CommandError::Usage(why.to_string()),
            ChoiceFault::Store(why) => why.into(),
        })
    }
}
