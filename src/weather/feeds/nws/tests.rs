use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::America::Denver;

use super::super::Parsed;
use super::points::Source;
use super::time_span::interval;
use super::{Gridpoint, daily_extremes, parse_forecast, parse_observations};
use crate::weather::reading::Element;

fn utc(text: &str) -> DateTime<Utc> {
    DateTime::parse_from_rfc3339(text).unwrap().to_utc()
}

fn day(month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, month, day).unwrap()
}

#[test]
fn a_day_runs_by_standard_time_also_in_summer() {
    // 06:59 UTC is 23:59 Mountain Standard Time of the day before, though summer clocks show 00:59.
    let hours: Vec<(DateTime<Utc>, f64)> =
        (0..24).map(|h| (utc("2026-06-14T07:00:00Z") + Duration::hours(h), 10.0 + h as f64)).collect();
    let mut with_edges = hours.clone();
    with_edges.push((utc("2026-06-14T06:59:00Z"), 99.0));
    let parsed = daily_extremes(&"A".into(), &with_edges, Denver);
    let values: Vec<_> = parsed.readings.iter().map(|r| (r.day_reported, r.element, r.value.0)).collect();
    assert_eq!(values, [(day(6, 14), Element::Max, 330), (day(6, 14), Element::Min, 100)]);
    assert!(parsed.readings.iter().all(|r| r.sampled && r.observation_hour == Some(24)));
    assert_eq!(parsed.rejected_lines[0].to_string(), "2026-06-13: too few hours have an observation (`1 of 24`)");
}

#[test]
fn twenty_hours_are_enough_and_nineteen_are_not() {
    let hours = |n: i64| -> Vec<(DateTime<Utc>, f64)> {
        // Five-minute records do not make up for missing hours.
        (0..n * 12).map(|m| (utc("2026-01-14T07:00:00Z") + Duration::minutes(5 * m), 1.0)).collect()
    };
    assert_eq!(daily_extremes(&"A".into(), &hours(20), Denver).readings.len(), 2);
    assert_eq!(daily_extremes(&"A".into(), &hours(19), Denver).readings.len(), 0);
}

#[test]
fn observations_are_judged_by_their_madis_letter() {
    let one = |value: &str, letter: &str, unit: &str| {
        format!(
            r#"{{"features":[{{"properties":{{"timestamp":"2026-06-14T20:53:00+00:00","temperature":{{"unitCode":"{unit}","value":{value},"qualityControl":{letter}}}}}}}]}}"#
        )
    };
    let read = |value: &str, letter: &str, unit: &str| parse_observations(one(value, letter, unit).as_bytes()).unwrap();
    for good in ["\"V\"", "\"S\"", "\"C\"", "\"G\"", "\"Z\"", "\"qc:V\"", "null"] {
        assert_eq!(read("27.8", good, "wmoUnit:degC").temperatures.len(), 1, "{good}");
    }
    for bad in ["\"X\"", "\"Q\"", "\"qc:B\""] {
        let page = read("27.8", bad, "unit:degC");
        assert!(page.temperatures.is_empty() && page.rejected_lines[0].reason.starts_with("MADIS flag"), "{bad}");
    }
    assert_eq!(read("null", "\"V\"", "wmoUnit:degC").missing, 1);
    assert_eq!(read("3500", "\"V\"", "wmoUnit:degC").rejected_lines[0].reason, "no believable temperature");
    assert_eq!(read("300", "\"V\"", "wmoUnit:K").rejected_lines[0].reason, "not a unit of temperature");
    assert!((read("50", "\"V\"", "degF").temperatures[0].1 - 10.0).abs() < 1e-9);
}

#[test]
fn spans_of_time_are_read_in_every_form() {
    let now = utc("2026-06-14T12:00:00Z");
    let hours = |text: &str| interval(text, now).map(|(a, b)| (a.format("%dT%H").to_string(), (b - a).num_minutes()));
    assert_eq!(hours("2026-06-14T14:00:00+00:00/PT13H"), Some(("14T14".into(), 780)));
    assert_eq!(hours("2026-06-14T14:00:00+00:00/P1DT6H"), Some(("14T14".into(), 1800)));
    assert_eq!(hours("2026-06-14T14:00:00-06:00/P1W"), Some(("14T20".into(), 10080)));
    assert_eq!(hours("2026-06-14T14:00:00Z/2026-06-15T03:30:00Z"), Some(("14T14".into(), 810)));
    assert_eq!(hours("PT13H/2026-06-15T03:00:00Z"), Some(("14T14".into(), 780)));
    assert_eq!(hours("NOW/PT90M"), Some(("14T12".into(), 90)));
    assert_eq!(hours("2026-06-14T14:00:00Z/P1M"), Some(("14T14".into(), 30 * 1440)));
    for bad in [
        "",
        "/",
        "PT1H/PT1H",
        "2026-06-14T14:00:00Z/PT",
        "2026-06-14T14:00:00Z/P",
        "2026-06-14T14:00:00Z/PT1X",
        "2026-06-14T14:00:00Z/P99999999999D",
        "2026-06-14T14:00:00Z/2026-06-14T14:00:00Z",
        "2026-06-14T14:00:00Z/PT1HT1H",
    ] {
        assert_eq!(interval(bad, now), None, "{bad}");
    }
}

fn forecast(max: &str, min: &str) -> Parsed {
    let body = format!(
        r#"{{"properties":{{"updateTime":"2026-06-14T11:20:00+00:00","maxTemperature":{{"uom":"wmoUnit:degC","values":[{max}]}},"minTemperature":{{"uom":"wmoUnit:degC","values":[{min}]}}}}}}"#
    );
    parse_forecast(body.as_bytes(), &"A".into(), Denver, utc("2026-06-14T12:00:00Z")).unwrap().parsed
}

#[test]
fn a_maximum_belongs_to_the_start_and_a_minimum_to_the_end_of_its_window() {
    let parsed = forecast(
        r#"{"validTime":"2026-06-14T14:00:00+00:00/PT13H","value":28.3}"#,
        r#"{"validTime":"2026-06-15T02:00:00+00:00/PT14H","value":7.2}"#,
    );
    let values: Vec<_> = parsed.readings.iter().map(|r| (r.day_reported, r.element, r.value.0)).collect();
    assert_eq!(values, [(day(6, 14), Element::Max, 283), (day(6, 15), Element::Min, 72)]);
}

#[test]
fn merged_windows_are_spread_over_their_days() {
    // Three equal maxima: 14 June 8 h to 16 June 21 h local; two equal minima: 14 June 20 h to 16 June 10 h.
    let parsed = forecast(
        r#"{"validTime":"2026-06-14T14:00:00+00:00/P2DT13H","value":28.3}"#,
        r#"{"validTime":"2026-06-15T02:00:00+00:00/P1DT14H","value":7.2}"#,
    );
    let days: Vec<_> = parsed.readings.iter().map(|r| (r.element, r.day_reported)).collect();
    assert_eq!(
        days,
        [
            (Element::Max, day(6, 14)),
            (Element::Max, day(6, 15)),
            (Element::Max, day(6, 16)),
            (Element::Min, day(6, 15)),
            (Element::Min, day(6, 16))
        ]
    );
}

#[test]
fn begun_unbelievable_and_strange_windows_are_told() {
    let parsed = forecast(
        r#"{"validTime":"2026-06-14T21:00:00+00:00/PT6H","value":28.3},{"validTime":"2026-06-15T14:00:00Z/PT13H","value":2800},
           {"validTime":"2026-06-16T14:00:00Z/PT13H","value":null},{"validTime":"then","value":2},{"validTime":"2026-06-17T14:00:00Z/PT13H","value":"x"}"#,
        "",
    );
    assert!(parsed.readings.is_empty());
    assert_eq!(parsed.missing, 1);
    let reasons: Vec<_> = parsed.rejected_lines.iter().map(|r| r.reason).collect();
    assert_eq!(
        reasons,
        [
            "the window has begun: its day belongs to the observations",
            "no believable temperature",
            "not a span of time",
            "not a number"
        ]
    );
}

#[test]
fn sources_are_read_in_their_three_forms() {
    assert!(matches!(Source::parse("KZZ9"), Ok(Source::Station(_))));
    assert!(matches!(Source::parse("ZZZ/101,111"), Ok(Source::Grid(Gridpoint { x: 101, y: 111, .. }))));
    assert!(matches!(Source::parse("35.6123,-135.0456"), Ok(Source::Place(_))));
    for bad in ["", "KZ/9", "ZZZ/1.5,2", "95,0", "../x", "ZZZ/101,111/stations"] {
        assert!(Source::parse(bad).is_err(), "{bad}");
    }
}
