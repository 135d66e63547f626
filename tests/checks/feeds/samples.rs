//! Real files, whole. The counts below were made by another program (a few lines of Python with its csv and calendar
//! modules), not by this one. Records: GHCN-Daily and daily summaries of NOAA, observations in the public domain.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::io::Read;
use std::path::Path;

use chrono::{Datelike, NaiveDate};
use treebell::weather::feeds::acis::{self, Question};
use treebell::weather::feeds::{FeedError, Unit, daily_summaries, ghcn_dly, nws};
use treebell::weather::import::{Format, FoundFile, ImportError, Options, Summary, recognise, survey};
use treebell::weather::{Element, StationId};

use super::{day, utc};
use crate::support::shared;

/// File, format, unit to say, stations, station-days taken and rejected, values taken and rejected, missing, first and last day.
type Row = (&'static str, Format, Option<Unit>, usize, [u64; 5], &'static str, &'static str);

#[rustfmt::skip]
const FILES: [Row; 21] = [
    ("ghcn-daily/USC00290692.dly.gz", Format::GhcnDly, None, 1, [38101, 30, 75635, 328, 1353], "1895-01-07", "2018-09-26"),
    ("ghcn-daily/USC00291515.dly.gz", Format::GhcnDly, None, 1, [36185, 66, 71957, 394, 1333], "1908-06-01", "2011-10-31"),
    ("ghcn-daily/USC00291664.dly.gz", Format::GhcnDly, None, 1, [41188, 18, 81215, 716, 1226], "1893-01-01", "2018-09-27"),
    ("ghcn-daily/USC00292608.dly.gz", Format::GhcnDly, None, 1, [37835, 4, 74523, 470, 2593], "1906-06-01", "2018-09-23"),
    ("ghcn-daily/USC00293265.dly.gz", Format::GhcnDly, None, 1, [40685, 7, 80207, 214, 953], "1897-02-01", "2011-04-05"),
    ("ghcn-daily/USC00294369.dly.gz", Format::GhcnDly, None, 1, [37051, 10, 73746, 223, 3373], "1910-06-12", "2018-07-29"),
    ("ghcn-daily/USC00295150.dly.gz", Format::GhcnDly, None, 1, [22062, 2, 43732, 352, 476], "1957-07-22", "2018-09-27"),
    ("ghcn-daily/USC00295960.dly.gz", Format::GhcnDly, None, 1, [34211, 9, 67744, 405, 2353], "1894-10-15", "2018-07-30"),
    ("ghcn-daily/USC00298387.dly.gz", Format::GhcnDly, None, 1, [40831, 7, 81058, 168, 3118], "1893-01-01", "2016-10-02"),
    ("ghcn-daily/USC00298535.dly.gz", Format::GhcnDly, None, 1, [21689, 0, 43053, 305, 48], "1959-04-01", "2018-09-27"),
    ("ghcn-daily/USW00023009.dly.gz", Format::GhcnDly, None, 1, [23341, 0, 46667, 12, 135], "1946-12-01", "2018-09-26"),
    ("ghcn-daily/USW00023051.dly.gz", Format::GhcnDly, None, 1, [39281, 2, 78267, 212, 508], "1896-02-01", "2018-09-26"),
    ("ghcn-daily/USW00023170.dly.gz", Format::GhcnDly, None, 1, [37506, 5, 74428, 261, 576], "1910-12-01", "2018-09-26"),
    ("ghcn-daily/USW00023185.dly.gz", Format::GhcnDly, None, 1, [29795, 0, 59590, 0, 8], "1937-03-01", "2018-09-26"),
    ("samples/ghcn-daily/AE000041196.dly.gz", Format::GhcnDly, None, 1, [17107, 0, 26697, 0, 10411], "1944-03-20", "2017-05-31"),
    ("samples/ghcn-daily/US1NDBH0019.dly", Format::GhcnDly, None, 0, [0, 0, 0, 0, 0], "", ""),
    ("samples/ghcn-daily/sample.csv", Format::GhcnCsv, None, 1939, [1938, 1, 3714, 45, 0], "2003-01-01", "2003-01-01"),
    ("samples/ghcn-daily/1872.csv.gz", Format::GhcnCsv, None, 70, [20230, 2, 39121, 165, 0], "1872-01-01", "1872-12-31"),
    ("samples/daily-summaries/USW00023049_daily.csv.gz", Format::AccessCsv, None, 1, [15618, 0, 31200, 28, 68], "1941-05-27", "2023-08-11"),
    ("samples/daily-summaries/climate_data_online_fahrenheit.csv", Format::OrderedCsv, Some(Unit::Fahrenheit), 1, [365, 0, 729, 0, 1], "2021-01-01", "2021-12-31"),
    ("samples/daily-summaries/dirty_mixed_stations.csv.gz", Format::OrderedCsv, Some(Unit::Fahrenheit), 1, [21166, 0, 42332, 0, 0], "1965-01-01", "2022-12-13"),
];

fn look(path: &Path, unit: Option<Unit>, known: &HashSet<StationId>) -> Result<Summary, ImportError> {
    let file = FoundFile { path: path.to_owned(), format: recognise(path)?, size: 0 };
    survey(&file, &Options { unit, ..Options::default() }, known, &|_| {})
}

#[test]
fn real_files_are_read_whole_and_counted_as_another_program_counts_them() {
    for (name, format, unit, stations, counts, first, last) in FILES {
        let Some(path) = shared("real record files", &format!("data/{name}")) else { return };
        assert_eq!(recognise(&path).unwrap(), format, "{name}");
        // Nobody is known at first: then all stations are told as unknown, unless the file says where they are.
        let stranger = look(&path, unit, &HashSet::new()).unwrap();
        let known: HashSet<StationId> =
            stranger.unknown_stations.keys().chain(stranger.stations.keys()).cloned().collect();
        let places_itself = format == Format::AccessCsv || name.contains("dirty");
        assert_eq!(stranger.stations.len(), if places_itself { stations } else { 0 }, "{name}");

        let summary = look(&path, unit, &known).unwrap();
        assert_eq!(summary.stations.len(), stations, "{name}");
        let seen = [
            summary.station_days_taken,
            summary.station_days_rejected,
            summary.values_taken,
            summary.values_rejected_total(),
            summary.missing,
        ];
        assert_eq!(seen, counts, "{name}");
        let text = |day: Option<NaiveDate>| day.map_or_else(String::new, |day| day.to_string());
        assert_eq!((text(summary.first_day).as_str(), text(summary.last_day).as_str()), (first, last), "{name}");
        assert_eq!(summary.lines_rejected_total(), 0, "{name}: {:?}", summary.examples);
        assert_eq!(summary.stations.values().sum::<u64>(), counts[2] + counts[3], "{name}");
    }
}

#[test]
fn every_value_of_a_real_station_file_is_a_reading_with_its_flag() {
    let Some(folder) = shared("station files", "data/ghcn-daily") else { return };
    let mut files = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if !path.to_string_lossy().ends_with(".dly.gz") {
            continue;
        }
        files += 1;
        let mut text = String::new();
        flate2::read::MultiGzDecoder::new(std::fs::File::open(&path).unwrap()).read_to_string(&mut text).unwrap();
        let parsed = ghcn_dly::parse(text.as_bytes()).unwrap();
        let mut readings: HashMap<_, _> = parsed
            .readings
            .iter()
            .map(|r| ((r.day_reported, r.element), (r.value.0, r.source_rejects.clone())))
            .collect();
        assert_eq!(readings.len(), parsed.readings.len(), "{}", path.display());
        // Read once more, cell by cell and without the parser.
        for line in text.lines().filter(|line| ["TMAX", "TMIN"].contains(&&line[17..21])) {
            let element = if &line[17..21] == "TMAX" { Element::Max } else { Element::Min };
            let (year, month) = (line[11..15].parse().unwrap(), line[15..17].parse().unwrap());
            for (at, cell) in line.as_bytes()[21..].chunks(8).enumerate() {
                let value: i32 = std::str::from_utf8(&cell[..5]).unwrap().trim().parse().unwrap();
                if value == -9999 {
                    continue;
                }
                let date = NaiveDate::from_ymd_opt(year, month, at as u32 + 1).unwrap();
                let (read, rejects) = readings.remove(&(date, element)).unwrap();
                assert_eq!(read, value, "{date}");
                match (cell[6], rejects) {
                    (b' ', None) => {}
                    (flag, Some(reason)) if flag != b' ' => {
                        assert!(reason.starts_with(&format!("GHCN quality flag {}: ", char::from(flag))), "{reason}");
                    }
                    other => panic!("{date}: {other:?}"),
                }
            }
        }
        assert!(readings.is_empty(), "{}: {} readings from nowhere", path.display(), readings.len());
    }
    assert_eq!(files, 14);
}

#[test]
fn orders_in_an_untold_unit_are_demanded_and_wrong_ones_contradicted() {
    for name in ["climate_data_online_fahrenheit.csv", "dirty_mixed_stations.csv.gz"] {
        let Some(path) = shared("ordered files", &format!("data/samples/daily-summaries/{name}")) else { return };
        let read = |unit| match look(&path, unit, &HashSet::new()) {
            Err(ImportError::Refused { source, .. }) => source,
            other => panic!("{name}: {other:?}"),
        };
        assert!(matches!(read(None), FeedError::UnitUnknown), "{name}");
    }
    let Some(folder) = shared("units of ordered files", "data/samples/daily-summaries") else { return };
    // This station's summer in °F, read as °C, would be past every record.
    let why =
        look(&folder.join("climate_data_online_fahrenheit.csv"), Some(Unit::Celsius), &HashSet::new()).unwrap_err();
    assert!(matches!(why, ImportError::Refused { source: FeedError::UnitContradicted { .. }, .. }), "{why}");
    // A file that proves its unit needs no word and heeds none.
    let told = look(&folder.join("USW00023049_daily.csv.gz"), Some(Unit::Fahrenheit), &HashSet::new()).unwrap();
    assert_eq!(told, look(&folder.join("USW00023049_daily.csv.gz"), None, &HashSet::new()).unwrap());
}

#[test]
fn a_real_fahrenheit_order_is_converted() {
    let file = "data/samples/daily-summaries/climate_data_online_fahrenheit.csv";
    let Some(path) = shared("ordered file", file) else { return };
    let parsed = daily_summaries::parse_csv(&std::fs::read(path).unwrap(), Some(Unit::Fahrenheit)).unwrap();
    let of = |d: NaiveDate, element| {
        parsed.readings.iter().find(|r| r.day_reported == d && r.element == element).unwrap().value.0
    };
    // 71 °F = 21.7 °C, 51 °F = 10.6 °C; the last day 64 °F = 17.8 °C.
    assert_eq!((of(day(2021, 1, 1), Element::Max), of(day(2021, 1, 1), Element::Min)), (217, 106));
    assert_eq!(of(day(2021, 12, 31), Element::Max), 178);
}

#[test]
fn quoted_answers_of_the_summaries_service_are_read() {
    let file = "data/samples/daily-summaries/access_data_service_json_quoted.txt";
    let Some(path) = shared("quoted answers", file) else { return };
    let text = std::fs::read_to_string(path).unwrap();
    let padded = &text[text.find("[{").unwrap()..text.find("}]").unwrap() + 2];
    let parsed = daily_summaries::parse_json(padded.as_bytes(), None).unwrap();
    assert_eq!(parsed.readings.iter().map(|r| r.value.0).collect::<Vec<_>>(), [311, 217, 256, 233, 311, 233]);
    let standard = &text[text.find("[\n  {").unwrap()..];
    let standard = &standard[..standard.find("\n]").unwrap() + 2];
    assert!(matches!(daily_summaries::parse_json(standard.as_bytes(), None), Err(FeedError::UnitUnknown)));
    // 77, 48, 73, 42 °F.
    let parsed = daily_summaries::parse_json(standard.as_bytes(), Some(Unit::Fahrenheit)).unwrap();
    assert_eq!(parsed.readings.iter().map(|r| r.value.0).collect::<Vec<_>>(), [250, 89, 228, 56]);
}

#[test]
fn recorded_answers_of_acis_are_read() {
    let Some(folder) = shared("recorded answers", "data/samples/acis") else { return };
    let read = |name: &str| std::fs::read(folder.join(name)).unwrap();
    // Their question was: average and minimum of 1 January 2000, without flags.
    let date = day(2000, 1, 1);
    let question = Question {
        elements: &[None, Some(Element::Min)],
        flags_and_hour: false,
        unit: Unit::Fahrenheit,
        from: date,
        to: date,
    };
    let one = acis::parse_station(&read("acis_request_1_StnData.response.json"), &"A".into(), &question).unwrap();
    // 26 °F = -3.3 °C, 37 °F = 2.8 °C.
    assert_eq!(one.readings.iter().map(|r| (r.day_reported, r.value.0)).collect::<Vec<_>>(), [(date, -33)]);
    let many = acis::parse_many(&read("acis_request_2_MultiStnData.response.json"), &question, |sids| {
        sids.iter().find_map(|sid| sid.strip_suffix(" 6")).map(StationId::from)
    })
    .unwrap();
    let values: Vec<_> =
        many.iter().flat_map(|part| &part.parsed.readings).map(|r| (r.station.0.as_str(), r.value.0)).collect();
    assert_eq!(values, [("USW00014939", -33), ("USW00013723", 28)]);
    // Answers to other questions are refused, not misread.
    for name in ["acis_request_0_StnMeta.response.json", "acis_request_4_General_state.response.json"] {
        assert!(acis::parse_station(&read(name), &"A".into(), &question).is_err(), "{name}");
    }
    let grid = acis::parse_station(&read("acis_request_3_GridData.response.json"), &"A".into(), &question).unwrap();
    assert!(grid.readings.is_empty() && grid.rejected_lines.len() == 7);
}

#[test]
fn served_answers_of_the_weather_service_are_read() {
    let Some(folder) = shared("served answers", "data/samples/nws") else { return };
    let read = |name: &str| std::fs::read(folder.join(name)).unwrap();
    let point = nws::parse_point(&read("points.json")).unwrap();
    assert_eq!((point.office.as_str(), point.x, point.y), ("TAE", 58, 65));
    let stations = nws::parse_stations(&read("gridpoint_stations.json")).unwrap();
    assert_eq!((stations.len(), stations[0].as_str(), stations[1].as_str()), (41, "KCMH", "KOSU"));
    let hours = nws::parse_observations(&read("observations.json")).unwrap();
    assert_eq!((hours.temperatures.len(), hours.missing, hours.temperatures[0].1), (1, 1, 10.0));
    let too_few = nws::daily_extremes(&"KFLL".into(), &hours.temperatures, chrono_tz::America::New_York);
    assert!(too_few.readings.is_empty() && too_few.rejected_lines.len() == 1);

    let now = utc("2022-02-04T03:30:00Z");
    let forecast =
        nws::parse_forecast(&read("gridpoint.json"), &"A".into(), chrono_tz::America::New_York, now).unwrap();
    assert_eq!(forecast.made, Some(utc("2022-02-04T03:15:41Z")));
    let mut days: BTreeMap<u32, [Option<i32>; 2]> = BTreeMap::new();
    for reading in &forecast.parsed.readings {
        days.entry(reading.day_reported.day()).or_default()[usize::from(reading.element == Element::Min)] =
            Some(reading.value.0);
    }
    // In °C, as the file has them; the maximum of the 3rd was under way and is told, not taken.
    let wanted = [
        (4, [222, 178]),
        (5, [128, 39]),
        (6, [144, 33]),
        (7, [156, 56]),
        (8, [150, 44]),
        (9, [167, 39]),
        (10, [183, 33]),
    ];
    for (day, [max, min]) in wanted {
        assert_eq!(days.remove(&day), Some([Some(max), Some(min)]), "February {day}");
    }
    assert_eq!(days, BTreeMap::from([(11, [None, Some(44)])]));
    let told: Vec<_> = forecast.parsed.rejected_lines.iter().map(ToString::to_string).collect();
    assert_eq!(
        told,
        [
            "maxTemperature.values[0]: the window has begun: its day belongs to the observations (`2022-02-03T21:00:00+00:00/PT4H`)"
        ]
    );
}
