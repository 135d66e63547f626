//! `treebell fit` as it is typed. Weather and dates are invented: they prove the plumbing, not the science.

use std::fmt::Write as _;
use std::path::Path;

use assert_cmd::Command;
use chrono::{Datelike, NaiveDate};
use serde_json::Value;
use tempfile::TempDir;
use treebell::geo::Point;
use treebell::heat::{Cutoff, DayTemperatures, HeatRule, Method};
use treebell::season::profile::{BiofixYear, Need};
use treebell::season::{Profile, StageId};
use treebell::weather::{Element, FeedKind, SourceRef, Station, StationId, TenthsC, Version};

use crate::support::open_store;

/// Ends 40 days after the last date seen.
const YEARS: std::ops::RangeInclusive<i32> = 2008..=2017;
const STATIONS: [(&str, f64); 3] = [("ALT-UNO", 1500.0), ("ALT-DOS", 1800.0), ("ALT-TRES", 2150.0)];

/// Tenths of a degree, minimum and maximum: a winter and a spring with weather on it, colder with height.
fn tenths(station: usize, day: NaiveDate) -> (i32, i32) {
    let ordinal = day.ordinal() as i32;
    let season = -50.0 - 110.0 * (f64::from(ordinal - 15) * std::f64::consts::TAU / 365.25).cos();
    let year = (day.year() * 7919 + station as i32 * 31) % 41 - 20;
    let weather = (day.num_days_from_ce() % 83 * 7907 + station as i32 * 17) % 83 - 41;
    let spell = (day.num_days_from_ce() / 5 % 61 * 104_729) % 61 - 30;
    let mean = 125 + season as i32 + year + weather / 2 + spell - 22 * station as i32;
    let half_range = 70 + (day.num_days_from_ce() % 37 * 6007) % 37;
    (mean - half_range, mean + half_range)
}

fn days(first: NaiveDate, last: NaiveDate) -> impl Iterator<Item = NaiveDate> {
    first.iter_days().take_while(move |day| *day <= last)
}

fn date(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap()
}

/// The day on which a sum is reached, as the rule tells it.
fn reached(rule: &HeatRule, required: f64, station: usize, from: NaiveDate) -> NaiveDate {
    let mut sum = 0.0;
    days(from, from + chrono::Days::new(300))
        .find(|day| {
            let (min, max) = tenths(station, *day);
            let day = DayTemperatures { min_c: f64::from(min) / 10.0, max_c: f64::from(max) / 10.0 };
            sum += rule.degree_days(day, None);
            sum >= required - 1e-9
        })
        .unwrap()
}

fn sine(lower_c: f64) -> HeatRule {
    HeatRule::new(Method::SingleSine, lower_c, Some(30.0), Cutoff::Horizontal).unwrap()
}

/// A folder with `weather.csv` of all stations and years.
fn house() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut text = String::from("station,date,tmin_c,tmax_c\n");
    for (at, (id, _)) in STATIONS.iter().enumerate() {
        for day in days(date(*YEARS.start() - 1, 9, 1), date(*YEARS.end(), 8, 31)) {
            let (min, max) = tenths(at, day);
            writeln!(text, "{id},{day},{:.1},{:.1}", f64::from(min) / 10.0, f64::from(max) / 10.0).unwrap();
        }
    }
    write(&folder, "weather.csv", &text);
    folder
}

fn write(folder: &TempDir, name: &str, text: &str) {
    std::fs::write(folder.path().join(name), text).unwrap();
}

/// Dates of all stations and years by a rule.
fn reports(rule: &HeatRule, required: f64) -> String {
    let mut text = String::from("station,year,date\n");
    for (at, (id, _)) in STATIONS.iter().enumerate() {
        for year in YEARS {
            writeln!(text, "{id},{year},{}", reached(rule, required, at, date(year, 1, 1))).unwrap();
        }
    }
    text
}

fn run(folder: &Path, line: &str) -> (i32, String, String) {
    let output =
        Command::cargo_bin("treebell").unwrap().current_dir(folder).args(line.split_whitespace()).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

fn ok(folder: &TempDir, line: &str) -> (String, String) {
    let (code, out, err) = run(folder.path(), line);
    assert_eq!(code, 0, "{line}\n{out}\n{err}");
    (out, err)
}

fn refused(folder: &TempDir, line: &str, code: i32, wanted: &str) {
    let (got, out, err) = run(folder.path(), line);
    assert_eq!(got, code, "{line}\n{out}\n{err}");
    assert!(err.contains(wanted), "{line}: wanted `{wanted}` in\n{err}");
    assert_eq!(out, "", "{line}: data goes out only when all is well");
}

const COARSE: &str = "--lower-from 2 --lower-to 7 --step 0.1";

#[test]
fn a_known_threshold_and_sum_come_back_through_the_program() {
    let house = house();
    write(&house, "reports.csv", &reports(&sine(4.5), 120.0));
    let line = format!("fit reports.csv --weather weather.csv {COARSE} --valley valley.csv --plot valley.svg --json");
    let (out, _) = ok(&house, &line);
    let got: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(got["in_sample"]["rmse_days"], 0.0);
    assert_eq!((got["in_sample"]["records"].as_i64(), got["thresholds_tried"].as_i64()), (Some(30), Some(51)));
    assert_eq!((got["method"].as_str(), got["upper_c"].as_f64()), (Some("single-sine"), Some(30.0)));
    // All records follow the rule, so that each prediction is the date that was seen.
    for record in got["records"].as_array().unwrap() {
        assert_eq!((record["predicted"].clone(), record["error_days"].as_i64()), (record["date"].clone(), Some(0)));
    }
    assert_eq!(got["records"].as_array().unwrap().len(), 30);
    assert_eq!(got["without_year"]["turns"].as_array().unwrap().len(), 10);
    assert_eq!(got["without_station"]["turns"].as_array().unwrap().len(), 3);
    assert!(got["without_year"]["skill"].as_f64().unwrap() > 0.5, "{}", got["without_year"]);
    assert_eq!(got["calendar_with_slope"], Value::Null, "a CSV tells no elevations");

    let valley = std::fs::read_to_string(house.path().join("valley.csv")).unwrap();
    let rows: Vec<Vec<&str>> = valley.lines().skip(1).map(|line| line.split(',').collect()).collect();
    assert_eq!(rows.len(), 51);
    let row = rows.iter().find(|row| row[0] == "4.5").unwrap();
    let number = |at: usize| row[at].parse::<f64>().unwrap();
    assert!(number(2) < 120.0 && 120.0 <= number(3) && number(4) == 0.0, "{row:?}");
    let svg = std::fs::read_to_string(house.path().join("valley.svg")).unwrap();
    for words in ["Lower threshold, °C", "30 records of 3 stations, 10 seasons from 2008 to 2017", "weather.csv"] {
        assert!(svg.contains(words), "no `{words}` in the plot");
    }
    ok(&house, &format!("fit reports.csv --weather weather.csv {COARSE} --plot valley.png"));
    let png = std::fs::read(house.path().join("valley.png")).unwrap();
    assert!(png.starts_with(b"\x89PNG") && png.len() > 10_000);
}

#[test]
fn the_words_name_the_errors_that_count_and_what_cannot_be_told() {
    let house = house();
    write(&house, "reports.csv", &reports(&sine(4.5), 120.0));
    let (out, err) =
        ok(&house, &format!("fit reports.csv --weather weather.csv {COARSE} --alike 100 --closed-forms --stage eggs"));
    for words in [
        "eggs: 30 records of 3 stations, 10 seasons from 2008 to 2017",
        "heat from 1 January, single-sine, horizontal upper threshold 30 °C",
        "Lower threshold",
        "°F·day",
        "heat sum, each year predicted without it",
        "heat sum, each station predicted without it",
        "calendar date, each year predicted without it",
        "Quote the error of years predicted without themselves",
        "x-intercept",
    ] {
        assert!(out.contains(words), "no `{words}` in\n{out}");
    }
    assert!(err.contains("30 records of stage eggs"), "{err}");
    // Ten years and one threshold: nothing is said about telling thresholds apart.
    let (out, _) = ok(&house, "fit reports.csv --weather weather.csv --lower 4.5");
    assert!(out.contains("4.5 °C (40.1 °F), given") && !out.contains("cannot tell"), "{out}");
    // Wide intervals cannot pin a threshold down, and the words say so.
    let mut text = String::from("station,year,not_seen,seen\n");
    for (at, (id, _)) in STATIONS.iter().enumerate() {
        for year in YEARS.take(3) {
            let day = reached(&sine(4.5), 120.0, at, date(year, 1, 1));
            writeln!(text, "{id},{year},{},{}", day - chrono::Days::new(15), day + chrono::Days::new(15)).unwrap();
        }
    }
    write(&house, "wide.csv", &text);
    let (out, _) = ok(&house, &format!("fit wide.csv --weather weather.csv {COARSE}"));
    assert!(out.contains("the data cannot tell thresholds between 2 and 7 °C apart"), "{out}");
    assert!(out.contains("9 of 9 records are intervals") && out.contains("3 years only"), "{out}");
}

#[test]
fn a_profile_is_written_that_every_other_command_can_read() {
    let house = house();
    let mut text = reports(&sine(4.5), 120.0);
    text = text.lines().map(|line| format!("{line},egg-laying-begins\n")).collect();
    text = text.replacen("date,egg-laying-begins", "date,stage", 1);
    text += "ALT-UNO,2010,2010-04-30,eggs-hatch\n";
    write(&house, "reports.csv", &text);
    let line =
        format!("fit reports.csv --weather weather.csv {COARSE} --stage egg-laying-begins --profile fitted.toml");
    let (_, err) = ok(&house, &line);
    assert!(err.contains("1 record of stage eggs-hatch passed over"), "{err}");
    assert!(err.contains("stage eggs-hatch: 250 °C·day became"), "{err}");
    let file = std::fs::read_to_string(house.path().join("fitted.toml")).unwrap();
    let profile = Profile::parse(&file).unwrap();
    let stage = profile.stage(&StageId::from("egg-laying-begins")).unwrap();
    let words = "fitted from 30 records of 3 stations, 10 seasons from 2008 to 2017, on ";
    assert!(stage.origin.starts_with(words), "{}", stage.origin);
    assert!(stage.origin.contains("by treebell fit: RMSE 0.00 days, leave-one-year-out"), "{}", stage.origin);
    assert!(profile.heat_origins.lower.contains("do nearly as well"));
    assert!(profile.provisional && profile.note.contains("Stage egg-laying-begins is fitted"));
    let Need::DegreeDays(sum) = stage.need else { panic!("{:?}", stage.need) };
    for (at, _) in STATIONS.iter().enumerate() {
        let first = date(2012, 1, 1);
        assert_eq!(reached(&profile.heat, sum, at, first), reached(&sine(4.5), 120.0, at, first));
    }
    assert!(ok(&house, "profile check fitted.toml").0.contains("sound"));
    // It ends with how to put it in use, and that works.
    assert!(err.contains("`treebell profile add fitted.toml --why … --dry-run`"), "{err}");
    ok(&house, "store init");
    let (out, _) = ok(&house, "profile add fitted.toml --why fitted --yes");
    assert!(out.contains("version 2 would follow version 1"), "{out}");
    let (out, _) = ok(&house, "profile show");
    assert!(out.contains("version 2") && out.contains("fitted from 30 records"), "{out}");

    refused(&house, &line, 2, "`fitted.toml` is there already");
    // A second stage on top of the first, its threshold held.
    let lower = profile.heat.lower_c();
    let mut text = String::from("station,year,date,stage\n");
    for (at, (id, _)) in STATIONS.iter().enumerate() {
        for year in YEARS {
            let hatch = reached(&profile.heat, 260.0, at, date(year, 1, 1));
            writeln!(text, "{id},{year},{hatch},eggs-hatch").unwrap();
        }
    }
    write(&house, "hatch.csv", &text);
    ok(
        &house,
        &format!(
            "fit hatch.csv --weather weather.csv --based-on fitted.toml --lower {lower} --stage eggs-hatch --profile both.toml"
        ),
    );
    let both = Profile::parse(&std::fs::read_to_string(house.path().join("both.toml")).unwrap()).unwrap();
    assert_eq!(both.stages[0], profile.stages[0], "what was fitted before stays");
    let hatch = both.stage(&StageId::from("eggs-hatch")).unwrap();
    assert_eq!(hatch.after, None, "the fitted sum counts from the biofix");
    let Need::DegreeDays(sum) = hatch.need else { panic!("{:?}", hatch.need) };
    assert!((sum - 260.0).abs() < 8.0, "{sum}");
}

#[test]
fn an_autumn_biofix_sums_over_the_turn_of_the_year() {
    let house = house();
    let rule = HeatRule::new(Method::Average, 5.0, None, Cutoff::None).unwrap();
    let mut text = String::from("station,year,date\n");
    for year in YEARS {
        writeln!(text, "ALT-UNO,{year},{}", reached(&rule, 150.0, 0, date(year - 1, 11, 1))).unwrap();
    }
    write(&house, "reports.csv", &text);
    let line = "fit reports.csv --weather weather.csv --method average --upper none --biofix 11-01 --biofix-year before --lower 5 --json";
    let got: Value = serde_json::from_str(&ok(&house, line).0).unwrap();
    assert_eq!(got["in_sample"]["rmse_days"], 0.0);
    assert_eq!((got["biofix"].as_str(), got["biofix_year"].as_str()), (Some("11-01"), Some("before")));
    let range = &got["sum_range_c"];
    assert!(range["above"].as_f64().unwrap() < 150.0 && 150.0 <= range["up_to"].as_f64().unwrap(), "{range}");

    let line = format!("{line} --stage egg-laying-begins --profile autumn.toml");
    ok(&house, &line);
    let profile = Profile::parse(&std::fs::read_to_string(house.path().join("autumn.toml")).unwrap()).unwrap();
    assert_eq!((profile.biofix.month, profile.biofix.year), (11, BiofixYear::Before));
    assert_eq!((profile.heat.method(), profile.heat.upper_c()), (Method::Average, None));
    assert_eq!(profile.heat_origins.method, "given to treebell fit");
}

#[test]
fn temperatures_come_from_the_store_with_elevations_and_neighbours() {
    let house = house();
    let address = format!("sqlite:{}", house.path().join("treebell.sqlite").display());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let store = open_store(&address).await.unwrap();
        for (at, (id, elevation_m)) in STATIONS.iter().enumerate() {
            let station = Station {
                id: StationId::from(*id),
                name: format!("Altura {id}"),
                place: Point { latitude: 32.7 + at as f64 * 0.01, longitude: -134.9 },
                elevation_m: *elevation_m,
                time_zone: chrono_tz::America::Denver,
                observation_hour: None,
                sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: (*id).into() }],
            };
            store.add_station(&station).await.unwrap();
            let mut versions = Vec::new();
            for day in days(date(2007, 9, 1), date(2017, 8, 31)) {
                // ALT-UNO misses a month of 2012, in which its neighbours stand in; ALT-TRES has none, and misses 2015.
                if (at == 0 && (day.year(), day.month()) == (2012, 2)) || (at == 2 && day.year() == 2015) {
                    continue;
                }
                let (min, max) = tenths(at, day);
                for (element, value) in [(Element::Min, min), (Element::Max, max)] {
                    versions.push(Version {
                        day,
                        element,
                        value: TenthsC(value),
                        feed: FeedKind::PlainCsv,
                        day_reported: day,
                        sampled: false,
                        rejected: None,
                        received_at: "2026-01-01T00:00:00Z".parse().unwrap(),
                        bulk: true,
                    });
                }
            }
            store.add_versions(&station.id, &versions).await.unwrap();
        }
        store.close().await;
    });
    ok(
        &house,
        "region add altura --name Altura --zip 00201 --lat 32.7 --lon -134.9 --elevation-m 1600 --station ALT-UNO --station ALT-DOS --release at-once --yes",
    );
    write(&house, "reports.csv", &reports(&sine(4.5), 120.0));
    refused(&house, &format!("fit reports.csv {COARSE}"), 2, "line 29: ALT-TRES has no temperatures for season 2015");
    let (out, err) = ok(&house, &format!("fit reports.csv {COARSE} --skip-unusable --json"));
    assert!(err.contains("left out:") && err.contains("ALT-TRES"), "{err}");
    let got: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(got["in_sample"]["records"], 29);
    assert!(got["calendar_with_slope"]["days_per_km"].as_f64().unwrap() > 5.0, "{}", got["calendar_with_slope"]);
    assert!(got["without_year"]["calendar_with_slope"]["rmse_days"].as_f64().is_some());
    assert_eq!(got["filled_days"], 0, "a neighbour's days are measured days");
    let (out, _) = ok(&house, &format!("fit reports.csv {COARSE} --skip-unusable"));
    assert!(out.contains("days per 100 m"), "{out}");

    write(&house, "typo.csv", "station,year,date\nALT-UN,2010,2010-03-01\nALT-DOS,2010,2010-03-01\nALT-DOS,2031,\n");
    refused(&house, "fit typo.csv", 2, "line 4: no date");
    write(
        &house,
        "typo.csv",
        "station,year,date\nALT-UN,2010,2010-03-01\nALT-DOS,2010,2010-03-01\nALT-DOS,2003,03-09\n",
    );
    refused(&house, "fit typo.csv", 2, "line 2: station `ALT-UN` is unknown, did you mean `ALT-UNO`?");
    refused(
        &house,
        "fit typo.csv",
        2,
        "line 4: ALT-DOS has no temperatures for season 2003; its record has 2007-09-01 to",
    );
}

#[test]
fn records_that_determine_nothing_are_refused_and_their_bound_is_told() {
    let house = house();
    write(&house, "two.csv", "station,year,date\nALT-UNO,2010,2010-04-01\nALT-UNO,2011,2011-04-01\n");
    refused(&house, "fit two.csv --weather weather.csv", 4, "2 records cannot be fitted: at least 3 are wanted");
    let by = "station,year,seen\nALT-UNO,2010,2010-04-01\nALT-UNO,2011,2011-04-05\nALT-DOS,2012,2012-04-10\n";
    write(&house, "by.csv", by);
    refused(&house, "fit by.csv --weather weather.csv", 4, "0 of 3 records say when the event had not come yet");
    refused(&house, "fit by.csv --weather weather.csv", 4, "at a lower threshold of 4 °C the sum is at most");
    refused(&house, "fit by.csv --weather weather.csv --lower 2", 4, "at a lower threshold of 2 °C the sum is at most");
    write(&house, "not_yet.csv", &by.replace("seen", "not_seen"));
    refused(&house, "fit not_yet.csv --weather weather.csv", 4, "at a lower threshold of 4 °C the sum is more than");
}

#[test]
fn mistakes_are_named_with_their_mend() {
    let house = house();
    write(&house, "reports.csv", &reports(&sine(4.5), 120.0));
    let bare = std::fs::read_to_string(house.path().join("weather.csv")).unwrap().replace("_c", "");
    write(&house, "bare.csv", &bare);
    let gap: String = std::fs::read_to_string(house.path().join("weather.csv"))
        .unwrap()
        .lines()
        .filter(|line| !line.contains(",2014-02"))
        .map(|line| format!("{line}\n"))
        .collect();
    write(&house, "gap.csv", &gap);
    write(&house, "stages.csv", "station,date,stage\nALT-UNO,2010-03-01,eggs\nALT-UNO,2010-04-01,hatch\n");
    write(&house, "columns.csv", "station,year,dat\nALT-UNO,2010,2010-03-01\n");
    write(&house, "late.csv", "station,year,date\nALT-UNO,2017,2017-11-01\nALT-UNO,2016,2016-04-01\n");
    write(&house, "broken.toml", "id = \"x\"\n");
    for (line, wanted) in [
        ("fit missing.csv --weather weather.csv", "`missing.csv` cannot be read"),
        ("fit reports.csv", "there is no store `treebell.sqlite`"),
        ("fit reports.csv --weather missing.csv", "missing.csv"),
        ("fit reports.csv --weather bare.csv", "unit"),
        ("fit reports.csv --weather gap.csv", "from 2014-01-01"),
        ("fit reports.csv --weather gap.csv", "--skip-unusable"),
        ("fit late.csv --weather weather.csv", "line 2: the temperatures of ALT-UNO for season 2017 end on 2017-08-31"),
        ("fit stages.csv --weather weather.csv", "several stages (eggs, hatch)"),
        ("fit stages.csv --weather weather.csv --stage egg", "did you mean `egg`?"),
        ("fit columns.csv --weather weather.csv", "column `dat`, did you mean `date`?"),
        ("fit reports.csv --weather weather.csv --plot valley.pdf", "`valley.pdf` must end in .svg or .png"),
        (
            "fit reports.csv --weather weather.csv --based-on pinyon-needle-scales",
            "did you mean `pinyon-needle-scale`?",
        ),
        ("fit reports.csv --weather weather.csv --based-on broken.toml", "broken.toml: names: is missing"),
        ("fit reports.csv --weather weather.csv --profile out.toml", "--stage"),
        (
            "fit reports.csv --weather weather.csv --profile out.toml --stage egg-laying-begin",
            "did you mean `egg-laying-begins`?",
        ),
        ("fit reports.csv --weather weather.csv --lower 4 --step 1", "cannot be used with"),
        ("fit reports.csv --weather weather.csv --lower-from 6 --lower-to 2", "are not a grid"),
        ("fit reports.csv --weather weather.csv --step 0", "are not a grid"),
        ("fit reports.csv --weather weather.csv --upper 6 --lower-to 7", "must be below the upper threshold 6"),
        ("fit reports.csv --weather weather.csv --upper 25 --cutoff none", "does nothing with --cutoff none"),
        ("fit reports.csv --weather weather.csv --upper none --cutoff vertical", "needs an upper threshold"),
        ("fit reports.csv --weather weather.csv --biofix 02-29", "a month and a day of every year"),
        ("fit reports.csv --weather weather.csv --biofix 06-01", "does not lie in season 2008"),
        ("fit reports.csv --weather weather.csv --method sine", "must be one of average"),
        ("fit reports.csv --weather weather.csv --lower warm", "must be a number from -20 to 50"),
        ("fit reports.csv --unit celsius", "--weather"),
    ] {
        refused(&house, line, 2, wanted);
    }
    assert!(!house.path().join("out.toml").exists() && !house.path().join("treebell.sqlite").exists());
    // With its unit told, the same file will do.
    ok(&house, "fit reports.csv --weather bare.csv --unit celsius --lower 4.5");
}
