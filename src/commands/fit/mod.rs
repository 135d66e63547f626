//! `treebell fit`: a lower threshold and a heat sum from dates that people wrote down.

mod document;
mod profile;
mod report;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use self::report::FitReport;
use super::args::{cutoff, method, month_and_day, percent};
use super::error::{CommandError, with_causes};
use super::files::{has_ending, in_file, open_file, read_text, write_file};
use super::format::{counted, print_json, print_out, progress_bar};
use super::open::{open_store, profiles_in_use};
use crate::chart::{HeatUnit, error_profile, png};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::heat::fit::{self as fitting, FitError, Search};
use crate::heat::{Cutoff, HeatRule, Method};
use crate::season::profile::{Biofix, BiofixYear, Profile};
use crate::service::fit_data::{FILLED_SHARE, Gathered, Reports, Temperatures, UnknownStations, gather, read_reports};
use crate::text::near_name;
use crate::units::dd_c_to_f;
use crate::weather::StationId;
use crate::weather::feeds::Unit;

/// Fit a lower threshold and a heat sum to dates on which a stage was seen
///
/// REPORTS.csv has the columns station, year, and either date (seen to begin on that day) or not_seen and seen (the last
/// look without it and the first with it; one of the two may be blank), and perhaps stage. Dates look like 2026-03-24, or
/// 03-24 beside a year.
///
/// For every lower threshold the best sum is found exactly, by trying all that make a difference. Errors are in days. Fitted
/// are the records of one stage, with heat summed from the biofix.
#[derive(Debug, clap::Args)]
pub struct Fit {
    /// Observed dates
    #[arg(value_name = "REPORTS.csv")]
    reports: PathBuf,

    /// Temperatures from files or folders instead of the store: a CSV with station, date, tmin, tmax, or any format that
    /// can be imported
    #[arg(long, value_name = "PATH", num_args = 1..)]
    weather: Vec<PathBuf>,

    /// Unit of the weather files where they do not tell it: celsius, fahrenheit or tenths (of °C)
    #[arg(long, value_parser = unit, requires = "weather")]
    unit: Option<Unit>,

    /// Stage to fit: picks its records where the file has a column stage
    #[arg(long, value_name = "ID")]
    stage: Option<String>,

    /// Profile, by id or as a file, that biofix, method and upper threshold are taken from, and the written profile
    #[arg(long, value_name = "ID|FILE.toml", default_value = "pinyon-needle-scale")]
    based_on: String,

    /// First day of the sum, month and day; that of the profile if left out
    #[arg(long, value_parser = month_and_day, value_name = "MM-DD")]
    biofix: Option<(u32, u32)>,

    /// Year of the biofix: same as the season's, or the one before (for an autumn biofix)
    #[arg(long, value_parser = biofix_year, value_name = "same|before")]
    biofix_year: Option<BiofixYear>,

    /// average, average-with-replacement, single-triangle, double-triangle, single-sine or double-sine; that of the
    /// profile if left out
    #[arg(long, value_parser = method)]
    method: Option<Method>,

    /// Upper threshold in °C, or none; that of the profile if left out
    #[arg(long, value_parser = upper, allow_negative_numbers = true, value_name = "°C|none")]
    upper: Option<Upper>,

    /// What heat above the upper threshold counts for: horizontal, intermediate or vertical; that of the profile if left out
    #[arg(long, value_parser = cutoff)]
    cutoff: Option<Cutoff>,

    /// Fit the sum for this lower threshold only, °C
    #[arg(long, allow_negative_numbers = true, value_parser = threshold, value_name = "°C", conflicts_with_all = ["lower_from", "lower_to", "step", "plot", "valley"])]
    lower: Option<f64>,

    /// Lowest lower threshold to try, °C
    #[arg(long, allow_negative_numbers = true, value_parser = threshold, default_value_t = -5.0, value_name = "°C")]
    lower_from: f64,

    /// Highest lower threshold to try, °C; 14, or less below a low upper threshold, if left out
    #[arg(long, allow_negative_numbers = true, value_parser = threshold, value_name = "°C")]
    lower_to: Option<f64>,

    /// Step between lower thresholds, °C
    #[arg(long, default_value_t = 0.01, value_name = "°C")]
    step: f64,

    /// Thresholds whose error is within this share of the least count as alike
    #[arg(long, default_value_t = 5.0, value_parser = percent, value_name = "PERCENT")]
    alike: f64,

    /// Share of the days up to the event that may be filled for want of temperatures
    #[arg(long, default_value_t = FILLED_SHARE * 100.0, value_parser = percent, value_name = "PERCENT")]
    filled: f64,

    /// Leave out records without usable temperatures, and name them, instead of stopping
    #[arg(long)]
    skip_unusable: bool,

    /// Draw error and best sum over the lower threshold; the ending decides: .svg or .png
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,

    /// Write the numbers of the plot as CSV
    #[arg(long, value_name = "FILE.csv")]
    valley: Option<PathBuf>,

    /// Write the profile with the fitted stage in it; needs --stage
    #[arg(long, value_name = "OUT.toml", requires = "stage")]
    profile: Option<PathBuf>,

    /// Print also the thresholds of the closed formulas, as a cross-check
    #[arg(long)]
    closed_forms: bool,

    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// # Errors
/// Files that cannot be read or have faults, records without temperatures, thresholds that do not go together, and, as a
/// check that said no, records that determine nothing.
pub async fn run(args: Fit, config: &Config) -> Result<(), CommandError> {
    let now = SystemClock.now();
    let today = now.with_timezone(&config.schedule.time_zone).date_naive();
    let base = based_on(&args.based_on, config).await?;
    check_outputs(&args, &base)?;
    let setting = Setting::of(&args, &base)?;

    let file = open_file(&args.reports)?;
    let reports = read_reports(file, &setting.frame, args.stage.as_deref(), today).map_err(|faults| {
        CommandError::Usage(format!("`{}` cannot be used:\n  {}", args.reports.display(), faults.join("\n  ")))
    })?;
    tell_about(&reports, args.stage.as_deref());

    let wanted: BTreeSet<StationId> = reports.rows.iter().map(|row| row.station.clone()).collect();
    let (temperatures, unknown) = load(&args, config, &wanted, now).await?;
    let gathered = gather(&reports.rows, &temperatures, &unknown, &setting.frame, args.filled / 100.0);
    if !gathered.unusable.is_empty() {
        let list = gathered.unusable.join("\n  ");
        if !args.skip_unusable {
            return Err(CommandError::Usage(format!(
                "`{}` has records that cannot be used (--skip-unusable leaves them out):\n  {list}",
                args.reports.display()
            )));
        }
        eprintln!("left out:\n  {list}");
    }

    let search = &setting.search;
    let fit = with_progress(search.lowers_c.len(), |progress| fitting::fit(&gathered.site_years, search, progress))
        .map_err(|why| cannot_fit(why, &gathered, &setting, args.lower.unwrap_or(search.prefer_c)))?;
    let flat = fit.flat(args.alike / 100.0);
    let report = FitReport { args: &args, base: &base, setting: &setting, gathered: &gathered, fit: &fit, flat };

    if let Some(path) = &args.valley {
        write_file(path, report.error_profile_csv().as_bytes())?;
    }
    if let Some(path) = &args.plot {
        let svg = error_profile::draw(&report.picture(), HeatUnit::Celsius);
        let drawn = if is_png(path) {
            png::draw(&svg, 2.0).map_err(|why| CommandError::Failed(crate::weather::feeds::chain(&why)))?
        } else {
            svg.into_bytes()
        };
        write_file(path, &drawn)?;
    }
    if let (Some(path), Some(stage)) = (&args.profile, &args.stage) {
        let in_use = profiles_in_use(config).await?.0.get(&base.id).map_or(0, |in_use| in_use.version);
        let version = in_use.max(base.version).saturating_add(1);
        report.write_profile(path, stage, &temperatures, today, version)?;
    }
    if args.json { print_json(&report.json()) } else { print_out(&report.text()) }
}

/// What is searched, and which days belong to which season.
struct Setting {
    /// The profile the fit is based on, with the biofix of the fit.
    frame: Profile,
    search: Search,
}

impl Setting {
    fn of(args: &Fit, base: &Profile) -> Result<Self, CommandError> {
        let usage = |text: String| Err(CommandError::Usage(text));
        let mut frame = base.clone();
        if args.biofix.is_some() || args.biofix_year.is_some() {
            let (month, day) = args.biofix.unwrap_or((base.biofix.month, base.biofix.day));
            let year =
                args.biofix_year.unwrap_or(if args.biofix.is_some() { BiofixYear::Same } else { base.biofix.year });
            let same = (month, day, year) == (base.biofix.month, base.biofix.day, base.biofix.year);
            let origin = if same { base.biofix.origin.clone() } else { "given to treebell fit with --biofix".into() };
            frame.biofix = Biofix { month, day, year, origin };
        }

        let upper_c = match args.upper {
            Some(Upper::None) => None,
            Some(Upper::At(upper)) => Some(upper),
            None if args.cutoff == Some(Cutoff::None) => None,
            None => base.heat.upper_c(),
        };
        let cutoff = match (args.cutoff, upper_c) {
            (Some(Cutoff::None), Some(upper)) => {
                return usage(format!("--upper {upper} does nothing with --cutoff none: leave one of them out"));
            }
            (Some(cutoff), None) if cutoff != Cutoff::None => {
                return usage(format!("--cutoff {cutoff} needs an upper threshold: add --upper DEGREES"));
            }
            (Some(cutoff), _) => cutoff,
            (None, None) => Cutoff::None,
            (None, Some(_)) if base.heat.cutoff() != Cutoff::None => base.heat.cutoff(),
            (None, Some(_)) => Cutoff::Horizontal,
        };
        let lowers_c = match args.lower {
            Some(lower) => vec![lower],
            None => {
                let ceiling = upper_c.map_or(14.0, |upper| (upper - 1.0).min(14.0));
                let to = args.lower_to.unwrap_or(ceiling);
                fitting::grid(args.lower_from, to, args.step)
                    .map_err(|why| CommandError::Usage(format!("{why} (--lower-from, --lower-to, --step)")))?
            }
        };
        if let (Some(upper), Some(highest)) = (upper_c, lowers_c.last())
            && *highest >= upper
        {
            return usage(format!("lower threshold {highest} must be below the upper threshold {upper} (--upper)"));
        }
        let method = args.method.unwrap_or(base.heat.method());
        Ok(Self { frame, search: Search { method, cutoff, upper_c, lowers_c, prefer_c: base.heat.lower_c() } })
    }

    fn rule(&self, lower_c: f64) -> Result<HeatRule, CommandError> {
        let Search { method, cutoff, upper_c, .. } = self.search;
        HeatRule::new(method, lower_c, upper_c, cutoff).map_err(|why| CommandError::Usage(why.to_string()))
    }
}

async fn based_on(name: &str, config: &Config) -> Result<Profile, CommandError> {
    if name.ends_with(".toml") {
        let text = read_text(Path::new(name))?;
        return Profile::parse(&text).map_err(|faults| CommandError::Usage(in_file(Path::new(name), &faults)));
    }
    let (profiles, _) = profiles_in_use(config).await?;
    profiles.get(name).cloned().ok_or_else(|| {
        let known: Vec<String> = profiles.iter().map(|profile| profile.id.clone()).collect();
        let near = crate::text::did_you_mean(near_name(name, &known).as_deref());
        CommandError::Usage(format!("profile `{name}` is unknown{near}; known: {}", known.join(", ")))
    })
}

/// What would only come out after a long search is said before it.
fn check_outputs(args: &Fit, base: &Profile) -> Result<(), CommandError> {
    if let Some(path) = &args.plot
        && !is_png(path)
        && !has_ending(path, "svg")
    {
        return Err(CommandError::Usage(format!("--plot: `{}` must end in .svg or .png", path.display())));
    }
    if let Some(path) = &args.profile {
        if path.exists() {
            return Err(CommandError::Usage(format!(
                "`{}` is there already: name another file, or take that one away",
                path.display()
            )));
        }
        let ids: Vec<String> = base.stages.iter().map(|stage| stage.id.0.clone()).collect();
        if let Some(stage) = args.stage.as_ref().filter(|stage| !ids.contains(stage)) {
            let near = crate::text::did_you_mean(near_name(stage, &ids).as_deref());
            return Err(CommandError::Usage(format!(
                "profile `{}` has no stage `{stage}`{near}; it has {}",
                base.id,
                ids.join(", ")
            )));
        }
    }
    Ok(())
}

fn is_png(path: &Path) -> bool {
    has_ending(path, "png")
}

fn tell_about(reports: &Reports, stage: Option<&str>) {
    if !reports.columns_passed_over.is_empty() {
        eprintln!("columns passed over: {}", reports.columns_passed_over.join(", "));
    }
    for (other, count) in &reports.other_stages {
        eprintln!("{} of stage {other} passed over", counted(*count, "record", "records"));
    }
    if let Some(stage) = stage.filter(|_| reports.other_stages.is_empty()) {
        eprintln!("{} of stage {stage}", counted(reports.rows.len(), "record", "records"));
    }
}

async fn load(
    args: &Fit,
    config: &Config,
    wanted: &BTreeSet<StationId>,
    now: chrono::DateTime<chrono::Utc>,
) -> Result<(Temperatures, UnknownStations), CommandError> {
    if !args.weather.is_empty() {
        let mut told = |words: String| eprintln!("{words}");
        return Temperatures::from_files(&args.weather, args.unit, wanted, &config.weather, now, &mut told)
            .map_err(|why| CommandError::Usage(with_causes(&why)));
    }
    // Asking for a fit should not leave an empty store behind.
    if let Some(path) = config.store.address.strip_prefix("sqlite:")
        && config.store.address_secret.is_none()
        && !Path::new(path).exists()
    {
        return Err(CommandError::Usage(format!(
            "there is no store `{path}` to take temperatures from: bring some in with `treebell weather import`, or name files with --weather"
        )));
    }
    let store = open_store(config).await?;
    Ok(Temperatures::from_store(&store, wanted, &config.weather).await?)
}

fn with_progress<T>(count: usize, work: impl FnOnce(&mut dyn FnMut(usize)) -> T) -> T {
    let bar = progress_bar(count as u64, "{bar:40} {pos}/{len} lower thresholds, {eta} left");
    let done = work(&mut |done| bar.set_position(done as u64));
    bar.finish_and_clear();
    done
}

/// The fault with what the records do say and what would mend it.
fn cannot_fit(why: FitError, gathered: &Gathered, setting: &Setting, lower_c: f64) -> CommandError {
    let bounds = || setting.rule(lower_c).ok().map(|rule| fitting::bounds(&gathered.site_years, &rule));
    let text = match &why {
        FitError::NotBoundedBelow { .. } => {
            let at_most = match bounds() {
                Some((_, Some(sum))) => format!(
                    " What they do say: at a lower threshold of {lower_c} °C the sum is at most {sum:.1} °C·day ({:.0} °F·day).",
                    dd_c_to_f(sum)
                ),
                _ => String::new(),
            };
            format!("{why}, and any small sum would fit.{at_most} Add records with a date, or with not_seen")
        }
        FitError::NotBoundedAbove { .. } => {
            let at_least = match bounds() {
                Some((Some(sum), _)) => format!(
                    " What they do say: at a lower threshold of {lower_c} °C the sum is more than {sum:.1} °C·day ({:.0} °F·day).",
                    dd_c_to_f(sum)
                ),
                _ => String::new(),
            };
            format!("{why}, and any large sum would fit.{at_least} Add records with a date, or with seen")
        }
        FitError::TooFew { .. } => format!("{why}; more seasons or places are needed"),
        FitError::Rule(_) | FitError::Grid { .. } => return CommandError::Usage(why.to_string()),
        _ => why.to_string(),
    };
    CommandError::CheckSaidNo(text)
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Upper {
    None,
    At(f64),
}

fn upper(text: &str) -> Result<Upper, String> {
    if text == "none" {
        Ok(Upper::None)
    } else {
        threshold(text).map(Upper::At).map_err(|why| format!("{why}, or none"))
    }
}

fn threshold(text: &str) -> Result<f64, String> {
    // What a profile file takes.
    let range = -20.0..=50.0;
    text.parse().ok().filter(|value| range.contains(value)).ok_or("must be a number from -20 to 50 (°C)".into())
}

fn biofix_year(text: &str) -> Result<BiofixYear, String> {
    match text {
        "same" => Ok(BiofixYear::Same),
        "before" => Ok(BiofixYear::Before),
        _ => Err("must be same or before".into()),
    }
}

fn unit(text: &str) -> Result<Unit, String> {
    match text {
        "celsius" => Ok(Unit::Celsius),
        "fahrenheit" => Ok(Unit::Fahrenheit),
        "tenths" => Ok(Unit::TenthsC),
        _ => Err("must be celsius, fahrenheit or tenths".into()),
    }
}
