//! `treebell weather`: record files in, feeds asked, stations at a glance.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;
use comfy_table::{CellAlignment, Table, presets};
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;

use super::{CommandError, open_store, print_json, print_out};
use crate::clock::{Clock, SystemClock};
use crate::config::{Config, FeedsConfig};
use crate::service::import::{self, ImportFault, Imported, Step, Terms};
use crate::service::pull::{self, PullReport};
use crate::store::Store;
use crate::store::weather::Pull;
use crate::weather::feeds::{Unit, chain};
use crate::weather::fetch::Fetcher;
use crate::weather::import::{FoundFile, Options, find, read_station_list};
use crate::weather::normals::Normals;
use crate::weather::observation_time::{LagHint, lag_hint};
use crate::weather::prepare::Member;
use crate::weather::record::Known;
use crate::weather::status::{StationStatus, status};
use crate::weather::{Element, Station, StationId};

/// Daily temperatures: import files, ask the feeds, look at each station
#[derive(Debug, clap::Args)]
pub struct Weather {
    #[command(subcommand)]
    command: WeatherCommand,
}

#[derive(Debug, clap::Subcommand)]
enum WeatherCommand {
    Import(Import),
    Pull(PullArgs),
    Status(Status),
}

/// Take record files and folders into the store
///
/// What a file is, is seen from its content, gzipped or not: GHCN-Daily station files (.dly), by-year and by-station
/// CSV, station CSV with attributes, orders of daily summaries, daily-summaries and AWDB answers in JSON, and plain CSV
/// with the columns date, tmin, tmax. A file is read to its end before anything of it is stored, so a broken one leaves
/// nothing behind; importing again changes nothing. Stations new to the store are added where a station list
/// (the layout of ghcnd-stations.txt, given by --stations or found among the paths) or the file itself says where they are.
#[derive(Debug, clap::Args)]
struct Import {
    /// Files and folders
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,

    /// List that says where stations are which the store does not know yet
    #[arg(long, value_name = "FILE")]
    stations: Option<PathBuf>,

    /// Station of plain CSV files; without it a file's name up to its first dot
    #[arg(long, value_name = "ID")]
    station: Option<String>,

    /// Time zone of stations new to the store [default: schedule.time_zone of the settings]
    #[arg(long, value_name = "IANA")]
    zone: Option<Tz>,

    #[command(flatten)]
    unit: UnitArgs,
}

/// For files that do not tell their unit.
#[derive(Debug, clap::Args)]
#[group(multiple = false)]
struct UnitArgs {
    /// Files that do not tell their unit are in °F
    #[arg(long)]
    fahrenheit: bool,

    /// Files that do not tell their unit are in °C
    #[arg(long)]
    celsius: bool,

    /// Files that do not tell their unit are in tenths of °C
    #[arg(long)]
    tenths: bool,
}

/// Ask the feeds now, as the service does in every cycle
#[derive(Debug, clap::Args)]
struct PullArgs {
    /// Only this station (may be given more than once)
    #[arg(long = "station", value_name = "ID")]
    stations: Vec<String>,
}

/// Show each station's last day, gaps of this year, rejected values, feeds and last pulls
#[derive(Debug, clap::Args)]
struct Status {
    /// Only this station, in detail (may be given more than once)
    #[arg(long = "station", value_name = "ID")]
    stations: Vec<String>,

    /// Print JSON instead of a table
    #[arg(long)]
    json: bool,
}

/// # Errors
/// Usage, store, and in the end exit code 1 where a file or a station failed while others were done.
pub async fn run(args: &Weather, config: &Config) -> Result<(), CommandError> {
    match &args.command {
        WeatherCommand::Import(args) => import_paths(args, config).await,
        WeatherCommand::Pull(args) => pull_now(args, config).await,
        WeatherCommand::Status(args) => show_status(args, config).await,
    }
}

async fn import_paths(args: &Import, config: &Config) -> Result<(), CommandError> {
    let mut found = find(&args.paths).map_err(|why| CommandError::Usage(chain(&why)))?;
    if let Some(list) = &args.stations {
        found.add_stations(read_station_list(list).map_err(|why| CommandError::Usage(chain(&why)))?);
    }
    let terms = Terms {
        options: Options { unit: args.unit.unit(), station: args.station.as_deref().map(station_id).transpose()? },
        time_zone: args.zone.unwrap_or(config.schedule.time_zone),
    };
    let store = open_store(config).await?;
    let clock = SystemClock;

    let mut bar = Bar::new(&found.records);
    let (mut table, mut failed, mut totals) = (import_table(), Vec::new(), Totals::default());
    for file in &found.records {
        let progress = bar.of(file);
        match import::import_file(&store, file, &terms, &found.stations, clock.now(), progress).await {
            Ok(imported) => {
                totals.add(&imported);
                table.add_row(import_row(file, &imported));
                bar.say(&remarks(file, &imported));
            }
            Err(ImportFault::Store(why)) => return Err(why.into()),
            Err(why) => failed.push(chain(&why)),
        }
        bar.done();
    }
    bar.finish();

    if !found.records.is_empty() {
        print_out(&format!("{table}\n{}\n", totals.line()))?;
    }
    for (path, why) in &found.left_alone {
        eprintln!("left alone: `{}`: {why}", path.display());
    }
    if found.records.is_empty() {
        return Err(CommandError::Usage("no record file among the paths given".into()));
    }
    if failed.is_empty() {
        return Ok(());
    }
    let word = if failed.len() == 1 { "file was" } else { "files were" };
    Err(CommandError::Failed(format!("{} {word} not taken:\n  {}", failed.len(), failed.join("\n  "))))
}

impl UnitArgs {
    fn unit(&self) -> Option<Unit> {
        match (self.fahrenheit, self.celsius, self.tenths) {
            (true, ..) => Some(Unit::Fahrenheit),
            (_, true, _) => Some(Unit::Celsius),
            (.., true) => Some(Unit::TenthsC),
            _ => None,
        }
    }
}

fn import_table() -> Table {
    let mut table = Table::new();
    table.load_style(presets::UTF8_HORIZONTAL_ONLY);
    table.set_header([
        "file",
        "format",
        "stations",
        "first day",
        "last day",
        "station-days taken",
        "rejected",
        "values taken",
        "rejected",
        "unreadable",
        "new in store",
    ]);
    for column in table.column_iter_mut().skip(5) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    table
}

fn import_row(file: &FoundFile, imported: &Imported) -> Vec<String> {
    let summary = &imported.summary;
    let stations = match summary.stations.len() {
        1 => summary.stations.keys().next().map(ToString::to_string).unwrap_or_default(),
        count => count.to_string(),
    };
    let day = |day: Option<NaiveDate>| day.map_or_else(|| "-".into(), |day| day.to_string());
    vec![
        file.path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
        file.format.to_string(),
        stations,
        day(summary.first_day),
        day(summary.last_day),
        summary.station_days_taken.to_string(),
        summary.station_days_rejected.to_string(),
        summary.values_taken.to_string(),
        summary.values_rejected_total().to_string(),
        summary.lines_rejected_total().to_string(),
        imported.added.new.to_string(),
    ]
}

/// What a person should know of one file beyond its row.
fn remarks(file: &FoundFile, imported: &Imported) -> Vec<String> {
    let summary = &imported.summary;
    let name = file.path.display();
    let mut remarks = Vec::new();
    let counted = |counts: Vec<(&str, u64)>| {
        counts.iter().map(|(reason, count)| format!("{count} × {reason}")).collect::<Vec<_>>().join("; ")
    };
    if !summary.values_rejected.is_empty() {
        let reasons = summary.values_rejected.iter().map(|(reason, count)| (reason.as_str(), *count)).collect();
        remarks.push(format!("{name}: kept but never summed: {}", counted(reasons)));
    }
    if !summary.lines_rejected.is_empty() {
        let reasons = summary.lines_rejected.iter().map(|(reason, count)| (*reason, *count)).collect();
        remarks.push(format!("{name}: not readable: {}", counted(reasons)));
        remarks.extend(summary.examples.iter().map(|line| format!("  {line}")));
    }
    if imported.set_aside > 0 {
        let what = "readings lost their day to another (a repeated line, or an observer who changed his hour)";
        remarks.push(format!("{name}: {} {what}", imported.set_aside));
    }
    if !summary.unknown_stations.is_empty() {
        let values: u64 = summary.unknown_stations.values().sum();
        let some: Vec<&str> = summary.unknown_stations.keys().take(3).map(|id| id.0.as_str()).collect();
        let more = if summary.unknown_stations.len() > some.len() { " and others" } else { "" };
        let mend = "name a list with --stations, or add them with `treebell station add`";
        remarks.push(format!(
            "{name}: {values} values of {} unknown stations left out ({}{more}): {mend}",
            summary.unknown_stations.len(),
            some.join(", ")
        ));
    }
    if !imported.new_stations.is_empty() {
        let word = if imported.new_stations.len() == 1 { "station" } else { "stations" };
        remarks.push(format!("{name}: {} {word} added to the store", imported.new_stations.len()));
    }
    if summary.stations.is_empty() && summary.unknown_stations.is_empty() {
        remarks.push(format!("{name}: no daily maximum or minimum in it"));
    }
    remarks
}

#[derive(Default)]
struct Totals {
    files: u64,
    days_taken: u64,
    days_rejected: u64,
    values_taken: u64,
    values_rejected: u64,
    new: usize,
    unchanged: usize,
}

impl Totals {
    fn add(&mut self, imported: &Imported) {
        self.files += 1;
        self.days_taken += imported.summary.station_days_taken;
        self.days_rejected += imported.summary.station_days_rejected;
        self.values_taken += imported.summary.values_taken;
        self.values_rejected += imported.summary.values_rejected_total();
        self.new += imported.added.new;
        self.unchanged += imported.added.unchanged;
    }

    fn line(&self) -> String {
        format!(
            "{} files: {} station-days taken, {} rejected ({} values taken, {} rejected); {} new in the store, {} known before",
            self.files,
            self.days_taken,
            self.days_rejected,
            self.values_taken,
            self.values_rejected,
            self.new,
            self.unchanged
        )
    }
}

/// One bar over all files; a file counts twice, since it is read twice. Not drawn where nobody looks.
struct Bar {
    bar: ProgressBar,
    /// Where the next file's share begins.
    start: u64,
}

impl Bar {
    fn new(files: &[FoundFile]) -> Self {
        let bar = ProgressBar::new(files.iter().map(|file| 2 * file.size).sum());
        let style = ProgressStyle::with_template("{bar:30} {percent:>3} % {msg}")
            .unwrap_or_else(|_| ProgressStyle::default_bar());
        bar.set_style(style);
        Self { bar, start: 0 }
    }

    fn of(&mut self, file: &FoundFile) -> import::Progress {
        let (bar, start, size) = (self.bar.clone(), self.start, file.size);
        self.start += 2 * size;
        bar.set_message(file.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default());
        Arc::new(move |step, bytes| {
            let before = if step == Step::Storing { size } else { 0 };
            bar.set_position(start + before + bytes.min(size));
        })
    }

    fn say(&self, lines: &[String]) {
        self.bar.suspend(|| lines.iter().for_each(|line| eprintln!("{line}")));
    }

    /// Also for a file that failed half-way, or held nothing to store.
    fn done(&self) {
        self.bar.set_position(self.start);
    }

    fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

async fn pull_now(args: &PullArgs, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let stations = chosen(&store, &args.stations).await?;
    if stations.is_empty() {
        return Err(CommandError::Usage(
            "there is no station yet: add one with `treebell station add` or `weather import`".into(),
        ));
    }
    if config.feeds.contact == FeedsConfig::default().contact {
        eprintln!("feeds.contact is not set: public services ask who calls, and may refuse a caller without a name");
    }
    let clock: Arc<dyn Clock> = Arc::new(SystemClock);
    let fetcher = Fetcher::new(&config.feeds, Arc::clone(&clock), store.randomness().clone())
        .map_err(|why| CommandError::Failed(chain(&why)))?;
    let report = pull::pull_all(&store, &fetcher, config, &clock, &stations).await;
    print_pull(&report)?;
    let silent = report.silent_stations();
    if silent.is_empty() {
        return Ok(());
    }
    let names: Vec<&str> = silent.iter().map(|id| id.0.as_str()).collect();
    Err(CommandError::Failed(format!("no source answered for {}", names.join(", "))))
}

fn print_pull(report: &PullReport) -> Result<(), CommandError> {
    let mut table = Table::new();
    table.load_style(presets::UTF8_HORIZONTAL_ONLY);
    table.set_header(["station", "source", "taken", "new", "rejected", "unreadable", "remark"]);
    for station in &report.stations {
        if let Some(fault) = &station.store_fault {
            table.add_row([station.station.0.as_str(), "-", "-", "-", "-", "-", &chain(fault)]);
        } else if station.sources.is_empty() {
            table.add_row([station.station.0.as_str(), "-", "-", "-", "-", "-", "no source was asked"]);
        }
        for source in &station.sources {
            let name = format!("{} {}", source.source.feed.name(), source.source.id);
            let mut row = vec![station.station.0.clone(), name];
            match &source.outcome {
                Ok(taken) => {
                    let counts = [taken.accepted, taken.new, taken.rejected, taken.rejected_lines.len()];
                    row.extend(counts.map(|count| count.to_string()));
                    row.push(taken.rejected_lines.first().map(ToString::to_string).unwrap_or_default());
                }
                Err(why) => {
                    row.extend(["-"; 4].map(str::to_owned));
                    row.push(chain(why));
                }
            }
            table.add_row(row);
        }
    }
    print_out(&format!("{table}\n"))
}

async fn show_status(args: &Status, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let stations = chosen(&store, &args.stations).await?;
    let now = SystemClock.now();
    let mut pulls: BTreeMap<StationId, Vec<Pull>> = BTreeMap::new();
    for pull in store.last_pulls().await? {
        pulls.entry(pull.station.clone()).or_default().push(pull);
    }
    let known = Known::At { instant: now, bulk_latency_days: config.weather.bulk_latency_days };
    let mut all = Vec::new();
    for station in stations {
        let index = store.record(&station.id).await?.index(station.time_zone);
        let today = now.with_timezone(&station.time_zone).date_naive();
        let start = NaiveDate::from_ymd_opt(today.year(), 1, 1).unwrap_or(today);
        let normals = Normals::around(&index, known, &station.sources, today.year());
        let member = Member { station: &station, record: &index, normals: &normals };
        let status = status(&member, known, start, today);
        let hint = if args.stations.is_empty() { None } else { hour_hint(&store, &member, known, today).await? };
        let pulls = pulls.remove(&station.id).unwrap_or_default();
        all.push(Glance { station, status, pulls, hint });
    }
    if args.json {
        let list: Vec<_> = all.iter().map(status_json).collect();
        return print_json(&list);
    }
    if all.is_empty() {
        eprintln!("there is no station yet: add one with `treebell station add` or `weather import`");
        return Ok(());
    }
    let mut text = format!("{}\n", status_table(&all));
    if !args.stations.is_empty() {
        all.iter().for_each(|glance| text += &detail(glance));
    }
    print_out(&text)
}

/// One station, looked at.
struct Glance {
    station: Station,
    status: StationStatus,
    pulls: Vec<Pull>,
    /// That its maxima seem to stand on the wrong day.
    hint: Option<LagHint>,
}

/// Holds a station against the others; only when asked for one by name, since it reads every record.
async fn hour_hint(
    store: &Store,
    station: &Member<'_>,
    known: Known,
    today: NaiveDate,
) -> Result<Option<LagHint>, CommandError> {
    let mut others = Vec::new();
    for other in store.stations().await? {
        if other.id != station.station.id {
            let index = store.record(&other.id).await?.index(other.time_zone);
            let normals = Normals::around(&index, known, &other.sources, today.year());
            others.push((other, index, normals));
        }
    }
    let others: Vec<Member<'_>> =
        others.iter().map(|(station, record, normals)| Member { station, record, normals }).collect();
    Ok(lag_hint(station, &others, known, today))
}

fn status_table(all: &[Glance]) -> Table {
    let mut table = Table::new();
    table.load_style(presets::UTF8_HORIZONTAL_ONLY);
    table.set_header([
        "station",
        "name",
        "record",
        "last day this year",
        "gaps",
        "awaited",
        "rejected",
        "feeds",
        "last pull",
        "last error",
    ]);
    for Glance { station, status, pulls, .. } in all {
        let feeds: Vec<String> = status.feeds.iter().map(|(feed, count)| format!("{} {count}", feed.name())).collect();
        let last = match pulls.iter().max_by_key(|pull| pull.started_at) {
            None => "never".to_owned(),
            Some(pull) => local_time(pull, station),
        };
        let failing: Vec<String> =
            pulls.iter().filter_map(|pull| Some(format!("{}: {}", pull.feed.name(), pull.error.as_ref()?))).collect();
        table.add_row([
            station.id.0.clone(),
            station.name.clone(),
            status.span.map_or_else(|| "none".into(), |(first, last)| format!("{first} to {last}")),
            status.newest_real_day.map_or_else(|| "none".into(), |day| day.to_string()),
            status.gap_days.to_string(),
            status.awaited_days.to_string(),
            status.rejected.len().to_string(),
            feeds.join("\n"),
            last,
            failing.join("\n"),
        ]);
    }
    table
}

fn detail(Glance { station, status, pulls, hint }: &Glance) -> String {
    let mut lines = vec![format!("\n{} {}", station.id, station.name)];
    let run = |run: &std::ops::RangeInclusive<NaiveDate>| {
        if run.start() == run.end() { run.start().to_string() } else { format!("{} to {}", run.start(), run.end()) }
    };
    let runs: Vec<String> = status.gaps.iter().map(run).collect();
    lines.push(format!("  gaps: {}", if runs.is_empty() { "none".into() } else { runs.join(", ") }));
    for (reason, count) in status.rejected_by_reason() {
        lines.push(format!("  rejected: {count} {reason}"));
    }
    for one in &status.rejected {
        let element = if one.element == Element::Max { "maximum" } else { "minimum" };
        let (day, celsius, feed) = (one.day, one.value.c(), one.feed.name());
        lines.push(format!("    {day} {element} {celsius:.1} °C ({feed}): {}", one.reason));
    }
    for pull in pulls {
        let outcome = match &pull.error {
            Some(error) => error.clone(),
            None => format!("{} taken, {} rejected", pull.taken, pull.rejected),
        };
        lines.push(format!("  {} at {}: {outcome}", pull.feed.name(), local_time(pull, station)));
    }
    lines.extend(hint.iter().map(|hint| format!("  observation hour: {hint}")));
    lines.join("\n") + "\n"
}

fn local_time(pull: &Pull, station: &Station) -> String {
    pull.started_at.with_timezone(&station.time_zone).format("%Y-%m-%d %H:%M").to_string()
}

fn status_json(Glance { station, status, pulls, hint }: &Glance) -> serde_json::Value {
    json!({
        "station": station.id,
        "name": station.name,
        "first_day": status.span.map(|(first, _)| first),
        "last_day": status.span.map(|(_, last)| last),
        "newest_real_day_this_year": status.newest_real_day,
        "days_this_year": status.season_days,
        "gap_days": status.gap_days,
        "gaps": status.gaps.iter().map(|run| json!([run.start(), run.end()])).collect::<Vec<_>>(),
        "awaited_days": status.awaited_days,
        "rejected": status.rejected_by_reason(),
        "feeds": status.feeds.iter().map(|(feed, count)| (feed.name(), count)).collect::<BTreeMap<_, _>>(),
        "sampled": status.sampled,
        "observation_hour_hint": hint.as_ref().map(ToString::to_string),
        "pulls": pulls.iter().map(|pull| json!({
            "feed": pull.feed, "started_at": pull.started_at, "taken": pull.taken, "rejected": pull.rejected, "error": pull.error,
        })).collect::<Vec<_>>(),
    })
}

/// The stations named, or all.
async fn chosen(store: &Store, names: &[String]) -> Result<Vec<Station>, CommandError> {
    if names.is_empty() {
        return Ok(store.stations().await?);
    }
    let mut stations = Vec::new();
    for name in names {
        stations.push(store.station(&StationId::from(name.as_str())).await?);
    }
    Ok(stations)
}

fn station_id(text: &str) -> Result<StationId, CommandError> {
    let id = text.trim();
    if (1..=40).contains(&id.chars().count()) && id.chars().all(|c| !c.is_whitespace() && !c.is_control()) {
        Ok(StationId(id.to_owned()))
    } else {
        Err(CommandError::Usage(format!("`{text}` is no station id: 1 to 40 visible characters are wanted")))
    }
}
