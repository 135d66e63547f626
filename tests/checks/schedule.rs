//! The timetable over every clock change that the IANA data know of in seven years.

use std::collections::BTreeSet;

use chrono::{DateTime, Duration, NaiveDate, Offset, TimeZone, Timelike, Utc};
use chrono_tz::Tz;
use treebell::timetable::Timetable;

fn offset(zone: Tz, at: DateTime<Utc>) -> i32 {
    zone.offset_from_utc_datetime(&at.naive_utc()).fix().local_minus_utc()
}

fn utc(year: i32, month: u32, day: u32) -> DateTime<Utc> {
    Utc.from_utc_datetime(
        &NaiveDate::from_ymd_opt(year, month, day).expect("a literal day").and_time(Default::default()),
    )
}

/// Instants of all offset changes of a zone, to the second.
fn changes(zone: Tz, from: DateTime<Utc>, to: DateTime<Utc>) -> Vec<(i64, i32, i32)> {
    let mut found = Vec::new();
    let mut at = from;
    while at < to {
        let next = at + Duration::days(1);
        if offset(zone, at) != offset(zone, next) {
            let (mut low, mut high) = (at, next);
            while high - low > Duration::seconds(1) {
                let middle = low + Duration::seconds((high - low).num_seconds() / 2);
                if offset(zone, middle) == offset(zone, at) { low = middle } else { high = middle }
            }
            found.push((high.timestamp(), offset(zone, at), offset(zone, next)));
        }
        at = next;
    }
    found
}

/// Source: IANA time zone data as compiled into chrono-tz; zones that change alike are checked once.
#[test]
fn over_every_clock_change_a_daily_job_runs_once_a_civil_day_and_an_hourly_one_once_an_hour() {
    let (from, to) = (utc(2024, 1, 1), utc(2031, 1, 1));
    let mut seen = BTreeSet::new();
    let (mut zones, mut checked) = (0, 0);
    for zone in chrono_tz::TZ_VARIANTS {
        let changes = changes(zone, from, to);
        if changes.is_empty() || !seen.insert(changes.clone()) {
            continue;
        }
        zones += 1;
        // The pattern of a zone repeats from year to year; the first four changes hold both directions twice.
        for (at, ..) in changes.iter().take(4) {
            let change = Utc.timestamp_opt(*at, 0).single().expect("an instant made from one");
            let (start, end) = (change - Duration::hours(50), change + Duration::hours(50));
            for quarter in 0..96 {
                let (hour, minute) = (quarter / 4, quarter % 4 * 15);
                let (daily, _) =
                    Timetable::parse(&format!("0 {minute} {hour} * * *"), zone).expect("a sound expression");
                let mut days = BTreeSet::new();
                let mut last = start;
                while let Some(tick) = daily.next_after(last) {
                    if tick.at >= end {
                        break;
                    }
                    assert!(tick.at > last, "{zone} runs go forward");
                    last = tick.at;
                    assert!(days.insert(tick.civil.date()), "{zone} {hour}:{minute:02} twice on {}", tick.civil);
                    checked += 1;
                }
                let whole_days =
                    (end.with_timezone(&zone).date_naive() - start.with_timezone(&zone).date_naive()).num_days();
                assert!(days.len() as i64 >= whole_days - 1, "{zone} {hour}:{minute:02} missed a day: {days:?}");
                let days: Vec<NaiveDate> = days.into_iter().collect();
                assert!(
                    days.windows(2).all(|pair| pair[1] - pair[0] == Duration::days(1)),
                    "{zone} skips a day: {days:?}"
                );
            }
            let (hourly, _) = Timetable::parse("0 30 * * * *", zone).expect("a sound expression");
            let mut hours = BTreeSet::new();
            let mut last = start - Duration::seconds(1);
            while let Some(tick) = hourly.next_after(last) {
                if tick.at >= end {
                    break;
                }
                last = tick.at;
                assert!(hours.insert(tick.at.with_minute(0).expect("minute 0 exists")), "{zone} hour twice");
            }
            assert_eq!(hours.len(), 100, "{zone} an hour is missing");
        }
    }
    assert!(zones >= 30 && checked > 40_000, "{zones} zones, {checked} runs looked at");
}
