//! `treebell demo`: plays a season in an invented state, with no network and no account.

use std::path::PathBuf;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

use super::CommandError;
use crate::service::demo::play::{self, DemoError, Play};
use crate::service::demo::view::Speed;
use crate::service::demo::view::screen::{Manner, Surroundings};

/// The seed that the README's pictures and figures were made with.
const SEED: u64 = 20_250_301;

#[derive(Debug, clap::Args)]
pub struct Demo {
    /// Season to play: a year of the invented state.
    #[arg(long, value_name = "YEAR")]
    season: Option<i32>,
    /// How fast the season goes by.
    #[arg(long, value_enum, default_value_t = Speed::Normal)]
    speed: Speed,
    /// Folder for the messages, and for the invented state's own store and settings.
    #[arg(long, value_name = "FOLDER", default_value = "treebell-demo")]
    messages: PathBuf,
    /// Other weather and other people: any number.
    #[arg(long, default_value_t = SEED)]
    seed: u64,
    /// One line an event instead of the live view.
    #[arg(long)]
    no_live: bool,
}

/// # Errors
/// A season that the state does not have, or a folder that is somebody else's.
pub async fn run(args: Demo) -> Result<(), CommandError> {
    let manner = if args.no_live { Manner::Plain } else { Manner::choose(&Surroundings::of_stdout(), REGIONS_AT_MOST) };
    let wanted =
        Play { folder: args.messages, season: args.season, seed: args.seed, speed: args.speed, manner: Some(manner) };
    let bar = ProgressBar::new(0).with_style(
        ProgressStyle::with_template("making {msg} {wide_bar} {pos}/{len}")
            .unwrap_or_else(|_| ProgressStyle::default_bar()),
    );
    bar.enable_steady_tick(Duration::from_millis(200));
    let shown = bar.clone();
    let played = play::play(&wanted, std::io::stdout(), move |what, done, all| {
        shown.set_length(all as u64);
        shown.set_position(done as u64);
        shown.set_message(what.to_owned());
        if done == all {
            shown.finish_and_clear();
        }
    })
    .await;
    bar.finish_and_clear();
    let played = played.map_err(|why| match why {
        DemoError::Season { .. } | DemoError::NotOurs(_) => CommandError::Usage(why.to_string()),
        DemoError::Store(_) => CommandError::Store(why.to_string()),
        _ => CommandError::Failed(why.to_string()),
    })?;
    let index = played.messages.join("index.csv");
    println!();
    println!("Messages as they would have been read: {}", played.messages.display());
    println!("The list of them, to open as a table:  {}", index.display());
    println!("Try next, in the same invented state:");
    println!("  cargo run --release -- --config {} outlook --on {}-03-10", played.settings.display(), played.season);
    println!("  cargo run --release -- --config {} replay --season {}", played.settings.display(), played.season - 1);
    Ok(())
}

/// For choosing between the live view and plain lines before the state is read.
const REGIONS_AT_MOST: usize = 8;
