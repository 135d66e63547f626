//! `treebell fit`: a lower threshold and a heat sum from dates that people wrote down.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use chrono::{Days, NaiveDate};
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::{Value, json};

use super::{CommandError, open_store, print_json, print_out, with_causes};
use crate::chart::error_profile;
use crate::chart::error_profile::{Valley, ValleyDot};
use crate::chart::png;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::heat::closed_forms::{ClosedForms, Estimate, Period};
use crate::heat::fit::{self as fitting, CrossValidation, FitError, Flat, LeftOut, Scores, Search, SumRange};
use crate::heat::{Cutoff, HeatRule, Method};
use crate::season::StageId;
use crate::season::profile::{Biofix, BiofixYear, HeatOrigins, Profile};
use crate::season::refit::{FITTED, Fitted, refit};
use crate::service::app::load_profiles;
use crate::service::fit_data::{
    About, DatesSeen, FILLED_SHARE, Gathered, Reports, Temperatures, UnknownStations, gather, read_reports,
    season_weather,
};
use crate::store::near_name;
use crate::units::{c_to_f, dd_c_to_f};
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
    let base = based_on(&args.based_on, config)?;
    check_outputs(&args, &base)?;
    let setting = Setting::of(&args, &base)?;

    let file = File::open(&args.reports)
        .map_err(|why| CommandError::Usage(format!("`{}` cannot be read: {why}", args.reports.display())))?;
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
    let told = Told { args: &args, base: &base, setting: &setting, gathered: &gathered, fit: &fit, flat };

    if let Some(path) = &args.valley {
        write(path, told.valley_csv().as_bytes())?;
    }
    if let Some(path) = &args.plot {
        let svg = error_profile::draw(&told.picture());
        let drawn = if is_png(path) {
            png::draw(&svg, 2.0).map_err(|why| CommandError::Failed(crate::weather::feeds::chain(&why)))?
        } else {
            svg.into_bytes()
        };
        write(path, &drawn)?;
    }
    if let (Some(path), Some(stage)) = (&args.profile, &args.stage) {
        told.write_profile(path, stage, &temperatures, today)?;
    }
    if args.json { print_json(&told.json()) } else { print_out(&told.text()) }
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

fn based_on(name: &str, config: &Config) -> Result<Profile, CommandError> {
    if name.ends_with(".toml") {
        let text = std::fs::read_to_string(name)
            .map_err(|why| CommandError::Usage(format!("profile `{name}` cannot be read: {why}")))?;
        return Profile::parse(&text).map_err(|faults| {
            let faults: Vec<String> = faults.iter().map(|fault| format!("{name}: {fault}")).collect();
            CommandError::Usage(faults.join("\n"))
        });
    }
    let profiles = load_profiles(config)?;
    profiles.get(name).cloned().ok_or_else(|| {
        let known: Vec<String> = profiles.iter().map(|profile| profile.id.clone()).collect();
        let near = near_name(name, &known).map(|near| format!(", did you mean `{near}`?")).unwrap_or_default();
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
            let near = near_name(stage, &ids).map(|near| format!(", did you mean `{near}`?")).unwrap_or_default();
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

fn has_ending(path: &Path, wanted: &str) -> bool {
    path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case(wanted))
}

fn tell_about(reports: &Reports, stage: Option<&str>) {
    if !reports.columns_passed_over.is_empty() {
        eprintln!("columns passed over: {}", reports.columns_passed_over.join(", "));
    }
    for (other, count) in &reports.other_stages {
        eprintln!("{} of stage {other} passed over", counted(*count, "record"));
    }
    if let Some(stage) = stage.filter(|_| reports.other_stages.is_empty()) {
        eprintln!("{} of stage {stage}", counted(reports.rows.len(), "record"));
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
    // On a screen only; the bar hides itself elsewhere.
    let bar = ProgressBar::new(count as u64);
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {pos}/{len} lower thresholds, {eta} left") {
        bar.set_style(style);
    }
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

/// All there is to tell.
struct Told<'a> {
    args: &'a Fit,
    base: &'a Profile,
    setting: &'a Setting,
    gathered: &'a Gathered,
    fit: &'a fitting::Fit,
    flat: Flat,
}

impl Told<'_> {
    fn text(&self) -> String {
        let fit = self.fit;
        let best = &fit.best;
        let sum = best.sum.plain();
        let mut text = format!("{}: {}\n{}\n\n", self.what(), self.records_words(), self.method_words());
        let fixed = if self.args.lower.is_some() { ", given" } else { "" };
        let _ = writeln!(
            text,
            "Lower threshold  {} °C ({:.1} °F){fixed}\nHeat sum         {sum} °C·day ({:.1} °F·day){}\n",
            best.lower_c,
            c_to_f(best.lower_c),
            dd_c_to_f(sum),
            range_words(best.sum)
        );
        let _ = writeln!(text, "{:52} {:>7} {:>7} {:>7}", "Error in days", "RMSE", "MAE", "bias");
        let mut row = |name: &str, scores: &Scores| {
            let Scores { rmse_days, mae_days, bias_days, .. } = scores;
            let _ = writeln!(text, "{name:52} {rmse_days:7.2} {mae_days:7.2} {bias_days:+7.2}");
        };
        row("heat sum, on the records it was fitted to", &best.scores);
        if let Some(out) = &fit.without_year {
            row("heat sum, each year predicted without it", &out.scores);
        }
        if let Some(out) = &fit.without_site {
            row("heat sum, each station predicted without it", &out.scores);
        }
        row(&format!("calendar date alone ({})", self.date_words(fit.calendar.day)), &fit.calendar.scores);
        if let Some(out) = &fit.without_year {
            row("calendar date, each year predicted without it", &out.calendar);
        }
        if let Some(line) = &fit.calendar_with_slope {
            row(&format!("calendar with {:.1} days per 100 m", line.days_per_km / 10.0), &line.scores);
        }
        if let Some(slope) = fit.without_year.as_ref().and_then(|out| out.calendar_with_slope.as_ref()) {
            row("calendar with slope, each year without it", slope);
        }
        if let Some(out) = &fit.without_site {
            row("calendar date, each station without it", &out.calendar);
            if let Some(slope) = &out.calendar_with_slope {
                row("calendar with slope, each station without it", slope);
            }
        }
        let _ = writeln!(
            text,
            "\nRecords of one season and station are {:.2} days apart: no model that gives them one day can do better.",
            fit.floor_rmse_days
        );
        if let Some(out) = &fit.without_year {
            let skill = out.skill().map_or(String::new(), |skill| format!(", skill {skill:.2} against the calendar"));
            let _ = writeln!(
                text,
                "Quote the error of years predicted without themselves: {:.2} days{skill}.",
                out.scores.rmse_days
            );
        }
        if self.args.closed_forms {
            text.push('\n');
            text.push_str(&self.closed_form_lines());
        }
        for warning in self.warnings() {
            let _ = writeln!(text, "\nNote: {warning}");
        }
        text
    }

    /// The stage, or what stands for it.
    fn what(&self) -> &str {
        self.args.stage.as_deref().unwrap_or("the event")
    }

    fn records_words(&self) -> String {
        let stations: BTreeSet<&StationId> = self.gathered.about.iter().map(|about| &about.station).collect();
        let seasons: BTreeSet<i32> = self.gathered.about.iter().map(|about| about.season).collect();
        let years = match (seasons.first(), seasons.last()) {
            (Some(first), Some(last)) if first != last => {
                format!("{} from {first} to {last}", counted(seasons.len(), "season"))
            }
            (Some(only), _) => format!("season {only}"),
            _ => "no season".into(),
        };
        format!(
            "{} of {}, {years}",
            counted(self.fit.best.scores.records, "record"),
            counted(stations.len(), "station")
        )
    }

    fn method_words(&self) -> String {
        let Search { method, cutoff, upper_c, .. } = &self.setting.search;
        let upper = upper_c.map_or("no upper threshold".into(), |upper| format!("{cutoff} upper threshold {upper} °C"));
        let Biofix { year, .. } = &self.setting.frame.biofix;
        let before = if *year == BiofixYear::Before { " of the year before" } else { "" };
        format!("heat from {}{before}, {method}, {upper}", self.date_words(0.0))
    }

    /// A day counted from the biofix, in a common year.
    fn date_words(&self, day: f64) -> String {
        let first = self.setting.frame.first_day(2023);
        let days = day.round().clamp(0.0, 1000.0) as u64;
        first.checked_add_days(Days::new(days)).unwrap_or(first).format("%-d %B").to_string()
    }

    fn warnings(&self) -> Vec<String> {
        let (fit, flat, gathered) = (self.fit, self.flat, self.gathered);
        let mut warnings = Vec::new();
        if flat.to_c - flat.from_c >= 1.0 {
            warnings.push(format!(
                "the data cannot tell thresholds between {} and {} °C apart: with its own best sum each errs within {:.2} days of the least. Do not quote the threshold to the tenth; a threshold known from elsewhere can be given with --lower.",
                flat.from_c, flat.to_c, flat.tolerance_days
            ));
        }
        let edges = [fit.valley.first(), fit.valley.last()];
        if self.args.lower.is_none() && edges.iter().flatten().any(|edge| edge.lower_c == fit.best.lower_c) {
            warnings.push(format!(
                "the best threshold, {} °C, is at the end of those tried: widen --lower-from or --lower-to.",
                fit.best.lower_c
            ));
        } else if flat.open && self.args.lower.is_none() {
            warnings.push("thresholds at the end of those tried do nearly as well as the best.".into());
        }
        match &fit.without_year {
            None => {
                warnings.push("all records are of one year: how the fit would do in another cannot be told.".into())
            }
            Some(out) => {
                if out.folds.len() < 5 {
                    warnings.push(format!(
                        "{} only: errors of years predicted without themselves are rough.",
                        counted(out.folds.len(), "year")
                    ));
                }
                if out.skill().is_some_and(|skill| skill <= 0.0) {
                    warnings.push(
                        "in years left out the heat sum does no better than a calendar date: do not use it yet.".into(),
                    );
                }
                if let Some((low, high)) = range_of(out).filter(|(low, high)| high - low >= 1.0) {
                    warnings
                        .push(format!("leaving one year out moves the best threshold between {low} and {high} °C."));
                }
                if out.scores.never_reached > 0 {
                    warnings.push(format!(
                        "for {} of years left out the sum would never have been reached; each counts as predicted for day {}.",
                        counted(out.scores.never_reached, "record"),
                        fitting::NEVER_DAY
                    ));
                }
            }
        }
        if fit.best.scores.never_reached > 0 {
            warnings.push(format!(
                "for {} the sum is never reached; each counts as predicted for day {}.",
                counted(fit.best.scores.never_reached, "record"),
                fitting::NEVER_DAY
            ));
        }
        let seen = || self.gathered.site_years.iter().flat_map(|of| &of.seen);
        let wide = seen().filter(|seen| seen.after().zip(seen.by()).is_none_or(|(after, by)| by - after > 1)).count();
        if wide > 0 {
            warnings.push(format!(
                "{} of {} are intervals, inside which any prediction counts as right: errors would be larger against exact dates.",
                wide,
                counted(fit.best.scores.records, "record")
            ));
        }
        if gathered.filled > 0 {
            warnings.push(format!(
                "{} of the {} days up to the events had no temperatures and were filled.",
                gathered.filled, gathered.days
            ));
        }
        if !gathered.ends_soon.is_empty() {
            warnings.push(format!(
                "temperatures end soon after the event, so that late predictions look like none: {}.",
                gathered.ends_soon.join(", ")
            ));
        }
        warnings
    }

    /// Periods from the biofix to each record's day, or the middle of its interval.
    fn closed_forms(&self) -> ClosedForms {
        let mut periods = Vec::new();
        for site_year in &self.gathered.site_years {
            for seen in &site_year.seen {
                let (Some(after), Some(by)) = (seen.after(), seen.by()) else { continue };
                // The days up to and with the event's.
                let count = usize::try_from((after + 1 + by) / 2 + 1).unwrap_or(0);
                let Some(days) = site_year.days.get(..count).filter(|days| !days.is_empty()) else { continue };
                let mean = days.iter().map(|day| (day.min_c + day.max_c) / 2.0).sum::<f64>() / count as f64;
                periods.push(Period { mean_temperature: mean, days: count as f64 });
            }
        }
        ClosedForms::of(&periods)
    }

    fn closed_form_lines(&self) -> String {
        let mut text = String::from(
            "Closed formulas, from the mean temperature of each period; biased where days are colder than the threshold:\n",
        );
        for (name, estimate) in named(&self.closed_forms()) {
            let words = estimate
                .map_or("cannot be told".into(), |Estimate { lower, sum }| format!("{lower:7.2} °C {sum:9.1} °C·day"));
            let _ = writeln!(text, "  {name:38} {words}");
        }
        text
    }

    fn json(&self) -> Value {
        let (fit, search) = (self.fit, &self.setting.search);
        let biofix = &self.setting.frame.biofix;
        let records: Vec<Value> = self
            .gathered
            .about
            .iter()
            .zip(&self.gathered.site_years)
            .zip(&fit.predicted)
            .flat_map(|((about, site_year), predicted)| {
                about.reports.iter().zip(&site_year.seen).map(move |(report, seen)| {
                    let (date, not_seen, first_seen) = match report.seen {
                        DatesSeen::On(day) => (Some(day), None, None),
                        DatesSeen::Between(not_seen, seen) => (None, not_seen, seen),
                    };
                    json!({
                        "line": report.line,
                        "station": report.station,
                        "season": report.season,
                        "date": date,
                        "not_seen": not_seen,
                        "seen": first_seen,
                        "predicted": predicted.map(|day| date_of(about, day)),
                        "error_days": predicted.map(|day| seen.error(day)),
                    })
                })
            })
            .collect();
        let closed_forms: serde_json::Map<String, Value> = named(&self.closed_forms())
            .into_iter()
            .map(|(name, estimate)| {
                (
                    name.replace([' ', '-'], "_"),
                    estimate.map_or(Value::Null, |of| json!({"lower_c": of.lower, "sum_c": of.sum})),
                )
            })
            .collect();
        json!({
            "stage": self.args.stage,
            "based_on": self.base.id,
            "biofix": format!("{:02}-{:02}", biofix.month, biofix.day),
            "biofix_year": if biofix.year == BiofixYear::Before { "before" } else { "same" },
            "method": search.method,
            "cutoff": search.cutoff,
            "upper_c": search.upper_c,
            "thresholds_tried": search.lowers_c.len(),
            "lower_c": fit.best.lower_c,
            "sum_c": fit.best.sum.plain(),
            "sum_range_c": range_json(fit.best.sum),
            "alike": {
                "from_c": self.flat.from_c,
                "to_c": self.flat.to_c,
                "tolerance_days": self.flat.tolerance_days,
                "open": self.flat.open,
            },
            "in_sample": scores_json(&fit.best.scores),
            "floor_rmse_days": fit.floor_rmse_days,
            "calendar": {
                "day": fit.calendar.day,
                "scores": scores_json(&fit.calendar.scores),
            },
            "calendar_with_slope": fit.calendar_with_slope.map(|line| json!({
                "day_at_sea_level": line.day,
                "days_per_km": line.days_per_km,
                "scores": scores_json(&line.scores),
            })),
            "without_year": fit.without_year.as_ref().map(cross_json),
            "without_station": fit.without_site.as_ref().map(cross_json),
            "closed_forms": closed_forms,
            "filled_days": self.gathered.filled,
            "days": self.gathered.days,
            "left_out": self.gathered.unusable,
            "records": records,
            "notes": self.warnings(),
        })
    }

    fn valley_csv(&self) -> String {
        let mut text =
            String::from("lower_c,sum_c,sum_above_c,sum_up_to_c,rmse_days,mae_days,bias_days,never_reached\n");
        for point in &self.fit.valley {
            let SumRange { above, up_to } = point.sum;
            let up_to = if up_to.is_finite() { format!("{up_to:.4}") } else { String::new() };
            let Scores { rmse_days, mae_days, bias_days, never_reached, .. } = point.scores;
            let _ = writeln!(
                text,
                "{},{},{above:.4},{up_to},{rmse_days:.6},{mae_days:.6},{bias_days:.6},{never_reached}",
                point.lower_c,
                point.sum.plain()
            );
        }
        text
    }

    fn picture(&self) -> Valley {
        let dot = |point: &fitting::ValleyPoint| ValleyDot {
            lower_c: point.lower_c,
            rmse_days: point.scores.rmse_days,
            sum: point.sum.plain(),
        };
        let weather = if self.args.weather.is_empty() {
            "the weather record".to_owned()
        } else {
            self.args.weather.iter().map(|path| path.display().to_string()).collect::<Vec<_>>().join(", ")
        };
        Valley {
            title: format!("{}: error and heat sum by lower threshold", capital(self.what())),
            subtitle: format!("{}; {}", self.records_words(), self.method_words()),
            points: self.fit.valley.iter().map(dot).collect(),
            best: dot(&self.fit.best),
            alike_c: (self.flat.from_c, self.flat.to_c),
            calendar_days: self.fit.calendar.scores.rmse_days,
            source: format!(
                "Dates: {}. Temperatures: {weather}. Hatched (alike): within {:.2} days of the least error. Errors are in sample.",
                self.args.reports.display(),
                self.flat.tolerance_days
            ),
        }
    }

    fn write_profile(
        &self,
        path: &Path,
        stage: &str,
        temperatures: &Temperatures,
        today: NaiveDate,
    ) -> Result<(), CommandError> {
        let (fit, base) = (self.fit, self.base);
        let mut origin = format!(
            "{FITTED} {}, on {today} by treebell fit: RMSE {:.2} days",
            self.records_words(),
            fit.best.scores.rmse_days
        );
        match &fit.without_year {
            Some(out) => {
                let _ = write!(
                    origin,
                    ", leave-one-year-out {:.2} days (calendar date alone {:.2})",
                    out.scores.rmse_days, out.calendar.rmse_days
                );
            }
            None => origin.push_str(", one year only: not tried on another"),
        }
        let heat = self.setting.rule(fit.best.lower_c)?;
        let given = |same: bool, was: &str| if same { was.to_owned() } else { "given to treebell fit".to_owned() };
        let of = &base.heat;
        let lower = match self.args.lower {
            Some(lower) => given(lower == of.lower_c(), &base.heat_origins.lower),
            None => format!("{origin}; {} to {} °C do nearly as well", self.flat.from_c, self.flat.to_c),
        };
        let upper = if heat.upper_c().is_none() {
            String::new()
        } else {
            given((heat.upper_c(), heat.cutoff()) == (of.upper_c(), of.cutoff()), &base.heat_origins.upper)
        };
        let fitted = Fitted {
            stage: StageId(stage.to_owned()),
            biofix: self.setting.frame.biofix.clone(),
            heat,
            heat_origins: HeatOrigins {
                method: given(heat.method() == of.method(), &base.heat_origins.method),
                lower,
                upper,
            },
            sum: fit.best.sum.plain(),
            origin,
        };
        let seasons = season_weather(&self.gathered.about, temperatures, &self.setting.frame, base);
        let made = refit(base, &fitted, &seasons).map_err(|why| CommandError::CheckSaidNo(why.to_string()))?;
        let text = made.profile.to_toml();
        // What we write we must be able to read.
        if let Err(faults) = Profile::parse(&text) {
            let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
            return Err(CommandError::CheckSaidNo(format!("this makes no profile: {}", faults.join("; "))));
        }
        let fail = |why| CommandError::Failed(format!("`{}` cannot be written: {why}", path.display()));
        let mut file = File::create_new(path).map_err(fail)?;
        file.write_all(text.as_bytes()).map_err(fail)?;
        eprintln!("profile {} written to {}", made.profile.id, path.display());
        for carried in &made.carried {
            eprintln!(
                "  stage {}: {} °C·day became {} for the new threshold, the same dates within {:.1} days; it is not fitted",
                carried.stage, carried.from, carried.to, carried.scores.rmse_days
            );
        }
        Ok(())
    }
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), CommandError> {
    std::fs::write(path, bytes)
        .map_err(|why| CommandError::Failed(format!("`{}` cannot be written: {why}", path.display())))
}

fn date_of(about: &About, day: i32) -> Option<NaiveDate> {
    about.first.checked_add_days(Days::new(u64::try_from(day).ok()?))
}

fn range_words(range: SumRange) -> String {
    if range.up_to.is_finite() {
        format!("; any above {:.2} up to {:.2} predicts the same", range.above, range.up_to)
    } else {
        format!("; any above {:.2} predicts the same", range.above)
    }
}

fn range_json(range: SumRange) -> Value {
    // Plain JSON has no infinity: null says that nothing bounds it.
    json!({ "above": range.above, "up_to": range.up_to.is_finite().then_some(range.up_to) })
}

fn scores_json(scores: &Scores) -> Value {
    let Scores { rmse_days, mae_days, bias_days, records, never_reached } = scores;
    json!({
        "rmse_days": rmse_days,
        "mae_days": mae_days,
        "bias_days": bias_days,
        "records": records,
        "never_reached": never_reached,
    })
}

fn cross_json(out: &CrossValidation) -> Value {
    let folds: Vec<Value> = out
        .folds
        .iter()
        .map(|fold| {
            let left_out = match &fold.left_out {
                LeftOut::Year(year) => json!(year),
                LeftOut::Site(site) => json!(site),
            };
            json!({
                "left_out": left_out,
                "lower_c": fold.lower_c,
                "sum_c": fold.sum.plain(),
                "scores": scores_json(&fold.scores),
            })
        })
        .collect();
    json!({
        "scores": scores_json(&out.scores),
        "calendar": scores_json(&out.calendar),
        "calendar_with_slope": out.calendar_with_slope.as_ref().map(scores_json),
        "skill": out.skill(),
        "turns": folds,
    })
}

/// The lowest and highest threshold of the turns.
fn range_of(out: &CrossValidation) -> Option<(f64, f64)> {
    let lowers = || out.folds.iter().map(|fold| fold.lower_c);
    Some((lowers().reduce(f64::min)?, lowers().reduce(f64::max)?))
}

fn named(forms: &ClosedForms) -> [(&'static str, Option<Estimate>); 5] {
    [
        ("least spread in degree-days", forms.least_sd_heat),
        ("least spread in days", forms.least_sd_days),
        ("least coefficient of variation", forms.least_cv),
        ("regression coefficient", forms.regression),
        ("x-intercept", forms.x_intercept),
    ]
}

fn counted(count: usize, thing: &str) -> String {
    if count == 1 { format!("1 {thing}") } else { format!("{count} {thing}s") }
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
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

fn percent(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|value| (0.0..=100.0).contains(value)).ok_or("must be a number from 0 to 100".into())
}

fn month_and_day(text: &str) -> Result<(u32, u32), String> {
    let wrong = || "must be a month and a day of every year, such as 01-01".to_owned();
    let (month, day) = text.split_once('-').ok_or_else(wrong)?;
    let (month, day) = (month.parse().map_err(|_| wrong())?, day.parse().map_err(|_| wrong())?);
    // A common year: what is a day in it is a day in every year.
    NaiveDate::from_ymd_opt(2023, month, day).map(|_| (month, day)).ok_or_else(wrong)
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

fn method(name: &str) -> Result<Method, String> {
    Method::parse(name).ok_or_else(|| format!("must be one of {}", Method::ALL.map(Method::name).join(", ")))
}

fn cutoff(name: &str) -> Result<Cutoff, String> {
    Cutoff::parse(name).ok_or_else(|| format!("must be one of {}", Cutoff::ALL.map(Cutoff::name).join(", ")))
}
