//! `treebell belief freeze` and `thaw`.

use super::ask::Which;
use crate::commands::ask::Said;
use crate::commands::error::CommandError;
use crate::commands::open::open_app;
use crate::config::Config;
use crate::service::desk;
use crate::service::desk::DeskError;
use crate::service::desk::learning::{freeze, thawed_words};

#[derive(Debug, clap::Args)]
pub struct Word {
    #[command(flatten)]
    which: Which,
    #[command(flatten)]
    said: Said,
}

pub async fn run(args: &Word, frozen: bool, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let chosen = args.which.choose(&app).await?;
    let (profile, season) = (&chosen.profile.id, chosen.season);
    let word = desk::Word { by: &args.said.by, why: Some(&args.said.why) };
    let changed = freeze(&app, &chosen, frozen, word).await.map_err(|why| match why {
        DeskError::Store(why) => why.into(),
        DeskError::NoReports { season, .. } => CommandError::Usage(format!("--season {season}: {why}")),
        why => CommandError::CheckSaidNo(why.to_string()),
    })?;
    app.store.close().await;
    let of = format!("learning of profile `{profile}` from season {season}");
    match (changed, frozen) {
        (true, true) => eprintln!("{of} is frozen: reports confirmed from now on teach nothing until it is thawed"),
        (true, false) => eprintln!("profile `{profile}`: {}", thawed_words(&chosen)),
        (false, true) => eprintln!("{of} was frozen already; nothing is changed"),
        (false, false) => eprintln!("{of} was not frozen; nothing is changed"),
    }
    Ok(())
}
