//! `treebell belief freeze` and `thaw`.

use super::ask::Which;
use crate::commands::ask::Said;
use crate::commands::error::CommandError;
use crate::commands::open::open_app;
use crate::config::Config;
use crate::store::learning::{Freeze, FreezeWord};

#[derive(Debug, clap::Args)]
pub struct Word {
    #[command(flatten)]
    which: Which,
    #[command(flatten)]
    said: Said,
}

pub async fn run(args: &Word, frozen: bool, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let chosen = args.which.choose(&app, config).await?;
    let (profile, season) = (&chosen.profile.id, chosen.season);
    let freeze = Freeze { at: chosen.now, by: args.said.by.clone(), why: args.said.why.clone() };
    let word = FreezeWord { profile: profile.clone(), season, is_frozen: frozen, freeze };
    let changed = app.store.freeze_learning(&word).await?;
    app.store.close().await;
    let of = format!("learning of profile `{profile}` from season {season}");
    match (changed, frozen) {
        (true, true) => eprintln!("{of} is frozen: reports confirmed from now on teach nothing until it is thawed"),
        (true, false) => eprintln!("{of} goes on: its confirmed reports teach again"),
        (false, true) => eprintln!("{of} was frozen already; nothing is changed"),
        (false, false) => eprintln!("{of} was not frozen; nothing is changed"),
    }
    Ok(())
}
