//! `treebell replay`: what would have been sent in a past season, to whom and when. Sends nothing.

use std::collections::HashSet;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use chrono::NaiveDate;
use indicatif::ProgressBar;

use super::args::{DegreeUnit, season};
use super::error::{CommandError, with_causes};
use super::format::{
    NO_BREAK, align_right, counted, date_or, fitted, height_in, paragraph, print_json, print_out, progress_bar,
    ruled_table, short_date_or,
};
use super::open::open_app;
use crate::assessment::past::PastFrom;
use crate::config::Config;
use crate::dispatch::channels::Channels;
use crate::dispatch::channels::folder::FolderTransport;
use crate::dispatch::channels::mail::MailWriter;
use crate::region::RegionId;
use crate::season::DateSpread;
use crate::service::event::Event;
use crate::service::replay::{
    MessageCount, PlayedNotice, RegionSeason, RegionSummary, ReplayError, ReplayWorld, Unsent, summarise,
};
use crate::service::subscribe::SignUpError;

#[derive(Debug, clap::Args)]
pub struct Replay {
    /// The season to play; may be given more than once.
    #[arg(long = "season", value_name = "YEAR", value_parser = season, required_unless_present = "all_seasons")]
    seasons: Vec<i32>,
    /// Every season on record, with a summary per region.
    #[arg(long, conflicts_with = "seasons")]
    all_seasons: bool,
    /// Only these regions; may be given more than once.
    #[arg(long = "region", value_name = "REGION")]
    regions: Vec<RegionId>,
    /// Write every message as it would have been read into this folder.
    #[arg(long, value_name = "FOLDER")]
    messages: Option<PathBuf>,
    #[arg(long)]
    json: bool,
}

/// # Errors
/// No region, an unknown one, no data of the season, or a store that cannot be read.
pub async fn run(args: Replay, config: &Config) -> Result<(), CommandError> {
    let parts = open_app(config).await?;
    eprintln!("reading the records");
    let world = ReplayWorld::read(&parts, &args.regions).await.map_err(replay_error)?;
    let seasons = if args.all_seasons { world.seasons().await.map_err(replay_error)? } else { args.seasons.clone() };
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
    let regions = world.regions().len() as u64;
    let bar = progress_bar(seasons.len() as u64 * regions, "{msg} {wide_bar} {pos}/{len} seasons of regions {eta}");
    let played = play_all(&world, &seasons, channels, args.all_seasons, &bar).await.map_err(replay_error)?;
    bar.finish_and_clear();
    if let Some(written) = written {
        let index = written.sort_index();
        index.map_err(|why| CommandError::Failed(format!("the index of the messages cannot be written: {why}")))?;
    }
    parts.store.close().await;
    if args.json {
        let summary = summarise(&played);
        return print_json(&serde_json::json!({ "seasons": played, "summary": summary }));
    }
    let unit = DegreeUnit::of_house(config);
    if args.all_seasons {
        print_out(&summary_words(&summarise(&played), unit))?;
    } else {
        for season in &played {
            print_out(&season_words(season, unit))?;
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
            let (world, channels) = (world.clone(), channels.clone());
            let shown = SeasonShown::new(&world, season, bar);
            async move {
                let watching = shown.clone();
                let mut watch = move |event: Event| watching.note(&event);
                let task = tokio::spawn(async move { world.play(season, channels, &mut watch).await });
                let played = match task.await {
                    Ok(Err(ReplayError::NoSeason(_))) if skip_empty => Ok(Vec::new()),
                    Ok(played) => played,
                    Err(why) => std::panic::resume_unwind(why.into_panic()),
                };
                if played.is_ok() {
                    shown.end();
                }
                played
            }
        })
        .buffered(at_once)
        .try_collect()
        .await?;
    Ok(played.into_iter().flatten().collect())
}

/// How far one season is, by its regions.
#[derive(Clone)]
struct SeasonShown {
    world: ReplayWorld,
    season: i32,
    bar: ProgressBar,
    /// Regions whose window is over: they stand in the bar already. By id, since parts of a season are played side by side and
    /// each day tells of the regions of one.
    over: Arc<Mutex<HashSet<RegionId>>>,
}

impl SeasonShown {
    fn new(world: &ReplayWorld, season: i32, bar: &ProgressBar) -> Self {
        Self { world: world.clone(), season, bar: bar.clone(), over: Arc::default() }
    }

    fn note(&self, event: &Event) {
        let (season, regions) = (self.season, self.world.regions().len());
        match event {
            Event::Day { day, outlooks } => {
                let over = outlooks.iter().filter(|outlook| self.world.is_over(outlook));
                let over = self.count(over.map(|outlook| &outlook.season.region));
                // Each part has a day of its own.
                let day = if outlooks.len() < regions { String::new() } else { day.format(", %b %-d").to_string() };
                self.bar.set_message(format!("season {season}{day}: {over} of {regions} regions over"));
            }
            Event::Notice { region, .. } => self.bar.set_message(format!("season {season}, {region}")),
            Event::Delivered { .. } => {}
        }
    }

    /// All of its regions are done. Where no bar is seen, a line says so.
    fn end(&self) {
        self.count(self.world.regions().iter().map(|region| &region.id));
        if self.bar.is_hidden() {
            let (done, all) = (self.bar.position(), self.bar.length().unwrap_or_default());
            eprintln!("season {} played: {done} of {all} seasons of regions", self.season);
        }
    }

    /// Gives how many regions are over with these.
    fn count<'a>(&self, over: impl Iterator<Item = &'a RegionId>) -> usize {
        let mut known = self.over.lock().unwrap_or_else(PoisonError::into_inner);
        let before = known.len();
        for region in over {
            if !known.contains(region) {
                known.insert(region.clone());
            }
        }
        self.bar.inc((known.len() - before) as u64);
        known.len()
    }
}

fn replay_error(why: ReplayError) -> CommandError {
    match why {
        ReplayError::Store(_) | ReplayError::Dispatch(_) => CommandError::Store(why.to_string()),
        ReplayError::Question(SignUpError::Store(_)) => CommandError::Store(why.to_string()),
        ReplayError::Question(_) | ReplayError::Region { .. } => CommandError::Failed(with_causes(&why)),
        ReplayError::NoRegion | ReplayError::UnknownRegion(_) | ReplayError::NoSeason(_) => {
            CommandError::Usage(why.to_string())
        }
    }
}

fn season_words(season: &RegionSeason, unit: DegreeUnit) -> String {
    let RegionSeason { name, elevation_m, station, year, .. } = season;
    let mut text =
        paragraph(0, &format!("{name} ({}, station {station}), season {year}", height_in(*elevation_m, unit)));
    text += &record_words(season);
    text += &format!(
        "  projected from {} {} years\n",
        season.past_years,
        match season.past {
            PastFrom::Earlier => "earlier",
            PastFrom::AllOthers => "other (few lie before it)",
        }
    );
    if season.notices.is_empty() {
        return text + "  nothing would have been sent\n\n";
    }
    for notice in &season.notices {
        text += &notice_words(notice);
    }
    if let Some(asked) = &season.asked {
        let (emails, texts) = (asked.emails, asked.texts);
        text += &format!("  asked what they saw: {}, e-mails {emails}, texts {texts}\n", asked.on);
    }
    text + "\n"
}

/// What the record says of our heat numbers and the days that follow from them; nothing where nothing was measured.
fn record_words(season: &RegionSeason) -> String {
    let RegionSeason { days, filled_days, .. } = season;
    if filled_days >= days {
        return "  nothing was measured in this season\n".into();
    }
    let estimated = if season.is_mostly_estimated() {
        format!("mind: most of its days are estimated, {filled_days} of {days}")
    } else {
        format!("{filled_days} of {days} days estimated")
    };
    let mut text = paragraph(
        2,
        &format!(
            "heat number reached: egg laying {}, hatch {}; {estimated}",
            date_or(season.opened, "not on record"),
            date_or(season.closed, "not on record"),
        ),
    );
    if let Some(window) = &season.window {
        let best = window.best.map_or_else(String::new, |best| {
            format!(
                ", best days to wash {} to {}",
                short_date_or(Some(best.first), ""),
                short_date_or(Some(best.last), "")
            )
        });
        text += &paragraph(
            2,
            &format!(
                "days by the whole record: look from {}{best}, wash by {}",
                short_date_or(Some(window.look_from), ""),
                short_date_or(Some(window.deadline), "")
            ),
        );
    }
    text
}

/// Columns before what is said of a day: two blanks, the day, a blank.
const DAY_WIDTH: usize = 10;

/// What was decided and what came of it; under it what was expected then, and why.
fn notice_words(notice: &PlayedNotice) -> String {
    let day = |day| short_date_or(Some(day), "");
    let came = match (notice.released_on, &notice.unsent) {
        (Some(on), _) => format!("went out on {} to {}", day(on), reach(notice.emails, notice.texts)),
        (None, Some(Unsent { would_reach: Some(MessageCount { emails, texts }), .. })) => {
            format!("did not go out; with a word of staff it would have gone to {}", reach(*emails, *texts))
        }
        (None, _) => "did not go out".into(),
    };
    // The day stands before the first line, in the room of its indent.
    let said = paragraph(DAY_WIDTH, &format!("{}: {came}", notice.kind.name()));
    let mut text = format!("  {:<7} {}", day(notice.decided_on), said.trim_start());
    let mut facts = Vec::new();
    if let Some(then) = notice.opens_then {
        facts.push(format!("egg laying was expected on {}", spread(then)));
    }
    match notice.days_before_opening {
        Some(days @ ..0) => facts.push(format!("its heat number was reached {} before", counted(-days, "day", "days"))),
        Some(0) => facts.push("its heat number was reached that day".into()),
        Some(days) => facts.push(format!("its heat number was reached {} later", counted(days, "day", "days"))),
        None => {}
    }
    if let Some(deadline) = notice.deadline {
        facts.push(format!("wash by {}", day(deadline)));
    }
    if !facts.is_empty() {
        text += &paragraph(DAY_WIDTH, &facts.join("; "));
    }
    // Of one that was overtaken or outlived that is all there is to say.
    if notice.unsent.as_ref().is_none_or(|unsent| !unsent.why.contains(&notice.reason)) {
        text += &paragraph(DAY_WIDTH, &format!("why: {}", notice.reason));
    }
    if let Some(unsent) = &notice.unsent {
        text += &paragraph(DAY_WIDTH, &format!("why not sent: {}", unsent.why));
    }
    text
}

/// `5 e-mails and 1 text`.
fn reach(emails: u64, texts: u64) -> String {
    format!("{} and {}", counted(emails, "e-mail", "e-mails"), counted(texts, "text", "texts"))
}

fn spread(dates: DateSpread) -> String {
    let short = |day| short_date_or(day, "open");
    if dates.early == dates.late {
        short(dates.median)
    } else {
        format!("{} ({} - {})", short(dates.median), short(dates.early), short(dates.late))
    }
}

/// A region's line, with what belongs together in one cell: ids stay in one piece, since they are copied by hand or mouse.
fn summary_words(regions: &[RegionSummary], unit: DegreeUnit) -> String {
    let mut table = ruled_table([
        "region, its station and height",
        "seasons; of them mostly estimated",
        "inspect now",
        "earliest, median and latest of them",
        "get ready before the day to look, median days",
        "inspect now off that day at worst, days",
    ]);
    align_right(&mut table, [1, 4, 5]);
    let date = |day: Option<NaiveDate>| day.map_or_else(|| "-".into(), |day| day.format("%b %-d (%Y)").to_string());
    let days = |days: Option<i64>| days.map_or_else(|| "-".into(), |days| days.to_string());
    for region in regions {
        let RegionSummary { name, region: id, station, elevation_m, .. } = region;
        let counts = format!("{} sent\n{} waited\n{} asked", region.inspected, region.waited, region.asked);
        let dates = [date(region.earliest), short_date_or(region.median, "-"), date(region.latest)].join("\n");
        table.add_row([
            format!("{name}\n{id}\n{station}\n{}", height_in(*elevation_m, unit).replace(' ', &NO_BREAK.to_string())),
            format!("{}\n{}", region.seasons, region.mostly_estimated),
            counts.replace(' ', &NO_BREAK.to_string()),
            dates.replace(' ', &NO_BREAK.to_string()),
            days(region.warning_days),
            days(region.worst_inspect_error_days),
        ]);
    }
    let table = fitted(table, &[]);
    let counts = "Of inspect now: seasons in which it was sent, in which it waited for a word of staff, in which people were asked \
                  some days later what they saw.";
    format!("{table}{}", paragraph(0, counts))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::{NoticeKind, NoticeStatus};

    /// Seen failing before: a line of 111 columns.
    #[test]
    fn what_came_of_a_notice_fits_a_page() {
        let notice = PlayedNotice {
            kind: NoticeKind::LastDaysToWash,
            decided_on: NaiveDate::from_ymd_opt(2012, 3, 20).unwrap(),
            status: NoticeStatus::Skipped,
            released_on: None,
            opens_then: None,
            closes_then: None,
            deadline: None,
            days_before_opening: Some(-3),
            reason: "eggs hatch soon".into(),
            emails: 0,
            texts: 0,
            unsent: Some(Unsent {
                why: "nobody sent it".into(),
                would_reach: Some(MessageCount { emails: 38, texts: 9 }),
            }),
        };
        let text = notice_words(&notice);
        assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
        assert!(text.starts_with("  Mar 20  last-days-to-wash: did not go out; with a word of staff"), "{text}");
        assert!(text.lines().skip(1).all(|line| line.starts_with("          ")), "{text}");
        assert!(text.split_whitespace().collect::<Vec<_>>().join(" ").contains("38 e-mails and 9 texts"), "{text}");
    }

    /// Seen failing before: `USC00999` and `001` in two lines.
    #[test]
    fn no_id_of_the_summary_is_broken_and_it_fits_a_page() {
        let day = |month, day| NaiveDate::from_ymd_opt(2012, month, day);
        let of = |id: &str, station: &str| RegionSummary {
            region: id.into(),
            name: "Long Canyon and the Mesas North of It".into(),
            elevation_m: 2103.4,
            station: station.into(),
            seasons: 36,
            inspected: 33,
            waited: 3,
            asked: 33,
            earliest: day(3, 14),
            median: day(3, 28),
            latest: day(4, 20),
            warning_days: Some(-12),
            mostly_estimated: 2,
            worst_inspect_error_days: Some(11),
        };
        let long = "long-canyon-and-the-mesas-north";
        let text =
            summary_words(&[of(long, "GRID-35.6123N-135.0456W"), of("mesa", "USC00999001")], DegreeUnit::Celsius);
        assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
        for said in [long, "GRID-35.6123N-135.0456W", "USC00999001", "2103 m", "33 sent", "Mar 14 (2012)", "Mar 28"] {
            assert!(text.contains(said), "{said}: {text}");
        }
    }
}
