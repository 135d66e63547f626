//! What was decided for whom and how far it has come, one notice in depth, and the word of staff on it.

mod list;
mod show;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Datelike, NaiveDate, NaiveDateTime, TimeDelta, Utc};

use super::args::{Why, date, season};
use super::error::CommandError;
use super::open::open_app_for;
use crate::config::Config;
use crate::region::Region;
use crate::service::app::App;
use crate::service::desk::acts::{self, Sent};
use crate::service::desk::find::{find, find_in};
use crate::service::desk::{DeskError, Hand, local, wording};
use crate::store::notices::Notice;
use crate::text::counted;
use crate::timetable::place;

/// List a season's notices, show one in depth, or hold, send, call off or recall one.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Notices {
    #[command(subcommand)]
    action: Option<Action>,

    /// The season's year; the seasons under way if left out.
    #[arg(long, value_name = "YEAR", value_parser = season)]
    season: Option<i32>,

    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Subcommand)]
enum Action {
    /// What, why, whom, how it reads, when it leaves and when all have it.
    Show(Show),
    /// Stop a waiting notice's clock until it is sent or called off, or until a time.
    Hold(Hold),
    /// Send a waiting or held notice now.
    #[command(visible_alias = "send")]
    Release(ByName),
    /// End a waiting or held notice: it never goes out this season.
    #[command(alias = "cancel")]
    CallOff(ByName),
    /// Call off those deliveries of a notice that has left which have not gone out; who joins later does not get it.
    Recall(ByName),
    /// Take the last word of staff back, as long as the notice has not left.
    Undo(ByName),
    /// Give a notice the words of the templates again.
    RestoreWords(ByName),
}

/// Which notice is meant.
#[derive(Debug, clap::Args)]
struct Which {
    /// As `treebell notices` lists it, or its beginning, or the name of its region.
    #[arg(value_name = "NOTICE")]
    notice: String,
    /// Of which season, where its beginning does not say so; the one under way if left out.
    #[arg(long, value_name = "YEAR", value_parser = season)]
    season: Option<i32>,
}

#[derive(Debug, clap::Args)]
struct Show {
    #[command(flatten)]
    which: Which,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
struct ByName {
    #[command(flatten)]
    which: Which,
    /// Who says so; it is kept with the notice.
    #[arg(long, value_name = "NAME")]
    by: String,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
struct Hold {
    #[command(flatten)]
    of: ByName,
    /// Until when, in the region's own time: 2026-03-14T09:00, or a day alone for the end of its quiet hours. From then on the
    /// notice waits again as before
    #[arg(long, value_name = "TIME", value_parser = moment)]
    until: Option<Moment>,
}

/// A time of a day, or a day.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Moment {
    At(NaiveDateTime),
    Day(NaiveDate),
}

fn moment(text: &str) -> Result<Moment, String> {
    let text = text.trim().replace(' ', "T");
    match date(&text) {
        Ok(day) => return Ok(Moment::Day(day)),
        Err(how_to_write_it) if text.contains('/') => return Err(how_to_write_it),
        Err(_) => {}
    }
    let at = NaiveDateTime::parse_from_str(&text, "%Y-%m-%dT%H:%M").map(Moment::At);
    at.map_err(|_| "a day such as 2026-03-14, or a time such as 2026-03-14T09:00, is wanted".to_owned())
}

impl Moment {
    fn in_region(self, app: &App, region: &Region) -> DateTime<Utc> {
        let at = match self {
            Moment::At(at) => at,
            Moment::Day(day) => day.and_time(app.config.delivery.quiet_until),
        };
        place(at, region.time_zone)
    }
}

impl From<DeskError> for CommandError {
    fn from(why: DeskError) -> Self {
        match why {
            DeskError::Store(why) => why.into(),
            DeskError::Words(_) => Self::CheckSaidNo(why.to_string()),
            other => Self::Usage(other.to_string()),
        }
    }
}

/// # Errors
/// When the store cannot be opened, or the wish cannot be carried out.
pub async fn run(args: Notices, config: &Config) -> Result<(), CommandError> {
    let nothing = Why::default();
    let why = match &args.action {
        None | Some(Action::Show(_)) => &nothing,
        Some(Action::Hold(hold)) => &hold.of.why,
        Some(
            Action::Release(of)
            | Action::CallOff(of)
            | Action::Recall(of)
            | Action::Undo(of)
            | Action::RestoreWords(of),
        ) => &of.why,
    };
    let app = open_app_for(config, why).await?;
    let done = match &args.action {
        None => list::run(&app, args.season, args.json).await,
        Some(Action::Show(Show { which, json })) => show::run(&app, &which.find(&app).await?, *json).await,
        Some(action) => act(&app, action).await,
    };
    app.store.close().await;
    done
}

async fn act(app: &App, action: &Action) -> Result<(), CommandError> {
    let of = match action {
        Action::Hold(hold) => &hold.of,
        Action::Release(of)
        | Action::CallOff(of)
        | Action::Recall(of)
        | Action::Undo(of)
        | Action::RestoreWords(of) => of,
        Action::Show(_) => return Ok(()),
    };
    let notice = of.which.find(app).await?;
    let region = app.store.region(&notice.season.region).await?;
    let (id, why) = (&notice.id, of.why.why.as_deref());
    let hand = Hand { by: &of.by, reach: &|_| true };
    match action {
        Action::Show(_) => {}
        Action::Hold(hold) => {
            let until = hold.until.map(|until| until.in_region(app, &region));
            acts::hold(app, hand, id, until, why).await?;
            match until {
                Some(until) => eprintln!("notice {id} is held until {}", local(until, region.time_zone)),
                None => eprintln!("notice {id} is held: it goes out only when it is sent"),
            }
        }
        Action::Release(_) => match acts::send(app, hand, id, TimeDelta::zero()).await? {
            Sent::Queued(deliveries) => {
                let queued = counted(deliveries, "delivery is", "deliveries are");
                eprintln!("notice {id} has left: {queued} queued");
            }
            Sent::LeavesAt(at) => eprintln!("notice {id} leaves on {}", local(at, region.time_zone)),
        },
        Action::CallOff(_) => {
            acts::call_off(app, hand, id, why).await?;
            eprintln!("notice {id} is called off: it never goes out this season");
        }
        Action::Recall(_) => {
            let recalled = acts::recall(app, hand, id, why).await?;
            eprintln!(
                "notice {id} is recalled: {} not gone out and {} called off; {} had gone out, and of {} it is not known",
                counted(recalled.cancelled, "delivery had", "deliveries had"),
                if recalled.cancelled == 1 { "is" } else { "are" },
                recalled.gone,
                recalled.maybe
            );
        }
        Action::Undo(_) => {
            acts::undo(app, hand, id, TimeDelta::minutes(i64::from(app.config.desk.undo_min))).await?;
            let now = app.store.notice(id).await?;
            eprintln!("taken back: notice {id} is {} again", now.standing_word());
        }
        Action::RestoreWords(_) => {
            wording::words_of_templates(app, hand, id).await?;
            eprintln!("notice {id} has the words of the templates");
        }
    }
    Ok(())
}

impl Which {
    async fn find(&self, app: &App) -> Result<Notice, CommandError> {
        if let Some(season) = self.season {
            return find(&app.store, &self.notice, season).await.map_err(|why| match why {
                DeskError::NoSuchNotice { .. } => {
                    CommandError::Usage(format!("{why}; `treebell notices --season {season}` lists those there are"))
                }
                other => other.into(),
            });
        }
        let under_way: BTreeSet<i32> = seasons(app, None).await?.into_values().collect();
        let mut newest_first = under_way.into_iter().rev();
        let first = newest_first.next().unwrap_or_else(|| today(app).year());
        let others: Vec<i32> = newest_first.collect();
        find_in(&app.store, &self.notice, first, &others).await.map_err(|why| match why {
            DeskError::NoSuchNotice { .. } => {
                let list = "`treebell notices` lists those there are, and --season YEAR names another season than the one under way";
                CommandError::Usage(format!("{why}; {list}"))
            }
            other => other.into(),
        })
    }
}

/// The profiles of all regions, each with the season that is asked for, or else its season under way: one that begins in autumn has
/// the next year's name.
async fn seasons(app: &App, asked: Option<i32>) -> Result<BTreeMap<String, i32>, CommandError> {
    let today = today(app);
    let under_way = |id: &str| app.profiles.get(id).map_or_else(|| today.year(), |profile| profile.season_of(today));
    let regions = app.store.all_regions().await?;
    Ok(regions
        .into_iter()
        .map(|region| {
            let season = asked.unwrap_or_else(|| under_way(&region.profile));
            (region.profile, season)
        })
        .collect())
}

fn today(app: &App) -> NaiveDate {
    app.clock.now().with_timezone(&app.config.schedule.time_zone).date_naive()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hold_ends_on_a_day_or_at_a_time_of_one() {
        let day: NaiveDate = "2026-03-14".parse().unwrap();
        assert_eq!(moment("2026-03-14"), Ok(Moment::Day(day)));
        let at = day.and_hms_opt(9, 0, 0).unwrap();
        assert_eq!((moment("2026-03-14T09:00"), moment("2026-03-14 09:00")), (Ok(Moment::At(at)), Ok(Moment::At(at))));
        for wrong in ["2026-02-30", "tomorrow"] {
            assert!(moment(wrong).unwrap_err().contains("such as 2026-03-14"), "{wrong}");
        }
        assert_eq!(moment("3/14/2026").unwrap_err(), "a day is written year-month-day: 2026-03-14");
    }
}
