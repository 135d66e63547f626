//! When jobs run: cron expressions in a named time zone, safe over clock changes.
//!
//! The `cron` crate is asked on a civil time line that has no jumps (its results over real zones lose or repeat hours,
//! version 0.17). We then place each civil time in the zone ourselves: inside the gap of spring, the first instant
//! after it; twice in autumn, the first. An expression that names every hour of every day is read in UTC instead, so
//! that it runs once in every hour that passes.

use std::str::FromStr;
use std::sync::Arc;

use chrono::{DateTime, Duration, MappedLocalTime, NaiveDateTime, Offset, TimeZone, Timelike, Utc};
use chrono_tz::Tz;
use cron::{Schedule, TimeUnitSpec};
use serde::{Deserialize, Serialize};

/// One job's timetable.
#[derive(Clone, Debug)]
pub struct Timetable {
    schedule: Arc<Schedule>,
    line: Line,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Line {
    Civil(Tz),
    Utc,
}

/// One run: the instant, and the civil time that names it for good.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tick {
    pub at: DateTime<Utc>,
    /// The time on the civil line: with the job's name, the unique key of the run.
    pub civil: NaiveDateTime,
}

#[derive(Clone, Debug, thiserror::Error, PartialEq, Eq)]
pub enum ScheduleError {
    #[error(
        "cron expression `{expression}` has {found} fields: six or seven are wanted (second minute hour day-of-month month \
         day-of-week [year]), such as `0 15 6 * * *` for 6:15 every day"
    )]
    Fields { expression: String, found: usize },
    #[error(
        "cron expression `{expression}` cannot be read: {why} (days of the week are 1 = Sunday to 7 = Saturday, or Sun to Sat)"
    )]
    Unreadable { expression: String, why: String },
    #[error("cron expression `{expression}` never comes due")]
    Never { expression: String },
}

/// Something that is allowed but may not mean what was wanted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScheduleWarning(pub String);

/// A cron expression as a setting: read when the settings are. One that cannot be read keeps what is wrong with it, so that
/// all faults of a file are told at once.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(from = "String", into = "String")]
pub struct CronExpression {
    text: String,
    read: Result<(Timetable, Vec<ScheduleWarning>), ScheduleError>,
}

impl From<String> for CronExpression {
    fn from(text: String) -> Self {
        // Reading asks for no zone: the one of the settings is put in when a timetable is asked for.
        Self { read: Timetable::parse(&text, Tz::UTC), text }
    }
}

impl From<&str> for CronExpression {
    fn from(text: &str) -> Self {
        text.to_owned().into()
    }
}

impl From<CronExpression> for String {
    fn from(expression: CronExpression) -> Self {
        expression.text
    }
}

impl CronExpression {
    /// What it comes to in a zone.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn timetable(&self, zone: Tz) -> Result<Timetable, ScheduleError> {
        let (timetable, _) = self.read.as_ref().map_err(Clone::clone)?;
        let line = match timetable.line {
            Line::Civil(_) => Line::Civil(zone),
            Line::Utc => Line::Utc,
        };
        Ok(Timetable { schedule: timetable.schedule.clone(), line })
    }

    pub fn warnings(&self) -> &[ScheduleWarning] {
        self.read.as_ref().map_or(&[], |(_, warnings)| warnings)
    }
}

impl Timetable {
    /// Reads an expression of six or seven fields, or a name such as `@daily`.
    ///
    /// # Errors
    /// When it has the wrong number of fields, cannot be read, or names days that never come.
    pub fn parse(expression: &str, zone: Tz) -> Result<(Self, Vec<ScheduleWarning>), ScheduleError> {
        let text = expression.trim();
        let found = text.split_whitespace().count();
        if !text.starts_with('@') && !(6..=7).contains(&found) {
            return Err(ScheduleError::Fields { expression: text.into(), found });
        }
        let schedule = Schedule::from_str(text)
            .map_err(|why| ScheduleError::Unreadable { expression: text.into(), why: why.to_string() })?;
        let mut warnings = Vec::new();
        if !schedule.days_of_month().is_all() && !schedule.days_of_week().is_all() {
            warnings.push(ScheduleWarning(format!(
                "`{text}` names days of the month and of the week: it runs only on days that are both"
            )));
        }
        if found >= 6 && text.split_whitespace().nth(5).is_some_and(|dow| dow.bytes().any(|b| b.is_ascii_digit())) {
            warnings.push(ScheduleWarning(format!(
                "`{text}` numbers the days of the week: 1 is Sunday here; names such as Mon are safer"
            )));
        }
        let every_day =
            schedule.days_of_month().is_all() && schedule.days_of_week().is_all() && schedule.months().is_all();
        let line = if every_day && schedule.hours().is_all() { Line::Utc } else { Line::Civil(zone) };
        let timetable = Self { schedule: Arc::new(schedule), line };
        // 2000 starts a leap cycle; what does not come due from there on never does, unless a past year was named.
        let from = DateTime::<Utc>::UNIX_EPOCH + Duration::days(10_957);
        if timetable.schedule.after(&from).next().is_none() {
            return Err(ScheduleError::Never { expression: text.into() });
        }
        Ok((timetable, warnings))
    }

    /// The first run strictly after `after`, or `None` when there is none any more. Civil times that a spring gap
    /// pushes onto one instant are one run.
    pub fn next_after(&self, after: DateTime<Utc>) -> Option<Tick> {
        match self.line {
            Line::Utc => self.schedule.after(&after).next().map(|at| Tick { at, civil: at.naive_utc() }),
            Line::Civil(zone) => {
                // A day of slack covers every clock change on record but the skipped days of a date line move, which
                // the gap rule places at their end.
                let from = after.with_timezone(&zone).naive_local() - Duration::hours(26);
                self.schedule
                    .after(&Utc.from_utc_datetime(&from))
                    .map(|civil| civil.naive_utc())
                    .map(|civil| Tick { at: place(civil, zone), civil })
                    .find(|tick| tick.at > after)
            }
        }
    }

    /// The last run at or before `now`, looking back at most `reach`.
    pub fn last_due(&self, now: DateTime<Utc>, reach: Duration) -> Option<Tick> {
        // Nearer windows first: most expressions come due daily, and long back-scans of dense ones are wasteful.
        let mut span = Duration::hours(2).min(reach);
        loop {
            let mut last = None;
            let mut at = now - span;
            while let Some(tick) = self.next_after(at) {
                if tick.at > now {
                    break;
                }
                at = tick.at;
                last = Some(tick);
            }
            if last.is_some() || span >= reach {
                return last;
            }
            span = (span * 8).min(reach);
        }
    }
}

/// The instant of a civil time: in a gap the first instant after it, when it comes twice the first.
pub fn place(civil: NaiveDateTime, zone: Tz) -> DateTime<Utc> {
    match zone.from_local_datetime(&civil) {
        MappedLocalTime::Single(at) => at.to_utc(),
        MappedLocalTime::Ambiguous(first, second) => first.to_utc().min(second.to_utc()),
        MappedLocalTime::None => after_gap(civil, zone),
    }
}

fn after_gap(civil: NaiveDateTime, zone: Tz) -> DateTime<Utc> {
    // Read with the offset from before the gap, the civil time lies at or behind the jump; well before, it lies ahead
    // of it. Between the two the offset changes once, and that is the first instant after the gap.
    let offset = |at: DateTime<Utc>| zone.offset_from_utc_datetime(&at.naive_utc()).fix().local_minus_utc();
    let well_before = Utc.from_utc_datetime(&civil) - Duration::hours(38);
    let old = offset(well_before);
    let (mut before, mut behind) = (well_before, Utc.from_utc_datetime(&civil) - Duration::seconds(i64::from(old)));
    while behind - before > Duration::seconds(1) {
        let middle = before + (behind - before) / 2;
        let middle = middle.with_nanosecond(0).unwrap_or(middle);
        if middle <= before {
            break;
        }
        if offset(middle) == old { before = middle } else { behind = middle }
    }
    behind
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().expect("a literal instant")
    }

    fn runs(expression: &str, zone: Tz, from: &str, to: &str) -> Vec<String> {
        let (timetable, _) = Timetable::parse(expression, zone).expect("a literal expression");
        let mut at = utc(from);
        let mut seen = Vec::new();
        while let Some(tick) = timetable.next_after(at) {
            if tick.at >= utc(to) {
                break;
            }
            at = tick.at;
            seen.push(tick.at.format("%dT%H:%MZ").to_string());
        }
        seen
    }

    // IANA: America/Denver springs forward on 2026-03-08 at 02:00 (to 03:00 MDT = 09:00Z), falls back on 2026-11-01 at
    // 02:00 MDT (to 01:00 MST).
    #[test]
    fn a_time_inside_the_spring_gap_runs_at_the_first_instant_after_it() {
        let denver = chrono_tz::America::Denver;
        assert_eq!(
            runs("0 30 2 * * *", denver, "2026-03-07T00:00:00Z", "2026-03-10T00:00:00Z"),
            ["07T09:30Z", "08T09:00Z", "09T08:30Z"]
        );
    }

    #[test]
    fn a_time_that_comes_twice_in_autumn_runs_the_first_time_only() {
        let denver = chrono_tz::America::Denver;
        assert_eq!(
            runs("0 30 1 * * *", denver, "2026-10-31T00:00:00Z", "2026-11-03T00:00:00Z"),
            ["31T07:30Z", "01T07:30Z", "02T08:30Z"]
        );
    }

    #[test]
    fn an_hourly_job_runs_once_in_every_hour_of_a_long_day() {
        let denver = chrono_tz::America::Denver;
        assert_eq!(
            runs("0 0 * * * *", denver, "2026-11-01T06:30:00Z", "2026-11-01T11:00:00Z"),
            ["01T07:00Z", "01T08:00Z", "01T09:00Z", "01T10:00Z"]
        );
    }

    #[test]
    fn a_skipped_day_runs_at_its_end() {
        // IANA: Pacific/Apia had no 30 December 2011.
        let apia = chrono_tz::Pacific::Apia;
        let (timetable, _) = Timetable::parse("0 0 6 * * *", apia).expect("a literal expression");
        let tick = timetable.next_after(utc("2011-12-30T00:00:00Z")).expect("a run");
        assert_eq!(tick.at, utc("2011-12-30T10:00:00Z"), "the jump itself");
        assert_eq!(tick.civil.to_string(), "2011-12-30 06:00:00");
    }

    #[test]
    fn the_last_due_run_is_found_over_short_and_long_reaches() {
        let (daily, _) = Timetable::parse("0 15 6 * * *", chrono_tz::America::Denver).expect("a literal expression");
        let tick = daily.last_due(utc("2026-05-04T00:00:00Z"), Duration::days(30)).expect("a run");
        assert_eq!(tick.at, utc("2026-05-03T12:15:00Z"));
        let (yearly, _) = Timetable::parse("0 0 6 1 1 *", chrono_tz::America::Denver).expect("a literal expression");
        assert_eq!(yearly.last_due(utc("2026-05-04T00:00:00Z"), Duration::days(30)), None);
        assert!(yearly.last_due(utc("2026-05-04T00:00:00Z"), Duration::days(200)).is_some());
    }

    #[test]
    fn bad_expressions_say_what_is_wrong() {
        let zone = chrono_tz::America::Denver;
        let error = |text| Timetable::parse(text, zone).map(|_| ()).expect_err("refused");
        assert!(matches!(error("15 6 * * *"), ScheduleError::Fields { found: 5, .. }));
        assert!(matches!(error("0 0 6 31 2 *"), ScheduleError::Never { .. }));
        assert!(matches!(error("0 0 6 * * 0"), ScheduleError::Unreadable { .. }));
        assert!(error("0 0 6 * * 0").to_string().contains("1 = Sunday"));
        assert!(matches!(error("0 0 25 * * *"), ScheduleError::Unreadable { .. }));
        assert!(matches!(error(""), ScheduleError::Fields { found: 0, .. }));
    }

    #[test]
    fn both_kinds_of_days_and_numbered_weekdays_are_warned_of() {
        let zone = chrono_tz::America::Denver;
        let warnings = |text| Timetable::parse(text, zone).expect("allowed").1.len();
        assert_eq!(warnings("0 0 6 13 * Fri"), 1);
        assert_eq!(warnings("0 0 6 * * 2"), 1);
        assert_eq!(warnings("0 0 6 * * Mon-Fri"), 0);
    }
}
