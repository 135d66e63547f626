//! `treebell field-report`: what people saw at the trees.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{Datelike, NaiveDate, TimeDelta};
use comfy_table::Table;

use super::args::date;
use super::error::CommandError;
use super::format::{NO_BREAK, date_or, print_fitted, print_json, print_out, ruled_table};
use super::open::{now_of, open_app, open_store};
use crate::config::Config;
use crate::language::Language;
use crate::region::{Region, RegionId};
use crate::season::profile::{Profiles, Sight};
use crate::season::{Profile, StageId};
use crate::service::app::{App, load_profiles};
use crate::service::desk::DeskError;
use crate::service::desk::far_off::far_off;
use crate::service::desk::reports::{Acted, act_at_once};
use crate::service::field_reports::{
    self, LONGEST_NAME, TellingFault, before, can_be_seen, no_contradiction, seen_words,
};
use crate::service::learning::frozen_words;
use crate::service::observed_intervals::{ObservedInterval, observed_intervals};
use crate::store::Store;
use crate::store::field_reports::{
    Judgement, NewFieldReport, ReportMend, ReportSource, ReportStanding, Seen, StoredReport,
};
use crate::text::{did_you_mean, near_name};

/// Whole seasons are worked out; whoever types waits for it.
const LONGEST_ACT: Duration = Duration::from_secs(600);

/// Keep what was seen at the trees
#[derive(Debug, clap::Subcommand)]
pub enum FieldReportCommand {
    /// Enter what was seen on a day
    Add(Add),
    /// Print the reports of a year
    List(List),
    /// Stand behind reports: from then on they count in decisions
    Confirm(Judge),
    /// Set reports aside: they count no more
    #[command(alias = "refuse")]
    SetAside(SetAside),
    /// Mend what a report says, such as the day on which its owner looked
    Change(Change),
}

#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("seen").required(true).args(["saw", "stage"])))]
pub struct Add {
    /// Region in which it was seen
    #[arg(long, value_name = "REGION")]
    region: RegionId,
    /// Day on which they looked, such as 2026-04-18
    #[arg(long, value_name = "DATE", value_parser = date)]
    date: NaiveDate,
    /// What was seen, as the insect's profile names it: nothing, old-lint, females, eggs, eyespots, crawlers
    #[arg(long, value_name = "SIGHT")]
    saw: Option<String>,
    /// In place of --saw: a stage of the profile that had begun, or none
    #[arg(long)]
    stage: Option<String>,
    /// The tree, or its place, in a few words: reports of one tree belong together
    #[arg(long, value_name = "WORDS")]
    tree: Option<String>,
    /// Whether this tree has the insect (beans on its needles); some sights say so themselves
    #[arg(long, value_name = "yes|no|unknown")]
    infested: Option<Infested>,
    /// Day of the look before, on which nothing of this was there
    #[arg(long, value_name = "DATE", value_parser = date)]
    nothing_on: Option<NaiveDate>,
    /// Who looked: a short name or initials
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
    /// Seen by somebody who knows the insect: it counts at once
    #[arg(long)]
    confirmed: bool,
    /// In words, without names and addresses
    #[arg(long)]
    note: Option<String>,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum Infested {
    Yes,
    No,
    Unknown,
}

impl Infested {
    fn known(self) -> Option<bool> {
        match self {
            Infested::Yes => Some(true),
            Infested::No => Some(false),
            Infested::Unknown => None,
        }
    }
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
    /// the first on which it was; only confirmed reports of a known day, and empty looks only of trees that have the insect
    #[arg(long)]
    csv: bool,
}

#[derive(Debug, clap::Args)]
pub struct Judge {
    /// Ids of the reports
    #[arg(required = true, value_name = "ID")]
    ids: Vec<String>,
    /// Why; it is kept with the report
    #[arg(long)]
    why: Option<String>,
    /// Who says so: a short name or initials
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
}

#[derive(Debug, clap::Args)]
pub struct SetAside {
    /// Ids of the reports
    #[arg(required = true, value_name = "ID")]
    ids: Vec<String>,
    /// Why; it is kept with the report
    #[arg(long)]
    why: String,
    /// Who says so: a short name or initials
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
}

#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("mend").required(true).multiple(true)
    .args(["date", "infested", "tree", "nothing_on"])))]
pub struct Change {
    /// Id of the report
    id: String,
    /// Day on which they looked
    #[arg(long, value_name = "DATE", value_parser = date)]
    date: Option<NaiveDate>,
    /// Whether this tree has the insect
    #[arg(long, value_name = "yes|no|unknown")]
    infested: Option<Infested>,
    /// The tree, or its place, in a few words
    #[arg(long, value_name = "WORDS")]
    tree: Option<String>,
    /// Day of the look before, on which nothing of this was there
    #[arg(long, value_name = "DATE", value_parser = date)]
    nothing_on: Option<NaiveDate>,
    /// Who says so: a short name or initials
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
}

/// # Errors
/// Names that are unknown, a day that cannot be, a store that cannot be opened.
pub async fn run(command: FieldReportCommand, config: &Config) -> Result<(), CommandError> {
    match command {
        FieldReportCommand::Add(args) => add(args, config).await,
        FieldReportCommand::List(args) => list(&args, config).await,
        FieldReportCommand::Confirm(Judge { ids, why, by }) => {
            judge(&ids, Judgement::Confirmed, by.as_deref(), why.as_deref(), config).await
        }
        FieldReportCommand::SetAside(SetAside { ids, why, by }) => {
            judge(&ids, Judgement::Refused, by.as_deref(), Some(&why), config).await
        }
        FieldReportCommand::Change(args) => change(args, config).await,
    }
}

async fn add(args: Add, config: &Config) -> Result<(), CommandError> {
    let profiles = load_profiles(config)?;
    let app = open_app(config).await?;
    let (store, now) = (&app.store, app.clock.now());
    let region = store.region(&args.region).await?;
    can_be_seen(args.date, &region, now).map_err(at("--date"))?;
    before(args.nothing_on, args.date).map_err(at("--nothing-on"))?;
    let profile = profile_of(&profiles, &region)?;
    let infested = args.infested.and_then(Infested::known);
    let seen = match (&args.saw, &args.stage) {
        (Some(name), _) => {
            let sight = sight_named(profile, name)?;
            no_contradiction(sight, args.infested.map(Infested::known)).map_err(at("--infested"))?;
            Seen::at(sight, infested)
        }
        (None, Some(name)) => Seen::stage(stage_named(profile, name)?, infested),
        (None, None) => return Err(CommandError::Usage("--saw is wanted: what was seen".into())),
    };
    if seen.stage.is_none() && args.nothing_on.is_some() {
        return Err(CommandError::Usage(
            "--nothing-on: it belongs to a stage that was seen; enter each look that saw none as a report of its own"
                .into(),
        ));
    }
    let report = NewFieldReport {
        region: region.id.clone(),
        zip: None,
        observed_on: args.date,
        tree: plain("--tree", args.tree, LONGEST_NAME)?,
        seen,
        nothing_on: args.nothing_on,
        confirmed: args.confirmed,
        source: ReportSource::Staff,
        person: plain("--by", args.by, LONGEST_NAME)?,
        note: note("--note", args.note)?,
    };
    let id = store.add_field_report(&report, now).await?;
    print_out(&format!("{id}\n"))?;
    // The same told once more is the report that is there, which may have been confirmed since.
    let stored = store.field_report(&id).await?;
    match (stored.standing == ReportStanding::Confirmed, report.seen.moves_nothing()) {
        (_, true) => eprintln!("report {id} is kept; {}", moves_nothing(report.seen.infested)),
        (true, false) => eprintln!("report {id} is kept and counts"),
        (false, false) => eprintln!("report {id} is kept; it counts once it is confirmed"),
    }
    tell_frozen(&app, &stored, &region).await?;
    tell_far_off(&app, &stored, &region).await?;
    if args.confirmed {
        act(&app, &[region]).await;
    }
    app.store.close().await;
    Ok(())
}

/// Says that a report teaches nothing where learning from its season stands still; of one that moves nothing that was said.
async fn tell_frozen(app: &App, report: &StoredReport, region: &Region) -> Result<(), CommandError> {
    let profile = app.profiles.get(&region.profile).filter(|_| !report.moves_nothing());
    if let Some(profile) = profile
        && let Some(words) = frozen_words(app, &profile, report).await?
    {
        eprintln!("{words}");
    }
    Ok(())
}

/// Says what is remarkable of a report, as the desk does; to be asked before the report acts on its region's dates.
async fn tell_far_off(app: &App, report: &StoredReport, region: &Region) -> Result<(), CommandError> {
    let has_photograph = app.store.photograph_of(&report.id).await?.is_some();
    let remark = far_off(app, report, region, has_photograph).await.map_err(|why| match why {
        DeskError::Store(why) => why.into(),
        why => CommandError::CheckSaidNo(why.to_string()),
    })?;
    if let Some(remark) = remark {
        eprintln!(
            "{remark} What cannot be so is set aside: `treebell field-report set-aside {} --why REASON`",
            report.id
        );
    }
    Ok(())
}

/// Why a look in vain teaches nothing.
fn moves_nothing(infested: Option<bool>) -> &'static str {
    match infested {
        Some(_) => "it moves no date: that nothing was there yet says nothing of a tree that has not the insect",
        None => {
            "it moves no date: that nothing was there yet says something only of a tree that has the insect: --infested yes"
        }
    }
}

/// What reports changed acts at once in their regions, as it does at the desk.
async fn act(app: &App, regions: &[Region]) {
    for region in regions {
        match act_at_once(app, region, TimeDelta::zero(), LONGEST_ACT).await {
            Acted::Done => {
                eprintln!("region `{}`: its dates are worked out anew, and what follows is decided", region.id)
            }
            Acted::UnderWay | Acted::NextCycle => {
                eprintln!("region `{}`: the next cycle of the service acts on it", region.id);
            }
        }
    }
}

fn profile_of<'a>(profiles: &'a Profiles, region: &Region) -> Result<&'a Profile, CommandError> {
    profiles.get(&region.profile).ok_or_else(|| {
        CommandError::Usage(format!("profile `{}` of region `{}` is not there", region.profile, region.id))
    })
}

fn sight_named<'a>(profile: &'a Profile, name: &str) -> Result<&'a Sight, CommandError> {
    if let Some(sight) = profile.sight(name) {
        return Ok(sight);
    }
    let ids: Vec<&str> = profile.sights.iter().map(|sight| sight.id.as_str()).collect();
    if ids.is_empty() {
        return Err(CommandError::Usage(format!(
            "--saw `{name}`: profile `{}` names no sights; use --stage, or give it [[sights]]",
            profile.id
        )));
    }
    let near = did_you_mean(near_name(name, &ids).as_deref());
    let known: Vec<String> =
        profile.sights.iter().map(|sight| format!("{} ({})", sight.id, sight.names.get(Language::En))).collect();
    Err(CommandError::Usage(format!("--saw `{name}` is unknown{near} (known: {})", known.join(", "))))
}

fn stage_named(profile: &Profile, name: &str) -> Result<Option<StageId>, CommandError> {
    if name == "none" {
        return Ok(None);
    }
    let stage = StageId(name.to_owned());
    if profile.stage(&stage).is_some() {
        return Ok(Some(stage));
    }
    let known: Vec<String> = profile.stages.iter().map(|stage| stage.id.0.clone()).collect();
    let near = did_you_mean(near_name(name, &known).as_deref());
    Err(CommandError::Usage(format!("--stage `{name}` is unknown{near} (known: {}, or none)", known.join(", "))))
}

/// What is wrong, with the flag in front that said it.
fn at(flag: &str) -> impl FnOnce(TellingFault) -> CommandError + '_ {
    move |why| match why {
        TellingFault::Contradiction { .. } | TellingFault::Words { .. } | TellingFault::Address { .. } => {
            CommandError::Usage(format!("{flag}: {why}"))
        }
        _ => CommandError::Usage(format!("{flag} {why}")),
    }
}

fn plain(flag: &str, text: Option<String>, longest: usize) -> Result<Option<String>, CommandError> {
    text.map(|text| field_reports::plain(&text, longest).map_err(at(flag))).transpose()
}

fn note(flag: &str, text: Option<String>) -> Result<Option<String>, CommandError> {
    text.map(|text| field_reports::note(&text).map_err(at(flag))).transpose()
}

async fn list(args: &List, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    if let Some(region) = &args.region {
        store.region(region).await?;
    }
    let now = now_of(&store).await?;
    let year = args.year.unwrap_or_else(|| now.with_timezone(&config.schedule.time_zone).year());
    let edge = |month, day| {
        NaiveDate::from_ymd_opt(year, month, day)
            .ok_or_else(|| CommandError::Usage(format!("--year {year}: that year is outside of the calendar")))
    };
    let reports = store.field_reports(args.region.as_ref(), edge(1, 1)?, edge(12, 31)?).await?;
    if args.json {
        return print_json(&reports);
    }
    let profiles = load_profiles(config)?;
    if args.csv {
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
    print_fitted(table(&store, &profiles, &reports).await?, &[3, 2])?;
    if reports.iter().any(|report| !report.day_known && !report.refused()) {
        eprintln!(
            "`?`: told without the day of the look; it counts once it has one: `treebell field-report change ID --date DATE`"
        );
    }
    Ok(())
}

async fn table(store: &Store, profiles: &Profiles, reports: &[StoredReport]) -> Result<Table, CommandError> {
    let regions = store.all_regions().await?;
    let profile_ids: BTreeMap<&RegionId, &str> =
        regions.iter().map(|region| (&region.id, region.profile.as_str())).collect();
    let mut table = ruled_table(["report, looked on,\nits region", "seen", "tree, note", "from", "standing"]);
    for report in reports {
        let profile = profile_ids.get(&report.region).and_then(|id| profiles.get(id));
        let standing = match report.standing {
            ReportStanding::New => "new".to_owned(),
            ReportStanding::Confirmed => format!("confirmed by {}", report.change.by_words()),
            ReportStanding::Refused => format!("set aside by {}", report.change.by_words()),
        };
        let why = report.change.why.as_deref().map(|why| format!("{standing}: {why}"));
        // In the owner's own words, and marked as such.
        let owners = report.owner_tree.as_ref().map(|tree| format!("“{tree}”"));
        let words = [report.tree.as_deref(), owners.as_deref(), report.note.as_deref()];
        let from = match (report.source, &report.person) {
            (ReportSource::Staff, Some(who)) => who.clone(),
            (ReportSource::Staff, None) => "staff".into(),
            (ReportSource::Subscriber, _) => "owner".into(),
        };
        table.add_row([
            format!(
                "{}\n{}{}\n{}",
                report.id,
                report.observed_on,
                if report.day_known { String::new() } else { format!("{NO_BREAK}?") },
                report.region
            ),
            seen_words(profile, report),
            words.into_iter().flatten().collect::<Vec<_>>().join("; "),
            from,
            why.unwrap_or(standing),
        ]);
    }
    Ok(table)
}

async fn judge(
    ids: &[String],
    judgement: Judgement,
    by: Option<&str>,
    why: Option<&str>,
    config: &Config,
) -> Result<(), CommandError> {
    let by = plain("--by", by.map(str::to_owned), LONGEST_NAME)?;
    let why = note("--why", why.map(str::to_owned))?;
    let app = open_app(config).await?;
    let store = &app.store;
    store.judge_field_reports(ids, judgement, by.as_deref(), why.as_deref(), app.clock.now()).await?;
    let mut regions: BTreeMap<RegionId, Region> = BTreeMap::new();
    for id in ids {
        let report = store.field_report(id).await?;
        let region = store.region(&report.region).await?;
        match judgement {
            Judgement::Refused => eprintln!("report {id} is set aside"),
            Judgement::Confirmed if report.moves_nothing() => {
                eprintln!("report {id} is confirmed; {}", moves_nothing(report.infested));
            }
            Judgement::Confirmed if report.day_known => eprintln!("report {id} is confirmed"),
            Judgement::Confirmed => eprintln!(
                "report {id} is confirmed; it counts once the day of the look is known: \
                 `treebell field-report change {id} --date DATE`"
            ),
        }
        if judgement == Judgement::Confirmed {
            tell_frozen(&app, &report, &region).await?;
            tell_far_off(&app, &report, &region).await?;
        }
        regions.insert(region.id.clone(), region);
    }
    act(&app, &regions.into_values().collect::<Vec<_>>()).await;
    app.store.close().await;
    Ok(())
}

async fn change(args: Change, config: &Config) -> Result<(), CommandError> {
    let profiles = load_profiles(config)?;
    let app = open_app(config).await?;
    let (store, now) = (&app.store, app.clock.now());
    let report = store.field_report(&args.id).await?;
    let region = store.region(&report.region).await?;
    let day = args.date.unwrap_or(report.observed_on);
    can_be_seen(day, &region, now).map_err(at("--date"))?;
    before(args.nothing_on.or(report.nothing_on), day).map_err(at("--nothing-on"))?;
    if args.nothing_on.is_some() && report.stage.is_none() {
        return Err(CommandError::Usage(format!("--nothing-on: report {} saw no stage", report.id)));
    }
    let sight = report.sight.as_deref().and_then(|id| profiles.get(&region.profile)?.sight(id));
    if let Some(sight) = sight {
        no_contradiction(sight, args.infested.map(Infested::known)).map_err(at("--infested"))?;
    }
    let mut what = Vec::new();
    what.extend(args.date.map(|day| format!("looked on {day}")));
    what.extend(args.infested.map(|infested| match infested {
        Infested::Yes => "tree has the insect".to_owned(),
        Infested::No => "tree has not the insect".to_owned(),
        Infested::Unknown => "not known whether the tree has the insect".to_owned(),
    }));
    let tree = plain("--tree", args.tree, LONGEST_NAME)?;
    what.extend(tree.as_ref().map(|tree| format!("tree {tree}")));
    what.extend(args.nothing_on.map(|day| format!("nothing on {day}")));
    let mend = ReportMend {
        observed_on: args.date,
        infested: args.infested.map(Infested::known),
        tree,
        nothing_on: args.nothing_on,
    };
    let by = plain("--by", args.by, LONGEST_NAME)?;
    store.mend_field_report(&report.id, &mend, by.as_deref(), &what.join(", "), now).await?;
    eprintln!("report {} is changed: {}", report.id, what.join(", "));
    act(&app, &[region]).await;
    app.store.close().await;
    Ok(())
}
