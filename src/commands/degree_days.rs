//! `treebell degree-days`: daily temperatures in, degree-days and their sum out.

use std::fs::File;
use std::io::{self, Read};

use chrono::{Days, NaiveDate};
use serde::Serialize;

use super::args::{DegreeUnit, cutoff, method};
use super::error::CommandError;
use super::format::{counted, print_json, print_out};
use crate::files::Capped;
use crate::heat::{Cutoff, DailySeries, DayTemperatures, HeatRule, HeatRuleError, Method};
use crate::text::first_few;
use crate::units::c_to_f;

/// Turn a CSV of daily temperatures into degree-days and their sum
///
/// The columns date (2026-03-01), tmin and tmax are read, others are passed over. A day with a blank temperature adds
/// nothing; how many there were is told at the end.
#[derive(Debug, clap::Args)]
pub struct DegreeDays {
    /// CSV file with the columns date, tmin, tmax in order of date; `-` reads standard input
    file: String,

    /// average, average-with-replacement, single-triangle, double-triangle, single-sine or double-sine
    #[arg(long, default_value = "single-sine", value_parser = method, value_name = "METHOD")]
    method: Method,

    /// Lower threshold, in the unit of the temperatures
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    lower: f64,

    /// Upper threshold, in the unit of the temperatures
    #[arg(long, allow_negative_numbers = true, value_name = "DEGREES")]
    upper: Option<f64>,

    /// What heat above the upper threshold counts for: none, horizontal, intermediate or vertical
    #[arg(long, default_value = "none", value_parser = cutoff, value_name = "CUTOFF")]
    cutoff: Cutoff,

    /// Temperatures, thresholds and results in °F instead of °C
    #[arg(long)]
    fahrenheit: bool,

    /// Print JSON instead of CSV
    #[arg(long)]
    json: bool,
}

/// # Errors
/// A usage error for thresholds that do not go together, an unreadable file, or lines that are not right; all faulty
/// lines are named at once.
#[expect(clippy::disallowed_methods, reason = "a command serves nobody else")]
pub fn run(args: &DegreeDays) -> Result<(), CommandError> {
    let unit = DegreeUnit::of_flag(args.fahrenheit);
    let rule = rule(args, unit)?;
    let name = if args.file == "-" { "standard input" } else { &args.file };
    let cannot = |why: io::Error| CommandError::Usage(format!("could not read `{name}`: {why}"));
    let source: Box<dyn Read> =
        if args.file == "-" { Box::new(io::stdin()) } else { Box::new(File::open(&args.file).map_err(cannot)?) };
    let series = read_series(Capped::new(source, LARGEST), unit)
        .map_err(|faults| CommandError::Usage(format!("`{name}` cannot be used:\n  {}", faults.join("\n  "))))?;

    let table = HeatTable::new(&rule, &series.series);
    if args.json {
        print_json(&table.document(args, unit))?
    } else {
        print_out(&table.csv(unit))?
    }
    if series.blank > 0 {
        eprintln!("{} with a blank temperature: nothing added", counted(series.blank, "day", "days"));
    }
    if series.absent > 0 {
        eprintln!(
            "{} between the first and the last not in the file: nothing added",
            counted(series.absent, "day", "days")
        );
    }
    Ok(())
}

fn rule(args: &DegreeDays, unit: DegreeUnit) -> Result<HeatRule, CommandError> {
    let usage = |text: String| Err(CommandError::Usage(text));
    match args.upper {
        Some(upper) if args.cutoff == Cutoff::None => {
            return usage(format!(
                "--upper {upper} does nothing without a cut-off: add --cutoff horizontal, intermediate or vertical, or leave it out"
            ));
        }
        // Said here in the unit of the command; the rule itself would name the thresholds in °C.
        Some(upper) if upper <= args.lower => {
            return usage(format!("--lower {} must be below --upper {upper}", args.lower));
        }
        _ => {}
    }
    let upper_c = args.upper.map(|upper| unit.to_c(upper));
    HeatRule::new(args.method, unit.to_c(args.lower), upper_c, args.cutoff).or_else(|why| match why {
        HeatRuleError::CutoffNeedsUpper(cutoff) => {
            usage(format!("--cutoff {cutoff} needs an upper threshold: add --upper DEGREES"))
        }
        why => usage(why.to_string()),
    })
}

/// Ten thousand years of days have less, bytes.
const LARGEST: u64 = 64 << 20;

struct Input {
    series: DailySeries,
    blank: usize,
    absent: usize,
}

/// The days of a CSV text, °C. Faults are sentences that name the line.
fn read_series(source: impl Read, unit: DegreeUnit) -> Result<Input, Vec<String>> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(source);
    let header = reader.headers().map_err(|why| vec![why.to_string()])?.clone();
    let column = |wanted: &str| {
        let same = |name: &str| name.trim_start_matches('\u{feff}').eq_ignore_ascii_case(wanted);
        if header.iter().filter(|name| same(name)).count() > 1 {
            return Err(format!("line 1: column `{wanted}` is there twice; leave one of them out"));
        }
        header.iter().position(same).ok_or_else(|| {
            let seen = header.iter().collect::<Vec<_>>().join(", ");
            format!("line 1: no column `{wanted}` among `{seen}`; the first line must name date, tmin and tmax")
        })
    };
    let (date_at, min_at, max_at) = match (column("date"), column("tmin"), column("tmax")) {
        (Ok(date), Ok(min), Ok(max)) => (date, min, max),
        (date, min, max) => return Err([date, min, max].into_iter().filter_map(Result::err).collect()),
    };

    let mut faults = Vec::new();
    let mut series: Option<DailySeries> = None;
    let (mut blank, mut absent) = (0, 0);
    let mut last: Option<(NaiveDate, u64)> = None;
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(why) => {
                faults.push(why.to_string());
                break;
            }
        };
        let line = record.position().map_or(0, csv::Position::line);
        let field = |at: usize| record.get(at).unwrap_or("");
        let Ok(day) = NaiveDate::parse_from_str(field(date_at), "%Y-%m-%d") else {
            faults.push(format!("line {line}: date `{}` must look like 2026-03-01", field(date_at)));
            continue;
        };
        let after = last.replace((day, line));
        match after {
            Some((before, at)) if before == day => {
                faults.push(format!("line {line}: {day} was there already in line {at}; keep one of them"));
                continue;
            }
            Some((before, at)) if before > day => {
                faults.push(format!("line {line}: {day} comes after {before} in line {at}; sort the lines by date"));
                continue;
            }
            _ => {}
        }
        let temperatures = match (number(field(min_at), unit), number(field(max_at), unit)) {
            (Ok(Some(min)), Ok(Some(max))) if min > max => {
                faults.push(format!(
                    "line {line}: tmin {} is above tmax {}; correct the day or leave both blank",
                    field(min_at),
                    field(max_at)
                ));
                continue;
            }
            (Ok(Some(min)), Ok(Some(max))) => Some(DayTemperatures { min_c: unit.to_c(min), max_c: unit.to_c(max) }),
            (Ok(_), Ok(_)) => None,
            (min, max) => {
                for (name, fault) in [("tmin", min.err()), ("tmax", max.err())] {
                    faults.extend(fault.map(|why| format!("line {line}: {name} {why}")));
                }
                continue;
            }
        };
        blank += usize::from(temperatures.is_none());
        let series = series.get_or_insert_with(|| DailySeries { first: day, days: Vec::new() });
        // A typing slip in a year must not fill the memory with empty days.
        let at = (day - series.first).num_days();
        if at > 366 * 300 {
            faults.push(format!("line {line}: {day} is more than 300 years after the first day {}", series.first));
            continue;
        }
        // Dates only rise from `first` on, so `at` is not negative and not yet filled.
        let at = at as usize;
        absent += at - series.days.len();
        series.days.resize(at, None);
        series.days.push(temperatures);
    }
    match series {
        _ if !faults.is_empty() => Err(first_few(faults)),
        Some(series) => Ok(Input { series, blank, absent }),
        None => Err(vec!["no day below the line that names the columns".into()]),
    }
}

/// A temperature, or `None` where it is blank. The fault goes on after the column's name.
fn number(text: &str, unit: DegreeUnit) -> Result<Option<f64>, String> {
    /// No air temperature on Earth was ever measured outside (-89.2 °C at Vostok 1983 and 56.7 °C at Furnace Creek
    /// 1913 are the World Meteorological Organization's records), with room to spare.
    const WORLD_C: (f64, f64) = (-95.0, 65.0);
    if text.is_empty() {
        return Ok(None);
    }
    let value: f64 = text.parse().map_err(|_| format!("`{text}` is not a number; leave a missing value blank"))?;
    let celsius = unit.to_c(value);
    if !(WORLD_C.0..=WORLD_C.1).contains(&celsius) {
        let (low, high) = match unit {
            DegreeUnit::Celsius => WORLD_C,
            DegreeUnit::Fahrenheit => (c_to_f(WORLD_C.0), c_to_f(WORLD_C.1)),
        };
        let unit = unit.symbol();
        return Err(format!(
            "`{text}` must be between {low:.0} and {high:.0} {unit}; correct the value, the unit, or leave it blank"
        ));
    }
    Ok(Some(value))
}

/// Degree-days and sums, °C·day.
struct HeatTable(Vec<(NaiveDate, Option<f64>, f64)>);

impl HeatTable {
    fn new(rule: &HeatRule, series: &DailySeries) -> Self {
        let mut sum = 0.0;
        let rows = rule.series(series).into_iter().enumerate().map(|(at, degree_days)| {
            sum += degree_days.unwrap_or(0.0);
            (series.first + Days::new(at as u64), degree_days, sum)
        });
        Self(rows.collect())
    }

    fn csv(&self, unit: DegreeUnit) -> String {
        let mut text = String::from("date,degree_days,sum\n");
        for (day, degree_days, sum) in &self.0 {
            let degree_days = degree_days.map_or(String::new(), |value| format!("{:.3}", unit.heat_from_c(value)));
            text.push_str(&format!("{day},{degree_days},{:.3}\n", unit.heat_from_c(*sum)));
        }
        text
    }

    fn document(&self, args: &DegreeDays, unit: DegreeUnit) -> impl Serialize {
        #[derive(Serialize)]
        struct Row {
            date: NaiveDate,
            degree_days: Option<f64>,
            sum: f64,
        }
        #[derive(Serialize)]
        struct Document {
            method: Method,
            cutoff: Cutoff,
            lower: f64,
            upper: Option<f64>,
            unit: &'static str,
            sum: f64,
            days: Vec<Row>,
        }
        let tidy = |heat: f64| (unit.heat_from_c(heat) * 1e6).round() / 1e6;
        Document {
            method: args.method,
            cutoff: args.cutoff,
            lower: args.lower,
            upper: args.upper,
            unit: unit.name(),
            sum: self.0.last().map_or(0.0, |row| tidy(row.2)),
            days: self
                .0
                .iter()
                .map(|(date, degree_days, sum)| Row {
                    date: *date,
                    degree_days: degree_days.map(tidy),
                    sum: tidy(*sum),
                })
                .collect(),
        }
    }
}
