//! `treebell field-report`: what people saw at the trees.

use chrono::{Datelike, NaiveDate};

use super::error::CommandError;
use super::format::{date_or, print_json, print_out, ruled_table};
use super::open::open_store;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::region::RegionId;
use crate::season::StageId;
use crate::service::app::load_profiles;
use crate::service::observed_intervals::{ObservedInterval, observed_intervals};
use crate::store::field_reports::ReportStanding;
use crate::store::field_reports::{Judgement, NewFieldReport, ReportSource};
use crate::text::near_name;

/// Keep what was seen at the trees
#[derive(Debug, clap::Subcommand)]
pub enum FieldReportCommand {
    /// Enter what was seen on a day
    Add(Add),
    /// Print the reports of a year
    List(List),
    /// Stand behind a report: from then on it counts in decisions
    Confirm {
        /// Id of the report
        id: String,
    },
    /// Set a report aside: it counts no more
    Refuse {
        /// Id of the report
        id: String,
    },
}

#[derive(Debug, clap::Args)]
pub struct Add {
    /// Region in which it was seen
    #[arg(long, value_name = "REGION")]
    region: RegionId,
    /// Day on which it was seen, such as 2026-04-18
    #[arg(long)]
    date: NaiveDate,
    /// Stage of the insect's profile that was seen, or none: looked and saw none
    #[arg(long)]
    stage: String,
    /// Seen by somebody who knows the insect: it counts at once
    #[arg(long)]
    confirmed: bool,
    /// In words, without names and addresses
    #[arg(long)]
    note: Option<String>,
}

#[derive(Debug, clap::Args)]
pub struct List {
    /// Only those of this region
    #[arg(long, value_name = "REGION")]
    region: Option<RegionId>,
    /// Calendar year; the present one if left out
    #[arg(long)]
    year: Option<i32>,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print CSV for `treebell fit`: one line a region, year and stage, with the last day on which nothing was seen before
    /// the first on which it was; reports set aside are left out
    #[arg(long)]
    csv: bool,
}

/// # Errors
/// Names that are unknown, a day to come, a store that cannot be opened.
pub async fn run(command: FieldReportCommand, config: &Config) -> Result<(), CommandError> {
    match command {
        FieldReportCommand::Add(args) => add(args, config).await,
        FieldReportCommand::List(args) => list(&args, config).await,
        FieldReportCommand::Confirm { id } => judge(&id, Judgement::Confirmed, "is confirmed", config).await,
        FieldReportCommand::Refuse { id } => judge(&id, Judgement::Refused, "is set aside", config).await,
    }
}

async fn add(args: Add, config: &Config) -> Result<(), CommandError> {
    let profiles = load_profiles(config)?;
    let store = open_store(config).await?;
    let region = store.region(&args.region).await?;
    let now = SystemClock.now();
    let today = now.with_timezone(&region.time_zone).date_naive();
    if args.date > today {
        return Err(CommandError::Usage(format!("--date {}: that day is yet to come (today is {today})", args.date)));
    }
    let profile = profiles.get(&region.profile).ok_or_else(|| {
        CommandError::Usage(format!("profile `{}` of region `{}` is not there", region.profile, region.id))
    })?;
    let stage = match args.stage.as_str() {
        "none" => None,
        name => {
            let stage = StageId(name.to_owned());
            if profile.stage(&stage).is_none() {
                let known: Vec<String> = profile.stages.iter().map(|stage| stage.id.0.clone()).collect();
                let near = crate::text::did_you_mean(near_name(name, &known).as_deref());
                return Err(CommandError::Usage(format!(
                    "--stage `{name}` is unknown{near} (known: {}, or none)",
                    known.join(", ")
                )));
            }
            Some(stage)
        }
    };
    if args.note.as_ref().is_some_and(|note| note.chars().any(char::is_control) || note.chars().count() > 500) {
        return Err(CommandError::Usage("--note: at most 500 plain characters are wanted".into()));
    }
    let report = NewFieldReport {
        region: region.id,
        zip: None,
        observed_on: args.date,
        stage,
        confirmed: args.confirmed,
        source: ReportSource::Staff,
        note: args.note,
    };
    let id = store.add_field_report(&report, now).await?;
    print_out(&format!("{id}\n"))?;
    eprintln!("report {id} is kept{}", if args.confirmed { " and counts" } else { "; it counts once it is confirmed" });
    Ok(())
}

async fn list(args: &List, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    if let Some(region) = &args.region {
        store.region(region).await?;
    }
    let year = args.year.unwrap_or_else(|| SystemClock.now().with_timezone(&config.schedule.time_zone).year());
    let edge = |month, day| {
        NaiveDate::from_ymd_opt(year, month, day)
            .ok_or_else(|| CommandError::Usage(format!("--year {year}: that year is outside of the calendar")))
    };
    let reports = store.field_reports(args.region.as_ref(), edge(1, 1)?, edge(12, 31)?).await?;
    if args.json {
        return print_json(&reports);
    }
    if args.csv {
        let profiles = load_profiles(config)?;
        let mut text = String::from("station,year,stage,not_seen,seen\n");
        for interval in observed_intervals(&store, &profiles, &reports).await? {
            let ObservedInterval { station, season, stage, not_seen, seen } = interval;
            text += &format!("{station},{season},{stage},{},{seen}\n", date_or(not_seen, ""));
        }
        return print_out(&text);
    }
    if reports.is_empty() {
        eprintln!("there are no field reports of {year}");
        return Ok(());
    }
    let mut table = ruled_table(["report", "seen on", "region", "stage", "status", "from", "note"]);
    for stored in &reports {
        let status = match stored.standing {
            ReportStanding::Confirmed => "confirmed",
            ReportStanding::Refused => "set aside",
            ReportStanding::New => "new",
        };
        table.add_row([
            stored.id.as_str(),
            &stored.observed_on.to_string(),
            stored.region.as_str(),
            stored.stage.as_ref().map_or("saw none", |stage| stage.0.as_str()),
            status,
            stored.source.name(),
            stored.note.as_deref().unwrap_or(""),
        ]);
    }
    print_out(&format!("{table}\n"))
}

async fn judge(id: &str, judgement: Judgement, words: &str, config: &Config) -> Result<(), CommandError> {
    open_store(config).await?.judge_field_report(id, judgement).await?;
    eprintln!("report {id} {words}");
    Ok(())
}
