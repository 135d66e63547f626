//! `treebell weather import`: record files into the store.

use std::path::PathBuf;
use std::sync::Arc;

use chrono_tz::Tz;
use comfy_table::Table;
use indicatif::ProgressBar;

use crate::clock::{Clock, SystemClock};
use crate::commands::args::Why;
use crate::commands::error::CommandError;
use crate::commands::format::{align_right, columns, date_or, fit, print_out, progress_bar, ruled_table, wrapped};
use crate::commands::open::open_store_for;
use crate::config::Config;
use crate::service::import::{self, ImportFault, Imported, Step, Terms};
use crate::store::acts::Act;
use crate::weather::StationId;
use crate::weather::feeds::{Unit, chain};
use crate::weather::import::{FoundFile, Options, find, read_station_list};

/// Take record files and folders into the store
///
/// What a file is, is seen from its content, gzipped or not: GHCN-Daily station files (.dly), by-year and by-station
/// CSV, station CSV with attributes, orders of daily summaries, daily-summaries and AWDB answers in JSON, and plain CSV
/// with the columns date, tmin, tmax. A file is read to its end before anything of it is stored, so a broken one leaves
/// nothing behind; importing again changes nothing. Stations new to the store are added where a station list
/// (the layout of ghcnd-stations.txt, given by --stations or found among the paths) or the file itself says where they are.
/// Where no source tells at what hour an observer read, it is found year by year beside a midnight station of the store (an
/// airport, USW...), as for a record that is fetched: import that one first, or in the same folder.
#[derive(Debug, clap::Args)]
pub struct Import {
    /// Files and folders
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,

    /// List that says where stations are which the store does not know yet
    #[arg(long, value_name = "FILE")]
    stations: Option<PathBuf>,

    /// Station of plain CSV files; without it a file's name up to its first dot
    #[arg(long, value_name = "ID")]
    station: Option<String>,

    /// Time zone of stations new to the store; if left out that of their state, or schedule.time_zone of the settings where
    /// no state is told or it has several
    #[arg(long, value_name = "IANA")]
    zone: Option<Tz>,

    #[command(flatten)]
    unit: UnitArgs,

    #[command(flatten)]
    why: Why,
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

/// # Errors
/// Paths that cannot be read, no record file among them, a store that fails; at the end, files that were not taken.
pub async fn run(args: &Import, config: &Config) -> Result<(), CommandError> {
    let mut found = find(&args.paths).map_err(|why| CommandError::Usage(chain(&why)))?;
    if let Some(list) = &args.stations {
        found.add_stations(read_station_list(list).map_err(|why| CommandError::Usage(chain(&why)))?);
    }
    let terms = Terms {
        options: Options {
            unit: args.unit.unit(),
            station: args.station.as_deref().map(station_id).transpose()?,
            ..Options::default()
        },
        time_zone: args.zone,
        usual_zone: config.schedule.time_zone,
    };
    let store = open_store_for(config, &args.why).await?;
    let clock = SystemClock;

    let mut bar = Bar::new(&found.records);
    let (mut table, mut failed, mut totals) = (import_table(), Vec::new(), Totals::default());
    for file in &found.records {
        let name = file.path.display().to_string();
        store.note_act(Act::WeatherImported, "weather", &name).await?;
        let progress = bar.of(file);
        match import::import_file(&store, file, &terms, &found.stations, clock.now(), progress).await {
            Ok(imported) => {
                totals.add(&imported);
                table.add_row(import_row(file, &imported));
                bar.say(&remarks(file, &imported));
                // A folder may hold files without a temperature; one that was named was meant.
                if args.paths.contains(&file.path) && imported.summary.gives_nothing() {
                    failed.push(format!("`{}` gave no value: {}", file.path.display(), why_nothing(&imported)));
                }
            }
            Err(ImportFault::Store(why)) => return Err(why.into()),
            Err(why) => failed.push(chain(&why)),
        }
        bar.done();
    }
    bar.finish();

    if !found.records.is_empty() {
        // What was not readable or rejected is told of each file on standard error.
        fit(&mut table, &[4, 2], columns());
        print_out(&format!("{table}\n{}", wrapped(&totals.line())))?;
    }
    for (path, why) in &found.left_alone {
        eprintln!("left alone: `{}`: {why}", path.display());
    }
    if found.records.is_empty() {
        return Err(CommandError::Usage("no record file among the paths given".into()));
    }
    if failed.is_empty() && totals.values_taken + totals.values_rejected == 0 {
        return Err(CommandError::Usage("no file under the paths gave a value".into()));
    }
    if failed.is_empty() {
        return Ok(());
    }
    let word = if failed.len() == 1 { "file was" } else { "files were" };
    Err(CommandError::Usage(format!("{} {word} not taken:\n  {}", failed.len(), failed.join("\n  "))))
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
    let mut table = ruled_table([
        "file,\nits format\nand stations",
        "first day\nlast day",
        "days taken\nrejected",
        "values taken\nrejected",
        "lines not\nreadable",
        "new in\nstore",
    ]);
    align_right(&mut table, 2..);
    table
}

fn import_row(file: &FoundFile, imported: &Imported) -> Vec<String> {
    let summary = &imported.summary;
    let stations = match summary.stations.len() {
        1 => summary.stations.keys().next().map(ToString::to_string).unwrap_or_default(),
        count => format!("{count} stations"),
    };
    let name = file.path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    vec![
        format!("{name}\n{}\n{stations}", file.format),
        format!("{}\n{}", date_or(summary.first_day, "-"), date_or(summary.last_day, "-")),
        format!("{}\n{}", summary.station_days_taken, summary.station_days_rejected),
        format!("{}\n{}", summary.values_taken, summary.values_rejected_total()),
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
    remarks.extend(imported.hours.iter().map(|(station, found)| format!("{name}: {station}: {found}")));
    if !imported.hours_unknown.is_empty() {
        let some: Vec<&str> = imported.hours_unknown.iter().take(3).map(StationId::as_str).collect();
        let more = if imported.hours_unknown.len() > some.len() { " and others" } else { "" };
        remarks.push(format!(
            "{name}: nobody tells at what hour {}{more} was read, and no midnight station near shows it: its maxima stay on the \
             day they were filed under; `treebell station change ID --observation-hour` sets an hour before files are imported",
            some.join(", ")
        ));
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

/// Why a file that was read to its end gave nothing.
fn why_nothing(imported: &Imported) -> &'static str {
    let summary = &imported.summary;
    match () {
        () if !summary.unknown_stations.is_empty() => "its stations are unknown",
        () if !summary.lines_rejected.is_empty() => "nothing in it could be read",
        () if summary.missing > 0 => "it says itself that it has none",
        () => "there is no daily maximum or minimum in it",
    }
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
            "{} files: {} station-days taken, {} rejected ({} values taken, {} rejected)\n{} new in the store, {} known before",
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
        let size = files.iter().map(|file| 2 * file.size).sum();
        Self { bar: progress_bar(size, "{bar:30} {percent:>3} % {msg}"), start: 0 }
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
        self.bar.suspend(|| lines.iter().for_each(|line| eprint!("{}", wrapped(line))));
    }

    /// Also for a file that failed half-way, or held nothing to store.
    fn done(&self) {
        self.bar.set_position(self.start);
    }

    fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

fn station_id(text: &str) -> Result<StationId, CommandError> {
    let id = text.trim();
    if (1..=40).contains(&id.chars().count()) && id.chars().all(|c| !c.is_whitespace() && !crate::text::is_hidden(c)) {
        Ok(StationId(id.to_owned()))
    } else {
        Err(CommandError::Usage(format!("`{text}` is no station id: 1 to 40 visible characters are wanted")))
    }
}
