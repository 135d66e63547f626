//! `treebell replay`: what would have been sent in a past season, to whom and when. Sends nothing.

use std::path::PathBuf;
use std::sync::Arc;

use comfy_table::{CellAlignment, Table, presets};
use indicatif::{ProgressBar, ProgressStyle};

use super::CommandError;
use crate::assessment::past::PastFrom;
use crate::clock::SystemClock;
use crate::config::Config;
use crate::dispatch::channels::Channels;
use crate::dispatch::channels::folder::FolderTransport;
use crate::dispatch::channels::mail::MailWriter;
use crate::randomness::Randomness;
use crate::season::DateSpread;
use crate::service::app::Parts;
use crate::service::replay::{PlayedNotice, RegionSeason, RegionSummary, ReplayError, ReplayWorld, summarise};
use crate::service::subscribe::SignUpError;

#[derive(Debug, clap::Args)]
pub struct Replay {
    /// The season to play; may be given more than once.
    #[arg(long = "season", value_name = "YEAR", required_unless_present = "all_seasons")]
    seasons: Vec<i32>,
    /// Every season on record, with a summary per region.
    #[arg(long, conflicts_with = "seasons")]
    all_seasons: bool,
    /// Only these regions; may be given more than once.
    #[arg(long = "region", value_name = "REGION")]
    regions: Vec<String>,
    /// Write every message as it would have been read into this folder.
    #[arg(long, value_name = "FOLDER")]
    messages: Option<PathBuf>,
    #[arg(long)]
    json: bool,
}

/// # Errors
/// No region, an unknown one, no data of the season, or a store that cannot be read.
pub async fn run(args: Replay, config: &Config) -> Result<(), CommandError> {
    let parts = Parts::open(config, Arc::new(SystemClock), &Randomness::of_system()).await?;
    eprintln!("reading the records");
    let world = ReplayWorld::read(&parts, &args.regions).await.map_err(replay_error)?;
    let seasons = if args.all_seasons { world.seasons() } else { args.seasons.clone() };
    let written = match &args.messages {
        Some(folder) => {
            let writer = MailWriter::new(&config.email).map_err(|why| CommandError::Usage(why.to_string()))?;
            let transport = FolderTransport::open(folder, writer).map_err(|why| {
                CommandError::Usage(format!("messages cannot be written to `{}`: {why}", folder.display()))
            })?;
            Some(transport)
        }
        None => None,
    };
    let channels = written.clone().map(|transport| Channels::both(Arc::new(transport)));
    let bar = ProgressBar::new(seasons.len() as u64).with_style(
        ProgressStyle::with_template("season {msg} {wide_bar} {pos}/{len} {eta}")
            .unwrap_or_else(|_| ProgressStyle::default_bar()),
    );
    let played = play_all(&world, &seasons, channels, args.all_seasons, &bar).await.map_err(replay_error)?;
    bar.finish_and_clear();
    if let Some(written) = written {
        let index = written.sort_index();
        index.map_err(|why| CommandError::Failed(format!("the index of the messages cannot be written: {why}")))?;
    }
    parts.store.close().await;
    if args.json {
        let summary = summarise(&played);
        let text = serde_json::to_string_pretty(&serde_json::json!({ "seasons": played, "summary": summary }))
            .map_err(|why| CommandError::Failed(why.to_string()))?;
        println!("{text}");
        return Ok(());
    }
    if args.all_seasons {
        print_summary(&summarise(&played));
    } else {
        for season in &played {
            print_season(season);
        }
    }
    if let Some(folder) = &args.messages {
        eprintln!("messages as they would have been read: {}", folder.display());
    }
    Ok(())
}

/// As many seasons at a time as there are processors; each has a store and a clock of its own.
async fn play_all(
    world: &ReplayWorld,
    seasons: &[i32],
    channels: Option<Channels>,
    skip_empty: bool,
    bar: &ProgressBar,
) -> Result<Vec<RegionSeason>, ReplayError> {
    use futures::{StreamExt, TryStreamExt};
    let at_once = std::thread::available_parallelism().map_or(2, usize::from);
    let played: Vec<Vec<RegionSeason>> = futures::stream::iter(seasons.to_vec())
        .map(|season| {
            let (world, channels, bar) = (world.clone(), channels.clone(), bar.clone());
            async move {
                bar.set_message(season.to_string());
                let task = tokio::spawn(async move { world.play(season, channels, &mut |_| {}).await });
                let played = match task.await {
                    Ok(Err(ReplayError::NoSeason(_))) if skip_empty => Ok(Vec::new()),
                    Ok(played) => played,
                    Err(why) => std::panic::resume_unwind(why.into_panic()),
                };
                bar.inc(1);
                played
            }
        })
        .buffered(at_once)
        .try_collect()
        .await?;
    Ok(played.into_iter().flatten().collect())
}

fn replay_error(why: ReplayError) -> CommandError {
    match why {
        ReplayError::Store(_) | ReplayError::Dispatch(_) => CommandError::Store(why.to_string()),
        ReplayError::Question(SignUpError::Store(_)) => CommandError::Store(why.to_string()),
        ReplayError::Question(_) | ReplayError::Region { .. } => CommandError::Failed(why.to_string()),
        ReplayError::NoRegion | ReplayError::UnknownRegion(_) | ReplayError::NoSeason(_) => {
            CommandError::Usage(why.to_string())
        }
    }
}

fn print_season(season: &RegionSeason) {
    println!("{} ({:.0} m, station {}), season {}", season.name, season.elevation_m, season.station, season.year);
    let date = |day: Option<chrono::NaiveDate>| day.map_or_else(|| "not on record".into(), |day| day.to_string());
    println!(
        "  came true: egg laying began {}, eggs hatched {}; {} days estimated; projected from {} {} years",
        date(season.opened),
        date(season.closed),
        season.filled_days,
        season.past_years,
        match season.past {
            PastFrom::Earlier => "earlier",
            PastFrom::AllOthers => "other (few lie before it)",
        }
    );
    if season.notices.is_empty() {
        println!("  nothing would have been sent\n");
        return;
    }
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    table.set_header([
        "  decided",
        "notice",
        "went out",
        "laying expected then",
        "days before it",
        "e-mails",
        "texts",
        "why",
    ]);
    for notice in &season.notices {
        table.add_row(row(notice));
    }
    println!("{table}");
    if let Some(asked) = &season.asked {
        let (emails, texts) = (asked.emails, asked.texts);
        println!("  asked what they saw: {}, e-mails {emails}, texts {texts}", asked.on);
    }
    println!();
}

fn row(notice: &PlayedNotice) -> [String; 8] {
    let went = notice.released_on.map_or_else(|| format!("no: {}", notice.status.name()), |day| day.to_string());
    [
        format!("  {}", notice.decided_on),
        notice.kind.name().into(),
        went,
        notice.opens_then.map_or_else(String::new, spread),
        notice.days_before_opening.map_or_else(String::new, |days| days.to_string()),
        notice.emails.to_string(),
        notice.texts.to_string(),
        notice.reason.clone(),
    ]
}

fn spread(dates: DateSpread) -> String {
    let short =
        |day: Option<chrono::NaiveDate>| day.map_or_else(|| "open".into(), |day| day.format("%b %-d").to_string());
    if dates.early == dates.late {
        short(dates.median)
    } else {
        format!("{} ({} - {})", short(dates.median), short(dates.early), short(dates.late))
    }
}

fn print_summary(regions: &[RegionSummary]) {
    let mut table = Table::new();
    table.load_style(presets::UTF8_HORIZONTAL_ONLY);
    table.set_header([
        "region",
        "height m",
        "station",
        "seasons",
        "inspect now sent",
        "waited for staff",
        "asked after it",
        "earliest",
        "median",
        "latest",
        "get ready ahead, median days",
        "inspect now off at worst, days",
    ]);
    for column in [1, 3, 4, 5, 6, 10, 11] {
        if let Some(column) = table.column_mut(column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let date =
        |day: Option<chrono::NaiveDate>| day.map_or_else(|| "-".into(), |day| day.format("%b %-d (%Y)").to_string());
    let days = |days: Option<i64>| days.map_or_else(|| "-".into(), |days| days.to_string());
    for region in regions {
        table.add_row([
            region.name.clone(),
            format!("{:.0}", region.elevation_m),
            region.station.clone(),
            region.seasons.to_string(),
            region.inspected.to_string(),
            region.waited.to_string(),
            region.asked.to_string(),
            date(region.earliest),
            region.median.map_or_else(|| "-".into(), |day| day.format("%b %-d").to_string()),
            date(region.latest),
            days(region.warning_days),
            days(region.worst_inspect_error_days),
        ]);
    }
    println!("{table}");
}
